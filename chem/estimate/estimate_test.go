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

// equivalent is the electrochemical equivalent of copper, 1.186 g/Ah as printed in
// the tables of the trade (Metal Finishing Guide Book 2013, table of
// electrochemical equivalents; the edition from memory).
const equivalent = 1.186

var inertRecipe = strings.Replace(with(plainRecipe, `anodes = "inert"`), "anode_efficiency = [1, 0]\n", "", 1)

// One hour at 1 A/dm2 on 10 dm2 with inert anodes takes 10 Ah times the
// equivalent out of the bath, and puts 1.543 g of acid into it per gram: 98.072
// over 63.546, one H2SO4 for each Cu.
func TestInertAnodesMakeAcid(t *testing.T) {
	l := newLog(inertRecipe, 0)
	l.do(chem.Plate{Charge: chem.MeasuredOf(10, "Ah", 0), Hours: "1", Area: chem.MeasuredOf(10, "dm2", 0)})
	mean, _ := l.ask(t).Joint()
	fallen, risen := 3000-mean[0], mean[1]-3600
	assert.InEpsilon(t, 10*equivalent, fallen, 5e-4, "g of copper")
	assert.InEpsilon(t, 1.543, risen/fallen, 5e-4, "g of acid per g of copper")
}

// Anodes that dissolve in air while idle put copper in and take 1.543 g of acid
// per gram of it out: Cu + H2SO4 + O2/2 = CuSO4 + H2O.
func TestAirDissolvesIdleAnodes(t *testing.T) {
	l := newLog(with(plainRecipe, "dissolution = [0.027, 0]"), 0)
	l.after(100)
	mean, _ := l.ask(t).Joint()
	assert.InEpsilon(t, 2.7*gramsCu, mean[0]-3000, 1e-4, "g of copper in 100 days")
	assert.InEpsilon(t, 1.543, (3600-mean[1])/(mean[0]-3000), 5e-4)

	l = newLog(with(plainRecipe, "dissolution = [0.027, 0]"), 0)
	l.do(chem.Pull{Anode: chem.AllAnodes})
	l.after(100)
	mean, _ = l.ask(t).Joint()
	assert.InEpsilon(t, 3000, mean[0], 1e-12, "nothing hangs, nothing dissolves")

	// Half the usual area, half the dissolution.
	l = newLog(with(plainRecipe, "dissolution = [0.027, 0]"), 0)
	l.do(chem.Hang{Anode: "a", Mass: chem.MeasuredOf(3, "kg", 0), Area: chem.MeasuredOf(6, "dm2", 0)})
	l.after(100)
	e := l.ask(t)
	mean, _ = e.Joint()
	assert.InEpsilon(t, 1.35*gramsCu, mean[0]-3000, 1e-4)
	assert.InEpsilon(t, 3-1.35*gramsCu/1000, e.Anodes[0].Mass, 1e-6, "the anode lost what the bath gained")
}

// Rates that are for the recipe's volume scale to the bath's; 60 L to 180.
func TestRatesScaleWithTheBath(t *testing.T) {
	recipe := with(plainRecipe, "dissolution = [0.027, 0]", "evaporation = [0.3, 0]")
	l := &log{now: monday}
	l.do(chem.Begin{Volume: chem.MeasuredOf(180, "L", 0), Recipe: recipe})
	l.do(chem.Fill{Volume: stated(180, "L", 0), Composition: map[string]chem.Measured{"copper": stated(50, "g/L", 0)}})
	l.after(10)
	e := l.ask(t)
	assert.InEpsilon(t, 180-9, e.Volume, 1e-6)
	mean, _ := e.Joint()
	assert.InEpsilon(t, 0.81*gramsCu, mean[0]-9000, 1e-4)
}

// A plating run takes evaporation by the hour on top of the day's.
func TestEvaporationWhilePlating(t *testing.T) {
	l := newLog(strings.Replace(with(plainRecipe, "evaporation = [0.3, 0]"), "[prior]", "[prior]\nevaporation_run = [0.1, 0]", 1), 0)
	l.after(1).do(chem.Plate{Charge: chem.MeasuredOf(20, "Ah", 0), Hours: "5"})
	assert.InEpsilon(t, 60-0.3-0.5, l.ask(t).Volume, 1e-6)
}

func TestChlorideGoesByChargeAndConcentration(t *testing.T) {
	l := newLog(with(plainRecipe, "chloride_loss = [0.5, 0]"), 0)
	for range 600 {
		l.plate(1)
	}
	// dn/dq = -0.5·(n/V)/60 mg/Ah: exponential with 7200 Ah for 60 L.
	assert.InEpsilon(t, 60*math.Exp(-600.0/7200), named(t, l.ask(t), "chloride").Value, 1e-4)
}

func TestSamplesAreDrawn(t *testing.T) {
	l := newLog(plainRecipe, 0)
	l.do(chem.Assay{Of: "copper", Value: chem.MeasuredOf(50, "g/L", 0.5)})
	l.do(chem.Panel{Of: "brightener", Pattern: chem.PatternRight})
	l.do(chem.Panel{Of: "brightener", Pattern: chem.PatternRight, Sample: chem.Sample{Returned: true}})
	l.do(chem.Assay{Of: "chloride", Value: chem.MeasuredOf(60, "mg/L", 3), Sample: chem.Sample{Volume: chem.MeasuredOf(60, "mL", 0)}})
	assert.InEpsilon(t, 60-0.020-0.267-0.060, l.ask(t).Volume, 1e-9)
}

// R to infinity keeps what was believed, R to zero is the reading.
func TestReadingsBetweenNothingAndEverything(t *testing.T) {
	before := newLog(plainRecipe, 0.01)
	none := newLog(plainRecipe, 0.01)
	none.assay("copper", 51, "g/L", 1e6)
	a, b := named(t, before.ask(t), "copper"), named(t, none.ask(t), "copper")
	assert.InEpsilon(t, a.Value, b.Value, 1e-6)
	assert.InEpsilon(t, a.U, b.U, 1e-6)

	all := newLog(plainRecipe, 0.01)
	all.assay("copper", 51, "g/L", 1e-7)
	all.level(59.9, 1e-7)
	e := all.ask(t)
	assert.InEpsilon(t, 51, named(t, e, "copper").Value, 1e-4, "n/V is not straight")
	assert.Less(t, named(t, e, "copper").U, 1e-5)
	assert.InEpsilon(t, 59.9, e.Volume, 1e-8)

	exact := newLog(plainRecipe, 0.01)
	exact.do(chem.Level{Volume: stated(59.9, "L", 0)})
	exact.do(chem.Level{Volume: stated(59.9, "L", 0)})
	assert.InEpsilon(t, 59.9, exact.ask(t).Volume, 1e-12, "a level without any uncertainty, twice")
}

// A bath that nobody described: the first readings count as they stand, however
// far they are from what baths of the kind hold.
func TestUnknownBathBelievesItsFirstReadings(t *testing.T) {
	l := &log{now: monday}
	l.do(chem.Begin{Volume: chem.MeasuredOf(60, "L", 0), Recipe: plainRecipe})
	e := l.ask(t)
	for _, c := range e.Constituents {
		assert.False(t, c.Known, c.Name)
		assert.Equal(t, Unsure, c.Verdict, c.Name)
	}
	assert.Contains(t, why(e, "unknown"), "titrate copper")
	assert.Contains(t, why(e, "unknown"), "brightener: nothing has been read yet, so the value is only what baths of this kind hold; run a panel")

	l.level(42, 0.3)
	l.copper(18)
	l.assay("sulfuric acid", 190, "g/L", 2)
	l.assay("chloride", 310, "mg/L", 5)
	l.assay("brightener", 15, "mL/L", 1) // a panel would not count: the copper is far from its window
	e = l.ask(t)
	assert.InDelta(t, 42, e.Volume, 0.01)
	for name, want := range map[string][2]float64{"copper": {18, 0.3}, "sulfuric acid": {190, 2}, "chloride": {310, 5}, "brightener": {15, 1}} {
		c := named(t, e, name)
		assert.InDelta(t, want[0], c.Value, 0.4*want[1], name)
		assert.True(t, c.Known)
		assert.Nil(t, c.Held, name)
	}
	for _, r := range e.Readings {
		assert.Equal(t, Used, r.Fate, r.Subject)
	}
}

func weeks(l *log, n int, copper float64) {
	for range n {
		l.after(7).level(60, 0.3)
		l.copper(copper)
		l.assay("sulfuric acid", 60, "g/L", 0.5)
	}
}

// A titration that is 8 % off is held, the interval covers both readings of the
// matter, and the next one that agrees with the log drops it.
func TestBlunderIsHeldAndDropped(t *testing.T) {
	l := newLog(plainRecipe, 0.01)
	weeks(l, 4, 50)
	without := l.ask(t)
	id := l.after(7).copper(54)
	e := l.ask(t)
	require.Equal(t, Held, fateOf(t, e, id))
	c := named(t, e, "copper")
	require.NotNil(t, c.Held)
	assert.InDelta(t, named(t, without, "copper").Value, c.Value, 0.01, "it is not used")
	assert.GreaterOrEqual(t, c.High90, 54.0)
	assert.LessOrEqual(t, c.Low90, 50.0)
	assert.Regexp(t, `^copper: re-titrate copper before dosing: 54\.0 g/L is \d+\.\d standard deviations above what the log explains \(50\.0 g/L\)$`, why(e, "held"))

	l.copper(50.1)
	e = l.ask(t)
	assert.Equal(t, Dropped, fateOf(t, e, id))
	assert.Nil(t, named(t, e, "copper").Held)
	assert.InDelta(t, 50, named(t, e, "copper").Value, 0.2)
	assert.Equal(t, "copper: 54.0 g/L was not used: the reading after it agrees with the log", why(e, "dropped"))
	l.after(40)
	assert.Empty(t, why(l.ask(t), "dropped"), "an old story is not told for ever")
}

// An addition that nobody wrote down: the second reading confirms the first, and
// the change counts from the first on, in the answer and on the chart.
func TestUnloggedAdditionIsConfirmed(t *testing.T) {
	l := newLog(plainRecipe, 0.01)
	weeks(l, 4, 50)
	first := l.after(7).copper(54)
	at := l.now
	other := l.after(1).assay("chloride", 60, "mg/L", 2)
	second := l.after(6).copper(54.1)
	e := l.ask(t)
	assert.Equal(t, Confirmed, fateOf(t, e, first))
	assert.Equal(t, Used, fateOf(t, e, second))
	assert.Equal(t, Used, fateOf(t, e, other), "what was read in between still counts")
	c := named(t, e, "copper")
	assert.InDelta(t, 54.05, c.Value, 0.2)
	assert.Less(t, c.U, 0.4)
	assert.Regexp(t, `^copper: copper of 2025-02-10 was 54\.0 g/L where the log led to 50\.0 g/L, and the reading after it agrees: its amount changed without a word in the log$`, why(e, "confirmed"))
	assert.InDelta(t, 60, named(t, e, "sulfuric acid").Value, 0.3, "the acid did not change")
	for _, p := range e.Track {
		switch {
		case p.Time.Before(at):
			assert.InDelta(t, 50, p.Value[0], 0.5)
		case p.Time.After(at):
			assert.InDelta(t, 54, p.Value[0], 0.5)
		}
	}
}

// Two readings of different subjects wait at one time: settling one leaves the
// other as it is, whichever came first.
func TestHoldsDoNotDisturbEachOther(t *testing.T) {
	for _, chlorideFirst := range []bool{true, false} {
		l := newLog(plainRecipe, 0.01)
		weeks(l, 4, 50)
		l.after(7)
		var chloride, copper uuid.UUID
		if chlorideFirst {
			chloride = l.assay("chloride", 90, "mg/L", 2)
		}
		copper = l.after(0.1).copper(54)
		if !chlorideFirst {
			chloride = l.after(0.1).assay("chloride", 90, "mg/L", 2)
		}
		l.after(3).copper(54.1)
		e := l.ask(t)
		assert.Equal(t, Confirmed, fateOf(t, e, copper))
		require.Equal(t, Held, fateOf(t, e, chloride))
		c := named(t, e, "chloride")
		require.NotNil(t, c.Held)
		assert.GreaterOrEqual(t, c.High90, 88.0)
		l.after(1).assay("chloride", 89, "mg/L", 2)
		e = l.ask(t)
		assert.Equal(t, Confirmed, fateOf(t, e, chloride))
		assert.InDelta(t, 89.5, named(t, e, "chloride").Value, 2)
		assert.InDelta(t, 54, named(t, e, "copper").Value, 0.4, "an older confirmed change survives the replay")
		// A third change, held before the second was confirmed, is replayed through it.
		acid := l.after(1).assay("sulfuric acid", 66, "g/L", 0.5)
		l.after(1).copper(50)
		l.after(1).copper(50)
		l.after(1).assay("sulfuric acid", 66.2, "g/L", 0.5)
		e = l.ask(t)
		assert.Equal(t, Confirmed, fateOf(t, e, acid))
		assert.InDelta(t, 50, named(t, e, "copper").Value, 0.4)
		assert.InDelta(t, 66.1, named(t, e, "sulfuric acid").Value, 0.7)
	}
}

// A level that is 3 L low is water that left where the concentrations rose, and
// bath that was lost where they stayed.
func TestLevelHasTwoExplanations(t *testing.T) {
	story := func(copper, acid float64) *Estimate {
		l := newLog(with(plainRecipe, "evaporation = [0.05, 0.01]"), 0.01)
		weeks(l, 4, 50)
		id := l.after(7).level(56.5, 0.2)
		require.Equal(t, Held, fateOf(t, l.ask(t), id))
		assert.Contains(t, why(l.ask(t), "held"), "read the level again: 56.5 L is")
		l.copper(copper)
		l.assay("sulfuric acid", acid, "g/L", 0.5)
		l.after(1).level(56.5, 0.2)
		e := l.ask(t)
		require.Equal(t, Confirmed, fateOf(t, e, id))
		assert.InDelta(t, 56.5, e.Volume, 0.3)
		return e
	}
	lost := story(50, 60)
	assert.Contains(t, why(lost, "confirmed"), "bath was lost without a word")
	assert.InDelta(t, 50, named(t, lost, "copper").Value, 0.3)
	mean, _ := lost.Joint()
	assert.InEpsilon(t, 50*56.5, mean[0], 0.01, "the copper went with it")

	water := story(50*60/56.5, 60*60/56.5)
	assert.Contains(t, why(water, "confirmed"), "water was added or left without a word")
	assert.InDelta(t, 50*60/56.5, named(t, water, "copper").Value, 0.4)
}

// Bath that was spilled and made up with water takes everything with it: copper
// and acid say so together, and chloride and brightener follow.
func TestBathMadeUpWithWater(t *testing.T) {
	l := newLog(plainRecipe, 0.01)
	weeks(l, 4, 50)
	l.after(7)
	copper := l.copper(46)
	acid := l.assay("sulfuric acid", 55.2, "g/L", 0.5)
	l.after(7).copper(46)
	e := l.ask(t)
	assert.Contains(t, why(e, "confirmed"), "bath was lost and made up with water")
	assert.Equal(t, Confirmed, fateOf(t, e, copper))
	assert.Equal(t, Confirmed, fateOf(t, e, acid), "it had the same reason")
	assert.InDelta(t, 55.2, named(t, e, "sulfuric acid").Value, 0.7)
	assert.InDelta(t, 60*0.92, named(t, e, "chloride").Value, 1)
}

// Readings that leave the log further and further behind are not held one after
// the other for ever: two on one side say that it is the log that is wrong.
func TestDriftThatNobodyLoggedIsFollowed(t *testing.T) {
	l := newLog(plainRecipe, 0.01)
	weeks(l, 4, 50)
	for week := range 6 {
		l.after(7).level(60, 0.3)
		l.copper(50 - 3*float64(week+1))
	}
	e := l.ask(t)
	c := named(t, e, "copper")
	assert.InDelta(t, 32, c.Value, 2)
	assert.LessOrEqual(t, c.Low90, 32.0)
	assert.NotContains(t, why(e, "dropped"), "agrees with the log")
}

// Soluble anodes that stop dissolving: acid rises while copper falls, and the
// answer says so in words.
func TestPolarisedAnodes(t *testing.T) {
	l := newLog(with(plainRecipe, "anode_efficiency = [0.998, 0.008]", "cathode_efficiency = [0.992, 0.005]", "meter = [1, 0.01]"), 0.01)
	mean := map[string]float64{"copper": 50, "sulfuric acid": 60}
	week := func(part float64) {
		l.after(6).plate(150)
		grams := part * 150 * equivalent
		mean["copper"] -= grams / 60
		mean["sulfuric acid"] += 1.543 * grams / 60
		l.after(1).level(60, 0.3)
		l.copper(mean["copper"])
		l.assay("sulfuric acid", mean["sulfuric acid"], "g/L", 0.5)
	}
	for range 6 {
		week(0)
	}
	assert.Empty(t, why(l.ask(t), "anodes"))
	for range 5 {
		week(0.3)
	}
	e := l.ask(t)
	assert.Regexp(t, `acid rises and copper falls .* the anodes dissolve \d\d\.\d % less than is plated; look for polarised`, why(e, "anodes"))
	assert.InDelta(t, mean["copper"], named(t, e, "copper").Value, 0.5)
}

// Weighed anodes that are used up dissolve no more; the log says so before the
// titration does.
func TestAnodesRunOut(t *testing.T) {
	l := newLog(plainRecipe, 0.005)
	l.do(chem.Hang{Anode: "a", Mass: chem.MeasuredOf(0.3, "kg", 0.001)})
	for range 10 {
		l.after(1).plate(50)
	}
	e := l.ask(t)
	require.Len(t, e.Anodes, 1)
	assert.InDelta(t, 0, e.Anodes[0].Mass, 0.01)
	mean, _ := e.Joint()
	// 500 Ah plate 593 g; the anode had 300 of them.
	assert.InDelta(t, 3000-(500*equivalent-300), mean[0], 15, "g of copper")
	assert.Contains(t, why(e, "anodes"), "a is used up by the log")
}

// Anodes that were pulled and forgotten cannot have plated.
func TestPlatingWithoutAnodes(t *testing.T) {
	l := newLog(with(plainRecipe, "dissolution = [0.027, 0.01]"), 0.01)
	l.do(chem.Pull{Anode: chem.AllAnodes})
	l.after(10).plate(20)
	l.after(10)
	e := l.ask(t)
	assert.Contains(t, why(e, "anodes"), "charge passed while no anode is logged as hung")
	mean, _ := e.Joint()
	assert.InDelta(t, 0.27*gramsCu, mean[0]-3000, 1, "they hung for ten days of the twenty")
}

// After carbon an organic is unknown until a panel says what is left.
func TestTreatmentMakesOrganicsUnknown(t *testing.T) {
	l := newLog(plainRecipe, 0.01)
	l.do(chem.Treat{With: chem.TreatCarbon, Amount: chem.MeasuredOf(100, "g", 0)})
	l.after(60)
	e := l.ask(t)
	c := named(t, e, "brightener")
	assert.False(t, c.Known)
	assert.Equal(t, Unsure, c.Verdict)
	assert.Equal(t, "brightener: carbon treatment took out an unknown part of it; run a panel before relying on it", why(e, "unknown"))
	assert.True(t, named(t, e, "copper").Known)
	id := l.do(chem.Panel{Of: "brightener", Value: chem.MeasuredOf(0.4, "mL/L", 0.2)})
	e = l.ask(t)
	assert.Equal(t, Used, fateOf(t, e, id))
	assert.InDelta(t, 0.4, named(t, e, "brightener").Value, 0.05)
	assert.True(t, named(t, e, "brightener").Known)
	assert.Empty(t, why(e, "unknown"))
}

func TestFillingAnewForgetsTheOldBath(t *testing.T) {
	l := newLog(plainRecipe, 0.01)
	weeks(l, 4, 50)
	held := l.copper(58)
	l.after(1).do(chem.Fill{Volume: chem.MeasuredOf(40, "L", 0.2), Origin: chem.OriginBought, Composition: map[string]chem.Measured{
		"Copper": chem.MeasuredOf(0.3, "mol/L", 0.01), "sulfuric acid": chem.MeasuredOf(180, "g/L", 2)}})
	e := l.ask(t)
	assert.InDelta(t, 40, e.Volume, 1e-9)
	assert.InEpsilon(t, 0.3*gramsCu, named(t, e, "copper").Value, 1e-4, "mol/L by the molar mass, whatever the capitals")
	assert.InEpsilon(t, 0.01*gramsCu, named(t, e, "copper").U, 1e-3)
	assert.False(t, named(t, e, "chloride").Known)
	assert.Equal(t, Dropped, fateOf(t, e, held))
	assert.Contains(t, why(e, "dropped"), "the bath was filled anew")
	assert.Empty(t, why(e, "held"))
}

// A weight gain is a copper coulometer: it tells the cathode's efficiency times
// the meter's factor. One that the charge cannot have deposited is not used.
func TestWeightGains(t *testing.T) {
	recipe := with(plainRecipe, "cathode_efficiency = [0.99, 0.01]", "meter = [1, 0.02]")
	l := newLog(recipe, 0.01)
	for range 20 {
		l.after(1).do(chem.Plate{Charge: chem.MeasuredOf(50, "Ah", 0), Gain: chem.MeasuredOf(50*equivalent*0.97, "g", 0.05)})
	}
	e := l.ask(t)
	assert.InDelta(t, 0.97, e.Rate("cathode efficiency").Value*e.Rate("ammeter factor").Value, 0.003)
	assert.Empty(t, why(e, "gain"))

	l.do(chem.Plate{Charge: chem.MeasuredOf(50, "Ah", 0), Gain: chem.MeasuredOf(575, "g", 0), Part: "vase"})
	after := l.ask(t)
	assert.Equal(t, e.Rate("cathode efficiency"), after.Rate("cathode efficiency"))
	assert.Contains(t, why(after, "gain"), "vase: a weight gain of 575 g does not fit 50.0 Ah, which deposit 57.5 g; it is not used")
}

// Charge counts once, whether a run or the meter says so, or both.
func TestMeterAndRuns(t *testing.T) {
	reading := func(l *log, ah float64, reset bool) {
		l.do(chem.Meter{Supply: "s", Reading: chem.MeasuredOf(ah, "Ah", 0), Reset: reset})
	}
	l := newLog(inertRecipe, 0)
	reading(l, 1000, false) // the first is only where it begins
	l.after(1).plate(20)
	l.after(1).do(chem.Treat{With: chem.TreatDummy, Amount: chem.MeasuredOf(5, "Ah", 0)})
	l.after(0.1)
	reading(l, 1040, false) // 15 more than the 25 logged
	l.after(1)
	reading(l, 10, true)
	e := l.ask(t)
	mean, _ := e.Joint()
	assert.InEpsilon(t, 50*equivalent, 3000-mean[0], 1e-3)
	perDay, u := e.AhPerDay()
	assert.InEpsilon(t, 50.0/7, perDay, 1e-9, "in a week at least")
	assert.InEpsilon(t, math.Sqrt(20*20+5*5+15*15+10*10)/7, u, 1e-9)

	l.after(1)
	reading(l, 3, false)
	assert.Contains(t, why(l.ask(t), "meter"), "say whether it was reset")
}

// What a setting changes counts from its day on; what it does not name stays as
// it was learned.
func TestSettingsFromADate(t *testing.T) {
	recipe := with(plainRecipe, "evaporation = [0.3, 0.1]", "use = [0.2, 0.05]")
	l := newLog(recipe, 0.001)
	for week := range 10 {
		l.after(7).level(60-0.2*7*float64(week+1), 0.05)
	}
	learned := l.ask(t)
	require.InDelta(t, 0.2, learned.Rate("evaporation").Value, 0.03)
	l.do(chem.Setting{Key: "brightener.use", Value: chem.MeasuredOf(0.5, "", 0.01)})
	l.do(chem.Setting{Key: "copper.high", Value: chem.MeasuredOf(60, "g/L", 0)})
	e := l.ask(t)
	assert.Equal(t, learned.Rate("evaporation"), e.Rate("evaporation"))
	assert.InDelta(t, 0.5, e.Rate("brightener use").Value, 1e-9)
	assert.Equal(t, 60.0, named(t, e, "copper").High)
	past, err := l.open(t).At(l.now.Add(-time.Hour), Options{})
	require.NoError(t, err)
	assert.Equal(t, 54.0, named(t, past, "copper").High)
	l.do(chem.Setting{Key: "prior.evaporation", Value: chem.MeasuredOf(0.4, "", 0.02)})
	assert.InDelta(t, 0.4, l.ask(t).Rate("evaporation").Value, 1e-9)
}

// A log kept on paper may go back before the bath was set up here: facts and
// settings count, a remark of years ago does not make the bath older.
func TestFactsBeforeTheBathsOwn(t *testing.T) {
	l := newLog(plainRecipe, 0.01)
	begin := l.facts[0]
	l.facts[0].Time = monday.Add(30 * 24 * time.Hour)
	l.after(5).copper(51)
	l.facts = append(l.facts, chem.Fact{ID: uuid.Max, Time: monday.Add(-900 * 24 * time.Hour), Bath: "tank", Body: chem.Remark{}, Note: "bought the tank"},
		chem.Fact{ID: uuid.Nil, Time: monday.Add(24 * time.Hour), Bath: "tank", Body: chem.Setting{Key: "copper.high", Value: chem.MeasuredOf(55, "g/L", 0)}})
	b := l.open(t)
	assert.Equal(t, begin.Time, b.Began, "the filling is the first that happened")
	e, err := b.At(l.now, Options{})
	require.NoError(t, err)
	assert.InDelta(t, 50.7, named(t, e, "copper").Value, 0.3)
	assert.Equal(t, 55.0, named(t, e, "copper").High)
	_, err = b.At(monday.Add(-time.Hour), Options{})
	assert.ErrorContains(t, err, "begins on 2025-01-06")
	_, err = Open(nil)
	assert.ErrorIs(t, err, ErrNoBath)
}

// What cannot be counted is said, never silently left out.
func TestWhatCannotBeCountedIsSaid(t *testing.T) {
	l := newLog(plainRecipe, 0.01)
	id := l.assay("copper", 0.8, "mol/L", 0.005)
	e := l.ask(t)
	assert.Equal(t, Used, fateOf(t, e, id))
	assert.InEpsilon(t, 0.8*gramsCu, e.Readings[0].Value, 1e-4)
	l.assay("brightener", 3, "g/L", 0.1)
	l.do(chem.Add{Material: "magic powder", Amount: chem.MeasuredOf(1, "kg", 0)})
	e = l.ask(t)
	assert.Contains(t, why(e, "unit"), "brightener: 3 g/L of it cannot be counted in mL/L")
	assert.Contains(t, why(e, "material"), "magic powder")
}

// Titrations with one bottle share its error: many of them leave that much
// unknown, and a new bottle tells. Bottles without a name are forgotten slowly.
func TestLotsShareTheirError(t *testing.T) {
	u := func(lots func(i int) string) float64 {
		l := newLog(plainRecipe, 0.2)
		for i := range 40 {
			l.after(1).do(chem.Assay{Of: "copper", Value: chem.MeasuredOf(50, "g/L", 0.2), ULot: "0.4",
				Titration: &chem.Titration{Titrant: "EDTA", Lot: lots(i)}, Sample: chem.Sample{Returned: true}})
		}
		return named(t, l.ask(t), "copper").U
	}
	one := u(func(int) string { return "a" })
	ten := u(func(i int) string { return fmt.Sprint(i / 4) })
	nameless := u(func(int) string { return "" })
	all := u(func(i int) string { return fmt.Sprint(i) })
	assert.InDelta(t, 0.4, one, 0.02)
	assert.InDelta(t, 0.4/math.Sqrt(10), ten, 0.04)
	assert.Less(t, nameless, one)
	assert.Greater(t, nameless, ten)
	assert.Less(t, all, ten, "more lots than are kept at a time")
}

// The sulfate balance: u about 12 mmol/L at 60 g/L of acid (a figure of this
// project's own prototype on simulated baths), closing where nothing happened,
// open where copper sulfate went in without a word: 0.5 kg in 60 L are 33 mmol/L.
func TestSulfateBalance(t *testing.T) {
	balance := func(e *Estimate) Balance {
		for _, b := range e.Balances {
			if b.Name == "sulfate" {
				return b
			}
		}
		require.Fail(t, "no sulfate balance")
		return Balance{}
	}
	l := newLog(plainRecipe, 0.01)
	for range 6 {
		l.after(7).level(60, 0.3)
		l.assay("copper", 50, "g/L", 0.4)
		l.assay("sulfuric acid", 60, "g/L", 0.9)
	}
	b := balance(l.ask(t))
	assert.True(t, b.Closes)
	assert.InDelta(t, 0, b.Closure, 1)
	assert.InDelta(t, 12, b.U, 4)
	l.after(7).assay("sulfuric acid", 60, "g/L", 0.9)
	l.assay("copper", 50+0.5*254.5/60, "g/L", 0.4)
	e := l.ask(t)
	b = balance(e)
	assert.InDelta(t, 33.4, b.Closure, 2)
	assert.False(t, b.Closes)
	assert.Contains(t, why(e, "balance"), "mmol/L more sulfate than the log accounts for")
	l.do(chem.Add{Material: "deionised water", Amount: chem.MeasuredOf(1, "L", 0)})
	l.after(0.1).assay("copper", 50, "g/L", 0.4)
	for _, b := range l.ask(t).Balances {
		assert.NotEqual(t, "sulfate", b.Name, "a titration from before the water is no pair of one after it")
	}
}

// A year that nobody wrote about leaves a wide, finite answer, and the first
// readings after it settle it.
func TestYearsGap(t *testing.T) {
	_, text := shipped(t)
	l := newLog(text, 0.01)
	l.after(500)
	e := l.ask(t)
	assert.Positive(t, e.Volume)
	for _, c := range e.Constituents {
		assert.False(t, math.IsNaN(c.Value+c.U) || math.IsInf(c.Value+c.U, 0), c.Name)
	}
	assert.LessOrEqual(t, named(t, e, "copper").Low90, 50.0)
	assert.GreaterOrEqual(t, named(t, e, "copper").High90, 55.0)
	l.level(58, 0.3)
	l.copper(53)
	e = l.ask(t)
	assert.InDelta(t, 58, e.Volume, 0.5)
	assert.InDelta(t, 53, named(t, e, "copper").Value, 0.5)
}

// An anode that was hung without a mass gets one when it is weighed; a basket
// that is topped up is hung again; a last weighing that cannot be believed says
// so and does not wait for ever.
func TestWeighings(t *testing.T) {
	l := newLog(plainRecipe, 0.01)
	l.do(chem.Hang{Anode: "A", Form: "nuggets"})
	assert.True(t, math.IsNaN(l.ask(t).Anodes[0].Mass))
	l.do(chem.Weigh{Anode: "a", Mass: chem.MeasuredOf(2, "kg", 0.002)})
	l.after(1).plate(100)
	e := l.ask(t)
	assert.InDelta(t, 2-0.1*equivalent, e.Anodes[0].Mass, 1e-3)
	id := l.do(chem.Weigh{Anode: "a", Mass: chem.MeasuredOf(1.5, "kg", 0.002)})
	e = l.ask(t)
	assert.Equal(t, Held, fateOf(t, e, id))
	assert.Contains(t, why(e, "held"), "weigh anode A again: 1.50 kg is")
	assert.Greater(t, e.Anodes[0].U, 0.2, "the interval covers both")
	l.after(0.1).do(chem.Hang{Anode: "a", Mass: chem.MeasuredOf(3, "kg", 0.002)})
	e = l.ask(t)
	assert.Equal(t, Dropped, fateOf(t, e, id))
	assert.InDelta(t, 3, e.Anodes[0].Mass, 1e-9)
	id = l.after(1).do(chem.Pull{Anode: "a", Mass: chem.MeasuredOf(0.3, "kg", 0.002)})
	e = l.ask(t)
	assert.Equal(t, Dropped, fateOf(t, e, id))
	assert.Empty(t, e.Anodes)
	assert.Empty(t, why(e, "held"))
	assert.Contains(t, why(e, "dropped"), "the anode is out")
}
