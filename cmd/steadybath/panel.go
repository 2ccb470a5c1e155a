package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/estimate"
)

// hullCell is what the usual Hull cell holds, L: 267 mL, so that 2 g in it are
// 1 oz in a US gallon; common practice, no source.
const hullCell = 0.267

// patterns are the words for how a panel looks.
var patterns = []string{string(chem.PatternLow), string(chem.PatternRight), string(chem.PatternHigh)}

func panelCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "panel", Usage: "enter a Hull-cell panel read for an organic", UsageText: "steadybath panel ORGANIC AMOUNT|low|right|high",
		Description: describe("What the panel says of the bath as it was drawn: an amount where there are panels\nto compare with, else how it looks. --trial is the addition to the 267 mL cell that\nmade the panel right; the answer says what that would be in the tank.",
			"steadybath panel brightener low --current 1A --minutes 10 --trial 0.3mL",
			"steadybath panel brightener 3.5mL/L --current 1A --minutes 10 --returned"),
		Flags: writeFlags(uFlag(),
			&cli.StringFlag{Name: "current", Usage: "`CURRENT` through the cell"},
			&cli.StringFlag{Name: "minutes", Usage: "how long the panel was plated, `MINUTES`"},
			&cli.StringFlag{Name: "trial", Usage: "`VOLUME` added in the cell that made the panel right, such as 0.3mL"},
			&cli.StringFlag{Name: "sample", Usage: "`VOLUME` of bath drawn; the cell's 267 mL if not given"},
			&cli.BoolFlag{Name: "returned", Usage: "the sample went back into the tank"}),
		Action: func(c *cli.Context) error {
			inTank, where := "", ""
			err := s.enter(c.Context, c, func(b *bathFile, at time.Time) (chem.Body, error) {
				p, err := panelBody(c, b.Recipe(at))
				if err == nil && p.Current.Given() {
					where = whereOnPanel(b.Recipe(at), p.Current.Value("A"))
				}
				if err == nil && p.Trial.Given() {
					inTank, err = trialInTank(b, at, p)
				}
				return p, err
			})
			if err != nil || c.Bool("json") {
				return err
			}
			for _, line := range []string{where, inTank} {
				if line == "" {
					continue
				}
				if err := say(s.stdout, "%s", line); err != nil {
					return err
				}
			}
			return nil
		},
	}
}

func panelBody(c *cli.Context, r *chem.Recipe) (chem.Panel, error) {
	var p chem.Panel
	words, names := c.Args().Slice(), constituentNames(r)
	if last := len(words) - 1; last >= 0 && slices.Contains(patterns, strings.ToLower(words[last])) {
		p.Pattern, words = chem.Pattern(strings.ToLower(words[last])), words[:last]
	}
	typed, amounts := splitNamed(words, names)
	var err error
	if p.Of, err = pick("organic", typed, names); err != nil {
		return p, err
	}
	con, _ := r.Constituent(p.Of)
	such := fmt.Sprintf("such as: steadybath panel %s low, or %g%s", quoted(p.Of), con.Target, con.Unit)
	switch {
	case p.Pattern != "" && len(amounts) > 0:
		return p, wrongWords("leave one of them out", "%s is given as an amount, %s, and as %s", p.Of, amounts[0], p.Pattern)
	case p.Pattern != "" && c.String("u") != "":
		return p, wrongWords("", "--u is the uncertainty of an amount, and the panel is said to look %s", p.Pattern)
	case p.Pattern != "":
	case len(amounts) == 0:
		return p, wrongWords(such, "what the panel says of %s is missing", p.Of)
	case !startsNumber(amounts[0]):
		hint := such
		if near := nearest(amounts[0], patterns); near != "" {
			hint = "did you mean " + near + "?"
		}
		return p, wrongWords(hint, "%q is neither an amount nor low, right or high", amounts[0])
	default:
		if p.Value, err = quantity(p.Of, amounts, con.Unit.Dimension()); err != nil {
			return p, err
		}
		if p.Value.U, err = uOf(c, p.Value); err != nil {
			return p, err
		}
	}
	if p.Current, err = flagQuantity("current", c.String("current"), chem.DimCurrent); err != nil {
		return p, err
	}
	if p.Minutes, err = flagIn("minutes", c.String("minutes"), "min"); err != nil {
		return p, err
	}
	if p.Trial, err = flagQuantity("trial", c.String("trial"), chem.DimVolume); err != nil {
		return p, err
	}
	p.Sample.Returned = c.Bool("returned")
	p.Sample.Volume, err = flagQuantity("sample", c.String("sample"), chem.DimVolume)
	return p, err
}

// whereOnPanel says which part of a panel shows the densities that the bath is run
// at; nothing where the recipe has none.
func whereOnPanel(r *chem.Recipe, amperes float64) string {
	low, high := r.Limits.CathodeDensity[0], r.Limits.CathodeDensity[1]
	if high <= 0 {
		return ""
	}
	from, to, ok := chem.HullSpan(amperes, low, high)
	if !ok {
		return fmt.Sprintf("at %g A the panel shows nothing of the bath's %g to %g A/dm2", amperes, low, high)
	}
	return fmt.Sprintf("%g to %g A/dm2 lie about %.1f to %.1f cm from the end that burns", low, high, from, to)
}

// trialInTank says what an addition tried in the cell is in the tank: as many
// times more as the bath is larger than the cell.
func trialInTank(b *bathFile, at time.Time, p chem.Panel) (string, error) {
	e, err := b.At(at, estimate.Options{})
	if err != nil {
		return "", err
	}
	ml := p.Trial.Value("mL") * e.Volume / hullCell
	return fmt.Sprintf("%s in the cell is %.3g mL in the tank (%.1f L over 267 mL)", p.Trial, ml, e.Volume), nil
}
