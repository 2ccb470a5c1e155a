package sheet

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"encoding/xml"
	"fmt"
	"io"
	"os"
	"path"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/journal"
)

func zones(name string) (*time.Location, error) { return time.LoadLocation(name) }

// rows are facts of two baths and the shop with what spreadsheets trip over:
// formulas, spaces that count, escapes of their own, digits beyond a float's.
func rows(t testing.TB) []journal.Row {
	t.Helper()
	moment := time.Date(2026, 1, 5, 17, 0, 0, 123456000, time.UTC)
	var out []journal.Row
	previous := map[string]string{}
	add := func(f chem.Fact) {
		f.Time = moment.AddDate(0, 0, len(out)*40)
		f.ID = uuid.MustParse(fmt.Sprintf("0195f3c8-0000-7000-8000-%012d", len(out)+1))
		r, err := journal.Encode(f)
		require.NoError(t, err)
		r.Entered, r.By, r.Number = f.Time.Add(time.Hour+time.Microsecond), "=anna", int64(len(out)+1)
		r.Hash = r.Chain(previous[r.Bath])
		previous[r.Bath] = r.Hash
		out = append(out, r)
	}
	add(chem.Fact{Body: chem.Titrant{Name: "=EDTA", Molarity: chem.Measured{Number: "0.1000", Unit: "mol/L"}}})
	for _, bath := range []string{"=tank", "Tank/2: [a] with a name that is longer than any sheet's", "TANK/2: [a] with a name that is longer than any sheet's", "chain"} {
		add(chem.Fact{Bath: bath, Body: chem.Begin{Volume: chem.Measured{Number: "60.00", Unit: "L"}, Zone: "Europe/Vienna", Recipe: "title = \"x\" # =1+1\n"}})
		add(chem.Fact{Bath: bath, Body: chem.Assay{Of: "pH", Value: chem.Measured{Number: "-0.30", Unit: "pH", U: "0.10"}}})
		add(chem.Fact{Bath: bath, Body: chem.Assay{Of: "copper", Value: chem.Measured{Number: "51.800000000000000000123", Unit: "g/L"}}})
		for _, note := range []string{"=1+1", "+1+1", "-1-1", "@SUM(A1)", "\t=1", "\r=1", `"=1"`, " =1", "'=1", "two\nlines\r\nand \\n", "_x000D_ _x0041_", "  spaces  ", "<&>]]>",
			`=cmd|'/C calc'!A0`, `=HYPERLINK("http://x.example","y")`, `=IMPORTXML("http://x.example","//a")`, "日本 😀", "true", "1.50", "2026-03-12", "#N/A", "0123"} {
			add(chem.Fact{Bath: bath, Note: note, Body: chem.Remark{}})
		}
	}
	return out
}

func writeXLSX(t testing.TB, rows []journal.Row) []byte {
	t.Helper()
	w, err := NewWriter(zones)
	require.NoError(t, err)
	for _, r := range rows {
		require.NoError(t, w.Write(r))
	}
	var b bytes.Buffer
	n, err := w.WriteTo(&b)
	require.NoError(t, err)
	require.EqualValues(t, b.Len(), n)
	require.NoError(t, w.Close())
	return b.Bytes()
}

func TestXLSXComesBackExactly(t *testing.T) {
	want := rows(t)
	book, err := Open(writeXLSX(t, want))
	require.NoError(t, err)
	got, ok, err := book.Journal(zones)
	require.NoError(t, err)
	require.True(t, ok)
	r := journal.NewReader(got, nil)
	for _, w := range want {
		e, err := r.Read()
		require.NoError(t, err)
		w.Number = 0
		require.Equal(t, w, e.Row)
	}
	_, err = r.Read()
	require.ErrorIs(t, err, io.EOF)
	assert.Equal(t, "E3 of sheet =tank", got.Place(4, "subject"))
	assert.Equal(t, "row 3 of sheet =tank", got.Place(4, ""))
}

// cells reads an .xlsx without the library that wrote it: ECMA-376 part 1, 18.3.1.4
// (c), 18.18.11 (ST_CellType: b, n, e, s, str, inlineStr) and 18.4 (shared
// strings); from memory of the schema. Dates are numbers whose style has one of
// the formats 14 to 22 or one with a y in it.
func cells(t testing.TB, file []byte) (sheets map[string]map[string]string) {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(file), int64(len(file)))
	require.NoError(t, err)
	part := func(name string, into any) bool {
		f, err := z.Open(strings.TrimPrefix(name, "/"))
		if err != nil {
			return false
		}
		defer f.Close()
		require.NoError(t, xml.NewDecoder(f).Decode(into), name)
		return true
	}
	var workbook struct {
		Sheets []struct {
			Name string `xml:"name,attr"`
			ID   string `xml:"http://schemas.openxmlformats.org/officeDocument/2006/relationships id,attr"`
		} `xml:"sheets>sheet"`
	}
	require.True(t, part("xl/workbook.xml", &workbook))
	var rels struct {
		List []struct {
			ID     string `xml:"Id,attr"`
			Target string `xml:"Target,attr"`
		} `xml:"Relationship"`
	}
	require.True(t, part("xl/_rels/workbook.xml.rels", &rels))
	type text struct {
		T string   `xml:"t"`
		R []string `xml:"r>t"`
	}
	var shared struct {
		SI []text `xml:"si"`
	}
	part("xl/sharedStrings.xml", &shared)
	var styles struct {
		Formats []struct {
			ID   int    `xml:"numFmtId,attr"`
			Code string `xml:"formatCode,attr"`
		} `xml:"numFmts>numFmt"`
		Cells []struct {
			Format int `xml:"numFmtId,attr"`
		} `xml:"cellXfs>xf"`
	}
	part("xl/styles.xml", &styles)
	isDay := func(style int) bool {
		if style >= len(styles.Cells) {
			return false
		}
		n := styles.Cells[style].Format
		for _, f := range styles.Formats {
			if f.ID == n && strings.Contains(f.Code, "y") {
				return true
			}
		}
		return n >= 14 && n <= 22
	}
	sheets = map[string]map[string]string{}
	for _, s := range workbook.Sheets {
		target := ""
		for _, r := range rels.List {
			if r.ID == s.ID {
				target = r.Target
			}
		}
		if !strings.HasPrefix(target, "/") {
			target = path.Join("xl", target)
		}
		var data struct {
			Cells []struct {
				R  string  `xml:"r,attr"`
				S  int     `xml:"s,attr"`
				T  string  `xml:"t,attr"`
				V  string  `xml:"v"`
				IS text    `xml:"is"`
				F  *string `xml:"f"`
			} `xml:"sheetData>row>c"`
		}
		require.True(t, part(target, &data), target)
		out := map[string]string{}
		for _, c := range data.Cells {
			require.Nil(t, c.F, "%s of %s is a formula", c.R, s.Name)
			switch c.T {
			case "", "n":
				if c.V == "" {
					continue
				}
				x, err := strconv.ParseFloat(c.V, 64)
				require.NoError(t, err)
				if isDay(c.S) {
					start := time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC)
					ms := start.Add(time.Duration(int64(x*86400_000+0.5)) * time.Millisecond)
					out[c.R] = "time " + ms.Format("2006-01-02T15:04:05.000")
				} else {
					out[c.R] = "number " + strconv.FormatFloat(x, 'g', -1, 64)
				}
			case "s":
				n, err := strconv.Atoi(c.V)
				require.NoError(t, err)
				out[c.R] = "text " + unescapeX(shared.SI[n].T+strings.Join(shared.SI[n].R, ""))
			case "inlineStr":
				out[c.R] = "text " + unescapeX(c.IS.T+strings.Join(c.IS.R, ""))
			default:
				require.Fail(t, "a cell of type "+c.T)
			}
		}
		sheets[s.Name] = out
	}
	return sheets
}

var escapeX = regexp.MustCompile(`_x([0-9A-Fa-f]{4})_`)

// unescapeX undoes ST_Xstring: ECMA-376 part 1, 22.9.2.19, from memory.
func unescapeX(s string) string {
	return escapeX.ReplaceAllStringFunc(s, func(m string) string {
		n, _ := strconv.ParseUint(m[2:6], 16, 16)
		return string(rune(n))
	})
}

func TestXLSXCellTypes(t *testing.T) {
	all := rows(t)
	file := writeXLSX(t, all)
	sheets := cells(t, file)
	require.Len(t, sheets, 6)
	assert.Equal(t, "text bath", sheets["chain"]["A1"])
	for n, name := range []string{"shop", "=tank", "Tank_2_ _a_ with a name that is", "TANK_2_ _a_ with a name tha (2)", "chain (2)"} {
		require.NotEmpty(t, sheets[name], name)
		at := strconv.Itoa(n + 2)
		assert.Equal(t, "text "+name, sheets["chain"]["B"+at])
		zone := "Europe/Vienna"
		if n == 0 {
			zone = "UTC"
		}
		assert.Equal(t, "text "+zone, sheets["chain"]["C"+at])
		assert.Equal(t, "text local time ("+zone+")", sheets[name]["A1"])
	}
	row := map[string]int{}
	names := map[string]string{}
	for at, cell := range sheets["chain"] {
		if strings.HasPrefix(at, "B") {
			names[strings.TrimPrefix(sheets["chain"]["A"+at[1:]], "text ")] = strings.TrimPrefix(cell, "text ")
		}
	}
	vienna, err := zones("Europe/Vienna")
	require.NoError(t, err)
	for _, r := range all {
		s := sheets[names[r.Bath]]
		require.NotNil(t, s, r.Bath)
		row[r.Bath]++
		at := strconv.Itoa(row[r.Bath] + 1)
		zone := vienna
		if r.Bath == "" {
			zone = time.UTC
		}
		assert.Equal(t, "time "+r.Time.In(zone).Format("2006-01-02T15:04:05.000"), s["A"+at])
		assert.Equal(t, "text "+journal.FormatTime(r.Time), s["B"+at])
		if r.Note != "" {
			assert.Equal(t, "text "+r.Fields()[7], s["K"+at])
		}
		if r.Value != "" {
			assert.Equal(t, "number "+strconv.FormatFloat(chem.Decimal(r.Value).Float(), 'g', -1, 64), s["F"+at])
			assert.Equal(t, "text "+r.Value, s["G"+at])
		}
		assert.Equal(t, "text "+r.Hash, s["P"+at])
	}
}

// export.xlsx was written by the Writer and read by openpyxl 3.0.9 into
// export.json (testdata/sheets/README.md). What is written today holds the same
// cells as that file, so openpyxl's reading of it still counts.
func TestXLSXAsAnotherReaderSeesIt(t *testing.T) {
	kept, err := os.ReadFile("../../testdata/sheets/export.xlsx")
	if os.Getenv("STEADYBATH_WRITE_EXPORT") != "" {
		kept, err = writeXLSX(t, rows(t)), nil
		require.NoError(t, os.WriteFile("../../testdata/sheets/export.xlsx", kept, 0o644))
	}
	require.NoError(t, err)
	text, err := os.ReadFile("../../testdata/sheets/export.json")
	require.NoError(t, err)
	var other map[string]map[string]string
	require.NoError(t, json.Unmarshal(text, &other))
	asOurs := func(sheets map[string]map[string]string) {
		for _, s := range sheets {
			for at, c := range s {
				// openpyxl leaves the escapes of ST_Xstring in inline strings.
				if text, ok := strings.CutPrefix(c, "text "); ok {
					s[at] = "text " + unescapeX(text)
				}
				if number, ok := strings.CutPrefix(c, "number "); ok {
					x, err := strconv.ParseFloat(number, 64)
					require.NoError(t, err)
					s[at] = "number " + strconv.FormatFloat(x, 'g', -1, 64)
				}
			}
		}
	}
	ours, today := cells(t, kept), cells(t, writeXLSX(t, rows(t)))
	asOurs(other)
	assert.Empty(t, differences(other, ours), "openpyxl reads what the test's own reader reads")
	assert.Empty(t, differences(ours, today), "and what is written today is the same")
	require.Greater(t, len(ours["=tank"]), 100)
}

// differences lists the cells that are not the same.
func differences(a, b map[string]map[string]string) (out []string) {
	for _, way := range [][2]map[string]map[string]string{{a, b}, {b, a}} {
		for sheet, cells := range way[0] {
			for at, c := range cells {
				if other := way[1][sheet][at]; other != c {
					out = append(out, fmt.Sprintf("%s of %s: %q and %q", at, sheet, c, other))
				}
			}
		}
	}
	return out
}

func TestSheetsThatSayTwoThings(t *testing.T) {
	good := rows(t)[:8]
	change := func(do func(b *Book)) error {
		book, err := Open(writeXLSX(t, good))
		require.NoError(t, err)
		do(book)
		_, _, err = book.Journal(zones)
		return err
	}
	require.NoError(t, change(func(*Book) {}))
	tank := func(b *Book) *Sheet {
		for i := range b.Sheets {
			if b.Sheets[i].Name == "=tank" {
				return &b.Sheets[i]
			}
		}
		require.Fail(t, "no sheet")
		return nil
	}
	for _, c := range []struct {
		do   func(b *Book)
		want string
	}{
		{func(b *Book) { tank(b).Rows[2][5] = Cell{Kind: Number, Text: "-0.4", Serial: -0.4} }, `says two things in row 3 of sheet =tank: number is "-0.4", and value is "-0.30"`},
		{func(b *Book) { tank(b).Rows[2][8].Serial = 0.2 }, `number u is`},
		{func(b *Book) { tank(b).Rows[2][0].Serial += 30.0 / 1440 }, `local time is`},
		{func(b *Book) { tank(b).Rows[2][0] = Cell{Kind: Text, Text: "yesterday"} }, `local time is "yesterday"`},
		{func(b *Book) { tank(b).Rows = tank(b).Rows[:7] }, `ends sheet =tank in another fact`},
		{func(b *Book) { tank(b).Rows[0][0].Text = "local time (Vienna)" }, `names no time zone at A1`},
		{func(b *Book) { tank(b).Rows[2][10] = Cell{Kind: Unusable, Text: "the error #REF!"} }, `it holds the error #REF!`},
		{func(b *Book) { tank(b).Rows[2][6] = Cell{Kind: Day, Text: "3", Serial: 46000} }, `holds a date where value belongs`},
		{func(b *Book) { tank(b).Rows[0][3].Text = "sort" }, `whose first row does not name the columns`},
	} {
		err := change(c.do)
		require.Error(t, err, c.want)
		assert.Contains(t, err.Error(), c.want)
	}
}

func TestFilesThatCannotBeRead(t *testing.T) {
	good := writeXLSX(t, rows(t)[:3])
	// Packed zeros: 300 MB in a few hundred kilobytes.
	var bomb bytes.Buffer
	z := zip.NewWriter(&bomb)
	f, err := z.Create("xl/worksheets/sheet1.xml")
	require.NoError(t, err)
	zeros := make([]byte, 1<<20)
	for range 300 {
		_, err := f.Write(zeros)
		require.NoError(t, err)
	}
	require.NoError(t, z.Close())
	require.Less(t, bomb.Len(), 1<<20)
	many := strings.Repeat("1,2\n", MaxRows+1)
	wide := strings.Repeat("x,", MaxColumns) + "x\n"
	for name, c := range map[string]struct {
		data []byte
		want string
	}{
		"bomb":        {bomb.Bytes(), "unpacks to more than 256 MB"},
		"torn":        {good[:len(good)/2], "cannot be read as an .xlsx"},
		"not a zip":   {[]byte("PK\x03\x04nothing of the kind"), "cannot be read as an .xlsx"},
		"binary":      {[]byte("\xd0\xcf\x11\xe0\x00\x00"), "neither an .xlsx nor text"},
		"latin-1":     {[]byte("Temperatur,\xb0C\n"), "is not UTF-8"},
		"large":       {make([]byte, MaxFile+1), "is larger than 32 MB"},
		"many rows":   {[]byte(many), "more than 50000 rows"},
		"wide":        {[]byte(wide), "more than 50000 rows, 256 columns"},
		"stray quote": {[]byte("a,b\n1,\"x\"y\n"), "is no CSV at line 2"},
		"far cell":    {farCell(t, good), "unpacks to more than"},
	} {
		_, err := Open(c.data)
		require.Error(t, err, name)
		assert.Contains(t, err.Error(), c.want, name)
		assert.NotContains(t, err.Error(), "\n", name)
	}
}

// farCell moves the last cell of a sheet to the last row that a sheet can have.
func farCell(t testing.TB, file []byte) []byte {
	t.Helper()
	in, err := zip.NewReader(bytes.NewReader(file), int64(len(file)))
	require.NoError(t, err)
	var out bytes.Buffer
	z := zip.NewWriter(&out)
	for _, f := range in.File {
		r, err := f.Open()
		require.NoError(t, err)
		data, err := io.ReadAll(r)
		require.NoError(t, err)
		if f.Name == "xl/worksheets/sheet2.xml" {
			data = bytes.Replace(data, []byte("</sheetData>"), []byte(`<row r="1048576"><c r="XFD1048576" t="n"><v>1</v></c></row></sheetData>`), 1)
		}
		w, err := z.Create(f.Name)
		require.NoError(t, err)
		_, err = w.Write(data)
		require.NoError(t, err)
	}
	require.NoError(t, z.Close())
	return out.Bytes()
}

func TestTextTooLongForACell(t *testing.T) {
	w, err := NewWriter(zones)
	require.NoError(t, err)
	defer w.Close()
	r := rows(t)[4]
	r.Note = strings.Repeat("x", MaxText+1)
	assert.ErrorContains(t, w.Write(r), "is longer than the 32767 characters")
	r.Note = strings.Repeat("x", MaxText)
	assert.NoError(t, w.Write(r))
}

// RFC 4180, section 2, read in a copy: each of its seven rules as a person's own
// sheet would have it.
func TestOwnCSV(t *testing.T) {
	for name, c := range map[string]struct {
		text string
		want [][]string
	}{
		"1: CRLF":                      {"aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", [][]string{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		"2: no break at the end":       {"aaa,bbb,ccc\r\nzzz,yyy,xxx", [][]string{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		"4: spaces belong to fields":   {"aaa, bbb,ccc\r\n", [][]string{{"aaa", " bbb", "ccc"}}},
		"5: quotes around fields":      {"\"aaa\",\"bbb\",\"ccc\"\r\nzzz,yyy,xxx", [][]string{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		"6: breaks, quotes and commas": {"\"aaa\",\"b \r\nbb\",\"c,c\"\r\nzzz,yyy,xxx", [][]string{{"aaa", "b \nbb", "c,c"}, {"zzz", "yyy", "xxx"}}},
		"7: doubled quotes":            {"\"aaa\",\"b\"\"bb\",\"ccc\"", [][]string{{"aaa", `b"bb`, "ccc"}}},
		"semicolons":                   {"a;b\n1,5;2,5\n", [][]string{{"a", "b"}, {"1,5", "2,5"}}},
		"tabs":                         {"a\tb\n1,5\t2;5\n", [][]string{{"a", "b"}, {"1,5", "2;5"}}},
		"blank lines count":            {"\n\na,b\n\n\"x\ny\",1\n\nc,2\n", [][]string{nil, nil, {"a", "b"}, nil, {"x\ny", "1"}, nil, {"c", "2"}}},
		"byte order mark":              {"\ufeffa,b\n", [][]string{{"a", "b"}}},
		"UTF-16":                       {"\xff\xfea\x00\t\x00\xb0\x00\n\x00", [][]string{{"a", "°"}}},
		"carriage returns alone":       {"a,b\r1,2\r", [][]string{{"a", "b"}, {"1", "2"}}},
	} {
		book, err := Open([]byte(c.text))
		require.NoError(t, err, name)
		var got [][]string
		for _, row := range book.Sheets[0].Rows {
			var texts []string
			for _, cell := range row {
				texts = append(texts, cell.Text)
			}
			got = append(got, texts)
		}
		assert.Equal(t, c.want, got, name)
	}
}

// The characters are those that OWASP, "CSV Injection", warns of; see formulas.
func TestGuard(t *testing.T) {
	for text, want := range map[string]string{
		"":                       "",
		"fresh bags":             "fresh bags",
		"pH 3.9 - low":           "pH 3.9 - low",
		"=1+1":                   "'=1+1",
		"+1":                     "'+1",
		"-1":                     "'-1",
		"@SUM(A1)":               "'@SUM(A1)",
		"\t=1":                   "'\t'=1",
		"\r=1":                   "'\r'=1",
		" =1":                    " '=1",
		`"=1"`:                   `"'=1"`,
		"'=1":                    "''=1",
		"＝1":                     "'＝1",
		"\ufeff=1":               "\ufeff'=1",
		"a;=1":                   "a;'=1",
		"a, \"=1":                "a, \"'=1",
		"a\t@x":                  "a\t'@x",
		`=cmd|'/C calc'!A0`:      `'=cmd|'/C calc'!A0`,
		`=HYPERLINK("h","y")`:    `'=HYPERLINK("h","y")`,
		`x|-2+3`:                 `x|'-2+3`,
		`=IMPORTXML(A1,"//a")`:   `'=IMPORTXML(A1,"//a")`,
		`+IMPORTRANGE("h", "a")`: `'+IMPORTRANGE("h", "a")`,
	} {
		assert.Equal(t, want, Guard(text), "%q", text)
	}
}
