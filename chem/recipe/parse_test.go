package recipe_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/recipe"
)

// small is a recipe with every fixed key and nothing else. Lines are counted
// from its first one.
const small = `title = "acid copper for electroforming"
metal = "copper"
charge = 2
anodes = "soluble"
cyanide = false
volume = 60
anode_area = 12

[prior]
anode_efficiency = [0.998, 0.008]
cathode_efficiency = [0.992, 0.005]
dissolution = [0.027, 0.015]
drag_out = [0.0008, 0.00035]
drag_in = [0, 0]
evaporation = [0.31, 0.14]
evaporation_run = [0, 0]
chloride_loss = [0.05, 0.04]

[[constituent]]
name = "copper"
role = "metal"
unit = "g/L"
low = 46
target = 50
high = 54
assay_u = 0.008

[[constituent]]
name = "chloride"
unit = "mg/L"
low = 50
target = 60
high = 80

[[organic]]
name = "brightener"
unit = "mL/L"
low = 3
target = 4
high = 5
assay_u = 0.15
use = [0.2, 0.05]
loss = [0.01, 0.0045]

[[material]]
name = "copper sulfate pentahydrate"
unit = "kg"
brings = { copper = 254.5 }
litres = 0.38
smallest = 0.005

[[method]]
constituent = "copper"
titrant = "EDTA"
molarity = 0.1
ratio = 1
aliquot_mL = 2

[limits]
cathode_density = [0.5, 4.0]
anode_density = 2.5
temperature = [18, 30]
`

func parse(t *testing.T, text string) *chem.Recipe {
	t.Helper()
	r, err := recipe.Parse("test.toml", []byte(text))
	require.NoError(t, err)
	return r
}

// edited replaces one piece of text, which must be there once.
func edited(t testing.TB, text, old, new string) string {
	t.Helper()
	require.Equal(t, 1, strings.Count(text, old), "%q must stand once in the text to be edited", old)
	return strings.Replace(text, old, new, 1)
}

func TestParseTakesEveryFixedKey(t *testing.T) {
	r := parse(t, small)
	assert.Equal(t, "acid copper for electroforming", r.Title)
	assert.Equal(t, "copper", r.Metal)
	assert.Equal(t, 2, r.Charge)
	assert.Equal(t, "soluble", r.Anodes)
	assert.False(t, r.Cyanide)
	assert.Equal(t, 60.0, r.Volume)
	assert.Equal(t, 12.0, r.AnodeArea)
	assert.Equal(t, chem.Rates{
		AnodeEfficiency: chem.Prior{Value: 0.998, U: 0.008}, CathodeEfficiency: chem.Prior{Value: 0.992, U: 0.005},
		Dissolution: chem.Prior{Value: 0.027, U: 0.015}, DragOut: chem.Prior{Value: 0.0008, U: 0.00035},
		Evaporation: chem.Prior{Value: 0.31, U: 0.14}, ChlorideLoss: chem.Prior{Value: 0.05, U: 0.04},
		// The defaults for what the recipe does not name.
		Meter: chem.Prior{Value: 1, U: 0.02}, Sludge: chem.Prior{Value: 0.005, U: 0.005},
	}, r.Prior)
	require.Len(t, r.Constituents, 3)
	assert.Equal(t, chem.Constituent{Name: "copper", Role: chem.RoleMetal, Unit: "g/L", MolarMass: 63.546, // IUPAC 2021
		Low: 46, Target: 50, High: 54, AssayU: 0.008, OverdoseCost: 1}, r.Constituents[0])
	assert.Equal(t, chem.Constituent{Name: "brightener", Role: chem.RoleOrganic, Unit: "mL/L", Low: 3, Target: 4, High: 5,
		AssayU: 0.15, Use: chem.Prior{Value: 0.2, U: 0.05}, Loss: chem.Prior{Value: 0.01, U: 0.0045}, OverdoseCost: 1}, r.Constituents[2], "organics come last")
	assert.Equal(t, chem.RoleChloride, r.Constituents[1].Role, "the name implies the role")
	assert.Equal(t, []chem.Material{{Name: "copper sulfate pentahydrate", Unit: "kg", Brings: map[string]float64{"copper": 254.5}, Litres: 0.38, Smallest: 0.005}}, r.Materials)
	assert.Equal(t, chem.Limits{CathodeDensity: [2]float64{0.5, 4}, AnodeDensity: 2.5, Temperature: [2]float64{18, 30}, AcidPour: 3}, r.Limits)
	require.Len(t, r.Methods, 1)
	m := r.Methods[0]
	assert.Equal(t, "copper by EDTA", m.Name)
	assert.Equal(t, 63.546, m.MolarMass)
	assert.Equal(t, 25.0, m.Burette)
	assert.InDelta(t, 0.02, m.UAliquot, 1e-12, "a hundredth of the aliquot where no tolerance is given")
	assert.Empty(t, recipe.Check(r))
}

func TestKnownNamesImplyRoleAndMolarMass(t *testing.T) {
	// Molar masses as the CRC Handbook and labels print them, g/mol: H2SO4
	// 98.079 (CRC 102nd ed.), H3BO3 61.83, NiCl2·6H2O 237.69, Ni 58.6934.
	watts := `title = "Watts nickel"
metal = "nickel"
charge = 2
anodes = "soluble"
volume = 50
[[constituent]]
name = "Nickel"
unit = "g/L"
low = 60
target = 70
high = 80
[[constituent]]
name = "boric acid"
unit = "g/L"
low = 37
target = 45
high = 52
[[constituent]]
name = "nickel chloride"
unit = "g/L"
low = 40
target = 50
high = 60
[[constituent]]
name = "copper"
unit = "mg/L"
high = 10
[[constituent]]
name = "sulfuric acid"
unit = "g/L"
low = 0
target = 1
high = 2
`
	r := parse(t, watts)
	assert.Equal(t, "Nickel", r.Metal, "the metal takes its constituent's spelling")
	for i, want := range []struct {
		role chem.Role
		mass float64
	}{{chem.RoleMetal, 58.6934}, {chem.RoleNone, 61.83}, {chem.RoleNone, 237.69}, {chem.RoleNone, 63.546}, {chem.RoleAcid, 98.079}} {
		assert.Equal(t, want.role, r.Constituents[i].Role, r.Constituents[i].Name)
		assert.InEpsilon(t, want.mass, r.Constituents[i].MolarMass, 1e-4, r.Constituents[i].Name)
	}
	assert.True(t, r.Constituents[3].Contaminant(), "only a high")

	_, err := recipe.Parse("", []byte(edited(t, watts, `"soluble"`, `"inert"`)))
	// 60 g/L of the hexahydrate hold 60 x 2 x 35.453 / 237.69 = 17.9 g/L chloride.
	require.ErrorContains(t, err, "line 4: inert anodes make chlorine gas in a bath with up to 17.9 g/L chloride")
}

func TestInertAnodesNeedLittleChloride(t *testing.T) {
	inert := edited(t, edited(t, edited(t, small, `"soluble"`, `"inert"`), "anode_efficiency = [0.998, 0.008]\n", ""), "dissolution = [0.027, 0.015]\n", "")
	r := parse(t, inert)
	assert.Zero(t, r.Prior.AnodeEfficiency)
	assert.Zero(t, r.Prior.Sludge, "what does not dissolve leaves no sludge")
	parse(t, edited(t, inert, "high = 80", "high = 1000")) // exactly 1 g/L is not more than 1 g/L
	_, err := recipe.Parse("", []byte(edited(t, inert, "high = 80", "high = 1001")))
	require.ErrorContains(t, err, "chlorine")
	_, err = recipe.Parse("", []byte(edited(t, inert, "[prior]\n", "[prior]\ndissolution = [0.02, 0.01]\n")))
	require.ErrorContains(t, err, "line 10: prior: dissolution 0.02 does not fit inert anodes")
}

// A fault is expected by hand: the line somebody would point at, and the words
// that name value, place and remedy.
func TestParseNamesFaultsByLine(t *testing.T) {
	for _, c := range []struct{ old, new, want string }{
		{"low = 46", "low = 55", "line 23: constituent copper: low 55 is above high 54"},
		{"target = 50", "target = 45", "line 24: constituent copper: target 45 is below low 46"},
		{"target = 50", "target = 57", "line 24: constituent copper: target 57 is above high 54"},
		{"target = 50\n", "", "line 19: constituent copper: target is missing; it lies between low 46 and high 54"},
		{"high = 54\n", "", "line 19: constituent copper: high is missing"},
		{"low = 46\ntarget = 50\nhigh = 54\n", "", "line 19: constituent copper: the window is missing; write low, target and high, or only high for a contaminant"},
		{"low = 46\ntarget = 50\n", "", "line 19: constituent copper: low and target are missing; only a contaminant has high alone"},
		{"low = 3\ntarget = 4\n", "", "line 35: organic brightener: low and target are missing; only a contaminant has high alone"},
		{"low = 3\n", "low = 5.5\n", "line 38: organic brightener: low 5.5 is above high 5"},
		{"low = 46", "low = -46", "line 23: constituent copper: low -46 is negative"},
		{"low = 46", "low = nan", "line 23: constituent copper: low nan is not a number that can be used"},
		{"high = 54", "high = inf", "line 25: constituent copper: high inf is not a number that can be used"},
		{"high = 54", "high = 1e999", "line 25: constituent copper: high 1e999 is not a number that can be used"},
		{"high = 54", "high = 1e12", "line 25: constituent copper: high 1e+12 is above 1e+09"},
		{"high = 54", `high = "54"`, "line 25: constituent copper: high is text where a number is wanted"},
		{"high = 54", "high = [54]", "line 25: constituent copper: high is a list where a number is wanted"},
		{"high = 54", "high = 2026-01-05", "line 25: constituent copper: high is a date or a time where a number is wanted"},
		{"high = 54", "hihg = 54", "line 25: constituent copper: unknown key hihg; did you mean high?"},
		{"high = 54", "high = 54\nhigh = 55", "line 26: high is given twice, first on line 25"},
		{"high = 54", "high = 54 g/L", "line 25: high: write the number alone, high = 54; its unit is fixed or given by unit"},
		{"high = 54", "high = 54,5", "line 25: high has a decimal comma; write 54.5"},
		{"high = 54", "high = 54.", "line 25: high: 54. needs a digit on each side of the point; write 54.0"},
		{"assay_u = 0.008", "assay_u = .008", "line 26: assay_u: .008 needs a digit on each side of the point; write 0.008"},
		{"assay_u = 0.008", "assay_u = 0.8 %", "line 26: assay_u: write the number alone, assay_u = 0.8; its unit is fixed or given by unit"},
		{"assay_u = 0.008", "assay_u = 8", "line 26: constituent copper: assay_u 8 is above 1; write a fraction such as 0.008"},
		{"assay_u = 0.008", "assay_u = 0", "line 26: constituent copper: assay_u must be above 0; write a fraction such as 0.008"},
		{`unit = "g/L"`, `unit = "mL/L"`, "line 22: constituent copper: unit mL/L does not fit the role metal; it can be g/L or mg/L"},
		{`unit = "g/L"`, `unit = "kg"`, "line 22: constituent copper: unit kg does not fit; it can be g/L, mg/L or mL/L"},
		{`unit = "g/L"`, `unit = "grams"`, "line 22: constituent copper: unit g does not fit; it can be g/L, mg/L or mL/L"},
		{`unit = "g/L"`, `unit = "spoons"`, `line 22: constituent copper: unknown unit "spoons"; it can be g/L, mg/L or mL/L`},
		{"unit = \"g/L\"\n", "", `line 19: constituent copper: unit is missing; write unit = "g/L"`},
		{`name = "copper"`, `name = "coper"`, "line 2: metal copper is no constituent; did you mean coper?"},
		{"name = \"copper\"\n", "", `line 19: constituent number 1: name is missing; write name = "copper"`},
		{`name = "chloride"`, `name = "Copper"`, "line 29: two constituents are named Copper"},
		{`name = "chloride"`, `name = "temperature"`, "line 29: constituent temperature: the name means something else already; take another"},
		{`name = "chloride"`, `name = "limits"`, "line 29: constituent limits: the name means something else already; take another"},
		{`name = "chloride"`, `name = "a.b"`, "line 29: constituent a.b: a name with a full stop cannot be told from its keys; take another"},
		{`name = "chloride"`, `name = "chlo\u001bride"`, "line 29: constituent chlo ride: name holds a line break or a sign that cannot be printed"},
		{`role = "metal"`, `role = "base"`, `line 21: constituent copper: role "base" is not known; it can be metal, acid or chloride`},
		{`role = "metal"`, `role = "acid"`, `line 2: metal copper has the role "acid"; the metal that is plated has the role "metal"`},
		{`name = "chloride"`, "name = \"chloride\"\nrole = \"metal\"", "line 30: constituent chloride: the role metal is that of copper already"},
		{`name = "chloride"`, "name = \"chloride\"\nuse = [1, 1]", "line 30: constituent chloride: use belongs to an [[organic]]"},
		{`name = "brightener"`, "name = \"brightener\"\nrole = \"acid\"", "line 37: organic brightener: an [[organic]] has no role"},
		{"use = [0.2, 0.05]\n", "", "line 35: organic brightener: use is missing; write use = [0.2, 0.05], what an ampere-hour uses up"},
		{"use = [0.2, 0.05]", "use = 0.2", "line 42: organic brightener: use is a pair of numbers, [value, standard uncertainty], such as [0.2, 0.05], what an ampere-hour uses up"},
		{"loss = [0.01, 0.0045]", "loss = [0.01, -1]", "line 43: organic brightener: loss: standard uncertainty -1 is negative"},
		{"charge = 2", "charge = 0", "line 3: charge is missing or 0; write charge = 2, the electrons per ion"},
		{"charge = 2", "charge = -1", "line 3: charge -1 is not between 1 and 8; it is the electrons per ion, 2 for copper"},
		{"charge = 2", "charge = 2.5", "line 3: charge 2.5 is not a whole number, such as 2, the electrons per ion"},
		{"title = \"acid copper for electroforming\"\n", "", `line 1: title is missing; write title = "acid copper for electroforming"`},
		{"metal = \"copper\"\n", "", `line 1: metal is missing; write metal = "copper"`},
		{`metal = "copper"`, `metal = copper`, `line 2: metal: text stands in quotation marks, metal = "copper"`},
		{`metal = "copper"`, `metal = "gold"`, "line 2: metal gold is no constituent; the nearest is copper, and known are copper, chloride, brightener"},
		{`anodes = "soluble"`, `anodes = "solid"`, `line 4: anodes "solid" is not known; write "soluble" or "inert"`},
		{"anodes = \"soluble\"\n", "", `line 1: anodes is missing; write anodes = "soluble" or "inert"`},
		{`anodes = "soluble"`, `anodes = "inert"`, "line 10: prior: anode_efficiency 0.998 does not fit inert anodes, which dissolve nothing; leave it out"},
		{"cyanide = false", "cyanide = true", "line 52: method copper by EDTA: a cyanide bath is tracked by charge; no titration or digestion is taken for it"},
		{"cyanide = false", "cyanide = 0", "line 5: cyanide is a number where true or false is wanted"},
		{"volume = 60\n", "", "line 1: volume is missing; write volume = 60, the litres that dissolution and evaporation are for"},
		{"anode_efficiency = [0.998, 0.008]", "anode_efficiency = [99.8, 0.8]", "line 10: prior: anode_efficiency 99.8 is above 1.1; write a fraction such as [0.998, 0.008]"},
		{"cathode_efficiency = [0.992, 0.005]", "cathode_efficiency = [0, 0.005]", "line 11: prior: cathode_efficiency 0 is below 0.02, which no such bath shows"},
		{"evaporation = [0.31, 0.14]", "evaporation = [0,31, 0,14]", "line 15: prior: evaporation is a pair of numbers, [value, standard uncertainty], such as [0.31, 0.14]"},
		{"evaporation = [0.31, 0.14]", "evaporation = [0.31, nan]", "line 15: prior: evaporation nan is not a number that can be used"},
		{"[prior]", "[prio]", "line 9: unknown key prio; did you mean prior?"},
		{"[limits]", "[prior]", "line 59: [prior] is given twice, first on line 9"},
		{"[[organic]]", "[organic]", "line 35: [organic] needs double brackets, [[organic]], since there can be several"},
		{"[[organic]]", "[[prior]]", "line 35: prior is a table since line 9, and cannot be opened as something else here"},
		{"brings = { copper = 254.5 }", "brings = { coper = 254.5 }", "line 48: material copper sulfate pentahydrate: brings names coper, which is no constituent; did you mean copper?"},
		{"brings = { copper = 254.5 }", "brings = { copper = 2545 }", "line 48: material copper sulfate pentahydrate: brings 2545 g of copper per kg, which itself weighs 1000 g"},
		{"brings = { copper = 254.5 }", "brings = { copper = 254.5, Copper = 1 }", "line 48: material copper sulfate pentahydrate: brings names copper twice"},
		{"brings = { copper = 254.5 }", "brings = { copper = 0 }", "line 48: material copper sulfate pentahydrate: brings 0 of copper; leave it out"},
		{"brings = { copper = 254.5 }", `brings = { copper = "much" }`, "line 48: material copper sulfate pentahydrate: brings: copper is text where a number is wanted"},
		{"brings = { copper = 254.5 }\n", "", "line 45: material copper sulfate pentahydrate: brings is missing; write brings = { copper = 254.5 }, what one unit brings, or water = true"},
		{"unit = \"kg\"\n", "", `line 45: material copper sulfate pentahydrate: unit is missing; write unit = "kg"`},
		{`unit = "kg"`, `unit = "lb"`, "line 47: material copper sulfate pentahydrate: unit lb does not fit; it can be kg, g, L or mL"},
		{"litres = 0.38\n", "", "line 45: material copper sulfate pentahydrate: litres is missing; write litres = 0.38, the volume that one unit adds"},
		{"smallest = 0.005", "smallest = 0.005\ncautions = \"hot\"", `line 51: material copper sulfate pentahydrate: cautions is a list of texts, such as ["first", "second"]`},
		{`constituent = "copper"`, `constituent = "nickel"`, "line 53: method nickel by EDTA: constituent nickel is not in this recipe; the nearest is copper, and known are copper, chloride, brightener"},
		{`constituent = "copper"`, `constituent = "brightener"`, "line 53: method brightener by EDTA: brightener is kept in mL/L, and a titration gives g/L or mg/L"},
		{"molarity = 0.1\n", "", "line 52: method copper by EDTA: molarity is missing; write molarity = 0.1, in mol/L"},
		{"ratio = 1\n", "", "line 52: method copper by EDTA: ratio is missing; write ratio = 1, the moles of the constituent per mole of titrant"},
		{"aliquot_mL = 2", "aliquot_ml = 2", "line 57: method copper by EDTA: unknown key aliquot_ml; did you mean aliquot_mL?"},
		{"aliquot_mL = 2", "aliquot_mL = 2\naliquot_tolerance_mL = 2", "line 58: method copper by EDTA: aliquot_tolerance_mL 2 is as large as aliquot_mL 2"},
		{"aliquot_mL = 2", "aliquot_mL = 2\nsample_mL = 1", "line 58: method copper by EDTA: sample_mL 1 is less than aliquot_mL 2"},
		{"aliquot_mL = 2", "aliquot_mL = 2\nreading_u = 1", "line 58: method copper by EDTA: reading_u is for a method without titrant; a titration's uncertainty follows from its glassware"},
		{"titrant = \"EDTA\"\n", "", `line 52: method number 1: name is missing; write name = "copper by EDTA"`},
		{"cathode_density = [0.5, 4.0]", "cathode_density = [4, 0.5]", "line 60: limits: cathode_density: lowest 4 is above highest 0.5"},
		{"temperature = [18, 30]", "temperature = [64, 186]", "line 62: limits: temperature 186 is above 100; write [18, 30]"},
		{"temperature = [18, 30]", "temperature = [18, 30]\nacid_pour = 3", "line 63: limits: unknown key acid_pour; did you mean acid_pour_K?"},
		{"temperature = [18, 30]", "temperature = [18, 30]\n[sources]\nX = 1", "line 64: sources: X is a number where the name of a work is wanted"},
		{"temperature = [18, 30]", "temperature = [18, 30", `line 62: "temperature = [18, 30" cannot be read: array is incomplete`},
	} {
		t.Run(c.want, func(t *testing.T) {
			r, err := recipe.Parse("shop.toml", []byte(edited(t, small, c.old, c.new)))
			require.Error(t, err)
			assert.Nil(t, r, "nothing half read")
			assert.Contains(t, strings.Split(err.Error(), "\n"), c.want)
			var faults *recipe.Faults
			require.ErrorAs(t, err, &faults)
			assert.Equal(t, "shop.toml", faults.Name)
			for _, f := range faults.List {
				assert.NotZero(t, f.Line)
				assert.NotContains(t, f.Text, "\n")
			}
		})
	}
}

func TestOneSlipGivesOneSentence(t *testing.T) {
	for _, c := range []struct{ old, new string }{
		{"low = 46", "low = 55"}, {"low = 46", "low = nan"}, {"high = 54", "high = 54 g/L"}, {"high = 54", "high = 54,5"},
		{`metal = "copper"`, "metal = copper"}, {"charge = 2", "charge = two"}, {`unit = "kg"`, `unit = "lb"`}, {`unit = "g/L"`, `unit = "spoons"`},
		{`name = "copper"`, "name = copper"}, {`constituent = "copper"`, `constituent = "nickel"`}, {"ratio = 1", "ratio = -1"}, {"[prior]", "[prio]"},
		{`name = "brightener"`, `name = 3`}, {"high = 54", "hihg = 54"}, {"litres = 0.38", "liters = 0.38"}, {"evaporation = [0.31, 0.14]", "evaporation = [0.31 0.14]"}, {`name = "chloride"`, `name = "copper"`},
	} {
		_, err := recipe.Parse("", []byte(edited(t, small, c.old, c.new)))
		var faults *recipe.Faults
		require.ErrorAs(t, err, &faults, c.new)
		assert.Len(t, faults.List, 1, "%s: %v", c.new, err)
	}
}

func TestParseNamesAllFaultsAtOnceByLine(t *testing.T) {
	text := small
	for _, c := range []struct{ old, new string }{
		{"temperature = [18, 30]", "temperature = [30, 18]"}, {"charge = 2", "charge = 0"}, {"high = 54", "high = 54,0"},
		{"low = 3", "low = -3"}, {"smallest = 0.005", "smalest = 0.005"}, {"volume = 60", "volume = 60 L"},
	} {
		text = edited(t, text, c.old, c.new)
	}
	_, err := recipe.Parse("", []byte(text))
	var got []int
	var faults *recipe.Faults
	require.ErrorAs(t, err, &faults)
	for _, f := range faults.List {
		got = append(got, f.Line)
	}
	assert.Equal(t, []int{3, 6, 25, 38, 50, 62}, got, err)
	var one recipe.Fault
	require.ErrorAs(t, errors.Unwrap(fmt.Errorf("recipe: %w", err)), &one, "each fault can be had by itself")
	assert.Equal(t, 3, one.Line)
}

func TestParseTakesFilesFromAnyEditor(t *testing.T) {
	want := parse(t, small)
	assert.Equal(t, want, parse(t, "\ufeff"+strings.ReplaceAll(small, "\n", "\r\n")), "byte-order mark and CRLF")
	assert.Equal(t, want, parse(t, edited(t, small, "brings = { copper = 254.5 }\nlitres = 0.38\nsmallest = 0.005\n",
		"litres = 0.38\nsmallest = 0.005\n[material.brings]\ncopper = 254.5\n")), "brings as a table of its own")
	assert.Equal(t, want, parse(t, edited(t, small, `unit = "mg/L"`, `unit = "ppm"`)), "another usual spelling of a unit")
	assert.Equal(t, want, parse(t, edited(t, small, `metal = "copper"`, `metal = " Copper "`)))

	for _, c := range []struct{ text, want string }{
		{"\xff\xfet\x00i\x00", "line 1: the file is UTF-16 text; save it as UTF-8"},
		{"title = \"a\"\nmetal = \"k\xfcpfer\"\n", "line 2: a letter is not UTF-8; save the file as UTF-8"},
		{small + strings.Repeat("[[organic]]\n", 300), "organic is given 301 times; at most 200 fit"},
		{"a = " + strings.Repeat("[", 20) + strings.Repeat("]", 20), "line 1: lists and tables are nested more than 8 deep"},
		{strings.Repeat("a.", 20) + "a = 1", "line 1: a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a.a is nested more than 8 deep"},
		{strings.Repeat("# \n", 400000), "line 1: the file has 1200000 bytes; a recipe has at most 1048576"},
	} {
		_, err := recipe.Parse("", []byte(c.text))
		assert.ErrorContains(t, err, c.want)
	}
	_, err := recipe.Parse("", nil)
	assert.ErrorContains(t, err, "line 1: title is missing")
}

func TestAnAcidsFiguresAgree(t *testing.T) {
	acid := small + `
[[constituent]]
name = "sulfuric acid"
unit = "g/L"
low = 50
target = 60
high = 70
[[material]]
name = "sulfuric acid 96 %"
unit = "L"
brings = { "sulfuric acid" = 1762 }
acid = 0.96
density = 1.8355
`
	r := parse(t, acid)
	m, ok := r.Material("sulfuric acid 96 %")
	require.True(t, ok)
	assert.Equal(t, 1.0, m.Litres, "a liquid adds its own volume where nothing is said")
	assert.Equal(t, 0.001, m.Smallest)
	for _, c := range []struct{ old, new, want string }{
		{"acid = 0.96", "acid = 96", "acid 96 is above 1; write a mass fraction such as 0.96"},
		{"density = 1.8355\n", "", "density is missing; an acid sold by volume needs it, in kg/L"},
		// 96 % of 1.84 g/mL, the label's figures, is 1766 g/L.
		{"= 1762", "= 1000", "brings 1000 g of sulfuric acid per L, but 0.96 of acid in it make 1762 g"},
		{"= 1762", "= 1900", "brings 1900 g of sulfuric acid per L, which itself weighs 1835.5 g"},
	} {
		_, err := recipe.Parse("", []byte(edited(t, acid, c.old, c.new)))
		assert.ErrorContains(t, err, c.want)
	}
	_, err := recipe.Parse("", []byte(edited(t, edited(t, acid, "charge = 2", "charge = 1"), `name = "sulfuric acid"`, "name = \"sulfuric acid\"\nrole = \"acid\"")))
	assert.ErrorContains(t, err, "the role acid is for sulfuric acid beside a metal of charge 2, not 1")
}

func TestCyanideTakesNoAcid(t *testing.T) {
	gold := `title = "acid gold"
metal = "gold"
charge = 1
anodes = "inert"
cyanide = true
volume = 5
[[constituent]]
name = "gold"
unit = "g/L"
low = 4
target = 6
high = 8
[[material]]
name = "citric acid"
unit = "g"
brings = { gold = 0.1 }
litres = 0.0006
`
	_, err := recipe.Parse("", []byte(gold))
	assert.EqualError(t, err, "line 13: material citric acid: acid is never added to a cyanide bath: hydrogen cyanide comes off")
	parse(t, edited(t, gold, "citric acid", "replenisher"))
}

func TestCheckSaysTheSameWithoutLines(t *testing.T) {
	r := parse(t, small)
	r.Constituents[0].Low = 54.5
	r.Prior.Evaporation.U = -1
	r.Charge = 0
	var got []string
	for _, err := range recipe.Check(r) {
		got = append(got, err.Error())
	}
	assert.ElementsMatch(t, []string{"constituent copper: low 54.5 is above high 54", "prior: evaporation: standard uncertainty -1 is negative",
		"charge is missing or 0; write charge = 2, the electrons per ion"}, got)
	assert.NotEmpty(t, recipe.Check(&chem.Recipe{}))
}

func BenchmarkParse(b *testing.B) {
	text, _ := recipe.ShippedText("copper-electroforming")
	for b.Loop() {
		if _, err := recipe.Parse("", text); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkApply(b *testing.B) {
	text, _ := recipe.ShippedText("copper-electroforming")
	r, err := recipe.Parse("", text)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := recipe.Apply(r, chem.Setting{Key: "copper.high", Value: set("55", "g/L", "")}); err != nil {
			b.Fatal(err)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, name := range recipe.Shipped() {
		text, _ := recipe.ShippedText(name)
		f.Add(text)
	}
	f.Add([]byte(small))
	for _, s := range []string{"", "a = [", "[[material]]\nbrings.x = 1\n[material.brings]", "a.b = 1\n[a]\n[a.b]", "x = '''\n", "low = 46 g/L\nhigh = .5\n", "[[a]]\n[a]", "a = 12:00", "a = {b = {c = 1}}", "\"\" = 1"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		r, err := recipe.Parse("fuzz", text)
		if err != nil {
			if r != nil {
				t.Fatal("a recipe beside an error")
			}
			var faults *recipe.Faults
			if !errors.As(err, &faults) || len(faults.List) == 0 {
				t.Fatalf("an error without faults: %v", err)
			}
			lines := 1 + strings.Count(string(text), "\n")
			for i, fault := range faults.List {
				if fault.Line < 1 || fault.Line > lines || i > 0 && fault.Line < faults.List[i-1].Line || strings.Contains(fault.Text, "\n") {
					t.Fatalf("fault %d of %d lines: %+v", i, lines, fault)
				}
			}
			return
		}
		if faults := recipe.Check(r); len(faults) > 0 {
			t.Fatalf("it parses, but: %v", faults)
		}
		keys := recipe.Keys(r)
		for _, k := range keys[max(0, len(keys)-8):] {
			if _, err := recipe.Apply(r, chem.Setting{Key: k.Name, Value: chem.Measured{Number: "1", Unit: chem.Unit(k.Unit)}, Text: "x"}); err != nil && strings.HasPrefix(err.Error(), "unknown key") {
				t.Fatalf("%s is listed, but: %v", k.Name, err)
			}
		}
	})
}
