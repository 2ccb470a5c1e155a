package reports

import (
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"time"

	"steadybath/chem"
	"steadybath/chem/journal"
)

// HistoryLine is one fact of the log.
type HistoryLine struct {
	Fact     chem.Fact
	Row      journal.Row
	VoidedBy int64 // number of the void, 0 for a fact that stands
}

// HistoryJSON writes the log as one JSON object.
func HistoryJSON(w io.Writer, bath string, lines []HistoryLine, head string) error {
	facts := make([]json.RawMessage, len(lines))
	for i, l := range lines {
		facts[i] = l.Row.JSON(l.VoidedBy)
	}
	return WriteJSON(w, struct {
		Bath  string            `json:"bath"`
		Facts []json.RawMessage `json:"facts"`
		Head  string            `json:"head"`
	}{bath, facts, head})
}

// lateEntry is how long after it happened a fact counts as written up late.
const lateEntry = 24 * time.Hour

// History writes the log for a terminal of 80 columns, oldest entry first.
func History(w io.Writer, bath string, lines []HistoryLine, total int, zone *time.Location, _ Units, head string) error {
	b := &strings.Builder{}
	numbers := map[string]int64{}
	for _, l := range lines {
		numbers[l.Fact.ID.String()] = l.Fact.Number
	}
	fmt.Fprintf(b, "%s · %d of %d facts\n\n", Plain(bath), len(lines), total)
	year, late := 0, false
	for _, l := range lines {
		at := l.Fact.Time.In(zone)
		if at.Year() != year {
			year = at.Year()
			fmt.Fprintf(b, "%d\n", year)
		}
		text := FactWords(l.Fact)
		if v, ok := l.Fact.Body.(chem.Void); ok {
			text = "void"
			if n := numbers[v.Target.String()]; n > 0 {
				text = fmt.Sprintf("void %d", n)
			}
		}
		if l.Fact.Note != "" {
			text += " – " + Plain(l.Fact.Note)
		}
		if l.VoidedBy > 0 {
			text = fmt.Sprintf("VOID, by %d: ", l.VoidedBy) + text
		}
		mark := " "
		if l.Fact.Entered.Sub(l.Fact.Time) > lateEntry {
			mark, late = "*", true
		}
		const before = 36
		fmt.Fprintf(b, "%6d  %s%s %-8s %s\n", l.Fact.Number, at.Format("Mon _2 Jan 15:04"), mark, clip(Plain(l.Fact.By), 8), wrap(text, width-before, strings.Repeat(" ", before)))
	}
	if late {
		b.WriteString("\n* entered more than a day after it happened; --json says when\n")
	}
	if head != "" {
		fmt.Fprintf(b, "\nchain head %.16s…\n", head)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func clip(s string, n int) string {
	r := []rune(s)
	if len(r) <= n {
		return s
	}
	return string(r[:n-1]) + "…"
}
