package reports

import (
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/google/uuid"

	"steadybath/chem"
	"steadybath/chem/dose"
	"steadybath/chem/estimate"
)

// PageInput is what a bath's page is made from. Estimate needs its track.
type PageInput struct {
	Estimate *estimate.Estimate
	Plan     *dose.Plan
	Entered  []chem.Fact // the chain in order of entry, voided facts included
	Zone     *time.Location
	Units    Units
	Head     string
	Made     time.Time
	Version  string
}

// mostLog is how many of the newest facts the page shows.
const mostLog = 300

// BathPage lays an estimate and a plan out as the bath's page.
func BathPage(in PageInput) Page {
	e := in.Estimate
	p := Page{Bath: e.Bath.Name, Title: e.Recipe.Title, Made: in.Made, Zone: in.Zone, Head: in.Head, LogTotal: len(in.Entered),
		Cautions: append(append([]string(nil), e.Recipe.Cautions...), in.Units.PlanWords(in.Plan).Cautions...)}
	p.Due = dueLines(e, in.Plan, in.Units)
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
		panel.Readings = append(readingsOf(e, c.Name, scale), voidReadings(in.Entered, gone, c.Constituent, scale)...)
		for _, m := range marks {
			if m.of == nil || m.of[c.Name] != 0 {
				panel.Marks = append(panel.Marks, m.Mark)
			}
		}
		p.Panels = append(p.Panels, panel)
	}
	p.Panels = append(p.Panels, volumePanel(e, marks, in.Units))
	p.Days = daysOf(e, in.Zone)
	for _, f := range slices.Backward(in.Entered) {
		if len(p.Log) == mostLog {
			break
		}
		text := FactWords(f)
		if f.Note != "" {
			text += " – " + f.Note
		}
		p.Log = append(p.Log, LogLine{Number: int(f.Number), Time: f.Time, Kind: string(f.Kind()), Text: text, By: f.By, VoidedBy: int(gone[f.ID])})
	}
	p.How = howWords(in)
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

func dueLines(e *estimate.Estimate, plan *dose.Plan, u Units) []DueLine {
	var out []DueLine
	plan = u.PlanWords(plan)
	for _, f := range e.Flags {
		if f.Kind == "held" || f.Kind == "anodes" {
			out = append(out, DueLine{What: "look at " + f.Subject, Why: u.flagWords(e, f), Level: DueNow})
		}
	}
	for _, r := range plan.TitrateFirst {
		out = append(out, DueLine{What: "read " + r.Constituent + " first", Why: r.Why, Level: DueNow})
	}
	if plan.Bail > 0 {
		out = append(out, DueLine{What: "bail out " + u.amount(plan.Bail, "L"), Why: "an upper limit asks for it; what is bailed out is hazardous waste", Level: DueNow})
	}
	for _, a := range plan.Additions {
		out = append(out, DueLine{What: fmt.Sprintf("add %s of %s", exactAmount(u, a.Amount, a.Unit), a.Material.Name), Why: a.Why, Level: DueNow})
	}
	for _, r := range plan.Refused {
		out = append(out, DueLine{What: r.What, Why: r.Why, Level: DueSoon})
	}
	for _, q := range plan.Quiet {
		out = append(out, DueLine{What: "leave it", Why: q, Level: DueLater})
	}
	return out
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
		m := bathMark{Mark: Mark{Time: f.Time, Text: FactWords(f)}}
		if f.Note != "" {
			m.Text += " – " + f.Note
		}
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
		label := FactWords(r.Fact)
		if r.Fact.Note != "" {
			label += " – " + r.Fact.Note
		}
		out = append(out, Reading{Time: r.Fact.Time, Value: r.Value * scale, U: r.U * scale, State: state, Label: label})
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
	for _, f := range e.Bath.Facts {
		b, ok := f.Body.(chem.Plate)
		if !ok || f.Time.After(e.At) {
			continue
		}
		at := f.Time.In(zone)
		date := time.Date(at.Year(), at.Month(), at.Day(), 12, 0, 0, 0, zone)
		if n := len(out); n > 0 && out[n-1].Date.Equal(date) {
			out[n-1].Ah += b.Charge.Value("Ah")
			continue
		}
		out = append(out, DayCharge{date, b.Charge.Value("Ah")})
	}
	return out
}

func howWords(in PageInput) []string {
	e := in.Estimate
	out := []string{
		fmt.Sprintf("Made by steadybath %s from %d facts; the line is the smoothed estimate, from what was read before and after each moment, the band its 90 %% interval.", in.Version, len(in.Entered)),
		fmt.Sprintf("Recipe: %s. Windows and priors are its own; bath show prints it with the source of each figure.", e.Recipe.Title),
	}
	for _, b := range e.Balances {
		word := "closes"
		if !b.Closes {
			word = "does not close"
		}
		out = append(out, fmt.Sprintf("The %s balance %s: %+.*f ± %.*f %s.", b.Name, word, places(b.U), b.Closure, places(b.U), b.U, b.Unit))
	}
	for _, r := range e.Rates {
		out = append(out, fmt.Sprintf("Learned so far: %s %.3g ± %.2g %s.", r.Name, r.Value, r.U, r.Unit))
	}
	return out
}
