package filter

import "math"

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
	block   []float64
	entries []Entry
}

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
	mean, p []float64 // of a mark: the means of its rows, and these rows of the covariance
}

// NewTrack returns a track that starts with copies of mean and covariance. It
// panics if they differ in size.
func NewTrack(x []float64, p Sym) *Track { return &Track{State: *NewState(x, p)} }

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
		kept.dense = t.keep(f.dense)
	} else {
		kept.extra = t.keepEntries(f.extra)
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
	t.ops = append(t.ops, op{kind: opCorrect, h: t.keepEntries(used), gain: t.keep(t.k), nu: nu, s: variance})
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
// where none is given, of all. Marks are numbered from 0. It keeps a reference to
// rows.
func (t *Track) Mark(rows ...int) int {
	o := op{kind: opMark, index: t.marks, rows: rows}
	if len(rows) == 0 {
		for i := range t.X {
			o.rows = append(o.rows, i)
		}
	}
	n, k := len(t.X), len(o.rows)
	o.mean, o.p = t.room(k), t.room(k*n)
	for r, i := range o.rows {
		o.mean[r] = t.X[i]
		copy(o.p[r*n:], t.P.Row(i))
	}
	t.ops = append(t.ops, o)
	t.marks++
	return t.marks - 1
}

// room gives numbers out of a large block, so that a long track costs few
// allocations.
func (t *Track) room(n int) []float64 {
	if cap(t.block)-len(t.block) < n {
		t.block = make([]float64, 0, max(8192, n))
	}
	at := len(t.block)
	t.block = t.block[:at+n]
	return t.block[at : at+n : at+n]
}

func (t *Track) keep(v []float64) []float64 {
	out := t.room(len(v))
	copy(out, v)
	return out
}

func (t *Track) keepEntries(e []Entry) []Entry {
	if cap(t.entries)-len(t.entries) < len(e) {
		t.entries = make([]Entry, 0, max(2048, len(e)))
	}
	at := len(t.entries)
	t.entries = append(t.entries, e...)
	return t.entries[at:len(t.entries):len(t.entries)]
}

// Adjoint is what everything after a moment has to say about the state at that
// moment: with its mean x and covariance P known, the smoothed mean is x - P·l
// and the smoothed covariance P - P·m·P.
type Adjoint struct {
	l []float64
	m []float64 // n by n, symmetric
}

// Smooth walks from the present back to the start and calls visit for every
// mark, the last one first, with the means and the covariance of its components
// given all observations of the track and whatever after says of the time beyond
// it (nil: nothing). x and p are reused: copy what is to be kept. Smooth returns
// what the track says of the time before it; the track itself does not change.
// It panics where after is not of the state's size.
func (t *Track) Smooth(after *Adjoint, visit func(mark int, x []float64, p Sym)) *Adjoint {
	n := len(t.X)
	w := smoother{n: n}
	if after != nil {
		mustMatch("adjoint", len(after.l), n)
		w.l, w.m = append(w.l, after.l...), append(w.m, after.m...)
	} else {
		w.l, w.m = make([]float64, n), make([]float64, n*n)
	}
	for k := len(t.ops) - 1; k >= 0; k-- {
		switch o := &t.ops[k]; o.kind {
		case opPredict:
			w.predicted(o.f)
		case opCorrect:
			w.corrected(o)
		case opGrow: // the component is the last one
			w.remove(o.index)
		case opDrop:
			w.insert(o.index)
		case opMark:
			x, p := w.at(o)
			visit(o.index, x, p)
		}
	}
	return &Adjoint{l: w.l, m: w.m}
}

// smoother holds the adjoint on its way back, and scratch space.
type smoother struct {
	n         int
	l, m      []float64
	a, b, out []float64
	p         Sym
}

func (w *smoother) row(i int) []float64 { return w.m[i*w.n : (i+1)*w.n] }

// predicted: l becomes F'·l, m becomes F'·m·F.
func (w *smoother) predicted(f Transition) {
	n := w.n
	if f.dense == nil {
		w.a = grown(w.a, n)
		copy(w.a, w.l)
		for _, e := range f.extra {
			w.l[e.Col] += e.Value * w.a[e.Row]
		}
		// First the columns of m·F, then the rows of F'·(m·F).
		w.b = append(w.b[:0], w.m...)
		for _, e := range f.extra {
			for i := range n {
				w.m[i*n+e.Col] += e.Value * w.b[i*n+e.Row]
			}
		}
		w.b = append(w.b[:0], w.m...)
		for _, e := range f.extra {
			axpy(w.row(e.Col), e.Value, w.b[e.Row*n:(e.Row+1)*n])
		}
		w.even()
		return
	}
	w.a = grown(w.a, n)
	clear(w.a)
	w.b = grown(w.b, n*n)
	clear(w.b)
	for k := range n {
		row := f.dense[k*n : (k+1)*n]
		axpy(w.a, w.l[k], row)
		for i := range n { // b = m·F
			axpy(w.b[i*n:(i+1)*n], w.m[i*n+k], row)
		}
	}
	copy(w.l, w.a)
	clear(w.m)
	for k := range n { // F'·b
		for i, v := range f.dense[k*n : (k+1)*n] {
			if v != 0 {
				axpy(w.row(i), v, w.b[k*n:(k+1)*n])
			}
		}
	}
	w.even()
}

// corrected: with C = I - k·h', l becomes C'·l - h·nu/s and m becomes
// C'·m·C + h·h'/s.
func (w *smoother) corrected(o *op) {
	n := w.n
	by := dot(o.gain, w.l) + o.nu/o.s
	w.a = grown(w.a, n)
	for i := range n {
		w.a[i] = dot(w.row(i), o.gain)
	}
	size := dot(w.a, o.gain) + 1/o.s
	for _, h := range o.h {
		w.l[h.Col] -= h.Value * by
		axpy(w.row(h.Col), -h.Value, w.a)
		for i := range n {
			w.m[i*n+h.Col] -= h.Value * w.a[i]
		}
	}
	for _, g := range o.h {
		for _, h := range o.h {
			w.m[g.Col*n+h.Col] += g.Value * h.Value * size
		}
	}
}

// even takes out what rounding has made of the symmetry.
func (w *smoother) even() {
	n := w.n
	for i := range n {
		for j := range i {
			v := (w.m[i*n+j] + w.m[j*n+i]) / 2
			w.m[i*n+j], w.m[j*n+i] = v, v
		}
	}
}

// remove leaves out component i: it was not there before.
func (w *smoother) remove(i int) {
	w.l = append(w.l[:i], w.l[i+1:]...)
	w.m = Sym{w.n, w.m}.without(i).a
	w.n--
}

// insert puts in component i, of which nothing is said after it was dropped.
func (w *smoother) insert(i int) {
	old, n := w.m, w.n
	w.l = append(w.l, 0)
	copy(w.l[i+1:], w.l[i:])
	w.l[i] = 0
	w.n++
	w.m = make([]float64, w.n*w.n)
	for r := range n {
		to := r
		if r >= i {
			to++
		}
		copy(w.m[to*w.n:], old[r*n:r*n+i])
		copy(w.m[to*w.n+i+1:(to+1)*w.n], old[r*n+i:(r+1)*n])
	}
}

// at is the smoothed state of a mark.
func (w *smoother) at(o *op) ([]float64, Sym) {
	n, k := w.n, len(o.rows)
	w.out = append(w.out[:0], o.mean...)
	if cap(w.p.a) < k*k {
		w.p = NewSym(k)
	}
	w.p = Sym{k, w.p.a[:k*k]}
	w.a = grown(w.a, n)
	for r := range k {
		pr := o.p[r*n : (r+1)*n]
		w.out[r] -= dot(pr, w.l)
		for i := range n {
			w.a[i] = dot(w.row(i), pr)
		}
		for c := 0; c <= r; c++ {
			w.p.Set(r, c, pr[o.rows[c]]-dot(w.a, o.p[c*n:(c+1)*n]))
		}
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
