package reports

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"net/url"
	"slices"
	"time"

	"steadybath/chem/estimate"
	"steadybath/chem/forecast"
)

// Index is the page over all baths, which links to the page of each. Texts may
// hold anything: they are always shown as text.
type Index struct {
	Made  time.Time
	Zone  *time.Location // of Made; nil is UTC
	Baths []IndexBath
}

// IndexBath is one bath of the index, in the words that are shown.
type IndexBath struct {
	Name, Title string
	File        string // the name of its page, which lies beside the index
	Volume      string // with its 90 % interval
	LastRead    string // the newest reading's day and what it read; empty: nothing was ever read
	Anode       string // the earliest replacement; empty: no anode is logged
	Due         []IndexDue
	Order       []IndexDue
	Rows        []IndexRow
}

// IndexDue is one thing to do: what, by when, and why. When is empty for what is
// due now.
type IndexDue struct{ What, When, Why string }

// IndexRow is one constituent. Verdict is one of a Panel's, or another word where
// there is none, such as "not read".
type IndexRow struct{ Name, Value, Band, Window, Verdict, Read string }

// orderDays is how far ahead the index says what to order: four weekly visits.
const orderDays = 28

// IndexBathOf puts a bath into the words of the index: of things, the earliest
// first, what is due by until, and what to order within four weeks. file is the
// name of the bath's page.
func IndexBathOf(e *estimate.Estimate, things []Thing, f *forecast.Forecast, until time.Time, file string, zone *time.Location, u Units) IndexBath {
	b := IndexBath{Name: e.Bath.Name, Title: e.Recipe.Title, File: file}
	v, unit := u.Show(e.Volume, "L")
	b.Volume = fmt.Sprintf("%s %s; 90 %%: %s", decimals(v, e.UVolume*u.scale("L")), unit, band(e.Low90V, e.High90V, e.UVolume, "L", u))
	for _, t := range things {
		d := IndexDue{What: t.What, Why: t.Why}
		if t.By.After(e.At) {
			d.When = "by " + shortDay(t.By, e.At, zone)
		}
		switch {
		case t.Kind == "buy" && !t.By.After(e.At.AddDate(0, 0, orderDays)):
			b.Order = append(b.Order, d)
		case t.Kind != "buy" && !t.By.After(until):
			b.Due = append(b.Due, d)
		}
	}
	for _, c := range e.Constituents {
		value, unit := u.Show(c.Value, c.Unit)
		b.Rows = append(b.Rows, IndexRow{Name: c.Name, Value: decimals(value, c.U*u.scale(c.Unit)) + " " + string(unit),
			Band: band(c.Low90, c.High90, c.U, c.Unit, u), Window: windowWords(c, u), Verdict: verdictWords(c), Read: lastReading(c, zone, u)})
	}
	if n := len(e.Readings); n > 0 {
		last := slices.MaxFunc(e.Readings, func(a, b estimate.Reading) int { return a.Fact.Time.Compare(b.Fact.Time) })
		b.LastRead = shortDay(last.Fact.Time, e.At, zone) + ", " + last.Subject
	}
	b.Anode = anodeWords(f, e.At, zone)
	return b
}

// anodeWords says which hung anode is to be replaced first, and when.
func anodeWords(f *forecast.Forecast, at time.Time, zone *time.Location) string {
	if len(f.Anodes) == 0 {
		return ""
	}
	var first *forecast.Anode
	for i, a := range f.Anodes {
		if !a.Replace.P50.IsZero() && (first == nil || a.Replace.P50.Before(first.Replace.P50)) {
			first = &f.Anodes[i]
		}
	}
	switch {
	case first == nil:
		return fmt.Sprintf("none to replace within %.0f days", f.Days)
	case !first.Replace.P50.After(at):
		return first.ID + " now"
	}
	return first.ID + " by " + shortDay(first.Replace.P50, at, zone)
}

//go:embed templates/index.html
var indexHTML string

//go:embed templates/index.css
var indexCSS string

var indexTemplate = template.Must(template.New("index").Parse(indexHTML))

// indexPolicy lets nothing run and nothing be fetched; the one style sheet stands in
// the file.
const indexPolicy = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"

type indexOrder struct {
	Bath string
	IndexDue
}

// WriteIndex writes the index as one self-contained HTML file without scripts.
// Nothing is written when it cannot be made.
func WriteIndex(w io.Writer, x Index) error {
	if x.Zone == nil {
		x.Zone = time.UTC
	}
	type view struct {
		IndexBath
		Link string
	}
	m := struct {
		Policy, Zone string
		CSS          template.CSS
		Made         stamp
		Baths        []view
		Orders       []indexOrder
	}{Policy: indexPolicy, Zone: x.Zone.String(), CSS: template.CSS(paletteCSS() + pageCSS + indexCSS), Made: stampOf(x.Made, x.Zone)}
	for _, b := range x.Baths {
		// With "./" before it no name can begin as an address does.
		m.Baths = append(m.Baths, view{b, "./" + url.PathEscape(b.File)})
		for _, o := range b.Order {
			m.Orders = append(m.Orders, indexOrder{b.Name, o})
		}
	}
	var page bytes.Buffer
	if err := indexTemplate.Execute(&page, m); err != nil {
		return fmt.Errorf("the index of the baths could not be made: %w", err)
	}
	_, err := w.Write(bytes.ToValidUTF8(page.Bytes(), []byte("\ufffd")))
	return err
}
