package entry_test

import (
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/entry"
	"steadybath/chem/estimate"
	"steadybath/chem/journal"
)

// A whole log judged in one pass gets the doubts that each fact would have got
// when it was entered.
func TestCheckInIsCheck(t *testing.T) {
	f, err := os.Open("../../testdata/demo/half-year.csv")
	require.NoError(t, err)
	defer f.Close()
	var all []chem.Fact
	for e, err := range journal.NewReader(f, nil).All() {
		require.NoError(t, err)
		if e.Fact.Bath != "" {
			e.Fact.Number = int64(len(all) + 1)
			// Every ninth figure is wrong, so that there is something to doubt.
			if a, ok := e.Fact.Body.(chem.Assay); ok && len(all)%9 == 0 {
				a.Value.Number = chem.DecimalOf(1.4 * a.Value.Number.Float())
				e.Fact.Body = a
			}
			all = append(all, e.Fact)
		}
	}
	b, err := estimate.Open(all)
	require.NoError(t, err)
	now := time.Date(2026, 11, 22, 9, 0, 0, 0, time.UTC)
	doubted, looked := 0, 0
	b.Before(func(i int, e *estimate.Estimate) bool {
		if i < 2 || i%3 != 0 {
			return true
		}
		before, err := estimate.Open(b.Facts[:i:i])
		require.NoError(t, err)
		want, wrong := entry.Check(before, b.Facts[i], now)
		got, err := entry.CheckIn(e, b.Facts[i], now)
		require.Equal(t, wrong, err, "fact %d", i)
		require.Equal(t, want, got, "fact %d", i)
		looked++
		if len(got) > 0 {
			doubted++
		}
		return true
	})
	require.Greater(t, looked, 50)
	require.Positive(t, doubted)
}
