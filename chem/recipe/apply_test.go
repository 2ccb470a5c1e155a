package recipe_test

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/recipe"
)

func set(number, unit, u string) chem.Measured {
	return chem.Measured{Number: chem.Decimal(number), Unit: chem.Unit(unit), U: chem.Decimal(u)}
}

func TestApplyChangesOneKeyOfACopy(t *testing.T) {
	r, _ := shipped(t, "copper-electroforming")
	before, err := json.Marshal(r)
	require.NoError(t, err)
	method := func(r *chem.Recipe, name string) chem.Method { m, _ := find(r, name); return m }
	for _, c := range []struct {
		key   string
		value chem.Measured
		text  string
		got   func(*chem.Recipe) any
		want  any
	}{
		{"copper.high", set("55", "g/L", ""), "", func(r *chem.Recipe) any { return r.Constituents[0].High }, 55.0},
		{"Copper.High", set("55000", "mg/L", ""), "", func(r *chem.Recipe) any { return r.Constituents[0].High }, 55.0},
		{"sulfuric acid.target", set("58.5", "g/L", ""), "", func(r *chem.Recipe) any { return r.Constituents[1].Target }, 58.5},
		{"chloride.high", set("0.09", "g/L", ""), "", func(r *chem.Recipe) any { return r.Constituents[2].High }, 90.0},
		{"copper.assay_u", set("1", "%", ""), "", func(r *chem.Recipe) any { return r.Constituents[0].AssayU }, 0.01},
		{"brightener.use", set("0.18", "mL/Ah", "0.02"), "", func(r *chem.Recipe) any { return r.Constituents[3].Use }, chem.Prior{Value: 0.18, U: 0.02}},
		{"brightener.use", set("0.18", "", ""), "", func(r *chem.Recipe) any { return r.Constituents[3].Use }, chem.Prior{Value: 0.18, U: 0.05}},
		{"prior.evaporation", set("0.4", "", "0.1"), "", func(r *chem.Recipe) any { return r.Prior.Evaporation }, chem.Prior{Value: 0.4, U: 0.1}},
		{"prior.evaporation", set("1", "gal/day", ""), "", func(r *chem.Recipe) any { return r.Prior.Evaporation.Value }, 3.785411784}, // 231 in3
		{"prior.evaporation", set("15", "mL/day", ""), "", func(r *chem.Recipe) any { return r.Prior.Evaporation.Value }, 0.015},
		{"prior.drag_out", set("0.8", "mL/Ah", ""), "", func(r *chem.Recipe) any { return r.Prior.DragOut.Value }, 0.0008},
		{"brightener.use", set("180", "mL/kAh", "20"), "", func(r *chem.Recipe) any { return r.Constituents[3].Use.Value }, 0.18},
		{"brightener.loss", set("7", "%/day", ""), "", func(r *chem.Recipe) any { return r.Constituents[3].Loss.Value }, 0.07},
		{"material.copper sulfate pentahydrate.brings.copper", set("0.25", "g/g", ""), "", func(r *chem.Recipe) any { m, _ := r.Material("copper sulfate pentahydrate"); return m.Brings["copper"] }, 250.0},
		{"prior.drag_out", set("0", "L/Ah", "0"), "", func(r *chem.Recipe) any { return r.Prior.DragOut }, chem.Prior{}},
		{"limits.anode_density", set("2", "A/dm2", ""), "", func(r *chem.Recipe) any { return r.Limits.AnodeDensity }, 2.0},
		{"limits.temperature.low", set("59", "degF", ""), "", func(r *chem.Recipe) any { return r.Limits.Temperature }, [2]float64{15, 30}}, // 59 °F is 15 °C
		{"limits.cathode_density.high", set("5", "A/dm2", ""), "", func(r *chem.Recipe) any { return r.Limits.CathodeDensity }, [2]float64{0.5, 5}},
		{"method.copper.aliquot_mL", set("1", "mL", ""), "", func(r *chem.Recipe) any { return method(r, "copper by EDTA").Aliquot }, 1.0},
		{"method.copper by thiosulfate.aliquot_mL", set("1", "mL", ""), "", func(r *chem.Recipe) any { return method(r, "copper by thiosulfate").Aliquot }, 1.0},
		{"method.copper.molarity", set("50", "mmol/L", ""), "", func(r *chem.Recipe) any { return method(r, "copper by EDTA").Molarity }, 0.05},
		{"method.copper.indicator", chem.Measured{}, "PAN", func(r *chem.Recipe) any { return method(r, "copper by EDTA").Indicator }, "PAN"},
		{"method.chloride by silver nitrate, turbidimetric.reading_u", set("5", "mg/L", ""), "", func(r *chem.Recipe) any { return method(r, "chloride by silver nitrate, turbidimetric").UReading }, 5.0},
		{"material.brightener.smallest", set("1", "mL", ""), "", func(r *chem.Recipe) any { m, _ := r.Material("brightener"); return m.Smallest }, 1.0},
		{"material.sulfuric acid 96 %.stock", set("500", "mL", ""), "", func(r *chem.Recipe) any { m, _ := r.Material("sulfuric acid 96 %"); return m.Stock }, 0.5},
		{"material.copper sulfate pentahydrate.brings.copper", set("250", "", ""), "", func(r *chem.Recipe) any { m, _ := r.Material("copper sulfate pentahydrate"); return m.Brings["copper"] }, 250.0},
		{"volume", set("55", "L", ""), "", func(r *chem.Recipe) any { return r.Volume }, 55.0},
		{"title", chem.Measured{}, "the blue tank", func(r *chem.Recipe) any { return r.Title }, "the blue tank"},
	} {
		t.Run(c.key, func(t *testing.T) {
			out, err := recipe.Apply(r, chem.Setting{Key: c.key, Value: c.value, Text: c.text})
			require.NoError(t, err)
			if want, ok := c.want.(float64); ok {
				assert.InDelta(t, want, c.got(out), 1e-9)
			} else if want, ok := c.want.([2]float64); ok {
				got := c.got(out).([2]float64)
				assert.InDeltaSlice(t, want[:], got[:], 1e-9)
			} else {
				assert.Equal(t, c.want, c.got(out))
			}
			after, err := json.Marshal(r)
			require.NoError(t, err)
			assert.Equal(t, string(before), string(after), "the recipe itself stays as it was")
			for _, s := range out.Sources {
				if strings.EqualFold(s.Key, c.key) {
					assert.NotContains(t, s.Text, "seen", "the old figure's source does not stand behind the new one")
				}
			}
		})
	}
}

func TestApplyRefusesInOneSentence(t *testing.T) {
	r, _ := shipped(t, "copper-electroforming")
	for _, c := range []struct {
		key   string
		value chem.Measured
		text  string
		want  string
	}{
		{"copper.low", set("55", "g/L", ""), "", "copper.low cannot be changed so: constituent copper: low 55 is above high 54"},
		{"copper.high", set("55", "", ""), "", "copper.high needs a unit, such as 55 g/L"},
		{"copper.high", set("55", "mL/L", ""), "", "copper.high is in g/L: mL/L is a concentration by volume, not a concentration by mass"},
		{"copper.high", set("-55", "g/L", ""), "", "constituent copper: high -55 is negative"},
		{"copper.high", chem.Measured{}, "much", "copper.high takes a number in g/L"},
		{"copper.hihg", set("55", "g/L", ""), "", "unknown key copper.hihg; did you mean copper.high?"},
		{"coper.high", set("55", "g/L", ""), "", "unknown key coper.high; did you mean copper.high?"},
		{"", set("55", "g/L", ""), "", "a setting needs a key, such as copper.high"},
		{"zzzz", set("55", "g/L", ""), "", "unknown key zzzz; the nearest is"},
		{"copper.unit", chem.Measured{}, "mg/L", "copper.unit says what the bath is and cannot be changed by a setting"},
		{"metal", chem.Measured{}, "nickel", "metal says what the bath is and cannot be changed by a setting"},
		{"charge", set("1", "", ""), "", "charge says what the bath is and cannot be changed by a setting"},
		{"brightener.use", set("0.18", "g", ""), "", "brightener.use is in mL/Ah: g is a mass, not a volume per charge"},
		{"prior.evaporation", set("2", "L/Ah", ""), "", "prior.evaporation is in L/day: L/Ah is a volume per charge, not a volume per time"},
		{"prior.anode_efficiency", set("99.8", "", ""), "", "anode_efficiency 99.8 is above 1.1; write a fraction such as [0.998, 0.008]"},
		{"limits.temperature", set("18", "degC", ""), "", "limits.temperature has two numbers; name limits.temperature.low or limits.temperature.high"},
		{"limits.temperature.low", set("40", "degC", ""), "", "temperature: lowest 40 is above highest 30"},
		{"method.copper.indicator", set("1", "", ""), "", `method.copper by EDTA.indicator takes text, such as "murexide"`},
		{"method.copper.ratio", set("0", "", ""), "", "ratio is missing; write ratio = 1"},
		{"material.copper sulfate pentahydrate.brings.chloride", set("1", "", ""), "", "names what is brought, such as material.copper sulfate pentahydrate.brings.copper"},
		{"anodes", chem.Measured{}, "solid", `anodes "solid" is not known; write "soluble" or "inert"`},
	} {
		out, err := recipe.Apply(r, chem.Setting{Key: c.key, Value: c.value, Text: c.text})
		assert.ErrorContains(t, err, c.want, c.key)
		assert.Nil(t, out)
		if err != nil {
			assert.NotContains(t, err.Error(), "\n", c.key)
		}
	}
	_, err := recipe.Apply(nil, chem.Setting{Key: "volume"})
	assert.Error(t, err)
}

func TestAnodesThatBecomeInertNoLongerDissolve(t *testing.T) {
	r, _ := shipped(t, "copper-electroforming")
	out, err := recipe.Apply(r, chem.Setting{Key: "anodes", Text: "Inert"})
	require.NoError(t, err)
	assert.Equal(t, "inert", out.Anodes)
	assert.Zero(t, out.Prior.AnodeEfficiency)
	assert.Zero(t, out.Prior.Dissolution)
	_, err = recipe.Apply(out, chem.Setting{Key: "chloride.high", Value: set("1.2", "g/L", "")})
	assert.ErrorContains(t, err, "chlorine", "a window that grows past 1 g/L is refused as a recipe would be")
	back, err := recipe.Apply(out, chem.Setting{Key: "anodes", Text: "soluble"})
	require.NoError(t, err)
	assert.Equal(t, chem.Prior{Value: 1, U: 0.02}, back.Prior.AnodeEfficiency)
}

// What is listed is found, takes the unit that is listed, and refuses what no
// such figure can be.
func TestEveryListedKeyCanBeSet(t *testing.T) {
	r, _ := shipped(t, "copper-electroforming")
	keys := recipe.Keys(r)
	require.Greater(t, len(keys), 100)
	seen := map[string]bool{}
	for _, k := range keys {
		assert.False(t, seen[k.Name], "%s is listed twice", k.Name)
		seen[k.Name] = true
		_, err := recipe.Apply(r, chem.Setting{Key: k.Name, Value: set("-1", k.Unit, "")})
		if k.Text {
			assert.ErrorContains(t, err, "takes text", k.Name)
			continue
		}
		if k.Name == "limits.temperature.low" || strings.Contains(k.Name, ".brings.") {
			// A winter's night is below zero, and a material may use something up.
			if err != nil {
				assert.NotContains(t, err.Error(), "negative", k.Name)
			}
			continue
		}
		require.Error(t, err, k.Name)
		assert.NotContains(t, err.Error(), "unknown key", k.Name)
		assert.NotContains(t, err.Error(), "needs a unit", k.Name)
	}
}

// What can be set is shown as it is, and setting it to what it is changes
// nothing.
func TestPresentIsWhatApplySets(t *testing.T) {
	r, _ := shipped(t, "copper-electroforming")
	for _, k := range recipe.Keys(r) {
		value, text, err := recipe.Present(r, k.Name)
		require.NoError(t, err, k.Name)
		require.Equal(t, k.Text, !value.Given(), k.Name)
		require.Equal(t, k.Unit, string(value.Unit), k.Name)
		if value.Given() && value.Number.Float() != 0 || text != "" {
			out, err := recipe.Apply(r, chem.Setting{Key: k.Name, Value: value, Text: text})
			require.NoError(t, err, k.Name)
			again, _, err := recipe.Present(out, k.Name)
			require.NoError(t, err)
			assert.Equal(t, value, again, k.Name)
		}
	}
	// The figures are those of the file, as copied from its text.
	value, _, err := recipe.Present(r, "Copper.High")
	require.NoError(t, err)
	assert.Equal(t, set("54", "g/L", ""), value)
	value, _, err = recipe.Present(r, "prior.evaporation")
	require.NoError(t, err)
	assert.Equal(t, set("0.31", "L/day", "0.14"), value)
	_, _, err = recipe.Present(r, "copper.hihg")
	assert.ErrorContains(t, err, "did you mean copper.high?")
	_, _, err = recipe.Present(r, "limits.temperature")
	assert.ErrorContains(t, err, "no single number")
}
