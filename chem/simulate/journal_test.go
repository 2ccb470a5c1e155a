package simulate_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/journal"
	"steadybath/chem/recipe"
	"steadybath/chem/simulate"
)

// Whatever a simulated shop writes down with a shipped recipe is what a journal
// takes, and comes back as it was.
func TestFactsFitTheJournal(t *testing.T) {
	for _, name := range recipe.Shipped() {
		text, _ := recipe.ShippedText(name)
		r, err := recipe.Parse(name, text)
		require.NoError(t, err, name)
		for _, by := range []simulate.OrganicMethod{simulate.OrganicAssay, simulate.OrganicPanel, simulate.OrganicPattern} {
			c := simulate.Hobby(r, 60, time.Date(2026, 1, 3, 9, 0, 0, 0, time.UTC), 150, 7)
			c.RecipeText, c.Organics, c.PullAway, c.Away = string(text), by, true, [][2]int{{60, 80}}
			c.ByMeter = by == simulate.OrganicPanel
			run, err := simulate.Make(c)
			require.NoError(t, err, name)
			kinds := map[chem.Kind]int{}
			for _, f := range run.Facts {
				row, err := journal.Encode(f)
				require.NoError(t, err, "%s: %s %v", name, f.Kind(), f.Body)
				back, err := journal.Decode(row)
				require.NoError(t, err)
				assert.Equal(t, f, back, name)
				kinds[f.Kind()]++
			}
			assert.Greater(t, len(kinds), 5, "%s: %v", name, kinds)
		}
	}
}
