package estimate

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
)

// moments integrates weight over x by Simpson's rule: mean, variance and log of the
// integral.
func moments(from, to float64, weight func(x float64) float64) (mean, variance, log float64) {
	const n = 20000
	var s [3]float64
	for i := range n + 1 {
		x := from + (to-from)*float64(i)/n
		w := weight(x) * (to - from) / n / 3
		switch {
		case i == 0 || i == n:
		case i%2 == 1:
			w *= 4
		default:
			w *= 2
		}
		s[0], s[1], s[2] = s[0]+w, s[1]+w*x, s[2]+w*x*x
	}
	mean = s[1] / s[0]
	return mean, s[2]/s[0] - mean*mean, math.Log(s[0])
}

// The cut-off Gaussian against its integrals, near, far and on both sides.
func TestCutOffNormal(t *testing.T) {
	inf := math.Inf(1)
	for _, x := range [][2]float64{{-inf, 0}, {-inf, 1.5}, {-inf, -4}, {2, inf}, {-1, 1}, {-0.3, 2}, {3, 5}, {-7, -6.5}, {-19, 25},
		{12, inf}, {21, inf}, {21, 21.05}, {30, 30.5}, {-40, -39}} {
		top := math.Max(0, math.Max(x[0], -x[1])) // from 0 to where the density is largest
		from, to := math.Max(x[0], -top-12), math.Min(x[1], top+12)
		mean, variance, log := moments(from, to, func(z float64) float64 { return math.Exp((top*top-z*z)/2) / math.Sqrt(2*math.Pi) })
		log -= top * top / 2
		m, v, l := cutOff(x[0], x[1])
		tol := 1e-7
		if top > far {
			tol = 0.01 // the asymptotic form, relative to the width of the tail
		}
		assert.InDelta(t, mean, m, tol, "mean of %v", x)
		assert.InDelta(t, variance, v, tol, "variance of %v", x)
		assert.InDelta(t, log, l, math.Max(tol, 1e-7), "log probability of %v", x)
	}
	m, v, l := cutOff(-inf, inf)
	assert.Equal(t, [3]float64{0, 1, 0}, [3]float64{m, v, l})
	m, v, _ = cutOff(1, 1+1e-5)
	assert.InDelta(t, 1, m, 1e-5)
	assert.Positive(t, v)
}

// looking is a bath whose brightener is believed to be c ± u, and nothing else
// uncertain.
func looking(t *testing.T, c, u float64) *log {
	t.Helper()
	l := &log{now: monday}
	l.do(chem.Begin{Volume: chem.MeasuredOf(60, "L", 0), Zone: "UTC", Recipe: plainRecipe})
	l.do(chem.Fill{Volume: stated(60, "L", 0), Composition: map[string]chem.Measured{
		"copper": stated(50, "g/L", 0), "sulfuric acid": stated(60, "g/L", 0), "chloride": stated(60, "mg/L", 0), "brightener": stated(c, "mL/L", u)}})
	return l
}

func (l *log) panel(p chem.Pattern, trial float64) {
	b := chem.Panel{Of: "brightener", Pattern: p, Sample: chem.Sample{Returned: true}}
	if trial > 0 {
		b.Trial = chem.MeasuredOf(trial, "mL", 0)
	}
	l.do(b)
}

// What a pattern leaves is the belief times the chance that 0.30 relative scatter
// would make the panel look so, mean and variance of it by integration. The window
// is 3 to 5 mL/L.
func TestPatternIsTheCutOffGaussian(t *testing.T) {
	phi := func(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }
	for _, x := range []struct {
		c, u  float64
		p     chem.Pattern
		trial float64
	}{
		{4, 0.4, chem.PatternRight, 0}, {4, 0.4, chem.PatternLow, 0}, {4, 0.4, chem.PatternHigh, 0}, {4, 1.2, chem.PatternLow, 0}, {8, 0.5, chem.PatternRight, 0},
		{2, 0.5, chem.PatternLow, 0}, {3, 0.8, chem.PatternHigh, 0}, {3, 0.8, chem.PatternLow, 0.4}, {3, 0.8, chem.PatternLow, 1.0}, {3, 0.8, chem.PatternLow, 9},
	} {
		from, to := math.Inf(-1), 3.0
		switch {
		case x.p == chem.PatternRight:
			from, to = 3, 5
		case x.p == chem.PatternHigh:
			from, to = 5, math.Inf(1)
		case x.trial == 0.4:
			from, to = 3-0.4/0.267, 3 // 5 - 1.5 is above the window's low
		case x.trial == 1.0:
			from, to = math.Inf(-1), 5-1/0.267 // 3.75 mL/L: nothing at all in the bath would be right too
		}
		sd := 0.3 * math.Hypot(x.c, x.u)
		mean, variance, log := moments(x.c-9*x.u, x.c+9*x.u, func(c float64) float64 {
			return math.Exp(-sq((c-x.c)/x.u)/2) / x.u / math.Sqrt(2*math.Pi) * (phi((to-c)/sd) - phi((from-c)/sd))
		})
		l := looking(t, x.c, x.u)
		before := l.ask(t)
		l.panel(x.p, x.trial)
		e := l.ask(t)
		c := named(t, e, "brightener")
		require.Nil(t, c.Held, "%+v", x)
		assert.InDelta(t, mean, c.Value, 1e-6, "%+v", x)
		assert.InDelta(t, math.Sqrt(variance), c.U, 1e-6, "%+v", x)
		assert.InDelta(t, log, e.LogLik-before.LogLik, 1e-6, "%+v", x)
	}
}

// A pattern that was expected narrows the belief a little and hardly moves it; one
// that was not moves it its own way; many of them agree with the window, and none
// makes an amount negative.
func TestPatternsMoveWhatTheyContradict(t *testing.T) {
	after := func(c, u float64, p chem.Pattern, n int) Constituent {
		l := looking(t, c, u)
		for range n {
			l.panel(p, 0)
		}
		return named(t, l.ask(t), "brightener")
	}
	right := after(4, 0.4, chem.PatternRight, 1)
	assert.InDelta(t, 4, right.Value, 0.02)
	assert.Less(t, right.U, 0.4)
	assert.Greater(t, right.U, 0.38)
	assert.Less(t, after(4, 0.4, chem.PatternLow, 1).Value, 3.9)
	assert.Greater(t, after(4, 0.4, chem.PatternHigh, 1).Value, 4.1)
	assert.InDelta(t, 1.5, after(1.5, 0.2, chem.PatternLow, 1).Value, 0.01, "low was expected")
	assert.Greater(t, after(1.5, 0.4, chem.PatternRight, 1).Value, 1.6)
	for _, p := range []chem.Pattern{chem.PatternLow, chem.PatternRight, chem.PatternHigh} {
		for _, x := range [][2]float64{{4, 0.4}, {4, 3}, {0.2, 2}, {0, 0.5}, {0, 0}, {40, 1}} {
			c := after(x[0], x[1], p, 30)
			assert.False(t, math.IsNaN(c.Value+c.U), "%v %v", p, x)
			assert.GreaterOrEqual(t, c.Value, 0.0, "%v %v", p, x)
			assert.LessOrEqual(t, c.U, math.Max(x[1], 40), "%v %v", p, x)
		}
	}
	many := after(4, 3, chem.PatternRight, 30)
	assert.True(t, many.Value > 3 && many.Value < 5)
	assert.Less(t, many.U, 1.0)
	many = after(4, 3, chem.PatternLow, 30)
	assert.Less(t, many.Value, 2.0)
}

// What made the panel right in the cell makes the tank right at V/267 mL times as
// much: the estimate says the same.
func TestTrialScalesToTheTank(t *testing.T) {
	for _, trial := range []float64{0.2, 0.4, 0.6} {
		l := looking(t, 3, 1.5)
		for range 20 { // the scatter of one panel averaged
			l.panel(chem.PatternLow, trial)
		}
		c := named(t, l.ask(t), "brightener")
		dose := trial * 60000 / 267 // mL into 60 L
		after := c.Value + dose/60
		assert.Greater(t, after, 3.0, "%v mL", trial)
		assert.Less(t, after, 5.0, "%v mL", trial)
		assert.Less(t, c.Value, 3.0, "it was low")
	}
}

// A panel counts only while the inorganics are in their windows: copper at 40 g/L
// spoils it. The bath that the cell took is gone all the same.
func TestPanelCountsWithinTheWindows(t *testing.T) {
	l := newLog(plainRecipe, 0.005)
	l.after(0.1).copper(40)
	l.after(0.1).copper(40)
	before := l.ask(t)
	require.Less(t, named(t, before, "copper").Value, 41.0)
	l.do(chem.Panel{Of: "brightener", Pattern: chem.PatternLow}) // at the moment of the titration, so judged by it
	l.do(chem.Panel{Of: "brightener", Value: chem.MeasuredOf(9, "mL/L", 0), Sample: chem.Sample{Returned: true}})
	e := l.ask(t)
	assert.Equal(t, named(t, before, "brightener").Value, named(t, e, "brightener").Value)
	assert.InDelta(t, before.Volume-0.267, e.Volume, 1e-6)
	assert.Regexp(t, `^brightener: the panel of 2025-01-06 is not counted: copper is 40\.\d g/L, below its window from 46\.0; bring that right and run another`, why(e, "panel"))
	assert.Len(t, e.Readings, 2, "the panels are none")

	l.do(chem.Add{Material: "copper sulfate pentahydrate", Amount: chem.MeasuredOf(2.4, "kg", 0)})
	l.after(1).do(chem.Panel{Of: "brightener", Pattern: chem.PatternLow})
	assert.Less(t, named(t, l.ask(t), "brightener").Value, named(t, e, "brightener").Value, "copper is right again")
	s, err := l.open(t).Smoothed(monday, l.now)
	require.NoError(t, err)
	assert.Less(t, named(t, s, "brightener").Value, 4.0)
}

// Panels read as amounts or as patterns only, on baths whose truth is known.
func TestPanelsAreCalibrated(t *testing.T) {
	for _, name := range []string{"panels", "patterns"} {
		for _, seed := range []uint64{tunedSeed, freshSeed} {
			scores := groupOf(t, name).calibrate(t, smallGroup, 182, seed, nil, false, 1).scores
			assert.Empty(t, outside(scores), "%s, seed %d", name, seed)
			assert.Less(t, scores["brightener"].kept(), 0.9, "%s, seed %d: against the middle of the window carried forward", name, seed)
		}
	}
}
