package plating_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"steadybath/chem"
	"steadybath/chem/plating"
)

// perfect is a metal of which all of the current plates.
func perfect(t testing.TB, symbol string, z int, density float64) plating.Metal {
	t.Helper()
	m, _, err := chem.MolarMass(symbol)
	require.NoError(t, err)
	return plating.Metal{Name: symbol, PerAh: chem.ElectrochemicalEquivalent(m, z), Density: density}
}

// dm2 of a square foot, um of a mil: exact by definition, (3.048 dm)^2 and 25.4.
const squareFoot, mil = 9.290304, 25.4

// A run against the tables that a plating shop has on its wall, all at 100 %:
// ampere-hours per square foot and mil and ounces per square foot and mil from
// Eciato, Electrochemical Equivalents; um per minute at 1 A/dm2 from Misumi, Surface
// Finishing Tutorial 166, table 1, with the densities of that table. Both were read
// in excerpt. Eciato's 14.3 for zinc contradicts its own g/Ah and density and is
// left out.
func TestAgainstHandbookFactors(t *testing.T) {
	for _, c := range []struct {
		symbol              string
		z                   int
		specificGravity     float64 // Eciato
		ahPerFt2Mil, ounces float64 // Eciato; 0 where its weight is in troy ounces or not seen
		density             float64 // Misumi
		umPerMinute         float64 // Misumi
	}{
		{"Cu", 2, 8.96, 17.8, 0.74, 8.92, 0.222},
		{"Cu", 1, 8.96, 8.89, 0.74, 8.92, 0.443},
		{"Ni", 2, 8.90, 19.0, 0.74, 8.9, 0.205},
		{"Au", 1, 19.3, 6.2, 0, 19.3, 0.635},
		{"Au", 3, 19.3, 18.6, 0, 19.3, 0.212},
		{"Ag", 1, 10.5, 6.2, 0, 10.5, 0.639},
		{"Sn", 2, 7.3, 7.8, 0.61, 7.3, 0.506},
		{"Sn", 4, 7.3, 15.6, 0.61, 7.3, 0.253},
		{"Cr", 6, 7.2, 51.8, 0, 7.1, 0.076},
	} {
		// How long a square foot takes for a mil at 10 A: its charge.
		r, err := plating.Solve(plating.Asked{Area: squareFoot, Current: 10, Thickness: mil}, perfect(t, c.symbol, c.z, c.specificGravity))
		require.NoError(t, err)
		// Up to 1.5 %: the table rounds and uses older weights and densities.
		assert.InEpsilon(t, c.ahPerFt2Mil, 10*r.Hours.Value, 0.015, "%s, %d electrons", c.symbol, c.z)
		assert.InEpsilon(t, c.ahPerFt2Mil, r.Charge.Value, 0.015, "%s, %d electrons", c.symbol, c.z)
		if c.ounces > 0 {
			ounces, err := chem.Unit("g").Convert(r.Mass.Value, "oz")
			require.NoError(t, err)
			assert.InDelta(t, c.ounces, ounces, 0.01, "%s, %d electrons", c.symbol, c.z)
		}
		// What an hour at 1 A/dm2 brings, on any area.
		r, err = plating.Solve(plating.Asked{Area: 3.7, Density: 1, Hours: 1}, perfect(t, c.symbol, c.z, c.density))
		require.NoError(t, err)
		assert.InDelta(t, c.umPerMinute, r.Thickness.Value/60, 0.0015, "%s, %d electrons", c.symbol, c.z)
	}
}

// Nickel at 95 %: F. Rudy, Clarifying Facts About Nickel Plating, Finishing and
// Coating 779, read in excerpt: 2 um are 0.18 g/dm2 and 0.17 Ah/dm2, 4 um are 0.36
// and 0.34.
func TestNickelAgainstRudy(t *testing.T) {
	m := perfect(t, "Ni", 2, 8.90)
	m.PerAh *= 0.95
	for um, want := range map[float64][2]float64{2: {0.18, 0.17}, 4: {0.36, 0.34}} {
		r, err := plating.Solve(plating.Asked{Area: 1, Hours: 1, Thickness: um}, m)
		require.NoError(t, err)
		assert.InDelta(t, want[0], r.Mass.Value, 0.005)
		assert.InDelta(t, want[1], r.Charge.Value, 0.005)
	}
}

// An ampere in a 1 h ramp from 0 counts half, from half the current three quarters:
// the trapezoid, by hand.
func TestRampByHand(t *testing.T) {
	m := perfect(t, "Cu", 2, 8.92)
	for _, c := range []struct {
		from plating.Start
		want float64
	}{
		{plating.Start{Given: true}, 10*3 + 5},
		{plating.HalfCurrent(), 10*3 + 7.5},
		{plating.Start{Given: true, Amperes: 2}, 10*3 + 6},
		{plating.Start{Share: 0.2}, 10*3 + 6},
	} {
		r, err := plating.Solve(plating.Asked{Area: 4, Current: 10, Hours: 4, Ramp: 1, From: c.from}, m)
		require.NoError(t, err)
		assert.InEpsilon(t, c.want, r.Charge.Value, 1e-12)
	}
}

func drawMetal(t *rapid.T) plating.Metal {
	per := rapid.Float64Range(0.1, 8).Draw(t, "g/Ah")
	rho := rapid.Float64Range(5, 20).Draw(t, "g/cm3")
	return plating.Metal{Name: "metal", PerAh: per, UPerAh: per * rapid.Float64Range(0, 0.1).Draw(t, "u"), Density: rho, UDensity: rho * rapid.Float64Range(0, 0.03).Draw(t, "u rho")}
}

// What one pair of figures leads to leads back to them: time from thickness, then
// thickness from that time, and so on through every pair.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drawMetal(t)
		hours := rapid.Float64Range(0.1, 100).Draw(t, "hours")
		first := plating.Asked{Area: rapid.Float64Range(0.05, 50).Draw(t, "area"), Density: rapid.Float64Range(0.05, 20).Draw(t, "density"), Hours: hours,
			Ramp: hours * rapid.Float64Range(0, 1).Draw(t, "ramp"), From: plating.Start{Share: rapid.Float64Range(0.01, 1).Draw(t, "from")}}
		if rapid.Bool().Draw(t, "from in amperes") && first.Ramp > 0 {
			first.From = plating.Start{Given: true, Amperes: first.Density * first.Area * rapid.Float64Range(0, 1).Draw(t, "of it")}
		}
		want, err := plating.Solve(first, m)
		require.NoError(t, err)
		same := func(what string, a plating.Asked) {
			got, err := plating.Solve(a, m)
			require.NoError(t, err, what)
			for name, pair := range map[string][2]float64{"current": {want.Current.Value, got.Current.Value}, "hours": {want.Hours.Value, got.Hours.Value},
				"charge": {want.Charge.Value, got.Charge.Value}, "mass": {want.Mass.Value, got.Mass.Value}, "thickness": {want.Thickness.Value, got.Thickness.Value}} {
				require.InEpsilon(t, pair[0], pair[1], 1e-9, "%s: %s", what, name)
			}
		}
		a := first
		a.Hours, a.Thickness = 0, want.Thickness.Value
		same("time from thickness", a)
		a = first
		a.Hours, a.Mass = 0, want.Mass.Value
		same("time from mass", a)
		a = first
		a.Density, a.Current, a.Hours, a.Mass = 0, want.Current.Value, 0, want.Mass.Value
		same("time from mass and current", a)
		a = first
		a.Density, a.Thickness = 0, want.Thickness.Value
		same("current from thickness", a)
		a = first
		a.Density, a.Mass = 0, want.Mass.Value
		same("current from mass", a)
	})
}

// More area, less thickness; more of anything else, more of it; and the deposit
// weighs what it measures.
func TestThicknessFollows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drawMetal(t)
		a := plating.Asked{Area: rapid.Float64Range(0.05, 50).Draw(t, "area"), Current: rapid.Float64Range(0.05, 100).Draw(t, "current"), Hours: rapid.Float64Range(0.1, 100).Draw(t, "hours")}
		r, err := plating.Solve(a, m)
		require.NoError(t, err)
		um, err := chem.ThicknessOf(chem.Mass(r.Mass.Value), chem.Area(a.Area), chem.Density(m.Density))
		require.NoError(t, err)
		require.InEpsilon(t, um, r.Thickness.Value, 1e-12)
		ramped := a
		ramped.Ramp, ramped.From = a.Hours/2, plating.HalfCurrent()
		slower, err := plating.Solve(ramped, m)
		require.NoError(t, err)
		require.Less(t, slower.Thickness.Value, r.Thickness.Value)
		wider := a
		wider.Area *= 2
		thinner, err := plating.Solve(wider, m)
		require.NoError(t, err)
		require.InEpsilon(t, r.Thickness.Value/2, thinner.Thickness.Value, 1e-12)
		require.InEpsilon(t, r.Mass.Value, thinner.Mass.Value, 1e-12)
	})
}

// The uncertainty of each figure, by first order: GUM (JCGM 100:2008) 5.1.2.
func TestUncertainties(t *testing.T) {
	m := plating.Metal{Name: "copper", PerAh: 1.18, UPerAh: 0.02 * 1.18, Density: 8.92, UDensity: 0.01 * 8.92}
	r, err := plating.Solve(plating.Asked{Area: 5, UArea: 0.15, Current: 8, Hours: 4}, m)
	require.NoError(t, err)
	assert.Zero(t, r.Charge.U, "current and time were set")
	assert.InEpsilon(t, 0.02, r.Mass.U/r.Mass.Value, 1e-9)
	assert.InEpsilon(t, math.Sqrt(0.02*0.02+0.01*0.01+0.03*0.03), r.Thickness.U/r.Thickness.Value, 1e-9)

	r, err = plating.Solve(plating.Asked{Area: 5, UArea: 0.15, Current: 8, Thickness: 100, Ramp: 1, From: plating.HalfCurrent()}, m)
	require.NoError(t, err)
	assert.Zero(t, r.Thickness.U)
	assert.InEpsilon(t, math.Sqrt(0.01*0.01+0.03*0.03), r.Mass.U/r.Mass.Value, 1e-9)
	assert.InEpsilon(t, math.Sqrt(0.02*0.02+0.01*0.01+0.03*0.03), r.Charge.U/r.Charge.Value, 1e-9)
	assert.InEpsilon(t, r.Charge.U/8, r.Hours.U, 1e-9, "what is missing is made up at full current")

	r, err = plating.Solve(plating.Asked{Area: 5, UArea: 0.15, Hours: 4, Mass: 40}, m)
	require.NoError(t, err)
	assert.Zero(t, r.Mass.U)
	assert.InEpsilon(t, 0.02, r.Current.U/r.Current.Value, 1e-9)
	assert.InEpsilon(t, math.Hypot(0.01, 0.03), r.Thickness.U/r.Thickness.Value, 1e-9)
}

// What makes no run is one sentence that names the figure, whatever was typed.
func TestNoRun(t *testing.T) {
	m := perfect(t, "Cu", 2, 8.92)
	bare := m
	bare.Density, bare.Name = 0, "unobtainium"
	for name, c := range map[string]struct {
		asked plating.Asked
		metal plating.Metal
		says  string
	}{
		"NoArea":              {plating.Asked{Current: 8, Hours: 4}, m, "an area of 0 dm2"},
		"NegativeArea":        {plating.Asked{Area: -3, Current: 8, Hours: 4}, m, "-3"},
		"NaN":                 {plating.Asked{Area: 3, Current: math.NaN(), Hours: 4}, m, "NaN"},
		"Infinite":            {plating.Asked{Area: 3, Current: math.Inf(1), Hours: 4}, m, "Inf"},
		"AreaAlone":           {plating.Asked{Area: 3}, m, "an area alone"},
		"CurrentAlone":        {plating.Asked{Area: 3, Current: 8}, m, "neither a time nor a thickness"},
		"TimeAlone":           {plating.Asked{Area: 3, Hours: 8}, m, "neither a current nor a thickness"},
		"ThicknessAlone":      {plating.Asked{Area: 3, Thickness: 8}, m, "neither a current nor a time"},
		"CurrentTwice":        {plating.Asked{Area: 4, Current: 8, Density: 2, Hours: 1}, m, "8 A on 4 dm2 is 2 A/dm2"},
		"DepositTwice":        {plating.Asked{Area: 4, Thickness: 8, Mass: 2, Hours: 1}, m, "a thickness and a mass"},
		"RampTooLong":         {plating.Asked{Area: 4, Current: 8, Hours: 0.5, Ramp: 1}, m, "the ramp of 1 h is longer than the run of 30 min"},
		"RampTooLongForIt":    {plating.Asked{Area: 4, Current: 8, Thickness: 2, Ramp: 1, From: plating.HalfCurrent()}, m, "2 um is there before it ends"},
		"RampDown":            {plating.Asked{Area: 4, Current: 8, Hours: 4, Ramp: 1, From: plating.Start{Given: true, Amperes: 9}}, m, "begins at 9 A"},
		"RampDownFound":       {plating.Asked{Area: 4, Thickness: 20, Hours: 4, Ramp: 1, From: plating.Start{Given: true, Amperes: 9}}, m, "beginning at 9 A"},
		"StartWithoutRamp":    {plating.Asked{Area: 4, Current: 8, Hours: 4, From: plating.Start{Given: true, Amperes: 2}}, m, "no ramp"},
		"ThickWithoutDensity": {plating.Asked{Area: 4, Current: 8, Thickness: 20}, bare, "no density of a deposit of unobtainium"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := plating.Solve(c.asked, c.metal)
			require.ErrorContains(t, err, c.says)
			_, words := plating.Hint(err)
			assert.True(t, words)
		})
	}
	r, err := plating.Solve(plating.Asked{Area: 4, Current: 8, Mass: 20}, bare)
	require.NoError(t, err)
	assert.True(t, math.IsNaN(r.Thickness.Value), "a mass needs no density, and gives no thickness")
	assert.InEpsilon(t, 20/(8*m.PerAh), r.Hours.Value, 1e-12)
}
