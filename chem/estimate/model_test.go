package estimate

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/filter"
)

// someRun is a bath in the middle of its life with every part of the state in
// use: two weighed anodes and one that is not, a lot, organics nearly gone.
func someRun(t *testing.T, rng *rand.Rand) *run {
	t.Helper()
	_, text := shipped(t)
	l := newLog(text, 0.02)
	for i, id := range []string{"a", "b", "c"} {
		h := chem.Hang{Anode: id, Form: "slab", Area: chem.MeasuredOf(3+float64(i), "dm2", 0)}
		if id != "c" {
			h.Mass = chem.MeasuredOf(2, "kg", 0.002)
		}
		l.do(h)
	}
	l.after(1).plate(5)
	l.after(1).do(chem.Assay{Of: "copper", Value: chem.MeasuredOf(50, "g/L", 0.3), ULot: "0.2",
		Titration: &chem.Titration{Titrant: "EDTA", Lot: "1"}, Sample: chem.Sample{Returned: true}})
	b := l.open(t)
	r := b.start()
	r.through(0, l.now)
	require.Len(t, r.lots, 1)
	vary := func(i int, by float64) { r.s.X[i] *= 1 + by*(2*rng.Float64()-1) }
	for i := range r.s.X {
		vary(i, 0.3)
	}
	r.s.X[r.l.dragA] = 0.001 * rng.Float64()
	r.s.X[r.l.in] = 0.001 * rng.Float64()
	r.s.X[r.l.running] = 0.05 * rng.Float64()
	r.s.X[r.constituent("brightener")] = 60 * (0.2 + rng.Float64()) // where its use fades
	for _, h := range r.hung {
		if h.at >= 0 {
			r.s.X[h.off] = 0.02 * rng.NormFloat64()
		}
	}
	r.s.X[r.lots[0].at] = 0.01 * rng.NormFloat64()
	return r
}

// sameJacobian compares the derivatives that a step stated with central
// differences of the means it computes.
func sameJacobian(t *testing.T, what string, r *run, step func(*run)) {
	t.Helper()
	n := len(r.s.X)
	once := r.clone()
	step(once)
	stated := make([]float64, n*n)
	for i := range n {
		stated[i*n+i] = 1
	}
	for _, e := range once.s.step.jac {
		stated[e.Row*n+e.Col] += e.Value
	}
	for j := range n {
		h := 1e-4 * math.Max(math.Abs(r.s.X[j]), 1e-3)
		up, down := r.clone(), r.clone()
		up.s.X[j] += h
		down.s.X[j] -= h
		step(up)
		step(down)
		for i := range n {
			numeric := (up.s.X[i] - down.s.X[i]) / (2 * h)
			// What rounding of the means leaves of a difference.
			tol := 1e-5*math.Abs(numeric) + 1e-13*math.Abs(r.s.X[i])/h + 1e-12
			require.InDelta(t, numeric, stated[i*n+j], tol, "%s: place %d by place %d", what, i, j)
		}
	}
}

func TestJacobiansAreDerivatives(t *testing.T) {
	for seed := range uint64(20) {
		r := someRun(t, rand.New(rand.NewPCG(seed, 1)))
		r.s.X[r.l.leak] = 0.004 * rand.New(rand.NewPCG(seed, 2)).Float64()
		sameJacobian(t, "rest", r, func(r *run) { r.restStep(3) })
		sameJacobian(t, "charge", r, func(r *run) { r.chargeStep(20, 4, 6, 0.004, 1) })
		sameJacobian(t, "remove", r, func(r *run) { r.remove(causeBail, 2, 0.05) })
		dry := r.clone()
		dry.s.X[r.l.volume] = 16
		sameJacobian(t, "rest in a tank that dries out", dry, func(r *run) { r.restStep(0.5) })
	}
}

func TestObservationsAreDerivatives(t *testing.T) {
	lot := &chem.Titration{Titrant: "EDTA", Lot: "1"}
	for seed := range uint64(20) {
		r := someRun(t, rand.New(rand.NewPCG(seed, 2)))
		for _, b := range []chem.Body{
			chem.Level{Volume: chem.MeasuredOf(58, "L", 0.3)},
			chem.Assay{Of: "copper", Value: chem.MeasuredOf(50, "g/L", 0.3), ULot: "0.2", Titration: lot},
			chem.Assay{Of: "chloride", Value: chem.MeasuredOf(50, "mg/L", 3)},
			chem.Panel{Of: "brightener", Value: chem.MeasuredOf(4, "mL/L", 0)},
			chem.Weigh{Anode: "a", Mass: chem.MeasuredOf(1.9, "kg", 0.002)},
		} {
			f := chem.Fact{Time: r.now, Body: b}
			o, ok := r.observe(f)
			require.True(t, ok)
			stated := make([]float64, len(r.s.X))
			for _, h := range o.h {
				stated[h.at] += h.by
			}
			for j, x := range r.s.X {
				h := 1e-4 * math.Max(math.Abs(x), 1e-3)
				up, down := r.clone(), r.clone()
				up.s.X[j] += h
				down.s.X[j] -= h
				a, _ := up.observe(f)
				c, _ := down.observe(f)
				numeric := (a.expected - c.expected) / (2 * h)
				require.InDelta(t, numeric, stated[j], 1e-5*math.Abs(numeric)+1e-12*math.Abs(o.expected)/h, "%T by place %d", b, j)
			}
		}
	}
}

// Copper and sulfuric acid together, in mol, are conserved by rest and charge
// (no published check is needed: hydrogen and oxygen take no sulfate), to 1e-12
// where nothing is dragged out; only what is dragged out leaves.
func TestSulfateIsConserved(t *testing.T) {
	for seed := range uint64(50) {
		rng := rand.New(rand.NewPCG(seed, 3))
		r := someRun(t, rng)
		r.s.X[r.l.drag], r.s.X[r.l.dragA] = 0, 0
		mol := func(cu, acid float64) float64 { return r.s.X[r.l.metal]/cu + r.s.X[r.l.acid]/acid }
		ours, recipes := mol(gramsCu, gramsAcid), mol(r.l.perMol[r.l.metal], r.l.perMol[r.l.acid])
		for range 50 {
			r.rest(10 * rng.Float64())
			r.charge(30*rng.Float64(), 0.004, 3, 5)
		}
		require.Positive(t, r.s.X[r.l.acid])
		require.InEpsilon(t, ours, mol(gramsCu, gramsAcid), 1e-5, "molar masses agree to five digits")
		require.InEpsilon(t, recipes, mol(r.l.perMol[r.l.metal], r.l.perMol[r.l.acid]), 1e-12)
	}
}

// Noise is relative to the belief sqrt(estimate² + variance): with a prior at
// zero the evaporation still scatters by what its uncertainty allows.
func TestNoiseGoesByTheBelief(t *testing.T) {
	volumeVariance := func(value, u float64) float64 {
		l := newLog(plainRecipe, 0)
		r := l.open(t).start()
		r.through(0, l.now)
		r.s.set(r.l.still, value, u*u)
		before := r.s.p(r.l.volume, r.l.volume)
		r.restStep(1)
		return r.s.p(r.l.volume, r.l.volume) - before - u*u // what the rate's own uncertainty does in a day
	}
	w := usualNoises()
	for _, x := range []struct{ value, u float64 }{{0.3, 0}, {0, 0.4}, {0.3, 0.4}} {
		want := sq(w.dayEvaporate) * (sq(x.value) + sq(x.u))
		assert.InEpsilon(t, want, volumeVariance(x.value, x.u), 1e-5, "%v", x)
	}
}

// A run's scatter does not depend on the number of parts it is taken in.
func TestPartsOfARunScatterLikeTheWhole(t *testing.T) {
	l := newLog(with(plainRecipe, "drag_out = [0.1, 0]"), 0)
	r := l.open(t).start()
	r.through(0, l.now)
	one, many := r.clone(), r.clone()
	one.chargeStep(1, 1, 0, 0.004, 1)
	for range 10 {
		many.chargeStep(0.1, 0.1, 0, 0.004, math.Sqrt(10))
	}
	for i := range r.l.cons {
		assert.InEpsilon(t, one.s.X[i], many.s.X[i], 1e-5)
		assert.InEpsilon(t, one.s.p(i, i), many.s.p(i, i), 0.01, "place %d", i)
	}
	// 60 Ah drag out 6 L of 60: that is taken in parts, and is then exp(-0.1) but
	// for the water that goes along.
	r.charge(60, 0, 1, 0)
	assert.InEpsilon(t, 50.0, r.s.X[r.l.metal]/r.volume(), 1e-9, "what is dragged out has the bath's own concentration")
	assert.InEpsilon(t, 54.0, r.volume(), 1e-9)
}

func TestNonlinearRatesDoNotDependOnTheSizeOfARun(t *testing.T) {
	l := newLog(with(plainRecipe, "use = [1, 0]"), 0)
	b := l.open(t)
	whole, small := b.start(), b.start()
	whole.through(0, l.now)
	small.through(0, l.now)
	whole.charge(500, 0, 1, 0)
	for range 5000 {
		small.charge(0.1, 0, 0, 0)
	}
	i := whole.constituent("brightener")
	left := small.s.X[i] / small.volume()
	require.Less(t, left, 0.1, "most is gone")
	assert.InDelta(t, left, whole.s.X[i]/whole.volume(), 0.03, "mL/L")
	assert.GreaterOrEqual(t, whole.s.X[i], 0.0)
}

// The steps of rest agree with one another: a week is seven days.
func TestRestAddsUp(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	r := someRun(t, rng)
	week, days := r.clone(), r.clone()
	week.rest(7)
	for range 7 {
		days.rest(1)
	}
	for i, x := range days.s.X {
		assert.InDelta(t, x, week.s.X[i], 1e-6*math.Abs(x)+1e-15, "place %d", i)
		assert.InDelta(t, days.s.p(i, i), week.s.p(i, i), 0.01*days.s.p(i, i)+1e-20, "variance of place %d", i)
	}
}

// A bath of whose state only metal, acid, volume, dissolution, evaporation and
// one anode's mass are uncertain, at rest with levels and weighings, is linear:
// there the estimate is the Kalman filter of chem/filter with dense matrices,
// written down here anew from the equations.
func TestLinearCaseIsTheKalmanFilter(t *testing.T) {
	l := newLog(with(plainRecipe, "dissolution = [0.05, 0.01]", "evaporation = [0.25, 0.05]"), 0.01)
	l.do(chem.Hang{Anode: "a", Mass: chem.MeasuredOf(3, "kg", 0.003), Form: "slab"})
	rng := rand.New(rand.NewPCG(9, 9))
	type reading struct {
		days, level, mass float64
	}
	var readings []reading
	for range 30 {
		days := 1 + math.Floor(5*rng.Float64())
		readings = append(readings, reading{days, 0, 0})
	}
	v, m := 60.0, 3.0
	for i := range readings {
		x := &readings[i]
		v -= 0.22 * x.days
		m -= 0.055 * x.days * gramsCu / 1000
		x.level, x.mass = v+0.1*rng.NormFloat64(), m+0.003*rng.NormFloat64()
		l.after(x.days).level(x.level, 0.2)
		l.do(chem.Weigh{Anode: "a", Mass: chem.MeasuredOf(x.mass, "kg", 0.003)})
	}
	b := l.open(t)
	r := b.start()
	r.through(0, l.now)
	for _, rd := range r.read {
		require.Equal(t, Used, r.status[rd.Fact.ID].fate)
	}

	const copper, acid, chloride, brightener, volume, k, e, mass = 0, 1, 2, 3, 4, 5, 6, 7
	cu, h2so4 := r.l.cons[r.l.metal].MolarMass, r.l.cons[r.l.acid].MolarMass
	w := usualNoises()
	conc := []float64{50, 60, 60, 4}
	x := []float64{3000, 3600, 3600, 240, 60, 0.05, 0.25, 3}
	p := filter.NewSym(8)
	for i, c := range conc {
		p.Add(i, i, sq(0.01*c*60))
		for j, d := range conc {
			if j <= i {
				p.Add(i, j, c*d*sq(0.6))
			}
		}
		p.Set(i, volume, c*sq(0.6))
	}
	p.Set(volume, volume, sq(0.6))
	p.Set(k, k, sq(priorWidth*0.01))
	p.Set(e, e, sq(priorWidth*0.05))
	p.Set(mass, mass, sq(0.003))
	s := filter.NewState(x, p)
	logLik := 0.0
	weigh := []float64{0, 0, 0, 0, 0, 0, 0, 1}
	level := []float64{0, 0, 0, 0, 1, 0, 0, 0}
	for _, rd := range readings {
		dt := rd.days
		// Evaporation slows down towards a quarter of the bath; at these volumes by
		// some parts in a thousand.
		a, kept := math.Exp((s.X[volume]-15)/3)-1, math.Exp(-s.X[e]*dt/3)
		wet := a * kept / (1 + a*kept)
		f := make([]float64, 64)
		for i := range 8 {
			f[i*8+i] = 1
		}
		f[copper*8+k], f[acid*8+k], f[mass*8+k] = cu*dt, -h2so4*dt, -cu*dt/1000
		f[volume*8+e] = -dt * wet
		f[volume*8+volume] = (a + 1) * kept / (1 + a*kept)
		q := filter.NewSym(8)
		g := []float64{cu, -h2so4, 0, 0, 0, 0, 0, -cu / 1000}
		shake := w.dayDissolve * math.Sqrt(sq(s.X[k])+s.P.At(k, k)) * math.Sqrt(dt)
		for i := range 8 {
			for j := range i + 1 {
				q.Add(i, j, g[i]*g[j]*sq(shake))
			}
		}
		for i := range 4 {
			q.Add(i, i, sq(w.amount*s.X[i])*dt)
		}
		believed := func(i int) float64 { return sq(s.X[i]) + s.P.At(i, i) }
		q.Add(volume, volume, sq(w.dayEvaporate*wet)*believed(e)*dt)
		q.Add(k, k, sq(w.walkDissolve)*believed(k)*dt)
		q.Add(e, e, sq(w.walkEvaporate)*believed(e)*dt)
		next := append([]float64(nil), s.X...)
		next[copper] += s.X[k] * dt * cu
		next[acid] -= s.X[k] * dt * h2so4
		next[mass] -= s.X[k] * dt * cu / 1000
		next[volume] = 15 + 3*math.Log(1+a*kept)
		s.PredictTo(next, filter.Dense(8, f), q)
		_, _, ll := s.Observe(rd.level, level, sq(0.2))
		logLik += ll
		_, _, ll = s.Observe(rd.mass, weigh, sq(0.003))
		logLik += ll
	}
	places := []int{0, 1, 2, 3, r.l.volume, r.l.k, r.l.still, r.hung[0].at}
	for i, a := range places {
		assert.InEpsilon(t, s.X[i], r.s.x(a), 1e-8, "mean %d", i)
		for j, c := range places {
			want := s.P.At(i, j)
			assert.InDelta(t, want, r.s.p(a, c), 1e-8*math.Sqrt(s.P.At(i, i)*s.P.At(j, j)), "covariance %d, %d", i, j)
		}
	}
	assert.InDelta(t, logLik, r.loglik, 1e-6)
}
