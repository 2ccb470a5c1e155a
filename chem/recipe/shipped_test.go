package recipe_test

import (
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/recipe"
)

func shipped(t *testing.T, name string) (*chem.Recipe, string) {
	t.Helper()
	text, ok := recipe.ShippedText(name)
	require.True(t, ok, name)
	return parse(t, string(text)), string(text)
}

func TestShippedRecipesAreFound(t *testing.T) {
	require.Contains(t, recipe.Shipped(), "copper-electroforming")
	want, ok := recipe.ShippedText("copper-electroforming")
	require.True(t, ok)
	for _, name := range []string{"Copper-Electroforming", "acid copper for electroforming", "ACID  Copper for Electroforming", "copper-electroforming.toml"} {
		got, ok := recipe.ShippedText(name)
		require.True(t, ok, name)
		assert.Equal(t, string(want), string(got), name)
	}
	for _, name := range []string{"", "copper", "../recipe", "doc.go"} {
		_, ok := recipe.ShippedText(name)
		assert.False(t, ok, name)
	}
	want[0] = '!'
	again, _ := recipe.ShippedText("copper-electroforming")
	assert.NotEqual(t, want[0], again[0], "a caller's copy is its own")
}

func TestShippedRecipesPassCheckAndFitTheirName(t *testing.T) {
	titles := map[string]bool{}
	for _, name := range recipe.Shipped() {
		r, _ := shipped(t, name)
		assert.Empty(t, recipe.Check(r), name)
		assert.False(t, titles[r.Title], "%s: the title is another's too", name)
		titles[r.Title] = true
	}
}

// figures lists the dotted keys of all lines that hold a figure. It reads the
// text itself, so that it does not depend on what it checks.
func figures(t *testing.T, text string) map[string]int {
	header := regexp.MustCompile(`^\[+(\w+)\]+`)
	pair := regexp.MustCompile(`^(\w+)\s*=\s*(.*)$`)
	quoted := regexp.MustCompile(`"[^"]*"`)
	out := map[string]int{}
	table, name, method := "", "", ""
	for i, line := range strings.Split(text, "\n") {
		if m := header.FindStringSubmatch(line); m != nil {
			table, name, method = m[1], "", ""
			continue
		}
		m := pair.FindStringSubmatch(line)
		if m == nil || table == "sources" {
			continue
		}
		value, _, _ := strings.Cut(quoted.ReplaceAllString(m[2], ""), "#")
		if q := quoted.FindString(m[2]); m[1] == "name" && q != "" {
			name = strings.Trim(q, `"`)
		}
		if !strings.ContainsAny(value, "0123456789") {
			continue
		}
		switch table {
		case "":
			out[m[1]] = i + 1
		case "prior", "limits", "upkeep":
			out[table+"."+m[1]] = i + 1
		case "constituent", "organic":
			require.NotEmpty(t, name, "line %d: the name comes first", i+1)
			out[name+"."+m[1]] = i + 1
		default:
			require.NotEmpty(t, name+method, "line %d: the name comes first", i+1)
			out[table+"."+name+"."+m[1]] = i + 1
		}
	}
	return out
}

var seen = regexp.MustCompile(`^seen ([^:]+)`)

func TestEveryFigureOfAShippedRecipeSaysWhereItComesFrom(t *testing.T) {
	for _, name := range recipe.Shipped() {
		r, text := shipped(t, name)
		require.Less(t, strings.Index(text, "[sources]"), strings.Index(text, "[[constituent]]"), "the table of sources stands at the head")
		sources := map[string]string{}
		for _, s := range r.Sources {
			assert.NotContains(t, sources, s.Key, "%s: two sources for one figure", name)
			sources[s.Key] = s.Text
		}
		found := figures(t, text)
		require.Greater(t, len(found), 20, "%s: the figures were not found", name)
		for key, line := range found {
			assert.NotEmpty(t, sources[key], "%s line %d: %s says neither source nor memory nor yours to set", name, line, key)
		}
		works := map[string]bool{}
		for _, ref := range r.References {
			works[ref.Key] = false
			assert.Greater(t, len(ref.Text), 20, ref.Key)
		}
		for _, s := range r.Sources {
			if !strings.HasSuffix(s.Key, "cautions") { // hazard statements have theirs too
				assert.NotZero(t, found[s.Key], "%s: %s has a source and is no figure", name, s.Key)
			}
			if m := seen.FindStringSubmatch(s.Text); m != nil {
				for _, key := range strings.Split(m[1], ", ") {
					assert.Contains(t, works, key, "%s: %s was seen in a work that is not listed", name, s.Key)
				}
			}
			for key := range works {
				works[key] = works[key] || strings.Contains(s.Text, key)
			}
		}
		for key, used := range works {
			assert.True(t, used, "%s: %s is listed and never cited", name, key)
		}
	}
}

// Abridged standard atomic weights, IUPAC 2021 (Prohaska et al. 2022, doi
// 10.1515/pac-2019-0603), written here a second time on purpose.
const (
	wH, wO, wS, wCu, wCl, wNa = 1.0080, 15.999, 32.06, 63.546, 35.45, 22.990
)

// crc is one row of the CRC Handbook, 102nd ed., Concentrative Properties of
// Aqueous Solutions, at 20 degC: mass % and g/cm3.
type crc struct{ w, rho float64 }

func TestWhatTheMaterialsBring(t *testing.T) {
	r, _ := shipped(t, "copper-electroforming")
	brings := func(material, constituent string) float64 {
		m, ok := r.Material(material)
		require.True(t, ok, material)
		require.Contains(t, m.Brings, constituent)
		return m.Brings[constituent]
	}
	pentahydrate := wCu + wS + 4*wO + 5*(2*wH+wO)
	assert.InEpsilon(t, 1000*wCu/pentahydrate, brings("copper sulfate pentahydrate", "copper"), 2e-4, "g/kg, IUPAC 2021")
	assert.InEpsilon(t, 1000*wCl/(wNa+wCl), brings("sodium chloride", "chloride"), 2e-4, "mg/g, IUPAC 2021")

	// CRC: 96 % sulfuric acid is 1.8355 g/cm3 and 17.966 mol/L; its molar mass there is 98.079.
	assert.InEpsilon(t, 17.966*98.079, brings("sulfuric acid 96 %", "sulfuric acid"), 5e-4, "g/L, CRC 102nd ed.")
	// CRC has rows at 34 and 38 %: 4.339 and 4.981 mol/L, and 35 % lies a quarter of the way.
	assert.InEpsilon(t, (0.75*4.339+0.25*4.981)*98.079, brings("sulfuric acid 35 %", "sulfuric acid"), 2e-3, "g/L, CRC 102nd ed.")

	for name, want := range map[string]struct{ acid, density float64 }{"sulfuric acid 96 %": {0.96, 1.8355}, "sulfuric acid 35 %": {0.35, 0.75*1.2518 + 0.25*1.2855}} {
		m, _ := r.Material(name)
		assert.Equal(t, want.acid, m.Acid)
		assert.InEpsilon(t, want.density, m.Density, 5e-4, name)
	}
	strong, _ := r.Material("sulfuric acid 96 %")
	mild, _ := r.Material("sulfuric acid 35 %")
	assert.True(t, mild.Prefer && !strong.Prefer, "the acid that is safer to pour is preferred")
	grams := func(m chem.Material) float64 { return m.Price / m.Brings["sulfuric acid"] }
	assert.Less(t, grams(mild), grams(strong), "and price does not say otherwise")

	water, _ := r.Material("deionised water")
	assert.True(t, water.Water)
	assert.Empty(t, water.Brings)
	assert.Equal(t, 1.0, water.Litres)
}

func TestVolumeThatTheMaterialsAdd(t *testing.T) {
	r, _ := shipped(t, "copper-electroforming")
	const rhoWater = 0.9982 // kg/L at 20 degC, from memory (CRC)

	// 1 kg of copper sulfate solution less the water in it that was added as
	// water leaves what the crystals, with their own water, added.
	crystals := (wCu + wS + 4*wO + 5*(2*wH+wO)) / (wCu + wS + 4*wO)
	m, _ := r.Material("copper sulfate pentahydrate")
	for _, row := range []crc{{w: 10, rho: 1.1070}, {w: 14, rho: 1.1545}, {w: 18, rho: 1.2059}} {
		kg := row.w / 100 * crystals
		litres := (1/row.rho - (1-kg)/rhoWater) / kg
		assert.InEpsilon(t, litres, m.Litres, 0.03, "L/kg at %g %%", row.w)
	}

	// From 5 to 6 % acid, about 60 g/L, on the same water: what a kg of acid adds.
	from, to := crc{w: 5, rho: 1.0318}, crc{w: 6, rho: 1.0385}
	after := (1 - from.w/100) / (1 - to.w/100)
	perKg := (after/to.rho - 1/from.rho) / (after - 1)
	for _, name := range []string{"sulfuric acid 96 %", "sulfuric acid 35 %"} {
		m, _ := r.Material(name)
		want := m.Density * (m.Acid*perKg + (1-m.Acid)/rhoWater)
		assert.InEpsilon(t, want, m.Litres, 0.01, name)
	}
}

// The published results follow from the shipped methods' ratio and molar mass:
// c = V·M·f·ratio·molar mass / aliquot.
func TestMethodsReproducePublishedResults(t *testing.T) {
	r, _ := shipped(t, "copper-electroforming")
	for _, c := range []struct {
		source, method                       string
		delivered, molarity, factor, aliquot float64
		want, tolerance                      float64
	}{
		// The factors 1.005 and 0.995 are not printed in what could be read; they are implied by every row.
		{"jmscience.com, copper in copper sulfate plating solution", "copper by thiosulfate", 9.623, 0.1, 1.005, 1, 61.456, 2e-5},
		{"the same, third run", "copper by thiosulfate", 9.632, 0.1, 1.005, 1, 61.514, 2e-5},
		{"jmscience.com, copper ion in plating solution", "copper by EDTA", 7.623, 0.1, 0.995, 5, 9.639, 2e-4},
		{"the same, second run", "copper by EDTA", 7.603, 0.1, 0.995, 5, 9.614, 2e-4},
		// organotin.org, acid tin bath: 1 mL of 1 mol/L base on 5 mL is 9.8 g/L acid, 0.0490 g per mL.
		{"organotin.org, acid of a tin bath", "sulfuric acid by sodium hydroxide", 1, 1, 1, 5, 9.8, 2e-3},
	} {
		m, ok := find(r, c.method)
		require.True(t, ok, c.method)
		got := c.delivered * c.molarity * c.factor * m.Ratio * m.MolarMass / c.aliquot
		assert.InEpsilon(t, c.want, got, c.tolerance, c.source)
	}
	// Volhard's stoichiometry: 1 mL of 0.01 mol/L silver nitrate is 0.35453 mg chloride (Cl 35.453, older IUPAC weight).
	m, _ := find(r, "chloride by silver nitrate, potentiometric")
	assert.InEpsilon(t, 0.35453, m.Molarity*m.Ratio*m.MolarMass, 1e-4)
}

func find(r *chem.Recipe, method string) (chem.Method, bool) {
	i := slices.IndexFunc(r.Methods, func(m chem.Method) bool { return m.Name == method })
	if i < 0 {
		return chem.Method{}, false
	}
	return r.Methods[i], true
}

func TestTitresUseTheBurette(t *testing.T) {
	titre := func(m chem.Method, aliquot, value float64, unit chem.Unit) float64 {
		grams, _, err := chem.MeasuredOf(value, unit, 0).In("g/L")
		require.NoError(t, err)
		return grams * aliquot / (m.Molarity * m.Ratio * m.MolarMass)
	}
	counts, named := map[string]int{}, map[string]int{}
	for _, name := range recipe.Shipped() {
		r, _ := shipped(t, name)
		for _, m := range r.Methods {
			c, _ := r.Constituent(m.Constituent)
			if m.Titrant == "" {
				continue
			}
			counts[name]++
			// USP 31 <31>: a titration uses at least 30 % of the burette's capacity.
			assert.GreaterOrEqual(t, titre(m, m.Aliquot, c.Target, c.Unit), 0.3*m.Burette, "%s: %s", name, m.Name)
			assert.LessOrEqual(t, titre(m, m.Aliquot, c.High, c.Unit)+m.Blank, m.Burette, "%s: %s, without refilling", name, m.Name)
			// The titre that the file names is the one that follows from its figures.
			for _, s := range r.Sources {
				said := saidTitre.FindStringSubmatch(s.Text)
				if s.Key != "method."+m.Name+".aliquot_mL" || said == nil {
					continue
				}
				named[name]++
				x := make([]float64, 4)
				for i := range x[1:] {
					f, err := strconv.ParseFloat(said[i+1], 64)
					require.NoError(t, err)
					x[i+1] = f
				}
				assert.Equal(t, m.Aliquot, x[1], "%s: %s", name, s.Key)
				assert.Equal(t, c.Target, x[2], "%s: %s", name, s.Key)
				assert.InDelta(t, x[3], titre(m, x[1], x[2], c.Unit), 0.051, "%s: %s", name, s.Key)
			}
		}
	}
	assert.Equal(t, map[string]int{"copper-electroforming": 4, "copper-bright": 4, "nickel-watts": 4, "nickel-sulfamate": 4}, counts, "and none for cyanide")
	assert.Equal(t, map[string]int{"copper-electroforming": 3, "copper-bright": 4, "nickel-watts": 4, "nickel-sulfamate": 4}, named)
	// By hand from 63.546, 98.072, 35.45, 58.693, 237.683 and 61.831 g/mol (IUPAC 2021).
	for _, w := range []struct {
		recipe, method string
		mL             float64
	}{
		{"copper-electroforming", "copper by EDTA", 15.74}, {"copper-electroforming", "copper by thiosulfate", 15.74},
		{"copper-electroforming", "sulfuric acid by sodium hydroxide", 12.24}, {"copper-electroforming", "chloride by silver nitrate, potentiometric", 8.46},
		{"nickel-watts", "nickel by EDTA", 11.93}, {"nickel-watts", "nickel chloride by silver nitrate, potentiometric", 12.79},
		{"nickel-watts", "nickel chloride by silver nitrate, Mohr", 15.99}, {"nickel-watts", "boric acid by sodium hydroxide", 12.94},
		{"nickel-sulfamate", "boric acid by sodium hydroxide", 9.70},
	} {
		r, _ := shipped(t, w.recipe)
		m, ok := find(r, w.method)
		require.True(t, ok, w.method)
		c, _ := r.Constituent(m.Constituent)
		assert.InDelta(t, w.mL, titre(m, m.Aliquot, c.Target, c.Unit), 0.01, w.method)
	}
}

var saidTitre = regexp.MustCompile(`([0-9.]+) mL of ([0-9.]+) m?g/L takes? ([0-9.]+) mL`)

// Tolerances of class A glassware, mL, as a pharmacy's table prints them
// (pharmaguideline.com, calibration of glassware): one-mark pipettes, burettes.
func TestGlasswareIsOfAClass(t *testing.T) {
	pipettes := map[float64]float64{1: 0.006, 2: 0.006, 5: 0.01, 10: 0.02, 15: 0.02, 20: 0.03, 25: 0.03, 50: 0.04, 100: 0.06}
	burettes := map[float64]float64{10: 0.01, 25: 0.03, 50: 0.05, 100: 0.10}
	for _, name := range recipe.Shipped() {
		r, _ := shipped(t, name)
		for _, m := range r.Methods {
			require.Contains(t, pipettes, m.Aliquot, "%s: %s: a pipette that is sold", name, m.Name)
			if m.Titrant != "" {
				assert.Equal(t, pipettes[m.Aliquot], m.UAliquot, "%s: %s", name, m.Name)
				assert.Equal(t, burettes[m.Burette], m.UBurette, "%s: %s", name, m.Name)
			}
		}
	}
}

func TestWindowsLieInPublishedRanges(t *testing.T) {
	r, _ := shipped(t, "copper-electroforming")
	cu, _ := r.Constituent("copper")
	acid, _ := r.Constituent("sulfuric acid")
	cl, _ := r.Constituent("chloride")
	salt := (wCu + wS + 4*wO + 5*(2*wH+wO)) / wCu
	// A supplier's sheet (studylib 7471571): 180 to 220 g/L pentahydrate. Half a g/L of copper is rounding.
	assert.GreaterOrEqual(t, cu.Low*salt, 180-2.0)
	assert.LessOrEqual(t, cu.High*salt, 220+2.0)
	// Metal Finishing Guide Book 2013, scan 284: acid 30 to 75 g/L, chloride 50 to 120 mg/L.
	assert.GreaterOrEqual(t, acid.Low, 30.0)
	assert.LessOrEqual(t, acid.High, 75.0)
	assert.GreaterOrEqual(t, cl.Low, 50.0)
	assert.LessOrEqual(t, cl.High, 120.0)
	// CRC 91st ed.: water at 10 degC holds 16.82 g CuSO4 per 100 g, 67 g/L copper. A window above
	// that could not be kept even without acid.
	assert.Less(t, cu.High, 67.0)
}

func TestCautionsStandWhereTheHazardIs(t *testing.T) {
	r, text := shipped(t, "copper-electroforming")
	require.NotEmpty(t, r.Cautions)
	has := func(cautions []string, words ...string) {
		t.Helper()
		for _, w := range words {
			assert.Contains(t, strings.ToLower(strings.Join(cautions, "\n")), w)
		}
	}
	for _, m := range r.Materials {
		if m.Acid > 0 {
			has(m.Cautions, "acid into water, never water into acid", "goggles", "h314")
		}
		if !m.Water {
			assert.NotEmpty(t, m.Cautions, m.Name)
		}
	}
	// ILO ICSC 1416: copper sulfate pentahydrate, H302, H318, H410.
	salt, _ := r.Material("copper sulfate pentahydrate")
	has(salt.Cautions, "h302", "h318", "h410", "drain")
	has(r.Cautions, "goggles", "drain", "safety data sheet", "local codes", "licensed practice")
	for method, words := range map[string][]string{
		"copper by thiosulfate":                      {"peroxide"},
		"copper by EDTA":                             {"ammonia", "silver"},
		"sulfuric acid by sodium hydroxide":          {"phenolphthalein", "goggles"},
		"chloride by silver nitrate, potentiometric": {"never with ammonia", "thiourea"},
	} {
		m, _ := find(r, method)
		require.NotEmpty(t, m.Steps, method)
		has(m.Cautions, words...)
	}
	for _, never := range []string{"mercuric nitrate", "mercury nitrate", "chromate"} {
		assert.NotContains(t, strings.ToLower(text), never, "not to be shipped: its waste is worse than the reading is worth")
	}
}

func TestShippedTextIsPleasantToEdit(t *testing.T) {
	for _, name := range recipe.Shipped() {
		_, text := shipped(t, name)
		assert.NotContains(t, text, "\t")
		assert.NotContains(t, text, "\r")
		for i, line := range strings.Split(text, "\n") {
			assert.Equal(t, strings.TrimRight(line, " "), line, "%s line %d ends in a space", name, i+1)
			assert.LessOrEqual(t, len([]rune(line)), 200, "%s line %d", name, i+1)
		}
	}
}
