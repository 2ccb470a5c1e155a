package linprog

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/optimize/convex/lp"
)

// bath draws a program of the shape that the planning of additions writes: doses
// of materials, a bail-out, and slacks for what a limit is passed by, stays below
// its edge, below or above its aim; rows for each window times the volume after
// the doses, for the tank, the level and the water. Aims are in their order: the
// limits, the bail-out, the lower edges and the level, what is short, the price.
// Figures have twelve digits, so that a program written out as text is the same
// program and rows in proportion stay so. In about half of them some constituents have no slack, and the tank
// may be full: some of those have no answer.
func bath(r *rand.Rand) (p Problem, aims [][]float64) {
	size := func(lo, hi float64) float64 { return lo * math.Pow(hi/lo, r.Float64()) }
	between := func(lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }
	type constituent struct {
		target, low, high, n, sigma float64
		organic                     bool
	}
	volume := size(5, 300) // L, where the tank is run
	v := volume * between(0.9, 1.01)
	goal, dry := v, v*between(0, 0.06)
	if v < 0.985*volume {
		goal = volume
	}
	mark, least := volume*between(1.0, 1.05), volume*between(0.7, 0.95)
	mark, least = max(mark, v), min(least, v)
	cs := make([]constituent, 2+r.IntN(4))
	for i := range cs {
		c := &cs[i]
		c.organic = i > 0 && r.IntN(3) == 0
		c.target = size(0.3, 300) // g/L, mg/L or mL/L
		c.low, c.high = c.target*between(0.75, 0.97), c.target*between(1.04, 1.5)
		c.n = c.target * v * between(0.7, 1.25)
		c.sigma = c.n * between(0.002, 0.03)
	}
	type material struct {
		brings               []float64
		litres, price, stock float64
		water                bool
	}
	var ms []material
	for i, c := range cs {
		for range 1 + r.IntN(2) {
			m := material{brings: make([]float64, len(cs)), stock: math.Inf(1)}
			unit := size(1e-3, 1) // kg or L against g or mL
			m.brings[i] = c.target * size(1, 30) * unit
			m.litres = unit * between(0.2, 1)
			m.price = size(0.3, 30) * unit
			if k := r.IntN(len(cs)); k != i && r.IntN(4) == 0 { // brings or uses up another beside
				m.brings[k] = cs[k].target * unit * between(-20, 10)
			}
			if r.IntN(4) == 0 {
				m.stock = c.target * volume / m.brings[i] * between(0, 0.3)
			}
			ms = append(ms, m)
		}
	}
	if r.IntN(8) > 0 {
		ms = append(ms, material{brings: make([]float64, len(cs)), litres: 1, price: 0.001, stock: math.Inf(1), water: true})
	}
	bail := len(ms)
	over := func(i int) int { return bail + 1 + 4*i }
	low, short, past := func(i int) int { return over(i) + 1 }, func(i int) int { return over(i) + 2 }, func(i int) int { return over(i) + 3 }
	full := over(len(cs)) + 1
	dryer, count := full-1, full+1
	p.Cost, p.Upper = make([]float64, count), make([]float64, count)
	for range 5 {
		aims = append(aims, make([]float64, count))
	}
	for j := range p.Upper {
		p.Upper[j] = inf
	}
	p.Upper[bail] = 0
	// row is lo <= x·n' + y·V' + sign·slack <= hi for constituent i.
	row := func(name string, i int, x, y, n, vol, lo, hi float64, slack int, sign float64) {
		c := make([]float64, count)
		for j, m := range ms {
			c[j] = y * m.litres
			if i >= 0 {
				c[j] += x * m.brings[i]
			}
		}
		c[bail] = -y
		if i >= 0 {
			c[bail] -= x * cs[i].n / v
		}
		if slack >= 0 {
			c[slack] = sign
		}
		at := x*n + y*vol
		p.Rows = append(p.Rows, Row{name, c, lo - at, hi - at})
	}
	for j, m := range ms {
		aims[4][j], p.Upper[j] = m.price, m.stock
	}
	strict := r.IntN(2) == 0
	for i, c := range cs {
		all := max(c.target, c.high) * v
		aims[0][over(i)], aims[0][past(i)], aims[2][low(i)], aims[3][short(i)] = 1/all, 10/all, 1/all, 1/all
		if strict && r.IntN(3) > 0 {
			p.Upper[over(i)], p.Upper[low(i)], p.Upper[short(i)] = 0, 0, 0
		}
		name := strconv.Itoa(i)
		now := c.n / goal
		dose := now < c.target*between(0.9, 1)
		switch {
		case !c.organic && now > c.high:
			p.Upper[bail] = v / 2
			row("room "+name, i, 1, 0, c.n, v, -inf, c.target*between(1, 1.04)*goal, over(i), -1)
		default:
			row("now "+name, i, 1, -c.high, c.n, v, -inf, -1.645*c.sigma, over(i), -1)
			later := c.n * between(0.95, 1.03)
			row("later "+name, i, 1, -c.high, later, v-dry, -inf, -1.645*c.sigma*between(1, 1.5), over(i), -1)
		}
		edge := c.low
		if !dose {
			edge = min(edge, now)
		}
		row("edge "+name, i, 1, -edge, c.n, v, 0, inf, low(i), 1)
		if dose {
			row("aim "+name, i, 1, -c.target, c.n, v, 0, inf, short(i), 1)
			row("past "+name, i, 1, -max(c.target, c.n/v), c.n, v, -inf, 0, past(i), -1)
		}
	}
	row("mark", -1, 0, 1, 0, v, -inf, mark, -1, 0)
	row("least", -1, 0, 1, 0, v, least, inf, -1, 0)
	row("level", -1, 0, 1, 0, v, goal, inf, dryer, 1)
	row("level at most", -1, 0, 1, 0, v, -inf, goal, full, -1)
	water := make([]float64, count)
	for j, m := range ms {
		if m.water {
			water[j] = 1
		}
	}
	water[bail] = -1
	if p.Upper[bail] > 0 {
		row("put back", -1, 0, 1, 0, v, min(v, volume), inf, -1, 0)
	}
	p.Rows = append(p.Rows, Row{"water", water, -inf, goal - v})
	aims[1][bail], aims[2][dryer], aims[3][full] = 1/v, 10/v, 2/v

	shorten := func(list []float64) {
		for j, x := range list {
			list[j], _ = strconv.ParseFloat(strconv.FormatFloat(x, 'g', 12, 64), 64)
		}
	}
	shorten(p.Upper)
	for i := range p.Rows {
		limits := []float64{p.Rows[i].Lo, p.Rows[i].Hi}
		shorten(limits)
		shorten(p.Rows[i].Coeff)
		p.Rows[i].Lo, p.Rows[i].Hi = limits[0], limits[1]
	}
	for _, a := range aims {
		shorten(a)
	}
	p.Cost = aims[0]
	return p, aims
}

// together is one cost for all aims, for solvers that know only one.
func together(aims [][]float64) []float64 {
	c := make([]float64, len(aims[0]))
	for k, a := range aims {
		for j, x := range a {
			c[j] += x * []float64{1000, 100, 30, 10, 0.01}[k]
		}
	}
	return c
}

// loosen moves every limit of a row outwards by a millionth or two of its own: no
// two are then reached at once, where gonum's simplex can go round for ever.
func loosen(r *rand.Rand, p Problem) {
	for i := range p.Rows {
		row := &p.Rows[i]
		by := func(limit float64) float64 { return 1e-6 * (1 + r.Float64()) * (1 + math.Abs(limit)) }
		row.Lo -= by(row.Lo)
		row.Hi += by(row.Hi)
	}
}

// TestPlansAgainstGonum: programs as the planning of additions writes them,
// against gonum.org/v1/gonum/optimize/convex/lp in standard form. Which have an
// answer, and what it costs, is the same in every one.
func TestPlansAgainstGonum(t *testing.T) {
	r := rand.New(rand.NewPCG(17, 18))
	const problems = 2500
	none := 0
	for k := range problems {
		p, aims := bath(r)
		p.Cost = together(aims)
		loosen(r, p)
		s, err := Solve(p)
		var e *Infeasible
		switch {
		case err == nil:
			requireOptimal(t, p, s)
		case errors.As(err, &e):
			none++
			_, err := Solve(relaxed(p, e.Limits))
			require.ErrorAs(t, err, &e, "problem %d", k)
		default:
			t.Fatalf("problem %d: %v", k, err)
		}
		cost, peerErr, answered := peer(p)
		require.True(t, answered, "problem %d: %v", k, peerErr)
		if e != nil {
			require.ErrorIs(t, peerErr, lp.ErrInfeasible, "problem %d", k)
			continue
		}
		require.NoError(t, peerErr, "problem %d", k)
		require.InDelta(t, cost, s.Cost, 1e-6*(1e-3+math.Abs(cost)), "problem %d", k)
	}
	t.Logf("%d problems, %d infeasible", problems, none)
	assert.Greater(t, none, problems/10)
	assert.Less(t, none, problems*2/3)
}

// mps writes a program in free MPS with each aim as a row of its own; the first
// is the objective. A row with two limits becomes two.
func mps(p Problem, aims [][]float64) string {
	var b strings.Builder
	num := func(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }
	type line struct {
		kind string
		row  Row
		rhs  float64
	}
	var lines []line
	for _, r := range p.Rows {
		if !math.IsInf(r.Lo, 0) {
			lines = append(lines, line{"G", r, r.Lo})
		}
		if !math.IsInf(r.Hi, 0) {
			lines = append(lines, line{"L", r, r.Hi})
		}
	}
	b.WriteString("NAME bath\nROWS\n")
	for k := range aims {
		fmt.Fprintf(&b, " N aim%d\n", k+1)
	}
	for i, l := range lines {
		fmt.Fprintf(&b, " %s r%d\n", l.kind, i)
	}
	b.WriteString("COLUMNS\n")
	for j := range p.Cost {
		fmt.Fprintf(&b, " x%d aim1 %s\n", j, num(aims[0][j])) // even where it is 0, so that the column is there
		for k, a := range aims[1:] {
			if a[j] != 0 {
				fmt.Fprintf(&b, " x%d aim%d %s\n", j, k+2, num(a[j]))
			}
		}
		for i, l := range lines {
			if c := l.row.Coeff[j]; c != 0 {
				fmt.Fprintf(&b, " x%d r%d %s\n", j, i, num(c))
			}
		}
	}
	b.WriteString("RHS\n")
	for i, l := range lines {
		fmt.Fprintf(&b, " rhs r%d %s\n", i, num(l.rhs))
	}
	b.WriteString("BOUNDS\n")
	for j := range p.Cost {
		if lo, hi := p.bounds(j); lo == hi {
			fmt.Fprintf(&b, " FX b x%d %s\n", j, num(lo))
		} else if !math.IsInf(hi, 0) {
			fmt.Fprintf(&b, " UP b x%d %s\n", j, num(hi))
		}
	}
	b.WriteString("ENDATA\n")
	return b.String()
}
