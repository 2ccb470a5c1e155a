package estimate

import (
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"steadybath/chem"
)

// Passed is charge that passed, as shown.
type Passed struct {
	At time.Time
	Ah float64
}

// Passed lists the charge that the log knows of, in order of time. A run is there
// at its end, a meter's difference at its reading.
func (e *Estimate) Passed() []Passed {
	out := make([]Passed, len(e.run.used))
	for i, p := range e.run.used {
		out[i] = Passed{p.at, p.ah}
	}
	slices.SortStableFunc(out, func(a, b Passed) int { return a.At.Compare(b.At) })
	return out
}

// Sampled is bath that a reading took out for good.
type Sampled struct {
	At     time.Time
	Litres float64
}

// Sampled lists what readings took out, in order of time.
func (e *Estimate) Sampled() []Sampled {
	var out []Sampled
	for _, f := range e.Bath.Facts {
		litres := 0.0
		switch b := f.Body.(type) {
		case chem.Assay:
			litres = drawn(b.Sample, titrationSample)
		case chem.Panel:
			litres = drawn(b.Sample, panelSample)
		}
		if litres > 0 && !f.Time.After(e.At) {
			out = append(out, Sampled{f.Time, litres})
		}
	}
	return out
}

// Futures draws ways in which a bath may be now and may go on, from an estimate.
type Futures struct {
	e         *Estimate
	root      []float64 // Cholesky factor of the covariance, by rows
	areaPerAh float64   // dm2 plated per Ah where areas are logged
}

// habit is how far back it is looked at how large the parts are.
const habit = 180 * 24 * time.Hour

// Futures prepares the drawing.
func (e *Estimate) Futures() *Futures {
	r := e.run
	n := len(r.s.X)
	f := &Futures{e: e, root: make([]float64, n*n)}
	// Cholesky's factor; what rounding leaves of a direction without any spread is
	// taken for none.
	for j := range n {
		d := r.s.p(j, j)
		for k := range j {
			d -= f.root[j*n+k] * f.root[j*n+k]
		}
		if d <= 1e-12*r.s.p(j, j) || d <= 0 {
			continue
		}
		root := math.Sqrt(d)
		f.root[j*n+j] = root
		for i := j + 1; i < n; i++ {
			sum := r.s.p(i, j)
			for k := range j {
				sum -= f.root[i*n+k] * f.root[j*n+k]
			}
			f.root[i*n+j] = sum / root
		}
	}
	from := e.At.Add(-habit)
	if from.Before(e.Bath.Began) {
		from = e.Bath.Began
	}
	area, ah := 0.0, 0.0
	for _, fact := range slices.Backward(e.Bath.Facts) {
		if !fact.Time.After(from) {
			break
		}
		if fact.Time.After(e.At) {
			continue
		}
		if b, ok := fact.Body.(chem.Plate); ok && b.Area.Given() && b.Charge.Given() {
			area, ah = area+b.Area.Value("dm2"), ah+b.Charge.Value("Ah")
		}
	}
	if ah > 0 {
		f.areaPerAh = area / ah
	}
	return f
}

// Future is one such way. Its level is kept at the bath's volume: what evaporates
// and is carried out is made up with water, and nothing else is added but by Add.
type Future struct {
	f    *Futures
	x    []float64
	rng  *rand.Rand
	mark float64 // L
}

// Draw draws one.
func (f *Futures) Draw(rng *rand.Rand) *Future {
	r := f.e.run
	n := len(r.s.X)
	z := make([]float64, n)
	for i := range z {
		z[i] = rng.NormFloat64()
	}
	x := slices.Clone(r.s.X)
	for i := range n {
		for k := range i + 1 {
			x[i] += f.root[i*n+k] * z[k]
		}
	}
	out := &Future{f: f, x: x, rng: rng, mark: f.e.Bath.Volume}
	out.clamp()
	return out
}

// clamp keeps amounts, rates and masses from being less than nothing.
func (u *Future) clamp() {
	l := u.f.e.run.l
	for i := range l.cons {
		u.x[i] = math.Max(u.x[i], 0)
		if l.use[i] >= 0 {
			u.x[l.use[i]] = math.Max(u.x[l.use[i]], 0)
			u.x[l.loss[i]] = math.Max(u.x[l.loss[i]], 0)
		}
	}
	for _, at := range []int{l.k, l.drag, l.dragA, l.leak, l.gamma, l.sludge, l.anode, l.cathode} {
		u.x[at] = math.Max(u.x[at], 0)
	}
	for _, h := range u.f.e.run.hung {
		if h.at >= 0 {
			u.x[h.at] = math.Max(u.x[h.at], 0)
		}
	}
}

// Conc is the concentration of the ith constituent with the level at its mark.
func (u *Future) Conc(i int) float64 { return u.x[i] / u.mark }

// Add puts an amount (of the constituent's concentration unit, times litres) in.
func (u *Future) Add(i int, amount float64) { u.x[i] = math.Max(0, u.x[i]+amount) }

// Masses are those of the hung anodes, kg, in the order of Estimate.Anodes; NaN
// where nobody knows.
func (u *Future) Masses(into []float64) []float64 {
	into = into[:0]
	for _, h := range u.f.e.run.hung {
		m := math.NaN()
		if h.at >= 0 {
			m = u.x[h.at]
		}
		into = append(into, m)
	}
	return into
}

// Day lets a day pass with so many ampere-hours, as shown, in so many runs, and
// so many litres taken out by readings.
func (u *Future) Day(ah float64, runs int, sampled float64) {
	r, x := u.f.e.run, u.x
	l, w := r.l, &r.noise
	relative := func(s float64) float64 { return math.Exp(s*u.rng.NormFloat64() - s*s/2) }
	perRun := 1.0
	if runs > 1 {
		perRun = 1 / math.Sqrt(float64(runs))
	}
	z := float64(r.recipe.Charge)
	gq := x[l.meter] * ah * (1 + w.runAmmeter*perRun*u.rng.NormFloat64())
	dissolved, plated := 0.0, 0.0 // mol
	if l.metal >= 0 {
		if r.soluble() && u.anyAnode() {
			etaA := math.Max(0, x[l.anode]+w.runAnode*perRun*u.rng.NormFloat64())
			dissolved = etaA*gq/(z*chem.FaradayAh) + x[l.k]*r.areaHung()*relative(w.dayDissolve)
			u.eat(dissolved)
		}
		etaC := x[l.cathode] + w.runCathode*perRun*u.rng.NormFloat64()
		plated = math.Min(etaC*gq/(z*chem.FaradayAh), x[l.metal]/l.perMol[l.metal]+dissolved)
		x[l.metal] += (dissolved - plated) * l.perMol[l.metal]
		if l.acid >= 0 {
			x[l.acid] -= (dissolved - plated) * z / 2 * l.perMol[l.acid]
		}
	}
	out := x[l.drag]*gq*relative(w.runDrag*perRun) + x[l.dragA]*u.f.areaPerAh*ah + sampled
	kept := math.Exp(-out/u.mark - x[l.leak])
	for i, c := range l.cons {
		x[i] *= kept
		switch {
		case i == l.chloride && c.Target > 0:
			x[i] *= math.Exp(-x[l.gamma] * r.chlorideUnit() / c.Target * gq / u.mark * relative(w.runChloride*perRun))
		case l.use[i] >= 0:
			f, _ := fade(u.Conc(i), fadeBelow*c.Target)
			x[i] -= x[l.use[i]] * gq * f * relative(w.runUse*perRun)
			x[i] *= math.Exp(-x[l.loss[i]] * relative(w.dayLoss))
			x[l.use[i]] *= relative(w.walkUse)
			x[l.loss[i]] *= relative(w.walkLoss)
		}
	}
	x[l.k] *= relative(w.walkDissolve)
	x[l.drag] *= relative(w.walkDrag)
	x[l.dragA] *= relative(w.walkDrag)
	x[l.gamma] *= relative(w.walkCl)
	x[l.leak] *= math.Exp(-1.0 / mendedDays)
	if r.soluble() {
		x[l.anode] += w.walkAnode * u.rng.NormFloat64()
	}
	u.clamp()
}

// anyAnode tells whether there is anything left to dissolve.
func (u *Future) anyAnode() bool {
	hung := u.f.e.run.hung
	if len(hung) == 0 {
		return !u.f.e.run.everHung
	}
	return slices.ContainsFunc(hung, func(h hungAnode) bool { return h.at < 0 || u.x[h.at] > 0 })
}

// eat takes mol of dissolved metal from the anodes, sludge included.
func (u *Future) eat(mol float64) {
	r := u.f.e.run
	weight := func(h hungAnode) float64 {
		switch {
		case h.at < 0:
			return h.share(r)
		case u.x[h.at] <= 0:
			return 0
		}
		return math.Max(h.share(r)+u.x[h.off], 0.02)
	}
	sum := 0.0
	for _, h := range r.hung {
		sum += weight(h)
	}
	if sum <= 0 {
		return
	}
	kept := 1 - math.Min(u.x[r.l.sludge], 0.5)
	kg := mol * r.l.cons[r.l.metal].MolarMass / 1000 / kept
	for _, h := range r.hung {
		if h.at >= 0 {
			u.x[h.at] = math.Max(0, u.x[h.at]-kg*weight(h)/sum)
			u.x[h.off] += r.noise.walkShare * u.rng.NormFloat64()
		}
	}
}
