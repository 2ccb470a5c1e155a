package journal

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"steadybath/chem"
)

func drawRow(t *rapid.T) Row {
	row, err := Encode(drawFact(t, rapid.SampledFrom(chem.Kinds()).Draw(t, "kind")))
	require.NoError(t, err)
	row.Number = 0
	if rapid.Bool().Draw(t, "hashed") {
		row.Hash = row.Chain("")
	}
	return row
}

func write(t require.TestingT, rows []Row) []byte {
	var b bytes.Buffer
	w := NewWriter(&b)
	for _, r := range rows {
		require.NoError(t, w.Write(r))
	}
	require.NoError(t, w.Flush())
	return b.Bytes()
}

// The reader gives back what the writer wrote, in all thirteen columns.
func TestWriterReaderInverse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rows := rapid.SliceOfN(rapid.Custom(drawRow), 0, 5).Draw(t, "rows")
		text := write(t, rows)
		require.Equal(t, len(rows)+1, bytes.Count(text, []byte("\n")), "one line a row, whatever its texts hold")
		r := NewReader(bytes.NewReader(text), nil)
		for i, want := range rows {
			e, err := r.Read()
			require.NoError(t, err)
			require.Equal(t, want, e.Row)
			require.Equal(t, i+2, e.Line)
			require.False(t, e.Hand)
		}
		_, err := r.Read()
		require.Equal(t, io.EOF, err)
	})
}

func TestWriterHeaderOnly(t *testing.T) {
	require.Equal(t, "time,bath,kind,subject,value,unit,u,note,id,entered,by,more,hash\n", string(write(t, nil)))
}

type full struct{}

var errFull = errors.New("no space left")

func (full) Write([]byte) (int, error) { return 0, errFull }

func TestWriterPassesOnErrors(t *testing.T) {
	w := NewWriter(full{})
	row := Row{Note: strings.Repeat("x", 100_000)}
	require.ErrorIs(t, w.Write(row), errFull)
	require.ErrorIs(t, w.Flush(), errFull)
}

func TestRowJSON(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		row := drawRow(t)
		row.Number = rapid.Int64Range(1, 1e9).Draw(t, "number")
		voidedBy := rapid.Int64Range(0, 3).Draw(t, "voided by")
		var got struct {
			ID, Time, Entered, By, Kind, Subject, Unit, Note string
			Value, U                                         *json.Number
			More                                             json.RawMessage
			VoidedBy                                         *json.Number `json:"voided_by"`
		}
		d := json.NewDecoder(bytes.NewReader(row.JSON(voidedBy)))
		d.UseNumber()
		require.NoError(t, d.Decode(&got))
		require.Equal(t, row.Note, got.Note)
		require.Equal(t, row.Subject, got.Subject)
		require.Equal(t, row.By, got.By)
		require.Equal(t, row.Unit, got.Unit)
		require.Equal(t, row.Kind, got.Kind)
		require.Equal(t, row.ID.String(), got.ID)
		at, err := time.Parse(time.RFC3339, got.Time)
		require.NoError(t, err)
		require.True(t, at.Equal(row.Time))
		text := func(n *json.Number) string {
			if n == nil {
				return ""
			}
			return n.String()
		}
		require.Equal(t, row.Value, text(got.Value))
		require.Equal(t, row.U, text(got.U))
		require.Equal(t, voidedBy == 0, got.VoidedBy == nil)
		more := row.More
		if more == "" {
			more = "{}"
		}
		require.Equal(t, more, string(got.More))
	})
}

func TestDisowned(t *testing.T) {
	row := Row{Time: time.Date(2026, 1, 5, 18, 0, 0, 0, time.UTC), Bath: "tank-1", Kind: "note", Note: "x", ID: uuid.New(),
		Entered: time.Date(2026, 1, 5, 19, 0, 0, 5000, time.UTC), By: `an"na`, Hash: strings.Repeat("a", 64), Number: 7}
	claim := `{"entered":"2026-01-05T19:00:00.000005Z","by":"an\"na","hash":"` + strings.Repeat("a", 64) + `"}`
	for more, want := range map[string]string{
		``:                                 `{"origin":` + claim + `}`,
		`{}`:                               `{"origin":` + claim + `}`,
		` { } `:                            `{"origin":` + claim + `}`,
		`{"k": 1.50 , "l":[{"origin":1}]}`: `{"k":1.50,"l":[{"origin":1}],"origin":` + claim + `}`,
		`{"k":"origin"}`:                   `{"k":"origin","origin":` + claim + `}`,
		`{"origin":{"by":"ben"}}`:          `{"origin":{"by":"ben"}}`,
	} {
		row.More = more
		got := row.Disowned()
		require.JSONEq(t, want, got.More, more)
		require.Equal(t, Row{Time: row.Time, Bath: row.Bath, Kind: row.Kind, Note: row.Note, ID: row.ID, More: got.More}, got)
		_, err := Decode(got)
		require.NoError(t, err)
		require.Equal(t, got, got.Disowned(), "nothing is claimed any more")
	}
}
