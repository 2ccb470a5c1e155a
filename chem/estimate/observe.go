package estimate

import (
	"fmt"
	"math"
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
	Fact     chem.Fact
	Subject  string // constituent, "volume" or an anode's name
	Unit     chem.Unit
	Value    float64
	U        float64 // standard uncertainty of the reading alone
	Expected float64
	Off      float64 // standard deviations between the two, that of the expectation counted
	Fate     Fate
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
	r               float64 // variance of the reading
	sample          float64 // L drawn
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
		return r.assay(b)
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
	return r.direct(subject{"anode " + r.hung[i].id, "kg", -1, r.hung[i].at}, m.Value("kg"), m.Uncertainty("kg", anodeU)), true
}

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
// since at the one read low readings would get too much weight.
func (r *run) assay(a chem.Assay) (observation, bool) {
	i := r.constituent(a.Of)
	if i < 0 {
		return observation{}, false
	}
	c := r.l.cons[i]
	value, u, err := a.Value.In(c.Unit)
	if err != nil {
		return observation{}, false
	}
	expected, _ := r.concentration(i)
	rel := c.AssayU
	if rel <= 0 {
		rel = assayFallbackU
	}
	size := math.Max(expected, 0.2*c.Target)
	if a.Value.U.Given() && value > 0 {
		// Far from what was expected the reading's own size must count, or a
		// bath that really changed would be told off for it.
		rel = u / value
	}
	o := r.concentrationOf(i, value, rel*size)
	shared := a.ULot.Float()
	if scale, err := a.Value.Unit.Convert(1, c.Unit); err == nil {
		shared *= scale
	}
	if shared > 0 && value > 0 {
		if t := a.Titration; t != nil && t.Titrant != "" {
			at := r.lotBias(strings.ToLower(t.Titrant+"/"+t.Lot), shared/value)
			bias := r.s.x(at)
			for k := range o.h {
				o.h[k].by *= 1 + bias
			}
			o.h = append(o.h, term{at: at, by: o.expected})
			o.expected *= 1 + bias
		} else {
			o.r += math.Pow(shared/value*size, 2)
		}
	}
	if !a.Sample.Returned {
		o.sample = titrationSample
		if a.Sample.Volume.Given() {
			o.sample = a.Sample.Volume.Value("L")
		}
	}
	return o, true
}

func (r *run) concentrationOf(i int, value, u float64) observation {
	v := math.Max(1e-3, r.s.x(r.l.volume))
	c := r.s.x(i) / v
	return observation{subj: subject{r.l.cons[i].Name, r.l.cons[i].Unit, i, -1}, value: value, expected: c,
		h: []term{{at: i, by: 1 / v}, {at: r.l.volume, by: -c / v}}, r: u * u}
}

// panel observes an organic with the wide uncertainty of a Hull-cell panel. A
// pattern alone counts as a reading in the middle of what it means, and only
// where the estimate does not already agree with it.
func (r *run) panel(p chem.Panel) (observation, bool) {
	i := r.constituent(p.Of)
	if i < 0 {
		return observation{}, false
	}
	con := r.l.cons[i]
	expected, _ := r.concentration(i)
	var o observation
	switch {
	case p.Value.Given():
		value, _, err := p.Value.In(con.Unit)
		if err != nil {
			return observation{}, false
		}
		o = r.concentrationOf(i, value, p.Value.Uncertainty(con.Unit, panelU*math.Max(expected, 0.2*con.Target)))
	case p.Pattern == chem.PatternRight:
		o = r.concentrationOf(i, con.Target, panelU*con.Target)
	case p.Pattern == chem.PatternLow:
		o = r.concentrationOf(i, math.Min(expected, 0.7*con.Low), panelU*con.Target)
	case p.Pattern == chem.PatternHigh:
		o = r.concentrationOf(i, math.Max(expected, 1.3*con.High), panelU*con.Target)
	default:
		return observation{}, false
	}
	if !p.Sample.Returned {
		o.sample = panelSample
		if p.Sample.Volume.Given() {
			o.sample = p.Sample.Volume.Value("L")
		}
	}
	return o, true
}

// variance is that of the innovation of o.
func (r *run) variance(o observation) float64 {
	s := o.r
	for _, a := range o.h {
		for _, b := range o.h {
			s += a.by * b.by * r.s.p(a.at, b.at)
		}
	}
	return s
}

// correct lets the state learn from o and returns its log-likelihood.
func (r *run) correct(o observation) float64 {
	ll := r.s.update(o.value-o.expected, o.h, o.r)
	for i := range r.l.cons {
		r.s.X[i] = math.Max(r.s.X[i], 0)
	}
	r.loglik += ll
	if o.subj.con >= 0 {
		r.seen[o.subj.con] = true
	}
	return ll
}

// reading takes the reading of fact i: uses it, holds it, or settles with it
// what an earlier held one meant.
func (r *run) reading(i int) {
	f := r.bath.Facts[i]
	o, ok := r.observe(f)
	if !ok {
		return
	}
	variance := r.variance(o)
	off := (o.value - o.expected) / math.Sqrt(variance)
	if r.replay {
		r.reread(i, o)
	} else {
		r.balance(f, o)
		r.judge(i, o, off)
		r.read = append(r.read, Reading{Fact: f, Subject: o.subj.name, Unit: o.subj.unit, Value: o.value, U: math.Sqrt(o.r),
			Expected: o.expected, Off: off})
	}
	if o.sample > 0 {
		r.remove(o.sample, 0.2*o.sample)
	}
}

// reread does in a replay what was decided when the reading first came.
func (r *run) reread(i int, o observation) {
	switch f := r.bath.Facts[i]; r.status[f.ID] {
	case Used, Confirmed:
		r.correct(o)
	case Held:
		if h := r.holds[o.subj.name]; h != nil && h.index == i {
			r.holds[o.subj.name] = &hold{index: i, before: r.clone(), subj: o.subj, loglik: r.loglik}
		}
	}
}

func (r *run) judge(i int, o observation, off float64) {
	f := r.bath.Facts[i]
	name := o.subj.name
	believable := math.Abs(off) <= gate
	h := r.holds[name]
	if h == nil {
		if believable {
			r.status[f.ID] = Used
			r.correct(o)
			return
		}
		r.hold(i, o)
		return
	}
	unchanged := r.loglik - h.loglik + logNormal(o.value-o.expected, r.variance(o))
	changed, likely := r.changed(h, i)
	switch {
	case changed != nil && likely > unchanged+preferChange:
		held := r.bath.Facts[h.index]
		r.adopt(changed)
		delete(r.holds, name)
		r.status[held.ID], r.status[f.ID] = Confirmed, Used
		r.flag("confirmed", name, held.Time, changed.why(h, r))
	case believable:
		r.status[r.bath.Facts[h.index].ID] = Dropped
		delete(r.holds, name)
		r.status[f.ID] = Used
		r.correct(o)
	default:
		r.status[r.bath.Facts[h.index].ID] = Dropped
		r.hold(i, o)
	}
}

func (r *run) hold(i int, o observation) {
	r.status[r.bath.Facts[i].ID] = Held
	r.holds[o.subj.name] = &hold{index: i, before: r.clone(), subj: o.subj, loglik: r.loglik}
}

// changed replays from a held reading on, as if it were right, up to and with
// reading i (or, with i = len(Facts), to the end). It returns the best of the
// explanations and the log-likelihood of everything after the held reading, or
// nil where reading i cannot be believed in it either.
func (r *run) changed(h *hold, i int) (*run, float64) {
	var best *run
	likely := math.Inf(-1)
	for _, e := range explanations(h.subj) {
		alt := r.explain(h, e)
		if alt == nil {
			continue
		}
		from := alt.loglik
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
			if d := o.value - o.expected; d*d > gate*gate*alt.variance(o) {
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
	waterChanged  explanation = "water was added or left without a word in the log"
	bathLost      explanation = "bath was lost without a word in the log"
	massChanged   explanation = "the anode lost more or less than its share"
)

func explanations(s subject) []explanation {
	if s.name == "volume" {
		return []explanation{waterChanged, bathLost}
	}
	if s.con < 0 {
		return []explanation{massChanged}
	}
	return []explanation{amountChanged}
}

// explain returns the bath just after the held reading, opened there so that
// the reading can be taken.
func (r *run) explain(h *hold, e explanation) *run {
	alt := h.before.clone()
	alt.replay, alt.status = true, r.status
	delete(alt.holds, h.subj.name)
	f := r.bath.Facts[h.index]
	o, ok := alt.observe(f)
	if !ok {
		return nil
	}
	size := 2 * math.Abs(o.value-o.expected)
	t := alt.s.newStep()
	switch e {
	case bathLost:
		if o.value > o.expected {
			return nil
		}
		terms := []term{{at: alt.l.volume, by: size}}
		for k := range alt.l.cons {
			c, _ := alt.concentration(k)
			terms = append(terms, term{at: k, by: c * size})
		}
		t.shake(terms...)
	case amountChanged:
		t.shake(term{at: h.subj.con, by: size * alt.s.x(alt.l.volume)})
	case massChanged:
		t.shake(term{at: o.h[0].at, by: size})
	case waterChanged:
		t.shake(term{at: alt.l.volume, by: size})
	}
	alt.apply(t)
	if o, ok = alt.observe(f); ok {
		alt.correct(o)
	}
	if o.sample > 0 {
		alt.remove(o.sample, 0.2*o.sample)
	}
	alt.explained = e
	return alt
}

// adopt goes on from where a replay stands.
func (r *run) adopt(alt *run) {
	read, flags, pair, level := r.read, r.flags, r.pair, r.level
	*r = *alt
	r.replay, r.read, r.flags, r.pair, r.level = false, read, flags, pair, level
}

func (alt *run) why(h *hold, r *run) string {
	f := r.bath.Facts[h.index]
	o := h.before.mustObserve(f)
	return fmt.Sprintf("%s of %s was %s %s where the log led to %s, and the reading after it agrees: %s",
		h.subj.name, f.Time.Format(time.DateOnly), figure(o.value), h.subj.unit, figure(o.expected), alt.explained)
}

func (r *run) mustObserve(f chem.Fact) observation {
	o, _ := r.clone().observe(f)
	return o
}

func logNormal(d, variance float64) float64 {
	return -0.5 * (math.Log(2*math.Pi*variance) + d*d/variance)
}

// figure writes a number with three figures that matter.
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
	open   bool
	before *run
	read   map[int]observation // by constituent
}

// pairWithin is how far apart the two titrations may lie.
const pairWithin = 24 * time.Hour

// balance keeps the newest pair of metal and acid readings for the sulfate
// balance, and the newest level for that of the volume.
func (r *run) balance(f chem.Fact, o observation) {
	if o.subj.name == "volume" {
		r.level = &closure{value: o.value - o.expected, u: math.Sqrt(r.variance(o))}
		return
	}
	i := o.subj.con
	if i < 0 || r.l.acid < 0 || (i != r.l.metal && i != r.l.acid) {
		return
	}
	if _, twice := r.pair.read[i]; !r.pair.open || twice || f.Time.Sub(r.pair.before.now) > pairWithin {
		before := r.clone()
		before.holds, before.read, before.track = nil, nil, nil
		before.pair = pair{}
		r.pair = pair{open: true, before: before, read: map[int]observation{}}
	}
	at := r.pair.before.clone()
	at.replay = true
	if again, ok := at.observe(f); ok {
		// A lot seen for the first time grew the state of this copy only.
		r.pair.before = at
		r.pair.read[i] = again
	}
}

type closure struct{ value, u float64 }

// sulfate returns what the two titrations found beyond the log, in mmol/L.
func (p pair) sulfate() (closure, bool) {
	if len(p.read) < 2 {
		return closure{}, false
	}
	var c closure
	variance := 0.0
	sum := map[int]float64{}
	for i, o := range p.read {
		perMol := p.before.l.perMol[i] / 1000 // concentration unit per mmol/L
		if perMol <= 0 {
			return closure{}, false
		}
		c.value += (o.value - o.expected) / perMol
		variance += o.r / (perMol * perMol)
		for _, t := range o.h {
			sum[t.at] += t.by / perMol
		}
	}
	for a, x := range sum {
		for b, y := range sum {
			variance += x * y * p.before.s.p(a, b)
		}
	}
	c.u = math.Sqrt(math.Max(0, variance))
	return c, true
}
