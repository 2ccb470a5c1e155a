package main

import (
	"github.com/urfave/cli/v2"
)

func anodesCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "anodes", Usage: "where the plated metal went", UsageText: "steadybath anodes --ledger [--from WHEN] [--to WHEN]",
		Description: describe("The metal's book: what anodes, bath and parts held, what went between them, and\nwhat does not close.",
			"steadybath anodes --ledger", "steadybath anodes --ledger --from 2026-09-01"),
		Flags: append(questionFlags(),
			&cli.BoolFlag{Name: "ledger", Usage: "the metal's book between two dates"},
			&cli.StringFlag{Name: "from", Usage: "with --ledger: `WHEN` the books open; the bath's beginning if not given"},
			&cli.StringFlag{Name: "to", Usage: "with --ledger: `WHEN` the books close; now if not given"}),
		Action: func(c *cli.Context) error {
			if err := noWords("anodes", c.Args().Slice()); err != nil {
				return err
			}
			return s.ledger(c.Context, c)
		},
	}
}
