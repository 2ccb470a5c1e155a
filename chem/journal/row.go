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

// field writes one CSV field by the rules the database follows too: line breaks
// as \n and \r with the backslash doubled, quotes where RFC 4180 needs them.
func field(s string) string {
	s = strings.NewReplacer(`\`, `\\`, "\n", `\n`, "\r", `\r`).Replace(s)
	return quote(s)
}

func quote(s string) string {
	if strings.ContainsAny(s, `",`) {
		return `"` + strings.ReplaceAll(s, `"`, `""`) + `"`
	}
	return s
}

// Line writes the row without its hash and without a line break: the text that
// the chain hashes. More is JSON, which has no line breaks of its own, and goes
// in as it is.
func (r Row) Line() string {
	id := ""
	if r.ID != uuid.Nil {
		id = r.ID.String()
	}
	return strings.Join([]string{FormatTime(r.Time), field(r.Bath), field(r.Kind), field(r.Subject), r.Value, field(r.Unit), r.U,
		field(r.Note), id, FormatTime(r.Entered), field(r.By), quote(r.More)}, ",")
}

// Chain returns the row's hash after the one before it ("" for the first):
// SHA-256 of the previous hash, a line feed, the line, a line feed.
func (r Row) Chain(previous string) string {
	sum := sha256.Sum256([]byte(previous + "\n" + r.Line() + "\n"))
	return hex.EncodeToString(sum[:])
}
