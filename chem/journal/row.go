package journal

import (
	"crypto/sha256"
	"encoding/hex"
	"strings"
	"time"

	"github.com/google/uuid"
)

// Columns are the journal's columns in their order. The first [Short] are
// enough to write a journal by hand.
func Columns() []string {
	return []string{"time", "bath", "kind", "subject", "value", "unit", "u", "note", "id", "entered", "by", "more", "hash"}
}

// Short is the count of columns of a hand-written journal.
const Short = 8

// TimeLayout is how times are written: RFC 3339 in UTC, to the microsecond,
// without trailing zeros. It is part of what the chain hashes.
const TimeLayout = "2006-01-02T15:04:05.999999Z"

// Row is a fact as it is stored and travels: thirteen columns of text. Value
// and U are canonical decimals (see chem.Decimal), More is one JSON object or
// empty, Hash is lower-case hex.
type Row struct {
	Time    time.Time
	Bath    string
	Kind    string
	Subject string
	Value   string
	Unit    string
	U       string
	Note    string
	ID      uuid.UUID
	Entered time.Time
	By      string
	More    string
	Hash    string
	Number  int64 // place in the chain, from 1; not a column, follows from the order
}

// FormatTime writes t as the journal does; the zero time is empty.
func FormatTime(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(TimeLayout)
}

// appendField writes one CSV field by the rules the database follows too: line
// breaks as \n and \r with the backslash doubled, quotes where RFC 4180 needs
// them.
func appendField(b []byte, s string) []byte {
	if strings.ContainsAny(s, "\\\n\r") {
		s = escapes.Replace(s)
	}
	return appendQuoted(b, s)
}

func appendQuoted(b []byte, s string) []byte {
	if strings.ContainsAny(s, `",`) {
		b = append(b, '"')
		b = append(b, strings.ReplaceAll(s, `"`, `""`)...)
		return append(b, '"')
	}
	return append(b, s...)
}

func appendTime(b []byte, t time.Time) []byte {
	if t.IsZero() {
		return b
	}
	return t.UTC().AppendFormat(b, TimeLayout)
}

// appendShort writes the first eight columns.
func (r *Row) appendShort(b []byte) []byte {
	b = appendTime(b, r.Time)
	for _, s := range [...]string{r.Bath, r.Kind, r.Subject} {
		b = appendField(append(b, ','), s)
	}
	b = append(append(b, ','), r.Value...)
	b = appendField(append(b, ','), r.Unit)
	b = append(append(b, ','), r.U...)
	return appendField(append(b, ','), r.Note)
}

func (r *Row) appendLine(b []byte) []byte {
	b = append(r.appendShort(b), ',')
	if r.ID != uuid.Nil {
		b = append(b, r.ID.String()...)
	}
	b = appendTime(append(b, ','), r.Entered)
	b = appendField(append(b, ','), r.By)
	return appendQuoted(append(b, ','), r.More)
}

// Line writes the row without its hash and without a line break: the text that
// the chain hashes. More is JSON, which has no line breaks of its own, and goes
// in as it is.
func (r Row) Line() string { return string(r.appendLine(nil)) }

// Chain returns the row's hash after the one before it ("" for the first):
// SHA-256 of the previous hash, a line feed, the line, a line feed.
func (r Row) Chain(previous string) string {
	b := make([]byte, 0, 512)
	b = r.appendLine(append(append(b, previous...), '\n'))
	sum := sha256.Sum256(append(b, '\n'))
	return hex.EncodeToString(sum[:])
}

// Fields returns the columns of the row as a journal writes them, before
// quoting: line breaks in texts are \n and \r, and the backslash is doubled.
func (r Row) Fields() []string {
	id := ""
	if r.ID != uuid.Nil {
		id = r.ID.String()
	}
	escape := escapes.Replace
	return []string{FormatTime(r.Time), escape(r.Bath), escape(r.Kind), escape(r.Subject), r.Value, escape(r.Unit), r.U, escape(r.Note),
		id, FormatTime(r.Entered), escape(r.By), r.More, r.Hash}
}

var escapes = strings.NewReplacer(`\`, `\\`, "\n", `\n`, "\r", `\r`)

// AppendRecord appends fields as one record of a journal, quoted where RFC 4180
// needs it and ended by a line feed.
func AppendRecord(b []byte, fields []string) []byte {
	for i, f := range fields {
		if i > 0 {
			b = append(b, ',')
		}
		b = appendQuoted(b, f)
	}
	return append(b, '\n')
}
