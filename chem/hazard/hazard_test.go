package hazard_test

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/hazard"
	"steadybath/chem/recipe"
)

func shipped(t *testing.T, name string) *chem.Recipe {
	t.Helper()
	text, ok := recipe.ShippedText(name)
	require.True(t, ok, name)
	r, err := recipe.Parse(name, text)
	require.NoError(t, err)
	return r
}

func names(list []hazard.Substance) []string {
	var out []string
	for _, s := range list {
		out = append(out, s.Name)
	}
	return out
}

func TestEveryCautionHasItsSource(t *testing.T) {
	all := hazard.Substances()
	require.Greater(t, len(all), 15)
	for _, s := range all {
		assert.NotEmpty(t, s.Do, s.Name)
		for _, said := range append([]hazard.Said{s.CAS}, s.Do...) {
			assert.NotEmpty(t, said.Text, s.Name)
			assert.NotEmpty(t, said.Source, "%s: %s", s.Name, said.Text)
		}
		assert.Equal(t, s.Brief.Text == "", s.Brief.Source == "", s.Name)
		for _, x := range s.Statements {
			assert.NotEmpty(t, x.Text, "%s: %s has no words", s.Name, x.Code)
			assert.NotEmpty(t, x.Source, "%s: %s", s.Name, x.Code)
			assert.NotEmpty(t, x.TextSource, "%s: %s", s.Name, x.Code)
		}
	}
	for _, g := range hazard.General(all) {
		assert.NotEmpty(t, g.Source, g.Text)
	}
}

// unsourced lists the cautions in a file that do not stand on one line with
// their source.
func unsourced(t *testing.T, name string, src any) (found int, out []string) {
	set := token.NewFileSet()
	file, err := parser.ParseFile(set, name, src, 0)
	require.NoError(t, err)
	line := func(p token.Pos) int { return set.Position(p).Line }
	ast.Inspect(file, func(n ast.Node) bool {
		lit, ok := n.(*ast.CompositeLit)
		if !ok || len(lit.Elts) != 2 {
			return true
		}
		if _, isList := lit.Type.(*ast.ArrayType); isList {
			return true
		}
		first := lit.Elts[0]
		if pair, ok := first.(*ast.KeyValueExpr); ok {
			if key, ok := pair.Key.(*ast.Ident); !ok || key.Name != "Code" {
				return true
			}
			first = pair.Value
		}
		text, isText := first.(*ast.BasicLit)
		_, isWord := first.(*ast.Ident)
		if !isText && !isWord || isText && text.Kind != token.STRING {
			return true
		}
		found++
		second := lit.Elts[1]
		if pair, ok := second.(*ast.KeyValueExpr); ok {
			second = pair.Value
		}
		if _, isConst := second.(*ast.Ident); !isConst || line(lit.Pos()) != line(lit.End()) {
			out = append(out, fmt.Sprint(set.Position(lit.Pos())))
		}
		return true
	})
	return found, out
}

func TestSourcesStandOnTheLineOfTheCaution(t *testing.T) {
	for _, name := range []string{"table.go", "words.go"} {
		found, out := unsourced(t, name, nil)
		assert.Greater(t, found, 20, name)
		assert.Empty(t, out)
	}
	_, out := unsourced(t, "x.go", "package x\nvar a = Said{\"burns\",\n\tcommon}\nvar b = Said{\"burns\", \"\"}\nvar c = Said{\"burns\", common}")
	assert.Equal(t, []string{"x.go:2:9", "x.go:4:9"}, out, "one that is away from its source, or has none, is seen")
}

// The last digit of a CAS number is the sum of the others, each times its place
// from the right, modulo 10: CAS, check digit verification (from memory).
func TestCASNumbersCheck(t *testing.T) {
	seen := map[string]string{}
	for _, s := range hazard.Substances() {
		n := s.CAS.Text
		require.Regexp(t, `^\d{2,7}-\d\d-\d$`, n, s.Name)
		assert.Empty(t, seen[n], n)
		seen[n] = s.Name
		digits := strings.ReplaceAll(n, "-", "")
		sum, last := 0, len(digits)-1
		for i := range last {
			sum += int(digits[i]-'0') * (last - i)
		}
		assert.Equal(t, int(digits[last]-'0'), sum%10, "%s %s", s.Name, n)
	}
}

// Hazard statements as printed: the source stands in each row.
func TestStatementsAreThoseInPrint(t *testing.T) {
	for _, c := range []struct{ name, source, want string }{
		{"sulfuric acid 96 %", "safety data sheets of sulfuric acid", "H290 H314"},
		{"hydrochloric acid 32 %", "safety data sheet, hydrochloric acid 31 to 33 %", "H290 H314 H335"},
		{"copper sulfate pentahydrate", "ILO ICSC 1416", "H302 H318 H410"},
		{"nickel sulfate hexahydrate", "Nickel(II) sulfate, copy of the Wikipedia article", "H302 H315 H317 H332 H334 H341 H350 H360D H372 H410"},
		{"boric acid", "ECHA registry", "H360FD"},
		{"hydrogen peroxide", "safety data sheet, 30 to 32 %", "H302 H318 H332"},
		{"sodium hydroxide", "safety data sheets of 2013 and 2015", "H290 H314"},
		{"silver nitrate", "safety data sheets of 2020", "H272 H302 H314 H372 H400"},
		{"gold replenisher", "safety data sheets of potassium gold cyanide", "H290 H300 H310 H315 H318 H330 H410"},
	} {
		s, ok := hazard.Find(c.name)
		require.True(t, ok, c.name)
		var printed []string
		for _, x := range s.Statements {
			if !strings.HasPrefix(x.Source, "memory") {
				printed = append(printed, x.Code)
			}
		}
		assert.Equal(t, c.want, strings.Join(printed, " "), "%s: %s", c.name, c.source)
	}
	// CLP Annex VI, from memory, and said so.
	s, _ := hazard.Find("nickel sulfamate concentrate")
	for _, x := range s.Statements {
		assert.Regexp(t, "^memory", x.Source)
	}
}

func TestOfARecipeBringsWhatItHandles(t *testing.T) {
	for _, c := range []struct{ recipe, with, without string }{
		{"copper-electroforming", "activated carbon, ammonia, copper sulfate, EDTA, hydrogen peroxide, nitric acid, silver nitrate, sodium chloride, sodium hydroxide, sulfuric acid, thiosulfate", "cyanide, potassium gold cyanide, nickel sulfate, hydrochloric acid, boric acid, potassium chromate"},
		{"copper-bright", "hydrochloric acid, copper sulfate", "cyanide, potassium gold cyanide, nickel sulfate"},
		{"nickel-watts", "nickel sulfate, nickel chloride, boric acid, ammonia, nitric acid, potassium chromate, silver nitrate", "copper sulfate, sulfuric acid, cyanide, nickel sulfamate"},
		{"nickel-sulfamate", "nickel sulfamate, nickel chloride, boric acid", "copper sulfate, cyanide"},
		{"gold-acid", "potassium gold cyanide", "hydrogen peroxide, sulfuric acid, copper sulfate, cyanide"},
	} {
		r := shipped(t, c.recipe)
		found, products := hazard.Of(r)
		assert.Subset(t, names(found), strings.Split(c.with, ", "), c.recipe)
		assert.NotContains(t, products, "deionised water")
		for _, not := range strings.Split(c.without, ", ") {
			assert.NotContains(t, names(found), not, c.recipe)
		}
		assert.IsIncreasing(t, strings.Split(strings.ToLower(strings.Join(names(found), "\n")), "\n"), c.recipe)
		for _, p := range products {
			assert.Regexp(t, "^(brightener|carrier|leveller|wetter)$", p, "%s: only what a supplier keeps to himself is unknown", c.recipe)
		}
		said := fmt.Sprint(hazard.General(found))
		assert.Equal(t, r.Cyanide, strings.Contains(said, hazard.CyanideAtAll), c.recipe)
		assert.Equal(t, strings.HasPrefix(c.recipe, "copper"), strings.Contains(said, hazard.AcidIntoBath), c.recipe)
		assert.Equal(t, strings.HasPrefix(c.recipe, "nickel"), strings.Contains(said, "nickel aerosol"), c.recipe)
		assert.Contains(t, said, hazard.Usual)
		assert.Contains(t, said, hazard.Waste)
	}
}

var code = regexp.MustCompile(`\b(?:EUH\d{3}|H[234]\d\d[a-zA-Z]{0,2})\b`)

// A recipe's own words name no statement that the table does not have: the two
// must not drift apart.
func TestRecipesNameNoOtherStatement(t *testing.T) {
	checked := 0
	for _, name := range recipe.Shipped() {
		for _, m := range shipped(t, name).Materials {
			s, known := hazard.Find(m.Name)
			for _, h := range code.FindAllString(strings.Join(m.Cautions, " "), -1) {
				require.True(t, known, "%s: %s names %s, and the table does not know it", name, m.Name, h)
				have := false
				for _, x := range s.Statements {
					have = have || x.Code == h
				}
				assert.True(t, have, "%s: %s names %s", name, m.Name, h)
				checked++
			}
		}
	}
	assert.Greater(t, checked, 30)
}

func TestFind(t *testing.T) {
	for typed, want := range map[string]string{
		"Sulfuric Acid": "sulfuric acid", "sulphuric acid 35 %": "sulfuric acid", "sulfuric acid 96%": "sulfuric acid",
		"copper sulfate pentahydrate": "copper sulfate", "nickel sulfamate tetrahydrate": "nickel sulfamate", "peroxide": "hydrogen peroxide", "EDTA": "EDTA",
	} {
		s, ok := hazard.Find(typed)
		assert.True(t, ok, typed)
		assert.Equal(t, want, s.Name)
	}
	for _, typed := range []string{"", "35 %", "brightener", "acid", "water"} {
		_, ok := hazard.Find(typed)
		assert.False(t, ok, typed)
	}
}

func TestBriefIsOneLine(t *testing.T) {
	for _, s := range hazard.Substances() {
		assert.LessOrEqual(t, len("care: "+s.Brief.Text), 80, s.Name)
		assert.NotContains(t, s.Brief.Text, "\n")
	}
}

// Words that are said by a plan and listed by General exist once.
func TestTheWordsOfPlansAreListed(t *testing.T) {
	said := fmt.Sprint(hazard.General(hazard.Substances()))
	for _, words := range []string{hazard.AcidIntoBath, hazard.EyesAndSkin, hazard.Waste, hazard.CyanideAtAll, hazard.CyanideFigure, hazard.CyanideAcid, hazard.Usual} {
		assert.Contains(t, said, words)
	}
	s, _ := hazard.Find("boric acid")
	assert.Contains(t, fmt.Sprint(s.Do), hazard.Boric)
}

// What a recipe of one's own may bring: an acid by another name, a substance as
// a constituent only, a cyanide that nobody named.
func TestOfARecipeOfOnesOwn(t *testing.T) {
	r := &chem.Recipe{
		Constituents: []chem.Constituent{{Name: "boric acid", Low: 30, Target: 40, High: 45}, {Name: "nickel sulfate", High: 1}},
		Materials:    []chem.Material{{Name: "oil of vitriol", Acid: 0.9}, {Name: "Wonder Bright 7"}, {Name: "water", Water: true}},
	}
	found, products := hazard.Of(r)
	assert.Equal(t, []string{"activated carbon", "boric acid", "hydrogen peroxide", "sulfuric acid"}, names(found), "a contaminant is not handled")
	assert.Equal(t, []string{"Wonder Bright 7"}, products)
	found, _ = hazard.Of(&chem.Recipe{Cyanide: true, Materials: []chem.Material{{Name: "silver salt"}}})
	assert.Equal(t, []string{"cyanide"}, names(found))
	assert.Contains(t, fmt.Sprint(hazard.General(found)), hazard.CyanideAtAll)
}
