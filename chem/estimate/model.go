package estimate

import (
	"math"

	"steadybath/chem"
)

// Noise of the rates, from a fit to simulated baths (see the calibration tests):
// what a rate does from run to run and from day to day. Relative ones are
// relative to the present belief, sqrt(estimate^2 + variance), never to the
// prior: a prior that is off must not make the filter deaf or nervous.
const (
	runAnode    = 0.006 // absolute, per plating run
	runCathode  = 0.003 // absolute, per plating run
	runDrag     = 0.25  // relative, per plating run
	runUse      = 0.15  // relative, per plating run
	runChloride = 0.10  // relative, per plating run
	runAmmeter  = 0.004 // relative, per plating run that states no uncertainty
	runShare    = 0.03  // relative, an anode's share of the current, per run
	shareU      = 0.03  // relative, an anode's lasting share beside the one by area, before any weighing

	dayDissolve  = 0.25 // relative, per square root of a day
	dayEvaporate = 0.35 // relative, per square root of a day
	dayLoss      = 0.10 // relative, per square root of a day

	walkAnode     = 0.0006 // absolute, per square root of a day
	walkDissolve  = 0.015  // relative, per square root of a day
	walkDrag      = 0.01   // relative, per square root of a day
	walkEvaporate = 0.03   // relative, per square root of a day
	walkUse       = 0.014  // relative, per square root of a day
	walkLoss      = 0.01   // relative, per square root of a day
	walkChloride  = 0.01   // relative, per square root of a day
	walkShare     = 0.003  // absolute, an anode's lasting share, per square root of a day

	amountFloor = 1e-4 // of every amount, per square root of a day: what no equation covers
)

// priorWidth widens the recipe's priors of rates: a guess of one's own
// uncertainty is nearly always too narrow, and a prior twice as wide costs
// almost nothing once readings come.
const priorWidth = 2

// fadeBelow is the part of an organic's target below which its use fades out,
// so that no amount becomes negative.
const fadeBelow = 0.1

// Places in the state vector. Amounts come first, in the recipe's order and in
// the constituent's concentration unit times litres (g, mg or mL); then the
// volume and the rates; then use and loss of each organic; then what comes and
// goes: titrant lots and anodes.
type layout struct {
	cons    []chem.Constituent
	perMol  []float64 // amount per mol, 0 where the molar mass plays no part
	volume  int       // L
	anode   int       // anode efficiency
	cathode int       // cathode efficiency
	k       int       // mol/day
	drag    int       // L/Ah
	dragA   int       // L/dm2
	in      int       // L/Ah
	still   int       // L/day
	running int       // L/h
	gamma   int       // mg/Ah
	meter   int       // true over shown
	use     []int     // by constituent, -1 where none: mL/Ah
	loss    []int     // 1/day
	fixed   int       // count of all of these

	metal, acid, chloride int // constituents, -1 where none
}

func newLayout(r *chem.Recipe) *layout {
	l := &layout{cons: r.Constituents, metal: -1, acid: -1, chloride: -1}
	n := len(l.cons)
	l.perMol = make([]float64, n)
	l.use, l.loss = make([]int, n), make([]int, n)
	for i, c := range l.cons {
		l.use[i], l.loss[i] = -1, -1
		if c.Unit.Dimension() == chem.DimMassConc {
			perGram, _ := chem.Unit("g/L").Convert(1, c.Unit)
			l.perMol[i] = c.MolarMass * perGram
		}
		switch c.Role {
		case chem.RoleMetal:
			l.metal = i
		case chem.RoleAcid:
			l.acid = i
		case chem.RoleChloride:
			l.chloride = i
		}
	}
	next := n
	for _, place := range []*int{&l.volume, &l.anode, &l.cathode, &l.k, &l.drag, &l.dragA, &l.in, &l.still, &l.running, &l.gamma, &l.meter} {
		*place, next = next, next+1
	}
	for i, c := range l.cons {
		if c.Role == chem.RoleOrganic {
			l.use[i], l.loss[i] = next, next+1
			next += 2
		}
	}
	l.fixed = next
	return l
}

// rest lets days pass without current: chemical dissolution of the hung anodes,
// evaporation, standing loss of organics, and the slow wandering of every rate.
//
//	metal +k·a·t    acid -(z/2)·k·a·t    organic -λ·n·t    volume -e·t
func (r *run) rest(days float64) {
	for days > 0 {
		dt := math.Min(days, 7)
		days -= dt
		r.restStep(dt)
	}
}

func (r *run) restStep(dt float64) {
	s, l := r.s, r.l
	t := s.newStep()
	root := math.Sqrt(dt)
	a := r.areaHung()
	if a > 0 && l.metal >= 0 && r.soluble() {
		mol := s.x(l.k) * a * dt
		shake := dayDissolve * s.belief(l.k) * a * root
		terms := []term{{at: l.metal, by: shake * l.perMol[l.metal]}}
		t.move(l.metal, mol*l.perMol[l.metal])
		t.slope(l.metal, l.k, a*dt*l.perMol[l.metal])
		if l.acid >= 0 {
			half := float64(r.recipe.Charge) / 2
			t.move(l.acid, -half*mol*l.perMol[l.acid])
			t.slope(l.acid, l.k, -half*a*dt*l.perMol[l.acid])
			terms = append(terms, term{at: l.acid, by: -half * shake * l.perMol[l.acid]})
		}
		for _, h := range r.hung {
			if h.at < 0 {
				continue
			}
			whole := h.share(r) * l.cons[l.metal].MolarMass / 1000 * (1 + r.recipe.Prior.Sludge.Value)
			kg := whole * (1 + s.x(h.off))
			t.move(h.at, -mol*kg)
			t.slope(h.at, l.k, -a*dt*kg)
			t.slope(h.at, h.off, -mol*whole)
			terms = append(terms, term{at: h.at, by: -shake * kg})
			t.shake(term{at: h.off, by: walkShare * root})
		}
		t.shake(terms...)
	}
	t.move(l.volume, -s.x(l.still)*dt)
	t.slope(l.volume, l.still, -dt)
	t.shake(term{at: l.volume, by: dayEvaporate * s.belief(l.still) * root})
	for i := range l.cons {
		if l.loss[i] >= 0 {
			lambda := math.Max(0, s.x(l.loss[i]))
			kept := math.Exp(-lambda * dt)
			t.move(i, s.x(i)*(kept-1))
			t.slope(i, i, kept-1)
			t.slope(i, l.loss[i], -dt*kept*s.x(i))
			t.shake(term{at: i, by: dayLoss * s.belief(l.loss[i]) * root * s.x(i)})
			t.shake(term{at: l.use[i], by: walkUse * s.belief(l.use[i]) * root})
			t.shake(term{at: l.loss[i], by: walkLoss * s.belief(l.loss[i]) * root})
		}
		t.shake(term{at: i, by: amountFloor * s.x(i) * root})
	}
	if r.soluble() {
		t.shake(term{at: l.anode, by: walkAnode * root})
	}
	for _, walk := range []term{{at: l.k, by: walkDissolve}, {at: l.drag, by: walkDrag}, {at: l.dragA, by: walkDrag},
		{at: l.in, by: walkDrag}, {at: l.still, by: walkEvaporate}, {at: l.running, by: walkEvaporate},
		{at: l.gamma, by: walkChloride}} {
		t.shake(term{at: walk.at, by: walk.by * s.belief(walk.at) * root})
	}
	r.apply(t)
}

// charge lets current pass: shown ampere-hours q with relative standard
// uncertainty uq, over the given hours, on an area (dm2, 0 unknown).
//
//	metal    +(ηa-ηc)·gq/(zF') - c·w·gq     acid  -(ηa-ηc)·gq/(2F') - c·w·gq
//	chloride -γ·(c/target)·gq - c·w·gq      others -c·w·gq
//	organic  -β·gq·f(c) - c·w·gq            volume -e₁·h - (w-w_in)·gq
func (r *run) charge(q, uq, hours, area float64) {
	const most = 0.02 // of the volume dragged out in one linear step
	drag := math.Abs(r.s.x(r.l.drag)*q + r.s.x(r.l.dragA)*area)
	parts := math.Ceil(drag / (most * math.Max(1, r.s.x(r.l.volume))))
	parts = math.Min(math.Max(parts, 1), 100)
	for range int(parts) {
		// Noise of independent parts adds in squares: each takes the whole
		// run's relative scatter times the root of their number.
		r.chargeStep(q/parts, hours/parts, area/parts, uq, math.Sqrt(parts))
	}
}

func (r *run) chargeStep(q, hours, area, uq, spread float64) {
	s, l := r.s, r.l
	t := s.newStep()
	v := math.Max(1e-3, s.x(l.volume))
	g := s.x(l.meter)
	gq := g * q
	out := s.x(l.drag)*gq + s.x(l.dragA)*area // L of bath carried out
	meter := make([]term, 0, len(l.cons)+4)
	each := func(i int, perCharge float64) { // what one true Ah does to place i
		meter = append(meter, term{at: i, by: perCharge * gq * uq * spread})
		t.slope(i, l.meter, perCharge*q)
	}
	var dragNoise, dragAreaNoise []term
	for i := range l.cons {
		c := s.x(i) / v
		t.move(i, -c*out)
		t.slope(i, i, -out/v)
		t.slope(i, l.volume, c*out/v)
		t.slope(i, l.drag, -c*gq)
		t.slope(i, l.dragA, -c*area)
		perCharge := -c * s.x(l.drag)
		dragNoise = append(dragNoise, term{at: i, by: -c * gq * runDrag * s.belief(l.drag) * spread})
		dragAreaNoise = append(dragAreaNoise, term{at: i, by: -c * area * runDrag * s.belief(l.dragA) * spread})
		if l.use[i] >= 0 {
			beta := s.x(l.use[i])
			c0 := fadeBelow * l.cons[i].Target
			f, df := fade(c, c0)
			t.move(i, -beta*gq*f)
			t.slope(i, i, -beta*gq*df/v)
			t.slope(i, l.volume, beta*gq*df*c/v)
			t.slope(i, l.use[i], -gq*f)
			t.shake(term{at: i, by: gq * f * runUse * s.belief(l.use[i]) * spread})
			perCharge -= beta * f
		}
		if i == l.chloride && l.cons[i].Target > 0 {
			perAh := c / l.cons[i].Target * r.chlorideUnit()
			gamma := s.x(l.gamma)
			t.move(i, -gamma*perAh*gq)
			t.slope(i, i, -gamma*perAh*gq/math.Max(1e-9, s.x(i)))
			t.slope(i, l.volume, gamma*perAh*gq/v)
			t.slope(i, l.gamma, -perAh*gq)
			t.shake(term{at: i, by: perAh * gq * runChloride * s.belief(l.gamma) * spread})
			perCharge -= gamma * perAh
		}
		if i != l.metal && i != l.acid {
			each(i, perCharge)
		}
	}
	r.electrodes(t, each, gq, spread)
	in := s.x(l.in) * gq
	t.move(l.volume, in-out-s.x(l.running)*hours)
	t.slope(l.volume, l.in, gq)
	t.slope(l.volume, l.drag, -gq)
	t.slope(l.volume, l.dragA, -area)
	t.slope(l.volume, l.running, -hours)
	each(l.volume, s.x(l.in)-s.x(l.drag))
	t.shake(term{at: l.volume, by: hours * dayEvaporate * s.belief(l.running) * spread})
	t.shake(append(dragNoise, term{at: l.volume, by: -gq * runDrag * s.belief(l.drag) * spread})...)
	t.shake(append(dragAreaNoise, term{at: l.volume, by: -area * runDrag * s.belief(l.dragA) * spread})...)
	t.shake(meter...)
	r.apply(t)
}

// electrodes adds what current does at anode and cathode: the metal gained and
// the acid it costs, and what the anodes lose.
func (r *run) electrodes(t *step, each func(int, float64), gq, spread float64) {
	s, l := r.s, r.l
	if l.metal < 0 {
		return
	}
	z := float64(r.recipe.Charge)
	v := math.Max(1e-3, s.x(l.volume))
	diff := s.x(l.anode) - s.x(l.cathode)
	metal := l.perMol[l.metal] / (z * chem.FaradayAh)
	anodeNoise := []term{{at: l.metal, by: gq * metal * runAnode * spread}}
	cathodeNoise := []term{{at: l.metal, by: -gq * metal * runCathode * spread}}
	t.move(l.metal, diff*metal*gq)
	t.slope(l.metal, l.anode, metal*gq)
	t.slope(l.metal, l.cathode, -metal*gq)
	each(l.metal, diff*metal-s.x(l.metal)/v*s.x(l.drag))
	if l.acid >= 0 {
		acid := l.perMol[l.acid] / (2 * chem.FaradayAh)
		t.move(l.acid, -diff*acid*gq)
		t.slope(l.acid, l.anode, -acid*gq)
		t.slope(l.acid, l.cathode, acid*gq)
		each(l.acid, -diff*acid-s.x(l.acid)/v*s.x(l.drag))
		anodeNoise = append(anodeNoise, term{at: l.acid, by: -gq * acid * runAnode * spread})
		cathodeNoise = append(cathodeNoise, term{at: l.acid, by: gq * acid * runCathode * spread})
	}
	if r.soluble() {
		for _, h := range r.hung {
			if h.at < 0 {
				continue
			}
			whole := h.share(r) * l.cons[l.metal].MolarMass / (z * chem.FaradayAh) / 1000 * (1 + r.recipe.Prior.Sludge.Value)
			kg := whole * (1 + s.x(h.off))
			t.move(h.at, -s.x(l.anode)*kg*gq)
			t.slope(h.at, l.anode, -kg*gq)
			t.slope(h.at, h.off, -s.x(l.anode)*whole*gq)
			each(h.at, -s.x(l.anode)*kg)
			anodeNoise = append(anodeNoise, term{at: h.at, by: -kg * gq * runAnode * spread})
			t.shake(term{at: h.at, by: s.x(l.anode) * kg * gq * runShare * spread})
		}
		t.shake(anodeNoise...)
	}
	t.shake(cathodeNoise...)
}

// chlorideUnit turns mg into the unit in which chloride is kept.
func (r *run) chlorideUnit() float64 {
	f, _ := chem.Unit("mg/L").Convert(1, r.l.cons[r.l.chloride].Unit)
	return f
}

// fade is 1 where the concentration c is well above c0 and falls to 0 with it;
// the second result is its derivative by c.
func fade(c, c0 float64) (f, df float64) {
	if c0 <= 0 {
		return 1, 0
	}
	if c <= 0 {
		return 0, 0
	}
	e := math.Exp(-c / c0)
	return 1 - e, e / c0
}

func (r *run) soluble() bool { return r.recipe.Anodes != "inert" }

// areaHung is the anode area over the usual one: what chemical dissolution goes
// by. Before the first anode was ever logged the usual ones are taken to hang.
func (r *run) areaHung() float64 {
	if !r.everHung {
		return 1
	}
	if len(r.hung) == 0 {
		return 0
	}
	total := 0.0
	for _, h := range r.hung {
		if h.area <= 0 {
			return 1
		}
		total += h.area
	}
	if r.recipe.AnodeArea <= 0 {
		return 1
	}
	usual := r.recipe.AnodeArea
	if r.recipe.Volume > 0 { // the recipe's area is for the recipe's volume, as its dissolution is
		usual *= r.bath.Volume / r.recipe.Volume
	}
	return total / usual
}

// share is the anode's part of the current: by area where all areas are known.
func (h hungAnode) share(r *run) float64 {
	total := 0.0
	for _, o := range r.hung {
		if o.area <= 0 {
			return 1 / float64(len(r.hung))
		}
		total += o.area
	}
	return h.area / total
}
