package dose

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"steadybath/chem"
	"steadybath/chem/hazard"
)

// Rules of pouring acid: the average warming never shows the danger, which is
// boiling where the stream meets the bath, so the pour is small whatever the
// average says. Common practice, no source.
const (
	acidPerLitre = 1.0   // mL of acid per litre of bath in one pour
	acidMost     = 100.0 // mL in one pour
	acidWarms    = 3.0   // K, the most a pour may warm the bath, where the recipe says nothing
	coldBath     = 18.0  // degC, where the recipe says nothing
	warmBath     = 30.0  // degC, as above
	bucket       = 10.0  // L of bath drawn off at a time to dissolve a salt in
)

// place is where a material stands in the order of work: water, salts, acid,
// chloride, organics.
func (w *work) place(m chem.Material) int {
	chloride, organic := false, bringsOrganic(w.e.Recipe, m)
	for name, b := range m.Brings {
		c, ok := w.e.Recipe.Constituent(name)
		chloride = chloride || ok && b > 0 && c.Role == chem.RoleChloride
	}
	switch {
	case isWater(m):
		return 0
	case organic:
		return 4
	case m.Acid > 0:
		return 2
	case chloride && len(m.Brings) == 1:
		return 3
	case isAcid(m):
		return 2
	}
	return 1
}

// isAcid tells whether a material is an acid that is poured: sulfuric acid by
// its mass fraction, another by its name.
func isAcid(m chem.Material) bool {
	return m.Acid > 0 || m.Unit.Dimension() == chem.DimVolume && slices.Contains(strings.Fields(strings.ToLower(m.Name)), "acid")
}

// write puts the amounts into words: order, portions, reasons, cautions.
func (w *work) write(p *Plan, g *program, amounts []float64, bail float64) {
	p.Bail = clean(bail)
	order := make([]int, 0, len(amounts))
	for j, x := range amounts {
		if x > 0 {
			order = append(order, j)
		}
	}
	sort.SliceStable(order, func(a, b int) bool { return w.place(g.materials[order[a]]) < w.place(g.materials[order[b]]) })
	sofar := w.v - bail
	for _, j := range order {
		p.Additions = append(p.Additions, w.line(g, j, amounts, bail, sofar))
		sofar += litres(g.materials[j]) * amounts[j]
	}
	p.Volume = sofar
	if bail == 0 && len(order) == 0 {
		return
	}
	for i := range w.needs {
		x := &w.needs[i]
		n, v := g.after(i, amounts, bail)
		c := n / v
		u := w.spreadAfter(g, i, amounts, bail)
		if x.c.Held != nil {
			u = math.Max(u, x.c.U)
		}
		p.After = append(p.After, After{x.c.Name, x.c.Unit, c, math.Max(0, c-z90*u), c + z90*u})
	}
	if bail > 0 {
		var why []string
		for i := range w.needs {
			if w.needs[i].lower {
				why = append(why, w.needs[i].why)
			}
		}
		p.BailWhy = strings.Join(why, "; ")
		p.BailCautions = []string{
			hazard.Waste,
			"the amounts below count on bath as it is now, so it goes out first; heater and pump off while the level is low",
		}
	}
}

// spreadAfter is the standard uncertainty of constituent i after the plan: that
// of amount and volume now, carried through it, and that of each addition.
func (w *work) spreadAfter(g *program, i int, amounts []float64, bail float64) float64 {
	k := len(w.mean) - 1
	n, v := g.after(i, amounts, bail)
	byN := (1 - bail/w.v) / v
	byV := w.mean[i]*bail/(w.v*w.v)/v - n/(v*v)
	variance := byN*byN*w.cov[i][i] + 2*byN*byV*w.cov[i][k] + byV*byV*w.cov[k][k]
	for j, m := range g.materials {
		if amounts[j] > 0 {
			variance += math.Pow(math.Max(addU*amounts[j], m.Smallest/2)*(g.brings(m, i)-n/v*litres(m))/v, 2)
		}
	}
	return math.Sqrt(math.Max(0, variance))
}

// line is one addition with its portions and its care. sofar is the volume in
// the tank before it goes in, L.
func (w *work) line(g *program, j int, amounts []float64, bail, sofar float64) Addition {
	m := g.materials[j]
	a := Addition{Material: m, Cautions: append([]string(nil), m.Cautions...)}
	if s, known := hazard.Find(m.Name); known && len(m.Cautions) == 0 && m.Acid == 0 && s.Brief.Text != "" {
		a.Cautions = []string{s.Brief.Text} // a recipe of one's own may say nothing; pour has words for acid
	}
	a.Amount, a.Unit = shown(amounts[j], m.Unit)
	var whys []string
	for i := range w.needs {
		switch x := &w.needs[i]; {
		case x.dose && g.brings(m, i) > 0:
			whys = append(whys, x.why)
		case x.lower && g.brings(m, i) < 0:
			whys = append(whys, fmt.Sprintf("it also takes down %s, which is %s %s, above %s %s", x.c.Name, round(x.now), x.c.Unit, tidy(x.c.High), x.c.Unit))
		}
	}
	a.Why = strings.Join(whys, "; ")
	switch {
	case isWater(m):
		w.fill(&a, bail, sofar, litres(m)*amounts[j])
	case isAcid(m):
		w.pour(&a, m, g, amounts, bail, sofar)
	case w.place(m) == 4:
		w.organic(&a, g, j)
	default:
		w.salt(&a, m, g, amounts, bail, sofar)
	}
	return a
}

// fill is the water. The level it is to reach leaves room for what follows, and
// the tank's upper mark holds whatever the figures say.
func (w *work) fill(a *Addition, bail, sofar, l float64) {
	to := sofar + l
	switch {
	case bail > 0 && w.goal > w.v:
		a.Why = fmt.Sprintf("refills what is bailed out, and the %.1f L that were missing to the mark of %s L", w.goal-w.v, tidy(w.goal))
	case bail > 0:
		a.Why = "refills what is bailed out"
	default:
		a.Why = fmt.Sprintf("the tank holds about %.1f L; its mark is %s L", w.v, tidy(w.e.Bath.Volume))
	}
	a.Why += fmt.Sprintf("; this brings it to %.1f L", to)
	if to < w.goal-0.05 {
		a.Why += " and leaves room for what follows"
	}
	a.Portions = []Portion{{a.Amount, a.Unit, "mix until even before anything is titrated or added"}}
	a.Cautions = append(a.Cautions, fmt.Sprintf("stop at %s L, the tank's upper mark, whatever is left", tidy(w.e.Bath.Most())))
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

// millilitres is the volume of an amount of acid, mL.
func millilitres(m chem.Material, amount float64) float64 {
	if ml, err := m.Unit.Convert(amount, "mL"); err == nil {
		return ml
	}
	density := m.Density
	if density <= 0 {
		if d, err := chem.SulfuricAcidDensity(100 * m.Acid); err == nil {
			density = float64(d)
		} else {
			density = 1
		}
	}
	g, _ := m.Unit.Convert(amount, "g")
	return g / density
}

// pour splits acid into pours that stay small beside the bath and warm it
// little, the acid already in the bath counted.
func (w *work) pour(a *Addition, m chem.Material, g *program, amounts []float64, bail, sofar float64) {
	total := millilitres(m, amounts[slices.IndexFunc(g.materials, func(o chem.Material) bool { return o.Name == m.Name })])
	volume := math.Max(math.Min(w.v-bail, sofar), 0.1)
	if bail > 0 {
		volume = math.Max(sofar, 0.1) // the refill is in
	}
	rise, known := w.rise(m, g, amounts, bail, volume)
	warms := w.e.Recipe.Limits.AcidPour
	if warms <= 0 || warms > acidWarms {
		warms = acidWarms
	}
	most := math.Min(acidPerLitre*volume, acidMost)
	for known && most > 1 && rise(most) > warms {
		most *= 0.9
	}
	a.Amount, a.Unit = clean(total), "mL"
	a.Portions = pours(a.Amount, most)
	largest := a.Portions[0].Amount
	_, hot, stated := w.temperatures()
	cool := hot - 1
	if known {
		cool = hot - math.Max(1, math.Ceil(rise(largest)))
	}
	from := fmt.Sprintf("the recipe's warmest is %s degC", tidy(hot))
	if !stated {
		from = fmt.Sprintf("the recipe states no warmest, so %s degC is taken", tidy(hot))
	}
	for i := range a.Portions {
		a.Portions[i].Wait = fmt.Sprintf("stir it in and wait until the thermometer shows less than %s degC (%s)", tidy(cool), from)
	}
	a.caution("never water into acid", hazard.AcidIntoBath)
	a.caution("goggles", hazard.EyesAndSkin)
	if known {
		together := fmt.Sprintf("all of them together by %s K", tenth(rise(total)))
		if math.IsInf(rise(total), 0) { // the heat is known up to 300 g/L, and there is little bath
			together = "all of them together by more than can be said"
		}
		a.Cautions = append(a.Cautions, fmt.Sprintf("a pour warms the whole bath by %s K, %s; that says nothing of the spot where it goes in, which can boil and spit", tenth(rise(largest)), together))
	} else {
		a.Cautions = append(a.Cautions, "how much a pour warms the bath is not known for this acid; go slower than the portions say where it gets warm")
	}
}

// caution adds a caution unless the recipe's own already say the words.
func (a *Addition) caution(words, text string) {
	if !slices.ContainsFunc(a.Cautions, func(c string) bool { return strings.Contains(c, words) }) {
		a.Cautions = append(a.Cautions, text)
	}
}

func tenth(x float64) string {
	if x < 0.05 {
		return "less than 0.1"
	}
	return fmt.Sprintf("about %.1f", x)
}

// rise is by how many K so many mL of the acid warm the bath, whichever is more:
// into the bath as it is, or into it as it is after the plan.
func (w *work) rise(m chem.Material, g *program, amounts []float64, bail, volume float64) (rise func(ml float64) float64, known bool) {
	i := w.find(chem.RoleAcid)
	if m.Acid <= 0 || i < 0 {
		return nil, false
	}
	before := math.Max(0, w.mean[i]*(1-bail/w.v)/volume)
	n, v := g.after(i, amounts, bail)
	acids := []float64{}
	for _, c := range []float64{before, n / v} {
		grams, err := w.needs[i].c.Unit.Convert(c, "g/L")
		if err != nil {
			return nil, false
		}
		acids = append(acids, grams)
	}
	rise = func(ml float64) float64 {
		most := 0.0
		for k, acid := range acids {
			if k == 1 {
				acid = math.Max(0, acid-ml/1000*m.Acid*1000*1.84/volume) // before its last pour; 1.84 kg/L is more than any sulfuric acid weighs
			}
			r, err := chem.AcidPourRise(chem.AcidPour{AcidML: ml, WeightPercent: 100 * m.Acid, BathL: volume, BathAcidGPerL: acid})
			if err != nil {
				return math.Inf(1)
			}
			most = math.Max(most, r)
		}
		return most
	}
	return rise, !math.IsInf(rise(1), 0)
}

// pours splits total mL into equal pours of at most most mL, in figures that a
// cylinder shows; the last one is the smallest.
func pours(total, most float64) []Portion {
	step := 0.1
	switch {
	case most >= 20:
		step = 5
	case most >= 2:
		step = 1
	}
	largest := math.Max(math.Floor(most/step+1e-9)*step, math.Min(step, most))
	n := math.Ceil(total/largest - 1e-9)
	each := math.Min(largest, math.Ceil(total/n/step-1e-9)*step)
	var out []Portion
	for left := total; left > 1e-6; left = clean(left - each) {
		out = append(out, Portion{Amount: clean(math.Min(left, each)), Unit: "mL"})
	}
	return out
}

// temperatures are the coldest and warmest the bath is expected to be, degC, and
// whether the recipe states the warmest.
func (w *work) temperatures() (cold, hot float64, stated bool) {
	t := w.e.Recipe.Limits.Temperature
	cold, hot = coldBath, warmBath
	if t[1] > 0 {
		cold, hot, stated = t[0], t[1], true
	}
	if w.o.Coldest != 0 {
		cold = w.o.Coldest
	}
	return cold, hot, stated
}

// salt says how a solid is brought into solution: copper sulfate in as much bath
// as can hold it, bucket by bucket.
func (w *work) salt(a *Addition, m chem.Material, g *program, amounts []float64, bail, sofar float64) {
	a.Portions = []Portion{{a.Amount, a.Unit, "stir until it is dissolved and mixed"}}
	if m.Unit.Dimension() != chem.DimMass || w.place(m) != 1 {
		return
	}
	a.Portions[0].Wait = "dissolve it in bath drawn off into a bucket, filter it back in, and mix for half an hour before the next step"
	if strings.EqualFold(m.Name, "boric acid") {
		a.Cautions = append(a.Cautions, hazard.Boric)
	}
	metal, acid := w.find(chem.RoleMetal), w.find(chem.RoleAcid)
	if metal < 0 || acid < 0 || w.needs[metal].c.Name != "copper" || m.Brings["copper"] <= 0 || len(m.Brings) > 1 {
		return
	}
	_, hot, _ := w.temperatures()
	now, _ := w.needs[metal].c.Unit.Convert(w.mean[metal]*(1-bail/w.v)/sofar, "g/L")
	free, _ := w.needs[acid].c.Unit.Convert(math.Max(0, w.mean[acid]*(1-bail/w.v)/sofar), "g/L")
	holds, err := chem.CopperSolubilityEstimate(free, hot)
	if err != nil || holds-now < 5 {
		return
	}
	grams, _ := w.needs[metal].c.Unit.Convert(a.Amount*m.Brings["copper"], "g/L")
	perUnit, _ := a.Unit.Convert(1, m.Unit)
	grams *= perUnit
	draw := math.Min(bucket, sofar/4)
	n := math.Ceil(grams/(holds-now)/draw - 1e-9)
	wait := fmt.Sprintf("dissolve it in %s L of bath drawn off, at most %s degC warm; filter it back in and mix before the next", tidy(draw), tidy(hot))
	if n <= 1 {
		draw = math.Ceil(2*grams/(holds-now)+0.5) / 2
		a.Portions[0].Wait = fmt.Sprintf("dissolve it in %s L of bath drawn off, at most %s degC warm, filter it back in, and mix for half an hour before the next step", chem.DecimalOf(draw), tidy(hot))
		return
	}
	step := niceStep(1, a.Amount/n/20)
	if a.Unit == "kg" {
		step /= 1000
	}
	each := math.Ceil(a.Amount/n/step-1e-9) * step
	a.Portions = nil
	for left := a.Amount; left > 1e-6; left = clean(left - each) {
		a.Portions = append(a.Portions, Portion{clean(math.Min(left, each)), a.Unit, wait})
	}
}

// organic splits a dose so that no portion is more than a part of the tank's
// content, and says when the next one falls due.
func (w *work) organic(a *Addition, g *program, j int) {
	m := g.materials[j]
	for i := range w.needs {
		x := &w.needs[i]
		b := g.brings(m, i)
		if b <= 0 || !x.dose || x.c.Role != chem.RoleOrganic {
			continue
		}
		content := x.target * w.goal
		smallest := math.Max(m.Smallest, 1e-3)
		perUnit, _ := m.Unit.Convert(1, a.Unit)
		most := math.Max(math.Floor(mostAtOnce*content/b/smallest+1e-9)*smallest, smallest) * perUnit
		n := math.Ceil(a.Amount/most - 1e-9)
		step := smallest * perUnit
		each := math.Min(most, math.Ceil(a.Amount/n/step-1e-9)*step)
		a.Portions = nil
		for left := a.Amount; left > 1e-6; left = clean(left - each) {
			wait := "mix through one turnover of the bath"
			if left > each+1e-6 {
				wait = "plate a trial, or wait a day, before the rest"
			}
			a.Portions = append(a.Portions, Portion{clean(math.Min(left, each)), a.Unit, wait})
		}
		once, unit, every := w.usualDose(x, m)
		a.Every = every
		var when []string
		if a.Every.Ah > 0 {
			when = append(when, fmt.Sprintf("%s Ah", twoFigures(a.Every.Ah)))
		}
		if a.Every.Days > 0 {
			when = append(when, days(a.Every.Days))
		}
		if len(when) > 0 {
			a.Why += fmt.Sprintf("; from here on %s %s every %s", chem.DecimalOf(once), unit, strings.Join(when, " or "))
			if len(when) > 1 {
				a.Why += ", whichever comes first"
			}
		}
		return
	}
	if len(a.Portions) == 0 {
		a.Portions = []Portion{{a.Amount, a.Unit, "mix through one turnover of the bath"}}
	}
}

// twoFigures writes a figure that is no more than a rule of thumb.
func twoFigures(x float64) string {
	unit := math.Pow(10, math.Floor(math.Log10(math.Max(x, 1e-9)))-1)
	return string(chem.DecimalOf(clean(math.Round(x/unit) * unit)))
}

// every is after how much charge, or how many days, an amount of an organic is
// used up at the pace of this shop: use and drag-out by charge, the rest by
// standing. Where it plates, both come due together at its usual pace, so that
// neither kind of loss is left out.
func (w *work) every(x *need, amount float64) Interval {
	perAh := math.Max(0, w.rate(x.c.Name+" use")+w.rate("drag-out")*x.target)
	perDay := math.Max(0, w.rate(x.c.Name+" standing loss")) * x.target * w.goal
	var out Interval
	if total := perDay + perAh*w.perDay; total > 1e-9 {
		out.Days = amount / total
	}
	switch {
	case w.perDay > 0 && out.Days > 0:
		out.Ah = out.Days * w.perDay
	case perAh > 1e-9:
		out.Ah = amount / perAh
	}
	return out
}

func (w *work) rate(name string) float64 { return w.e.Rate(name).Value }

// cyanide refuses everything that chemistry could do to a cyanide bath.
func (p *Plan) cyanide() {
	p.refuse("additions", hazard.CyanideAtAll)
	p.Cautions = append(p.Cautions,
		hazard.CyanideFigure,
		hazard.CyanideAcid)
}

// finish adds what holds for the whole plan.
func (w *work) finish(p *Plan) {
	w.coldBoric(p)
	if len(p.Additions) > 0 || p.Bail > 0 {
		p.Cautions = append([]string{"current off and parts out before anything goes in; carry the plan out whole or not at all"}, p.Cautions...)
		for _, f := range w.e.Flags {
			if f.Kind == "anodes" {
				p.Cautions = append(p.Cautions, "look at the anodes too: "+f.Why+"; additions do not cure that")
			}
		}
		if w.peroxided() {
			p.Cautions = append(p.Cautions, "peroxide went in within the last week: copper by thiosulfate reads high until a blank is clean")
		}
		p.Cautions = append(p.Cautions, hazard.Usual)
	}
	w.warm(p)
	if p.After == nil {
		p.asItIs(w.e)
	}
}

// sessionHours is how long a session may well last: below it, and a tank that
// loses its room for evaporation sooner, topping up beforehand is not enough.
const sessionHours = 4.0

// warm says where the level has to be kept while a part is in.
func (w *work) warm(p *Plan) {
	perHour := w.rate("evaporation while plating") + w.rate("evaporation")/24
	room := (1 - topUpBelow) * w.e.Bath.Volume
	if !w.water || perHour <= 0 || room/perHour > sessionHours {
		return
	}
	p.caution(fmt.Sprintf("while it plates about %s L of water go in an hour: fill up to the mark with the part in, every %s h", tidy(perHour), tidy(math.Max(0.5, math.Floor(2*room/perHour)/2))))
}

func (w *work) peroxided() bool {
	return slices.ContainsFunc(w.e.Bath.Facts, func(f chem.Fact) bool {
		t, ok := f.Body.(chem.Treat)
		age := w.e.At.Sub(f.Time).Hours() / 24
		return ok && t.With == chem.TreatPeroxide && age >= 0 && age <= 7
	})
}
