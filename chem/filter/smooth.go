package filter

// Track is a [State] that remembers how it got where it is. Its stretches are
// numbered from 0; each Predict, PredictTo, Grow and Drop begins the next, and
// corrections belong to the stretch they are made in. A change of X or P that is
// no correction (a covariance opened after a held reading) must go in as a
// transition: Predict with [NearIdentity] and the noise. A step of n components
// takes n²+3n numbers of memory, n² more where F is dense.
type Track struct {
	State
	steps   []step
	block   []float64
	entries []Entry
}

type stepKind int8

const (
	stepPredict stepKind = iota
	stepGrow
	stepDrop
)

// step is a transition.
type step struct {
	kind   stepKind
	index  int        // the component grown or dropped
	n      int        // components before
	before []float64  // filtered mean and upper half of the covariance
	after  []float64  // predicted ones
	f      Transition // a copy
}

// NewTrack returns a track that starts with copies of mean and covariance. It
// panics if they differ in size.
func NewTrack(x []float64, p Sym) *Track { return &Track{State: *NewState(x, p)} }

// Len returns the number of stretches, 1 at the start; the present one is
// Len()-1.
func (t *Track) Len() int { return len(t.steps) + 1 }

// Predict is [State.Predict], remembered.
func (t *Track) Predict(f Transition, b []float64, q Sym) {
	before := t.save()
	t.State.Predict(f, b, q)
	t.predicted(before, f)
}

// PredictTo is [State.PredictTo], remembered.
func (t *Track) PredictTo(x []float64, f Transition, q Sym) {
	before := t.save()
	t.State.PredictTo(x, f, q)
	t.predicted(before, f)
}

// Grow is [State.Grow], remembered.
func (t *Track) Grow(mean, variance float64) int {
	i := t.State.Grow(mean, variance)
	t.steps = append(t.steps, step{kind: stepGrow, n: i, index: i})
	return i
}

// Drop is [State.Drop], remembered.
func (t *Track) Drop(i int) {
	n, before := len(t.X), t.save()
	t.State.Drop(i)
	t.steps = append(t.steps, step{kind: stepDrop, n: n, index: i, before: before})
}

func (t *Track) predicted(before []float64, f Transition) {
	kept := Transition{n: f.n}
	if f.dense != nil {
		kept.dense = t.keep(len(f.dense))
		copy(kept.dense, f.dense)
	} else {
		if cap(t.entries)-len(t.entries) < len(f.extra) {
			t.entries = make([]Entry, 0, max(1024, len(f.extra)))
		}
		at := len(t.entries)
		t.entries = append(t.entries, f.extra...)
		kept.extra = t.entries[at:]
	}
	t.steps = append(t.steps, step{kind: stepPredict, n: f.n, before: before, after: t.save(), f: kept})
}

// keep gives n numbers out of a large block, so that a long track costs few
// allocations and is never copied.
func (t *Track) keep(n int) []float64 {
	if cap(t.block)-len(t.block) < n {
		t.block = make([]float64, 0, max(8192, n))
	}
	at := len(t.block)
	t.block = t.block[:at+n]
	return t.block[at : at+n : at+n]
}

// save keeps the mean and the upper half of the covariance.
func (t *Track) save() []float64 {
	n := len(t.X)
	s := t.keep(n + n*(n+1)/2)
	at := copy(s, t.X)
	for i := range n {
		at += copy(s[at:], t.P.Row(i)[i:])
	}
	return s
}

// restore is the reverse of save.
func restore(s []float64, x []float64, p Sym) {
	n := len(x)
	at := copy(x, s)
	for i := range n {
		at += copy(p.a[i*n+i:(i+1)*n], s[at:])
	}
	p.mirror()
}

// Smooth walks from the present back to the start and calls visit for every
// stretch, the last one first, with the state at its end given all observations
// of the track, later ones included. n is that of the stretch. x and P are
// reused: copy what is to be kept. The track itself does not change.
func (t *Track) Smooth(visit func(stretch int, x []float64, p Sym)) {
	var w smoother
	w.xs = append(w.xs, t.X...)
	w.ps = t.P.Clone()
	visit(len(t.steps), w.xs, w.ps)
	for k := len(t.steps) - 1; k >= 0; k-- {
		switch st := t.steps[k]; st.kind {
		case stepGrow:
			// Independent of the others when it came: leaving it out again
			// takes nothing from what they have learned since.
			w.xs = append(w.xs[:st.index], w.xs[st.index+1:]...)
			w.ps = w.ps.without(st.index)
		case stepDrop:
			w.undrop(st)
		default:
			w.back(st)
		}
		visit(k, w.xs, w.ps)
	}
}

// smoother holds the smoothed state and scratch space.
type smoother struct {
	xs, xf, xp, delta []float64
	ps, pf, pp        Sym
	l, u, c, cd       []float64
}

func (w *smoother) room(n int) {
	w.xf, w.xp, w.delta = grown(w.xf, n), grown(w.xp, n), grown(w.delta, n)
	w.pf, w.pp = w.pf.resize(n), w.pp.resize(n)
	w.l, w.u, w.c, w.cd = grown(w.l, n*n), grown(w.u, n*n), grown(w.c, n*n), grown(w.cd, n*n)
}

// back is one step of Rauch, Tung and Striebel:
//
//	C = Pf·F'·Pp⁻¹,  xs ← xf + C·(xs - xp),  Ps ← Pf + C·(Ps - Pp)·C'.
func (w *smoother) back(st step) {
	n := st.n
	w.room(n)
	restore(st.before, w.xf, w.pf)
	restore(st.after, w.xp, w.pp)
	st.f.timesTransposed(w.c, w.pf)
	w.factor(w.pp)
	for i := range n {
		w.solve(w.c[i*n:(i+1)*n], n)
	}
	for i := range n {
		w.delta[i] = w.xs[i] - w.xp[i]
	}
	for i := range n {
		w.xs[i] = w.xf[i] + dot(w.c[i*n:(i+1)*n], w.delta)
	}
	for i, v := range w.ps.a {
		w.pp.a[i] = v - w.pp.a[i]
	}
	for i := range n {
		ci, cdi := w.c[i*n:(i+1)*n], w.cd[i*n:(i+1)*n]
		for j := range n {
			cdi[j] = dot(ci, w.pp.Row(j))
		}
		out := w.ps.a[i*n : (i+1)*n]
		pf := w.pf.Row(i)
		for j := i; j < n; j++ {
			out[j] = pf[j] + dot(cdi, w.c[j*n:(j+1)*n])
		}
	}
	w.ps.mirror()
	w.clip()
}

// undrop brings a dropped component back: it is the regression of it on the
// others at the time it left, moved by what the others have learned since.
func (w *smoother) undrop(st step) {
	n, q := st.n, st.index
	w.room(n)
	restore(st.before, w.xf, w.pf)
	mean, variance := w.xf[q], w.pf.At(q, q)
	c := w.c[:0]
	for j, v := range w.pf.Row(q) {
		if j != q {
			c = append(c, v)
		}
	}
	others := w.pp.resize(n)
	others.copyFrom(w.pf)
	others = others.without(q)
	w.factor(others)
	explained := append(w.delta[:0], c...)
	w.solve(c, n-1)
	for k, v := range c {
		j := k
		if j >= q {
			j++
		}
		mean += v * (w.xs[k] - w.xf[j])
	}
	// Variance: what the others do not explain, and what they pass on.
	variance += w.ps.Quadratic(c) - dot(c, explained)
	cross := w.cd[:n-1]
	for k := range cross {
		cross[k] = dot(c, w.ps.Row(k))
	}
	old := w.ps
	w.ps = NewSym(n)
	for i := range n {
		for j := i; j < n; j++ {
			a, b := i, j
			if a > q {
				a--
			}
			if b > q {
				b--
			}
			switch {
			case i == q && j == q:
				w.ps.a[i*n+j] = variance
			case i == q:
				w.ps.a[i*n+j] = cross[b]
			case j == q:
				w.ps.a[i*n+j] = cross[a]
			default:
				w.ps.a[i*n+j] = old.At(a, b)
			}
		}
	}
	w.ps.mirror()
	w.xs = append(w.xs, 0)
	copy(w.xs[q+1:], w.xs[q:])
	w.xs[q] = mean
	w.clip()
}

// clip takes a variance that rounding has made negative for what it is.
func (w *smoother) clip() {
	for i := range w.ps.n {
		if w.ps.At(i, i) < 0 {
			for j := range w.ps.n {
				w.ps.Set(i, j, 0)
			}
		}
	}
}

// factor fills l with the Cholesky factor of p and u with its transpose, so that
// both substitutions run along rows.
func (w *smoother) factor(p Sym) {
	n := p.n
	w.l, w.u = w.l[:n*n], w.u[:n*n]
	p.Cholesky(w.l)
	for i := range n {
		for j := range n {
			w.u[j*n+i] = w.l[i*n+j]
		}
	}
}

// solve replaces b by the y with P·y = b, y zero where P is singular; b lies in
// the range of P wherever this is called.
func (w *smoother) solve(b []float64, n int) {
	for i := range n {
		d := w.l[i*n+i]
		if d == 0 {
			b[i] = 0
			continue
		}
		b[i] = (b[i] - dot(w.l[i*n:i*n+i], b)) / d
	}
	for i := n - 1; i >= 0; i-- {
		d := w.l[i*n+i]
		if d == 0 {
			b[i] = 0
			continue
		}
		b[i] = (b[i] - dot(w.u[i*n+i+1:(i+1)*n], b[i+1:])) / d
	}
}
