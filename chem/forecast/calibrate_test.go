package forecast

import (
	"flag"
	"fmt"
	"math"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/dose"
	"steadybath/chem/estimate"
	"steadybath/chem/recipe"
	"steadybath/chem/simulate"
)

var baths = flag.Int("baths", 0, "simulated baths in a group of TestForecastIsCalibrated; 0: a few, loosely judged")

// group is a kind of shop whose future is known, since it is simulated.
type group struct {
	name, recipe string
	volume       float64
	seed         int
	change       func(c *simulate.Config)
}

func groups() []group {
	return []group{
		{"20 L", "copper-electroforming", 20, 1000, nil},
		{"60 L", "copper-electroforming", 60, 2000, nil},
		{"200 L", "copper-electroforming", 200, 3000, nil},
		{"inert, 60 L", "inert", 60, 4000, nil},
		{"watts, 60 L", "nickel-watts", 60, 5000, func(c *simulate.Config) { c.TopUpHours = 1 }},
		{"sulfamate, 60 L", "nickel-sulfamate", 60, 6000, func(c *simulate.Config) { c.TopUpHours = 1 }},
		{"idle gaps, 60 L", "copper-electroforming", 60, 7000, func(c *simulate.Config) { c.Use.GapsPerYr, c.Use.IdleWeek = 3, 0.25 }},
		{"by meter, 60 L", "copper-electroforming", 60, 8000, func(c *simulate.Config) { c.ByMeter = true }},
		{"rates off, 60 L", "copper-electroforming", 60, 9000, func(c *simulate.Config) { c.PriorOff = 1 }},
	}
}

const (
	asked = 24 * 7 // day on which the forecast is asked for
	until = 180    // days that it looks ahead
)

// happened is a forecast date, or a fan's point, beside what came.
type happened struct {
	kind  string
	dates Dates
	truth time.Time // zero: not within the horizon
	at    time.Time

	point FanPoint // of a fan; without a time of a date
	level float64  // what was there at its time
}

// outcome is a group's tally of one kind of date.
type outcome struct {
	n, inside, early int       // early: before the 10 % date, or below the 5 % line
	off              []float64 // days, truth less the middle date; of fans by the width of the band
}

// live makes bath i of a group, asks for a forecast and looks what came: nothing
// but water is added after that day, and no anode replaced.
func (g group) live(t testing.TB, i int) []happened {
	name := g.recipe
	if name == "inert" {
		name = "copper-electroforming"
	}
	shipped, ok := recipe.ShippedText(name)
	require.True(t, ok)
	text := string(shipped)
	if g.recipe == "inert" {
		var kept []string
		for _, line := range strings.Split(strings.Replace(text, `"soluble"`, `"inert"`, 1), "\n") {
			if !strings.HasPrefix(line, "anode_efficiency ") && !strings.HasPrefix(line, "dissolution ") && !strings.HasPrefix(line, "sludge ") {
				kept = append(kept, line)
			}
		}
		text = strings.Join(kept, "\n")
	}
	r, err := recipe.Parse("test", []byte(text))
	require.NoError(t, err)
	start := time.Date(2025, 1, 6, 8, 0, 0, 0, time.UTC)
	c := simulate.Hobby(r, g.volume, start, asked+until+1, uint64(g.seed+i))
	c.RecipeText = text
	c.AnodeLeast = 0
	if r.Anodes != "inert" {
		area := r.AnodeArea * g.volume / r.Volume / 2
		for _, id := range []string{"slab-a", "slab-b"} { // light ones, that come to their end within the year
			c.Anodes = append(c.Anodes, simulate.Anode{ID: id, Mass: g.volume / 60, Area: area, Form: "slab"})
		}
	}
	if g.change != nil {
		g.change(&c)
	}
	now := start.AddDate(0, 0, asked)
	card := simulate.Card(r, g.volume)
	c.Dose = func(facts []chem.Fact, at time.Time) []chem.Fact {
		if at.After(now) {
			return nil
		}
		return card(facts, at)
	}
	run, err := simulate.Make(c)
	require.NoError(t, err)
	var facts []chem.Fact
	for _, f := range run.Facts {
		if !f.Entered.After(now) {
			facts = append(facts, f)
		}
	}
	b, err := estimate.Open(facts)
	require.NoError(t, err)
	e, err := b.At(now, estimate.Options{})
	require.NoError(t, err)
	f, err := Make(e, Options{Seed: uint64(i), Days: until, Fans: 28})
	require.NoError(t, err)
	horizon := now.AddDate(0, 0, until)
	first := func(crossed func(simulate.Truth) bool) time.Time {
		for _, x := range run.Truth {
			if !x.Time.Before(now) && !x.Time.After(horizon) && crossed(x) {
				return x.Time
			}
		}
		return time.Time{}
	}
	var out []happened
	for _, l := range f.Leaves {
		k, _ := r.Constituent(l.Constituent)
		truth := first(func(x simulate.Truth) bool {
			v := x.Amount[k.Name] / c.Volume
			return l.Edge == "low" && v < k.Low || l.Edge == "high" && v > k.High
		})
		kind := "leaves its window"
		if k.Role == chem.RoleOrganic {
			kind = "organic leaves"
		}
		out = append(out, happened{kind: kind, dates: l.Date, truth: truth, at: now})
	}
	for _, o := range f.Organics {
		k, _ := r.Constituent(o.Constituent)
		d, ok := dose.DosingOf(e, k.Name)
		require.True(t, ok)
		truth := first(func(x simulate.Truth) bool { return x.Amount[k.Name]/c.Volume < d.Below })
		out = append(out, happened{kind: "organic due", dates: o.Due, truth: truth, at: now})
	}
	for _, a := range f.Anodes {
		if a.Form == "inert" {
			continue
		}
		i := slices.IndexFunc(e.Anodes, func(x estimate.Anode) bool { return x.ID == a.ID })
		truth := first(func(x simulate.Truth) bool { return x.Anodes[a.ID] < 0.2*e.Anodes[i].Started })
		out = append(out, happened{kind: "anode", dates: a.Replace, truth: truth, at: now})
	}
	for _, day := range fanDays {
		for _, f := range f.Fans {
			p := f.Points[day]
			out = append(out, happened{kind: fanKind("fan", day), point: p, level: run.At(p.Time).Amount[f.Subject] / c.Volume})
		}
		for _, f := range f.Masses {
			p := f.Points[day]
			out = append(out, happened{kind: fanKind("mass fan", day), point: p, level: run.At(p.Time).Anodes[f.Subject]})
		}
	}
	return out
}

// fanDays are the days ahead on which fans are judged.
var fanDays = []int{7, 28}

func fanKind(of string, day int) string { return fmt.Sprintf("%s, %d days", of, day) }

func (o *outcome) count(h happened) {
	if p := h.point; !p.Time.IsZero() {
		o.n++
		switch {
		case h.level < p.P05:
			o.early++
		case h.level <= p.P95:
			o.inside++
		}
		if p.P95 > p.P05 {
			o.off = append(o.off, (h.level-p.P50)/(p.P95-p.P05))
		}
		return
	}
	// Chosen by what was forecast, never by what came.
	if h.dates.P50.IsZero() || h.dates.P50.Equal(h.at) {
		return
	}
	beyond := h.at.AddDate(10, 0, 0)
	date := func(t time.Time) time.Time {
		if t.IsZero() {
			return beyond
		}
		return t
	}
	truth := date(h.truth)
	o.n++
	if !truth.Before(date(h.dates.P10)) && !truth.After(date(h.dates.P90)) {
		o.inside++
	}
	if truth.Before(date(h.dates.P10)) {
		o.early++
	}
	if truth.Before(beyond) {
		o.off = append(o.off, truth.Sub(h.dates.P50).Hours()/24)
	}
}

// TestForecastIsCalibrated: what was forecast for simulated baths beside what
// came. Of the true dates 75 to 88 % are to lie between the 10 and the 90 % date;
// with the few baths of an ordinary run that is judged within three standard
// errors. With -baths=100 the figures of each group are worth printing. Of the true
// contents and masses 90 % are to lie between the 5 and the 95 % line of their fans.
func TestForecastIsCalibrated(t *testing.T) {
	n := *baths
	if n == 0 {
		n = 8
	}
	total := map[string]*outcome{}
	dates := []string{"leaves its window", "organic leaves", "organic due", "anode"}
	var fans []string
	for _, day := range fanDays {
		fans = append(fans, fanKind("fan", day), fanKind("mass fan", day))
	}
	for _, g := range groups() {
		tally := map[string]*outcome{}
		var mu sync.Mutex
		var wg sync.WaitGroup
		next := make(chan int)
		for range runtime.GOMAXPROCS(0) {
			wg.Add(1)
			go func() {
				defer wg.Done()
				for i := range next {
					list := g.live(t, i)
					mu.Lock()
					for _, h := range list {
						for _, of := range []map[string]*outcome{tally, total} {
							if of[h.kind] == nil {
								of[h.kind] = &outcome{}
							}
							of[h.kind].count(h)
						}
					}
					mu.Unlock()
				}
			}()
		}
		for i := range n {
			next <- i
		}
		close(next)
		wg.Wait()
		for _, kind := range append(dates, fans...) {
			o := tally[kind]
			if o == nil || o.n == 0 {
				continue
			}
			share := float64(o.inside) / float64(o.n)
			slices.Sort(o.off)
			middle := math.NaN()
			if len(o.off) > 0 {
				middle = o.off[len(o.off)/2]
			}
			if slices.Contains(fans, kind) {
				t.Logf("%-16s %-18s %4d points, %5.1f %% inside 5 to 95, %4.1f %% below, median error %+.2f of the band\n",
					g.name, kind, o.n, 100*share, 100*float64(o.early)/float64(o.n), middle)
				continue
			}
			t.Logf("%-16s %-18s %4d dates, %5.1f %% inside 10 to 90, %4.1f %% before, median error %+.1f days, of size %.1f\n",
				g.name, kind, o.n, 100*share, 100*float64(o.early)/float64(o.n), middle, medianSize(o.off))
		}
	}
	for kind, o := range total {
		share, se := float64(o.inside)/float64(o.n), 0.4/math.Sqrt(float64(o.n))
		if slices.Contains(fans, kind) {
			t.Logf("%-16s %-18s %4d points, %5.1f %% inside 5 to 95, %4.1f %% below\n",
				"all", kind, o.n, 100*share, 100*float64(o.early)/float64(o.n))
			// The errors of one bath's constituents and anodes go together: half of
			// the points are taken to count.
			assert.InDelta(t, 0.9, share, 0.02+3*0.3/math.Sqrt(float64(o.n)/2), kind)
			continue
		}
		assert.InDelta(t, 0.815, share, 0.065+3*se, kind)
	}
}

func medianSize(off []float64) float64 {
	if len(off) == 0 {
		return math.NaN()
	}
	size := make([]float64, len(off))
	for i, x := range off {
		size[i] = math.Abs(x)
	}
	slices.Sort(size)
	return size[len(size)/2]
}
