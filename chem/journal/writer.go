package journal

import (
	"bufio"
	"encoding/json"
	"io"
	"strconv"
	"strings"

	"github.com/google/uuid"
)

// Writer writes rows as a journal of thirteen columns, the header first, each
// line ended by a line feed. What it writes, [Reader] reads back to equal rows
// (Number aside, which is no column), provided that each row has an id or is
// one a Reader gave: without any of the last five columns a line reads as one
// written by hand, with keys in its note.
type Writer struct {
	w     *bufio.Writer
	line  []byte
	begun bool
}

// NewWriter returns a Writer to w. Call [Writer.Flush] at the end.
func NewWriter(w io.Writer) *Writer { return &Writer{w: bufio.NewWriterSize(w, 64<<10)} }

func (w *Writer) begin() error {
	if w.begun {
		return nil
	}
	w.begun = true
	_, err := w.w.WriteString(strings.Join(Columns(), ",") + "\n")
	return err
}

// Write writes one row. An error is that of the writer underneath.
func (w *Writer) Write(r Row) error {
	if err := w.begin(); err != nil {
		return err
	}
	w.line = append(r.appendLine(w.line[:0]), ',')
	w.line = append(append(w.line, r.Hash...), '\n')
	_, err := w.w.Write(w.line)
	return err
}

// Flush writes what is still held back; of a journal without rows, the header.
func (w *Writer) Flush() error {
	if err := w.begin(); err != nil {
		return err
	}
	return w.w.Flush()
}

// AppendJSON appends the row as the object that the JSON of a history lists:
// number, id, time, entered, by, kind, subject, value, unit, u, note, more,
// voided_by. Value and u are JSON numbers as typed, or null where none was
// given; more is an object, empty where the row has none; voidedBy is the
// number of the void that names the row, 0 for null. Of rows that [Decode]
// takes the result is valid JSON on one line.
func (r Row) AppendJSON(b []byte, voidedBy int64) []byte {
	b = strconv.AppendInt(append(b, `{"number":`...), r.Number, 10)
	id := ""
	if r.ID != uuid.Nil {
		id = r.ID.String()
	}
	for _, c := range [...]struct{ key, text string }{{"id", id}, {"time", FormatTime(r.Time)}, {"entered", FormatTime(r.Entered)},
		{"by", r.By}, {"kind", r.Kind}, {"subject", r.Subject}} {
		b = appendText(appendKey(b, c.key), c.text)
	}
	b = appendNumber(appendKey(b, "value"), r.Value)
	b = appendText(appendKey(b, "unit"), r.Unit)
	b = appendNumber(appendKey(b, "u"), r.U)
	b = appendText(appendKey(b, "note"), r.Note)
	b = appendKey(b, "more")
	if r.More == "" {
		b = append(b, "{}"...)
	} else {
		b = append(b, r.More...)
	}
	b = appendKey(b, "voided_by")
	if voidedBy == 0 {
		b = append(b, "null"...)
	} else {
		b = strconv.AppendInt(b, voidedBy, 10)
	}
	return append(b, '}')
}

// JSON is [Row.AppendJSON] as a value for encoding/json.
func (r Row) JSON(voidedBy int64) json.RawMessage { return r.AppendJSON(nil, voidedBy) }

func appendKey(b []byte, key string) []byte {
	return append(append(append(b, ",\""...), key...), "\":"...)
}

func appendNumber(b []byte, s string) []byte {
	if s == "" {
		return append(b, "null"...)
	}
	return append(b, s...)
}
