package estimate

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/simulate"
)

// At the end of the record nothing comes later: smoothed and filtered are one,
// whatever was held, confirmed or dropped on the way, and however the record is
// cut into pieces.
func TestSmoothedEndIsFiltered(t *testing.T) {
	r, text := shipped(t)
	for _, g := range groups() {
		b, sim := g.simulated(t, r, text, 150, freshSeed)
		now := sim.Last().Time
		e, err := b.At(now, Options{Track: true})
		require.NoError(t, err, g.name)
		run := b.start()
		run.keep = true
		run.through(0, now)
		last := e.Track[len(e.Track)-1]
		for i, c := range run.l.cons {
			x, u := run.concentration(i)
			assert.InEpsilon(t, x, last.Value[i], 1e-7, "%s %s", g.name, c.Name)
			assert.InEpsilon(t, u, last.U[i], 1e-5, "%s %s", g.name, c.Name)
		}
		assert.InEpsilon(t, run.volume(), last.Volume, 1e-7, g.name)
		s, err := b.Smoothed(now, now)
		require.NoError(t, err)
		for i, c := range e.Constituents {
			assert.InEpsilon(t, c.Value, s.Constituents[i].Value, 1e-7, "%s %s", g.name, c.Name)
		}
	}
}

// The track and the answer for one moment are made in different ways.
func TestSmoothedIsOnTheTrack(t *testing.T) {
	r, text := shipped(t)
	for _, name := range []string{"60 L", "lost bath", "no fill"} {
		b, sim := groupOf(t, name).simulated(t, r, text, 500, freshSeed+1)
		require.Greater(t, len(b.Facts), 2*stopEvery)
		now := sim.Last().Time
		e, err := b.At(now, Options{Track: true})
		require.NoError(t, err)
		for _, k := range []int{1, 40, len(e.Track) / 3, len(e.Track) / 2, len(e.Track) - 2} {
			p := e.Track[k]
			for k+1 < len(e.Track) && e.Track[k+1].Time.Equal(p.Time) {
				k++
				p = e.Track[k] // after everything of that moment
			}
			s, err := b.Smoothed(p.Time, now)
			require.NoError(t, err)
			for i := range p.Value {
				assert.InDelta(t, p.Value[i], s.Constituents[i].Value, 1e-6*p.Value[i], "%s %s at %s", name, s.Constituents[i].Name, p.Time)
				if len(b.heldToTheEnd(now)) == 0 {
					assert.InDelta(t, p.U[i], s.Constituents[i].U, 1e-4*p.U[i], "%s %s at %s", name, s.Constituents[i].Name, p.Time)
				}
			}
		}
	}
}

func (b *Bath) heldToTheEnd(now time.Time) map[string]*hold {
	r := b.start()
	r.through(0, now)
	return r.holds
}

// What came later makes the past surer, and intervals hold the truth as often as
// they say. Nights of long gaps do not count: nobody can say when what happened in
// them happened.
func TestSmoothedCalibration(t *testing.T) {
	r, text := shipped(t)
	for name, most := range map[string]float64{"60 L": 0.6, "60 L plain": 0.6} {
		var shares []float64
		smoothed, filtered, n := 0.0, 0.0, 0
		for k := range uint64(smallGroup) {
			b, sim := groupOf(t, name).simulated(t, r, text, 182, tunedSeed+k)
			now, in, all := sim.Last().Time, 0, 0
			for at := monday.Add(burnIn - 5*time.Hour); now.Sub(at) > 28*24*time.Hour; at = at.AddDate(0, 0, 9) { // nobody is up
				if !slices.ContainsFunc(b.Facts, func(f chem.Fact) bool { return f.Kind() == chem.KindLevel && f.Time.Sub(at).Abs() < 8*24*time.Hour }) {
					continue
				}
				truth := sim.At(at).Conc("copper")
				s, err := b.Smoothed(at, now)
				require.NoError(t, err)
				e, err := b.At(at, Options{})
				require.NoError(t, err)
				c := named(t, s, "copper")
				if c.Low90 <= truth && truth <= c.High90 {
					in++
				}
				all++
				smoothed += sq(c.Value - truth)
				filtered += sq(named(t, e, "copper").Value - truth)
			}
			n += all
			shares = append(shares, float64(in)/float64(all))
		}
		share, se := mean(shares)
		off := math.Sqrt(smoothed/float64(n)) / 50 * 100
		assert.Less(t, off, most, "%s: error in %% of the window's middle", name)
		assert.Less(t, smoothed, filtered, name)
		assert.Greater(t, 100*(share+3*se), 86.0, name)
		assert.Less(t, 100*(share-3*se), 94.0, name)
		t.Logf("%s: error %.2f %% (filtered %.2f %%), coverage %.1f ± %.1f %%", name, off, math.Sqrt(filtered/float64(n))/50*100, 100*share, 100*se)
	}
}

func mean(v []float64) (m, se float64) {
	for _, x := range v {
		m += x / float64(len(v))
	}
	for _, x := range v {
		se += sq(x - m)
	}
	return m, math.Sqrt(se / float64(len(v)) / float64(len(v)-1))
}

// A change that nobody wrote down is a step, not a slope: the days before it stay
// as they were read.
func TestSmootherKeepsASudddenChange(t *testing.T) {
	r, text := shipped(t)
	b, sim := groupOf(t, "unlogged").simulated(t, r, text, 182, tunedSeed+3)
	require.Len(t, sim.Events, 1)
	now, at := sim.Last().Time, sim.Events[0].Time
	e, err := b.At(now, Options{})
	require.NoError(t, err)
	require.True(t, confirmed(e, sim.Events[0], "copper"))
	found := e.Readings[slices.IndexFunc(e.Readings, func(rd Reading) bool { return rd.Fate == Confirmed })].Fact.Time
	for days := -40; days <= 40; days += 4 {
		night := monday.AddDate(0, 0, int(at.Sub(monday).Hours()/24)+days).Add(-5 * time.Hour)
		if night.After(at.AddDate(0, 0, -1)) && night.Before(found) {
			continue // the record does not say when it was
		}
		s, err := b.Smoothed(night, now)
		require.NoError(t, err)
		assert.InDelta(t, sim.At(night).Conc("copper"), named(t, s, "copper").Value, 1, "%d days from the change", days)
	}
}

func TestSmoothedRefuses(t *testing.T) {
	r, text := shipped(t)
	b, sim := groupOf(t, "60 L").simulated(t, r, text, 30, 7)
	now := sim.Last().Time
	_, err := b.Smoothed(b.Began.Add(-time.Hour), now)
	assert.ErrorContains(t, err, "bath sim begins on 2025-01-06, after 2025-01-06")
	_, err = b.Smoothed(now.Add(time.Hour), now)
	assert.ErrorContains(t, err, "still to come")
	_, err = b.Smoothed(b.Began, now)
	assert.NoError(t, err)
}

// A gap in which a tank dries up leaves its history within a tank's bounds.
func TestSmoothedDryTank(t *testing.T) {
	b, sim, err := group{name: "dry", make: hobby(60, func(c *simulate.Config) {
		c.Away, c.RateOff = [][2]int{{70, 170}}, map[string]float64{"evaporation": 4}
	})}.of(200, freshSeed)
	require.NoError(t, err)
	e, err := b.At(sim.Last().Time, Options{Track: true})
	require.NoError(t, err)
	dry := false
	for _, p := range e.Track {
		dry = dry || sim.At(p.Time).Volume < 1
		assert.GreaterOrEqual(t, p.Volume, driest*b.Volume)
		for i, x := range p.Value {
			assert.False(t, math.IsNaN(x) || x < 0 || x*p.Volume > 10*b.Volume*e.Constituents[i].High, "%s at %s: %g with %g L",
				e.Constituents[i].Name, p.Time, x, p.Volume)
		}
	}
	assert.True(t, dry)
}
