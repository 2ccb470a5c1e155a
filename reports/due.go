package reports

import (
	"fmt"
	"io"
	"strings"
	"time"

	"steadybath/chem/dose"
	"steadybath/chem/estimate"
)

// Due is one bath in the overview: what is to be done about it.
type Due struct {
	Bath   string   `json:"bath"`
	Volume Quantity `json:"volume"`
	Due    []string `json:"due"`
}

// DueOf says in a few words what a bath asks for, of what is due.
func DueOf(e *estimate.Estimate, things []Thing, zone *time.Location) Due {
	d := Due{Bath: e.Bath.Name, Volume: Quantity{e.Volume, e.UVolume, "L"}, Due: []string{}}
	for _, t := range things {
		d.Due = append(d.Due, plainLine(t.What)+t.dueDay(e.At, zone))
	}
	return d
}

// Overview writes one line per bath, with as much of what is due as a line takes.
func Overview(w io.Writer, lines []Due, u Units) error {
	names, volumes := make([]string, len(lines)), make([]string, len(lines))
	wide, wider := 0, 0
	for i, d := range lines {
		names[i], volumes[i] = clip(Plain(d.Bath), width/2), u.amount(d.Volume.Value, "L")
		wide, wider = max(wide, len([]rune(names[i]))), max(wider, len([]rune(volumes[i])))
	}
	for i, d := range lines {
		start := fmt.Sprintf("%-*s  %-*s  ", wide, names[i], wider, volumes[i])
		if _, err := fmt.Fprintln(w, start+fitting(d.Due, width-len([]rune(start)))); err != nil {
			return err
		}
	}
	return nil
}

// fitting joins as many of the things as n runes take, and says how many are left.
func fitting(things []string, n int) string {
	if len(things) == 0 {
		return "nothing is due"
	}
	for k := len(things); k > 0; k-- {
		text := strings.Join(things[:k], "; ")
		if k < len(things) {
			text += fmt.Sprintf("; %d more", len(things)-k)
		}
		if len([]rune(text)) <= n || k == 1 {
			return clip(text, n)
		}
	}
	return ""
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
