package dose

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"steadybath/chem"
	"steadybath/chem/linprog"
)

// The program's variables are the amounts of the usable materials in their own
// units, then the bail-out (L), then for each constituent a shortfall and an
// excess (in amount, unit times litres), then the shortfall of the level (L).
//
// Bath is bailed before anything is put in, so it leaves at the present
// concentration and every limit stays linear:
//
//	n' = n - c·d + Σ b·x        V' = V - d + Σ l·x
//	aim·V' <= n' + short        n' - over <= most·V'
type program struct {
	w         *work
	materials []chem.Material
	bail      int
	short     []int
	over      []int
	dry       int
	count     int
}

// exact is an amount per material and a bail-out, not yet rounded.
type exact struct {
	amounts []float64
	bail    float64
	over    []float64 // by constituent
	short   []float64
}

func (w *work) program() *program {
	g := &program{w: w}
	for _, m := range w.e.Recipe.Materials {
		if w.usable(m) {
			g.materials = append(g.materials, m)
		}
	}
	n := len(g.materials)
	g.bail = n
	next := n + 1
	for range w.needs {
		g.short, g.over = append(g.short, next), append(g.over, next+1)
		next += 2
	}
	g.dry, g.count = next, next+1
	return g
}

// usable tells whether a material may be part of the plan: water always, others
// only where something they bring is to be dosed and nothing they bring waits
// for a second reading.
func (w *work) usable(m chem.Material) bool {
	if len(w.o.Only) > 0 && !slices.ContainsFunc(w.o.Only, func(s string) bool { return strings.EqualFold(s, m.Name) }) {
		return false
	}
	if isWater(m) {
		return true
	}
	wanted := false
	for _, x := range w.needs {
		b := m.Brings[x.c.Name]
		if b > 0 && x.dose {
			wanted = true
		}
		if b != 0 && x.shut {
			return false
		}
	}
	return wanted
}

func isWater(m chem.Material) bool { return m.Water || len(m.Brings) == 0 && m.Litres > 0 }

// brings is what one unit of m puts in of constituent i.
func (g *program) brings(m chem.Material, i int) float64 { return m.Brings[g.w.needs[i].c.Name] }

// solve finds the plan: limits before shortfalls before cost. The three aims
// are taken in order, so that no price ever buys a broken limit.
func (g *program) solve(bailing bool) (exact, error) {
	w := g.w
	n := len(w.needs)
	p := linprog.Problem{Cost: make([]float64, g.count), Lower: make([]float64, g.count), Upper: make([]float64, g.count)}
	lack, price := make([]float64, g.count), make([]float64, g.count)
	for j := range p.Upper {
		p.Upper[j] = math.Inf(1)
	}
	row := func(name string) []float64 {
		p.Rows = append(p.Rows, linprog.Row{Name: name, Coeff: make([]float64, g.count), Lo: math.Inf(-1), Hi: math.Inf(1)})
		return p.Rows[len(p.Rows)-1].Coeff
	}
	last := func() *linprog.Row { return &p.Rows[len(p.Rows)-1] }
	v := w.v
	for j, m := range g.materials {
		price[j] = cost(m)
		if m.Stock > 0 {
			p.Upper[j] = m.Stock
		}
	}
	if !bailing {
		p.Upper[g.bail] = 0
	} else {
		p.Upper[g.bail] = v / 2
	}
	price[g.bail] = bailCost
	for i, x := range w.needs {
		p.Upper[g.short[i]], p.Upper[g.over[i]] = math.Inf(1), math.Inf(1)
		size := math.Max(x.target, 1e-9) * math.Max(v, 1)
		p.Cost[g.over[i]] = 1 / size
		lack[g.short[i]] = 1 / size
		c := w.mean[i] / v
		if !math.IsInf(x.most, 1) && !x.shut {
			most := x.most
			if x.lower {
				most = w.room(i)
			} else {
				most = math.Max(most, x.now) // already beyond: not worse
			}
			r := row(x.c.Name + " at most")
			for j, m := range g.materials {
				r[j] = g.brings(m, i) - most*m.Litres
			}
			r[g.bail] = most - c
			r[g.over[i]] = -1
			last().Hi = most*v - w.mean[i]
		}
		if !x.shut && !x.c.Contaminant() {
			aim := math.Min(x.c.Low, x.now)
			if x.dose {
				aim = x.target
			}
			r := row(x.c.Name + " at least")
			for j, m := range g.materials {
				r[j] = g.brings(m, i) - aim*m.Litres
			}
			r[g.bail] = aim - c
			r[g.short[i]] = 1
			last().Lo = aim*v - w.mean[i]
		}
	}
	most := math.Max(w.e.Bath.Most(), v)
	level := row("the tank's upper mark")
	for j, m := range g.materials {
		level[j] = m.Litres
	}
	level[g.bail] = -1
	last().Hi = most - v
	// Water only replaces what is missing or bailed: as a free variable it
	// would over-fill, which is the cheapest way to bail.
	replace := row("water for what is missing")
	for j, m := range g.materials {
		if isWater(m) {
			replace[j] = m.Litres
		}
	}
	replace[g.bail] = -1
	last().Hi = math.Max(0, w.goal-v)
	filled := row("the level")
	for j, m := range g.materials {
		filled[j] = m.Litres
	}
	filled[g.bail], filled[g.dry] = -1, 1
	last().Lo = w.goal - v
	lack[g.dry] = 0.1 / math.Max(v, 1)
	s, err := linprog.SolveInOrder(p, lack, price)
	if err != nil {
		return exact{}, err
	}
	out := exact{amounts: s.X[:len(g.materials)], bail: s.X[g.bail], over: make([]float64, n), short: make([]float64, n)}
	for i := range n {
		out.over[i], out.short[i] = s.X[g.over[i]], s.X[g.short[i]]
	}
	return out, nil
}

// room is the concentration a bail-out brings a constituent down to: room for
// weeks of creep, since a bail-out is waste.
func (w *work) room(i int) float64 {
	x := w.needs[i]
	ahead, _ := w.e.Ahead(creep, creep*w.perDay)
	rise := math.Max(0, ahead[i]/w.goal-w.mean[i]/w.goal)
	return math.Max(x.target, math.Min(x.most, x.c.High-rise-zHigh*x.u))
}

// Costs per unit where the recipe has no price, in no money: they only choose
// between materials that do the same. Strong acid is dear because it is the one
// that hurts; a bail-out because it is waste.
const (
	plainCost      = 1.0
	otherCost      = 5.0 // beside one that the recipe prefers
	strongAcidCost = 50.0
	waterCost      = 0.001
	bailCost       = 20.0
	strongAcid     = 0.5 // mass fraction from which an acid counts as strong
)

func cost(m chem.Material) float64 {
	switch {
	case isWater(m):
		return waterCost
	case m.Acid >= strongAcid:
		return strongAcidCost * math.Max(m.Price, plainCost)
	case m.Prefer:
		return math.Max(m.Price, plainCost)
	}
	return otherCost * math.Max(m.Price, plainCost)
}

// solve makes the plan: the program's answer, rounded to what can be weighed
// out and checked again.
func (w *work) solve(p *Plan) error {
	g := w.program()
	bailing := slices.ContainsFunc(w.needs, func(x need) bool { return x.lower })
	x, err := g.solve(bailing)
	var conflict *linprog.Infeasible
	if errors.As(err, &conflict) {
		p.Refused = append(p.Refused, Refusal{"a plan", "these limits cannot be kept together: " + strings.Join(conflict.Rows, ", ")})
		return nil
	}
	if err != nil {
		return fmt.Errorf("plan the additions: %w", err)
	}
	w.explainGaps(p, g, x)
	amounts, bail := g.rounded(x)
	w.write(p, g, amounts, bail)
	return nil
}

// explainGaps says what the plan leaves undone, and which limit is in the way.
func (w *work) explainGaps(p *Plan, g *program, x exact) {
	for i, nd := range w.needs {
		if nd.dose && x.short[i] > 0.02*nd.target*w.v {
			brings := slices.ContainsFunc(g.materials, func(m chem.Material) bool { return g.brings(m, i) > 0 })
			why := fmt.Sprintf("the plan falls short of %s %s by %s, so that no upper limit and no mark of the tank is passed", round(nd.target), nd.c.Unit, round(x.short[i]/w.v))
			if !brings {
				why = "no material that may be used brings it"
			}
			p.Refused = append(p.Refused, Refusal{nd.c.Name, why})
		}
		if x.over[i] > 0.002*nd.target*w.v && nd.lower {
			p.Refused = append(p.Refused, Refusal{nd.c.Name, fmt.Sprintf("stays %s %s above what it should come down to: no more can be bailed at once", round(x.over[i]/w.v), nd.c.Unit)})
		}
	}
}

// rounded brings the amounts to what can be weighed or measured out, and down
// where rounding up would pass a limit that the exact plan keeps.
func (g *program) rounded(x exact) ([]float64, float64) {
	out := make([]float64, len(x.amounts))
	for j, m := range g.materials {
		step := m.Smallest
		if step <= 0 {
			step = 1e-3
		}
		if x.amounts[j] > 200*step { // two figures finer than the amount is enough
			step = math.Max(step, math.Pow(10, math.Floor(math.Log10(x.amounts[j]))-2))
		}
		out[j] = math.Round(x.amounts[j]/step) * step
		if out[j] > m.Stock && m.Stock > 0 {
			out[j] = math.Floor(m.Stock/step) * step
		}
		if out[j] < m.Smallest {
			out[j] = 0
		}
	}
	bail := math.Round(x.bail*10) / 10
	for range 3 {
		again := false
		for i, nd := range g.w.needs {
			if nd.shut || nd.lower || math.IsInf(nd.most, 1) {
				continue
			}
			c := g.concentration(i, out, bail)
			if c <= math.Max(nd.most, nd.now)*(1+1e-3) {
				continue
			}
			for j, m := range g.materials {
				if g.brings(m, i) > 0 && out[j] > 0 {
					out[j] = math.Max(0, out[j]-math.Max(m.Smallest, 1e-3))
					again = true
				}
			}
		}
		if !again {
			break
		}
	}
	return out, bail
}

// concentration is that of constituent i after the plan.
func (g *program) concentration(i int, amounts []float64, bail float64) float64 {
	w := g.w
	n, v := w.mean[i]-w.mean[i]/w.v*bail, w.v-bail
	for j, m := range g.materials {
		n += g.brings(m, i) * amounts[j]
		v += m.Litres * amounts[j]
	}
	return n / math.Max(v, 1e-6)
}
