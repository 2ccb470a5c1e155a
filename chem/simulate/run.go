package simulate

import (
	"maps"
	"sort"
	"time"

	"steadybath/chem"
)

// Truth is what was really in the tank at one moment.
type Truth struct {
	Time    time.Time
	Volume  float64            // L
	Amount  map[string]float64 // by constituent, in its unit of concentration times L: g, mg or mL
	Rates   Rates
	Anodes  map[string]float64 // kg, by id, of those that hang
	Books   map[string]Account // by constituent, in the unit of Amount
	Water   Account            // of the volume, L
	Metal   Metal
	Charge  float64 // Ah, true, since the start
	Shown   float64 // Ah, as the supply showed them
	Plating float64 // h, since the start
}

// Metal is where the plated metal is, in g since the start. Anodes counts those
// that were ever hung: what is left of them, pulled ones included.
type Metal struct {
	Hung      float64 // mass of all anodes when new
	Anodes    float64 // what is left of them
	Dissolved float64 // from the anodes into the bath
	Sludge    float64 // from the anodes into the bags
	Plated    float64 // onto parts
}

// Conc returns the true concentration of a constituent in its unit.
func (t Truth) Conc(constituent string) float64 {
	if t.Volume <= 0 {
		return 0
	}
	return t.Amount[constituent] / t.Volume
}

// Run is a made-up life of a bath: what was written down, and what was true.
type Run struct {
	Config Config
	Facts  []chem.Fact        // in order of entry, the shop's own among the bath's
	Truth  []Truth            // daily, and before and after everything that happened, in order of time
	Events []Event            // the faults that came to pass, in order of time
	Lots   map[string]float64 // true over nominal molarity less 1, by "titrant/lot"
}

// At returns what was true at a moment, after everything that happened at it.
// Between two records volume, amounts and anodes are interpolated in a straight
// line, rates and sums taken from the one before; outside the run the first or
// last record answers.
func (r *Run) At(t time.Time) Truth {
	i := sort.Search(len(r.Truth), func(i int) bool { return r.Truth[i].Time.After(t) })
	if i == 0 {
		return r.Truth[0]
	}
	a := r.Truth[i-1]
	if i == len(r.Truth) || !t.After(a.Time) {
		return a
	}
	b := r.Truth[i]
	f := float64(t.Sub(a.Time)) / float64(b.Time.Sub(a.Time))
	out := a
	out.Time = t
	out.Volume = a.Volume + f*(b.Volume-a.Volume)
	out.Amount, out.Anodes = maps.Clone(a.Amount), maps.Clone(a.Anodes)
	for k, v := range a.Amount {
		out.Amount[k] = v + f*(b.Amount[k]-v)
	}
	for k, v := range a.Anodes {
		if w, ok := b.Anodes[k]; ok {
			out.Anodes[k] = v + f*(w-v)
		}
	}
	return out
}

// Last returns the truth at the end of the run.
func (r *Run) Last() Truth { return r.Truth[len(r.Truth)-1] }
