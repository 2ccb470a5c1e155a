package filter

import "fmt"

// Sym is a symmetric matrix, n by n, both halves stored. Copies share their
// numbers; [Sym.Clone] makes a separate one. The zero value has no rows.
type Sym struct {
	n int
	a []float64
}

// NewSym returns the n by n matrix of zeros.
func NewSym(n int) Sym { return Sym{n, make([]float64, n*n)} }

// Diagonal returns the matrix with d on its diagonal and zeros elsewhere.
func Diagonal(d ...float64) Sym {
	s := NewSym(len(d))
	for i, v := range d {
		s.a[i*s.n+i] = v
	}
	return s
}

// SymOf returns the matrix with the given rows, n*n numbers, of which the upper
// half counts. It panics if the count does not fit.
func SymOf(n int, rows []float64) Sym {
	if len(rows) != n*n {
		panic(fmt.Sprintf("filter: %d numbers for a symmetric matrix of %d rows", len(rows), n))
	}
	s := NewSym(n)
	copy(s.a, rows)
	s.mirror()
	return s
}

// N returns the number of rows.
func (s Sym) N() int { return s.n }

// At returns the entry in row i and column j.
func (s Sym) At(i, j int) float64 { return s.Row(i)[j] }

// Set puts v at (i, j) and (j, i).
func (s Sym) Set(i, j int, v float64) {
	s.Row(i)[j] = v
	s.Row(j)[i] = v
}

// Add adds v at (i, j) and, where that is another place, at (j, i).
func (s Sym) Add(i, j int, v float64) { s.Set(i, j, s.At(i, j)+v) }

// Zero sets every entry to zero.
func (s Sym) Zero() { clear(s.a) }

// Row returns row i, which is also column i. It is a view: to be read only.
func (s Sym) Row(i int) []float64 { return s.a[i*s.n : (i+1)*s.n : (i+1)*s.n] }

// Clone returns a copy that shares nothing.
func (s Sym) Clone() Sym { return Sym{s.n, append([]float64(nil), s.a...)} }

// Quadratic returns g'·S·g, for a covariance the variance of the weighted sum
// g·x. g has n numbers.
func (s Sym) Quadratic(g []float64) float64 {
	mustMatch("weights", len(g), s.n)
	sum := 0.0
	for i, gi := range g {
		if gi != 0 {
			sum += gi * dot(s.Row(i), g)
		}
	}
	return sum
}

// mirror makes the lower half equal to the upper one.
func (s Sym) mirror() {
	for i := 1; i < s.n; i++ {
		row := s.a[i*s.n : i*s.n+i]
		for j := range row {
			row[j] = s.a[j*s.n+i]
		}
	}
}

// resize gives a matrix of n rows with room from s where it suffices; the
// numbers are left as they come.
func (s Sym) resize(n int) Sym { return Sym{n, grown(s.a, n*n)} }

// without gives s less row and column i, in place.
func (s Sym) without(i int) Sym {
	k := 0
	for r := range s.n {
		for c := range s.n {
			if r != i && c != i {
				s.a[k] = s.a[r*s.n+c]
				k++
			}
		}
	}
	return Sym{s.n - 1, s.a[:k]}
}

// Entry is one number in a sparse matrix.
type Entry struct {
	Row, Col int
	Value    float64
}

// Transition is the matrix F that carries a state from one time to the next.
type Transition struct {
	n     int
	dense []float64
	extra []Entry
}

// Dense returns the transition with the given rows, n*n numbers, which it keeps
// a reference to. It panics if the count does not fit.
func Dense(n int, rows []float64) Transition {
	mustMatch("transition", len(rows), n*n)
	return Transition{n: n, dense: rows}
}

// NearIdentity returns F = I + E for a state of n components, with E given by
// its entries (several at one place add up), which it keeps a reference to. A
// prediction then costs n numbers per entry instead of n² per row. It panics if
// an entry lies outside.
func NearIdentity(n int, extra ...Entry) Transition {
	for _, e := range extra {
		if e.Row < 0 || e.Row >= n || e.Col < 0 || e.Col >= n {
			panic(fmt.Sprintf("filter: entry at (%d, %d) of a transition of %d components", e.Row, e.Col, n))
		}
	}
	return Transition{n: n, extra: extra}
}

// apply fills y with F·x; the two must not overlap.
func (f Transition) apply(y, x []float64) {
	if f.dense != nil {
		for i := range y {
			y[i] = dot(f.dense[i*f.n:(i+1)*f.n], x)
		}
		return
	}
	copy(y, x)
	for _, e := range f.extra {
		y[e.Row] += e.Value * x[e.Col]
	}
}

// timesTransposed fills t with P·F' by rows, F dense.
func (f Transition) timesTransposed(t []float64, p Sym) {
	n := f.n
	for i := range n {
		pi, ti := p.Row(i), t[i*n:(i+1)*n]
		for j := range ti {
			ti[j] = dot(f.dense[j*n:(j+1)*n], pi)
		}
	}
}

// propagate replaces p by F·p·F', with t for scratch.
func (f Transition) propagate(p Sym, t []float64) {
	n := f.n
	if f.dense == nil {
		nearIdentity{f.extra, false}.sandwich(p, t)
		return
	}
	f.timesTransposed(t, p)
	// Row i of F·T, T = P·F', as a sum of rows of T.
	for i := range n {
		pi := p.a[i*n+i : (i+1)*n]
		clear(pi)
		for k, v := range f.dense[i*n : (i+1)*n] {
			if v != 0 {
				axpy(pi, v, t[k*n+i:(k+1)*n])
			}
		}
	}
	p.mirror()
}

// nearIdentity is G = I + E, or I + E' where it is turned.
type nearIdentity struct {
	extra  []Entry
	turned bool
}

// most is how many rows a nearIdentity can have for its sandwich to need no
// allocation.
const most = 64

// sandwich replaces the symmetric a by G·a·G', with t, n*n, for scratch. Only rows
// and columns of G's entries change, and of those that both the rows give: what a
// changed row has in an unchanged column needs no second product.
func (g nearIdentity) sandwich(a Sym, t []float64) {
	if len(g.extra) == 0 {
		return
	}
	n := a.n
	var room [2 * most]int
	slot, changed := room[:most], room[most:most] // slot is 1 + the place of a row in changed
	if n > most {
		slot, changed = make([]int, n), make([]int, 0, n)
	}
	for _, e := range g.extra {
		row := e.Row
		if g.turned {
			row = e.Col
		}
		if slot[row] == 0 {
			copy(t[len(changed)*n:], a.a[row*n:(row+1)*n])
			changed = append(changed, row)
			slot[row] = len(changed)
		}
	}
	for _, e := range g.extra { // G·a
		row, col := e.Row, e.Col
		if g.turned {
			row, col = col, row
		}
		old := a.a[col*n : (col+1)*n]
		if k := slot[col]; k > 0 {
			old = t[(k-1)*n : k*n]
		}
		axpy(a.a[row*n:(row+1)*n], e.Value, old)
	}
	for _, i := range changed { // (G·a)·G'
		row := a.a[i*n : (i+1)*n]
		old := t[:n]
		copy(old, row)
		if g.turned {
			for _, e := range g.extra {
				row[e.Col] += e.Value * old[e.Row]
			}
			continue
		}
		for k := 0; k < len(g.extra); { // entries of one row mostly follow each other
			to, sum := g.extra[k].Row, 0.0
			for ; k < len(g.extra) && g.extra[k].Row == to; k++ {
				sum += g.extra[k].Value * old[g.extra[k].Col]
			}
			row[to] += sum
		}
	}
	for j := range n {
		row := a.a[j*n : (j+1)*n]
		if slot[j] == 0 {
			for _, i := range changed {
				row[i] = a.a[i*n+j]
			}
			continue
		}
		for _, i := range changed {
			if i < j {
				row[i] = a.a[i*n+j]
			}
		}
	}
}

// dot keeps two sums, since one has to wait for each addition to finish.
func dot(a, b []float64) float64 {
	b = b[:len(a)]
	s, t := 0.0, 0.0
	i := 0
	for ; i+1 < len(a); i += 2 {
		s += a[i] * b[i]
		t += a[i+1] * b[i+1]
	}
	if i < len(a) {
		s += a[i] * b[i]
	}
	return s + t
}

// axpy adds f·x to y.
func axpy(y []float64, f float64, x []float64) {
	x = x[:len(y)]
	for i := range y {
		y[i] += f * x[i]
	}
}

// grown gives n numbers, whatever they are, with room from s where it suffices.
func grown(s []float64, n int) []float64 {
	if cap(s) >= n {
		return s[:n]
	}
	return make([]float64, n, n+n/4)
}

func mustMatch(what string, got, want int) {
	if got != want {
		panic(fmt.Sprintf("filter: %s: %d numbers where %d fit", what, got, want))
	}
}

func mustBeVariance(what string, v float64) {
	if !(v >= 0) {
		panic(fmt.Sprintf("filter: %s is %g, not a variance", what, v))
	}
}
