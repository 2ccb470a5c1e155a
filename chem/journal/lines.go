package journal

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"steadybath/chem"
)

// AppendObject appends the row as one object of JSON Lines, without a line
// break: a key for each of [Columns], in their order. Numbers are JSON numbers
// with the digits as typed, more is the object as it is stored, and what is
// empty there is null. [LinesReader] reads it back to an equal row (Number
// aside, which is no column).
func (r Row) AppendObject(b []byte) []byte {
	id := ""
	if r.ID != uuid.Nil {
		id = r.ID.String()
	}
	text := func(key, s string) { b = appendText(appendKey(b, key), s) }
	b = appendText(append(b, `{"time":`...), FormatTime(r.Time))
	text("bath", r.Bath)
	text("kind", r.Kind)
	text("subject", r.Subject)
	b = appendNumber(appendKey(b, "value"), r.Value)
	text("unit", r.Unit)
	b = appendNumber(appendKey(b, "u"), r.U)
	text("note", r.Note)
	text("id", id)
	text("entered", FormatTime(r.Entered))
	text("by", r.By)
	b = appendNumber(appendKey(b, "more"), r.More)
	text("hash", r.Hash)
	return append(b, '}')
}

// LinesReader reads a journal as JSON Lines, a fact a line: objects with the
// keys of [Columns], of which those after note may be left out, in any order. It
// never holds more than one line of at most [MaxRow] bytes. Blank lines are
// passed over.
type LinesReader struct {
	src   *bufio.Reader
	zone  func(bath string) *time.Location
	line  int
	begun bool
	done  error
}

// NewLinesReader returns a LinesReader of src; zone is that of [NewReader].
func NewLinesReader(src io.Reader, zone func(bath string) *time.Location) *LinesReader {
	return &LinesReader{src: bufio.NewReaderSize(src, 64<<10), zone: zone}
}

// Read returns the next row, as [Reader.Read] does: a bad line gives a
// *[RowError], after which reading goes on; the end is io.EOF.
func (r *LinesReader) Read() (Entry, error) {
	for {
		text, err := r.next()
		if err != nil {
			return Entry{}, err
		}
		if text = strings.TrimSpace(text); text == "" {
			continue
		}
		e := Entry{Line: r.line}
		if err = readObject(&e.Row, text, r.zone); err == nil {
			e.Fact, err = Decode(e.Row)
		}
		if err == nil {
			return e, nil
		}
		var bad *ColumnError
		if errors.As(err, &bad) {
			return Entry{}, &RowError{Line: r.line, Column: bad.Column, Why: bad.Why}
		}
		return Entry{}, &RowError{Line: r.line, Why: err.Error()}
	}
}

// next returns the next line; one that is too long is passed over and named.
func (r *LinesReader) next() (string, error) {
	if r.done != nil {
		return "", r.done
	}
	r.line++
	var long []byte
	tooLong := false
	for {
		part, err := r.src.ReadSlice('\n')
		if tooLong = tooLong || len(long)+len(part) > MaxRow; !tooLong {
			long = append(long, part...)
		}
		switch {
		case errors.Is(err, bufio.ErrBufferFull):
			continue
		case errors.Is(err, io.EOF):
			r.done = io.EOF
			if len(part) == 0 && len(long) == 0 && !tooLong {
				return "", io.EOF
			}
		case err != nil:
			r.done = fmt.Errorf("read the journal at line %d: %w", r.line, err)
			return "", r.done
		}
		break
	}
	if tooLong {
		return "", &RowError{Line: r.line, Why: fmt.Sprintf("longer than %d bytes; a line has one fact", MaxRow)}
	}
	if !r.begun {
		r.begun = true
		long = bytes.TrimPrefix(long, []byte("\xef\xbb\xbf"))
	}
	return string(long), nil
}

func readObject(row *Row, text string, zone func(string) *time.Location) error {
	p := scanner{s: text}
	names := Columns()
	var seen []string
	var when, id, entered string
	var value, u chem.Decimal
	texts := map[string]*string{"time": &when, "bath": &row.Bath, "kind": &row.Kind, "subject": &row.Subject, "unit": &row.Unit,
		"note": &row.Note, "id": &id, "entered": &entered, "by": &row.By, "hash": &row.Hash}
	for first := true; ; first = false {
		key, ok, err := p.next(first)
		if err != nil {
			return wrong("", "%s", errLine)
		}
		if !ok {
			break
		}
		if !slices.Contains(names, key) {
			why := fmt.Sprintf("unknown key %s; the keys are %s", clip(key), strings.Join(names, ", "))
			if near := nearest(key, names); near != "" {
				why = fmt.Sprintf("unknown key %s; did you mean %s?", clip(key), near)
			}
			return wrong("", "%s", why)
		}
		if slices.Contains(seen, key) {
			return wrong(key, "stands there twice")
		}
		seen = append(seen, key)
		if p.word("null") {
			continue
		}
		switch key {
		case "value":
			value, err = p.number()
		case "u":
			u, err = p.number()
		case "more":
			p.space()
			from := p.i
			if err = p.skip(1); err == nil {
				row.More = text[from:p.i]
			}
		default:
			*texts[key], err = p.text()
		}
		if err != nil {
			return wrong(key, "%s", clipError(err))
		}
	}
	if p.end() != nil {
		return wrong("", "%s", errLine)
	}
	at := time.UTC
	if zone != nil && !strings.HasSuffix(when, "Z") {
		if z := zone(row.Bath); z != nil {
			at = z
		}
	}
	if when == "" {
		return wrong("time", "missing; write it as 2026-01-05T18:00:00Z")
	}
	var err error
	if row.Time, err = parseTime(when, at); err != nil {
		return wrong("time", "%s", err)
	}
	if entered != "" {
		if row.Entered, err = parseTime(entered, time.UTC); err != nil {
			return wrong("entered", "%s", err)
		}
	}
	if id != "" {
		if row.ID, err = uuid.Parse(id); err != nil || len(id) != 36 || row.ID == uuid.Nil {
			return wrong("id", "%s is not an id such as 0195f3c8-0000-7000-8000-000000000000; leave it out where there is none", clip(id))
		}
	}
	number := func(s string) (string, error) { return s, nil }
	return quantities(row, string(value), row.Unit, string(u), number)
}

var errLine = errors.New(`not one JSON object on one line, such as {"time":"2026-01-05T18:00:00Z","bath":"tank-1","kind":"level","value":58.0,"unit":"L"}`)
