package chem

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Metal Finishing Guide Book 2013, p. 482 (read in excerpt): i = I·(27.7 - 48.7 log10 L)
// in A/ft2, L in inches, computed here in those units.
func TestHullDensity(t *testing.T) {
	for inches, perAmp := range map[float64]float64{0.25: 57.0, 0.5: 42.4, 0.75: 33.8, 1: 27.7, 1.5: 19.1, 2: 13.0, 2.5: 8.3, 3: 4.5} {
		got, err := HullDensity(2, inches*2.54)
		require.NoError(t, err)
		perFoot, err := Unit("A/dm2").Convert(got, "A/ft2")
		require.NoError(t, err)
		assert.InDelta(t, 2*perAmp, perFoot, 0.25, "%g in", inches)
	}
	_, err := HullDensity(2, 9)
	assert.EqualError(t, err, "9 cm is outside 0.635 to 8.255 cm, where the relation holds")
	// At 2 A, 40 and 15 A/ft2 lie at 1.44 and 2.60 in.
	from, to, ok := HullSpan(2, 15*0.107639, 40*0.107639)
	require.True(t, ok)
	assert.InDelta(t, 1.44*2.54, from, 0.02)
	assert.InDelta(t, 2.60*2.54, to, 0.02)
	_, _, ok = HullSpan(1, 30, 40)
	assert.False(t, ok, "a panel at 1 A has no 30 A/dm2")
	_, _, ok = HullSpan(0, 1, 2)
	assert.False(t, ok)
}
