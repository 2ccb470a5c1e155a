package dose

import (
	"math"

	"steadybath/chem/estimate"
)

// Program is the exact plan of the last pass, before it is rounded, with what
// the aims are worth at any other point: for a test that looks for a better one.
type Program struct {
	Amounts  []float64
	Bail     float64
	Feasible func(amounts []float64, bail float64) bool
	Aims     func(amounts []float64, bail float64) []float64 // in their order, less is better
}

// ExactPlan returns nil where nothing is wanted.
func ExactPlan(e *estimate.Estimate, o Options) (*Program, error) {
	w := newWork(e, o)
	w.decide(&Plan{})
	if w.blind || !w.wantsAnything() {
		return nil, nil
	}
	g := w.program(false)
	x, err := g.solve()
	if err != nil {
		return nil, err
	}
	return &Program{Amounts: x.amounts, Bail: x.bail, Feasible: g.feasible, Aims: g.aims}, nil
}

// feasible and aims are written from the rules, not from the rows.
func (g *program) feasible(amounts []float64, bail float64) bool {
	w := g.w
	v, water := w.v-bail, 0.0
	lowering := false
	for j, m := range g.materials {
		if amounts[j] < 0 || m.Stock > 0 && amounts[j] > m.Stock {
			return false
		}
		v += litres(m) * amounts[j]
		if isWater(m) {
			water += litres(m) * amounts[j]
		}
	}
	for _, x := range w.needs {
		lowering = lowering || x.lower
	}
	if bail < 0 || bail > w.v/2 || bail > 0 && !lowering || v > g.mark || v < g.least || water > w.goal-w.v+bail {
		return false
	}
	return !lowering || v >= math.Min(w.v, w.e.Bath.Volume)
}

func (g *program) aims(amounts []float64, bail float64) []float64 {
	w := g.w
	over, low, lack, price := 0.0, 0.0, 0.0, 0.0
	v := w.v - bail
	for j, m := range g.materials {
		v += litres(m) * amounts[j]
		price += g.cost(m) * amounts[j]
	}
	for i, b := range g.bounds {
		n, _ := g.after(i, amounts, bail)
		excess, below, off := g.breaks(i, amounts, bail)
		over += excess / b.size
		low += below / b.size
		if b.dosed {
			lack += math.Max(0, off) / b.size
			over += 10 * math.Max(0, n-math.Max(b.aim, w.needs[i].now)*v) / b.size
		}
	}
	low += 10 * math.Max(0, w.goal-v) / w.v
	lack += 2 * math.Max(0, v-w.goal) / w.v
	return []float64{over, bail / w.v, low, lack, price}
}
