package db

import (
	"fmt"
	"io"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"steadybath/chem/journal"
)

const manyRows = 100_000

// plainTable has the columns of facts and its key, and nothing of what makes
// facts what they are: the peer of the imports below.
const plainTable = `create table plain (bath text, number bigint, time timestamptz, kind text, subject text, value numeric, unit text, u numeric,
  note text, id uuid, entered timestamptz, by text, more json, hash text, primary key (bath, number))`

func benchRow(n int) journal.Row {
	return journal.Row{Bath: "b", Time: noon.Add(time.Duration(n) * time.Second), Kind: "plate", Subject: "bracket", Value: "22.50", Unit: "Ah", U: "0.1",
		Note: "half a year of plating", More: `{"hours":4,"area_dm2":5.5}`,
		ID: uuid.UUID{6: 0x40, 8: 0x80, 12: byte(n >> 24), 13: byte(n >> 16), 14: byte(n >> 8), 15: byte(n)}}
}

func manyOf(n int) func() (journal.Entry, error) {
	i := 0
	return func() (journal.Entry, error) {
		if i++; i > n {
			return journal.Entry{}, io.EOF
		}
		return journal.Entry{Row: benchRow(i), Line: i + 1}, nil
	}
}

func BenchmarkAppend(b *testing.B) {
	for _, rows := range []int{1, 100} {
		b.Run(fmt.Sprintf("rows=%d", rows), func(b *testing.B) {
			s := open(b, newDatabase(b), "anna")
			mustAppend(b, s, bathRow("b"))
			for b.Loop() {
				batch := make([]journal.Row, rows)
				for i := range batch {
					batch[i] = plateRow("b", "1")
				}
				mustAppend(b, s, batch...)
			}
		})
	}
}

func BenchmarkImport(b *testing.B) {
	b.Run("rows=100000/via=import", func(b *testing.B) {
		for b.Loop() {
			b.StopTimer()
			s := open(b, newDatabase(b), "anna")
			mustAppend(b, s, bathRow("b"))
			b.StartTimer()
			result := mustImport(b, s, manyOf(manyRows))
			require.Equal(b, int64(manyRows), result.New)
		}
		b.ReportMetric(float64(manyRows)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
	})
	b.Run("rows=100000/via=import-again", func(b *testing.B) {
		s := open(b, newDatabase(b), "anna")
		mustAppend(b, s, bathRow("b"))
		mustImport(b, s, manyOf(manyRows))
		for b.Loop() {
			result := mustImport(b, s, manyOf(manyRows))
			require.Equal(b, int64(manyRows), result.Known)
		}
		b.ReportMetric(float64(manyRows)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
	})
	b.Run("rows=100000/via=import-chained", func(b *testing.B) {
		from := open(b, newDatabase(b), "anna")
		mustAppend(b, from, bathRow("b"))
		mustImport(b, from, manyOf(manyRows-1))
		rows := allRows(b, from)
		for b.Loop() {
			b.StopTimer()
			s := open(b, newDatabase(b), admin)
			b.StartTimer()
			result := mustImport(b, s, rowsOf(rows...))
			require.True(b, result.Baths[0].TakenOver)
		}
		b.ReportMetric(float64(manyRows)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
	})
	b.Run("rows=100000/via=plain-copy", func(b *testing.B) {
		for b.Loop() {
			b.StopTimer()
			conn := sqlAs(b, newDatabase(b), admin)
			_, err := conn.Exec(ctx, plainTable)
			require.NoError(b, err)
			next, number := manyOf(manyRows), int64(0)
			b.StartTimer()
			n, err := conn.CopyFrom(ctx, pgx.Identifier{"plain"},
				[]string{"bath", "number", "time", "kind", "subject", "value", "unit", "u", "note", "id", "entered", "by", "more", "hash"},
				pgx.CopyFromFunc(func() ([]any, error) {
					e, err := next()
					if err == io.EOF {
						return nil, nil
					}
					number++
					r := e.Row
					return []any{r.Bath, number, r.Time, r.Kind, r.Subject, r.Value, r.Unit, r.U, r.Note, [16]byte(r.ID), r.Time, "anna", r.More, r.Hash}, err
				}))
			require.NoError(b, err)
			require.Equal(b, int64(manyRows), n)
		}
		b.ReportMetric(float64(manyRows)*float64(b.N)/b.Elapsed().Seconds(), "rows/s")
	})
}

func BenchmarkRows(b *testing.B) {
	database := newDatabase(b)
	s := open(b, database, "anna")
	mustAppend(b, s, bathRow("b"))
	mustImport(b, s, manyOf(manyRows))
	b.Run("rows=100000/via=rows", func(b *testing.B) {
		for b.Loop() {
			rows, err := s.Rows(ctx, "b", time.Time{})
			require.NoError(b, err)
			require.Len(b, rows, manyRows+1)
		}
	})
	b.Run("rows=100000/via=plain-copy", func(b *testing.B) {
		conn := sqlAs(b, database, "anna")
		for b.Loop() {
			tag, err := conn.PgConn().CopyTo(ctx, io.Discard, "copy (select * from steadybath.facts where bath = 'b' order by number) to stdout")
			require.NoError(b, err)
			require.Equal(b, int64(manyRows+1), tag.RowsAffected())
		}
	})
	b.Run("baths", func(b *testing.B) {
		for b.Loop() {
			baths, err := s.Baths(ctx)
			require.NoError(b, err)
			require.Len(b, baths, 1)
		}
	})
	b.Run("open", func(b *testing.B) {
		for b.Loop() {
			s, err := Open(ctx, Options{URL: dsn(database, "anna")})
			require.NoError(b, err)
			s.Close()
		}
	})
}
