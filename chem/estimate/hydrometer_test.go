package estimate

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/recipe"
)

func (l *log) density(v float64) {
	l.do(chem.Assay{Of: "density", Value: chem.MeasuredOf(v, "g/cm3", 0)})
}

func (l *log) warm(degC float64) {
	l.do(chem.Assay{Of: "temperature", Value: chem.MeasuredOf(degC, "degC", 0)})
}

// filled is a plain bath with an exact volume and acid, and a copper that is c ± u.
func filled(c, u, acid float64) *log {
	l := &log{now: monday}
	l.do(chem.Begin{Volume: chem.MeasuredOf(60, "L", 0), Zone: "UTC", Recipe: plainRecipe})
	l.do(chem.Fill{Volume: stated(60, "L", 0), Composition: map[string]chem.Measured{
		"copper": stated(c, "g/L", u), "sulfuric acid": stated(acid, "g/L", 0), "chloride": stated(60, "mg/L", 0), "brightener": stated(4, "mL/L", 0)}})
	return l
}

// What a hydrometer is expected to read in copper sulfate alone and in acid alone:
// CRC Handbook, 102nd ed., 20 degC, as transcribed in
// amosonabike/CRC-Solution-Properties-. Copper is 63.546 of 159.609 g.
func TestHydrometerExpectsWhatCRCPrints(t *testing.T) {
	for _, x := range []struct{ copper, acid, want float64 }{
		{1.1070 * 100 * 63.546 / 159.609, 0, 1.1070}, {1.1304 * 120 * 63.546 / 159.609, 0, 1.1304},
		{0, 1.0661 * 100, 1.0661}, {0, 1.1245 * 180, 1.1245},
	} {
		l := filled(x.copper, 0, x.acid)
		l.density(x.want)
		e := l.ask(t)
		require.Len(t, e.Readings, 1)
		assert.Equal(t, Used, e.Readings[0].Fate)
		assert.InDelta(t, x.want, e.Readings[0].Expected, 0.001, "%+v", x)
		assert.InDelta(t, 0.002, e.Readings[0].U, 0.0004, "%+v", x)
	}
}

// Where copper alone is unknown, ±0.002 g/cm3 is worth about ±0.8 g/L of it (a
// figure of this project's prototype; 0.85 by CRC, see chem.SolutionDensity); the
// error of the model comes on top, and no number of readings takes that away.
func TestHydrometerIsWorthSomeCopper(t *testing.T) {
	true20, err := chem.SolutionDensity(20, map[string]float64{"CuSO4": 48 * 159.609 / 63.546, "H2SO4": 60})
	require.NoError(t, err)
	l := filled(52, 20, 60)
	l.warm(20)
	l.density(float64(true20))
	one := named(t, l.ask(t), "copper")
	assert.InDelta(t, 48, one.Value, 0.2)
	const perGram = 0.00234 // g/cm3 per g/L copper beside 60 g/L acid
	reading := math.Sqrt(sq(one.U) - sq(chem.SolutionU/perGram))
	assert.InDelta(t, 0.85, reading, 0.06, "g/L, of the reading")
	for range 200 {
		l.density(float64(true20))
	}
	many := named(t, l.ask(t), "copper")
	assert.InDelta(t, chem.SolutionU/perGram, many.U, 0.1, "g/L, of the model")
	assert.InDelta(t, chem.SolutionU/float64(true20), l.ask(t).Rate("density model").U, 2e-4)

	// Copper known better than that: the reading tells what the acid is.
	k := newLog(plainRecipe, 0.01)
	k.warm(20)
	before := named(t, k.ask(t), "sulfuric acid")
	both, err := chem.SolutionDensity(20, map[string]float64{"CuSO4": 50 * 159.609 / 63.546, "H2SO4": 60})
	require.NoError(t, err)
	k.do(chem.Assay{Of: "density", Value: chem.MeasuredOf(float64(both), "g/cm3", 0.0005)})
	require.Equal(t, Used, k.ask(t).Readings[0].Fate)
	after := named(t, k.ask(t), "sulfuric acid")
	assert.Less(t, after.U, before.U)
}

// A sample is as warm as the newest thermometer reading of the hour before, else
// 20 degC; a bath at 30 degC reads less by 0.004, as copper and acid alone do
// (computed with the same model; water alone by 0.0026, CRC, from memory).
func TestHydrometerGoesByTheTemperature(t *testing.T) {
	expected := func(prepare func(l *log)) float64 {
		l := filled(50, 0, 60)
		prepare(l)
		l.density(1.16)
		return l.ask(t).Readings[0].Expected
	}
	plain := expected(func(*log) {})
	warm := expected(func(l *log) { l.warm(30); l.after(0.02) })
	assert.InDelta(t, 0.004, plain-warm, 0.001)
	assert.Equal(t, plain, expected(func(l *log) { l.warm(20) }))
	assert.Equal(t, plain, expected(func(l *log) { l.warm(30); l.after(0.1) }), "that was too long ago")
	assert.Equal(t, warm, expected(func(l *log) { l.warm(22); l.after(0.01).warm(30) }), "the newest counts")
	l := filled(50, 0, 60)
	l.density(1.16)
	l.facts[len(l.facts)-1].Time = l.now.Add(time.Minute)
	l.after(0.01).warm(30)
	assert.Equal(t, plain, l.ask(t).Readings[0].Expected, "a thermometer read afterwards says nothing of it")
}

func TestHydrometerIsItsDerivative(t *testing.T) {
	for seed := range uint64(20) {
		r := someRun(t, rand.New(rand.NewPCG(seed, 4)))
		a := chem.Assay{Of: "density", Value: chem.MeasuredOf(1.16, "g/cm3", 0)}
		_, err := r.density(r.now, a) // its lot begins
		require.NoError(t, err)
		r.s.X[r.lots[len(r.lots)-1].at] = 0.001
		o, err := r.density(r.now, a)
		require.NoError(t, err)
		stated := make([]float64, len(r.s.X))
		for _, h := range o.h {
			stated[h.at] += h.by
		}
		for j, x := range r.s.X {
			h := 1e-4 * math.Max(math.Abs(x), 1e-3)
			up, down := r.clone(), r.clone()
			up.s.X[j] += h
			down.s.X[j] -= h
			a1, _ := up.density(r.now, a)
			a2, _ := down.density(r.now, a)
			numeric := (a1.expected - a2.expected) / (2 * h)
			require.InDelta(t, numeric, stated[j], 1e-4*math.Abs(numeric)+1e-11/h, "place %d", j)
		}
	}
}

// Where the published model does not cover the bath the reading is named and not
// used: boric acid, sulfamate and gold are in no table that was at hand.
func TestHydrometerSaysWhatItDoesNotCover(t *testing.T) {
	for name, want := range map[string]string{
		"nickel-watts":     "the published model does not cover boric acid",
		"nickel-sulfamate": "the published model has no nickel bath of this kind",
		"gold-acid":        "the published model has no gold bath of this kind",
	} {
		text, ok := recipe.ShippedText(name)
		require.True(t, ok)
		l := &log{now: monday}
		l.do(chem.Begin{Volume: chem.MeasuredOf(20, "L", 0), Zone: "UTC", Recipe: string(text)})
		l.do(chem.Fill{Volume: chem.MeasuredOf(20, "L", 0)})
		before := l.ask(t)
		l.after(0).density(1.2)
		l.density(1.2)
		e := l.ask(t)
		assert.Equal(t, "density: 1.2 g/cm3 is not counted: "+want, why(e, "density"), name)
		assert.Equal(t, before.Constituents, e.Constituents, name)
		assert.Empty(t, e.Readings)
	}
	l := filled(50, 0.1, 60)
	l.warm(70)
	l.density(1.14)
	assert.Contains(t, why(l.ask(t), "density"), "known from 10 to 60 degC, not at 70 degC")
}

// A nickel bath without boric acid is covered: nickel that is titrated is that of
// both salts.
func TestHydrometerInNickel(t *testing.T) {
	text := strings.NewReplacer(`metal = "copper"`, `metal = "nickel"`, `name = "copper"`, `name = "nickel"`, `name = "sulfuric acid"`, `name = "nickel chloride"`,
		`"copper sulfate pentahydrate"`, `"nickel sulfate hexahydrate"`, `{ copper = 254.5 }`, `{ nickel = 223.3 }`,
		`"sulfuric acid 96 %"`, `"nickel chloride hexahydrate"`, `{ "sulfuric acid" = 1762 }`, `{ "nickel chloride" = 1000, nickel = 246.9 }`).Replace(plainRecipe)
	l := &log{now: monday}
	l.do(chem.Begin{Volume: chem.MeasuredOf(60, "L", 0), Zone: "UTC", Recipe: text})
	l.do(chem.Fill{Volume: stated(60, "L", 0), Composition: map[string]chem.Measured{"nickel": stated(50, "g/L", 5), "nickel chloride": stated(60, "g/L", 0)}})
	// 60 g/L of the hexahydrate, 237.683 g/mol, hold 14.82 g/L nickel and are 32.71 g/L
	// NiCl2; the other 35.18 g/L nickel are 92.8 g/L NiSO4 (IUPAC 2021 weights).
	want, err := chem.SolutionDensity(20, map[string]float64{"NiCl2": 32.71, "NiSO4": 92.77})
	require.NoError(t, err)
	l.density(float64(want))
	e := l.ask(t)
	require.Len(t, e.Readings, 1, why(e, "density"))
	assert.InDelta(t, float64(want), e.Readings[0].Expected, 2e-5)
	assert.Less(t, named(t, e, "nickel").U, 1.2)
}

// A reading that the log cannot explain is dropped and said; nothing waits for it,
// and what else is known stays as it is.
func TestHydrometerFarOff(t *testing.T) {
	l := newLog(plainRecipe, 0.01)
	weeks(l, 3, 50)
	l.after(0.1)
	before := l.ask(t)
	l.density(1.21)
	e := l.ask(t)
	assert.Equal(t, Dropped, e.Readings[len(e.Readings)-1].Fate)
	assert.Contains(t, why(e, "dropped"), "density: 1.21 g/cm3 was not used: the amounts in the bath by the log do not make such a density")
	assert.Equal(t, named(t, before, "copper").Value, named(t, e, "copper").Value)
	l.after(1).density(1.152)
	s, err := l.open(t).Smoothed(l.now, l.now)
	require.NoError(t, err)
	now := l.ask(t)
	assert.Equal(t, Used, now.Readings[len(now.Readings)-1].Fate)
	assert.InEpsilon(t, named(t, now, "copper").Value, named(t, s, "copper").Value, 1e-7)
	w, err := l.open(t).Why("copper", l.now)
	require.NoError(t, err)
	sum := w.Before
	for _, term := range w.Terms {
		sum += term.Change
	}
	assert.InDelta(t, w.Constituent.Value, sum, 1e-9)
	assert.Contains(t, w.Terms, Term{"readings of density", termOf(w, "readings of density")})
	assert.NotZero(t, termOf(w, "readings of density"))
}

func termOf(w *Why, what string) float64 {
	for _, term := range w.Terms {
		if term.What == what {
			return term.Change
		}
	}
	return 0
}
