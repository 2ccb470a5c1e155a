package estimate_test

import (
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/estimate"
	"steadybath/chem/journal"
)

// One pass answers as At does for the bath of the facts before each.
func TestBeforeIsAtWithTheFactsBefore(t *testing.T) {
	f, err := os.Open("../../testdata/demo/half-year.csv")
	require.NoError(t, err)
	defer f.Close()
	var all []chem.Fact
	for e, err := range journal.NewReader(f, nil).All() {
		require.NoError(t, err)
		if e.Fact.Bath != "" {
			e.Fact.Number = int64(len(all) + 1)
			all = append(all, e.Fact)
		}
	}
	b, err := estimate.Open(all)
	require.NoError(t, err)
	looked := 0
	b.Before(func(i int, e *estimate.Estimate) bool {
		require.Len(t, e.Bath.Facts, i)
		if i == 0 || i%7 != 0 {
			return true
		}
		looked++
		before, err := estimate.Open(b.Facts[:i:i])
		require.NoError(t, err)
		want, err := before.At(b.Facts[i].Time, estimate.Options{})
		require.NoError(t, err)
		require.Equal(t, want.Volume, e.Volume, "fact %d", i)
		require.Equal(t, want.UVolume, e.UVolume, "fact %d", i)
		require.Equal(t, len(want.Readings), len(e.Readings), "fact %d", i)
		for k := range want.Constituents {
			require.Equal(t, want.Constituents[k].Value, e.Constituents[k].Value, "fact %d", i)
			require.Equal(t, want.Constituents[k].U, e.Constituents[k].U, "fact %d", i)
		}
		for k := range want.Readings {
			require.Equal(t, want.Readings[k].Fate, e.Readings[k].Fate, "fact %d", i)
		}
		require.Equal(t, len(want.Anodes), len(e.Anodes))
		return true
	})
	require.Greater(t, looked, 30)
}
