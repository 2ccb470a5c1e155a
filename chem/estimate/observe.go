package estimate

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"steadybath/chem"
)

// Fate is what became of a reading.
type Fate string

// The fates. A held reading is not used until a second one confirms it, which
// makes it a change that nobody wrote down, or contradicts it, which drops it.
const (
	Used      Fate = "used"
	Held      Fate = "held"
	Dropped   Fate = "dropped"
	Confirmed Fate = "confirmed"
)

// Reading is a reading with what the log led one to expect.
type Reading struct {
	Fact      chem.Fact
	Subject   string // constituent, "volume" or an anode's name
	Unit      chem.Unit
	Value     float64
	U         float64 // standard uncertainty of the reading alone
	Expected  float64
	UExpected float64 // standard uncertainty of the expectation alone
	Off       float64 // standard deviations between the two, that of the expectation counted
	Fate      Fate
}

// subject is what a reading is of: readings of one subject confirm or
// contradict each other.
type subject struct {
	name string
	unit chem.Unit
	con  int // constituent, -1 where none
	at   int // place in the state where it is not a concentration
}

// observation is one scalar reading, linearised at the present state.
type observation struct {
	subj            subject
	value, expected float64
	h               []term
	r               float64  // variance of the reading
	sample          float64  // L drawn
	pattern         *pattern // of a panel that was not read as an amount
}

// observe turns fact f into an observation; ok is false where it says nothing
// about the state.
func (r *run) observe(f chem.Fact) (o observation, ok bool) {
	switch b := f.Body.(type) {
	case chem.Level:
		v := b.Volume.Value("L")
		u := b.Volume.Uncertainty("L", levelU*v)
		return r.direct(subject{"volume", "L", -1, r.l.volume}, v, u), true
	case chem.Weigh:
		return r.mass(b.Anode, b.Mass)
	case chem.Pull:
		return r.mass(b.Anode, b.Mass)
	case chem.Assay:
		o, ok := r.assay(b)
		if _, high := r.oxidised(f.Time, b); ok && high {
			o = r.atMost(o)
		}
		return o, ok
	case chem.Panel:
		return r.panel(b)
	}
	return observation{}, false
}

// direct observes a place of the state itself.
func (r *run) direct(s subject, value, u float64) observation {
	return observation{subj: s, value: value, expected: r.s.x(s.at), h: []term{{at: s.at, by: 1}}, r: u * u}
}

func (r *run) mass(anode string, m chem.Measured) (observation, bool) {
	i := r.find(anode)
	if i < 0 || r.hung[i].at < 0 || !m.Given() {
		return observation{}, false
	}
	return r.direct(subject{subjectOf(r.hung[i].id), "kg", -1, r.hung[i].at}, m.Value("kg"), m.Uncertainty("kg", anodeU)), true
}

func subjectOf(anode string) string { return "anode " + anode }

func (r *run) constituent(name string) int {
	for i, c := range r.l.cons {
		if strings.EqualFold(c.Name, name) {
			return i
		}
	}
	return -1
}

// assay observes c = (n/V)·(1+b): a concentration, times the bias of the
// titrant lot. A relative uncertainty counts at the expected concentration,
// since at the one read low readings would get too much weight; but a stated one
// by no more than mostRescaled, since part of it is absolute (a drop is a drop)
// and a bath that really changed must not be told off for it.
func (r *run) assay(a chem.Assay) (observation, bool) {
	i := r.constituent(a.Of)
	if i < 0 {
		return observation{}, false
	}
	c := r.l.cons[i]
	value, u, ok := r.inUnit(a.Value, c)
	if !ok {
		return observation{}, false
	}
	expected, _ := r.concentration(i)
	size := math.Max(expected, 0.2*c.Target)
	rescale := 1.0
	if value > 0 {
		rescale = math.Min(math.Max(size/value, 1/mostRescaled), mostRescaled)
	}
	if a.Value.U.Given() {
		u *= rescale
	} else if c.AssayU > 0 {
		u = c.AssayU * size
	} else {
		u = assayFallbackU * size
	}
	o := r.concentrationOf(i, value, u)
	shared := a.ULot.Float() * r.noise.lot
	if n := a.Value.Number.Float(); n > 0 {
		shared /= n
	}
	if shared > 0 && value > 0 {
		if t := a.Titration; t != nil && t.Titrant != "" {
			at := r.lotBias(t.Titrant, t.Lot, shared)
			bias := r.s.x(at)
			for k := range o.h {
				o.h[k].by *= 1 + bias
			}
			o.h = append(o.h, term{at: at, by: o.expected})
			o.expected *= 1 + bias
		} else {
			o.r += math.Pow(shared*value*rescale, 2)
		}
	}
	o.sample = drawn(a.Sample, titrationSample)
	return o, true
}

// mostRescaled is how far the stated uncertainty of a reading is carried from
// the concentration read to the one expected: an assumption of this project.
const mostRescaled = 1.25

func (r *run) concentrationOf(i int, value, u float64) observation {
	v := r.volume()
	c := r.s.x(i) / v
	return observation{subj: subject{r.l.cons[i].Name, r.l.cons[i].Unit, i, -1}, value: value, expected: c,
		h: []term{{at: i, by: 1 / v}, {at: r.l.volume, by: -c / v}}, r: u * u}
}

// variance is that of the innovation of o.
func (r *run) variance(o observation) float64 { return o.r + r.s.variance(o.h) }

// off is how many standard deviations lie between reading and expectation.
func (r *run) off(o observation) float64 {
	d := o.value - o.expected
	if d == 0 {
		return 0
	}
	return d / math.Sqrt(r.variance(o))
}

// learn corrects the state with one number, off by nu, that was read of a subject.
func (r *run) learn(subject string, nu float64, h []term, noise float64) (loglik float64) {
	a := r.s.acct
	r.s.why = causeReading(subject)
	if a != nil {
		a.open(r)
	}
	book, variance := r.s.book, 0.0
	if book != nil {
		variance = r.s.variance(h) + noise
	}
	loglik = r.s.update(nu, h, noise)
	if book != nil && !math.IsInf(loglik, 0) {
		book.learned(subject, nu, variance, h)
	}
	r.clamp()
	if a != nil {
		a.close(r, r.s.why)
	}
	return loglik
}

// correct lets the state learn from o.
func (r *run) correct(o observation) {
	likely := r.learn(o.subj.name, o.value-o.expected, o.h, o.r)
	if o.pattern != nil {
		likely = o.pattern.logp
	}
	r.loglik += likely
	switch {
	case o.subj.con >= 0:
		r.seen[o.subj.con], r.treated[o.subj.con] = true, ""
	case o.subj.at == r.l.volume:
		r.leveled, r.dried = true, 0
	}
}

// first tells whether nothing has been said of the subject before o: then there
// is nothing to hold the reading against.
func (r *run) first(o observation) bool {
	if o.subj.con >= 0 {
		return !r.seen[o.subj.con]
	}
	return o.subj.at == r.l.volume && !r.leveled
}

// reading takes the reading of fact i: uses it, holds it, or settles with it
// what an earlier held one meant.
func (r *run) reading(i int) {
	f := r.bath.Facts[i]
	if w, ok := f.Body.(chem.Weigh); ok {
		if at := r.find(w.Anode); at >= 0 && r.hung[at].at < 0 && w.Mass.Given() {
			r.weighed(at, w.Mass)
			return
		}
	}
	if a, ok := f.Body.(chem.Assay); ok && strings.EqualFold(a.Of, densityName) {
		r.hydrometer(f, a)
		return
	}
	o, ok := r.observe(f)
	if !ok {
		r.unread(f)
		return
	}
	r.begin(i)
	switch {
	case !r.counts(f):
	case r.replay:
		r.reread(i, o)
	default:
		rd := Reading{Fact: f, Subject: o.subj.name, Unit: o.subj.unit, Expected: o.expected, UExpected: math.Sqrt(r.s.variance(o.h)), Off: r.off(o)}
		rd.Value, rd.U = o.told()
		r.peroxideFlag(f)
		r.balance(f, o)
		r.suspect(i, o)
		if o, ok = r.observe(f); ok {
			r.judge(i, o)
		}
		r.read = append(r.read, rd)
	}
	if o.sample > 0 {
		r.remove(causeSample, o.sample, 0.2*o.sample)
	}
}

// unread says why a reading of something in the bath is of no use.
func (r *run) unread(f chem.Fact) {
	of, value := "", chem.Measured{}
	switch b := f.Body.(type) {
	case chem.Assay:
		of, value = b.Of, b.Value
	case chem.Panel:
		of, value = b.Of, b.Value
	}
	if i := r.constituent(of); i >= 0 && value.Given() {
		r.flag("unit", r.l.cons[i].Name, f.Time, fmt.Sprintf("%s of it cannot be counted in %s, so it is left out of the estimate", value, r.l.cons[i].Unit))
	}
}

// reread does in a replay what was decided when the reading first came.
func (r *run) reread(i int, o observation) {
	v := r.status[r.bath.Facts[i].ID]
	if v.opened != 0 {
		r.openRates(v.opened)
		o, _ = r.observe(r.bath.Facts[i])
	}
	switch v.fate {
	case Used:
		if v.settles { // the change that it confirmed was opened at the held one
			r.correct(o)
			return
		}
		r.use(o)
	case Confirmed:
		r.since = v.since
		if o, ok := r.open(r.bath.Facts[i], o, v.how); ok {
			r.correct(o)
		}
		r.since = time.Time{}
	case Held:
		// What the log cannot explain a changed bath perhaps can.
		if math.Abs(r.off(o)) <= gate {
			r.taken = append(r.taken, r.bath.Facts[i].ID)
			r.correct(o)
			return
		}
		r.hold(i, o)
	}
}

// use learns from a reading that is believed. The first of all opens what it
// reads: what baths of the kind hold must not pull it.
func (r *run) use(o observation) {
	if r.first(o) && o.pattern == nil { // a pattern narrows what baths of the kind hold, and no more
		e := amountChanged
		if o.subj.con < 0 {
			e = bathLost // or never there: what is known of concentrations stays
		}
		if r.s.book != nil {
			r.s.book.first = true
		}
		r.loosen(o, e)
		if r.s.book != nil {
			r.s.book.first = false
		}
	}
	r.correct(o)
}

func (r *run) judge(i int, o observation) {
	f := r.bath.Facts[i]
	name := o.subj.name
	believable := math.Abs(r.off(o)) <= gate || r.first(o)
	h := r.holds[name]
	if _, last := f.Body.(chem.Pull); last && !believable {
		decide(r.status, f.ID, verdictOf{fate: Dropped, why: "it is far from what the log explains, and the anode is out"})
		return
	}
	if h == nil {
		if r.together(i, o, believable) {
			return
		}
		if believable {
			decide(r.status, f.ID, verdictOf{fate: Used})
			r.use(o)
			return
		}
		r.hold(i, o)
		return
	}
	held := r.bath.Facts[h.index]
	unchanged := r.loglik - h.loglik + r.likely(o)
	changed, likely := r.changed(h, i, r.off(o))
	switch {
	case changed != nil && likely > unchanged+preferChange:
		r.flag("confirmed", name, held.Time, changed.words(h, "the reading after it"))
		r.adopt(changed, h)
		since := h.before.lastUsed(name)
		decide(r.status, held.ID, verdictOf{fate: Confirmed, how: changed.explained, since: since})
		decide(r.status, f.ID, verdictOf{fate: Used, settles: true})
		if changed.again {
			decide(r.status, f.ID, verdictOf{fate: Confirmed, how: changed.explained, since: since})
		}
	case believable:
		delete(r.holds, name)
		decide(r.status, held.ID, verdictOf{fate: Dropped, why: "the reading after it agrees with the log"})
		decide(r.status, f.ID, verdictOf{fate: Used})
		r.use(o)
	default:
		decide(r.status, held.ID, verdictOf{fate: Dropped, why: "the reading after it agrees neither with it nor with the log"})
		r.hold(i, o)
	}
}

// preferTogether is preferChange where the reading that decides is of something
// else than the held one: a coincidence must be less likely than that.
const preferTogether = 3

// together settles a held reading of another subject in the same round, where
// one and the same change explains it and reading i: a bath with less water in it
// has a lower level and more copper in every litre.
func (r *run) together(i int, o observation, believable bool) bool {
	var best *run
	var settled *hold
	most := 0.0
	// A second blunder is no more unlikely than the first.
	v := r.variance(o)
	d := math.Min(math.Abs(o.value-o.expected), gate*math.Sqrt(v))
	for _, name := range slices.Sorted(maps.Keys(r.holds)) {
		h := r.holds[name]
		held := r.bath.Facts[h.index]
		if r.now.Sub(held.Time) > roundWithin {
			continue
		}
		unchanged := r.loglik - h.loglik + logNormal(d, v)
		changed, likely := r.changed(h, i, r.off(o))
		if changed != nil && likely-unchanged > preferTogether && likely-unchanged > most {
			best, settled, most = changed, h, likely-unchanged
		}
	}
	if best == nil {
		return false
	}
	f := r.bath.Facts[i]
	held := r.bath.Facts[settled.index]
	r.flag("confirmed", settled.subj.name, held.Time, best.words(settled, o.subj.name+" read after it"))
	r.adopt(best, settled)
	decide(r.status, held.ID, verdictOf{fate: Confirmed, how: best.explained, since: settled.before.lastUsed(settled.subj.name)})
	decide(r.status, f.ID, verdictOf{fate: Used, settles: true})
	if !believable {
		decide(r.status, f.ID, verdictOf{fate: Confirmed})
	}
	return true
}

// hold lets a reading wait. It is not used, but that it is unlikely counts
// against the bath as the log has it; how far beyond belief it is does not, or a
// blunder would choose what else has changed.
func (r *run) hold(i int, o observation) {
	if !r.replay {
		decide(r.status, r.bath.Facts[i].ID, verdictOf{fate: Held})
	}
	if r.s.tape != nil {
		return
	}
	v := r.variance(o)
	r.loglik += logNormal(gate*math.Sqrt(v), v)
	r.holds[o.subj.name] = &hold{index: i, before: r.bare(), round: r.round, subj: o.subj, loglik: r.loglik, off: r.off(o)}
}

// changed replays from a held reading on, as if it were right, up to and with
// reading i (or, with i = len(Facts), to the end). It returns the best of the
// explanations and the log-likelihood of everything after the held reading, or
// nil where reading i, which is now standard deviations from the log, cannot be
// believed in it either.
func (r *run) changed(h *hold, i int, now float64) (*run, float64) {
	var best *run
	likely := math.Inf(-1)
	for _, v := range r.views(h) {
		alt, e := v.run, v.how
		from := alt.loglik - v.weight
		for k := h.index + 1; k < i; k++ {
			alt.take(k)
		}
		if i < len(r.bath.Facts) {
			f := r.bath.Facts[i]
			alt.advance(f.Time)
			o, ok := alt.observe(f)
			if !ok {
				continue
			}
			switch off := alt.off(o); {
			case math.Abs(off) <= gate:
				alt.again = false
			case o.subj.name == h.subj.name && math.Abs(now) > gate && now*h.off > 0:
				// Two in a row on one side of the log: it is the log that is
				// wrong, though one change does not explain both.
				alt.again = true
				if o, ok = alt.open(f, o, e); !ok {
					continue
				}
			default:
				continue
			}
			alt.correct(o)
		}
		if alt.loglik-from > likely {
			best, likely = alt, alt.loglik-from
		}
	}
	return best, likely
}

// explanation is a way in which a bath can have changed without a word in the
// log.
type explanation string

const (
	amountChanged explanation = "its amount changed without a word in the log"
	bathReplaced  explanation = "bath was lost and made up with water without a word in the log"
	volumeWrong   explanation = "there was less or more water in the tank than the log says"
	waterChanged  explanation = "water was added or left without a word in the log"
	bathLost      explanation = "bath was lost without a word in the log"
	bathLeaks     explanation = "bath is being lost without a word in the log"
	leakMended    explanation = "bath is no longer being lost"
	massChanged   explanation = "the anode lost more or less than its share"
	anodesChanged explanation = "the anodes dissolve more or less than they did"
)

func (r *run) explanations(s subject) []explanation {
	switch {
	case s.con < 0 && s.at == r.l.volume:
		return []explanation{waterChanged, bathLost, bathLeaks}
	case s.con < 0 && r.soluble() && r.l.metal >= 0:
		return []explanation{massChanged, anodesChanged}
	case s.con < 0:
		return []explanation{massChanged}
	case r.soluble() && r.l.acid >= 0 && (s.con == r.l.metal || s.con == r.l.acid):
		return []explanation{amountChanged, bathReplaced, volumeWrong, anodesChanged}
	}
	return []explanation{amountChanged, bathReplaced, volumeWrong}
}

// round is what was read within some hours, as the bath was before it.
type round struct {
	index  int // of its first reading
	before *run
}

// roundWithin is how long after its first reading others belong to the same
// round: an assumption of this project.
const roundWithin = 12 * time.Hour

// begin notes where a round of readings begins.
func (r *run) begin(i int) {
	if r.s.tape != nil { // a smoother settles nothing
		return
	}
	if r.round != nil && r.now.Sub(r.round.before.now) <= roundWithin {
		return
	}
	before := r.bare()
	before.replay = true
	r.lastRound, r.round = r.round, &round{index: i, before: before}
}

// view is the bath just after a held reading as an explanation has it.
type view struct {
	run    *run
	how    explanation
	weight float64 // log-likelihood of its round up to the held reading, less the best explanation's
	after  float64 // log-likelihood of what was read since
}

// unlikely is how much less likely (log) than another way to see the readings an
// explanation may make them and still be shown.
const unlikely = 3

// views returns what can explain a held reading without making the readings
// before it in its round unbelievable.
func (r *run) views(h *hold) []view {
	var out []view
	best := math.Inf(-1)
	for _, e := range r.explanations(h.subj) {
		alt := r.explain(h, e)
		if alt == nil {
			continue
		}
		w := r.weigh(h, e)
		best = math.Max(best, w)
		out = append(out, view{run: alt, how: e, weight: w})
	}
	if math.IsInf(best, -1) {
		best = 0
		for i := range out {
			out[i].weight = 0
		}
	}
	for i := range out {
		out[i].weight -= best
	}
	return slices.DeleteFunc(out, func(v view) bool { return v.weight < -unlikely })
}

// weigh returns how likely the readings of a held one's round, up to and with
// it, are where the bath changed before the round: nobody spills or pours between
// a level and the titration beside it.
func (r *run) weigh(h *hold, e explanation) float64 {
	if h.round == nil || h.round.index >= h.index {
		return 0
	}
	alt := h.round.before.clone()
	alt.loglik = 0
	f := r.bath.Facts[h.index]
	o, ok := alt.observe(f)
	if !ok {
		return 0
	}
	if _, ok = alt.open(f, o, e); !ok {
		return math.Inf(-1)
	}
	for k := h.round.index; k < h.index; k++ {
		alt.take(k)
	}
	if o, ok = alt.observe(f); !ok {
		return 0
	}
	if math.Abs(alt.off(o)) > gate {
		return math.Inf(-1)
	}
	return alt.loglik + logNormal(o.value-o.expected, alt.variance(o))
}

// explain returns the bath just after the held reading, opened there so that
// the reading can be taken; nil where it cannot even so.
func (r *run) explain(h *hold, e explanation) *run {
	alt := h.before.clone()
	alt.replay, alt.explained, alt.round = true, e, h.round
	f := r.bath.Facts[h.index]
	o, ok := alt.observe(f)
	if !ok {
		return nil
	}
	if o, ok = alt.open(f, o, e); !ok || math.Abs(alt.off(o)) > gate {
		return nil
	}
	alt.correct(o)
	if o.sample > 0 {
		alt.remove(causeSample, o.sample, 0.2*o.sample)
	}
	return alt
}

// open loosens what a change can have changed and observes again.
func (r *run) open(f chem.Fact, o observation, e explanation) (observation, bool) {
	if (e == bathLost || e == bathLeaks || e == bathReplaced) && o.value > o.expected {
		return o, false
	}
	r.loosen(o, e)
	return r.observe(f)
}

// loosen widens what o reads by twice how far it is off, in the way in which
// the explanation would have changed it.
func (r *run) loosen(o observation, e explanation) {
	size := 2 * math.Abs(o.value-o.expected)
	// Of a constituent that is nearly gone any reading is many times too much;
	// the tank is not.
	part := math.Min(size/math.Max(o.expected, 1e-9), 1)
	t := r.s.newStep()
	t.as(causeChange)
	of := t.source()
	switch e {
	case bathLost, bathLeaks:
		if e == bathLeaks {
			t.shake(r.l.leak, leakDrift)
		}
		t.stir(of, r.l.volume, size)
		for k := range r.l.cons {
			t.stir(of, k, r.s.x(k)/r.volume()*size)
		}
	case bathReplaced:
		for k := range r.l.cons {
			t.stir(of, k, r.s.x(k)*part)
		}
	case volumeWrong:
		t.stir(of, r.l.volume, r.volume()*part)
	case amountChanged:
		t.stir(of, o.subj.con, size*r.volume())
	case anodesChanged:
		r.loosenAnodes(t, of, o, size)
	case massChanged, waterChanged:
		t.stir(of, o.subj.at, size)
	}
	r.apply(t)
}

// loosenAnodes lets the anodes have given more or less metal than the log says,
// acid and their own masses with it, and lets them go on so.
func (r *run) loosenAnodes(t *step, of int, o observation, size float64) {
	l := r.l
	gram := l.cons[l.metal].MolarMass
	mol := size * 1000 / gram * math.Max(1, float64(len(r.hung))) // an anode's mass is off by so much, and the others' as well
	if o.subj.con >= 0 {
		mol = math.Min(size*r.volume()/l.perMol[o.subj.con], r.dissolvable(o.subj))
	}
	t.stir(of, l.metal, mol*l.perMol[l.metal])
	if l.acid >= 0 {
		t.stir(of, l.acid, -mol*l.perMol[l.acid]*float64(r.recipe.Charge)/2)
	}
	for _, h := range r.hung {
		if h.at >= 0 {
			t.stir(of, h.at, -mol*gram/1000*h.share(r))
		}
	}
	t.shake(l.anode, anodeLoose)
}

// dissolvable is how much metal, mol, the anodes may have given more or less than
// the log says since the subject was last read, as a standard deviation: half of
// what the charge could dissolve in all, and of what air did.
func (r *run) dissolvable(s subject) float64 {
	since := r.since
	if since.IsZero() {
		since = r.lastUsed(s.name)
	}
	ah := 0.0
	for _, p := range slices.Backward(r.used) {
		if p.at.Before(since) {
			break
		}
		ah += p.ah
	}
	days := r.now.Sub(since).Hours() / 24
	return 0.5*ah/(float64(r.recipe.Charge)*chem.FaradayAh) + r.s.x(r.l.k)*days
}

// lastUsed is when a subject was last read and believed; the bath's beginning where
// it never was.
func (r *run) lastUsed(subject string) time.Time {
	for _, rd := range slices.Backward(r.read) {
		if fate := r.status[rd.Fact.ID].fate; rd.Subject == subject && (fate == Used || fate == Confirmed) {
			return rd.Fact.Time
		}
	}
	return r.bath.Began
}

// anodeLoose is how far the anode efficiency may have changed when the anodes
// polarised, filmed over or were used up: all of it is 1.
const anodeLoose = 0.5

// adopt goes on from where a replay from hold h stands.
func (r *run) adopt(alt *run, h *hold) {
	r.goOn(alt, h.index)
	delete(r.holds, h.subj.name)
}

// goOn goes on from where a replay from fact i on stands. Older holds stay as they
// were, younger ones as the replay met them.
func (r *run) goOn(alt *run, i int) {
	for name, other := range r.holds {
		if other.index < i {
			alt.holds[name] = other
		}
	}
	for _, id := range alt.taken {
		decide(r.status, id, verdictOf{fate: Confirmed})
	}
	alt.taken = nil
	alt.replay, alt.read, alt.flags, alt.pair, alt.level = false, r.read, r.flags, r.pair, r.level
	if r.s.book == nil { // it has gone back already
		i = min(i, r.wentBack)
	}
	*r = *alt
	r.wentBack = i
}

// words say what a replay takes a held reading for.
func (r *run) words(h *hold, agrees string) string {
	f := r.bath.Facts[h.index]
	o, _ := h.before.clone().observe(f)
	value, _ := o.told()
	return fmt.Sprintf("%s of %s was %s %s where the log led to %s %s, and %s agrees: %s",
		h.subj.name, f.Time.Format(time.DateOnly), figure(value), h.subj.unit, figure(o.expected), h.subj.unit, agrees, r.explained)
}

func logNormal(d, variance float64) float64 {
	return -0.5 * (math.Log(2*math.Pi*variance) + d*d/variance)
}

// figure writes a number with three figures that matter.
func figureIn(x float64, unit chem.Unit) string {
	if unit.Dimension() == chem.DimDensity { // what matters stands in the third place behind the point
		return fmt.Sprintf("%.4g", x)
	}
	return figure(x)
}

func figure(x float64) string {
	switch a := math.Abs(x); {
	case a >= 1000:
		return fmt.Sprintf("%.0f", x)
	case a >= 100:
		return fmt.Sprintf("%.0f", x)
	case a >= 10:
		return fmt.Sprintf("%.1f", x)
	case a >= 1:
		return fmt.Sprintf("%.2f", x)
	}
	return fmt.Sprintf("%.3g", x)
}

// pair is a titration of the metal and one of the acid between which nothing
// else happened: the sulfate balance.
type pair struct {
	open        bool
	before      *run
	metal, acid *chem.Fact
}

// pairWithin is how far apart the two titrations may lie.
const pairWithin = 24 * time.Hour

// balance keeps the newest pair of metal and acid readings for the sulfate
// balance, and the newest level for that of the volume.
func (r *run) balance(f chem.Fact, o observation) {
	if o.subj.at == r.l.volume && o.subj.con < 0 {
		r.level = &closure{value: o.value - o.expected, u: math.Sqrt(r.variance(o))}
		return
	}
	i := o.subj.con
	if o.pattern != nil {
		return // a limit is no half of a pair
	}
	if _, titrated := f.Body.(chem.Assay); !titrated || i < 0 || r.l.metal < 0 || r.l.acid < 0 || (i != r.l.metal && i != r.l.acid) {
		return
	}
	p := &r.pair
	if !p.open || (i == r.l.metal && p.metal != nil) || (i == r.l.acid && p.acid != nil) || f.Time.Sub(p.before.now) > pairWithin {
		before := r.bare()
		before.read, before.track, before.replay = nil, nil, true
		*p = pair{open: true, before: before}
	}
	if i == r.l.metal {
		p.metal = &f
	} else {
		p.acid = &f
	}
}

type closure struct{ value, u float64 }

// sulfate returns what the two titrations found beyond the log, in mmol/L of
// metal and acid together; ok is false where there is no pair.
func (p pair) sulfate() (c closure, ok bool) {
	if p.metal == nil || p.acid == nil {
		return closure{}, false
	}
	at := p.before.clone()
	// A lot seen for the first time grows the state, and may push out another:
	// only the second look finds every place where it stays.
	for _, f := range []*chem.Fact{p.metal, p.acid} {
		at.observe(*f)
	}
	var h []term
	noise := 0.0
	for _, f := range []*chem.Fact{p.metal, p.acid} {
		o, ok := at.observe(*f)
		perMol := 0.0
		if ok {
			perMol = at.l.perMol[o.subj.con] / 1000 // concentration unit per mmol/L
		}
		if perMol <= 0 {
			return closure{}, false
		}
		c.value += (o.value - o.expected) / perMol
		noise += o.r / (perMol * perMol)
		for _, t := range o.h {
			h = append(h, term{t.at, t.by / perMol})
		}
	}
	c.u = math.Sqrt(noise + at.s.variance(h))
	return c, true
}
