package reports

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"
	"text/tabwriter"
	"time"
	"unicode"

	"steadybath/chem"
	"steadybath/chem/estimate"
)

// width is what a terminal is sure to have.
const width = 80

// Quantity is a number in JSON: value and standard uncertainty in unit.
type Quantity struct {
	Value float64 `json:"value"`
	U     float64 `json:"u"`
	Unit  string  `json:"unit"`
}

type window struct {
	Low    float64 `json:"low"`
	Target float64 `json:"target"`
	High   float64 `json:"high"`
}

type assayJSON struct {
	Time  time.Time `json:"time"`
	Value float64   `json:"value"`
	U     float64   `json:"u"`
	Fate  string    `json:"fate"`
}

type constituentJSON struct {
	Name    string     `json:"name"`
	Unit    string     `json:"unit"`
	Value   float64    `json:"value"`
	U       float64    `json:"u"`
	Low90   float64    `json:"low90"`
	High90  float64    `json:"high90"`
	Window  window     `json:"window"`
	Verdict string     `json:"verdict"`
	Assay   *assayJSON `json:"assay"`
	PerDay  float64    `json:"per_day"`
	PerAh   float64    `json:"per_ah"`
	Known   bool       `json:"known"`
}

type rateJSON struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	U     float64 `json:"u"`
	Unit  string  `json:"unit"`
}

type balanceJSON struct {
	Name    string  `json:"name"`
	Closure float64 `json:"closure"`
	U       float64 `json:"u"`
	Unit    string  `json:"unit"`
	Closes  bool    `json:"closes"`
}

type flagJSON struct {
	Kind    string    `json:"kind"`
	Subject string    `json:"subject"`
	Time    time.Time `json:"time"`
	Why     string    `json:"why"`
}

type anodeJSON struct {
	ID   string    `json:"id"`
	Form string    `json:"form"`
	Mass *Quantity `json:"mass"`
}

type stateJSON struct {
	Bath         string            `json:"bath"`
	At           time.Time         `json:"at"`
	Volume       Quantity          `json:"volume"`
	Constituents []constituentJSON `json:"constituents"`
	Rates        []rateJSON        `json:"rates"`
	Balances     []balanceJSON     `json:"balances"`
	Anodes       []anodeJSON       `json:"anodes"`
	Flags        []flagJSON        `json:"flags"`
	Head         string            `json:"head"`
}

// StateJSON writes the answer of state as one JSON object; numbers are in the
// units named beside them, whatever the system shown to people.
func StateJSON(w io.Writer, e *estimate.Estimate, head string) error {
	out := stateJSON{Bath: e.Bath.Name, At: e.At.UTC(), Volume: Quantity{e.Volume, e.UVolume, "L"}, Head: head,
		Constituents: []constituentJSON{}, Rates: []rateJSON{}, Balances: []balanceJSON{}, Anodes: []anodeJSON{}, Flags: []flagJSON{}}
	for _, c := range e.Constituents {
		j := constituentJSON{Name: c.Name, Unit: string(c.Unit), Value: c.Value, U: c.U, Low90: c.Low90, High90: c.High90,
			Window: window{c.Low, c.Target, c.High}, Verdict: string(c.Verdict), PerDay: c.PerDay, PerAh: c.PerAh, Known: c.Known}
		if c.Assay != nil {
			j.Assay = &assayJSON{c.Assay.Fact.Time, c.Assay.Value, c.Assay.U, string(c.Assay.Fate)}
		}
		out.Constituents = append(out.Constituents, j)
	}
	for _, r := range e.Rates {
		out.Rates = append(out.Rates, rateJSON{r.Name, r.Value, r.U, r.Unit})
	}
	for _, b := range e.Balances {
		out.Balances = append(out.Balances, balanceJSON{b.Name, b.Closure, b.U, b.Unit, b.Closes})
	}
	for _, a := range e.Anodes {
		j := anodeJSON{ID: a.ID, Form: a.Form}
		if !math.IsNaN(a.Mass) {
			j.Mass = &Quantity{a.Mass, a.U, "kg"}
		}
		out.Anodes = append(out.Anodes, j)
	}
	for _, f := range e.Flags {
		out.Flags = append(out.Flags, flagJSON{f.Kind, f.Subject, f.Time, f.Why})
	}
	return WriteJSON(w, out)
}

// WriteJSON writes v as one indented JSON object with a line feed.
func WriteJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}

// State writes the answer of state as text for a terminal of 80 columns.
func State(w io.Writer, e *estimate.Estimate, zone *time.Location, u Units, head string) error {
	b := &strings.Builder{}
	heading(b, e, zone)
	t := &strings.Builder{}
	fmt.Fprint(t, "\tnow\t90 %\twindow\tlast reading\t\n")
	v, unit := u.Show(e.Volume, "L")
	fmt.Fprintf(t, "volume\t%s %s\t%s\t%s\t%s\t\n", decimals(v, e.UVolume*u.scale("L")), unit, band(e.Low90V, e.High90V, e.UVolume, "L", u),
		"mark "+u.amount(e.Bath.Volume, "L"), lastLevel(e, zone, u))
	for _, c := range e.Constituents {
		value, unit := u.Show(c.Value, c.Unit)
		fmt.Fprintf(t, "%s\t%s %s\t%s\t%s\t%s\t%s\n", c.Name, decimals(value, c.U*u.scale(c.Unit)), unit, band(c.Low90, c.High90, c.U, c.Unit, u),
			windowWords(c, u), lastReading(c, zone, u), verdictWords(c))
	}
	if err := writeTable(b, t.String()); err != nil {
		return err
	}
	said := map[string]bool{}
	for _, f := range e.Flags {
		if line := u.flagWords(e, f); !said[line] {
			said[line] = true
			if b.Len() > 0 && len(said) == 1 {
				b.WriteString("\nlook at this first\n")
			}
			fmt.Fprintf(b, "  ! %s\n", wrap(line, width-4, "    "))
		}
	}
	b.WriteString("\n")
	for _, bal := range e.Balances {
		word := "closes"
		if !bal.Closes {
			word = "does not close"
		}
		closure, unit := u.Show(bal.Closure, chem.Unit(bal.Unit))
		spread := bal.U * u.scale(chem.Unit(bal.Unit))
		fmt.Fprintf(b, "%s balance %s: %+.*f ± %.*f %s\n", bal.Name, word, places(spread), closure, places(spread), spread, unit)
	}
	for _, a := range e.Anodes {
		fmt.Fprintf(b, "anode %s (%s, since %s)", a.ID, a.Form, a.Hung.In(zone).Format("2 Jan 2006"))
		if !math.IsNaN(a.Mass) {
			fmt.Fprintf(b, ": %s of %s left", u.plusMinus(a.Mass, a.U, "kg"), u.amount(a.Started, "kg"))
		}
		b.WriteString("\n")
	}
	if len(e.Anodes) == 0 && e.Recipe.Anodes != "inert" {
		b.WriteString("no anode is logged; the usual ones are taken to hang until one is\n")
	}
	if drift := driftWords(e, u); drift != "" {
		b.WriteString(wrap("drift, water made up: "+drift, width-2, "  ") + "\n")
	}
	if ev := e.Rate("evaporation"); ev.Value > 0 {
		fmt.Fprintf(b, "evaporation %s a week\n", u.plusMinus(7*ev.Value, 7*ev.U, "L"))
	}
	fmt.Fprintf(b, "chain head %.16s…\n", head)
	_, err := io.WriteString(w, b.String())
	return err
}

// writeTable aligns cells that tabs end, closer together where the lines would
// not fit otherwise.
func writeTable(b *strings.Builder, cells string) error {
	var lines []string
	for _, padding := range []int{2, 1} {
		table := &strings.Builder{}
		t := tabwriter.NewWriter(table, 0, 0, padding, ' ', 0)
		if _, err := io.WriteString(t, cells); err != nil {
			return err
		}
		if err := t.Flush(); err != nil {
			return err
		}
		widest := 0
		lines = lines[:0]
		for line := range strings.Lines(table.String()) {
			line = strings.TrimRight(line, " \n")
			lines, widest = append(lines, line), max(widest, len([]rune(line)))
		}
		if widest <= width {
			break
		}
	}
	b.WriteString(strings.Join(lines, "\n") + "\n")
	return nil
}

func heading(b *strings.Builder, e *estimate.Estimate, zone *time.Location) {
	titleLine(b, e.Bath.Name, Plain(e.Recipe.Title), e.At.In(zone).Format("Mon 2 Jan 2006 15:04 MST"))
}

// titleLine begins an answer: the bath, what is answered and as of when, in lines of
// the terminal's width.
func titleLine(b *strings.Builder, bath string, rest ...string) {
	const longest = 60
	fmt.Fprintf(b, "%s\n\n", wrap(strings.Join(append([]string{clip(plainLine(bath), longest)}, rest...), " · "), width, "  "))
}

// Plain makes text safe for a terminal: control characters become spaces, and so
// do those that end a line (U+2028, U+2029) or turn the order of what follows
// (Unicode Standard Annex 9, section 2), with which a number can be made to read as
// another.
func Plain(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case unicode.IsControl(r), r >= 0x2028 && r <= 0x202e, r >= 0x2066 && r <= 0x2069:
			return ' '
		}
		return r
	}, s)
}

func decimals(v, u float64) string { return fmt.Sprintf("%.*f", places(u), v) }

func band(low, high, spread float64, unit chem.Unit, u Units) string {
	l, _ := u.Show(low, unit)
	h, _ := u.Show(high, unit)
	p := places(spread * u.scale(unit))
	return fmt.Sprintf("%.*f to %.*f", p, l, p, h)
}

func windowWords(c estimate.Constituent, u Units) string {
	low, _ := u.Show(c.Low, c.Unit)
	target, _ := u.Show(c.Target, c.Unit)
	high, _ := u.Show(c.High, c.Unit)
	if c.Contaminant() {
		return "under " + figures(high)
	}
	return fmt.Sprintf("%s–%s–%s", figures(low), figures(target), figures(high))
}

func lastLevel(e *estimate.Estimate, zone *time.Location, u Units) string {
	for i := len(e.Readings) - 1; i >= 0; i-- {
		if r := e.Readings[i]; r.Subject == "volume" {
			v, _ := u.Show(r.Value, "L")
			return fmt.Sprintf("%s, %s", figures(v), day(r.Fact.Time, e.At, zone))
		}
	}
	return "never"
}

func lastReading(c estimate.Constituent, zone *time.Location, u Units) string {
	if c.Assay == nil {
		return "never"
	}
	if p, ok := c.Assay.Fact.Body.(chem.Panel); ok && !p.Value.Given() {
		return string(p.Pattern) + ", " + c.Assay.Fact.Time.In(zone).Format("2 Jan")
	}
	v, _ := u.Show(c.Assay.Value, c.Unit)
	p := max(0, places(c.Assay.U*u.scale(c.Unit))-1)
	return fmt.Sprintf("%.*f, %s", p, v, c.Assay.Fact.Time.In(zone).Format("2 Jan"))
}

func day(t, now time.Time, zone *time.Location) string {
	if t.In(zone).Year() != now.In(zone).Year() {
		return t.In(zone).Format("2 Jan 06")
	}
	return t.In(zone).Format("2 Jan")
}

func verdictWords(c estimate.Constituent) string {
	if !c.Known && !c.Contaminant() {
		return "not read"
	}
	if c.Held != nil {
		return "held"
	}
	return string(c.Verdict)
}

// driftWords says how each constituent moves per week at rest and per 100 Ah.
func driftWords(e *estimate.Estimate, u Units) string {
	var parts []string
	for _, c := range e.Constituents {
		if c.Contaminant() {
			continue
		}
		week, unit := c.PerDay*7*u.scale(c.Unit), string(second(u.Show(0, c.Unit)))
		hundred := c.PerAh * 100 * u.scale(c.Unit)
		parts = append(parts, fmt.Sprintf("%s %+.2g %s a week and %+.2g per 100 Ah", c.Name, week, unit, hundred))
	}
	return strings.Join(parts, "; ")
}

func second(_ float64, unit chem.Unit) chem.Unit { return unit }
