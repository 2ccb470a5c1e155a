package reports

import (
	"fmt"
	"math"
	"strings"
	"time"

	"steadybath/chem"
	"steadybath/chem/anode"
	"steadybath/chem/estimate"
)

// sheets are the page's tables beside the charts: anodes, balances, the metal's book.
func (in PageInput) sheets() []Sheet {
	var out []Sheet
	for _, s := range []Sheet{in.anodeSheet(), in.balanceSheet(), in.metalSheet()} {
		if len(s.Rows) > 0 {
			out = append(out, s)
		}
	}
	return out
}

func (in PageInput) anodeSheet() Sheet {
	e, u := in.Estimate, in.Units
	s := Sheet{Name: "Anodes", Head: []string{"Anode", "Left", "Of its first", "Replace", "Because"}, Numeric: []bool{false, true, true}}
	for _, a := range in.Forecast.Anodes {
		left, part, why := "not weighed", "", a.Reason
		switch {
		case a.Form == anode.Inert && a.LifeAh > 0:
			left, part = fmt.Sprintf("%.0f of %.0f Ah passed", a.PassedAh, a.LifeAh), fmt.Sprintf("%.0f %%", 100*math.Max(0, 1-a.PassedAh/a.LifeAh))
		case a.Form == anode.Inert:
			left, why = fmt.Sprintf("%.0f Ah passed", a.PassedAh), "its life is its maker's to say"
		case !math.IsNaN(a.Mass):
			left = u.plusMinus(a.Mass, a.U, "kg")
		}
		if !math.IsNaN(a.Fraction) {
			part = fmt.Sprintf("%.0f %%", 100*a.Fraction)
		}
		if a.Replace.P10.IsZero() && a.Form != anode.Inert {
			why = "no limit is reached before"
		}
		s.Rows = append(s.Rows, []string{a.ID, left, part, in.dates(a.Replace, in.AnodeDays), u.Words(why)})
	}
	amps, parts := e.UsualRun()
	if area := anodeArea(in.Forecast); area > 0 && parts > 0 {
		s.Notes = append(s.Notes, fmt.Sprintf("Their area is %s, %s times that of the usual parts.", u.amount(area, "dm2"), figures(area/parts)))
	}
	if n := len(in.Forecast.Anodes); n > 0 && in.Forecast.Anodes[0].Density > 0 {
		line := fmt.Sprintf("At the usual %s A they carry %s", figures(amps), u.amount(in.Forecast.Anodes[0].Density, "A/dm2"))
		if limit := e.Recipe.Limits.AnodeDensity; limit > 0 {
			line += "; the recipe allows " + u.amount(limit, "A/dm2")
		}
		s.Notes = append(s.Notes, line+".")
	}
	return s
}

func (in PageInput) balanceSheet() Sheet {
	u := in.Units
	s := Sheet{Name: "Balances", Lead: "What readings found, less what the log accounts for. Within two standard uncertainties it closes.",
		Head: []string{"Balance", "Found less accounted for", "Verdict"}, Numeric: []bool{false, true}}
	for _, b := range in.Estimate.Balances {
		word := "closes"
		if !b.Closes {
			word = "does not close"
		}
		v, unit := u.Show(b.Closure, chem.Unit(b.Unit))
		spread := b.U * u.scale(chem.Unit(b.Unit))
		s.Rows = append(s.Rows, []string{b.Name, fmt.Sprintf("%+.*f ± %.*f %s", places(spread), v, places(spread), spread, unit), word})
	}
	return s
}

// metalSheet says where the metal went since the bath began.
func (in PageInput) metalSheet() Sheet {
	l, u := in.Ledger, in.Units
	if l == nil {
		return Sheet{}
	}
	_, unit := u.Show(0, "g")
	s := Sheet{Name: "Where the " + l.Metal + " went",
		Lead: fmt.Sprintf("From %s to %s, in %s, given all that was read since; the longest bar is the largest amount.",
			l.From.In(in.Zone).Format(time.DateOnly), l.To.In(in.Zone).Format(time.DateOnly), unit),
		Head: []string{"From and to", "By", string(unit)}, Numeric: []bool{false, false, true}}
	most := 0.0
	for _, p := range l.Postings {
		if !p.Unlogged {
			most = math.Max(most, math.Abs(p.Now.Value))
		}
	}
	for _, p := range l.Postings {
		if p.Unlogged {
			continue
		}
		s.Rows = append(s.Rows, []string{accountWords(p.From) + " to " + accountWords(p.To), p.Cause, u.grams(p.Now)})
		s.Parts = append(s.Parts, math.Abs(p.Now.Value)/math.Max(most, math.SmallestNonzeroFloat64))
	}
	var holds []string
	for _, a := range l.Accounts {
		if a.Name != estimate.Out {
			holds = append(holds, fmt.Sprintf("%s %s %s", accountWords(a.Name), u.grams(a.Closing), unit))
		}
	}
	s.Notes = append(s.Notes, "Now there are in: "+strings.Join(holds, ", ")+".")
	if l.Open.U > 0 {
		s.Notes = append(s.Notes, fmt.Sprintf("What anodes, bath and parts hold beyond what the log accounts for: %s %s, %.1f standard uncertainties.",
			u.signed(l.Open), unit, math.Abs(l.Open.Value)/l.Open.U))
	}
	for _, line := range meaning(l) {
		s.Notes = append(s.Notes, strings.ToUpper(line[:1])+line[1:]+".")
	}
	return s
}

// basis are the tables that say what the numbers rest on.
func (in PageInput) basis() []Sheet {
	e := in.Estimate
	rates := Sheet{Name: "Rates", Lead: "What moves the bath: as believed when it began, from the recipe, and as its readings have taught since.",
		Head: []string{"Rate", "Believed", "Learned", "Unit"}, Numeric: []bool{false, true, true}}
	plus := func(v, spread float64) string {
		if !(spread > 0) {
			return figures(v)
		}
		p := places(spread)
		return fmt.Sprintf("%.*f ± %.*f", p, v, p, spread)
	}
	for _, r := range e.Rates {
		was := "–"
		for _, b := range in.Believed {
			if b.Name == r.Name {
				was = plus(b.Value, b.U)
			}
		}
		rates.Rows = append(rates.Rows, []string{r.Name, was, plus(r.Value, r.U), r.Unit})
	}
	windows := Sheet{Name: "Windows", Head: []string{"Constituent", "Low", "Target", "High", "Unit"}, Numeric: []bool{false, true, true, true}}
	for _, c := range e.Constituents {
		scale := in.Units.scale(c.Unit)
		_, unit := in.Units.Show(0, c.Unit)
		limit := func(v float64) string {
			if v == 0 {
				return "–"
			}
			return figures(v * scale)
		}
		windows.Rows = append(windows.Rows, []string{c.Name, limit(c.Low), limit(c.Target), limit(c.High), string(unit)})
	}
	bottles := Sheet{Name: "Titrants", Head: []string{"Titrant", "Lot", "Molarity", "Factor", "Expires", "Titrations", "Last"}, Numeric: []bool{false, false, true, true, false, true}}
	for _, b := range in.Titrants {
		factor, last := "1", ""
		if b.Factor.Given() {
			factor = string(b.Factor)
		}
		if !b.Last.IsZero() {
			last = b.Last.In(in.Zone).Format(time.DateOnly)
		}
		bottles.Rows = append(bottles.Rows, []string{b.Name, b.Lot, withU(b.Molarity), factor, b.Expires, fmt.Sprint(b.Titrations), last})
	}
	var out []Sheet
	for _, s := range []Sheet{windows, rates, bottles} {
		if len(s.Rows) > 0 {
			out = append(out, s)
		}
	}
	return out
}
