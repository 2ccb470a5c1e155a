package linprog

import (
	"errors"
	"fmt"
	"math"
	"strings"
)

// Row is one limit on a weighted sum of the variables: Lo <= Coeff·x <= Hi.
// Coeff has one finite number per variable. Lo may be -Inf and Hi may be +Inf;
// Lo == Hi is an equation. Name is what messages call the row.
type Row struct {
	Name   string
	Coeff  []float64
	Lo, Hi float64
}

// Problem is: minimise Cost·x with Lower <= x <= Upper and every row in Rows.
// Cost fixes the number of variables. Lower nil means 0 for every variable,
// Upper nil means +Inf; single entries may be -Inf and +Inf, so free variables
// are allowed. Solving changes nothing in it.
type Problem struct {
	Cost         []float64
	Lower, Upper []float64
	Rows         []Row
}

// Solution is an optimal vertex.
type Solution struct {
	// X has one number per variable, never outside its bounds.
	X []float64
	// Cost is Cost·X.
	Cost float64
	// Dual is the shadow price per row: the change of Cost per unit by which
	// the row's active limit is raised. It is >= 0 where Lo holds the row, <= 0
	// where Hi does, 0 where neither does.
	Dual []float64
	// Reduced is the same per variable bound: Cost[j] minus the rows' prices
	// times their coefficients; >= 0 at the lower bound, <= 0 at the upper.
	Reduced []float64
}

// ErrUnbounded says that the cost can be lowered without end.
var ErrUnbounded = errors.New("linear program is unbounded: the cost can be lowered without end")

// ErrNumerical says that no answer could be verified: the numbers of the
// problem lie too many powers of ten apart for double precision.
var ErrNumerical = errors.New("linear program is too badly scaled to be solved reliably")

// BadProblem says what is wrong with a problem that cannot be read: a shape
// that does not fit, a number that is not finite where it must be, limits that
// cross.
type BadProblem struct {
	// Where names the row, variable or slice.
	Where string
	// What says what was found there and what would fit.
	What string
}

func (e *BadProblem) Error() string { return "linear program: " + e.Where + ": " + e.What }

// Limit is one side of a row or of a variable's bounds.
type Limit struct {
	// Row is the index in Problem.Rows, or -1 for a bound of a variable.
	Row int
	// Variable is the index of the variable, or -1 for a row.
	Variable int
	// High is true for Hi and Upper, false for Lo and Lower.
	High bool
	// Value is the limit itself, in the row's or variable's unit.
	Value float64
	// Name is the row's name, or x[j] for a variable.
	Name string
}

func (l Limit) String() string {
	if l.High {
		return fmt.Sprintf("%s <= %.6g", l.Name, l.Value)
	}
	return fmt.Sprintf("%s >= %.6g", l.Name, l.Value)
}

// Infeasible names limits that cannot hold together. As a rule the set is
// irreducible: without any one of its limits the rest can be met.
type Infeasible struct {
	// Rows holds the names of the rows in conflict, in the order of the problem
	// ("row 3" where a row has no name).
	Rows []string
	// Bounds holds the indices of the variables whose bounds take part.
	Bounds []int
	// Limits holds each limit with its side and value: rows first.
	Limits []Limit
}

func (e *Infeasible) Error() string {
	parts := make([]string, len(e.Limits))
	for i, l := range e.Limits {
		parts[i] = l.String()
	}
	return "linear program is infeasible: these cannot hold together: " + strings.Join(parts, ", ")
}

// Solve finds x of least cost. The error is a [*BadProblem], an [*Infeasible],
// [ErrUnbounded] or [ErrNumerical]; the solution is then empty.
func Solve(p Problem) (Solution, error) { return SolveInOrder(p) }

// SolveInOrder finds the x of least Problem.Cost and, among those, the x of
// least then[0], and so on: an aim of lower rank never spends anything of a
// higher one. Each slice in then has one finite number per variable. Cost, Dual
// and Reduced of the solution belong to the last aim, with whatever the earlier
// aims pinned down held fixed (so signs then follow no rule). Errors as in
// [Solve].
func SolveInOrder(p Problem, then ...[]float64) (Solution, error) {
	if err := p.check(); err != nil {
		return Solution{}, err
	}
	for k, c := range then {
		if err := checkCost(fmt.Sprintf("cost %d", k+2), c, len(p.Cost)); err != nil {
			return Solution{}, err
		}
	}
	w := newTableau(p)
	cost := p.Cost
	for k := 0; ; k++ {
		w.setCost(cost)
		switch w.minimise() {
		case infeasible:
			return Solution{}, w.conflict(p)
		case unbounded:
			return Solution{}, ErrUnbounded
		case stuck:
			return Solution{}, ErrNumerical
		}
		if k == len(then) {
			break
		}
		w.pinOptimalFace()
		cost = then[k]
	}
	s := w.solution(cost)
	if !p.holds(s.X, w) {
		return Solution{}, ErrNumerical
	}
	return s, nil
}

// Elastic finds the x that breaks the rows least: it minimises the sum of
// weight times violation first and the cost second. weight has one number >= 0
// per row, in cost per unit of the row; +Inf makes the row hard, 0 lets it be
// broken for nothing. Bounds of variables are always hard. violation has one
// number >= 0 per row, in the row's unit. Dual and Reduced belong to the second
// aim. Errors as in [Solve]; [Infeasible] then names hard limits only.
func Elastic(p Problem, weight []float64) (s Solution, violation []float64, err error) {
	if err := p.check(); err != nil {
		return Solution{}, nil, err
	}
	if len(weight) != len(p.Rows) {
		return Solution{}, nil, &BadProblem{"weight", fmt.Sprintf("has %d numbers, one for each of the %d rows would fit", len(weight), len(p.Rows))}
	}
	n := len(p.Cost)
	type slack struct {
		row  int
		sign float64
	}
	var slacks []slack
	for i, wt := range weight {
		if !(wt >= 0) {
			return Solution{}, nil, &BadProblem{fmt.Sprintf("weight of %s", p.rowName(i)), fmt.Sprintf("is %g, 0 or more would fit", wt)}
		}
		if math.IsInf(wt, 1) {
			continue
		}
		if !math.IsInf(p.Rows[i].Lo, -1) {
			slacks = append(slacks, slack{i, 1})
		}
		if !math.IsInf(p.Rows[i].Hi, 1) {
			slacks = append(slacks, slack{i, -1})
		}
	}
	total := n + len(slacks)
	q := Problem{
		Cost:  make([]float64, total),
		Lower: make([]float64, total),
		Upper: make([]float64, total),
		Rows:  make([]Row, len(p.Rows)),
	}
	for j := range total {
		if j < n {
			q.Lower[j], q.Upper[j] = p.bounds(j)
			continue
		}
		q.Cost[j] = weight[slacks[j-n].row]
		q.Upper[j] = math.Inf(1)
	}
	for i, r := range p.Rows {
		coeff := make([]float64, total)
		copy(coeff, r.Coeff)
		q.Rows[i] = Row{r.Name, coeff, r.Lo, r.Hi}
	}
	for k, sl := range slacks {
		q.Rows[sl.row].Coeff[n+k] = sl.sign
	}
	second := make([]float64, total)
	copy(second, p.Cost)
	full, err := SolveInOrder(q, second)
	if err != nil {
		return Solution{}, nil, err
	}
	x := full.X[:n:n]
	violation = make([]float64, len(p.Rows))
	for k, sl := range slacks {
		if full.X[n+k] > 0 {
			r := p.Rows[sl.row]
			v := dot(r.Coeff, x)
			violation[sl.row] = max(violation[sl.row], r.Lo-v, v-r.Hi, 0)
		}
	}
	return Solution{X: x, Cost: dot(p.Cost, x), Dual: full.Dual, Reduced: full.Reduced[:n:n]}, violation, nil
}

func (p Problem) bounds(j int) (lo, hi float64) {
	lo, hi = 0, math.Inf(1)
	if p.Lower != nil {
		lo = p.Lower[j]
	}
	if p.Upper != nil {
		hi = p.Upper[j]
	}
	return lo, hi
}

func (p Problem) rowName(i int) string {
	if p.Rows[i].Name == "" {
		return fmt.Sprintf("row %d", i)
	}
	return p.Rows[i].Name
}

func checkCost(where string, c []float64, n int) error {
	if len(c) != n {
		return &BadProblem{where, fmt.Sprintf("has %d numbers, one for each of the %d variables would fit", len(c), n)}
	}
	for j, v := range c {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return &BadProblem{fmt.Sprintf("%s[%d]", where, j), fmt.Sprintf("is %g, a finite number would fit", v)}
		}
	}
	return nil
}

func checkLimits(where string, lo, hi float64) error {
	switch {
	case math.IsNaN(lo) || math.IsInf(lo, 1):
		return &BadProblem{where, fmt.Sprintf("lower limit is %g, a finite number or -Inf would fit", lo)}
	case math.IsNaN(hi) || math.IsInf(hi, -1):
		return &BadProblem{where, fmt.Sprintf("upper limit is %g, a finite number or +Inf would fit", hi)}
	case lo > hi:
		return &BadProblem{where, fmt.Sprintf("lower limit %g is above upper limit %g", lo, hi)}
	}
	return nil
}

func (p Problem) check() error {
	n := len(p.Cost)
	if err := checkCost("cost", p.Cost, n); err != nil {
		return err
	}
	if p.Lower != nil && len(p.Lower) != n {
		return &BadProblem{"lower bounds", fmt.Sprintf("%d numbers, one for each of the %d variables would fit", len(p.Lower), n)}
	}
	if p.Upper != nil && len(p.Upper) != n {
		return &BadProblem{"upper bounds", fmt.Sprintf("%d numbers, one for each of the %d variables would fit", len(p.Upper), n)}
	}
	for j := range n {
		lo, hi := p.bounds(j)
		if err := checkLimits(fmt.Sprintf("x[%d]", j), lo, hi); err != nil {
			return err
		}
	}
	for i, r := range p.Rows {
		if err := checkCost(p.rowName(i), r.Coeff, n); err != nil {
			return err
		}
		if err := checkLimits(p.rowName(i), r.Lo, r.Hi); err != nil {
			return err
		}
	}
	return nil
}

// holds is the check after the fact: it uses none of the numbers the pivots
// have touched, only the problem as given.
func (p Problem) holds(x []float64, w *tableau) bool {
	for j, v := range x {
		lo, hi := p.bounds(j)
		if !(v >= lo && v <= hi) || math.IsInf(v, 0) {
			return false
		}
	}
	for i, r := range p.Rows {
		size := w.unit / w.rowScale[i]
		for j, a := range r.Coeff {
			size += math.Abs(a * x[j])
		}
		v := dot(r.Coeff, x)
		if !(v >= r.Lo-checkTol*(size+math.Abs(r.Lo)) || math.IsInf(r.Lo, -1)) {
			return false
		}
		if !(v <= r.Hi+checkTol*(size+math.Abs(r.Hi)) || math.IsInf(r.Hi, 1)) {
			return false
		}
	}
	return true
}

func dot(a, b []float64) float64 {
	s := 0.0
	for i, v := range a {
		s += v * b[i]
	}
	return s
}
