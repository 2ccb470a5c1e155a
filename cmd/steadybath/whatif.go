package main

import (
	"strings"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/dose"
	"steadybath/chem/estimate"
	"steadybath/reports"
)

// runWhatIf shows the bath after what --what-if names, and writes nothing.
func runWhatIf(s *session, c *cli.Context, b *bathFile, e *estimate.Estimate, o dose.Options, sys reports.Units) error {
	steps, err := whatIfSteps(c.StringSlice("what-if"), e.Recipe)
	if err != nil {
		return err
	}
	out, err := dose.WhatIf(e, o, steps)
	if err != nil {
		return refused("steadybath state shows the bath as it is known", "%v", err)
	}
	if c.Bool("json") {
		return reports.WhatIfJSON(s.stdout, out, b.head)
	}
	return reports.WhatIf(s.stdout, out, b.zone, sys)
}

func whatIfSteps(typed []string, r *chem.Recipe) ([]dose.Step, error) {
	var steps []dose.Step
	for _, text := range typed {
		words := strings.Fields(text)
		if isColumn(text) {
			return nil, wrongWords(`such as --what-if "bail 2 L"`, "--what-if %q is a column of a spreadsheet; one material with its amount is wanted", text)
		}
		if len(words) > 0 && strings.EqualFold(words[0], "bail") {
			v, err := something("the bail-out", joinUnits(words[1:]), chem.DimVolume)
			if err != nil {
				return nil, err
			}
			steps = append(steps, dose.Step{Bail: v.Value("L")})
			continue
		}
		body, err := addBody(r, words, "", func(m chem.Measured) (chem.Decimal, error) { return m.U, nil })
		if err != nil {
			return nil, err
		}
		add := body.(chem.Add)
		m, _ := r.Material(add.Material)
		x, err := m.Amount(add.Amount)
		if err != nil {
			return nil, wrongWords("", "--what-if: %s of %s: %v", add.Amount, m.Name, err)
		}
		steps = append(steps, dose.Step{Material: m, Amount: x})
	}
	return steps, nil
}
