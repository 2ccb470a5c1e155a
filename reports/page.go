package reports

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"errors"
	"fmt"
	"html/template"
	"io"
	"math"
	"sort"
	"strings"
	"sync"
	"time"

	"steadybath/reports/echarts"
)

// Page is everything the bath's page shows. Times are instants; they are shown in Zone. Texts may hold anything: they are
// always shown as text.
type Page struct {
	Bath     string         // the bath's name as people typed it
	Title    string         // what kind of bath it is, for instance the recipe's title; may be empty
	Made     time.Time      // when the page was made
	At       time.Time      // the moment that it tells of; zero is Made
	From, To time.Time      // the span that the charts cover; zero: as far as the data goes, what is to come with it
	Zone     *time.Location // the bath's zone; nil is UTC
	Due      []DueLine      // what to do, in any order
	Cautions []string       // what to mind while doing it, one sentence each
	Panels   []Panel        // one per constituent, in the order to be shown; the bath's volume and each anode are panels like the others
	Days     []DayCharge    // charge passed per calendar day, ascending; a day without plating may be left out
	Sheets   []Sheet        // further tables, in the order to be shown
	Log      []LogLine      // the newest facts, newest first
	LogTotal int            // how many facts the bath has in all; less than len(Log) counts as len(Log)
	How      []string       // how the numbers were obtained, one sentence each
	Basis    []Sheet        // the same in tables
	Head     string         // the hash of the bath's newest fact, in hex; may be empty
}

// Levels of a DueLine.
const (
	DueNow   = "now"   // do it before the next plating
	DueSoon  = "soon"  // within days
	DueLater = "later" // worth knowing
)

// DueLine is one thing to do. What is an order ("add 12 mL of brightener"), Why its reason, Level one of DueNow, DueSoon and
// DueLater.
type DueLine struct{ What, Why, Level string }

// Sheet is a table with its name. A cell that is a number or a measure is set to the right where its column is in Numeric. Parts
// draws a bar in the last column, each a fraction of the longest; empty draws none.
type Sheet struct {
	Name, Lead string // Lead is a sentence before the table; may be empty
	Head       []string
	Numeric    []bool // by column; shorter than Head where the rest is text
	Rows       [][]string
	Parts      []float64 // by row, 0 to 1
	Notes      []string  // sentences after it
}

// Panel is one quantity over time, with what was read and what was done to it.
type Panel struct {
	Name, Unit        string
	Low, Target, High float64   // the window, in Unit; NaN where there is none
	Verdict           string    // how the quantity stands now: VerdictInside and so on; empty where there is nothing to say
	Noun              string    // what a reading is called; empty is "titration"
	Leaves            string    // when it leaves the window, in words; empty where nothing is said
	Estimate          []Point   // ascending in time
	Fan               []Point   // what is to come if nothing but water is added: median and 90 %, ascending, the first at the estimate's end
	Readings          []Reading // in any order
	Marks             []Mark    // in any order
}

// Verdicts of a Panel.
const (
	VerdictInside = "inside"
	VerdictLow    = "low"
	VerdictHigh   = "high"
	VerdictUnsure = "unsure"
)

// Point is an estimate with its 90 % interval, in the panel's unit.
type Point struct {
	Time                 time.Time
	Value, Low90, High90 float64
}

// Reading is one measured value, in the panel's unit. U is its standard uncertainty; 0 or NaN means that none is known, and no
// error bar is drawn. State is one of ReadingUsed and so on; Label is free text shown with it.
type Reading struct {
	Time     time.Time
	Value, U float64
	State    string
	Label    string
}

// States of a Reading.
const (
	ReadingUsed    = "used"    // the estimate follows it
	ReadingHeld    = "held"    // too far from what was expected: kept aside until another reading bears it out
	ReadingDropped = "dropped" // another reading spoke against it
	ReadingVoid    = "void"    // voided by the person who entered it
)

// Mark is something done to the bath. Kind is one of MarkAdd, MarkBail and MarkTreat; any other word is drawn as "other".
type Mark struct {
	Time       time.Time
	Kind, Text string
}

// Kinds of a Mark that have a shape of their own.
const (
	MarkAdd   = "add"
	MarkBail  = "bail"
	MarkTreat = "treat"
)

// DayCharge is the charge that passed on one calendar day, in ampere-hours. Only year, month and day of Date are looked at, in
// Date's own location.
type DayCharge struct {
	Date time.Time
	Ah   float64
}

// LogLine is one fact of the bath's log. VoidedBy is the number of the fact that voided it, 0 for a fact that stands.
type LogLine struct {
	Number     int
	Time       time.Time
	Kind, Text string
	By         string
	VoidedBy   int
}

//go:embed templates/page.html
var pageHTML string

//go:embed templates/page.css
var pageCSS string

//go:embed templates/page.js
var pageJS string

var pageTemplate = template.Must(template.New("page").Funcs(template.FuncMap{"percent": percent}).Parse(pageHTML))

// WritePage writes the page as one self-contained HTML file. Nothing is written when the page cannot be made: a value that is
// not a finite number, a window whose low is above its high, a word that is none of the constants above, and a span that ends
// before it begins are refused, with panel and time named.
// A program built without the chart script writes the page with still pictures and tables, and the page says how to build it.
func WritePage(w io.Writer, p Page) error {
	script, err := echarts.Script()
	if err != nil && !errors.Is(err, echarts.ErrNotBuiltIn) {
		return err
	}
	return writePage(w, p, script)
}

// pageModel is what the template sees.
type pageModel struct {
	Page
	CSS       template.CSS
	Policy    string
	Script    template.JS
	Driver    template.JS
	Live      bool
	Shapes    template.HTML
	Zone      string
	MadeText  string
	MadeISO   string
	SpanText  string
	AtText    string
	AtISO     string
	Ahead     bool
	LeavesAny bool
	FirstDay  string
	LastDay   string
	Key       []keyEntry
	Views     []*panelView
	Charge    *chargeView
	LogRows   []logRow
	LogRest   bool
	DueSorted []DueLine
	Verdicts  bool
}

type logRow struct {
	LogLine
	When stamp
}

func writePage(w io.Writer, p Page, script string) error {
	if p.Zone == nil {
		p.Zone = time.UTC
	}
	if err := checkPage(p); err != nil {
		return err
	}
	from, to := pageSpan(p)
	if !from.Before(to) {
		return fmt.Errorf("the page would span from %s to %s: the end must lie after the beginning",
			stampOf(from, p.Zone).Text, stampOf(to, p.Zone).Text)
	}
	if p.At.IsZero() {
		p.At = p.Made
	}
	clock := pageClock{zone: p.Zone, from: from, to: to, at: p.At}

	m := pageModel{
		Page: p, CSS: template.CSS(paletteCSS() + pageCSS), Script: template.JS(script), Driver: template.JS(pageJS),
		Live: script != "", Shapes: shapeDefs(), Zone: p.Zone.String(), DueSorted: sortDue(p.Due),
		MadeText: stampOf(p.Made, p.Zone).Text, MadeISO: stampOf(p.Made, p.Zone).ISO,
		AtText: stampOf(p.At, p.Zone).Text, AtISO: stampOf(p.At, p.Zone).ISO,
		FirstDay: from.In(p.Zone).Format(time.DateOnly), LastDay: to.In(p.Zone).Format(time.DateOnly),
	}
	m.SpanText = m.FirstDay
	if m.LastDay != m.FirstDay {
		m.SpanText += " to " + m.LastDay
	}
	views, faults := make([]*panelView, len(p.Panels)), make([]error, len(p.Panels))
	var drawn sync.WaitGroup
	for i := range p.Panels {
		drawn.Go(func() { views[i], faults[i] = viewPanel(p.Panels[i], i, clock) })
	}
	drawn.Wait()
	if err := errors.Join(faults...); err != nil {
		return err
	}
	m.Views = views
	for i, panel := range p.Panels {
		m.Verdicts = m.Verdicts || panel.Verdict != ""
		m.LeavesAny = m.LeavesAny || panel.Leaves != ""
		m.Ahead = m.Ahead || len(views[i].Fan) > 0
	}
	charge, err := viewCharge(p.Days, clock)
	if err != nil {
		return err
	}
	m.Charge = charge
	m.Key = keyOf(m.Views, charge)
	for _, l := range p.Log {
		m.LogRows = append(m.LogRows, logRow{l, stampOf(l.Time, p.Zone)})
	}
	m.LogTotal = max(p.LogTotal, len(p.Log))
	m.LogRest = m.LogTotal > len(p.Log)
	m.Policy = contentPolicy(m.Live, script, pageJS)

	// Into memory first: a template that fails halfway must not leave half a page.
	var page bytes.Buffer
	if err := pageTemplate.Execute(&page, m); err != nil {
		return fmt.Errorf("the page of bath %q could not be made: %w", p.Bath, err)
	}
	_, err = w.Write(page.Bytes())
	return err
}

// contentPolicy lets the page's own scripts run, each named by its hash, and nothing be fetched from anywhere. The chart
// library sets styles on the elements of its tooltip, hence 'unsafe-inline' for styles alone.
func contentPolicy(live bool, scripts ...string) string {
	src := "'none'"
	if live {
		var hashes []string
		for _, s := range scripts {
			sum := sha256.Sum256([]byte(s))
			hashes = append(hashes, "'sha256-"+base64.StdEncoding.EncodeToString(sum[:])+"'")
		}
		src = strings.Join(hashes, " ")
	}
	return "default-src 'none'; script-src " + src + "; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'"
}

func sortDue(due []DueLine) []DueLine {
	rank := map[string]int{DueNow: 0, DueSoon: 1, DueLater: 2}
	sorted := append([]DueLine(nil), due...)
	sort.SliceStable(sorted, func(i, j int) bool { return rank[sorted[i].Level] < rank[sorted[j].Level] })
	return sorted
}

func checkPage(p Page) error {
	for _, d := range p.Due {
		if !oneOf(d.Level, DueNow, DueSoon, DueLater) {
			return fmt.Errorf("due line %q has the level %q: it can be now, soon or later", d.What, d.Level)
		}
	}
	for _, d := range p.Days {
		if !finite(d.Ah) || d.Ah < 0 {
			return fmt.Errorf("the charge of %s is %v Ah: it must be a finite number, zero or more", d.Date.Format(time.DateOnly), d.Ah)
		}
	}
	for _, panel := range p.Panels {
		if err := checkPanel(panel, p.Zone); err != nil {
			return fmt.Errorf("panel %q: %w", panel.Name, err)
		}
	}
	for _, s := range append(append([]Sheet(nil), p.Sheets...), p.Basis...) {
		if err := checkSheet(s); err != nil {
			return fmt.Errorf("sheet %q: %w", s.Name, err)
		}
	}
	return nil
}

func checkSheet(s Sheet) error {
	for i, row := range s.Rows {
		if len(row) != len(s.Head) {
			return fmt.Errorf("row %d has %d cells for %d columns", i+1, len(row), len(s.Head))
		}
	}
	if len(s.Parts) > 0 && len(s.Parts) != len(s.Rows) {
		return fmt.Errorf("%d bars for %d rows", len(s.Parts), len(s.Rows))
	}
	for i, part := range s.Parts {
		if !(part >= 0 && part <= 1) {
			return fmt.Errorf("the bar of row %d is %v: 0 to 1 would fit", i+1, part)
		}
	}
	return nil
}

func checkPanel(p Panel, zone *time.Location) error {
	if p.Low > p.High {
		return fmt.Errorf("the window's low %v lies above its high %v", p.Low, p.High)
	}
	for _, v := range []float64{p.Low, p.Target, p.High} {
		if math.IsInf(v, 0) {
			return errors.New("a limit of the window is infinite: give NaN where there is none")
		}
	}
	if !oneOf(p.Verdict, "", VerdictInside, VerdictLow, VerdictHigh, VerdictUnsure) {
		return fmt.Errorf("the verdict %q is none of inside, low, high and unsure", p.Verdict)
	}
	if err := checkPoints("estimate", p.Estimate, zone); err != nil {
		return err
	}
	if err := checkPoints("forecast", p.Fan, zone); err != nil {
		return err
	}
	if n := len(p.Estimate); n > 0 && len(p.Fan) > 0 && p.Fan[0].Time.Before(p.Estimate[n-1].Time) {
		return fmt.Errorf("the forecast begins at %s, before the estimate ends", stampOf(p.Fan[0].Time, zone).Text)
	}
	for _, r := range p.Readings {
		if !finite(r.Value) || math.IsInf(r.U, 0) || r.U < 0 {
			return fmt.Errorf("the reading at %s is %v with the uncertainty %v: the value must be finite, the uncertainty zero or more", stampOf(r.Time, zone).Text, r.Value, r.U)
		}
		if !oneOf(r.State, ReadingUsed, ReadingHeld, ReadingDropped, ReadingVoid) {
			return fmt.Errorf("the reading at %s has the state %q: it can be used, held, dropped or void", stampOf(r.Time, zone).Text, r.State)
		}
	}
	return nil
}

func checkPoints(what string, points []Point, zone *time.Location) error {
	at := func(e Point) string { return stampOf(e.Time, zone).Text }
	for i, e := range points {
		if !finite(e.Value) || !finite(e.Low90) || !finite(e.High90) {
			return fmt.Errorf("the %s at %s is %v (%v to %v): all three must be finite numbers", what, at(e), e.Value, e.Low90, e.High90)
		}
		if e.Low90 > e.High90 {
			return fmt.Errorf("the %s's interval at %s runs from %v down to %v", what, at(e), e.Low90, e.High90)
		}
		if i > 0 && e.Time.Before(points[i-1].Time) {
			return fmt.Errorf("the %s at %s comes after one of a later time: they must ascend", what, at(e))
		}
	}
	return nil
}

func oneOf(word string, words ...string) bool {
	for _, w := range words {
		if w == word {
			return true
		}
	}
	return false
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// pageSpan is the span asked for, or as far as the data goes.
func pageSpan(p Page) (from, to time.Time) {
	from, to = p.From, p.To
	if !from.IsZero() && !to.IsZero() {
		return from, to
	}
	var first, last time.Time
	see := func(t time.Time) {
		if first.IsZero() || t.Before(first) {
			first = t
		}
		if last.IsZero() || t.After(last) {
			last = t
		}
	}
	for _, panel := range p.Panels {
		for _, e := range panel.Estimate {
			see(e.Time)
		}
		for _, e := range panel.Fan {
			see(e.Time)
		}
		for _, r := range panel.Readings {
			see(r.Time)
		}
		for _, m := range panel.Marks {
			see(m.Time)
		}
	}
	for _, d := range p.Days {
		y, month, day := d.Date.Date()
		see(time.Date(y, month, day, 0, 0, 0, 0, p.Zone))
		see(time.Date(y, month, day+1, 0, 0, 0, 0, p.Zone))
	}
	// A bath of which nothing is known yet still has a page.
	if first.IsZero() {
		first, last = p.Made.Add(-24*time.Hour), p.Made
	}
	if !first.Before(last) {
		first, last = first.Add(-12*time.Hour), last.Add(12*time.Hour)
	}
	if from.IsZero() {
		from = first
	}
	if to.IsZero() {
		to = last
	}
	return from, to
}
