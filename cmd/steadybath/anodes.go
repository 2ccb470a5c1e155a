package main

import (
	"github.com/urfave/cli/v2"

	"steadybath/chem/estimate"
	"steadybath/reports"
)

// anodeDays is how far anodes are looked ahead for where it is not said: they last
// longer than anything else.
const anodeDays = 365

func anodesCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "anodes", Usage: "what is left of each anode, and when to replace it", UsageText: "steadybath anodes [--days N] | --ledger [--from WHEN] [--to WHEN]",
		Description: describe("What is left of each hung anode, and on which dates one has come to its limit with a\nchance of 10, 50 and 90 %: the part of its first mass (limits.anode_least, 20 % if\nnot set), the anodes' current density (limits.anode_density) or their area beside\nthe parts' (limits.anode_ratio), whichever comes first. --ledger is the metal's\nbook: what anodes, bath and parts held, what went between them, and what does not\nclose.",
			"steadybath anodes", "steadybath anodes --days 365", "steadybath anodes --ledger --from 2026-09-01"),
		Flags: append(questionFlags(),
			&cli.StringFlag{Name: "days", Usage: "how many `DAYS` to look ahead; 365 if not given"},
			&cli.BoolFlag{Name: "ledger", Usage: "the metal's book between two dates"},
			&cli.StringFlag{Name: "from", Usage: "with --ledger: `WHEN` the books open; the bath's beginning if not given"},
			&cli.StringFlag{Name: "to", Usage: "with --ledger: `WHEN` the books close; now if not given"}),
		Action: func(c *cli.Context) error {
			if err := noWords("anodes", c.Args().Slice()); err != nil {
				return err
			}
			if c.Bool("ledger") {
				if c.IsSet("days") {
					return wrongWords("leave one of them out", "--days looks ahead, and --ledger looks back")
				}
				return s.ledger(c.Context, c)
			}
			for _, f := range []string{"from", "to"} {
				if c.IsSet(f) {
					return wrongWords("steadybath anodes --ledger --"+f+" "+quoted(c.String(f)), "--%s goes with --ledger", f)
				}
			}
			l, err := lookAheadOf(c)
			if err != nil {
				return err
			}
			if !c.IsSet("days") {
				l.days = anodeDays
			}
			b, e, sys, err := s.asked(c, estimate.Options{})
			if err != nil {
				return err
			}
			a, err := s.ahead(c, b, e, l)
			if err != nil {
				return err
			}
			if c.Bool("json") {
				return reports.AnodesJSON(s.stdout, e, a.forecast, b.head)
			}
			return reports.Anodes(s.stdout, e, a.forecast, b.zone, sys, b.head)
		},
	}
}
