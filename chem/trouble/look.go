package trouble

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"steadybath/chem"
	"steadybath/chem/estimate"
)

// Weight is how much the numbers point at a cause, most first.
type Weight int

// The weights.
const (
	Outside Weight = iota // the number is off in that direction
	Unsure                // it may be, or nobody has read it
	Unread                // the log holds no number for it
	Inside                // the numbers speak against it
)

func (w Weight) String() string {
	return [...]string{"points at it", "may be", "no number", "speaks against it"}[w]
}

// Finding is a cause with this bath's numbers. What is not known is nil or NaN.
type Finding struct {
	Cause
	Weight      Weight
	Constituent *estimate.Constituent // where it is about one
	Reading     *chem.Fact            // newest temperature or pH
	Limits      [2]float64            // of that reading
	Days        float64               // since bags, filter, carbon or dummy
	Ratio       float64               // anode area over the area last plated
	Flag        string                // what the estimate says of the anodes
	First       string                // what to do first here
}

// Ages from which a change or treatment is long ago.
const (
	bagsDays   = 56.0  // d; cotton bags changed every 6 to 8 weeks, read in excerpt (a vendor's page on anodes)
	filterDays = 28.0  // d; common practice, no source
	carbonDays = 180.0 // d; 6 to 12 months, from memory, low confidence
	dummyDays  = 90.0  // d; common practice, no source
	staleDays  = 7.0   // d; a temperature or pH older than this says little; common practice, no source
)

// Area ratios between which anodes fit the parts; common practice, no source: the
// anode's area is at least the cathode's, and more than twice of it is much.
const (
	leastRatio = 1.0
	mostRatio  = 2.0
)

// Look lists what a symptom points at in the bath of e: what its numbers point at
// first, then what they leave open, then the rest, each in the order of the
// trade's table. It is an error where there is no table for the bath's metal.
func Look(e *estimate.Estimate, s Symptom) ([]Finding, error) {
	if e.Recipe.Cyanide {
		return nil, fmt.Errorf("there is no fault table for a cyanide bath: ask the supplier")
	}
	var out []Finding
	known := false
	for _, c := range table() {
		known = known || strings.EqualFold(c.Metal, e.Recipe.Metal)
		if c.Symptom != s || !strings.EqualFold(c.Metal, e.Recipe.Metal) {
			continue
		}
		out = append(out, findings(e, c)...)
	}
	if !known {
		return nil, fmt.Errorf("there is no fault table for a %s bath", e.Recipe.Metal)
	}
	sort.SliceStable(out, func(i, j int) bool {
		if out[i].Weight != out[j].Weight {
			return out[i].Weight < out[j].Weight
		}
		return out[i].Weight <= Unsure && out[i].Constituent != nil && out[j].Constituent == nil
	})
	return out, nil
}

// findings lays numbers beside a cause: none where the bath has nothing of the
// kind, several where it has several organics.
func findings(e *estimate.Estimate, c Cause) []Finding {
	f := Finding{Cause: c, Weight: Unread, Days: math.NaN(), Ratio: math.NaN(), First: c.First}
	role := map[string]chem.Role{aboutMetal: chem.RoleMetal, aboutAcid: chem.RoleAcid, aboutChloride: chem.RoleChloride, aboutOrganic: chem.RoleOrganic}[c.About]
	if e.Recipe.Anodes == "inert" && slices.Contains([]string{Bags, Dummy, Anodes, Area}, c.About) {
		return nil // they have no bags and no film, and their area is what it was
	}
	switch c.About {
	case Practice, Anodes:
	case Temperature:
		f.Limits = e.Recipe.Limits.TemperatureRun
		if f.Limits[1] == 0 {
			f.Limits = e.Recipe.Limits.Temperature
		}
		f.read(e, "temperature", "degC")
	case PH:
		f.Limits = e.Recipe.Limits.PH
		f.read(e, "pH", "pH")
	case Organics:
		f.since(e, carbonDays, func(b chem.Body) bool { t, ok := b.(chem.Treat); return ok && t.With == chem.TreatCarbon })
	case Dummy:
		f.since(e, dummyDays, func(b chem.Body) bool { t, ok := b.(chem.Treat); return ok && t.With == chem.TreatDummy })
	case Bags, Filter:
		days := bagsDays
		if c.About == Filter {
			days = filterDays
		}
		f.since(e, days, func(b chem.Body) bool { ch, ok := b.(chem.Change); return ok && ch.What == c.About })
	case Area:
		f.area(e)
	default:
		var out []Finding
		for i := range e.Constituents {
			x := &e.Constituents[i]
			if role != chem.RoleNone && x.Role == role || strings.EqualFold(x.Name, c.About) {
				f.Constituent = x
				g := f
				if role == chem.RoleOrganic {
					g.What = strings.Replace(c.What, "additive", x.Name, 1)
				}
				g.weigh()
				out = append(out, g)
			}
		}
		return out
	}
	return []Finding{f}
}

// weigh compares a constituent with its window in the cause's direction.
func (f *Finding) weigh() {
	x := f.Constituent
	read := "titrate " + x.Name + " first"
	if x.Role == chem.RoleOrganic {
		read = panel
	} else if x.Contaminant() {
		read = "have " + x.Name + " read by a laboratory first"
	}
	beyond := f.Side == Low && x.Low90 < x.Low || f.Side == High && x.High > 0 && x.High90 > x.High
	switch {
	case !x.Known:
		f.Weight, f.First = Unsure, read
		if x.Contaminant() {
			f.Weight = Unread
		}
	case x.Held != nil && beyond:
		f.Weight, f.First = Unsure, read+": a reading waits for a second"
	case f.Side == Low && x.Verdict == estimate.Low, f.Side == High && x.Verdict == estimate.High:
		f.Weight = Outside
	case beyond:
		f.Weight, f.First = Unsure, read
	default:
		f.Weight = Inside
	}
}

// read finds the newest reading of what is no constituent.
func (f *Finding) read(e *estimate.Estimate, of string, unit chem.Unit) {
	last, ok := e.Bath.LastReadings(e.At)[strings.ToLower(of)]
	if !ok {
		f.First = "read the " + of + " first"
		return
	}
	f.Reading = &last
	value, _, err := last.Body.(chem.Assay).Value.In(unit)
	switch {
	case err != nil || f.Limits[1] == 0 || e.At.Sub(last.Time).Hours()/24 > staleDays:
		f.First = "read the " + of + " first"
	case f.Side == Low && value < f.Limits[0], f.Side == High && value > f.Limits[1]:
		f.Weight = Outside
	default:
		f.Weight = Inside
	}
}

// since finds how long ago something was last done.
func (f *Finding) since(e *estimate.Estimate, long float64, is func(chem.Body) bool) {
	for _, fact := range slices.Backward(e.Bath.Facts) {
		if !fact.Time.After(e.At) && is(fact.Body) {
			f.Days = e.At.Sub(fact.Time).Hours() / 24
			break
		}
	}
	switch {
	case math.IsNaN(f.Days):
	case f.Days > long:
		f.Weight = Unsure
	default:
		f.Weight = Inside
	}
}

// area compares the anodes hung, where all their areas are known, with the parts
// last plated.
func (f *Finding) area(e *estimate.Estimate) {
	hung, whole, plated := map[string]float64{}, true, 0.0
	for _, fact := range e.Bath.Facts {
		if fact.Time.After(e.At) {
			continue
		}
		switch b := fact.Body.(type) {
		case chem.Hang:
			if b.Anode == chem.AllAnodes {
				continue
			}
			hung[b.Anode] = math.NaN()
			if b.Area.Given() {
				hung[b.Anode] = b.Area.Value("dm2")
			}
		case chem.Plate:
			if b.Area.Given() {
				plated = b.Area.Value("dm2")
			}
		}
	}
	total := 0.0
	for _, a := range e.Anodes {
		dm2, ok := hung[a.ID]
		whole = whole && ok && !math.IsNaN(dm2)
		total += dm2
	}
	if len(e.Anodes) > 0 && whole && plated > 0 {
		f.Ratio = total / plated
		f.Weight = Inside
		if f.Side == Low && f.Ratio < leastRatio || f.Side == High && f.Ratio > mostRatio {
			f.Weight = Outside
		}
	}
	for _, flag := range e.Flags {
		if flag.Kind == "anodes" && f.Side == Low {
			f.Weight, f.Flag = Outside, flag.Why
		}
	}
}
