package estimate

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"steadybath/chem"
)

// gate is the normalised innovation beyond which a reading is not believed:
// about one false alarm in two thousand readings.
const gate = 3.5

// preferChange is how much more likely (log) a changed bath must make the
// readings than an unchanged one before it is believed.
const preferChange = 2

// mostLots is how many titrant lots keep a bias of their own at a time; the one
// unused for longest gives way.
const mostLots = 12

// run is one pass through a bath's facts.
type run struct {
	bath     *Bath
	recipe   *chem.Recipe
	l        *layout
	s        *state
	noise    noises
	now      time.Time
	lots     []lot
	hung     []hungAnode
	pulled   []pulledAnode // in order of time
	everHung bool
	forgot   bool     // charge passed though all anodes were logged out
	dried    float64  // L evaporated since a fact said anything about the volume
	leveled  bool     // some fact said how much bath there is
	seen     []bool   // by constituent: some fact said how much of it is in the bath
	treated  []string // by constituent: the treatment after which nobody can say, empty where none
	meters   map[string]meterMark
	used     []spent
	pair     pair
	round    *round

	lastRound *round // the one before it
	suspects  [rateChanges]suspicion
	level     *closure
	loglik    float64

	status map[uuid.UUID]verdictOf // on readings so far, shared by replays
	holds  map[string]*hold
	read   []Reading
	flags  []Flag
	known  []hanging // anodes in the order in which their masses became known
	stops  []stop    // where a smoother may begin
	track  []sight   // of a replay that is smoothed
	masses []anodeMass
	rows   []int // room for those of a mark
	keep   bool  // make stops
	replay bool

	wentBack int // fact from which the run was last taken once more: a book has to follow

	explained explanation // of a replay
	taken     []uuid.UUID // held readings that the replay believes
	since     time.Time   // of the reading that a replay opens for, its verdict's
	again     bool        // the reading that confirmed it asks for the same once more
}

type lot struct {
	key  string
	at   int
	used time.Time
}

type hungAnode struct {
	id   string
	form string
	at   int     // place of its mass (kg) in the state, -1 where unknown
	off  int     // place of its lasting deviation from its share, relative
	nth  int     // place among the run's known ones
	area float64 // dm2, 0 unknown
	hung time.Time
	mass float64 // kg when last hung or topped up

	first  float64 // kg when it was new, or the most that a basket held; 0 unknown
	passed float64 // Ah as shown: its part of what passed while it hung, before it was pulled as well
}

// hanging is what one hanging of an anode of known mass is called by.
type hanging struct{ id, form string }

// pulledAnode is an anode as it was when it was taken out.
type pulledAnode struct {
	hungAnode
	left, u float64 // kg; NaN where unknown
}

type meterMark struct {
	reading float64 // Ah
	logged  float64 // Ah of plate facts since
}

// hold is a reading that was not believed, with the bath as it was before it.
type hold struct {
	index  int // of its fact
	before *run
	round  *round // in which it was read
	subj   subject
	loglik float64
	off    float64 // standard deviations from the log
}

// verdictOf is what was made of a reading, for replays and for words.
type verdictOf struct {
	fate    Fate
	how     explanation // of a confirmed one
	settles bool        // a used one that confirmed a held one
	since   time.Time   // of a confirmed one: when its subject had last been believed
	why     string      // of a dropped one

	opened uint // rates that were opened just before it, bits by rateChange
}

// spent is charge that passed, as shown.
type spent struct {
	at time.Time
	ah float64
}

func (r *run) clone() *run {
	c := *r
	c.s = r.s.clone()
	c.lots = slices.Clone(r.lots)
	c.hung = slices.Clone(r.hung)
	c.pulled = slices.Clip(r.pulled)
	c.seen = slices.Clone(r.seen)
	c.treated = slices.Clone(r.treated)
	c.meters = maps.Clone(r.meters)
	c.holds = maps.Clone(r.holds)
	c.used = slices.Clip(r.used)
	c.taken = slices.Clone(r.taken)
	c.read = slices.Clip(r.read)
	c.flags = slices.Clip(r.flags)
	c.stops = slices.Clip(r.stops)
	return &c
}

// bare is a clone that remembers no holds and no pair of readings, so that what
// is kept of the past does not keep the past before it.
func (r *run) bare() *run {
	c := r.clone()
	c.holds, c.pair, c.round, c.lastRound, c.suspects = map[string]*hold{}, pair{}, nil, nil, [rateChanges]suspicion{}
	return c
}

// apply carries the bath through a step. No amount becomes negative.
func (r *run) apply(t *step) {
	a := r.s.acct
	if a != nil {
		a.open(r)
	}
	r.s.apply(t)
	r.clamp()
	if a != nil {
		a.post(r, t)
	}
}

func (r *run) clamp() {
	x := r.s.X
	for i := range r.l.cons {
		r.floor(i)
	}
	x[r.l.volume] = math.Max(x[r.l.volume], driest*r.bath.Volume)
	x[r.l.leak] = math.Max(x[r.l.leak], 0)
	for _, h := range r.hung {
		if h.at >= 0 {
			r.floor(h.at)
		}
	}
}

func (r *run) floor(i int) {
	if r.s.X[i] >= 0 {
		return
	}
	if r.s.book != nil {
		r.s.book.floor(i, -r.s.X[i])
	}
	r.s.X[i] = 0
}

func (r *run) volume() float64 { return r.s.x(r.l.volume) }

// start begins a run at the bath's beginning: nothing is known of what is in
// it but what baths of the kind hold.
func (b *Bath) start() *run { return b.startWith(nil) }

// startWith begins a run and lets look have it before anything is known.
func (b *Bath) startWith(look func(*run)) *run {
	r := &run{bath: b, recipe: b.recipes[0].recipe, now: b.Began, noise: b.noise, meters: map[string]meterMark{},
		status: map[uuid.UUID]verdictOf{}, holds: map[string]*hold{}}
	r.l = newLayout(r.recipe)
	r.seen, r.treated = make([]bool, len(r.l.cons)), make([]string, len(r.l.cons))
	r.s = newState(r.l.fixed)
	if look != nil {
		look(r)
	}
	r.s.why = causeStart
	for _, p := range priors(r.recipe, r.l, b.Volume) {
		r.s.set(p.at, p.value, p.u*p.u)
	}
	r.fill(chem.Fill{}, b.Began)
	return r
}

// prior is what is believed of a rate before the bath has shown anything.
type prior struct {
	at       int
	value, u float64
}

// priors lists every rate with its prior, for a bath of the given litres.
func priors(rec *chem.Recipe, l *layout, litres float64) []prior {
	p := rec.Prior
	scale := 1.0
	if rec.Volume > 0 {
		scale = litres / rec.Volume
	}
	if rec.Anodes == "inert" {
		p.AnodeEfficiency, p.Dissolution = chem.Prior{}, chem.Prior{}
	}
	var out []prior
	add := func(at int, p chem.Prior, scale float64) {
		out = append(out, prior{at, p.Value * scale, priorWidth * p.U * scale})
	}
	add(l.anode, p.AnodeEfficiency, 1)
	add(l.cathode, p.CathodeEfficiency, 1)
	add(l.k, p.Dissolution, scale)
	add(l.drag, p.DragOut, 1)
	add(l.dragA, p.DragOutArea, 1)
	add(l.in, p.DragIn, 1)
	add(l.still, p.Evaporation, scale)
	add(l.running, p.EvaporationRun, scale)
	add(l.gamma, p.ChlorideLoss, 1)
	add(l.sludge, p.Sludge, 1)
	out = append(out, prior{l.meter, p.Meter.Value, p.Meter.U})
	for i, c := range rec.Constituents {
		if l.use[i] >= 0 {
			add(l.use[i], c.Use, 1)
			add(l.loss[i], c.Loss, 1)
		}
	}
	return out
}

// Relative standard uncertainties where a fact states none: assumptions of this
// project, on the wide side.
const (
	unknownShare   = 0.4   // of the target: a constituent nobody has measured yet
	fillVolumeU    = 0.01  // of the volume filled in
	bathVolumeU    = 0.05  // of the volume a bath is said to be run at, before any reading
	fillMadeU      = 0.03  // of a concentration of fresh make-up
	fillOtherU     = 0.06  // of a bought or running bath's
	levelU         = 0.005 // of a level
	addU           = 0.01  // of a weighed or measured addition
	bailU          = 0.03  // of a bail-out
	panelU         = 0.30  // of an amount read from a Hull-cell panel; model of the trade, no source
	assayFallbackU = 0.02  // of an assay where neither reading nor recipe says
	anodeU         = 0.005 // kg, a weighing of an anode
	gainU          = 0.01  // of a part's weight gain
)

// Bath drawn for a reading where the fact does not say, in L: a titration's
// aliquots with rinsing, and the usual 267 mL Hull cell.
const (
	titrationSample = 0.020
	panelSample     = 0.267
)

// fill puts a filling into the tank, in place of whatever was there.
func (r *run) fill(f chem.Fill, t time.Time) {
	v, uv := r.bath.Volume, bathVolumeU*r.bath.Volume
	r.leveled = f.Volume.Given()
	if r.leveled {
		v = f.Volume.Value("L")
		uv = f.Volume.Uncertainty("L", fillVolumeU*v)
	}
	stated := map[string]chem.Measured{}
	for name, m := range f.Composition {
		stated[strings.ToLower(name)] = m
	}
	r.s.why = causeFill
	n := len(r.l.cons)
	c, uc := make([]float64, n), make([]float64, n)
	for i, con := range r.l.cons {
		c[i], uc[i] = con.Target, unknownShare*con.Target
		if con.Contaminant() {
			c[i], uc[i] = con.High/4, con.High/2
		}
		r.seen[i], r.treated[i] = false, ""
		m, ok := stated[strings.ToLower(con.Name)]
		if !ok || !m.Given() {
			continue
		}
		value, u, ok := r.inUnit(m, con)
		if !ok {
			r.flag("unit", con.Name, t, fmt.Sprintf("%s of it cannot be counted in %s, so it is left out of the estimate", m, con.Unit))
			continue
		}
		rel := fillOtherU
		if f.Origin == chem.OriginMakeUp {
			rel = fillMadeU
		}
		if !m.U.Given() {
			u = rel * value
		}
		c[i], uc[i], r.seen[i] = value, u, true
	}
	if r.s.acct != nil {
		r.s.acct.open(r)
	}
	if r.s.book != nil {
		r.s.book.poured(r.l.metal, causeEmptied, -1)
	}
	for i := range n {
		r.s.set(i, c[i]*v, uc[i]*uc[i]*v*v)
		r.release(r.l.cons[i].Name, "the bath was filled anew")
	}
	r.release("volume", "the bath was filled anew")
	r.s.set(r.l.volume, v, 0)
	if r.s.book != nil {
		r.s.book.poured(r.l.metal, causeFill, 1)
	}
	if r.s.acct != nil {
		r.s.acct.close(r, causeFill)
	}
	st := r.s.newStep()
	of := st.source()
	st.stir(of, r.l.volume, uv)
	for i := range n {
		st.stir(of, i, c[i]*uv)
	}
	r.apply(st)
	r.pair, r.dried, r.suspects = pair{}, 0, [rateChanges]suspicion{}
}

// inUnit counts a concentration in the constituent's own unit, by its molar
// mass where it was written in mol/L; u is 0 where none was stated.
func (r *run) inUnit(m chem.Measured, c chem.Constituent) (value, u float64, ok bool) {
	if value, u, err := m.In(c.Unit); err == nil {
		return value, u, true
	}
	molar, u, err := m.In("mol/L")
	if err != nil || c.MolarMass <= 0 {
		return 0, 0, false
	}
	per, err := chem.Unit("g/L").Convert(c.MolarMass, c.Unit)
	return molar * per, u * per, err == nil
}

// release ends the waiting of a held reading that nothing can settle any more.
func (r *run) release(name, why string) {
	h := r.holds[name]
	if h == nil {
		return
	}
	delete(r.holds, name)
	if !r.replay {
		decide(r.status, r.bath.Facts[h.index].ID, verdictOf{fate: Dropped, why: why})
	}
}

// through takes the facts from index i on up to the moment at.
func (r *run) through(i int, at time.Time) {
	for ; i < len(r.bath.Facts) && !r.bath.Facts[i].Time.After(at); i++ {
		r.take(i)
	}
	r.advance(at)
	r.mark()
}

func (r *run) advance(t time.Time) {
	if days := t.Sub(r.now).Hours() / 24; days > 0 {
		r.rest(days)
		r.now = t
	}
}

// take lets time pass up to fact i and then lets it happen.
func (r *run) take(i int) {
	f := r.bath.Facts[i]
	if f.Time.Before(r.bath.Began) {
		return
	}
	r.stop(i)
	r.advance(f.Time)
	r.mark()
	switch body := f.Body.(type) {
	case chem.Setting:
		r.set(f.Time)
	case chem.Fill:
		r.fill(body, f.Time)
	case chem.Plate:
		r.plate(f, body)
	case chem.Meter:
		r.meter(f, body)
	case chem.Add:
		r.add(f, body)
	case chem.Bail:
		v := body.Volume.Value("L")
		r.remove(causeBail, v, body.Volume.Uncertainty("L", bailU*v))
		r.pair.open = false
	case chem.Treat:
		r.treat(f, body)
	case chem.Hang:
		r.hang(f.Time, body)
	case chem.Pull:
		r.pull(i, body)
	case chem.Level, chem.Weigh, chem.Assay, chem.Panel:
		known := len(r.known)
		r.reading(i)
		if len(r.known) == known {
			return // but for its sample it moves nothing, and what it says is carried back
		}
	}
	r.mark()
}

// set brings a changed setting into force. A changed prior replaces what was
// learned: whoever sets it says that the past does not count.
func (r *run) set(t time.Time) {
	now := r.bath.Recipe(t)
	if now == r.recipe {
		return
	}
	before := priors(r.recipe, r.l, r.bath.Volume)
	r.recipe, r.l = now, r.l.with(now.Constituents)
	for i, p := range priors(now, r.l, r.bath.Volume) {
		if p != before[i] {
			r.s.why = causeStart
			r.s.set(p.at, p.value, p.u*p.u)
		}
	}
}

func (r *run) plate(f chem.Fact, p chem.Plate) {
	q := p.Charge.Value("Ah")
	uq := r.noise.runAmmeter
	if q > 0 {
		uq = p.Charge.Uncertainty("Ah", uq*q) / q
	}
	area := 0.0
	if p.Area.Given() {
		area = p.Area.Value("dm2")
	}
	r.pass(f, q, uq, p.Hours.Float(), area)
	r.logged(q)
	if p.Gain.Given() && r.l.metal >= 0 && q > 0 {
		r.gain(f, p, q, uq)
	}
}

// pass lets shown charge pass and notes it.
func (r *run) pass(f chem.Fact, q, uq, hours, area float64) {
	if (r.everHung || r.forgot) && len(r.hung) == 0 && r.soluble() {
		r.flagAnew("anodes", "anodes", f.Time, "charge passed while no anode is logged as hung; the usual anodes are taken to hang again until one is logged")
		r.everHung, r.forgot = false, true
	}
	for i := range r.hung {
		r.hung[i].passed += q * r.hung[i].share(r)
	}
	r.charge(q, uq, hours, area)
	if r.s.tape == nil {
		r.used = append(r.used, spent{f.Time, q})
	} else {
		r.used = r.used[:len(r.used)+1] // a smoother has it from the run that it follows
	}
	r.pair.open = false
}

// logged tells the meters of charge that is in the log already.
func (r *run) logged(q float64) {
	for name, m := range r.meters {
		m.logged += q
		r.meters[name] = m
	}
}

// gain learns from a part's weight gain, dry: what the cathode took, a copper
// coulometer. One that the charge cannot explain is not used.
func (r *run) gain(f chem.Fact, p chem.Plate, q, uq float64) {
	gain := p.Gain.Value("g")
	perAh := r.l.cons[r.l.metal].MolarMass / (float64(r.recipe.Charge) * chem.FaradayAh) * q
	eta, g := r.s.x(r.l.cathode), r.s.x(r.l.meter)
	u := p.Gain.Uncertainty("g", gainU*gain)
	run := perAh * math.Hypot(g*r.noise.runCathode, eta*g*uq)
	h := []term{{at: r.l.cathode, by: perAh * g}, {at: r.l.meter, by: perAh * eta}}
	nu, noise := gain-perAh*eta*g, u*u+run*run
	if sd := math.Sqrt(r.s.variance(h) + noise); math.Abs(nu) > gate*sd {
		r.flag("gain", p.Part, f.Time, fmt.Sprintf("a weight gain of %s g does not fit %s Ah, which deposit %s g; it is not used: look at the part, the scale and the meter",
			figure(gain), figure(q), figure(perAh*eta*g)))
		return
	}
	r.learn(ByGain, nu, h, noise)
}

// meter counts the difference to the reading before it, less what plating runs
// have been logged since.
func (r *run) meter(f chem.Fact, m chem.Meter) {
	now := m.Reading.Value("Ah")
	last, known := r.meters[m.Supply]
	q := now - last.reading - last.logged
	if m.Reset {
		q = now - last.logged
	}
	r.meters[m.Supply] = meterMark{reading: now}
	switch {
	case !known && !m.Reset:
	case q < -0.5-0.02*now:
		r.flag("meter", m.Supply, f.Time, fmt.Sprintf("the meter shows %.4g Ah less than the readings and runs before it; say whether it was reset", -q))
	case q > 0:
		r.pass(f, q, r.noise.runAmmeter, 0, 0)
	}
}

func (r *run) add(f chem.Fact, a chem.Add) {
	m, ok := r.recipe.Material(a.Material)
	if !ok {
		r.flag("material", a.Material, f.Time, "the recipe does not say what this material brings, so it is left out of the estimate")
		return
	}
	x, err := m.Amount(a.Amount)
	if err != nil {
		r.flag("material", a.Material, f.Time, fmt.Sprintf("%s cannot be counted in %s, so it is left out of the estimate", a.Amount, m.Unit))
		return
	}
	u := math.Max(addU*x, m.Smallest/2)
	if n := a.Amount.Number.Float(); a.Amount.U.Given() && n > 0 {
		u = x * a.Amount.U.Float() / n
	}
	t := r.s.newStep()
	t.as(causeAdd(m.Name))
	of := t.source()
	t.move(r.l.volume, m.Litres*x)
	r.dried = math.Max(0, r.dried-m.Litres*x)
	t.stir(of, r.l.volume, m.Litres*u)
	for i, c := range r.l.cons {
		b := m.Brings[c.Name]
		t.move(i, b*x)
		t.stir(of, i, b*u)
	}
	r.apply(t)
	r.pair.open = false
}

// remove takes bath out: a sample or a bail-out of v litres, u its uncertainty.
func (r *run) remove(why cause, v, u float64) {
	t := r.s.newStep()
	t.as(why)
	of := t.source()
	volume := r.volume()
	v = math.Min(v, 0.95*volume)
	u = math.Min(u, volume)
	for i := range r.l.cons {
		c := r.s.x(i) / volume
		t.move(i, -c*v)
		t.slope(i, i, -v/volume)
		t.slope(i, r.l.volume, c*v/volume)
		t.stir(of, i, -c*u)
	}
	t.move(r.l.volume, -v)
	t.stir(of, r.l.volume, -u)
	r.apply(t)
}

// treat makes the organics unknown: nobody can say what carbon or peroxide left
// of them before a panel does. Dummy plating is charge.
func (r *run) treat(f chem.Fact, b chem.Treat) {
	if b.With == chem.TreatDummy {
		if b.Amount.Given() {
			q := b.Amount.Value("Ah")
			r.pass(f, q, r.noise.runAmmeter, b.Hours.Float(), 0)
			r.logged(q)
		}
		return
	}
	for i, c := range r.l.cons {
		if c.Role != chem.RoleOrganic {
			continue
		}
		// Between nothing and all of it, each as likely: mean a half, variance a
		// twelfth of the square.
		r.s.why = causeTreat(string(b.With))
		if r.s.acct != nil {
			r.s.acct.open(r)
		}
		all := math.Max(r.s.x(i)+r.s.sd(i), c.Target*r.volume()/2)
		r.s.set(i, all/2, all*all/12)
		if r.s.acct != nil {
			r.s.acct.close(r, r.s.why)
		}
		r.seen[i], r.treated[i] = false, string(b.With)
		r.release(c.Name, fmt.Sprintf("%s treatment came after it", b.With))
	}
}

func (r *run) hang(t time.Time, b chem.Hang) {
	r.everHung, r.forgot = true, false
	h := hungAnode{id: b.Anode, form: b.Form, at: -1, hung: t}
	if b.Area.Given() {
		h.area = b.Area.Value("dm2")
	}
	if old := r.find(b.Anode); old >= 0 && b.TopUp {
		r.topUp(old, b.Mass)
		return
	}
	if old := r.find(b.Anode); old >= 0 {
		if at := r.hung[old].at; at >= 0 && b.Mass.Given() { // a basket was topped up
			r.release(subjectOf(r.hung[old].id), "it was hung again")
			u := b.Mass.Uncertainty("kg", anodeU)
			if r.s.book != nil {
				r.s.book.poured(at, causeTopped, -1)
			}
			r.s.why = causeReading(subjectOf(b.Anode))
			r.s.set(at, b.Mass.Value("kg"), u*u)
			if r.s.book != nil {
				r.s.book.poured(at, causeTopped, 1)
			}
			r.hung[old].mass, r.hung[old].hung = b.Mass.Value("kg"), t
			r.hung[old].first = math.Max(r.hung[old].first, r.hung[old].mass)
			if h.area > 0 {
				r.hung[old].area = h.area
			}
			return
		}
		r.takeDown(old)
	}
	if was, ok := r.hungBefore(b); ok {
		h.first, h.passed = was.first, was.passed
		if h.area == 0 {
			h.area = was.area
		}
	}
	r.hung = append(r.hung, h)
	if b.Mass.Given() {
		r.weighed(len(r.hung)-1, b.Mass)
	}
}

// regained is how much heavier than when it was pulled an anode may be hung and
// still be the same one: what salt and water on it and two scales come to, an
// assumption of this project.
const regained = 0.02 // kg

// hungBefore returns the anode of b's name and form as it was pulled the last time,
// where it is that one which hangs again and not a new one: a slab or a bar no
// heavier than it was then, a basket or an inert anode in any case.
func (r *run) hungBefore(b chem.Hang) (pulledAnode, bool) {
	for _, was := range slices.Backward(r.pulled) {
		if !strings.EqualFold(was.id, b.Anode) {
			continue
		}
		switch {
		case !strings.EqualFold(was.form, b.Form):
			return was, false
		case b.Form == "inert" || b.Form == "nuggets":
			return was, true
		}
		return was, b.Mass.Given() && b.Mass.Value("kg") <= was.left+3*was.u+regained
	}
	return pulledAnode{}, false
}

// topUp puts more metal into the hung basket i. One whose mass nobody knows stays
// so.
func (r *run) topUp(i int, m chem.Measured) {
	h := &r.hung[i]
	if h.at < 0 || !m.Given() {
		return
	}
	t := r.s.newStep()
	t.as(causeTopped)
	t.move(h.at, m.Value("kg"))
	t.shake(h.at, m.Uncertainty("kg", anodeU))
	r.apply(t)
	h.mass = math.Max(h.mass, r.s.x(h.at))
	h.first = math.Max(h.first, h.mass)
}

// weighed begins the account of an anode whose mass was unknown.
func (r *run) weighed(i int, m chem.Measured) {
	h := &r.hung[i]
	h.mass = m.Value("kg")
	h.first = math.Max(h.first, h.mass)
	u := m.Uncertainty("kg", anodeU)
	r.s.why = causeReading(subjectOf(h.id))
	h.at = r.s.Grow(h.mass, u*u)
	if r.s.book != nil {
		r.s.book.poured(h.at, causeHung, 1)
	}
	r.s.why = causeShares
	h.off = r.s.Grow(0, shareU*shareU)
	h.nth, r.known = len(r.known), append(slices.Clip(r.known), hanging{h.id, h.form})
}

func (r *run) find(anode string) int {
	return slices.IndexFunc(r.hung, func(h hungAnode) bool { return strings.EqualFold(h.id, anode) })
}

func (r *run) pull(i int, b chem.Pull) {
	if strings.EqualFold(b.Anode, chem.AllAnodes) {
		for len(r.hung) > 0 {
			r.takeDown(len(r.hung) - 1)
		}
		r.everHung, r.forgot = true, false
		return
	}
	at := r.find(b.Anode)
	if at < 0 {
		return
	}
	r.reading(i)
	r.takeDown(at)
}

func (r *run) takeDown(at int) {
	h := r.hung[at]
	was := pulledAnode{h, math.NaN(), math.NaN()}
	if h.at >= 0 {
		was.left, was.u = r.s.x(h.at), r.s.sd(h.at)
	}
	r.pulled = append(r.pulled, was)
	if r.s.book != nil && h.at >= 0 {
		r.s.book.poured(h.at, causePulled, -1)
	}
	r.hung = slices.Delete(r.hung, at, at+1)
	r.release(subjectOf(h.id), "the anode was taken out")
	if h.at >= 0 {
		r.drop(h.off) // grown after the mass, so the mass keeps its place
		r.drop(h.at)
	}
}

// drop forgets a place of the state that comes and goes.
func (r *run) drop(place int) {
	r.s.Drop(place)
	for i := range r.hung {
		if r.hung[i].at > place {
			r.hung[i].at--
		}
		if r.hung[i].at >= 0 && r.hung[i].off > place {
			r.hung[i].off--
		}
	}
	for i := range r.lots {
		if r.lots[i].at > place {
			r.lots[i].at--
		}
	}
}

// namelessDays is how long a bottle of titrant lasts where nobody names it: an
// assumption of this project. Its bias is forgotten at that pace.
const namelessDays = 120

// lotBias returns the place of a titrant lot's relative bias, which begins at
// zero with standard deviation u.
func (r *run) lotBias(titrant, name string, u float64) int {
	key := strings.ToLower(titrant + "/" + name)
	for i := range r.lots {
		if r.lots[i].key != key {
			continue
		}
		at := r.lots[i].at
		if days := r.now.Sub(r.lots[i].used).Hours() / 24; name == "" && days > 0 {
			kept := math.Exp(-days / namelessDays)
			t := r.s.newStep()
			t.as(causeLots)
			t.move(at, (kept-1)*r.s.x(at))
			t.slope(at, at, kept-1)
			t.shake(at, u*math.Sqrt(1-kept*kept))
			r.apply(t)
		}
		r.lots[i].used = r.now
		return at
	}
	if len(r.lots) >= mostLots {
		oldest := 0
		for i := range r.lots {
			if r.lots[i].used.Before(r.lots[oldest].used) {
				oldest = i
			}
		}
		place := r.lots[oldest].at
		r.lots = slices.Delete(r.lots, oldest, oldest+1)
		r.drop(place)
	}
	r.s.why = causeLots
	if titrant == densityModel {
		r.s.why = causeDensity
	}
	at := r.s.Grow(0, u*u)
	r.lots = append(r.lots, lot{key: key, at: at, used: r.now})
	return at
}

func (r *run) flag(kind, subject string, t time.Time, why string) {
	if !r.replay {
		r.flags = append(r.flags, Flag{Kind: kind, Subject: subject, Time: t, Why: why})
	}
}

// concentration returns a constituent's concentration and its standard
// uncertainty in its unit: n/V with their joint covariance.
func (r *run) concentration(i int) (c, u float64) {
	v := r.volume()
	c = r.s.x(i) / v
	variance := (r.s.p(i, i) - 2*c*r.s.p(i, r.l.volume) + c*c*r.s.p(r.l.volume, r.l.volume)) / (v * v)
	return c, math.Sqrt(math.Max(0, variance))
}
