package chem

import (
	"fmt"
	"math"
)

// The current density along a Hull-cell panel of 267 mL, A/dm2 per ampere:
// hullA - hullB·log10(x), x in cm from the end of high current density. Constants
// and range are those for inches and A/ft2, 27.7 and 48.7 from 0.25 to 3.25 in, in
// metric units; they are means over several electrolytes.
const (
	hullA        = 5.1038 // A/dm2 per A: Metal Finishing Guide Book 2013, p. 482, in metric units; read in excerpt
	hullB        = 5.2420 // A/dm2 per A and decade: Metal Finishing Guide Book 2013, p. 482, in metric units; read in excerpt
	hullNearest  = 0.635  // cm: Metal Finishing Guide Book 2013, p. 482, 0.25 in; read in excerpt
	hullFarthest = 8.255  // cm: Metal Finishing Guide Book 2013, p. 482, 3.25 in; read in excerpt
)

// HullDensity returns the current density (A/dm2) at x cm from the end of high
// current density of a 267 mL Hull-cell panel plated with the given amperes. It is
// an error where x is outside 0.635 to 8.255 cm, where the relation was measured.
func HullDensity(amperes, x float64) (float64, error) {
	if !(x >= hullNearest && x <= hullFarthest) {
		return 0, fmt.Errorf("%g cm is outside %g to %g cm, where the relation holds", x, hullNearest, hullFarthest)
	}
	return amperes * (hullA - hullB*math.Log10(x)), nil
}

// HullSpan returns between which distances (cm) from the end of high current
// density a panel shows the current densities from low to high (A/dm2); ok is
// false where it shows none of them.
func HullSpan(amperes, low, high float64) (from, to float64, ok bool) {
	if !(amperes > 0) {
		return 0, 0, false
	}
	at := func(density float64) float64 { return math.Pow(10, (hullA-density/amperes)/hullB) }
	from, to = math.Max(at(high), hullNearest), math.Min(at(low), hullFarthest)
	return from, to, from < to
}
