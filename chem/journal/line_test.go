package journal

import (
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// A stored row comes back from its line, whatever its texts hold: the database
// takes texts that no fact could have.
func TestParseLineUndoesLine(t *testing.T) {
	text := rapid.StringOf(rapid.RuneFrom([]rune("a,\"\\\n\rnr ü\t\u2028💧'\x01")))
	rapid.Check(t, func(t *rapid.T) {
		moment := rapid.Map(rapid.Int64Range(-1e15, 1e15), func(us int64) time.Time { return time.UnixMicro(us).UTC() })
		want := Row{
			Time: moment.Draw(t, "time"), Bath: text.Draw(t, "bath"), Kind: text.Draw(t, "kind"), Subject: text.Draw(t, "subject"),
			Value: rapid.SampledFrom([]string{"", "58.0", "-0.10"}).Draw(t, "value"), Unit: text.Draw(t, "unit"),
			U: rapid.SampledFrom([]string{"", "0.00"}).Draw(t, "u"), Note: text.Draw(t, "note"), ID: uuid.UUID{1, 2, 3, 15: 7},
			Entered: moment.Draw(t, "entered"), By: text.Draw(t, "by"), More: rapid.SampledFrom([]string{"", `{"a": "b,\"c\""}`, `{}`}).Draw(t, "more"),
		}
		want.Hash = want.Chain("")
		got, err := ParseLine(want.Line() + "," + want.Hash)
		require.NoError(t, err)
		require.Equal(t, want, got)
	})
}

// What is not exactly what a Writer writes is no line of a stored row.
func TestParseLineForgivesNothing(t *testing.T) {
	r := Row{Time: time.Unix(0, 0).UTC(), Bath: "b", Kind: "note", Note: `a "b", c`, ID: uuid.UUID{1}, Entered: time.Unix(1, 0).UTC(), By: "anna"}
	r.Hash = r.Chain("")
	whole := r.Line() + "," + r.Hash
	_, err := ParseLine(whole)
	require.NoError(t, err)
	for name, line := range map[string]string{
		"nothing":            "",
		"a column less":      strings.TrimSuffix(whole, ","+r.Hash),
		"a column more":      whole + ",",
		"quotes for nothing": strings.Replace(whole, ",b,", `,"b",`, 1),
		"open quotes":        strings.Replace(whole, `c"`, `c`, 1),
		"text after quotes":  strings.Replace(whole, `c"`, `c"x`, 1),
		"zeros of a time":    strings.Replace(whole, "1970-01-01T00:00:00Z", "1970-01-01T00:00:00.0Z", 1),
		"another zone":       strings.Replace(whole, "1970-01-01T00:00:00Z", "1970-01-01T01:00:00+01:00", 1),
		"no id":              strings.Replace(whole, r.ID.String(), "", 1),
		"an id in capitals":  strings.Replace(whole, r.ID.String(), "0100000A-0000-0000-0000-000000000000", 1),
		"a lone backslash":   strings.Replace(whole, ",b,", `,b\x,`, 1),
	} {
		_, err := ParseLine(line)
		require.Error(t, err, name)
	}
}

// Whatever is taken is what would be written again.
func FuzzParseLine(f *testing.F) {
	r := Row{Time: time.Unix(0, 0).UTC(), Bath: "b", Kind: "note", Note: `a "b", c` + "\n\\", ID: uuid.UUID{1}, Entered: time.Unix(1, 0).UTC(), By: "anna", More: `{"a":"b"}`}
	r.Hash = r.Chain("")
	f.Add(r.Line() + "," + r.Hash)
	f.Add(`,,,"",,,,,,,,,`)
	f.Add(`"`)
	f.Fuzz(func(t *testing.T, line string) {
		if got, err := ParseLine(line); err == nil {
			require.Equal(t, line, got.Line()+","+got.Hash)
		}
	})
}
