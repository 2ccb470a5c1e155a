package dose_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem/dose"
)

// 254.5 g of copper in a kilogram of the pentahydrate (IUPAC 2021 weights: Cu
// 63.546, CuSO4·5H2O 249.677), and 0.38 L of room: 60 L of 50 g/L come to
// (3000 + 254.5) / 60.38 g/L, and what bailing takes out afterwards takes out at
// that.
func TestWhatIf(t *testing.T) {
	e := state{read: at(50, 60, 60, 4)}.open(t)
	salt, ok := e.Recipe.Material("copper sulfate pentahydrate")
	require.True(t, ok)
	out, err := dose.WhatIf(e, dose.Options{}, []dose.Step{{Material: salt, Amount: 1}, {Bail: 10}})
	require.NoError(t, err)
	assert.InDelta(t, (50*e.Volume+1000*63.546/249.677)/(e.Volume+0.38), out.Then[0].Value, 0.02)
	assert.InDelta(t, e.Volume+0.38-10, out.Volume, 1e-6)
	_, err = dose.WhatIf(e, dose.Options{}, []dose.Step{{Bail: 80}})
	assert.ErrorContains(t, err, "takes more than the")
}
