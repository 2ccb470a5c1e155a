package reports

import (
	"fmt"
	"io"
	"strings"
	"time"

	"steadybath/chem"
	"steadybath/chem/dose"
)

type portionJSON struct {
	Amount float64 `json:"amount"`
	Unit   string  `json:"unit"`
	Wait   string  `json:"wait"`
}

type additionJSON struct {
	Material  string        `json:"material"`
	Amount    float64       `json:"amount"`
	Unit      string        `json:"unit"`
	Portions  []portionJSON `json:"portions"`
	Why       string        `json:"why"`
	Cautions  []string      `json:"cautions"`
	EveryAh   float64       `json:"every_ah,omitempty"`
	EveryDays float64       `json:"every_days,omitempty"`
}

type afterJSON struct {
	Name   string  `json:"name"`
	Unit   string  `json:"unit"`
	Value  float64 `json:"value"`
	Low90  float64 `json:"low90"`
	High90 float64 `json:"high90"`
}

type plainQuantity struct {
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
}

type readFirstJSON struct {
	Constituent string `json:"constituent"`
	Why         string `json:"why"`
}

type refusedJSON struct {
	What string `json:"what"`
	Why  string `json:"why"`
}

type doseJSON struct {
	Bath         string          `json:"bath"`
	At           time.Time       `json:"at"`
	Additions    []additionJSON  `json:"additions"`
	Bail         *plainQuantity  `json:"bail"`
	BailWhy      string          `json:"bail_why,omitempty"`
	BailCautions []string        `json:"bail_cautions,omitempty"`
	Compromise   string          `json:"compromise,omitempty"`
	After        []afterJSON     `json:"after"`
	Volume       plainQuantity   `json:"volume_after"`
	TitrateFirst []readFirstJSON `json:"titrate_first"`
	Titrate      []titrateJSON   `json:"titrate"`
	Buy          []buyJSON       `json:"buy"`
	Cautions     []string        `json:"cautions"`
	Refused      []refusedJSON   `json:"refused"`
	LeftAlone    []string        `json:"left_alone"`
	Head         string          `json:"head"`
}

// buyJSON is what the plan lacks: an amount on top of what is left.
type buyJSON struct {
	Material string  `json:"material"`
	Amount   float64 `json:"amount"`
	Unit     string  `json:"unit"`
	Left     float64 `json:"left"`
}

// titrateJSON is a reading that falls due.
type titrateJSON struct {
	Constituent string    `json:"constituent"`
	By          time.Time `json:"by"`
	Why         string    `json:"why"`
}

// DoseJSON writes the answer of dose as one JSON object.
func DoseJSON(w io.Writer, p *dose.Plan, head string) error {
	out := doseJSON{Bath: p.Bath, At: p.At.UTC(), Additions: []additionJSON{}, After: []afterJSON{}, TitrateFirst: []readFirstJSON{},
		Cautions: list(p.Cautions), Refused: []refusedJSON{}, LeftAlone: list(p.Quiet), Volume: plainQuantity{p.Volume, "L"}, Head: head}
	for _, a := range p.Additions {
		j := additionJSON{Material: a.Material.Name, Amount: a.Amount, Unit: string(a.Unit), Why: a.Why, Cautions: list(a.Cautions),
			Portions: []portionJSON{}, EveryAh: a.Every.Ah, EveryDays: a.Every.Days}
		for _, q := range a.Portions {
			j.Portions = append(j.Portions, portionJSON{q.Amount, string(q.Unit), q.Wait})
		}
		out.Additions = append(out.Additions, j)
	}
	if p.Bail > 0 {
		out.Bail, out.BailWhy, out.BailCautions = &plainQuantity{p.Bail, "L"}, p.BailWhy, p.BailCautions
	}
	out.Compromise = p.Compromise
	for _, a := range p.After {
		out.After = append(out.After, afterJSON{a.Name, string(a.Unit), a.Value, a.Low90, a.High90})
	}
	for _, r := range p.TitrateFirst {
		out.TitrateFirst = append(out.TitrateFirst, readFirstJSON{r.Constituent, r.Why})
	}
	out.Buy = []buyJSON{}
	for _, b := range p.Buy {
		out.Buy = append(out.Buy, buyJSON{b.Material.Name, b.Amount, string(b.Unit), b.Left})
	}
	out.Titrate = []titrateJSON{}
	for _, t := range p.Next {
		out.Titrate = append(out.Titrate, titrateJSON{t.Constituent, t.By.UTC(), t.Why})
	}
	for _, r := range p.Refused {
		out.Refused = append(out.Refused, refusedJSON{r.What, r.Why})
	}
	return WriteJSON(w, out)
}

func list(s []string) []string { return append([]string{}, s...) }

// Dose writes a plan as text for a terminal of 80 columns, in the order of
// work.
func Dose(w io.Writer, p *dose.Plan, zone *time.Location, u Units) error {
	p = u.PlanWords(p)
	b := &strings.Builder{}
	titleLine(b, p.Bath, "what to add", p.At.In(zone).Format("Mon 2 Jan 2006 15:04 MST"))
	doing := len(p.Additions) > 0 || p.Bail > 0
	for _, r := range p.TitrateFirst {
		fmt.Fprintf(b, "read first: %s\n", wrap(r.Constituent+" – "+r.Why, width-12, "    "))
	}
	if len(p.TitrateFirst) > 0 && doing {
		b.WriteString("what follows is only as good as the log; enter these readings and ask again\n")
	}
	if len(p.TitrateFirst) > 0 {
		b.WriteString("\n")
	}
	if p.Compromise != "" {
		fmt.Fprintf(b, "! %s\n\n", wrap(p.Compromise, width-2, "  "))
	}
	if !doing {
		b.WriteString("nothing to add now\n")
	}
	n := 0
	step := func(format string, args ...any) {
		n++
		fmt.Fprintf(b, "%d. %s\n", n, wrap(fmt.Sprintf(format, args...), width-3, "   "))
	}
	detail := func(word, text string) {
		fmt.Fprintf(b, "   %s%s\n", word, wrap(text, width-3-len(word), strings.Repeat(" ", 3+len(word))))
	}
	if doing && len(p.Cautions) > 0 {
		fmt.Fprintf(b, "%s\n\n", wrap(p.Cautions[0], width, ""))
	}
	if p.Bail > 0 {
		step("bail out %s before anything goes in", exactAmount(u, p.Bail, "L"))
		detail("why: ", p.BailWhy)
		for _, c := range p.BailCautions {
			detail("care: ", c)
		}
	}
	for _, a := range p.Additions {
		step("%s of %s", exactAmount(u, a.Amount, a.Unit), a.Material.Name)
		detail("why: ", a.Why)
		for _, line := range portionLines(a.Portions, u) {
			detail("", line)
		}
		for _, c := range a.Cautions {
			detail("care: ", c)
		}
	}
	if doing && len(p.Quiet)+len(p.Refused) > 0 {
		b.WriteString("\n")
	}
	for _, q := range p.Quiet {
		fmt.Fprintf(b, "left alone: %s\n", wrap(q, width-12, "    "))
	}
	for _, r := range p.Refused {
		fmt.Fprintf(b, "not done: %s\n", wrap(r.What+" – "+r.Why, width-10, "    "))
	}
	for _, q := range p.Buy {
		fmt.Fprintf(b, "to buy: %s\n", wrap(fmt.Sprintf("%s more of %s; by the log %s of it are left", exactAmount(u, q.Amount, q.Unit), q.Material.Name, exactAmount(u, q.Left, q.Unit)), width-8, "    "))
	}
	if n > 0 {
		fmt.Fprintf(b, "\nthe bath after it, %s:\n", u.amount(p.Volume, "L"))
	} else {
		b.WriteString("\nthe bath as it is:\n")
	}
	for _, a := range p.After {
		spread := (a.High90 - a.Low90) / 2 / 1.645
		value, unit := u.Show(a.Value, a.Unit)
		fmt.Fprintf(b, "   %-16s %s %s, 90 %% %s\n", a.Name, decimals(value, spread*u.scale(a.Unit)), unit, band(a.Low90, a.High90, spread, a.Unit, u))
	}
	nextReadings(b, p, zone, u)
	for i, c := range p.Cautions {
		if i > 0 || n == 0 {
			fmt.Fprintf(b, "\n%s\n", wrap(c, width, ""))
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// nextReadings says which reading falls due when; one reason stands behind all that
// fall due on a day for it.
func nextReadings(b *strings.Builder, p *dose.Plan, zone *time.Location, u Units) {
	type group struct{ day, why string }
	names := map[group][]string{}
	var order []group
	for _, t := range p.Next {
		day := "now"
		if t.By.After(p.At) {
			day = "by " + t.By.In(zone).Format("Mon 2 Jan")
		}
		g := group{day, t.Why}
		if names[g] == nil {
			order = append(order, g)
		}
		names[g] = append(names[g], t.Constituent)
	}
	if len(order) > 0 {
		b.WriteString("\nnext readings\n")
	}
	for _, g := range order {
		fmt.Fprintf(b, "   %s\n", wrap(fmt.Sprintf("%s %s: %s", strings.Join(names[g], ", "), g.day, u.Words(g.why)), width-6, "      "))
	}
}

// exactAmount writes what is to be weighed out with every digit of the plan: a
// rounded figure would be another dose.
func exactAmount(u Units, amount float64, unit chem.Unit) string {
	v, to := u.Show(amount, unit)
	if to != unit {
		return fmt.Sprintf("%s %s (%s %s)", figures(v), to, chem.DecimalOf(amount), unit)
	}
	return fmt.Sprintf("%s %s", chem.DecimalOf(amount), unit)
}

// portionLines joins portions that are followed by the same: "6 times 45 mL, then
// 20 mL, each: ...".
func portionLines(portions []dose.Portion, u Units) []string {
	if len(portions) == 1 {
		return []string{"then " + portions[0].Wait}
	}
	var out []string
	for i := 0; i < len(portions); {
		j := i
		var parts []string
		for j < len(portions) && portions[j].Wait == portions[i].Wait {
			k := j
			for k < len(portions) && portions[k] == portions[j] {
				k++
			}
			amount := exactAmount(u, portions[j].Amount, portions[j].Unit)
			if k-j > 1 {
				amount = fmt.Sprintf("%d times %s", k-j, amount)
			}
			parts = append(parts, amount)
			j = k
		}
		each := ""
		if j-i > 1 {
			each = ", each"
		}
		out = append(out, strings.Join(parts, ", then ")+each+": "+portions[i].Wait)
		i = j
	}
	return out
}
