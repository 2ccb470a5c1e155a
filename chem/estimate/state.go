package estimate

import (
	"math"
	"slices"

	"steadybath/chem/filter"
)

// term is one number of a sparse row or column: by at place at of the state.
type term struct {
	at int
	by float64
}

// state is the filter's state with short names for the model's equations.
type state struct{ *filter.State }

func newState(n int) *state { return &state{filter.NewState(make([]float64, n), filter.NewSym(n))} }

func (s *state) clone() *state { return &state{s.State.Clone()} }

func (s *state) x(i int) float64    { return s.X[i] }
func (s *state) p(i, j int) float64 { return s.P.At(i, j) }

// belief is the size of a rate for noise that is relative to it.
func (s *state) belief(i int) float64 { return math.Sqrt(s.x(i)*s.x(i) + s.p(i, i)) }

// set forgets what place i had to do with the others and begins it anew.
func (s *state) set(i int, mean, variance float64) {
	s.X[i] = mean
	for j := range s.X {
		s.P.Set(i, j, 0)
	}
	s.P.Set(i, i, variance)
}

// update corrects with one observation off by nu from what was expected.
func (s *state) update(nu float64, h []term, r float64) (loglik float64) {
	row := make([]float64, len(s.X))
	for _, t := range h {
		row[t.at] += t.by
	}
	_, loglik = s.UpdateScalar(nu, row, r)
	return loglik
}

// step collects what one stretch of time or charge does: the change of the
// mean, the derivatives of the change, and independent sources of noise.
type step struct {
	dx    []float64
	jac   []filter.Entry
	noise filter.Sym
}

func (s *state) newStep() *step {
	return &step{dx: make([]float64, len(s.X)), noise: filter.NewSym(len(s.X))}
}

func (t *step) move(i int, by float64) { t.dx[i] += by }

func (t *step) slope(row, col int, d float64) {
	if d != 0 {
		t.jac = append(t.jac, filter.Entry{Row: row, Col: col, Value: d})
	}
}

// shake adds one source of noise: how far one standard deviation of it moves
// each place.
func (t *step) shake(terms ...term) {
	for i, a := range terms {
		t.noise.Add(a.at, a.at, a.by*a.by)
		for _, b := range terms[:i] {
			if a.at == b.at {
				t.noise.Add(a.at, a.at, 2*a.by*b.by)
				continue
			}
			t.noise.Add(a.at, b.at, a.by*b.by)
		}
	}
}

// apply carries the state through a step; the first nonNegative places are
// amounts, which no step can make negative.
func (s *state) apply(t *step, nonNegative int) {
	x := slices.Clone(s.X)
	for i, d := range t.dx {
		x[i] += d
	}
	for i := range nonNegative {
		x[i] = math.Max(x[i], 0)
	}
	s.PredictTo(x, filter.NearIdentity(len(x), t.jac...), t.noise)
}
