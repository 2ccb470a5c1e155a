package sheet

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"steadybath/chem"
)

// Mapping says what a person's own sheet means.
type Mapping struct {
	Sheet   string   // name of the table; may be empty where only one has cells
	Header  int      // row of the header counted from 1; 0: the first that has every column's name
	Order   Order    // of day and month
	Mark    Mark     // decimal
	Blank   []string // words in a cell that say that nothing was read, such as n/a
	Skip    []string // cells (B14) and rows (40) to leave out
	Columns []Column
}

// Column says what one column means, such as "Cu g/L" = "assay copper g/L".
type Column struct {
	Name string // text of the header, or letter of the column
	As   string
}

// Names are the words that a bath has for things.
type Names struct {
	Constituents []string
	Materials    []string
}

// MappingError is a fault of the mapping and not of the cells.
type MappingError struct{ Why, Hint string }

func (e *MappingError) Error() string { return e.Why }

func wrongMapping(hint, format string, args ...any) error {
	return &MappingError{Why: fmt.Sprintf(format, args...), Hint: hint}
}

// what a column is for.
type role uint8

const (
	roleDate role = iota
	roleTime
	roleFact  // a fact of its own
	roleOfRun // more about the plating run of the row
)

// target is what a column means, once understood.
type target struct {
	role    role
	kind    chem.Kind
	subject string // constituent, material, anode, supply, treatment; for roleOfRun hours, area, current or part
	unit    chem.Unit
	dims    []chem.Dimension
	header  string // text of the header
	column  int    // from 0
}

var (
	dimsVolume = []chem.Dimension{chem.DimVolume}
	dimsMass   = []chem.Dimension{chem.DimMass}
	dimsCharge = []chem.Dimension{chem.DimCharge}
	dimsAmount = []chem.Dimension{chem.DimMass, chem.DimVolume}
	dimsConc   = []chem.Dimension{chem.DimMassConc, chem.DimVolConc, chem.DimMolarity}
)

// Forms is what a mapping's words look like, for messages.
const Forms = "date, time, level L, assay copper g/L, assay pH, plate Ah, plate hours, plate area dm2, add brightener mL, bail L, " +
	"panel brightener mL/L, meter NAME Ah, hang NAME kg, weigh NAME kg, pull NAME kg, treat carbon g, change bags, note"

var kindWords = []string{"date", "time", "level", "assay", "plate", "add", "bail", "panel", "meter", "hang", "weigh", "pull", "treat", "change", "note"}

// parseTarget reads the words of one column. The unit that they end with wins over
// none; one that the header names as well must be the same.
func parseTarget(c Column, names Names) (target, error) {
	words := strings.Fields(c.As)
	if len(words) == 0 {
		return target{}, wrongMapping("such as: "+Forms, "column %q: what it means is missing", c.Name)
	}
	kind, rest := strings.ToLower(words[0]), words[1:]
	t := target{role: roleFact, kind: chem.Kind(kind)}
	needs := "" // what the subject names
	var known []string
	switch kind {
	case "date", "time":
		if t.role = roleDate; kind == "time" {
			t.role = roleTime
		}
		if len(rest) > 0 {
			return target{}, wrongMapping("such as: "+Forms, "column %q: %s takes no more words, and %q is left over", c.Name, kind, strings.Join(rest, " "))
		}
		return t, nil
	case "note":
		if len(rest) > 0 {
			return target{}, wrongMapping("such as: "+Forms, "column %q: note takes no more words, and %q is left over", c.Name, strings.Join(rest, " "))
		}
		return t, nil
	case "level", "bail":
		t.dims = dimsVolume
	case "plate":
		t.dims = dimsCharge
		if len(rest) > 0 {
			if dims, ok := map[string][]chem.Dimension{"hours": {chem.DimTime}, "area": {chem.DimArea}, "current": {chem.DimCurrent}, "part": {}}[strings.ToLower(rest[0])]; ok {
				t.role, t.subject, t.dims, rest = roleOfRun, strings.ToLower(rest[0]), dims, rest[1:]
				if t.subject == "hours" {
					t.unit = "h"
				}
			}
		}
	case "assay":
		needs, t.dims, known = "the constituent, or pH, temperature or density", dimsConc, append(slices.Clone(names.Constituents), "pH", "temperature", "density")
	case "panel":
		needs, t.dims, known = "the organic", dimsConc, names.Constituents
	case "add":
		needs, t.dims, known = "the material", dimsAmount, names.Materials
	case "meter":
		needs, t.dims = "the supply", dimsCharge
	case "hang", "weigh", "pull":
		needs, t.dims = "the anode", dimsMass
	case "treat":
		needs, t.dims, known = "the treatment", dimsAmount, []string{"carbon", "peroxide", "dummy"}
	case "change":
		needs, known = "what is changed", []string{"bags", "filter"}
	default:
		hint := "such as: " + Forms
		if near := nearestWord(kind, kindWords); near != "" {
			hint = "did you mean " + near + "? " + hint
		}
		return target{}, wrongMapping(hint, "column %q: %q is nothing that a column can mean", c.Name, words[0])
	}
	subject := ""
	for end := len(rest); end >= 0; end-- { // the longest name, then the unit behind it
		unit, err := chem.ParseUnit(strings.Join(rest[end:], " "))
		if end < len(rest) && err != nil {
			continue
		}
		name := strings.Join(rest[:end], " ")
		if needs == "" && name != "" {
			continue
		}
		if known != nil {
			found, ok := oneOf(name, known)
			if !ok {
				continue
			}
			name = found
		} else if needs != "" && end == len(rest) && len(rest) > 1 {
			if _, err := chem.ParseUnit(rest[len(rest)-1]); err == nil {
				continue // the last word is the unit and not part of the name
			}
		}
		subject = name
		if end < len(rest) {
			t.unit = unit
		}
		rest = nil
		break
	}
	if len(rest) > 0 {
		for from := 1; from < len(rest); from++ { // what is not understood is the name, not the unit behind it
			if _, err := chem.ParseUnit(strings.Join(rest[from:], " ")); err == nil {
				rest = rest[:from]
			}
		}
		hint := "such as: " + Forms
		if known != nil {
			hint = "there is: " + strings.Join(known, ", ")
			if near := nearestWord(strings.Join(rest, " "), known); near != "" {
				hint = "did you mean " + near + "? " + hint
			}
		}
		return target{}, wrongMapping(hint, "column %q: %q is not understood after %s", c.Name, strings.Join(rest, " "), kind)
	}
	if needs != "" && subject == "" {
		return target{}, wrongMapping("such as: "+Forms, "column %q: %s needs %s", c.Name, kind, needs)
	}
	if t.role == roleFact {
		t.subject = subject
	}
	switch {
	case kind == "assay" && subject == "pH":
		t.dims, t.unit = []chem.Dimension{chem.DimPH}, "pH"
	case kind == "assay" && subject == "temperature":
		t.dims = []chem.Dimension{chem.DimTemperature}
	case kind == "assay" && subject == "density":
		t.dims = []chem.Dimension{chem.DimDensity}
	case kind == "treat" && subject == "dummy":
		t.dims = dimsCharge
	}
	if t.unit != "" && !slices.Contains(t.dims, t.unit.Dimension()) {
		return target{}, wrongMapping("units that fit: "+chem.UnitsOf(t.dims...), "column %q: %s is %s, which %s is not", c.Name, t.unit, t.unit.Dimension(), kind)
	}
	return t, nil
}

// oneOf finds the name that was meant: in full, or the only one that begins with
// what was typed or has it in it.
func oneOf(typed string, names []string) (string, bool) {
	for _, n := range names {
		if strings.EqualFold(n, typed) {
			return n, true
		}
	}
	if typed == "" {
		return "", false
	}
	for _, fits := range []func(n, t string) bool{strings.HasPrefix, strings.Contains} {
		var found []string
		for _, n := range names {
			if fits(strings.ToLower(n), strings.ToLower(typed)) {
				found = append(found, n)
			}
		}
		if len(found) > 0 {
			return found[0], len(found) == 1
		}
	}
	return "", false
}

// nearestWord is the word with the fewest letters to change, where those are few.
func nearestWord(typed string, words []string) string {
	best, least := "", 3
	for _, w := range words {
		if d := changes(strings.ToLower(typed), strings.ToLower(w)); d < least && d < len(w) {
			best, least = w, d
		}
	}
	return best
}

// changes counts letters to put in, take out or swap for another (Levenshtein).
func changes(a, b string) int {
	x, y := []rune(a), []rune(b)
	row := make([]int, len(y)+1)
	for j := range row {
		row[j] = j
	}
	for i := range x {
		before := row[0]
		row[0] = i + 1
		for j := range y {
			cost := before
			if x[i] != y[j] {
				cost++
			}
			before = row[j+1]
			row[j+1] = min(cost, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(y)]
}

var bracketed = regexp.MustCompile(`^(.*?)\s*[\[(]\s*([^\])]+?)\s*[\])]\s*$`)

// headerUnit finds the unit in a header: in brackets, or as its last words where
// it measures what the column means.
func headerUnit(header string, dims []chem.Dimension) (chem.Unit, bool) {
	if m := bracketed.FindStringSubmatch(header); m != nil {
		if u, err := chem.ParseUnit(m[2]); err == nil && u != "" {
			return u, true
		}
		return "", false
	}
	words := strings.Fields(header)
	for from := range words {
		u, err := chem.ParseUnit(strings.Join(words[from:], " "))
		if err == nil && slices.Contains(dims, u.Dimension()) {
			return u, true
		}
	}
	return "", false
}

// squeeze makes headers comparable: spaces and line breaks as one space, no case.
func squeeze(s string) string {
	return strings.ToLower(strings.Join(strings.Fields(strings.ReplaceAll(s, "\u00a0", " ")), " "))
}

// table finds the sheet that is meant.
func (b *Book) table(m Mapping) (*Sheet, error) {
	var filled []int
	var names []string
	for i, s := range b.Sheets {
		if m.Sheet != "" && squeeze(s.Name) == squeeze(m.Sheet) {
			return &b.Sheets[i], nil
		}
		names = append(names, s.Name)
		if slices.ContainsFunc(s.Rows, func(row []Cell) bool { return slices.ContainsFunc(row, func(c Cell) bool { return !c.Empty() }) }) {
			filled = append(filled, i)
		}
	}
	switch {
	case m.Sheet != "" && b.CSV:
		return nil, wrongMapping("leave --sheet out", "a CSV has one table without a name, and --sheet names %q", m.Sheet)
	case m.Sheet != "":
		return nil, wrongMapping("there is: "+strings.Join(names, ", "), "there is no sheet %q", m.Sheet)
	case len(filled) == 0:
		return nil, wrongMapping("save the sheet that has the rows", "nothing stands in it")
	case len(filled) > 1:
		return nil, wrongMapping(fmt.Sprintf("say which: --sheet %q", names[filled[0]]), "it has several sheets: %s", strings.Join(names, ", "))
	}
	return &b.Sheets[filled[0]], nil
}

// Headers are the texts of the row that looks most like a header: the first with
// the most texts among the first rows of the book's first filled sheet.
func (b *Book) Headers() []string {
	var best []string
	for i := range b.Sheets {
		for r := 0; r < min(len(b.Sheets[i].Rows), 30); r++ {
			var found []string
			for _, c := range b.Sheets[i].Rows[r] {
				if c.Kind == Text && !c.Empty() && !c.Merged && !startsWithDigit(c.Text) {
					found = append(found, strings.Join(strings.Fields(c.Text), " "))
				}
			}
			if len(found) > len(best) {
				best = found
			}
		}
		if best != nil {
			break
		}
	}
	return best
}

func startsWithDigit(s string) bool {
	s = strings.TrimLeft(s, " +-~<>")
	return s != "" && s[0] >= '0' && s[0] <= '9'
}

var letterName = regexp.MustCompile(`^[A-Z]{1,3}$`)

// find looks for the columns of a mapping in one row taken for the header.
func (s *Sheet) find(row int, m Mapping) (at []int, missing []string, err error) {
	for _, c := range m.Columns {
		var found []int
		for i := range min(MaxColumns, s.width()) {
			if cell := s.Cell(row, i); !cell.Empty() && !(cell.Merged && i > 0 && s.Cell(row, i-1).Text == cell.Text) && squeeze(cell.Text) == squeeze(c.Name) {
				found = append(found, i)
			}
		}
		switch {
		case len(found) == 1:
			at = append(at, found[0])
		case len(found) > 1:
			letters := make([]string, len(found))
			for i, f := range found {
				letters[i] = Letters(f)
			}
			return nil, nil, wrongMapping(fmt.Sprintf("name it by its letter: --column '%s = %s'", letters[0], c.As), "row %d has %d columns %q: %s", row+1, len(found), c.Name, strings.Join(letters, ", "))
		case letterName.MatchString(c.Name) && columnOf(c.Name) < s.width():
			at = append(at, columnOf(c.Name))
		default:
			at = append(at, -1)
			missing = append(missing, c.Name)
		}
	}
	return at, missing, nil
}

func columnOf(letters string) int {
	n := 0
	for _, c := range letters {
		n = 26*n + int(c-'A') + 1
	}
	return n - 1
}

func (s *Sheet) width() int {
	w := 0
	for _, row := range s.Rows {
		w = max(w, len(row))
	}
	return w
}

// header finds the row that has the names of all columns.
func (s *Sheet) header(m Mapping) (row int, at []int, err error) {
	if m.Header > 0 {
		if m.Header > len(s.Rows) {
			return 0, nil, wrongMapping("rows are counted from 1", "there is no row %d; the sheet ends with row %d", m.Header, len(s.Rows))
		}
		at, missing, err := s.find(m.Header-1, m)
		if err == nil && missing != nil {
			err = s.missing(m.Header-1, missing)
		}
		return m.Header - 1, at, err
	}
	named := slices.ContainsFunc(m.Columns, func(c Column) bool { return !letterName.MatchString(c.Name) })
	best, fewest := -1, len(m.Columns)
	for r := range s.Rows {
		at, missing, err := s.find(r, m)
		if err != nil {
			return 0, nil, err
		}
		if missing == nil && named {
			return r, at, nil
		}
		if len(missing) < fewest {
			best, fewest = r, len(missing)
		}
	}
	if !named {
		return 0, nil, wrongMapping("for instance --header 3; the rows below it are read", "all columns are named by letter, and which row is the header is not said")
	}
	if best < 0 {
		return 0, nil, wrongMapping("the first row of the table has the names; --header names the row", "no row has a column %q", m.Columns[0].Name)
	}
	_, missing, _ := s.find(best, m)
	return 0, nil, s.missing(best, missing)
}

func (s *Sheet) missing(row int, missing []string) error {
	var have []string
	for i := range s.width() {
		if c := s.Cell(row, i); !c.Empty() {
			have = append(have, strings.Join(strings.Fields(c.Text), " "))
		}
	}
	hint := fmt.Sprintf("row %d has: %s", row+1, strings.Join(have, ", "))
	if near := nearestWord(missing[0], have); near != "" {
		hint = fmt.Sprintf("did you mean %q? %s", near, hint)
	}
	if len(hint) > 380 {
		hint = hint[:strings.LastIndex(hint[:380], ",")] + " and others"
	}
	return wrongMapping(hint, "no column is called %q", missing[0])
}

// targets reads the whole mapping against the header.
func (s *Sheet) targets(m Mapping, names Names) (headerRow int, list []target, err error) {
	headerRow, at, err := s.header(m)
	if err != nil {
		return 0, nil, err
	}
	for i, c := range m.Columns {
		t, err := parseTarget(c, names)
		if err != nil {
			return 0, nil, err
		}
		t.column, t.header = at[i], strings.Join(strings.Fields(s.Cell(headerRow, at[i]).Text), " ")
		for _, other := range list {
			if other.column == t.column {
				return 0, nil, wrongMapping("one column means one thing", "column %s stands in the mapping twice", Letters(t.column))
			}
			if other.role == t.role && (t.role == roleDate || t.role == roleTime || t.role == roleOfRun && t.subject == other.subject) {
				return 0, nil, wrongMapping("one column says it", "columns %s and %s both mean %s", Letters(other.column), Letters(t.column), c.As)
			}
		}
		if t.dims != nil {
			unit, ok := headerUnit(t.header, t.dims)
			switch {
			case ok && !slices.Contains(t.dims, unit.Dimension()):
				return 0, nil, wrongMapping("units that fit: "+chem.UnitsOf(t.dims...), "column %s, %q: %s is %s, which %s is not", Letters(t.column), t.header, unit, unit.Dimension(), c.As)
			case ok && t.unit == "":
				t.unit = unit
			case ok && t.unit != unit && !(t.role == roleOfRun && t.subject == "hours"):
				return 0, nil, wrongMapping("leave the unit out of the mapping to take the header's, or rename the column", "column %s: the header %q says %s, and the mapping says %s", Letters(t.column), t.header, unit, t.unit)
			case ok:
				t.unit = unit
			}
		}
		list = append(list, t)
	}
	slices.SortStableFunc(list, func(a, b target) int { return a.column - b.column })
	has := func(r role) bool { return slices.ContainsFunc(list, func(t target) bool { return t.role == r }) }
	switch {
	case !has(roleDate) && !has(roleTime):
		return 0, nil, wrongMapping("for instance --column 'Date = date'", "no column says when")
	case !has(roleFact):
		return 0, nil, wrongMapping("such as: "+Forms, "no column says what happened")
	case has(roleOfRun) && !slices.ContainsFunc(list, func(t target) bool { return t.role == roleFact && t.kind == chem.KindPlate }):
		return 0, nil, wrongMapping("for instance --column 'Ah = plate Ah'", "hours, area, current and part belong to a plating run, and no column is its charge")
	}
	return headerRow, list, nil
}

// skips are the cells and rows to leave out.
type skips struct {
	rows  map[int]bool
	cells map[string]bool
	used  map[string]bool
}

var (
	cellName = regexp.MustCompile(`^([A-Za-z]{1,3})([1-9][0-9]{0,6})$`)
	rowName  = regexp.MustCompile(`^[1-9][0-9]{0,6}$`)
)

func parseSkips(list []string) (skips, error) {
	s := skips{map[int]bool{}, map[string]bool{}, map[string]bool{}}
	for _, text := range list {
		for _, word := range strings.FieldsFunc(text, func(c rune) bool { return c == ',' || c == ' ' }) {
			switch {
			case rowName.MatchString(word):
				n, _ := strconv.Atoi(word) // seven digits at most
				s.rows[n-1] = true
			case cellName.MatchString(word):
				s.cells[strings.ToUpper(word)] = true
			default:
				return s, wrongMapping("a cell such as B14, or a row such as 40", "--skip %s is neither a cell nor a row", word)
			}
		}
	}
	return s, nil
}
