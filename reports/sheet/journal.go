package sheet

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"steadybath/chem"
	"steadybath/chem/journal"
)

// Rows is a journal that stands in a book.
type Rows struct {
	pipe   io.Reader
	places []place // by line of the text that is read
}

type place struct {
	sheet string
	row   int            // from 0
	at    map[string]int // columns by name
}

// Place names the cell of a row and column of the journal as text: "F5 of sheet
// tank-1"; a column that is not there, or none, gives the row.
func (r *Rows) Place(line int, column string) string {
	if line < 1 || line > len(r.places) {
		return fmt.Sprintf("line %d", line)
	}
	p := r.places[line-1]
	if at, ok := p.at[column]; ok {
		return fmt.Sprintf("%s of sheet %s", Address(p.row, at), p.sheet)
	}
	return fmt.Sprintf("row %d of sheet %s", p.row+1, p.sheet)
}

// Read reads the journal as CSV text, which [journal.NewReader] takes.
func (r *Rows) Read(b []byte) (int, error) { return r.pipe.Read(b) }

// isHeader tells whether a row names the journal's columns, those that a Writer
// adds left aside.
func isHeader(row []Cell) (at map[string]int, ok bool) {
	at = map[string]int{}
	var names []string
	for i, c := range row {
		if c.Empty() {
			continue
		}
		name := squeeze(c.Text)
		if strings.HasPrefix(name, columnLocal) {
			name = columnLocal
		}
		if _, twice := at[name]; twice {
			return nil, false
		}
		at[name] = i
		if !added(name) {
			names = append(names, name)
		}
	}
	all := journal.Columns()
	return at, slices.Equal(names, all) || slices.Equal(names, all[:journal.Short])
}

func added(name string) bool { return name == columnLocal || name == columnNumber || name == columnU }

// Journal finds the journal in a book by its header; ok is false where the first
// sheet with cells has none. Every sheet but the one of the chains is then a
// journal, or the error says which is not. zones loads a time zone by its name.
func (b *Book) Journal(zones func(name string) (*time.Location, error)) (rows *Rows, ok bool, err error) {
	var text []byte
	rows = &Rows{}
	heads := map[string]string{} // of sheets
	var chains *Sheet
	for i := range b.Sheets {
		s := &b.Sheets[i]
		if squeeze(s.Name) == chainSheet && squeeze(s.Cell(0, 0).Text) == "bath" && squeeze(s.Cell(0, 4).Text) == "head" {
			chains = s
			continue
		}
		first := slices.IndexFunc(s.Rows, func(row []Cell) bool { return slices.ContainsFunc(row, func(c Cell) bool { return !c.Empty() }) })
		if first < 0 {
			continue
		}
		at, is := isHeader(s.Rows[first])
		if !is {
			if len(rows.places) == 0 {
				return nil, false, nil
			}
			return nil, false, fmt.Errorf("is a journal but for sheet %s, whose first row does not name the columns; remove the sheet, or import it alone", s.Name)
		}
		zone, err := s.localZone(first, at, zones)
		if err != nil {
			return nil, false, err
		}
		count := journal.Short
		if _, full := at["hash"]; full {
			count = len(journal.Columns())
		}
		if len(rows.places) == 0 {
			// One header for all: rows of eight columns may stand under it too.
			text = journal.AppendRecord(text, journal.Columns())
			rows.places = append(rows.places, place{s.Name, first, at})
		}
		for r := first + 1; r < len(s.Rows); r++ {
			fields, last, err := s.record(r, at, count, b, zone)
			if err != nil {
				return nil, false, err
			}
			if fields == nil {
				continue
			}
			text = journal.AppendRecord(text, fields)
			rows.places = append(rows.places, place{s.Name, r, at})
			if count > journal.Short {
				heads[s.Name] = last
			}
		}
	}
	if len(rows.places) == 0 {
		return nil, false, nil
	}
	if chains != nil {
		if err := chains.holds(heads); err != nil {
			return nil, false, err
		}
	}
	rows.pipe = strings.NewReader(string(text))
	return rows, true, nil
}

// holds tells whether the sheets end as the sheet of the chains says.
func (s *Sheet) holds(heads map[string]string) error {
	for r := 1; r < len(s.Rows); r++ {
		name, want := s.Cell(r, 1).Text, s.Cell(r, 4).Text
		if got, ok := heads[name]; want != "" && (!ok || got != want) {
			return fmt.Errorf("ends sheet %s in another fact than its sheet %s says; rows are missing, were added or sorted; remove the sheet %s where that is meant", name, chainSheet, chainSheet)
		}
	}
	return nil
}

// record is one row as the fields of a journal; nil where nothing stands in it.
func (s *Sheet) record(row int, at map[string]int, count int, b *Book, zone *time.Location) (fields []string, hash string, err error) {
	fields = make([]string, count)
	some := false
	for i, name := range journal.Columns()[:count] {
		c := s.Cell(row, at[name])
		where := fmt.Sprintf("%s of sheet %s", Address(row, at[name]), s.Name)
		switch c.Kind {
		case Unusable:
			return nil, "", fmt.Errorf("cannot be taken at %s: it holds %s", where, c.Text)
		case Day:
			if name != "time" && name != "entered" {
				return nil, "", fmt.Errorf("cannot be taken at %s: it holds a date where %s belongs", where, name)
			}
			m, err := serialMoment(c.Serial, b.Date1904)
			if err != nil || !m.HasDay() {
				return nil, "", fmt.Errorf("cannot be taken at %s: %s is no date", where, plain(c.Serial))
			}
			fields[i] = fmt.Sprintf("%04d-%02d-%02d", m.Year, m.Month, m.Day)
			if m.HasClock {
				fields[i] += fmt.Sprintf("T%02d:%02d:%02d", m.Seconds/3600, m.Seconds/60%60, m.Seconds%60)
			}
		default:
			fields[i] = lineBreaks.Replace(c.Text)
		}
		some = some || fields[i] != ""
	}
	if !some {
		return nil, "", nil
	}
	if count > journal.Short {
		hash = fields[count-1]
	}
	return fields, hash, s.agrees(row, at, fields, zone)
}

// lineBreaks of a cell are written as a journal writes them.
var lineBreaks = strings.NewReplacer("\r\n", `\n`, "\n", `\n`, "\r", `\r`)

// agrees tells whether the columns for people still say what the text beside them
// says: whoever changed one of them meant to change the fact.
func (s *Sheet) agrees(row int, at map[string]int, fields []string, zone *time.Location) error {
	for added, name := range map[string]string{columnNumber: "value", columnU: "u", columnLocal: "time"} {
		column, there := at[added]
		if !there {
			continue
		}
		c := s.Cell(row, column)
		said := fields[slices.Index(journal.Columns(), name)]
		same := c.Empty() && (said == "" || added == columnLocal)
		switch {
		case c.Kind == Number && added != columnLocal:
			d, err := chem.ParseDecimal(said)
			same = err == nil && math.Abs(d.Float()-c.Serial) <= 1e-14*math.Abs(c.Serial)
		case c.Kind == Day && added == columnLocal:
			t, err := time.Parse(time.RFC3339, said)
			serial, ok := serialOf(t, zone)
			same = err == nil && (!ok || math.Abs(serial-c.Serial)*86400 < 1e-3)
		}
		if !same {
			return fmt.Errorf("says two things in row %d of sheet %s: %s is %s, and %s is %s; the column %s counts, so write it there, or remove the column %s",
				row+1, s.Name, added, strconv.Quote(shown(c)), name, strconv.Quote(said), name, added)
		}
	}
	return nil
}

func shown(c Cell) string {
	if c.Kind != Day {
		return c.Text
	}
	m, err := serialMoment(c.Serial, false)
	if err != nil {
		return plain(c.Serial)
	}
	return fmt.Sprintf("%04d-%02d-%02d %02d:%02d:%02d", m.Year, m.Month, m.Day, m.Seconds/3600, m.Seconds/60%60, m.Seconds%60)
}

// localZone is the zone that the header of the local times names.
func (s *Sheet) localZone(header int, at map[string]int, zones func(name string) (*time.Location, error)) (*time.Location, error) {
	column, there := at[columnLocal]
	if !there {
		return time.UTC, nil
	}
	text := s.Cell(header, column).Text
	_, name, _ := strings.Cut(text, "(")
	zone, err := zones(strings.TrimSuffix(strings.TrimSpace(name), ")"))
	if err != nil {
		return nil, fmt.Errorf("names no time zone at %s of sheet %s: %q; local time (Europe/Vienna) would", Address(header, column), s.Name, text)
	}
	return zone, nil
}
