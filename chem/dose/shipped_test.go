package dose_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/dose"
	"steadybath/chem/estimate"
	"steadybath/chem/recipe"
	"steadybath/chem/simulate"
)

func shippedRecipe(t tb, name string) string {
	t.Helper()
	text, ok := recipe.ShippedText(name)
	require.True(t, ok, name)
	return string(text)
}

// Every recipe that ships is kept for a quarter of a simulated year whose truth
// is known, by nothing but its plans: they keep the rules, the bath stays where it
// belongs, and no plan is nonsense.
func TestShippedRecipesAreKept(t *testing.T) {
	for _, name := range recipe.Shipped() {
		t.Run(name, func(t *testing.T) {
			text := shippedRecipe(t, name)
			r, err := recipe.Parse(name, []byte(text))
			require.NoError(t, err)
			c := simulate.Hobby(r, r.Volume, time.Date(2025, 1, 6, 8, 0, 0, 0, time.UTC), 13*7, 77)
			c.RecipeText = text
			added := map[string]bool{}
			k := &keeper{t: t, only: []string{"deionised water"}, asked: map[string]time.Time{}, check: func(e *estimate.Estimate, p *dose.Plan, o dose.Options) {
				for _, a := range p.Additions {
					added[a.Material.Name] = true
				}
				if r.Cyanide {
					assert.Empty(t, p.Additions)
					assert.NotEmpty(t, p.Refused)
					return
				}
				keepsRules(t, e, p, o)
			}}
			c.Dose = k.round
			c.Water = func(facts []chem.Fact, at time.Time) []chem.Fact {
				return steps(k.plan(facts, at, dose.Options{Only: k.only}))
			}
			if r.Cyanide {
				c.Dose, c.Water = k.round, nil // the shop tops up by itself
			}
			run, err := simulate.Make(c)
			require.NoError(t, err)
			require.Greater(t, k.plans, 10)
			for m := range added {
				assert.NotRegexp(t, "(?i)hydroxide|carbonate|ammonia", m, "a plan never corrects pH")
			}
			b, err := estimate.Open(run.Facts)
			require.NoError(t, err)
			e, err := b.At(run.Last().Time, estimate.Options{})
			require.NoError(t, err)
			for _, x := range e.Constituents {
				truth := run.Last().Conc(x.Name)
				assert.InDelta(t, truth, x.Value, 4*x.U+1e-9, "%s: the estimate knows how sure it is", x.Name)
				assert.Positive(t, x.Value, x.Name)
			}
			_, acid := r.WithRole(chem.RoleAcid)
			for _, balance := range e.Balances {
				assert.False(t, !acid && balance.Name == "sulfate", "no sulfate balance without sulfuric acid")
			}
			if r.Cyanide {
				return
			}
			kept := judge(run, r)
			assert.GreaterOrEqual(t, kept.inside/kept.ah, 0.9, "of the charge passed inside the inorganic windows")
			t.Logf("%s", &kept)
		})
	}
}

// By hand, 60 L: nickel 58 g/L, nickel chloride 26 and boric acid 34. The chloride
// is 12 g/L short, 720 g of the hexahydrate, which brings 0.2469 of it in nickel,
// 178 g; boric acid is 6 g/L short, 360 g; nickel is 12 g/L short, 720 g, so 542 g
// remain for the sulfate at 223.3 g/kg: 2.43 kg. What they take up, 0.37 + 0.23 +
// 1.04 L, wants 1.64 L x 38, 40, 70 g/L more: some 3 % on each.
func TestNickelOfBothSaltsCounts(t *testing.T) {
	read := map[string]reading{"nickel": {value: 58}, "nickel chloride": {value: 26}, "boric acid": {value: 34}, "wetter": {value: 2}, "brightener": {value: 4}}
	_, p := planFor(t, state{recipe: shippedRecipe(t, "nickel-watts"), read: read, most: 70}, dose.Options{})
	grams := map[string]float64{}
	for _, a := range p.Additions {
		g, err := a.Unit.Convert(a.Amount, "g")
		if err == nil {
			grams[a.Material.Name] = g
		}
	}
	assert.InEpsilon(t, 720+1.64*38, grams["nickel chloride hexahydrate"], 0.03)
	assert.InEpsilon(t, 360+1.64*40, grams["boric acid"], 0.03)
	assert.InEpsilon(t, 2430+1.64*(70-0.2469*38)/0.2233, grams["nickel sulfate hexahydrate"], 0.04)
	assert.InDelta(t, 70, after(t, p, "nickel").Value, 0.5)
	assert.InDelta(t, 38, after(t, p, "nickel chloride").Value, 0.4)
	assert.Contains(t, strings.Join(line(t, p, "boric acid").Cautions, " "), "H360FD")
	assert.Contains(t, strings.Join(line(t, p, "nickel sulfate hexahydrate").Cautions, " "), "H350")
}

func TestSulfamateCrystalsWhereThereIsNoRoom(t *testing.T) {
	read := map[string]reading{"nickel": {value: 72}, "nickel chloride": {value: 18}, "boric acid": {value: 30}, "wetter": {value: 2}}
	_, p := planFor(t, state{recipe: shippedRecipe(t, "nickel-sulfamate"), read: read, most: 63, levelU: 0.05}, dose.Options{})
	var names []string
	for _, a := range p.Additions {
		names = append(names, a.Material.Name)
	}
	// 60 L x 10 g/L over (100 - 82) g/L: 33 L of the concentrate, where 3 L fit.
	assert.Contains(t, names, "nickel sulfamate tetrahydrate")
	assert.NotContains(t, names, "nickel chloride hexahydrate", "it is no way to feed nickel")
}

// The table at 18 degC lies between 5.01 g (20 degC) and 3.70 g (10 degC) per 100 g
// of water (CRC Handbook, 91st ed.): between 36 and 48 g/L.
func TestBoricAcidThatFallsOutIsSaid(t *testing.T) {
	text := shippedRecipe(t, "nickel-watts")
	said := func(boric float64, o dose.Options) bool {
		read := map[string]reading{"nickel": {value: 70}, "nickel chloride": {value: 38}, "boric acid": {value: boric}, "wetter": {value: 2}, "brightener": {value: 4}}
		_, p := planFor(t, state{recipe: text, read: read}, o)
		return strings.Contains(strings.Join(p.Cautions, "\n"), "boric acid, at the lowest level")
	}
	assert.True(t, said(43, dose.Options{Coldest: 15}), "above the middle of what water holds at 10 and 20 degC, 41.7 g/L")
	assert.False(t, said(34, dose.Options{Coldest: 18}), "below what water holds at 10 degC; 34 is dosed to 40")
	assert.True(t, said(40, dose.Options{Coldest: 10}))
	assert.False(t, said(40, dose.Options{Coldest: 25}))
	assert.False(t, said(40, dose.Options{Coldest: -5}), "nothing is known below 0 degC")
	_, p := planFor(t, state{read: at(50, 60, 60, 4)}, dose.Options{Coldest: 5})
	assert.NotContains(t, fmt.Sprint(p.Cautions), "boric")
}

func TestShippedGoldIsRefused(t *testing.T) {
	_, p := planFor(t, state{recipe: shippedRecipe(t, "gold-acid"), volume: 5, read: map[string]reading{"gold": {value: 3}}}, dose.Options{})
	assert.Empty(t, p.Additions)
	assert.Zero(t, p.Bail)
	assert.Contains(t, joined(p.Refused), "hydrogen cyanide")
	assert.Contains(t, strings.Join(p.Cautions, " "), "keep acids away")
}
