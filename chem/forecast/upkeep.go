package forecast

import (
	"fmt"
	"strings"
	"time"

	"steadybath/chem"
	"steadybath/chem/estimate"
)

// upkeepItem is one thing that a recipe sets a time for.
type upkeepItem struct {
	what     string // as in Upkeep
	done     string // how the log says that it was done
	days, ah float64
	is       func(chem.Body) bool
}

func upkeepItems(u chem.Upkeep) []upkeepItem {
	changed := func(what string) func(chem.Body) bool {
		return func(b chem.Body) bool {
			c, ok := b.(chem.Change)
			return ok && strings.EqualFold(c.What, what)
		}
	}
	treated := func(with chem.Treatment) func(chem.Body) bool {
		return func(b chem.Body) bool {
			t, ok := b.(chem.Treat)
			return ok && t.With == with
		}
	}
	return []upkeepItem{
		{"carbon", "carbon treatment", u.CarbonDays, u.CarbonAh, treated(chem.TreatCarbon)},
		{"filter", "change of the filter", u.FilterDays, u.FilterAh, changed("filter")},
		{"bags", "change of the bags", u.BagsDays, u.BagsAh, changed("bags")},
		{"dummy", "dummy plating", u.DummyDays, u.DummyAh, treated(chem.TreatDummy)},
	}
}

// UpkeepDue says when what the recipe sets a time for falls due again: so many
// days or so many ampere-hours, as shown, after it was last done, whichever comes
// first, and after the bath began where it never was. when gives the dates on which
// so many more ampere-hours have passed; nil where nothing is known of them. What is
// due already has the estimate's own time as its dates; what comes after the horizon
// has none.
func UpkeepDue(e *estimate.Estimate, when func(ah float64) Dates, horizon time.Time) []Upkeep {
	var out []Upkeep
	for _, item := range upkeepItems(e.Recipe.Upkeep) {
		if item.days <= 0 && item.ah <= 0 {
			continue
		}
		since, done := e.Bath.Began, false
		for _, f := range e.Bath.Facts {
			if item.is(f.Body) && !f.Time.After(e.At) && !f.Time.Before(since) {
				since, done = f.Time, true
			}
		}
		passed := e.ChargeSince(since)
		u := Upkeep{What: item.what, Why: item.why(e.At.Sub(since).Hours()/24, passed, done)}
		if item.days > 0 {
			at := since.Add(time.Duration(item.days * 24 * float64(time.Hour)))
			u.Due = Dates{at, at, at}
		}
		if left := item.ah - passed; item.ah > 0 {
			switch {
			case left <= 0:
				u.Due = Dates{e.At, e.At, e.At}
			case when != nil:
				// The quantile of the earlier of a date and a fixed one is the
				// earlier of its quantile and that one.
				by := when(left)
				u.Due = Dates{earlier(u.Due.P10, by.P10), earlier(u.Due.P50, by.P50), earlier(u.Due.P90, by.P90)}
			}
		}
		u.Due = Dates{between(u.Due.P10, e.At, horizon), between(u.Due.P50, e.At, horizon), between(u.Due.P90, e.At, horizon)}
		out = append(out, u)
	}
	return out
}

// why says what is set and how far it has come.
func (i upkeepItem) why(days, ah float64, done bool) string {
	var set, come []string
	if i.days > 0 {
		set, come = append(set, figure(i.days)+" days"), append(come, fmt.Sprintf("%.0f days", days))
	}
	if i.ah > 0 {
		set, come = append(set, figure(i.ah)+" Ah"), append(come, figure(ah)+" Ah")
	}
	from := "the last " + i.done
	if !done {
		from = "the bath began, since no " + i.done + " is in the log"
	}
	return fmt.Sprintf("every %s by the recipe; %s since %s", strings.Join(set, " or "), strings.Join(come, " and "), from)
}

// figure writes a number with three figures that matter, whole where larger.
func figure(x float64) string {
	if x >= 100 {
		return fmt.Sprintf("%.0f", x)
	}
	return fmt.Sprintf("%.3g", x)
}

// earlier is the earlier of two times, of which a zero one does not come.
func earlier(a, b time.Time) time.Time {
	if a.IsZero() || !b.IsZero() && b.Before(a) {
		return b
	}
	return a
}

// between is t, but not before from, and zero where it comes after to.
func between(t, from, to time.Time) time.Time {
	switch {
	case t.IsZero() || t.After(to):
		return time.Time{}
	case t.Before(from):
		return from
	}
	return t
}
