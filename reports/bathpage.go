package reports

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"steadybath/chem"
	"steadybath/chem/anode"
	"steadybath/chem/dose"
	"steadybath/chem/entry"
	"steadybath/chem/estimate"
	"steadybath/chem/forecast"
)

// PageInput is what a bath's page is made from. Estimate needs its track, Forecast its fans.
type PageInput struct {
	Estimate *estimate.Estimate
	Plan     *dose.Plan
	Forecast *forecast.Forecast
	Ledger   *estimate.Ledger

	AnodeDays float64 // how far the forecast looked ahead for anodes, which last longer than most

	Believed []estimate.Rate    // the rates as they were believed when the bath began
	Titrants []entry.TitrantLot // the shop's bottles
	Entered  []chem.Fact        // the chain in order of entry, voided facts included
	Zone     *time.Location
	Units    Units
	From, To time.Time // the span that the charts cover; zero: all there is, and what is to come
	Head     string
	Made     time.Time
	Version  string
}

// A page shows what is to come for a fifth of the span that it shows, so that what was keeps most of the room: at least a
// fortnight, at most as long as FanDays.
const (
	fanPart  = 0.2
	fanLeast = 14.0
	// FanDays is how many days of fans a page takes from a forecast.
	FanDays = 60.0
)

// ahead is until when the page shows what is to come.
func (in PageInput) ahead() time.Time {
	if !in.To.IsZero() {
		return in.To
	}
	begins := in.Estimate.Bath.Began
	if in.From.After(begins) {
		begins = in.From
	}
	days := math.Round(min(max(fanPart*in.Estimate.At.Sub(begins).Hours()/24, fanLeast), FanDays))
	return in.Estimate.At.AddDate(0, 0, int(days))
}

// mostSettings is how many of the newest changed settings the page lists.
const mostSettings = 20

// mostLog is how many of the newest facts the page shows.
const mostLog = 300

// BathPage lays an estimate and a plan out as the bath's page.
func BathPage(in PageInput) Page {
	e := in.Estimate
	p := Page{Bath: e.Bath.Name, Title: e.Recipe.Title, Made: in.Made, At: e.At, From: in.From, To: in.To, Zone: in.Zone, Head: in.Head, LogTotal: len(in.Entered),
		Cautions: append(append([]string(nil), e.Recipe.Cautions...), in.Units.PlanWords(in.Plan).Cautions...)}
	p.Due = in.dueLines()
	marks := bathMarks(e)
	gone := chem.VoidedBy(in.Entered)
	for i, c := range e.Constituents {
		scale := in.Units.scale(c.Unit)
		_, unit := in.Units.Show(0, c.Unit)
		panel := Panel{Name: c.Name, Unit: string(unit), Low: edge(c.Low, scale), Target: edge(c.Target, scale), High: edge(c.High, scale), Verdict: string(c.Verdict)}
		if c.Role == chem.RoleOrganic {
			panel.Noun = "reading"
		}
		for _, t := range e.Track {
			v, u := t.Value[i], z90*t.U[i]
			panel.Estimate = append(panel.Estimate, Point{t.Time, v * scale, math.Max(0, v-u) * scale, (v + u) * scale})
		}
		if n := len(panel.Estimate); n > 0 {
			panel.Estimate[n-1].Low90, panel.Estimate[n-1].High90 = c.Low90*scale, c.High90*scale
		}
		panel.Fan, panel.Leaves = fanOf(in.Forecast.Fans, c.Name, scale, in.ahead()), in.leaves(c.Constituent)
		if n := len(panel.Fan); n > 0 && len(panel.Estimate) > 0 {
			now := panel.Estimate[len(panel.Estimate)-1]
			panel.Fan[0] = now // what is drawn of the present is the estimate itself
		}
		panel.Readings = append(readingsOf(e, c.Name, scale), voidReadings(in.Entered, gone, c.Constituent, scale)...)
		for _, m := range marks {
			if m.of == nil || m.of[c.Name] != 0 {
				panel.Marks = append(panel.Marks, m.Mark)
			}
		}
		p.Panels = append(p.Panels, panel)
	}
	p.Panels = append(p.Panels, volumePanel(e, marks, in.Units))
	for i := range e.Anodes {
		if panel, ok := in.anodePanel(i); ok {
			p.Panels = append(p.Panels, panel)
		}
	}
	p.Days = daysOf(e, in.Zone)
	p.Sheets = in.sheets()
	for _, f := range slices.Backward(in.Entered) {
		if len(p.Log) == mostLog {
			break
		}
		p.Log = append(p.Log, LogLine{Number: int(f.Number), Time: f.Time, Kind: string(f.Kind()), Text: noted(f), By: f.By, VoidedBy: int(gone[f.ID])})
	}
	p.How, p.Basis = howWords(in), in.basis()
	return p
}

// z90 bounds a 90 % interval of the normal distribution (from memory).
const z90 = 1.6449

func edge(v, scale float64) float64 {
	if v == 0 {
		return math.NaN()
	}
	return v * scale
}

// What is due within a week is soon; what is due within two months is worth knowing, and when the anodes will be gone always is.
const (
	soonDays  = 7
	laterDays = 61
)

func (in PageInput) dueLines() []DueLine {
	e, u := in.Estimate, in.Units
	var out []DueLine
	for _, f := range e.Flags {
		if f.Kind == "held" {
			out = append(out, DueLine{What: "look at " + f.Subject, Why: u.flagWords(e, f), Level: DueNow})
		}
	}
	for _, t := range in.together(ThingsDue(e, in.Plan, in.Forecast, u)) {
		line := DueLine{What: t.What + t.dueDay(e.At, in.Zone), Why: t.Why, Level: DueNow}
		switch {
		case !t.By.After(e.At):
		case t.By.Before(e.At.AddDate(0, 0, soonDays)):
			line.Level = DueSoon
		case t.Kind == "anode" || t.By.Before(e.At.AddDate(0, 0, laterDays)):
			line.Level = DueLater
		default:
			continue
		}
		if t.Kind == "bail" {
			line.Why = strings.TrimPrefix(line.Why+"; what is bailed out is hazardous waste", "; ")
		}
		if t.By.After(e.At) && t.When.P90.After(t.When.P10) {
			line.Why = strings.TrimPrefix(line.Why+"; "+in.spread(t.When), "; ")
		}
		out = append(out, line)
	}
	plan := u.PlanWords(in.Plan)
	for _, r := range plan.Refused {
		out = append(out, DueLine{What: r.What + ": not advised", Why: r.Why, Level: DueSoon})
	}
	for _, q := range plan.Quiet {
		out = append(out, DueLine{What: "leave it", Why: q, Level: DueLater})
	}
	return out
}

// together makes one of readings that are due on one day for one reason.
func (in PageInput) together(things []Thing) []Thing {
	var out []Thing
	for _, t := range things {
		if n := len(out); n > 0 && t.Kind == "titrate" && out[n-1].Kind == t.Kind && t.dueDay(in.Estimate.At, in.Zone) == out[n-1].dueDay(in.Estimate.At, in.Zone) && out[n-1].Why == t.Why {
			out[n-1].What += ", " + t.Subject
			continue
		}
		out = append(out, t)
	}
	return out
}

// spread says how sure a date is.
func (in PageInput) spread(d forecast.Dates) string {
	return "one chance in ten by " + shortDay(d.P10, in.Estimate.At, in.Zone) + ", nine by " + shortDay(d.P90, in.Estimate.At, in.Zone)
}

// dates says when something comes, with its 10 and 90 %; days is how far was looked ahead.
func (in PageInput) dates(d forecast.Dates, days float64) string {
	at := in.Estimate.At
	day := func(t time.Time) string { return t.In(in.Zone).Format(time.DateOnly) }
	switch {
	case d.P10.IsZero():
		return fmt.Sprintf("not within %.4g days", days)
	case d.P50.IsZero():
		return "hardly before " + day(d.P10)
	case !d.P50.After(at):
		return "now"
	case d.P10.Equal(d.P90):
		return "on " + day(d.P50)
	}
	from, to := "now", "later"
	if d.P10.After(at) {
		from = day(d.P10)
	}
	if !d.P90.IsZero() {
		to = day(d.P90)
	}
	return fmt.Sprintf("about %s (80 %%: %s to %s)", day(d.P50), from, to)
}

// leaves says when a constituent leaves its window if nothing but water is added.
func (in PageInput) leaves(c chem.Constituent) string {
	var parts []string
	for _, l := range in.Forecast.Leaves {
		if l.Constituent != c.Name {
			continue
		}
		when := in.dates(l.Date, in.Forecast.Days)
		if l.Date.P10.IsZero() {
			parts = append(parts, "leaves its window: "+when)
		} else {
			parts = append(parts, "too "+l.Edge+": "+when)
		}
	}
	return strings.Join(parts, "; ")
}

func fanOf(fans []forecast.Fan, name string, scale float64, until time.Time) []Point {
	for _, f := range fans {
		if f.Subject != name {
			continue
		}
		out := make([]Point, 0, len(f.Points))
		for _, x := range f.Points {
			if x.Time.After(until) {
				break
			}
			out = append(out, Point{x.Time, x.P50 * scale, max(0, x.P05) * scale, x.P95 * scale})
		}
		return out
	}
	return nil
}

// anodePanel is the mass of the ith hung anode; false where nobody has weighed it or it does not dissolve.
func (in PageInput) anodePanel(i int) (Panel, bool) {
	e, u := in.Estimate, in.Units
	a := e.Anodes[i]
	if a.Form == anode.Inert || math.IsNaN(a.Mass) {
		return Panel{}, false
	}
	scale := u.scale("kg")
	_, unit := u.Show(0, "kg")
	least, _ := anode.Least(e.Recipe.Limits)
	p := Panel{Name: "anode " + a.ID, Unit: string(unit), Noun: "weighing", Low: limitOf(least * a.Started * scale), Target: math.NaN(), High: math.NaN(),
		Fan: fanOf(in.Forecast.Masses, a.ID, scale, in.ahead())}
	for _, course := range e.Masses {
		if course.ID != a.ID {
			continue
		}
		for _, x := range course.Points {
			p.Estimate = append(p.Estimate, Point{x.Time, x.Kg * scale, max(0, x.Kg-z90*x.U) * scale, (x.Kg + z90*x.U) * scale})
		}
	}
	if n := len(p.Estimate); n > 0 && len(p.Fan) > 0 {
		if p.Fan[0].Time.Before(p.Estimate[n-1].Time) {
			p.Fan = nil
		} else {
			p.Fan[0] = Point{p.Fan[0].Time, p.Estimate[n-1].Value, p.Estimate[n-1].Low90, p.Estimate[n-1].High90}
		}
	}
	for _, f := range in.Forecast.Anodes {
		if f.ID == a.ID {
			p.Leaves = "replace: " + in.dates(f.Replace, in.AnodeDays)
		}
	}
	p.Readings = readingsOf(e, a.ID, scale)
	for _, f := range e.Bath.Facts {
		if f.Time.After(e.At) {
			break
		}
		of := ""
		switch b := f.Body.(type) {
		case chem.Hang:
			of = b.Anode
		case chem.Pull:
			of = b.Anode
		}
		if of == a.ID {
			p.Marks = append(p.Marks, Mark{Time: f.Time, Kind: "anode", Text: noted(f)})
		}
	}
	return p, len(p.Estimate) > 0
}

// limitOf is a reckoned limit with the three figures that it is shown with.
func limitOf(v float64) float64 {
	if !(v > 0) {
		return math.NaN()
	}
	digits := math.Pow(10, 2-math.Floor(math.Log10(v)))
	return math.Round(v*digits) / digits
}

// noted is what a fact says, its note with it.
func noted(f chem.Fact) string {
	if f.Note == "" {
		return FactWords(f)
	}
	return FactWords(f) + " – " + f.Note
}

// bathMark is something done to the bath, with the constituents it touched; nil
// means all of them.
type bathMark struct {
	Mark
	of map[string]float64
}

func bathMarks(e *estimate.Estimate) []bathMark {
	var out []bathMark
	for _, f := range e.Bath.Facts {
		if f.Time.After(e.At) {
			break
		}
		m := bathMark{Mark: Mark{Time: f.Time, Text: noted(f)}}
		switch b := f.Body.(type) {
		case chem.Add:
			m.Kind, m.of = MarkAdd, map[string]float64{}
			if material, ok := e.Recipe.Material(b.Material); ok && len(material.Brings) > 0 {
				m.of = material.Brings
			}
		case chem.Bail:
			m.Kind = MarkBail
		case chem.Treat:
			m.Kind = MarkTreat
		default:
			continue
		}
		out = append(out, m)
	}
	return out
}

func readingsOf(e *estimate.Estimate, subject string, scale float64) []Reading {
	var out []Reading
	for _, r := range e.Readings {
		if r.Subject != subject {
			continue
		}
		state := ReadingUsed
		switch r.Fate {
		case estimate.Held:
			state = ReadingHeld
		case estimate.Dropped:
			state = ReadingDropped
		}
		out = append(out, Reading{Time: r.Fact.Time, Value: r.Value * scale, U: r.U * scale, State: state, Label: noted(r.Fact)})
	}
	return out
}

func voidReadings(entered []chem.Fact, gone map[uuid.UUID]int64, c chem.Constituent, scale float64) []Reading {
	var out []Reading
	for _, f := range entered {
		a, ok := f.Body.(chem.Assay)
		if !ok || a.Of != c.Name {
			continue
		}
		if _, void := gone[f.ID]; !void {
			continue
		}
		if v, u, err := a.Value.In(c.Unit); err == nil {
			out = append(out, Reading{Time: f.Time, Value: v * scale, U: u * scale, State: ReadingVoid, Label: FactWords(f)})
		}
	}
	return out
}

func volumePanel(e *estimate.Estimate, marks []bathMark, u Units) Panel {
	scale := u.scale("L")
	_, unit := u.Show(0, "L")
	p := Panel{Name: "volume", Unit: string(unit), Noun: "level", Low: edge(e.Bath.Least(), scale), Target: edge(e.Bath.Volume, scale), High: edge(e.Bath.Most(), scale)}
	for _, t := range e.Track {
		p.Estimate = append(p.Estimate, Point{t.Time, t.Volume * scale, math.Max(0, t.Volume-z90*t.UVolume) * scale, (t.Volume + z90*t.UVolume) * scale})
	}
	p.Readings = readingsOf(e, "volume", scale)
	for _, m := range marks {
		p.Marks = append(p.Marks, m.Mark)
	}
	return p
}

func daysOf(e *estimate.Estimate, zone *time.Location) []DayCharge {
	var out []DayCharge
	for _, x := range e.Passed() {
		if x.At.After(e.At) || x.Ah <= 0 {
			continue
		}
		at := x.At.In(zone)
		date := time.Date(at.Year(), at.Month(), at.Day(), 12, 0, 0, 0, zone)
		if n := len(out); n > 0 && out[n-1].Date.Equal(date) {
			out[n-1].Ah += x.Ah
			continue
		}
		out = append(out, DayCharge{date, x.Ah})
	}
	return out
}

func howWords(in PageInput) []string {
	e := in.Estimate
	out := []string{
		fmt.Sprintf("Made by steadybath %s from %s; the line is the smoothed estimate, from what was read before and after each moment, the band its 90 %% interval.", in.Version, countOf(len(in.Entered), "fact")),
		fmt.Sprintf("Recipe: %s. Windows and priors are its own; bath show prints it with the source of each figure.", e.Recipe.Title),
	}
	var settings []string
	for _, f := range e.Bath.Facts {
		if b, ok := f.Body.(chem.Setting); ok && !f.Time.After(e.At) {
			line := strings.TrimPrefix(FactWords(chem.Fact{Body: b}), "from now on ")
			if f.Note != "" {
				line += ", because " + f.Note
			}
			settings = append(settings, "Set on "+f.Time.In(in.Zone).Format(time.DateOnly)+": "+line+".")
		}
	}
	if len(settings) > mostSettings {
		out = append(out, fmt.Sprintf("%d settings were changed since; the last %d:", len(settings), mostSettings))
		settings = settings[len(settings)-mostSettings:]
	}
	out = append(out, settings...)
	if k := in.Forecast; k != nil {
		out = append(out, fmt.Sprintf("What is to come is counted in futures drawn from the estimate, at %s Ah a day as the shop has plated, and nothing but water added.",
			in.Units.plusMinus(k.AhPerDay, k.UAhPerDay, "")))
	}
	for _, w := range e.Recipe.References {
		out = append(out, "The recipe cites "+w.Key+": "+w.Text)
	}
	out = append(out, "The hash below is the last of a chain over every entry: while it stands on paper, no entry can be changed or taken away unseen.")
	return out
}
