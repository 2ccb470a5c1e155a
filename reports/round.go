package reports

import (
	"fmt"
	"io"
	"strings"
	"time"
)

// Box is what there is to fill in on the sheet of a round.
type Box string

// The boxes: one number; start and end of a burette, twice; how a panel looks;
// a line of text.
const (
	BoxOne     Box = "one"
	BoxBurette Box = "burette"
	BoxPanel   Box = "panel"
	BoxLine    Box = "line"
)

// RoundItem is one question of a round on paper.
type RoundItem struct {
	Section string // heading under which it stands
	Name    string
	Unit    string
	Last    string // the last value with its day; empty where there is none
	Box     Box
	With    string // what the burette holds
	Lot     string // its lot; empty where none was ever named
}

// RoundSheet is the weekly round on paper.
type RoundSheet struct {
	Bath    string
	Title   string
	Metal   string // what the bath plates
	Cyanide bool
	Printed time.Time
	Zone    *time.Location
	Items   []RoundItem // in the order of work
}

// sheetLines is how many lines a page of A4 takes at six to the inch, with a
// margin of an inch above and below: (297 mm / 25.4 - 2) * 6 = 58.2.
const sheetLines = 58

// WriteRoundSheet writes the sheet as plain text of 80 columns. It is spaced out
// for a pencil where that leaves it on one page.
func WriteRoundSheet(w io.Writer, s RoundSheet) error {
	text := sheetText(s, true)
	if strings.Count(text, "\n") > sheetLines {
		text = sheetText(s, false)
	}
	_, err := io.WriteString(w, text)
	return err
}

func sheetText(s RoundSheet, spaced bool) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n", clip(fmt.Sprintf("WEEKLY ROUND  %s · %s", Plain(s.Bath), Plain(s.Title)), width))
	fmt.Fprintf(&b, "printed %-24s date ___________  time _______  by ___________\n", s.Printed.In(s.Zone).Format("2 Jan 2006"))
	fmt.Fprintf(&b, "%s\n", careLine(s.Metal, s.Cyanide))
	section := ""
	for i, item := range s.Items {
		if item.Section != section {
			section = item.Section
			fmt.Fprintf(&b, "\n%s\n", strings.ToUpper(section[:1])+section[1:])
		} else if spaced {
			b.WriteString("\n")
		}
		writeItem(&b, i+1, item)
	}
	b.WriteString("\nType it in with: steadybath round. The numbers there are those here.\n")
	return b.String()
}

// Columns of the sheet: where the last value begins, and where boxes end.
const (
	lastColumn = 30
	boxColumn  = 58
)

func writeItem(b *strings.Builder, n int, item RoundItem) {
	last := "never yet"
	if item.Last != "" {
		last = "last " + item.Last
	}
	left := padded(fmt.Sprintf("%2d  %s", n, clip(Plain(item.Name), lastColumn-6)), lastColumn)
	switch item.Box {
	case BoxBurette:
		name := item.Name
		if item.With != "" {
			name += " by " + item.With
		}
		name = clip(Plain(name), width-6-len([]rune(last)))
		fmt.Fprintf(b, "%2d  %s%s\n", n, padded(name, max(lastColumn-4, len([]rune(name))+1)), Plain(last))
		lot := "lot [" + strings.Repeat("_", 18) + "]"
		if item.Lot != "" {
			lot = "lot " + clip(Plain(item.Lot), 10) + " or "
			lot += "[" + strings.Repeat("_", 22-len([]rune(lot))) + "]"
		}
		fmt.Fprintf(b, "    [_______] to [_______]   [_______] to [_______] mL  %s\n", lot)
	case BoxPanel:
		fmt.Fprintf(b, "%s%s[ ] low [ ] right [ ] high\n", left, padded(clip(Plain(last), boxColumn-lastColumn-5)+" ", width-26-lastColumn))
		fmt.Fprintf(b, "%s[____________] %s\n", strings.Repeat(" ", boxColumn-4), item.Unit)
	case BoxLine:
		fmt.Fprintf(b, "%2d  [%s]\n", n, strings.Repeat("_", width-6))
		fmt.Fprintf(b, "    [%s]\n", strings.Repeat("_", width-6))
	default:
		fmt.Fprintf(b, "%s%s[____________] %s\n", left, padded(clip(Plain(last), boxColumn-lastColumn-5)+" ", boxColumn-4-lastColumn), item.Unit)
	}
}

// careLine is the usual care in one line; the page of cautions has the rest.
func careLine(metal string, cyanide bool) string {
	switch {
	case cyanide:
		return "CARE exhaust on, never alone, no acid in the room; the supplier's sheet decides"
	case metal == "nickel":
		return "CARE goggles, gloves, exhaust (mist); wastes apart; data sheets and codes first"
	}
	return "CARE goggles, gloves; acid into water; wastes apart; data sheets and codes first"
}

// RoundLine is one answer in the second look.
type RoundLine struct {
	Number int
	Name   string
	Words  string // what will be written
	Why    string // why it is right although it is unlikely; empty where it is likely
}

// RoundLook is what a round will write.
type RoundLook struct {
	Bath    string
	At      time.Time
	Zone    *time.Location
	Lines   []RoundLine
	Skipped []string // number and name of what was not answered
}

// WriteRoundLook writes the second look as a table of at most 80 columns.
func WriteRoundLook(w io.Writer, l RoundLook) error {
	var b strings.Builder
	fmt.Fprintf(&b, "to be written, bath %s, %s\n", Plain(l.Bath), l.At.In(l.Zone).Format("Mon 2 Jan 2006 15:04 MST"))
	names := 0
	for _, x := range l.Lines {
		names = max(names, min(28, len([]rune(x.Name))))
	}
	before := 2 + 3 + 2 + names + 2
	for _, x := range l.Lines {
		words := Plain(x.Words)
		if x.Why != "" {
			words += " (all the same: " + Plain(x.Why) + ")"
		}
		fmt.Fprintf(&b, "  %3d  %s  %s\n", x.Number, padded(clip(Plain(x.Name), names), names), wrap(words, width-before, strings.Repeat(" ", before)))
	}
	if len(l.Lines) == 0 {
		b.WriteString("  nothing\n")
	}
	if len(l.Skipped) > 0 {
		fmt.Fprintf(&b, "  skipped: %s\n", wrap(Plain(strings.Join(l.Skipped, ", ")), width-11, "           "))
	}
	_, err := io.WriteString(w, b.String())
	return err
}
