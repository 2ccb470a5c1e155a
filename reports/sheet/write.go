package sheet

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"
	"unicode/utf16"

	"github.com/xuri/excelize/v2"

	"steadybath/chem"
	"steadybath/chem/journal"
)

// The columns that a sheet has beside the journal's: what is text there, as a
// date and as numbers for people to reckon with. [Book.Journal] looks whether
// they still say the same.
const (
	columnLocal  = "local time"
	columnNumber = "number"
	columnU      = "number u"
)

// chainSheet is the name of the sheet with the heads of the chains.
const chainSheet = "chain"

// MaxText is how many UTF-16 units of text a cell of an .xlsx holds; Microsoft,
// "Excel specifications and limits", from memory.
const MaxText = 32_767

// Writer writes facts as an .xlsx: a sheet a bath, and one with the heads of
// their chains. Every text is a cell of type inlineStr and no formula, so that
// nothing in it is ever computed.
type Writer struct {
	f      *excelize.File
	zones  func(name string) (*time.Location, error)
	stream *excelize.StreamWriter
	names  []string // of sheets, in lower case
	chains []chain
	styles map[int]int // of numbers, by decimals
	day    int
	row    int
	cells  int
}

type chain struct {
	bath, sheet, zone, head string
	facts                   int
	in                      *time.Location
}

// NewWriter returns a Writer; zones loads a time zone by its IANA name.
func NewWriter(zones func(name string) (*time.Location, error)) (*Writer, error) {
	w := &Writer{f: excelize.NewFile(), zones: zones, styles: map[int]int{}, names: []string{chainSheet}}
	format := "yyyy-mm-dd hh:mm:ss"
	if err := w.f.SetDocProps(&excelize.DocProperties{Creator: "steadybath"}); err != nil {
		return nil, err
	}
	var err error
	w.day, err = w.f.NewStyle(&excelize.Style{CustomNumFmt: &format})
	return w, err
}

// header is the columns of a sheet in their order.
func header() []string {
	out := []string{columnLocal}
	for _, c := range journal.Columns() {
		switch c {
		case "value":
			out = append(out, columnNumber)
		case "u":
			out = append(out, columnU)
		}
		out = append(out, c)
	}
	return out
}

// Write adds a fact; those of a bath come one after the other, in their order.
func (w *Writer) Write(r journal.Row) error {
	if len(w.chains) == 0 || w.chains[len(w.chains)-1].bath != r.Bath {
		if err := w.begin(r); err != nil {
			return err
		}
	}
	c := &w.chains[len(w.chains)-1]
	w.cells += len(header())
	if w.row++; w.row > MaxRows || w.cells > MaxCells {
		return fmt.Errorf("an .xlsx of more than %d rows a bath would not be read back", MaxRows-1)
	}
	c.facts, c.head = c.facts+1, r.Hash
	fields := r.Fields()
	cells := make([]any, 0, len(fields)+3)
	cells = append(cells, w.local(r.Time, c.in))
	for i, name := range journal.Columns() {
		switch name {
		case "value", "u":
			number, err := w.number(fields[i])
			if err != nil {
				return err
			}
			cells = append(cells, number)
		}
		if len(fields[i]) > MaxText && len(utf16.Encode([]rune(fields[i]))) > MaxText {
			return fmt.Errorf("%s of fact %d of %q is longer than the %d characters that a cell of an .xlsx holds", name, r.Number, r.Bath, MaxText)
		}
		cells = append(cells, text(fields[i]))
	}
	return w.stream.SetRow(fmt.Sprintf("A%d", w.row), cells)
}

// text is a cell of text; an empty one is none.
func text(s string) any {
	if s == "" {
		return nil
	}
	return s
}

// local is a time as spreadsheets count it, on the clocks of the zone; nothing
// where they would count it otherwise.
func (w *Writer) local(t time.Time, zone *time.Location) any {
	serial, ok := serialOf(t, zone)
	if !ok {
		return nil
	}
	return excelize.Cell{StyleID: w.day, Value: serial}
}

func serialOf(t time.Time, zone *time.Location) (float64, bool) {
	t = t.In(zone)
	shown := time.Date(t.Year(), t.Month(), t.Day(), t.Hour(), t.Minute(), t.Second(), t.Nanosecond(), time.UTC)
	start := time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC)
	if shown.Before(start.AddDate(0, 0, 61)) || shown.Year() > 9999 {
		return 0, false
	}
	seconds := float64(shown.Unix()-start.Unix()) + float64(shown.Nanosecond())/1e9
	// Up to the next 9 microseconds, the last digit that is written: a program that cuts a moment off instead of rounding it would show the second before.
	return math.Ceil(seconds/86400*1e10-1e-2) / 1e10, true
}

// number is a value as a number that shows the decimals that were typed.
func (w *Writer) number(s string) (any, error) {
	d := chem.Decimal(s)
	if !d.Given() {
		return nil, nil
	}
	id, ok := w.styles[d.Places()]
	if !ok {
		format := "0"
		if d.Places() > 0 {
			format += "." + strings.Repeat("0", d.Places())
		}
		var err error
		if id, err = w.f.NewStyle(&excelize.Style{CustomNumFmt: &format}); err != nil {
			return nil, err
		}
		w.styles[d.Places()] = id
	}
	return excelize.Cell{StyleID: id, Value: d.Float()}, nil
}

// begin opens the sheet of a bath.
func (w *Writer) begin(first journal.Row) error {
	if err := w.flush(); err != nil {
		return err
	}
	c := chain{bath: first.Bath, zone: "UTC", in: time.UTC, sheet: w.sheetName(first.Bath)}
	if f, err := journal.Decode(first); err == nil {
		if begin, ok := f.Body.(chem.Begin); ok {
			if zone, err := w.zones(begin.Zone); err == nil {
				c.zone, c.in = begin.Zone, zone
			}
		}
	}
	if _, err := w.f.NewSheet(c.sheet); err != nil {
		return err
	}
	w.chains = append(w.chains, c)
	var err error
	if w.stream, err = w.f.NewStreamWriter(c.sheet); err != nil {
		return err
	}
	for i, name := range header() {
		width := map[string]float64{columnLocal: 20, "time": 28, "bath": 14, "kind": 10, "subject": 20, "note": 30, "id": 12, "entered": 28, "more": 20, "hash": 12}[name]
		if width == 0 {
			width = 10
		}
		if err := w.stream.SetColWidth(i+1, i+1, width); err != nil {
			return err
		}
	}
	if err := w.stream.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}); err != nil {
		return err
	}
	w.row = 1
	names := header()
	names[0] += " (" + c.zone + ")"
	return w.line(names...)
}

func (w *Writer) line(texts ...string) error {
	cells := make([]any, len(texts))
	for i, s := range texts {
		cells[i] = text(s)
	}
	return w.stream.SetRow(fmt.Sprintf("A%d", w.row), cells)
}

func (w *Writer) flush() error {
	if w.stream == nil {
		return nil
	}
	return w.stream.Flush()
}

// sheetName makes of a bath's name one that a sheet may have: 31 characters, none
// of : \ / ? * [ ], no apostrophe at either end, not "History", and each once;
// Microsoft, "Rename a worksheet", from memory.
func (w *Writer) sheetName(bath string) string {
	name := strings.Map(func(c rune) rune {
		if strings.ContainsRune(`:\/?*[]`, c) || c < ' ' || c > 0xffff {
			return '_'
		}
		return c
	}, bath)
	if name = strings.Trim(name, "' "); name == "" {
		name = "shop"
	}
	if strings.EqualFold(name, "history") {
		name += "_"
	}
	base := []rune(name)
	for n := 1; ; n++ {
		tail := ""
		if n > 1 {
			tail = fmt.Sprintf(" (%d)", n)
		}
		name = strings.TrimRight(string(base[:min(len(base), 31-len(tail))]), "' ") + tail
		if !slices.Contains(w.names, strings.ToLower(name)) {
			w.names = append(w.names, strings.ToLower(name))
			return name
		}
	}
}

// WriteTo ends the file and writes it.
func (w *Writer) WriteTo(out io.Writer) (int64, error) {
	if err := w.flush(); err != nil {
		return 0, err
	}
	// The sheet that a new file has becomes the one of the chains, and the last.
	const given = "Sheet1"
	name := chainSheet
	if _, err := w.f.NewSheet(name); err != nil {
		return 0, err
	}
	if !slices.Contains(w.names, strings.ToLower(given)) {
		if err := w.f.DeleteSheet(given); err != nil {
			return 0, err
		}
	}
	var err error
	if w.stream, err = w.f.NewStreamWriter(name); err != nil {
		return 0, err
	}
	w.row = 1
	if err := w.stream.SetColWidth(1, 5, 20); err != nil {
		return 0, err
	}
	if err := w.line("bath", "sheet", "zone", "facts", "head"); err != nil {
		return 0, err
	}
	for _, c := range w.chains {
		w.row++
		if err := w.stream.SetRow(fmt.Sprintf("A%d", w.row), []any{text(c.bath), c.sheet, c.zone, c.facts, c.head}); err != nil {
			return 0, err
		}
	}
	if err := w.flush(); err != nil {
		return 0, err
	}
	w.f.SetActiveSheet(0)
	counted := &counter{w: bufio.NewWriter(out)}
	if err := w.f.Write(counted); err != nil {
		return counted.n, err
	}
	return counted.n, counted.w.Flush()
}

// Close frees what the file holds.
func (w *Writer) Close() error { return w.f.Close() }

type counter struct {
	w *bufio.Writer
	n int64
}

func (c *counter) Write(b []byte) (int, error) {
	n, err := c.w.Write(b)
	c.n += int64(n)
	return n, err
}
