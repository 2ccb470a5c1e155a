package estimate

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"sync/atomic"
	"time"

	"steadybath/chem/filter"
)

// stopEvery is how many facts lie between two stops: a smoother keeps what it
// needs of so many at a time.
const stopEvery = 256

// stop is the bath just before a fact, for a smoother to begin at.
type stop struct {
	index  int // of the fact
	passed int // charges before it
	before *run
}

// stop notes where the bath stands before fact i. A replay from a held reading on
// that is adopted has brought the stops before it along, and makes its own after.
func (r *run) stop(i int) {
	if !r.keep || len(r.stops) > 0 && i-r.stops[len(r.stops)-1].index < stopEvery {
		return
	}
	before := r.bare()
	before.keep, before.replay, before.stops, before.read, before.flags, before.used = false, true, nil, nil, nil, nil
	r.stops = append(r.stops, stop{i, len(r.used), before})
}

// sight is the bath at one moment as it is to be smoothed.
type sight struct {
	Point
	masses int // how many of the run's masses are of it, after the amounts and the volume in the mark
}

// anodeMass is one anode's mass at one moment.
type anodeMass struct {
	nth   int // place among the run's known ones
	kg, u float64
}

// mark records where the bath stands, to be smoothed.
func (r *run) mark() {
	if r.s.tape == nil {
		return
	}
	at := sight{Point: Point{Time: r.now}}
	first, n := len(r.masses), len(r.l.cons)
	r.rows = append(r.rows[:0], r.l.shown...)
	for _, h := range r.hung {
		if h.dissolves(r) {
			r.rows = append(r.rows, h.at)
			r.masses = append(r.masses, anodeMass{nth: h.nth})
		}
	}
	at.masses = len(r.masses) - first
	r.s.tape.MarkWith(n, r.rows...)
	r.track = append(r.track, at)
}

// past is what a smoother found.
type past struct {
	track  []Point
	masses []MassCourse
	then   *run // the bath at the moment that was asked for, nil before the first fact
}

// smooth returns the bath at every fact, and at the moment at unless that is
// zero, given all facts that the run has taken.
//
// What became of each reading is decided; so the facts are taken once more from
// stop to stop, the last ones first, and what they say is carried back. An opened
// covariance is a transition like any other, so that what comes after a confirmed
// change says little of the time before it.
//
// The pieces do not depend on each other before that, so some are made while the
// ones after them are carried back.
func (r *run) smooth(at time.Time) past {
	const makers, most = 2, 4 // most pieces at a time
	n := len(r.stops)
	ready := make([]chan *piece, n)
	for k := range ready {
		ready[k] = make(chan *piece, 1)
	}
	tapes := make(chan *filter.Track, most)
	for range most {
		tapes <- new(filter.Track)
	}
	var next atomic.Int64
	next.Store(int64(n))
	for range makers {
		go func() {
			for {
				// First the tape, so that the piece that is waited for has one.
				tape := <-tapes
				k := int(next.Add(-1))
				if k < 0 {
					tapes <- tape
					return
				}
				ready[k] <- r.piece(k, at, tape)
			}
		}()
	}
	var after *filter.Adjoint
	done := make([]*piece, n)
	for k := n - 1; k >= 0; k-- {
		p := <-ready[k]
		after = p.smooth(after)
		tapes <- p.seg.s.tape
		p.seg.s.tape = nil
		done[k] = p
	}
	return r.gather(done)
}

// gather strings the smoothed pieces together.
func (r *run) gather(pieces []*piece) past {
	points, counts := 0, make([]int, len(r.known))
	for _, p := range pieces {
		points += len(p.seg.track)
		for _, m := range p.seg.masses {
			counts[m.nth]++
		}
	}
	out := past{track: make([]Point, 0, points), masses: make([]MassCourse, len(r.known))}
	for i, name := range r.known {
		out.masses[i] = MassCourse{ID: name.id, Form: name.form, Points: make([]MassPoint, 0, counts[i]), nth: i}
	}
	for _, p := range pieces {
		if p.whole != nil {
			p.whole.clamp()
			out.then = p.whole
		}
		masses := p.seg.masses
		for _, at := range p.seg.track {
			if n := len(out.track); n == 0 || !out.track[n-1].same(at.Point) {
				out.track = append(out.track, at.Point)
			}
			for _, m := range masses[:at.masses] {
				out.masses[m.nth].add(at.Time, m)
			}
			masses = masses[at.masses:]
		}
	}
	out.masses = slices.DeleteFunc(out.masses, func(c MassCourse) bool { return len(c.Points) == 0 })
	return out
}

// dissolves tells whether an anode has a mass that is known and goes down.
func (h hungAnode) dissolves(r *run) bool { return h.at >= 0 && h.form != "inert" && r.soluble() }

// add goes on with the course, unless the point is the last one once more.
func (c *MassCourse) add(t time.Time, m anodeMass) {
	if n := len(c.Points); n > 0 {
		if last := c.Points[n-1]; last.Time.Equal(t) && near(last.Kg, m.kg) && near(last.U, m.u) {
			return
		}
	}
	c.Points = append(c.Points, MassPoint{t, m.kg, m.u})
}

// massesNow makes the last points of what hangs agree with the anodes, whose
// uncertainty counts held readings.
func (e *Estimate) massesNow(r *run) {
	for i, h := range r.hung {
		if !h.dissolves(r) {
			continue
		}
		for k := range e.Masses {
			if c := &e.Masses[k]; c.nth == h.nth {
				c.Points[len(c.Points)-1] = MassPoint{e.At, e.Anodes[i].Mass, e.Anodes[i].U}
			}
		}
	}
}

// piece is what a run made from one stop to the next, remembered.
type piece struct {
	seg       *run
	whole     *run // the bath at the moment that was asked for, nil where it is not in here
	wholeMark int
}

// piece goes from the kth stop to the next, or to the end, and stops on the way at
// the moment at to look at all of the bath. It remembers on the tape.
func (r *run) piece(k int, at time.Time, tape *filter.Track) *piece {
	from, end, last := r.stops[k], r.now, len(r.bath.Facts)
	if k+1 < len(r.stops) {
		end, last = r.stops[k+1].before.now, r.stops[k+1].index
	}
	p := &piece{seg: from.before.clone(), wholeMark: -1}
	seg := p.seg
	seg.status, seg.used = r.status, r.used[:from.passed]
	seg.s.record(tape)
	seg.track, seg.masses = make([]sight, 0, 2*stopEvery+1), make([]anodeMass, 0, 2*stopEvery*len(seg.hung))
	look := func(until time.Time, closed bool) {
		if p.whole != nil || at.IsZero() || at.Before(seg.now) || !(at.Before(until) || closed && at.Equal(until)) {
			return
		}
		seg.advance(at)
		p.whole, p.wholeMark = seg.clone(), seg.s.tape.Mark()
	}
	for i := from.index; i < last && !r.bath.Facts[i].Time.After(r.now); i++ {
		look(r.bath.Facts[i].Time, false)
		seg.take(i)
	}
	look(end, k == len(r.stops)-1)
	seg.advance(end)
	if k == len(r.stops)-1 { // elsewhere the next piece begins with a mark
		seg.mark()
	}
	return p
}

// smooth carries what is said after the piece back through it.
func (p *piece) smooth(after *filter.Adjoint) *filter.Adjoint {
	n := len(p.seg.l.cons)
	numbers := make([]float64, 2*n*len(p.seg.track))
	next, mass := len(p.seg.track), len(p.seg.masses)
	return p.seg.s.tape.Smooth(after, func(mark int, x []float64, c filter.Sym) {
		if mark == p.wholeMark {
			p.look(x, c)
			return
		}
		next--
		at := &p.seg.track[next]
		both := numbers[2*n*next : 2*n*(next+1)]
		at.Value, at.U = both[:n:n], both[n:]
		at.Point.take(x, c, driest*p.seg.bath.Volume)
		mass -= at.masses
		for i := range at.masses {
			m, place := &p.seg.masses[mass+i], n+1+i
			m.kg, m.u = math.Max(0, x[place]), math.Sqrt(math.Max(0, c.At(place, place)))
		}
	})
}

// look takes all of a smoothed state to where it was asked for.
func (p *piece) look(x []float64, c filter.Sym) {
	copy(p.whole.s.X, x)
	for i := range x {
		for j := range i + 1 {
			p.whole.s.P.Set(i, j, c.At(i, j))
		}
	}
}

// take fills a point from smoothed amounts and, last, volume, which is at least
// least: a straight line back from a full tank may lead below an empty one.
func (p *Point) take(x []float64, c filter.Sym, least float64) {
	n := len(p.Value)
	v := math.Max(x[n], least)
	for i := range n {
		p.Value[i] = math.Max(0, x[i]) / v
		p.U[i] = math.Sqrt(math.Max(0, c.At(i, i)-2*p.Value[i]*c.At(i, n)+p.Value[i]*p.Value[i]*c.At(n, n))) / v
	}
	p.Volume, p.UVolume = v, math.Sqrt(math.Max(0, c.At(n, n)))
}

// near tells whether two numbers are one, but for rounding on the way back.
func near(a, b float64) bool { return math.Abs(a-b) <= 1e-9*math.Max(math.Abs(a), math.Abs(b)) }

// same tells whether two points are one, but for rounding on the way back.
func (p Point) same(o Point) bool {
	if !p.Time.Equal(o.Time) || !near(p.Volume, o.Volume) || !near(p.UVolume, o.UVolume) {
		return false
	}
	for i := range p.Value {
		if !near(p.Value[i], o.Value[i]) || !near(p.U[i], o.U[i]) {
			return false
		}
	}
	return true
}

// Smoothed estimates what was in the bath at t from all facts that happened up to
// now, those after t included. It fails where t is not between the bath's
// beginning and now.
func (b *Bath) Smoothed(t, now time.Time) (*Estimate, error) {
	switch {
	case t.Before(b.Began):
		return nil, fmt.Errorf("bath %s begins on %s, after %s", b.Name, b.Began.Format(time.DateOnly), t.Format(time.DateOnly))
	case t.After(now):
		return nil, fmt.Errorf("%s is still to come, and nothing after it is known", t.Format(time.DateOnly))
	}
	r := b.start()
	r.keep = true
	r.through(0, now)
	then := r.at(t)
	e := then.answer(t)
	for _, alt := range r.heldOtherwise() {
		e.widen(alt.at(t).answer(t))
	}
	for _, rd := range r.answer(now).Readings {
		if !rd.Fact.Time.After(t) {
			e.Readings = append(e.Readings, rd)
		}
	}
	e.link()
	e.Flags = nil
	for _, f := range r.answer(now).Flags {
		if !f.Time.After(t) {
			e.Flags = append(e.Flags, f)
		}
	}
	return e, nil
}

// at is the smoothed bath at a moment. Before the first fact it is the start.
func (r *run) at(t time.Time) *run {
	then := r.smooth(t).then
	if then == nil {
		then = r.bath.start()
		then.advance(t)
	}
	then.replay, then.holds = true, map[string]*hold{}
	return then
}

// heldOtherwise is the run as it would be if each reading that is held to the end
// were right, ready to be smoothed.
func (r *run) heldOtherwise() []*run {
	var out []*run
	for _, name := range slices.Sorted(maps.Keys(r.holds)) {
		h := r.holds[name]
		for _, v := range r.standing(h, true) {
			alt := v.run
			alt.status = maps.Clone(r.status)
			decide(alt.status, r.bath.Facts[h.index].ID, verdictOf{fate: Confirmed, how: v.how, since: h.before.lastUsed(h.subj.name)})
			for _, id := range alt.taken {
				decide(alt.status, id, verdictOf{fate: Confirmed})
			}
			out = append(out, alt)
		}
	}
	return out
}
