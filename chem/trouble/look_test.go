package trouble_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/estimate"
	"steadybath/chem/recipe"
	"steadybath/chem/trouble"
)

var start = time.Date(2026, 1, 5, 8, 0, 0, 0, time.UTC)

func bath(t *testing.T, name string, bodies ...chem.Body) *estimate.Estimate {
	t.Helper()
	text, ok := recipe.ShippedText(name)
	require.True(t, ok)
	facts := []chem.Fact{{Number: 1, ID: uuid.Must(uuid.NewV7()), Time: start, Bath: "tank", Body: chem.Begin{Volume: chem.MeasuredOf(60, "L", 0), Zone: "UTC", Recipe: string(text)}}}
	for i, b := range bodies {
		facts = append(facts, chem.Fact{Number: int64(i + 2), ID: uuid.Must(uuid.NewV7()), Time: start.Add(time.Duration(i) * time.Hour), Bath: "tank", Body: b})
	}
	b, err := estimate.Open(facts)
	require.NoError(t, err)
	e, err := b.At(start.AddDate(0, 0, 2), estimate.Options{})
	require.NoError(t, err)
	return e
}

func fill(values ...any) chem.Fill {
	f := chem.Fill{Volume: chem.MeasuredOf(60, "L", 0.1), Origin: chem.OriginMakeUp, Composition: map[string]chem.Measured{}}
	for i := 0; i < len(values); i += 3 {
		v := values[i+1].(float64)
		f.Composition[values[i].(string)] = chem.MeasuredOf(v, values[i+2].(chem.Unit), 0.002*v)
	}
	return f
}

const (
	gL  = chem.Unit("g/L")
	mgL = chem.Unit("mg/L")
	mL  = chem.Unit("mL/L")
)

func find(t *testing.T, found []trouble.Finding, what string) trouble.Finding {
	t.Helper()
	for _, f := range found {
		if strings.HasPrefix(f.What, what) {
			return f
		}
	}
	require.Fail(t, "not found", what)
	return trouble.Finding{}
}

// What a number points at stands first, whatever its place in the table; what a
// number speaks against stands last.
func TestNumbersDecideTheOrder(t *testing.T) {
	e := bath(t, "copper-electroforming", fill("copper", 50.0, gL, "sulfuric acid", 62.0, gL, "chloride", 30.0, mgL, "brightener", 4.0, mL),
		chem.Assay{Of: "temperature", Value: chem.MeasuredOf(22, "degC", 0.5)}, chem.Change{What: "filter"},
		chem.Treat{With: chem.TreatCarbon, Amount: chem.MeasuredOf(90, "g", 0)})
	found, err := trouble.Look(e, trouble.Burnt)
	require.NoError(t, err)
	assert.Equal(t, "chloride low", found[0].What)
	assert.Equal(t, trouble.Outside, found[0].Weight)
	for i := 1; i < len(found); i++ {
		assert.GreaterOrEqual(t, found[i].Weight, found[i-1].Weight)
	}
	assert.Equal(t, trouble.Inside, find(t, found, "copper low").Weight)
	assert.Equal(t, trouble.Inside, find(t, found, "bath cold").Weight)
	clean := find(t, found, "organic contamination")
	assert.Equal(t, trouble.Inside, clean.Weight, "carbon was two days ago")
	assert.InDelta(t, 2-3/24.0, clean.Days, 1e-9)
	assert.Equal(t, trouble.Unread, find(t, found, "poor agitation").Weight)

	found, err = trouble.Look(e, trouble.Amps)
	require.NoError(t, err)
	assert.Equal(t, trouble.Inside, find(t, found, "chloride high").Weight, "low is not high")
}

func TestUnknownIsAskedForBeforeItIsJudged(t *testing.T) {
	found, err := trouble.Look(bath(t, "copper-electroforming"), trouble.Burnt)
	require.NoError(t, err)
	f := find(t, found, "copper low")
	assert.Equal(t, trouble.Unsure, f.Weight)
	assert.Equal(t, "titrate copper first", f.First)
	assert.NotNil(t, found[0].Constituent, "constituents first")
	assert.Equal(t, "read the temperature first", find(t, found, "bath cold").First)
}

func TestAreaRatio(t *testing.T) {
	area := func(s trouble.Symptom, what string, hung, plated float64) trouble.Finding {
		e := bath(t, "copper-electroforming", fill("copper", 50.0, gL),
			chem.Hang{Anode: "a", Mass: chem.MeasuredOf(4, "kg", 0), Form: "slab", Area: chem.MeasuredOf(hung, "dm2", 0)},
			chem.Plate{Charge: chem.MeasuredOf(2, "Ah", 0), Hours: "1", Area: chem.MeasuredOf(plated, "dm2", 0)})
		found, err := trouble.Look(e, s)
		require.NoError(t, err)
		return find(t, found, what)
	}
	f := area(trouble.Amps, "anodes polarised", 3, 6)
	assert.InDelta(t, 0.5, f.Ratio, 1e-9)
	assert.Equal(t, trouble.Outside, f.Weight)
	assert.Equal(t, trouble.Inside, area(trouble.Amps, "anodes polarised", 9, 6).Weight)
	assert.Equal(t, trouble.Outside, area(trouble.Uneven, "too much anode area", 15, 6).Weight)
	assert.Equal(t, trouble.Inside, area(trouble.Uneven, "too much anode area", 9, 6).Weight)
	found, err := trouble.Look(bath(t, "copper-electroforming"), trouble.Amps)
	require.NoError(t, err)
	assert.True(t, math.IsNaN(find(t, found, "anodes polarised").Ratio))
}

// Every symptom says something for every bath that ships but a cyanide bath, each
// line with a source, and nothing of what the bath has not.
func TestEveryBathAndSymptom(t *testing.T) {
	for _, name := range recipe.Shipped() {
		e := bath(t, name)
		for _, s := range trouble.Symptoms() {
			found, err := trouble.Look(e, s)
			if e.Recipe.Cyanide {
				assert.ErrorContains(t, err, "ask the supplier")
				continue
			}
			require.NoError(t, err)
			assert.GreaterOrEqual(t, len(found), 3, "%s %s", name, s)
			for _, f := range found {
				assert.Equal(t, e.Recipe.Metal, f.Metal)
				assert.Regexp(t, "read in excerpt|from memory|common practice, no source", f.Source)
				assert.NotEmpty(t, f.First)
				if f.Constituent == nil {
					for _, word := range []string{"zinc", "iron", "wetter", "brightener", "chloride", "boric"} {
						assert.NotContains(t, f.What, word, "%s %s", name, s)
					}
				}
			}
		}
	}
	found, err := trouble.Look(bath(t, "copper-bright"), trouble.Dull)
	require.NoError(t, err)
	for _, organic := range []string{"carrier low", "brightener low", "leveller low"} {
		find(t, found, organic)
	}
	found, err = trouble.Look(bath(t, "nickel-sulfamate"), trouble.Dull)
	require.NoError(t, err)
	for _, f := range found {
		assert.NotContains(t, f.What, "brightener", "this bath has none")
	}
	assert.Equal(t, trouble.Unread, find(t, found, "copper in the bath").Weight)
}

// Inert anodes have neither bags nor a film.
func TestInertAnodesAreNotBlamedForTheirFilm(t *testing.T) {
	e := bath(t, "copper-electroforming")
	r := *e.Recipe
	r.Anodes = "inert"
	e.Recipe = &r
	for _, s := range trouble.Symptoms() {
		found, err := trouble.Look(e, s)
		require.NoError(t, err)
		require.NotEmpty(t, found)
		for _, f := range found {
			assert.NotRegexp(t, "bags|film on|slough|wrong anodes|anodes polarised|anode area", f.What)
		}
	}
}

// A reading that waits for a second convicts nobody.
func TestHeldReadingIsUnsure(t *testing.T) {
	e := bath(t, "copper-electroforming", fill("copper", 50.0, gL, "sulfuric acid", 60.0, gL), chem.Assay{Of: "copper", Value: chem.MeasuredOf(40, gL, 0.2)})
	found, err := trouble.Look(e, trouble.Burnt)
	require.NoError(t, err)
	f := find(t, found, "copper low")
	require.NotNil(t, f.Constituent.Held)
	assert.Equal(t, trouble.Unsure, f.Weight)
	assert.Contains(t, f.First, "waits for a second")
}
