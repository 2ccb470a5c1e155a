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
	After        []afterJSON     `json:"after"`
	Volume       plainQuantity   `json:"volume_after"`
	TitrateFirst []readFirstJSON `json:"titrate_first"`
	Cautions     []string        `json:"cautions"`
	Refused      []refusedJSON   `json:"refused"`
	LeftAlone    []string        `json:"left_alone"`
	Head         string          `json:"head"`
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
		out.Bail = &plainQuantity{p.Bail, "L"}
	}
	for _, a := range p.After {
		out.After = append(out.After, afterJSON{a.Name, string(a.Unit), a.Value, a.Low90, a.High90})
	}
	for _, r := range p.TitrateFirst {
		out.TitrateFirst = append(out.TitrateFirst, readFirstJSON{r.Constituent, r.Why})
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
	b := &strings.Builder{}
	fmt.Fprintf(b, "%s · what to add · %s\n\n", plain(p.Bath), p.At.In(zone).Format("Mon 2 Jan 2006 15:04 MST"))
	for _, r := range p.TitrateFirst {
		fmt.Fprintf(b, "read first: %s\n", wrap(r.Constituent+" – "+r.Why, width-12, "    "))
	}
	if len(p.TitrateFirst) > 0 {
		b.WriteString("\n")
	}
	if len(p.Additions) == 0 && p.Bail == 0 {
		b.WriteString("nothing to add now\n")
	}
	n := 0
	step := func(format string, args ...any) {
		n++
		fmt.Fprintf(b, "%d. %s\n", n, wrap(fmt.Sprintf(format, args...), width-3, "   "))
	}
	for i, c := range p.Cautions {
		if i == 0 && (len(p.Additions) > 0 || p.Bail > 0) {
			fmt.Fprintf(b, "%s\n\n", wrap(c, width, ""))
		}
	}
	if p.Bail > 0 {
		step("bail out %s into a labelled waste container", u.amount(p.Bail, "L"))
	}
	for _, a := range p.Additions {
		step("%s of %s", exactAmount(u, a.Amount, a.Unit), a.Material.Name)
		fmt.Fprintf(b, "   why: %s\n", wrap(a.Why, width-8, "   "))
		for _, line := range portionLines(a.Portions, u) {
			fmt.Fprintf(b, "   %s\n", wrap(line, width-3, "     "))
		}
		for _, c := range a.Cautions {
			fmt.Fprintf(b, "   care: %s\n", wrap(c, width-9, "         "))
		}
	}
	for _, q := range p.Quiet {
		fmt.Fprintf(b, "left alone: %s\n", wrap(q, width-12, "    "))
	}
	for _, r := range p.Refused {
		fmt.Fprintf(b, "not done: %s\n", wrap(r.What+" – "+r.Why, width-10, "    "))
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
	for i, c := range p.Cautions {
		if i > 0 || n == 0 {
			fmt.Fprintf(b, "\n%s\n", wrap(c, width, ""))
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
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

// portionLines joins equal portions: "6 pours of 45 mL, each when ...".
func portionLines(portions []dose.Portion, u Units) []string {
	var out []string
	for i := 0; i < len(portions); {
		j := i
		for j < len(portions) && portions[j] == portions[i] {
			j++
		}
		p := portions[i]
		switch n := j - i; {
		case len(portions) == 1:
			out = append(out, "then "+p.Wait)
		case n == 1:
			out = append(out, fmt.Sprintf("%s, then wait: %s", exactAmount(u, p.Amount, p.Unit), p.Wait))
		default:
			out = append(out, fmt.Sprintf("%d times %s, after each wait: %s", n, exactAmount(u, p.Amount, p.Unit), p.Wait))
		}
		i = j
	}
	return out
}
