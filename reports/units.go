package reports

import (
	"fmt"
	"math"
	"strings"

	"steadybath/chem"
)

// Units is the system in which amounts are shown.
type Units string

// The systems: metric, and US customary with the trade's own (oz/gal, A/ft2).
const (
	Metric Units = "metric"
	US     Units = "us"
)

// ParseUnits reads the name of a system; empty is metric.
func ParseUnits(s string) (Units, error) {
	switch u := Units(strings.ToLower(strings.TrimSpace(s))); u {
	case "", Metric:
		return Metric, nil
	case US:
		return US, nil
	}
	return "", fmt.Errorf("--units %q: metric or us would fit", s)
}

// Show turns a value into the system's unit. Concentrations below the trade's
// ounces (mg/L, mL/L) stay as they are.
func (u Units) Show(value float64, unit chem.Unit) (float64, chem.Unit) {
	if u != US {
		return value, unit
	}
	to := unit
	switch unit {
	case "L":
		to = "gal"
	case "mL":
		to = "fl oz"
	case "g/L":
		to = "oz/gal"
	case "g":
		to = "oz"
	case "kg":
		to = "lb"
	case "A/dm2":
		to = "A/ft2"
	case "dm2":
		to = "ft2"
	case "degC":
		to = "degF"
	case "um":
		to = "mil"
	}
	v, err := unit.Convert(value, to)
	if err != nil {
		return value, unit
	}
	return v, to
}

// scale is Show for a difference, such as an uncertainty.
func (u Units) scale(unit chem.Unit) float64 {
	one, _ := u.Show(1, unit)
	zero, _ := u.Show(0, unit)
	return one - zero
}

// places is how many digits after the point show u with two figures, so that no
// digit is printed that the uncertainty drowns.
func places(u float64) int {
	if !(u > 0) || math.IsInf(u, 0) {
		return 2
	}
	return min(max(0, 1-int(math.Floor(math.Log10(u)))), 6)
}

// plusMinus writes value ± u with its unit in the system.
func (u Units) plusMinus(value, spread float64, unit chem.Unit) string {
	v, to := u.Show(value, unit)
	s := spread * u.scale(unit)
	p := places(s)
	return strings.TrimSpace(fmt.Sprintf("%.*f ± %.*f %s", p, v, p, s, to))
}

// amount writes a value with three figures that matter and its unit.
func (u Units) amount(value float64, unit chem.Unit) string {
	v, to := u.Show(value, unit)
	return strings.TrimSpace(figures(v) + " " + string(to))
}

// figures writes a number with three figures that matter, whole where larger.
func figures(x float64) string {
	if x == 0 || math.IsNaN(x) || math.IsInf(x, 0) {
		return fmt.Sprintf("%g", x)
	}
	p := max(0, 2-int(math.Floor(math.Log10(math.Abs(x)))))
	s := fmt.Sprintf("%.*f", min(p, 6), x)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// wrap breaks text at spaces so that no line has more than width runes of text;
// lines after the first begin with indent, which does not count.
func wrap(text string, width int, indent string) string {
	var b strings.Builder
	line := 0
	for i, word := range strings.Fields(text) {
		n := len([]rune(word))
		switch {
		case i == 0:
		case line+1+n > width:
			b.WriteString("\n" + indent)
			line = 0
		default:
			b.WriteString(" ")
			line++
		}
		b.WriteString(word)
		line += n
	}
	return b.String()
}
