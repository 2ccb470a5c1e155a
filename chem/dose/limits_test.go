package dose_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/dose"
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
