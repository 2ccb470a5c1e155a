package entry

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"steadybath/chem"
)

// Limits of what is asked about on a bottle: common practice, no source.
const (
	mostFactor   = 0.1  // off 1: a titrant further off is made anew
	newFactor    = 0.02 // of the strength: a lot does not change more between two standardisations
	mostMolarity = 6.0  // mol/L
)

// LastDay is the last day, as 2027-03-31, on which what expires in a month
// (2027-03) or on a day (2027-03-02) is good; any other text is returned as it
// is.
func LastDay(expires string) string {
	if t, err := time.Parse("2006-01", expires); err == nil {
		return t.AddDate(0, 1, -1).Format(time.DateOnly)
	}
	return expires
}

// expired tells whether what stands on a bottle is past at a time; a text that
// is no date says nothing.
func expired(expires string, at time.Time) bool {
	last := LastDay(expires)
	_, err := time.Parse(time.DateOnly, last)
	return err == nil && at.Format(time.DateOnly) > last
}

// ExpiredU is what a standard solution past its date adds to the relative standard
// uncertainty of its strength: an assumption of this project.
const ExpiredU = 0.01

// PastUse tells whether a bottle is past the date that stands on it.
func PastUse(expires string, at time.Time) bool { return expired(expires, at) }

// CheckShop judges a titrant or a stock, f, of the shop whose standing facts
// are given, with the names that the recipes of its baths use. The time of f is
// in the shop's zone. It never refuses: a bottle is what its label says.
func CheckShop(shop []chem.Fact, titrants, materials []string, f chem.Fact) []Doubt {
	var doubts []Doubt
	ask := func(slip, format string, args ...any) {
		doubts = append(doubts, Doubt{Why: fmt.Sprintf(format, args...), Slip: slip})
	}
	bottle := func(name, lot, opened, expires string) {
		if expired(expires, f.Time) {
			ask("", "lot %s of %s expired on %s", lotName(lot), name, LastDay(expires))
		}
		if len(opened) >= 7 && opened > f.Time.Format(time.DateOnly)[:min(len(opened), 10)] {
			ask("", "lot %s of %s is said to be opened on %s, after the day it is entered for", lotName(lot), name, opened)
		}
	}
	switch b := f.Body.(type) {
	case chem.Titrant:
		if len(titrants) > 0 && !slices.ContainsFunc(titrants, func(n string) bool { return strings.EqualFold(n, b.Name) }) {
			ask("", "no method titrates with %s; there is %s", b.Name, strings.Join(titrants, ", "))
		}
		if m := b.Molarity.Value("mol/L"); m > mostMolarity {
			ask("", "%s is very strong for a titrant", b.Molarity)
		}
		if b.Factor.Given() && math.Abs(b.Factor.Float()-1) > mostFactor {
			slip := ""
			for _, d := range slips(b.Factor) {
				if math.Abs(d.Float()-1) <= mostFactor {
					slip = string(d)
					break
				}
			}
			ask(slip, "a factor of %s is far from 1", b.Factor)
		}
		for _, old := range slices.Backward(shop) {
			was, ok := old.Body.(chem.Titrant)
			if !ok || b.Lot == "" || !strings.EqualFold(was.Name, b.Name) || !strings.EqualFold(was.Lot, b.Lot) {
				continue
			}
			if math.Abs(strength(b)/strength(was)-1) > newFactor {
				ask("", "lot %s of %s was %.4g mol/L on %s, and is %.4g mol/L now", b.Lot, b.Name, strength(was), old.Time.Format(time.DateOnly), strength(b))
			}
			break
		}
		bottle(b.Name, b.Lot, b.Opened, b.Expires)
	case chem.Stock:
		if len(materials) > 0 && !slices.ContainsFunc(materials, func(n string) bool { return strings.EqualFold(n, b.Material) }) {
			ask("", "no recipe uses %s; there is %s", b.Material, strings.Join(materials, ", "))
		}
		bottle(b.Material, b.Lot, b.Opened, b.Expires)
	}
	return doubts
}

func lotName(lot string) string {
	if lot == "" {
		return "without a name"
	}
	return lot
}

// strength is a titrant's actual molarity, mol/L.
func strength(t chem.Titrant) float64 {
	if t.Factor.Given() {
		return t.Molarity.Value("mol/L") * t.Factor.Float()
	}
	return t.Molarity.Value("mol/L")
}

// CheckLot asks about a titration with a lot that has expired at a time (in the
// shop's zone), and, where its strength was not typed, about a lot of a titrant
// that the shop does not know though it knows others.
func CheckLot(shop []chem.Fact, titrant, lot string, at time.Time, unknown bool) []Doubt {
	if lot == "" {
		return nil
	}
	var have []string
	var newest chem.Titrant
	found := false
	for _, f := range shop {
		t, ok := f.Body.(chem.Titrant)
		if !ok || !strings.EqualFold(t.Name, titrant) || f.Time.After(at) {
			continue
		}
		if strings.EqualFold(t.Lot, lot) {
			newest, found = t, true
		} else if t.Lot != "" && !slices.Contains(have, t.Lot) {
			have = append(have, t.Lot)
		}
	}
	switch {
	case found && expired(newest.Expires, at):
		return []Doubt{{Why: fmt.Sprintf("lot %s of %s expired on %s; its strength is then taken to be %g %% less sure", newest.Lot, newest.Name, LastDay(newest.Expires), 100*ExpiredU),
			Hint: `standardise it anew (steadybath titrant), or say why it will do: --force "checked against a standard"`}}
	case !found && unknown && len(have) > 0:
		return []Doubt{{Why: fmt.Sprintf("no lot %s of %s was entered; there is %s", lot, titrant, strings.Join(have, ", "))}}
	}
	return nil
}

// usedUp is how much more than came in may go out of a lot before that is
// asked about: weighing, and the last of the bag; common practice, no source.
const usedUp = 1.05

// CheckStock asks about an addition of the material m from a lot that has
// expired at a time (in the shop's zone), that is used up by the additions
// before it from all baths, or that a shop which knows other lots of the
// material does not know.
func CheckStock(shop []chem.Fact, m chem.Material, before []chem.Add, a chem.Add, at time.Time) []Doubt {
	if a.Lot == "" {
		return nil
	}
	came, went := 0.0, 0.0
	counted := true
	count := func(into *float64, amount chem.Measured) {
		x, err := m.Amount(amount)
		*into += x
		counted = counted && err == nil
	}
	var have []string
	var newest chem.Stock
	found := false
	for _, f := range shop {
		in, ok := f.Body.(chem.Stock)
		if !ok || !strings.EqualFold(in.Material, a.Material) || f.Time.After(at) {
			continue
		}
		if strings.EqualFold(in.Lot, a.Lot) {
			newest, found = in, true
			count(&came, in.Amount)
		} else if in.Lot != "" && !slices.Contains(have, in.Lot) {
			have = append(have, in.Lot)
		}
	}
	switch {
	case found && expired(newest.Expires, at):
		return []Doubt{{Why: fmt.Sprintf("lot %s of %s expired on %s", newest.Lot, newest.Material, LastDay(newest.Expires))}}
	case found:
		for _, old := range before {
			if strings.EqualFold(old.Material, a.Material) && strings.EqualFold(old.Lot, a.Lot) {
				count(&went, old.Amount)
			}
		}
		left := came - went
		count(&went, a.Amount)
		if counted && went > usedUp*came {
			return []Doubt{{Why: fmt.Sprintf("lot %s of %s is used up: %s %s came in, and %s %s of it are left", newest.Lot, newest.Material, short(came), m.Unit, short(math.Max(0, left)), m.Unit)}}
		}
	case !found && len(have) > 0:
		return []Doubt{{Why: fmt.Sprintf("no lot %s of %s was entered; there is %s", a.Lot, a.Material, strings.Join(have, ", "))}}
	}
	return nil
}
