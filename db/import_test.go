package db

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"steadybath/chem/journal"
)

func csvRows(text string) func() (journal.Entry, error) {
	return journal.NewReader(strings.NewReader(text), nil).Read
}

func rowsOf(rows ...journal.Row) func() (journal.Entry, error) {
	i := 0
	return func() (journal.Entry, error) {
		if i == len(rows) {
			return journal.Entry{}, io.EOF
		}
		i++
		return journal.Entry{Row: rows[i-1], Line: i + 1}, nil
	}
}

func allRows(tb testing.TB, s *Store) []journal.Row {
	tb.Helper()
	rows := []journal.Row{}
	require.NoError(tb, s.EachRow(ctx, nil, func(r journal.Row) error { rows = append(rows, r); return nil }))
	return rows
}

func mustImport(tb testing.TB, s *Store, next func() (journal.Entry, error)) *Imported {
	tb.Helper()
	result, err := s.Import(ctx, next, nil)
	require.NoError(tb, err)
	return result
}

const week = `time,bath,kind,subject,value,unit,u,note
2026-01-05T18:00:00Z,tank-1,level,,58.0,L,0.3,
2026-01-05T18:20:00Z,tank-1,assay,copper,51.8,g/L,0.4,
2026-01-06T19:00:00Z,tank-1,plate,,22.5,Ah,,hours=4 area_dm2=5.5
2026-01-08T18:05:00Z,tank-1,add,brightener,12,mL,0.3,
2026-01-08T18:05:00Z,tank-1,add,brightener,12,mL,0.3,
2026-01-08T18:05:00Z,tank-1,add,brightener,12,mL,0.3,
2026-01-10T10:00:00Z,tank-1,bail,,1.5,L,0.05,"spilled, ""again"""
`

func TestImportByHand(t *testing.T) {
	s := open(t, newDatabase(t), "anna")
	_, err := s.Import(ctx, csvRows(week), nil)
	var bad *ImportError
	require.ErrorAs(t, err, &bad)
	require.Equal(t, []LineError{{2, "bath", `there is no bath "tank-1"; make it first, or begin its rows with one of kind bath`}}, bad.Lines)
	require.Empty(t, allRows(t, s))

	mustAppend(t, s, bathRow("tank-1"))
	var heard [][2]int64
	result, err := s.Import(ctx, csvRows(week), func(read, entered int64) { heard = append(heard, [2]int64{read, entered}) })
	require.NoError(t, err)
	require.Equal(t, &Imported{Read: 7, New: 7, Baths: []ImportedBath{{Bath: "tank-1", New: 7}}}, result)
	require.Equal(t, [][2]int64{{7, 0}, {7, 7}}, heard)
	rows := allRows(t, s)
	checkChain(t, rows)
	require.Equal(t, "58.0", rows[1].Value)
	require.Equal(t, `{"hours":4,"area_dm2":5.5}`, rows[3].More)
	require.Equal(t, `spilled, "again"`, rows[7].Note)
	// The ids of rows without one are what the journal's own rule says.
	for i, ordinal := range []int{1, 1, 1, 1, 2, 3, 1} {
		require.Equal(t, journal.DeriveID(rows[i+1], ordinal), rows[i+1].ID, "row %d", i+1)
	}

	again := mustImport(t, s, csvRows(week))
	require.Equal(t, &Imported{Read: 7, Known: 7, Baths: []ImportedBath{{Bath: "tank-1", Known: 7}}}, again)
	longer := mustImport(t, s, csvRows(week+"2026-01-08T18:05:00Z,tank-1,add,brightener,12,mL,0.3,\n2026-01-12T10:00:00Z,tank-1,note,,,,,a word\n"))
	require.Equal(t, int64(2), longer.New)
	require.Equal(t, int64(7), longer.Known)
	checkChain(t, allRows(t, s))
}

// The SQL form of DeriveID against the Go form, on text that tells them apart.
func TestDerivedIDIsTheJournals(t *testing.T) {
	s := open(t, newDatabase(t), "anna")
	rows := []journal.Row{bathRow("b")}
	for _, text := range hostile {
		r := noteRow("b", text)
		r.ID = uuid.Nil
		r.Time = r.Time.Add(time.Duration(len(rows)) * time.Microsecond)
		rows = append(rows, r, r)
	}
	mustImport(t, s, rowsOf(rows...))
	stored := allRows(t, s)
	require.Len(t, stored, len(rows))
	for i, r := range stored[1:] {
		require.Equal(t, journal.DeriveID(r, i%2+1), r.ID, "%q", r.Note)
	}
}

func export(tb testing.TB, s *Store) string {
	tb.Helper()
	var b bytes.Buffer
	w := journal.NewWriter(&b)
	require.NoError(tb, s.EachRow(ctx, nil, w.Write))
	require.NoError(tb, w.Flush())
	return b.String()
}

// fill enters facts of two baths and the shop by two people, one void among
// them.
func fill(tb testing.TB, database string) {
	tb.Helper()
	anna, ben := open(tb, database, "anna"), open(tb, database, "ben")
	edta := journal.Row{Time: noon, Kind: "titrant", Subject: "EDTA", Value: "0.1000", Unit: "mol/L", U: "0.0001", ID: uuid.New()}
	wrong := plateRow("a", "225")
	mustAppend(tb, anna, bathRow("a"), bathRow("b"), edta, wrong)
	void := noteRow("a", "a slip of the decimal point, \"sorry\"\nsecond line \\ end")
	void.Kind, void.Subject = "void", wrong.ID.String()
	mustAppend(tb, ben, void, plateRow("a", "22.5"), noteRow("b", "żółć, µ"))
}

func TestExportComesBackWhole(t *testing.T) {
	from, to := newDatabase(t), newDatabase(t)
	fill(t, from)
	source := open(t, from, "rita")
	text := export(t, source)

	target := open(t, to, admin)
	result := mustImport(t, target, csvRows(text))
	require.Equal(t, int64(7), result.New)
	for _, b := range result.Baths {
		require.True(t, b.TakenOver, "%q", b.Bath)
		require.True(t, b.Claimed)
		want, err := source.Rows(ctx, b.Bath, time.Time{})
		require.NoError(t, err)
		got, err := target.Rows(ctx, b.Bath, time.Time{})
		require.NoError(t, err)
		require.Equal(t, want, got[:len(want)], "who, when and hash as they were")
		checkChain(t, got)
		for _, note := range got[len(want):] {
			require.Equal(t, "note", note.Kind)
			require.Equal(t, admin, note.By)
			require.Contains(t, note.Note, want[len(want)-1].Hash)
		}
		require.Len(t, got, len(want)+1)
		_, err = journal.Decode(got[len(want)])
		require.NoError(t, err)
	}
	again := mustImport(t, target, csvRows(text))
	require.Zero(t, again.New)
	require.Equal(t, int64(7), again.Known)

	// What was entered since continues the source's chain, not the target's,
	// whose last fact is the note.
	mustAppend(t, open(t, from, "anna"), plateRow("a", "1"))
	more := mustImport(t, target, csvRows(export(t, source)))
	require.Equal(t, int64(1), more.New)
	require.Equal(t, ImportedBath{Bath: "a", New: 1, Known: 4, Claimed: true}, more.Baths[1])
	// And what the target re-entered is known to the source, claims aside.
	back := mustImport(t, open(t, from, admin), csvRows(export(t, target)))
	require.Equal(t, int64(len(allRows(t, target)))-back.New, back.Known)
	require.Equal(t, int64(3), back.New, "the notes of the import, one a chain")
}

func TestPrefixGoesOnInItsChain(t *testing.T) {
	from, to := newDatabase(t), newDatabase(t)
	s := open(t, from, "anna")
	mustAppend(t, s, bathRow("a"), plateRow("a", "1"))
	rows := allRows(t, s)
	conn := sqlAs(t, to, admin)
	_, err := conn.Exec(ctx, "set role steadybath_owner")
	require.NoError(t, err)
	for _, r := range rows {
		_, err := conn.Exec(ctx, `insert into steadybath.facts (bath, time, kind, value, unit, id, entered, by, more, hash) values ($1, $2, $3, $4::text::numeric, $5, $6, $7, $8, nullif($9::text, '')::json, $10)`,
			r.Bath, r.Time, r.Kind, r.Value, r.Unit, [16]byte(r.ID), r.Entered, r.By, r.More, r.Hash)
		require.NoError(t, err)
	}
	mustAppend(t, s, plateRow("a", "2"), plateRow("a", "3"))
	target := open(t, to, admin)
	result := mustImport(t, target, csvRows(export(t, s)))
	require.Equal(t, []ImportedBath{{Bath: "a", New: 2, Known: 2, Claimed: true, TakenOver: true}}, result.Baths)
	require.Equal(t, allRows(t, s), allRows(t, target)[:4])
}

func TestClaimsAreKeptAside(t *testing.T) {
	from := newDatabase(t)
	fill(t, from)
	source := open(t, from, "rita")
	text, want := export(t, source), allRows(t, source)
	tampered := strings.Replace(text, ",22.5,", ",22.4,", 1)
	require.NotEqual(t, text, tampered)
	for _, tc := range []struct{ name, user, text string }{
		{"a writer has no say in who and when", "ben", text},
		{"a broken chain is nobody's", admin, tampered},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s := open(t, newDatabase(t), tc.user)
			result := mustImport(t, s, csvRows(tc.text))
			require.Equal(t, int64(len(want)), result.New)
			for _, b := range result.Baths {
				require.True(t, b.Claimed)
				require.Equal(t, tc.user == admin && b.Bath != "a", b.TakenOver, "%q", b.Bath)
			}
			got, err := s.Rows(ctx, "a", time.Time{})
			require.NoError(t, err)
			checkChain(t, got)
			for i, r := range got {
				w := want[i+1] // after the shop's one
				require.Equal(t, tc.user, r.By)
				require.Equal(t, w.ID, r.ID)
				claim := fmt.Sprintf(`"origin":{"entered":%q,"by":%q,"hash":%q}}`, journal.FormatTime(w.Entered), w.By, w.Hash)
				require.True(t, strings.HasSuffix(r.More, claim), "%s", r.More)
				_, err := journal.Decode(r)
				require.NoError(t, err)
			}
			again := mustImport(t, s, csvRows(tc.text))
			require.Zero(t, again.New)
		})
	}
}

func TestImportNamesEveryBadRow(t *testing.T) {
	database := newDatabase(t)
	s := open(t, database, "anna")
	known := plateRow("b", "3")
	mustAppend(t, s, bathRow("b"), known)
	other, twin := known, noteRow("b", "first")
	other.Value = "4"
	second := twin
	second.Note = "second"
	lost := noteRow("b", "why")
	lost.Kind, lost.Subject = "void", uuid.NewString()
	later := noteRow("b", "later")
	early := noteRow("b", "voided before it is entered")
	early.Kind, early.Subject = "void", later.ID.String()
	elsewhere := noteRow("b", "of another bath")
	elsewhere.Kind, elsewhere.Subject = "void", uuid.NewString()
	minus, nothing := plateRow("b", "-3"), plateRow("b", "")
	comma := plateRow("b", "1,5")
	for _, tc := range []struct {
		name string
		next func() (journal.Entry, error)
		want string
	}{
		{"cells", csvRows("2026-01-05T18:00:00Z,b,level,,58.0,kg,,\n2026-01-05T18:00:00Z,b,note,,,,,fine\n2026-01-05T18:00:00Z,b,levl,,1,L,,\n"),
			"line 1, column unit: .*\nline 3, column kind: .*"},
		{"id with other content", rowsOf(plateRow("b", "1"), other), "^line 3, column id: fact 2 of the bath has this id and other content$"},
		{"id twice in the file", rowsOf(twin, second), "^line 3, column id: line 2 has the same id and other content$"},
		{"no bath", rowsOf(plateRow("b", "1"), plateRow("c", "1"), plateRow("c", "2"), plateRow("d", "1")),
			`^line 3, column bath: there is no bath "c"; .*\nline 5, column bath: there is no bath "d"; .*$`},
		{"bath begins too late", rowsOf(plateRow("c", "1"), bathRow("c")), `^line 2, column bath: there is no bath "c"`},
		{"bath again", rowsOf(bathRow("b")), `^line 2, column bath: there is a bath "b" already$`},
		{"bath twice in the file", rowsOf(bathRow("c"), bathRow("c")), `^line 3, column bath: there is a bath "c" already$`},
		{"void of nothing", rowsOf(lost), "^line 2, column subject: no earlier fact of the bath has the id " + lost.Subject + "$"},
		{"void before its fact", rowsOf(early, later), "^line 2, column subject: no earlier fact"},
		{"against a check of the table", rowsOf(plateRow("b", "1"), minus, noteRow("b", "x"), nothing),
			"^line 3: a plating run needs a charge above zero, such as 22.5 Ah\nline 5: a plating run needs a charge above zero, such as 22.5 Ah$"},
		{"not a number", rowsOf(plateRow("b", "1"), comma), `^line 3: the column value holds "1,5", which is not a plain decimal number$`},
	} {
		t.Run(tc.name, func(t *testing.T) {
			before := allRows(t, s)
			_, err := s.Import(ctx, tc.next, nil)
			var bad *ImportError
			require.ErrorAs(t, err, &bad)
			require.Regexp(t, tc.want, err.Error())
			require.Equal(t, before, allRows(t, s), "nothing is entered")
		})
	}

	many := strings.Repeat("nonsense\n", 500)
	_, err := s.Import(ctx, csvRows("time,bath,kind,subject,value,unit,u,note\n"+many), nil)
	var bad *ImportError
	require.ErrorAs(t, err, &bad)
	require.Len(t, bad.Lines, maxLines)
	require.True(t, bad.More)

	broken := errors.New("the stick was pulled out")
	n := 0
	_, err = s.Import(ctx, func() (journal.Entry, error) {
		if n++; n > 3 {
			return journal.Entry{}, broken
		}
		return journal.Entry{Row: plateRow("b", "1"), Line: n}, nil
	}, nil)
	require.ErrorIs(t, err, broken)
	require.Len(t, allRows(t, s), 2)

	nothingNew := mustImport(t, s, csvRows(""))
	require.Equal(t, &Imported{Baths: []ImportedBath{}}, nothingNew)
}

// The trigger looks up the last fact of the bath for each new one. A plan made
// while the table was small and its statistics said so must not read all of
// them: the server's own counts show how many rows were looked at.
func TestEnteringStaysLinear(t *testing.T) {
	database := newDatabase(t)
	s := open(t, database, "anna")
	mustAppend(t, s, bathRow("b"), bathRow("c"))
	conn := sqlAs(t, database, admin)
	_, err := conn.Exec(ctx, "vacuum analyze steadybath.facts")
	require.NoError(t, err)
	mustAppend(t, s, plateRow("b", "1"))
	const rows = 3000
	n := 0
	mustImport(t, s, func() (journal.Entry, error) {
		if n++; n > rows {
			return journal.Entry{}, io.EOF
		}
		r := plateRow("b", "1")
		if n%100 == 0 {
			// A void of the row before.
			r = noteRow("b", "why")
			r.Kind, r.Subject = "void", uuid.UUID{6: 0x40, 8: 0x80, 14: byte((n - 1) >> 8), 15: byte(n - 1)}.String()
			return journal.Entry{Row: r, Line: n}, nil
		}
		r.ID = uuid.UUID{6: 0x40, 8: 0x80, 14: byte(n >> 8), 15: byte(n)}
		return journal.Entry{Row: r, Line: n}, nil
	})
	s.Close() // a session reports its counts when it ends at the latest
	var read int64
	for range 200 {
		require.NoError(t, conn.QueryRow(ctx, `select seq_tup_read + (select sum(idx_tup_read) from pg_stat_user_indexes i where i.relid = t.relid)
			from pg_stat_user_tables t where relid = 'steadybath.facts'::regclass`).Scan(&read))
		if read >= rows {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	require.GreaterOrEqual(t, read, int64(rows), "one lookup per row at least")
	require.Less(t, read, int64(50*rows), "some thousand per row where it sorts")
}
