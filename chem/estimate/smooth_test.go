package estimate

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/recipe"
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

// massAt is the first point of a course that is not before t.
func massAt(t *testing.T, c MassCourse, at time.Time) MassPoint {
	t.Helper()
	i := slices.IndexFunc(c.Points, func(p MassPoint) bool { return !p.Time.Before(at) })
	require.GreaterOrEqual(t, i, 0, "%s has nothing at %s", c.ID, at)
	return c.Points[i]
}

// In an exact log anodes lose what the charge dissolves of them by Faraday's law,
// and a course lies where the truth does.
func TestMassesFollowFaraday(t *testing.T) {
	r, err := recipe.Parse("plain", []byte(plainRecipe))
	require.NoError(t, err)
	c := simulate.Exact(r, 60, monday, 800, 3)
	c.RecipeText = plainRecipe
	sim, err := simulate.Make(c)
	require.NoError(t, err)
	b, err := Open(sim.Facts)
	require.NoError(t, err)
	now := sim.Last().Time
	e, err := b.At(now, Options{Track: true})
	require.NoError(t, err)
	require.Greater(t, len(e.Masses), 2, "no anode was used up and replaced")
	lost, u := 0.0, 0.0
	for _, c := range e.Masses {
		require.Greater(t, len(c.Points), 2)
		first, last := c.Points[0], c.Points[len(c.Points)-1]
		lost += first.Kg - last.Kg
		u += first.U + last.U
		for i, p := range c.Points {
			if i+1 < len(c.Points) {
				require.False(t, c.Points[i+1].Time.Before(p.Time))
				if c.Points[i+1].Time.Equal(p.Time) {
					continue // before everything of that moment
				}
			}
			if truth, ok := sim.At(p.Time).Anodes[c.ID]; ok {
				assert.InDelta(t, truth, p.Kg, 2*p.U, "%s at %s", c.ID, p.Time)
			}
		}
	}
	ah := 0.0
	for _, f := range b.Facts {
		if p, ok := f.Body.(chem.Plate); ok {
			ah += p.Charge.Value("Ah")
		}
	}
	assert.InDelta(t, ah*equivalent/1000, lost, 2*u)
	assert.Less(t, 2*u, 0.02*lost, "an interval that says something")
}

// A course ends where the anode was pulled, another one begins where it hangs again,
// and what hangs now ends at what the estimate says of it, held readings counted.
func TestMassesByHanging(t *testing.T) {
	kg := func(x float64) chem.Measured { return chem.MeasuredOf(x, "kg", 0.001) }
	l := newLog(plainRecipe, 0.01)
	hung := l.now
	l.do(chem.Hang{Anode: "a", Mass: kg(1), Form: "slab"})
	l.do(chem.Hang{Anode: "b", Form: "slab"})
	l.after(1).plate(100)
	weighed := l.after(1).now
	l.do(chem.Weigh{Anode: "b", Mass: kg(0.8)})
	l.after(1).plate(100)
	pulled := l.after(1).now
	l.do(chem.Pull{Anode: "a", Mass: kg(0.88)})
	l.after(1).plate(50)
	again := l.after(1).now
	l.do(chem.Hang{Anode: "A", Mass: kg(0.88), Form: "slab"})
	l.after(1).do(chem.Hang{Anode: "basket", Mass: kg(2), Form: "nuggets"})
	l.after(1).plate(100)
	poured := l.after(1).now
	l.do(chem.Hang{Anode: "basket", Mass: kg(0.5), Form: "nuggets", TopUp: true})
	l.after(1).do(chem.Hang{Anode: "mesh", Mass: kg(0.2), Form: "inert"})
	l.after(1).plate(20)
	l.after(1).do(chem.Weigh{Anode: "b", Mass: kg(0.9)}) // heavier than it can be
	l.after(1)
	e := l.ask(t)
	require.Len(t, e.Masses, 4, "neither one of unknown mass nor one that does not dissolve")
	for i, want := range []struct {
		id, form    string
		first, last time.Time
	}{{"a", "slab", hung, pulled}, {"b", "slab", weighed, l.now}, {"A", "slab", again, l.now}, {"basket", "nuggets", again.AddDate(0, 0, 1), l.now}} {
		c := e.Masses[i]
		assert.Equal(t, [2]string{want.id, want.form}, [2]string{c.ID, c.Form})
		assert.Equal(t, want.first, c.Points[0].Time, c.ID)
		assert.Equal(t, want.last, c.Points[len(c.Points)-1].Time, c.ID)
	}
	require.Equal(t, Held, e.Readings[len(e.Readings)-1].Fate)
	for _, a := range e.Anodes {
		for _, c := range e.Masses {
			if last := c.Points[len(c.Points)-1]; c.ID == a.ID && last.Time.Equal(e.At) {
				assert.InEpsilon(t, a.Mass, last.Kg, 1e-9, a.ID)
				assert.InEpsilon(t, a.U, last.U, 1e-9, a.ID)
				before := c.Points[len(c.Points)-2]
				assert.InEpsilon(t, a.Mass, before.Kg, 1e-9, "%s: nothing passed in the last days", a.ID)
			}
		}
	}
	basket := e.Masses[3].Points
	at := slices.IndexFunc(basket, func(p MassPoint) bool { return p.Time.Equal(poured) })
	assert.InDelta(t, 0.5, basket[at+1].Kg-basket[at].Kg, 1e-9)

	last := massAt(t, e.Masses[0], pulled)
	assert.InDelta(t, 0.88, last.Kg, 0.002, "what the last weighing says is carried back")
	plain, err := l.open(t).At(l.now, Options{})
	require.NoError(t, err)
	assert.Empty(t, plain.Masses)
}

// The log cut into pieces, made beside each other, says what the log in one piece
// says, whatever was held, confirmed or opened on the way.
func TestSmoothedInPiecesIsSmoothedWhole(t *testing.T) {
	r, text := shipped(t)
	cut := 0
	for _, g := range groups() {
		b, sim := g.simulated(t, r, text, 300, freshSeed)
		run := b.start()
		run.keep = true
		run.through(0, sim.Last().Time)
		pieces := run.smooth(time.Time{})
		if len(run.stops) < 2 {
			continue
		}
		cut++
		run.stops = run.stops[:1]
		whole := run.smooth(time.Time{})
		require.Equal(t, len(whole.track), len(pieces.track), g.name)
		size := math.Abs
		for i, p := range whole.track {
			q := pieces.track[i]
			require.Equal(t, p.Time, q.Time)
			require.InDelta(t, p.Volume, q.Volume, 1e-9*size(p.Volume), g.name)
			require.InDelta(t, p.UVolume, q.UVolume, 1e-6*size(p.UVolume)+1e-9, g.name)
			for k := range p.Value {
				require.InDelta(t, p.Value[k], q.Value[k], 1e-9*size(p.Value[k])+1e-12, g.name)
				require.InDelta(t, p.U[k], q.U[k], 1e-6*size(p.U[k])+1e-9, g.name)
			}
		}
		require.Equal(t, len(whole.masses), len(pieces.masses), g.name)
		for i, c := range whole.masses {
			require.Equal(t, len(c.Points), len(pieces.masses[i].Points), g.name)
			for k, p := range c.Points {
				require.InDelta(t, p.Kg, pieces.masses[i].Points[k].Kg, 1e-9*p.Kg+1e-12, g.name)
			}
		}
	}
	require.Greater(t, cut, 5)
}
