package estimate

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
)

// What is left is a part of what an anode weighed when it was new, however often it
// was taken out for a weekend. A heavier one under the same name is another one.
func TestAnodeHungAgainIsTheSame(t *testing.T) {
	kg := func(x float64) chem.Measured { return chem.MeasuredOf(x, "kg", 0.001) }
	area := chem.MeasuredOf(6, "dm2", 0)
	l := newLog(plainRecipe, 0)
	l.do(chem.Hang{Anode: "a", Mass: kg(1), Form: "slab", Area: area})
	l.plate(400)
	left := l.ask(t).Anodes[0].Mass
	assert.InDelta(t, 1-0.4*equivalent, left, 0.01, "Faraday's law")
	l.after(1).do(chem.Pull{Anode: chem.AllAnodes})
	l.after(2).do(chem.Hang{Anode: "A", Mass: kg(left), Form: "slab"})
	a := l.ask(t).Anodes[0]
	assert.Equal(t, 1.0, a.Started)
	assert.InDelta(t, left, a.Last, 0.001)
	assert.InDelta(t, left, a.Mass, 0.001)
	assert.InDelta(t, 400, a.PassedAh, 1e-9)

	l.after(1).do(chem.Pull{Anode: "a", Mass: kg(left)})
	l.after(1).do(chem.Hang{Anode: "a", Mass: kg(0.9), Form: "slab"})
	a = l.ask(t).Anodes[0]
	assert.InDelta(t, 0.9, a.Started, 1e-9, "a new slab under an old name")
	assert.Zero(t, a.PassedAh)

	l.do(chem.Hang{Anode: "basket", Mass: kg(2), Form: "nuggets"})
	l.plate(100)
	l.after(1).do(chem.Hang{Anode: "basket", Mass: kg(0.5), Form: "nuggets", TopUp: true})
	basket := l.ask(t).Anodes[1]
	assert.Greater(t, basket.Started, 2.3, "the most that it held")
	assert.InDelta(t, basket.Mass, basket.Started, 1e-9)
	l.after(1).do(chem.Pull{Anode: "basket"})
	l.after(1).do(chem.Hang{Anode: "basket", Mass: kg(1.5), Form: "nuggets"})
	assert.InDelta(t, basket.Started, l.ask(t).Anodes[1].Started, 1e-9, "filled less full than it was")
}

// Current is shared by area: 3 of 4 dm2 pass three quarters of it, a weekend out of
// the bath or not.
func TestChargeThroughInertAnodes(t *testing.T) {
	l := newLog(inertRecipe, 0)
	mesh := func(id string, dm2 float64) chem.Hang {
		return chem.Hang{Anode: id, Form: "inert", Area: chem.MeasuredOf(dm2, "dm2", 0)}
	}
	l.do(mesh("a", 3))
	l.do(mesh("b", 1))
	l.plate(100)
	l.after(1).do(chem.Pull{Anode: chem.AllAnodes})
	l.after(1).do(mesh("a", 3))
	l.plate(10)
	e := l.ask(t)
	require.Len(t, e.Anodes, 1)
	assert.InDelta(t, 75+10, e.Anodes[0].PassedAh, 1e-9)
}

func TestUsualRun(t *testing.T) {
	l := newLog(plainRecipe, 0)
	amps, area := l.ask(t).UsualRun()
	assert.Zero(t, amps)
	assert.Zero(t, area)
	l.do(chem.Plate{Charge: chem.MeasuredOf(10, "Ah", 0), Hours: "2", Area: chem.MeasuredOf(4, "dm2", 0)})
	l.after(1).do(chem.Plate{Charge: chem.MeasuredOf(30, "Ah", 0), Hours: "3"})
	l.after(1).do(chem.Plate{Charge: chem.MeasuredOf(30, "Ah", 0), Area: chem.MeasuredOf(8, "dm2", 0)})
	amps, area = l.ask(t).UsualRun()
	assert.InDelta(t, 40.0/5, amps, 1e-12)
	assert.InDelta(t, (10*4+30*8)/40.0, area, 1e-12)
}
