package reports

import (
	"bytes"
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"

	"steadybath/chem"
)

// Text of people's goes through Plain, clip, cut and wrap before it stands on a
// terminal: nothing that one obeys gets through, and no line is too long but for
// one word that is.
func FuzzPlainText(f *testing.F) {
	for _, s := range []string{"tank-1", "a pit on the lower edge, bag of slab-b torn", "\x1b[2J\x1b]0;x\x07", "\u009b31m", "a\r\n\tb\x00", "\xc2", "\u202e8.25\u2066", "Kupferbad äöü 銅", strings.Repeat("word ", 60), "\u2028\u2029\u0085"} {
		f.Add(s, uint8(20))
		f.Add(s, uint8(80))
	}
	f.Fuzz(func(t *testing.T, s string, n uint8) {
		most := max(int(n), 2)
		plain := Plain(s)
		require.True(t, utf8.ValidString(plain))
		require.Equal(t, utf8.RuneCountInString(s), utf8.RuneCountInString(plain), "a character stays one")
		for _, r := range plain {
			require.False(t, unicode.IsControl(r) || unicode.In(r, unicode.Zl, unicode.Zp) || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069, "%U in %q", r, plain)
		}
		require.Equal(t, plain, Plain(plain))
		for _, short := range []string{clip(plain, most), cut(s, most)} {
			require.LessOrEqual(t, utf8.RuneCountInString(short), most)
			if utf8.RuneCountInString(plain) <= most {
				require.Equal(t, plain, short)
			} else {
				require.True(t, strings.HasSuffix(short, "…"))
				require.True(t, strings.HasPrefix(plain, strings.TrimSuffix(short, "…")))
			}
		}
		wrapped := wrap(plain, most, "    ")
		require.Equal(t, strings.Fields(plain), strings.Fields(wrapped), "no word is lost")
		for i, line := range strings.Split(wrapped, "\n") {
			if i > 0 {
				require.True(t, strings.HasPrefix(line, "    "))
				line = line[4:]
			}
			require.True(t, utf8.RuneCountInString(line) <= most || len(strings.Fields(line)) == 1, "%q", line)
		}
	})
}

// Figures in sentences, turned into the other system: what is no figure stays,
// and no figure becomes something else than one.
func FuzzUnitWords(f *testing.F) {
	for _, s := range []string{"copper is 46 to 54 g/L", "add 12 mL of brightener; 250 g", "a drift of 0.3 ± 0.1 L per day", "sulfuric acid 35 %", "23.5 degC, not 30 degC.", "-0.5 L", "1.25 kg of 5.5 dm2", "0 L", "0.00000001 L", "99999999999999999999999999 L"} {
		f.Add(s, 58.2)
	}
	units := []chem.Unit{"L", "mL", "g", "kg", "g/L", "degC", "dm2", "A/dm2", "um", "Ah"}
	f.Fuzz(func(t *testing.T, s string, x float64) {
		require.Equal(t, s, Metric.Words(s))
		us := US.Words(s)
		require.NotRegexp(t, `NaN|Inf`, strings.ReplaceAll(strings.ReplaceAll(us, "NaN", ""), "Inf", ""))
		if !strings.ContainsAny(s, "0123456789") {
			require.Equal(t, s, us)
		}
		if s != "" && quantityWords.MatchString(s) {
			require.Equal(t, s, US.Words(s, s), "a name stays as it is")
		}
		if math.IsNaN(x) || math.IsInf(x, 0) || math.Abs(x) > 1e30 {
			return
		}
		for _, u := range units {
			require.Equal(t, x, first(Metric.Show(x, u)))
			for _, sys := range []Units{Metric, US} {
				text := sys.amount(x, u)
				require.NotRegexp(t, notFinite, text)
				require.True(t, utf8.ValidString(text))
				require.NotRegexp(t, notFinite, sys.plusMinus(x, math.Abs(x)/100, u))
			}
		}
	})
}

func first[A, B any](a A, _ B) A { return a }

// The page and the index with any text in every place that takes text, and any
// numbers in the panels: refused whole where a number is none, or one document of
// valid UTF-8 with the same elements that any other text gives: no script but
// ours, and the text where it was put.
func FuzzPage(f *testing.F) {
	f.Add("tank-1", 50.0, 1.5, int64(0))
	f.Add(hostile, 0.0, 0.0, int64(3600))
	f.Add("</title></style></textarea><svg onload=x>", math.NaN(), 1.0, int64(1))
	f.Add("\xff\xfe\x00\u2028]]>", 1e300, 1e-300, int64(-1<<40))
	f.Add("{{.Bath}} ${x} `", math.Inf(1), -1.0, int64(1<<40))
	f.Add("javascript:alert(1)", 1e15, 1e15, int64(86400))
	f.Add("", -1e-9, 4.9e-324, int64(7))
	elements := func(t *testing.T, text string) map[string]int {
		root, err := html.Parse(strings.NewReader(text))
		require.NoError(t, err)
		count := map[string]int{}
		d := parsed{t, root, text}
		for _, n := range d.all(func(*html.Node) bool { return true }) {
			count[n.Data]++
			for _, a := range n.Attr {
				require.False(t, strings.HasPrefix(a.Key, "on"), a.Key)
			}
		}
		for _, s := range d.classed("chart-data") {
			require.True(t, json.Valid([]byte(textOf(s))))
		}
		return count
	}
	var plain map[string]int
	f.Fuzz(func(t *testing.T, text string, value, spread float64, seconds int64) {
		build := func(text string) (string, error) {
			p := hostilePage()
			p.Panels = p.Panels[:2]
			fill(&p, text)
			var b bytes.Buffer
			err := writePage(&b, p, "var ours")
			return b.String(), err
		}
		if plain == nil {
			page, err := build("tank")
			require.NoError(t, err)
			plain = elements(t, page)
		}
		page, err := build(text)
		require.NoError(t, err)
		require.True(t, utf8.ValidString(page))
		got := elements(t, page)
		require.Equal(t, plain["script"], got["script"])
		if strings.TrimSpace(text) != "" {
			require.Equal(t, plain, got)
		}
		if bath := []string{strings.ToValidUTF8(text, "\ufffd")}[0]; strings.TrimSpace(bath) != "" && !strings.ContainsAny(bath, "\r\x00\f") {
			require.Contains(t, textOf(parseText(t, page).root), bath)
		}

		p := examplePage(3, 1)
		at := p.Made.Add(time.Duration(seconds%(1<<33)) * time.Second)
		v := &p.Panels[0]
		v.Estimate = append(v.Estimate, Point{p.Made.AddDate(400, 0, 0), value, value - math.Abs(spread), value + math.Abs(spread)})
		v.Readings = append(v.Readings, Reading{Time: at, Value: value, U: spread, State: ReadingHeld, Label: text})
		v.Marks = append(v.Marks, Mark{Time: at, Kind: text, Text: text})
		var b bytes.Buffer
		if err := writePage(&b, p, "var ours"); err != nil {
			require.Zero(t, b.Len(), "half a page was written")
			return
		}
		require.True(t, utf8.ValidString(b.String()))
		require.NotRegexp(t, notFinite, strings.ReplaceAll(textOf(parseText(t, b.String()).tags("body")[0]), text, ""))
		elements(t, b.String())

		b.Reset()
		require.NoError(t, WriteIndex(&b, indexWith(text)))
		require.True(t, utf8.ValidString(b.String()))
		require.Zero(t, elements(t, b.String())["script"])
	})
}

// fill puts a text into every place of a page that takes text.
func fill(p *Page, text string) {
	p.Bath, p.Title, p.Head = text, text, text
	p.Due = []DueLine{{text, text, DueNow}}
	p.Cautions, p.How = []string{text}, []string{text}
	for i := range p.Panels {
		v := &p.Panels[i]
		v.Name, v.Unit, v.Noun, v.Leaves = text, text, text, text
		for j := range v.Readings {
			v.Readings[j].Label = text
		}
		for j := range v.Marks {
			v.Marks[j].Text, v.Marks[j].Kind = text, text
		}
	}
	p.Sheets = []Sheet{{Name: text, Lead: text, Head: []string{text, text}, Rows: [][]string{{text, text}}, Notes: []string{text}}}
	p.Basis = p.Sheets
	for i := range p.Log {
		p.Log[i].Kind, p.Log[i].Text, p.Log[i].By = text, text, text
	}
}

// The calendar with any text in the names: what another library reads of it is
// what was put in, and nothing of the text becomes a line of its own.
func FuzzCalendar(f *testing.F) {
	for _, s := range []string{"tank-1", "a\r\nATTENDEE:x;,", "b\nEND:VEVENT\nEND:VCALENDAR", `c\n;,:"`, "d\xff\xfe", strings.Repeat("銅", 90), "\u0085x\u2028", ""} {
		f.Add(s, int64(1795390272))
	}
	f.Fuzz(func(t *testing.T, name string, unix int64) {
		made := time.Unix(unix, 0).UTC()
		if made.Year() < 1970 || made.Year() > 9999 {
			return
		}
		in := fullAhead(name)
		in.Forecast.Anodes[0].ID, in.Forecast.Anodes[0].Reason = name, name
		_, events := calendarOf(t, made, in)
		require.Len(t, events, 10)
		for _, e := range events {
			require.Nil(t, e.Props.Get("ATTENDEE"))
			require.True(t, strings.HasPrefix(textOfEvent(t, e, "SUMMARY"), strings.TrimSpace(Plain(name))+": "))
		}
	})
}
