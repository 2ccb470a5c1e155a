package linprog

import (
	"fmt"
	"math"
	"slices"
)

// Tolerances hold in the scaled problem, where coefficients, limits and costs
// are of the order of one. Double precision carries 1e-16, a few dozen pivots
// lose up to four digits of it: what is smaller than 1e-9 is noise.
const (
	feasTol  = 1e-9  // a limit counts as kept up to this, relative to 1+|limit|
	costTol  = 1e-9  // a reduced cost below this promises no gain
	pivotTol = 1e-9  // a smaller pivot would multiply rounding errors
	noiseTol = 1e-13 // a smaller price is rounding, and is given as 0
	stepTol  = 1e-12 // a shorter step is a stall
	driftTol = 1e-11 // a larger residual makes the tableau be computed afresh
	checkTol = 1e-7  // what the answer may miss a row by, relative to its terms

	pivotsBetweenRefreshes = 60
)

type outcome int

const (
	optimal outcome = iota
	infeasible
	unbounded
	stuck
)

type place int8

const (
	atLower place = iota
	atUpper
	atZero // a free variable that is not in the basis
	inBasis
)

// tableau is the condensed simplex tableau. The variables are the n of the
// problem followed by one logical variable per row, y_i = row_i·x, whose bounds
// are the row's limits; so rows need no slack and no artificial variables, and
// every basic variable is a linear function of the non-basic ones without a
// constant: x_basic[r] = Σ_c t[r][c]·x_nonbasic[c].
type tableau struct {
	m, n     int
	a        []float64 // scaled coefficients, m rows of n
	t        []float64 // tableau, m rows of n
	basic    []int     // variable of each tableau row
	nonbasic []int     // variable of each tableau column
	place    []place   // per variable
	lo, up   []float64 // per variable, scaled
	x        []float64 // per variable, scaled
	cost     []float64 // per variable, scaled; logical variables cost nothing

	d     []float64 // gradient by tableau column
	sigma []float64 // per tableau row: -1 below its lower bound, +1 above its upper, else 0

	pivots   int // since the last refresh
	patience int // steps of no length before Bland's rule takes over

	rowScale, colScale []float64 // scaled a = rowScale·a·colScale
	unit               float64   // size of the limits: x = colScale·unit·scaled x
	costScale          float64
}

func newTableau(p Problem) *tableau {
	m, n := len(p.Rows), len(p.Cost)
	floats := make([]float64, 2*m*n+4*(n+m)+2*(n+m))
	take := func(k int) []float64 {
		s := floats[:k:k]
		floats = floats[k:]
		return s
	}
	ints := make([]int, m+n)
	w := &tableau{
		m: m, n: n,
		a: take(m * n), t: take(m * n),
		lo: take(n + m), up: take(n + m), x: take(n + m), cost: take(n + m),
		d: take(n), sigma: take(m), rowScale: take(m), colScale: take(n),
		basic: ints[:m:m], nonbasic: ints[m:],
		place: make([]place, n+m),
		unit:  1, costScale: 1, patience: 20 + m + n,
	}
	for i, r := range p.Rows {
		copy(w.a[i*n:], r.Coeff)
	}
	w.scale()
	for j := range n {
		w.lo[j], w.up[j] = p.bounds(j)
		w.lo[j] /= w.colScale[j]
		w.up[j] /= w.colScale[j]
	}
	for i, r := range p.Rows {
		w.lo[n+i], w.up[n+i] = r.Lo*w.rowScale[i], r.Hi*w.rowScale[i]
	}
	w.scaleLimits()
	w.start()
	return w
}

// scale makes the coefficients comparable: rows and columns are divided by the
// geometric mean of their smallest and largest entry, in powers of two so that
// nothing is rounded.
func (w *tableau) scale() {
	for i := range w.rowScale {
		w.rowScale[i] = 1
	}
	for j := range w.colScale {
		w.colScale[j] = 1
	}
	for range 4 * min(1, w.m) {
		for i := range w.m {
			f := middle(w.a[i*w.n:(i+1)*w.n], 1)
			w.rowScale[i] *= f
			for j := range w.n {
				w.a[i*w.n+j] *= f
			}
		}
		for j := range w.n {
			f := middle(w.a[j:], w.n)
			w.colScale[j] *= f
			for i := range w.m {
				w.a[i*w.n+j] *= f
			}
		}
	}
}

// middle gives the power of two that brings the smallest and the largest of
// every stride-th entry equally far from one.
func middle(v []float64, stride int) float64 {
	least, most := math.MaxInt, math.MinInt
	for k := 0; k < len(v); k += stride {
		if v[k] != 0 {
			_, e := math.Frexp(v[k])
			least, most = min(least, e), max(most, e)
		}
	}
	if least > most {
		return 1
	}
	return math.Ldexp(1, -(least+most)/2)
}

// scaleLimits divides all limits by the power of two nearest to their geometric
// mean, so that the answer does not depend on whether grams or tonnes are meant.
func (w *tableau) scaleLimits() {
	sum, count := 0, 0
	for _, s := range [][]float64{w.lo, w.up} {
		for _, v := range s {
			if v != 0 && !math.IsInf(v, 0) {
				_, e := math.Frexp(v)
				sum += e
				count++
			}
		}
	}
	if count == 0 {
		return
	}
	w.unit = math.Ldexp(1, int(math.Round(float64(sum)/float64(count))))
	for k := range w.lo {
		w.lo[k] /= w.unit
		w.up[k] /= w.unit
	}
}

// setCost takes an aim in the problem's units.
func (w *tableau) setCost(c []float64) {
	biggest := 0.0
	for j, v := range c {
		w.cost[j] = v * w.colScale[j]
		biggest = max(biggest, math.Abs(w.cost[j]))
	}
	w.costScale = 1
	if biggest > 0 && !math.IsInf(biggest, 0) {
		_, e := math.Frexp(biggest)
		w.costScale = math.Ldexp(1, -e)
	}
	for j := range c {
		w.cost[j] *= w.costScale
	}
}

// start makes the logical variables basic and puts every other one at the bound
// nearest to zero.
func (w *tableau) start() {
	copy(w.t, w.a)
	for j := range w.n {
		w.nonbasic[j] = j
		w.park(j)
	}
	for i := range w.m {
		w.basic[i] = w.n + i
		w.place[w.n+i] = inBasis
	}
	w.pivots = 0
	w.evaluate()
}

// park puts a non-basic variable at its bound nearest to where it is.
func (w *tableau) park(v int) {
	lo, up := w.lo[v], w.up[v]
	switch {
	case math.IsInf(lo, -1) && math.IsInf(up, 1):
		w.place[v], w.x[v] = atZero, 0
	case math.IsInf(up, 1) || math.Abs(w.x[v]-lo) <= math.Abs(w.x[v]-up):
		w.place[v], w.x[v] = atLower, lo
	default:
		w.place[v], w.x[v] = atUpper, up
	}
}

// evaluate computes the basic variables from the non-basic ones.
func (w *tableau) evaluate() {
	for r, v := range w.basic {
		s := 0.0
		for c, tv := range w.t[r*w.n : (r+1)*w.n] {
			if tv != 0 {
				s += tv * w.x[w.nonbasic[c]]
			}
		}
		w.x[v] = s
	}
}

// refresh computes the tableau of the present basis from the coefficients by
// Gaussian elimination with full pivoting. A variable that turns out dependent
// on the rest of the basis leaves it.
func (w *tableau) refresh() {
	n := w.n
	wanted := make([]bool, n+w.m)
	for _, v := range w.basic {
		wanted[v] = true
	}
	copy(w.t, w.a)
	for j := range n {
		w.nonbasic[j] = j
	}
	for i := range w.m {
		w.basic[i] = n + i
	}
	for {
		br, bc, best := -1, -1, pivotTol/100
		for r, leave := range w.basic {
			if wanted[leave] {
				continue
			}
			for c, enter := range w.nonbasic {
				if v := math.Abs(w.t[r*n+c]); wanted[enter] && v > best {
					br, bc, best = r, c, v
				}
			}
		}
		if br < 0 {
			break
		}
		w.exchange(br, bc, nil)
	}
	for _, v := range w.nonbasic {
		if w.place[v] == inBasis {
			w.park(v)
		}
	}
	for _, v := range w.basic {
		w.place[v] = inBasis
	}
	w.pivots = 0
	w.evaluate()
}

// exchange swaps the variable of row r with the variable of column c and, where
// d is not nil, carries the gradient along.
func (w *tableau) exchange(r, c int, d []float64) {
	n := w.n
	row := w.t[r*n : (r+1)*n]
	inverse := 1 / row[c]
	for k := range row {
		row[k] *= -inverse
	}
	row[c] = inverse
	for i := range w.m {
		if i != r {
			eliminate(w.t[i*n:(i+1)*n], row, c)
		}
	}
	if d != nil {
		eliminate(d, row, c)
	}
	w.basic[r], w.nonbasic[c] = w.nonbasic[c], w.basic[r]
	w.pivots++
}

func eliminate(dst, row []float64, c int) {
	f := dst[c]
	if f == 0 {
		return
	}
	dst[c] = 0
	for k, v := range row {
		dst[k] += f * v
	}
}

// drift measures how far the tableau has wandered from the coefficients: in the
// values (rows against their logical variables) and in the prices.
func (w *tableau) drift(d []float64) float64 {
	n, worst := w.n, 0.0
	for i := range w.m {
		s, size := -w.x[n+i], 1.0+math.Abs(w.x[n+i])
		for j, a := range w.a[i*n : (i+1)*n] {
			s += a * w.x[j]
			size += math.Abs(a * w.x[j])
		}
		worst = max(worst, math.Abs(s)/size)
	}
	if d == nil {
		return worst
	}
	price, reduced := w.prices(d)
	for j := range n {
		s, size := w.cost[j]-reduced[j], 1.0
		for i := range w.m {
			s -= price[i] * w.a[i*n+j]
			size += math.Abs(price[i] * w.a[i*n+j])
		}
		worst = max(worst, math.Abs(s)/size)
	}
	return worst
}

// prices sorts the gradient by row and by variable, scaled.
func (w *tableau) prices(d []float64) (price, reduced []float64) {
	price, reduced = make([]float64, w.m), make([]float64, w.n)
	for c, v := range w.nonbasic {
		switch {
		case math.Abs(d[c]) <= noiseTol:
		case v >= w.n:
			price[v-w.n] = d[c]
		default:
			reduced[v] = d[c]
		}
	}
	return price, reduced
}

// markInfeasible fills sigma and reports whether any basic variable is outside
// its bounds.
func (w *tableau) markInfeasible() bool {
	any := false
	for r, v := range w.basic {
		w.sigma[r] = 0
		switch x := w.x[v]; {
		case x < w.lo[v]-feasTol*(1+math.Abs(w.lo[v])):
			w.sigma[r], any = -1, true
		case x > w.up[v]+feasTol*(1+math.Abs(w.up[v])):
			w.sigma[r], any = 1, true
		}
	}
	return any
}

// gradient fills d with the slope of the sum of infeasibilities (phase one) or
// of the cost by each non-basic variable.
func (w *tableau) gradient(phaseOne bool) {
	for c, v := range w.nonbasic {
		w.d[c] = 0
		if !phaseOne {
			w.d[c] = w.cost[v]
		}
	}
	for r, v := range w.basic {
		f := w.sigma[r]
		if !phaseOne {
			f = w.cost[v]
		}
		if f == 0 {
			continue
		}
		for c, tv := range w.t[r*w.n : (r+1)*w.n] {
			w.d[c] += f * tv
		}
	}
}

// price chooses the column to enter and its direction: the steepest, or the
// variable of least index under Bland's rule. It gives -1 where none promises a
// gain.
func (w *tableau) price(bland bool) (col int, dir float64) {
	col = -1
	best := 0.0
	for c, v := range w.nonbasic {
		d := w.d[c]
		if math.Abs(d) <= costTol || w.lo[v] == w.up[v] ||
			w.place[v] == atLower && d > 0 || w.place[v] == atUpper && d < 0 {
			continue
		}
		if bland {
			if col < 0 || v < w.nonbasic[col] {
				col = c
			}
		} else if math.Abs(d) > best {
			col, best = c, math.Abs(d)
		}
	}
	if col >= 0 {
		dir = math.Copysign(1, -w.d[col])
	}
	return col, dir
}

// room is how far the basic variable of row r can go at slope s before its next
// bound; an infeasible one stops at the bound it violates.
func (w *tableau) room(r int, s float64) float64 {
	v := w.basic[r]
	x, lo, up := w.x[v], w.lo[v], w.up[v]
	switch sigma := w.sigma[r]; {
	case s > 0 && sigma < 0:
		return lo - x
	case s < 0 && sigma > 0:
		return x - up
	case sigma != 0:
		return math.Inf(1)
	case s > 0:
		return max(0, up-x)
	default:
		return max(0, x-lo)
	}
}

// ratio finds how far the entering variable can go and the row that stops it
// (-1: its own opposite bound, or nothing). Under Bland's rule ties go to the
// variable of least index, otherwise, within the tolerance, to the largest pivot
// (P. M. J. Harris, "Pivot selection methods of the Devex LP code", Math.
// Programming 5, 1973).
func (w *tableau) ratio(col int, dir float64, bland bool) (row int, step float64) {
	v := w.nonbasic[col]
	own := w.up[v] - w.lo[v]
	reach := math.Inf(1)
	for r := range w.m {
		if s := w.t[r*w.n+col] * dir; math.Abs(s) > pivotTol {
			slack := feasTol
			if bland {
				slack = 0
			}
			reach = min(reach, (w.room(r, s)+slack)/math.Abs(s))
		}
	}
	row, step = -1, own
	if reach > own {
		return row, step
	}
	if bland {
		reach += stepTol * (1 + reach)
	}
	best := 0.0
	for r := range w.m {
		s := w.t[r*w.n+col] * dir
		if math.Abs(s) <= pivotTol {
			continue
		}
		length := w.room(r, s) / math.Abs(s)
		if length > reach || math.IsInf(length, 1) {
			continue
		}
		if bland {
			if row < 0 || w.basic[r] < w.basic[row] {
				row, step = r, length
			}
		} else if math.Abs(s) > best {
			row, step, best = r, length, math.Abs(s)
		}
	}
	return row, step
}

// minimise runs both phases from the present basis.
func (w *tableau) minimise() outcome {
	phaseTwoD := false
	stall, bland := 0, false
	limit := 2000 + 200*(w.m+w.n)
	for range limit {
		if w.pivots >= pivotsBetweenRefreshes {
			w.refresh()
			phaseTwoD = false
		}
		phaseOne := w.markInfeasible()
		if phaseOne || !phaseTwoD {
			w.gradient(phaseOne)
			phaseTwoD = !phaseOne
		}
		col, dir := w.price(bland)
		if col < 0 {
			d := w.d
			if phaseOne {
				d = nil
			}
			// Infeasibility is a grave thing to report: never on an old tableau.
			if w.pivots > 0 && (phaseOne || !(w.drift(d) <= driftTol)) {
				w.refresh()
				phaseTwoD = false
				continue
			}
			if phaseOne {
				return infeasible
			}
			return optimal
		}
		row, step := w.ratio(col, dir, bland)
		if math.IsInf(step, 1) {
			if w.pivots > 0 {
				w.refresh()
				phaseTwoD = false
				continue
			}
			if phaseOne {
				return stuck
			}
			return unbounded
		}
		if math.IsNaN(step) {
			return stuck
		}
		w.move(col, dir, row, step, phaseTwoD)
		if step > stepTol {
			stall, bland = 0, false
		} else if stall++; stall > w.patience {
			bland = true
		}
	}
	return stuck
}

// move carries out a step and, where a row stopped it, the exchange.
func (w *tableau) move(col int, dir float64, row int, step float64, keepD bool) {
	enter := w.nonbasic[col]
	if step > 0 {
		for r, v := range w.basic {
			w.x[v] += w.t[r*w.n+col] * dir * step
		}
		w.x[enter] += dir * step
	}
	if row < 0 {
		if w.place[enter] == atLower {
			w.place[enter], w.x[enter] = atUpper, w.up[enter]
		} else {
			w.place[enter], w.x[enter] = atLower, w.lo[enter]
		}
		return
	}
	leave := w.basic[row]
	rising := w.t[row*w.n+col]*dir > 0
	if w.sigma[row] != 0 {
		// One that was outside stops at the bound it came back to, which is
		// its lower bound when it rises.
		rising = !rising
	}
	if rising {
		w.place[leave], w.x[leave] = atUpper, w.up[leave]
	} else {
		w.place[leave], w.x[leave] = atLower, w.lo[leave]
	}
	w.place[enter] = inBasis
	var d []float64
	if keepD {
		d = w.d
	}
	w.exchange(row, col, d)
}

// pinOptimalFace holds every non-basic variable that has a price where it is:
// what remains free is exactly the set of optimal points.
func (w *tableau) pinOptimalFace() {
	for c, v := range w.nonbasic {
		if math.Abs(w.d[c]) > costTol {
			w.lo[v], w.up[v] = w.x[v], w.x[v]
		}
	}
}

func (w *tableau) solution(cost []float64) Solution {
	price, reduced := w.prices(w.d)
	x := make([]float64, w.n)
	for j := range x {
		// A basic variable may be outside by the tolerance.
		x[j] = min(max(w.x[j], w.lo[j]), w.up[j]) * w.colScale[j] * w.unit
		if x[j] == 0 {
			x[j] = 0 // no minus zero
		}
		reduced[j] /= w.colScale[j] * w.costScale
	}
	for i := range price {
		price[i] *= w.rowScale[i] / w.costScale
	}
	return Solution{X: x, Cost: dot(cost, x), Dual: price, Reduced: reduced}
}

// side is one limit of one variable of the tableau.
type side struct {
	v    int
	high bool
}

// certificate reads Farkas' multipliers off an infeasible tableau: the limits
// that are violated, and those that keep the violation from shrinking.
func (w *tableau) certificate() []side {
	var sides []side
	for r, v := range w.basic {
		if w.sigma[r] != 0 {
			sides = append(sides, side{v, w.sigma[r] > 0})
		}
	}
	for c, v := range w.nonbasic {
		if d := w.d[c]; math.Abs(d) > costTol {
			sides = append(sides, side{v, d < 0})
		}
	}
	return sides
}

// only gives a tableau of the same coefficients in which nothing but the given
// limits holds.
func (w *tableau) only(sides []side) *tableau {
	u := *w
	u.t = make([]float64, len(w.t))
	u.d, u.sigma = make([]float64, w.n), make([]float64, w.m)
	u.basic, u.nonbasic = make([]int, w.m), make([]int, w.n)
	u.place = make([]place, w.n+w.m)
	u.x, u.cost = make([]float64, w.n+w.m), make([]float64, w.n+w.m)
	u.lo, u.up = make([]float64, w.n+w.m), make([]float64, w.n+w.m)
	for v := range u.lo {
		u.lo[v], u.up[v] = math.Inf(-1), math.Inf(1)
	}
	for _, s := range sides {
		if s.high {
			u.up[s.v] = w.up[s.v]
		} else {
			u.lo[s.v] = w.lo[s.v]
		}
	}
	u.start()
	return &u
}

// filterMost bounds the work of the deletion filter; a larger certificate is
// reported as it stands.
const filterMost = 200

// conflict shrinks the certificate by the deletion filter (J. W. Chinneck and
// E. W. Dravnieks, "Locating minimal infeasible constraint sets in linear
// programs", ORSA J. Comput. 3, 1991): a limit without which the rest is still
// infeasible is not to blame.
func (w *tableau) conflict(p Problem) *Infeasible {
	sides := w.certificate()
	if len(sides) <= filterMost {
		for k := 0; k < len(sides); {
			rest := slices.Delete(slices.Clone(sides), k, k+1)
			u := w.only(rest)
			if u.minimise() != infeasible {
				k++
				continue
			}
			// The smaller certificate may spare further limits, never one
			// already found necessary.
			smaller := u.certificate()
			sides = slices.DeleteFunc(rest, func(s side) bool { return !slices.Contains(smaller, s) })
			k = min(k, len(sides))
		}
	}
	slices.SortFunc(sides, func(a, b side) int { return w.rank(a) - w.rank(b) })
	e := &Infeasible{}
	for _, s := range sides {
		l := Limit{Row: -1, Variable: -1, High: s.high}
		if s.v >= w.n {
			l.Row = s.v - w.n
			l.Name = p.rowName(l.Row)
			l.Value = p.Rows[l.Row].Lo
			if s.high {
				l.Value = p.Rows[l.Row].Hi
			}
			e.Rows = append(e.Rows, l.Name)
		} else {
			l.Variable = s.v
			l.Name = fmt.Sprintf("x[%d]", s.v)
			lo, hi := p.bounds(s.v)
			l.Value = lo
			if s.high {
				l.Value = hi
			}
			e.Bounds = append(e.Bounds, s.v)
		}
		e.Limits = append(e.Limits, l)
	}
	e.Rows, e.Bounds = slices.Compact(e.Rows), slices.Compact(e.Bounds)
	return e
}

// rank orders limits as a reader expects them: rows before variables.
func (w *tableau) rank(s side) int {
	r := 2 * s.v
	if s.v < w.n {
		r += 2 * (w.n + w.m)
	}
	if s.high {
		r++
	}
	return r
}
