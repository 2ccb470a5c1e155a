package estimate

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"steadybath/chem/filter"
)

// stopEvery is how many facts lie between two stops: a smoother keeps what it
// needs of so many at a time.
const stopEvery = 256

// stop is the bath just before a fact, for a smoother to begin at.
type stop struct {
	index  int // of the fact
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
	r.stops = append(r.stops, stop{i, before})
}

// mark records where the bath stands, to be smoothed.
func (r *run) mark() {
	if r.s.tape == nil {
		return
	}
	n := len(r.l.cons)
	rows := make([]int, n+1)
	for i := range n {
		rows[i] = i
	}
	rows[n] = r.l.volume
	r.s.tape.Mark(rows...)
	r.track = append(r.track, Point{Time: r.now, Value: make([]float64, n), U: make([]float64, n)})
}

// smooth returns the bath at every fact, and at the moment at unless that is
// zero, given all facts that the run has taken.
//
// What became of each reading is decided; so the facts are taken once more from
// stop to stop, the last ones first, and what they say is carried back. An opened
// covariance is a transition like any other, so that what comes after a confirmed
// change says little of the time before it.
func (r *run) smooth(at time.Time) (track []Point, then *run) {
	var after *filter.Adjoint
	var pieces [][]Point
	end := r.now
	for k := len(r.stops) - 1; k >= 0; k-- {
		from := r.stops[k]
		last := len(r.bath.Facts)
		if k+1 < len(r.stops) {
			last = r.stops[k+1].index
			end = r.stops[k+1].before.now
		}
		seg := from.before.clone()
		seg.status = r.status
		seg.s.record()
		var whole *run
		wholeMark := -1
		look := func(until time.Time, closed bool) {
			if whole != nil || at.IsZero() || at.Before(seg.now) || !(at.Before(until) || closed && at.Equal(until)) {
				return
			}
			seg.advance(at)
			whole, wholeMark = seg.clone(), seg.s.tape.Mark()
			seg.track = append(seg.track, Point{})
		}
		for i := from.index; i < last && !r.bath.Facts[i].Time.After(r.now); i++ {
			look(r.bath.Facts[i].Time, false)
			seg.take(i)
		}
		look(end, k == len(r.stops)-1)
		seg.advance(end)
		seg.mark()
		after = seg.s.tape.Smooth(after, func(mark int, x []float64, p filter.Sym) {
			if mark == wholeMark {
				copy(whole.s.X, x)
				for i := range x {
					for j := range i + 1 {
						whole.s.P.Set(i, j, p.At(i, j))
					}
				}
				return
			}
			seg.track[mark].take(x, p)
		})
		if whole != nil {
			whole.clamp()
			then = whole
			seg.track = slices.Delete(seg.track, wholeMark, wholeMark+1)
		}
		pieces = append(pieces, seg.track)
	}
	for _, piece := range slices.Backward(pieces) {
		for _, p := range piece {
			if n := len(track); n == 0 || !track[n-1].same(p) {
				track = append(track, p)
			}
		}
	}
	return track, then
}

// take fills a point from smoothed amounts and, last, volume.
func (p *Point) take(x []float64, c filter.Sym) {
	n := len(p.Value)
	v := math.Max(x[n], 1e-9)
	for i := range n {
		p.Value[i] = math.Max(0, x[i]) / v
		p.U[i] = math.Sqrt(math.Max(0, c.At(i, i)-2*p.Value[i]*c.At(i, n)+p.Value[i]*p.Value[i]*c.At(n, n))) / v
	}
	p.Volume, p.UVolume = v, math.Sqrt(math.Max(0, c.At(n, n)))
}

// same tells whether two points are one, but for rounding on the way back.
func (p Point) same(o Point) bool {
	near := func(a, b float64) bool { return math.Abs(a-b) <= 1e-9*math.Max(math.Abs(a), math.Abs(b)) }
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
	_, then := r.smooth(t)
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
			decide(alt.status, r.bath.Facts[h.index].ID, verdictOf{fate: Confirmed, how: v.how})
			for _, id := range alt.taken {
				decide(alt.status, id, verdictOf{fate: Confirmed})
			}
			out = append(out, alt)
		}
	}
	return out
}
