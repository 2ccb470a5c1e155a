package plating_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"steadybath/chem"
	"steadybath/chem/estimate"
	"steadybath/chem/plating"
	"steadybath/chem/recipe"
)

var now = time.Date(2026, 3, 7, 18, 0, 0, 0, time.UTC)

type tb interface {
	require.TestingT
	Helper()
}

// bath is a bath of a shipped recipe, changed by edit, filled a day ago, with
// what else happened to it.
func bath(t tb, name string, edit func(string) string, litres float64, holds map[string]chem.Measured, more ...chem.Body) *estimate.Estimate {
	t.Helper()
	shipped, ok := recipe.ShippedText(name)
	require.True(t, ok)
	text := string(shipped)
	if edit != nil {
		text = edit(text)
		require.NotEqual(t, string(shipped), text, "the edit found nothing to change")
	}
	bodies := append([]chem.Body{chem.Begin{Volume: chem.MeasuredOf(litres, "L", 0), Zone: "UTC", Recipe: text},
		chem.Fill{Volume: chem.MeasuredOf(litres, "L", 0.1), Origin: chem.OriginMakeUp, Composition: holds}}, more...)
	var facts []chem.Fact
	for i, body := range bodies {
		facts = append(facts, chem.Fact{Number: int64(i + 1), ID: uuid.NewSHA1(uuid.NameSpaceOID, []byte{byte(i)}), Time: now.Add(time.Duration(i-24) * time.Hour), Bath: "tank-1", Body: body})
	}
	b, err := estimate.Open(facts)
	require.NoError(t, err)
	e, err := b.At(now, estimate.Options{})
	require.NoError(t, err)
	return e
}

func copper(t tb, more ...chem.Body) *estimate.Estimate {
	t.Helper()
	return bath(t, "copper-electroforming", nil, 60, map[string]chem.Measured{"copper": chem.MeasuredOf(50, "g/L", 0.3), "sulfuric acid": chem.MeasuredOf(60, "g/L", 0.5),
		"chloride": chem.MeasuredOf(60, "mg/L", 1), "brightener": chem.MeasuredOf(4, "mL/L", 0.1)}, more...)
}

func part(area float64) []plating.Part { return []plating.Part{{Area: area}} }

func plan(t tb, e *estimate.Estimate, area float64, a plating.Asked) *plating.Plan {
	t.Helper()
	p, err := plating.Make(e, plating.Options{Parts: part(area), Asked: a})
	require.NoError(t, err)
	return p
}

func said(list []string, words string) bool {
	for _, s := range list {
		if strings.Contains(s, words) {
			return true
		}
	}
	return false
}

// 200 um of copper in 4 h at 1.5 A/dm2 cannot be. By hand with the recipe's 0.992 and
// 8.92 g/cm3, and 1.1855 g/Ah (IUPAC 2021, CODATA 2018): 6 Ah/dm2 times 13.18 um are
// 79 um; 200 um take 15.17 Ah/dm2, 10.1 h at 1.5 A/dm2 and 0.125 h more since a
// half-hour ramp from half the current passes three quarters; in 4 h 3.8 A/dm2.
func TestImpossibleThickness(t *testing.T) {
	p := plan(t, copper(t), 5.5, plating.Asked{Density: 1.5, Hours: 4, Thickness: 200})
	assert.False(t, p.Possible)
	assert.Equal(t, "200 um of copper in 4 h at 1.5 A/dm2 is impossible: at most about 79 um can come", p.Why)
	require.Len(t, p.Offers, 2)
	assert.Equal(t, "time", p.Offers[0].By)
	assert.Equal(t, "10.2 h at 1.5 A/dm2 (8.25 A), with a half-hour ramp from half the current", p.Offers[0].Words)
	assert.InDelta(t, 10.24, p.Offers[0].Run.Hours.Value, 0.005)
	assert.Equal(t, "current", p.Offers[1].By)
	assert.Equal(t, "3.8 A/dm2 (20.9 A) in 4 h, without a ramp, which may burn: the recipe's limit is 4 A/dm2, and edges see more than the mean", p.Offers[1].Words)
	assert.InDelta(t, 3.79, p.Offers[1].Run.Density.Value, 0.005)
	assert.InDelta(t, 79.1, p.Run.Thickness.Value, 0.05, "what would come")

	ramped := plan(t, copper(t), 5.5, plating.Asked{Density: 1.5, Hours: 4, Thickness: 200, Ramp: 0.5})
	assert.Equal(t, p.Why+", 77 um with the ramp", ramped.Why, "5.8125 Ah/dm2 are 76.6 um")
	mass := plan(t, copper(t), 5.5, plating.Asked{Density: 1.5, Hours: 4, Mass: 98.12})
	assert.False(t, mass.Possible, "200 um on 5.5 dm2 are 98.12 g")
	assert.Contains(t, mass.Why, "at most about 38.8 g can come")
	assert.InEpsilon(t, p.Offers[0].Run.Hours.Value, mass.Offers[0].Run.Hours.Value, 1e-4)
}

// All three given and to be had: the time that it takes, not the time offered.
func TestPossibleThree(t *testing.T) {
	p := plan(t, copper(t), 5.5, plating.Asked{Density: 1.5, Hours: 12, Thickness: 200})
	assert.True(t, p.Possible)
	assert.Contains(t, p.Why, "200 um are there after 10.1 h")
	assert.Empty(t, p.Offers)
	p = plan(t, copper(t), 5.5, plating.Asked{Density: 1.5, Hours: 4, Thickness: 79})
	assert.True(t, p.Possible)
	assert.Empty(t, p.Why)
	p = plan(t, copper(t), 5.5, plating.Asked{Density: 1.5, Hours: 4, Thickness: 82})
	assert.True(t, p.Possible, "an unchecked ammeter may be 4 % off")
	assert.Contains(t, p.Why, "within the uncertainty")
}

// An offer is itself possible, and what is impossible is not had by what is offered
// as impossible; whatever was asked.
func TestOffersDo(t *testing.T) {
	e := copper(t)
	rapid.Check(t, func(t *rapid.T) {
		a := plating.Asked{Density: rapid.Float64Range(0.5, 4).Draw(t, "density"), Hours: rapid.Float64Range(0.1, 60).Draw(t, "hours"), Thickness: rapid.Float64Range(1, 3000).Draw(t, "um")}
		if rapid.Bool().Draw(t, "no density") {
			a.Density = 0
		}
		o := plating.Options{Parts: part(rapid.Float64Range(0.1, 8).Draw(t, "area")), Asked: a, Supply: rapid.SampledFrom([]float64{0, 5, 30}).Draw(t, "supply")}
		p, err := plating.Make(e, o)
		if err != nil {
			_, words := plating.Hint(err)
			require.True(t, words, "%v", err)
			return
		}
		require.Equal(t, p.Possible, len(p.Offers) == 0, "%v", p.Why)
		if p.Possible {
			require.LessOrEqual(t, p.Run.Density.Value, 4*(1+1e-6))
			if o.Supply > 0 {
				require.LessOrEqual(t, p.Run.Current.Value, o.Supply*(1+1e-6))
			}
			return
		}
		require.NotEmpty(t, p.Why)
		better := p.Offers[0].Run
		require.Equal(t, "time", p.Offers[0].By)
		require.InEpsilon(t, a.Thickness, better.Thickness.Value, 1e-9)
		require.LessOrEqual(t, better.Density.Value, 4*(1+1e-6))
		again, err := plating.Make(e, plating.Options{Parts: o.Parts, Supply: o.Supply, Asked: plating.Asked{Current: better.Current.Value, Hours: better.Hours.Value, Ramp: better.Ramp}})
		require.NoError(t, err)
		require.InEpsilon(t, a.Thickness, again.Run.Thickness.Value, 1e-6)
		require.True(t, again.Possible, again.Why)
	})
}

// Parts in one load add up, and their uncertainties in squares.
func TestParts(t *testing.T) {
	p, err := plating.Make(copper(t), plating.Options{Parts: []plating.Part{{"bracket", 3.2, 0.3}, {"lid", 1.1, 0.4}}, Asked: plating.Asked{Density: 2, Hours: 3}})
	require.NoError(t, err)
	assert.InEpsilon(t, 4.3, p.Run.Area.Value, 1e-12)
	assert.InEpsilon(t, 0.5, p.Run.Area.U, 1e-12)
	assert.InEpsilon(t, 8.6, p.Run.Current.Value, 1e-12)
	assert.Equal(t, "bracket, lid", p.Fact().Part)
}

// What the bath, the anodes and the supply say, each with its number.
func TestLimits(t *testing.T) {
	slab := func(kg, area float64) chem.Body {
		return chem.Hang{Anode: "slab-a", Mass: chem.MeasuredOf(kg, "kg", 0.001), Form: "slab", Area: chem.MeasuredOf(area, "dm2", 0)}
	}
	t.Run("Burns", func(t *testing.T) {
		p := plan(t, copper(t), 1, plating.Asked{Density: 5, Hours: 1})
		assert.False(t, p.Possible)
		assert.Equal(t, "5 A/dm2 burns the deposit, since the recipe's limit is 4 A/dm2", p.Why)
		assert.Empty(t, p.Offers, "nothing was wanted that another run would bring")
		// 4 A/dm2 for half an hour: 2 Ah/dm2 times 13.18 um.
		p = plan(t, copper(t), 1, plating.Asked{Hours: 0.5, Thickness: 100})
		assert.Contains(t, p.Why, "in 30 min at most about 26 um can come")
		require.Len(t, p.Offers, 1)
		assert.InEpsilon(t, 3.6, p.Offers[0].Run.Density.Value, 1e-9)
	})
	t.Run("MayBurn", func(t *testing.T) {
		p := plan(t, copper(t), 1, plating.Asked{Density: 3.8, Hours: 1})
		assert.True(t, p.Possible)
		assert.True(t, said(p.Warnings, "3.8 A/dm2 may burn"), p.Warnings)
		assert.False(t, said(plan(t, copper(t), 1, plating.Asked{Density: 3, Hours: 1}).Warnings, "burn"))
	})
	t.Run("TooLittle", func(t *testing.T) {
		assert.True(t, said(plan(t, copper(t), 1, plating.Asked{Density: 0.3, Hours: 1}).Warnings, "below the lowest of the recipe, 0.5 A/dm2"))
	})
	t.Run("Supply", func(t *testing.T) {
		p, err := plating.Make(copper(t), plating.Options{Parts: part(10), Asked: plating.Asked{Density: 2, Thickness: 100}, Supply: 15})
		require.NoError(t, err)
		assert.False(t, p.Possible)
		assert.Contains(t, p.Why, "takes 20 A, and the supply gives 15 A at most")
		require.Len(t, p.Offers, 1)
		assert.InEpsilon(t, 15, p.Offers[0].Run.Current.Value, 1e-9)
		e := bath(t, "copper-electroforming", func(s string) string { return strings.Replace(s, "[limits]", "[limits]\nsupply = 15", 1) }, 60, nil)
		p, err = plating.Make(e, plating.Options{Parts: part(10), Asked: plating.Asked{Density: 2, Thickness: 100}})
		require.NoError(t, err)
		assert.Contains(t, p.Why, "the supply gives 15 A", "the recipe's")
		p, err = plating.Make(e, plating.Options{Parts: part(10), Asked: plating.Asked{Density: 2, Thickness: 100}, Supply: 40})
		require.NoError(t, err)
		assert.True(t, p.Possible, "another supply than the recipe's")
	})
	t.Run("AnodeDensity", func(t *testing.T) {
		// The usual 12 dm2 take 30 A at 2.5 A/dm2.
		p := plan(t, copper(t), 16, plating.Asked{Density: 2, Hours: 1})
		assert.True(t, p.AnodeUsual)
		assert.InEpsilon(t, 32.0/12, p.AnodeASD, 1e-9)
		assert.True(t, said(p.Warnings, "the anodes would run at 2.67 A/dm2, and the recipe's limit is 2.5 A/dm2"), p.Warnings)
		assert.True(t, said(p.Warnings, "30 A, or 12.8 dm2 of anode, would fit"), p.Warnings)
		p = plan(t, copper(t, slab(2, 6)), 8, plating.Asked{Density: 2, Hours: 1})
		assert.False(t, p.AnodeUsual)
		assert.InDelta(t, 6, p.AnodeArea, 0.05, "the one that hangs, hardly dissolved yet")
		assert.True(t, said(p.Warnings, "the anodes would run at 2.6"), p.Warnings)
		assert.False(t, said(plan(t, copper(t, slab(2, 6)), 8, plating.Asked{Density: 1.5, Hours: 1}).Warnings, "anodes would run"))
	})
	t.Run("AnodeRatio", func(t *testing.T) {
		e := bath(t, "copper-electroforming", func(s string) string { return strings.Replace(s, "[limits]", "[limits]\nanode_ratio = 1.5", 1) }, 60, nil)
		assert.True(t, said(plan(t, e, 10, plating.Asked{Density: 1, Hours: 1}).Warnings, "12 dm2 of anode are 1.2 times the parts' area, and the recipe asks for 1.5 times"))
		assert.False(t, said(plan(t, e, 8, plating.Asked{Density: 1, Hours: 1}).Warnings, "times the parts' area"))
	})
	t.Run("AnodeRunsOut", func(t *testing.T) {
		// 0.1 kg at some 1.186·8 = 9.5 g an hour lasts about 10.5 h.
		p := plan(t, copper(t, slab(0.1, 6)), 4, plating.Asked{Density: 2, Hours: 20})
		require.Len(t, p.Anodes, 1)
		assert.InDelta(t, 10.5, p.Anodes[0].RunsOut, 0.6)
		assert.True(t, said(p.Warnings, "anode slab-a may run out after about"), p.Warnings)
		assert.True(t, math.IsNaN(plan(t, copper(t, slab(1, 6)), 4, plating.Asked{Density: 2, Hours: 20}).Anodes[0].RunsOut))
	})
	t.Run("NoAnodeHangs", func(t *testing.T) {
		e := copper(t, slab(1, 6), chem.Pull{Anode: chem.AllAnodes})
		assert.True(t, said(plan(t, e, 4, plating.Asked{Density: 2, Hours: 2}).Warnings, "no anode hangs"))
		assert.False(t, said(plan(t, copper(t), 4, plating.Asked{Density: 2, Hours: 2}).Warnings, "no anode hangs"), "a shop that logs none")
	})
	t.Run("MoreMetalThanThereIs", func(t *testing.T) {
		// 0.5 kg of slab and 60 L of 50 g/L are 3.5 kg.
		p := plan(t, copper(t, slab(0.5, 6)), 10, plating.Asked{Density: 2, Mass: 4000})
		assert.False(t, p.Possible)
		assert.Contains(t, p.Why, "takes 4000 g of copper, and there are about 35")
	})
	t.Run("Windows", func(t *testing.T) {
		// 0.2 mL/Ah of 4 mL/L in 60 L: 60 mL to the edge are 300 Ah, 15 h at 20 A.
		p := plan(t, copper(t), 10, plating.Asked{Density: 2, Hours: 24})
		assert.True(t, said(p.Warnings, "brightener leaves its window of 3 to 5 mL/L after about 14"), p.Warnings)
		require.Len(t, p.Organics, 1)
		assert.InEpsilon(t, 0.2*480, p.Organics[0].Value, 1e-9)
		assert.False(t, said(plan(t, copper(t), 10, plating.Asked{Density: 2, Hours: 5}).Warnings, "window"))
		low := bath(t, "copper-electroforming", nil, 60, map[string]chem.Measured{"copper": chem.MeasuredOf(44, "g/L", 0.3)})
		assert.True(t, said(plan(t, low, 10, plating.Asked{Density: 2, Hours: 5}).Warnings, "copper is outside its window of 46 to 54 g/L already"))
	})
	t.Run("Level", func(t *testing.T) {
		p := plan(t, copper(t), 1, plating.Asked{Density: 1, Hours: 96})
		// 0.31 L a day: the recipe's evaporation at rest.
		assert.InEpsilon(t, 4*0.31, p.Evaporates.Value, 1e-6)
		assert.True(t, said(p.Warnings, "about 1.2 L of water evaporate in the run: top up on the way"), p.Warnings)
		p = plan(t, copper(t), 1, plating.Asked{Density: 1, Hours: 2})
		assert.False(t, said(p.Notes, "top up") || said(p.Warnings, "top up"))
		assert.Zero(t, p.TopUp)
		p = plan(t, copper(t, chem.Level{Volume: chem.MeasuredOf(58, "L", 0.1)}, chem.Level{Volume: chem.MeasuredOf(58, "L", 0.1)}), 1, plating.Asked{Density: 1, Hours: 2})
		assert.True(t, said(p.Notes, "and the mark 60 L: top up with water before the run"), p.Notes)
	})
}

// A hot bath that is topped up stays where it was: 1 L/h in 40 h are two thirds of the
// bath, and neither level nor copper may say so; without topping up they do.
func TestToppedUpOnTheWay(t *testing.T) {
	hot := func(s string) string {
		return strings.Replace(s, "evaporation_run    = [0, 0]", "evaporation_run    = [1, 0.2]", 1)
	}
	e := bath(t, "copper-electroforming", hot, 60, map[string]chem.Measured{"copper": chem.MeasuredOf(50, "g/L", 0.1)})
	p := plan(t, e, 1, plating.Asked{Density: 1, Hours: 40})
	assert.InDelta(t, 40.5, p.TopUp, 0.2)
	assert.InDelta(t, p.Before.Volume, p.After.Volume, 0.6)
	assert.Less(t, p.After.UVolume, 1.0, "it is topped up to where it was, not by what was reckoned")
	assert.InDelta(t, 50, p.Through[0].End.Value, 1)
	assert.True(t, said(p.Warnings, "about 41 L of water evaporate in the run: top up on the way") || said(p.Warnings, "about 40 L of water"), p.Warnings)
	dry, err := p.Before.AfterRun(p.Fact(), 0)
	require.NoError(t, err)
	assert.Less(t, dry.Volume, 30.0)
	for _, f := range p.After.Flags {
		assert.NotEqual(t, "held", f.Kind, f.Why)
	}
}

// The bath at the end is what the log says once the run is entered.
func TestEndIsTheLogs(t *testing.T) {
	hang := chem.Hang{Anode: "slab-a", Mass: chem.MeasuredOf(2, "kg", 0.001), Form: "slab"}
	p := plan(t, copper(t, hang), 5.5, plating.Asked{Density: 1.5, Hours: 6, Ramp: 0.5})
	fact := p.Fact()
	assert.Equal(t, chem.Plate{Charge: chem.MeasuredOf(48.47, "Ah", 0), Hours: "6", Area: chem.MeasuredOf(5.5, "dm2", 0), Current: chem.MeasuredOf(8.25, "A", 0),
		Ramp: chem.MeasuredOf(30, "min", 0), RampFrom: chem.MeasuredOf(4.125, "A", 0)}, fact)
	facts := append([]chem.Fact{}, p.Before.Bath.Facts...)
	facts = append(facts, chem.Fact{ID: uuid.Must(uuid.NewV7()), Time: now.Add(6 * time.Hour), Bath: "tank-1", Body: fact})
	b, err := estimate.Open(facts)
	require.NoError(t, err)
	e, err := b.At(now.Add(6*time.Hour), estimate.Options{})
	require.NoError(t, err)
	for i, c := range e.Constituents {
		assert.InEpsilon(t, c.Value, p.Through[i].End.Value, 1e-12, c.Name)
		assert.InEpsilon(t, c.U, p.Through[i].End.U, 1e-12, c.Name)
	}
	require.Len(t, p.Anodes, 1)
	assert.InEpsilon(t, e.Anodes[0].Mass, p.Anodes[0].End, 1e-12)
	assert.Less(t, p.Anodes[0].End, p.Anodes[0].Start)
}

// What happened after the moment of asking plays no part in a run begun then.
func TestLaterFactsPlayNoPart(t *testing.T) {
	e := copper(t)
	asked := plating.Asked{Density: 2, Hours: 5}
	want := plan(t, e, 5, asked)
	later := chem.Fact{ID: uuid.Must(uuid.NewV7()), Time: now.Add(time.Hour), Bath: "tank-1", Body: chem.Bail{Volume: chem.MeasuredOf(20, "L", 0)}}
	b, err := estimate.Open(append(append([]chem.Fact{}, e.Bath.Facts...), later))
	require.NoError(t, err)
	then, err := b.At(now, estimate.Options{})
	require.NoError(t, err)
	assert.Equal(t, want.After.Volume, plan(t, then, 5, asked).After.Volume)
}

// Efficiency and ammeter count together, as weighed parts have taught them.
func TestLearnedYield(t *testing.T) {
	asked := plating.Asked{Current: 8, Thickness: 100}
	before := plan(t, copper(t), 5, asked)
	assert.InEpsilon(t, 0.992, before.Yield.Efficiency, 1e-6, "the recipe's")
	// A supply that shows 5 % too little, found by six weighed parts.
	var weighed []chem.Body
	for range 6 {
		weighed = append(weighed, chem.Plate{Charge: chem.MeasuredOf(40, "Ah", 0), Hours: "5", Gain: chem.MeasuredOf(40*1.18551*0.992*1.05, "g", 0.05)})
	}
	after := plan(t, copper(t, weighed...), 5, asked)
	assert.InDelta(t, before.Run.Hours.Value/1.05, after.Run.Hours.Value, 0.03)
	assert.Less(t, after.Run.Hours.U, before.Run.Hours.U/2)
	assert.Less(t, after.Yield.U/after.Yield.PerAh, math.Hypot(after.Yield.UEff/after.Yield.Efficiency, after.Yield.UAmmeter/after.Yield.Ammeter), "weighings know the product better than the two")
	assert.InDelta(t, 1.05*0.992, after.Yield.Efficiency*after.Yield.Ammeter, 0.01)
}

// Gold comes from the bath alone, by charge, at the deposit's own density: 1 h at 0.5
// A/dm2 with the recipe's 35 % are 7.3492·0.5·0.35 g on a dm2, 7.8 um at 16.5 g/cm3
// and not the 6.7 um of pure gold.
func TestGold(t *testing.T) {
	e := bath(t, "gold-acid", nil, 5, map[string]chem.Measured{"gold": chem.MeasuredOf(6, "g/L", 0.1)})
	p := plan(t, e, 0.5, plating.Asked{Density: 0.5, Hours: 1})
	assert.InDelta(t, 100*7.3492*0.5*p.Yield.Efficiency/16.5, p.Run.Thickness.Value, 0.01)
	assert.True(t, said(p.Warnings, "cyanide"), p.Warnings)
	assert.Equal(t, 16.5, p.Metal.Density)
	p = plan(t, e, 0.5, plating.Asked{Density: 0.5, Mass: 40})
	assert.False(t, p.Possible)
	assert.Contains(t, p.Why, "40 g of gold, and there are about 3")
}

// A metal whose density nobody knows is planned by mass alone.
func TestNoDensity(t *testing.T) {
	e := bath(t, "copper-electroforming", func(s string) string {
		s = strings.ReplaceAll(s, "copper", "lead")
		return strings.Replace(s, "deposit_density = 8.92", "# ", 1)
	}, 60, map[string]chem.Measured{"lead": chem.MeasuredOf(50, "g/L", 0.3)})
	_, err := plating.Make(e, plating.Options{Parts: part(1), Asked: plating.Asked{Density: 1, Thickness: 20}})
	require.ErrorContains(t, err, "no density of a deposit of lead is known")
	p := plan(t, e, 1, plating.Asked{Density: 1, Mass: 20})
	assert.True(t, math.IsNaN(p.Run.Thickness.Value))
}

// Slips of the pen: no plan, one sentence.
func TestSlips(t *testing.T) {
	for says, a := range map[string]plating.Asked{
		"900 A/dm2 is 225 times":                        {Density: 900, Hours: 1},
		"a run of 5057 h at 0.003 A/dm2":                {Density: 0.003, Thickness: 200},
		"a run of 3000 h":                               {Density: 1, Hours: 3000},
		"the ramp of 3 h is longer than the run of 2 h": {Density: 1, Hours: 2, Ramp: 3},
		"8 A on 5.5 dm2 is 1.45 A/dm2":                  {Current: 8, Density: 1, Hours: 2},
	} {
		_, err := plating.Make(copper(t), plating.Options{Parts: part(5.5), Asked: a})
		require.ErrorContains(t, err, says)
		_, words := plating.Hint(err)
		assert.True(t, words)
	}
	_, err := plating.Make(copper(t), plating.Options{Asked: plating.Asked{Density: 1, Hours: 1}})
	require.ErrorContains(t, err, "an area of 0 dm2")
}

// A plan takes no reading: a level that nobody has read stays as unsure as it is,
// water put in on the way or not, and the plan asks for it.
func TestAPlanReadsNoLevel(t *testing.T) {
	e := bath(t, "copper-electroforming", nil, 60, map[string]chem.Measured{"copper": chem.MeasuredOf(50, "g/L", 0.1)})
	e, err := e.Bath.At(e.At.AddDate(0, 0, 40), estimate.Options{})
	require.NoError(t, err)
	for _, hours := range []float64{2, 96} {
		p := plan(t, e, 1, plating.Asked{Density: 1, Hours: hours})
		assert.InEpsilon(t, e.UVolume, p.After.UVolume, 0.05, "%g h", hours)
		assert.Contains(t, strings.Join(p.Notes, "; "), "read the level before the run")
	}
}

// One anode of 0.3 kg holds 253 Ah (1.1855 g/Ah of copper, Faraday's law with the
// atomic weight of IUPAC 2021): no run goes on after it.
func TestNoCurrentWithoutAnodes(t *testing.T) {
	p := plan(t, copper(t, chem.Hang{Anode: "slab", Mass: chem.MeasuredOf(0.3, "kg", 0.001), Form: "slab"}), 20, plating.Asked{Density: 2, Hours: 10})
	assert.False(t, p.Possible)
	assert.Regexp(t, `all anodes are used up after about [56]\.\d h`, p.Why)
}
