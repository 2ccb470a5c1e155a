package estimate

import (
	"math"

	"steadybath/chem"
)

// noises say what a rate does from run to run and from day to day, found on
// simulated baths (see the calibration tests; no published series of daily rates
// of small baths was found). Relative ones are relative to the present belief,
// sqrt(estimate^2 + variance), never to the prior: a prior that is off must not
// make the filter deaf or nervous.
type noises struct {
	runAnode, runCathode            float64 // absolute, per plating run
	runDrag, runUse, runChloride    float64 // relative, per plating run
	runAmmeter                      float64 // relative, per plating run that states no uncertainty
	runShare                        float64 // absolute, of an anode's share of the current, per plating run
	dayDissolve, dayEvaporate       float64 // relative, per square root of a day
	dayLoss                         float64 // relative, per square root of a day
	walkAnode, walkShare            float64 // absolute, per square root of a day
	walkDissolve, walkDrag, walkUse float64 // relative, per square root of a day
	walkEvaporate, walkLoss, walkCl float64 // relative, per square root of a day
	amount                          float64 // of every amount, per square root of a day: what no equation covers
	lot                             float64 // times the uncertainty that a titrant lot's readings share
}

func usualNoises() noises {
	return noises{
		runAnode: 0.006, runCathode: 0.003, runDrag: 0.25, runUse: 0.15, runChloride: 0.10, runAmmeter: 0.004, runShare: 0.03,
		dayDissolve: 0.25, dayEvaporate: 0.35, dayLoss: 0.10,
		walkAnode: 0.0006, walkShare: 0.003, walkDissolve: 0.015, walkDrag: 0.01, walkUse: 0.014,
		walkEvaporate: 0.03, walkLoss: 0.01, walkCl: 0.01,
		amount: 1e-4, lot: 1,
	}
}

// shareU is how far an anode's lasting share of the current may lie from the one
// by area, absolute, before any weighing: an assumption of this project.
const shareU = 0.03

// priorWidth widens the recipe's priors of rates: a guess of one's own
// uncertainty is nearly always too narrow, and a prior twice as wide costs
// almost nothing once readings come.
const priorWidth = 2

// How a leak wanders, relative, per square root of a day, and how long one lasts:
// assumptions of this project.
const (
	walkLeak   = 0.08
	mendedDays = 60
)

// fadeBelow is the part of an organic's target below which its use fades out,
// so that no amount becomes negative.
const fadeBelow = 0.1

// Limits of evaporation, fractions of the bath's volume: assumptions of this
// project. Somebody tops a tank up before it is down to leastWet, whether or not
// it is written down: evaporation slows to nothing there, over dryOver. Where
// doubtful of the bath has evaporated since anybody said anything about the
// volume, all of that may have been made up.
const (
	leastWet = 0.25
	dryOver  = 0.05
	doubtful = 0.4
	driest   = 0.01 // no volume is ever less: nothing could be said of such a tank
)

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
	leak    int       // 1/day: the part of the bath that goes where nobody looks
	gamma   int       // mg/Ah
	meter   int       // true over shown
	sludge  int       // fraction of what an anode loses
	use     []int     // by constituent, -1 where none: mL/Ah
	loss    []int     // 1/day
	fixed   int       // count of all of these
	shown   []int     // what a chart shows: the amounts and, last, the volume

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
	for _, place := range []*int{&l.volume, &l.anode, &l.cathode, &l.k, &l.drag, &l.dragA, &l.in, &l.still, &l.running, &l.leak, &l.gamma, &l.meter, &l.sludge} {
		*place, next = next, next+1
	}
	for i, c := range l.cons {
		if c.Role == chem.RoleOrganic {
			l.use[i], l.loss[i] = next, next+1
			next += 2
		}
	}
	l.fixed = next
	for i := range n {
		l.shown = append(l.shown, i)
	}
	l.shown = append(l.shown, l.volume)
	return l
}

// with returns the same layout with other figures of the same constituents.
func (l *layout) with(cons []chem.Constituent) *layout {
	out := *l
	out.cons = cons
	return &out
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
	s, l, w := r.s, r.l, &r.noise
	t := s.newStep()
	root := math.Sqrt(dt)
	t.as(causeAir)
	if a := r.areaHung(); a > 0 && l.metal >= 0 && r.soluble() {
		some, gone := r.anodesLeft(s.x(l.k) * a * dt)
		a *= some
		mol := s.x(l.k) * a * dt
		shake := w.dayDissolve * s.belief(l.k) * a * root
		of := t.source()
		t.move(l.metal, mol*l.perMol[l.metal])
		t.slope(l.metal, l.k, a*dt*l.perMol[l.metal])
		shake = math.Hypot(shake, mol*gone)
		t.stir(of, l.metal, shake*l.perMol[l.metal])
		if l.acid >= 0 {
			acid := -float64(r.recipe.Charge) / 2 * l.perMol[l.acid]
			t.move(l.acid, mol*acid)
			t.slope(l.acid, l.k, a*dt*acid)
			t.stir(of, l.acid, shake*acid)
		}
		r.lose(t, mol, []term{{l.k, a * dt}}, []term{{of, shake}}, 0)
	}
	t.as(causeShares)
	for _, h := range r.hung {
		if h.at >= 0 {
			t.shake(h.off, w.walkShare*root)
		}
	}
	r.leaks(t, dt)
	t.as(causeEvaporation)
	whole := r.bath.Volume
	left, wet, kept := dries(r.volume()-leastWet*whole, s.x(l.still)*dt, dryOver*whole)
	left += leastWet * whole
	r.dried += r.volume() - left
	t.move(l.volume, left-r.volume())
	t.slope(l.volume, l.still, -dt*wet)
	t.slope(l.volume, l.volume, kept-1)
	t.shake(l.volume, w.dayEvaporate*s.belief(l.still)*root*wet)
	for i := range l.cons {
		if l.loss[i] >= 0 {
			t.as(causeStanding)
			lambda := math.Max(0, s.x(l.loss[i]))
			kept := math.Exp(-lambda * dt)
			t.move(i, s.x(i)*(kept-1))
			t.slope(i, i, kept-1)
			if s.x(l.loss[i]) > 0 {
				t.slope(i, l.loss[i], -dt*kept*s.x(i))
			}
			t.shake(i, w.dayLoss*s.belief(l.loss[i])*root*s.x(i)*kept)
			t.as(causeUse)
			t.shake(l.use[i], w.walkUse*s.belief(l.use[i])*root)
			t.as(causeStanding)
			t.shake(l.loss[i], w.walkLoss*s.belief(l.loss[i])*root)
		}
		t.as(causeRest)
		t.shake(i, w.amount*s.x(i)*root)
	}
	if r.soluble() {
		t.as(causeAnodes)
		t.shake(l.anode, w.walkAnode*root)
	}
	for _, walk := range [...]struct {
		term
		why cause
	}{{term{l.k, w.walkDissolve}, causeAir}, {term{l.drag, w.walkDrag}, causeDragOut}, {term{l.dragA, w.walkDrag}, causeDragOut},
		{term{l.in, w.walkDrag}, causeDragIn}, {term{l.still, w.walkEvaporate}, causeEvaporation},
		{term{l.running, w.walkEvaporate}, causeEvaporation}, {term{l.gamma, w.walkCl}, causeChloride}} {
		t.as(walk.why)
		t.shake(walk.at, walk.by*s.belief(walk.at)*root)
	}
	r.apply(t)
	if want := r.dried / 2; r.dried > doubtful*whole && s.sd(l.volume) < want {
		t := s.newStep()
		t.as(causeEvaporation)
		t.shake(l.volume, math.Sqrt(want*want-s.p(l.volume, l.volume)))
		r.apply(t)
	}
}

// leaks lets bath go where nobody looks, all that is in it with it, at the part λ
// of it a day: no bath does before readings have said so, and a leak is mended or
// dries up in time.
//
//	others -λ·n·t    volume -λ·V·t    λ' = -λ/mendedDays
func (r *run) leaks(t *step, dt float64) {
	s, l := r.s, r.l
	kept := math.Exp(-s.x(l.leak) * dt)
	t.as(causeLeak)
	all := func(i int) {
		t.move(i, s.x(i)*(kept-1))
		t.slope(i, i, kept-1)
		t.slope(i, l.leak, -s.x(i)*kept*dt)
	}
	for i := range l.cons {
		all(i)
	}
	all(l.volume)
	lasts := math.Exp(-dt / mendedDays)
	t.move(l.leak, s.x(l.leak)*(lasts-1))
	t.slope(l.leak, l.leak, lasts-1)
	t.shake(l.leak, walkLeak*s.belief(l.leak)*math.Sqrt(dt))
}

// dries returns what evaporation of e litres leaves of v, when it slows down as
// v runs out over dry: dV = -e·(1 - exp(-V/dry)), solved exactly, since a straight
// step would overshoot. wet and kept are the derivatives by -e and by v.
func dries(v, e, dry float64) (left, wet, kept float64) {
	if v < 1e-6*dry {
		return v, 0, 1
	}
	u := v / dry
	some := -math.Expm1(-u)
	x := u + math.Log(some) - e/dry
	wet = 1 / (1 + math.Exp(-x))
	left = dry * (math.Max(x, 0) + math.Log1p(math.Exp(-math.Abs(x))))
	return left, wet, wet / some
}

// charge lets current pass: shown ampere-hours q with relative standard
// uncertainty uq, over the given hours, on an area (dm2, 0 unknown).
//
//	metal    +(ηa-ηc)·gq/(zF') - c·w·gq     acid  -(ηa-ηc)·gq/(2F') - c·w·gq
//	chloride -γ·(c/target)·gq - c·w·gq      others -c·w·gq
//	organic  -β·gq·f(c) - c·w·gq            volume -e₁·h - (w-w_in)·gq
func (r *run) charge(q, uq, hours, area float64) {
	const (
		most  = 0.02 // of the volume dragged out in one linear step
		fades = 0.5  // of the amount at which an organic's use fades, used up in one step
		parts = 200
	)
	s, l, v := r.s, r.l, r.volume()
	n := math.Ceil(math.Abs(s.x(l.drag)*q+s.x(l.dragA)*area) / (most * v))
	for i, c := range l.cons {
		if l.use[i] < 0 {
			continue
		}
		faint := fadeBelow * c.Target * v
		if used := s.x(l.use[i]) * q; faint > 0 && s.x(i)-used < 5*faint {
			n = math.Max(n, math.Ceil(used/(fades*faint)))
		}
	}
	n = math.Min(math.Max(n, 1), parts)
	for range int(n) {
		// Noise of independent parts adds in squares: each takes the whole
		// run's relative scatter times the root of their number.
		r.chargeStep(q/n, hours/n, area/n, uq, math.Sqrt(n))
	}
}

func (r *run) chargeStep(q, hours, area, uq, spread float64) {
	s, l, w := r.s, r.l, &r.noise
	t := s.newStep()
	v := r.volume()
	gq := s.x(l.meter) * q
	out := math.Min(s.x(l.drag)*gq+s.x(l.dragA)*area, v/2) // L of bath carried out; more only where a charge is absurd
	t.as(causeMeter)
	meter := t.source()
	t.as(causeDragOut)
	drag, dragA := t.source(), t.source()
	uDrag, uDragA := w.runDrag*s.belief(l.drag)*spread, w.runDrag*s.belief(l.dragA)*spread
	each := func(i int, perCharge float64) { // what one true Ah does to place i
		t.stir(meter, i, perCharge*gq*uq*spread)
		t.slope(i, l.meter, perCharge*q)
	}
	for i := range l.cons {
		c := s.x(i) / v
		t.as(causeDragOut)
		t.move(i, -c*out)
		t.slope(i, i, -out/v)
		t.slope(i, l.volume, c*out/v)
		t.slope(i, l.drag, -c*gq)
		t.slope(i, l.dragA, -c*area)
		t.stir(drag, i, -c*gq*uDrag)
		t.stir(dragA, i, -c*area*uDragA)
		perCharge := -c * s.x(l.drag)
		if l.use[i] >= 0 {
			beta := s.x(l.use[i])
			f, df := fade(c, fadeBelow*l.cons[i].Target)
			t.as(causeUse)
			t.move(i, -beta*gq*f)
			use := math.Min(beta*gq*df/v, 1)
			t.slope(i, i, -use)
			t.slope(i, l.volume, use*c)
			t.slope(i, l.use[i], -gq*f)
			t.shake(i, gq*f*w.runUse*s.belief(l.use[i])*spread)
			perCharge -= beta * f
		}
		if i == l.chloride && l.cons[i].Target > 0 {
			perC := r.chlorideUnit() / l.cons[i].Target // lost per Ah and γ, at concentration 1
			gamma := s.x(l.gamma)
			t.as(causeChloride)
			t.move(i, -gamma*perC*c*gq)
			use := math.Min(gamma*perC*gq/v, 1)
			t.slope(i, i, -use)
			t.slope(i, l.volume, use*c)
			t.slope(i, l.gamma, -perC*c*gq)
			t.shake(i, perC*c*gq*w.runChloride*s.belief(l.gamma)*spread)
			perCharge -= gamma * perC * c
		}
		each(i, perCharge)
	}
	r.electrodes(t, each, meter, gq, q, uq, spread)
	t.as(causeDragOut)
	t.move(l.volume, -out)
	t.as(causeDragIn)
	t.move(l.volume, s.x(l.in)*gq)
	t.as(causeEvaporation)
	t.move(l.volume, -s.x(l.running)*hours)
	t.slope(l.volume, l.in, gq)
	t.slope(l.volume, l.drag, -gq)
	t.slope(l.volume, l.dragA, -area)
	t.slope(l.volume, l.running, -hours)
	each(l.volume, s.x(l.in)-s.x(l.drag))
	t.stir(drag, l.volume, -gq*uDrag)
	t.stir(dragA, l.volume, -area*uDragA)
	t.as(causeEvaporation)
	t.shake(l.volume, hours*w.dayEvaporate*s.belief(l.running)*spread)
	r.apply(t)
}

// electrodes adds what current does at anode and cathode: the metal gained and
// the acid it costs, and what the anodes lose.
func (r *run) electrodes(t *step, each func(int, float64), meter int, gq, q, uq, spread float64) {
	s, l, w := r.s, r.l, &r.noise
	if l.metal < 0 {
		return
	}
	z := float64(r.recipe.Charge)
	t.as(causeAnodes)
	anode := t.source()
	t.as(causeParts)
	cathode := t.source()
	some, gone := r.anodesLeft(s.x(l.anode) * gq / (z * chem.FaradayAh))
	etaA, etaC := s.x(l.anode)*some, s.x(l.cathode)
	uAnode, uCathode := math.Hypot(w.runAnode*some*spread, etaA*gone), w.runCathode*spread
	if !r.soluble() {
		uAnode = 0
	}
	gain := func(i int, perCharge float64) { // what one true Ah does at an efficiency of 1
		t.as(causeAnodes)
		t.move(i, etaA*perCharge*gq)
		t.slope(i, l.anode, some*perCharge*gq)
		t.stir(anode, i, gq*perCharge*uAnode)
		each(i, etaA*perCharge)
		t.as(causeParts)
		t.move(i, -etaC*perCharge*gq)
		t.slope(i, l.cathode, -perCharge*gq)
		t.stir(cathode, i, -gq*perCharge*uCathode)
		each(i, -etaC*perCharge)
	}
	gain(l.metal, l.perMol[l.metal]/(z*chem.FaradayAh))
	if l.acid >= 0 {
		gain(l.acid, -l.perMol[l.acid]/(2*chem.FaradayAh))
	}
	if r.soluble() {
		perAh := 1 / (z * chem.FaradayAh) // mol
		mol := etaA * gq * perAh
		t.as(causeAnodes)
		r.lose(t, mol, []term{{l.anode, some * gq * perAh}, {l.meter, etaA * q * perAh}},
			[]term{{anode, gq * perAh * uAnode}, {meter, mol * uq * spread}}, w.runShare*spread)
	}
}

// anodesLeft is the part of mol that anodes are left for: the chance that any is,
// by the masses believed, and the standard deviation of that yes or no; 1 and 0 where an anode
// hangs whose mass nobody knows, or none was ever logged.
func (r *run) anodesLeft(mol float64) (some, gone float64) {
	none, kg := 1.0, 0.0
	for _, h := range r.hung {
		none *= 1 - r.alive(h)
		if h.at >= 0 {
			kg += r.s.x(h.at)
		}
	}
	if len(r.hung) == 0 || none < 1e-6 {
		return 1, 0
	}
	some = 1 - none
	if need := mol * r.l.cons[r.l.metal].MolarMass / 1000; need*some > kg {
		some = kg / need
	}
	return some, math.Sqrt(some * (1 - some))
}

// alive is the chance that an anode is not used up.
func (r *run) alive(h hungAnode) float64 {
	if h.at < 0 {
		return 1
	}
	z := r.s.x(h.at) / math.Hypot(r.s.sd(h.at), anodeU)
	if z > 5 {
		return 1
	}
	// At no mass at all the scale decides; half a chance would dissolve for ever.
	return math.Max(0, math.Erf(z/math.Sqrt2))
}

// lose takes from the weighed anodes what mol of dissolved metal cost them,
// sludge included. by holds the derivatives of mol by place, noise what one
// standard deviation of a source does to mol, uShare the scatter of an anode's
// share, absolute: what one anode takes more, the others take less.
func (r *run) lose(t *step, mol float64, by, noise []term, uShare float64) {
	s, l := r.s, r.l
	sum := 0.0
	for _, h := range r.hung {
		sum += r.weight(h)
	}
	if s.book != nil {
		s.book.unweighed(s.why, mol, sum, by, noise)
	}
	if sum < 1e-6 {
		return
	}
	current := s.why
	kept := 1 - math.Min(math.Max(s.x(l.sludge), 0), 0.5)
	gross := l.cons[l.metal].MolarMass / 1000 / kept // kg per mol dissolved
	m := float64(len(r.hung))
	first := t.count
	if uShare > 0 && m > 1 {
		t.as(causeShares)
		for range r.hung {
			t.source()
		}
		t.as(current)
	}
	for i, h := range r.hung {
		if h.at < 0 {
			continue
		}
		share := r.weight(h) / sum
		kg := gross * share
		t.move(h.at, -mol*kg)
		t.slope(h.at, l.sludge, -mol*kg/kept)
		for _, d := range by {
			t.slope(h.at, d.at, -d.by*kg)
		}
		for _, d := range noise {
			t.stir(d.at, h.at, -d.by*kg)
		}
		for j, o := range r.hung {
			same := 0.0
			if i == j {
				same = 1
			}
			if o.at >= 0 {
				t.slope(h.at, o.off, -mol*gross*(same-share)/sum)
			}
			if uShare > 0 && m > 1 {
				by := -mol * gross * uShare * math.Sqrt(m/(m-1)) * (same - 1/m)
				t.stir(first+j, h.at, by)
				if s.book != nil {
					s.book.instead(s.why, first+j, by*kept)
				}
			}
		}
	}
}

// weight is what an anode's share of the current is in proportion to: its share
// by area, where all areas are known, and its lasting deviation from it.
func (r *run) weight(h hungAnode) float64 {
	w := h.share(r)
	if h.at >= 0 {
		w += r.s.x(h.off)
	}
	return math.Max(w, 0.02) * r.alive(h)
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
