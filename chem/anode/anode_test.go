package anode

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"
)

// Closed forms of elementary geometry: a cylinder's side goes with its radius, a
// sphere's surface with the square of it, their volumes with the second and third
// power.
func TestAreaAgainstGeometry(t *testing.T) {
	for r := 0.05; r <= 1; r += 0.05 {
		assert.InDelta(t, 6*r, Area(Bar, 6, r*r), 1e-12, "radius %g of a bar", r)
		assert.InDelta(t, 6*r*r, Area(Nuggets, 6, r*r*r), 1e-12, "radius %g of spheres", r)
		assert.Equal(t, 6.0, Area(Inert, 6, r))
	}
	// A square slab of 100 by 100 by 10 mm that has lost 2 mm on every side: 96 by 96
	// by 6 mm.
	left := 96.0 * 96 * 6 / (100 * 100 * 10)
	assert.InDelta(t, 96.0*96/(100*100), Area(Slab, 1, left), 1e-9)
	assert.InDelta(t, 0.5*Area(Slab, 1, 0.1), Area(Slab, 1, 0.05), 0.01, "half of the last tenth, half of the face")
}

func TestAreaNeverGrows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		form := rapid.SampledFrom([]string{Slab, Bar, Nuggets, "something"}).Draw(t, "form")
		first := rapid.Float64Range(0.01, 100).Draw(t, "area")
		a, b := rapid.Float64Range(0, 1).Draw(t, "left"), rapid.Float64Range(0, 1).Draw(t, "less")
		a, b = math.Max(a, b), math.Min(a, b)
		assert.GreaterOrEqual(t, Area(form, first, a)*(1+1e-9), Area(form, first, b))
		assert.InDelta(t, first, Area(form, first, 1), 1e-9*first)
		assert.InDelta(t, 0, Area(form, first, 0), 1e-9*first)
		assert.Zero(t, Area(form, 0, a))
	})
}
