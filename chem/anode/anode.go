// Package anode is the shape of anodes: how much of one is still immersed when a
// part of its mass is gone, and which limit asks for a new one first.
package anode

import "math"

// Area returns the immersed area, dm2, of an anode of a form (slab, bar, nuggets,
// inert; anything else counts as a slab) when the fraction left of its first mass
// remains, beside its area first when hung.
func Area(form string, first, left float64) float64 {
	left = math.Min(math.Max(left, 0), 1)
	switch form {
	case "inert":
		return first
	case "bar":
		return first * math.Sqrt(left)
	}
	return first * math.Pow(left, 1.0/3)
}
