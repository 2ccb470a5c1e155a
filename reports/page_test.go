package reports

import (
	"bytes"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"math"
	"math/rand"
	"regexp"
	"sort"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"

	"steadybath/reports/echarts"
)

// parsed is a page as a browser's parser sees it.
type parsed struct {
	t    *testing.T
	root *html.Node
	text string
}

func parsePage(t *testing.T, p Page) parsed {
	t.Helper()
	var page bytes.Buffer
	require.NoError(t, WritePage(&page, p))
	return parseText(t, page.String())
}

func parseText(t *testing.T, text string) parsed {
	t.Helper()
	root, err := html.Parse(strings.NewReader(text))
	require.NoError(t, err)
	return parsed{t, root, text}
}

// all gives the elements that a test accepts, in the order of the page.
func (d parsed) all(accept func(n *html.Node) bool) (found []*html.Node) {
	var walk func(n *html.Node)
	walk = func(n *html.Node) {
		if n.Type == html.ElementNode && accept(n) {
			found = append(found, n)
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c)
		}
	}
	walk(d.root)
	return found
}

func (d parsed) tags(name string) []*html.Node {
	return d.all(func(n *html.Node) bool { return n.Data == name })
}

func (d parsed) classed(name string) []*html.Node {
	return d.all(func(n *html.Node) bool {
		for _, c := range strings.Fields(attr(n, "class")) {
			if c == name {
				return true
			}
		}
		return false
	})
}

func attr(n *html.Node, name string) string {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val
		}
	}
	return ""
}

func textOf(n *html.Node) string {
	if n.Type == html.TextNode {
		return n.Data
	}
	var b strings.Builder
	for c := n.FirstChild; c != nil; c = c.NextSibling {
		b.WriteString(textOf(c))
	}
	return b.String()
}

// liveData is a chart's data as page.js reads it, and as it fills it in: the columns of what is sent laid out as the chart
// library wants them.
type liveData struct {
	Name, Unit, Noun         string
	Decimals                 int
	Now                      int64
	Past, Ahead              *lineColumns
	Readings                 []readingColumns
	Marks                    []markColumns
	Bars                     *barColumns
	Floor, Top, Lane, Factor float64
	Facts                    [][2]any
	Option                   struct {
		Dataset []struct{ Source [][4]float64 }
		XAxis   []struct{ Min, Max float64 }
		YAxis   []struct{ Min, Max, Interval float64 }
		Series  []liveSeries
	}
}

type liveSeries struct {
	Name, Type, Stack, StackStrategy string
	Data                             [][]any
	MarkLine                         struct {
		Data []struct {
			YAxis *float64
			XAxis int64
		}
	}
	MarkArea struct {
		Data [][]struct{ YAxis *float64 }
	}
}

func (d parsed) charts() (charts []liveData) {
	d.t.Helper()
	for _, s := range d.classed("chart-data") {
		var c liveData
		require.NoError(d.t, json.Unmarshal([]byte(textOf(s)), &c))
		c.fill(d.t)
		charts = append(charts, c)
	}
	return charts
}

func numbersOf(t *testing.T, c column) (out []float64) {
	for _, cell := range strings.Fields(string(c)) {
		x, err := strconv.ParseFloat(cell, 64)
		require.NoError(t, err)
		out = append(out, x)
	}
	return out
}

func timesOf(t *testing.T, c column) (out []float64) {
	sum := 0.0
	for _, step := range numbersOf(t, c) {
		sum += step
		out = append(out, sum*1000)
	}
	return out
}

func (c *liveData) fill(t *testing.T) {
	series := map[string]*liveSeries{}
	for i := range c.Option.Series {
		series[c.Option.Series[i].Name] = &c.Option.Series[i]
	}
	for _, columns := range []*lineColumns{c.Past, c.Ahead} {
		var rows struct{ Source [][4]float64 }
		if columns != nil {
			times, value, low, width := timesOf(t, columns.T), numbersOf(t, columns.Value), numbersOf(t, columns.Low), numbersOf(t, columns.Width)
			for i := range times {
				rows.Source = append(rows.Source, [4]float64{times[i], value[i], low[i], width[i]})
			}
		}
		c.Option.Dataset = append(c.Option.Dataset, rows)
	}
	onPicture := func(y float64) float64 { return min(max(y, c.Floor), c.Top) }
	for _, r := range c.Readings {
		times, values, us := timesOf(t, r.T), strings.Fields(string(r.Value)), strings.Fields(string(r.U))
		require.Len(t, values, len(times))
		require.Len(t, us, len(times))
		bars := series[r.State+barsOf]
		for i, at := range times {
			y, err := strconv.ParseFloat(values[i], 64)
			require.NoError(t, err)
			series[r.State].Data = append(series[r.State].Data, []any{at, onPicture(y)})
			text := c.Noun + " " + values[i] + " " + c.Unit
			if us[i] != "-" {
				u, err := strconv.ParseFloat(us[i], 64)
				require.NoError(t, err)
				bars.Data = append(bars.Data, []any{at, onPicture(y - c.Factor*u)}, []any{at, onPicture(y + c.Factor*u)}, []any{at, nil})
				text += ", u " + us[i]
			}
			if note := r.Notes[strconv.Itoa(i)]; note != "" {
				text += " (" + note + ")"
			}
			c.Facts = append(c.Facts, [2]any{at, text})
		}
	}
	for _, m := range c.Marks {
		places := numbersOf(t, m.Text)
		for i, at := range timesOf(t, m.T) {
			series[m.Shape].Data = append(series[m.Shape].Data, []any{at, c.Lane})
			c.Facts = append(c.Facts, [2]any{at, m.Texts[int(places[i])]})
		}
	}
	if c.Bars != nil {
		sum, ah, width := 0.0, numbersOf(t, c.Bars.Ah), float64(c.Bars.Days)*24*3600*1000
		for i, at := range timesOf(t, c.Bars.T) {
			series["charge"].Data = append(series["charge"].Data, []any{at + width/2, ah[i]})
			sum += ah[i]
			series["sum"].Data = append(series["sum"].Data, []any{at + width, sum})
		}
	}
	sort.SliceStable(c.Facts, func(i, j int) bool { return c.Facts[i][0].(float64) < c.Facts[j][0].(float64) })
}

func TestPageAnswersWhatIsDueFirst(t *testing.T) {
	p := examplePage(180, 1)
	d := parsePage(t, p)
	var names []string
	for _, s := range d.tags("section") {
		names = append(names, attr(s, "id"))
	}
	require.Equal(t, []string{"today", "now", "course", "metal", "figures", "log", "how"}, names)

	due := d.classed("due")
	require.Len(t, due, 1)
	text := textOf(due[0])
	// What is due now comes before what is due soon, whatever order it was given in, and each with its reason.
	require.Less(t, strings.Index(text, "Top up 1.6 L"), strings.Index(text, "Titrate chloride"))
	require.Less(t, strings.Index(text, "Titrate chloride"), strings.Index(text, "Weigh anode"))
	for _, line := range p.Due {
		require.Contains(t, text, line.What)
		require.Contains(t, text, line.Why)
	}
	for _, c := range p.Cautions {
		require.Contains(t, textOf(d.classed("cautions")[0]), c)
	}
	require.Contains(t, textOf(d.classed("cautions")[0]), "local codes and licensed practice")
	require.Contains(t, textOf(d.classed("made")[0]), "2026-03-02 18:05, clock of Europe/Vienna")
}

func TestPageOfABathOfWhichNothingIsKnown(t *testing.T) {
	d := parsePage(t, Page{Bath: "new", Made: time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)})
	require.Contains(t, d.text, "Nothing is due.")
	require.Contains(t, d.text, "Nothing is written down yet.")
	d = parsePage(t, Page{Bath: "new", Made: time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC),
		Panels: []Panel{{Name: "copper", Unit: "g/L", Low: math.NaN(), Target: math.NaN(), High: math.NaN()}}})
	require.Contains(t, d.text, "There is no estimate in the span shown. No titration yet.")
}

// The policy names exactly the scripts that stand in the page, by their SHA-256 (W3C Content Security Policy Level 3, 2.3.1
// and 6.7.3), and no element or style refers to anything outside the file.
func TestPageAsksNoNetwork(t *testing.T) {
	for name, p := range map[string]Page{"example": examplePage(180, 1), "hostile": hostilePage()} {
		d := parsePage(t, p)
		var policy string
		for _, m := range d.tags("meta") {
			if attr(m, "http-equiv") == "Content-Security-Policy" {
				policy = attr(m, "content")
			}
			require.NotEqual(t, "refresh", strings.ToLower(attr(m, "http-equiv")))
		}
		require.Contains(t, policy, "default-src 'none'")
		require.Equal(t, 1, strings.Count(policy, "unsafe"), "only styles may be inline without a hash")
		require.Contains(t, policy, "style-src 'unsafe-inline'")

		var run []string
		for _, s := range d.tags("script") {
			require.Empty(t, attr(s, "src"))
			if attr(s, "type") == "application/json" {
				continue
			}
			require.Empty(t, attr(s, "type"))
			sum := sha256.Sum256([]byte(textOf(s)))
			run = append(run, "'sha256-"+base64.StdEncoding.EncodeToString(sum[:])+"'")
		}
		require.Len(t, run, 2, name)
		require.Contains(t, policy, "script-src "+strings.Join(run, " ")+";")

		address := regexp.MustCompile(`(?i)^\s*([a-z][a-z0-9+.-]*:|//)`)
		for _, n := range d.all(func(*html.Node) bool { return true }) {
			require.NotContains(t, []string{"link", "img", "image", "iframe", "object", "embed", "audio", "video", "source", "form", "base", "foreignobject"},
				strings.ToLower(n.Data), name)
			for _, a := range n.Attr {
				require.False(t, strings.HasPrefix(strings.ToLower(a.Key), "on"), "a handler: %s", a.Key)
				switch a.Key {
				case "href", "src", "srcset", "action", "data", "poster", "formaction", "xlink:href", "background", "ping":
					require.True(t, strings.HasPrefix(a.Val, "#"), "%s=%q", a.Key, a.Val)
				case "style":
					require.NotContains(t, a.Val, "url(")
				default:
					require.NotRegexp(t, address, a.Val, a.Key)
				}
			}
		}
		for _, s := range d.tags("style") {
			require.NotContains(t, textOf(s), "url(")
			require.NotContains(t, textOf(s), "@import")
		}
		require.NotContains(t, pageJS, "://")
		require.NotRegexp(t, regexp.MustCompile(`innerHTML|insertAdjacent|document\.write|eval\(|new Function|fetch\(|XMLHttp|import\(`), pageJS)
	}
}

// Every hostile text arrives as the text it is, and the page has the same elements as a harmless one.
func TestPageShowsHostileTextAsText(t *testing.T) {
	hostilePageParsed := parsePage(t, hostilePage())
	require.Equal(t, hostile, textOf(hostilePageParsed.tags("h1")[0]))
	require.Contains(t, textOf(hostilePageParsed.tags("title")[0]), hostile)
	require.Contains(t, textOf(hostilePageParsed.classed("head")[0]), hostile)
	for _, c := range hostilePageParsed.charts()[:6] {
		require.Equal(t, hostile, c.Name)
		require.Equal(t, hostile, c.Unit)
		for _, f := range c.Facts {
			require.Contains(t, f[1], hostile)
		}
	}
	require.NotEmpty(t, hostilePageParsed.charts()[0].Facts)
	tame := hostilePage()
	tame.Bath, tame.Title, tame.Head = "a", "a", "a"
	tame.Due[0].What, tame.Due[0].Why, tame.Cautions[0], tame.How[0] = "a", "a", "a", "a"
	for i := range tame.Panels {
		tame.Panels[i].Name, tame.Panels[i].Unit, tame.Panels[i].Noun = "a", "a", "a"
		for j := range tame.Panels[i].Readings {
			tame.Panels[i].Readings[j].Label = "a"
		}
		for j := range tame.Panels[i].Marks {
			tame.Panels[i].Marks[j].Kind, tame.Panels[i].Marks[j].Text = "a", "a"
		}
	}
	for i := range tame.Log {
		tame.Log[i].Kind, tame.Log[i].Text, tame.Log[i].By = "a", "a", "a"
	}
	shape := func(d parsed) (names []string) {
		for _, n := range d.all(func(*html.Node) bool { return true }) {
			names = append(names, n.Data)
		}
		return names
	}
	require.Equal(t, shape(parsePage(t, tame)), shape(hostilePageParsed))
	// The two separators that once ended a line of JavaScript never stand in a script as they are.
	for _, s := range hostilePageParsed.classed("chart-data") {
		require.NotContains(t, textOf(s), "\u2028")
		require.NotContains(t, textOf(s), "<")
	}
}

// wallOf is what a clock on the bath's wall shows, taken the other way round than the page does: by printing and parsing.
func wallOf(t *testing.T, at time.Time, zone *time.Location) float64 {
	wall, err := time.Parse("2006-01-02T15:04:05.000", at.In(zone).Format("2006-01-02T15:04:05.000"))
	require.NoError(t, err)
	return float64(wall.UnixMilli())
}

func TestPageSeriesEqualTheInput(t *testing.T) {
	p := examplePage(180, 3)
	charts := parsePage(t, p).charts()
	require.Len(t, charts, len(p.Panels)+1)
	for i, panel := range p.Panels {
		c := charts[i]
		require.Equal(t, panel.Name, c.Name)
		require.Equal(t, panel.Unit, c.Unit)
		require.Equal(t, wallOf(t, p.From, p.Zone), c.Option.XAxis[0].Min)
		require.Equal(t, wallOf(t, p.To, p.Zone), c.Option.XAxis[0].Max)
		require.Len(t, c.Option.Dataset[0].Source, len(panel.Estimate))
		for j, e := range panel.Estimate {
			row := c.Option.Dataset[0].Source[j]
			require.Equal(t, wallOf(t, e.Time, p.Zone), row[0])
			require.InEpsilon(t, e.Value, row[1], 1e-5)
			require.InDelta(t, e.Low90, row[2], 1e-5*math.Abs(e.Low90)+1e-12)
			require.InDelta(t, e.High90, row[2]+row[3], 1e-5*(math.Abs(e.High90)+math.Abs(e.Low90)))
		}
		var coming []Point
		for _, e := range panel.Fan {
			if !e.Time.After(p.To) {
				coming = append(coming, e)
			}
		}
		require.Len(t, c.Option.Dataset[1].Source, len(coming))
		for j, e := range coming {
			row := c.Option.Dataset[1].Source[j]
			require.Equal(t, wallOf(t, e.Time, p.Zone), row[0])
			require.InDelta(t, e.Value, row[1], 1e-5*math.Abs(e.Value)+1e-12)
			require.InDelta(t, e.Low90, row[2], 1e-5*math.Abs(e.Low90)+1e-12)
			require.InDelta(t, e.High90, row[2]+row[3], 1e-5*(math.Abs(e.High90)+math.Abs(e.Low90)))
		}
		require.Equal(t, wallOf(t, p.Made, p.Zone), float64(c.Now))
		drawn := map[string]int{}
		for _, s := range c.Option.Series {
			switch {
			case s.Type == "scatter":
				drawn[s.Name] += len(s.Data)
			case strings.HasSuffix(s.Name, barsOf):
				state := strings.TrimSuffix(s.Name, barsOf)
				for k := 0; k < len(s.Data); k += 3 {
					low, high := s.Data[k], s.Data[k+1]
					require.Equal(t, low[0], high[0])
					require.Nil(t, s.Data[k+2][1], "a bar must end before the next begins")
					found := false
					for _, r := range panel.Readings {
						if r.State == state && wallOf(t, r.Time, p.Zone) == low[0] {
							found = true
							if r.State == ReadingUsed {
								// Value and u are sent as they are shown, with two digits of u.
								require.InDelta(t, r.Value-1.645*r.U, low[1], 0.1*r.U)
								require.InDelta(t, r.Value+1.645*r.U, high[1], 0.1*r.U)
							}
						}
					}
					require.True(t, found)
				}
			case s.Name == "estimate":
				var limits []float64
				now := 0
				for _, m := range s.MarkLine.Data {
					if m.YAxis != nil {
						limits = append(limits, *m.YAxis)
					} else {
						require.Equal(t, c.Now, m.XAxis)
						now++
					}
				}
				require.Equal(t, 1, now)
				if panel.Name == "iron" {
					require.Equal(t, []float64{2}, limits)
					require.Empty(t, s.MarkArea.Data)
				} else {
					require.Equal(t, []float64{panel.Low, panel.Target, panel.High}, limits)
					require.Equal(t, panel.Low, *s.MarkArea.Data[0][0].YAxis)
					require.Equal(t, panel.High, *s.MarkArea.Data[0][1].YAxis)
				}
			case s.Stack != "":
				require.Equal(t, "all", s.StackStrategy, "a band that crosses zero would be torn")
			}
		}
		want := map[string]int{}
		for _, r := range panel.Readings {
			want[r.State]++
		}
		for _, m := range panel.Marks {
			want[markShape(m.Kind)]++
		}
		require.Equal(t, want, drawn)
		require.Len(t, c.Facts, len(panel.Readings)+len(panel.Marks))
	}
	charge := charts[len(charts)-1]
	sum, got := 0.0, 0.0
	for _, day := range p.Days {
		sum += day.Ah
	}
	for _, bar := range charge.Option.Series[0].Data {
		got += bar[1].(float64)
		// A day's bar stands over its noon.
		require.Equal(t, 12*3600*1000.0, math.Mod(bar[0].(float64), 24*3600*1000))
	}
	require.InDelta(t, sum, got, 1e-5*sum)
	require.Len(t, charge.Option.Series[0].Data, len(p.Days))
	sums := charge.Option.Series[1].Data
	require.InDelta(t, sum, sums[len(sums)-1][1], 1e-5*sum)
	for i := 1; i < len(sums); i++ {
		require.GreaterOrEqual(t, sums[i][1], sums[i-1][1])
		require.GreaterOrEqual(t, sums[i][0], sums[i-1][0])
	}
	lines := func(axis int) float64 { return charge.Option.YAxis[axis].Max / charge.Option.YAxis[axis].Interval }
	require.InDelta(t, lines(0), lines(1), 1e-9, "the two scales need the same lines")
	require.GreaterOrEqual(t, charge.Option.YAxis[1].Max, sum*0.999)
}

func TestPageShowsNothingToComeBeforeNow(t *testing.T) {
	p := examplePage(180, 1)
	p.To = p.Made.AddDate(0, 0, -30)
	for _, c := range parsePage(t, p).charts() {
		require.Zero(t, c.Now)
		if len(c.Option.Dataset) > 1 {
			require.Empty(t, c.Option.Dataset[1].Source)
		}
	}
	d := parsePage(t, p)
	require.Empty(t, d.classed("now-line"))
	require.Empty(t, d.classed("ahead"))
}

// What a sheet says stands on the page as it was given, each cell under its heading.
func TestPageShowsSheets(t *testing.T) {
	p := examplePage(40, 1)
	d := parsePage(t, p)
	sheets := d.classed("sheet")
	require.Len(t, sheets, len(p.Sheets)+len(p.Basis))
	for i, s := range append(append([]Sheet(nil), p.Sheets...), p.Basis...) {
		text := textOf(sheets[i])
		for _, want := range append(append([]string{s.Name, s.Lead}, s.Head...), s.Notes...) {
			require.Contains(t, text, want)
		}
		inside := parsed{t, sheets[i], ""}
		rows := inside.tags("tr")[1:]
		require.Len(t, rows, len(s.Rows))
		for j, row := range s.Rows {
			cells := parsed{t, rows[j], ""}.all(func(n *html.Node) bool { return n.Data == "td" || n.Data == "th" })
			for k, cell := range row {
				require.Equal(t, cell, textOf(cells[k]))
				if k > 0 {
					require.Equal(t, s.Head[k], attr(cells[k], "data-name"))
				}
			}
			if len(s.Parts) > 0 {
				bar := parsed{t, rows[j], ""}.classed("bars")
				require.Len(t, bar, 1)
				require.Equal(t, percent(s.Parts[j]), attr(bar[0], "width"))
			}
		}
	}
}

// A reading far off the picture, such as one typed ten times too large, must neither squeeze the rest nor vanish.
func TestPageKeepsReadingsOffThePicture(t *testing.T) {
	p := examplePage(180, 1)
	c := parsePage(t, p).charts()[0]
	require.Less(t, c.Option.YAxis[0].Max, 100.0)
	voids := 0
	for _, s := range c.Option.Series {
		if s.Name == ReadingVoid {
			for _, r := range s.Data {
				voids++
				require.LessOrEqual(t, r[1].(float64), c.Option.YAxis[0].Max)
			}
		}
	}
	require.Equal(t, 2, voids)
	told := 0
	for _, f := range c.Facts {
		if strings.Contains(f[1].(string), "off the picture") {
			told++
			require.Contains(t, f[1], "voided")
			require.Contains(t, f[1], "typed 10 times too large")
		}
	}
	require.Equal(t, 2, told)
}

// Without scripts the same facts stand in pictures and tables.
func TestPageStillsShowTheSame(t *testing.T) {
	p := examplePage(180, 1)
	d := parsePage(t, p)
	pictures := d.classed("picture")
	require.Len(t, pictures, len(p.Panels)+1)
	for i, panel := range p.Panels {
		counts := map[string]int{}
		picture := parsed{t, pictures[i], ""}
		for _, u := range picture.tags("use") {
			counts[strings.TrimPrefix(attr(u, "href"), "#s-")]++
		}
		want := map[string]int{}
		for _, r := range panel.Readings {
			want[r.State]++
		}
		for _, m := range panel.Marks {
			want[markShape(m.Kind)]++
		}
		require.Equal(t, want, counts, panel.Name)
		line := picture.classed("estimate")
		require.Equal(t, len(panel.Estimate), strings.Count(attr(line[0], "d"), "L")+1)
		if len(panel.Fan) == 0 {
			require.Len(t, line, 1)
		} else {
			require.Len(t, line, 2)
			require.Contains(t, attr(line[1], "class"), "fan")
			require.Len(t, picture.classed("now-line"), 1)
		}
		require.Equal(t, "img", attr(pictures[i], "role"))
		for _, ref := range []string{"aria-labelledby", "aria-describedby"} {
			id := attr(pictures[i], ref)
			named := d.all(func(n *html.Node) bool { return attr(n, "id") == id })
			require.Len(t, named, 1, id)
			require.NotEmpty(t, textOf(named[0]))
		}
		require.Contains(t, textOf(d.all(func(n *html.Node) bool { return attr(n, "id") == "panel-"+strconv.Itoa(i)+"-text" })[0]), "the estimate is")
		rows := parsed{t, d.classed("done")[i], ""}.tags("tr")
		require.Len(t, rows, 1+min(tableRows, len(panel.Readings)+len(panel.Marks)))
	}
	// A live chart can be reached with the keyboard and has a name and a text of its own.
	for _, l := range d.classed("live") {
		require.Equal(t, "0", attr(l, "tabindex"))
		require.NotEmpty(t, attr(l, "aria-labelledby"))
		require.NotEmpty(t, attr(l, "aria-describedby"))
	}
}

// A point of the still line lies where the scale says: the copper window's low edge and the first estimate, worked by hand
// from the axis that the live chart uses.
func TestPageStillAndLiveShareTheirScale(t *testing.T) {
	p := examplePage(60, 1)
	d := parsePage(t, p)
	c := d.charts()[0]
	picture := parsed{t, d.classed("picture")[0], ""}
	share := func(y float64) float64 {
		return (c.Option.YAxis[0].Max - y) / (c.Option.YAxis[0].Max - c.Option.YAxis[0].Min)
	}
	low := picture.classed("low")
	require.Len(t, low, 1)
	at, err := strconv.ParseFloat(strings.TrimSuffix(attr(low[0], "y1"), "%"), 64)
	require.NoError(t, err)
	require.InDelta(t, 100*share(46), at, 0.011)
	// Corners of a path in the inner picture, which is 1000 high.
	heights := func(class string) (ys []float64) {
		for _, corner := range strings.Split(strings.Trim(attr(picture.classed(class)[0], "d"), "Mz"), "L") {
			y, err := strconv.ParseFloat(strings.Fields(corner)[1], 64)
			require.NoError(t, err)
			ys = append(ys, y)
		}
		return ys
	}
	// The window is a box: M0 top, across, down to the bottom, back.
	box := regexp.MustCompile(`^M0 (\d+)H4000V(\d+)H0z$`).FindStringSubmatch(attr(picture.classed("window")[0], "d"))
	require.Len(t, box, 3)
	for i, y := range []float64{54, 46} {
		got, err := strconv.ParseFloat(box[1+i], 64)
		require.NoError(t, err)
		require.InDelta(t, 1000*share(y), got, 0.51)
	}
	// The band runs along its upper ends and back along its lower ones; what leaves the picture is cut at its edge.
	estimate, line, band := p.Panels[0].Estimate, heights("estimate"), heights("band")
	require.Len(t, line, len(estimate))
	require.Len(t, band, 2*len(estimate))
	floor := c.Option.YAxis[0].Min + c.Option.YAxis[0].Interval // below it is the lane of the marks
	for i, e := range estimate {
		require.InDelta(t, 1000*share(e.Value), line[i], 0.51)
		require.InDelta(t, 1000*share(min(e.High90, c.Option.YAxis[0].Max)), band[i], 0.51)
		require.InDelta(t, 1000*share(max(e.Low90, floor)), band[len(band)-1-i], 0.51)
	}
	// Signs stand at their reading and at their moment.
	var signs []*html.Node
	for _, u := range picture.tags("use") {
		if attr(u, "href") == "#s-used" {
			signs = append(signs, u)
		}
	}
	var used []Reading
	for _, r := range p.Panels[0].Readings {
		if r.State == ReadingUsed {
			used = append(used, r)
		}
	}
	require.NotEmpty(t, used)
	require.Len(t, signs, len(used))
	for i, r := range used {
		for at, want := range map[string]float64{
			"y": share(r.Value),
			"x": (wallOf(t, r.Time, p.Zone) - c.Option.XAxis[0].Min) / (c.Option.XAxis[0].Max - c.Option.XAxis[0].Min),
		} {
			got, err := strconv.ParseFloat(strings.TrimSuffix(attr(signs[i], at), "%"), 64)
			require.NoError(t, err)
			require.InDelta(t, 100*want, got, 0.006)
		}
	}
}

func TestPageWithoutTheScriptSaysHowToBuild(t *testing.T) {
	var page bytes.Buffer
	require.NoError(t, writePage(&page, examplePage(60, 1), ""))
	d := parseText(t, page.String())
	require.Empty(t, d.tags("script"))
	require.Empty(t, d.classed("live"))
	require.Len(t, d.classed("picture"), 7)
	require.Contains(t, textOf(d.classed("not-live")[0]), "Run make where npm is at hand")
	require.Contains(t, page.String(), "script-src &#39;none&#39;")
	full := parsePage(t, examplePage(60, 1))
	require.Empty(t, full.classed("not-live"))
}

func TestPageCarriesTheChartLibrarysNotices(t *testing.T) {
	script, err := echarts.Script()
	require.NoError(t, err)
	require.Contains(t, parsePage(t, examplePage(30, 1)).text, script)
}

func TestPageLogSaysHowToGetTheRest(t *testing.T) {
	p := examplePage(60, 1)
	d := parsePage(t, p)
	text := textOf(d.all(func(n *html.Node) bool { return attr(n, "id") == "log" })[0])
	require.Contains(t, text, "The newest 300 of 412 entries; steadybath history has them all.")
	require.Len(t, parsed{t, d.classed("log-table")[0], ""}.tags("tr"), 301)
	voided := d.classed("voided")
	require.NotEmpty(t, voided)
	require.Contains(t, textOf(voided[0]), "voided by")
	p.LogTotal = 0
	require.Contains(t, parsePage(t, p).text, "All 300 entries, newest first.")
}

// Dates are those of the bath's zone: at 23:30 UTC in summer it is already tomorrow in Vienna (UTC+2; IANA time zone database).
func TestPageDatesAreTheBaths(t *testing.T) {
	at := time.Date(2026, 7, 1, 23, 30, 0, 0, time.UTC)
	nan := math.NaN()
	p := Page{Bath: "a", Made: at, Zone: vienna(), From: at.Add(-48 * time.Hour), To: at.Add(time.Hour),
		Panels: []Panel{{Name: "copper", Unit: "g/L", Low: nan, Target: nan, High: nan, Readings: []Reading{{at, 50, 0.5, ReadingUsed, ""}}}}}
	d := parsePage(t, p)
	require.Contains(t, textOf(d.classed("made")[0]), "2026-07-02 01:30")
	stamp := parsed{t, d.classed("done")[0], ""}.tags("time")[0]
	require.Equal(t, "2026-07-02 01:30", textOf(stamp))
	require.Equal(t, "2026-07-01T23:30:00Z", attr(stamp, "datetime"))
	require.Equal(t, float64(time.Date(2026, 7, 2, 1, 30, 0, 0, time.UTC).UnixMilli()), d.charts()[0].Facts[0][0])
}

func TestPageShowsOnlyTheSpanAskedFor(t *testing.T) {
	p := examplePage(180, 1)
	p.From = p.To.AddDate(0, 0, -30)
	for i, c := range parsePage(t, p).charts()[:len(p.Panels)] {
		inside := 0
		for _, e := range p.Panels[i].Estimate {
			if !e.Time.Before(p.From) && !e.Time.After(p.To) {
				inside++
			}
		}
		require.Len(t, c.Option.Dataset[0].Source, inside)
		require.NotZero(t, inside)
	}
}

func TestPageRefusesWhatCannotBeDrawn(t *testing.T) {
	at := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	panel := func(change func(p *Panel)) Page {
		p := Panel{Name: "copper", Unit: "g/L", Low: 46, Target: 50, High: 54}
		change(&p)
		return Page{Bath: "a", Made: at, Panels: []Panel{p}}
	}
	for want, p := range map[string]Page{
		`panel "copper": the estimate at 2026-03-02 12:00 is NaN`: panel(func(p *Panel) { p.Estimate = []Point{{at, math.NaN(), 1, 2}} }),
		"must be finite numbers":                                  panel(func(p *Panel) { p.Estimate = []Point{{at, 1, 0, math.Inf(1)}} }),
		"runs from 3 down to 2":                                   panel(func(p *Panel) { p.Estimate = []Point{{at, 2, 3, 2}} }),
		"they must ascend":                                        panel(func(p *Panel) { p.Estimate = []Point{{at, 1, 1, 1}, {at.Add(-time.Hour), 1, 1, 1}} }),
		"the window's low":                                        panel(func(p *Panel) { p.Low = 60 }),
		"infinite":                                                panel(func(p *Panel) { p.High = math.Inf(1) }),
		`the state "strange"`:                                     panel(func(p *Panel) { p.Readings = []Reading{{at, 1, 1, "strange", ""}} }),
		"the uncertainty zero":                                    panel(func(p *Panel) { p.Readings = []Reading{{at, 1, -1, ReadingUsed, ""}} }),
		`the verdict "fine"`:                                      panel(func(p *Panel) { p.Verdict = "fine" }),
		`the level "whenever"`:                                    {Bath: "a", Made: at, Due: []DueLine{{"x", "y", "whenever"}}},
		"before the estimate ends": panel(func(p *Panel) {
			p.Estimate, p.Fan = []Point{{at, 1, 1, 1}}, []Point{{at.Add(-time.Hour), 1, 1, 1}}
		}),
		"the forecast at 2026-03-02 12:00 is NaN": panel(func(p *Panel) { p.Fan = []Point{{at, math.NaN(), 1, 2}} }),
		`sheet "a": row 2 has 1 cells for 2`:      {Bath: "a", Made: at, Sheets: []Sheet{{Name: "a", Head: []string{"x", "y"}, Rows: [][]string{{"1", "2"}, {"3"}}}}},
		"2 bars for 1 rows":                       {Bath: "a", Made: at, Basis: []Sheet{{Name: "a", Head: []string{"x"}, Rows: [][]string{{"1"}}, Parts: []float64{0, 1}}}},
		"the bar of row 1 is 1.5":                 {Bath: "a", Made: at, Basis: []Sheet{{Name: "a", Head: []string{"x"}, Rows: [][]string{{"1"}}, Parts: []float64{1.5}}}},
		"is -3 Ah":                                {Bath: "a", Made: at, Days: []DayCharge{{at, -3}}},
		"the end must lie after":                  {Bath: "a", Made: at, From: at, To: at.Add(-time.Hour)},
	} {
		var page bytes.Buffer
		err := WritePage(&page, p)
		require.ErrorContains(t, err, want)
		require.Zero(t, page.Len(), "half a page was written: %s", want)
	}
}

type brokenWriter struct{}

func (brokenWriter) Write([]byte) (int, error) { return 0, errors.New("disk full") }

func TestPagePassesOnTheWritersError(t *testing.T) {
	require.ErrorContains(t, WritePage(brokenWriter{}, examplePage(10, 1)), "disk full")
}

// Thinning keeps the ends, every bucket's extremes, and so every excursion out of the window; what it keeps was there before.
func TestPageThinningLosesNoExcursion(t *testing.T) {
	rng := rand.New(rand.NewSource(3))
	start := time.Date(2016, 1, 1, 0, 0, 0, 0, time.UTC)
	for _, n := range []int{1, 4999, 5000, 5001, 20000, 100000} {
		points := make([]Point, n)
		for i := range points {
			x := 50 + rng.Float64()*0.2
			points[i] = Point{start.Add(time.Duration(i) * time.Hour), x, x - 1, x + 1}
		}
		// Spikes of a single point each, every kind at a place of its own.
		spikes := []int{0, n - 1}
		spike := func(i int, change func(e *Point)) {
			if n > 100 {
				change(&points[i])
				spikes = append(spikes, i)
			}
		}
		spike(n/9, func(e *Point) { e.Value += 0.95 })
		spike(n/9*2, func(e *Point) { e.Value -= 0.95 })
		spike(n/9*3, func(e *Point) { e.High90 += 30 })
		spike(n/9*4, func(e *Point) { e.Low90 -= 30 })
		spike(n/9*5, func(e *Point) { e.High90 -= 0.8 })
		spike(n/9*6, func(e *Point) { e.Low90 += 0.8 })
		kept := thinPoints(points, 5000)
		require.LessOrEqual(t, len(kept), 5000)
		if n <= 5000 {
			require.Equal(t, points, kept)
		}
		at := map[time.Time]Point{}
		for _, e := range points {
			at[e.Time] = e
		}
		for i, e := range kept {
			require.Equal(t, at[e.Time], e)
			if i > 0 {
				require.True(t, e.Time.After(kept[i-1].Time))
			}
			delete(at, e.Time)
		}
		for _, i := range spikes {
			require.NotContains(t, at, points[i].Time, "the spike at %d of %d is gone", i, n)
		}
	}
}

func TestPageOfTenYearsKeepsEveryReading(t *testing.T) {
	p := examplePage(3650, 4)
	var page bytes.Buffer
	require.NoError(t, WritePage(&page, p))
	require.Less(t, page.Len(), 3_000_000, "a page of ten years must stay below 3 MB")
	for i, c := range parseText(t, page.String()).charts()[:len(p.Panels)] {
		require.Len(t, c.Facts, len(p.Panels[i].Readings)+len(p.Panels[i].Marks))
		require.LessOrEqual(t, len(c.Option.Dataset[0].Source), 3000)
	}
}

// 1.645 is the standard normal's 95 % point: twice erf-inverse over the square root of two, as any table of the normal
// distribution has it to three places.
func TestPageBarsCoverNinetyPercent(t *testing.T) {
	require.InDelta(t, math.Sqrt2*math.Erfinv(0.90), barFactor, 5e-4)
}

func TestPageScales(t *testing.T) {
	for _, c := range []struct{ lo, hi float64 }{{44, 56}, {0, 1}, {0.0001, 0.00012}, {-3, 7}, {999, 1001}, {0, 54321}, {49.9, 50}} {
		from, to, step := niceScale(c.lo, c.hi, 5)
		require.LessOrEqual(t, from, c.lo+step*1e-6)
		require.GreaterOrEqual(t, to, c.hi-step*1e-6)
		n := (to - from) / step
		require.InDelta(t, math.Round(n), n, 1e-6)
		require.True(t, n >= 3 && n <= 8, "%v steps for %v", n, c)
		digit := step / math.Pow(10, math.Floor(math.Log10(step)+1e-9))
		require.Contains(t, []float64{1, 2, 5}, math.Round(digit*1e6)/1e6)
	}
	require.Equal(t, "0.0", number(-0.04, 1))
	require.Equal(t, "-0.1", number(-0.06, 1))
}

func TestPageTimeTicksStandOnRoundDates(t *testing.T) {
	zone := vienna()
	for _, c := range []struct {
		days  int
		label string
	}{{1, "12:00"}, {10, "28 Feb"}, {60, "2 Feb"}, {180, "Jan"}, {3650, "2020"}} {
		to := time.Date(2026, 3, 2, 18, 5, 0, 0, zone)
		ticks := timeTicks(pageClock{zone: zone, from: to.AddDate(0, 0, -c.days), to: to})
		require.True(t, len(ticks) >= 2 && len(ticks) <= 12, "%d ticks for %d days", len(ticks), c.days)
		var labels []string
		for i, k := range ticks {
			require.True(t, k.across >= 0 && k.across <= 1)
			if i > 0 {
				require.Greater(t, k.across, ticks[i-1].across)
			}
			labels = append(labels, k.label)
		}
		if c.label == "Jan" {
			require.Contains(t, labels, "2026")
		} else {
			require.Contains(t, labels, c.label)
		}
	}
}

func TestPageChargeOfVeryOldBathsIsPerWeek(t *testing.T) {
	from := time.Date(2000, 1, 3, 0, 0, 0, 0, time.UTC) // a Monday
	var days []DayCharge
	for i := 0; i < 6000; i++ {
		days = append(days, DayCharge{from.AddDate(0, 0, i), float64(i % 7)})
	}
	d := parsePage(t, Page{Bath: "old", Made: from.AddDate(0, 0, 6000), Days: days})
	charge := d.charts()[0]
	require.Equal(t, "charge per week", charge.Name)
	require.Equal(t, 21.0, charge.Option.Series[0].Data[0][1])
	require.Contains(t, d.text, "Ah per week")
}

// BenchmarkPageTenYears makes the page of a bath of ten years: six panels, four estimates a day in each.
func BenchmarkPageTenYears(b *testing.B) {
	p := examplePage(3650, 4)
	var page bytes.Buffer
	b.ResetTimer()
	for i := 0; i < b.N; i++ {
		page.Reset()
		if err := WritePage(&page, p); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(page.Len())/1e6, "MB/page")
}
