package filter

import (
	"fmt"
	"math"
	"slices"
)

// Track is a [State] that remembers how it got where it is, so that what was
// learned later can be carried back. A change of X or P past its methods must
// not make P larger or smaller in the state's own sense: noise may be added to P
// after a prediction, and a mean may be moved by hand; whatever else changes the
// covariance goes in as a transition ([NearIdentity]).
//
// A transition costs the memory of its entries, a correction that of two rows, a
// mark that of the rows asked for. Long tracks are best cut in pieces, the last
// one smoothed first: [Track.Smooth] takes up where a later piece began.
type Track struct {
	State
	ops     []op
	marks   int
	numbers blocks[float64]
	entries blocks[Entry]
	places  blocks[int]
}

// blocks gives room out of large blocks, so that a long track costs few
// allocations and a second one in its place none.
type blocks[T any] struct {
	all [][]T
	at  int // block in use
	n   int // numbers of it in use
}

const blockSize = 8192

func (b *blocks[T]) room(n int) []T {
	for ; b.at < len(b.all); b.at, b.n = b.at+1, 0 {
		if block := b.all[b.at]; len(block)-b.n >= n {
			b.n += n
			return block[b.n-n : b.n : b.n]
		}
	}
	b.all, b.n = append(b.all, make([]T, max(blockSize, n))), n
	return b.all[b.at][:n:n]
}

func (b *blocks[T]) keep(v []T) []T {
	out := b.room(len(v))
	copy(out, v)
	return out
}

func (b *blocks[T]) reset() { b.at, b.n = 0, 0 }

type opKind int8

const (
	opPredict opKind = iota
	opCorrect
	opGrow
	opDrop
	opMark
)

// op is one thing that happened to the state.
type op struct {
	kind    opKind
	index   int        // the component grown or dropped, or the number of a mark
	f       Transition // a copy
	h       []Entry    // of a correction: Col and Value
	gain    []float64
	nu, s   float64   // innovation and its variance
	rows    []int     // of a mark
	with    int       // of a mark: the row whose covariances are asked for, -1 all
	mean, p []float64 // of a mark: the means of its rows, and these rows of the covariance
}

// NewTrack returns a track that starts with copies of mean and covariance. It
// panics if they differ in size.
func NewTrack(x []float64, p Sym) *Track { return &Track{State: *NewState(x, p)} }

// Restart makes t a track that starts with copies of mean and covariance, as
// [NewTrack] does, in the memory of what it remembered. It panics if they differ
// in size.
func (t *Track) Restart(x []float64, p Sym) {
	mustMatch("covariance", p.n, len(x))
	t.X = append(t.X[:0], x...)
	t.P = Sym{p.n, append(t.P.a[:0], p.a...)}
	t.ops, t.marks = t.ops[:0], 0
	t.numbers.reset()
	t.entries.reset()
	t.places.reset()
}

// Predict is [State.Predict], remembered.
func (t *Track) Predict(f Transition, b []float64, q Sym) {
	t.State.Predict(f, b, q)
	t.predicted(f)
}

// PredictTo is [State.PredictTo], remembered.
func (t *Track) PredictTo(x []float64, f Transition, q Sym) {
	t.State.PredictTo(x, f, q)
	t.predicted(f)
}

func (t *Track) predicted(f Transition) {
	kept := Transition{n: f.n}
	if f.dense != nil {
		kept.dense = t.numbers.keep(f.dense)
	} else {
		kept.extra = t.entries.keep(f.extra)
	}
	t.ops = append(t.ops, op{kind: opPredict, f: kept})
}

// Observe is [State.Observe], remembered.
func (t *Track) Observe(y float64, h []float64, r float64) (nu, variance, loglik float64) {
	mustMatch("observation row", len(h), len(t.X))
	nu = y - dot(h, t.X)
	variance, loglik = t.UpdateScalar(nu, h, r)
	return nu, variance, loglik
}

// UpdateScalar is [State.UpdateScalar], remembered.
func (t *Track) UpdateScalar(nu float64, h []float64, r float64) (variance, loglik float64) {
	variance, loglik = t.State.UpdateScalar(nu, h, r)
	if variance == 0 || math.IsInf(variance, 1) {
		return variance, loglik // nothing was learned
	}
	var row [8]Entry
	used := row[:0]
	for i, v := range h {
		if v != 0 {
			used = append(used, Entry{Col: i, Value: v})
		}
	}
	t.ops = append(t.ops, op{kind: opCorrect, h: t.entries.keep(used), gain: t.numbers.keep(t.k), nu: nu, s: variance})
	return variance, loglik
}

// Grow is [State.Grow], remembered.
func (t *Track) Grow(mean, variance float64) int {
	i := t.State.Grow(mean, variance)
	t.ops = append(t.ops, op{kind: opGrow, index: i})
	return i
}

// Drop is [State.Drop], remembered.
func (t *Track) Drop(i int) {
	t.State.Drop(i)
	t.ops = append(t.ops, op{kind: opDrop, index: i})
}

// Mark asks for the smoothed state at this moment, of the given components or,
// where none is given, of all. Marks are numbered from 0.
func (t *Track) Mark(rows ...int) int {
	if len(rows) > 0 {
		return t.mark(-1, t.places.keep(rows))
	}
	rows = t.places.room(len(t.X))
	for i := range rows {
		rows[i] = i
	}
	return t.mark(-1, rows)
}

// MarkWith is Mark where of the covariance no more is wanted than the variances
// and what each component has in common with the one of index with among rows,
// which is faster; the other numbers of p are then zero. It panics where with is no
// index of rows.
func (t *Track) MarkWith(with int, rows ...int) int {
	if with < 0 || with >= len(rows) {
		panic(fmt.Sprintf("filter: row %d of %d marked", with, len(rows)))
	}
	return t.mark(with, t.places.keep(rows))
}

func (t *Track) mark(with int, rows []int) int {
	o := op{kind: opMark, index: t.marks, rows: rows, with: with}
	n, k := len(t.X), len(rows)
	o.mean, o.p = t.numbers.room(k), t.numbers.room(k*n)
	for r, i := range rows {
		o.mean[r] = t.X[i]
		copy(o.p[r*n:], t.P.Row(i))
	}
	t.ops = append(t.ops, o)
	t.marks++
	return t.marks - 1
}

// Adjoint is what everything after a moment has to say about the state at that
// moment: with its mean x and covariance P known, the smoothed mean is x - P·l
// and the smoothed covariance P - P·m·P.
type Adjoint struct {
	place []int // of each component in l and m, -1 where nothing is said of it
	l     []float64
	m     []float64 // symmetric, in the square
}

// Smooth walks from the present back to the start and calls visit for every
// mark, the last one first, with the means and the covariance of its components
// given all observations of the track and whatever after says of the time beyond
// it (nil: nothing). x and p are reused: copy what is to be kept. Smooth returns
// what the track says of the time before it; the track itself does not change.
// It panics where after is not of the state's size.
func (t *Track) Smooth(after *Adjoint, visit func(mark int, x []float64, p Sym)) *Adjoint {
	w := smoother{}
	if after != nil {
		mustMatch("adjoint", len(after.place), len(t.X))
		w.place, w.l, w.m = append(w.place, after.place...), append(w.l, after.l...), append(w.m, after.m...)
	} else {
		w.place = make([]int, len(t.X))
		for i := range w.place {
			w.place[i] = -1
		}
	}
	w.n = len(w.l)
	for k := len(t.ops) - 1; k >= 0; k-- {
		switch o := &t.ops[k]; o.kind {
		case opPredict:
			w.predicted(o.f)
		case opCorrect:
			w.corrected(o)
		case opGrow: // the component is the last one
			w.remove(o.index)
		case opDrop: // of which nothing is said after it was dropped
			w.place = slices.Insert(w.place, o.index, -1)
		case opMark:
			x, p := w.at(o)
			visit(o.index, x, p)
		}
	}
	return &Adjoint{place: w.place, l: w.l, m: w.m}
}

// smoother holds the adjoint on its way back, and scratch space. Components of
// which nothing is said, such as those that no observation uses any more, have no
// place in it.
type smoother struct {
	n       int // places
	place   []int
	l, m    []float64
	entries []Entry
	a, b    []float64
	rows    []float64
	out     []float64
	p       Sym
	scratch []float64
}

func (w *smoother) row(i int) []float64 { return w.m[i*w.n : (i+1)*w.n] }

// need returns the place of component i and makes one where it has none.
func (w *smoother) need(i int) int {
	if w.place[i] < 0 {
		s := State{X: w.l, P: Sym{w.n, w.m}}
		w.place[i] = s.Grow(0, 0)
		w.l, w.m, w.n = s.X, s.P.a, w.n+1
	}
	return w.place[i]
}

// only fills to with what v, which has all components, has in the places.
func (w *smoother) only(to, v []float64) []float64 {
	for i, k := range w.place {
		if k >= 0 {
			to[k] = v[i]
		}
	}
	return to
}

// predicted: l becomes F'·l, m becomes F'·m·F.
func (w *smoother) predicted(f Transition) {
	w.entries = w.entries[:0]
	add := func(row, col int, v float64) {
		if r := w.place[row]; r >= 0 && v != 0 {
			w.entries = append(w.entries, Entry{r, w.need(col), v})
		}
	}
	for _, e := range f.extra {
		add(e.Row, e.Col, e.Value)
	}
	if f.dense != nil {
		for i := range f.n {
			for j, v := range f.dense[i*f.n : (i+1)*f.n] {
				if i == j {
					v--
				}
				add(i, j, v)
			}
		}
	}
	w.a = append(w.a[:0], w.l...)
	for _, e := range w.entries {
		w.l[e.Col] += e.Value * w.a[e.Row]
	}
	w.scratch = grown(w.scratch, w.n*w.n)
	nearIdentity{w.entries, true}.sandwich(Sym{w.n, w.m}, w.scratch)
}

// corrected: with C = I - k·h', l becomes C'·l - h·nu/s and m becomes
// C'·m·C + h·h'/s.
func (w *smoother) corrected(o *op) {
	for _, h := range o.h {
		w.need(h.Col)
	}
	n := w.n
	w.a, w.b = grown(w.a, n), grown(w.b, n)
	gain := w.only(w.b, o.gain)
	by := dot(gain, w.l) + o.nu/o.s
	for i := range n {
		w.a[i] = dot(w.row(i), gain)
	}
	size := dot(w.a, gain) + 1/o.s
	for _, h := range o.h {
		col := w.place[h.Col]
		w.l[col] -= h.Value * by
		axpy(w.row(col), -h.Value, w.a)
		for i := range n {
			w.m[i*n+col] -= h.Value * w.a[i]
		}
	}
	for _, g := range o.h {
		for _, h := range o.h {
			w.m[w.place[g.Col]*n+w.place[h.Col]] += g.Value * h.Value * size
		}
	}
}

// remove leaves out component i: it was not there before.
func (w *smoother) remove(i int) {
	k := w.place[i]
	w.place = slices.Delete(w.place, i, i+1)
	if k < 0 {
		return
	}
	w.l = slices.Delete(w.l, k, k+1)
	w.m = Sym{w.n, w.m}.without(k).a
	w.n--
	for j := range w.place {
		if w.place[j] > k {
			w.place[j]--
		}
	}
}

// at is the smoothed state of a mark.
func (w *smoother) at(o *op) ([]float64, Sym) {
	all, n, k := len(w.place), w.n, len(o.rows)
	w.out = append(w.out[:0], o.mean...)
	w.p, w.rows = w.p.resize(k), grown(w.rows, k*n)
	for r := range k {
		w.out[r] -= dot(w.only(w.rows[r*n:(r+1)*n], o.p[r*all:(r+1)*all]), w.l)
	}
	if o.with < 0 {
		w.all(o)
	} else {
		w.with(o)
	}
	for i := range k {
		if w.p.At(i, i) < 0 { // rounding: nothing is left to be unsure of
			for j := range k {
				w.p.Set(i, j, 0)
			}
		}
	}
	return w.out, w.p
}

// all fills in the covariance of a mark.
func (w *smoother) all(o *op) {
	all, n := len(w.place), w.n
	w.a = grown(w.a, n)
	for r := range o.rows {
		for i := range n {
			w.a[i] = dot(w.row(i), w.rows[r*n:(r+1)*n])
		}
		for c := 0; c <= r; c++ {
			w.p.Set(r, c, o.p[r*all+o.rows[c]]-dot(w.a, w.rows[c*n:(c+1)*n]))
		}
	}
}

// with fills in the variances of a mark and the covariances with one of its rows.
func (w *smoother) with(o *op) {
	all, n, k := len(w.place), w.n, len(o.rows)
	w.p.Zero()
	row := func(r int) []float64 { return w.rows[r*n : (r+1)*n] }
	w.a = grown(w.a, n)
	for i := range n {
		w.a[i] = dot(w.row(i), row(o.with))
	}
	for r := range k {
		w.p.Set(r, o.with, o.p[r*all+o.rows[o.with]]-dot(w.a, row(r)))
	}
	var four [4]int
	got := 0
	for r := range k {
		if r != o.with {
			four[got], got = r, got+1
		}
		if got == len(four) || r == k-1 && got > 0 {
			for i := got; i < len(four); i++ {
				four[i] = four[0]
			}
			for i, q := range w.quadratics(row(four[0]), row(four[1]), row(four[2]), row(four[3])) {
				r := four[i]
				w.p.Set(r, r, o.p[r*all+o.rows[r]]-q)
			}
			got = 0
		}
	}
}

// quadratics returns v'·m·v for four v at a time: the processor waits for no sum,
// and half of m is enough.
func (w *smoother) quadratics(a, b, c, d []float64) (q [4]float64) {
	for i := range w.n {
		row := w.m[i*w.n : i*w.n+i]
		a, b, c, d := a[:i+1], b[:i+1], c[:i+1], d[:i+1]
		var sa, sb, sc, sd float64
		for j, v := range row {
			sa += v * a[j]
			sb += v * b[j]
			sc += v * c[j]
			sd += v * d[j]
		}
		own := w.m[i*w.n+i]
		q[0] += a[i] * (2*sa + own*a[i])
		q[1] += b[i] * (2*sb + own*b[i])
		q[2] += c[i] * (2*sc + own*c[i])
		q[3] += d[i] * (2*sd + own*d[i])
	}
	return q
}
