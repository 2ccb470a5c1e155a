package reports

import (
	"fmt"
	"io"
	"strings"
)

// Verdict is how one check of an installation came out.
type Verdict string

// The verdicts of a check.
const (
	VerdictOK    Verdict = "ok"    // as it should be
	VerdictLook  Verdict = "look"  // works, and somebody should know of it
	VerdictFault Verdict = "fault" // has to be mended
)

// Check is one thing that was looked at, and what would mend it; Cure is empty
// where nothing needs to be.
type Check struct {
	Name    string  `json:"name"`
	Verdict Verdict `json:"verdict"`
	What    string  `json:"what"`
	Cure    string  `json:"cure"`
}

// Doctor writes checks as text for a terminal of 80 columns: verdict, name, what
// was found, and below it the cure.
func Doctor(w io.Writer, checks []Check) error {
	const left = 18 // verdict and name
	indent := strings.Repeat(" ", left)
	var b strings.Builder
	for _, c := range checks {
		fmt.Fprintf(&b, "%-6s %-10s %s\n", c.Verdict, c.Name, wrap(Plain(c.What), width-left, indent))
		if c.Cure != "" {
			fmt.Fprintf(&b, "%s%s\n", indent, wrap("cure: "+Plain(c.Cure), width-left-6, indent+"      "))
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// DoctorJSON writes checks as one JSON object.
func DoctorJSON(w io.Writer, checks []Check) error {
	return WriteJSON(w, struct {
		Checks []Check `json:"checks"`
	}{checks})
}
