package reports

import (
	"fmt"
	"io"
	"strings"
	"time"

	"steadybath/chem/dose"
)

type stepJSON struct {
	Material string  `json:"material"` // "bath" for a bail-out
	Does     string  `json:"does"`     // add or bail
	Amount   float64 `json:"amount"`
	Unit     string  `json:"unit"`
}

type thenJSON struct {
	afterJSON
	Now     float64 `json:"now"`
	Known   bool    `json:"known"`
	Verdict string  `json:"verdict"`
	Below   float64 `json:"chance_below"`
	Above   float64 `json:"chance_above"`
}

// WhatIfJSON writes the answer of dose --what-if as one JSON object.
func WhatIfJSON(w io.Writer, o *dose.Outcome, head string) error {
	out := struct {
		Bath     string        `json:"bath"`
		At       time.Time     `json:"at"`
		Steps    []stepJSON    `json:"steps"`
		Before   plainQuantity `json:"volume_before"`
		Volume   Quantity      `json:"volume_after"`
		After    []thenJSON    `json:"after"`
		Breaks   []string      `json:"breaks"`
		Risks    []string      `json:"risks"`
		Solid    string        `json:"crystallises"`
		Stays    string        `json:"stays_dissolved"`
		Cautions []string      `json:"cautions"`
		Head     string        `json:"head"`
	}{Bath: o.Bath, At: o.At.UTC(), Steps: []stepJSON{}, Before: plainQuantity{o.Before, "L"}, Volume: Quantity{o.Volume, o.UVolume, "L"},
		After: []thenJSON{}, Breaks: list(o.Breaks), Risks: list(o.Risks), Solid: o.Solid, Stays: o.Stays, Cautions: list(o.Cautions), Head: head}
	for _, s := range o.Steps {
		if s.Bail > 0 {
			out.Steps = append(out.Steps, stepJSON{"bath", "bail", s.Bail, "L"})
			continue
		}
		out.Steps = append(out.Steps, stepJSON{s.Material.Name, "add", s.Amount, string(s.Material.Unit)})
	}
	for _, t := range o.Then {
		out.After = append(out.After, thenJSON{afterJSON{t.Name, string(t.Unit), t.Value, t.Low90, t.High90}, t.Now, t.Known, string(t.Verdict), t.Below, t.Above})
	}
	return WriteJSON(w, out)
}

// WhatIf writes the bath after some steps for a terminal of 80 columns.
func WhatIf(w io.Writer, o *dose.Outcome, zone *time.Location, u Units) error {
	b := &strings.Builder{}
	titleLine(b, o.Bath, "what if", o.At.In(zone).Format("Mon 2 Jan 2006 15:04 MST"))
	var names []string
	for _, t := range o.Then {
		names = append(names, t.Name)
	}
	for i, s := range o.Steps {
		line := "bail out " + exactAmount(u, s.Bail, "L")
		if s.Bail == 0 {
			amount, unit := dose.Shown(s.Amount, s.Material.Unit)
			line = fmt.Sprintf("%s of %s", exactAmount(u, amount, unit), s.Material.Name)
			names = append(names, s.Material.Name)
		}
		fmt.Fprintf(b, "%d. %s\n", i+1, wrap(line, width-3, "   "))
	}
	before, unit := u.Show(o.Before, "L")
	after, _ := u.Show(o.Volume, "L")
	spread := o.UVolume * u.scale("L")
	t := &strings.Builder{}
	t.WriteString("\tnow\tthen\t90 %\twindow\t\n")
	fmt.Fprintf(t, "volume\t%s\t%s %s\t%s\t\t\n", decimals(before, spread), decimals(after, spread), unit,
		band(o.Volume-1.645*o.UVolume, o.Volume+1.645*o.UVolume, o.UVolume, "L", u))
	for _, c := range o.Then {
		half := (c.High90 - c.Low90) / 2 / 1.645
		now, unit := u.Show(c.Now, c.Unit)
		then, _ := u.Show(c.Value, c.Unit)
		word := string(c.Verdict)
		if !c.Known {
			word = "not read"
		}
		fmt.Fprintf(t, "%s\t%s\t%s %s\t%s\t%s\t%s\n", c.Name, decimals(now, half*u.scale(c.Unit)), decimals(then, half*u.scale(c.Unit)), unit,
			band(c.Low90, c.High90, half, c.Unit, u), c.Window(func(x float64) string { v, _ := u.Show(x, c.Unit); return figures(v) }), word)
	}
	b.WriteString("\nthe bath after it:\n")
	if err := writeTable(b, t.String()); err != nil {
		return err
	}
	b.WriteString("\n")
	line := func(mark, text string) {
		fmt.Fprintf(b, "%s%s\n", mark, wrap(u.Words(text, names...), width-len(mark), strings.Repeat(" ", len(mark))))
	}
	for _, s := range o.Breaks {
		line("! ", s)
	}
	if len(o.Breaks) == 0 {
		b.WriteString("no window is broken\n")
	}
	for _, s := range o.Risks {
		line("  ", s)
	}
	if o.Solid != "" {
		line("! ", o.Solid)
	}
	if o.Stays != "" {
		line("  ", o.Stays)
	}
	for _, s := range o.Cautions {
		line("care: ", s)
	}
	b.WriteString("nothing was written\n")
	_, err := io.WriteString(w, b.String())
	return err
}
