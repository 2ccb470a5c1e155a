package reports

import (
	"bytes"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"

	"steadybath/chem"
	"steadybath/chem/estimate"
	"steadybath/chem/forecast"
)

func parseIndex(t *testing.T, x Index) parsed {
	t.Helper()
	var page bytes.Buffer
	require.NoError(t, WriteIndex(&page, x))
	return parseText(t, page.String())
}

// indexWith is an index with the text in every place that takes text.
func indexWith(text string) Index {
	due := []IndexDue{{text, "", text}, {text, "by " + text, text}}
	b := IndexBath{Name: text, Title: text, File: text + ".html", Volume: text, LastRead: text, Anode: text, Due: due, Order: due,
		Rows: []IndexRow{{text, text, text, text, VerdictInside, text}, {text, text, text, text, VerdictLow, text},
			{text, text, text, text, VerdictHigh, text}, {text, text, text, text, VerdictUnsure, text}, {text, text, text, text, text, text}}}
	quiet := IndexBath{Name: text, File: "quiet.html"}
	return Index{Made: time.Date(2026, 7, 1, 23, 30, 0, 0, time.UTC), Zone: vienna(), Baths: []IndexBath{b, quiet}}
}

// Nothing runs and nothing is fetched (W3C Content Security Policy Level 3, 6.1.3
// default-src), and the only addresses are those of the pages beside the index.
func TestIndexAsksNoNetwork(t *testing.T) {
	for _, text := range []string{"tank-1", hostile, "javascript:alert(1)", "//evil.example/x", "https://evil.example/x"} {
		d := parseIndex(t, indexWith(text))
		policy := ""
		for _, m := range d.tags("meta") {
			if attr(m, "http-equiv") == "Content-Security-Policy" {
				policy = attr(m, "content")
			}
			require.NotEqual(t, "refresh", strings.ToLower(attr(m, "http-equiv")))
		}
		require.Equal(t, "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'", policy)
		links := 0
		address := regexp.MustCompile(`(?i)^\s*([a-z][a-z0-9+.-]*:|//)`)
		for _, n := range d.all(func(*html.Node) bool { return true }) {
			require.NotContains(t, []string{"script", "link", "img", "image", "iframe", "object", "embed", "audio", "video", "source", "form", "base"}, n.Data)
			for _, a := range n.Attr {
				require.False(t, strings.HasPrefix(a.Key, "on"), a.Key)
				require.NotContains(t, []string{"src", "srcset", "action", "style", "ping"}, a.Key)
				if a.Key != "href" {
					if a.Key != "class" { // of words, which no browser follows
						require.NotRegexp(t, address, a.Val, a.Key)
					}
					continue
				}
				links++
				require.Equal(t, "a", n.Data)
				// Resolved as RFC 3986, 5.2, has it, the link stays in the folder and names the file.
				base := &url.URL{Scheme: "file", Path: "/pages/index.html"}
				to, err := base.Parse(a.Val)
				require.NoError(t, err)
				require.Equal(t, "file", to.Scheme)
				require.Empty(t, to.Host+to.RawQuery+to.Fragment)
				if links == 1 {
					require.Equal(t, "/pages/"+text+".html", to.Path)
				}
			}
		}
		require.Equal(t, 2, links)
		for _, s := range d.tags("style") {
			require.NotContains(t, textOf(s), "url(")
			require.NotContains(t, textOf(s), "@import")
			require.NotRegexp(t, `#[0-9a-fA-F]{3,6}\b|rgb\(`, indexCSS)
		}
	}
}

// Every hostile text arrives as the text it is, and the index has the same elements
// as a harmless one.
func TestIndexShowsHostileTextAsText(t *testing.T) {
	shape := func(d parsed) (names []string) {
		for _, n := range d.all(func(*html.Node) bool { return true }) {
			names = append(names, n.Data)
		}
		return names
	}
	d := parseIndex(t, indexWith(hostile))
	require.Equal(t, shape(parseIndex(t, indexWith("a"))), shape(d))
	for _, class := range []string{"title", "what", "why"} {
		require.Contains(t, textOf(d.classed(class)[0]), hostile, class)
	}
	require.Equal(t, hostile, textOf(d.tags("a")[0]))
	cells := parsed{t, d.tags("tbody")[0], ""}
	require.Len(t, cells.tags("tr"), 5)
	for _, cell := range append(cells.tags("th"), cells.tags("td")...) {
		if text := textOf(cell); attr(cell, "data-name") != "Stands" || !oneOf(text, VerdictInside, VerdictLow, VerdictHigh, VerdictUnsure) {
			require.Equal(t, hostile, text)
		}
	}
}

// Each verdict is a word, and by the style sheet a sign before it: no colour alone
// says how a constituent stands (WCAG 2.2, 1.4.1).
func TestIndexSaysVerdictsInWordsAndSigns(t *testing.T) {
	d := parseIndex(t, indexWith("a"))
	stands := d.classed("stands")
	signs := map[string]bool{}
	for i, verdict := range []string{VerdictInside, VerdictLow, VerdictHigh, VerdictUnsure} {
		require.Equal(t, verdict, textOf(stands[i]))
		require.Equal(t, "stands "+verdict, attr(stands[i], "class"))
		m := regexp.MustCompile(`\.stands\.` + verdict + `::before \{ content: "(\S+) "; \}`).FindStringSubmatch(textOf(d.tags("style")[0]))
		require.NotNil(t, m, verdict)
		signs[m[1]] = true
	}
	require.Len(t, signs, 4, "each verdict has a sign of its own")
	require.Contains(t, textOf(d.classed("made")[0]), "2026-07-02 01:30, clock of Europe/Vienna")
	require.Equal(t, "Nothing is due within a week.", textOf(d.classed("rest")[0]))
}

func TestIndexBathSaysWhatIsDueAndWhatToOrder(t *testing.T) {
	at := time.Date(2026, 11, 22, 9, 0, 0, 0, time.UTC)
	day := func(n int) time.Time { return at.AddDate(0, 0, n) }
	read := func(n int, of string) estimate.Reading {
		return estimate.Reading{Fact: chem.Fact{Time: day(n)}, Subject: of}
	}
	e := &estimate.Estimate{Bath: &estimate.Bath{Name: "tank-1"}, At: at, Recipe: &chem.Recipe{Title: "a copper"}, Volume: 58.2, UVolume: 0.3, Low90V: 57.7, High90V: 58.7,
		Readings: []estimate.Reading{read(-2, "volume"), read(-5, "copper")},
		Constituents: []estimate.Constituent{
			{Constituent: chem.Constituent{Name: "copper", Unit: "g/L", Low: 46, Target: 50, High: 54}, Value: 51.83, U: 0.4, Low90: 51.2, High90: 52.5, Verdict: estimate.Inside, Known: true},
			{Constituent: chem.Constituent{Name: "chloride", Unit: "mg/L", Low: 50, Target: 60, High: 100}, Value: 60, U: 12, Low90: 40, High90: 80, Verdict: estimate.Unsure}}}
	things := []Thing{{Kind: "add", What: "add 12 mL brightener", Why: "little and often", By: at}, {Kind: "titrate", What: "read copper", By: day(6)},
		{Kind: "buy", What: "order 1 L brightener", By: day(20)}, {Kind: "titrate", What: "read chloride", By: day(21)}, {Kind: "buy", What: "order 2 kg salt", By: day(40)}}
	f := &forecast.Forecast{Days: 180, Anodes: []forecast.Anode{{ID: "slab-a", Replace: forecast.Dates{P50: day(60)}}, {ID: "slab-b", Replace: forecast.Dates{P50: day(30)}}, {ID: "slab-c"}}}
	b := IndexBathOf(e, things, f, day(7), "tank-1.html", vienna(), Metric)
	require.Equal(t, []IndexDue{{"add 12 mL brightener", "", "little and often"}, {"read copper", "by Sat 28 Nov", ""}}, b.Due)
	require.Equal(t, []IndexDue{{"order 1 L brightener", "by Sat 12 Dec", ""}}, b.Order)
	require.Equal(t, "slab-b by Tue 22 Dec", b.Anode)
	require.Equal(t, "Fri 20 Nov, volume", b.LastRead)
	require.Equal(t, "58.20 L; 90 %: 57.70 to 58.70", b.Volume)
	require.Equal(t, IndexRow{"copper", "51.83 g/L", "51.20 to 52.50", "46–50–54", "inside", "never"}, b.Rows[0])
	require.Equal(t, "not read", b.Rows[1].Verdict)
	d := parseIndex(t, Index{Made: at, Baths: []IndexBath{b}})
	require.Contains(t, textOf(d.all(func(n *html.Node) bool { return attr(n, "id") == "order" })[0]), "order 1 L brightener by Sat 12 Decfor tank-1")

	f.Anodes = f.Anodes[2:]
	require.Equal(t, "none to replace within 180 days", IndexBathOf(e, nil, f, day(7), "x", vienna(), Metric).Anode)
	f.Anodes[0].Replace.P50, e.Readings = day(-1), nil
	b = IndexBathOf(e, nil, f, day(7), "x", vienna(), US)
	require.Equal(t, "slab-c now", b.Anode)
	require.Empty(t, b.LastRead)
	require.Empty(t, b.Due)
	require.Contains(t, b.Volume, " gal; 90 %: ")
	f.Anodes = nil
	require.Empty(t, IndexBathOf(e, nil, f, day(7), "x", vienna(), Metric).Anode)
}
