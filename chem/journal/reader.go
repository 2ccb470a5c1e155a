package journal

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"strings"
	"time"

	"github.com/google/uuid"

	"steadybath/chem"
)

// MaxRow is the most bytes a row of a journal may have.
const MaxRow = 1 << 20

// RowError names a bad row of a journal: where it is, what is wrong, and what
// would fit.
type RowError struct {
	Line   int    // of the file, from 1, where the row begins
	Column string // as in [Columns]; empty where the row as a whole is wrong
	Why    string
}

// Error is one sentence: the line, the column, what is wrong.
func (e *RowError) Error() string {
	if e.Column == "" {
		return fmt.Sprintf("line %d: %s", e.Line, e.Why)
	}
	return fmt.Sprintf("line %d, column %s: %s", e.Line, e.Column, e.Why)
}

// Entry is a row of a journal.
type Entry struct {
	// Row has everything as it will be stored, but for what the database sets:
	// Entered, By and Hash are only what the file claims.
	Row  Row
	Fact chem.Fact // what the row says
	Line int       // where it begins in the file, from 1
	Hand bool      // written by hand: eight columns, or the last five empty
}

// Reader reads a journal row by row and never holds more than one row of at
// most [MaxRow] bytes. It takes RFC 4180 with commas or semicolons, line feeds
// with or without carriage returns, a byte order mark, a header or none, and
// blank lines, which it passes over. The columns stand in their order; each row
// has the eight that are written by hand or all thirteen. Cells that are
// written in more than one way come out in the canonical one: numbers (with a
// decimal comma where it can mean only one thing), units, times.
//
// A row of thirteen columns has line breaks in its texts as \n and \r, and the
// backslash doubled. A row written by hand may have the same, and any other
// backslash stands for itself; spaces around its cells are dropped, and the
// key=value words before the text of its note go to more.
type Reader struct {
	src  io.Reader
	zone func(bath string) *time.Location

	buf        []byte
	start, end int   // of what was read from src and is not used yet
	srcErr     error // what ended src; io.EOF at its end

	line   int // number of the line that begins at start
	comma  byte
	begun  bool
	closed error // the answer from now on: io.EOF or the failure of src

	fields  []string
	pending int // line of a first record in fields that is no header; 0: none
	marks   marks
}

// NewReader returns a Reader of src. zone tells the time zone of a bath ("" for
// the shop), for times that are written without an offset; where zone or its
// answer is nil, they are UTC.
func NewReader(src io.Reader, zone func(bath string) *time.Location) *Reader {
	return &Reader{src: src, zone: zone, line: 1}
}

// Read returns the next row. A bad row gives a *[RowError], after which reading
// goes on with the next, so that every bad row can be named; where the header
// is wrong, no row could be trusted, and after its *RowError comes the end. The
// end is io.EOF; any other error is that of src and comes again for ever.
func (r *Reader) Read() (Entry, error) {
	for {
		line, err := r.record()
		if err != nil {
			return Entry{}, err
		}
		if blank(r.fields) {
			continue
		}
		e, err := r.entry(r.fields, line)
		if err == nil {
			return e, nil
		}
		var bad *ColumnError
		if errors.As(err, &bad) {
			return Entry{}, &RowError{Line: line, Column: bad.Column, Why: bad.Why}
		}
		return Entry{}, &RowError{Line: line, Why: err.Error()}
	}
}

// All iterates over [Reader.Read] to the end. Bad rows come as *[RowError]; an
// error of the source comes last.
func (r *Reader) All() iter.Seq2[Entry, error] {
	return func(yield func(Entry, error) bool) {
		for {
			e, err := r.Read()
			if err == io.EOF || !yield(e, err) || err != nil && err == r.closed {
				return
			}
		}
	}
}

func blank(fields []string) bool {
	for _, f := range fields {
		if strings.TrimSpace(f) != "" {
			return false
		}
	}
	return true
}

// fill reads more of src into buf. It returns false when src has ended.
func (r *Reader) fill() bool {
	if r.start > 0 {
		r.end = copy(r.buf, r.buf[r.start:r.end])
		r.start = 0
	}
	if 2*r.end >= len(r.buf) {
		r.buf = append(make([]byte, 0, max(64<<10, 2*len(r.buf))), r.buf[:r.end]...)
		r.buf = r.buf[:cap(r.buf)]
	}
	for range 100 {
		if r.srcErr != nil {
			return false
		}
		var n int
		n, r.srcErr = r.src.Read(r.buf[r.end:])
		r.end += n
		if n > 0 {
			return true
		}
	}
	r.srcErr = io.ErrNoProgress
	return false
}

func (r *Reader) use(n, lines int) { r.start, r.line = r.start+n, r.line+lines }

// firstLine returns the length of the line at start, with its line break.
func (r *Reader) firstLine() (int, error) {
	for from := 0; ; {
		if i := bytes.IndexByte(r.buf[r.start+from:r.end], '\n'); i >= 0 && from+i < MaxRow {
			return from + i + 1, nil
		}
		from = r.end - r.start
		if from > MaxRow {
			return 0, r.skipLine()
		}
		if r.fill() {
			continue
		}
		if r.srcErr != io.EOF {
			r.closed = fmt.Errorf("read the journal at line %d: %w", r.line, r.srcErr)
			return 0, r.closed
		}
		if from == 0 {
			r.closed = io.EOF
			return 0, io.EOF
		}
		return from, nil
	}
}

// skipLine passes over a line that is too long without holding it.
func (r *Reader) skipLine() error {
	line := r.line
	for {
		if i := bytes.IndexByte(r.buf[r.start:r.end], '\n'); i >= 0 {
			r.use(i+1, 1)
			break
		}
		r.start = r.end
		if !r.fill() {
			break
		}
	}
	return &RowError{Line: line, Why: fmt.Sprintf("longer than %d bytes; a row has one fact", MaxRow)}
}

// record splits the next record into fields and returns its line.
func (r *Reader) record() (int, error) {
	if r.closed != nil {
		return 0, r.closed
	}
	if !r.begun {
		r.begun = true
		if err := r.begin(); err != nil {
			return 0, err
		}
	}
	if line := r.pending; line != 0 {
		r.pending = 0
		return line, nil
	}
	line := r.line
	n, err := r.firstLine()
	if err != nil {
		return 0, err
	}
	if bytes.IndexByte(r.buf[r.start:r.start+n], '"') < 0 {
		r.split(string(r.buf[r.start : r.start+n]))
		r.use(n, 1)
		return line, nil
	}
	var q quotes
	for !q.scan(r.buf[r.start:r.end], r.comma) {
		if q.i <= MaxRow && q.state != stray && r.fill() {
			continue
		}
		if r.srcErr == io.EOF && q.i == r.end-r.start && q.state != inside && q.state != stray {
			break
		}
		// The row is taken to end with its first line, so that one stray quote
		// does not swallow the rows after it.
		r.use(n, 1)
		why := "a quote in it never closes; double each quote that belongs to the text"
		if q.state == stray {
			why = "text follows a closing quote; double each quote that belongs to the text"
		}
		return 0, &RowError{Line: line, Why: why}
	}
	if q.i > MaxRow {
		r.use(n, 1)
		return 0, &RowError{Line: line, Why: fmt.Sprintf("longer than %d bytes; a row has one fact", MaxRow)}
	}
	text := string(r.buf[r.start : r.start+q.i])
	r.split(text)
	r.use(q.i, strings.Count(strings.TrimSuffix(text, "\n"), "\n")+1)
	return line, nil
}

// quotes finds the end of a record that has quotes in it, in as many steps as
// the source needs to deliver it.
type quotes struct {
	i     int // bytes looked at
	state quoteState
}

type quoteState uint8

const (
	before quoteState = iota // a field
	plain                    // in a field without quotes around it
	inside                   // quotes
	closed                   // after what may be the closing quote
	ending                   // after a carriage return behind it
	stray                    // text behind it: not CSV
)

// scan goes on to the end of b or of the record, and tells whether it found the
// latter; i is then its length, the line break included.
func (q *quotes) scan(b []byte, comma byte) bool {
	for ; q.i < len(b) && q.state != stray; q.i++ {
		c := b[q.i]
		switch q.state {
		case before, plain:
			switch {
			case c == '\n':
				q.i++
				return true
			case c == comma:
				q.state = before
			case c == '"' && q.state == before:
				q.state = inside
			default:
				q.state = plain
			}
		case inside:
			if c == '"' {
				q.state = closed
			}
		case closed, ending:
			switch {
			case c == '\n':
				q.i++
				return true
			case q.state == ending:
				q.state = stray
			case c == '"':
				q.state = inside
			case c == comma:
				q.state = before
			case c == '\r':
				q.state = ending
			default:
				q.state = stray
			}
		}
	}
	return false
}

// maxFields bounds what a line of nothing but commas costs.
const maxFields = 100

// split cuts a record into r.fields. A quote that does not begin a field stands
// for itself.
func (r *Reader) split(s string) {
	s = strings.TrimSuffix(strings.TrimSuffix(s, "\n"), "\r")
	r.fields = r.fields[:0]
	for len(r.fields) < maxFields {
		if strings.HasPrefix(s, `"`) {
			end := 1
			for end < len(s) && (s[end] != '"' || end+1 < len(s) && s[end+1] == '"') {
				if s[end] == '"' {
					end++
				}
				end++
			}
			field := s[1:end]
			if strings.Contains(field, `"`) {
				field = strings.ReplaceAll(field, `""`, `"`)
			}
			r.fields = append(r.fields, strings.ReplaceAll(field, "\r\n", "\n"))
			if s = s[min(end+1, len(s)):]; s == "" {
				return
			}
			s = s[1:]
			continue
		}
		i := strings.IndexByte(s, r.comma)
		if i < 0 {
			break
		}
		r.fields = append(r.fields, s[:i])
		s = s[i+1:]
	}
	r.fields = append(r.fields, s)
}

// begin takes the byte order mark, finds the separator and takes the header
// where there is one.
func (r *Reader) begin() error {
	for r.end-r.start < 4 && r.fill() {
	}
	head := r.buf[r.start:min(r.start+4, r.end)]
	switch {
	case bytes.HasPrefix(head, []byte("\xef\xbb\xbf")):
		r.start += 3
	case bytes.HasPrefix(head, []byte("\xff\xfe")), bytes.HasPrefix(head, []byte("\xfe\xff")), bytes.IndexByte(head, 0) >= 0:
		return r.refuse(r.line, wrong("", "the journal is not UTF-8; save it as CSV in UTF-8"))
	}
	for r.comma == 0 {
		n, err := r.firstLine()
		if err != nil {
			return err
		}
		first := r.buf[r.start : r.start+n]
		if i := bytes.IndexAny(first, ",;\t"); i >= 0 {
			r.comma = first[i]
		} else if len(bytes.TrimSpace(first)) > 0 {
			r.comma = ','
		} else {
			r.use(n, 1)
		}
	}
	if r.comma == '\t' {
		return r.refuse(r.line, wrong("", "the columns are separated by tabs; save the journal with commas or semicolons"))
	}
	line, err := r.record()
	if err != nil {
		return err
	}
	if f := strings.TrimSpace(r.fields[0]); f != "" && f[0] >= '0' && f[0] <= '9' || blank(r.fields) {
		r.pending = line
		return nil
	}
	if err := r.header(); err != nil {
		return r.refuse(line, err)
	}
	return nil
}

// refuse ends the reading of a file that cannot be a journal.
func (r *Reader) refuse(line int, why *ColumnError) error {
	r.closed = io.EOF
	return &RowError{Line: line, Column: why.Column, Why: why.Why}
}

func (r *Reader) header() *ColumnError {
	names, fields := Columns(), trimRight(r.fields)
	for i, f := range fields {
		f = strings.TrimSpace(f)
		switch {
		case strings.Contains(f, "\r"):
			return wrong("", "%s", onlyCR)
		case i >= len(names):
			return wrong("", "the header has %d columns; they are %s", len(fields), strings.Join(names, ", "))
		case !strings.EqualFold(f, names[i]):
			return wrong(names[i], "the header has %s where %s belongs; the columns are %s", clip(f), names[i], strings.Join(names, ", "))
		}
	}
	if len(fields) != Short && len(fields) != len(names) {
		return wrong("", "the header has %d columns; they are the first %d or all of %s", len(fields), Short, strings.Join(names, ", "))
	}
	return nil
}

const onlyCR = "the lines end with a carriage return alone; save the journal with line feeds"

// trimRight drops the empty columns that spreadsheets add.
func trimRight(fields []string) []string {
	for len(fields) > Short && strings.TrimSpace(fields[len(fields)-1]) == "" {
		fields = fields[:len(fields)-1]
	}
	return fields
}

// entry reads the fields of a row.
func (r *Reader) entry(fields []string, line int) (Entry, error) {
	e := Entry{Line: line}
	e.Hand = len(trimRight(fields)) == Short
	if n := len(fields); !e.Hand && n != len(Columns()) {
		for _, f := range fields {
			if strings.Contains(f, "\r") {
				return Entry{}, wrong("", "%s", onlyCR)
			}
		}
		hint := ""
		switch {
		case n < Short:
			hint = "; write the commas of empty columns at the end too"
		case n < len(Columns()):
			hint = "; a text or number with a separator in it needs double quotes around it"
		}
		return Entry{}, wrong("", "%d columns where %d or %d are wanted%s", n, Short, len(Columns()), hint)
	}
	var err error
	if e.Hand {
		err = r.hand(&e.Row, fields, line)
	} else {
		err = r.full(&e.Row, fields, line)
	}
	if err != nil {
		return Entry{}, err
	}
	if e.Fact, err = Decode(e.Row); err != nil {
		return Entry{}, err
	}
	return e, nil
}

// hand reads a row written by hand.
func (r *Reader) hand(row *Row, fields []string, line int) error {
	var cells [Short]string
	for i := range cells {
		cells[i] = strings.TrimSpace(fields[i])
	}
	row.Kind = strings.ToLower(cells[2])
	// A backslash before anything else stands for itself here.
	row.Bath, _ = unescape(cells[1])
	row.Subject, _ = unescape(cells[3])
	if err := r.time(row, cells[0]); err != nil {
		return err
	}
	if row.Kind == string(chem.KindVoid) {
		if id, err := uuid.Parse(row.Subject); err == nil {
			row.Subject = id.String()
		}
	}
	number := func(s string) (string, error) { return r.marks.number(s, line) }
	if err := quantities(row, cells[4], cells[5], cells[6], number); err != nil {
		return err
	}
	note, _ := unescape(cells[7])
	row.Note = strings.TrimSpace(note)
	return readWords(row, number)
}

// full reads a row of thirteen columns.
func (r *Reader) full(row *Row, f []string, line int) error {
	names := Columns()
	for _, c := range [...]struct {
		i    int
		into *string
	}{{1, &row.Bath}, {2, &row.Kind}, {3, &row.Subject}, {5, &row.Unit}, {7, &row.Note}, {10, &row.By}} {
		var err error
		if *c.into, err = unescape(f[c.i]); err != nil {
			return wrong(names[c.i], "%s", err)
		}
	}
	if err := r.time(row, f[0]); err != nil {
		return err
	}
	if err := quantities(row, f[4], row.Unit, f[6], func(s string) (string, error) { return r.marks.number(s, line) }); err != nil {
		return err
	}
	if f[8] != "" {
		id, err := uuid.Parse(f[8])
		if err != nil || len(f[8]) != 36 || id == uuid.Nil {
			return wrong("id", "%s is not an id such as 0195f3c8-0000-7000-8000-000000000000; leave it empty where there is none", clip(f[8]))
		}
		row.ID = id
	}
	if f[9] != "" {
		t, err := parseTime(f[9], time.UTC)
		if err != nil {
			return wrong("entered", "%s", err)
		}
		row.Entered = t
	}
	row.More, row.Hash = f[11], f[12]
	if strings.ContainsAny(row.More, "\n\r") {
		// Line breaks between its parts are JSON, but not one line.
		var b bytes.Buffer
		if err := json.Compact(&b, []byte(row.More)); err != nil {
			return wrong("more", "%s", errObject)
		}
		row.More = b.String()
	}
	return nil
}

func (r *Reader) time(row *Row, s string) error {
	if s == "" {
		return wrong("time", "missing; write it as 2026-01-05, 2026-01-05 18:00 or 2026-01-05T18:00:00+01:00")
	}
	zone := time.UTC
	if r.zone != nil && !strings.HasSuffix(s, "Z") {
		if z := r.zone(row.Bath); z != nil {
			zone = z
		}
	}
	t, err := parseTime(s, zone)
	if err != nil {
		return wrong("time", "%s", err)
	}
	row.Time = t
	return nil
}

func quantities(row *Row, value, unit, u string, number func(string) (string, error)) error {
	var err error
	if value != "" {
		if row.Value, err = number(value); err != nil {
			return wrong("value", "%s", clipError(err))
		}
	}
	if row.Unit = unit; unit != "" {
		// An unknown unit stays, for Decode to name those that fit the kind.
		if known, err := chem.ParseUnit(unit); err == nil {
			row.Unit = string(known)
		}
	}
	if u != "" {
		if row.U, err = number(u); err != nil {
			return wrong("u", "%s", clipError(err))
		}
	}
	return nil
}

// marks watches the decimal marks of a file: where some numbers have a decimal
// comma, a point before three digits may be a thousands mark. Neither is
// guessed.
type marks struct {
	comma, point         string // the first number of each
	commaLine, pointLine int
}

func (m *marks) number(s string, line int) (string, error) {
	if canonical(s) && !likeThousands(s) {
		return s, nil
	}
	d, err := chem.ParseDecimal(s)
	if err != nil {
		return "", err
	}
	switch {
	case strings.Contains(s, ","):
		if m.pointLine != 0 {
			return "", fmt.Errorf("%q has a decimal comma, but %q on line %d may then be meant with a thousands mark; use one mark throughout", s, m.point, m.pointLine)
		}
		if m.commaLine == 0 {
			m.comma, m.commaLine = s, line
		}
	case likeThousands(s):
		if m.commaLine != 0 {
			return "", fmt.Errorf("%q can mean %s or %s, since %q on line %d has a decimal comma; use one mark throughout",
				s, d, strings.Replace(string(d), ".", "", 1), m.comma, m.commaLine)
		}
		if m.pointLine == 0 {
			m.point, m.pointLine = s, line
		}
	}
	return string(d), nil
}

// likeThousands tells whether s is one to three digits, a point, three digits.
func likeThousands(s string) bool {
	whole, frac, ok := strings.Cut(strings.TrimLeft(s, "+-−"), ".")
	return ok && len(frac) == 3 && len(whole) >= 1 && len(whole) <= 3 && whole[0] != '0'
}

// unescape undoes what Line does to a text. A backslash before anything else
// stands for itself, and the error says so for those who cannot accept it.
func unescape(s string) (string, error) {
	if strings.IndexByte(s, '\\') < 0 {
		return s, nil
	}
	var err error
	b := make([]byte, 0, len(s))
	for i := 0; i < len(s); i++ {
		if s[i] != '\\' {
			b = append(b, s[i])
			continue
		}
		next := byte(0)
		if i+1 < len(s) {
			next = s[i+1]
		}
		switch next {
		case 'n':
			b = append(b, '\n')
		case 'r':
			b = append(b, '\r')
		case '\\':
			b = append(b, '\\')
		default:
			b = append(b, '\\')
			err = errBackslash
			continue
		}
		i++
	}
	return string(b), err
}

var errBackslash = errors.New(`a backslash is followed by neither n, r nor another backslash; double the one that belongs to the text`)
