package db

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"steadybath/chem/journal"
)

// Advice is kept as it was given, with who and when by the database; a reader
// keeps none, and nobody changes it.
func TestAdvice(t *testing.T) {
	database := newDatabase(t)
	anna := open(t, database, "anna")
	entries := mustAppend(t, anna, bathRow("tank-1"), noteRow("tank-1", "parts out"))
	head := entries[1].Hash
	given := Advice{Bath: "tank-1", At: noon, Version: "1.2", Head: head, Plan: json.RawMessage(`{"additions": [] }`), State: json.RawMessage(`{"volume":{"value":58.20}}`)}
	before := time.Now().Add(-time.Second)
	require.NoError(t, anna.KeepAdvice(ctx, given))
	require.NoError(t, open(t, database, "rita").KeepAdvice(ctx, given), "a reader is only shown it")

	got, err := anna.Advice(ctx, "tank-1")
	require.NoError(t, err)
	require.Len(t, got, 1)
	require.Equal(t, "anna", got[0].By)
	require.True(t, got[0].Entered.After(before))
	require.NotZero(t, got[0].ID)
	given.ID, given.By, given.Entered = got[0].ID, got[0].By, got[0].Entered
	require.True(t, noon.Equal(got[0].At))
	given.At = got[0].At
	require.Equal(t, given, got[0])
	none, err := anna.Advice(ctx, "tank-2")
	require.NoError(t, err)
	require.NotNil(t, none)
	require.Empty(t, none)

	last, found, err := anna.LastAdvice(ctx, "tank-1", head)
	require.NoError(t, err)
	require.True(t, found)
	require.Equal(t, got[0], last)
	_, found, err = anna.LastAdvice(ctx, "tank-1", entries[0].Hash)
	require.NoError(t, err)
	require.False(t, found, "it rests on the later fact")

	other := given
	other.Head = "00" + head[2:]
	require.ErrorContains(t, anna.KeepAdvice(ctx, other), `bath "tank-1" has no fact with the hash 00`)
	other.Head, other.Bath = head, "tank-2"
	require.ErrorContains(t, anna.KeepAdvice(ctx, other), `bath "tank-2" has no fact`)

	for _, sql := range []string{"update steadybath.advice set version = '9'", "delete from steadybath.advice", "truncate steadybath.advice"} {
		for user, want := range map[string]string{"anna": "42501", "rita": "42501", admin: "23001"} {
			_, err := sqlAs(t, database, user).Exec(ctx, sql)
			require.Equal(t, want, sqlState(err), "%s as %s: %v", sql, user, err)
		}
	}
	again, err := anna.Advice(ctx, "tank-1")
	require.NoError(t, err)
	require.Equal(t, got, again)
}

// Advice goes in with the facts that carry it out, or neither does.
func TestAppendWithAdvice(t *testing.T) {
	database := newDatabase(t)
	anna := open(t, database, "anna")
	head := mustAppend(t, anna, bathRow("tank-1"))[0].Hash
	own := Advice{ID: uuid.New(), Bath: "tank-1", At: noon, Version: "1.2", Head: head, Plan: json.RawMessage(`{}`), State: json.RawMessage(`{}`)}

	bad := own
	bad.Head = "00" + head[2:]
	_, err := anna.Append(ctx, []journal.Row{noteRow("tank-1", "poured")}, bad)
	require.ErrorContains(t, err, "no fact with the hash 00")
	wrong := noteRow("tank-1", "poured")
	wrong.Kind = "spill"
	_, err = anna.Append(ctx, []journal.Row{wrong}, own)
	require.Error(t, err)
	rows, err := anna.Rows(ctx, "tank-1", time.Time{})
	require.NoError(t, err)
	require.Len(t, rows, 1)
	got, err := anna.Advice(ctx, "tank-1")
	require.NoError(t, err)
	require.Empty(t, got)

	_, err = anna.Append(ctx, []journal.Row{noteRow("tank-1", "poured")}, own)
	require.NoError(t, err)
	got, err = anna.Advice(ctx, "tank-1")
	require.NoError(t, err)
	require.Len(t, got, 1)
	require.Equal(t, own.ID, got[0].ID)
}
