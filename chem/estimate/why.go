package estimate

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"steadybath/chem"
	"steadybath/chem/filter"
)

// cause is why an amount or the volume changes, or is uncertain.
type cause string

// The causes that are not a material's or a reading's own.
const (
	causeStart       cause = "recipe's priors"
	causeFill        cause = "filling"
	causeAnodes      cause = "dissolved from the anodes by current"
	causeAir         cause = "dissolved from the anodes by air"
	causeParts       cause = "plated onto parts"
	causeDragOut     cause = "drag-out"
	causeDragIn      cause = "drag-in"
	causeEvaporation cause = "evaporation"
	causeLeak        cause = "leak"
	causeUse         cause = "used by current"
	causeStanding    cause = "standing loss"
	causeChloride    cause = "chloride lost by current"
	causeMeter       cause = "amp-hours as logged"
	causeShares      cause = "how the anodes share the current"
	causeBail        cause = "bailed out"
	causeSample      cause = "samples"
	causeLots        cause = "titrant's molarity"
	causeDensity     cause = "density model"
	causeChange      cause = "a change without a word"
	causeRest        cause = "what no equation covers"
	causeEdge        cause = "no amount below nothing"
)

func causeAdd(material string) cause    { return cause(material + " added") }
func causeTreat(with string) cause      { return cause(with + " treatment") }
func causeReading(subject string) cause { return cause("readings of " + subject) }

// posting posts what changes the concentration of one constituent, and parts the
// covariance of the state, by cause.
type posting struct {
	con    int
	n, v   float64 // before the step
	terms  map[cause]float64
	order  []cause
	parts  *filter.Parts
	causes map[cause]int
	silent bool // not yet posting
}

func newPosting(r *run, con int) *posting {
	a := &posting{con: con, terms: map[cause]float64{}, parts: filter.NewParts(len(r.s.X)), causes: map[cause]int{}, silent: true}
	known := a.part("what was known before")
	for i := range r.s.X {
		for j := range i + 1 {
			a.parts.Add(known, i, j, r.s.p(i, j))
		}
	}
	return a
}

func (a *posting) part(c cause) int {
	k, ok := a.causes[c]
	if !ok {
		k = len(a.causes)
		a.causes[c] = k
	}
	return k
}

func (a *posting) open(r *run) { a.n, a.v = r.s.x(a.con), r.volume() }

func (a *posting) add(c cause, by float64) {
	if a.silent || by == 0 {
		return
	}
	if _, ok := a.terms[c]; !ok {
		a.order = append(a.order, c)
	}
	a.terms[c] += by
}

// post parts the change of n/V of a step. With both factors at the middle of the
// step it is exact: Δ(n/V) = Δn·(1/V₀ + 1/V₁)/2 - ΔV·(n₀ + n₁)/(2·V₀·V₁).
func (a *posting) post(r *run, t *step) {
	n1, v1 := r.s.x(a.con), r.volume()
	perAmount, perVolume := (1/a.v+1/v1)/2, -(a.n+n1)/(2*a.v*v1)
	rest := n1/v1 - a.n/a.v
	for _, m := range t.moved {
		by := 0.0
		switch m.at {
		case a.con:
			by = m.by * perAmount
		case r.l.volume:
			by = m.by * perVolume
		}
		a.add(m.why, by)
		rest -= by
	}
	if math.Abs(rest) > 1e-12*n1/v1 {
		a.add(causeEdge, rest)
	}
}

// close posts the whole change since open to one cause.
func (a *posting) close(r *run, c cause) { a.add(c, r.s.x(a.con)/r.volume()-a.n/a.v) }

// Term is one part of a change, in the constituent's unit.
type Term struct {
	What   string
	Change float64
}

// Share is a part of the variance of a value.
type Share struct {
	What string
	Part float64 // of 1; all add up to 1
}

// Narrowing is a measurement that would make a value surer.
type Narrowing struct {
	What string // what to do
	U    float64
}

// Why says how a constituent's value came about since the titration before the
// newest one, or since the bath began.
type Why struct {
	Constituent Constituent
	From        time.Time
	FromWords   string
	Before      float64 // the estimate then, that titration counted
	Terms       []Term  // largest first; they add up to the value now less Before
	Shares      []Share // largest first
	Narrow      []Narrowing
}

// mostPosted is how many facts are gone through for the parts of an uncertainty;
// what was known before them is one part.
const mostPosted = 1500

// Why explains the value of a constituent at t.
func (b *Bath) Why(name string, t time.Time) (*Why, error) {
	whole := b.start()
	whole.keep = true
	whole.through(0, t)
	con := whole.constituent(name)
	if con < 0 {
		return nil, fmt.Errorf("the bath has no constituent %q", name)
	}
	e := whole.answer(t)
	w := &Why{Constituent: e.Constituents[con], From: b.Began, FromWords: "the bath's beginning"}
	name = w.Constituent.Name

	var used []Reading
	for _, rd := range e.Readings {
		if _, isAssay := rd.Fact.Body.(chem.Assay); (isAssay || w.Constituent.Role == chem.RoleOrganic) && rd.Subject == name && (rd.Fate == Used || rd.Fate == Confirmed) {
			used = append(used, rd)
		}
	}
	since := -1
	if len(used) >= 2 {
		since = slices.IndexFunc(b.Facts, func(f chem.Fact) bool { return f.ID == used[len(used)-2].Fact.ID })
		w.From, w.FromWords = b.Facts[since].Time, "the reading before the last"
	}
	k := 0
	for k+1 < len(whole.stops) && (since < 0 || whole.stops[k+1].index <= since) && len(b.Facts)-whole.stops[k].index > mostPosted {
		k++
	}
	r := b.start()
	from := 0
	if len(whole.stops) > 0 {
		r, from = whole.stops[k].before.clone(), whole.stops[k].index
	}
	r.replay, r.status = true, whole.status
	a := newPosting(r, con)
	if k == 0 { // the start's own causes instead of one
		r, a = b.started(con)
		r.status = whole.status
		from = 0
	}
	r.s.acct = a
	begin := func() { a.silent = false; w.Before, _ = r.concentration(con) }
	if since < 0 {
		begin()
	}
	for i := from; i < len(b.Facts) && !b.Facts[i].Time.After(t); i++ {
		r.take(i)
		if i == since {
			begin()
		}
	}
	r.advance(t)
	for _, c := range a.order {
		w.Terms = append(w.Terms, Term{string(c), a.terms[c]})
	}
	sort.SliceStable(w.Terms, func(i, j int) bool { return math.Abs(w.Terms[i].Change) > math.Abs(w.Terms[j].Change) })
	w.Shares = a.shares(r)
	w.Narrow = r.narrowings(con)
	return w, nil
}

// started is a run at its start with an posting that knows what came from where.
func (b *Bath) started(con int) (*run, *posting) {
	var a *posting
	r := b.startWith(func(r *run) {
		a = &posting{con: con, terms: map[cause]float64{}, parts: filter.NewParts(len(r.s.X)), causes: map[cause]int{}, silent: true}
		r.s.acct = a
	})
	r.replay = true
	return r, a
}

// shares parts the variance of n/V by cause.
func (a *posting) shares(r *run) []Share {
	c, u := r.concentration(a.con)
	if u == 0 {
		return nil
	}
	v, vol := r.volume(), r.l.volume
	var out []Share
	for why, k := range a.causes {
		p := a.parts.Part(k)
		part := (p.At(a.con, a.con) - 2*c*p.At(a.con, vol) + c*c*p.At(vol, vol)) / (v * v) / (u * u)
		if part > 1e-4 {
			out = append(out, Share{string(why), part})
		}
	}
	sort.Slice(out, func(i, j int) bool {
		if out[i].Part != out[j].Part {
			return out[i].Part > out[j].Part
		}
		return out[i].What < out[j].What
	})
	return out
}

// hookGauge is what a hook gauge reads a level to, relative: ±1 mm in a tank of
// 30 cm; common practice, no source.
const hookGauge = 0.003

// narrowings lists measurements that would narrow a constituent, the best one
// first: how sure its value would be with each.
func (r *run) narrowings(con int) []Narrowing {
	var out []Narrowing
	_, now := r.concentration(con)
	try := func(what string, o observation, ok bool) {
		if !ok {
			return
		}
		with := r.clone()
		with.replay, with.s.acct = true, nil
		with.s.update(0, o.h, o.r)
		if _, u := with.concentration(con); u < 0.95*now {
			out = append(out, Narrowing{what, u})
		}
	}
	for i, c := range r.l.cons {
		last, read := r.lastOf(c.Name)
		look := r.clone()
		look.s.acct = nil
		switch body := last.(type) {
		case chem.Assay:
			value, _ := look.concentration(i)
			if v, _, ok := look.inUnit(body.Value, c); ok && v > 0 && body.Value.U.Given() {
				rel := body.Value.U.Float() / body.Value.Number.Float()
				body.Value = chem.MeasuredOf(value, c.Unit, rel*value)
			} else {
				body.Value = chem.MeasuredOf(value, c.Unit, 0)
			}
			o, ok := look.assay(body)
			if ok && len(o.h) > 0 && o.h[len(o.h)-1].at >= len(r.s.X) {
				ok = false // its lot is not the run's
			}
			again := "titrate " + c.Name + " once more"
			if c.Contaminant() { // no titration sees one
				again = "have a laboratory find " + c.Name + " once more"
			}
			try(again, o, ok)
		case chem.Panel:
			value, _ := look.concentration(i)
			o := look.concentrationOf(i, value, panelU*math.Max(value, 0.2*c.Target))
			try("run a panel for "+c.Name, o, true)
		default:
			if !read && c.Role != chem.RoleOrganic && !c.Contaminant() {
				value, _ := look.concentration(i)
				o := look.concentrationOf(i, value, assayFallbackU*value)
				try("titrate "+c.Name, o, true)
			}
			if !read && c.Role == chem.RoleOrganic {
				value, _ := look.concentration(i)
				try("run a panel for "+c.Name, look.concentrationOf(i, value, panelU*c.Target), true)
			}
		}
	}
	volume := subject{"volume", "L", -1, r.l.volume}
	try("read the level, parts out and air off", r.direct(volume, r.volume(), levelU*r.volume()), true)
	try("read the level with a hook gauge", r.direct(volume, r.volume(), hookGauge*r.volume()), true)
	sort.SliceStable(out, func(i, j int) bool { return out[i].U < out[j].U })
	return out
}

// lastOf is the newest reading of a constituent up to the run's moment.
func (r *run) lastOf(name string) (chem.Body, bool) {
	for _, f := range slices.Backward(r.bath.Facts) {
		if f.Time.After(r.now) {
			continue
		}
		switch b := f.Body.(type) {
		case chem.Assay:
			if strings.EqualFold(b.Of, name) {
				return b, true
			}
		case chem.Panel:
			if strings.EqualFold(b.Of, name) {
				return b, true
			}
		}
	}
	return nil, false
}
