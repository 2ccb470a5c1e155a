package chem

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Kept beside the CRC table: an encyclopedia's 40.4 g NiSO4 per 100 g of water at
// 25 degC (read in excerpt) is 287.7 g of salt per kg of solution, with 37.93 %
// nickel (58.693 / 154.75, IUPAC 2021), 109.1 g/kg.
func TestNickelSulfateSolubilityEstimate(t *testing.T) {
	at25, err := NickelSulfateSolubilityEstimate(25)
	require.NoError(t, err)
	assert.InDelta(t, 109.1, at25, 0.3)
	last := 0.0
	for degC := 0.0; degC <= 60; degC++ {
		now, err := NickelSulfateSolubilityEstimate(degC)
		require.NoError(t, err)
		assert.Greater(t, now, last, "%v degC", degC)
		last = now
	}
	for _, degC := range []float64{-1, 61} {
		_, err := NickelSulfateSolubilityEstimate(degC)
		assert.ErrorContains(t, err, "0 to 60 degC")
	}
}
