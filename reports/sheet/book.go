package sheet

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf16"
	"unicode/utf8"

	"github.com/xuri/excelize/v2"
)

// Bounds of what is read. No shop's sheet comes near them; what does is a
// machine's output, or was made to fill the memory.
const (
	MaxFile    = 32 << 20  // bytes of a file
	MaxUnzip   = 256 << 20 // bytes of an .xlsx once unpacked
	MaxRows    = 50_000    // of one sheet
	MaxColumns = 256
	MaxCells   = 1_000_000 // of a book, empty ones at the end of a row not counted
)

// CellKind tells what a cell holds.
type CellKind uint8

// The kinds of cells.
const (
	Blank    CellKind = iota
	Text              // as typed; every cell of a CSV
	Number            // Text has up to 15 digits, as spreadsheets show
	Day               // a number that is shown as a date or a time of day
	Unusable          // an error, yes or no, or a formula without its result; Text says so
)

// Cell is one cell.
type Cell struct {
	Kind   CellKind
	Text   string  // trimmed of nothing; for Number in plain digits
	Serial float64 // of Number and Day, as the file counts days
	Merged bool    // it shows what the first cell of its merged block holds
}

// errorWords stand before the error that a cell shows.
const errorWords = "the error "

// Empty tells whether nothing stands in the cell.
func (c Cell) Empty() bool {
	return c.Kind == Blank || c.Kind == Text && strings.TrimSpace(strings.ReplaceAll(c.Text, "\u00a0", " ")) == ""
}

// Sheet is one table of a book. Rows may be of any length.
type Sheet struct {
	Name string
	Rows [][]Cell
}

// Book is a spreadsheet as it stands in its file.
type Book struct {
	Sheets   []Sheet
	Date1904 bool // days are counted from 1 January 1904
	CSV      bool
}

// Cell returns the cell in a row and column counted from 0.
func (s *Sheet) Cell(row, column int) Cell {
	if row < len(s.Rows) && column < len(s.Rows[row]) {
		return s.Rows[row][column]
	}
	return Cell{}
}

// Address is the name of a cell counted from 0: 13, 1 is B14.
func Address(row, column int) string { return Letters(column) + strconv.Itoa(row+1) }

// Letters is the name of a column counted from 0.
func Letters(column int) string {
	name := ""
	for n := column + 1; n > 0; n = (n - 1) / 26 {
		name = string(rune('A'+(n-1)%26)) + name
	}
	return name
}

// IsXLSX tells whether a file begins as an .xlsx does, being a ZIP archive.
func IsXLSX(start []byte) bool { return bytes.HasPrefix(start, []byte("PK\x03\x04")) }

// Open reads an .xlsx or a CSV. Errors are one sentence without the file's name.
func Open(data []byte) (*Book, error) {
	if len(data) > MaxFile {
		return nil, fmt.Errorf("is larger than %d MB, and no sheet of a bath is; save the rows that matter alone", MaxFile>>20)
	}
	if IsXLSX(data) {
		return openXLSX(data)
	}
	return openCSV(data)
}

var errTooLarge = fmt.Errorf("unpacks to more than %d MB or more than %d rows, %d columns or %d cells, and no sheet of a bath is as large; save the rows that matter alone, or as CSV",
	MaxUnzip>>20, MaxRows, MaxColumns, MaxCells)

func openXLSX(data []byte) (book *Book, err error) {
	// A damaged file must not end the program, whatever the library does with it.
	defer func() {
		if p := recover(); p != nil {
			book, err = nil, errors.New("is damaged: it cannot be read as an .xlsx; open it in the spreadsheet program and save it again")
		}
	}()
	f, err := excelize.OpenReader(bytes.NewReader(data), excelize.Options{RawCellValue: true, UnzipSizeLimit: MaxUnzip, UnzipXMLSizeLimit: MaxUnzip})
	if err != nil {
		if strings.Contains(err.Error(), "unzip size") {
			return nil, errTooLarge
		}
		return nil, errors.New("cannot be read as an .xlsx; open it in the spreadsheet program and save it again, without a password")
	}
	defer f.Close()
	book = &Book{}
	if props, err := f.GetWorkbookProps(); err == nil && props.Date1904 != nil {
		book.Date1904 = *props.Date1904
	}
	cells := 0
	styles := map[int]bool{}
	for _, name := range f.GetSheetList() {
		rows, err := rawRows(f, name, &cells)
		if err != nil {
			return nil, err
		}
		s := Sheet{Name: name, Rows: make([][]Cell, len(rows))}
		for r, values := range rows {
			s.Rows[r] = make([]Cell, len(values))
			for c, raw := range values {
				if s.Rows[r][c], err = typedCell(f, name, r, c, raw, styles); err != nil {
					return nil, fmt.Errorf("cannot be read at %s of sheet %s", Address(r, c), name)
				}
			}
		}
		if err := s.mergeFrom(f); err != nil {
			return nil, err
		}
		book.Sheets = append(book.Sheets, s)
	}
	return book, nil
}

// rawRows reads the texts of a sheet one row after the other, so that a sheet
// that is too large is known before it is held.
func rawRows(f *excelize.File, name string, cells *int) ([][]string, error) {
	it, err := f.Rows(name)
	if err != nil {
		return nil, nil // a sheet of nothing but a chart
	}
	defer it.Close()
	var out [][]string
	for it.Next() {
		row, err := it.Columns()
		if err != nil {
			return nil, fmt.Errorf("cannot be read in row %d of sheet %s", len(out)+1, name)
		}
		if len(row) == 0 {
			if len(out) < MaxRows {
				out = append(out, nil)
			}
			continue
		}
		*cells += len(row)
		if len(out) >= MaxRows || len(row) > MaxColumns || *cells > MaxCells {
			return nil, errTooLarge
		}
		out = append(out, row)
	}
	if it.Error() != nil {
		return nil, errTooLarge
	}
	for len(out) > 0 && len(out[len(out)-1]) == 0 {
		out = out[:len(out)-1]
	}
	return out, nil
}

func typedCell(f *excelize.File, sheet string, row, column int, raw string, styles map[int]bool) (Cell, error) {
	address := Address(row, column)
	if raw == "" {
		// A formula that was never computed has no value, and is not blank.
		formula, err := f.GetCellFormula(sheet, address)
		if err == nil && formula != "" {
			return Cell{Kind: Unusable, Text: "a formula without its result; open the file in the spreadsheet program and save it again"}, nil
		}
		return Cell{}, err
	}
	kind, err := f.GetCellType(sheet, address)
	if err != nil {
		return Cell{}, err
	}
	switch kind {
	case excelize.CellTypeError:
		return Cell{Kind: Unusable, Text: errorWords + raw}, nil
	case excelize.CellTypeBool:
		return Cell{Kind: Unusable, Text: "yes or no, and not a number"}, nil
	case excelize.CellTypeSharedString, excelize.CellTypeInlineString, excelize.CellTypeFormula:
		return Cell{Kind: Text, Text: raw}, nil
	case excelize.CellTypeDate:
		return Cell{Kind: Text, Text: strings.TrimSuffix(raw, "Z")}, nil // ISO 8601, without a zone
	}
	x, err := strconv.ParseFloat(raw, 64)
	if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
		return Cell{Kind: Text, Text: raw}, nil
	}
	c := Cell{Kind: Number, Text: plain(x), Serial: x}
	id, err := f.GetCellStyle(sheet, address)
	if err != nil {
		return Cell{}, err
	}
	isDay, known := styles[id]
	if !known {
		isDay = dayStyle(f, id)
		styles[id] = isDay
	}
	if isDay {
		c.Kind = Day
	}
	return c, nil
}

// plain writes a number with the 15 digits that spreadsheets keep, so that what
// was typed as 51.8 does not come out as 51.799999999999997.
func plain(x float64) string {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 15, 64), 64)
	if err != nil {
		rounded = x
	}
	return strconv.FormatFloat(rounded, 'f', -1, 64)
}

// dayStyle tells whether a style shows numbers as dates or times: ECMA-376 part 1,
// 18.8.30 (numFmt), formats 14 to 22 and 45 to 47; 27 to 36 and 50 to 58 in East
// Asian languages (from memory), and any format of one's own with day, month, year,
// hour or second in it.
func dayStyle(f *excelize.File, id int) bool {
	style, err := f.GetStyle(id)
	if err != nil || style == nil {
		return false
	}
	if style.CustomNumFmt != nil {
		return dayFormat(*style.CustomNumFmt)
	}
	n := style.NumFmt
	return n >= 14 && n <= 22 || n >= 27 && n <= 36 || n >= 45 && n <= 47 || n >= 50 && n <= 58
}

// dayFormat looks for letters of dates outside quotes, brackets and escapes.
func dayFormat(format string) bool {
	format, _, _ = strings.Cut(strings.ToLower(format), ";")
	quoted := false
	for i := 0; i < len(format); i++ {
		switch c := format[i]; {
		case c == '"':
			quoted = !quoted
		case quoted:
		case c == '\\' || c == '_' || c == '*':
			i++
		case c == '[':
			end := strings.IndexByte(format[i:], ']')
			if end < 0 {
				return false
			}
			// [h], [mm] and [ss] count beyond a day; colours and languages do not.
			if inner := format[i+1 : i+end]; inner != "" && strings.Trim(inner, "hms") == "" {
				return true
			}
			i += end
		case c == 'e' && i+1 < len(format) && (format[i+1] == '+' || format[i+1] == '-'):
			i++
		case c == 'g' && strings.HasPrefix(format[i:], "general"):
			i += len("general") - 1
		case strings.IndexByte("ymdhs", c) >= 0:
			return true
		}
	}
	return false
}

// mergeFrom marks what merged blocks show. The library gives every cell of a
// block the value of its first.
func (s *Sheet) mergeFrom(f *excelize.File) error {
	merged, err := f.GetMergeCells(s.Name)
	if err != nil {
		return nil // nothing is merged in a sheet that is no table
	}
	for _, m := range merged {
		c0, r0, err := excelize.CellNameToCoordinates(m.GetStartAxis())
		if err != nil {
			continue
		}
		c1, r1, err := excelize.CellNameToCoordinates(m.GetEndAxis())
		if err != nil {
			continue
		}
		first := s.Cell(r0-1, c0-1)
		first.Merged = true
		for r := r0 - 1; r < min(r1, len(s.Rows)); r++ {
			for c := c0 - 1; c < min(c1, MaxColumns); c++ {
				if r == r0-1 && c == c0-1 {
					continue
				}
				for len(s.Rows[r]) <= c {
					s.Rows[r] = append(s.Rows[r], Cell{})
				}
				s.Rows[r][c] = first
			}
		}
	}
	return nil
}

func openCSV(data []byte) (*Book, error) {
	text, err := decodeText(data)
	if err != nil {
		return nil, err
	}
	r := csv.NewReader(strings.NewReader(text))
	r.FieldsPerRecord = -1
	r.Comma = separator(text)
	s := Sheet{Name: ""}
	cells := 0
	line, offset := 1, int64(0)
	for {
		record, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		var bad *csv.ParseError
		if errors.As(err, &bad) {
			return nil, fmt.Errorf("is no CSV at line %d: a double quote stands where none may; double each one that belongs to the text, and close what it opens", bad.StartLine)
		}
		if err != nil {
			return nil, err
		}
		// The reader passes over blank lines, and a spreadsheet counts them.
		at, _ := r.FieldPos(0)
		for ; line < at; line++ {
			s.Rows = append(s.Rows, nil)
		}
		row := make([]Cell, len(record))
		for i, f := range record {
			if f != "" {
				row[i] = Cell{Kind: Text, Text: f}
			}
		}
		cells += len(row)
		if len(s.Rows) >= MaxRows || len(row) > MaxColumns || cells > MaxCells {
			return nil, fmt.Errorf("has more than %d rows, %d columns or %d cells, and no sheet of a bath is as large; save the rows that matter alone", MaxRows, MaxColumns, MaxCells)
		}
		s.Rows = append(s.Rows, row)
		raw := text[offset:r.InputOffset()]
		offset = r.InputOffset()
		line = at + strings.Count(strings.TrimLeft(raw, "\r\n"), "\n")
		if !strings.HasSuffix(raw, "\n") {
			line++
		}
	}
	return &Book{Sheets: []Sheet{s}, CSV: true}, nil
}

func decodeText(data []byte) (string, error) {
	if bytes.HasPrefix(data, []byte("\xff\xfe")) || bytes.HasPrefix(data, []byte("\xfe\xff")) {
		little := data[0] == 0xff
		var units []uint16
		for i := 2; i+1 < len(data); i += 2 {
			if little {
				units = append(units, uint16(data[i])|uint16(data[i+1])<<8)
			} else {
				units = append(units, uint16(data[i+1])|uint16(data[i])<<8)
			}
		}
		return string(utf16.Decode(units)), nil
	}
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	switch {
	case bytes.IndexByte(data, 0) >= 0:
		return "", errors.New("is neither an .xlsx nor text; save it as .xlsx or as CSV in UTF-8")
	case !utf8.Valid(data):
		return "", errors.New("is not UTF-8; save it as .xlsx or as CSV in UTF-8")
	}
	if !bytes.Contains(data, []byte("\n")) {
		data = bytes.ReplaceAll(data, []byte("\r"), []byte("\n"))
	}
	return string(data), nil
}

// separator finds what parts the columns: the first of tab, semicolon and comma
// that stands outside quotes in half of the lines or more. A comma is looked for
// last, since it may be the decimal mark.
func separator(text string) rune {
	lines, counts := 0, map[rune]int{}
	for line := range strings.Lines(text) {
		if strings.TrimSpace(line) == "" {
			continue
		}
		if lines++; lines > 200 {
			break
		}
		var seen []rune
		quoted := false
		for _, c := range line {
			if c == '"' {
				quoted = !quoted
			} else if !quoted && (c == '\t' || c == ';' || c == ',') && !slices.Contains(seen, c) {
				seen = append(seen, c)
			}
		}
		for _, c := range seen {
			counts[c]++
		}
	}
	for _, c := range []rune{'\t', ';'} {
		if 2*counts[c] >= lines && counts[c] > 0 {
			return c
		}
	}
	return ','
}
