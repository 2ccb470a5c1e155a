package reports

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"steadybath/chem"
	"steadybath/chem/estimate"
	"steadybath/chem/hazard"
	"steadybath/chem/trouble"
)

type findingJSON struct {
	What        string           `json:"what"`
	Weight      string           `json:"weight"`
	About       string           `json:"about"`
	Side        string           `json:"side"`
	First       string           `json:"first"`
	Source      string           `json:"source"`
	Constituent *constituentJSON `json:"constituent"`
	Reading     *Quantity        `json:"reading"`
	ReadAt      *time.Time       `json:"read_at"`
	Days        *float64         `json:"days_since"`
	AreaRatio   *float64         `json:"anode_area_ratio"`
}

type troubleJSON struct {
	Bath     string        `json:"bath"`
	At       time.Time     `json:"at"`
	Symptom  string        `json:"symptom"`
	Before   string        `json:"before"`
	Findings []findingJSON `json:"findings"`
	Cautions []string      `json:"cautions"`
	Head     string        `json:"head"`
}

// TroubleJSON writes the answer of state --symptom as one JSON object, what the
// numbers point at most first.
func TroubleJSON(w io.Writer, e *estimate.Estimate, s trouble.Symptom, found []trouble.Finding, head string) error {
	before, _ := trouble.Before()
	out := troubleJSON{Bath: e.Bath.Name, At: e.At.UTC(), Symptom: string(s), Before: before, Findings: []findingJSON{}, Cautions: []string{hazard.Usual}, Head: head}
	number := func(x float64) *float64 {
		if math.IsNaN(x) {
			return nil
		}
		return &x
	}
	for _, f := range found {
		j := findingJSON{What: f.What, Weight: f.Weight.String(), About: f.About, Side: string(f.Side), First: f.First, Source: f.Source,
			Days: number(f.Days), AreaRatio: number(f.Ratio)}
		if c := f.Constituent; c != nil {
			j.About = c.Name
			j.Constituent = &constituentJSON{Name: c.Name, Unit: string(c.Unit), Value: c.Value, U: c.U, Low90: c.Low90, High90: c.High90,
				Window: window{c.Low, c.Target, c.High}, Verdict: string(c.Verdict), PerDay: c.PerDay, PerAh: c.PerAh, Known: c.Known}
			if c.Assay != nil {
				j.Constituent.Assay = &assayJSON{c.Assay.Fact.Time, c.Assay.Value, c.Assay.U, string(c.Assay.Fate)}
			}
		}
		if f.Reading != nil {
			m := f.Reading.Body.(chem.Assay).Value
			at := f.Reading.Time.UTC()
			j.Reading, j.ReadAt = &Quantity{m.Number.Float(), m.U.Float(), string(m.Unit)}, &at
		}
		out.Findings = append(out.Findings, j)
	}
	return WriteJSON(w, out)
}

// Trouble writes the answer of state --symptom as text for a terminal of 80
// columns.
func Trouble(w io.Writer, e *estimate.Estimate, s trouble.Symptom, found []trouble.Finding, zone *time.Location, u Units, head string) error {
	b := &strings.Builder{}
	heading(b, e, zone)
	fmt.Fprintf(b, "%s: what it points at, what this bath's numbers say, what to do first\n", s)
	before, source := trouble.Before()
	fmt.Fprintf(b, "%s\n", wrap("first of all "+before, width, ""))
	sources := []string{source}
	cite := func(text string) int {
		for i, known := range sources {
			if known == text {
				return i + 1
			}
		}
		sources = append(sources, text)
		return len(sources)
	}
	titles := map[trouble.Weight]string{
		trouble.Outside: "the numbers point at", trouble.Unsure: "it may be", trouble.Unread: "the log has no number for", trouble.Inside: "the numbers speak against",
	}
	last := trouble.Weight(-1)
	for _, f := range found {
		if f.Weight != last {
			fmt.Fprintf(b, "\n%s\n", titles[f.Weight])
			last = f.Weight
		}
		fmt.Fprintf(b, "  %s\n", wrap(fmt.Sprintf("%s [%d]", Plain(f.What), cite(f.Source)), width-2, "    "))
		if numbers := findingWords(e, f, zone, u); numbers != "" {
			fmt.Fprintf(b, "    %s\n", wrap(numbers, width-4, "    "))
		}
		if f.Weight != trouble.Inside {
			fmt.Fprintf(b, "    first: %s\n", wrap(u.Words(f.First), width-11, "      "))
		}
	}
	b.WriteString("\n")
	for i, text := range sources {
		fmt.Fprintf(b, "[%d] %s\n", i+1, wrap(text, width-4, "    "))
	}
	fmt.Fprintf(b, "%s\n", wrap("numbers point, they do not prove. "+hazard.Usual, width, ""))
	fmt.Fprintf(b, "chain head %.16s…\n", head)
	_, err := io.WriteString(w, b.String())
	return err
}

// findingWords are this bath's numbers beside a cause.
func findingWords(e *estimate.Estimate, f trouble.Finding, zone *time.Location, u Units) string {
	ago := func(d float64) string {
		if d < 1.5 {
			return fmt.Sprintf("%.0f h ago", 24*d)
		}
		return fmt.Sprintf("%.0f days ago", d)
	}
	switch {
	case f.Constituent != nil:
		c := *f.Constituent
		if !c.Known && c.Contaminant() {
			return fmt.Sprintf("%s was never read; window %s", c.Name, windowWords(c, u)+" "+string(second(u.Show(0, c.Unit))))
		}
		value, unit := u.Show(c.Value, c.Unit)
		return fmt.Sprintf("%s %s %s, 90 %% %s, window %s, %s; last reading %s", c.Name, decimals(value, c.U*u.scale(c.Unit)), unit,
			band(c.Low90, c.High90, c.U, c.Unit, u), windowWords(c, u), verdictWords(c), lastReading(c, zone, u))
	case f.Reading != nil:
		m := f.Reading.Body.(chem.Assay).Value
		words := f.About + " " + readingFigure(m, u)
		if f.Limits[1] > 0 {
			low, unit := u.Show(f.Limits[0], limitUnit(f.About))
			high, _ := u.Show(f.Limits[1], limitUnit(f.About))
			words += strings.TrimSpace(fmt.Sprintf(", wanted %s to %s %s", figures(low), figures(high), strings.TrimPrefix(string(unit), "pH")))
		}
		return words + ", read " + ago(e.At.Sub(f.Reading.Time).Hours()/24)
	case f.Flag != "":
		return u.Words(f.Flag)
	case f.About == trouble.Temperature || f.About == trouble.PH:
		if f.Limits[1] > 0 {
			low, unit := u.Show(f.Limits[0], limitUnit(f.About))
			high, _ := u.Show(f.Limits[1], limitUnit(f.About))
			return strings.TrimSpace(fmt.Sprintf("never read; wanted %s to %s %s", figures(low), figures(high), strings.TrimPrefix(string(unit), "pH")))
		}
		return "never read"
	case !math.IsNaN(f.Ratio):
		return fmt.Sprintf("anodes hung %.2g times the area last plated", f.Ratio)
	case f.About == trouble.Area:
		return "the log lacks the areas of anodes or of the part last plated"
	case f.About == trouble.Organics:
		return sinceWords("carbon treatment", f.Days, ago)
	case f.About == trouble.Bags, f.About == trouble.Filter:
		return sinceWords("change of "+f.About, f.Days, ago)
	case f.About == trouble.Dummy:
		return sinceWords("dummy plating", f.Days, ago)
	}
	return ""
}

func limitUnit(about string) chem.Unit {
	if about == trouble.PH {
		return "pH"
	}
	return "degC"
}

func readingFigure(m chem.Measured, u Units) string {
	v, unit := u.Show(m.Number.Float(), m.Unit)
	if unit == "pH" {
		return string(m.Number)
	}
	return fmt.Sprintf("%s %s", figures(v), unit)
}

func sinceWords(what string, days float64, ago func(float64) string) string {
	if math.IsNaN(days) {
		return "the log has no " + what
	}
	return "last " + what + " " + ago(days)
}
