package sheet

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"steadybath/chem"
	"steadybath/chem/journal"
)

// Understood is what a sheet says by its mapping.
type Understood struct {
	Sheet   string
	Header  int    // row counted from 1
	Facts   []Fact // in the order of the sheet
	Bad     []BadCell
	NotRead []string // columns that no mapping names, as K (Pump)
	Zeros   int      // cells that say that nothing was plated, added or bailed
	Left    []string // cells and rows that were left out because that was asked for
	Said    []string // how dates were read, where the sheet itself decided
}

// Fact is one fact of a sheet.
type Fact struct {
	Row  int    // counted from 1
	Cell string // its address, B14
	Name string // of its column
	journal.Entry
}

// BadCell is a cell that is not understood.
type BadCell struct {
	Cell string
	Name string // of its column
	Why  string
}

// Error is one sentence: the cell, its column, what is wrong.
func (b BadCell) Error() string {
	if b.Name == "" {
		return fmt.Sprintf("%s: %s", b.Cell, b.Why)
	}
	return fmt.Sprintf("%s (%s): %s", b.Cell, b.Name, b.Why)
}

// reading is the reading of one sheet.
type reading struct {
	book  *Book
	sheet *Sheet
	m     Mapping
	bath  string
	zone  *time.Location
	list  []target
	skip  skips
	mark  Mark
	order Order
	comma string // address of the first number with a decimal comma, where no mark is said
	out   *Understood
}

// Read understands a book by a mapping. Faults of the mapping are *[MappingError];
// those of cells are listed in the answer, and every other cell is read all the
// same.
func Read(book *Book, m Mapping, bath string, names Names, zone *time.Location) (*Understood, error) {
	s, err := book.table(m)
	if err != nil {
		return nil, err
	}
	header, list, err := s.targets(m, names)
	if err != nil {
		return nil, err
	}
	r := &reading{book: book, sheet: s, m: m, bath: bath, zone: zone, list: list, mark: m.Mark, order: m.Order,
		out: &Understood{Sheet: s.Name, Header: header + 1}}
	if r.skip, err = parseSkips(m.Skip); err != nil {
		return nil, err
	}
	r.lookAhead(header)
	for row := header + 1; row < len(s.Rows); row++ {
		if err := r.row(row); err != nil {
			return nil, err
		}
	}
	if err := r.leftOut(header); err != nil {
		return nil, err
	}
	for i := range s.width() {
		if c := s.Cell(header, i); !c.Empty() && !slices.ContainsFunc(list, func(t target) bool { return t.column == i }) {
			r.out.NotRead = append(r.out.NotRead, fmt.Sprintf("%s (%s)", Letters(i), strings.Join(strings.Fields(c.Text), " ")))
		}
	}
	return r.out, nil
}

// lookAhead finds what the sheet as a whole says about dates and decimal marks.
// A column of dates of which some can be read in one order only, and none only in
// the other, is read in that order.
func (r *reading) lookAhead(header int) {
	var dayFirst, monthFirst string
	unsure := false
	for row := header + 1; row < len(r.sheet.Rows); row++ {
		for _, t := range r.list {
			c := r.sheet.Cell(row, t.column)
			if r.left(row, t.column) || c.Kind != Text || r.blank(c) {
				continue
			}
			switch t.role {
			case roleDate, roleTime:
				text := strings.TrimSpace(c.Text)
				if !mixedDay.MatchString(text) {
					continue
				}
				d, errD := ParseMoment(text, DayFirst)
				m, errM := ParseMoment(text, MonthFirst)
				switch {
				case errD == nil && errM == nil:
					unsure = unsure || d != m
				case errD == nil && dayFirst == "":
					dayFirst = fmt.Sprintf("%s (%s)", Address(row, t.column), text)
				case errM == nil && monthFirst == "":
					monthFirst = fmt.Sprintf("%s (%s)", Address(row, t.column), text)
				}
			default:
				if m := amountText.FindStringSubmatch(strings.TrimSpace(c.Text)); t.dims != nil && m != nil && strings.Contains(m[1], ",") && r.comma == "" {
					if _, err := ParseNumber(m[1], MarkUnsaid); err == nil {
						r.comma = Address(row, t.column)
					}
				}
			}
		}
	}
	if r.order != OrderUnsaid || !unsure {
		return
	}
	switch {
	case dayFirst != "" && monthFirst == "":
		r.order = DayFirst
		r.out.Said = append(r.out.Said, "dates are read day first, since "+dayFirst+" can be read in no other way")
	case monthFirst != "" && dayFirst == "":
		r.order = MonthFirst
		r.out.Said = append(r.out.Said, "dates are read month first, since "+monthFirst+" can be read in no other way")
	}
}

// left tells whether a cell is to be left out.
func (r *reading) left(row, column int) bool {
	return r.skip.rows[row] || r.skip.cells[Address(row, column)]
}

// blank tells whether nothing was read in a cell: it is empty, or has a word that
// was said to mean that.
func (r *reading) blank(c Cell) bool {
	text := strings.TrimPrefix(c.Text, errorWords)
	return c.Empty() || (c.Kind == Text || c.Kind == Unusable) && slices.ContainsFunc(r.m.Blank, func(w string) bool { return squeeze(w) == squeeze(text) })
}

func (r *reading) bad(row int, t target, why string) {
	name := t.header
	if name == "" {
		name = strings.TrimSpace(string(t.kind) + " " + t.subject)
	}
	r.out.Bad = append(r.out.Bad, BadCell{Address(row, t.column), name, why})
}

// row reads one row. An error is one of the mapping.
func (r *reading) row(row int) error {
	if r.skip.rows[row] {
		r.skip.used[strconv.Itoa(row+1)] = true
		r.out.Left = append(r.out.Left, "row "+strconv.Itoa(row+1))
		return nil
	}
	var date, clock, run *target
	var parts, more []target
	for i := range r.list {
		t := &r.list[i]
		c := r.sheet.Cell(row, t.column)
		if r.skip.cells[Address(row, t.column)] {
			r.out.Left = append(r.out.Left, Address(row, t.column))
			r.skip.used[Address(row, t.column)] = true
			continue
		}
		switch t.role {
		case roleDate:
			date = t
		case roleTime:
			clock = t
		case roleFact:
			// The other cells of a merged block are empty; only a date may span rows.
			if !r.blank(c) && !(c.Merged && !r.first(row, t.column)) {
				parts = append(parts, *t)
				if t.kind == chem.KindPlate {
					run = t
				}
			}
		case roleOfRun:
			if !r.blank(c) && !(c.Merged && !r.first(row, t.column)) {
				more = append(more, *t)
			}
		}
	}
	if len(parts) == 0 && len(more) == 0 {
		return nil
	}
	at, ok := r.when(row, date, clock)
	if run == nil {
		for _, t := range more {
			if c := r.sheet.Cell(row, t.column); c.Kind != Number || c.Serial != 0 {
				r.bad(row, t, "belongs to a plating run, and the row has no charge")
			}
		}
		more = nil
	}
	for _, t := range parts {
		if err := r.fact(row, t, more, at, ok); err != nil {
			return err
		}
	}
	return nil
}

// first tells whether a cell is the first of its merged block.
func (r *reading) first(row, column int) bool { return !r.sheet.Cell(row, column).Merged }

// when reads the time of a row; ok is false where that was refused.
func (r *reading) when(row int, date, clock *target) (at time.Time, ok bool) {
	var m Moment
	whose := date
	if date == nil {
		whose = clock
	}
	if whose == nil {
		r.out.Bad = append(r.out.Bad, BadCell{"row " + strconv.Itoa(row+1), "", fmt.Sprintf("its date is left out; leave the whole row out with --skip %d", row+1)})
		return time.Time{}, false
	}
	c := r.sheet.Cell(row, whose.column)
	if r.blank(c) {
		r.bad(row, *whose, fmt.Sprintf("the row has values and no date; leave it out with --skip %d, or write the date", row+1))
		return time.Time{}, false
	}
	m, err := c.moment(r.order, r.book)
	if err == nil && !m.HasDay() {
		err = errors.New("is a time of day, and the row has no date")
	}
	if err != nil {
		why := err.Error()
		if c.Kind == Text && !errors.Is(err, ErrOrder) && !startsWithDigit(c.Text) {
			why += fmt.Sprintf("; a row of totals is left out with --skip %d", row+1)
		}
		r.bad(row, *whose, why)
		return time.Time{}, false
	}
	if date != nil && clock != nil {
		c := r.sheet.Cell(row, clock.column)
		if !r.blank(c) {
			seconds, err := r.clock(c, m)
			if err != nil {
				r.bad(row, *clock, err.Error())
				return time.Time{}, false
			}
			m.HasClock, m.Seconds = true, seconds
		}
	}
	at, err = m.At(r.zone)
	if err != nil {
		r.bad(row, *whose, err.Error())
		return time.Time{}, false
	}
	return at, true
}

// clock reads the time of day beside a date.
func (r *reading) clock(c Cell, date Moment) (int, error) {
	if date.HasClock || !date.Exact.IsZero() {
		return 0, errors.New("the date of the row has a time of day already")
	}
	if c.Kind == Text {
		if seconds, err := parseClock(strings.TrimSpace(c.Text)); err == nil {
			return seconds, nil
		}
	}
	if c.Kind == Number && (c.Serial < 0 || c.Serial >= 1) {
		return 0, fmt.Errorf("%s is no time of day such as 18:30", c.Text)
	}
	m, err := c.moment(r.order, r.book)
	if err != nil {
		return 0, fmt.Errorf("%q is no time of day such as 18:30", strings.TrimSpace(c.Text))
	}
	if m.HasDay() {
		return 0, errors.New("holds a date, and a time of day is wanted beside the date")
	}
	return m.Seconds, nil
}

// value reads the number in a cell with its unit.
func (r *reading) value(row int, t target) (chem.Measured, string, error) {
	c := r.sheet.Cell(row, t.column)
	v, err := c.amount(t.unit, r.mark)
	if err != nil {
		return v, r.hinted(c, row, t, err.Error()), nil
	}
	if c.Kind == Text && r.mark == MarkUnsaid && r.comma != "" {
		if m := amountText.FindStringSubmatch(strings.TrimSpace(c.Text)); m != nil && likeThousands(m[1]) {
			return v, fmt.Sprintf("%q can mean %s or %s, since %s has a decimal comma; say which: --decimal comma or --decimal point",
				m[1], m[1], strings.Replace(m[1], ".", "", 1), r.comma), nil
		}
	}
	if v.Unit == "" && !slices.Contains(t.dims, chem.DimNone) {
		return v, "", wrongMapping(fmt.Sprintf("write it behind the mapping, such as: --column '%s = %s'", t.header, t.example()),
			"column %s, %q: no unit stands in the header, the mapping or cell %s", Letters(t.column), t.header, Address(row, t.column))
	}
	if err := v.Check(t.dims...); err != nil {
		return v, err.Error(), nil
	}
	return v, "", nil
}

func (t target) example() string {
	unit, _, _ := strings.Cut(chem.UnitsOf(t.dims...), ",")
	return strings.Join(strings.Fields(string(t.kind)+" "+t.subject+" "+unit), " ")
}

// hinted adds how a cell that says that nothing was read is left out.
func (r *reading) hinted(c Cell, row int, t target, why string) string {
	word := strings.TrimSpace(strings.TrimPrefix(c.Text, errorWords))
	if (c.Kind == Text || c.Kind == Unusable && word != c.Text) && !strings.ContainsAny(word, "0123456789") && len(word) <= 12 {
		return fmt.Sprintf("%s; where it says that nothing was read: --blank %q or --skip %s", why, word, Address(row, t.column))
	}
	return why
}

// likeThousands tells whether s is one to three digits, a point, three digits.
func likeThousands(s string) bool {
	whole, frac, ok := strings.Cut(strings.TrimLeft(s, "+-−"), ".")
	return ok && len(frac) == 3 && len(whole) >= 1 && len(whole) <= 3 && whole[0] != '0'
}

// yes are the words of a cell that say that something was done.
var yes = []string{"x", "yes", "y", "ja", "j", "ok", "done", "✓", "✔", "1"}

// fact reads the fact of one cell.
func (r *reading) fact(row int, t target, more []target, at time.Time, dated bool) error {
	c := r.sheet.Cell(row, t.column)
	f := chem.Fact{Time: at, Bath: r.bath}
	var v chem.Measured
	if t.kind != chem.KindNote && t.kind != chem.KindChange && !(t.kind == chem.KindPanel && pattern(c) != "") {
		var why string
		var err error
		if v, why, err = r.value(row, t); err != nil {
			return err
		}
		if why != "" {
			r.bad(row, t, why)
			return nil
		}
		// A sheet has a zero where nothing was plated, added or taken out.
		if v.Number.Float() == 0 && slices.Contains([]chem.Kind{chem.KindPlate, chem.KindAdd, chem.KindBail, chem.KindTreat}, t.kind) {
			r.out.Zeros++
			return nil
		}
	}
	switch t.kind {
	case chem.KindLevel:
		f.Body = chem.Level{Volume: v}
	case chem.KindAssay:
		f.Body = chem.Assay{Of: t.subject, Value: v}
	case chem.KindPlate:
		body := chem.Plate{Charge: v}
		for _, x := range more {
			if err := r.ofRun(row, x, &body); err != nil {
				return err
			}
		}
		f.Body = body
	case chem.KindAdd:
		f.Body = chem.Add{Material: t.subject, Amount: v}
	case chem.KindBail:
		f.Body = chem.Bail{Volume: v}
	case chem.KindPanel:
		f.Body = chem.Panel{Of: t.subject, Value: v, Pattern: pattern(c)}
	case chem.KindMeter:
		f.Body = chem.Meter{Supply: t.subject, Reading: v}
	case chem.KindHang:
		f.Body = chem.Hang{Anode: t.subject, Mass: v}
	case chem.KindWeigh:
		f.Body = chem.Weigh{Anode: t.subject, Mass: v}
	case chem.KindPull:
		f.Body = chem.Pull{Anode: t.subject, Mass: v}
	case chem.KindTreat:
		f.Body = chem.Treat{With: chem.Treatment(t.subject), Amount: v}
	case chem.KindChange:
		if !slices.Contains(yes, squeeze(c.Text)) {
			r.bad(row, t, fmt.Sprintf("%q does not say that it was done; x or yes would, and an empty cell says no", strings.TrimSpace(c.Text)))
			return nil
		}
		f.Body = chem.Change{What: t.subject}
	case chem.KindNote:
		if c.Kind == Unusable {
			r.bad(row, t, "holds "+c.Text)
			return nil
		}
		f.Note = strings.TrimSpace(strings.ReplaceAll(strings.ReplaceAll(c.Text, "_x000D_", ""), "\r\n", "\n"))
		f.Body = chem.Remark{}
	}
	if !dated { // its row is named already
		return nil
	}
	encoded, err := journal.Encode(f)
	if err != nil {
		var bad *journal.ColumnError
		if errors.As(err, &bad) {
			err = errors.New(bad.Why)
		}
		r.bad(row, t, err.Error())
		return nil
	}
	if f, err = journal.Decode(encoded); err != nil {
		return err
	}
	r.out.Facts = append(r.out.Facts, Fact{Row: row + 1, Cell: Address(row, t.column), Name: t.header,
		Entry: journal.Entry{Row: encoded, Fact: f, Line: len(r.out.Facts) + 1}})
	return nil
}

func pattern(c Cell) chem.Pattern {
	switch p := chem.Pattern(squeeze(c.Text)); p {
	case chem.PatternLow, chem.PatternRight, chem.PatternHigh:
		return p
	}
	return ""
}

// ofRun reads what else a row says about its plating run.
func (r *reading) ofRun(row int, t target, p *chem.Plate) error {
	if t.subject == "part" {
		p.Part = strings.TrimSpace(r.sheet.Cell(row, t.column).Text)
		return nil
	}
	v, why, err := r.value(row, t)
	if err != nil {
		return err
	}
	if why != "" {
		r.bad(row, t, why)
		return nil
	}
	switch t.subject {
	case "hours":
		p.Hours = v.Number
		if v.Unit != "h" {
			p.Hours = chem.DecimalOf(v.Value("h"))
		}
	case "area":
		p.Area = v
	case "current":
		p.Current = v
	}
	return nil
}

// leftOut refuses a --skip that leaves nothing out: a slip in it would otherwise
// go unseen.
func (r *reading) leftOut(header int) error {
	for row := range r.skip.rows {
		if row <= header || row >= len(r.sheet.Rows) {
			return wrongMapping(fmt.Sprintf("the rows that are read are %d to %d", header+2, len(r.sheet.Rows)), "--skip %d leaves nothing out", row+1)
		}
	}
	for cell := range r.skip.cells {
		if !r.skip.used[cell] && !r.inSkippedRow(cell) {
			return wrongMapping("a cell of a column in the mapping, below the header", "--skip %s leaves nothing out", cell)
		}
	}
	return nil
}

func (r *reading) inSkippedRow(cell string) bool {
	m := cellName.FindStringSubmatch(cell)
	n, err := strconv.Atoi(m[2])
	return err == nil && r.skip.rows[n-1]
}
