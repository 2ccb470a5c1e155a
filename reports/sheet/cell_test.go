package sheet

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
)

func TestNumbers(t *testing.T) {
	for _, c := range []struct {
		text string
		mark Mark
		want string // with a space: what the refusal says
	}{
		{"51.8", MarkUnsaid, "51.8"}, {"51,8", MarkUnsaid, "51.8"}, {"16.40", MarkUnsaid, "16.40"}, {"−3,5", MarkUnsaid, "-3.5"}, {"+7", MarkUnsaid, "7"},
		{"1,234", MarkUnsaid, "can mean 1.234 or 1234"}, {"1.234,5", MarkUnsaid, "thousands marks"}, {"1,234.5", MarkUnsaid, "thousands marks"},
		{"1.234.567", MarkUnsaid, "thousands marks"}, {"0,234", MarkUnsaid, "0.234"}, {"1 234,5", MarkUnsaid, "1234.5"}, {"1'234.5", MarkUnsaid, "1234.5"},
		{"1,234", MarkComma, "1.234"}, {"1.234", MarkComma, "1234"}, {"1.234,5", MarkComma, "1234.5"}, {"51.8", MarkComma, "has a point"},
		{"1,234", MarkPoint, "1234"}, {"1.234", MarkPoint, "1.234"}, {"1,234.5", MarkPoint, "1234.5"}, {"51,8", MarkPoint, "has a comma"},
		{"", MarkUnsaid, "not a number"}, {"5 1", MarkUnsaid, "not a number"}, {"NaN", MarkUnsaid, "not a number"}, {"1e400", MarkUnsaid, "not a number"},
		{"12,34,56", MarkComma, "not a number"},
	} {
		d, err := ParseNumber(c.text, c.mark)
		if strings.Contains(c.want, " ") {
			require.Error(t, err, c.text)
			assert.Contains(t, err.Error(), c.want, c.text)
			continue
		}
		require.NoError(t, err, c.text)
		assert.Equal(t, chem.Decimal(c.want), d, c.text)
	}
}

func TestMoments(t *testing.T) {
	vienna, err := time.LoadLocation("Europe/Vienna")
	require.NoError(t, err)
	for _, c := range []struct {
		text  string
		order Order
		want  string // UTC, or what the refusal says
	}{
		{"2026-03-12", OrderUnsaid, "2026-03-12T11:00:00Z"},
		{"2026-03-12 18:30", OrderUnsaid, "2026-03-12T17:30:00Z"},
		{"2026-03-12T18:30:15Z", OrderUnsaid, "2026-03-12T18:30:15Z"},
		{"2026/3/12", MonthFirst, "2026-03-12T11:00:00Z"},
		{"25.3.2026", OrderUnsaid, "2026-03-25T11:00:00Z"},
		{"3/25/2026", OrderUnsaid, "2026-03-25T11:00:00Z"},
		{"3.3.26", OrderUnsaid, "2026-03-03T11:00:00Z"},
		{"12.3.2026", OrderUnsaid, "can mean two days"},
		{"12.3.2026", DayFirst, "2026-03-12T11:00:00Z"},
		{"12.3.2026", MonthFirst, "2026-12-03T11:00:00Z"},
		{"12.3.2026", ISOOnly, "--dates says iso"},
		{"12. 3. 2026 18:30", DayFirst, "2026-03-12T17:30:00Z"},
		{"12.03.26, 18.30 Uhr", DayFirst, "2026-03-12T17:30:00Z"},
		{"3/25/2026", DayFirst, "no month 25"},
		{"29.2.2026", OrderUnsaid, "no day 29 in February 2026"},
		{"29.2.2028", OrderUnsaid, "2028-02-29T11:00:00Z"},
		{"Do, 12. März 2026", OrderUnsaid, "2026-03-12T11:00:00Z"},
		{"12-Mar-2026", OrderUnsaid, "2026-03-12T11:00:00Z"},
		{"Thu 12 Mar 2026 6:30 pm", OrderUnsaid, "2026-03-12T17:30:00Z"},
		{"March 12, 2026", OrderUnsaid, "2026-03-12T11:00:00Z"},
		{"12 Smarch 2026", OrderUnsaid, "is no date"},
		{"29.3.2026 2:30", OrderUnsaid, "did not exist"}, // clocks put forward
		{"12.3.", OrderUnsaid, "has no year"},
		{"Total", OrderUnsaid, "is no date"},
		{"12.3.2026 25:00", DayFirst, "no time of day"},
		{"13.13.2026", OrderUnsaid, "no month 13"},
		{"13.14.2026", OrderUnsaid, "neither 13 nor 14 is a month"},
	} {
		m, err := ParseMoment(c.text, c.order)
		var at time.Time
		if err == nil {
			at, err = m.At(vienna)
		}
		if !strings.HasSuffix(c.want, "Z") {
			require.Error(t, err, c.text)
			assert.Contains(t, err.Error(), c.want, c.text)
			continue
		}
		require.NoError(t, err, c.text)
		assert.Equal(t, c.want, at.Format(time.RFC3339), c.text)
	}
}

// ECMA-376 part 1, 18.17.4.1, gives 1 January 1900 as 1 and leaves 60 to a day that
// never was, so that 61 is 1 March 1900; in the other system 0 is 1 January 1904.
// From memory. 46093 is 12 March 2026 as openpyxl writes it (evenings.xlsx).
func TestSerials(t *testing.T) {
	for _, c := range []struct {
		serial float64
		from   bool
		want   string
	}{
		{61, false, "1900-03-01T12:00:00Z"},
		{46093, false, "2026-03-12T12:00:00Z"},
		{46093.770833333336, false, "2026-03-12T18:30:00Z"},
		{46093.99999999, false, "2026-03-13T00:00:00Z"}, // to the second it is midnight
		{44631, true, "2026-03-12T12:00:00Z"},
		{60, false, ""}, {-1, false, ""}, {3e6, false, ""},
	} {
		m, err := serialMoment(c.serial, c.from)
		if c.want == "" {
			assert.Error(t, err, "%v", c.serial)
			continue
		}
		require.NoError(t, err)
		at, err := m.At(time.UTC)
		require.NoError(t, err)
		assert.Equal(t, c.want, at.Format(time.RFC3339), "%v", c.serial)
	}
	for serial, want := range map[float64]int{0: 0, 0.5: 43200, 0.770833333333333: 66600, 0.9999999999: 86399} {
		m, err := serialMoment(serial, false)
		require.NoError(t, err)
		assert.Equal(t, Moment{HasClock: true, Seconds: want}, m, "%v", serial)
	}
}

func TestAmounts(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"51.8", "51.8 g/L"}, {"51,8 g/l", "51.8 g/L"}, {"51 ± 2", "51 g/L u 2"}, {"51+-0,5 g/L", "51 g/L u 0.5"}, {"5.3 oz/gal", "5.3 oz/gal"},
		{"  51.8\u00a0", "51.8 g/L"}, {"58 ppm", "58 mg/L"},
		{"~51", "about how much"}, {"ca. 51", "about how much"}, {"<0.5", "limit"}, {"> 3", "limit"}, {"n/a", "is no number"}, {"?", "is no number"},
		{"51?", "something behind it"}, {"51 52", "not a number"}, {"51 parsec", "something behind it"}, {"-", "is no number"}, {"=A1", "is no number"},
	} {
		m, err := Cell{Kind: Text, Text: c.text}.amount("g/L", MarkUnsaid)
		if err != nil {
			assert.Contains(t, err.Error(), c.want, c.text)
			continue
		}
		got := m.String()
		if m.U.Given() {
			got += " u " + string(m.U)
		}
		assert.Equal(t, c.want, got, c.text)
	}
}

func TestDayFormats(t *testing.T) {
	for format, want := range map[string]bool{
		"yyyy-mm-dd": true, "d.m.yy": true, "hh:mm": true, "[h]:mm": true, `[$-407]d. mmmm yyyy;@`: true, "mmm yy": true,
		"0.00": false, "General": false, "#,##0.00": false, `0.0" mL"`: false, `0\d`: false, "0.00E+00": false, "[Red]0.0": false, `"day" 0`: false, "@": false,
	} {
		assert.Equal(t, want, dayFormat(format), format)
	}
}

func TestMappingWords(t *testing.T) {
	names := Names{Constituents: []string{"copper", "sulfuric acid", "chloride", "brightener"},
		Materials: []string{"copper sulfate pentahydrate", "sulfuric acid 35 %", "sulfuric acid 96 %", "brightener", "deionised water"}}
	for _, c := range []struct{ as, want string }{
		{"assay copper g/L", "assay|copper|g/L"}, {"assay sulfuric acid", "assay|sulfuric acid|"}, {"ASSAY Sulf oz/gal", "assay|sulfuric acid|oz/gal"},
		{"assay pH", "assay|pH|pH"}, {"assay temperature °C", "assay|temperature|degC"}, {"assay density", "assay|density|"},
		{"add sulfuric acid 35 % mL", "add|sulfuric acid 35 %|mL"}, {"add sulfuric acid 96 %", "add|sulfuric acid 96 %|"}, {"add water L", "add|deionised water|L"},
		{"add brightener fl oz", "add|brightener|fl oz"}, {"level", "level||"}, {"level L", "level||L"}, {"plate kAh", "plate||kAh"}, {"plate hours", "plate|hours|h"},
		{"plate area in2", "plate|area|in2"}, {"weigh slab a kg", "weigh|slab a|kg"}, {"weigh slab-a", "weigh|slab-a|"}, {"treat dummy Ah", "treat|dummy|Ah"},
		{"change bags", "change|bags|"}, {"note", "note||"}, {"date", "||"}, {"panel brightener mL/L", "panel|brightener|mL/L"}, {"meter supply 2 Ah", "meter|supply 2|Ah"},
		{"add sulfuric acid mL", "is not understood after add"}, {"assay", "needs the constituent"}, {"weigh kg", "weigh|kg|"}, {"level dm", "not understood after level"},
		{"assay copper L", "L is a volume"}, {"date first", "takes no more words"}, {"note it", "takes no more words"}, {"", "is missing"}, {"asay copper", "nothing that a column can mean"},
	} {
		got, err := parseTarget(Column{Name: "x", As: c.as}, names)
		if err != nil {
			assert.Contains(t, err.Error(), c.want, c.as)
			var wrong *MappingError
			require.ErrorAs(t, err, &wrong)
			assert.NotEmpty(t, wrong.Hint, c.as)
			continue
		}
		kind := string(got.kind)
		if got.role == roleDate || got.role == roleTime {
			kind = ""
		}
		assert.Equal(t, c.want, kind+"|"+got.subject+"|"+string(got.unit), c.as)
	}
}

// Facts by a mapping that uses what is rarer: a header of two lines, letters, an
// ISO time, a plating run with all that belongs to it, panels, anodes, changes.
func TestReadOwnSheet(t *testing.T) {
	text := "kept by hand\n\nWhen,Ah,\"Hours\n[min]\",Area in2,Part,panel,slab-a kg,bags,x,x\n" +
		"2026-03-12T18:30:00Z,22.5,240,85,medal 12,low,1.2,X,1,2\n2026-03-13T18:30:00Z,,,,,4 mL/L,,no,,\n2026-03-14T18:30:00Z,,3,,,,,,,\n"
	book, err := Open([]byte(text))
	require.NoError(t, err)
	names := Names{Constituents: []string{"brightener"}, Materials: []string{"brightener"}}
	m := Mapping{Columns: []Column{{"when", "time"}, {"Ah", "plate"}, {"Hours [min]", "plate hours"}, {"Area in2", "plate area"}, {"Part", "plate part"},
		{"panel", "panel brightener"}, {"slab-a kg", "weigh slab-a"}, {"bags", "change bags"}, {"J", "bail L"}}}
	got, err := Read(book, m, "tank-1", names, time.UTC)
	require.NoError(t, err)
	assert.Equal(t, 3, got.Header)
	var said []string
	for _, f := range got.Facts {
		r := f.Entry.Row
		said = append(said, strings.Join([]string{f.Cell, r.Kind, r.Subject, r.Value, r.Unit, r.More}, "|"))
	}
	assert.Equal(t, []string{`B4|plate|medal 12|22.5|Ah|{"hours":4,"area_dm2":5.48386}`, `F4|panel|brightener|||{"pattern":"low"}`,
		`G4|weigh|slab-a|1.2|kg|`, `H4|change|bags|||`, `J4|bail||2|L|`, `F5|panel|brightener|4|mL/L|`}, said)
	assert.Equal(t, []BadCell{{"H5", "bags", `"no" does not say that it was done; x or yes would, and an empty cell says no`},
		{"C6", "Hours [min]", "belongs to a plating run, and the row has no charge"}}, got.Bad)
	assert.Equal(t, []string{"I (x)"}, got.NotRead)

	m.Columns[8].Name = "x"
	_, err = Read(book, m, "tank-1", names, time.UTC)
	assert.ErrorContains(t, err, `row 3 has 2 columns "x": I, J`)
}

// FuzzCell: whatever stands in a cell, what comes out of it is a number or a time
// in its one spelling, or a refusal.
func FuzzCell(f *testing.F) {
	for _, s := range []string{"51,8 g/L", "1.234,5", "~51", "<0.5", "12.3.2026 18:30", "3/12/2026", "Thu 12 Mar 2026 6:30 pm", "46093.77", "n/a", "51 ± 2", "29.2.2026", "'=1+1", "1e30", "\u00a012\u202f345,6"} {
		f.Add(s, uint8(0))
		f.Add(s, uint8(5))
	}
	vienna, err := time.LoadLocation("Europe/Vienna")
	require.NoError(f, err)
	f.Fuzz(func(t *testing.T, s string, choice uint8) {
		mark, order := Mark(choice%3), Order(choice/3%5)
		if d, err := ParseNumber(s, mark); err == nil {
			again, err := chem.ParseDecimal(string(d))
			require.NoError(t, err)
			require.Equal(t, d, again)
			require.NotContains(t, string(d), ",")
		}
		c := Cell{Kind: Text, Text: s}
		if m, err := c.amount("g/L", mark); err == nil {
			require.True(t, m.Given())
			unit, err := chem.ParseUnit(string(m.Unit))
			require.NoError(t, err)
			require.Equal(t, unit, m.Unit)
		}
		m, err := c.moment(order, &Book{CSV: true})
		if err != nil {
			require.NotEmpty(t, err.Error())
			return
		}
		require.True(t, m.HasDay() || m.HasClock)
		if !m.HasDay() {
			require.Less(t, m.Seconds, 86400)
			return
		}
		at, err := m.At(vienna)
		if err != nil { // clocks were put forward over it, or the year is out of bounds
			return
		}
		require.True(t, at.Year() >= 1899 && at.Year() <= 9999, at)
		if m.Exact.IsZero() {
			local := at.In(vienna)
			require.Equal(t, []int{m.Year, int(m.Month), m.Day}, []int{local.Year(), int(local.Month()), local.Day()})
			// One order at most may have been guessed: none.
			if order == OrderUnsaid && mixedDay.MatchString(strings.TrimSpace(s)) {
				other, err := ParseMoment(s, DayFirst)
				if err != nil {
					other, err = ParseMoment(s, MonthFirst)
				}
				require.NoError(t, err)
				require.Equal(t, other, m)
			}
		}
		Guard(s)
	})
}

// FuzzOpen: no file, however damaged, ends the program.
func FuzzOpen(f *testing.F) {
	f.Add([]byte("a;b\n1,5;2\n"))
	f.Add([]byte("\xff\xfea\x00"))
	f.Add(writeXLSX(f, rows(f)[:3]))
	f.Fuzz(func(t *testing.T, data []byte) {
		book, err := Open(data)
		if err != nil {
			require.NotContains(t, err.Error(), "\n")
			return
		}
		_, _, _ = book.Journal(zones)
		book.Headers()
		m := Mapping{Columns: []Column{{"a", "date"}, {"b", "plate Ah"}}}
		_, _ = Read(book, m, "tank-1", Names{}, time.UTC)
	})
}
