package estimate

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// What moved a value adds up to the change, and what makes it unsure to all of
// its variance, whatever happened to the bath.
func TestWhyAddsUp(t *testing.T) {
	r, text := shipped(t)
	for _, g := range groups() {
		b, sim := g.simulated(t, r, text, 150, freshSeed)
		now := sim.Last().Time
		e, err := b.At(now, Options{})
		require.NoError(t, err)
		for _, c := range e.Constituents {
			w, err := b.Why(c.Name, now)
			require.NoError(t, err)
			sum := 0.0
			for _, term := range w.Terms {
				sum += term.Change
			}
			value, u := e.run.concentration(e.run.constituent(c.Name))
			assert.InDelta(t, value-w.Before, sum, 1e-9*c.Target, "%s %s", g.name, c.Name)
			parts := 0.0
			for _, s := range w.Shares {
				assert.Positive(t, s.Part, s.What)
				parts += s.Part
			}
			assert.InDelta(t, 1, parts, 5e-3, "%s %s: shares under 1e-4 are left out", g.name, c.Name)
			for _, n := range w.Narrow {
				assert.Less(t, n.U, 0.95*u+1e-12)
			}
			assert.Equal(t, c.Value, w.Constituent.Value)
		}
	}
}
