package dose_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/dose"
	"steadybath/chem/estimate"
	"steadybath/chem/hazard"
)

// A level that is off makes amount and volume wrong together, and the
// concentration hardly: a bath whose copper is read to 0.1 g/L is dosed to 53 g/L
// although its level is known to 2 % only. By hand: n - 54·V is unsure by 60·0.1 and
// (54 - 50)·1.1 g together, 7 g; the limit lies (54 - 53)·60 = 60 g away. Taken as if
// they erred apart it would be 1.645·54·1.1·√2 = 138 g.
func TestErrorsOfLevelDoNotCountTwice(t *testing.T) {
	read := at(50, 60, 60, 4)
	read["copper"] = reading{value: 50, u: 0.1}
	e := state{read: read, levelU: 1.5, most: 75}.open(t)
	p, err := dose.Make(e, dose.Options{Target: map[string]float64{"copper": 53}, DaysOff: 0.5})
	require.NoError(t, err)
	assert.InDelta(t, 53, after(t, p, "copper").Value, 0.05)
	assert.InDelta(t, 1.1, e.UVolume, 0.1)
}

// Water is asked for at 98.5 % of the mark, and at 99.5 % where it is what keeps
// something from its upper limit.
func TestWaterComesSoonerNearAnUpperLimit(t *testing.T) {
	_, p := planFor(t, state{read: at(50, 74.5, 60, 4), level: 59.5, ah: 20}, dose.Options{})
	assert.InDelta(t, 500, line(t, p, "deionised water").Amount, 100, "mL")
	_, p = planFor(t, state{read: at(50, 70, 60, 4), level: 59.5, ah: 20}, dose.Options{})
	assert.Empty(t, p.Additions)
}

// Bath is replaced from a chance of 20 % on to pass the limit before the next
// visit, with the level down to 98.5 % by then: 52.8/0.985 is 53.6 g/L, and copper
// creeps up.
func TestBathIsReplacedBeforeItIsTooLate(t *testing.T) {
	_, p := planFor(t, state{read: at(52.8, 60, 60, 4), ah: 20}, dose.Options{})
	assert.Positive(t, p.Bail)
	_, p = planFor(t, state{read: at(52.4, 60, 60, 4), ah: 20}, dose.Options{})
	assert.Zero(t, p.Bail)
}

// A level known to 2.4 % allows a plan and is asked for all the same.
func TestLevelIsAskedForWhereItIsVague(t *testing.T) {
	e, p := planFor(t, state{read: at(44, 60, 60, 4), levelU: 2}, dose.Options{})
	assert.InDelta(t, 0.024, e.UVolume/e.Volume, 0.001)
	assert.Contains(t, readings(p.TitrateFirst), "level: the volume is 60.0 ± 2.3 L")
	line(t, p, "copper sulfate pentahydrate")
}

// Acid that is in the bath already leaves less heat to give: 57 kJ for each mol of
// 96 % acid that goes into 180 g/L against 66 into water (Thomsen, from memory). The
// plan says the heat of its own bath, here of 150 g/L, and not that of water.
func TestWarmingCountsTheAcidInTheBath(t *testing.T) {
	text := strings.NewReplacer("low = 52\ntarget = 60\nhigh = 75", "low = 160\ntarget = 180\nhigh = 220", "low = 46\ntarget = 50\nhigh = 54", "low = 15\ntarget = 20\nhigh = 25").Replace(inertText)
	_, p := planFor(t, state{recipe: text, read: map[string]reading{"copper": {value: 20}, "sulfuric acid": {value: 150}}}, dose.Options{})
	a := line(t, p, "sulfuric acid 96 %")
	here, err := chem.AcidPourRise(chem.AcidPour{AcidML: a.Amount, WeightPercent: 96, BathL: 60, BathAcidGPerL: 150})
	require.NoError(t, err)
	water, err := chem.AcidPourRise(chem.AcidPour{AcidML: a.Amount, WeightPercent: 96, BathL: 60})
	require.NoError(t, err)
	require.Greater(t, water-here, 0.3)
	assert.Contains(t, strings.Join(a.Cautions, " "), fmt.Sprintf("all of them together by about %.1f K", here))
}

// A salt is dissolved in a bucket of bath, 10 L at most and a quarter of the tank,
// and each portion stays dissolved in it.
func TestSaltIsDissolvedByTheBucket(t *testing.T) {
	for volume, draw := range map[float64]float64{60: 10, 20: 5} {
		_, p := planFor(t, state{read: at(40, 60, 60, 4), volume: volume}, dose.Options{})
		a := line(t, p, "copper sulfate pentahydrate")
		require.Greater(t, len(a.Portions), 1)
		holds, err := chem.CopperSolubilityEstimate(60, 30)
		require.NoError(t, err)
		for _, q := range a.Portions {
			assert.Contains(t, q.Wait, fmt.Sprintf("in %g L of bath drawn off", draw))
			assert.LessOrEqual(t, q.Amount*0.2545/draw, (holds-40)*1.02, "g/L of copper")
		}
	}
}

// What a treatment took out of an organic is not known until it is read: until then
// nothing goes in that brings any, whatever else it is for.
func TestAfterCarbonNothingTouchesTheBrightener(t *testing.T) {
	carbon := chem.Fact{Time: now.Add(-30 * time.Minute), Body: chem.Treat{With: chem.TreatCarbon}}
	text := strings.Replace(shippedText(t), "brings   = { chloride = 606.6 }", "brings = { chloride = 606.6, brightener = 0.1 }", 1)
	require.NotEqual(t, shippedText(t), text)
	_, p := planFor(t, state{recipe: text, read: at(50, 60, 40, 3), extra: []chem.Fact{carbon}}, dose.Options{})
	assert.Empty(t, p.Additions)
	assert.Contains(t, joined(p.Refused), "also touches brightener, which waits for a reading")

	s := settled(at(50, 60, 60, 3))
	carbon.Time = now.Add(-2 * time.Hour) // and it was read an hour ago
	s.extra = []chem.Fact{carbon}
	_, p = planFor(t, s, dose.Options{})
	assert.Positive(t, line(t, p, "brightener").Amount)
	carbon.Time = now.Add(-30 * time.Minute)
	carbon.Body = chem.Treat{With: chem.TreatDummy} // which takes out metals
	s.extra = []chem.Fact{carbon}
	_, p = planFor(t, s, dose.Options{})
	assert.Positive(t, line(t, p, "brightener").Amount)
}

// What a plan says it leads to is as unsure as the same steps are in thought, the
// weighing of what goes in counted.
func TestAfterAPlanTheWeighingCounts(t *testing.T) {
	e, p := planFor(t, state{level: 55, read: at(42, 48, 60, 3)}, dose.Options{})
	var steps []dose.Step
	for _, a := range p.Additions {
		x, err := a.Unit.Convert(a.Amount, a.Material.Unit)
		require.NoError(t, err)
		steps = append(steps, dose.Step{Material: a.Material, Amount: x})
	}
	o, err := dose.WhatIf(e, dose.Options{}, steps)
	require.NoError(t, err)
	for _, a := range p.After {
		half := then(t, o, a.Name).High90 - then(t, o, a.Name).Value
		assert.InDelta(t, half, a.High90-a.Value, 1e-4*half, a.Name)
	}
}

// watts is a nickel bath in order, with zinc as read.
func watts(t tb, zinc float64, age time.Duration) state {
	return state{recipe: shippedRecipe(t, "nickel-watts"), read: map[string]reading{"nickel": {value: 70}, "nickel chloride": {value: 38},
		"boric acid": {value: 41}, "wetter": {value: 2}, "brightener": {value: 4}, "zinc": {value: zinc, u: 0.3, age: age}}}
}

func TestContaminantAboveItsLimitIsSaid(t *testing.T) {
	_, p := planFor(t, watts(t, 24, 0), dose.Options{})
	assert.Contains(t, joined(p.Refused), "zinc: 24.0 mg/L is above its limit of 20 mg/L and no addition takes it out")
	_, p = planFor(t, watts(t, 24, 10*day), dose.Options{})
	assert.NotContains(t, joined(p.Refused), "zinc")
	assert.Contains(t, readings(p.TitrateFirst), "zinc: the log puts it at 24.0 mg/L")
	e, p := planFor(t, watts(t, 16, 0), dose.Options{})
	assert.NotContains(t, joined(p.Refused)+readings(p.TitrateFirst), "zinc")
	_, err := dose.Make(e, dose.Options{Target: map[string]float64{"zinc": 5}})
	assert.ErrorContains(t, err, "nothing is added to reach a target")
}

// A bail-out lasts: after four weeks at the usual pace, and then at the lowest level
// before a top-up, copper is still at its limit or below.
func TestABailOutMakesRoomForFourWeeks(t *testing.T) {
	e, p := planFor(t, state{read: at(57, 60, 60, 4), ah: 400, fill: map[string]float64{"copper": 52, "sulfuric acid": 66, "chloride": 60, "brightener": 4}}, dose.Options{})
	require.Positive(t, p.Bail)
	perDay, _ := e.AhPerDay()
	start, _ := e.Joint()
	month, _ := e.Ahead(28, 28*perDay)
	week, _ := e.Ahead(7, 7*perDay)
	last := len(start) - 1
	creep := (month[0] - start[0]) / e.Volume
	require.Greater(t, creep, 0.5, "g/L")
	assert.LessOrEqual(t, after(t, p, "copper").Value+creep, 54*week[last]/start[last]+0.05)
}

func TestNoBathIsThrownAwayInVain(t *testing.T) {
	t.Run("It falls by itself", func(t *testing.T) {
		_, p := planFor(t, state{read: at(50, 75.02, 60, 4), ah: 100}, dose.Options{})
		assert.Zero(t, p.Bail)
		assert.Contains(t, strings.Join(p.Quiet, "; "), "comes down by itself before the next visit")
	})
	t.Run("It falls and is not above yet", func(t *testing.T) {
		_, p := planFor(t, state{read: at(50, 74.9, 60, 4), ah: 100}, dose.Options{})
		assert.Zero(t, p.Bail)
	})
	t.Run("No water to refill with", func(t *testing.T) {
		_, p := planFor(t, state{read: at(57, 60, 60, 4)}, dose.Options{Only: []string{"brightener"}})
		assert.Zero(t, p.Bail)
		assert.Contains(t, joined(p.Refused), "only replacing bath by water takes it out, but no water may be used")
	})
}

func TestAWideWindowAsksForAReading(t *testing.T) {
	s := state{read: at(50, 62, 66, 4)}
	s.read["copper"] = reading{value: 44, u: 4, age: 3 * day}
	_, p := planFor(t, s, dose.Options{})
	assert.Contains(t, readings(p.TitrateFirst), "a reading could change what is added")
}

// A value at its target that nobody is sure of is read again after a day, not the
// same day.
func TestAVagueValueIsReadAgainTheNextDay(t *testing.T) {
	for age, again := range map[time.Duration]bool{0: false, 3 * day: true} {
		s := state{read: at(50, 62, 66, 4)}
		s.read["sulfuric acid"] = reading{value: 61, u: 12, age: age}
		_, p := planFor(t, s, dose.Options{})
		assert.Equal(t, again, strings.Contains(readings(p.TitrateFirst), "sulfuric acid: it was last read 3 days ago; it is at its target as far as is known"), "read %v ago", age)
	}
}

// Inert anodes: 20 Ah take out 0.4 g/L of copper in 60 L (1.1855 g/Ah). A shop that
// plates in lumps may do much more than its mean until the next visit, and is told
// to add where one that plates the same every week is not.
func TestChargeThatComesInLumpsAsksForMore(t *testing.T) {
	s := state{recipe: inertText, ah: 20, read: map[string]reading{"copper": {value: 48, u: 0.1}, "sulfuric acid": {value: 62}}, fill: map[string]float64{"copper": 50, "sulfuric acid": 60}}
	_, p := planFor(t, s, dose.Options{})
	assert.Empty(t, p.Additions)
	s.ah = 0
	s.extra = []chem.Fact{{Time: now.Add(-20 * day), Body: chem.Plate{Charge: chem.MeasuredOf(160, "Ah", 0), Hours: "30"}}}
	_, p = planFor(t, s, dose.Options{})
	assert.NotEmpty(t, p.Additions)
}

// No chance is said to be 100 %.
func TestNothingIsSaidToBeCertain(t *testing.T) {
	list := dose.Schedule(state{read: at(42, 60, 60, 4)}.open(t), nil, dose.Options{})
	require.Equal(t, "copper", list[0].Constituent)
	assert.Contains(t, list[0].Why, "a chance of more than 99 % to be below 46 g/L")
}

// Of two materials that do the same the cheaper goes in: by the recipe's price, and
// by that of the delivery where it was written down.
func TestTheDeliveryPriceChooses(t *testing.T) {
	text := inertText[:strings.Index(inertText, "[[material]]")]
	for _, m := range []struct{ name, price string }{{"copper sulfate, coarse", "7"}, {"copper sulfate, fine", "9"}} {
		text += "[[material]]\nname = \"" + m.name + "\"\nunit = \"kg\"\nbrings = { copper = 254.5 }\nlitres = 0.38\nsmallest = 0.005\nprice = " + m.price + "\n"
	}
	e := state{recipe: text, read: map[string]reading{"copper": {value: 44}, "sulfuric acid": {value: 62}}}.open(t)
	for material, stock := range map[string]map[string]dose.Stock{
		"copper sulfate, coarse": nil,
		"copper sulfate, fine":   {"copper sulfate, fine": {Left: 20, Price: 5}},
	} {
		p, err := dose.Make(e, dose.Options{Stock: stock})
		require.NoError(t, err)
		require.Len(t, p.Additions, 1)
		assert.Equal(t, material, p.Additions[0].Material.Name)
	}
}

func TestCareThatAPlanMustNotLeaveOut(t *testing.T) {
	_, p := planFor(t, state{read: at(50, 60, 60, 4), level: 57}, dose.Options{})
	assert.Contains(t, strings.Join(line(t, p, "deionised water").Cautions, "; "), "stop at 61.2 L, the tank's upper mark")
	for age, said := range map[time.Duration]bool{5 * day: true, 9 * day: false} {
		s := settled(at(44, 60, 60, 4))
		s.extra = []chem.Fact{{Time: now.Add(-age), Body: chem.Treat{With: chem.TreatPeroxide}}}
		_, p = planFor(t, s, dose.Options{})
		assert.Equal(t, said, strings.Contains(strings.Join(p.Cautions, "; "), "copper by thiosulfate reads high until a blank is clean"), "%v ago", age)
	}
	s := settled(at(44, 60, 60, 4))
	s.extra = []chem.Fact{{Time: now.Add(-9 * day), Body: chem.Pull{Anode: chem.AllAnodes}}, {Time: now.Add(-8 * day), Body: chem.Plate{Charge: chem.MeasuredOf(30, "Ah", 0), Hours: "4"}}}
	_, p = planFor(t, s, dose.Options{})
	assert.Contains(t, strings.Join(p.Cautions, "; "), "look at the anodes too: ")
}

// The tank's upper mark is kept as surely as a window's limit, though the level is
// known to 1 L only: what copper sulfate takes up counts.
func TestTheMarkIsKeptThoughTheLevelIsVague(t *testing.T) {
	e := state{read: at(28, 60, 60, 4), levelU: 1.1, most: 62.5}.open(t)
	p, err := dose.Make(e, dose.Options{Stock: map[string]dose.Stock{"copper sulfate pentahydrate": {Left: 20}}})
	require.NoError(t, err)
	require.Greater(t, e.UVolume, 0.7)
	require.Greater(t, amountOf(p, "copper sulfate pentahydrate"), 2000.0, "g")
	assert.LessOrEqual(t, p.Volume+1.645*e.UVolume, 62.5*(1+1e-6))
	assert.Contains(t, joined(p.Refused)+p.Compromise, "L in the tank")
}

// However much too high it is, half of the bath stays.
func TestHalfOfTheBathStays(t *testing.T) {
	e, p := planFor(t, state{read: at(125, 60, 60, 4)}, dose.Options{})
	assert.InDelta(t, e.Volume/2, p.Bail, 0.6)
	assert.Contains(t, p.Compromise, "no more than half of the bath bailed out at once")
}

func TestOrganicsDueAreOrganics(t *testing.T) {
	s := settled(at(44, 60, 60, 3))
	s.extra = []chem.Fact{
		{Time: now.Add(-8 * day), Body: chem.Add{Material: "brightener", Amount: chem.MeasuredOf(10, "mL", 0)}},
		{Time: now.Add(day), Body: chem.Add{Material: "brightener", Amount: chem.MeasuredOf(10, "mL", 0)}}, // not yet
	}
	list, err := dose.OrganicsDue(s.open(t))
	require.NoError(t, err)
	require.Len(t, list, 1, "copper sulfate is none")
	assert.Equal(t, "brightener", list[0].Material.Name)
	assert.True(t, list[0].Added)
	assert.InDelta(t, 8, list[0].SinceDays, 1e-9)
}

func TestNothingGoesIntoACyanideBathInThought(t *testing.T) {
	e := state{recipe: shippedRecipe(t, "gold-acid"), volume: 5, read: map[string]reading{"gold": {value: 3}}}.open(t)
	_, err := dose.WhatIf(e, dose.Options{}, []dose.Step{{Material: e.Recipe.Materials[0], Amount: 1}})
	require.ErrorContains(t, err, hazard.CyanideAtAll)
	_, err = dose.WhatIf(e, dose.Options{}, []dose.Step{{Bail: 1}})
	assert.NoError(t, err)
}

// What evaporates until the next top-up counts, for the windows and for what stays
// dissolved.
func TestWhatIfLooksToTheNextTopUp(t *testing.T) {
	e := state{read: at(52, 60, 60, 4)}.open(t)
	step := []dose.Step{adding(t, e, "brightener", 1)}
	o, err := dose.WhatIf(e, dose.Options{DaysOff: 30}, step)
	require.NoError(t, err)
	assert.Contains(t, strings.Join(o.Risks, "; "), "copper comes to")
	assert.Contains(t, strings.Join(o.Risks, "; "), "by what evaporates in 4 weeks")
	grams := func(o *dose.Outcome) (copper, acid float64) {
		_, err := fmt.Sscanf(o.Stays+o.Solid, "%f g/L copper beside %f g/L acid", &copper, &acid)
		require.NoError(t, err)
		return copper, acid
	}
	late, _ := grams(o)
	o, err = dose.WhatIf(e, dose.Options{DaysOff: 1}, step)
	require.NoError(t, err)
	soon, _ := grams(o)
	assert.Greater(t, late, soon*1.05)
}

// What would crystallise at the lowest level that asks for no water, 1.5 % below the
// mark, is not put in: copper is left out first, and acid goes in where that is
// enough. What would only where nobody tops up for a week is told.
func TestColdCountsTheLowestLevel(t *testing.T) {
	e := state{read: at(44, 48, 60, 4)}.open(t)
	solid := func(coldest, daysOff float64) *dose.Plan {
		p, err := dose.Make(e, dose.Options{Coldest: coldest, DaysOff: daysOff})
		require.NoError(t, err)
		return p
	}
	p := solid(5, 1)
	assert.Positive(t, amountOf(p, "copper sulfate pentahydrate"))
	assert.NotContains(t, strings.Join(p.Cautions, "; "), "crystallise")
	p = solid(5, 7)
	assert.Positive(t, amountOf(p, "copper sulfate pentahydrate"))
	assert.Regexp(t, `may crystallise at 5 degC.*; keep it topped up, or the room warmer`, strings.Join(p.Cautions, "; "))
	p = solid(3, 7)
	assert.Zero(t, amountOf(p, "copper sulfate pentahydrate"))
	assert.Contains(t, joined(p.Refused), "may crystallise at 3 degC")
	assert.Positive(t, amountOf(p, "sulfuric acid 35 %"))
}

// Where weak acid is short it goes in as far as the tank has room, and strong acid,
// though it is the cheaper one, only for the rest.
func TestStrongAcidOnlyForTheRest(t *testing.T) {
	s := state{read: at(50, 45, 60, 4), level: 57, replace: map[string]string{"price    = 14 ": "price = 4 "}}
	p, err := dose.Make(s.open(t), dose.Options{Stock: map[string]dose.Stock{"sulfuric acid 35 %": {Left: 0.5}, "sulfuric acid 96 %": {Left: 2}}})
	require.NoError(t, err)
	assert.Greater(t, amountOf(p, "sulfuric acid 35 %"), 400.0, "mL of the 500")
	assert.Greater(t, amountOf(p, "sulfuric acid 96 %"), 100.0, "mL")
}

func TestALevelBelowTheLeastMarkIsSaid(t *testing.T) {
	p, err := dose.Make(state{read: at(44, 60, 60, 4), level: 30}.open(t), dose.Options{Only: []string{"copper sulfate pentahydrate"}})
	require.NoError(t, err)
	assert.Contains(t, joined(p.Refused), "below the tank's least mark of 48 L")
}

func TestMakeUpHoldsWhatItSays(t *testing.T) {
	weighed := func(p *dose.MakeUp, material string) bool {
		return slices.ContainsFunc(p.Weigh, func(w dose.Weighing) bool { return w.Material.Name == material })
	}
	t.Run("The weaker acid, however cheap the strong one", func(t *testing.T) {
		r := shippedParsed(t, "copper-electroforming")
		for i := range r.Materials {
			if r.Materials[i].Name == "sulfuric acid 96 %" {
				r.Materials[i].Price = 0.01
			}
		}
		p, err := dose.NewBath(r, dose.MakeUpOptions{Volume: 60})
		require.NoError(t, err)
		assert.True(t, weighed(p, "sulfuric acid 35 %"))
		assert.False(t, weighed(p, "sulfuric acid 96 %"))
	})
	t.Run("Too little to measure out", func(t *testing.T) {
		// 0.05 L at 60 g/L take 6.8 mL of acid; 5 mL, the nearest a cylinder shows, give 44 g/L.
		r := shippedParsed(t, "copper-electroforming")
		r.Materials = slices.DeleteFunc(r.Materials, func(m chem.Material) bool { return m.Name == "sodium chloride" || m.Name == "brightener" })
		r.Constituents = r.Constituents[:2]
		_, err := dose.NewBath(r, dose.MakeUpOptions{Volume: 0.05})
		assert.ErrorContains(t, err, "outside its window of 52 to 75 g/L")
	})
	t.Run("A beaker has water to pour acid into", func(t *testing.T) {
		r := shippedParsed(t, "copper-electroforming")
		r.Materials = slices.DeleteFunc(r.Materials, func(m chem.Material) bool { return m.Name == "sodium chloride" || m.Name == "brightener" })
		r.Constituents = r.Constituents[:2]
		p, err := dose.NewBath(r, dose.MakeUpOptions{Volume: 0.1})
		require.NoError(t, err)
		at := slices.IndexFunc(p.Steps, func(s dose.MakeUpStep) bool { return s.Stage == dose.StageWater })
		assert.InDelta(t, 67, p.Steps[at].Amount, 5, "mL: two thirds")
		r.Materials = slices.DeleteFunc(r.Materials, func(m chem.Material) bool { return m.Name == "sulfuric acid 96 %" })
		r.Constituents = []chem.Constituent{{Name: "sulfuric acid", Unit: "g/L", Role: chem.RoleAcid, Low: 400, Target: 444, High: 460}}
		_, err = dose.NewBath(r, dose.MakeUpOptions{Volume: 10})
		assert.ErrorContains(t, err, "too little water is left to pour the acid into")
	})
	t.Run("Boric acid last of the salts, wherever it stands", func(t *testing.T) {
		r := shippedParsed(t, "nickel-watts")
		slices.SortStableFunc(r.Materials, func(a, b chem.Material) int { return strings.Compare(a.Name, b.Name) })
		p, err := dose.NewBath(r, dose.MakeUpOptions{Volume: 60})
		require.NoError(t, err)
		var salts []string
		for _, s := range p.Steps {
			if s.Stage == dose.StageSalt {
				salts = append(salts, s.Material)
			}
		}
		require.Greater(t, len(salts), 1)
		assert.Equal(t, "boric acid", salts[len(salts)-1])
	})
	t.Run("What the shelf does not hold", func(t *testing.T) {
		r := shippedParsed(t, "copper-electroforming") // 5 kg of copper sulfate: 11.8 kg go into 60 L
		p, err := dose.NewBath(r, dose.MakeUpOptions{Volume: 60})
		require.NoError(t, err)
		assert.Contains(t, strings.Join(p.Short, "; "), "copper sulfate pentahydrate")
		p, err = dose.NewBath(r, dose.MakeUpOptions{Volume: 5})
		require.NoError(t, err)
		assert.NotContains(t, strings.Join(p.Short, "; "), "copper sulfate pentahydrate")
	})
}

func TestScheduleSaysWhenAndWhy(t *testing.T) {
	next := func(e *estimate.Estimate, p *dose.Plan, name string) dose.Titration {
		for _, x := range dose.Schedule(e, p, dose.Options{}) {
			if x.Constituent == name {
				return x
			}
		}
		require.Fail(t, "no "+name)
		return dose.Titration{}
	}
	t.Run("Held", func(t *testing.T) {
		s := settled(at(50, 62, 66, 4))
		s.extra = []chem.Fact{{Time: now.Add(-time.Minute), Body: chem.Assay{Of: "copper", Value: chem.MeasuredOf(58, "g/L", 0.2)}}}
		assert.Contains(t, next(s.open(t), nil, "copper").Why, "does not fit the log and waits for a second one")
	})
	t.Run("A chance of one in ten", func(t *testing.T) {
		s := settled(at(50, 62, 66, 4))
		s.read["copper"] = reading{value: 46.4, u: 0.4}
		d := next(s.open(t), nil, "copper")
		assert.Equal(t, now, d.By)
		assert.Regexp(t, `a chance of [123]\d % to be below 46 g/L before the next visit`, d.Why)
	})
	t.Run("What the plan does counts", func(t *testing.T) {
		s := settled(at(44, 62, 66, 4))
		e, p := planFor(t, s, dose.Options{})
		assert.Equal(t, now, next(e, nil, "copper").By)
		assert.True(t, next(e, p, "copper").By.After(now.Add(6*day)))
	})
	t.Run("An organic once a week at most", func(t *testing.T) {
		s := settled(at(50, 62, 66, 3))
		assert.Equal(t, now.Add(-time.Hour).Add(7*day), next(s.open(t), nil, "brightener").By)
	})
	t.Run("An organic from one in four on", func(t *testing.T) {
		s := settled(at(50, 62, 66, 4))
		s.read["brightener"] = reading{value: 3.2, u: 0.3, age: 8 * day}
		s.fill["brightener"] = 3.2
		d := next(s.open(t), nil, "brightener")
		assert.Contains(t, d.Why, "to be below 3 mL/L")
		assert.Equal(t, now, d.By)
	})
	t.Run("A bath of ten days is new", func(t *testing.T) {
		s := state{read: at(50, 62, 66, 4)}
		for name, x := range s.read {
			x.age = 10 * day
			s.read[name] = x
		}
		d := next(s.open(t), nil, "copper")
		assert.Equal(t, now, d.By, "a week after its last reading has gone by")
		assert.Contains(t, d.Why, "new")
	})
}

// Boric acid that stays dissolved today may fall out on a cold day when a part of the
// water is gone.
func TestBoricAcidCountsTheLowestLevel(t *testing.T) {
	e := watts(t, 5, 0).open(t)
	for days, said := range map[float64]bool{0.5: false, 14: true} {
		p, err := dose.Make(e, dose.Options{Coldest: 16, DaysOff: days})
		require.NoError(t, err)
		assert.Equal(t, said, strings.Contains(strings.Join(p.Cautions, "; "), "g/L boric acid, at the lowest level before the next top-up, falls out at 16 degC"), "%g days", days)
	}
}

// A warm bath loses its room for evaporation within a session: topping up before it
// is not enough, and the plan says how often. A cold one has no such line.
func TestAWarmBathIsToppedUpWhileItPlates(t *testing.T) {
	said := func(name string) string {
		e := state{recipe: shippedRecipe(t, name)}.open(t)
		p, err := dose.Make(e, dose.Options{})
		require.NoError(t, err)
		return strings.Join(p.Cautions, "; ")
	}
	// 0.5 L/h more than 0.31 L/day: 0.9 L, 1.5 % of 60 L, last 1.8 h.
	assert.Contains(t, said("nickel-watts"), "about 0.513 L of water go in an hour: fill up to the mark with the part in, every 1.5 h")
	assert.NotContains(t, said("copper-electroforming"), "with the part in")
}
