package filter

import (
	"fmt"
	"math"
)

// State is what is believed: a mean and a covariance. It keeps scratch space
// between calls, so use it by pointer; [State.Clone] makes a separate one.
type State struct {
	// X holds the means, n numbers. Single numbers may be set by the caller.
	X []float64
	// P is the covariance, n by n. Single entries may be set by the caller.
	P Sym

	t       []float64 // n*n
	a, k, m []float64 // n each
	used    []int
}

// NewState returns a state with copies of mean and covariance. It panics if they
// differ in size.
func NewState(x []float64, p Sym) *State {
	mustMatch("covariance", p.n, len(x))
	return &State{X: append([]float64(nil), x...), P: p.Clone()}
}

// Clone returns a copy that shares nothing.
func (s *State) Clone() *State { return NewState(s.X, s.P) }

// Predict carries the state on: X becomes F·X + b, P becomes F·P·F' + Q. b has n
// numbers, or is nil for none; the zero Sym means no noise.
func (s *State) Predict(f Transition, b []float64, q Sym) {
	n := len(s.X)
	mustMatch("transition", f.n, n)
	s.a = grown(s.a, n)
	f.apply(s.a, s.X)
	if b != nil {
		mustMatch("input", len(b), n)
		for i, v := range b {
			s.a[i] += v
		}
	}
	s.PredictTo(s.a, f, q)
}

// PredictTo carries the state of an extended filter on: x is the new mean, which
// the caller has computed, and F the Jacobian at the old one. P becomes
// F·P·F' + Q. x is copied; the zero Sym means no noise.
func (s *State) PredictTo(x []float64, f Transition, q Sym) {
	n := len(s.X)
	mustMatch("mean", len(x), n)
	mustMatch("transition", f.n, n)
	copy(s.X, x)
	s.t = grown(s.t, n*n)
	f.propagate(s.P, s.t)
	if q.n == 0 {
		return
	}
	mustMatch("noise", q.n, n)
	for i, v := range q.a {
		s.P.a[i] += v
	}
}

// InnovationVariance returns h·P·h + r, the variance of an observation of h·x
// with error variance r before it is made. h has n numbers.
func (s *State) InnovationVariance(h []float64, r float64) float64 {
	mustBeVariance("observation variance", r)
	return max(0, s.P.Quadratic(h)) + r
}

// Observe corrects the state with a linear observation y = h·x + error, error
// variance r. It returns the innovation nu = y - h·x, its variance and its log
// likelihood as [State.UpdateScalar] does.
func (s *State) Observe(y float64, h []float64, r float64) (nu, variance, loglik float64) {
	mustMatch("observation row", len(h), len(s.X))
	nu = y - dot(h, s.X)
	variance, loglik = s.UpdateScalar(nu, h, r)
	return nu, variance, loglik
}

// UpdateScalar corrects the state with one observation: nu is what was observed
// less what the present mean predicts (so take it anew after each correction),
// h its derivative by the state, n numbers, r >= 0 the variance of its error. It
// returns the innovation variance S = h·P·h + r and the log likelihood
// -(log 2π + log S + nu²/S)/2. Where S is 0 or +Inf nothing can be learned and
// the state stays: the log likelihood is then -Inf, or 0 where S and nu are
// both 0. It panics if nu is not finite.
func (s *State) UpdateScalar(nu float64, h []float64, r float64) (variance, loglik float64) {
	n := len(s.X)
	mustMatch("observation row", len(h), n)
	mustBeVariance("observation variance", r)
	if math.IsNaN(nu) || math.IsInf(nu, 0) {
		panic(fmt.Sprintf("filter: innovation is %g", nu))
	}
	s.t = grown(s.t, n*n)
	s.a, s.k, s.m = grown(s.a, n), grown(s.k, n), grown(s.m, n)
	a, k, m := s.a, s.k, s.m
	clear(a)
	s.used = s.used[:0]
	for i, v := range h {
		if v != 0 {
			s.used = append(s.used, i)
			axpy(a, v, s.P.Row(i))
		}
	}
	hph := 0.0
	for _, i := range s.used {
		hph += h[i] * a[i]
	}
	hph = max(0, hph)
	variance = hph + r
	switch {
	case variance == 0 && nu == 0:
		return 0, 0
	case variance == 0 || math.IsInf(variance, 1):
		return variance, math.Inf(-1)
	}
	for i, v := range a {
		k[i] = v / variance
		s.X[i] += k[i] * nu
	}
	// Joseph's form P = M·P·M' + r·k·k' with M = I - k·h', by rows of T = M·P and
	// then by columns. The diagonal of M, 1 - k·h, is computed without the
	// subtraction that would lose all digits of a precise observation; the
	// conversions to float64 keep a fused multiply-add from undoing that.
	for _, i := range s.used {
		m[i] = (r + (hph - float64(h[i]*a[i]))) / variance
	}
	for i := range n {
		pi, ti, ki := s.P.Row(i), s.t[i*n:(i+1)*n], k[i]
		if hi := h[i]; hi != 0 {
			mi := m[i]
			for j, v := range pi {
				ti[j] = mi*v - ki*(a[j]-float64(hi*v))
			}
			continue
		}
		for j, v := range pi {
			ti[j] = v - ki*a[j]
		}
	}
	for i := range n {
		pi, ti := s.P.a[i*n:(i+1)*n], s.t[i*n:(i+1)*n]
		th := 0.0
		for _, j := range s.used {
			th += h[j] * ti[j]
		}
		rk := r * k[i]
		rest := th - rk
		for j := i; j < n; j++ {
			pi[j] = ti[j] - k[j]*rest
		}
		for _, j := range s.used {
			if j >= i {
				pi[j] = m[j]*ti[j] - k[j]*((th-float64(h[j]*ti[j]))-rk)
			}
		}
	}
	s.P.mirror()
	return variance, -0.5 * (math.Log(2*math.Pi) + math.Log(variance) + nu*nu/variance)
}

// Gain returns the gain of the last correction, n numbers, good until the next
// call.
func (s *State) Gain() []float64 { return s.k[:len(s.X)] }

// Grow adds a component that is independent of the others and returns its index,
// which is the last. It panics if the variance is negative or not a number.
func (s *State) Grow(mean, variance float64) int {
	mustBeVariance("variance", variance)
	n := len(s.X)
	s.X = append(s.X, mean)
	old := s.P
	p := old.resize(n + 1)
	// From the end, so that in place nothing is overwritten before it is moved.
	for i := n - 1; i >= 0; i-- {
		copy(p.a[i*(n+1):i*(n+1)+n], old.a[i*n:(i+1)*n])
		p.a[i*(n+1)+n] = 0
	}
	clear(p.a[n*(n+1):])
	p.a[n*(n+1)+n] = variance
	s.P = p
	return n
}

// Drop forgets component i; the indices above it go down by one. What it had
// told about the others stays.
func (s *State) Drop(i int) {
	if i < 0 || i >= len(s.X) {
		panic(fmt.Sprintf("filter: drop component %d of %d", i, len(s.X)))
	}
	s.X = append(s.X[:i], s.X[i+1:]...)
	s.P = s.P.without(i)
}
