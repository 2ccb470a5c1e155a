package recipe_test

import (
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/recipe"
)

// Abridged standard atomic weights, IUPAC 2021, as above.
const (
	wN, wB, wNi, wAu = 14.007, 10.81, 58.693, 196.97

	wNickelSulfate   = wNi + wS + 4*wO + 6*(2*wH+wO)           // NiSO4·6H2O
	wNickelChloride  = wNi + 2*wCl + 6*(2*wH+wO)               // NiCl2·6H2O
	wNickelSulfamate = wNi + 2*(wS+3*wO+wN+2*wH) + 4*(2*wH+wO) // Ni(SO3NH2)2·4H2O
	wBoricAcid       = 3*wH + wB + 3*wO                        // H3BO3
)

// titrate computes a titration through the shipped method, as the tool does.
func titrate(t *testing.T, m chem.Method, typed chem.Titration) float64 {
	t.Helper()
	setup, err := typed.Setup(m)
	require.NoError(t, err)
	setup.Blank = 0 // the published examples have none, or took it off
	r, err := setup.Result()
	require.NoError(t, err)
	return r.Value
}

func TestNickelAndBoricAcidTitrationsInPrint(t *testing.T) {
	for _, c := range []struct {
		source, recipe, method               string
		delivered, aliquot, molarity, factor chem.Decimal
		want, within                         float64 // g/L
	}{
		// Two end points of one flask: 0.834 mL for the acid, 2.786 mL for both.
		{"application bulletin 195/2, free boric acid: 48.28 g/L", "nickel-watts", "boric acid by sodium hydroxide", "1.952", "0.25", "0.1", "1", 48.28, 2e-4},
		{"the same: 1 mL of 0.1 mol/L is 6.183 mg", "nickel-watts", "boric acid by sodium hydroxide", "1", "1", "0.1", "1", 6.183, 1e-4},
		{"pfonline.com, boric acid and mannitol: 1.24 g/L per mL on 5 mL, three figures", "nickel-sulfamate", "boric acid by sodium hydroxide", "1", "5", "0.1", "1", 1.24, 4e-3},
		{"borgmann-aquaponik-hydroponik.ch: 12.4 mL of 0.01 mol/L on 50 mL is 2.48 mmol/L", "nickel-watts", "nickel by EDTA", "12.4", "50", "0.01", "1", 2.48e-3 * 58.6934, 1e-4},
		// The bulletin lists nickel with 58.71 g/mol for the same scheme that gives 6.56 g/L of zinc from 2.006 mL.
		{"application bulletin 101, metals by EDTA, nickel at pH 10", "nickel-sulfamate", "nickel by EDTA", "2.006", "2", "0.1", "1", 6.5576 / 65.38 * 58.71, 5e-4},
		// A nickel chloride titration: two silver to one salt, so 1 mL of 0.05 mol/L on 1 mL is 0.025 mol/L of it.
		{"jmscience.com, nickel chloride, NiCl2 + 2 AgNO3", "nickel-watts", "nickel chloride by silver nitrate, potentiometric", "1", "1", "0.05", "1", 0.025 * 237.69, 1e-4},
		{"the same by Mohr", "nickel-sulfamate", "nickel chloride by silver nitrate, Mohr", "1", "5", "0.1", "1", 0.01 * 237.69, 1e-4},
	} {
		r, _ := shipped(t, c.recipe)
		m, ok := find(r, c.method)
		require.True(t, ok, c.method)
		got := titrate(t, m, chem.Titration{Delivered: []chem.Decimal{c.delivered}, Aliquot: c.aliquot, Molarity: c.molarity, Factor: c.factor})
		assert.InEpsilon(t, c.want, got, c.within, c.source)
	}
}

// EDTA finds the nickel of both salts: a bath of 300 g/L nickel sulfate, 45 g/L
// nickel chloride is 67.0 + 11.1 g/L, and the sulfate follows by the factors
// 0.2469 and 4.478 that the file states.
func TestNickelIsAllOfIt(t *testing.T) {
	_, text := shipped(t, "nickel-watts")
	total := 300*wNi/wNickelSulfate + 45*wNi/wNickelChloride
	assert.InDelta(t, 78.1, total, 0.05)
	assert.InDelta(t, 300, (total-0.2469*45)*4.478, 0.2)
	assert.Contains(t, text, "67.0 + 11.1 = 78.1 g/L")
	assert.Contains(t, text, "(nickel - 0.2469 x nickel chloride) x 4.478")

	r, text := shipped(t, "nickel-sulfamate")
	assert.Contains(t, text, "5.502 g of the tetrahydrate")
	assert.InDelta(t, 5.502, wNickelSulfamate/wNi, 5e-4)
	assert.Contains(t, text, "4.274 g of the anhydrous salt")
	assert.InDelta(t, 4.274, (wNickelSulfamate-4*(2*wH+wO))/wNi, 5e-4)
	// A supplier's concentrate (scribd 264727522): 550 g/L nickel sulfamate is 100 g/L nickel.
	m, ok := r.Material("nickel sulfamate concentrate")
	require.True(t, ok)
	assert.InEpsilon(t, 550*wNi/wNickelSulfamate, m.Brings["nickel"], 1e-3)
	for _, name := range []string{"nickel-watts", "nickel-sulfamate"} {
		r, _ := shipped(t, name)
		c, _ := r.Constituent("nickel")
		assert.Equal(t, chem.Unit("g/L"), c.Unit)
		assert.Equal(t, chem.RoleMetal, c.Role)
		assert.InDelta(t, wNi, c.MolarMass, 1e-9, "as metal")
		_, acid := r.WithRole(chem.RoleAcid)
		assert.False(t, acid)
		_, ok := r.Constituent("pH")
		assert.False(t, ok)
	}
}

func TestWhatTheOtherMaterialsBring(t *testing.T) {
	for _, c := range []struct {
		recipe, material, brings string
		want                     float64 // g or mg per unit
	}{
		{"nickel-watts", "nickel sulfate hexahydrate", "nickel", 1000 * wNi / wNickelSulfate},
		{"nickel-watts", "nickel chloride hexahydrate", "nickel", 1000 * wNi / wNickelChloride},
		{"nickel-watts", "nickel chloride hexahydrate", "nickel chloride", 1000},
		{"nickel-watts", "boric acid", "boric acid", 1000},
		{"nickel-sulfamate", "nickel sulfamate tetrahydrate", "nickel", 1000 * wNi / wNickelSulfamate},
		{"nickel-sulfamate", "nickel chloride hexahydrate", "nickel", 1000 * wNi / wNickelChloride},
		{"copper-bright", "copper sulfate pentahydrate", "copper", 1000 * wCu / (wCu + wS + 4*wO + 5*(2*wH+wO))},
		{"copper-bright", "sodium chloride", "chloride", 1000 * wCl / (wNa + wCl)},
		// 32 % is 1.159 g/mL at 20 degC (liquisearch.com, physical properties of hydrochloric acid).
		{"copper-bright", "hydrochloric acid 32 %", "chloride", 320 * 1.159 * wCl / (wH + wCl)},
		// CRC Handbook, 102nd ed.: 96 % is 17.966 mol/L, with 98.079 g/mol.
		{"copper-bright", "sulfuric acid 96 %", "sulfuric acid", 17.966 * 98.079},
	} {
		r, _ := shipped(t, c.recipe)
		m, ok := r.Material(c.material)
		require.True(t, ok, c.material)
		assert.InEpsilon(t, c.want, m.Brings[c.brings], 5e-4, "%s: %s, IUPAC 2021", c.recipe, c.material)
	}
	for _, name := range recipe.Shipped() {
		r, _ := shipped(t, name)
		for _, m := range r.Materials {
			assert.NotRegexp(t, "(?i)hydroxide|ammonia", m.Name, "%s: no caustic goes into a bath", name)
		}
		for _, c := range r.Constituents {
			for formula, want := range map[string]float64{"boric acid": wBoricAcid, "nickel chloride": wNickelChloride, "gold": wAu, "copper": wCu} {
				if c.Name == formula {
					assert.InDelta(t, want, c.MolarMass, 1e-3, "%s: %s", name, formula)
				}
			}
		}
	}
}

// Volumes that the nickel salts add follow from the model of Laliberté, J. Chem.
// Eng. Data 54 (2009) 1725, with the coefficients in its table (read in the
// repository CalebBell/thermo, Laliberte2009.tsv); the form of its density
// equation is from memory. 20 % of all solutes is about what a bath holds.
func TestVolumeThatNickelSaltsAdd(t *testing.T) {
	r, _ := shipped(t, "nickel-watts")
	for _, c := range []struct {
		material       string
		anhydrous, all float64
		litresPerKg    float64 // of the anhydrous salt: (x + c2 + c3·t)/((c0·x + c1)·exp(1e-6·(t + c4)²)) at 25 degC, 20 %
	}{
		{"nickel sulfate hexahydrate", wNi + wS + 4*wO, wNickelSulfate, 1 / 39332.9},
		{"nickel chloride hexahydrate", wNi + 2*wCl, wNickelChloride, 1 / 8388.9},
	} {
		m, ok := r.Material(c.material)
		require.True(t, ok)
		const rhoWater = 0.99705 // kg/L at 25 degC, from memory (CRC)
		share := c.anhydrous / c.all
		assert.InEpsilon(t, 1000*share*c.litresPerKg+(1-share)/rhoWater, m.Litres, 0.02, c.material)
	}
}

func TestOtherWindowsLieInPublishedRanges(t *testing.T) {
	salt := (wCu + wS + 4*wO + 5*(2*wH+wO)) / wCu
	type span struct{ low, high float64 }
	nickel := func(sulfate, chloride float64) float64 {
		return sulfate*wNi/wNickelSulfate + chloride*wNi/wNickelChloride
	}
	for _, c := range []struct {
		recipe, constituent, source string
		printed                     span
		per                         float64 // what is printed per unit of the window
	}{
		{"copper-bright", "copper", "studylib 7471571: 180 to 220 g/L pentahydrate", span{180, 220.1}, salt},
		{"copper-bright", "sulfuric acid", "scribd 38248676: 60 to 80 g/L", span{60, 80}, 1},
		{"copper-bright", "chloride", "scribd 38248676: 50 to 100 mg/L", span{50, 100}, 1},
		{"nickel-watts", "nickel", "Wikipedia, Nickel electroplating, semi-bright: 225 to 300 g/L sulfate with 30 to 45 g/L chloride", span{nickel(225, 30), nickel(300, 45)}, 1},
		{"nickel-watts", "nickel chloride", "the same: 30 to 45 g/L", span{30, 45}, 1},
		{"nickel-watts", "boric acid", "the same: 37 to 52 g/L", span{37, 52}, 1},
		{"nickel-sulfamate", "nickel", "scribd 264727522: 75 to 100 g/L nickel", span{75, 100}, 1},
		{"nickel-sulfamate", "nickel chloride", "the same: 15 to 30 g/L", span{15, 30}, 1},
		{"nickel-sulfamate", "boric acid", "the same: 26 to 35 g/L", span{26, 35}, 1},
		{"gold-acid", "gold", "ASM Handbook text: rarely above 8.2 g/L; 4 g/L and more from memory, Guidebook", span{4, 8.2}, 1},
	} {
		r, _ := shipped(t, c.recipe)
		k, ok := r.Constituent(c.constituent)
		require.True(t, ok, c.constituent)
		assert.GreaterOrEqual(t, k.Low*c.per, c.printed.low, "%s: %s", c.recipe, c.source)
		assert.LessOrEqual(t, k.High*c.per, c.printed.high, "%s: %s", c.recipe, c.source)
		assert.True(t, k.Low < k.Target && k.Target < k.High, c.constituent)
	}
	for name, run := range map[string]struct{ temperature, ph, density span }{
		"copper-bright":    {span{20, 30}, span{}, span{2, 7.5}},        // scribd 38248676
		"nickel-watts":     {span{50, 65}, span{3.5, 4.5}, span{2, 10}}, // electroplating-anodizing.blogspot 2012/02; plateworld.com editorial 3; Wikipedia
		"nickel-sulfamate": {span{40, 50}, span{3.5, 4.5}, span{2, 8}},  // scribd 264727522
		"gold-acid":        {span{30, 50}, span{}, span{0.5, 2}},        // Guidebook gold chapter, from memory
	} {
		r, _ := shipped(t, name)
		for what, pair := range map[string]struct {
			got  [2]float64
			want span
		}{"temperature": {r.Limits.TemperatureRun, run.temperature}, "pH": {r.Limits.PH, run.ph}, "density": {r.Limits.CathodeDensity, run.density}} {
			assert.GreaterOrEqual(t, pair.got[0], pair.want.low, "%s: %s", name, what)
			assert.LessOrEqual(t, pair.got[1], pair.want.high, "%s: %s", name, what)
		}
	}
	// finishingandcoating.com 779: nickel at 93 to 95 %; consonnisrl.it: 3 to 7 % to hydrogen, anodes 100 %.
	r, _ := shipped(t, "nickel-watts")
	assert.True(t, r.Prior.CathodeEfficiency.Value >= 0.93 && r.Prior.CathodeEfficiency.Value <= 0.97)
	assert.Equal(t, 1.0, r.Prior.AnodeEfficiency.Value)
	// P. Wilkinson, Understanding Gold Plating: hard gold is 16.0 to 17.0 g/cm3.
	r, _ = shipped(t, "gold-acid")
	assert.True(t, r.Deposit >= 16 && r.Deposit <= 17)
}

func TestContaminantsHaveOnlyAnUpperLimit(t *testing.T) {
	for name, want := range map[string][]string{"copper-bright": {"iron", "nickel", "zinc"}, "nickel-watts": {"copper", "zinc", "lead"}, "nickel-sulfamate": {"copper", "zinc", "lead"}} {
		r, _ := shipped(t, name)
		for _, c := range want {
			k, ok := r.Constituent(c)
			require.True(t, ok, "%s: %s", name, c)
			assert.True(t, k.Contaminant(), "%s: %s", name, c)
			assert.Empty(t, k.Role, "%s: %s is not the metal here", name, c)
			for _, m := range r.Materials {
				assert.NotContains(t, m.Brings, c)
			}
		}
	}
	// pfonline.com, impurities in a nickel plating bath: copper below 10 mg/L.
	r, _ := shipped(t, "nickel-watts")
	k, _ := r.Constituent("copper")
	assert.LessOrEqual(t, k.High, 10.0)
}

var statement = regexp.MustCompile(`H[234]\d\d[a-zA-Z]?[a-zA-Z]?`)

// Hazard statements as printed: see the source in each row.
func TestHazardStatementsAreThoseInPrint(t *testing.T) {
	for _, c := range []struct {
		recipe, material, source string
		want                     []string
	}{
		{"copper-bright", "copper sulfate pentahydrate", "ILO ICSC 1416", []string{"H302", "H318", "H410"}},
		{"copper-bright", "sulfuric acid 96 %", "safety data sheets of sulfuric acid", []string{"H290", "H314"}},
		{"copper-bright", "hydrochloric acid 32 %", "safety data sheet, hydrochloric acid 31 to 33 %", []string{"H290", "H314", "H335"}},
		{"nickel-watts", "nickel sulfate hexahydrate", "Nickel(II) sulfate, copy of the Wikipedia article", []string{"H302", "H315", "H317", "H332", "H334", "H341", "H350", "H360D", "H372", "H410"}},
		{"nickel-watts", "boric acid", "ECHA registry", []string{"H360FD"}},
		{"nickel-sulfamate", "nickel sulfamate concentrate", "CLP Annex VI, from memory", []string{"H317", "H334", "H341", "H350i", "H360D", "H372", "H400", "H410"}},
		{"gold-acid", "gold replenisher", "safety data sheets of potassium gold cyanide", []string{"H300", "H310", "H330", "H410"}},
	} {
		r, _ := shipped(t, c.recipe)
		m, ok := r.Material(c.material)
		require.True(t, ok, c.material)
		assert.ElementsMatch(t, c.want, statement.FindAllString(strings.Join(m.Cautions, " "), -1), "%s: %s", c.material, c.source)
	}
	for name, words := range map[string][]string{
		"copper-bright":    {"mist", "drain", "peroxide", "safety data sheet", "local codes", "licensed practice", "goggles"},
		"nickel-watts":     {"aerosol", "drain", "peroxide", "safety data sheet", "local codes", "licensed practice", "goggles", "h350", "h317", "apart from copper, silver and ammonia"},
		"nickel-sulfamate": {"aerosol", "drain", "peroxide", "safety data sheet", "local codes", "licensed practice", "goggles", "h350i", "60 degc"},
		"gold-acid":        {"hydrogen cyanide", "never alone", "no acid", "licensed", "h300, h310, h330", "no reading makes such a bath safe", "drain"},
	} {
		r, text := shipped(t, name)
		for _, w := range words {
			assert.Contains(t, strings.ToLower(strings.Join(r.Cautions, "\n")), w, name)
		}
		for _, m := range r.Materials {
			assert.True(t, m.Water || len(m.Cautions) > 0, "%s: %s", name, m.Name)
			if m.Acid > 0 {
				assert.Contains(t, strings.Join(m.Cautions, " "), "acid into water, never water into acid")
			}
		}
		for _, m := range r.Methods {
			require.NotEmpty(t, m.Steps, m.Name)
			said := strings.ToLower(strings.Join(m.Cautions, "\n"))
			if m.Titrant == "silver nitrate" || m.Titrant == "" {
				assert.Regexp(t, "never with ammonia", said, m.Name)
			}
			if strings.Contains(strings.Join(m.Steps, " "), "ammonia") {
				assert.Regexp(t, "(?s)ammonia fumes.*silver", said, m.Name)
			}
		}
		assert.NotContains(t, strings.ToLower(text), "mercuric nitrate", name)
		if strings.HasPrefix(name, "copper") {
			assert.NotContains(t, strings.ToLower(text), "chromate", "%s: no chromate in an acid bath", name)
		}
	}
	r, _ := shipped(t, "nickel-watts")
	m, _ := find(r, "boric acid by sodium hydroxide")
	assert.Contains(t, m.Steps[1], "first the free acid", "neutralised to the same colour before mannitol")
	m, _ = find(r, "nickel by EDTA")
	assert.Contains(t, strings.Join(m.Steps, " "), "from yellow to violet")
}

func TestGoldHasNoMethodAndNoAcid(t *testing.T) {
	r, text := shipped(t, "gold-acid")
	assert.True(t, r.Cyanide)
	assert.Equal(t, "inert", r.Anodes)
	assert.Equal(t, 1, r.Charge)
	assert.Empty(t, r.Methods)
	assert.Zero(t, r.Prior.AnodeEfficiency)
	assert.Zero(t, r.Limits.PH, "pH is the supplier's to say")
	for _, m := range r.Materials {
		assert.Zero(t, m.Acid)
	}
	for _, add := range []string{
		"\n[[method]]\nconstituent = \"gold\"\nname = \"gold by iodide\"\ntitrant = \"thiosulfate\"\nmolarity = 0.01\nratio = 0.5\naliquot_mL = 5\n",
		"\n[[material]]\nname = \"citric acid\"\nunit = \"g\"\nbrings = { gold = 0.1 }\nlitres = 0.001\n",
	} {
		_, err := recipe.Parse("mine.toml", []byte(text+add))
		var faults *recipe.Faults
		require.ErrorAs(t, err, &faults)
		assert.Regexp(t, "cyanide bath", err.Error())
		assert.Greater(t, faults.List[0].Line, strings.Count(text, "\n"), "the line that was added is named")
	}
}

// A method of one's own works like a shipped one: fluoroboric acid, which the tool
// knows nothing of, beside boric acid in application bulletin 195/2: 0.834 mL of
// 0.1 mol/L on 0.250 mL is 29.29 g/L (87.81 g/mol); and zinc in bulletin 101:
// 2.006 mL of 0.1 mol/L EDTA on 2 mL is 6.56 g/L.
func TestMethodsOfOnesOwn(t *testing.T) {
	_, text := shipped(t, "nickel-watts")
	own := text + `
[[constituent]]
name = "fluoroboric acid"
unit = "g/L"
low = 20
target = 30
high = 40

[[method]]
constituent = "fluoroboric acid"
name = "first end point"
titrant = "sodium hydroxide"
molarity = 0.1
ratio = 1
molar_mass = 87.81
aliquot_mL = 0.25
burette_mL = 5

[[method]]
constituent = "zinc"
titrant = "EDTA"
molarity = 0.1
ratio = 1
aliquot_mL = 2
burette_mL = 10
`
	r := parse(t, own)
	m, ok := r.Method("fluoroboric acid", "")
	require.True(t, ok)
	assert.InDelta(t, 29.29, titrate(t, m, chem.Titration{Delivered: []chem.Decimal{"0.834"}}), 0.005)
	m, ok = r.Method("zinc", "zinc by EDTA")
	require.True(t, ok)
	assert.InDelta(t, 6.56, titrate(t, m, chem.Titration{Delivered: []chem.Decimal{"2.006"}}), 0.005)
	_, err := recipe.Parse("mine.toml", []byte(strings.Replace(own, "molar_mass = 87.81\n", "", 1)))
	assert.ErrorContains(t, err, "molar_mass is missing; nothing is known of fluoroboric acid")
}

func TestNewKeysAreChecked(t *testing.T) {
	_, text := shipped(t, "nickel-watts")
	for old, c := range map[string]struct{ new, want string }{
		"ph              = [3.5, 4.5]": {"ph = [4.5, 3.5]", "lowest 4.5 is above highest 3.5"},
		"temperature_run = [50, 60]":   {"temperature_run = [50, 600]", "above 100"},
		"cyanide    = false":           {"cyanide = false\ndeposit_density = 89", "above 25"},
	} {
		_, err := recipe.Parse("mine.toml", []byte(edited(t, text, old, c.new)))
		assert.ErrorContains(t, err, c.want)
	}
	_, err := recipe.Parse("mine.toml", []byte(edited(t, text, "ph              = [3.5, 4.5]", "ph = [3.5, 45]")))
	assert.ErrorContains(t, err, "above 14")
	_, err = recipe.Parse("mine.toml", []byte(edited(t, text, `anodes     = "soluble"`, `anodes = "inert"`)))
	assert.ErrorContains(t, err, "chlorine")
}
