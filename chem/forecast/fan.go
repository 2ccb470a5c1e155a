package forecast

import (
	"math"
	"slices"
	"time"

	"steadybath/chem"
	"steadybath/chem/anode"
	"steadybath/chem/estimate"
)

// Fan is how a content or an anode's mass goes on, day by day: its constituent or
// anode, its unit, and the first point at the time of the forecast itself.
type Fan struct {
	Subject string
	Unit    chem.Unit
	Points  []FanPoint
}

// FanPoint is what 5, 50 and 95 % of the futures are not above at one time, in the
// fan's unit.
type FanPoint struct {
	Time          time.Time
	P05, P50, P95 float64
}

// fans gathers what every future holds at the end of each day.
type fans struct {
	contents, masses []int         // which constituents, which anodes
	drawn            [][][]float64 // by subject, contents first, by day, by future
}

func newFans(e *estimate.Estimate, days float64, paths int) *fans {
	f := &fans{}
	if days == 0 {
		return f
	}
	for i, c := range e.Constituents {
		if c.Known {
			f.contents = append(f.contents, i)
		}
	}
	for i, a := range e.Anodes {
		if a.Form != anode.Inert && !math.IsNaN(a.Mass) {
			f.masses = append(f.masses, i)
		}
	}
	f.drawn = make([][][]float64, len(f.contents)+len(f.masses))
	for i := range f.drawn {
		f.drawn[i] = make([][]float64, int(days)+1)
		for day := range f.drawn[i] {
			f.drawn[i][day] = make([]float64, 0, paths)
		}
	}
	return f
}

// note takes what one future holds so many days from now.
func (f *fans) note(day int, contents, masses []float64) {
	if len(f.drawn) == 0 || day >= len(f.drawn[0]) {
		return
	}
	for k, i := range f.contents {
		f.drawn[k][day] = append(f.drawn[k][day], contents[i])
	}
	for k, i := range f.masses {
		of := f.drawn[len(f.contents)+k]
		of[day] = append(of[day], masses[i])
	}
}

// answer gives the fans of the contents and those of the masses. Of 400 futures of
// a normal spread s the 5 and the 95 % line have a standard error of
// sqrt(p(1-p)/n)/density = 0.106 s, the middle one of 0.063 s: 3 and 2 % of the
// width of the band, 3.29 s. All days are of the same futures, so that the lines
// are moved by that rather than rough, and nothing is smoothed.
func (f *fans) answer(e *estimate.Estimate) (contents, masses []Fan) {
	for k, i := range f.contents {
		c := e.Constituents[i]
		contents = append(contents, Fan{c.Name, c.Unit, f.points(k, e.At)})
	}
	for k, i := range f.masses {
		masses = append(masses, Fan{e.Anodes[i].ID, "kg", f.points(len(f.contents)+k, e.At)})
	}
	return contents, masses
}

func (f *fans) points(subject int, at time.Time) []FanPoint {
	out := make([]FanPoint, len(f.drawn[subject]))
	for day, drawn := range f.drawn[subject] {
		slices.Sort(drawn)
		out[day] = FanPoint{at.Add(time.Duration(day) * 24 * time.Hour), quantile(drawn, 0.05), quantile(drawn, 0.5), quantile(drawn, 0.95)}
	}
	return out
}

// quantile is an order statistic of what is sorted.
func quantile(sorted []float64, p float64) float64 {
	return sorted[min(int(p*float64(len(sorted))), len(sorted)-1)]
}
