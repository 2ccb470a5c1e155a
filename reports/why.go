package reports

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"steadybath/chem/estimate"
)

type termJSON struct {
	What   string  `json:"what"`
	Change float64 `json:"change"`
}

type shareJSON struct {
	What string  `json:"what"`
	Part float64 `json:"part"`
}

type narrowJSON struct {
	What string  `json:"what"`
	U    float64 `json:"u"`
}

type whyJSON struct {
	Bath        string       `json:"bath"`
	At          time.Time    `json:"at"`
	Constituent string       `json:"constituent"`
	Unit        string       `json:"unit"`
	Value       float64      `json:"value"`
	U           float64      `json:"u"`
	Since       time.Time    `json:"since"`
	Before      float64      `json:"before"`
	Terms       []termJSON   `json:"terms"`
	Uncertainty []shareJSON  `json:"uncertainty"`
	Narrow      []narrowJSON `json:"narrow"`
	Head        string       `json:"head"`
}

// WhyJSON writes the answer of state --why as one JSON object: the terms add up
// to value - before, the parts of the uncertainty to 1 but for what is left out
// because it is under 1e-4.
func WhyJSON(w io.Writer, e *estimate.Estimate, why *estimate.Why, head string) error {
	c := why.Constituent
	out := whyJSON{Bath: e.Bath.Name, At: e.At.UTC(), Constituent: c.Name, Unit: string(c.Unit), Value: c.Value, U: c.U, Since: why.From.UTC(), Before: why.Before,
		Terms: []termJSON{}, Uncertainty: []shareJSON{}, Narrow: []narrowJSON{}, Head: head}
	for _, t := range why.Terms {
		out.Terms = append(out.Terms, termJSON(t))
	}
	for _, s := range why.Shares {
		out.Uncertainty = append(out.Uncertainty, shareJSON(s))
	}
	for _, n := range why.Narrow {
		out.Narrow = append(out.Narrow, narrowJSON(n))
	}
	return WriteJSON(w, out)
}

// Why writes the answer of state --why as text for a terminal of 80 columns.
func Why(w io.Writer, e *estimate.Estimate, why *estimate.Why, zone *time.Location, u Units, head string) error {
	b := &strings.Builder{}
	heading(b, e, zone)
	c := why.Constituent
	scale, unit := u.scale(c.Unit), string(second(u.Show(0, c.Unit)))
	offset, _ := u.Show(0, c.Unit)
	p := places(c.U*scale) + 1
	line := func(what, value string) {
		fmt.Fprintf(b, "  %-*s %s\n", width-24, what, value)
	}
	row := func(what, format string, v float64, more string) {
		line(what, fmt.Sprintf(format, p, v)+" "+unit+more)
	}
	fmt.Fprintf(b, "why %s is what it is\n", Plain(c.Name))
	row(why.From.In(zone).Format("2 Jan 2006, 15:04")+", with "+why.FromWords, "%10.*f", why.Before*scale+offset, "")
	most := 0.0
	for _, t := range why.Terms {
		most = math.Max(most, math.Abs(t.Change))
	}
	small, rest := 0, 0.0
	for _, t := range why.Terms {
		if math.Abs(t.Change) < most/200 {
			small, rest = small+1, rest+t.Change
			continue
		}
		row(Plain(t.What), "%+10.*f", t.Change*scale, "")
	}
	if small > 0 {
		row(fmt.Sprintf("%d smaller terms", small), "%+10.*f", rest*scale, "")
	}
	row("now", "%10.*f", c.Value*scale+offset, "")
	if c.Held != nil {
		fmt.Fprintf(b, "  %s\n", wrap("the newest reading is held, and is not among these terms", width-4, "  "))
	}
	if len(why.Shares) > 0 {
		fmt.Fprintf(b, "\nwhat makes it unsure, ± %.*f %s\n", places(c.U*scale), c.U*scale, unit)
		few := 0.0
		for _, s := range why.Shares {
			if s.Part < 0.01 {
				few += s.Part
				continue
			}
			line(Plain(s.What), fmt.Sprintf("%8.0f %%", 100*s.Part))
		}
		if few >= 0.005 {
			line("what is under one percent each", fmt.Sprintf("%8.0f %%", 100*few))
		}
	}
	if len(why.Narrow) == 0 {
		b.WriteString("\nno single measurement would narrow it by more than a twentieth\n")
	}
	for i, n := range why.Narrow {
		if i == 0 {
			b.WriteString("\nwhat would narrow it most\n")
		}
		if i == 3 {
			break
		}
		line(Plain(n.What), fmt.Sprintf("± %.*f %s", places(c.U*scale), n.U*scale, unit))
	}
	fmt.Fprintf(b, "chain head %.16s…\n", head)
	_, err := io.WriteString(w, b.String())
	return err
}
