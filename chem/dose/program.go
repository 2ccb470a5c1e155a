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

// program is the plan as a linear program. Its variables are the amounts of the
// usable materials in their own units, then the bail-out (L), then slacks.
//
// Bath is bailed before anything is put in, so it leaves at the present
// concentration c, and every limit stays linear in the amounts x and the
// bail-out d once it is multiplied by the volume:
//
//	n' = n - c·d + Σ b·x        V' = V - d + Σ l·x
//	n' - high·V' <= -k·σ        and the same before the next top-up, when
//	                            n' and V' have changed as if nothing were added
//	aim·V' <= n' + short        dosed constituents
//	n' - past <= aim·V'         the same (or where they are, if that is more):
//	                            none is put in to dilute another
//	edge·V' <= n' + low         the lower edge of the window, or where it is now
//	n' - over <= room·goal      what a bail-out is for, with the level kept
//
// Where nothing brings a constituent its edge counts at the level that is aimed
// at: or what little volume a brightener adds would forbid it. The room counts
// there too: or anything that adds volume would be put in to spare a bail-out.
//
// σ² = P_nn - 2·high·P_nV + high²·P_VV, so that errors which amount and volume
// share do not count twice.
type program struct {
	w         *work
	materials []chem.Material
	bounds    []bound // by constituent
	mark      float64 // L, the most the tank may hold after the plan
	least     float64 // L, the least

	bail, dry, full       int
	over, low, shor, past []int
	count                 int

	fixed map[int]float64 // variables that rounding has settled already
}

// bound is what the plan holds one constituent to; rhs are amounts.
type bound struct {
	upper            bool // the two rows of the upper limit are there
	rhsNow, rhsLater float64
	lower            bool // the row of a bail-out is there
	room             float64
	edged            bool // the row of the lower edge is there
	edge             float64
	brought          bool // a usable material brings it
	dosed            bool
	aim              float64
	size             float64 // amount that counts as all of it
}

// exact is an amount per material and a bail-out, not yet rounded. Slacks are by
// constituent, in amounts; dry in L.
type exact struct {
	amounts          []float64
	bail, dry        float64
	over, low, short []float64
}

// program sets the rows up. Strong acid is left out where a weaker one brings
// the same, unless it is asked for.
func (w *work) program(strong bool) *program {
	g := &program{w: w}
	for _, m := range w.e.Recipe.Materials {
		if w.usable(m) && (strong || !w.weakerThan(m)) {
			g.materials = append(g.materials, m)
		}
	}
	n := len(w.mean) - 1
	for i := range w.needs {
		x := &w.needs[i]
		b := bound{size: math.Max(math.Max(x.target, x.c.High), 1e-9) * w.v}
		brought := slices.ContainsFunc(g.materials, func(m chem.Material) bool { return g.brings(m, i) > 0 })
		switch h := x.c.High; {
		case x.lower:
			b.lower, b.room = true, x.room
		case h > 0 && brought:
			b.upper = true
			// Beyond its limit already: not worse, but for what water cannot be
			// measured out to.
			level := w.goal - g.waterStep()
			b.rhsNow = math.Max(-x.kNow*x.sigNow, w.mean[i]-h*level)
			b.rhsLater = math.Max(-x.kLowest*x.sigLow, w.later[i]-h*(level-x.dry))
		}
		if !x.shut && !x.c.Contaminant() {
			b.edged, b.edge = true, x.c.Low
			if !x.dose {
				b.edge = math.Min(x.c.Low, w.mean[i]/w.goal)
			}
		}
		b.dosed, b.aim, b.brought = x.dose, x.aim, brought
		g.bounds = append(g.bounds, b)
	}
	// The level may be off: keep the mark as far away as the volume is unsure,
	// or as far as the bath's own volume lies below it. Near the mark the little
	// that salts and brightener take up is let in.
	most := w.e.Bath.Most()
	k := zHigh
	if w.uv > 0 {
		k = math.Min(zHigh, math.Max(0, (most-w.goal)/w.uv))
	}
	g.mark = math.Max(most-k*w.uv, math.Min(w.goal*(1+littleRoom), most))
	g.mark = math.Max(g.mark, w.mean[n])
	g.least = math.Min(w.e.Bath.Least(), w.v)
	next := len(g.materials)
	g.bail = next
	next++
	for range w.needs {
		g.over, g.low, g.shor, g.past = append(g.over, next), append(g.low, next+1), append(g.shor, next+2), append(g.past, next+3)
		next += 4
	}
	g.dry, g.full, g.count = next, next+1, next+2
	return g
}

// waterStep is what water is measured out to, L; 0 where none is used.
func (g *program) waterStep() float64 {
	step := 0.0
	for _, m := range g.materials {
		if isWater(m) && g.w.goal > g.w.v {
			step = math.Max(step, litres(m)*m.Smallest)
		}
	}
	return math.Min(step, 0.01*g.w.v)
}

// littleRoom is the part of the volume that is let into a tank whose level is
// too unsure to say that it is not at its mark.
const littleRoom = 0.002

// usable tells whether a material may be part of the plan: water always, others
// only where what they are there for is to be dosed and nothing they touch waits
// for a reading.
func (w *work) usable(m chem.Material) bool {
	if !w.allowed(m) || w.refusedSalts[m.Name] || w.usedUp(m) {
		return false
	}
	if isWater(m) {
		return true
	}
	wanted := false
	for i := range w.needs {
		x := &w.needs[i]
		b := m.Brings[x.c.Name]
		wanted = wanted || b > 0 && x.dose && w.isFor(m, i)
		if b != 0 && x.shut {
			return false
		}
	}
	return wanted
}

// isFor tells whether a material is there for constituent i: nickel chloride is
// for chloride and no way to feed nickel, unless the recipe has no other.
func (w *work) isFor(m chem.Material, i int) bool {
	if w.mainly(m) == i {
		return true
	}
	return !slices.ContainsFunc(w.e.Recipe.Materials, func(o chem.Material) bool {
		return o.Name != m.Name && o.Brings[w.needs[i].c.Name] > 0 && w.mainly(o) == i
	})
}

// mainly is the constituent that a material brings most of beside its target.
func (w *work) mainly(m chem.Material) int {
	best, most := -1, 0.0
	for i := range w.needs {
		c := &w.needs[i].c
		if share := m.Brings[c.Name] / math.Max(c.Target, 1e-9); c.Target > 0 && share > most {
			best, most = i, share
		}
	}
	return best
}

// weakerThan tells whether a strong acid has a weaker one beside it in the
// recipe that may be used instead.
func (w *work) weakerThan(m chem.Material) bool {
	return m.Acid >= strongAcid && slices.ContainsFunc(w.e.Recipe.Materials, func(o chem.Material) bool {
		return o.Acid > 0 && o.Acid < strongAcid && w.usable(o)
	})
}

// strongAcid is the mass fraction from which sulfuric acid counts as strong:
// above it a pour can boil where it goes in. Common practice, no source.
const strongAcid = 0.5

func isWater(m chem.Material) bool { return m.Water || len(m.Brings) == 0 && m.Litres > 0 }

// litres is the volume that one unit adds, L.
func litres(m chem.Material) float64 {
	if isWater(m) && m.Litres == 0 {
		l, _ := m.Unit.Convert(1, "L")
		return l
	}
	return m.Litres
}

// brings is what one unit of m puts in of constituent i.
func (g *program) brings(m chem.Material, i int) float64 { return m.Brings[g.w.needs[i].c.Name] }

// after returns amount and volume once the plan is carried out, for constituent
// i.
func (g *program) after(i int, amounts []float64, bail float64) (n, v float64) {
	w := g.w
	n, v = w.mean[i]*(1-bail/w.v), w.v-bail
	for j, m := range g.materials {
		n += g.brings(m, i) * amounts[j]
		v += litres(m) * amounts[j]
	}
	return n, v
}

// problem writes the program out. Constituents in strict have no slack: they are
// held to what they are wanted at.
func (g *program) problem(strict map[int]bool) (p linprog.Problem, tiers [][]float64) {
	w := g.w
	p = linprog.Problem{Cost: make([]float64, g.count), Lower: make([]float64, g.count), Upper: make([]float64, g.count)}
	less, low, lack, price := make([]float64, g.count), make([]float64, g.count), make([]float64, g.count), make([]float64, g.count)
	for j := range p.Upper {
		p.Upper[j] = math.Inf(1)
	}
	p.Upper[g.bail] = 0
	// row adds lo <= x·n' + y·V' + slack <= hi, where before the plan n and v
	// are what they are at that moment.
	row := func(name string, i int, x, y, n, v, lo, hi float64, slack int, sign float64) {
		c := make([]float64, g.count)
		for j, m := range g.materials {
			c[j] = y * litres(m)
			if i >= 0 {
				c[j] += x * g.brings(m, i)
			}
		}
		c[g.bail] = -y
		if i >= 0 {
			c[g.bail] -= x * w.mean[i] / w.v
		}
		if slack >= 0 {
			c[slack] = sign
		}
		at := x*n + y*v
		p.Rows = append(p.Rows, linprog.Row{Name: name, Coeff: c, Lo: lo - at, Hi: hi - at})
	}
	inf := math.Inf(1)
	for j, m := range g.materials {
		price[j] = g.cost(m)
		if m.Stock > 0 {
			p.Upper[j] = m.Stock
		}
	}
	for i := range w.needs {
		x, b := &w.needs[i], g.bounds[i]
		p.Cost[g.over[i]], low[g.low[i]], lack[g.shor[i]] = 1/b.size, 1/b.size, 1/b.size
		// Nothing is put in past its aim to thin another, to spare a bail-out or to
		// make up a level.
		p.Cost[g.past[i]] = 10 / b.size
		if strict[i] {
			p.Upper[g.over[i]], p.Upper[g.low[i]], p.Upper[g.shor[i]] = 0, 0, 0
		}
		at := func(c float64, side string) string {
			return fmt.Sprintf("%s at %s %s or %s", x.c.Name, tidy(c), x.c.Unit, side)
		}
		if b.lower {
			p.Upper[g.bail] = w.v / 2
			row(at(b.room, "less"), i, 1, 0, w.mean[i], w.v, -inf, b.room*w.goal, g.over[i], -1)
		}
		if b.upper {
			h := x.c.High
			surely := fmt.Sprintf("%s surely at %s %s or less", x.c.Name, tidy(h), x.c.Unit)
			row(surely, i, 1, -h, w.mean[i], w.v, -inf, b.rhsNow, g.over[i], -1)
			row(surely+" until the next top-up", i, 1, -h, w.later[i], w.v-x.dry, -inf, b.rhsLater, g.over[i], -1)
		}
		switch {
		case b.edged && b.brought:
			row(at(b.edge, "more"), i, 1, -b.edge, w.mean[i], w.v, 0, inf, g.low[i], 1)
		case b.edged:
			row(at(b.edge, "more"), i, 1, 0, w.mean[i], w.v, b.edge*w.goal, inf, g.low[i], 1)
		}
		if b.dosed {
			row(at(b.aim, "more"), i, 1, -b.aim, w.mean[i], w.v, 0, inf, g.shor[i], 1)
			most := math.Max(b.aim, x.now)
			row(at(most, "less"), i, 1, -most, w.mean[i], w.v, -inf, 0, g.past[i], -1)
		}
	}
	row(fmt.Sprintf("no more than %s"+inTheTank, tidy(g.mark)), -1, 0, 1, 0, w.v, -inf, g.mark, -1, 0)
	row(fmt.Sprintf("no less than %s L in the tank", tidy(g.least)), -1, 0, 1, 0, w.v, g.least, inf, -1, 0)
	row("the level", -1, 0, 1, 0, w.v, w.goal, inf, g.dry, 1)
	row("the level at most", -1, 0, 1, 0, w.v, -inf, w.goal, g.full, -1)
	// Water only replaces what is missing or bailed: as a free variable it
	// would over-fill, which is the cheapest way to bail.
	c := make([]float64, g.count)
	for j, m := range g.materials {
		if isWater(m) {
			c[j] = litres(m)
		}
	}
	c[g.bail] = -1
	if len(g.fixed) == 0 {
		if p.Upper[g.bail] > 0 {
			row("as much put back as is bailed out", -1, 0, 1, 0, w.v, math.Min(w.v, w.e.Bath.Volume), inf, -1, 0)
		}
		p.Rows = append(p.Rows, linprog.Row{Name: onlyMissing, Coeff: c, Lo: -inf, Hi: w.goal - w.v})
	}
	for j, x := range g.fixed {
		p.Lower[j], p.Upper[j] = x, x
	}
	less[g.bail] = 1 / w.v
	low[g.dry] = 10 / w.v
	// Above the level that is aimed at only where what is short is worth more than
	// its room: no water beside it to thin the rest.
	lack[g.full] = 2 / w.v
	return p, [][]float64{less, low, lack, price}
}

// Names of rows that messages look for.
const (
	inTheTank   = " L in the tank"
	onlyMissing = "water only for what is missing"
)

// solve finds the plan. The aims are taken in order, so that no price ever buys
// a broken limit: upper limits and nothing past its aim, as little bailed as they
// ask for, lower edges and level, targets, cost.
func (g *program) solve() (exact, error) {
	p, tiers := g.problem(nil)
	s, err := linprog.SolveInOrder(p, tiers...)
	if err != nil {
		return exact{}, err
	}
	x := exact{amounts: s.X[:len(g.materials)], bail: s.X[g.bail], dry: s.X[g.dry]}
	for i := range g.w.needs {
		x.over, x.low, x.short = append(x.over, s.X[g.over[i]]), append(x.low, s.X[g.low[i]]), append(x.short, s.X[g.shor[i]])
	}
	return x, nil
}

// conflict names the limits that keep constituents from where they are wanted,
// in words: what is wanted itself is left out. It is empty where they can all be
// met.
func (g *program) conflict(wanted map[int]bool) []string {
	p, _ := g.problem(wanted)
	_, err := linprog.Solve(p)
	var clash *linprog.Infeasible
	if !errors.As(err, &clash) {
		return nil
	}
	var words []string
	add := func(s string) {
		if !slices.Contains(words, s) {
			words = append(words, s)
		}
	}
	for _, l := range clash.Limits {
		switch {
		case l.Row >= 0 && (!l.High && strings.HasSuffix(l.Name, " or more") || l.Name == onlyMissing):
			// what is wanted, and a rule of the program, are not what is in the way
		case l.Row >= 0:
			add(l.Name)
		case l.Variable < len(g.materials) && l.High:
			m := g.materials[l.Variable]
			amount, unit := shown(m.Stock, m.Unit)
			add(fmt.Sprintf("%s %s of %s in stock", chem.DecimalOf(amount), unit, m.Name))
		case l.Variable == g.bail && l.High && p.Upper[g.bail] > 0:
			add("no more than half of the bath bailed out at once")
		}
	}
	return words
}

// Costs where the recipe has no price for everything, in no money: they only
// choose between materials that do the same. Strong acid is dear because it is
// the one that hurts.
const (
	otherCost      = 5.0 // times, beside one that the recipe prefers
	strongAcidCost = 50.0
	waterCost      = 0.001
)

// cost is what one unit of a material costs: its price where every material has
// one, else how much of a litre's worth of constituents it brings.
func (g *program) cost(m chem.Material) float64 {
	if isWater(m) {
		return waterCost * litres(m)
	}
	c := m.Price
	if slices.ContainsFunc(g.materials, func(o chem.Material) bool { return !isWater(o) && o.Price <= 0 }) {
		c = 0
		for i := range g.w.needs {
			c += math.Abs(g.brings(m, i)) / g.bounds[i].size
		}
	}
	switch {
	case m.Acid >= strongAcid:
		c *= strongAcidCost
	case !m.Prefer:
		c *= otherCost
	}
	return math.Max(c, 1e-9)
}
