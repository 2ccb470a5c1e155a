package estimate

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
)

// A relative uncertainty counts at the concentration that was expected: at the one
// read, low readings would weigh more than high ones. A stated one is carried there
// by a quarter at most.
func TestUncertaintyIsThatAtTheExpectedValue(t *testing.T) {
	read := func(value, u float64) (moved float64, rd Reading) {
		l := newLog(plainRecipe, 0.02)
		before := named(t, l.ask(t), "copper").Value
		l.after(0.1).assay("copper", value, "g/L", u)
		e := l.ask(t)
		require.Equal(t, Used, e.Readings[0].Fate)
		return named(t, e, "copper").Value - before, e.Readings[0]
	}
	for _, value := range []float64{47, 53} {
		_, rd := read(value, 0)
		assert.InEpsilon(t, 0.008*50, rd.U, 1e-9, "the recipe's 0.8 %%")
		_, rd = read(value, 0.4)
		assert.InEpsilon(t, 0.4*50/value, rd.U, 1e-9, "stated at %v g/L", value)
	}
	down, _ := read(47, 0)
	up, _ := read(53, 0)
	assert.InDelta(t, up, -down, 0.01, "a low reading weighs no more than a high one")
	l := newLog(plainRecipe, 0.5)
	l.after(0.1).assay("copper", 30, "g/L", 0.3)
	l.after(0).assay("copper", 90, "g/L", 0.3)
	for _, rd := range l.ask(t).Readings {
		assert.LessOrEqual(t, rd.U, 0.3*mostRescaled+1e-12)
		assert.GreaterOrEqual(t, rd.U, 0.3/mostRescaled-1e-12)
	}
}

// What is carried out and what rinse water is carried in: with as much in as out the
// bath thins out exponentially, 60 Ah at 0.1 L/Ah in 60 L to exp(-0.1), taken in
// steps of 2 % of the volume.
func TestDragInThinsTheBath(t *testing.T) {
	l := newLog(strings.Replace(with(plainRecipe, "drag_out = [0.1, 0]"), "[prior]", "[prior]\ndrag_in = [0.1, 0]", 1), 0)
	l.plate(60)
	e := l.ask(t)
	assert.InEpsilon(t, 60, e.Volume, 1e-9)
	assert.InEpsilon(t, 50*math.Exp(-0.1), named(t, e, "copper").Value, 2e-3)
	assert.InEpsilon(t, 60*math.Exp(-0.1), named(t, e, "sulfuric acid").Value, 2e-3)
}

func TestDragOutByArea(t *testing.T) {
	l := newLog(strings.Replace(plainRecipe, "[prior]", "[prior]\ndrag_out_area = [0.02, 0]", 1), 0)
	l.do(chem.Plate{Charge: chem.MeasuredOf(10, "Ah", 0), Hours: "1", Area: chem.MeasuredOf(15, "dm2", 0)})
	e := l.ask(t)
	assert.InEpsilon(t, 60-0.3, e.Volume, 1e-6)
	assert.InEpsilon(t, 50, named(t, e, "copper").Value, 1e-6, "what leaves is bath")
}

// Long rests are taken in weeks: what a rate wanders in the first counts in those
// after it.
func TestLongRestsAreTakenInWeeks(t *testing.T) {
	for seed := range uint64(5) {
		r := someRun(t, rand.New(rand.NewPCG(seed, 6)))
		once, days := r.clone(), r.clone()
		once.rest(84)
		for range 84 {
			days.rest(1)
		}
		for _, i := range []int{r.l.metal, r.l.volume, r.l.k, r.l.still} {
			assert.InEpsilon(t, days.s.x(i), once.s.x(i), 1e-3, "place %d", i)
			assert.InEpsilon(t, days.s.sd(i), once.s.sd(i), 0.02, "place %d", i)
		}
	}
}

// An organic that a long run uses up fades in one run as in a hundred short ones.
func TestOrganicFadesInOneRunAsInMany(t *testing.T) {
	for _, q := range []float64{180, 220, 240, 260, 300} {
		r := newLog(with(plainRecipe, "use = [1, 0]"), 0).open(t).start()
		r.through(0, monday)
		many := r.clone()
		i := r.constituent("brightener")
		r.charge(q, 0, 1, 0)
		for range 2000 {
			many.charge(q/2000, 0, 0, 0)
		}
		assert.InDelta(t, many.s.x(i)/60, r.s.x(i)/60, 0.05, "mL/L after %v Ah", q)
		assert.Positive(t, r.s.x(i))
	}
}

// An anode's lasting share of the current wanders, by 0.003 per root day.
func TestSharesWander(t *testing.T) {
	r := someRun(t, rand.New(rand.NewPCG(1, 7)))
	h := r.hung[0]
	before := r.s.p(h.off, h.off)
	r.rest(10)
	assert.InEpsilon(t, 10*sq(usualNoises().walkShare), r.s.p(h.off, h.off)-before, 1e-9)
}

// One standard solution's error is one state: its readings move the bath by less
// than readings of as many lots would, and a second bottle shows the first one's
// error as a step in the bias, not in the bath.
func TestBottleErrorIsLearned(t *testing.T) {
	l := newLog(plainRecipe, 0.01)
	read := func(lot string, v float64) {
		l.after(1).do(chem.Assay{Of: "copper", Value: chem.MeasuredOf(v, "g/L", 0.1), ULot: "0.5",
			Titration: &chem.Titration{Titrant: "EDTA", Lot: lot}, Sample: chem.Sample{Returned: true}})
	}
	for range 10 {
		read("a", 50)
	}
	was := named(t, l.ask(t), "copper").Value
	for range 10 {
		read("b", 50.7)
	}
	e := l.ask(t)
	a, b := e.Rate("titrant lot edta/a"), e.Rate("titrant lot edta/b")
	assert.InDelta(t, 0.7/50, b.Value-a.Value, 0.002)
	assert.Less(t, named(t, e, "copper").Value-was, 0.5, "half of the step at most is the bath's")
}
