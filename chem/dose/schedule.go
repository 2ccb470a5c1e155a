package dose

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"steadybath/chem"
	"steadybath/chem/estimate"
)

// When readings fall due. BenchmarkClosedLoop shows what these do.
const (
	newDays       = 14.0 // days after a filling during which a bath counts as new
	newEvery      = 7.0  // days between readings of a new or flagged bath
	riskOutside   = 0.10 // chance to be outside its window before the next visit from which an inorganic is read
	riskOrganic   = 0.25 // the same of an organic, whose readings are coarser than its window is wide
	organicEvery  = 7.0  // days: an organic is read no more often, since one reading says little
	visitSlack    = 0.5  // days by which a visit may come early and still count as the one a reading was due on
	largeAddition = 0.10 // of the target: what went in at once is worth a reading at the next visit, against a wrong bottle or a slip of the scale
	flaggedWithin = 30.0 // days for which a confirmed change keeps a bath flagged: the estimate repeats it as long
)

// Titration is a reading to take, and when.
type Titration struct {
	Constituent string
	By          time.Time // the visit at or before which it is worth making; the estimate's own time where it is due now
	Why         string
}

// Schedule says of each constituent when its next reading is worth making, once
// the plan p is carried out: now where the plan asks for it first, and else at
// the last visit before it is more likely than a threshold to lie outside its
// window; four weeks after the last one at the latest, because things go
// unlogged; a week after it where the bath is new or flagged. p is nil where
// nothing is to be done. The earliest comes first, those of one day in the
// recipe's order. Options count as in [Make], targets and materials do not. It
// is empty for a bath whose analysis is none of the tool's business (cyanide).
func Schedule(e *estimate.Estimate, p *Plan, o Options) []Titration {
	if e.Recipe.Cyanide {
		return nil
	}
	every := o.DaysOff
	if !(every > 0) || every > staleDays {
		every = visit
	}
	var ahead []*work // by visits from now
	for k := 1; float64(k-1)*every < staleDays; k++ {
		o := Options{DaysOff: float64(k) * every, AhPerDay: o.AhPerDay}
		ahead = append(ahead, newWork(e, o))
	}
	s := schedule{e: e, p: p, every: every, ahead: ahead, filled: lastFilling(e)}
	var out []Titration
	for i, c := range e.Constituents {
		if c.Contaminant() && !c.Known {
			continue
		}
		out = append(out, s.next(i))
	}
	slices.SortStableFunc(out, func(a, b Titration) int { return a.By.Compare(b.By) })
	return out
}

type schedule struct {
	e      *estimate.Estimate
	p      *Plan
	every  float64
	ahead  []*work
	filled time.Time
}

// lastFilling is when the tank was last filled.
func lastFilling(e *estimate.Estimate) time.Time {
	for _, f := range slices.Backward(e.Bath.Facts) {
		if f.Kind() == chem.KindFill && !f.Time.After(e.At) {
			return f.Time
		}
	}
	return e.Bath.Began
}

// next is the next reading of constituent i.
func (s schedule) next(i int) Titration {
	c := s.e.Constituents[i]
	t := Titration{Constituent: c.Name, By: s.e.At}
	if s.p != nil {
		for _, r := range s.p.TitrateFirst {
			if r.Constituent == c.Name {
				t.Why = r.Why
				return t
			}
		}
	}
	switch {
	case c.Held != nil:
		t.Why = "its last reading does not fit the log and waits for a second one"
		return t
	case !c.Known:
		t.Why = "it has never been read"
		return t
	}
	last, ago := s.filled, "not read since the bath was filled"
	if c.Assay != nil {
		last = c.Assay.Fact.Time
		ago = "last read " + days(s.e.At.Sub(last).Hours()/24) + " ago"
	}
	earlier := func(by time.Time, why string) {
		if by.Before(s.e.At) {
			by = s.e.At
		}
		if t.Why == "" || by.Before(t.By) {
			t.By, t.Why = by, why
		}
	}
	earlier(last.Add(span24(staleDays)), ago+", and things go unlogged: at most four weeks between readings")
	if at, why := s.unproved(c, last); why != "" {
		earlier(at.Add(span24(s.every)), why)
	}
	if why := s.flagged(c); why != "" {
		earlier(last.Add(span24(newEvery)), ago+"; "+why)
	}
	if by, why := s.risky(i, last); why != "" {
		earlier(by, why)
	}
	return t
}

// span24 is a number of days as a duration.
func span24(days float64) time.Duration { return time.Duration(days * 24 * float64(time.Hour)) }

// unproved says since when a large addition waits for a reading that bears it out,
// where constituent c was last read at last.
func (s schedule) unproved(c estimate.Constituent, last time.Time) (at time.Time, why string) {
	if c.Contaminant() || c.Role == chem.RoleOrganic || !(c.Target > 0) {
		return time.Time{}, ""
	}
	for _, f := range slices.Backward(s.e.Bath.Facts) {
		if !f.Time.After(last) {
			break
		}
		a, ok := f.Body.(chem.Add)
		if !ok || f.Time.After(s.e.At) {
			continue
		}
		m, ok := s.e.Recipe.Material(a.Material)
		if !ok {
			continue
		}
		amount, err := a.Amount.Unit.Convert(a.Amount.Value(a.Amount.Unit), m.Unit)
		if err != nil {
			continue
		}
		if share := math.Abs(m.Brings[c.Name]*amount) / (c.Target * s.e.Volume); share >= largeAddition {
			at, why = f.Time, fmt.Sprintf("%s went in with %s of its target and has not been read since", m.Name, percent(share))
		}
	}
	return at, why
}

// flagged says why a constituent is read weekly; empty where it is not.
func (s schedule) flagged(c estimate.Constituent) string {
	if s.e.At.Before(s.filled.Add(span24(newDays - visitSlack))) {
		return "the bath is new"
	}
	if c.Contaminant() || c.Role == chem.RoleOrganic {
		return ""
	}
	for _, f := range s.e.Flags {
		own := strings.EqualFold(f.Subject, c.Name) || !slices.ContainsFunc(s.e.Constituents, func(o estimate.Constituent) bool { return strings.EqualFold(o.Name, f.Subject) })
		pair := c.Role == chem.RoleMetal || c.Role == chem.RoleAcid
		switch {
		case f.Kind == "confirmed" && own && s.e.At.Sub(f.Time) <= span24(flaggedWithin):
			return "a change that nobody wrote down was found in it"
		case f.Kind == "balance" && f.Subject == "sulfate" && pair:
			return "metal and acid do not add up to what the log accounts for"
		case f.Kind == "balance" && f.Subject != "sulfate":
			return "the level does not agree with the log"
		}
	}
	return ""
}

// risky is the last visit after which constituent i is more likely than the
// threshold to leave its window before the next one.
func (s schedule) risky(i int, last time.Time) (time.Time, string) {
	c := s.e.Constituents[i]
	risk := riskOutside
	if c.Role == chem.RoleOrganic {
		risk = riskOrganic
	}
	for k, w := range s.ahead {
		x := &w.needs[i]
		shift, once := 0.0, ""
		if s.p != nil && i < len(s.p.After) {
			shift = s.p.After[i].Value - x.now
			if math.Abs(shift) > tolerance*math.Max(x.target, x.c.High) {
				once = ", once what is due now is done"
			}
		}
		low, high := chanceOutside(x, shift)
		if c.Contaminant() {
			low = 0
		}
		if low+high < risk {
			continue
		}
		by := s.e.At.Add(span24(float64(k) * s.every))
		if soonest := last.Add(span24(organicEvery)); c.Role == chem.RoleOrganic && by.Before(soonest) {
			by = soonest
		}
		side, limit, chance := "below", c.Low, low
		if high > low {
			side, limit, chance = "above", c.High, high
		}
		when := "before the next visit"
		if k > 0 {
			when = "within " + days(float64(k+1)*s.every)
		}
		return by, fmt.Sprintf("a chance of %s to be %s %s %s %s%s", percent(chance), side, tidy(limit), c.Unit, when, once)
	}
	return time.Time{}, ""
}

// chanceOutside are the chances that a constituent, moved by shift, lies below
// its window at the time its work looks ahead to, and above it at the lowest level
// that water is not yet asked for at.
func chanceOutside(x *need, shift float64) (low, high float64) {
	u := math.Max(x.uLeast, x.u)
	low = math.Max(chanceBelow(x.c.Low, x.least+shift, u), chanceBelow(x.c.Low, x.now+shift, x.u))
	if x.c.High > 0 {
		high = math.Max(1-chanceBelow(x.c.High, (x.least+shift)/topUpBelow, u), 1-chanceBelow(x.c.High, x.now+shift, x.u))
	}
	return low, high
}

// Dosing is how an organic is kept: little and often.
type Dosing struct {
	Material chem.Material
	Below    float64 // the concentration, the level at its mark, below which a dose comes due
	Amount   float64 // of a usual dose, in Unit: what a cylinder shows
	Unit     chem.Unit
	Every    Interval // after which a usual dose is used up, at the shop's usual pace
}

// DosingOf says how an organic is kept; ok is false where no dose of it is planned:
// its content is not known, nothing brings it, or the bath is a cyanide bath.
func DosingOf(e *estimate.Estimate, organic string) (d Dosing, ok bool) {
	if e.Recipe.Cyanide {
		return d, false
	}
	w := newWork(e, Options{})
	for i := range w.needs {
		x := &w.needs[i]
		if !strings.EqualFold(x.c.Name, organic) || x.c.Role != chem.RoleOrganic || !x.c.Known {
			continue
		}
		if d.Material, ok = Feed(e.Recipe, x.c.Name); !ok {
			return d, false
		}
		d.Below = x.aim - littleOften*x.target
		d.Amount, d.Unit, d.Every = w.usualDose(x, d.Material)
		return d, true
	}
	return d, false
}

// usualDose is littleOften of what the tank holds of an organic, and after how much
// charge or time it is used up.
func (w *work) usualDose(x *need, m chem.Material) (amount float64, unit chem.Unit, every Interval) {
	content := littleOften * x.target * w.goal
	smallest := math.Max(m.Smallest, 1e-3)
	amount, unit = shown(math.Max(1, math.Round(content/m.Brings[x.c.Name]/smallest))*smallest, m.Unit)
	return amount, unit, w.every(x, content)
}

// Feed is the material that a constituent is fed with when the plan can choose.
func Feed(r *chem.Recipe, constituent string) (m chem.Material, ok bool) {
	rank := func(m chem.Material) (n int) {
		if m.Acid >= strongAcid {
			n += 100
		}
		if !m.Prefer {
			n += 10
		}
		return n + len(m.Brings)
	}
	for _, o := range r.Materials {
		if o.Brings[constituent] > 0 && (!ok || rank(o) < rank(m)) {
			m, ok = o, true
		}
	}
	return m, ok
}
