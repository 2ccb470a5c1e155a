package estimate

import (
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
)

func (l *log) thiosulfate(v float64, blank chem.Decimal) uuid.UUID {
	return l.do(chem.Assay{Of: "copper", Value: chem.MeasuredOf(v, "g/L", 0.3), ULot: "0.2", Sample: chem.Sample{Returned: true},
		Titration: &chem.Titration{Method: "copper by iodide", Titrant: "thiosulfate", Lot: "a", Blank: blank}})
}

// Peroxide that is left sets iodine free as copper does: copper by thiosulfate
// reads high until a blank is clean (common practice, no source). Till then it
// bounds the copper from above, and lifts nothing.
func TestThiosulfateAfterPeroxide(t *testing.T) {
	l := newLog(plainRecipe, 0.01)
	weeks(l, 4, 50)
	l.after(1).do(chem.Treat{With: chem.TreatPeroxide, Amount: chem.MeasuredOf(0.1, "L", 0)})
	balances := l.after(1).ask(t).Balances
	before := named(t, l.ask(t), "copper")
	high := l.thiosulfate(53, "")
	e := l.ask(t)
	assert.Equal(t, Used, fateOf(t, e, high), "not held: it may be so high")
	assert.InDelta(t, before.Value, named(t, e, "copper").Value, 0.01)
	assert.InDelta(t, before.U, named(t, e, "copper").U, 0.01)
	assert.Regexp(t, `^copper: copper by thiosulfate of 2025-02-05 counts as an upper limit only: peroxide went in on 2025-02-04, and it reads high until a blank is clean`, why(e, "peroxide"))
	assert.Equal(t, 53.0, named(t, e, "copper").Assay.Value, "it is shown as it was read")
	assert.Equal(t, balances, e.Balances, "a limit is no titration to balance with")

	// By another method, or with a clean blank, or a week later, it counts in full.
	for _, c := range []struct {
		days  float64
		blank chem.Decimal
		used  bool
	}{{1, "0.05", true}, {1, "0", true}, {1, "0.8", false}, {1, "", false}, {7, "", true}} {
		k := newLog(plainRecipe, 0.05)
		k.after(1).do(chem.Treat{With: chem.TreatPeroxide})
		was := named(t, k.after(c.days).ask(t), "copper").Value
		k.thiosulfate(53, c.blank)
		is := named(t, k.after(0).ask(t), "copper").Value
		if c.days == 7 {
			k.after(0.1).thiosulfate(53, c.blank)
			is = named(t, k.ask(t), "copper").Value
		}
		if c.used {
			assert.Greater(t, is, was+1, "%+v", c)
		} else {
			assert.LessOrEqual(t, is, was, "%+v", c)
		}
	}
	k := newLog(plainRecipe, 0.05)
	k.after(1).do(chem.Treat{With: chem.TreatPeroxide})
	k.after(1).copper(53)
	assert.Greater(t, named(t, k.ask(t), "copper").Value, 51.0, "EDTA does not see peroxide")

	// Less than was believed is believed all the more.
	was := named(t, k.ask(t), "copper")
	k.after(0.1).thiosulfate(52.4, "")
	assert.Less(t, named(t, k.ask(t), "copper").Value, was.Value-0.1)
	assert.Less(t, named(t, k.ask(t), "copper").U, was.U)
}

// After carbon or peroxide an organic is unknown until a panel says what is left,
// by an amount or by its look.
func TestOrganicsAreUnknownAfterTreatment(t *testing.T) {
	for _, with := range []chem.Treatment{chem.TreatCarbon, chem.TreatPeroxide} {
		l := newLog(plainRecipe, 0.01)
		l.after(1).do(chem.Treat{With: with})
		c := named(t, l.ask(t), "brightener")
		assert.False(t, c.Known, with)
		assert.Less(t, c.Low90, 0.15, "perhaps nothing is left of it")
		assert.Greater(t, c.High90, 3.9, "perhaps all of it")
		assert.Contains(t, why(l.ask(t), "unknown"), "brightener: "+string(with)+" treatment took out an unknown part")
		l.after(1).panel(chem.PatternLow, 0)
		c = named(t, l.ask(t), "brightener")
		assert.True(t, c.Known, with)
		assert.Less(t, c.Value, 2.1)
		assert.Positive(t, c.Value)
	}
	l := newLog(plainRecipe, 0.01)
	l.after(1).do(chem.Treat{With: chem.TreatDummy, Amount: chem.MeasuredOf(5, "Ah", 0)})
	assert.True(t, named(t, l.ask(t), "brightener").Known, "dummy plating takes no organics out at once")
}

// A contaminant has an upper limit only. What brings it down is said in words; no
// titration is asked for it, and one of the metal says nothing of it.
func TestContaminantsHaveALimitOnly(t *testing.T) {
	recipe := strings.Replace(plainRecipe, "[[organic]]", "[[constituent]]\nname = \"iron\"\nunit = \"mg/L\"\nhigh = 500\nassay_u = 0.1\n[[organic]]", 1)
	l := newLog(recipe, 0.01)
	e := l.ask(t)
	assert.NotContains(t, why(e, "unknown"), "iron", "nobody has to look for what is not there")
	assert.Empty(t, why(e, "contaminant"))
	before := named(t, e, "iron")
	l.after(1).copper(51)
	assert.InDelta(t, before.Value, named(t, l.ask(t), "iron").Value, 1e-6)
	l.after(1).assay("iron", 20, "mg/L", 2)
	e = l.ask(t)
	assert.Equal(t, Inside, named(t, e, "iron").Verdict, "too little of it there cannot be")
	l.after(1).assay("iron", 700, "mg/L", 30)
	l.after(1).assay("iron", 700, "mg/L", 30)
	e = l.ask(t)
	require.Equal(t, High, named(t, e, "iron").Verdict)
	assert.Regexp(t, `^iron: 70\d mg/L is above its limit of 500, and nothing that is added takes it out: dummy-plate at low current, treat the bath, or replace a part of it$`, why(e, "contaminant"))
	w, err := l.open(t).Why("iron", l.now)
	require.NoError(t, err)
	for _, n := range w.Narrow {
		assert.NotContains(t, n.What, "titrate iron")
	}
}
