package chem

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestParseMeasured(t *testing.T) {
	for name, c := range map[string]struct {
		in   string
		dims []Dimension
		want Measured
	}{
		"TwoWords":          {"18.4 mL", []Dimension{DimVolume}, Measured{"18.4", "mL", ""}},
		"OneWord":           {"1.2A/dm2", []Dimension{DimCurrentDens}, Measured{"1.2", "A/dm2", ""}},
		"Comma":             {"18,4mL", []Dimension{DimVolume}, Measured{"18.4", "mL", ""}},
		"US":                {"5.3 oz/gal", []Dimension{DimMassConc}, Measured{"5.3", "oz/gal", ""}},
		"TwoWordUnit":       {"2 fl  oz", []Dimension{DimVolume}, Measured{"2", "fl oz", ""}},
		"Uncertainty":       {"50.2 +- 0.4 g/L", []Dimension{DimMassConc}, Measured{"50.2", "g/L", "0.4"}},
		"UncertaintyTight":  {"50.2+-0.4g/L", nil, Measured{"50.2", "g/L", "0.4"}},
		"UncertaintySlash":  {"50.2 +/- 0.4 g/L", nil, Measured{"50.2", "g/L", "0.4"}},
		"UncertaintySlashT": {"50.2+/-0.4g/L", nil, Measured{"50.2", "g/L", "0.4"}},
		"UncertaintySign":   {"50.2±0,4 g/L", nil, Measured{"50.2", "g/L", "0.4"}},
		"UncertaintyPlain":  {"1.005 ± 0.002", []Dimension{DimNone}, Measured{"1.005", "", "0.002"}},
		"Negative":          {"-3 degC", []Dimension{DimTemperature}, Measured{"-3", "degC", ""}},
		"TypographicMinus":  {"−3 °C", []Dimension{DimTemperature}, Measured{"-3", "degC", ""}},
		"Exponent":          {"1.5e3 mL", nil, Measured{"1500", "mL", ""}},
		"ExponentNegative":  {"15e-3L", nil, Measured{"0.015", "L", ""}},
		"PlainNumber":       {"4.2", []Dimension{DimNone}, Measured{"4.2", "", ""}},
		"AnyUnit":           {"4.2", nil, Measured{"4.2", "", ""}},
		"Percent":           {"96 %", []Dimension{DimNone}, Measured{"96", "%", ""}},
		"OneOfTwo":          {"58.2L", []Dimension{DimLength, DimVolume}, Measured{"58.2", "L", ""}},
		"NoBreakSpace":      {"58.2\u00a0L", []Dimension{DimVolume}, Measured{"58.2", "L", ""}},
		"MicroSign":         {"20 µm", []Dimension{DimLength}, Measured{"20", "um", ""}},
		"GreekMu":           {"20 μm", []Dimension{DimLength}, Measured{"20", "um", ""}},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := ParseMeasured(c.in, c.dims...)
			require.NoError(t, err)
			assert.Equal(t, c.want, got)
			assert.True(t, got.Given())
		})
	}
}

func TestParseMeasuredRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		in   string
		dims []Dimension
		says string
	}{
		"Empty":             {"", []Dimension{DimVolume}, "is not a number with a unit, such as L"},
		"OnlyUnit":          {"mL", []Dimension{DimVolume}, "is not a number with a unit"},
		"NoUnit":            {"18.4", []Dimension{DimVolume}, `"18.4" needs a unit, such as L, mL`},
		"OtherKind":         {"18.4 g", []Dimension{DimVolume}, "is a mass where a volume is wanted, such as L"},
		"UnitNotWanted":     {"18.4 g", []Dimension{DimNone}, "where a plain number is wanted"},
		"UnknownUnit":       {"18.4 furlong", []Dimension{DimVolume}, `unknown unit "furlong", such as L`},
		"Ambiguous":         {"1,234 L", []Dimension{DimVolume}, "can mean 1.234 or 1234"},
		"TwoUncertainties":  {"5 ± 1 ± 2 g", []Dimension{DimMass}, "unknown unit"},
		"EmptyUncertainty":  {"5 ± g", []Dimension{DimMass}, "after ±"},
		"NegativeUncertain": {"5 ± -1 g", []Dimension{DimMass}, "after ±"},
		"HyphenRange":       {"5-6 g", []Dimension{DimMass}, "unknown unit"},
		"NaN":               {"NaN g", []Dimension{DimMass}, "is not a number with a unit"},
		"Inf":               {"+Inf g", []Dimension{DimMass}, "not a number"},
		"HugeExponent":      {"1e400 g", []Dimension{DimMass}, "not a number"},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := ParseMeasured(c.in, c.dims...)
			require.ErrorContains(t, err, c.says)
			assert.Equal(t, Measured{}, got)
		})
	}
}

func TestMeasuredIn(t *testing.T) {
	m := Measured{"5.3", "oz/gal", "0.1"}
	v, u, err := m.In("g/L")
	require.NoError(t, err)
	assert.InEpsilon(t, 5.3*7.489152, v, 1e-7) // NIST SP 811: 1 oz/gal = 7.489152 g/L
	assert.InEpsilon(t, 0.1*7.489152, u, 1e-7)
	_, _, err = m.In("mL")
	require.Error(t, err)
	// A difference of 9 degF is one of 5 K, whatever 9 degF on a thermometer is.
	v, u, err = Measured{"77", "degF", "9"}.In("degC")
	require.NoError(t, err)
	assert.InDelta(t, 25, v, 1e-12)
	assert.InDelta(t, 5, u, 1e-12)
	assert.InDelta(t, 5, Measured{"77", "degF", "9"}.Uncertainty("degC", 1), 1e-12)
	assert.Equal(t, 1.0, Measured{"77", "degF", ""}.Uncertainty("degC", 1))
	assert.Equal(t, 18.4, Measured{"18.4", "mL", ""}.Value("mL"))
	assert.Panics(t, func() { Measured{"18.4", "mL", ""}.Value("g") })
}

func TestMeasuredOf(t *testing.T) {
	assert.Equal(t, Measured{"18.4", "mL", "0.3"}, MeasuredOf(18.4, "mL", 0.3))
	assert.Equal(t, Measured{"18.4", "mL", ""}, MeasuredOf(18.4, "mL", 0))
	assert.Equal(t, Measured{"18.4", "mL", ""}, MeasuredOf(18.4, "mL", math.NaN()))
	assert.Equal(t, Measured{"18.4", "mL", ""}, MeasuredOf(18.4, "mL", math.Inf(1)))
	for _, f := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		assert.False(t, MeasuredOf(f, "mL", 0).Given())
	}
	assert.False(t, Measured{}.Given())
}

func TestMeasuredString(t *testing.T) {
	assert.Equal(t, "18.40 mL", Measured{"18.40", "mL", "0.1"}.String())
	assert.Equal(t, "4.2", Measured{"4.2", "", ""}.String())
}

func TestMeasuredRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		info := rapid.SampledFrom(units).Draw(t, "unit")
		m := MeasuredOf(rapid.Float64Range(-1e9, 1e9).Draw(t, "value"), info.unit, 0)
		got, err := ParseMeasured(m.String(), info.dim)
		require.NoError(t, err)
		assert.Equal(t, m, got)
		u := DecimalOf(rapid.Float64Range(1e-6, 1e6).Draw(t, "u"))
		mark := rapid.SampledFrom([]string{"±", "+-", "+/-", " ± ", " +- "}).Draw(t, "mark")
		spelling := rapid.SampledFrom(append([]string{string(info.unit)}, info.other...)).Draw(t, "spelling")
		got, err = ParseMeasured(string(m.Number)+mark+string(u)+" "+spelling, info.dim)
		require.NoError(t, err)
		assert.Equal(t, Measured{m.Number, info.unit, u}, got)
	})
}

func FuzzParseMeasured(f *testing.F) {
	for _, s := range []string{"18.4 mL", "1.2A/dm2", "18,4mL", "50.2 +- 0.4 g/L", "50.2+-0.4g/L", "1e3L", "1,234 L", "−3 °C", "5 ± 1 ± 2 g", "96 %", "4.2", "2 fl oz"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		m, err := ParseMeasured(s)
		if err != nil {
			assert.Equal(t, Measured{}, m)
			return
		}
		v, u, err := m.In(m.Unit)
		require.NoError(t, err)
		for _, x := range []float64{v, u} {
			assert.False(t, math.IsNaN(x) || math.IsInf(x, 0))
		}
		assert.GreaterOrEqual(t, u, 0.0)
		again, err := ParseMeasured(m.String())
		require.NoError(t, err)
		assert.Equal(t, Measured{m.Number, m.Unit, ""}, again)
	})
}
