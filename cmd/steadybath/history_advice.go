package main

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/advice"
	"steadybath/chem/estimate"
	"steadybath/db"
	"steadybath/reports"
)

// band90 is how many standard uncertainties a 90 % interval reaches to either side
// of a normal distribution.
const band90 = 1.6448536269514722 // computed: the normal distribution's 95 % point

// runAdvice puts what was advised beside what was done and what the bath did.
func runAdvice(s *session, c *cli.Context) error {
	for _, f := range append(slices.Clone(historyFilters), "csv", "shop", "verify") {
		if f != "last" && f != "at" && c.IsSet(f) {
			return wrongWords("leave one of them out", "--advice lists plans and not facts, so --%s does not go with it", f)
		}
	}
	if c.IsSet("last") && c.Int("last") < 1 {
		return wrongWords("", "--last %d: a count of 1 or more would fit", c.Int("last"))
	}
	b, e, sys, err := s.asked(c, estimate.Options{})
	if err != nil {
		return err
	}
	until, err := s.knownOn(c, b.zone)
	if err != nil {
		return err
	}
	kept, err := s.store.Advice(c.Context, b.Name)
	if err != nil {
		return err
	}
	in := advice.Input{Readings: e.Readings, Now: e.At, Brings: bringsOf(e.Recipe)}
	for _, f := range b.Facts {
		if !f.Time.After(e.At) {
			in.Facts = append(in.Facts, f)
		}
	}
	for _, k := range kept {
		if k.At.After(e.At) || !until.IsZero() && k.Entered.After(until) {
			continue
		}
		p, err := planOf(k)
		if err != nil {
			return fmt.Errorf("the advice of %s cannot be read: %w", k.Entered.In(b.zone).Format("2 Jan 2006 15:04"), err)
		}
		in.Plans = append(in.Plans, p)
	}
	out := reports.AdviceInput{Bath: b.Name, Entries: advice.Review(in), Numbers: reports.NumbersOf(b.rows), Zone: b.zone, Units: sys, Head: b.head}
	out.Total = len(out.Entries)
	if n := c.Int("last"); n > 0 && n < out.Total {
		out.Entries = out.Entries[out.Total-n:]
	}
	if c.Bool("json") {
		return reports.AdviceJSON(s.stdout, out)
	}
	return s.paged(c, func(w io.Writer) error { return reports.Advice(w, out) })
}

// bringsOf tells which constituents a material of the recipe changes.
func bringsOf(r *chem.Recipe) func(string) []string {
	return func(material string) []string {
		m, _ := r.Material(material)
		var out []string
		for name, amount := range m.Brings {
			if amount != 0 {
				out = append(out, name)
			}
		}
		return out
	}
}

// planOf reads advice as dose kept it.
func planOf(k db.Advice) (advice.Plan, error) {
	p := advice.Plan{Shown: advice.Shown{ID: k.ID, At: k.At, Entered: k.Entered, By: k.By}, Version: k.Version, Head: k.Head}
	var plan struct {
		Additions []struct {
			Material string    `json:"material"`
			Amount   float64   `json:"amount"`
			Unit     chem.Unit `json:"unit"`
		} `json:"additions"`
		Bail *struct {
			Value float64 `json:"value"`
		} `json:"bail"`
		After []struct {
			Name   string    `json:"name"`
			Unit   chem.Unit `json:"unit"`
			Value  float64   `json:"value"`
			Low90  float64   `json:"low90"`
			High90 float64   `json:"high90"`
		} `json:"after"`
		TitrateFirst []struct {
			Constituent string `json:"constituent"`
		} `json:"titrate_first"`
	}
	var state struct {
		Constituents []struct {
			Name  string    `json:"name"`
			Unit  chem.Unit `json:"unit"`
			Value float64   `json:"value"`
			U     float64   `json:"u"`
		} `json:"constituents"`
	}
	if err := json.Unmarshal(k.Plan, &plan); err != nil {
		return p, err
	}
	if err := json.Unmarshal(k.State, &state); err != nil {
		return p, err
	}
	for _, a := range plan.Additions {
		p.Additions = append(p.Additions, advice.Amount(a))
	}
	if plan.Bail != nil {
		p.Bail = plan.Bail.Value
	}
	for _, a := range plan.After {
		p.After = append(p.After, advice.Value{Name: a.Name, Unit: a.Unit, Value: a.Value, U: (a.High90 - a.Low90) / 2 / band90})
	}
	for _, r := range plan.TitrateFirst {
		p.ReadFirst = append(p.ReadFirst, r.Constituent)
	}
	for _, v := range state.Constituents {
		p.Before = append(p.Before, advice.Value{Name: v.Name, Unit: v.Unit, Value: v.Value, U: v.U})
	}
	return p, nil
}
