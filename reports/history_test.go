package reports

import (
	"bytes"
	"encoding/json"
	"io"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/advice"
	"steadybath/chem/estimate"
	"steadybath/chem/journal"
)

// hostileText would take over a terminal, a table and a page, and has a word longer
// than a line.
const hostileText = "\x1b[31mred\x1b]0;title\x07 \u009b2J \r\noverwritten <script> \"quoted\", " +
	"wordwordwordwordwordwordwordwordwordwordwordwordwordwordwordwordwordwordwordwordwordwordwordword\x7f"

func logLine(number int64, at time.Time, body chem.Body, note, by string) HistoryLine {
	f := chem.Fact{Number: number, ID: uuid.UUID{15: byte(number)}, Time: at, Entered: at.Add(time.Minute), Bath: "tank-1", By: by, Note: note, Body: body}
	r := journal.Row{Number: number, ID: f.ID, Time: f.Time, Entered: f.Entered, Bath: f.Bath, By: by, Note: note}
	if body != nil {
		r.Kind = string(body.Kind())
	}
	return HistoryLine{Fact: f, Row: r}
}

// tame fails where a text has what a terminal would obey, or too long a line.
func tame(t *testing.T, text string) {
	t.Helper()
	for line := range strings.Lines(text) {
		require.LessOrEqual(t, utf8.RuneCountInString(strings.TrimSuffix(line, "\n")), 80, line)
		require.False(t, strings.ContainsFunc(strings.TrimSuffix(line, "\n"), unicode.IsControl), "%q", line)
	}
}

func hostileLog() []HistoryLine {
	at := time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC)
	void := logLine(4, at.AddDate(0, 0, 3), chem.Void{Target: uuid.UUID{15: 2}}, hostileText, hostileText)
	voided := logLine(2, at, chem.Add{Material: hostileText, Amount: chem.MeasuredOf(12, "mL", 0), Lot: hostileText}, hostileText, hostileText)
	voided.Void = &void.Fact
	unread := logLine(3, at, nil, hostileText, "bo")
	unread.Row.Kind, unread.Row.Subject = hostileText, hostileText
	return []HistoryLine{logLine(1, at, chem.Remark{}, hostileText, "anna"), voided, unread, void}
}

func TestLogTextIsTame(t *testing.T) {
	var b bytes.Buffer
	l := NewLogText(&b, LogOf{Bath: hostileText, Title: hostileText, Total: 4, Head: strings.Repeat("a", 64), Part: true, Zone: time.UTC})
	for _, line := range hostileLog() {
		require.NoError(t, l.Fact(line))
	}
	require.NoError(t, l.End())
	tame(t, b.String())
	require.Contains(t, b.String(), "VOID, by 4: add")
	require.Contains(t, b.String(), "cannot be read here:")
	require.Contains(t, b.String(), "4 of 4 facts")
}

func TestLogJSON(t *testing.T) {
	for n := range 5 {
		var b bytes.Buffer
		l := NewLogJSON(&b, LogOf{Bath: hostileText, Total: 4, Head: "h", Zone: time.UTC})
		for _, line := range hostileLog()[:n] {
			require.NoError(t, l.Fact(line))
		}
		require.NoError(t, l.End())
		var got struct {
			Bath  string
			Facts []struct {
				Number   int64
				Note     string
				VoidedBy *int64 `json:"voided_by"`
				Void     *struct{ By, Why string }
			}
			Head string
		}
		require.NoError(t, json.Unmarshal(b.Bytes(), &got), b.String())
		require.Equal(t, hostileText, got.Bath)
		require.NotNil(t, got.Facts)
		require.Len(t, got.Facts, n)
		require.Equal(t, "h", got.Head)
		require.False(t, strings.ContainsFunc(strings.ReplaceAll(b.String(), "\n", ""), unicode.IsControl), "JSON escapes them")
		if n > 1 {
			require.EqualValues(t, 4, *got.Facts[1].VoidedBy)
			require.Equal(t, hostileText, got.Facts[1].Void.Why)
			require.Equal(t, hostileText, got.Facts[0].Note)
		}
	}
}

func TestLogCSV(t *testing.T) {
	var b bytes.Buffer
	l := NewLogCSV(&b)
	lines := hostileLog()
	require.NoError(t, l.Fact(lines[0]))
	require.NoError(t, l.End())
	require.Equal(t, 2, strings.Count(b.String(), "\n"), "a row is one line, whatever is in it")
	require.True(t, strings.HasPrefix(b.String(), strings.Join(journal.Columns(), ",")+"\n"))
}

// A log begins to be written long before its last fact is known.
func TestLogIsNotHeldBack(t *testing.T) {
	for name, make := range map[string]func(io.Writer) Log{
		"text": func(w io.Writer) Log { return NewLogText(w, LogOf{Zone: time.UTC}) },
		"JSON": func(w io.Writer) Log { return NewLogJSON(w, LogOf{Zone: time.UTC}) },
		"CSV":  NewLogCSV,
	} {
		t.Run(name, func(t *testing.T) {
			var b bytes.Buffer
			l := make(&b)
			line := logLine(1, time.Now(), chem.Remark{}, strings.Repeat("text ", 100), "anna")
			written := 0
			for range 1000 {
				require.NoError(t, l.Fact(line))
				written += 500
			}
			require.Less(t, written-b.Len(), 128<<10)
		})
	}
}

func TestAdviceTextIsTame(t *testing.T) {
	at := time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC)
	id := uuid.New()
	add := logLine(4, at.Add(time.Hour), chem.Add{Material: hostileText, Amount: chem.MeasuredOf(12, "mL", 0), Lot: hostileText, Advice: id}, "", "")
	bail := logLine(5, at.Add(time.Hour), chem.Bail{Volume: chem.MeasuredOf(1, "L", 0), Advice: id}, "", "")
	read := logLine(6, at.AddDate(0, 0, 2), chem.Assay{Of: hostileText, Value: chem.MeasuredOf(3, "mL/L", 0.1)}, "", "")
	entries := advice.Review(advice.Input{
		Plans: []advice.Plan{{Shown: advice.Shown{ID: id, At: at, Entered: at, By: hostileText}, Version: hostileText, ReadFirst: []string{hostileText},
			Additions: []advice.Amount{{Material: hostileText, Amount: 53, Unit: "mL"}},
			Before:    []advice.Value{{Name: hostileText, Unit: "mL/L", Value: 3, U: 0.1}}, After: []advice.Value{{Name: hostileText, Unit: "mL/L", Value: 4, U: 0.1}}}},
		Facts:    []chem.Fact{add.Fact, bail.Fact, read.Fact},
		Readings: []estimate.Reading{{Fact: read.Fact, Subject: hostileText, Unit: "mL/L", Value: 3, U: 0.1, Fate: estimate.Held}},
		Now:      at.AddDate(0, 0, 9), Brings: func(string) []string { return []string{hostileText} },
	})
	for _, u := range []Units{Metric, US} {
		var b bytes.Buffer
		require.NoError(t, Advice(&b, AdviceInput{Bath: hostileText, Entries: entries, Total: 1, Zone: time.UTC, Units: u, Head: strings.Repeat("a", 64)}))
		tame(t, b.String())
		require.Contains(t, b.String(), "not advised: ")
		require.Contains(t, b.String(), "the reading was held")
	}
}
