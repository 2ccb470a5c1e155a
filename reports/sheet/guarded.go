package sheet

import (
	"io"
	"strconv"
	"strings"
	"time"

	"steadybath/chem"
	"steadybath/chem/journal"
)

// GuardedHeader begins a CSV for spreadsheets and nothing else.
const GuardedHeader = `"fact number","local time"`

// GuardedWriter writes facts as CSV that a spreadsheet program may open whoever
// wrote the notes in it. It is not for import: an apostrophe stands before what
// the program would take for a formula, and stays there.
type GuardedWriter struct {
	out   io.Writer
	zones func(name string) (*time.Location, error)
	zone  *time.Location
	bath  string
	begun bool
}

// NewGuardedWriter returns a GuardedWriter to out; zones loads a time zone by its
// name.
func NewGuardedWriter(out io.Writer, zones func(name string) (*time.Location, error)) *GuardedWriter {
	return &GuardedWriter{out: out, zones: zones, zone: time.UTC}
}

// Write writes one fact; those of a bath come one after the other.
func (w *GuardedWriter) Write(r journal.Row) error {
	if err := w.Flush(); err != nil {
		return err
	}
	if r.Bath != w.bath {
		w.bath, w.zone = r.Bath, time.UTC
	}
	if r.Kind == string(chem.KindBath) {
		if f, err := journal.Decode(r); err == nil {
			if zone, err := w.zones(f.Body.(chem.Begin).Zone); err == nil {
				w.zone = zone
			}
		}
	}
	f := r.Fields()
	return w.record(strconv.FormatInt(r.Number, 10), r.Time.In(w.zone).Format("2006-01-02 15:04:05"), Guard(f[1]), Guard(f[2]), Guard(f[3]), r.Value,
		Guard(f[5]), r.U, Guard(f[7]), Guard(f[11]), Guard(f[10]), r.Entered.In(w.zone).Format("2006-01-02 15:04:05"))
}

// Flush writes the header where nothing was written yet.
func (w *GuardedWriter) Flush() error {
	if w.begun {
		return nil
	}
	w.begun = true
	return w.record("fact number", "local time", "bath", "kind", "subject", "value", "unit", "u", "note", "more", "by", "entered")
}

func (w *GuardedWriter) record(fields ...string) error {
	var b strings.Builder
	for i, f := range fields {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteString(`"` + strings.ReplaceAll(f, `"`, `""`) + `"`)
	}
	_, err := io.WriteString(w.out, b.String()+"\r\n")
	return err
}

// formulas are what a formula may begin with: = + - @, tab, carriage return and
// line feed, and = + - @ in their full widths; OWASP, "CSV Injection", as its rule
// is quoted in ASVS 5.0, 1.2.10 (the NUL there cannot stand in a journal); full
// widths and line feed from memory.
const formulas = "=+-@\t\r\n＝＋－＠"

// Guard puts an apostrophe before each place of a text that a spreadsheet program
// would compute: at its beginning, and behind each separator, since a program set
// to another separator may begin a cell there; spaces, quotes and what is not
// seen in front of it count as nothing. Line breaks have to be escaped before.
func Guard(s string) string {
	var b strings.Builder
	open := true // nothing but spaces and quotes since a cell may have begun
	for _, c := range s {
		switch {
		case open && strings.ContainsRune(formulas, c):
			b.WriteByte('\'')
			open = c == '\t' || c == '\r' || c == '\n'
		case strings.ContainsRune(",;|\t\r\n", c):
			open = true
		case open && strings.ContainsRune(" '\"`\u00a0\u200b\u200c\u200d\u2060\ufeff", c):
		default:
			open = false
		}
		b.WriteRune(c)
	}
	return b.String()
}
