package dose

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"steadybath/chem"
	"steadybath/chem/hazard"
	"steadybath/chem/linprog"
)

// MakeUpOptions say what a new bath is to be.
type MakeUpOptions struct {
	Volume  float64            // L, the mark it is filled to
	Target  map[string]float64 // other targets, by constituent, in its unit
	Only    []string           // materials to use, and no others but water
	Coldest float64            // degC, the coldest the bath may get; 0: the recipe's
}

// Weighing is how much of a material a new bath takes.
type Weighing struct {
	Material chem.Material
	Amount   float64   // in Unit
	Unit     chem.Unit // g, kg, mL or L: what a balance or a cylinder shows
}

// Reached is a constituent of the new bath.
type Reached struct {
	Name          string
	Unit          chem.Unit
	Target, Value float64 // Value is what the rounded amounts give at the mark
}

// Stage names what a step of a make-up is.
type Stage string

// The stages, in their order.
const (
	StageBags     Stage = "bags"
	StageWater    Stage = "water"
	StageAcid     Stage = "acid"
	StageSalt     Stage = "salt"
	StageClean    Stage = "clean"
	StageLevel    Stage = "level"
	StageChloride Stage = "chloride"
	StageOrganic  Stage = "organic"
	StageHang     Stage = "hang"
	StageDummy    Stage = "dummy"
	StageRead     Stage = "read"
)

// Stages lists the stages in the order of work.
func Stages() []Stage {
	return []Stage{StageBags, StageWater, StageAcid, StageSalt, StageClean, StageLevel, StageChloride, StageOrganic, StageHang, StageDummy, StageRead}
}

// MakeUpStep is one box to tick.
type MakeUpStep struct {
	Stage    Stage
	Material string // empty where nothing goes in
	Amount   float64
	Unit     chem.Unit
	Do       string    // what is done, after the amount where there is one
	Portions []Portion // where it goes in by parts: they sum to Amount
	Notes    []string
	Cautions []string
	Fact     chem.Body // what is written down once it was done, as far as the sheet knows; nil where the filling says it, or nothing does
}

// MakeUp is the sheet for a new bath.
type MakeUp struct {
	Title    string
	Volume   float64 // L
	Weigh    []Weighing
	Steps    []MakeUpStep
	Reached  []Reached
	Short    []string // what the shelf does not hold
	Cautions []string

	recipe *chem.Recipe
}

// Rules of making up. Common practice, no source, where none is named.
const (
	firstWater   = 2.0 / 3 // of the volume: what a tank is filled with before anything goes in
	carbonPer    = 2.0     // g/L of carbon, left overnight: a supplier's sheet for decorative acid copper, read in excerpt
	saltPerLitre = 20.0    // g of salt per litre in the tank at a time, so that none cakes on the bottom
	saltMost     = 1000.0  // g of salt at a time
	organicWait  = "mix through one turnover of the bath"
)

// NewBath plans how a bath is made up from a recipe: which materials, how much of
// each, and in which order. It is an error where the recipe is of a cyanide bath
// or of a metal whose make-up is not known here, where its materials cannot give
// the targets, and where the bath would not stay dissolved.
func NewBath(r *chem.Recipe, o MakeUpOptions) (*MakeUp, error) {
	switch {
	case r.Cyanide:
		return nil, fmt.Errorf("no make-up is given: %s", hazard.CyanideAtAll)
	case !strings.EqualFold(r.Metal, "copper") && !strings.EqualFold(r.Metal, "nickel"):
		return nil, fmt.Errorf("a make-up is known for acid copper and for nickel baths, not for %s: take the supplier's", r.Metal)
	case !(o.Volume > 0) || math.IsInf(o.Volume, 0):
		return nil, fmt.Errorf("a bath of %g L cannot be made up; more than 0 L would fit", o.Volume)
	case o.Coldest != 0 && !(o.Coldest >= 0 && o.Coldest <= 50):
		return nil, fmt.Errorf("a coldest temperature of %g degC: 0 to 50 would fit", o.Coldest)
	}
	g := &making{r: r, o: o}
	if err := g.aims(); err != nil {
		return nil, err
	}
	if err := g.choose(); err != nil {
		return nil, err
	}
	return g.sheet()
}

// making is one make-up in the making.
type making struct {
	r       *chem.Recipe
	o       MakeUpOptions
	cons    []chem.Constituent // those that are put in
	aim     []float64          // their targets
	used    []chem.Material    // water last
	amounts []float64          // of used, in its units, rounded; the water is what the mark leaves
	first   float64            // L of water before anything else
	cold    float64            // degC
	hot     float64
}

// aims collects what is to be in the bath.
func (g *making) aims() error {
	wanted := map[string]float64{}
	for name, t := range g.o.Target {
		c, ok := g.r.Constituent(name)
		switch {
		case !ok:
			return fmt.Errorf("the recipe has no %s; it has %s", name, names(g.r))
		case c.Contaminant():
			return fmt.Errorf("%s is a contaminant with an upper limit of %s %s; a bath is not made up with it", c.Name, tidy(c.High), c.Unit)
		case !(t > 0) || !(t >= c.Low && t <= c.High):
			return fmt.Errorf("a target of %g %s for %s lies outside its window of %s to %s %s; change the recipe first if that is meant", t, c.Unit, c.Name, tidy(c.Low), tidy(c.High), c.Unit)
		}
		wanted[c.Name] = t
	}
	for _, c := range g.r.Constituents {
		t, other := wanted[c.Name]
		if !other {
			t = c.Target
		}
		if c.Contaminant() || !(t > 0) {
			continue
		}
		g.cons, g.aim = append(g.cons, c), append(g.aim, t)
	}
	g.cold, g.hot = coldBath, warmBath
	if t := g.r.Limits.Temperature; t[1] > 0 {
		g.cold, g.hot = t[0], t[1]
	}
	if g.o.Coldest != 0 {
		g.cold = g.o.Coldest
	}
	return nil
}

// candidates are the materials that may be used: all, or those asked for, with
// water and without strong acid where a weaker one is there.
func (g *making) candidates() ([]chem.Material, error) {
	asked := map[string]bool{}
	for _, name := range g.o.Only {
		m, ok := g.r.Material(name)
		if !ok {
			return nil, fmt.Errorf("the recipe has no material %s", name)
		}
		asked[m.Name] = true
	}
	var out []chem.Material
	var water *chem.Material
	for _, m := range g.r.Materials {
		switch {
		case isWater(m):
			if water == nil {
				water = &m
			}
			continue
		case len(asked) > 0 && !asked[m.Name]:
			continue
		}
		if slices.ContainsFunc(g.cons, func(c chem.Constituent) bool { return m.Brings[c.Name] > 0 }) {
			out = append(out, m)
		}
	}
	if water == nil {
		water = &chem.Material{Name: "deionised water", Unit: "L", Litres: 1, Smallest: 0.1, Water: true}
	}
	return append(out, *water), nil
}

// choose finds the amounts. The program has one variable per material and two
// kinds of equation, one per constituent and one of the volume:
//
//	Σ brings·x = target·V        Σ litres·x = V        x >= 0
//
// Among the ways that meet them it takes the one with the least of what is not
// preferred (strong acid counting double), then the cheapest.
func (g *making) choose() error {
	all, err := g.candidates()
	if err != nil {
		return err
	}
	v := g.o.Volume
	p := linprog.Problem{Cost: make([]float64, len(all))}
	price := make([]float64, len(all))
	for i, c := range g.cons {
		row := linprog.Row{Name: c.Name, Coeff: make([]float64, len(all)), Lo: g.aim[i] * v, Hi: g.aim[i] * v}
		brought := false
		for j, m := range all {
			row.Coeff[j] = m.Brings[c.Name]
			brought = brought || row.Coeff[j] > 0
		}
		if !brought {
			return fmt.Errorf("no material that may be used brings %s, so no bath can be made up with it", c.Name)
		}
		p.Rows = append(p.Rows, row)
	}
	volume := linprog.Row{Name: "the volume", Coeff: make([]float64, len(all)), Lo: v, Hi: v}
	for j, m := range all {
		volume.Coeff[j] = litres(m)
		share := 0.0
		for i, c := range g.cons {
			share += math.Abs(m.Brings[c.Name]) / (g.aim[i] * v)
		}
		switch {
		case isWater(m), m.Prefer:
		case m.Acid >= strongAcid:
			p.Cost[j] = 2 * share
		default:
			p.Cost[j] = share
		}
		price[j] = m.Price
	}
	p.Rows = append(p.Rows, volume)
	s, err := linprog.SolveInOrder(p, price)
	var clash *linprog.Infeasible
	if errors.As(err, &clash) {
		return fmt.Errorf("the recipe's materials cannot give all targets at once: in the way of each other are %s; take weaker targets or stronger materials", strings.Join(clash.Rows, ", "))
	}
	if err != nil {
		return fmt.Errorf("make up a bath: %w", err)
	}
	for j, m := range all {
		x := clean(s.X[j])
		if !isWater(m) {
			x = toSmallest(s.X[j], m)
			if x == 0 && s.X[j] > 1e-9*v {
				return fmt.Errorf("%s of %s is less than the %s %s that can be weighed or measured out; weigh more of it, dissolve it in a litre of water and take a part: set `smallest` of a copy of the recipe to what that gives",
					amountWords(s.X[j], m.Unit), m.Name, tidy(m.Smallest), m.Unit)
			}
			if x == 0 {
				continue
			}
		}
		g.used, g.amounts = append(g.used, m), append(g.amounts, x)
	}
	last := len(g.used) - 1
	water := g.used[last]
	if water.Smallest = math.Min(water.Smallest, v/500/litres(water)); water.Smallest > 0 {
		water.Smallest = math.Pow(10, math.Floor(math.Log10(water.Smallest)+1e-9))
	}
	g.amounts[last] = toSmallest(math.Max(0, (v-g.volumeOf(last))/litres(water)), water)
	return g.inside()
}

// inside refuses amounts that rounding took out of a window.
func (g *making) inside() error {
	for i, c := range g.cons {
		if x := g.reached(i); x < c.Low*(1-1e-9) || c.High > 0 && x > c.High*(1+1e-9) {
			return fmt.Errorf("with what can be weighed or measured out %s comes to %s %s in %s L, outside its window of %s to %s %s: dissolve more of it in a litre of water and take a part", c.Name, round(x), c.Unit, tidy(g.o.Volume), tidy(c.Low), tidy(c.High), c.Unit)
		}
	}
	return nil
}

// volumeOf is the volume of what goes in up to material n, L.
func (g *making) volumeOf(n int) float64 {
	sum := 0.0
	for j := range n {
		sum += litres(g.used[j]) * g.amounts[j]
	}
	return sum
}

// reached is the concentration of constituent i once the tank is at its mark.
func (g *making) reached(i int) float64 {
	sum := 0.0
	for j, m := range g.used {
		sum += m.Brings[g.cons[i].Name] * g.amounts[j]
	}
	return sum / g.o.Volume
}

// toSmallest rounds to what can be weighed or measured out; 0 where half of that
// is more than what is wanted.
func toSmallest(x float64, m chem.Material) float64 {
	step := m.Smallest
	if !(step > 0) {
		step = math.Pow(10, math.Floor(math.Log10(math.Max(x, 1e-6)))-2)
	}
	return clean(math.Round(x/step) * step)
}

func amountWords(x float64, unit chem.Unit) string {
	a, u := shown(x, unit)
	return fmt.Sprintf("%s %s", tidy(a), u)
}

// stageOf is where a material stands in the order of work.
func (g *making) stageOf(m chem.Material) Stage {
	chloride, organic := false, false
	for name, b := range m.Brings {
		c, ok := g.r.Constituent(name)
		chloride = chloride || ok && b > 0 && c.Role == chem.RoleChloride
		organic = organic || ok && b > 0 && c.Role == chem.RoleOrganic
	}
	switch {
	case isWater(m):
		return StageLevel
	case organic:
		return StageOrganic
	case m.Acid > 0:
		return StageAcid
	case chloride && len(m.Brings) == 1:
		return StageChloride
	case isAcid(m):
		return StageAcid
	}
	return StageSalt
}
