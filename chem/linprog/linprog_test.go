package linprog

import (
	"bufio"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/optimize/convex/lp"
	"pgregory.net/rapid"
)

var inf = math.Inf(1)

type failer interface {
	Helper()
	Fatalf(format string, args ...any)
}

// requireOptimal proves a solution by the Karush-Kuhn-Tucker conditions, which
// need no second solver: primal and dual feasibility, complementary slackness
// and, from them, no gap between the primal and the dual cost. The tolerance is
// relative to the terms summed: 1e-7, what the package promises.
func requireOptimal(t failer, p Problem, s Solution) {
	t.Helper()
	const tol = 1e-7
	n := len(p.Cost)
	if len(s.X) != n || len(s.Reduced) != n || len(s.Dual) != len(p.Rows) {
		t.Fatalf("shapes: %d values, %d reduced, %d duals", len(s.X), len(s.Reduced), len(s.Dual))
	}
	dualCost, gapSize, costSize := 0.0, 0.0, 1e-300
	unitX := 1e-300
	for j, v := range s.X {
		costSize += math.Abs(p.Cost[j] * v)
		unitX = max(unitX, math.Abs(v))
	}
	priceAt := func(where string, price, priceSize, lo, value, hi, size float64) {
		if math.Abs(price) <= tol*priceSize {
			return
		}
		limit := lo
		if price < 0 {
			limit = hi
		}
		if math.IsInf(limit, 0) || math.Abs(value-limit) > tol*(size+math.Abs(limit)) {
			t.Fatalf("%s: price %g at %g in [%g, %g]: not complementary", where, price, value, lo, hi)
		}
		dualCost += price * limit
		gapSize += math.Abs(price * limit)
	}
	for i, r := range p.Rows {
		v, size := 0.0, 0.0
		for j, a := range r.Coeff {
			v += a * s.X[j]
			size += math.Abs(a) * unitX
		}
		if v < r.Lo-tol*(size+math.Abs(r.Lo)) || v > r.Hi+tol*(size+math.Abs(r.Hi)) {
			t.Fatalf("row %d: %g outside [%g, %g]", i, v, r.Lo, r.Hi)
		}
		priceAt(fmt.Sprintf("row %d", i), s.Dual[i], 1e-300, r.Lo, v, r.Hi, size)
	}
	for j := range s.X {
		lo, hi := p.bounds(j)
		if !(s.X[j] >= lo && s.X[j] <= hi) {
			t.Fatalf("x[%d] = %g outside [%g, %g]", j, s.X[j], lo, hi)
		}
		reduced, size := p.Cost[j], math.Abs(p.Cost[j])
		for i, r := range p.Rows {
			reduced -= s.Dual[i] * r.Coeff[j]
			size += math.Abs(s.Dual[i] * r.Coeff[j])
		}
		if math.Abs(reduced-s.Reduced[j]) > tol*size {
			t.Fatalf("x[%d]: reduced cost %g, from the duals %g", j, s.Reduced[j], reduced)
		}
		priceAt(fmt.Sprintf("x[%d]", j), reduced, size, lo, s.X[j], hi, unitX)
	}
	if math.Abs(s.Cost-dot(p.Cost, s.X)) > 1e-12*costSize {
		t.Fatalf("cost %g is not Cost·x", s.Cost)
	}
	if math.Abs(s.Cost-dualCost) > tol*(costSize+gapSize) {
		t.Fatalf("cost %g, dual cost %g", s.Cost, dualCost)
	}
}

// readMPS reads the fixed MPS format as far as AFIRO uses it (rows N, E, L, G
// and one right-hand side).
func readMPS(t testing.TB, path string) Problem {
	t.Helper()
	f, err := os.Open(path)
	require.NoError(t, err)
	defer f.Close()
	var p Problem
	rows, columns := map[string]int{}, map[string]int{}
	kinds := map[string]string{}
	section, objective := "", ""
	type entry struct {
		row, col string
		v        float64
	}
	var entries []entry
	rhs := map[string]float64{}
	var order []string
	for sc := bufio.NewScanner(f); sc.Scan(); {
		line := sc.Text()
		fields := strings.Fields(line)
		if len(fields) == 0 {
			continue
		}
		if line[0] != ' ' {
			section = fields[0]
			continue
		}
		switch section {
		case "ROWS":
			if fields[0] == "N" {
				objective = fields[1]
				continue
			}
			kinds[fields[1]] = fields[0]
			rows[fields[1]] = len(order)
			order = append(order, fields[1])
		case "COLUMNS", "RHS":
			for k := 1; k+1 < len(fields); k += 2 {
				v, err := strconv.ParseFloat(fields[k+1], 64)
				require.NoError(t, err)
				if section == "RHS" {
					rhs[fields[k]] = v
					continue
				}
				if _, ok := columns[fields[0]]; !ok {
					columns[fields[0]] = len(columns)
				}
				entries = append(entries, entry{fields[k], fields[0], v})
			}
		default:
			t.Fatalf("unknown section %q", section)
		}
	}
	p.Cost = make([]float64, len(columns))
	for _, name := range order {
		r := Row{Name: name, Coeff: make([]float64, len(columns)), Lo: -inf, Hi: inf}
		if k := kinds[name]; k != "L" {
			r.Lo = rhs[name]
		}
		if k := kinds[name]; k != "G" {
			r.Hi = rhs[name]
		}
		p.Rows = append(p.Rows, r)
	}
	require.Len(t, entries, 88, "nonzeros with the cost row, netlib lp/data/readme")
	for _, e := range entries {
		if e.row == objective {
			p.Cost[columns[e.col]] = e.v
		} else {
			p.Rows[rows[e.row]].Coeff[columns[e.col]] = e.v
		}
	}
	return p
}

func afiro(t testing.TB) Problem {
	return readMPS(t, filepath.Join("..", "..", "testdata", "netlib", "afiro.mps"))
}

func TestAFIRO(t *testing.T) {
	p := afiro(t)
	assert.Len(t, p.Cost, 32, "columns, netlib lp/data/readme")
	assert.Len(t, p.Rows, 27, "rows without the cost row, netlib lp/data/readme")
	s, err := Solve(p)
	require.NoError(t, err)
	// netlib lp/data/readme, problem summary table: -4.6475314286E+02 (11
	// digits, so half a unit of the last is 5e-9).
	assert.InDelta(t, -4.6475314286e+02, s.Cost, 5e-9)
	requireOptimal(t, p, s)
}

// beale is the cycling example of E. M. L. Beale, "Cycling in the dual simplex
// algorithm", Naval Res. Logist. Q. 2 (1955) 269-275, in the form textbooks
// print (coefficients from memory; the optimum -5/4 at (1, 0, 1, 0) follows by
// hand from the second and third row).
func beale() Problem {
	return Problem{
		Cost: []float64{-0.75, 20, -0.5, 6},
		Rows: []Row{
			{"first", []float64{0.25, -8, -1, 9}, -inf, 0},
			{"second", []float64{0.5, -12, -0.5, 3}, -inf, 0},
			{"third", []float64{0, 0, 1, 0}, -inf, 1},
		},
	}
}

func TestBealeCycling(t *testing.T) {
	s, err := Solve(beale())
	require.NoError(t, err)
	assert.InDelta(t, -1.25, s.Cost, 1e-12)
	assert.InDeltaSlice(t, []float64{1, 0, 1, 0}, s.X, 1e-12)
	requireOptimal(t, beale(), s)
}

// TestTextbookPrices: the Wyndor Glass example of Hillier and Lieberman,
// Introduction to Operations Research (maximise 3 x1 + 5 x2; x1 <= 4, 2 x2 <=
// 12, 3 x1 + 2 x2 <= 18): optimum 36 at (2, 6), shadow prices 0, 3/2, 1. Figures
// from memory, and proved by the conditions checked here.
func TestTextbookPrices(t *testing.T) {
	p := Problem{
		Cost: []float64{-3, -5},
		Rows: []Row{
			{"plant 1", []float64{1, 0}, -inf, 4},
			{"plant 2", []float64{0, 2}, -inf, 12},
			{"plant 3", []float64{3, 2}, -inf, 18},
		},
	}
	s, err := Solve(p)
	require.NoError(t, err)
	assert.InDelta(t, -36, s.Cost, 1e-12)
	assert.InDeltaSlice(t, []float64{2, 6}, s.X, 1e-12)
	assert.InDeltaSlice(t, []float64{0, -1.5, -1}, s.Dual, 1e-12)
	requireOptimal(t, p, s)
}

func TestErrors(t *testing.T) {
	nan := math.NaN()
	one := []float64{1}
	tests := map[string]struct {
		p    Problem
		want string
	}{
		"NaN cost":          {Problem{Cost: []float64{nan}}, "linear program: cost[0]: is NaN, a finite number would fit"},
		"infinite cost":     {Problem{Cost: []float64{inf}}, "linear program: cost[0]: is +Inf, a finite number would fit"},
		"short lower":       {Problem{Cost: one, Lower: []float64{}}, "linear program: lower bounds: 0 numbers, one for each of the 1 variables would fit"},
		"long upper":        {Problem{Cost: one, Upper: []float64{1, 2}}, "linear program: upper bounds: 2 numbers, one for each of the 1 variables would fit"},
		"NaN bound":         {Problem{Cost: one, Lower: []float64{nan}}, "linear program: x[0]: lower limit is NaN, a finite number or -Inf would fit"},
		"crossed bounds":    {Problem{Cost: one, Upper: []float64{-1}}, "linear program: x[0]: lower limit 0 is above upper limit -1"},
		"row too long":      {Problem{Cost: one, Rows: []Row{{"tank", []float64{1, 2}, 0, 1}}}, "linear program: tank: has 2 numbers, one for each of the 1 variables would fit"},
		"NaN coefficient":   {Problem{Cost: one, Rows: []Row{{"tank", []float64{nan}, 0, 1}}}, "linear program: tank[0]: is NaN, a finite number would fit"},
		"row crossed":       {Problem{Cost: one, Rows: []Row{{"tank", one, 2, 1}}}, "linear program: tank: lower limit 2 is above upper limit 1"},
		"row at no height":  {Problem{Cost: one, Rows: []Row{{"", one, inf, inf}}}, "linear program: row 0: lower limit is +Inf, a finite number or -Inf would fit"},
		"row NaN limit":     {Problem{Cost: one, Rows: []Row{{"", one, 0, nan}}}, "linear program: row 0: upper limit is NaN, a finite number or +Inf would fit"},
		"upper minus infty": {Problem{Cost: one, Upper: []float64{-inf}}, "linear program: x[0]: upper limit is -Inf, a finite number or +Inf would fit"},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			s, err := Solve(tt.p)
			var bad *BadProblem
			require.ErrorAs(t, err, &bad)
			assert.EqualError(t, err, tt.want)
			assert.Zero(t, s)
		})
	}
	t.Run("unbounded", func(t *testing.T) {
		s, err := Solve(Problem{Cost: []float64{1, -1}, Rows: []Row{{"", []float64{1, -1}, -1, inf}, {"", []float64{1, -1}, -inf, 1}}, Lower: []float64{-inf, -inf}})
		assert.NoError(t, err)
		assert.InDelta(t, -1, s.Cost, 1e-12)
		_, err = Solve(Problem{Cost: []float64{1, -1}, Rows: []Row{{"", []float64{1, -1}, -inf, 1}}})
		assert.ErrorIs(t, err, ErrUnbounded)
	})
	t.Run("second cost of another length", func(t *testing.T) {
		_, err := SolveInOrder(Problem{Cost: one}, []float64{1, 2})
		assert.EqualError(t, err, "linear program: cost 2: has 2 numbers, one for each of the 1 variables would fit")
	})
	t.Run("weights", func(t *testing.T) {
		p := Problem{Cost: one, Rows: []Row{{"tank", one, 0, 1}}}
		_, _, err := Elastic(p, nil)
		assert.EqualError(t, err, "linear program: weight: has 0 numbers, one for each of the 1 rows would fit")
		_, _, err = Elastic(p, []float64{nan})
		assert.EqualError(t, err, "linear program: weight of tank: is NaN, 0 or more would fit")
		_, _, err = Elastic(p, []float64{-1})
		assert.EqualError(t, err, "linear program: weight of tank: is -1, 0 or more would fit")
	})
}

func TestNothingToChoose(t *testing.T) {
	s, err := Solve(Problem{})
	require.NoError(t, err)
	assert.Empty(t, s.X)
	s, err = Solve(Problem{Cost: []float64{1, -1, 0}, Lower: []float64{2, 0, -inf}, Upper: []float64{inf, 3, inf}})
	require.NoError(t, err)
	assert.Equal(t, []float64{2, 3, 0}, s.X)
	_, err = Solve(Problem{Rows: []Row{{"empty", nil, 1, 2}}})
	var e *Infeasible
	require.ErrorAs(t, err, &e)
	assert.Equal(t, []string{"empty"}, e.Rows)
}

// TestConflictNamed: 6 kg of salt and 5 L of water cannot go where 10 fit; the
// stock and the window of something else have nothing to do with it. By hand.
func TestConflictNamed(t *testing.T) {
	p := Problem{
		Cost:  []float64{1, 1, 1},
		Upper: []float64{20, inf, 30},
		Rows: []Row{
			{"stock", []float64{1, 1, 1}, -inf, 100},
			{"tank", []float64{1, 1, 0}, 0, 10},
			{"chloride", []float64{0, 0, 1}, 3, 8},
			{"copper", []float64{1, 0, 0}, 6, 12},
			{"dilution", []float64{0, 1, 0}, 5, inf},
		},
	}
	_, err := Solve(p)
	var e *Infeasible
	require.ErrorAs(t, err, &e)
	assert.Equal(t, []string{"tank", "copper", "dilution"}, e.Rows)
	assert.Empty(t, e.Bounds)
	assert.EqualError(t, err, "linear program is infeasible: these cannot hold together: tank <= 10, copper >= 6, dilution >= 5")

	p.Rows[4].Lo = 0
	p.Rows[3].Lo = 25
	p.Rows[3].Hi = 30
	p.Rows[1].Hi = 50
	_, err = Solve(p)
	require.ErrorAs(t, err, &e)
	assert.Equal(t, []string{"copper"}, e.Rows)
	assert.Equal(t, []int{0}, e.Bounds)
	assert.EqualError(t, err, "linear program is infeasible: these cannot hold together: copper >= 25, x[0] <= 20")
}

// relaxed is p with nothing but the given limits.
func relaxed(p Problem, limits []Limit) Problem {
	n := len(p.Cost)
	q := Problem{Cost: make([]float64, n), Lower: make([]float64, n), Upper: make([]float64, n)}
	for j := range n {
		q.Lower[j], q.Upper[j] = -inf, inf
	}
	for _, r := range p.Rows {
		q.Rows = append(q.Rows, Row{r.Name, r.Coeff, -inf, inf})
	}
	for _, l := range limits {
		switch {
		case l.Row >= 0 && l.High:
			q.Rows[l.Row].Hi = l.Value
		case l.Row >= 0:
			q.Rows[l.Row].Lo = l.Value
		case l.High:
			q.Upper[l.Variable] = l.Value
		default:
			q.Lower[l.Variable] = l.Value
		}
	}
	return q
}

// dosing draws a program of dosing shape: doses >= 0, windows on amounts over
// final volume (so linear rows with entries of both signs), a tank row, stock.
// Units spread over six powers of ten. Some have no answer.
func dosing(r *rand.Rand) Problem {
	n, m := 1+r.IntN(8), 1+r.IntN(7)
	p := Problem{Cost: make([]float64, n), Upper: make([]float64, n)}
	unit := make([]float64, n)
	start := make([]float64, n)
	for j := range n {
		unit[j] = math.Pow(10, r.Float64()*6-3)
		p.Cost[j] = r.Float64() * 10 / unit[j]
		p.Upper[j] = inf
		if r.IntN(3) == 0 {
			p.Upper[j] = unit[j] * r.Float64() * 3
		}
		start[j] = unit[j] * r.Float64()
	}
	for i := range m {
		size := math.Pow(10, r.Float64()*4-2)
		c := make([]float64, n)
		for j := range n {
			if r.IntN(3) > 0 {
				c[j] = size / unit[j] * (r.Float64()*1.3 - 0.3)
			}
		}
		v := dot(c, start)
		lo, hi := v-size*(r.Float64()-0.2), v+size*(r.Float64()-0.2)
		switch k := r.IntN(10); {
		case k == 0:
			hi = lo
		case k < 4:
			lo = -inf
		case k < 6:
			hi = inf
		}
		if lo > hi {
			lo, hi = hi, lo
		}
		p.Rows = append(p.Rows, Row{fmt.Sprintf("row %d", i), c, lo, hi})
	}
	return p
}

// integral draws small whole numbers: many ties, parallel rows and degenerate
// vertices, decided without rounding.
func integral(r *rand.Rand, n, m int) Problem {
	p := Problem{Cost: make([]float64, n), Lower: make([]float64, n), Upper: make([]float64, n)}
	for j := range n {
		p.Cost[j] = float64(r.IntN(9) - 4)
		p.Lower[j] = float64(r.IntN(5) - 2)
		p.Upper[j] = p.Lower[j] + float64(r.IntN(5))
	}
	for range m {
		c := make([]float64, n)
		for j := range n {
			c[j] = float64(r.IntN(7) - 3)
		}
		lo := float64(r.IntN(9) - 4)
		hi := lo + float64(r.IntN(4))
		switch r.IntN(4) {
		case 0:
			lo = -inf
		case 1:
			hi = inf
		}
		p.Rows = append(p.Rows, Row{"", c, lo, hi})
	}
	return p
}

// vertices finds the least cost by trying every vertex; ok is false where there
// is none. The region must be bounded.
func vertices(p Problem) (best float64, ok bool) {
	n := len(p.Cost)
	type plane struct {
		a []float64
		b float64
	}
	var planes []plane
	add := func(a []float64, lo, hi float64) {
		if !math.IsInf(lo, 0) {
			planes = append(planes, plane{a, lo})
		}
		if !math.IsInf(hi, 0) && hi != lo {
			planes = append(planes, plane{a, hi})
		}
	}
	for j := range n {
		e := make([]float64, n)
		e[j] = 1
		lo, hi := p.bounds(j)
		add(e, lo, hi)
	}
	for _, r := range p.Rows {
		add(r.Coeff, r.Lo, r.Hi)
	}
	best = inf
	chosen := make([]int, 0, n)
	a, b := mat.NewDense(n, n, nil), mat.NewVecDense(n, nil)
	var try func(from int)
	try = func(from int) {
		if len(chosen) == n {
			for i, k := range chosen {
				a.SetRow(i, planes[k].a)
				b.SetVec(i, planes[k].b)
			}
			if math.Abs(mat.Det(a)) < 0.5 { // whole numbers: 0 or at least 1
				return
			}
			var x mat.VecDense
			if x.SolveVec(a, b) != nil {
				return
			}
			for j := range n {
				lo, hi := p.bounds(j)
				if x.AtVec(j) < lo-1e-9 || x.AtVec(j) > hi+1e-9 {
					return
				}
			}
			for _, r := range p.Rows {
				if v := dot(r.Coeff, x.RawVector().Data); v < r.Lo-1e-9 || v > r.Hi+1e-9 {
					return
				}
			}
			best, ok = min(best, dot(p.Cost, x.RawVector().Data)), true
			return
		}
		for k := from; k < len(planes); k++ {
			chosen = append(chosen, k)
			try(k + 1)
			chosen = chosen[:len(chosen)-1]
		}
	}
	try(0)
	return best, ok
}

func TestEveryVertex(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	none, some := 0, 0
	for k := range 3000 {
		p := integral(r, 1+r.IntN(3), r.IntN(5))
		want, ok := vertices(p)
		s, err := Solve(p)
		if !ok {
			none++
			var e *Infeasible
			require.ErrorAs(t, err, &e, "problem %d: %+v", k, p)
			requireIrreducible(t, p, e)
			continue
		}
		some++
		require.NoError(t, err, "problem %d: %+v", k, p)
		require.InDelta(t, want, s.Cost, 1e-8, "problem %d: %+v", k, p)
		requireOptimal(t, p, s)
	}
	assert.Greater(t, none, 300)
	assert.Greater(t, some, 300)
}

// requireIrreducible holds the named limits against the vertices: together they
// allow none, and without any one of them the rest allows some. A box wide
// enough to hold every vertex of such small whole numbers replaces the missing
// bounds.
func requireIrreducible(t *testing.T, p Problem, e *Infeasible) {
	t.Helper()
	boxed := func(limits []Limit) Problem {
		q := relaxed(p, limits)
		for j := range q.Cost {
			q.Lower[j] = max(q.Lower[j], -1000)
			q.Upper[j] = min(q.Upper[j], 1000)
		}
		return q
	}
	_, ok := vertices(boxed(e.Limits))
	require.False(t, ok, "the limits named do not conflict: %v in %+v", e, p)
	for k := range e.Limits {
		rest := append(append([]Limit{}, e.Limits[:k]...), e.Limits[k+1:]...)
		_, ok := vertices(boxed(rest))
		require.True(t, ok, "%v is not needed: %v in %+v", e.Limits[k], e, p)
	}
}

// TestBlandFromTheStart runs degenerate problems under Bland's rule alone, which
// otherwise only a stall reaches.
func TestBlandFromTheStart(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for k := range 1000 {
		p := integral(r, 1+r.IntN(8), 1+r.IntN(8))
		for i := range p.Rows { // every row through one vertex
			p.Rows[i].Lo, p.Rows[i].Hi = -inf, dot(p.Rows[i].Coeff, p.Lower)
		}
		if k == 0 {
			p = beale()
		}
		want, err := Solve(p)
		require.NoError(t, err)
		requireOptimal(t, p, want)
		w := newTableau(p)
		w.patience = -1
		w.setCost(p.Cost)
		require.Equal(t, optimal, w.minimise())
		s := w.solution(p.Cost)
		requireOptimal(t, p, s)
		require.InDelta(t, want.Cost, s.Cost, 1e-8)
	}
}

// peer solves by gonum's simplex in standard form: slacks for limits, variables
// moved to their lower bounds. It reports whether gonum had an answer at all.
func peer(p Problem) (cost float64, err error, answered bool) {
	defer func() {
		if recover() != nil {
			answered = false
		}
	}()
	c, a, b, offset := standardForm(p)
	v, _, err := lp.Simplex(c, a, b, 1e-10, nil)
	if err != nil && !errors.Is(err, lp.ErrInfeasible) && !errors.Is(err, lp.ErrUnbounded) {
		return 0, err, false
	}
	return v + offset, err, true
}

func standardForm(p Problem) (c []float64, a *mat.Dense, b []float64, offset float64) {
	n := len(p.Cost)
	type line struct {
		coeff []float64
		rhs   float64
		slack float64
	}
	var lines []line
	add := func(coeff []float64, lo, hi float64) {
		shift := 0.0
		for j, v := range coeff {
			l, _ := p.bounds(j)
			shift += v * l
		}
		if lo == hi {
			lines = append(lines, line{coeff, lo - shift, 0})
			return
		}
		if !math.IsInf(lo, 0) {
			lines = append(lines, line{coeff, lo - shift, -1})
		}
		if !math.IsInf(hi, 0) {
			lines = append(lines, line{coeff, hi - shift, 1})
		}
	}
	for _, r := range p.Rows {
		add(r.Coeff, r.Lo, r.Hi)
	}
	for j := range n {
		l, hi := p.bounds(j)
		offset += p.Cost[j] * l
		if !math.IsInf(hi, 0) && hi > l {
			e := make([]float64, n)
			e[j] = 1
			add(e, -inf, hi)
		}
	}
	slacks := 0
	for _, l := range lines {
		if l.slack != 0 {
			slacks++
		}
	}
	// gonum refuses a column of zeros. Such a variable stays at its lower bound
	// where it costs nothing or something.
	var used []int
	for j := range n {
		if l, hi := p.bounds(j); l == hi {
			continue // moved to 0, where it stays
		}
		if slices.ContainsFunc(lines, func(l line) bool { return l.coeff[j] != 0 }) {
			used = append(used, j)
		} else if p.Cost[j] < 0 {
			panic("an unused variable that earns")
		}
	}
	n = len(used)
	c = make([]float64, n+slacks)
	for k, j := range used {
		c[k] = p.Cost[j]
	}
	a = mat.NewDense(len(lines), n+slacks, nil)
	b = make([]float64, len(lines))
	k := n
	for i, l := range lines {
		for q, j := range used {
			a.Set(i, q, l.coeff[j])
		}
		b[i] = l.rhs
		if l.slack != 0 {
			a.Set(i, k, l.slack)
			k++
		}
	}
	return c, a, b, offset
}

// TestAgainstGonum compares with gonum.org/v1/gonum/optimize/convex/lp on
// problems of dosing shape. Where gonum has no answer the optimality conditions
// still decide; where the two differ by more than the tolerances of both, the
// conditions or the conflict named must prove ours.
func TestAgainstGonum(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	const problems = 4000
	unanswered, different, none := 0, 0, 0
	why := map[string]int{}
	for k := range problems {
		p := dosing(r)
		s, err := Solve(p)
		var e *Infeasible
		switch {
		case err == nil:
			requireOptimal(t, p, s)
		case errors.As(err, &e):
			none++
			_, err := Solve(relaxed(p, e.Limits))
			require.ErrorAs(t, err, &e, "problem %d", k)
			for i := range e.Limits {
				rest := append(append([]Limit{}, e.Limits[:i]...), e.Limits[i+1:]...)
				_, err := Solve(relaxed(p, rest))
				require.NoError(t, err, "problem %d: %v is not needed", k, e.Limits[i])
			}
		default:
			t.Fatalf("problem %d: %v", k, err)
		}
		cost, peerErr, answered := peer(p)
		switch {
		case !answered:
			unanswered++
			why[fmt.Sprint(peerErr)]++
		case errors.Is(peerErr, lp.ErrInfeasible) != (e != nil):
			different++
		case peerErr == nil && math.Abs(cost-s.Cost) > 1e-6*(1e-6+math.Abs(cost)):
			different++
		}
	}
	t.Logf("%d problems, %d infeasible, gonum without an answer %d %v, different %d", problems, none, unanswered, why, different)
	assert.Greater(t, none, problems/20)
	assert.Less(t, none, problems*3/4)
	// gonum panics where equations outnumber the variables.
	assert.LessOrEqual(t, unanswered, problems/50)
	assert.LessOrEqual(t, different, problems/1000)
}

// TestUnitsDoNotMatter: the answer in milligrams is the answer in tonnes.
func TestUnitsDoNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		f := math.Pow(10, rapid.Float64Range(-9, 9).Draw(t, "power"))
		p := dosing(r)
		q := Problem{Cost: p.Cost, Upper: make([]float64, len(p.Upper))}
		for j, u := range p.Upper {
			q.Upper[j] = u * f
		}
		for _, row := range p.Rows {
			row.Lo *= f
			row.Hi *= f
			q.Rows = append(q.Rows, row)
		}
		a, errA := Solve(p)
		b, errB := Solve(q)
		if (errA == nil) != (errB == nil) {
			t.Fatalf("%v against %v", errA, errB)
		}
		if math.Abs(a.Cost*f-b.Cost) > 1e-8*(math.Abs(b.Cost)+1e-9*f) {
			t.Fatalf("cost %g times %g is not %g", a.Cost, f, b.Cost)
		}
	})
}

// TestShadowPrice: moving a limit by a little moves the cost by the price.
func TestShadowPrice(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	seen := 0
	for range 500 {
		p := dosing(r)
		s, err := Solve(p)
		if err != nil {
			continue
		}
		for i := range p.Rows {
			if s.Dual[i] == 0 {
				continue
			}
			q := p
			q.Rows = append([]Row{}, p.Rows...)
			limit := &q.Rows[i].Lo
			if s.Dual[i] < 0 {
				limit = &q.Rows[i].Hi
			}
			if p.Rows[i].Lo == p.Rows[i].Hi {
				continue
			}
			step := 1e-5 * math.Abs(*limit)
			if s.Dual[i] > 0 {
				step = -step // loosening cannot make it infeasible
			}
			*limit += step
			moved, err := Solve(q)
			require.NoError(t, err)
			// Cost is convex in the limits: at most as good as the price says.
			require.GreaterOrEqual(t, moved.Cost, s.Cost+s.Dual[i]*step-1e-9*(1+math.Abs(s.Cost)))
			if math.Abs(moved.Cost-s.Cost-s.Dual[i]*step) < 1e-9*(1+math.Abs(s.Cost)) {
				seen++
			}
		}
	}
	assert.Greater(t, seen, 200)
}

func TestInOrder(t *testing.T) {
	// x + y is wanted at least 2 (first), then little y, then little z.
	p := Problem{
		Cost:  []float64{-1, -1, 0},
		Upper: []float64{5, 5, 5},
		Rows:  []Row{{"sum", []float64{1, 1, 0}, -inf, 7}, {"link", []float64{-1, 0, 1}, -inf, 0}},
	}
	s, err := SolveInOrder(p, []float64{0, 1, 0}, []float64{0, 0, -1})
	require.NoError(t, err)
	assert.InDeltaSlice(t, []float64{5, 2, 5}, s.X, 1e-12)
	s, err = SolveInOrder(p, []float64{1, 0, 0}, []float64{0, 0, -1})
	require.NoError(t, err)
	assert.InDeltaSlice(t, []float64{2, 5, 2}, s.X, 1e-12)
}

func TestElastic(t *testing.T) {
	// 10 fit; 6 and 5 are wanted. The cheaper breach is of the lighter weight.
	p := Problem{
		Cost: []float64{1, 1},
		Rows: []Row{
			{"tank", []float64{1, 1}, -inf, 10},
			{"copper", []float64{1, 0}, 6, 12},
			{"dilution", []float64{0, 1}, 5, inf},
		},
	}
	s, v, err := Elastic(p, []float64{inf, 2, 1})
	require.NoError(t, err)
	assert.InDeltaSlice(t, []float64{6, 4}, s.X, 1e-12)
	assert.InDeltaSlice(t, []float64{0, 0, 1}, v, 1e-12)
	assert.InDelta(t, 10, s.Cost, 1e-12)
	s, v, err = Elastic(p, []float64{inf, 1, 2})
	require.NoError(t, err)
	assert.InDeltaSlice(t, []float64{5, 5}, s.X, 1e-12)
	assert.InDeltaSlice(t, []float64{0, 1, 0}, v, 1e-12)
	assert.InDelta(t, 10, s.Cost, 1e-12)
	// Nothing is worth the second aim when the first is free.
	s, v, err = Elastic(p, []float64{0, 1, 1})
	require.NoError(t, err)
	assert.InDeltaSlice(t, []float64{6, 5}, s.X, 1e-12)
	assert.InDeltaSlice(t, []float64{1, 0, 0}, v, 1e-12)
	// Hard limits that conflict among themselves stay an error.
	_, _, err = Elastic(p, []float64{inf, inf, inf})
	var e *Infeasible
	require.ErrorAs(t, err, &e)
	assert.Equal(t, []string{"tank", "copper", "dilution"}, e.Rows)
}

// TestElasticMeetsSolve: a feasible problem is not broken, and costs the same.
func TestElasticMeetsSolve(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 10))
	broken, kept := 0, 0
	for range 1000 {
		p := dosing(r)
		weight := make([]float64, len(p.Rows))
		for i := range weight {
			weight[i] = math.Pow(10, r.Float64()*4-2)
		}
		s, v, err := Elastic(p, weight)
		require.NoError(t, err)
		total := 0.0
		for i := range v {
			total += v[i] * weight[i]
		}
		direct, err := Solve(p)
		if err != nil {
			broken++
			require.Positive(t, total)
			continue
		}
		kept++
		require.Zero(t, total)
		require.InDelta(t, direct.Cost, s.Cost, 1e-7*(1e-6+math.Abs(direct.Cost)))
	}
	assert.Greater(t, broken, 50)
	assert.Greater(t, kept, 50)
}

// TestElasticIsLeast holds the violation against the vertices of the problem
// with slack variables written out by hand.
func TestElasticIsLeast(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 12))
	for range 300 {
		p := integral(r, 2, 2)
		weight := []float64{float64(1 + r.IntN(3)), float64(1 + r.IntN(3))}
		q := Problem{
			Cost:  []float64{0, 0, weight[0], weight[1]},
			Lower: []float64{p.Lower[0], p.Lower[1], 0, 0},
			Upper: []float64{p.Upper[0], p.Upper[1], 1000, 1000},
		}
		for i, row := range p.Rows {
			over := append(append([]float64{}, row.Coeff...), 0, 0)
			under := append(append([]float64{}, row.Coeff...), 0, 0)
			over[2+i], under[2+i] = -1, 1
			q.Rows = append(q.Rows, Row{"", over, -inf, row.Hi}, Row{"", under, row.Lo, inf})
		}
		want, ok := vertices(q)
		require.True(t, ok)
		_, v, err := Elastic(p, weight)
		require.NoError(t, err)
		require.InDelta(t, want, v[0]*weight[0]+v[1]*weight[1], 1e-8, "%+v", p)
	}
}

// TestNoCheaperPoint: no random point that keeps the limits costs less.
func TestNoCheaperPoint(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		n := 1 + r.IntN(4)
		p := integral(r, n, r.IntN(3))
		s, err := Solve(p)
		if err != nil {
			return
		}
		x := make([]float64, n)
	points:
		for range 50 {
			for j := range x {
				x[j] = p.Lower[j] + r.Float64()*(p.Upper[j]-p.Lower[j])
			}
			for _, row := range p.Rows {
				if v := dot(row.Coeff, x); v < row.Lo || v > row.Hi {
					continue points
				}
			}
			if dot(p.Cost, x) < s.Cost-1e-9 {
				t.Fatalf("%v costs %g, less than %g", x, dot(p.Cost, x), s.Cost)
			}
		}
	})
}

func TestSameAnswerTwice(t *testing.T) {
	r := rand.New(rand.NewPCG(13, 14))
	for range 200 {
		p := dosing(r)
		a, errA := Solve(p)
		b, errB := Solve(p)
		require.Equal(t, a, b)
		require.Equal(t, errA, errB)
	}
}

func FuzzSolve(f *testing.F) {
	f.Add(uint8(2), uint8(3), []byte{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16})
	f.Add(uint8(1), uint8(1), []byte{255, 254, 253, 0, 0, 128})
	f.Add(uint8(4), uint8(4), []byte("the quick brown fox jumps over the lazy dog"))
	odd := []float64{math.NaN(), inf, -inf, 1e300, -1e300, 1e-300, math.MaxFloat64, math.SmallestNonzeroFloat64, 1e20, 1e-20, 1e9, 1e-9}
	f.Fuzz(func(t *testing.T, n, m uint8, data []byte) {
		k := 0
		next := func() float64 {
			if len(data) == 0 {
				return 0
			}
			v := data[k%len(data)]
			k++
			if int(v) >= 256-len(odd) {
				return odd[255-int(v)]
			}
			return float64(int(v)-120) / 8
		}
		p := Problem{}
		for range n % 6 {
			p.Cost = append(p.Cost, next())
			p.Lower = append(p.Lower, next())
			p.Upper = append(p.Upper, next())
		}
		weight := []float64{}
		for range m % 6 {
			r := Row{Lo: next(), Hi: next()}
			for range p.Cost {
				r.Coeff = append(r.Coeff, next())
			}
			p.Rows = append(p.Rows, r)
			weight = append(weight, math.Abs(next()))
		}
		s, err := Solve(p)
		var e *Infeasible
		if errors.As(err, &e) && len(e.Limits) == 0 {
			t.Fatal("infeasible without a reason")
		}
		if err != nil {
			if s.X != nil {
				t.Fatal("an answer beside an error")
			}
		} else {
			for j, v := range s.X {
				if lo, hi := p.bounds(j); !(v >= lo && v <= hi) {
					t.Fatalf("x[%d] = %g outside [%g, %g]", j, v, lo, hi)
				}
			}
		}
		_, violation, err := Elastic(p, weight)
		for _, v := range violation {
			if err == nil && !(v >= 0) {
				t.Fatalf("violation %g", v)
			}
		}
	})
}

func BenchmarkSolve(b *testing.B) {
	r := rand.New(rand.NewPCG(15, 16))
	var problems []Problem
	for len(problems) < 64 {
		p := dosing(r)
		if _, err, ok := peer(p); ok && err == nil {
			problems = append(problems, p)
		}
	}
	var plans []Problem
	for len(plans) < 64 {
		p, aims := bath(r)
		p.Cost = together(aims)
		loosen(r, p) // as in TestPlansAgainstGonum
		if _, err, ok := peer(p); ok && err == nil {
			plans = append(plans, p)
		}
	}
	big := afiro(b)
	b.Run("plan/by=tableau", func(b *testing.B) {
		b.ReportAllocs()
		for k := 0; b.Loop(); k++ {
			if _, err := Solve(plans[k%len(plans)]); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("plan/by=gonum", func(b *testing.B) {
		b.ReportAllocs()
		for k := 0; b.Loop(); k++ {
			c, a, rhs, _ := standardForm(plans[k%len(plans)])
			if _, _, err := lp.Simplex(c, a, rhs, 1e-10, nil); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("dosing/by=tableau", func(b *testing.B) {
		b.ReportAllocs()
		for k := 0; b.Loop(); k++ {
			if _, err := Solve(problems[k%len(problems)]); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("dosing/by=gonum", func(b *testing.B) {
		b.ReportAllocs()
		for k := 0; b.Loop(); k++ {
			c, a, rhs, _ := standardForm(problems[k%len(problems)])
			if _, _, err := lp.Simplex(c, a, rhs, 1e-10, nil); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("afiro/by=tableau", func(b *testing.B) {
		for b.Loop() {
			if _, err := Solve(big); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("afiro/by=gonum", func(b *testing.B) {
		for b.Loop() {
			c, a, rhs, _ := standardForm(big)
			if _, _, err := lp.Simplex(c, a, rhs, 1e-10, nil); err != nil {
				b.Fatal(err)
			}
		}
	})
}
