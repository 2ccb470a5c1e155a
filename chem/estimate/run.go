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
	now      time.Time
	lots     []lot
	hung     []hungAnode
	everHung bool
	filled   bool
	seen     []bool // by constituent: some fact said how much is in the bath
	meters   map[string]meterMark
	pair     pair
	level    *closure
	loglik   float64

	status map[uuid.UUID]Fate // fates of readings so far, shared by replays
	holds  map[string]*hold
	read   []Reading
	flags  []Flag
	track  []Point
	keep   bool // record the track
	replay bool

	explained explanation
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
	area float64 // dm2, 0 unknown
	hung time.Time
	mass float64 // kg when hung
}

type meterMark struct {
	reading float64 // Ah
	logged  float64 // Ah of plate facts since
}

// hold is a reading that was not believed, with the bath as it was before it.
type hold struct {
	index  int // of its fact
	before *run
	subj   subject
	loglik float64
}

func (r *run) clone() *run {
	c := *r
	c.s = r.s.clone()
	c.lots = slices.Clone(r.lots)
	c.hung = slices.Clone(r.hung)
	c.seen = slices.Clone(r.seen)
	c.meters = maps.Clone(r.meters)
	c.holds = maps.Clone(r.holds)
	c.read = slices.Clip(r.read)
	c.flags = slices.Clip(r.flags)
	c.track = slices.Clip(r.track)
	return &c
}

func (r *run) apply(t *step) { r.s.apply(t, len(r.l.cons)) }

// start begins a run at the bath's beginning: nothing is known of what is in
// it but what baths of the kind hold.
func (b *Bath) start() *run {
	r := &run{bath: b, recipe: b.recipes[0].recipe, now: b.Began, meters: map[string]meterMark{},
		status: map[uuid.UUID]Fate{}, holds: map[string]*hold{}}
	r.l = newLayout(r.recipe)
	r.seen = make([]bool, len(r.l.cons))
	r.s = newState(r.l.fixed)
	r.setRates()
	r.fill(chem.Fill{})
	r.filled = false
	return r
}

// setRates puts every rate at its prior.
func (r *run) setRates() {
	l, p := r.l, r.recipe.Prior
	scale := 1.0
	if r.recipe.Volume > 0 {
		scale = r.bath.Volume / r.recipe.Volume
	}
	r.setRate(l.anode, p.AnodeEfficiency, 1)
	r.setRate(l.cathode, p.CathodeEfficiency, 1)
	r.setRate(l.k, p.Dissolution, scale)
	r.setRate(l.drag, p.DragOut, 1)
	r.setRate(l.dragA, p.DragOutArea, 1)
	r.setRate(l.in, p.DragIn, 1)
	r.setRate(l.still, p.Evaporation, scale)
	r.setRate(l.running, p.EvaporationRun, scale)
	r.setRate(l.gamma, p.ChlorideLoss, 1)
	r.s.set(l.meter, p.Meter.Value, p.Meter.U*p.Meter.U)
	if !r.soluble() {
		r.s.set(l.anode, 0, 0)
		r.s.set(l.k, 0, 0)
	}
	for i, c := range l.cons {
		if l.use[i] >= 0 {
			r.setRate(l.use[i], c.Use, 1)
			r.setRate(l.loss[i], c.Loss, 1)
		}
	}
}

func (r *run) setRate(i int, p chem.Prior, scale float64) {
	u := priorWidth * p.U * scale
	r.s.set(i, p.Value*scale, u*u)
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

// fill puts the first filling into the tank.
func (r *run) fill(f chem.Fill) {
	v, uv := r.bath.Volume, bathVolumeU*r.bath.Volume
	if f.Volume.Given() {
		v = f.Volume.Value("L")
		uv = f.Volume.Uncertainty("L", fillVolumeU*v)
		r.filled = true
	}
	n := len(r.l.cons)
	c, uc := make([]float64, n), make([]float64, n)
	for i, con := range r.l.cons {
		c[i], uc[i] = con.Target, unknownShare*con.Target
		if con.Contaminant() {
			c[i], uc[i] = con.High/4, con.High/2
		}
		m, ok := f.Composition[con.Name]
		if !ok || !m.Given() {
			continue
		}
		rel := fillOtherU
		if f.Origin == chem.OriginMakeUp {
			rel = fillMadeU
		}
		value, _, err := m.In(con.Unit)
		if err != nil {
			continue
		}
		c[i], uc[i] = value, m.Uncertainty(con.Unit, rel*value)
		r.seen[i] = true
	}
	for i := range n {
		r.s.set(i, c[i]*v, uc[i]*uc[i]*v*v)
	}
	r.s.set(r.l.volume, v, 0)
	t := r.s.newStep()
	terms := []term{{at: r.l.volume, by: uv}}
	for i := range n {
		terms = append(terms, term{at: i, by: c[i] * uv})
	}
	t.shake(terms...)
	r.apply(t)
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
	r.advance(f.Time)
	r.mark()
	switch body := f.Body.(type) {
	case chem.Setting:
		r.set(f.Time, body)
	case chem.Fill:
		r.fill(body)
	case chem.Plate:
		r.plate(body)
	case chem.Meter:
		r.meter(f, body)
	case chem.Add:
		r.add(f, body)
	case chem.Bail:
		v := body.Volume.Value("L")
		r.remove(v, body.Volume.Uncertainty("L", bailU*v))
		r.pair.open = false
	case chem.Treat:
		r.treat(f, body)
	case chem.Hang:
		r.hang(f.Time, body)
	case chem.Pull:
		r.pull(i, body)
	case chem.Level, chem.Weigh, chem.Assay, chem.Panel:
		r.reading(i)
	}
	r.mark()
}

// set brings a changed setting into force. A changed prior replaces what was
// learned: whoever sets it says that the past does not count.
func (r *run) set(t time.Time, body chem.Setting) {
	before := r.recipe
	r.recipe = r.bath.Recipe(t)
	if len(r.recipe.Constituents) == len(r.l.cons) {
		r.l.cons = r.recipe.Constituents
	}
	if before.Prior != r.recipe.Prior || isRate(body.Key) {
		fresh := r.clone()
		fresh.setRates()
		old := &run{bath: r.bath, recipe: before, l: r.l, s: r.s.clone()}
		old.setRates()
		for i := len(r.l.cons); i < r.l.fixed; i++ {
			if i != r.l.volume && (fresh.s.x(i) != old.s.x(i) || fresh.s.p(i, i) != old.s.p(i, i)) {
				r.s.set(i, fresh.s.x(i), fresh.s.p(i, i))
			}
		}
	}
}

// isRate tells whether a setting's key is a prior of a rate.
func isRate(key string) bool {
	return strings.HasPrefix(key, "prior.") || strings.HasSuffix(key, ".use") || strings.HasSuffix(key, ".loss")
}

func (r *run) plate(p chem.Plate) {
	q := p.Charge.Value("Ah")
	uq := runAmmeter
	if q > 0 {
		uq = p.Charge.Uncertainty("Ah", runAmmeter*q) / q
	}
	area := 0.0
	if p.Area.Given() {
		area = p.Area.Value("dm2")
	}
	r.charge(q, uq, p.Hours.Float(), area)
	for name, m := range r.meters {
		m.logged += q
		r.meters[name] = m
	}
	if p.Gain.Given() && r.l.metal >= 0 {
		gain := p.Gain.Value("g")
		perAh := r.l.cons[r.l.metal].MolarMass / (float64(r.recipe.Charge) * chem.FaradayAh) * q
		eta, g := r.s.x(r.l.cathode), r.s.x(r.l.meter)
		u := p.Gain.Uncertainty("g", gainU*gain)
		h := []term{{at: r.l.cathode, by: perAh * g}, {at: r.l.meter, by: perAh * eta}}
		run := perAh * math.Hypot(runCathode, runAmmeter)
		r.s.update(gain-perAh*eta*g, h, u*u+run*run)
	}
	r.pair.open = false
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
		r.charge(q, runAmmeter, 0, 0)
		r.pair.open = false
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
	t.move(r.l.volume, m.Litres*x)
	terms := []term{{at: r.l.volume, by: m.Litres * u}}
	for i, c := range r.l.cons {
		if b := m.Brings[c.Name]; b != 0 {
			t.move(i, b*x)
			terms = append(terms, term{at: i, by: b * u})
		}
	}
	t.shake(terms...)
	r.apply(t)
	r.pair.open = false
}

// remove takes bath out: a sample or a bail-out of v litres, u its uncertainty.
func (r *run) remove(v, u float64) {
	t := r.s.newStep()
	volume := math.Max(1e-3, r.s.x(r.l.volume))
	v = math.Min(v, 0.95*volume)
	terms := []term{{at: r.l.volume, by: -u}}
	for i := range r.l.cons {
		c := r.s.x(i) / volume
		t.move(i, -c*v)
		t.slope(i, i, -v/volume)
		t.slope(i, r.l.volume, c*v/volume)
		terms = append(terms, term{at: i, by: -c * u})
	}
	t.move(r.l.volume, -v)
	t.shake(terms...)
	r.apply(t)
}

// treat makes the organics unknown: nobody can say what carbon or peroxide left
// of them before a panel does. Dummy plating is charge.
func (r *run) treat(f chem.Fact, b chem.Treat) {
	if b.With == chem.TreatDummy {
		if b.Amount.Given() {
			r.charge(b.Amount.Value("Ah"), runAmmeter, b.Hours.Float(), 0)
		}
		r.pair.open = false
		return
	}
	for i, c := range r.l.cons {
		if c.Role != chem.RoleOrganic {
			continue
		}
		v := r.s.x(r.l.volume)
		half := math.Min(r.s.x(i), c.Target*v) / 2
		r.s.set(i, half, math.Pow(math.Max(half, c.Target*v/4), 2))
		r.flag("unknown", c.Name, f.Time, fmt.Sprintf("%s treatment takes out an unknown part of it; run a panel before relying on it", b.With))
	}
}

func (r *run) hang(t time.Time, b chem.Hang) {
	r.everHung = true
	h := hungAnode{id: b.Anode, form: b.Form, at: -1, hung: t}
	if b.Area.Given() {
		h.area = b.Area.Value("dm2")
	}
	if old := r.find(b.Anode); old >= 0 {
		if at := r.hung[old].at; at >= 0 && b.Mass.Given() { // a basket was topped up
			u := b.Mass.Uncertainty("kg", anodeU)
			r.s.set(at, b.Mass.Value("kg"), u*u)
			r.hung[old].mass, r.hung[old].hung = b.Mass.Value("kg"), t
			return
		}
		r.takeDown(old)
	}
	if b.Mass.Given() {
		kg := b.Mass.Value("kg")
		u := b.Mass.Uncertainty("kg", anodeU)
		// What falls off as sludge is as lasting as a share, and looks the same.
		deviation := math.Hypot(shareU, r.recipe.Prior.Sludge.U)
		h.mass, h.at = kg, r.s.Grow(kg, u*u)
		h.off = r.s.Grow(0, deviation*deviation)
	}
	r.hung = append(r.hung, h)
}

func (r *run) find(anode string) int {
	return slices.IndexFunc(r.hung, func(h hungAnode) bool { return strings.EqualFold(h.id, anode) })
}

func (r *run) pull(i int, b chem.Pull) {
	if strings.EqualFold(b.Anode, chem.AllAnodes) {
		for len(r.hung) > 0 {
			r.takeDown(len(r.hung) - 1)
		}
		r.everHung = true
		return
	}
	at := r.find(b.Anode)
	if at < 0 {
		return
	}
	if b.Mass.Given() && r.hung[at].at >= 0 {
		r.reading(i)
		if at = r.find(b.Anode); at < 0 {
			return
		}
	}
	r.takeDown(at)
}

func (r *run) takeDown(at int) {
	h := r.hung[at]
	r.hung = slices.Delete(r.hung, at, at+1)
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

// lotBias returns the place of a titrant lot's relative bias, which begins at
// zero with standard deviation u.
func (r *run) lotBias(key string, u float64) int {
	for i := range r.lots {
		if r.lots[i].key == key {
			r.lots[i].used = r.now
			return r.lots[i].at
		}
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
	at := r.s.Grow(0, u*u)
	r.lots = append(r.lots, lot{key: key, at: at, used: r.now})
	return at
}

func (r *run) flag(kind, subject string, t time.Time, why string) {
	if !r.replay {
		r.flags = append(r.flags, Flag{Kind: kind, Subject: subject, Time: t, Why: why})
	}
}

// mark records where the bath stands, for charts.
func (r *run) mark() {
	if !r.keep {
		return
	}
	p := Point{Time: r.now, Value: make([]float64, len(r.l.cons)), U: make([]float64, len(r.l.cons))}
	for i := range r.l.cons {
		p.Value[i], p.U[i] = r.concentration(i)
	}
	p.Volume, p.UVolume = r.s.x(r.l.volume), math.Sqrt(math.Max(0, r.s.p(r.l.volume, r.l.volume)))
	if n := len(r.track); n > 0 && r.track[n-1].Time.Equal(p.Time) && slices.Equal(r.track[n-1].Value, p.Value) {
		return
	}
	r.track = append(r.track, p)
}

// concentration returns a constituent's concentration and its standard
// uncertainty in its unit: n/V with their joint covariance.
func (r *run) concentration(i int) (c, u float64) {
	v := math.Max(1e-3, r.s.x(r.l.volume))
	c = r.s.x(i) / v
	variance := (r.s.p(i, i) - 2*c*r.s.p(i, r.l.volume) + c*c*r.s.p(r.l.volume, r.l.volume)) / (v * v)
	return c, math.Sqrt(math.Max(0, variance))
}
