package recipe_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/recipe"
)

// What each material of each shipped recipe brings, from molar masses (IUPAC 2021
// weights, as above), strength and density. A material that is not in the table
// fails, so that a new one cannot come without a figure from outside.
func TestWhatEveryMaterialBrings(t *testing.T) {
	const pentahydrate = wCu + wS + 4*wO + 5*(2*wH+wO)
	type brought struct{ material, constituent string }
	want := map[brought]float64{
		{"copper sulfate pentahydrate", "copper"}:   1000 * wCu / pentahydrate, // 25.45 %
		{"nickel sulfate hexahydrate", "nickel"}:    1000 * wNi / wNickelSulfate,
		{"nickel chloride hexahydrate", "nickel"}:   1000 * wNi / wNickelChloride,
		{"nickel sulfamate tetrahydrate", "nickel"}: 1000 * wNi / wNickelSulfamate,
		// scribd 264727522, a supplier's sheet: 550 g/L of the tetrahydrate.
		{"nickel sulfamate concentrate", "nickel"}: 550 * wNi / wNickelSulfamate,
		{"sodium chloride", "chloride"}:            1000 * wCl / (wNa + wCl),
		// liquisearch.com, physical properties of hydrochloric acid: 32 % is 1.159 g/mL at 20 degC.
		{"hydrochloric acid 32 %", "chloride"}: 320 * 1.159 * wCl / (wH + wCl),
		// CRC Handbook, 102nd ed., 20 degC: 96 % is 1.8355 g/mL; 35 % a quarter of the way from 34 to 38 %.
		{"sulfuric acid 96 %", "sulfuric acid"}: 960 * 1.8355,
		{"sulfuric acid 35 %", "sulfuric acid"}: 350 * (0.75*1.2518 + 0.25*1.2855),
		// Counted as themselves: a kilogram is a kilogram, a millilitre a millilitre.
		{"nickel chloride hexahydrate", "nickel chloride"}: 1000,
		{"boric acid", "boric acid"}:                       1000,
		{"carrier", "carrier"}:                             1,
		{"brightener", "brightener"}:                       1,
		{"leveller", "leveller"}:                           1,
		{"wetter", "wetter"}:                               1,
		// The label decides, and the recipe says "yours to set"; nothing of a cyanide bath is dosed.
		{"gold replenisher", "gold"}: 0.1,
	}
	met := map[brought]bool{}
	for _, name := range recipe.Shipped() {
		r, _ := shipped(t, name)
		for _, m := range r.Materials {
			assert.Equal(t, m.Water, len(m.Brings) == 0, "%s: %s", name, m.Name)
			for constituent, got := range m.Brings {
				b := brought{m.Name, constituent}
				if assert.Contains(t, want, b, name) {
					assert.InEpsilon(t, want[b], got, 1e-3, "%s: %v", name, b)
					met[b] = true
				}
			}
			if m.Acid > 0 {
				assert.InEpsilon(t, 1000*m.Acid*m.Density, m.Brings["sulfuric acid"], 1e-3, "%s: %s: strength times density, g/L", name, m.Name)
			}
		}
	}
	assert.Len(t, met, len(want), "each is in a recipe")
}

// A bath anywhere in its shipped windows stays clear where it stands cold. In
// water, CRC Handbook 91st ed. (2010), g of the anhydrous salt per 100 g of water:
// nickel sulfate 32.28 at 10 degC and 37.74 at 20, copper sulfate 16.82 and 20.05,
// boric acid 8.81 at 40 degC and 11.48 at 50 (as transcribed in
// newfound-materials/aqueous-solubility-data). A litre of solution is taken to hold
// no more than a litre of water, which makes the limits high by as much as the salt
// takes up, so they count by 0.85.
func TestShippedWindowsStayDissolved(t *testing.T) {
	high := func(name, constituent string) float64 {
		r, _ := shipped(t, name)
		c, ok := r.Constituent(constituent)
		require.True(t, ok)
		return c.High
	}
	cold := func(name string, at float64) {
		r, _ := shipped(t, name)
		assert.GreaterOrEqual(t, r.Limits.Temperature[0], at, "%s: the table below is for this", name)
	}
	cold("nickel-watts", 10)
	assert.Less(t, high("nickel-watts", "nickel"), 0.85*322.8*wNi/(wNi+wS+4*wO), "all of it as sulfate, at 10 degC")
	for _, name := range []string{"copper-electroforming", "copper-bright"} {
		cold(name, 10)
		assert.Less(t, high(name, "copper"), 0.85*168.2*wCu/(wCu+wS+4*wO), "%s: at 10 degC in water", name)
		r, _ := shipped(t, name)
		most, err := chem.CopperSolubilityEstimate(high(name, "sulfuric acid"), r.Limits.Temperature[0])
		require.NoError(t, err)
		assert.LessOrEqual(t, high(name, "copper"), most, "%s: beside the most acid, at the coldest", name)
	}
	assert.Less(t, high("nickel-watts", "boric acid"), 0.85*88.1, "where it plates, at 50 degC and above; the table is for 40")
	assert.Less(t, high("nickel-sulfamate", "boric acid"), 0.85*88.1, "where it plates, at 40 degC and above")
}
