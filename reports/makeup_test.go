package reports_test

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem/dose"
	"steadybath/chem/recipe"
	"steadybath/reports"
)

// A sheet is one page: 66 lines of 80 columns, every step with a box, in both
// systems of units.
func TestMakeUpIsOnePage(t *testing.T) {
	for _, name := range []string{"copper-electroforming", "copper-bright", "nickel-watts", "nickel-sulfamate"} {
		text, ok := recipe.ShippedText(name)
		require.True(t, ok)
		r, err := recipe.Parse(name, text)
		require.NoError(t, err)
		for _, volume := range []float64{5, 60, 450} {
			p, err := dose.NewBath(r, dose.MakeUpOptions{Volume: volume})
			require.NoError(t, err, "%s, %g L", name, volume)
			for _, u := range []reports.Units{reports.Metric, reports.US} {
				var out bytes.Buffer
				require.NoError(t, reports.MakeUp(&out, p, "tank-1", u))
				sheet := out.String()
				if testing.Verbose() && volume == 60 && u == reports.Metric {
					t.Log("\n" + sheet)
				}
				assert.LessOrEqual(t, strings.Count(sheet, "\n"), 66, "%s, %g L, %s", name, volume, u)
				boxes := 0
				for line := range strings.Lines(sheet) {
					assert.LessOrEqual(t, len([]rune(strings.TrimRight(line, "\n"))), 80, line)
					if strings.HasPrefix(line, "[ ] ") {
						boxes++
					}
				}
				assert.Equal(t, len(p.Steps), boxes)
			}
			var out bytes.Buffer
			require.NoError(t, reports.MakeUpJSON(&out, p, ""))
			var back map[string]any
			require.NoError(t, json.Unmarshal(out.Bytes(), &back))
			assert.Len(t, back["steps"], len(p.Steps))
			assert.NotContains(t, out.String(), "null,\n      \"notes\": null")
		}
	}
}
