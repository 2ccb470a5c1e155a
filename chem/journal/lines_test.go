package journal

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func readLines(t testing.TB, text []byte) (rows []Row, bad []*RowError) {
	t.Helper()
	r := NewLinesReader(bytes.NewReader(text), nil)
	for {
		e, err := r.Read()
		var row *RowError
		switch {
		case errors.Is(err, io.EOF):
			return rows, bad
		case errors.As(err, &row):
			bad = append(bad, row)
		default:
			require.NoError(t, err)
			rows = append(rows, e.Row)
		}
	}
}

func writeLines(rows []Row) []byte {
	var b []byte
	for _, r := range rows {
		b = append(r.AppendObject(b), '\n')
	}
	return b
}

func TestLinesComeBackExactly(t *testing.T) {
	want := awkward()
	text := writeLines(want)
	got, bad := readLines(t, text)
	require.Empty(t, bad)
	for i := range want {
		want[i].Number = 0
	}
	require.Equal(t, want, got)
	for line := range bytes.Lines(text) {
		var object map[string]any
		require.NoError(t, json.Unmarshal(line, &object), "JSON for everybody: %s", line)
		require.Len(t, object, len(Columns()))
		for _, name := range Columns() {
			require.Contains(t, object, name)
		}
	}
}

func TestBadLines(t *testing.T) {
	for text, want := range map[string]string{
		`{"time":"2026-01-05T18:00:00Z","bath":"t","kind":"level","value":58.0,"unit":"L"}x`: "not one JSON object",
		`[1]`: "not one JSON object",
		`{"time":"2026-01-05T18:00:00Z","bath":"t","kind":"level","value":"58","unit":"L"}`:                "column value: a number without quotes",
		`{"time":"2026-01-05T18:00:00Z","bath":"t","kind":"level","value":58,"unit":"Ah"}`:                 "column unit:",
		`{"time":"2026-01-05T18:00:00Z","bath":"t","kind":"level","value":58,"unit":"L","more":[1]}`:       "column more: not one JSON object",
		`{"time":"2026-01-05T18:00:00Z","bath":"t","kind":"level","value":58,"unit":"L","id":"7"}`:         "column id:",
		`{"time":"2026-01-05T18:00:00Z","bath":"t","kind":"level","value":58,"unit":"L","entered":"noon"}`: "column entered:",
		`{"time":"noon","bath":"t","kind":"level"}`:                                                        "column time:",
		`{"number":1}`:            `unknown key "number"`,
		`{"bath":"t","bath":"u"}`: "column bath: stands there twice",
		`{"note":"` + strings.Repeat("x", MaxRow) + `"}`: "longer than 1048576 bytes",
	} {
		rows, bad := readLines(t, []byte("\n"+text+"\n"+`{"time":"2026-01-05 18:00","bath":"t","kind":"level","value":58.0,"unit":"l"}`))
		require.Len(t, bad, 1, want)
		assert.Equal(t, 2, bad[0].Line)
		assert.Contains(t, bad[0].Error(), want)
		require.Len(t, rows, 1, "reading goes on")
		assert.Equal(t, "58.0", rows[0].Value)
		assert.Equal(t, "L", rows[0].Unit)
	}
}

func FuzzLines(f *testing.F) {
	f.Add(writeLines(awkward()))
	f.Add([]byte("\xef\xbb\xbf" + `{"time":"2026-01-05","kind":"note","note":"\u00e4\n","more":{ "a" : [1,2] }}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		rows, _ := readLines(t, text)
		again, bad := readLines(t, writeLines(rows))
		require.Empty(t, bad)
		require.Equal(t, rows, again)
	})
}

// RFC 4180, section 2, read in a copy: its seven rules, each on a row of a journal.
func TestRFC4180(t *testing.T) {
	const header = "time,bath,kind,subject,value,unit,u,note"
	const row = "2026-01-05T18:00:00Z,t,note,,,,,"
	for name, c := range map[string]struct {
		text  string
		notes []string
	}{
		"1: a record a line, ended by CRLF":    {header + "\r\n" + row + "a\r\n" + row + "b\r\n", []string{"a", "b"}},
		"2: the last without":                  {header + "\r\n" + row + "a\r\n" + row + "b", []string{"a", "b"}},
		"3: no header":                         {row + "a\r\n" + row + "b\r\n", []string{"a", "b"}},
		"5: any field may be in quotes":        {`"2026-01-05T18:00:00Z","t","note","","","","","a"` + "\r\n", []string{"a"}},
		"6: breaks, quotes and commas in them": {row + "\"a\r\nb, \"\"c\"\"\"\r\n" + row + "d\r\n", []string{"a\nb, \"c\"", "d"}},
		"7: a quote is doubled":                {row + "\"a\"\"b\"\r\n", []string{`a"b`}},
	} {
		var notes []string
		for e, err := range NewReader(strings.NewReader(c.text), nil).All() {
			require.NoError(t, err, name)
			notes = append(notes, e.Row.Note)
		}
		assert.Equal(t, c.notes, notes, name)
	}
	// Rule 4: spaces belong to the field. They do in the thirteen columns of an
	// export; those written by hand are trimmed, since people align them.
	full := "2026-01-05T18:00:00Z,t,note,,,,, a ,0195f3c8-0000-7000-8000-000000000000,,,,"
	for e, err := range NewReader(strings.NewReader(full), nil).All() {
		require.NoError(t, err)
		assert.Equal(t, " a ", e.Row.Note)
	}
	for e, err := range NewReader(strings.NewReader(row+" a "), nil).All() {
		require.NoError(t, err)
		assert.Equal(t, "a", e.Row.Note)
	}
}
