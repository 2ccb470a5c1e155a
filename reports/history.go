package reports

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"time"
	"unicode/utf8"

	"steadybath/chem"
	"steadybath/chem/journal"
)

// HistoryLine is one fact of the log.
type HistoryLine struct {
	Fact   chem.Fact // without a body where this version cannot read the row
	Row    journal.Row
	Void   *chem.Fact // the void that says that it does not stand; nil where it stands
	Target int64      // of a void: the number of the fact that it names
}

// LogOf is what a log says around its facts.
type LogOf struct {
	Bath  string // as JSON names it, empty for the shop
	Title string // as people read it
	Total int64  // facts of the chain, as far as it was known
	Head  string // hash of the last of them
	Part  bool   // only some facts are asked for
	Zone  *time.Location
}

// Log takes the facts of a log one after the other, in order of entry, and
// writes each as it comes: a long log begins to show at once and is never held
// in memory. End has to be called after the last.
type Log interface {
	Fact(HistoryLine) error
	End() error
}

// NewLogJSON writes the log as one JSON object.
func NewLogJSON(w io.Writer, of LogOf) Log { return &logJSON{w: bufio.NewWriter(w), of: of} }

type logJSON struct {
	w      *bufio.Writer
	of     LogOf
	count  int
	buffer bytes.Buffer
}

type voidJSON struct {
	Number  int64  `json:"number"`
	Entered string `json:"entered"`
	By      string `json:"by"`
	Why     string `json:"why"`
}

func (l *logJSON) begin() error {
	name, err := jsonText(l.of.Bath)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(l.w, "{\n  \"bath\": %s,\n  \"facts\": [", name)
	return err
}

// jsonText is a value in JSON on one line, without characters that a terminal obeys.
func jsonText(v any) ([]byte, error) {
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	err := enc.Encode(v)
	var out []byte
	for _, r := range strings.TrimSpace(b.String()) {
		if r >= 0x7f && r < 0xa0 { // a terminal obeys these too
			out = fmt.Appendf(out, `\u%04x`, r)
			continue
		}
		out = utf8.AppendRune(out, r)
	}
	return out, err
}

// Fact writes a fact with the void that says that it does not stand.
func (l *logJSON) Fact(f HistoryLine) error {
	if l.count == 0 {
		if err := l.begin(); err != nil {
			return err
		}
	} else {
		l.w.WriteByte(',')
	}
	l.count++
	number := int64(0)
	if f.Void != nil {
		number = f.Void.Number
	}
	row := f.Row.AppendJSON(nil, number)
	if f.Void != nil {
		void, err := jsonText(voidJSON{f.Void.Number, journal.FormatTime(f.Void.Entered), f.Void.By, f.Void.Note})
		if err != nil {
			return err
		}
		row = append(append(append(row[:len(row)-1], `,"void":`...), void...), '}')
	}
	l.buffer.Reset()
	if err := json.Indent(&l.buffer, row, "    ", "  "); err != nil {
		return err
	}
	l.w.WriteString("\n    ")
	_, err := l.w.Write(l.buffer.Bytes())
	return err
}

// End closes the object.
func (l *logJSON) End() error {
	if l.count == 0 {
		if err := l.begin(); err != nil {
			return err
		}
	} else {
		l.w.WriteString("\n  ")
	}
	head, err := jsonText(l.of.Head)
	if err != nil {
		return err
	}
	fmt.Fprintf(l.w, "],\n  \"head\": %s\n}\n", head)
	return l.w.Flush()
}

// NewLogCSV writes the log as rows of a journal, all thirteen columns.
func NewLogCSV(w io.Writer) Log { return &logCSV{journal.NewWriter(w)} }

type logCSV struct{ w *journal.Writer }

// Fact writes a row.
func (l *logCSV) Fact(f HistoryLine) error { return l.w.Write(f.Row) }

// End writes what is held back.
func (l *logCSV) End() error { return l.w.Flush() }

// lateEntry is how long after it happened a fact counts as written up late.
const lateEntry = 24 * time.Hour

// NewLogText writes the log for a terminal of 80 columns.
func NewLogText(w io.Writer, of LogOf) Log { return &logText{w: bufio.NewWriter(w), of: of} }

type logText struct {
	w     *bufio.Writer
	of    LogOf
	begun bool
	shown int64
	year  int
	late  bool
}

func (l *logText) begin() {
	if l.begun {
		return
	}
	l.begun = true
	count := fmt.Sprintf("%d of %d facts", l.of.Total, l.of.Total)
	if l.of.Part { // how many fit is known at the end
		count = fmt.Sprintf("some of %d facts", l.of.Total)
	}
	var b strings.Builder
	titleLine(&b, l.of.Title, count)
	l.w.WriteString(b.String())
}

// before is what stands before the words of a fact: number, time, person.
const before = 36

// Fact writes a fact and, where it does not stand, who said so, when and why.
func (l *logText) Fact(f HistoryLine) error {
	l.begin()
	l.shown++
	at := f.Fact.Time.In(l.of.Zone)
	if at.Year() != l.year {
		l.year = at.Year()
		fmt.Fprintf(l.w, "%d\n", l.year)
	}
	text := LogWords(f)
	if f.Void != nil {
		text = fmt.Sprintf("VOID, by %d: %s", f.Void.Number, text)
	}
	mark := " "
	if f.Fact.Entered.Sub(f.Fact.Time) > lateEntry {
		mark, l.late = "*", true
	}
	indent := strings.Repeat(" ", before)
	_, err := fmt.Fprintf(l.w, "%6d  %s%s %-8s %s\n", f.Fact.Number, at.Format("Mon _2 Jan 15:04"), mark, clip(Plain(f.Fact.By), 8), wrap(breakWords(text, width-before), width-before, indent))
	if f.Void != nil && err == nil {
		said := fmt.Sprintf("voided %s by %s", f.Void.Entered.In(l.of.Zone).Format("2 Jan 2006 15:04"), clip(Plain(f.Void.By), 20))
		if f.Void.Note != "" {
			said += ": " + Plain(f.Void.Note)
		}
		_, err = fmt.Fprintf(l.w, "%s%s\n", indent, wrap(breakWords(said, width-before), width-before, indent))
	}
	return err
}

// LogWords says what a fact of the log says, its note with it.
func LogWords(f HistoryLine) string {
	if f.Fact.Body == nil {
		words := []string{"cannot be read here:", f.Row.Kind, f.Row.Subject, f.Row.Value, f.Row.Unit, f.Row.Note}
		return strings.Join(strings.Fields(Plain(strings.Join(words, " "))), " ")
	}
	text := FactWords(f.Fact)
	if f.Fact.Kind() == chem.KindVoid {
		text = "void"
		if f.Target > 0 {
			text = fmt.Sprintf("void %d", f.Target)
		}
	}
	if f.Fact.Note != "" {
		text += " – " + Plain(f.Fact.Note)
	}
	return text
}

// breakWords parts words that are longer than a line, such as a pasted address.
func breakWords(text string, width int) string {
	if utf8.RuneCountInString(text) <= width {
		return text
	}
	var out []string
	for _, word := range strings.Fields(text) {
		for r := []rune(word); ; r = r[width:] {
			if len(r) <= width {
				out = append(out, string(r))
				break
			}
			out = append(out, string(r[:width]))
		}
	}
	return strings.Join(out, " ")
}

// End says how many facts there were and what the chain ends with.
func (l *logText) End() error {
	l.begin()
	if l.late {
		l.w.WriteString("\n* entered more than a day after it happened; --json says when\n")
	}
	if l.of.Part {
		fmt.Fprintf(l.w, "\n%d of %d facts\n", l.shown, l.of.Total)
	}
	if l.of.Head != "" {
		fmt.Fprintf(l.w, "\nchain head %.16s…\n", l.of.Head)
	}
	return l.w.Flush()
}

func clip(s string, n int) string {
	r := []rune(s)
	if len(r) <= n {
		return s
	}
	return string(r[:n-1]) + "…"
}
