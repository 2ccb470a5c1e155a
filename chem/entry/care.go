package entry

import (
	"strings"
	"time"

	"steadybath/chem"
	"steadybath/chem/estimate"
	"steadybath/chem/recipe"
)

// Limits of what is asked about in panels and treatments: common practice, no
// source.
const (
	hullCell     = 267.0 // mL: the usual cell
	mostTrial    = 10.0  // mL in the cell: beyond what is tried of an additive
	mostCurrent  = 10.0  // A through the cell: 1 to 5 A are usual
	mostMinutes  = 60.0  // of a panel: 5 to 15 are usual
	mostCarbon   = 20.0  // g per litre of bath: 1 to 5 are usual
	mostPeroxide = 20.0  // mL or g per litre of bath: 0.5 to 5 are usual
	mostHours    = 336.0 // h of a treatment: two weeks
	newSetting   = 2.5   // times what it was, or a 2.5th of it: a window or figure that moved further is asked about
)

// trial asks about what cannot have been tried in a cell, and about a panel
// that was entered as it looked after the trial.
func (c *checker) trial(x estimate.Constituent, p chem.Panel) {
	if v := p.Trial; v.Given() && v.Number.Float() > 0 {
		switch ml := v.Value("mL"); {
		case ml > mostTrial:
			c.ask(smaller(v, func(m chem.Measured) bool { return m.Value("mL") <= mostTrial }), "a trial of %s in the %.0f mL cell is very much", v, hullCell)
		case p.Pattern == chem.PatternRight:
			c.ask("", "the panel looks right as it was drawn, and %s was added in the cell: if it looked right only after that, %s is low", v, x.Name)
		case p.Pattern == chem.PatternHigh:
			c.ask("", "the panel looks high, and %s was added in the cell: more of %s does not cure that", v, x.Name)
		}
	}
	if v := p.Current; v.Given() && v.Value("A") > mostCurrent {
		c.ask(smaller(v, func(m chem.Measured) bool { return m.Value("A") <= mostCurrent }), "%s is very much for a Hull cell", v)
	}
	if m := p.Minutes.Float(); m > mostMinutes {
		c.ask("", "%s minutes is very long for a panel", p.Minutes)
	}
	if v := p.Sample.Volume; v.Given() && v.Value("L") > c.e.Volume/10 {
		c.ask(smaller(v, func(m chem.Measured) bool { return m.Value("L") <= c.e.Volume/10 }), "a sample of %s is more than a tenth of the bath", v)
	}
}

// treat asks about amounts beyond what is used, and about dummy plating whose
// charge nothing tells.
func (c *checker) treat(t chem.Treat) {
	a := t.Amount
	if h := t.Hours.Float(); h > mostHours {
		c.ask("", "a treatment of %s h is more than two weeks", t.Hours)
	}
	if t.With == chem.TreatDummy {
		switch {
		case !a.Given() && len(c.meters()) == 0:
			c.ask("", "the charge of dummy plating is missing, and no meter is read that would count it")
		case a.Given() && a.Value("Ah") > mostRun*c.e.Volume:
			c.ask(smaller(a, func(m chem.Measured) bool { return m.Value("Ah") <= mostRun*c.e.Volume }), "%s of dummy plating is very much for a bath of %.0f L", a, c.e.Volume)
		}
		return
	}
	if !a.Given() {
		return
	}
	most := mostPeroxide
	if t.With == chem.TreatCarbon {
		most = mostCarbon
	}
	perLitre := func(m chem.Measured) float64 {
		if m.Unit.Dimension() == chem.DimMass {
			return m.Value("g") / c.e.Volume
		}
		return m.Value("mL") / c.e.Volume
	}
	if perLitre(a) > most {
		c.ask(smaller(a, func(m chem.Measured) bool { return perLitre(m) <= most }), "%s of %s is very much for a bath of %.0f L", a, t.With, c.e.Volume)
	}
}

// meters are the supplies whose meters were read.
func (c *checker) meters() []string {
	var names []string
	seen := map[string]bool{}
	for _, f := range c.e.Bath.Facts {
		if m, ok := f.Body.(chem.Meter); ok && !seen[strings.ToLower(m.Supply)] {
			seen[strings.ToLower(m.Supply)] = true
			names = append(names, m.Supply)
		}
	}
	return names
}

// meter asks about a reading that went back or came late, that jumped by more
// than a bath of the size can have taken, and about a supply never read before
// where others were.
func (c *checker) meter(m chem.Meter) {
	now := m.Reading.Value("Ah")
	var last, next *chem.Meter
	var lastTime, nextTime time.Time
	known := false
	for _, f := range c.e.Bath.Facts {
		other, ok := f.Body.(chem.Meter)
		if !ok || !strings.EqualFold(other.Supply, m.Supply) {
			continue
		}
		known = true
		if !f.Time.After(c.f.Time) {
			last, lastTime = &other, f.Time
		} else if next == nil {
			next, nextTime = &other, f.Time
		}
	}
	if have := c.meters(); !known && len(have) > 0 {
		c.ask("", "no meter %s was read before; there is %s", m.Supply, strings.Join(have, ", "))
	}
	if next != nil && !next.Reset && now > next.Reading.Value("Ah") {
		c.ask("", "the meter showed %s on %s, after this, and %s is more: it was reset in between, or a digit is wrong", next.Reading, nextTime.Format(time.DateOnly), m.Reading)
	}
	most := mostRun * c.e.Volume
	switch {
	case m.Reset && last != nil && now >= last.Reading.Value("Ah") && now > 0:
		c.ask("", "the meter showed %s on %s, and %s is not less: was it reset at all?", last.Reading, lastTime.Format(time.DateOnly), m.Reading)
	case m.Reset && now > most:
		c.ask("", "%s since a reset is very much for a bath of %.0f L", m.Reading, c.e.Volume)
	case m.Reset || last == nil:
	case now < last.Reading.Value("Ah"):
		c.ask("", "meter %s showed %s on %s, and %s is less: it was reset, or a digit is wrong", m.Supply, last.Reading, lastTime.Format(time.DateOnly), m.Reading)
		c.hint("--reset if it began again from zero")
	case now-last.Reading.Value("Ah") > most:
		c.ask("", "the meter showed %s on %s, and %s is %.0f Ah more, very much for a bath of %.0f L", last.Reading, lastTime.Format(time.DateOnly), m.Reading, now-last.Reading.Value("Ah"), c.e.Volume)
	}
}

// setting judges a change of the recipe, and asks about one so large that a
// slip is likelier.
func (c *checker) setting(body chem.Setting) error {
	next, err := recipe.Apply(c.r, body)
	if err != nil {
		return err
	}
	was, _, err := recipe.Present(c.r, body.Key)
	if err != nil || !was.Given() {
		return nil
	}
	is, _, err := recipe.Present(next, body.Key)
	if err != nil {
		return err
	}
	before, after := was.Number.Float(), is.Number.Float()
	far := func(x float64) bool { return x > newSetting*before || x*newSetting < before }
	if before <= 0 || after <= 0 || !far(after) {
		return nil
	}
	slip := ""
	for _, d := range slips(body.Value.Number) {
		if !far(after * d.Float() / body.Value.Number.Float()) {
			slip = chem.Measured{Number: d, Unit: body.Value.Unit}.String()
			break
		}
	}
	c.ask(slip, "%s is %s now, and %s is far from it", body.Key, was, body.Value)
	return nil
}
