package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
)

func meterCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "meter", Usage: "read an ampere-hour meter", UsageText: "steadybath meter SUPPLY READING [--reset]",
		Description: describe("The difference to the reading before it counts, less the runs entered in between.\nA reading that went back is asked about: --reset where the meter began again from\nzero.",
			"steadybath meter main 1234.5Ah", `steadybath meter main 3.2Ah --reset --at "yesterday 18:30"`),
		Flags: writeFlags(uFlag(), &cli.BoolFlag{Name: "reset", Usage: "the meter began again from zero"}),
		Action: func(c *cli.Context) error {
			since := ""
			err := s.enter(c.Context, c, func(b *bathFile, at time.Time) (chem.Body, error) {
				m, err := meterBody(c, b)
				if err == nil {
					since = sinceLast(b, at, m)
				}
				return m, err
			})
			if err != nil || c.Bool("json") {
				return err
			}
			return say(s.stdout, "%s", since)
		},
	}
}

func meterBody(c *cli.Context, b *bathFile) (chem.Meter, error) {
	m := chem.Meter{Reset: c.Bool("reset")}
	var known []string
	for _, f := range b.Facts {
		if last, ok := f.Body.(chem.Meter); ok && !slices.Contains(known, last.Supply) {
			known = append(known, last.Supply)
		}
	}
	typed, readings := splitNamed(c.Args().Slice(), known)
	switch {
	case typed == "":
		return m, wrongWords("such as: steadybath meter main 1234.5Ah", "the name of the supply is missing")
	case len(readings) > 1:
		return m, wrongWords(`a name with a number in it stands in quotes: steadybath meter "rectifier 2" 1234.5Ah`, "the reading: one is wanted, not %d: %s", len(readings), strings.Join(readings, ", "))
	}
	m.Supply = typed
	for _, name := range known {
		if strings.EqualFold(name, typed) {
			m.Supply = name
		}
	}
	var err error
	if m.Reading, err = quantity("the reading of "+m.Supply, readings, chem.DimCharge); err != nil {
		return m, err
	}
	m.Reading.U, err = uOf(c, m.Reading)
	return m, err
}

// sinceLast says what a reading counts for.
func sinceLast(b *bathFile, at time.Time, m chem.Meter) string {
	var last *chem.Meter
	var when time.Time
	for _, f := range b.Facts {
		if before, ok := f.Body.(chem.Meter); ok && before.Supply == m.Supply && !f.Time.After(at) {
			last, when = &before, f.Time
		}
	}
	switch {
	case m.Reset:
		return fmt.Sprintf("it counts from zero: %s", m.Reading)
	case last == nil:
		return fmt.Sprintf("the first reading of %s: the next one counts from it", m.Supply)
	}
	places := max(m.Reading.Number.Places(), last.Reading.Number.Places())
	passed := chem.DecimalRound(m.Reading.Value("Ah")-last.Reading.Value("Ah"), places)
	return fmt.Sprintf("%s Ah since %s, runs entered in between among them", passed, when.In(b.zone).Format("Mon 2 Jan 15:04"))
}
