package estimate

import (
	"math"

	"steadybath/chem/filter"
)

// term is one number of a sparse row or column: by at place at of the state.
type term struct {
	at int
	by float64
}

// state is the filter's state with short names for the model's equations. It
// keeps the numbers of the step being taken, so that a long log costs no memory.
type state struct {
	*filter.State
	tape *filter.Track // remembers it all where something is to be smoothed; its State is State
	acct *posting      // posts changes and uncertainty by cause where that is asked for
	book *book         // posts the metal between its accounts where that is asked for
	why  cause         // of what happens next
	step step
	x1   []float64
	row  []float64
}

func newState(n int) *state {
	return &state{State: filter.NewState(make([]float64, n), filter.NewSym(n))}
}

func (s *state) clone() *state { return &state{State: s.State.Clone()} }

func (s *state) x(i int) float64    { return s.X[i] }
func (s *state) p(i, j int) float64 { return s.P.At(i, j) }

// sd is the standard deviation of place i.
func (s *state) sd(i int) float64 { return math.Sqrt(math.Max(0, s.p(i, i))) }

// belief is the size of a rate for noise that is relative to it.
func (s *state) belief(i int) float64 { return math.Sqrt(s.x(i)*s.x(i) + math.Max(0, s.p(i, i))) }

// record makes the state remember on the tape what happens to it from here on.
func (s *state) record(tape *filter.Track) {
	tape.Restart(s.X, s.P)
	s.tape, s.State = tape, &tape.State
}

// Grow, Drop and the two below are the filter's, remembered where that is wanted.
func (s *state) Grow(mean, variance float64) int {
	if s.acct != nil {
		s.acct.parts.Grow(variance, s.acct.part(s.why))
	}
	if s.book != nil {
		s.book.grow()
	}
	if s.tape != nil {
		return s.tape.Grow(mean, variance)
	}
	return s.State.Grow(mean, variance)
}

func (s *state) Drop(i int) {
	if s.acct != nil {
		s.acct.parts.Drop(i)
	}
	if s.book != nil {
		s.book.drop(i)
	}
	if s.tape != nil {
		s.tape.Drop(i)
		return
	}
	s.State.Drop(i)
}

func (s *state) predictTo(x []float64, f filter.Transition) {
	if s.acct != nil {
		s.acct.parts.Predict(f)
	}
	if s.tape != nil {
		s.tape.PredictTo(x, f, filter.Sym{})
		return
	}
	s.PredictTo(x, f, filter.Sym{})
}

func (s *state) correct(nu, r float64) (loglik float64) {
	if s.tape != nil {
		_, loglik = s.tape.UpdateScalar(nu, s.row, r)
	} else {
		_, loglik = s.UpdateScalar(nu, s.row, r)
	}
	if s.acct != nil && !math.IsInf(loglik, 0) {
		s.acct.parts.Correct(s.row, s.Gain(), r, s.acct.part(s.why))
	}
	return loglik
}

// set forgets what place i had to do with the others and begins it anew.
func (s *state) set(i int, mean, variance float64) {
	if s.tape != nil || s.acct != nil {
		s.x1 = append(s.x1[:0], s.X...)
		s.predictTo(s.x1, filter.NearIdentity(len(s.X), filter.Entry{Row: i, Col: i, Value: -1}))
	}
	if s.book != nil {
		s.book.forget(i)
	}
	s.X[i] = mean
	for j := range s.X {
		s.P.Set(i, j, 0)
	}
	s.P.Set(i, i, variance)
	if s.acct != nil {
		s.acct.parts.Add(s.acct.part(s.why), i, i, variance)
	}
}

// update corrects with one observation off by nu from what was expected.
func (s *state) update(nu float64, h []term, r float64) (loglik float64) {
	s.row = zeros(s.row, len(s.X))
	for _, t := range h {
		s.row[t.at] += t.by
	}
	return s.correct(nu, r)
}

// variance is that of what the terms add up to.
func (s *state) variance(h []term) float64 {
	v := 0.0
	for _, a := range h {
		for _, b := range h {
			v += a.by * b.by * s.p(a.at, b.at)
		}
	}
	return math.Max(0, v)
}

// step collects what one stretch of time or charge does: the change of the
// mean, the derivatives of the change, and independent sources of noise.
type step struct {
	dx    []float64
	jac   []filter.Entry
	noise []source
	count int // of noise in use

	state *state
	moved []moved // only where changes are posted by cause
}

// source is one source of noise: how far one standard deviation of it moves
// each place.
type source struct {
	terms []term
	why   cause
}

// moved is one change of the mean and why it came.
type moved struct {
	term
	why cause
}

// newStep begins a step; the one before it is over.
func (s *state) newStep() *step {
	t := &s.step
	t.dx, t.jac, t.count, t.moved, t.state = zeros(t.dx, len(s.X)), t.jac[:0], 0, t.moved[:0], s
	if s.book != nil {
		s.book.begin()
	}
	return t
}

// as says why what is moved and shaken from here on changes.
func (t *step) as(c cause) { t.state.why = c }

func zeros(a []float64, n int) []float64 {
	if cap(a) < n {
		return make([]float64, n, n+8)
	}
	a = a[:n]
	clear(a)
	return a
}

func (t *step) move(i int, by float64) {
	t.dx[i] += by
	if t.state.book != nil {
		t.state.book.move(i, t.state.why, by)
	}
	if t.state.acct != nil {
		t.moved = append(t.moved, moved{term{i, by}, t.state.why})
	}
}

func (t *step) slope(row, col int, d float64) {
	if d != 0 {
		t.jac = append(t.jac, filter.Entry{Row: row, Col: col, Value: d})
		if t.state.book != nil {
			t.state.book.slope(row, col, t.state.why, d)
		}
	}
}

// source opens a source of noise and returns its number.
func (t *step) source() int {
	if t.count == len(t.noise) {
		t.noise = append(t.noise, source{})
	}
	t.noise[t.count].terms, t.noise[t.count].why = t.noise[t.count].terms[:0], t.state.why
	t.count++
	return t.count - 1
}

// stir lets one standard deviation of a source move a place.
func (t *step) stir(source, at int, by float64) {
	if by != 0 {
		t.noise[source].terms = append(t.noise[source].terms, term{at, by})
		if t.state.book != nil {
			t.state.book.stir(source, at, t.state.why, by)
		}
	}
}

// shake adds a source of noise that moves one place only.
func (t *step) shake(at int, by float64) { t.stir(t.source(), at, by) }

// apply carries the state through a step.
func (s *state) apply(t *step) {
	s.x1 = append(s.x1[:0], s.X...)
	for i, d := range t.dx {
		s.x1[i] += d
	}
	if s.book != nil {
		s.book.apply(t.jac, t.noise[:t.count])
	}
	s.predictTo(s.x1, filter.NearIdentity(len(s.x1), t.jac...))
	for _, n := range t.noise[:t.count] {
		for i, a := range n.terms {
			s.spread(n.why, a.at, a.at, a.by*a.by)
			for _, b := range n.terms[:i] {
				if a.at == b.at {
					s.spread(n.why, a.at, b.at, 2*a.by*b.by)
					continue
				}
				s.spread(n.why, a.at, b.at, a.by*b.by)
			}
		}
	}
}

// spread adds to the covariance.
func (s *state) spread(why cause, i, j int, by float64) {
	s.P.Add(i, j, by)
	if s.acct != nil {
		s.acct.parts.Add(s.acct.part(why), i, j, by)
	}
}
