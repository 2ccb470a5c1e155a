// Package anode is the shape of anodes: how much of one is still immersed when a
// part of its mass is gone. It must not read clocks or files.
package anode

import (
	"math"

	"steadybath/chem"
	"steadybath/chem/estimate"
)

// Forms of anodes.
const (
	Slab    = "slab"
	Bar     = "bar"
	Nuggets = "nuggets"
	Inert   = "inert"
)

// How a slab wears: assumptions of this project, no source. Its thickness is a
// tenth of its sides, and where less than a tenth of it is left it has holes.
const (
	slabThin  = 0.1
	slabHoles = 0.1
)

// usualLeast is the part of its first mass at which an anode is replaced where the
// recipe says nothing: an assumption of this project.
const usualLeast = 0.2

// Least is the part of its first mass at which an anode is replaced, and whether
// that is the recipe's figure and not assumed.
func Least(l chem.Limits) (part float64, stated bool) {
	if l.AnodeLeast > 0 {
		return l.AnodeLeast, true
	}
	return usualLeast, false
}

// Wet returns the immersed area, dm2, of a hung anode that weighs kg; ok is false
// where nobody said how large it is, or it dissolves and was never weighed.
func Wet(a estimate.Anode, kg float64) (dm2 float64, ok bool) {
	switch {
	case a.Area <= 0:
		return 0, false
	case a.Form == Inert:
		return a.Area, true
	case math.IsNaN(kg) || a.Started <= 0:
		return 0, false
	}
	return Area(a.Form, a.Area, kg/a.Started), true
}

// Area returns the immersed area, dm2, of an anode of a form when the fraction
// left of its first mass remains, beside its area first when hung. Anything that
// is no known form counts as a slab.
//
//	slab     dissolves from all sides at one rate; its faces, nearly all of its
//	         area, only lose a rim: with sides L and a thickness T = L/10 the
//	         recess d on each side follows from left = (1-2d/L)²·(1-2d/T), and the
//	         area is (1-2d/L)²; the last tenth has holes, in proportion
//	bar      a round bar: left = (r/r0)², and the area goes with r
//	nuggets  spheres in a bag or basket: left = (r/r0)³, and the area goes with r²;
//	         so does a basket whose pile sinks in all directions
//	inert    does not dissolve
func Area(form string, first, left float64) float64 {
	if !(first > 0) {
		return 0
	}
	left = math.Min(math.Max(left, 0), 1)
	switch form {
	case Inert:
		return first
	case Bar:
		return first * math.Sqrt(left)
	case Nuggets:
		return first * math.Pow(left, 2.0/3)
	}
	// Newton's step would do; bisection cannot fail: the recess as a part of T/2.
	low, high := 0.0, 1.0
	for range 50 {
		mid := (low + high) / 2
		if rim := 1 - slabThin*mid; rim*rim*(1-mid) > left {
			low = mid
		} else {
			high = mid
		}
	}
	rim := 1 - slabThin*low
	return first * rim * rim * math.Min(1, left/slabHoles)
}
