package chem

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func contributionsByName(t testing.TB, parts []Contribution) map[string]float64 {
	t.Helper()
	out := map[string]float64{}
	for _, p := range parts {
		out[p.Name] = math.Abs(p.U)
	}
	return out
}

// EURACHEM/CITAC CG 4 (QUAM), example A1: a cadmium standard, c = 1000·m·P/V,
// published 1002.7 mg/L with u 0.9; unrounded 0.8352 and the three
// contributions from the worked example of the GTC package (CITAC_A1).
func TestEurachemA1(t *testing.T) {
	f := func(x []float64) float64 { return 1000 * x[0] * x[1] / x[2] }
	// ±0.1 mL flask, 0.02 mL filling, ±4 degC on 100 mL: 0.0665, printed 0.07.
	uV := math.Hypot(math.Hypot(triangular(0.1), 0.02), rectangular(100*expansion*4))
	assert.InDelta(t, 0.06647, uV, 5e-6)

	c, parts, err := Propagate(f, []InputQuantity{{"m", 100.28, 0.05}, {"P", 0.9999, rectangular(0.0001)}, {"V", 100.0, uV}})
	require.NoError(t, err)
	assert.InDelta(t, 1002.700, c, 5e-4)
	assert.InDelta(t, 0.8352, CombinedU(parts), 5e-5)
	by := contributionsByName(t, parts)
	assert.InDelta(t, 0.6665, by["V"], 1e-4)
	assert.InDelta(t, 0.4999, by["m"], 1e-4)
	assert.InDelta(t, 0.0579, by["P"], 1e-4)

	c, parts, err = Propagate(f, []InputQuantity{{"m", 100.28, 0.05}, {"P", 0.9999, 0.000058}, {"V", 100.0, 0.07}})
	require.NoError(t, err)
	assert.InDelta(t, 1002.7, c, 0.05)
	assert.InDelta(t, 0.9, CombinedU(parts), 0.05, "from the rounded table")
}

// EURACHEM/CITAC CG 4, example A2: sodium hydroxide by potassium hydrogen
// phthalate, c = rep·1000·m·P/(M·V), published 0.10214 mol/L with u 0.00010;
// the contributions from the worked example of the GTC package (CITAC_A2).
func TestEurachemA2(t *testing.T) {
	uV := math.Hypot(triangular(0.03), 0.006) // burette and temperature, mL
	assert.InDelta(t, 0.01364, uV, 5e-6)
	um := math.Sqrt2 * rectangular(0.00015) // balance linearity ±0.15 mg, twice
	assert.InDelta(t, 0.0001225, um, 5e-8)
	c, parts, err := Propagate(func(x []float64) float64 { return x[0] * 1000 * x[1] * x[2] / (x[3] * x[4]) }, []InputQuantity{
		{"rep", 1, 0.0005}, {"m", 0.3888, um}, {"P", 1, rectangular(0.0005)}, {"M", 204.2212, 0.0038}, {"V", 18.64, uV},
	})
	require.NoError(t, err)
	assert.InDelta(t, 0.1021362, c, 5e-8)
	assert.InDelta(t, 0.00010050, CombinedU(parts), 5e-9)
	by := contributionsByName(t, parts)
	for name, want := range map[string]float64{"V": 7.473e-5, "rep": 5.107e-5, "m": 3.217e-5, "P": 2.948e-5} {
		assert.InDelta(t, want, by[name], 1e-8, name)
	}
	assert.InDelta(t, 1.88e-6, by["M"], 3e-8)
}

// EURACHEM/CITAC CG 4, example A3: hydrochloric acid against the same,
// c = rep·1000·m·P·VT2/(VT1·M·VHCl), published 0.10139 mol/L. The Guide's u of
// 0.00016 holds only with the repeatability divided by √3, as its third edition
// does; its table as printed gives 0.000189.
func TestEurachemA3(t *testing.T) {
	f := func(x []float64) float64 { return x[0] * 1000 * x[1] * x[2] * x[3] / (x[4] * x[5] * x[6]) }
	table := []InputQuantity{
		{"rep", 1, 0.001}, {"m", 0.3888, 0.00013}, {"P", 1, 0.00029}, {"VT2", 14.89, 0.015}, {"VT1", 18.64, 0.016},
		{"M", 204.2212, 0.0038}, {"VHCl", 15, 0.011},
	}
	c, parts, err := Propagate(f, table)
	require.NoError(t, err)
	assert.InDelta(t, 0.10139, c, 5e-6)
	assert.InDelta(t, 0.000189, CombinedU(parts), 5e-7)

	table[0].U = rectangular(0.001)
	_, parts, err = Propagate(f, table)
	require.NoError(t, err)
	assert.InDelta(t, 0.000170, CombinedU(parts), 5e-7)

	// Unrounded, by the Guide's own tolerances: GTC package, CITAC_A3.
	volume := func(v, tolerance float64) float64 {
		return math.Hypot(triangular(tolerance), rectangular(v*expansion*4))
	}
	assert.InDelta(t, 0.01424, volume(15, 0.03), 5e-6)
	assert.InDelta(t, 0.01533, volume(19, 0.03), 5e-6)
	assert.InDelta(t, 0.01094, volume(15, 0.02), 5e-6)
	exact := []InputQuantity{
		{"rep", 1, 0.001}, {"m", 0.3888, math.Sqrt2 * rectangular(0.00015)}, {"P", 1, rectangular(0.0005)}, {"VT2", 14.89, volume(15, 0.03)},
		{"VT1", 18.64, volume(19, 0.03)}, {"M", 204.2212, 0.0038}, {"VHCl", 15, volume(15, 0.02)},
	}
	_, parts, err = Propagate(f, exact)
	require.NoError(t, err)
	assert.InDelta(t, 0.0001843, CombinedU(parts), 5e-8)
	by := contributionsByName(t, parts)
	for name, want := range map[string]float64{"rep": 1.0139e-4, "VT2": 9.700e-5, "VT1": 8.337e-5, "VHCl": 7.392e-5, "m": 3.194e-5, "P": 2.927e-5} {
		assert.InDelta(t, want, by[name], 1e-8, name)
	}
	exact[0].U = rectangular(0.001)
	_, parts, err = Propagate(f, exact)
	require.NoError(t, err)
	assert.InDelta(t, 0.00016, CombinedU(parts), 5e-6)
}

// JCGM 100:2008 (GUM), H.1: end-gauge calibration, nm. First order only: 32 nm
// published; the terms of second order would make it 34.
func TestGUMH1(t *testing.T) {
	l, parts, err := Propagate(func(x []float64) float64 {
		length, d, alpha, theta := x[0], x[1]+x[2]+x[3], x[6], x[7]+x[8]
		return length + d - length*(x[4]*theta+alpha*x[5])
	}, []InputQuantity{
		{"standard", 50000623, 25}, {"d", 215, 5.8}, {"d random", 0, 3.9}, {"d systematic", 0, 6.7},
		{"difference of expansion", 0, rectangular(1e-6)}, {"difference of temperature", 0, rectangular(0.05)},
		{"expansion", 11.5e-6, rectangular(2e-6)}, {"mean temperature", -0.1, 0.2}, {"cyclic temperature", 0, 0.5 / math.Sqrt2},
	})
	require.NoError(t, err)
	assert.InDelta(t, 50000838, l, 0.5)
	assert.InDelta(t, 32, CombinedU(parts), 0.5)
	assert.InDelta(t, 31.66, CombinedU(parts), 0.01) // root of the sum of the six below, by hand
	by := contributionsByName(t, parts)
	for name, want := range map[string]float64{
		"standard": 25, "difference of temperature": 16.599, "d systematic": 6.7, "d": 5.8, "d random": 3.9,
		"difference of expansion": 2.887, "expansion": 0, "mean temperature": 0, "cyclic temperature": 0,
	} {
		assert.InDelta(t, want, by[name], 1e-3, name)
	}
}

// JCGM 100:2008 (GUM), H.2: resistance, reactance and impedance from correlated
// readings; figures from the worked example of the GTC package (GUM_H2), whose
// inputs are the GUM's rounded correlations.
func TestGUMH2(t *testing.T) {
	inputs := []InputQuantity{{"V", 4.999, 3.2e-3}, {"I", 19.661e-3, 9.5e-6}, {"phi", 1.04446, 7.5e-4}}
	r := [3][3]float64{{1, -0.36, 0.86}, {-0.36, 1, -0.65}, {0.86, -0.65, 1}}
	correlation := func(i, j int) float64 { return r[i][j] }
	resistance, dR, err := Propagate(func(x []float64) float64 { return x[0] / x[1] * math.Cos(x[2]) }, inputs)
	require.NoError(t, err)
	reactance, dX, err := Propagate(func(x []float64) float64 { return x[0] / x[1] * math.Sin(x[2]) }, inputs)
	require.NoError(t, err)
	impedance, dZ, err := Propagate(func(x []float64) float64 { return x[0] / x[1] }, inputs)
	require.NoError(t, err)
	uR := math.Sqrt(Covariance(dR, dR, correlation))
	uX := math.Sqrt(Covariance(dX, dX, correlation))
	uZ := math.Sqrt(Covariance(dZ, dZ, correlation))
	assert.InDelta(t, 127.732, resistance, 5e-4)
	assert.InDelta(t, 219.85, reactance, 5e-3)
	assert.InDelta(t, 254.26, impedance, 5e-3)
	assert.InDelta(t, 0.0700, uR, 5e-5)
	assert.InDelta(t, 0.2957, uX, 5e-5)
	assert.InDelta(t, 0.2366, uZ, 5e-5)
	assert.InDelta(t, -0.59, Covariance(dR, dX, correlation)/(uR*uX), 5e-3)
	assert.InDelta(t, -0.49, Covariance(dR, dZ, correlation)/(uR*uZ), 5e-3)
	assert.InDelta(t, 0.99, Covariance(dX, dZ, correlation)/(uX*uZ), 5e-3)
}

func TestPropagateRefuses(t *testing.T) {
	first := func(x []float64) float64 { return x[0] }
	for name, in := range map[string]InputQuantity{
		"NegativeU": {"x", 1, -1}, "NaNU": {"x", 1, math.NaN()}, "InfU": {"x", 1, math.Inf(1)},
		"NaN": {"x", math.NaN(), 1}, "Inf": {"x", math.Inf(1), 1}, "Overflow": {"x", math.MaxFloat64, math.MaxFloat64},
	} {
		t.Run(name, func(t *testing.T) {
			v, parts, err := Propagate(first, []InputQuantity{in})
			require.Error(t, err)
			assert.Zero(t, v)
			assert.Nil(t, parts)
		})
	}
}

// The law of propagation is exact for a sum: u² = Σ(a·u)².
func TestPropagateIsExactForSums(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 6).Draw(t, "n")
		inputs := make([]InputQuantity, n)
		a := make([]float64, n)
		var want, value float64
		for i := range inputs {
			a[i] = rapid.Float64Range(-10, 10).Draw(t, "a")
			inputs[i] = InputQuantity{"x", rapid.Float64Range(-10, 10).Draw(t, "x"), rapid.Float64Range(0.01, 10).Draw(t, "u")}
			want += a[i] * a[i] * inputs[i].U * inputs[i].U
			value += a[i] * inputs[i].Value
		}
		got, parts, err := Propagate(func(x []float64) float64 {
			var sum float64
			for i := range x {
				sum += a[i] * x[i]
			}
			return sum
		}, inputs)
		require.NoError(t, err)
		assert.InDelta(t, value, got, 1e-9)
		assert.InDelta(t, math.Sqrt(want), CombinedU(parts), 1e-9)
		none := func(i, j int) float64 {
			if i == j {
				return 1
			}
			return 0
		}
		assert.InDelta(t, want, Covariance(parts, parts, none), 1e-8)
	})
}
