package reports

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"steadybath/chem/anode"
	"steadybath/chem/estimate"
	"steadybath/chem/forecast"
)

type anodeLeftJSON struct {
	ID       string    `json:"id"`
	Form     string    `json:"form"`
	Hung     time.Time `json:"hung"`
	Mass     *Quantity `json:"mass"`
	Fraction *float64  `json:"fraction"`
	Area     *Quantity `json:"area"`
	Density  *Quantity `json:"current_density"`
	Replace  datesJSON `json:"replace"`
	Reason   string    `json:"reason"`
	Saves    Quantity  `json:"week_pulled_saves"`
	LifeAh   *float64  `json:"life_ah"`
	PassedAh float64   `json:"passed_ah"`
}

// AnodesJSON writes the answer of anodes as one JSON object.
func AnodesJSON(w io.Writer, e *estimate.Estimate, f *forecast.Forecast, head string) error {
	out := []anodeLeftJSON{}
	for _, a := range f.Anodes {
		j := anodeLeftJSON{ID: a.ID, Form: a.Form, Hung: a.Hung.UTC(), Replace: datesOf(a.Replace), Reason: a.Reason, Saves: Quantity{a.Saves, 0, "kg"}, PassedAh: a.PassedAh}
		if !math.IsNaN(a.Mass) {
			j.Mass = &Quantity{a.Mass, a.U, "kg"}
		}
		if !math.IsNaN(a.Fraction) {
			j.Fraction = &a.Fraction
		}
		if a.Area > 0 {
			j.Area = &Quantity{a.Area, 0, "dm2"}
		}
		if a.Density > 0 {
			j.Density = &Quantity{a.Density, 0, "A/dm2"}
		}
		if a.LifeAh > 0 {
			j.LifeAh = &a.LifeAh
		}
		out = append(out, j)
	}
	answer := struct {
		Bath        string          `json:"bath"`
		At          time.Time       `json:"at"`
		HorizonDays float64         `json:"horizon_days"`
		Anodes      []anodeLeftJSON `json:"anodes"`
		Current     *Quantity       `json:"usual_current"`
		Parts       *Quantity       `json:"usual_part_area"`
		Area        *Quantity       `json:"anode_area"`
		Ratio       *float64        `json:"area_ratio"`
		Head        string          `json:"head"`
	}{Bath: e.Bath.Name, At: e.At.UTC(), HorizonDays: f.Days, Anodes: out, Head: head}
	known := func(x float64, unit string) *Quantity {
		if x <= 0 {
			return nil
		}
		return &Quantity{x, 0, unit}
	}
	amps, parts := e.UsualRun()
	area := anodeArea(f)
	answer.Current, answer.Parts, answer.Area = known(amps, "A"), known(parts, "dm2"), known(area, "dm2")
	if area > 0 && parts > 0 {
		ratio := area / parts
		answer.Ratio = &ratio
	}
	return WriteJSON(w, answer)
}

// anodeArea is the area of all anodes together, dm2; 0 where one is unknown.
func anodeArea(f *forecast.Forecast) float64 {
	sum := 0.0
	for _, a := range f.Anodes {
		if a.Area <= 0 {
			return 0
		}
		sum += a.Area
	}
	return sum
}

// shortName fits a name into a table; it stands whole in the lines below.
func shortName(name string) string {
	const most = 14
	if letters := []rune(Plain(name)); len(letters) > most {
		return string(letters[:most-1]) + "…"
	}
	return Plain(name)
}

// Anodes writes what is left of each anode, when it has to be replaced and why.
func Anodes(w io.Writer, e *estimate.Estimate, f *forecast.Forecast, zone *time.Location, u Units, head string) error {
	b := &strings.Builder{}
	heading(b, e, zone)
	if len(f.Anodes) == 0 {
		b.WriteString(wrap(`no anode is logged as hung: steadybath anode hang slab-a 1.25kg --form slab --area 6dm2`, width-2, "  ") + "\n")
		return finishText(w, b, head)
	}
	date := func(t time.Time) string {
		switch {
		case t.IsZero():
			return "–"
		case !t.After(e.At):
			return "now"
		case t.Sub(e.At).Hours() > 300*24:
			return t.In(zone).Format("Jan 2006") // a day would say more than is known
		}
		return t.In(zone).Format("2 Jan")
	}
	cells := "\tleft\tof first\tarea\tdue: 10 %\t50 %\t90 %\n"
	for _, a := range f.Anodes {
		left, part, area := "not weighed", "–", "–"
		switch {
		case a.Form == "inert":
			left = "inert"
		case !math.IsNaN(a.Mass):
			left = u.plusMinus(a.Mass, a.U, "kg")
		}
		if !math.IsNaN(a.Fraction) {
			part = fmt.Sprintf("%.0f %%", 100*a.Fraction)
		}
		if a.Area > 0 {
			area = u.amount(a.Area, "dm2")
		}
		cells += fmt.Sprintf("%s\t%s\t%s\t%s\t%s\t%s\t%s\n", shortName(a.ID), left, part, area, date(a.Replace.P10), date(a.Replace.P50), date(a.Replace.P90))
	}
	if err := writeTable(b, cells); err != nil {
		return err
	}
	b.WriteString("\n")
	line := func(format string, args ...any) {
		b.WriteString(wrap(fmt.Sprintf(format, args...), width-2, "  ") + "\n")
	}
	pulled, density := 0.0, 0.0
	var whys []string
	names := map[string][]string{}
	for _, a := range f.Anodes {
		pulled += a.Saves
		density = math.Max(density, a.Density)
		why := ""
		switch {
		case a.Form == "inert" && a.LifeAh > 0:
			why = fmt.Sprintf("%.0f Ah have passed of a life of about %.0f Ah", a.PassedAh, a.LifeAh)
		case a.Form == "inert":
			why = fmt.Sprintf(`%.0f Ah have passed; how many each dm2 lasts is their maker's to say: steadybath bath set limits.anode_life 50000 because the data sheet says so`, a.PassedAh)
		case math.IsNaN(a.Mass):
			why = "never weighed; rinsed and dry on a kitchen scale will do: steadybath anode weigh " + quotedName(a.ID) + " 0.99kg"
		case a.Replace.P10.IsZero():
			why = fmt.Sprintf("no limit is reached within %.0f days", f.Days)
		default:
			why = "by then " + a.Reason
		}
		if names[why] == nil {
			whys = append(whys, why)
		}
		names[why] = append(names[why], Plain(a.ID))
	}
	for _, why := range whys {
		line("%s: %s", strings.Join(names[why], ", "), u.Words(why))
	}
	amps, parts := e.UsualRun()
	if density > 0 {
		most := ""
		if limit := e.Recipe.Limits.AnodeDensity; limit > 0 {
			most = "; the recipe allows " + u.amount(limit, "A/dm2")
		}
		line("anode current density at the usual %s A: %s%s", figures(amps), u.amount(density, "A/dm2"), most)
	} else if e.Recipe.Anodes != "inert" {
		line("their current density is not known: give areas when hanging (--area) and hours when plating (--hours)")
	}
	if area := anodeArea(f); area > 0 && parts > 0 {
		least := ""
		if limit := e.Recipe.Limits.AnodeRatio; limit > 0 {
			least = "; the recipe asks for " + figures(limit) + " times as much at least"
		}
		line("anode area: %s, %s times the %s of the usual parts%s", u.amount(area, "dm2"), figures(area/parts), u.amount(parts, "dm2"), least)
	} else if area > 0 {
		line("anode area beside the parts' is not known: give their area when plating (--area)")
	}
	if pulled > 0.0005 {
		line("pulled for a week without plating they would save about %s of metal, and the bath as much creep of it", u.amount(1000*pulled, "g"))
	}
	if _, stated := anode.Least(e.Recipe.Limits); !stated && pulled > 0 {
		line("20 %% left is an assumption: steadybath bath set limits.anode_least 0.3 because they fall apart earlier")
	}
	line("reckoned with %s Ah a day; areas by the form: a bar's goes with its radius, nuggets' with theirs squared, a slab keeps its faces until its last tenth (assumptions)", u.plusMinus(f.AhPerDay, f.UAhPerDay, ""))
	return finishText(w, b, head)
}

// quotedName is a name as it has to be typed.
func quotedName(name string) string {
	if strings.ContainsAny(name, " \t\"'$&;|<>()") {
		return "'" + strings.ReplaceAll(Plain(name), "'", "") + "'"
	}
	return Plain(name)
}

func finishText(w io.Writer, b *strings.Builder, head string) error {
	fmt.Fprintf(b, "chain head %.16s…\n", head)
	_, err := io.WriteString(w, b.String())
	return err
}
