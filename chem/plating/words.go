package plating

import (
	"fmt"
	"math"
	"strconv"
)

// figure writes three figures that matter.
func figure(x float64) string {
	if math.Abs(x) < 1e-9 { // as good as nothing
		return "0"
	}
	rounded, _ := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 3, 64), 64) // what was formatted can be read
	return strconv.FormatFloat(rounded, 'f', -1, 64)
}

// about writes a figure as one says it: two that matter, whole from ten on.
func about(x float64) string {
	switch {
	case x >= 10:
		return strconv.FormatFloat(x, 'f', 0, 64)
	case x > 0:
		return strconv.FormatFloat(x, 'f', max(0, 1-int(math.Floor(math.Log10(x)))), 64)
	}
	return "0"
}

// span writes hours as one says them: "45 min", "10.2 h".
func span(hours float64) string {
	switch {
	case hours < 1-1e-9:
		return figure(60*hours) + " min"
	case hours < 99.95:
		return strconv.FormatFloat(math.Round(10*hours)/10, 'f', -1, 64) + " h"
	}
	return fmt.Sprintf("%.0f h", hours)
}

// rampWords is how long a ramp takes.
func rampWords(hours float64) string {
	switch hours {
	case 0.5:
		return "half-hour"
	case 1:
		return "one-hour"
	}
	return span(hours)
}

// depositOr writes a deposit in what was asked for, thickness or mass.
func (a Asked) depositOr(x float64) string {
	if a.Thickness > 0 {
		return about(x) + " um"
	}
	return figure(x) + " g"
}
