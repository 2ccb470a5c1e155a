package db

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"steadybath/chem/journal"
)

func TestPrefix(t *testing.T) {
	s := open(t, newDatabase(t), "anna")
	entries := mustAppend(t, s, bathRow("b"), plateRow("b", "1"), plateRow("b", "2"))
	mustAppend(t, s, bathRow("other"))
	for i, e := range entries {
		got, err := s.Prefix(t.Context(), "b", e.Entered)
		require.NoError(t, err)
		require.Equal(t, Bath{"b", int64(i + 1), e.Entered, e.Hash}, got, "what was entered at that very moment is known")
	}
	got, err := s.Prefix(t.Context(), "b", entries[2].Entered.Add(-time.Microsecond))
	require.NoError(t, err)
	require.EqualValues(t, 2, got.Facts)
	got, err = s.Prefix(t.Context(), "b", time.Time{})
	require.NoError(t, err)
	require.EqualValues(t, 3, got.Facts)
	for _, none := range []string{"", "nowhere"} {
		got, err = s.Prefix(t.Context(), none, time.Time{})
		require.NoError(t, err)
		require.Equal(t, Bath{Name: none}, got)
	}
	got, err = s.Prefix(t.Context(), "b", entries[0].Entered.Add(-time.Microsecond))
	require.NoError(t, err)
	require.Equal(t, Bath{Name: "b"}, got)
}

func TestEachOf(t *testing.T) {
	s := open(t, newDatabase(t), "anna")
	entries := mustAppend(t, s, bathRow("b"), plateRow("b", "1"), plateRow("b", "2"))
	void := plateRow("b", "")
	void.Kind, void.Subject, void.Unit, void.Note = "void", entries[1].ID.String(), "", "a slip"
	mustAppend(t, s, void, plateRow("b", "3"))
	mustAppend(t, s, bathRow("other"))
	numbers := func(upTo int64) []int64 {
		var out []int64
		require.NoError(t, s.EachOf(t.Context(), "b", upTo, func(r journal.Row) error {
			require.Equal(t, "b", r.Bath)
			out = append(out, r.Number)
			return nil
		}))
		return out
	}
	require.Equal(t, []int64{1, 2, 3}, numbers(3))
	require.Equal(t, []int64{1, 2, 3, 4, 5}, numbers(99))
	require.Empty(t, numbers(0))
	voids, err := s.VoidsOf(t.Context(), "b", 4)
	require.NoError(t, err)
	require.Len(t, voids, 1)
	require.Equal(t, "a slip", voids[0].Note)
	voids, err = s.VoidsOf(t.Context(), "b", 3)
	require.NoError(t, err)
	require.Empty(t, voids)

	enough := errors.New("enough")
	count := 0
	err = s.EachOf(t.Context(), "b", 99, func(journal.Row) error {
		count++
		return enough
	})
	require.Equal(t, enough, err, "it comes back as it is")
	require.Equal(t, 1, count)
}
