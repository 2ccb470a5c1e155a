package reports

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"steadybath/chem/dose"
	"steadybath/chem/estimate"
)

// Due is one bath in the overview: what is to be done about it.
type Due struct {
	Bath   string   `json:"bath"`
	Volume Quantity `json:"volume"`
	Due    []string `json:"due"`
}

// DueOf says in a few words what a bath asks for now.
func DueOf(e *estimate.Estimate, p *dose.Plan, u Units) Due {
	d := Due{Bath: e.Bath.Name, Volume: Quantity{e.Volume, e.UVolume, "L"}, Due: []string{}}
	for _, r := range p.TitrateFirst {
		d.Due = append(d.Due, "read "+r.Constituent)
	}
	if p.Bail > 0 {
		d.Due = append(d.Due, "bail out "+exactAmount(u, p.Bail, "L"))
	}
	for _, a := range p.Additions {
		d.Due = append(d.Due, fmt.Sprintf("add %s %s", exactAmount(u, a.Amount, a.Unit), a.Material.Name))
	}
	for _, f := range e.Flags {
		if f.Kind == "anodes" {
			d.Due = append(d.Due, "look at the anodes")
		}
	}
	return d
}

// Overview writes one line per bath.
func Overview(w io.Writer, lines []Due, u Units) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, d := range lines {
		what := "nothing is due"
		if len(d.Due) > 0 {
			what = strings.Join(d.Due, "; ")
		}
		fmt.Fprintf(t, "%s\t%s\t%s\n", Plain(d.Bath), u.amount(d.Volume.Value, "L"), what)
	}
	return t.Flush()
}

// OrganicDueWords says that an organic has come due and how much of it.
func OrganicDueWords(d dose.OrganicDue, u Units) string {
	line := fmt.Sprintf("%s is due: add %s", Plain(d.Material.Name), exactAmount(u, d.Amount, d.Unit))
	switch {
	case !d.Added:
		return line
	case d.SinceAh < 0.5 && d.SinceDays < 0.5:
		return line + " more"
	}
	return line + fmt.Sprintf(" (%.3g Ah and %.0f days since the last dose)", d.SinceAh, d.SinceDays)
}
