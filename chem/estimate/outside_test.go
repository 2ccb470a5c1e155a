package estimate

import (
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"steadybath/chem"
)

// Every gram of copper is in the anodes, in the bath, on parts, in the bags or out:
// what the anodes lost less the sludge, and what was added, is what the bath gained,
// what was plated and what was bailed and sampled. Plated is 63.546/2 g per 26.8015
// Ah (IUPAC 2021, CODATA 2018) at 0.97 of 1.01 of the ampere-hours shown; 254.5 g
// are in a kg of the pentahydrate.
func TestMetalGoesNowhere(t *testing.T) {
	recipe := with(plainRecipe, "anode_efficiency = [0.995, 0]", "cathode_efficiency = [0.97, 0]", "dissolution = [0.03, 0]", "evaporation = [0.3, 0]", "meter = [1.01, 0]", "sludge = [0.005, 0]")
	rapid.Check(t, func(t *rapid.T) {
		l := newLog(recipe, 0)
		for _, id := range []string{"a", "b"} {
			l.do(chem.Hang{Anode: id, Mass: chem.MeasuredOf(20, "kg", 0.001), Area: chem.MeasuredOf(6, "dm2", 0)})
		}
		copper := func() float64 {
			b, err := Open(l.facts)
			require.NoError(t, err)
			e, err := b.At(l.now, Options{})
			require.NoError(t, err)
			mean, _ := e.Joint()
			return mean[0]
		}
		plated, added, out := 0.0, 0.0, 0.0
		for range rapid.IntRange(5, 25).Draw(t, "facts") {
			l.after(rapid.Float64Range(0.1, 5).Draw(t, "days"))
			switch rapid.IntRange(0, 3).Draw(t, "what") {
			case 0:
				l.do(chem.Add{Material: "copper sulfate pentahydrate", Amount: chem.MeasuredOf(1, "kg", 0)})
				added += 254.5
			case 1:
				before := copper()
				l.do(chem.Bail{Volume: chem.MeasuredOf(1, "L", 0)})
				out += before - copper()
			case 2:
				before := copper()
				l.do(chem.Assay{Of: "chloride", Value: chem.MeasuredOf(60, "mg/L", 1e6)}) // a sample, and no more
				out += before - copper()
			default:
				q := float64(rapid.IntRange(1, 100).Draw(t, "Ah"))
				l.plate(q)
				plated += 0.97 * 1.01 * q * gramsCu / 2 * perAh
			}
		}
		b, err := Open(l.facts)
		require.NoError(t, err)
		e, err := b.At(l.now, Options{})
		require.NoError(t, err)
		lost := 0.0
		for _, a := range e.Anodes {
			lost += (20 - a.Mass) * 1000
		}
		assert.InEpsilon(t, 0.995*lost+added+3000, copper()+plated+out, 1e-6, "g")
	})
}

// Nickel creeps up by what its cathode spends on hydrogen: (1.000 - 0.955)·1.0950
// g/Ah with the electrochemical equivalent of the trade's tables, 1.095 g/Ah (Metal
// Finishing Guide Book 2013, from memory); finishingandcoating.com 779 prints 93 to
// 95 % cathode efficiency. Each mol of it takes two of acid; pH is not in the state.
func TestNickelCreepsUp(t *testing.T) {
	text := strings.NewReplacer(`metal = "copper"`, `metal = "nickel"`, `name = "copper"`, `name = "nickel"`, `name = "sulfuric acid"`, `name = "boric acid"`,
		`{ copper = 254.5 }`, `{ nickel = 223.3 }`, `{ "sulfuric acid" = 1762 }`, `{ "boric acid" = 1000 }`).Replace(with(plainRecipe, "cathode_efficiency = [0.955, 0]"))
	l := &log{now: monday}
	l.do(chem.Begin{Volume: chem.MeasuredOf(60, "L", 0), Zone: "UTC", Recipe: text})
	l.do(chem.Fill{Volume: stated(60, "L", 0), Composition: map[string]chem.Measured{"nickel": stated(50, "g/L", 0), "boric acid": stated(60, "g/L", 0)}})
	l.plate(200)
	e := l.ask(t)
	mean, _ := e.Joint()
	assert.InEpsilon(t, 0.045*1.095*200, mean[0]-3000, 5e-4, "g of nickel")
	assert.InEpsilon(t, 3600, mean[1], 1e-12, "boric acid takes no part")
}

// A hydrometer without error of its own is believed to the last digit, but for what
// its model may be off by; one that says nothing leaves everything as it was.
func TestHydrometerBetweenNothingAndEverything(t *testing.T) {
	read := func(v, u float64) (*log, *Estimate) {
		l := newLog(plainRecipe, 0.01)
		l.warm(20)
		l.facts[len(l.facts)-1].Body = chem.Assay{Of: "temperature", Value: stated(20, "degC", 0)}
		l.after(0.01).do(chem.Assay{Of: "density", Value: chem.MeasuredOf(v, "g/cm3", u)})
		return l, l.ask(t)
	}
	_, none := read(1.155, 1e6)
	before := newLog(plainRecipe, 0.01)
	before.after(0.01)
	b := before.ask(t)
	for i, c := range none.Constituents {
		assert.InEpsilon(t, b.Constituents[i].Value, c.Value, 1e-9)
		assert.InEpsilon(t, b.Constituents[i].U, c.U, 1e-9)
	}
	l, all := read(none.Readings[0].Expected+0.003, 1e-7)
	require.Equal(t, Used, all.Readings[0].Fate)
	l.after(1e-3).do(chem.Assay{Of: "density", Value: chem.MeasuredOf(1.155, "g/cm3", 1e6)})
	again := l.ask(t).Readings
	assert.InDelta(t, all.Readings[0].Value, again[len(again)-1].Expected, 2e-5, "the density is not straight")
}

// Independent facts of one instant in any order: a level, a density, titrations and
// panels. What titrations find decides whether a panel counts, whatever the order.
func TestOrderOfPanelsAndHydrometers(t *testing.T) {
	back := chem.Sample{Returned: true}
	bodies := []chem.Body{
		chem.Level{Volume: chem.MeasuredOf(59.6, "L", 0.3)},
		chem.Assay{Of: "density", Value: chem.MeasuredOf(1.156, "g/cm3", 0.002)},
		chem.Assay{Of: "temperature", Value: chem.MeasuredOf(25, "degC", 0.5)},
		chem.Assay{Of: "copper", Value: chem.MeasuredOf(50.3, "g/L", 0.4), Sample: back},
		chem.Assay{Of: "sulfuric acid", Value: chem.MeasuredOf(59.2, "g/L", 0.6), Sample: back},
		chem.Panel{Of: "brightener", Pattern: chem.PatternLow, Trial: chem.MeasuredOf(0.3, "mL", 0), Sample: back},
		chem.Panel{Of: "brightener", Pattern: chem.PatternLow, Sample: back},
	}
	for _, copper := range []float64{50.3, 45.2} {
		rho, err := chem.SolutionDensity(25, map[string]float64{"CuSO4": copper * 159.609 / gramsCu, "H2SO4": 59.2})
		require.NoError(t, err)
		bodies[1] = chem.Assay{Of: "density", Value: chem.MeasuredOf(float64(rho), "g/cm3", 0.002)}
		bodies[3] = chem.Assay{Of: "copper", Value: chem.MeasuredOf(copper, "g/L", 0.4), Sample: back}
		rapid.Check(t, func(t *rapid.T) {
			ask := func(order []chem.Body) *Estimate {
				l := newLog(movingRecipe, 0.03)
				l.after(3)
				for i, b := range order {
					id := l.do(b)
					id[0] = byte(i)
					l.facts[len(l.facts)-1].ID = id
				}
				b, err := Open(l.facts)
				require.NoError(t, err)
				e, err := b.At(l.now, Options{})
				require.NoError(t, err)
				return e
			}
			want, got := ask(bodies), ask(rapid.Permutation(bodies).Draw(t, "order"))
			assert.InEpsilon(t, want.Volume, got.Volume, 1e-3)
			for i, c := range want.Constituents {
				assert.InDelta(t, c.Value, got.Constituents[i].Value, 0.15*c.U, c.Name)
				assert.InEpsilon(t, c.U, got.Constituents[i].U, 0.05, c.Name)
			}
			assert.Equal(t, copper < 46, why(want, "panel") != "")
			assert.Equal(t, why(want, "panel") != "", why(got, "panel") != "")
		})
	}
	b, err := Open([]chem.Fact{
		{ID: uuid.NewSHA1(uuid.Nil, []byte("bath")), Time: monday.Add(-time.Hour), Body: chem.Begin{Volume: chem.MeasuredOf(60, "L", 0), Recipe: plainRecipe}},
		{ID: uuid.UUID{1}, Time: monday, Body: bodies[5]}, {ID: uuid.UUID{2}, Time: monday, Body: bodies[1]}, {ID: uuid.UUID{3}, Time: monday, Body: bodies[0]},
		{ID: uuid.UUID{4}, Time: monday, Body: bodies[3]}, {ID: uuid.UUID{5}, Time: monday, Body: bodies[6]}})
	require.NoError(t, err)
	var order []byte
	for _, f := range b.Facts[1:] {
		order = append(order, f.ID[0])
	}
	assert.Equal(t, []byte{3, 4, 2, 1, 5}, order)
}
