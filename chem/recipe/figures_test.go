package recipe_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem/recipe"
)

// Every figure that a reader of the text finds is listed, with its line, its
// number and the comment behind it, and nothing is that no line says.
func TestFiguresAreThoseOfTheFile(t *testing.T) {
	for _, name := range recipe.Shipped() {
		text, _ := recipe.ShippedText(name)
		lines := strings.Split(string(text), "\n")
		list, r, err := recipe.Figures(name, text)
		require.NoError(t, err)
		require.NotNil(t, r)
		found := figures(t, string(text))
		byLine, cautions := map[int]bool{}, 0
		for i, f := range list {
			line := lines[f.Line-1]
			if i > 0 {
				assert.LessOrEqual(t, list[i-1].Line, f.Line)
			}
			assert.NotEmpty(t, f.Kind(), "%s: %s says no source", name, f.Key)
			assert.True(t, strings.HasPrefix(f.Key, f.Table), f.Key)
			if f.Texts != nil {
				cautions++
				assert.Contains(t, line, "cautions")
				continue
			}
			byLine[f.Line] = true
			assert.Contains(t, line, fmt.Sprint(f.Value), "%s: %s", name, f.Key)
			assert.Contains(t, line, f.Source, "%s: %s", name, f.Key)
			if f.Prior {
				assert.Contains(t, line, fmt.Sprint(f.U), "%s: %s", name, f.Key)
			}
		}
		for key, line := range found {
			assert.True(t, byLine[line], "%s: %s on line %d is not listed", name, key, line)
		}
		assert.Equal(t, len(found), len(byLine), name)
		assert.Equal(t, strings.Count(string(text), "\n] # ")+strings.Count(string(text), `"] # `), cautions, "%s: lists of cautions that name a source", name)
	}
}

func TestFiguresHaveUnitsAndReadWell(t *testing.T) {
	text, _ := recipe.ShippedText("nickel-watts")
	list, _, err := recipe.Figures("nickel-watts", text)
	require.NoError(t, err)
	shown := map[string]string{}
	for _, f := range list {
		shown[f.Key] = f.String()
		if f.Table != "" {
			assert.NotContains(t, f.Name(), f.Table+".")
		}
	}
	for key, want := range map[string]string{
		"nickel.low": "62 g/L", "copper.high": "10 mg/L", "charge": "2", "volume": "60 L", "prior.cathode_efficiency": "0.95 ± 0.012",
		"prior.drag_out": "0.0008 ± 0.0004 L/Ah", "material.nickel chloride hexahydrate.brings.nickel chloride": "1000 g/kg",
		"limits.ph.high": "4.5", "limits.temperature_run.low": "50 degC", "method.nickel by EDTA.molarity": "0.1 mol/L", "cautions": "6 cautions",
	} {
		assert.Equal(t, want, shown[key], key)
	}
	assert.NotContains(t, shown, "nickel.overdose_cost", "what the file leaves to a default is not the file's")
}

func TestFiguresOfABadFileAreItsFaults(t *testing.T) {
	_, r, err := recipe.Figures("bad.toml", []byte(edited(t, small, "low = 46", "low = 56")))
	var faults *recipe.Faults
	require.ErrorAs(t, err, &faults)
	assert.Nil(t, r)
	list, _, err := recipe.Figures("small.toml", []byte(small))
	require.NoError(t, err)
	for _, f := range list {
		assert.Empty(t, f.Kind(), "%s: a file without comments has no sources", f.Key)
	}
}
