package dose

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"steadybath/chem"
)

// Rules of pouring acid: the average warming never shows the danger, which is
// boiling where the stream meets the bath, so the pour is small whatever the
// average says. Common practice, no source.
const (
	acidPerLitre = 1.0   // mL of acid per litre of bath in one pour
	acidMost     = 100.0 // mL in one pour
	acidWarms    = 3.0   // K, the most a pour may warm the bath, where the recipe says nothing
	coldBath     = 18.0  // degC, where the recipe says nothing
)

// place is where a material stands in the order of work: water, salts, acid,
// chloride, organics.
func (w *work) place(m chem.Material) int {
	switch {
	case isWater(m):
		return 0
	case m.Acid > 0:
		return 2
	}
	for name, b := range m.Brings {
		c, ok := w.e.Recipe.Constituent(name)
		switch {
		case !ok || b <= 0:
		case c.Role == chem.RoleOrganic:
			return 4
		case c.Role == chem.RoleChloride:
			return 3
		}
	}
	return 1
}

// write puts the amounts into words: order, portions, reasons, cautions.
func (w *work) write(p *Plan, g *program, amounts []float64, bail float64) {
	p.Bail = bail
	order := make([]int, 0, len(amounts))
	for j, x := range amounts {
		if x > 0 {
			order = append(order, j)
		}
	}
	sort.SliceStable(order, func(a, b int) bool { return w.place(g.materials[order[a]]) < w.place(g.materials[order[b]]) })
	for _, j := range order {
		p.Additions = append(p.Additions, w.line(g, j, amounts))
	}
	p.Volume = w.v - bail
	for j, m := range g.materials {
		p.Volume += m.Litres * amounts[j]
	}
	for i, x := range w.needs {
		c := g.concentration(i, amounts, bail)
		u := x.u
		for j, m := range g.materials {
			u = math.Hypot(u, math.Max(0.01*amounts[j], m.Smallest/2)*boolTo(amounts[j] > 0)*g.brings(m, i)/p.Volume)
		}
		p.After = append(p.After, After{x.c.Name, x.c.Unit, c, math.Max(0, c-z90*u), c + z90*u})
	}
	w.checkSolubility(p)
	if bail > 0 {
		p.Cautions = append(p.Cautions, fmt.Sprintf("the %.1f L bailed out are hazardous waste: a closed, labelled container of their own kind, never the drain; local rules decide where it goes", bail))
	}
}

func boolTo(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// line is one addition with its portions and its care.
func (w *work) line(g *program, j int, amounts []float64) Addition {
	m := g.materials[j]
	a := Addition{Material: m, Cautions: append([]string(nil), m.Cautions...)}
	a.Amount, a.Unit = shown(amounts[j], m.Unit)
	var whys []string
	for _, x := range w.needs {
		if x.dose && m.Brings[x.c.Name] > 0 {
			whys = append(whys, x.c.Name+" "+x.why)
		}
	}
	switch {
	case isWater(m):
		a.Why = fmt.Sprintf("the tank holds %.1f L, its mark is %.1f L; stop at the mark", w.v, w.e.Bath.Volume)
		a.Portions = []Portion{{a.Amount, a.Unit, "mix until even before anything is titrated or added"}}
	case m.Acid > 0:
		a.Why = strings.Join(whys, "; ")
		w.pour(&a, m)
	case w.place(m) == 4:
		a.Why = strings.Join(whys, "; ")
		w.organic(&a, m, g)
	default:
		a.Why = strings.Join(whys, "; ")
		wait := "stir until it is dissolved and mixed"
		if m.Unit.Dimension() == chem.DimMass && m.Litres > 0 && w.place(m) == 1 {
			wait = "dissolve it in bath drawn off into a bucket, filter it back in, and mix for half an hour before the next step"
		}
		a.Portions = []Portion{{a.Amount, a.Unit, wait}}
	}
	return a
}

// shown turns an amount into the unit a balance or a cylinder shows.
func shown(x float64, unit chem.Unit) (float64, chem.Unit) {
	switch unit.Dimension() {
	case chem.DimMass:
		g, _ := unit.Convert(x, "g")
		if g < 10000 {
			return clean(g), "g"
		}
		return clean(g / 1000), "kg"
	case chem.DimVolume:
		l, _ := unit.Convert(x, "L")
		if l < 1 {
			return clean(l * 1000), "mL"
		}
		return clean(l), "L"
	}
	return x, unit
}

// clean takes the dust of binary fractions off a number.
func clean(x float64) float64 { return math.Round(x*1e6) / 1e6 }

// pour splits acid into pours that stay small beside the bath and warm it
// little, the acid already in the bath counted.
func (w *work) pour(a *Addition, m chem.Material) {
	total, err := a.Unit.Convert(a.Amount, "mL")
	if err != nil && m.Density > 0 {
		grams, _ := a.Unit.Convert(a.Amount, "g")
		total = grams / m.Density
	}
	volume := math.Max(w.v, 1)
	most := math.Min(acidPerLitre*volume, acidMost)
	warms := w.e.Recipe.Limits.AcidPour
	if warms <= 0 {
		warms = acidWarms
	}
	already := 0.0
	if c, ok := w.e.Recipe.WithRole(chem.RoleAcid); ok {
		for i, x := range w.needs {
			if x.c.Name == c.Name {
				already = math.Max(0, w.mean[i]/volume)
			}
		}
	}
	rise := func(ml float64) float64 {
		k, err := chem.AcidPourRise(chem.AcidPour{AcidML: ml, WeightPercent: 100 * m.Acid, BathL: volume, BathAcidGPerL: already})
		if err != nil {
			return math.Inf(1)
		}
		return k
	}
	for most > 1 && rise(most) > warms {
		most /= 2
	}
	n := math.Ceil(total/most - 1e-9)
	each := total / n
	_, hot := w.temperatures()
	left := total
	for i := range int(n) {
		ml := math.Round(each)
		if i == int(n)-1 || ml > left {
			ml = clean(left)
		}
		left -= ml
		a.Portions = append(a.Portions, Portion{ml, "mL", fmt.Sprintf("mixed, and the thermometer below %.0f degC", hot-warms)})
	}
	a.Amount, a.Unit = clean(total), "mL"
	a.Cautions = append(a.Cautions,
		"acid into the bath, never water into acid: a thin stream, stirring, face away, current off",
		"goggles, apron and acid-proof gloves; water and an eye wash at hand",
		fmt.Sprintf("each pour warms the whole bath by about %.1f K, which says nothing of the spot where it goes in: that can boil and spit", rise(each)))
}

// temperatures are the coldest and warmest the bath is expected to be, degC.
func (w *work) temperatures() (cold, hot float64) {
	t := w.e.Recipe.Limits.Temperature
	cold, hot = t[0], t[1]
	if cold == 0 {
		cold = coldBath
	}
	if w.o.Coldest != 0 {
		cold = w.o.Coldest
	}
	if hot <= cold {
		hot = cold + 12
	}
	return cold, hot
}

// organic splits a dose so that no portion is more than a part of the tank's
// content, and says when the next one falls due.
func (w *work) organic(a *Addition, m chem.Material, g *program) {
	for i, x := range w.needs {
		b := g.brings(m, i)
		if b <= 0 || !x.dose {
			continue
		}
		content := x.target * w.v
		perUnit, _ := m.Unit.Convert(1, a.Unit)
		most := mostAtOnce * content / b * perUnit
		smallest, _ := m.Unit.Convert(math.Max(m.Smallest, 1e-3), a.Unit)
		n := math.Ceil(a.Amount/most - 0.1)
		each := math.Max(smallest, math.Round(a.Amount/n/smallest)*smallest)
		for left := a.Amount; left > smallest/2; left -= each {
			wait := "mix through one turnover of the bath"
			if left > each+smallest/2 {
				wait = "plate a trial or wait a day before the rest"
			}
			a.Portions = append(a.Portions, Portion{clean(math.Min(left, each)), a.Unit, wait})
		}
		once := littleOften * content // in the constituent's unit times litres
		use, loss := w.e.Rate(x.c.Name+" use"), w.e.Rate(x.c.Name+" standing loss")
		perAh := use.Value + w.e.Rate("drag-out").Value*x.target
		a.Every = Interval{Ah: once / math.Max(perAh, 1e-9), Days: once / math.Max(loss.Value*content, 1e-9)}
		dose, unit := shown(math.Round(once/b/math.Max(m.Smallest, 1e-3))*math.Max(m.Smallest, 1e-3), m.Unit)
		words := fmt.Sprintf("from here on %s %s", chem.DecimalOf(dose), unit)
		if perAh > 1e-9 {
			words += fmt.Sprintf(" every %.0f Ah", a.Every.Ah)
		}
		if loss.Value > 1e-9 {
			words += fmt.Sprintf(" or %.0f days, whichever comes first", math.Max(1, a.Every.Days))
		}
		a.Why += "; " + words
	}
	if len(a.Portions) == 0 {
		a.Portions = []Portion{{a.Amount, a.Unit, "mix"}}
	}
}

// checkSolubility takes the copper sulfate out of a plan that would crystallise
// on the coldest night, and says so.
func (w *work) checkSolubility(p *Plan) {
	metal, ok := w.e.Recipe.WithRole(chem.RoleMetal)
	acid, has := w.e.Recipe.WithRole(chem.RoleAcid)
	if !ok || !has || metal.Name != "copper" {
		return
	}
	var copper, free float64
	for _, a := range p.After {
		switch a.Name {
		case metal.Name:
			copper, _ = a.Unit.Convert(a.Value, "g/L")
		case acid.Name:
			free, _ = a.Unit.Convert(a.Value, "g/L")
		}
	}
	cold, _ := w.temperatures()
	most, err := chem.CopperSolubilityEstimate(free, cold)
	if err != nil || copper <= most {
		return
	}
	why := fmt.Sprintf("%.0f g/L copper with %.0f g/L acid may crystallise at %.0f degC: about %.0f g/L stays dissolved there (an estimate, on the low side)", copper, free, cold, most)
	kept := p.Additions[:0]
	refused := false
	for _, a := range p.Additions {
		if a.Material.Brings[metal.Name] > 0 {
			refused = true
			continue
		}
		kept = append(kept, a)
	}
	if refused {
		p.Additions = nil
		p.After, p.Bail, p.Volume = nil, 0, w.v
		p.Refused = append(p.Refused, Refusal{metal.Name, why + "; a plan is carried out whole or not at all, so nothing of it is left: lower the target, or ask without copper"})
		return
	}
	p.Additions = kept
	p.Cautions = append(p.Cautions, why+"; keep the room warm")
}

// cyanide refuses everything that chemistry could do to a cyanide bath.
func (p *Plan) cyanide() {
	p.Refused = append(p.Refused, Refusal{"additions", "this is a cyanide bath: hydrogen cyanide can come off at every pH, in normal use; acid, pH corrections and make-up are the supplier's procedure only, with exhaust, and never alone"})
	p.Cautions = append(p.Cautions,
		"gold is tracked here by charge and by the supplier's replenisher only; no reading makes such a bath safe",
		"keep acids away from it, and follow the supplier, local codes and licensed practice")
}

// finish adds what holds for the whole plan.
func (w *work) finish(p *Plan) {
	if len(p.Additions) > 0 || p.Bail > 0 {
		p.Cautions = append([]string{"current off and parts out before anything goes in; carry the plan out whole or not at all"}, p.Cautions...)
		p.Cautions = append(p.Cautions, "the cautions here are the usual ones, not all of them: the safety data sheets, local codes and licensed practice come first")
	}
	if p.After == nil {
		for _, x := range w.needs {
			p.After = append(p.After, After{x.c.Name, x.c.Unit, x.c.Value, x.c.Low90, x.c.High90})
		}
	}
}
