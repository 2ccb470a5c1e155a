package estimate

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
)

// hardCases are logs that no shop should keep and some do.
func hardCases(t testing.TB) map[string]*log {
	_, text := shipped(t)
	begun := func() *log { return newLog(text, 0.02) }
	out := map[string]*log{}

	l := begun()
	for range 52 {
		l.after(7).plate(25)
	}
	out["no assay at all"] = l

	l = &log{now: monday}
	l.do(chem.Begin{Volume: chem.MeasuredOf(60, "L", 0), Recipe: text})
	out["nothing but a beginning"] = l

	l = begun()
	l.after(7).assay("copper", 53, "g/L", 0.4)
	l.now = l.now.Add(time.Minute)
	l.assay("copper", 53.3, "g/L", 0.4)
	out["two a minute apart"] = l

	l = begun()
	l.after(7).assay("copper", 48, "g/L", 0.4)
	l.now = l.now.Add(time.Minute)
	l.assay("copper", 57, "g/L", 0.4)
	l.now = l.now.Add(time.Minute)
	l.assay("copper", 40, "g/L", 0)
	out["three a minute apart that contradict each other"] = l

	l = begun()
	l.after(7).copper(53)
	l.after(365).copper(49)
	out["a year's gap"] = l

	l = begun()
	l.do(chem.Meter{Supply: "s", Reading: chem.MeasuredOf(100, "Ah", 0)})
	for range 30 {
		l.after(7).plate(0)
		l.do(chem.Meter{Supply: "s", Reading: chem.MeasuredOf(100, "Ah", 0)})
	}
	l.level(57, 0.3)
	out["0 Ah for months"] = l

	l = begun()
	for range 40 {
		l.after(7).plate(400)
		l.do(chem.Panel{Of: "brightener", Pattern: chem.PatternLow})
	}
	l.assay("brightener", 0, "mL/L", 0.1)
	l.after(1).assay("brightener", 0, "mL/L", 0)
	l.after(1).do(chem.Treat{With: chem.TreatCarbon})
	out["an organic that ran dry"] = l

	l = begun()
	l.after(7).copper(52)
	l.after(7).copper(52)
	l.after(7).do(chem.Fill{Volume: chem.MeasuredOf(50, "L", 0.3), Composition: map[string]chem.Measured{"copper": chem.MeasuredOf(40, "g/L", 0.4)}})
	l.after(7).plate(20)
	out["filled anew after the last reading"] = l

	l = begun()
	l.after(7).do(chem.Level{Volume: stated(0, "L", 0)})
	l.after(7).do(chem.Level{Volume: chem.Measured{Number: "0", Unit: "L"}})
	l.copper(50)
	l.after(7).do(chem.Level{Volume: stated(0, "L", 0)})
	l.plate(20)
	l.density(1.15)
	out["a level of 0"] = l

	l = begun()
	l.do(chem.Bail{Volume: chem.MeasuredOf(60, "L", 0)})
	l.after(7).copper(50)
	l.do(chem.Bail{Volume: chem.MeasuredOf(600, "L", 0)})
	l.assay("copper", 0, "g/L", 0)
	out["bailed empty, and more"] = l

	l = begun()
	l.do(chem.Hang{Anode: "a", Mass: chem.MeasuredOf(3, "kg", 0.005), Form: "slab"})
	l.after(1).do(chem.Pull{Anode: "a", Mass: chem.MeasuredOf(2.99, "kg", 0.005)})
	for range 30 {
		l.after(7).plate(25)
	}
	l.copper(40)
	out["anodes pulled and forgotten"] = l

	l = begun()
	l.do(chem.Hang{Anode: "a", Mass: chem.MeasuredOf(0.05, "kg", 0.005), Form: "slab"})
	for range 30 {
		l.after(7).plate(25)
	}
	l.do(chem.Weigh{Anode: "a", Mass: stated(0, "kg", 0)})
	out["an anode used up long ago"] = l

	for _, name := range []string{"first", "second"} {
		l = begun()
		for range 20 {
			l.after(7).do(chem.Assay{Of: "copper", Value: chem.MeasuredOf(52, "g/L", 0.2), ULot: "0.5", Titration: &chem.Titration{Titrant: "EDTA", Lot: "7"}, Sample: chem.Sample{Returned: true}})
		}
		out["a titrant lot used in two baths, the "+name] = l
	}
	return out
}

// answered checks that an answer is one: numbers, none of an amount negative, and
// intervals around them.
func answered(t *testing.T, e *Estimate) {
	t.Helper()
	finite := func(what string, list ...float64) {
		for _, x := range list {
			require.False(t, math.IsNaN(x) || math.IsInf(x, 0), "%s: %v", what, list)
		}
	}
	finite("volume", e.Volume, e.UVolume, e.Low90V, e.High90V)
	require.Positive(t, e.Volume)
	require.True(t, 0 <= e.Low90V && e.Low90V <= e.Volume && e.Volume <= e.High90V)
	for _, c := range e.Constituents {
		finite(c.Name, c.Value, c.U, c.Low90, c.High90, c.PerDay, c.PerAh)
		require.True(t, 0 <= c.Low90 && c.Low90 <= c.Value && c.Value <= c.High90, "%s: %g in %g to %g", c.Name, c.Value, c.Low90, c.High90)
		require.GreaterOrEqual(t, c.U, 0.0)
	}
	for _, r := range e.Rates {
		finite(r.Name, r.Value, r.U)
	}
	for _, b := range e.Balances {
		finite(b.Name, b.Closure, b.U)
	}
	for _, a := range e.Anodes {
		require.False(t, a.Mass < 0, "%s weighs %g kg", a.ID, a.Mass)
	}
	for _, f := range e.Flags {
		require.NotContains(t, f.Why, "NaN")
		require.NotContains(t, f.Why, "Inf")
	}
	for _, p := range e.Track {
		finite("track", append(append([]float64{p.Volume, p.UVolume}, p.Value...), p.U...)...)
		for _, v := range p.Value {
			require.GreaterOrEqual(t, v, 0.0)
		}
	}
	mean, cov := e.Joint()
	for i := range mean {
		require.GreaterOrEqual(t, mean[i], 0.0)
		finite("covariance", cov[i]...)
	}
}

// An answer for each of them at every fact, a day after the last and years after
// it, smoothed as well, with the reasons of every constituent adding up.
func TestHardCases(t *testing.T) {
	for name, l := range hardCases(t) {
		t.Run(name, func(t *testing.T) {
			b := l.open(t)
			ends := []time.Time{l.now, l.now.Add(time.Hour), l.now.AddDate(0, 0, 1), l.now.AddDate(5, 0, 0)}
			for i := 0; i < len(b.Facts); i += max(1, len(b.Facts)/7) {
				ends = append(ends, b.Facts[i].Time)
			}
			for _, at := range ends {
				e, err := b.At(at, Options{Track: true})
				require.NoError(t, err)
				answered(t, e)
				require.NotPanics(t, func() { e.Ahead(30, 100) })
				s, err := b.Smoothed(b.Began.Add(at.Sub(b.Began)/2), at)
				require.NoError(t, err)
				answered(t, s)
				s, err = b.Smoothed(at, at)
				require.NoError(t, err)
				answered(t, s)
			}
			for _, at := range []time.Time{l.now, l.now.AddDate(5, 0, 0)} {
				e, err := b.At(at, Options{})
				require.NoError(t, err)
				for _, c := range e.Constituents {
					w, err := b.Why(c.Name, at)
					require.NoError(t, err)
					sum := w.Before
					for _, x := range w.Terms {
						sum += x.Change
					}
					require.InDelta(t, c.Value, sum, 1e-9*math.Max(c.Value, math.Max(w.Before, 1)), c.Name)
					parts := 0.0
					for _, p := range w.Shares {
						require.False(t, math.IsNaN(p.Part))
						parts += p.Part
					}
					if c.U > 1e-9 {
						require.InDelta(t, 1, parts, 0.02, c.Name)
					}
					for _, n := range w.Narrow {
						require.False(t, math.IsNaN(n.U) || n.U < 0)
					}
				}
			}
		})
	}
}

// What the answers of the hard cases are worth: wide where nobody looked.
func TestHardCasesAreHonest(t *testing.T) {
	cases := hardCases(t)
	ask := func(name string) *Estimate {
		require.Contains(t, cases, name)
		return cases[name].ask(t)
	}
	c := named(t, ask("no assay at all"), "copper")
	assert.Greater(t, c.U, 2.0, "g/L, a year after the filling")
	assert.Equal(t, Unsure, c.Verdict)

	assert.False(t, named(t, ask("nothing but a beginning"), "copper").Known)

	c = named(t, ask("two a minute apart"), "copper")
	assert.InDelta(t, 53.1, c.Value, 0.3)
	assert.Greater(t, c.U, 0.25, "two readings are two, not more")

	c = named(t, ask("three a minute apart that contradict each other"), "copper")
	assert.LessOrEqual(t, c.Low90, 48.0)
	assert.GreaterOrEqual(t, c.High90, 48.0)
	assert.NotNil(t, c.Held)

	e := ask("0 Ah for months")
	ahPerDay, _ := e.AhPerDay()
	assert.Zero(t, ahPerDay)

	e = ask("an organic that ran dry")
	c = named(t, e, "brightener")
	assert.Less(t, c.Low90, 0.1)
	assert.GreaterOrEqual(t, c.Value, 0.0)

	w, err := cases["an organic that ran dry"].open(t).Why("brightener", cases["an organic that ran dry"].now)
	require.NoError(t, err)
	assert.Greater(t, termOf(w, "carbon treatment"), 0.5, "mL/L: perhaps the last panels were wrong about it")
	w, err = cases["filled anew after the last reading"].open(t).Why("copper", cases["filled anew after the last reading"].now)
	require.NoError(t, err)
	assert.InDelta(t, -12.8, termOf(w, "filling"), 0.5, "g/L, what evaporated counted")

	e = ask("anodes pulled and forgotten")
	assert.Contains(t, why(e, "anodes"), "charge passed while no anode is logged as hung")

	// The bottle's 0.5 g/L stays in both baths however often it is titrated: a bath
	// of its own knows nothing of what the other found.
	a, b := named(t, ask("a titrant lot used in two baths, the first"), "copper"), named(t, ask("a titrant lot used in two baths, the second"), "copper")
	assert.Equal(t, a.Value, b.Value)
	assert.Greater(t, a.U, 0.4)
	assert.Greater(t, b.U, 0.4)
}

// Two baths titrated with one bottle: the facts of the shop are in both chains, and
// none of the other bath's.
func TestOneLotInTwoBaths(t *testing.T) {
	shop := []chem.Fact{{ID: uuid.NewSHA1(uuid.Nil, []byte("bottle")), Time: monday, Body: chem.Titrant{Name: "EDTA", Lot: "7", Molarity: chem.MeasuredOf(0.1, "mol/L", 0.001)}}}
	answer := func(truth float64) Constituent {
		l := newLog(plainRecipe, 0.05)
		for range 10 {
			l.after(7).do(chem.Assay{Of: "copper", Value: chem.MeasuredOf(truth*1.01, "g/L", 0.2), ULot: chem.DecimalOf(0.01 * truth),
				Titration: &chem.Titration{Titrant: "EDTA", Lot: "7"}, Sample: chem.Sample{Returned: true}})
		}
		b, err := Open(append(shop, l.facts...))
		require.NoError(t, err)
		e, err := b.At(l.now, Options{})
		require.NoError(t, err)
		answered(t, e)
		return named(t, e, "copper")
	}
	for _, truth := range []float64{40, 60} {
		c := answer(truth)
		assert.LessOrEqual(t, c.Low90, truth, "the bottle is 1 %% off")
		assert.GreaterOrEqual(t, c.High90, truth)
	}
}

// A hundred thousand facts in ten years: short runs by the thousand with a reading
// among them now and then.
func TestManyFacts(t *testing.T) {
	const n = 100000
	l := newLog(strings.Replace(plainRecipe, "evaporation = [0, 0]", "evaporation = [0.01, 0.01]", 1), 0.01)
	for i := range n - len(l.facts) {
		l.after(3650.0 / n)
		switch {
		case i%1000 == 0:
			l.level(60, 0.3)
		case i%1000 == 500:
			l.copper(50)
		default:
			l.do(chem.Plate{Charge: chem.MeasuredOf(0.01, "Ah", 0)})
		}
	}
	b := l.open(t)
	require.Len(t, b.Facts, n)
	e, err := b.At(l.now, Options{})
	require.NoError(t, err)
	answered(t, e)
	assert.InDelta(t, 50, named(t, e, "copper").Value, 0.5)
	s, err := b.Smoothed(l.now.AddDate(-5, 0, 0), l.now)
	require.NoError(t, err)
	answered(t, s)
	assert.InDelta(t, 50, named(t, s, "copper").Value, 0.5)
	w, err := b.Why("copper", l.now)
	require.NoError(t, err)
	sum := w.Before
	for _, x := range w.Terms {
		sum += x.Change
	}
	assert.InDelta(t, w.Constituent.Value, sum, 1e-7)
	for _, f := range e.Flags {
		assert.NotEqual(t, "held", f.Kind, fmt.Sprint(f))
	}
}

// The newest pH and temperature are flagged where they lie outside the recipe's
// limits, and no longer once they have been read inside.
func TestReadingsBeyondLimits(t *testing.T) {
	l := newLog(strings.Replace(plainRecipe, "[prior]", "[limits]\nph = [3.5, 4.5]\ntemperature = [18, 30]\n\n[prior]", 1), 0.01)
	flagged := func() string {
		var words []string
		for _, f := range l.ask(t).Flags {
			if f.Kind == "limit" {
				words = append(words, f.Why)
			}
		}
		return strings.Join(words, "; ")
	}
	assert.Empty(t, flagged())
	l.after(1).assay("pH", 5.6, "pH", 0.1)
	l.after(1).assay("temperature", 14, "degC", 0.5)
	assert.Contains(t, flagged(), "pH was read as 5.60, outside the recipe's 3.50 to 4.50: plate nothing before a trial on a litre")
	assert.Contains(t, flagged(), "temperature was read as 14.0, outside the recipe's 18.0 to 30.0 degC")
	l.after(1).assay("pH", 4.0, "pH", 0.1)
	l.after(1).assay("temperature", 22, "degC", 0.5)
	assert.Empty(t, flagged())
}
