package reports

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"steadybath/chem/dose"
	"steadybath/chem/estimate"
	"steadybath/chem/forecast"
)

// Thing is one thing that a bath asks for: now, or on a date to come.
type Thing struct {
	Kind    string // titrate, bail, add, anode, limit, upkeep, buy
	Subject string // the constituent, material, anode or kind of upkeep
	What    string // what to do, in a few words
	Why     string // empty where there is nothing to say
	When    forecast.Dates
	By      time.Time // when it is due: the time of asking where it is due now
}

// ThingsDue lists what a bath asks for within the horizon of f, the earliest
// first: what the plan p does now, readings, organics, anodes, upkeep, and what has
// to be ordered. f is nil where only what is due now is wanted.
func ThingsDue(e *estimate.Estimate, p *dose.Plan, f *forecast.Forecast, u Units) []Thing {
	p = u.PlanWords(p)
	var out []Thing
	now := func(kind, subject, what, why string) {
		out = append(out, Thing{kind, subject, what, why, forecast.Dates{P10: e.At, P50: e.At, P90: e.At}, e.At})
	}
	for _, r := range p.TitrateFirst {
		now("titrate", r.Constituent, "read "+r.Constituent, r.Why)
	}
	if p.Bail > 0 {
		now("bail", "bath", "bail out "+exactAmount(u, p.Bail, "L"), p.BailWhy)
	}
	for _, a := range p.Additions {
		now("add", a.Material.Name, fmt.Sprintf("add %s %s", exactAmount(u, a.Amount, a.Unit), a.Material.Name), a.Why)
	}
	for _, flag := range e.Flags {
		if flag.Kind == "anodes" {
			now("anode", flag.Subject, "look at the anodes", flag.Why)
			break
		}
	}
	for _, flag := range e.Flags {
		if flag.Kind == "limit" {
			now("limit", flag.Subject, "bring "+flag.Subject+" back", u.Words(flag.Why))
		}
	}
	if f == nil {
		return out
	}
	has := func(kind, subject string) bool {
		return slices.ContainsFunc(out, func(t Thing) bool { return t.Kind == kind && t.Subject == subject })
	}
	later := func(kind, subject, what, why string, when forecast.Dates, by time.Time) {
		if by.IsZero() || has(kind, subject) {
			return
		}
		if by.Before(e.At) {
			by = e.At
		}
		out = append(out, Thing{kind, subject, what, u.Words(why), when, by})
	}
	end := e.At.Add(time.Duration(f.Days * 24 * float64(time.Hour)))
	for _, t := range f.Titrate {
		if !t.By.After(end) {
			later("titrate", t.Constituent, "read "+t.Constituent, t.Why, forecast.Dates{}, t.By)
		}
	}
	for _, o := range f.Organics {
		if !o.Due.P50.After(e.At) {
			continue // whether it is added now is the plan's to say
		}
		later("add", o.Material.Name, fmt.Sprintf("add %s %s", exactAmount(u, o.Amount, o.Unit), o.Material.Name), everyWords(o), o.Due, o.Due.P50)
	}
	for _, a := range f.Anodes {
		what := "replace anode " + a.ID
		if a.ByArea {
			what = "hang more anode area beside " + a.ID
		}
		later("anode", a.ID, what, a.Reason, a.Replace, a.Replace.P50)
	}
	for _, k := range f.Upkeep {
		later("upkeep", k.What, upkeepWords(k.What), k.Why, k.Due, k.Due.P50)
	}
	for _, b := range f.Buy {
		later("buy", b.Material.Name, fmt.Sprintf("order %s %s", u.amount(b.Amount, b.Unit), b.Material.Name), leadWords(b), b.Out, b.By)
	}
	slices.SortStableFunc(out, func(a, b Thing) int { return a.By.Compare(b.By) })
	return out
}

// Within leaves of things, the earliest first, those due by a time.
func Within(things []Thing, until time.Time) []Thing {
	n := 0
	for n < len(things) && !things[n].By.After(until) {
		n++
	}
	return things[:n]
}

func upkeepWords(what string) string {
	switch what {
	case "carbon":
		return "treat the bath with carbon"
	case "filter":
		return "change the filter"
	case "bags":
		return "change the anode bags"
	case "dummy":
		return "plate a dummy"
	}
	return what
}

func everyWords(o forecast.Organic) string {
	var parts []string
	if o.EveryAh > 0 {
		parts = append(parts, twoFigures(o.EveryAh)+" Ah")
	}
	if o.EveryDays > 0 {
		parts = append(parts, twoFigures(o.EveryDays)+" days")
	}
	if len(parts) == 0 {
		return ""
	}
	words := "little and often: every " + strings.Join(parts, " or ")
	if len(parts) > 1 {
		words += ", whichever comes first"
	}
	return words
}

// twoFigures writes a number as coarsely as it is meant.
func twoFigures(x float64) string {
	if x >= 10 {
		return fmt.Sprintf("%.0f", x)
	}
	return fmt.Sprintf("%.2g", x)
}

func leadWords(b forecast.Purchase) string {
	words := fmt.Sprintf("%s %s are left", figures(b.Left), b.Unit)
	if b.LeadDays > 0 {
		words += fmt.Sprintf("; it takes %s days to come", figures(b.LeadDays))
	}
	if b.LeadAssumed {
		words += " (assumed; lead_days in the recipe sets it)"
	}
	return words
}

// dueDay says by when: nothing for what is due now.
func (t Thing) dueDay(at time.Time, zone *time.Location) string {
	if !t.By.After(at) {
		return ""
	}
	return " by " + shortDay(t.By, at, zone)
}

// shortDay names a day to come with its weekday, and with the year where that is
// another.
func shortDay(t, at time.Time, zone *time.Location) string {
	if t.In(zone).Year() != at.In(zone).Year() {
		return t.In(zone).Format("Mon 2 Jan 2006")
	}
	return t.In(zone).Format("Mon 2 Jan")
}

// DueLines writes one line per thing that is due, none longer than a terminal is
// wide.
func DueLines(w io.Writer, bath string, things []Thing, at time.Time, zone *time.Location) error {
	for _, t := range things {
		when := t.dueDay(at, zone)
		line := clip(fmt.Sprintf("%s: %s", plainLine(bath), plainLine(t.What)), width-len([]rune(when))) + when
		if _, err := fmt.Fprintln(w, line); err != nil {
			return err
		}
	}
	return nil
}

// plainLine is text on one line, its spaces as they are.
func plainLine(s string) string { return strings.TrimSpace(Plain(s)) }

// ForecastInput is what a forecast is shown with.
type ForecastInput struct {
	Estimate *estimate.Estimate
	Plan     *dose.Plan
	Forecast *forecast.Forecast
	Jobs     []forecast.Job
	Seed     uint64
	Zone     *time.Location
	Units    Units
	Head     string
}

// Forecast writes what is to come as text for a terminal of 80 columns: what is
// due now, when the rest falls due, why, what to order, and what is assumed.
func Forecast(w io.Writer, in ForecastInput) error {
	e, f, u := in.Estimate, in.Forecast, in.Units
	b := &strings.Builder{}
	titleLine(b, e.Bath.Name, "what comes next", e.At.In(in.Zone).Format("Mon 2 Jan 2006 15:04 MST"))
	things := ThingsDue(e, in.Plan, f, u)
	if now := Within(things, e.At); len(now) > 0 {
		b.WriteString("due now\n")
		for _, t := range now {
			line(b, "   ", t.What)
			if t.Why != "" {
				line(b, "      ", t.Why)
			}
		}
		if len(in.Plan.Additions) > 0 || in.Plan.Bail > 0 {
			b.WriteString("steadybath dose says how, and in what order\n")
		}
	} else {
		b.WriteString("nothing is due now\n")
	}
	in.table(b)
	in.reasons(b)
	in.purchases(b)
	in.assumed(b)
	_, err := io.WriteString(w, b.String())
	return err
}

func line(b *strings.Builder, indent, text string) {
	fmt.Fprintf(b, "%s%s\n", indent, wrap(Plain(text), width-len(indent)-2, indent+"  "))
}

// row is one line of the table.
type row struct {
	what string
	when forecast.Dates
	ah   forecast.Charges
	by   time.Time // a reading's, which has one date
}

func (r row) at() time.Time {
	if !r.by.IsZero() {
		return r.by
	}
	for _, t := range []time.Time{r.when.P50, r.when.P10} {
		if !t.IsZero() {
			return t
		}
	}
	return time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)
}

// charged tells whether something is said of the charge until then.
func (r row) charged() bool { return r.ah.P10 > 0 || r.ah.P50 > 0 || r.ah.P90 > 0 }

func (in ForecastInput) rows() []row {
	e, f := in.Estimate, in.Forecast
	var out []row
	for _, l := range f.Leaves {
		out = append(out, row{what: l.Constituent + " too " + l.Edge, when: l.Date, ah: l.Ah})
	}
	for _, o := range f.Organics {
		if slices.ContainsFunc(in.Plan.Additions, func(a dose.Addition) bool { return a.Material.Name == o.Material.Name }) {
			continue // said above
		}
		out = append(out, row{what: fmt.Sprintf("next dose of %s", o.Material.Name), when: o.Due, ah: o.Ah})
	}
	for _, a := range f.Anodes {
		if in.isNow(a.Replace) {
			continue
		}
		out = append(out, row{what: "anode " + a.ID, when: a.Replace, ah: a.Ah})
	}
	for _, k := range f.Upkeep {
		if in.isNow(k.Due) {
			continue
		}
		out = append(out, row{what: upkeepWords(k.What), when: k.Due})
	}
	for _, p := range f.Buy {
		out = append(out, row{what: p.Material.Name + " has run out", when: p.Out})
	}
	for _, t := range f.Titrate {
		if t.By.After(e.At) && !t.By.After(e.At.Add(time.Duration(f.Days*24*float64(time.Hour)))) {
			out = append(out, row{what: "read " + t.Constituent, by: t.By})
		}
	}
	slices.SortStableFunc(out, func(a, b row) int { return a.at().Compare(b.at()) })
	return out
}

// isNow tells whether something is said already among what is due now.
func (in ForecastInput) isNow(d forecast.Dates) bool {
	return !d.P50.IsZero() && !d.P50.After(in.Estimate.At)
}

// The table's columns: what, three dates, three charges.
const (
	whatWide = 29
	dateWide = 11
	ahWide   = 6
)

func (in ForecastInput) table(b *strings.Builder) {
	rows := in.rows()
	if len(rows) == 0 {
		return
	}
	charges := slices.ContainsFunc(rows, row.charged)
	fmt.Fprintf(b, "\n%-*s%*s%*s%*s", whatWide, "falls due, by chance", dateWide, "10 %", dateWide, "50 %", dateWide, "90 %")
	if charges {
		fmt.Fprintf(b, "%*s", 3*ahWide, "Ah from now")
	}
	b.WriteString("\n")
	for _, r := range rows {
		what := plainLine(r.what)
		if len([]rune(what)) >= whatWide {
			fmt.Fprintf(b, "%s\n", clip(what, width))
			what = ""
		}
		cells := what + strings.Repeat(" ", whatWide-len([]rune(what)))
		switch {
		case !r.by.IsZero():
			cells += fmt.Sprintf("%*s", 2*dateWide, "by "+in.date(r.by))
		case r.when.P10.IsZero():
			cells += fmt.Sprintf("  not within %.4g days", in.Forecast.Days)
		case r.when.P10.Equal(r.when.P90) && r.when.P10.After(in.Estimate.At): // by the calendar
			cells += fmt.Sprintf("%*s", 2*dateWide, "on "+in.date(r.when.P50))
		default:
			for _, t := range []time.Time{r.when.P10, r.when.P50, r.when.P90} {
				cells += fmt.Sprintf("%*s", dateWide, in.date(t))
			}
			if r.charged() {
				cells += fmt.Sprintf("%*s%*s%*s", ahWide, charge(r.ah.P10), ahWide, charge(r.ah.P50), ahWide, charge(r.ah.P90))
			}
		}
		b.WriteString(strings.TrimRight(cells, " ") + "\n")
	}
	if slices.ContainsFunc(rows, func(r row) bool { return !r.when.P10.IsZero() && r.when.P90.IsZero() }) {
		fmt.Fprintf(b, "–: not within %.4g days\n", in.Forecast.Days)
	}
}

func charge(ah float64) string {
	if math.IsNaN(ah) {
		return "–"
	}
	return fmt.Sprintf("%.0f", ah)
}

func (in ForecastInput) date(t time.Time) string {
	at := in.Estimate.At
	switch {
	case t.IsZero():
		return "–"
	case !t.After(at):
		return "now"
	case t.In(in.Zone).Year() != at.In(in.Zone).Year():
		return t.In(in.Zone).Format("2 Jan 06")
	}
	return t.In(in.Zone).Format("2 Jan")
}

func (in ForecastInput) reasons(b *strings.Builder) {
	f, u := in.Forecast, in.Units
	var lines []string
	reason := func(what, why string) {
		if why != "" {
			lines = append(lines, clip(plainLine(what), width/2)+": "+u.Words(why))
		}
	}
	for _, a := range f.Anodes {
		if !a.Replace.P10.IsZero() && !in.isNow(a.Replace) {
			reason("anode "+a.ID, "the limit that it comes to first: "+a.Reason)
		}
	}
	for _, o := range f.Organics {
		if why := everyWords(o); why != "" && o.Due.P50.After(in.Estimate.At) {
			lines = append(lines, fmt.Sprintf("%s: %s at a time, %s", clip(plainLine(o.Material.Name), width/2), exactAmount(u, o.Amount, o.Unit), why))
		}
	}
	for _, k := range f.Upkeep {
		if in.isNow(k.Due) {
			continue
		}
		reason(upkeepWords(k.What), k.Why)
	}
	for i, t := range f.Titrate { // those read for the same reason together
		same := func(o dose.Titration) bool { return o.Why == t.Why && o.By.After(in.Estimate.At) }
		if slices.IndexFunc(f.Titrate, same) != i {
			continue
		}
		what := "read"
		for _, o := range f.Titrate {
			if same(o) {
				what += " " + o.Constituent + ","
			}
		}
		reason(strings.TrimSuffix(what, ","), t.Why)
	}
	section(b, "why", lines)
}

func section(b *strings.Builder, title string, lines []string) {
	if len(lines) == 0 {
		return
	}
	fmt.Fprintf(b, "\n%s\n", title)
	for _, l := range lines {
		line(b, "   ", l)
	}
}

func (in ForecastInput) purchases(b *strings.Builder) {
	f, u := in.Forecast, in.Units
	buy := slices.Clone(f.Buy)
	slices.SortStableFunc(buy, func(a, b forecast.Purchase) int { return a.By.Compare(b.By) })
	var lines []string
	for _, p := range buy {
		by := "now"
		if p.By.After(in.Estimate.At) {
			by = "by " + shortDay(p.By, in.Estimate.At, in.Zone)
		}
		words := fmt.Sprintf("%s: %s of %s; %s are left", by, u.amount(p.Amount, p.Unit), p.Material.Name, u.amount(p.Left, p.Unit))
		if p.LeadDays > 0 {
			words += fmt.Sprintf(", and it takes %s days to come", figures(p.LeadDays))
		}
		if p.LeadAssumed {
			words += ", as assumed"
		}
		lines = append(lines, words)
	}
	section(b, "to order", lines)
}

func (in ForecastInput) assumed(b *strings.Builder) {
	f := in.Forecast
	lines := []string{}
	if f.AhPerDay > 0 {
		lines = append(lines, fmt.Sprintf("%.*f ± %.*f Ah a day over the next %.4g days, idle ones counted, drawn from weeks like those of the log", places(f.UAhPerDay), f.AhPerDay, places(f.UAhPerDay), f.UAhPerDay, f.Days))
	} else {
		lines = append(lines, "no plating, since the log has none to go by")
	}
	if f.RunsPerWeek > 0 {
		lines[0] += fmt.Sprintf(": %s runs a week of %s Ah", figures(f.RunsPerWeek), figures(f.AhPerRun))
	}
	if ah := jobsAh(in.Jobs); ah > 0 {
		planned := fmt.Sprintf("a planned load of %s Ah", figures(ah))
		if len(in.Jobs) > 1 {
			planned = fmt.Sprintf("%d planned loads of %s Ah together", len(in.Jobs), figures(ah))
		}
		lines = append(lines, planned+", beside the usual")
	}
	if len(f.Leaves) > 0 {
		lines = append(lines, "until a constituent is too low or too high nothing is added but the water that evaporates")
	}
	if len(f.Buy) > 0 {
		lines = append(lines, "stock goes as the bath is brought back to its targets")
	}
	if slices.ContainsFunc(f.Buy, func(p forecast.Purchase) bool { return p.LeadAssumed }) {
		lines = append(lines, "a week from ordering to having where the recipe has no lead_days")
	}
	section(b, "assumed", lines)
}

func jobsAh(jobs []forecast.Job) float64 {
	sum := 0.0
	for _, j := range jobs {
		sum += j.Ah
	}
	return sum
}

type datesJSON struct {
	P10 *time.Time `json:"p10"`
	P50 *time.Time `json:"p50"`
	P90 *time.Time `json:"p90"`
}

type chargesJSON struct {
	P10 *float64 `json:"p10"`
	P50 *float64 `json:"p50"`
	P90 *float64 `json:"p90"`
}

func datesOf(d forecast.Dates) datesJSON {
	return datesJSON{moment(d.P10), moment(d.P50), moment(d.P90)}
}

func moment(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	t = t.UTC()
	return &t
}

func chargesOf(c forecast.Charges) chargesJSON {
	return chargesJSON{orNull(c.P10), orNull(c.P50), orNull(c.P90)}
}

// orNull is null where there is none.
func orNull(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}

// positive is null for what is not known.
func positive(x float64) *float64 {
	if !(x > 0) {
		return nil
	}
	return orNull(x)
}

type leavesJSON struct {
	Constituent string      `json:"constituent"`
	Edge        string      `json:"edge"`
	Date        datesJSON   `json:"date"`
	Ah          chargesJSON `json:"ah"`
}

type organicJSON struct {
	Constituent string    `json:"constituent"`
	Material    string    `json:"material"`
	Due         datesJSON `json:"due"`
	Amount      float64   `json:"amount"`
	Unit        string    `json:"unit"`
	EveryAh     *float64  `json:"every_ah"`
	EveryDays   *float64  `json:"every_days"`
	Usual       float64   `json:"every_amount"`
}

type anodeDueJSON struct {
	ID      string    `json:"id"`
	Replace datesJSON `json:"replace"`
	Reason  string    `json:"reason"`
}

type upkeepJSON struct {
	What string    `json:"what"`
	Due  datesJSON `json:"due"`
	Why  string    `json:"why"`
}

type purchaseJSON struct {
	Material    string    `json:"material"`
	Amount      float64   `json:"amount"`
	Unit        string    `json:"unit"`
	By          time.Time `json:"by"`
	Left        float64   `json:"left"`
	Out         datesJSON `json:"runs_out"`
	LeadDays    float64   `json:"lead_days"`
	LeadAssumed bool      `json:"lead_assumed"`
}

type jobJSON struct {
	At time.Time `json:"at"`
	Ah float64   `json:"ah"`
}

// ThingJSON is a thing due as programs read it.
type ThingJSON struct {
	Bath    string    `json:"bath"`
	Kind    string    `json:"kind"`
	Subject string    `json:"subject"`
	What    string    `json:"what"`
	By      time.Time `json:"by"`
	Now     bool      `json:"now"`
	Why     string    `json:"why"`
}

// ThingsJSON turns what is due into what programs read.
func ThingsJSON(bath string, things []Thing, at time.Time) []ThingJSON {
	out := []ThingJSON{}
	for _, t := range things {
		out = append(out, ThingJSON{bath, t.Kind, t.Subject, t.What, t.By.UTC(), !t.By.After(at), t.Why})
	}
	return out
}

type forecastJSON struct {
	Bath        string         `json:"bath"`
	At          time.Time      `json:"at"`
	HorizonDays float64        `json:"horizon_days"`
	Seed        uint64         `json:"seed"`
	AhPerDay    valueU         `json:"ah_per_day"`
	Leaves      []leavesJSON   `json:"leaves"`
	Organics    []organicJSON  `json:"organics"`
	Titrate     []titrateJSON  `json:"titrate"`
	Anodes      []anodeDueJSON `json:"anodes"`
	Upkeep      []upkeepJSON   `json:"upkeep"`
	Buy         []purchaseJSON `json:"buy"`
	Due         []ThingJSON    `json:"due"`
	Jobs        []jobJSON      `json:"jobs"`
	Head        string         `json:"head"`
}

type valueU struct {
	Value float64 `json:"value"`
	U     float64 `json:"u"`
}

// ForecastJSON writes a forecast as one JSON object. Whatever the units asked
// for, it is in metric.
func ForecastJSON(w io.Writer, in ForecastInput) error {
	e, f := in.Estimate, in.Forecast
	out := forecastJSON{Bath: e.Bath.Name, At: e.At.UTC(), HorizonDays: f.Days, Seed: in.Seed, AhPerDay: valueU{f.AhPerDay, f.UAhPerDay},
		Leaves: []leavesJSON{}, Organics: []organicJSON{}, Titrate: []titrateJSON{}, Anodes: []anodeDueJSON{}, Upkeep: []upkeepJSON{},
		Buy: []purchaseJSON{}, Due: ThingsJSON(e.Bath.Name, ThingsDue(e, in.Plan, f, Metric), e.At), Jobs: []jobJSON{}, Head: in.Head}
	for _, l := range f.Leaves {
		out.Leaves = append(out.Leaves, leavesJSON{l.Constituent, l.Edge, datesOf(l.Date), chargesOf(l.Ah)})
	}
	for _, o := range f.Organics {
		out.Organics = append(out.Organics, organicJSON{o.Constituent, o.Material.Name, datesOf(o.Due), o.Amount, string(o.Unit), positive(o.EveryAh), positive(o.EveryDays), o.Usual})
	}
	for _, t := range f.Titrate {
		out.Titrate = append(out.Titrate, titrateJSON{t.Constituent, t.By.UTC(), t.Why})
	}
	for _, a := range f.Anodes {
		out.Anodes = append(out.Anodes, anodeDueJSON{a.ID, datesOf(a.Replace), a.Reason})
	}
	for _, k := range f.Upkeep {
		out.Upkeep = append(out.Upkeep, upkeepJSON{k.What, datesOf(k.Due), k.Why})
	}
	for _, p := range f.Buy {
		out.Buy = append(out.Buy, purchaseJSON{p.Material.Name, p.Amount, string(p.Unit), p.By.UTC(), p.Left, datesOf(p.Out), p.LeadDays, p.LeadAssumed})
	}
	slices.SortStableFunc(out.Buy, func(a, b purchaseJSON) int {
		return cmp.Or(a.By.Compare(b.By), strings.Compare(a.Material, b.Material))
	})
	for _, j := range in.Jobs {
		out.Jobs = append(out.Jobs, jobJSON{j.At.UTC(), j.Ah})
	}
	return WriteJSON(w, out)
}
