package dose_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem/dose"
)

// A plan takes no more than there is, says what is missing, and of two materials
// that do the same takes the cheaper.
func TestPlanDrawsOnStock(t *testing.T) {
	e := state{read: at(44, 60, 60, 4)}.open(t)
	free, err := dose.Make(e, dose.Options{})
	require.NoError(t, err)
	want := amountOf(free, "copper sulfate pentahydrate")
	require.Greater(t, want, 300.0, "g")
	assert.Empty(t, free.Buy)

	short, err := dose.Make(e, dose.Options{Stock: map[string]dose.Stock{"copper sulfate pentahydrate": {Left: 0.25}}})
	require.NoError(t, err)
	assert.InDelta(t, 250, amountOf(short, "copper sulfate pentahydrate"), 1, "all there is")
	require.Len(t, short.Buy, 1)
	assert.Equal(t, "copper sulfate pentahydrate", short.Buy[0].Material.Name)
	assert.InDelta(t, want-250, short.Buy[0].Amount, 1)
	assert.InDelta(t, 250, short.Buy[0].Left, 1e-9)
	assert.Contains(t, short.Compromise, "250 g of copper sulfate pentahydrate in stock")

	none, err := dose.Make(e, dose.Options{Stock: map[string]dose.Stock{"copper sulfate pentahydrate": {Left: 0}}})
	require.NoError(t, err)
	assert.Zero(t, amountOf(none, "copper sulfate pentahydrate"))
	require.Len(t, none.Buy, 1)
	assert.InDelta(t, want, none.Buy[0].Amount, 1e-9)
	assert.Contains(t, none.Refused[0].Why, "by the log nothing is left of copper sulfate pentahydrate")

	plenty, err := dose.Make(e, dose.Options{Stock: map[string]dose.Stock{"copper sulfate pentahydrate": {Left: 50}}})
	require.NoError(t, err)
	assert.Equal(t, withoutStock(free), withoutStock(plenty))
	assert.Empty(t, plenty.Buy)
}

func withoutStock(p *dose.Plan) []dose.Addition {
	for i := range p.Additions {
		p.Additions[i].Material.Stock = 0
	}
	return p.Additions
}

func amountOf(p *dose.Plan, material string) float64 {
	for _, a := range p.Additions {
		if a.Material.Name == material {
			return a.Amount
		}
	}
	return 0
}
