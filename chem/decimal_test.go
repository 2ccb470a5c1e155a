package chem

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestParseDecimal(t *testing.T) {
	for name, c := range map[string]struct {
		in   string
		want Decimal
	}{
		"Plain":             {"18.4", "18.4"},
		"TrailingZero":      {"16.40", "16.40"},
		"Blanks":            {" 18.4\t", "18.4"},
		"Plus":              {"+18.4", "18.4"},
		"Minus":             {"-3", "-3"},
		"TypographicMinus":  {"−3", "-3"},
		"LeadingZeros":      {"0018.4", "18.4"},
		"NoWhole":           {".5", "0.5"},
		"NoFraction":        {"5.", "5"},
		"Zero":              {"000", "0"},
		"NegativeZero":      {"-0.00", "0.00"},
		"Comma":             {"18,4", "18.4"},
		"CommaTwoDigits":    {"18,45", "18.45"},
		"CommaFourDigits":   {"1,2345", "1.2345"},
		"CommaAfterZero":    {"0,123", "0.123"},
		"CommaPlusZero":     {"+0,123", "0.123"},
		"CommaMinusZero":    {"-0,123", "-0.123"},
		"CommaNoWhole":      {",123", "0.123"},
		"CommaLongWhole":    {"1234,567", "1234.567"}, // thousands marks would stand after the 1
		"CommaZeroInFront":  {"012,345", "12.345"},    // no thousands begin with 0
		"Exponent":          {"1.5e3", "1500"},
		"ExponentPlus":      {"1.5E+3", "1500"},
		"ExponentMinus":     {"15e-3", "0.015"},
		"ExponentTypograph": {"15e−3", "0.015"},
		"ExponentZero":      {"1.50e0", "1.50"},
		"ExponentKeeps":     {"1.50e1", "15.0"},
		"ExponentDigits":    {"1.23456789012345678901e2", "123.456789012345678901"},
		"ExponentComma":     {"1,5e3", "1500"},
		"MostDigits":        {"123456789012.123456789012", "123456789012.123456789012"},
		"ZerosDoNotCount":   {strings.Repeat("0", 30) + "7", "7"},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := ParseDecimal(c.in)
			require.NoError(t, err)
			assert.Equal(t, c.want, got)
		})
	}
}

func TestParseDecimalRefuses(t *testing.T) {
	for name, c := range map[string]struct{ in, says string }{
		"Empty":            {"", "missing"},
		"Blank":            {" ", "missing"},
		"Word":             {"much", "not a number"},
		"Point":            {".", "not a number"},
		"Sign":             {"-", "not a number"},
		"TwoSigns":         {"--3", "not a number"},
		"SignWithin":       {"1-3", "not a number"},
		"TwoPoints":        {"1.2.3", "not a number"},
		"Ambiguous":        {"1,234", "can mean 1.234 or 1234"},
		"AmbiguousMinus":   {"-12,345", "can mean"},
		"AmbiguousZeros":   {"1,000", "can mean"},
		"Thousands":        {"1,234.5", "more than one mark"},
		"GermanThousands":  {"1.234,5", "more than one mark"},
		"TwoCommas":        {"1,234,567", "more than one mark"},
		"Space":            {"1 234", "not a number"},
		"Underscore":       {"1_000", "not a number"},
		"Hex":              {"0x10", "not a number"},
		"HexFloat":         {"0x1e3p2", "not a number"},
		"NaN":              {"NaN", "not a number"},
		"Inf":              {"Inf", "not a number"},
		"Infinity":         {"-infinity", "not a number"},
		"OnlyExponent":     {"e5", "not a number"},
		"EmptyExponent":    {"1e", "not a number"},
		"FractionExponent": {"1e2.5", "not a number"},
		"HugeExponent":     {"1e400", "not a number"},
		"TinyExponent":     {"1e-400", "not a number"},
		"TooLarge":         {"12e23", "digits"},
		"TooManyDigits":    {"1234567890123.123456789012", "digits"},
		"ArabicDigits":     {"٣", "not a number"},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := ParseDecimal(c.in)
			require.ErrorContains(t, err, c.says)
			assert.Empty(t, got)
		})
	}
}

func TestDecimalOf(t *testing.T) {
	for _, c := range []struct {
		f    float64
		want Decimal
	}{
		{0, "0"}, {math.Copysign(0, -1), "0"}, {18.4, "18.4"}, {-0.1, "-0.1"}, {1e21, "1000000000000000000000"}, {1e-9, "0.000000001"},
		{1e30, ""}, {-1e30, ""}, {math.MaxFloat64, ""}, {math.NaN(), ""}, {math.Inf(1), ""}, {math.Inf(-1), ""},
		{1.2345678901234567e-9, "0.000000001234567890123457"}, // 24 places are all that can be read back
		{1e-30, "0"}, {-1e-30, "0"}, {math.SmallestNonzeroFloat64, "0"},
	} {
		assert.Equal(t, c.want, DecimalOf(c.f), "%v", c.f)
	}
}

func TestDecimalRound(t *testing.T) {
	assert.Equal(t, Decimal("16.40"), DecimalRound(16.4, 2))
	assert.Equal(t, Decimal("16"), DecimalRound(16.4, 0))
	assert.Equal(t, Decimal("0.0"), DecimalRound(-0.01, 1))
	assert.Empty(t, DecimalRound(math.NaN(), 1))
	assert.Empty(t, DecimalRound(math.Inf(-1), 1))
	assert.Empty(t, DecimalRound(1e30, 1))
}

// A Decimal that was not parsed must not smuggle in what is no number.
func TestDecimalFloatIsAlwaysFinite(t *testing.T) {
	for _, d := range []Decimal{"", "NaN", "Inf", "-Inf", "infinity", "1e999", "abc", "0x1p5000"} {
		assert.Zero(t, d.Float(), string(d))
	}
	assert.Equal(t, 16.4, Decimal("16.40").Float())
}

func TestDecimalPlaces(t *testing.T) {
	for d, want := range map[Decimal]int{"": 0, "16": 0, "16.4": 1, "16.40": 2, "-0.001": 3} {
		assert.Equal(t, want, d.Places(), string(d))
	}
	assert.False(t, Decimal("").Given())
	assert.True(t, Decimal("0").Given())
}

func TestDecimalRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.Float64Range(-1e15, 1e15).Draw(t, "f")
		d := DecimalOf(f)
		again, err := ParseDecimal(string(d))
		require.NoError(t, err)
		assert.Equal(t, d, again)
		assert.InDelta(t, f, d.Float(), 1e-24)
		if math.Abs(f) >= 1e-6 || f == 0 {
			assert.Equal(t, f, d.Float())
		}
	})
}

func TestDecimalKeepsEveryDigit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		typed := rapid.StringMatching(`-?(0|[1-9][0-9]{0,11})\.[0-9]{1,12}`).Draw(t, "typed")
		d, err := ParseDecimal(typed)
		require.NoError(t, err)
		want := typed
		if strings.Trim(typed, "-0.") == "" {
			want = strings.TrimPrefix(typed, "-")
		}
		assert.Equal(t, want, string(d))
		whole, frac, _ := strings.Cut(typed, ".")
		if len(frac) != 3 {
			comma, err := ParseDecimal(whole + "," + frac)
			require.NoError(t, err)
			assert.Equal(t, d, comma)
		}
		shifted, err := ParseDecimal(typed + "e0")
		require.NoError(t, err)
		assert.Equal(t, d, shifted)
	})
}

func FuzzParseDecimal(f *testing.F) {
	for _, s := range []string{"18.4", "16.40", "1,234", "0,5", "-3", "1e5", "1e-30", "0x1e3p2", "1_0e3", "−", "NaN", ".", "000", "1e24", "9e23"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		d, err := ParseDecimal(s)
		if err != nil {
			assert.Empty(t, d)
			return
		}
		again, err := ParseDecimal(string(d))
		require.NoError(t, err)
		assert.Equal(t, d, again, "canonical")
		assert.False(t, math.IsNaN(d.Float()) || math.IsInf(d.Float(), 0))
		assert.Equal(t, "", strings.Trim(string(d), "-.0123456789"))
	})
}
