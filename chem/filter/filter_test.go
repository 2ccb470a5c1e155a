package filter

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"
)

type reference struct {
	Model struct {
		Y          [][]*float64  `json:"y"`
		Transition [][][]float64 `json:"transition"`
		Noise      [][][]float64 `json:"noise"`
		Design     [][][]float64 `json:"design"`
		Variance   [][]float64   `json:"observation_variance"`
		Mean       []float64     `json:"mean"`
		Covariance [][]float64   `json:"covariance"`
	} `json:"model"`
	Result struct {
		Loglik          float64     `json:"loglik"`
		LoglikStep      []float64   `json:"loglik_step"`
		FilteredMean    [][]float64 `json:"filtered_mean"`
		FilteredVar     [][]float64 `json:"filtered_variance"`
		SmoothedMean    [][]float64 `json:"smoothed_mean"`
		SmoothedVar     [][]float64 `json:"smoothed_variance"`
		SmoothedCovHead [][]float64 `json:"smoothed_covariance_first"`
	} `json:"result"`
}

func readReference(t testing.TB, name string) reference {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "statsmodels", name))
	require.NoError(t, err)
	var r reference
	require.NoError(t, json.Unmarshal(b, &r))
	return r
}

func flat(rows [][]float64) []float64 { return slices.Concat(rows...) }

func readNile(t testing.TB) []float64 {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "nile", "nile.csv"))
	require.NoError(t, err)
	defer f.Close()
	records, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	var y []float64
	for _, rec := range records[1:] {
		v, err := strconv.ParseFloat(rec[1], 64)
		require.NoError(t, err)
		y = append(y, v)
	}
	require.Len(t, y, 100)
	return y
}

// requireClose holds |got-want| against the larger of want and floor, the size
// below which a number of this kind is rounding.
func requireClose(t testing.TB, want, got, floor, tol float64, what string, args ...any) {
	t.Helper()
	if !(math.Abs(got-want) <= tol*max(math.Abs(want), floor)) {
		t.Fatalf("%s: got %.12g, want %.12g", fmt.Sprintf(what, args...), got, want)
	}
}

// TestNileStatsmodels: the local level model of the Nile with the variances
// 15099 and 1469.1 of Durbin and Koopman (2012, section 2.2; quoted from memory)
// against statsmodels (testdata/statsmodels/make.py), to 1e-8.
func TestNileStatsmodels(t *testing.T) {
	ref := readReference(t, "local_level.json").Result
	y := readNile(t)
	require.Len(t, ref.FilteredMean, len(y))
	tr := newFull([]float64{0}, Diagonal(1e7))
	total := 0.0
	for k, v := range y {
		if k > 0 {
			tr.Predict(NearIdentity(1), nil, Diagonal(1469.1))
		}
		_, _, l := tr.Observe(v, []float64{1}, 15099)
		total += l
		requireClose(t, ref.LoglikStep[k], l, 1, 1e-8, "loglik %d", k)
		requireClose(t, ref.FilteredMean[k][0], tr.X[0], 1, 1e-8, "filtered mean %d", k)
		requireClose(t, ref.FilteredVar[k][0], tr.P.At(0, 0), 1, 1e-8, "filtered variance %d", k)
	}
	requireClose(t, ref.Loglik, total, 1, 1e-8, "loglik")
	seen := 0
	tr.Smooth(func(k int, x []float64, p Sym) {
		seen++
		requireClose(t, ref.SmoothedMean[k][0], x[0], 1, 1e-8, "smoothed mean %d", k)
		requireClose(t, ref.SmoothedVar[k][0], p.At(0, 0), 1, 1e-8, "smoothed variance %d", k)
	})
	assert.Equal(t, len(y), seen)
}

// TestNileDiffuse: started exactly diffuse (which for a local level means from
// the first reading and its variance) the log likelihood at its maximum is
// -633.4646, as the vignette "Introduction to the local level model" of the R
// package statespacer prints for the Nile: final value 6.334646 of minus the
// mean log likelihood of 100 readings, the first counted with the constant
// -log(2π)/2. The variances differ from the maximum in the fifth digit, where the
// likelihood is flat.
func TestNileDiffuse(t *testing.T) {
	y := readNile(t)
	s := NewState(y[:1], Diagonal(15099))
	total := -math.Log(2*math.Pi) / 2
	for _, v := range y[1:] {
		s.Predict(NearIdentity(1), nil, Diagonal(1469.1))
		_, _, l := s.Observe(v, []float64{1}, 15099)
		total += l
	}
	assert.InDelta(t, -633.4646, total, 5e-5)
}

// TestStatsmodels compares two models of 8 states and 3 series with missing
// readings, one of them with singular covariances. Means near zero are held
// against the size of the state, variances against the largest one.
func TestStatsmodels(t *testing.T) {
	for _, name := range []string{"time_varying.json", "semidefinite.json"} {
		t.Run(name, func(t *testing.T) {
			ref := readReference(t, name)
			m, want := ref.Model, ref.Result
			n := len(m.Mean)
			tr := newFull(m.Mean, SymOf(n, flat(m.Covariance)))
			total := 0.0
			for k, row := range m.Y {
				step := 0.0
				for i, y := range row {
					if y != nil {
						_, _, l := tr.Observe(*y, m.Design[k][i], m.Variance[k][i])
						step += l
					}
				}
				total += step
				requireClose(t, want.LoglikStep[k], step, 1, 1e-8, "loglik %d", k)
				for i := range n {
					requireClose(t, want.FilteredMean[k][i], tr.X[i], 1, 1e-8, "filtered mean %d of step %d", i, k)
					requireClose(t, want.FilteredVar[k][i], tr.P.At(i, i), 1, 1e-8, "filtered variance %d of step %d", i, k)
				}
				if k < len(m.Y)-1 {
					tr.Predict(Dense(n, flat(m.Transition[k])), nil, SymOf(n, flat(m.Noise[k])))
				}
			}
			requireClose(t, want.Loglik, total, 1, 1e-8, "loglik")
			tr.Smooth(func(k int, x []float64, p Sym) {
				for i := range n {
					requireClose(t, want.SmoothedMean[k][i], x[i], 1, 1e-8, "smoothed mean %d of step %d", i, k)
					requireClose(t, want.SmoothedVar[k][i], p.At(i, i), 1, 1e-8, "smoothed variance %d of step %d", i, k)
					if k == 0 {
						for j := range n {
							requireClose(t, want.SmoothedCovHead[i][j], p.At(i, j), 1, 1e-8, "smoothed covariance (%d, %d) of step 0", i, j)
						}
					}
				}
			})
		})
	}
}

// randomModel holds what a track of random steps needs, drawn from a seed.
type randomModel struct {
	r *rand.Rand
	n int
}

// drawModel leaves the choice of the seed to rapid, not that of the size, for
// which rapid would favour one and two components.
func drawModel(t *rapid.T, stream uint64, most int) randomModel {
	r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), stream))
	return randomModel{r, 1 + r.IntN(most)}
}

func (m randomModel) vector() []float64 {
	v := make([]float64, m.n)
	for i := range v {
		v[i] = m.r.NormFloat64()
	}
	return v
}

func (m randomModel) covariance(rank int) Sym {
	s := NewSym(m.n)
	for range rank {
		g := m.vector()
		for i := range g {
			for j := i; j < m.n; j++ {
				s.Add(i, j, g[i]*g[j])
			}
		}
	}
	return s
}

func (m randomModel) near() Transition {
	var e []Entry
	for range m.r.IntN(2 * m.n) {
		e = append(e, Entry{m.r.IntN(m.n), m.r.IntN(m.n), 0.3 * m.r.NormFloat64()})
	}
	return NearIdentity(m.n, e...)
}

func (m randomModel) row() []float64 {
	h := make([]float64, m.n)
	for range 1 + m.r.IntN(m.n) {
		h[m.r.IntN(m.n)] = m.r.NormFloat64()
	}
	if m.r.IntN(3) == 0 {
		clear(h)
		h[m.r.IntN(m.n)] = 1
	}
	return h
}

func (f Transition) matrix() *mat.Dense {
	d := mat.NewDense(f.n, f.n, nil)
	e := make([]float64, f.n)
	y := make([]float64, f.n)
	for j := range f.n {
		clear(e)
		e[j] = 1
		f.apply(y, e)
		d.SetCol(j, y)
	}
	return d
}

func symDense(p Sym) *mat.SymDense { return mat.NewSymDense(p.n, slices.Clone(p.a)) }

// requireCovariance: symmetric to the last bit, no eigenvalue below rounding.
func requireCovariance(t interface{ Fatalf(string, ...any) }, p Sym, size float64) {
	if p.n == 0 {
		return
	}
	for i := range p.n {
		if !(p.At(i, i) >= 0) {
			t.Fatalf("variance %d is %g", i, p.At(i, i))
		}
		for j := range p.n {
			if p.At(i, j) != p.At(j, i) {
				t.Fatalf("(%d, %d) is %g, (%d, %d) is %g", i, j, p.At(i, j), j, i, p.At(j, i))
			}
		}
	}
	var eig mat.EigenSym
	if !eig.Factorize(symDense(p), false) {
		t.Fatalf("no eigenvalues")
	}
	if low := slices.Min(eig.Values(nil)); low < -1e-11*size {
		t.Fatalf("eigenvalue %g beside a covariance of size %g", low, size)
	}
}

func trace(p Sym) float64 {
	s := 0.0
	for i := range p.n {
		s += p.At(i, i)
	}
	return s
}

// TestCovarianceStaysOne walks at random through everything a track can do.
func TestCovarianceStaysOne(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drawModel(t, 0, 8)
		tr := newFull(m.vector(), m.covariance(m.r.IntN(m.n+2)))
		size := 1 + trace(tr.P)
		var sizes []int
		for range 25 {
			m.n = len(tr.X)
			switch k := m.r.IntN(8); {
			case k == 0:
				sizes = append(sizes, m.n)
				if i := tr.Grow(m.r.NormFloat64(), m.r.ExpFloat64()); i != m.n {
					t.Fatalf("grew at %d of %d", i, m.n)
				}
			case k == 1 && m.n > 1:
				sizes = append(sizes, m.n)
				tr.Drop(m.r.IntN(m.n))
			case k < 4:
				sizes = append(sizes, m.n)
				tr.Predict(m.near(), m.vector(), m.covariance(m.r.IntN(3)))
			default:
				v, l := tr.UpdateScalar(m.r.NormFloat64(), m.row(), math.Pow(10, 6*m.r.Float64()-5))
				if !(v > 0) || math.IsNaN(l) {
					t.Fatalf("innovation variance %g, loglik %g", v, l)
				}
			}
			size = max(size, trace(tr.P))
			requireCovariance(t, tr.P, size)
		}
		next := tr.Len() - 1
		sizes = append(sizes, len(tr.X))
		tr.Smooth(func(k int, x []float64, p Sym) {
			if k != next || len(x) != sizes[k] || p.N() != sizes[k] {
				t.Fatalf("stretch %d of %d components, expected %d of %d", k, len(x), next, sizes[k])
			}
			next--
			requireCovariance(t, p, 100*size)
		})
		if next != -1 {
			t.Fatalf("stopped at %d", next)
		}
	})
}

// TestPredictIsTheProduct holds both forms of F against gonum's matrix product.
func TestPredictIsTheProduct(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drawModel(t, 1, 12)
		s := NewState(m.vector(), m.covariance(m.n))
		f, b, q := m.near(), m.vector(), m.covariance(2)
		fm := f.matrix()
		var x mat.VecDense
		x.MulVec(fm, mat.NewVecDense(m.n, slices.Clone(s.X)))
		var p mat.Dense
		p.Product(fm, symDense(s.P), fm.T())
		dense := s.Clone()
		s.Predict(f, b, q)
		dense.Predict(Dense(m.n, fm.RawMatrix().Data), b, q)
		for _, got := range []*State{s, dense} {
			for i := range m.n {
				if math.Abs(got.X[i]-x.AtVec(i)-b[i]) > 1e-10 {
					t.Fatalf("mean %d: %g, want %g", i, got.X[i], x.AtVec(i)+b[i])
				}
				for j := range m.n {
					if want := p.At(i, j) + q.At(i, j); math.Abs(got.P.At(i, j)-want) > 1e-10*(1+trace(got.P)) {
						t.Fatalf("covariance (%d, %d): %g, want %g", i, j, got.P.At(i, j), want)
					}
				}
			}
		}
	})
}

// TestPreciseReading: without error the reading is the state, whatever the prior.
func TestPreciseReading(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drawModel(t, 2, 10)
		s := NewState(m.vector(), m.covariance(m.n))
		i, y := m.r.IntN(m.n), m.r.NormFloat64()
		h := make([]float64, m.n)
		h[i] = 0.1 + m.r.Float64()
		r := rapid.SampledFrom([]float64{0, 1e-30, 1e-12}).Draw(t, "r")
		f := math.Pow(10, rapid.Float64Range(0, 8).Draw(t, "prior"))
		for k := range s.P.a {
			s.P.a[k] *= f
		}
		nu, v, _ := s.Observe(y, h, r)
		// What is left of the prior is its share r/v of the innovation nu, and
		// the variance of two readings combined, r and the prior's v-r.
		if math.Abs(h[i]*s.X[i]-y+nu*r/v) > 1e-12*(1+math.Abs(nu)) || !(v > 0) {
			t.Fatalf("mean %g after reading %g of %g times it", s.X[i], y, h[i])
		}
		if got, want := s.P.At(i, i)*h[i]*h[i], r*(v-r)/v; math.Abs(got-want) > 1e-6*want {
			t.Fatalf("variance %g after a reading with %g, want %g", got, r, want)
		}
		requireCovariance(t, s.P, trace(s.P)+f)
	})
}

// TestVagueReading: with boundless error the reading changes nothing.
func TestVagueReading(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drawModel(t, 3, 10)
		s := NewState(m.vector(), m.covariance(m.n))
		before := s.Clone()
		r := rapid.SampledFrom([]float64{1e30, 1e300, math.Inf(1)}).Draw(t, "r")
		s.UpdateScalar(m.r.NormFloat64(), m.row(), r)
		for i, v := range before.X {
			if math.Abs(s.X[i]-v) > 1e-14*(1+math.Abs(v)) {
				t.Fatalf("mean %d moved from %g to %g", i, v, s.X[i])
			}
		}
		for i, v := range before.P.a {
			if math.Abs(s.P.a[i]-v) > 1e-14*(1+trace(before.P)) {
				t.Fatalf("covariance moved from %g to %g", v, s.P.a[i])
			}
		}
	})
}

// TestOrderOfReadings: independent readings may come in any order, and all at
// once (solved by gonum) they give the same.
func TestOrderOfReadings(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drawModel(t, 4, 8)
		a := NewState(m.vector(), m.covariance(m.n))
		b, prior := a.Clone(), a.Clone()
		q := 1 + m.r.IntN(4)
		y, r, h := make([]float64, q), make([]float64, q), make([][]float64, q)
		for k := range q {
			y[k], r[k], h[k] = m.r.NormFloat64(), 0.1+m.r.ExpFloat64(), m.row()
		}
		la, lb := 0.0, 0.0
		for k := range q {
			_, _, l := a.Observe(y[k], h[k], r[k])
			la += l
		}
		for k := range slices.Backward(y) {
			_, _, l := b.Observe(y[k], h[k], r[k])
			lb += l
		}
		hm := mat.NewDense(q, m.n, flat(h))
		var ph, s mat.Dense
		ph.Mul(symDense(prior.P), hm.T())
		s.Mul(hm, &ph)
		for k := range q {
			s.Set(k, k, s.At(k, k)+r[k])
		}
		var gain, drop mat.Dense
		if err := gain.Solve(s.T(), ph.T()); err != nil {
			t.Fatalf("%v", err)
		}
		drop.Mul(gain.T(), ph.T())
		scale := 1 + trace(prior.P)
		if math.Abs(la-lb) > 1e-9*(1+math.Abs(la)) {
			t.Fatalf("log likelihoods %g and %g", la, lb)
		}
		for i := range m.n {
			if math.Abs(a.X[i]-b.X[i]) > 1e-9*scale {
				t.Fatalf("mean %d: %g and %g", i, a.X[i], b.X[i])
			}
			for j := range m.n {
				if math.Abs(a.P.At(i, j)-b.P.At(i, j)) > 1e-10*scale {
					t.Fatalf("covariance: %g and %g", a.P.At(i, j), b.P.At(i, j))
				}
				if want := prior.P.At(i, j) - drop.At(i, j); math.Abs(a.P.At(i, j)-want) > 1e-10*scale {
					t.Fatalf("covariance: %g, all at once %g", a.P.At(i, j), want)
				}
			}
		}
	})
}

// TestGrowDropIsTheLargerModel: a component that comes late and leaves early
// gives the same, forward and back, as one carried all the time.
func TestGrowDropIsTheLargerModel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drawModel(t, 5, 8)
		n := m.n
		x, p := m.vector(), m.covariance(n)
		mean, variance := m.r.NormFloat64(), m.r.ExpFloat64()
		small := newFull(x, p)
		large := newFull(x, p)
		large.Grow(mean, variance)
		// stretch of large that corresponds to each of small
		pair := []int{1}
		here := func() {
			for i := range min(len(small.X), len(large.X)) {
				at := i
				if math.Abs(small.X[i]-large.X[at]) > 1e-8*(1+math.Abs(small.X[i])) ||
					math.Abs(small.P.At(i, i)-large.P.At(at, at)) > 1e-9*(1+trace(large.P)) {
					t.Fatalf("component %d: %g ± %g and %g ± %g", i, small.X[i], small.P.At(i, i), large.X[at], large.P.At(at, at))
				}
			}
		}
		grownAt := -1
		for k := range 18 {
			if k == 5 {
				grownAt = small.Grow(mean, variance)
				pair = append(pair, large.Len()-1)
			}
			if k == 13 {
				small.Drop(grownAt)
				pair = append(pair, large.Len()-1)
			}
			m.n = n
			with := k >= 5 && k < 13
			if m.r.IntN(2) == 0 {
				f, b, q := m.near(), m.vector(), m.covariance(1)
				e := slices.Clone(f.extra)
				wide := NewSym(n + 1)
				for i := range n {
					for j := range n {
						wide.Set(i, j, q.At(i, j))
					}
				}
				wb := append(slices.Clone(b), 0)
				if with {
					e = append(e, Entry{m.r.IntN(n), n, m.r.NormFloat64()})
					small.Predict(NearIdentity(n+1, e...), wb, wide)
				} else {
					small.Predict(f, b, q)
				}
				large.Predict(NearIdentity(n+1, e...), wb, wide)
				pair = append(pair, large.Len()-1)
			} else {
				h, nu, r := m.row(), m.r.NormFloat64(), 0.1+m.r.ExpFloat64()
				wide := append(slices.Clone(h), 0)
				if with {
					wide[n] = m.r.NormFloat64()
					small.Observe(nu, wide, r)
				} else {
					small.Observe(nu, h, r)
				}
				large.Observe(nu, wide, r)
			}
			here()
		}
		type smoothed struct {
			x []float64
			p Sym
		}
		back := map[int]smoothed{}
		large.Smooth(func(k int, x []float64, p Sym) { back[k] = smoothed{slices.Clone(x), p.Clone()} })
		small.Smooth(func(k int, x []float64, p Sym) {
			other := back[pair[k]]
			for i := range x {
				if math.Abs(x[i]-other.x[i]) > 1e-6*(1+math.Abs(x[i])) {
					t.Fatalf("stretch %d: smoothed mean %d is %g and %g", k, i, x[i], other.x[i])
				}
				for j := range x {
					if math.Abs(p.At(i, j)-other.p.At(i, j)) > 1e-6*(1+trace(p)) {
						t.Fatalf("stretch %d: smoothed covariance (%d, %d) is %g and %g", k, i, j, p.At(i, j), other.p.At(i, j))
					}
				}
			}
		})
	})
}

// TestDropAnywhere: after it is dropped a component no longer matters, so one
// that is carried on beside the others, unseen, must give the same; and what the
// others learn later must reach back to it.
func TestDropAnywhere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drawModel(t, 7, 7)
		m.n++
		n, q := m.n, m.r.IntN(m.n)
		small := newFull(m.vector(), m.covariance(n))
		large := newFull(small.X, small.P)
		pair := []int{0}
		without := func(v []float64) []float64 { return slices.Delete(slices.Clone(v), q, q+1) }
		for k := range 14 {
			if k == 7 {
				small.Drop(q)
				pair = append(pair, large.Len()-1)
			}
			f, b, noise := m.near(), m.vector(), m.covariance(1)
			h, y, r := m.row(), m.r.NormFloat64(), 0.1+m.r.ExpFloat64()
			if k < 7 {
				small.Predict(f, b, noise)
				large.Predict(f, b, noise)
				small.Observe(y, h, r)
				large.Observe(y, h, r)
			} else {
				h[q] = 0
				var wide, narrow []Entry
				for _, e := range f.extra {
					if e.Row == q || e.Col == q {
						continue
					}
					wide = append(wide, e)
					if e.Row > q {
						e.Row--
					}
					if e.Col > q {
						e.Col--
					}
					narrow = append(narrow, e)
				}
				var rows []float64
				for i := range n {
					if i != q {
						rows = append(rows, without(noise.Row(i))...)
					}
				}
				small.Predict(NearIdentity(n-1, narrow...), without(b), SymOf(n-1, rows))
				large.Predict(NearIdentity(n, wide...), b, noise)
				small.Observe(y, without(h), r)
				large.Observe(y, h, r)
			}
			pair = append(pair, large.Len()-1)
		}
		type smoothed struct {
			x []float64
			p Sym
		}
		back := map[int]smoothed{}
		large.Smooth(func(k int, x []float64, p Sym) { back[k] = smoothed{slices.Clone(x), p.Clone()} })
		small.Smooth(func(k int, x []float64, p Sym) {
			other := back[pair[k]]
			wide := func(i int) int {
				if len(x) < n && i >= q {
					return i + 1
				}
				return i
			}
			for i := range x {
				if want := other.x[wide(i)]; math.Abs(x[i]-want) > 1e-6*(1+math.Abs(want)) {
					t.Fatalf("stretch %d: smoothed mean %d is %g and %g", k, i, x[i], want)
				}
				for j := range x {
					if want := other.p.At(wide(i), wide(j)); math.Abs(p.At(i, j)-want) > 1e-6*(1+trace(p)) {
						t.Fatalf("stretch %d: smoothed covariance (%d, %d) is %g and %g", k, i, j, p.At(i, j), want)
					}
				}
			}
		})
	})
}

// TestSmoothIsRegression: for constants (F = I, no noise) the smoothed state is
// the filtered one at the end, everywhere.
func TestSmoothIsRegression(t *testing.T) {
	m := randomModel{rand.New(rand.NewPCG(21, 22)), 5}
	tr := newFull(m.vector(), m.covariance(3))
	for range 20 {
		tr.Predict(NearIdentity(5), nil, Sym{})
		tr.Observe(m.r.NormFloat64(), m.row(), 0.5)
	}
	end := tr.State.Clone()
	tr.Smooth(func(k int, x []float64, p Sym) {
		for i := range x {
			requireClose(t, end.X[i], x[i], 1, 1e-9, "mean %d of %d", i, k)
			requireClose(t, end.P.At(i, i), p.At(i, i), 1, 1e-9, "variance %d of %d", i, k)
		}
	})
	assert.Equal(t, end.X, tr.X)
	assert.Equal(t, end.P.a, tr.P.a)
}

func TestExtendedEqualsLinear(t *testing.T) {
	m := randomModel{rand.New(rand.NewPCG(23, 24)), 6}
	a := newFull(m.vector(), m.covariance(6))
	b := newFull(a.X, a.P)
	for range 30 {
		f, in, q := m.near(), m.vector(), m.covariance(2)
		x := make([]float64, 6)
		f.apply(x, b.X)
		for i := range x {
			x[i] += in[i]
		}
		a.Predict(f, in, q)
		b.PredictTo(x, f, q)
		y, h := m.r.NormFloat64(), m.row()
		_, s, l := a.Observe(y, h, 0.3)
		expected := b.InnovationVariance(h, 0.3)
		s2, l2 := b.UpdateScalar(y-dot(h, b.X), h, 0.3)
		require.Equal(t, s, s2)
		require.Equal(t, l, l2)
		requireClose(t, expected, s, 0, 1e-12, "innovation variance")
	}
	require.Equal(t, a.X, b.X)
	require.Equal(t, a.P.a, b.P.a)
}

func TestNothingToLearn(t *testing.T) {
	s := NewState([]float64{1, 2}, Diagonal(0, 1))
	v, l := s.UpdateScalar(0, []float64{1, 0}, 0)
	assert.Zero(t, v)
	assert.Zero(t, l)
	v, l = s.UpdateScalar(3, []float64{1, 0}, 0)
	assert.Zero(t, v)
	assert.Equal(t, math.Inf(-1), l)
	assert.Equal(t, []float64{1, 2}, s.X)
	assert.Equal(t, Diagonal(0, 1), s.P)
}

func TestPanicsNameTheNumbers(t *testing.T) {
	s := func() *State { return NewState([]float64{1, 2}, Diagonal(1, 1)) }
	assert.PanicsWithValue(t, "filter: observation row: 1 numbers where 2 fit", func() { s().UpdateScalar(1, []float64{1}, 1) })
	assert.PanicsWithValue(t, "filter: observation variance is -1, not a variance", func() { s().UpdateScalar(1, []float64{1, 0}, -1) })
	assert.PanicsWithValue(t, "filter: observation variance is NaN, not a variance", func() { s().UpdateScalar(1, []float64{1, 0}, math.NaN()) })
	assert.PanicsWithValue(t, "filter: innovation is NaN", func() { s().UpdateScalar(math.NaN(), []float64{1, 0}, 1) })
	assert.PanicsWithValue(t, "filter: transition: 3 numbers where 2 fit", func() { s().Predict(NearIdentity(3), nil, Sym{}) })
	assert.PanicsWithValue(t, "filter: noise: 3 numbers where 2 fit", func() { s().Predict(NearIdentity(2), nil, NewSym(3)) })
	assert.PanicsWithValue(t, "filter: entry at (2, 0) of a transition of 2 components", func() { NearIdentity(2, Entry{2, 0, 1}) })
	assert.PanicsWithValue(t, "filter: drop component 2 of 2", func() { s().Drop(2) })
	assert.PanicsWithValue(t, "filter: variance is -1, not a variance", func() { s().Grow(0, -1) })
	assert.PanicsWithValue(t, "filter: covariance: 2 numbers where 1 fit", func() { NewState([]float64{1}, NewSym(2)) })
	assert.PanicsWithValue(t, "filter: 3 numbers for a symmetric matrix of 2 rows", func() { SymOf(2, make([]float64, 3)) })
}

func TestNoAllocation(t *testing.T) {
	m := randomModel{rand.New(rand.NewPCG(25, 26)), 20}
	s := NewState(m.vector(), m.covariance(20))
	f, q, h, b := m.near(), m.covariance(2), m.row(), m.vector()
	s.Grow(1, 1)
	s.Drop(20)
	assert.Zero(t, testing.AllocsPerRun(20, func() {
		s.Predict(f, b, q)
		s.Observe(1, h, 1)
		s.Grow(1, 1)
		s.Drop(20)
	}))
}

// workload is the shape measured: 10 states, 4 series, all matrices changing.
type workload struct {
	x  []float64
	p  Sym
	f  []Transition
	fd [][]float64
	q  Sym
	h  [][][]float64
	y  [][]float64
	r  []float64
}

func newWorkload(steps, n, series int) workload {
	m := randomModel{rand.New(rand.NewPCG(27, 28)), n}
	w := workload{x: m.vector(), p: m.covariance(n), q: Diagonal(m.vector()...), r: []float64{0.1, 0.2, 0.3, 0.4}}
	for i := range n {
		w.q.Set(i, i, 0.01*math.Abs(w.q.At(i, i)))
	}
	for range steps {
		var e []Entry
		for i := range n {
			e = append(e, Entry{i, i, -0.05 * m.r.Float64()})
			if i%2 == 0 {
				e = append(e, Entry{i, m.r.IntN(n), 0.03 * m.r.NormFloat64()})
			}
		}
		f := NearIdentity(n, e...)
		w.f = append(w.f, f)
		w.fd = append(w.fd, f.matrix().RawMatrix().Data)
		h := make([][]float64, series)
		y := make([]float64, series)
		for k := range h {
			h[k] = make([]float64, n)
			for range 3 {
				h[k][m.r.IntN(n)] = m.r.NormFloat64()
			}
			y[k] = m.r.NormFloat64()
		}
		w.h, w.y = append(w.h, h), append(w.y, y)
	}
	return w
}

func (w workload) run(dense bool) (*fullTrack, float64) {
	tr := newFull(w.x, w.p)
	total, n := 0.0, len(w.x)
	for k := range w.f {
		if k > 0 {
			f := w.f[k-1]
			if dense {
				f = Dense(n, w.fd[k-1])
			}
			tr.Predict(f, nil, w.q)
		}
		for i, h := range w.h[k] {
			_, _, l := tr.Observe(w.y[k][i], h, w.r[i])
			total += l
		}
	}
	return tr, total
}

// gonum is the same filter and smoother with gonum's matrices, all series at
// once. It returns the log likelihood and the smoothed means of the first step.
func (w workload) gonum() (float64, []float64) {
	n, series := len(w.x), len(w.r)
	type record struct {
		f      *mat.Dense
		xf, xp *mat.VecDense
		pf, pp *mat.SymDense
	}
	var records []record
	x, p := mat.NewVecDense(n, slices.Clone(w.x)), symDense(w.p)
	q := symDense(w.q)
	total := 0.0
	for k := range w.f {
		if k > 0 {
			f := mat.NewDense(n, n, w.fd[k-1])
			rec := record{f: f, xf: mat.VecDenseCopyOf(x), pf: mat.NewSymDense(n, nil)}
			rec.pf.CopySym(p)
			var t, fp mat.Dense
			t.Mul(f, p)
			fp.Mul(&t, f.T())
			for i := range n {
				for j := i; j < n; j++ {
					p.SetSym(i, j, fp.At(i, j)+q.At(i, j))
				}
			}
			var nx mat.VecDense
			nx.MulVec(f, x)
			x.CopyVec(&nx)
			rec.xp, rec.pp = mat.VecDenseCopyOf(x), mat.NewSymDense(n, nil)
			rec.pp.CopySym(p)
			records = append(records, rec)
		}
		h := mat.NewDense(series, n, flat(w.h[k]))
		var ph, hph mat.Dense
		ph.Mul(p, h.T())
		hph.Mul(h, &ph)
		s := mat.NewSymDense(series, nil)
		for i := range series {
			for j := i; j < series; j++ {
				v := hph.At(i, j)
				if i == j {
					v += w.r[i]
				}
				s.SetSym(i, j, v)
			}
		}
		var chol mat.Cholesky
		if !chol.Factorize(s) {
			panic("not positive definite")
		}
		var nu, z mat.VecDense
		nu.MulVec(h, x)
		nu.SubVec(mat.NewVecDense(series, w.y[k]), &nu)
		if err := chol.SolveVecTo(&z, &nu); err != nil {
			panic(err)
		}
		total -= 0.5 * (float64(series)*math.Log(2*math.Pi) + chol.LogDet() + mat.Dot(&nu, &z))
		var gain, drop mat.Dense
		if err := chol.SolveTo(&gain, ph.T()); err != nil {
			panic(err)
		}
		var dx mat.VecDense
		dx.MulVec(gain.T(), &nu)
		x.AddVec(x, &dx)
		drop.Mul(&ph, &gain)
		for i := range n {
			for j := i; j < n; j++ {
				p.SetSym(i, j, p.At(i, j)-drop.At(i, j))
			}
		}
	}
	xs := mat.VecDenseCopyOf(x)
	ps := mat.NewSymDense(n, nil)
	ps.CopySym(p)
	for _, rec := range slices.Backward(records) {
		var chol mat.Cholesky
		if !chol.Factorize(rec.pp) {
			panic("not positive definite")
		}
		var fp, ct, t, u mat.Dense
		fp.Mul(rec.f, rec.pf)
		if err := chol.SolveTo(&ct, &fp); err != nil {
			panic(err)
		}
		var d, dx mat.VecDense
		d.SubVec(xs, rec.xp)
		dx.MulVec(ct.T(), &d)
		xs.AddVec(rec.xf, &dx)
		diff := mat.NewSymDense(n, nil)
		for i := range n {
			for j := i; j < n; j++ {
				diff.SetSym(i, j, ps.At(i, j)-rec.pp.At(i, j))
			}
		}
		t.Mul(diff, &ct)
		u.Mul(ct.T(), &t)
		for i := range n {
			for j := i; j < n; j++ {
				ps.SetSym(i, j, rec.pf.At(i, j)+u.At(i, j))
			}
		}
	}
	return total, xs.RawVector().Data
}

func TestAgainstGonum(t *testing.T) {
	w := newWorkload(300, 10, 4)
	want, first := w.gonum()
	for _, dense := range []bool{false, true} {
		tr, total := w.run(dense)
		requireClose(t, want, total, 1, 1e-9, "loglik")
		tr.Smooth(func(k int, x []float64, p Sym) {
			if k == 0 {
				for i := range x {
					requireClose(t, first[i], x[i], 1, 1e-8, "smoothed mean %d", i)
				}
			}
		})
	}
}

func BenchmarkFilterAndSmooth(b *testing.B) {
	const steps = 10000
	w := newWorkload(steps, 10, 4)
	perStep := func(b *testing.B) {
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/steps, "ns/step")
	}
	for _, form := range []string{"near-identity", "dense"} {
		b.Run("states=10/series=4/by="+form, func(b *testing.B) {
			for b.Loop() {
				tr, _ := w.run(form == "dense")
				tr.Smooth(func(int, []float64, Sym) {})
			}
			perStep(b)
		})
		b.Run("states=10/series=4/forward/by="+form, func(b *testing.B) {
			for b.Loop() {
				w.run(form == "dense")
			}
			perStep(b)
		})
	}
	b.Run("states=10/series=4/by=gonum", func(b *testing.B) {
		for b.Loop() {
			w.gonum()
		}
		perStep(b)
	})
}

// fullTrack marks the end of every stretch between two transitions, so that all
// of a track can be compared.
type fullTrack struct{ *Track }

func newFull(x []float64, p Sym) *fullTrack { return &fullTrack{NewTrack(x, p)} }

func (t *fullTrack) Predict(f Transition, b []float64, q Sym) { t.Mark(); t.Track.Predict(f, b, q) }
func (t *fullTrack) PredictTo(x []float64, f Transition, q Sym) {
	t.Mark()
	t.Track.PredictTo(x, f, q)
}
func (t *fullTrack) Grow(mean, variance float64) int { t.Mark(); return t.Track.Grow(mean, variance) }
func (t *fullTrack) Drop(i int)                      { t.Mark(); t.Track.Drop(i) }
func (t *fullTrack) Len() int                        { return t.marks + 1 }

// Smooth visits every stretch, the last one first.
func (t *fullTrack) Smooth(visit func(stretch int, x []float64, p Sym)) {
	t.Mark()
	t.Track.Smooth(nil, visit)
}

// TestPieces: a track that is cut in two says what the whole one says.
func TestPieces(t *testing.T) {
	w := newWorkload(60, 6, 3)
	whole, _ := w.run(false)
	type smoothed struct {
		x []float64
		p Sym
	}
	var want []smoothed
	whole.Smooth(func(_ int, x []float64, p Sym) { want = append(want, smoothed{slices.Clone(x), p.Clone()}) })
	first := newFull(w.x, w.p)
	step := func(tr *fullTrack, k int) {
		if k > 0 {
			tr.Predict(w.f[k-1], nil, w.q)
		}
		for i, h := range w.h[k] {
			tr.Observe(w.y[k][i], h, w.r[i])
		}
	}
	for k := range 25 {
		step(first, k)
	}
	second := newFull(first.X, first.P)
	for k := 25; k < 60; k++ {
		step(second, k)
	}
	var got []smoothed
	visit := func(_ int, x []float64, p Sym) { got = append(got, smoothed{slices.Clone(x), p.Clone()}) }
	second.Mark()
	before := second.Track.Smooth(nil, visit)
	first.Track.Smooth(before, visit)
	// The last stretch of the first piece is marked by the second, before its
	// first transition.
	require.Len(t, got, len(want))
	for k := range want {
		for i := range 6 {
			requireClose(t, want[k].x[i], got[k].x[i], 1, 1e-9, "mean %d of mark %d", i, k)
			requireClose(t, want[k].p.At(i, i), got[k].p.At(i, i), 1, 1e-9, "variance %d of mark %d", i, k)
		}
	}
	require.PanicsWithValue(t, "filter: adjoint: 6 numbers where 7 fit", func() { newFull(make([]float64, 7), NewSym(7)).Track.Smooth(before, nil) })
}
