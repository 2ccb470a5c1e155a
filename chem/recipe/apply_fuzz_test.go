package recipe_test

import (
	"math"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/recipe"
)

// A setting, whatever its key and value: refused with one sentence, or it gives
// another recipe that passes the whole check, in which the key is what was set,
// once and for all; the recipe that it was made from stays as it was.
func FuzzApply(f *testing.F) {
	for _, s := range [][4]string{{"copper.high", "56", "g/L", ""}, {"Copper.HIGH", "56000", "mg/L", ""}, {"prior.evaporation", "0.4", "L/day", "0.1"}, {"limits.temperature.low", "59", "degF", ""},
		{"method.copper.aliquot_mL", "1", "mL", ""}, {"material.brightener.stock", "2", "L", ""}, {"material.sulfuric acid 96 %.brings.sulfuric acid", "1700", "", ""}, {"brightener.loss", "7", "%/day", ""},
		{"volume", "0", "L", ""}, {"copper.target", "1e300", "g/L", ""}, {"prior.drag_out", "-1", "L/Ah", "1"}, {"anodes", "", "", ""}, {"metal", "", "", ""}, {"..", "1", "", ""}, {"copper.high.high", "1", "g/L", ""}} {
		f.Add(s[0], s[1], s[2], s[3], "inert", byte(0))
		f.Add(s[0], s[1], s[2], s[3], "a\nb", byte(1))
	}
	var recipes []*chem.Recipe
	for _, name := range recipe.Shipped() {
		text, _ := recipe.ShippedText(name)
		r, err := recipe.Parse(name, text)
		require.NoError(f, err)
		recipes = append(recipes, r)
	}
	f.Fuzz(func(t *testing.T, key, number, unit, u, text string, which byte) {
		r := recipes[int(which)%len(recipes)]
		value := chem.Measured{}
		if number != "" { // as a journal or a command would hand it over
			d, err := chem.ParseDecimal(number)
			if err != nil {
				return
			}
			value.Number = d
			if value.Unit, err = chem.ParseUnit(unit); err != nil {
				return
			}
			if u != "" {
				if value.U, err = chem.ParseDecimal(u); err != nil || value.U.Float() < 0 {
					return
				}
			}
			text = ""
		}
		s := chem.Setting{Key: key, Value: value, Text: text}
		var was []chem.Measured
		for _, k := range recipe.Keys(r) {
			v, _, err := recipe.Present(r, k.Name)
			require.NoError(t, err)
			was = append(was, v)
		}
		out, err := recipe.Apply(r, s)
		for i, k := range recipe.Keys(r) {
			v, _, err := recipe.Present(r, k.Name)
			require.NoError(t, err)
			require.Equal(t, was[i], v, "the recipe before was changed: %s", k.Name)
		}
		if err != nil {
			require.Nil(t, out)
			require.NotEmpty(t, strings.TrimSpace(err.Error()))
			require.True(t, utf8.ValidString(err.Error()) || !utf8.ValidString(key+text))
			return
		}
		require.Empty(t, recipe.Check(out))
		now, words, err := recipe.Present(out, key)
		require.NoError(t, err)
		if value.Given() {
			require.False(t, math.IsNaN(now.Number.Float()) || math.IsInf(now.Number.Float(), 0))
			if value.Unit == "" || value.Unit == now.Unit {
				require.InEpsilon(t, 1+math.Abs(value.Number.Float()), 1+math.Abs(now.Number.Float()), 1e-9)
			}
		} else {
			require.Equal(t, text, words)
		}
		again, err := recipe.Apply(out, s)
		require.NoError(t, err, "what was set can be set again")
		twice, words2, err := recipe.Present(again, key)
		require.NoError(t, err)
		require.Equal(t, []any{now, words}, []any{twice, words2})
		if now.Number.Given() {
			same, err := recipe.Apply(out, chem.Setting{Key: key, Value: now})
			require.NoError(t, err, "it can be set to what it is")
			v, _, err := recipe.Present(same, key)
			require.NoError(t, err)
			require.InDelta(t, now.Number.Float(), v.Number.Float(), 1e-12*math.Abs(now.Number.Float()))
		}
	})
}
