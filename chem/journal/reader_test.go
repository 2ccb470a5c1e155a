package journal

import (
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"
	"time"
	_ "time/tzdata" // tests must know Vienna on any machine

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"steadybath/chem"
)

func vienna(t testing.TB) func(string) *time.Location {
	zone, err := time.LoadLocation("Europe/Vienna")
	require.NoError(t, err)
	return func(string) *time.Location { return zone }
}

func readAll(t testing.TB, src io.Reader, zone func(string) *time.Location) []Entry {
	var list []Entry
	for e, err := range NewReader(src, zone).All() {
		require.NoError(t, err)
		list = append(list, e)
	}
	return list
}

func sample(t testing.TB, name string) []byte {
	b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "journals", name))
	require.NoError(t, err)
	return b
}

// What the sample says, read by eye; Vienna is one hour ahead of UTC in
// January (Directive 2000/84/EC: summer time ends in October).
func TestReadWeek(t *testing.T) {
	list := readAll(t, bytes.NewReader(sample(t, "week.csv")), vienna(t))
	require.Len(t, list, 14)
	at := func(day, hour, minute int) time.Time { return time.Date(2026, 1, day, hour, minute, 0, 0, time.UTC) }

	require.Equal(t, Row{Time: at(5, 6, 30), Bath: "tank-1", Kind: "level", Value: "58.0", Unit: "L", U: "0.3", Note: "parts out and air off"}, list[0].Row)
	require.Equal(t, 2, list[0].Line)
	require.Equal(t, chem.Assay{Of: "copper", Value: chem.Measured{Number: "51.8", Unit: "g/L", U: "0.4"},
		Titration: &chem.Titration{Method: "EDTA", Aliquot: "1"}, Sample: chem.Sample{Volume: chem.Measured{Number: "20", Unit: "mL"}}}, list[1].Fact.Body)
	require.Equal(t, chem.Assay{Of: "temperature", Value: chem.Measured{Number: "23.5", Unit: "degC"}}, list[3].Fact.Body)
	require.Equal(t, at(5, 11, 0), list[4].Row.Time, "a date alone is noon on the bath's clock")
	require.Equal(t, "bags washed, one was torn", list[4].Row.Note)
	require.Equal(t, chem.Plate{Part: "medal 12", Charge: chem.Measured{Number: "22.5", Unit: "Ah"}, Hours: "4",
		Area: chem.Measured{Number: "5.5", Unit: "dm2"}, Current: chem.Measured{Number: "5.6", Unit: "A"}}, list[5].Fact.Body)
	require.Equal(t, at(5, 15, 30), list[5].Row.Time)
	require.Equal(t, "dull below 0.5 A/dm²", list[7].Row.Note)
	require.Equal(t, `{"pattern":"low","current_A":2,"minutes":10}`, list[7].Row.More)
	require.Equal(t, `{"lot":"B 26"}`, list[8].Row.More)
	require.Equal(t, "rack dripped into the drip tray\nnot returned", list[9].Row.Note)
	require.Equal(t, chem.Pull{Anode: "all"}, list[12].Fact.Body)
	for _, e := range list {
		require.True(t, e.Hand)
	}
}

func TestReadVariantsAlike(t *testing.T) {
	want := readAll(t, bytes.NewReader(sample(t, "week.csv")), vienna(t))
	for _, name := range []string{"week-semicolons.csv", "week-bom-crlf.csv"} {
		require.Equal(t, want, readAll(t, bytes.NewReader(sample(t, name)), vienna(t)), name)
	}
	require.True(t, bytes.HasPrefix(sample(t, "week-bom-crlf.csv"), []byte("\ufefftime,bath")), "the variant has its mark")
	require.Contains(t, string(sample(t, "week-bom-crlf.csv")), "\r\n")

	_, body, _ := bytes.Cut(sample(t, "week.csv"), []byte("\n"))
	bare := readAll(t, bytes.NewReader(body), vienna(t))
	for i := range bare {
		bare[i].Line++
	}
	require.Equal(t, want, bare, "without a header")

	require.Equal(t, want, readAll(t, iotest.OneByteReader(bytes.NewReader(sample(t, "week.csv"))), vienna(t)), "byte by byte")
	require.Equal(t, want, readAll(t, strings.NewReader(strings.TrimRight(string(sample(t, "week.csv")), "\n")), vienna(t)), "no last line break")
	long := strings.Join(Columns(), ",") + "\n" + string(body)
	require.Equal(t, want, readAll(t, strings.NewReader(long), vienna(t)), "header of thirteen over rows of eight")
	padded := strings.ReplaceAll(string(sample(t, "week.csv")), "\n", ",,,,,\n")
	require.Equal(t, want, readAll(t, strings.NewReader(padded), vienna(t)), "empty columns added by a spreadsheet")
}

// RFC 4180, section 2, the examples of rules 1, 2, 5, 6 and 7 (from memory).
func TestRecordsRFC4180(t *testing.T) {
	for _, c := range []struct {
		name, text string
		want       [][]string
	}{
		{"rule 1: lines end with CRLF", "aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n", [][]string{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"rule 2: the last need not", "aaa,bbb,ccc\r\nzzz,yyy,xxx", [][]string{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"rule 5: quotes around fields", "\"aaa\",\"bbb\",\"ccc\"\r\nzzz,yyy,xxx", [][]string{{"aaa", "bbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"rule 6: line break inside", "\"aaa\",\"b\r\nbb\",\"ccc\"\r\nzzz,yyy,xxx", [][]string{{"aaa", "b\nbb", "ccc"}, {"zzz", "yyy", "xxx"}}},
		{"rule 7: quote inside", "\"aaa\",\"b\"\"bb\",\"ccc\"", [][]string{{"aaa", "b\"bb", "ccc"}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := records(strings.NewReader(c.text), ',')
			require.NoError(t, err)
			require.Equal(t, c.want, got)
		})
	}
}

// records reads records of any width, without asking whether they are rows.
func records(src io.Reader, comma byte) ([][]string, error) {
	r := NewReader(src, nil)
	r.begun, r.comma = true, comma
	var list [][]string
	for {
		if _, err := r.record(); err == io.EOF {
			return list, nil
		} else if err != nil {
			return list, err
		}
		list = append(list, append([]string(nil), r.fields...))
	}
}

// encoding/csv is the outside reference for splitting.
func TestRecordsLikeEncodingCSV(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		width := rapid.IntRange(2, 14).Draw(t, "width")
		comma := rapid.SampledFrom([]rune{',', ';'}).Draw(t, "comma")
		var text bytes.Buffer
		w := csv.NewWriter(&text)
		w.Comma, w.UseCRLF = comma, rapid.Bool().Draw(t, "crlf")
		for range rapid.IntRange(1, 5).Draw(t, "rows") {
			row := make([]string, width)
			for i := range row {
				row[i] = drawText(t, "field", true)
			}
			require.NoError(t, w.Write(row))
		}
		w.Flush()
		ref := csv.NewReader(bytes.NewReader(text.Bytes()))
		ref.Comma = comma
		want, err := ref.ReadAll()
		require.NoError(t, err)
		var src io.Reader = bytes.NewReader(text.Bytes())
		if rapid.Bool().Draw(t, "in halves") {
			src = iotest.HalfReader(src)
		}
		got, err := records(src, byte(comma))
		require.NoError(t, err)
		require.Equal(t, want, got)
	})
}

func TestReadTimes(t *testing.T) {
	// Europe/Vienna changes its clocks at 01:00 UTC on the last Sundays of March
	// and October (Directive 2000/84/EC): 29 March and 25 October 2026.
	zone := vienna(t)("")
	for _, c := range []struct{ text, want string }{
		{"2026-01-05T18:00:00Z", "2026-01-05T18:00:00Z"},
		{"2026-01-05T18:00:00+01:00", "2026-01-05T17:00:00Z"},
		{"2026-01-05t18:00:00z", "2026-01-05T18:00:00Z"},
		{"2026-01-05T18:00:00.25-03:30", "2026-01-05T21:30:00.25Z"},
		{"2026-01-05T18:00:00.1234567Z", "2026-01-05T18:00:00.123456Z"},
		{"2026-01-05 18:00:00+01:00", "2026-01-05T17:00:00Z"},
		{"2026-01-05T18:00+01:00", "2026-01-05T17:00:00Z"},
		{"2026-01-05 18:00", "2026-01-05T17:00:00Z"},
		{"2026-07-05 18:00", "2026-07-05T16:00:00Z"},
		{"2026-07-05T18:00:30", "2026-07-05T16:00:30Z"},
		{"2026-01-05", "2026-01-05T11:00:00Z"},
		{"2026-07-05", "2026-07-05T10:00:00Z"},
		{"2026-03-29 01:59", "2026-03-29T00:59:00Z"},
		{"2026-03-29 03:00", "2026-03-29T01:00:00Z"},
		{"2026-10-25 01:59", "2026-10-24T23:59:00Z"},
		{"2026-10-25 03:00", "2026-10-25T02:00:00Z"},
		{"2026-10-25 02:30", "2026-10-25T00:30:00Z"}, // the earlier of two, as everywhere
		{"2026-10-25T02:30:00+01:00", "2026-10-25T01:30:00Z"},
	} {
		got, err := parseTime(c.text, zone)
		require.NoError(t, err, c.text)
		require.Equal(t, c.want, FormatTime(got), c.text)
	}
	for text, want := range map[string]string{
		"2026-03-29 02:30":      "did not exist in Europe/Vienna",
		"today":                 "is not a time",
		"2 days ago":            "is not a time",
		"2026-01-05 18:00:00.5": "is not a time",
		"05.01.2026":            "is not a time",
		"2026-13-05":            "is not a time",
		"2026-02-30":            "is not a time",
		"2026-01-05T25:00:00Z":  "is not a time",
		"18:00":                 "is not a time",
		"yesterday":             "is not a time",
	} {
		_, err := parseTime(text, zone)
		require.ErrorContains(t, err, want, text)
	}
}

// Each bad row gives one sentence with its column; the good row after it is
// still read.
func TestReadBadRows(t *testing.T) {
	id := "0195f3c8-1111-7222-8333-444455556666"
	for _, c := range []struct{ name, row, column, want string }{
		{"time missing", ",tank-1,level,,58.0,L,,", "time", "missing"},
		{"time wrong", "05.01.2026,tank-1,level,,58.0,L,,", "time", `"05.01.2026" is not a time; write it as 2026-01-05`},
		{"year slipped", "0026-01-05,tank-1,level,,58.0,L,,", "time", "between 1900 and 9999"},
		{"year slipped, with an offset", "0026-01-05T18:00:00Z,tank-1,level,,58.0,L,,", "time", "outside 1900 to 9999"},
		{"bath missing", "2026-01-05,,level,,58.0,L,,", "bath", "a level needs the name of its bath"},
		{"bath of a titrant", "2026-01-05,tank-1,titrant,EDTA,0.1,mol/L,,", "bath", "belongs to the shop"},
		{"kind missing", "2026-01-05,tank-1,,,58.0,L,,", "kind", "missing; one of bath, setting"},
		{"kind misspelt", "2026-01-05,tank-1,levle,,58.0,L,,", "kind", `unknown kind "levle"; did you mean level?`},
		{"kind unknown", "2026-01-05,tank-1,polish,,58.0,L,,", "kind", `unknown kind "polish"; one of bath`},
		{"subject where none is", "2026-01-05,tank-1,level,left,58.0,L,,", "subject", "a level takes no subject"},
		{"subject missing", "2026-01-05,tank-1,add,,12,mL,,", "subject", "missing; an addition needs the material"},
		{"subject no treatment", "2026-01-05,tank-1,treat,charcoal,50,g,,", "subject", `"charcoal" is not one of carbon, peroxide, dummy`},
		{"subject no change", "2026-01-05,tank-1,change,pump,,,,", "subject", "is not one of bags, filter"},
		{"subject pH misspelt", "2026-01-05,tank-1,assay,ph,4.2,pH,,", "subject", `"ph" is written pH`},
		{"all anodes hung", "2026-01-05,tank-1,hang,all,1.2,kg,,", "subject", "only pull takes"},
		{"void of no id", "2026-01-05,tank-1,void,214,,,,typing slip", "subject", `"214" is not an id`},
		{"value missing", "2026-01-05,tank-1,plate,,,Ah,,", "value", "missing; a plating run needs a number with its unit, such as Ah"},
		{"value negative", "2026-01-05,tank-1,plate,,-3,Ah,,", "value", "-3 is below zero; it must be more than 0"},
		{"value zero", "2026-01-05,tank-1,bail,,0.00,L,,", "value", "0.00 must be more than 0"},
		{"value no number", "2026-01-05,tank-1,level,,full,L,,", "value", `"full" is not a number`},
		{"value NaN", "2026-01-05,tank-1,level,,NaN,L,,", "value", "is not a number"},
		{"value infinite", "2026-01-05,tank-1,level,,Infinity,L,,", "value", "is not a number"},
		{"value of a note", "2026-01-05,tank-1,note,,5,L,,text", "value", "a note takes no number"},
		{"value in two meanings", "2026-01-05,tank-1,level,,\"1,234\",L,,", "value", "can mean 1.234 or 1234"},
		{"value with its unit", "2026-01-05,tank-1,level,,58 L,,,", "value", "is not a number such as"},
		{"below absolute zero", "2026-01-05,tank-1,assay,temperature,-300,degC,,", "value", "below absolute zero"},
		{"all anodes weighed", "2026-01-05,tank-1,pull,all,1.2,kg,,", "value", "one mass cannot be that of"},
		{"anode without mass", "2026-01-05,tank-1,hang,slab-a,,,,form=slab", "value", "an anode needs its mass"},
		{"panel without anything", "2026-01-05,tank-1,panel,brightener,,,,", "value", "a panel needs the amount"},
		{"unit missing", "2026-01-05,tank-1,level,,58.0,,,", "unit", `"58.0" needs a unit, such as L`},
		{"unit unknown", "2026-01-05,tank-1,level,,58.0,buckets,,", "unit", `unknown unit "buckets", such as L`},
		{"unit of the wrong kind", "2026-01-05,tank-1,add,brightener,12,Ah,,", "unit", "is a charge where a mass or a volume is wanted"},
		{"unit without number", "2026-01-05,tank-1,pull,slab-a,,kg,,", "unit", "without a number"},
		{"dummy plating in grams", "2026-01-05,tank-1,treat,dummy,5,g,,", "unit", "is a mass where a charge is wanted"},
		{"pH in grams", "2026-01-05,tank-1,assay,pH,4.2,g/L,,", "unit", "where a pH is wanted"},
		{"u negative", "2026-01-05,tank-1,level,,58.0,L,-0.3,", "u", "-0.3 is below zero"},
		{"u no number", "2026-01-05,tank-1,level,,58.0,L,?,", "u", "is not a number"},
		{"u without value", "2026-01-05,tank-1,pull,slab-a,,,0.1,", "u", "an uncertainty without a value"},
		{"setting without reason", "2026-01-05,tank-1,setting,copper.high,55,g/L,,", "note", "a reason is missing"},
		{"void without reason", "2026-01-05,tank-1,void," + id + ",,,,", "note", "a reason is missing"},
		{"note without text", "2026-01-05,tank-1,note,,,,,", "note", "a text is missing"},
		{"key of another kind", "2026-01-05,tank-1,level,,58.0,L,,hours=4", "note", "hours= does not fit a level; keys that do: height_cm="},
		{"key where none fits", "2026-01-05,tank-1,bail,,1.5,L,,hours=4", "note", "hours= does not fit a bail-out; no key does"},
		{"key misspelt", "2026-01-05,tank-1,plate,,22.5,Ah,,hour=4", "note", "did you mean hours=?"},
		{"key in another case", "2026-01-05,tank-1,plate,,22.5,Ah,,area_DM2=4", "note", "did you mean area_dm2=?"},
		{"key twice", "2026-01-05,tank-1,plate,,22.5,Ah,,hours=4 hours=5", "note", "hours= stands there twice"},
		{"key without value", "2026-01-05,tank-1,plate,,22.5,Ah,,hours= 4", "note", "hours= has no value"},
		{"key with unit", "2026-01-05,tank-1,plate,,22.5,Ah,,hours=4h", "note", `hours: "4h" is not a number`},
		{"key negative", "2026-01-05,tank-1,plate,,22.5,Ah,,hours=-4", "note", "hours -4 is below zero"},
		{"key no choice", "2026-01-05,tank-1,hang,slab-a,1.2,kg,,form=ball", "note", `form "ball" is not one of slab, bar, nuggets, inert`},
		{"key no flag", "2026-01-05,tank-1,assay,copper,50,g/L,,returned=maybe", "note", "returned is yes or no"},
		{"key with open quote", `2026-01-05,tank-1,add,brightener,12,mL,,"lot=""B 26"`, "note", "the quote after lot= never closes"},
		{"ramp too long", "2026-01-05,tank-1,plate,,22.5,Ah,,hours=1 ramp_min=61", "more", "ramp_min 61 is longer than the run"},
		{"control character", "2026-01-05,tank-1,note,,,,,red \x1b[31m alert", "note", "a control character (U+001B)"},
		{"NUL", "2026-01-05,tank-1,note,,,,,a\x00b", "note", "a control character (U+0000)"},
		{"Latin-1", "2026-01-05,tank-1,note,,,,,B\xe4der", "note", "is not UTF-8"},
		{"line break in a name", "2026-01-05,\"tank\n1\",level,,58.0,L,,", "bath", "has a line break"},
		{"too few columns", "2026-01-05,tank-1,level,,58.0,L,", "", "7 columns where 8 or 13 are wanted"},
		{"decimal comma unquoted", "2026-01-05,tank-1,level,,58,0,L,0,3,", "", "10 columns where 8 or 13 are wanted; a text or number with a separator in it needs double quotes"},
		{"too many columns", "2026-01-05,tank-1,level,,58.0,L,,,,,,,,x", "", "14 columns where"},
		{"text after quote", `2026-01-05,"tank"-1,level,,58.0,L,,`, "", "text follows a closing quote"},
		{"id wrong", "2026-01-05,tank-1,level,,58.0,L,,,7,,,,", "id", `"7" is not an id`},
		{"id in braces", "2026-01-05,tank-1,level,,58.0,L,,,{" + id + "},,,,", "id", "is not an id"},
		{"entered wrong", "2026-01-05,tank-1,level,,58.0,L,,," + id + ",soon,,,", "entered", "is not a time"},
		{"hash wrong", "2026-01-05,tank-1,level,,58.0,L,,," + id + ",,,,beef", "hash", "is not 64 hexadecimal digits"},
		{"more no object", "2026-01-05,tank-1,level,,58.0,L,,," + id + ",,,[1],", "more", "not one JSON object"},
		{"more cut off", `2026-01-05,tank-1,level,,58.0,L,,,` + id + `,,,"{""height_cm"":31",`, "more", "not one JSON object"},
		{"more with text for a number", `2026-01-05,tank-1,level,,58.0,L,,,` + id + `,,,"{""height_cm"":""31""}",`, "more", "height_cm: a number without quotes is wanted"},
		{"more with a key twice", `2026-01-05,tank-1,level,,58.0,L,,,` + id + `,,,"{""height_cm"":31,""height_cm"":32}",`, "more", "height_cm stands there twice"},
		{"weighed as a concentration", `2026-01-05,tank-1,fill,,60,L,,,` + id + `,,,"{""weighed"":{""salt"":{""value"":50,""unit"":""g/L""}}}",`, "more", `weighed of "salt": "50 g/L" is a concentration by mass`},
		{"weighed without a value", `2026-01-05,tank-1,fill,,60,L,,,` + id + `,,,"{""weighed"":{""salt"":{""unit"":""g""}}}",`, "more", "leave the material out"},
		{"advice by number", `2026-01-05,tank-1,add,brightener,12,mL,,,` + id + `,,,"{""advice"":""12""}",`, "more", "advice \"12\" is not an id"},
		{"advice of nobody", `2026-01-05,tank-1,bail,,1.5,L,,,` + id + `,,,"{""advice"":""00000000-0000-0000-0000-000000000000""}",`, "more", "names nothing"},
		{"burette negative", `2026-01-05,tank-1,assay,copper,50,g/L,,,` + id + `,,,"{""delivered_mL"":[16.35,-1]}",`, "more", "delivered_mL -1 is below zero"},
		{"composition in litres", `2026-01-05,tank-1,fill,,60,L,,,` + id + `,,,"{""composition"":{""copper"":{""value"":50,""unit"":""L""}}}",`, "more", `composition of "copper": "50 L" is a volume`},
		{"unknown escape", `2026-01-05,tank-1,note,,,,,C:\temp,` + id + `,,,,`, "note", "a backslash is followed by"},
	} {
		t.Run(c.name, func(t *testing.T) {
			good := "2026-01-06,tank-1,level,,58.0,L,,\n"
			r := NewReader(strings.NewReader(strings.Join(Columns()[:Short], ",")+"\n"+c.row+"\n"+good), nil)
			e, err := r.Read()
			require.Equal(t, Entry{}, e)
			var bad *RowError
			require.ErrorAs(t, err, &bad)
			require.Equal(t, 2, bad.Line)
			require.Equal(t, c.column, bad.Column)
			require.Contains(t, bad.Why, c.want)
			require.NotContains(t, err.Error(), "\n")
			require.False(t, strings.HasSuffix(err.Error(), "."), err)
			require.Less(t, len(err.Error()), 500)
			e, err = r.Read()
			require.NoError(t, err)
			require.Equal(t, strings.Count(c.row, "\n")+3, e.Line)
			_, err = r.Read()
			require.Equal(t, io.EOF, err)
		})
	}
}

func TestReadRefusedFiles(t *testing.T) {
	row := "2026-01-05,tank-1,level,,58.0,L,,\n"
	for _, c := range []struct{ name, text, want string }{
		{"header in another order", "bath,time,kind,subject,value,unit,u,note\n" + row, `line 1, column time: the header has "bath" where time belongs`},
		{"header too short", "time,bath,kind\n" + row, "line 1: the header has 3 columns"},
		{"header of another table", "date,item,price\n" + row, `line 1, column time: the header has "date"`},
		{"tabs", strings.ReplaceAll(row, ",", "\t"), "separated by tabs"},
		{"UTF-16", "\xff\xfe2\x000\x00", "not UTF-8"},
		{"an archive", "PK\x03\x04\x00\x00", `line 1, column time: the header has "PK`},
		{"zeros", "\x00\x00\x00\x00", "not UTF-8"},
		{"carriage returns alone", "time,bath,kind,subject,value,unit,u,note\r" + row, "carriage return alone"},
		{"prose", "Dear all\nthe bath is fine\n", `column time: the header has "Dear all"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := NewReader(strings.NewReader(c.text), nil)
			_, err := r.Read()
			require.ErrorContains(t, err, c.want)
			_, err = r.Read()
			require.Equal(t, io.EOF, err)
		})
	}
	for _, text := range []string{"", "\ufeff", "\n\n", "time,bath,kind,subject,value,unit,u,note\n", ",,,,,,,\n"} {
		require.Empty(t, readAll(t, strings.NewReader(text), nil), "%q holds no row and no fault", text)
	}
}

func TestReadDecimalMarks(t *testing.T) {
	const point, comma = "2026-01-05;tank-1;weigh;slab-a;1.250;kg;;\n", "2026-01-05;tank-1;level;;58,5;L;;\n"
	e := readAll(t, strings.NewReader(point), nil)
	require.Equal(t, "1.250", e[0].Row.Value, "alone, a point is a point")
	for name, text := range map[string]string{"point first": point + comma, "comma first": comma + point} {
		r := NewReader(strings.NewReader(text), nil)
		_, err := r.Read()
		require.NoError(t, err, name)
		_, err = r.Read()
		require.ErrorContains(t, err, "line 2, column value", name)
		require.ErrorContains(t, err, "use one mark throughout", name)
	}
}

// A stray quote must not swallow the rows after it.
func TestReadStrayQuote(t *testing.T) {
	var text strings.Builder
	text.WriteString("2026-01-05,tank-1,note,,,,,\"it never closes\n")
	for range 40_000 {
		text.WriteString("2026-01-06,tank-1,level,,58.0,L,,\n")
	}
	r := NewReader(strings.NewReader(text.String()), nil)
	_, err := r.Read()
	require.ErrorContains(t, err, "line 1: a quote in it never closes")
	n := 0
	for e, err := range r.All() {
		require.NoError(t, err)
		n++
		require.Equal(t, n+1, e.Line)
	}
	require.Equal(t, 40_000, n)
}

// repeat gives text over and over until limit bytes are read.
type repeat struct {
	text  string
	at    int
	limit int
}

func (r *repeat) Read(b []byte) (int, error) {
	if r.limit <= 0 {
		return 0, io.EOF
	}
	n := 0
	for n < len(b) && n < r.limit {
		k := copy(b[n:min(len(b), r.limit)], r.text[r.at:])
		n, r.at = n+k, (r.at+k)%len(r.text)
	}
	r.limit -= n
	return n, nil
}

func TestReadConstantMemory(t *testing.T) {
	const size = 8 << 20
	t.Run("many rows", func(t *testing.T) {
		r := NewReader(&repeat{text: "2026-01-06,tank-1,note,,,,,\"a, b\"\n", limit: size}, nil)
		for _, err := range r.All() {
			var bad *RowError // the last row is cut off by the limit
			if err != nil {
				require.ErrorAs(t, err, &bad)
			}
		}
		require.LessOrEqual(t, len(r.buf), 64<<10)
	})
	for name, text := range map[string]string{"a line without end": "x", "a quote without end": strings.Repeat("x", 99) + "\n"} {
		t.Run(name, func(t *testing.T) {
			head := "time,bath,kind,subject,value,unit,u,note\n2026-01-06,tank-1,note,,,,,\""
			r := NewReader(io.MultiReader(strings.NewReader(head), &repeat{text: text, limit: size / 2}), nil)
			_, err := r.Read()
			var bad *RowError
			require.ErrorAs(t, err, &bad)
			require.Equal(t, 2, bad.Line)
			for range r.All() {
			}
			require.LessOrEqual(t, len(r.buf), 4*MaxRow)
		})
	}
	t.Run("nothing but commas", func(t *testing.T) {
		r := NewReader(io.MultiReader(strings.NewReader("1"), &repeat{text: ",", limit: MaxRow - 2}, strings.NewReader("1")), nil)
		_, err := r.Read()
		require.ErrorContains(t, err, "101 columns where 8 or 13 are wanted")
		require.LessOrEqual(t, cap(r.fields), 2*maxFields)
	})
}

func TestReadRowOfGreatestLength(t *testing.T) {
	head := "2026-01-06,tank-1,note,,,,,"
	fits := strings.Repeat("x", MaxText-len("tank-1"))
	require.Len(t, readAll(t, strings.NewReader(head+fits+"\n"), nil), 1)
	_, err := NewReader(strings.NewReader(head+fits+"x\n"), nil).Read()
	require.ErrorContains(t, err, "shorten them")
	_, err = NewReader(strings.NewReader(head+strings.Repeat("x", MaxRow)+"\n"), nil).Read()
	require.ErrorContains(t, err, "longer than 1048576 bytes")
	_, err = NewReader(strings.NewReader(head+`"`+strings.Repeat("x\n", MaxRow/2)+"\"\n"), nil).Read()
	require.ErrorContains(t, err, "line 1: ")
}

func TestReadPassesOnTheSourcesError(t *testing.T) {
	broken := errors.New("the disk is gone")
	r := NewReader(io.MultiReader(strings.NewReader("2026-01-06,tank-1,level,,58.0,L,,\n2026"), iotest.ErrReader(broken)), nil)
	_, err := r.Read()
	require.NoError(t, err)
	for range 2 {
		_, err = r.Read()
		require.ErrorIs(t, err, broken)
		require.ErrorContains(t, err, "line 2")
	}
	n := 0
	for _, err := range r.All() {
		require.ErrorIs(t, err, broken)
		n++
	}
	require.Equal(t, 1, n)
}

func TestHandEscapes(t *testing.T) {
	for text, want := range map[string]string{
		`one\ntwo`:    "one\ntwo",
		`back\\slash`: `back\slash`,
		`C:\temp`:     `C:\temp`,
		`ends with \`: `ends with \`,
	} {
		e := readAll(t, strings.NewReader("2026-01-05,tank-1,note,,,,,"+text+"\n"), nil)
		require.Equal(t, want, e[0].Row.Note)
	}
	// A name with a backslash must come through Writer and Reader the same.
	e := readAll(t, strings.NewReader(`2026-01-05,tank\1,add,bright\ener,12,mL,,`+"\n"), nil)
	require.Equal(t, `tank\1`, e[0].Row.Bath)
	require.Equal(t, `bright\ener`, e[0].Row.Subject)
	again := readAll(t, bytes.NewReader(write(t, []Row{e[0].Row})), nil)
	require.Equal(t, e[0].Row, again[0].Row)
}

func TestWordsBecomeKeys(t *testing.T) {
	for _, c := range []struct{ row, note, more string }{
		{"plate,,22.5,Ah,,hours=4 area_dm2=5.5", "", `{"hours":4,"area_dm2":5.5}`},
		{"plate,,22.5,Ah,,area_dm2=5.50   hours=4  and text hours=9", "and text hours=9", `{"hours":4,"area_dm2":5.50}`},
		{"plate,,22.5,Ah,,text first hours=4", "text first hours=4", ""},
		{"plate,,22.5,Ah,,x=4 hours=4", "x=4 hours=4", ""},
		{`plate,,22.5,Ah,,"hours=4,5"`, "", `{"hours":4.5}`},
		{`hang,basket-1,,,,form=inert bag="poly propylene"`, "", `{"form":"inert","bag":"poly propylene"}`},
		{"assay,copper,50,g/L,,returned=yes lot=E7", "", `{"lot":"E7","returned":true}`},
		{"assay,copper,50,g/L,,returned=no", "", ""},
		{"meter,rectifier,120,Ah,,reset=true new battery", "new battery", `{"reset":true}`},
		{"fill,,60,L,,from=running", "", `{"from":"running"}`},
	} {
		e := readAll(t, strings.NewReader("2026-01-05,tank-1,"+c.row+"\n"), nil)
		require.Equal(t, c.note, e[0].Row.Note, c.row)
		require.Equal(t, c.more, e[0].Row.More, c.row)
	}
}
