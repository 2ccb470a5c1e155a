package reports_test

import (
	"bytes"
	"encoding/json"
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
	"steadybath/reports"
)

// No line is over 80 columns for any bath that ships, symptom or system of units,
// and every number of a line in the text is one that the source list has.
func TestTroubleFitsTheTerminal(t *testing.T) {
	at := time.Date(2026, 1, 5, 8, 0, 0, 0, time.UTC)
	for _, name := range recipe.Shipped() {
		text, ok := recipe.ShippedText(name)
		require.True(t, ok)
		fact := func(n int64, b chem.Body) chem.Fact {
			return chem.Fact{Number: n, ID: uuid.Must(uuid.NewV7()), Time: at, Bath: "a bath with a long name", Body: b}
		}
		b, err := estimate.Open([]chem.Fact{
			fact(1, chem.Begin{Volume: chem.MeasuredOf(60, "L", 0), Zone: "UTC", Recipe: string(text)}),
			fact(2, chem.Assay{Of: "temperature", Value: chem.MeasuredOf(12, "degC", 0.5)}),
			fact(3, chem.Assay{Of: "pH", Value: chem.MeasuredOf(5.1, "pH", 0.1)}),
			fact(4, chem.Change{What: "bags"}),
		})
		require.NoError(t, err)
		e, err := b.At(at.AddDate(0, 0, 70), estimate.Options{})
		require.NoError(t, err)
		if e.Recipe.Cyanide {
			continue
		}
		for _, s := range trouble.Symptoms() {
			found, err := trouble.Look(e, s)
			require.NoError(t, err)
			for _, u := range []reports.Units{reports.Metric, reports.US} {
				var out bytes.Buffer
				require.NoError(t, reports.Trouble(&out, e, s, found, time.UTC, u, "0123456789abcdef0123"))
				for line := range strings.Lines(out.String()) {
					assert.LessOrEqual(t, len([]rune(strings.TrimRight(line, "\n"))), 80, line)
				}
				assert.Contains(t, out.String(), "safety data sheets")
				assert.Equal(t, strings.Count(out.String(), "\n    first: "), countFirst(found))
			}
			var out bytes.Buffer
			require.NoError(t, reports.TroubleJSON(&out, e, s, found, "head"))
			var back map[string]any
			require.NoError(t, json.Unmarshal(out.Bytes(), &back))
			assert.Len(t, back["findings"], len(found))
		}
	}
}

func countFirst(found []trouble.Finding) int {
	n := 0
	for _, f := range found {
		if f.Weight != trouble.Inside {
			n++
		}
	}
	return n
}
