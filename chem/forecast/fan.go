package forecast

import (
	"math"
	"time"

	"steadybath/chem"
	"steadybath/chem/anode"
	"steadybath/chem/estimate"
)

// Fan is how a content or an anode's mass goes on, day by day: its constituent or
// anode, its unit, and the first point at the time of the forecast itself. Contents
// are those with the level at its mark, which the estimate's own are only where the
// bath is filled up to it; a reading that waits for a second one widens no fan.
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
		n := len(drawn)
		middle := rank(n, 0.5)
		p := FanPoint{Time: at.Add(time.Duration(day) * 24 * time.Hour), P50: ranked(drawn, middle)}
		p.P05 = ranked(drawn[:middle], rank(n, 0.05))
		p.P95 = ranked(drawn[middle:], rank(n, 0.95)-middle)
		out[day] = p
	}
	return out
}

// ranked is what would stand at k if x were sorted, and puts what is less before it
// and what is more behind it: Hoare's algorithm FIND (Communications of the ACM 4,
// 1961, 321, from memory). Sorting makes fans cost half as much again.
func ranked(x []float64, k int) float64 {
	for low, high := 0, len(x)-1; low < high; {
		pivot, i, j := x[k], low, high
		for i <= j {
			for x[i] < pivot {
				i++
			}
			for pivot < x[j] {
				j--
			}
			if i <= j {
				x[i], x[j] = x[j], x[i]
				i, j = i+1, j-1
			}
		}
		if j < k {
			low = i
		}
		if k < i {
			high = j
		}
	}
	return x[k]
}

// rank is where the quantile p of n sorted values stands.
func rank(n int, p float64) int { return min(int(p*float64(n)), n-1) }
