package reports_test

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/estimate"
	"steadybath/chem/plating"
	"steadybath/chem/recipe"
	"steadybath/reports"
)

// runs are plans of every shipped bath: easy ones, impossible ones, and ones that
// have much to say.
func runs(t *testing.T) map[string]*plating.Plan {
	t.Helper()
	now := time.Date(2026, 3, 7, 18, 0, 0, 0, time.UTC)
	out := map[string]*plating.Plan{}
	for _, name := range recipe.Shipped() {
		text, ok := recipe.ShippedText(name)
		require.True(t, ok)
		var facts []chem.Fact
		for i, body := range []chem.Body{
			chem.Begin{Volume: chem.MeasuredOf(60, "L", 0), Zone: "UTC", Recipe: string(text)},
			chem.Fill{Volume: chem.MeasuredOf(60, "L", 0.2), Origin: chem.OriginMakeUp},
			chem.Hang{Anode: "an-anode-with-a-long-name", Mass: chem.MeasuredOf(1.2, "kg", 0.01), Form: "slab", Area: chem.MeasuredOf(3, "dm2", 0)},
		} {
			facts = append(facts, chem.Fact{Number: int64(i + 1), ID: uuid.NewSHA1(uuid.NameSpaceOID, []byte{byte(i)}), Time: now.Add(-24 * time.Hour), Bath: "tank-1", Body: body})
		}
		b, err := estimate.Open(facts)
		require.NoError(t, err)
		e, err := b.At(now, estimate.Options{})
		require.NoError(t, err)
		parts := []plating.Part{{Name: "a bracket\x1b[31m that is long 3 L", Area: 3.2, UArea: 0.1}, {Name: "a lid with a name of its own", Area: 1.1}}
		for what, a := range map[string]plating.Asked{
			"easy": {Density: 0.9, Hours: 2}, "thick": {Density: 0.9, Thickness: 900, Ramp: 0.5}, "impossible": {Density: 0.9, Hours: 2, Thickness: 900},
			"heavy": {Hours: 300, Mass: 900}, "long": {Density: 0.9, Hours: 1000}, "short": {Density: 0.9, Hours: 0.1},
		} {
			p, err := plating.Make(e, plating.Options{Parts: parts, Asked: a, Supply: 30})
			require.NoError(t, err, "%s %s", name, what)
			out[name+" "+what] = p
		}
	}
	return out
}

func TestPlanFitsTheTerminal(t *testing.T) {
	impossible := 0
	for name, p := range runs(t) {
		for _, u := range []reports.Units{reports.Metric, reports.US} {
			var b bytes.Buffer
			require.NoError(t, reports.Plan(&b, p, time.UTC, u))
			for line := range strings.Lines(b.String()) {
				assert.LessOrEqual(t, utf8.RuneCountInString(strings.TrimSuffix(line, "\n")), 80, "%s: %s", name, line)
			}
			assert.NotContains(t, b.String(), "\x1b")
			assert.NotContains(t, b.String(), "NaN")
			assert.Contains(t, strings.Join(strings.Fields(b.String()), " "), "that is long 3 L", "a name stays as it is")
			if u == reports.US {
				assert.NotRegexp(t, `[0-9] (g/L|kg|g|mL|degC|dm2|A/dm2|um)( |,|;|:|\.|\)|$)`, b.String(), name)
			}
			if !p.Possible {
				impossible++
				assert.True(t, strings.Contains(b.String(), "\n\n! "), "%s: what is impossible is said first", name)
			}
		}
	}
	assert.Greater(t, impossible, 5)
}

// JSON holds the parts that interface and programs rely on, in the units named
// beside them, whatever is shown to people.
func TestPlanJSON(t *testing.T) {
	for name, p := range runs(t) {
		var b bytes.Buffer
		require.NoError(t, reports.PlanJSON(&b, p, "head"))
		var got map[string]any
		require.NoError(t, json.Unmarshal(b.Bytes(), &got), name)
		for key, unit := range map[string]string{"area": "dm2", "current": "A", "time": "h", "charge": "Ah", "mass": "g", "thickness": "um"} {
			q, ok := got[key].(map[string]any)
			require.True(t, ok, "%s: %s", name, key)
			assert.Equal(t, unit, q["unit"])
			assert.Contains(t, q, "u")
			assert.Greater(t, q["value"], 0.0, "%s: %s", name, key)
		}
		assert.Contains(t, got["ramp"], "from")
		assert.Contains(t, got["ramp"], "minutes")
		assert.Equal(t, p.Possible, got["possible"])
		assert.Equal(t, p.Why, got["why"])
		assert.Equal(t, p.Metal.Name, got["metal"])
		for _, key := range []string{"offers", "warnings", "notes", "organics", "anodes", "after", "parts"} {
			assert.IsType(t, []any{}, got[key], "%s: %s is no list", name, key)
		}
	}
}
