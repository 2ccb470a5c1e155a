package journal

import (
	"bytes"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
)

// The fixed keys at the beginning of a note (hours=4 area_dm2=5.5 …): what is taken
// for keys stands in more afterwards, what follows is the end of the note as it
// was typed, and a note without a key stays whole. Reading the row a second time
// takes nothing more away.
func FuzzNoteWords(f *testing.F) {
	for _, s := range []string{"hours=4 area_dm2=5.5 second coat", `part="bracket, left" hours=4`, "hours=4,5 x=y", "hour=4", "hours=", `lot="N 7`, "reset=yes", "reset=maybe", "lot=E7 lot=E8",
		"ph=1.2", "a=b", "=", "note = text", "hours=4\narea_dm2=1", "sample_mL=20 returned=true", "delivered_mL=[1,2]", "recipe=x", "Hours=4", "origin=x"} {
		for i := range chem.Kinds() {
			f.Add(s, byte(i))
		}
	}
	f.Fuzz(func(t *testing.T, note string, which byte) {
		if !utf8.ValidString(note) {
			return // a check before this refuses such
		}
		kind := chem.Kinds()[int(which)%len(chem.Kinds())]
		row := Row{Kind: string(kind), Note: strings.TrimSpace(note)}
		before := row
		err := readWords(&row, func(s string) (string, error) {
			d, err := chem.ParseDecimal(s)
			return string(d), err
		})
		if err != nil {
			var bad *ColumnError
			require.ErrorAs(t, err, &bad)
			require.Equal(t, "note", bad.Column)
			require.NotContains(t, bad.Why, "\n")
			return
		}
		if row.More == "" {
			require.Equal(t, before, row)
			return
		}
		require.True(t, strings.HasSuffix(before.Note, row.Note), "%q of %q", row.Note, before.Note)
		taken := strings.TrimSuffix(before.Note, row.Note)
		keys := 0
		for _, key := range rules[kind].keys {
			if hasKey(row.More, key) {
				keys++
				require.Contains(t, taken, key+"=")
				require.True(t, isWord(key), key)
			}
		}
		require.NotZero(t, keys)
		require.GreaterOrEqual(t, strings.Count(taken, "="), keys)
	})
}

// A time in a journal: what is read is written in one way only, and reads back as
// the same moment wherever the reader is.
func FuzzJournalTime(f *testing.F) {
	for _, s := range []string{"2026-01-05", "2026-01-05 18:00", "2026-01-05T18:00:00+01:00", "2026-01-05t18:00z", "2026-03-29 02:30", "2026-10-25 02:30", "1899-12-31", "9999-12-31T23:59:59.9999999Z",
		"2026-02-29", "0000-01-01T00:00:00Z", "2026-01-05 24:00", "2026-01-05T18:00:00.1234567-23:59"} {
		f.Add(s)
	}
	vienna, err := time.LoadLocation("Europe/Vienna")
	require.NoError(f, err)
	f.Fuzz(func(t *testing.T, s string) {
		at, err := parseTime(s, vienna)
		if err != nil {
			require.True(t, at.IsZero())
			require.LessOrEqual(t, len([]rune(err.Error())), 400)
			return
		}
		require.Equal(t, time.UTC, at.Location())
		require.Equal(t, at, at.Truncate(time.Microsecond))
		if at.Year() < 1 || at.Year() > 9999 {
			return
		}
		text := FormatTime(at)
		for _, zone := range []*time.Location{vienna, time.UTC} {
			again, err := parseTime(text, zone)
			require.NoError(t, err)
			require.True(t, at.Equal(again))
			require.Equal(t, text, FormatTime(again))
		}
	})
}

// Ids: a derived one is a UUID of version 8 that hangs on the eight columns and the
// ordinal alone; one that was typed into a journal is written in one way.
func FuzzID(f *testing.F) {
	f.Add("0199c0de-0000-7000-8000-000000000001", "tank-1", "plate", "second coat", uint16(1))
	f.Add("{0199C0DE-0000-7000-8000-000000000001}", "a,b", "note", "x\ny", uint16(2))
	f.Add("urn:uuid:0199c0de-0000-7000-8000-000000000001", "", "", "", uint16(0))
	f.Add("0199c0de000070008000000000000001", "\"", "\\n", "\r\n", uint16(3))
	f.Add("00000000-0000-0000-0000-000000000000", "b", "note", "n", uint16(1))
	f.Fuzz(func(t *testing.T, typed, bath, kind, note string, ordinal uint16) {
		row := Row{Time: time.Date(2026, 1, 5, 18, 0, 0, 0, time.UTC), Bath: bath, Kind: kind, Note: note}
		id := DeriveID(row, int(ordinal))
		require.Equal(t, uuid.Version(8), id.Version())
		require.Equal(t, uuid.RFC4122, id.Variant())
		other := row
		other.More, other.By, other.Hash, other.Number, other.ID = `{"lot":"x"}`, "anna", "h", 7, uuid.UUID{1}
		require.Equal(t, id, DeriveID(other, int(ordinal)))
		require.NotEqual(t, id, DeriveID(row, int(ordinal)+1))
		other = row
		other.Note += "x"
		require.NotEqual(t, id, DeriveID(other, int(ordinal)))
		other = row
		other.Bath, other.Kind = row.Bath+",", row.Kind
		require.NotEqual(t, id, DeriveID(other, int(ordinal)))

		if strings.ContainsAny(typed, "\",\n\r") {
			return
		}
		line := "time,bath,kind,subject,value,unit,u,note,entered,by,id\n2026-01-05,tank-1,note,,,,,n,,," + typed + "\n"
		e, err := NewReader(strings.NewReader(line), nil).Read()
		if err != nil {
			return
		}
		if strings.TrimSpace(typed) == "" {
			require.Equal(t, uuid.Version(8), e.Row.ID.Version())
			return
		}
		parsed, err := uuid.Parse(strings.TrimSpace(typed))
		require.NoError(t, err)
		require.Equal(t, parsed, e.Row.ID)
		require.NotEqual(t, uuid.Nil, e.Row.ID)
		require.True(t, bytes.Contains(write(t, []Row{e.Row}), []byte(parsed.String())))
	})
}
