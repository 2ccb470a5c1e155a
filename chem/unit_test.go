package chem

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Conversions from outside: NIST SP 811 (2008), appendix B, and the definitions
// 1 in = 25.4 mm, 1 lb = 453.59237 g, 1 US gal = 231 in3 in NIST Handbook 44,
// appendix C (all from memory; exact figures are exact, the rest have the digits
// printed). 1 A/dm2 = 9.290 A/ft2 is in every plating handbook.
func TestConvert(t *testing.T) {
	for _, c := range []struct {
		value    float64
		from, to Unit
		want     float64
		relative float64
	}{
		{1, "gal", "L", 3.785411784, 1e-15},
		{1, "gal", "L", 231 * 0.254 * 0.254 * 0.254, 1e-14},
		{1, "fl oz", "mL", 29.5735295625, 1e-14},
		{128, "fl oz", "gal", 1, 1e-15},
		{1, "lb", "g", 453.59237, 1e-15},
		{16, "oz", "lb", 1, 1e-15},
		{1, "ft2", "dm2", 9.290304, 1e-15},
		{144, "in2", "ft2", 1, 1e-15},
		{1, "in2", "cm2", 6.4516, 1e-14},
		{1, "in", "mm", 25.4, 1e-15},
		{1, "mil", "um", 25.4, 1e-14},
		{1000, "mil", "in", 1, 1e-14},
		{1, "oz/gal", "g/L", 7.489152, 1e-7},
		{1, "fl oz/gal", "mL/L", 7.8125, 1e-15}, // 1/128 exactly
		{1, "A/ft2", "A/dm2", 0.1076391, 1e-7},
		{1, "A/dm2", "A/ft2", 9.290304, 1e-14},
		{10, "mA/cm2", "A/dm2", 1, 1e-15},
		{212, "degF", "degC", 100, 1e-14},
		{68, "degF", "degC", 20, 1e-14},
		{-40, "degC", "degF", -40, 1e-14},
		{1, "kAh", "Ah", 1000, 1e-15},
		{90, "Amin", "Ah", 1.5, 1e-15},
		{1, "wk", "h", 168, 1e-15},
		{1, "vol%", "mL/L", 10, 1e-15},
		{60, "mg/L", "g/L", 0.060, 1e-14},
		{5, "%", "", 0.05, 1e-15},
		{1, "mL/Ah", "L/Ah", 1e-3, 1e-15},
		{250, "mL/kAh", "mL/Ah", 0.25, 1e-14},
		{1, "L/h", "L/day", 24, 1e-15},
		{7, "L/day", "L/wk", 49, 1e-14},
		{1, "gal/day", "L/day", 3.785411784, 1e-15},
		{1, "gal/ft2", "L/m2", 40.74583, 1e-6}, // NIST SP 811 B.8, from memory: 1 gal/ft2 = 40.7458 L/m2
		{1, "%/day", "1/day", 0.01, 1e-15},
		{7, "1/wk", "1/day", 1, 1e-15},
		{1, "g/g", "g/kg", 1000, 1e-15},
	} {
		got, err := c.from.Convert(c.value, c.to)
		require.NoError(t, err)
		assert.InEpsilon(t, c.want, got, c.relative, "%v %s in %s", c.value, c.from, c.to)
	}
	freezing, err := Unit("degF").Convert(32, "degC")
	require.NoError(t, err)
	assert.InDelta(t, 0, freezing, 1e-13)
}

func TestConvertRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		from, to Unit
		says     string
	}{
		"OtherKind":      {"g", "L", "g is a mass, not a volume"},
		"MassConcVolume": {"g/L", "mL/L", "not a concentration by volume"},
		"Molarity":       {"mol/L", "g/L", "a molarity"},
		"PlainNumber":    {"", "L", "a plain number is not a volume"},
		"ToPlainNumber":  {"L", "", "not a plain number"},
		"UnknownFrom":    {"foo", "L", "unknown unit"},
		"UnknownTo":      {"L", "foo", "unknown unit"},
		"TwoUnknown":     {"foo", "bar", "unknown unit"},
	} {
		t.Run(name, func(t *testing.T) {
			v, err := c.from.Convert(1, c.to)
			require.ErrorContains(t, err, c.says)
			assert.Zero(t, v)
		})
	}
}

func TestEverySpellingIsReadOnce(t *testing.T) {
	seen := map[string]Unit{}
	based := map[Dimension]bool{}
	for _, info := range units {
		for _, s := range append([]string{string(info.unit)}, info.other...) {
			if was, twice := seen[s]; twice {
				t.Errorf("%q means %s and %s", s, was, info.unit)
			}
			seen[s] = info.unit
			got, err := ParseUnit(s)
			require.NoError(t, err)
			assert.Equal(t, info.unit, got)
			got, err = ParseUnit("  " + s + " ")
			require.NoError(t, err)
			assert.Equal(t, info.unit, got)
		}
		assert.Greater(t, info.factor, 0.0)
		assert.Equal(t, info.dim, info.unit.Dimension())
		if !based[info.dim] {
			assert.Equal(t, 1.0, info.factor, "%s begins %s and must be its base", info.unit, info.dim)
			assert.Zero(t, info.offset)
			based[info.dim] = true
		}
	}
}

func TestParseUnitRefuses(t *testing.T) {
	for name, c := range map[string]struct{ in, says string }{
		"Unknown":    {"furlong", `unknown unit "furlong"`},
		"Capitals":   {"ML", "did you mean mL?"},
		"MissedMark": {"gL", "did you mean g/L?"},
		"MissedLine": {"Adm2", "did you mean A/dm2?"},
		"TwoUnits":   {"g L", "did you mean g/L?"},
		"Number":     {"5", "unknown unit"},
	} {
		t.Run(name, func(t *testing.T) {
			u, err := ParseUnit(c.in)
			require.ErrorContains(t, err, c.says)
			assert.Empty(t, u)
		})
	}
}

func TestUnitsOf(t *testing.T) {
	assert.Equal(t, "L, mL, uL, gal, fl oz", UnitsOf(DimVolume))
	assert.Equal(t, "A/dm2, A/ft2, mA/cm2", UnitsOf(DimCurrentDens))
	assert.Equal(t, "%", UnitsOf(DimNone))
	assert.Empty(t, UnitsOf())
}

func TestConvertRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.SampledFrom(units).Draw(t, "from")
		b := rapid.SampledFrom(units).Draw(t, "to")
		v := rapid.Float64Range(-1e6, 1e6).Draw(t, "value")
		there, err := a.unit.Convert(v, b.unit)
		if a.dim != b.dim {
			require.Error(t, err)
			return
		}
		require.NoError(t, err)
		back, err := b.unit.Convert(there, a.unit)
		require.NoError(t, err)
		assert.InDelta(t, v, back, 1e-9*math.Max(1, math.Abs(v)))
		// A difference scales by the factor alone, whatever the zero point.
		next, err := a.unit.Convert(v+1, b.unit)
		require.NoError(t, err)
		assert.InDelta(t, a.unit.scale(b.unit), next-there, 1e-6*math.Max(1, math.Abs(there)))
	})
}

func FuzzParseUnit(f *testing.F) {
	for _, info := range units {
		f.Add(string(info.unit))
	}
	f.Add("ML")
	f.Add("g / L")
	f.Fuzz(func(t *testing.T, s string) {
		u, err := ParseUnit(s)
		if err != nil {
			assert.Empty(t, u)
			return
		}
		again, err := ParseUnit(string(u))
		require.NoError(t, err)
		assert.Equal(t, u, again)
		assert.NotEqual(t, Dimension("an unknown unit"), u.Dimension())
	})
}
