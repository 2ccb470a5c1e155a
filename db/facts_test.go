package db

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"steadybath/chem/journal"
)

var (
	ctx  = context.Background()
	noon = time.Date(2026, 3, 2, 12, 0, 0, 123456000, time.UTC)
)

func bathRow(name string) journal.Row {
	return journal.Row{Bath: name, Time: noon, Kind: "bath", Value: "60", Unit: "L", ID: uuid.New(), More: `{"zone":"Europe/Vienna"}`}
}

func noteRow(bath, text string) journal.Row {
	return journal.Row{Bath: bath, Time: noon, Kind: "note", Note: text, ID: uuid.New()}
}

func plateRow(bath, ah string) journal.Row {
	return journal.Row{Bath: bath, Time: noon, Kind: "plate", Value: ah, Unit: "Ah", ID: uuid.New()}
}

func mustAppend(tb testing.TB, s *Store, rows ...journal.Row) []Entry {
	tb.Helper()
	out, err := s.Append(ctx, rows)
	require.NoError(tb, err)
	return out
}

// checkChain recomputes every hash in Go: the same chain by an implementation
// that shares no code with the database's.
func checkChain(tb testing.TB, rows []journal.Row) {
	tb.Helper()
	previous := ""
	var last time.Time
	for i, r := range rows {
		require.Equal(tb, int64(i+1), r.Number)
		require.Equal(tb, r.Chain(previous), r.Hash, "row %d: %s", r.Number, r.Line())
		require.True(tb, r.Entered.After(last), "row %d entered after the one before", r.Number)
		previous, last = r.Hash, r.Entered
	}
}

func TestAppendAndRows(t *testing.T) {
	s := open(t, newDatabase(t), "anna")
	before := time.Now()
	given := []journal.Row{bathRow("tank-1"), plateRow("tank-1", "22.50"), noteRow("tank-1", "parts out")}
	given[1].U, given[1].Subject, given[1].More = "0.30", "bracket", `{"hours":4.0, "area_dm2":5.50}`
	entries := mustAppend(t, s, given...)
	rows, err := s.Rows(ctx, "tank-1", time.Time{})
	require.NoError(t, err)
	require.Len(t, rows, 3)
	for i, r := range rows {
		require.False(t, entries[i].Known)
		require.Equal(t, entries[i].Row, r, "what Append returns is what is stored")
		require.Equal(t, "anna", r.By)
		require.Equal(t, time.UTC, r.Entered.Location())
		require.WithinRange(t, r.Entered, before.Add(-time.Second), time.Now().Add(time.Second))
		said := r
		said.Number, said.Entered, said.By, said.Hash = 0, time.Time{}, "", ""
		require.Equal(t, given[i], said, "digits, JSON text and times stay as typed")
	}
	checkChain(t, rows)

	known, err := s.Rows(ctx, "tank-1", rows[1].Entered)
	require.NoError(t, err)
	require.Equal(t, rows[:2], known)
	none, err := s.Rows(ctx, "no such bath", time.Time{})
	require.NoError(t, err)
	require.NotNil(t, none)
	require.Empty(t, none)
	found, ok, err := s.Row(ctx, "tank-1", given[1].ID)
	require.NoError(t, err)
	require.True(t, ok)
	require.Equal(t, rows[1], found)
	_, ok, err = s.Row(ctx, "tank-1", uuid.New())
	require.NoError(t, err)
	require.False(t, ok)
}

func TestAppendIsIdempotent(t *testing.T) {
	s := open(t, newDatabase(t), "anna")
	bath, plate := bathRow("b"), plateRow("b", "3")
	first := mustAppend(t, s, bath, plate)
	again := mustAppend(t, s, bath, plate, noteRow("b", "new"))
	require.True(t, again[0].Known)
	require.True(t, again[1].Known)
	require.Equal(t, first[1].Row, again[1].Row)
	require.False(t, again[2].Known)
	require.Equal(t, int64(3), again[2].Number)

	other := plate
	other.Value = "3.0"
	_, err := s.Append(ctx, []journal.Row{noteRow("b", "goes down with it"), other})
	require.ErrorIs(t, err, ErrOtherFact)
	var row *RowError
	require.ErrorAs(t, err, &row)
	require.Equal(t, 1, row.Index)
	rows, err := s.Rows(ctx, "b", time.Time{})
	require.NoError(t, err)
	require.Len(t, rows, 3)

	twice := noteRow("b", "given twice in one call")
	pair := mustAppend(t, s, twice, twice)
	require.False(t, pair[0].Known)
	require.True(t, pair[1].Known)
	require.Equal(t, pair[0].Row, pair[1].Row)
}

func TestBathsAndEachRow(t *testing.T) {
	s := open(t, newDatabase(t), "anna")
	baths, err := s.Baths(ctx)
	require.NoError(t, err)
	require.NotNil(t, baths)
	require.Empty(t, baths)

	edta := journal.Row{Time: noon, Kind: "titrant", Subject: "EDTA", Value: "0.1", Unit: "mol/L", ID: uuid.New()}
	mustAppend(t, s, bathRow("b"), bathRow("a"), edta, plateRow("b", "1"), plateRow("b", "2"), plateRow("a", "3"))
	baths, err = s.Baths(ctx)
	require.NoError(t, err)
	require.Len(t, baths, 3)
	var all []journal.Row
	require.NoError(t, s.EachRow(ctx, nil, func(r journal.Row) error { all = append(all, r); return nil }))
	var names []string
	for _, r := range all {
		names = append(names, fmt.Sprintf("%s %d %s", r.Bath, r.Number, r.Kind))
	}
	require.Equal(t, []string{" 1 titrant", "a 1 bath", "a 2 plate", "b 1 bath", "b 2 plate", "b 3 plate"}, names)
	require.Equal(t, Bath{Name: "b", Facts: 3, Entered: all[5].Entered, Head: all[5].Hash}, baths[2])
	require.Equal(t, Bath{Name: "", Facts: 1, Entered: all[0].Entered, Head: all[0].Hash}, baths[0])

	var some []journal.Row
	require.NoError(t, s.EachRow(ctx, []string{"a"}, func(r journal.Row) error { some = append(some, r); return nil }))
	require.Equal(t, all[1:3], some)
	enough := errors.New("enough")
	require.ErrorIs(t, s.EachRow(ctx, nil, func(journal.Row) error { return enough }), enough)
	// The connection is free again and the store still works.
	require.NoError(t, s.EachRow(ctx, nil, func(journal.Row) error { return nil }))
}

// hostile is text that a hand-made CSV writer gets wrong somewhere.
var hostile = []string{
	"plain", `"`, `""`, `a"b`, "a,b", ",", "\n", "\r\n", "a\nb", `\`, `\n`, `\\n`, "\\\n", "\t", " leading", "trailing ",
	"µm ²  ", "żółć 浴 🧪", "e\u0301", "\u2028", "=1+1", "'; drop table facts; --", "</script>", "%s %d", "$1", "\x01\x7f", "\ufeff", "{}", `","`, "\"\n,\\",
}

// The database writes the line that is hashed in SQL, journal.Row.Line in Go:
// two implementations of one text, compared on text that tells them apart.
func TestLineIsTheJournals(t *testing.T) {
	database := newDatabase(t)
	s, conn := open(t, database, "anna"), sqlAs(t, database, "anna")
	mustAppend(t, s, bathRow("b"))
	times := []time.Time{
		noon, noon.Truncate(time.Second), noon.Truncate(time.Minute), time.Date(1999, 12, 31, 23, 59, 59, 999999000, time.UTC),
		time.Date(2026, 10, 25, 1, 30, 0, 100000000, time.UTC), time.Date(1900, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(9999, 12, 31, 0, 0, 0, 120000, time.UTC),
	}
	numbers := []string{"58.0", "0.00", "1", "123456789012345678901234", "0.00000000000000000000001", "5.10", ""}
	var rows []journal.Row
	for i, text := range hostile {
		r := plateRow("b", "1.0")
		r.Subject, r.Note, r.Time = text, text, times[i%len(times)]
		if n := numbers[i%len(numbers)]; n != "" && n != "0.00" {
			r.Value = n
		}
		r.U = numbers[i%len(numbers)]
		more := fmt.Sprintf(`{"text":%q, "n":1.50}`, "a,\"b\" \\ ü")
		if i%3 == 0 {
			more = ""
		}
		r.More = more
		bath := bathRow("bath " + text)
		bath.Unit, bath.Kind = "L", "bath"
		rows = append(rows, r, bath)
	}
	for _, e := range mustAppend(t, s, rows...) {
		require.Equal(t, e.Hash, e.Row.Chain(previousHash(t, conn, e.Row)), "%s", e.Line())
	}
	err := s.EachRow(ctx, nil, func(r journal.Row) error {
		var line string
		require.NoError(t, conn.QueryRow(ctx, "select steadybath.line(f) from steadybath.facts f where f.bath = $1 and f.number = $2", r.Bath, r.Number).Scan(&line))
		require.Equal(t, r.Line(), line)
		return nil
	})
	require.NoError(t, err)
	stored, err := s.Rows(ctx, "b", time.Time{})
	require.NoError(t, err)
	checkChain(t, stored)
	for i, text := range hostile {
		require.Equal(t, text, stored[i+1].Note)
	}
}

func previousHash(tb testing.TB, conn *pgx.Conn, r journal.Row) string {
	tb.Helper()
	if r.Number == 1 {
		return ""
	}
	var hash string
	require.NoError(tb, conn.QueryRow(ctx, "select hash from steadybath.facts where bath = $1 and number = $2", r.Bath, r.Number-1).Scan(&hash))
	return hash
}

func TestWritersAtOnce(t *testing.T) {
	database := newDatabase(t)
	mustAppend(t, open(t, database, "anna"), bathRow("one"), bathRow("two"))
	const writers, each = 8, 25
	var wg sync.WaitGroup
	errs := make([]error, writers)
	for w := range writers {
		user := []string{"anna", "ben"}[w%2]
		s := open(t, database, user)
		wg.Go(func() {
			for i := range each {
				// Both orders of two baths in one transaction: no deadlock.
				a, b := "one", "two"
				if (w+i)%2 == 0 {
					a, b = b, a
				}
				if _, err := s.Append(ctx, []journal.Row{plateRow(a, "1"), plateRow(b, "2")}); err != nil {
					errs[w] = err
					return
				}
			}
		})
	}
	wg.Wait()
	require.NoError(t, errors.Join(errs...))
	s := open(t, database, "rita")
	for _, bath := range []string{"one", "two"} {
		rows, err := s.Rows(ctx, bath, time.Time{})
		require.NoError(t, err)
		require.Len(t, rows, 1+writers*each)
		checkChain(t, rows)
	}
}

// A bath whose lock somebody holds does not keep others waiting.
func TestBathsDoNotWaitForEachOther(t *testing.T) {
	database := newDatabase(t)
	s := open(t, database, "anna")
	mustAppend(t, s, bathRow("busy"), bathRow("free"))
	conn := sqlAs(t, database, "ben")
	tx, err := conn.Begin(ctx)
	require.NoError(t, err)
	_, err = tx.Exec(ctx, "insert into steadybath.facts (bath, time, kind, note) values ('busy', now(), 'note', 'x')")
	require.NoError(t, err)
	mustAppend(t, s, noteRow("free", "not waiting"))
	short, cancel := context.WithTimeout(ctx, 200*time.Millisecond)
	defer cancel()
	_, err = s.Append(short, []journal.Row{noteRow("busy", "waiting")})
	require.ErrorIs(t, err, context.DeadlineExceeded)
	require.NoError(t, tx.Rollback(ctx))
	mustAppend(t, s, noteRow("busy", "its turn"))
}
