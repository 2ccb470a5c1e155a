package dose

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"steadybath/chem"
	"steadybath/chem/hazard"
)

// sheet puts the amounts into steps.
func (g *making) sheet() (*MakeUp, error) {
	if err := g.firstFill(); err != nil {
		return nil, err
	}
	p := &MakeUp{Title: g.r.Title, Volume: g.o.Volume, recipe: g.r}
	for j, m := range g.used {
		amount, unit := shown(g.amounts[j], m.Unit)
		p.Weigh = append(p.Weigh, Weighing{m, amount, unit})
		if m.Stock > 0 && g.amounts[j] > m.Stock*(1+1e-9) && !isWater(m) {
			p.Short = append(p.Short, fmt.Sprintf("%s (the recipe counts on %s %s)", m.Name, tidy(m.Stock), m.Unit))
		}
	}
	for i, c := range g.cons {
		p.Reached = append(p.Reached, Reached{c.Name, c.Unit, g.aim[i], g.reached(i)})
	}
	add := func(s MakeUpStep) { p.Steps = append(p.Steps, s) }
	soluble := g.r.Anodes != "inert"
	if soluble {
		add(MakeUpStep{Stage: StageBags, Do: "leach the new anode bags in hot water overnight, and rinse them",
			Notes: []string{"their size spoils a bath; tank, filter and hoses are rinsed too"}})
	}
	g.water(add)
	for _, stage := range []Stage{StageAcid, StageSalt} {
		for _, j := range g.inOrder(stage) {
			if stage == StageAcid {
				g.acid(add, j)
			} else {
				g.salt(add, j)
			}
		}
	}
	g.clean(add)
	g.level(add)
	for _, j := range g.inOrder(StageChloride) {
		s := g.step(StageChloride, j)
		s.Do = "dissolved in a glass of deionised water"
		if isAcid(g.used[j]) {
			s.Do = "into ten times as much deionised water, then into the stirred bath"
		}
		add(s)
	}
	for _, j := range g.inOrder(StageOrganic) {
		s := g.step(StageOrganic, j)
		s.Do = organicWait
		add(s)
	}
	g.finish(add, soluble)
	p.Cautions = []string{hazard.EyesAndSkin, hazard.WasteShort, hazard.Usual}
	return p, nil
}

// inOrder lists the used materials of a stage: boric acid after the other salts,
// since it dissolves only warm.
func (g *making) inOrder(stage Stage) []int {
	var out []int
	for j, m := range g.used {
		if g.stageOf(m) == stage {
			out = append(out, j)
		}
	}
	slices.SortStableFunc(out, func(a, b int) int { return boricLast(g.used[a]) - boricLast(g.used[b]) })
	return out
}

func boricLast(m chem.Material) int {
	if strings.EqualFold(m.Name, "boric acid") {
		return 1
	}
	return 0
}

// step is a box for a material with its cautions.
func (g *making) step(stage Stage, j int) MakeUpStep {
	m := g.used[j]
	s := MakeUpStep{Stage: stage, Material: m.Name}
	s.Amount, s.Unit = shown(g.amounts[j], m.Unit)
	known, ok := hazard.Find(m.Name)
	switch {
	case ok && known.Brief.Text != "":
		s.Cautions = []string{known.Brief.Text}
	case ok || isWater(m):
	case len(m.Cautions) > 0:
		s.Cautions = m.Cautions[:1]
	default:
		s.Cautions = []string{"read the supplier's safety data sheet"}
	}
	return s
}

// before is the volume in the tank once acids and salts are in, L, with the first
// water.
func (g *making) before() float64 {
	v := g.first
	for j, m := range g.used {
		if s := g.stageOf(m); s == StageAcid || s == StageSalt {
			v += litres(m) * g.amounts[j]
		}
	}
	return v
}

// rest is the water that is left for the mark, L.
func (g *making) rest() float64 {
	j := len(g.used) - 1
	return clean(math.Max(0, litres(g.used[j])*g.amounts[j]-g.first))
}

// firstFill decides how much water goes in first: two thirds of the volume, less
// where the materials are mostly water themselves, more where copper sulfate
// would not stay dissolved beside the acid. It refuses a bath that would
// crystallise at its mark.
func (g *making) firstFill() error {
	water := g.used[len(g.used)-1]
	all := litres(water) * g.amounts[len(g.amounts)-1]
	step := math.Max(litres(water)*water.Smallest, 1e-3)
	if all > 0 && step > all/10 { // a beaker's bath: or rounding would leave no water to begin with
		step = math.Pow(10, math.Floor(math.Log10(all/10)+1e-9))
	}
	down := func(x float64) float64 { return clean(math.Floor(x/step+1e-9) * step) }
	g.first = math.Min(math.Ceil(firstWater*g.o.Volume/step-1e-9)*step, down(0.9*all))
	g.first = clean(g.first)
	if g.first < g.o.Volume/20 && len(g.inOrder(StageAcid)) > 0 { // pours go by what is in the tank, and would never end
		return fmt.Errorf("the materials nearly fill %s L by themselves, and too little water is left to pour the acid into: take stronger materials or lower targets", tidy(g.o.Volume))
	}
	if !strings.EqualFold(g.r.Metal, "copper") {
		return nil
	}
	copper, acid, holds, known := g.dissolved(g.o.Volume)
	if known && copper > holds {
		return fmt.Errorf("%.0f g/L copper beside %.0f g/L sulfuric acid may crystallise at %s degC, the coldest that is expected: an estimate, on the low side, says that about %.0f g/L stay dissolved; keep the room warmer, or take a lower target", copper, acid, tidy(g.cold), holds)
	}
	for known && g.first+step <= down(0.98*all) {
		if copper, _, holds, known = g.dissolved(g.before()); !known || copper <= holds {
			break
		}
		g.first = clean(g.first + step)
	}
	return nil
}

// dissolved is copper and acid, g/L, with all salts and acids in v litres, and
// how much copper stays dissolved beside that acid at the coldest; known is false
// where there is no estimate.
func (g *making) dissolved(v float64) (copper, acid, holds float64, known bool) {
	copper, acid = g.grams(chem.RoleMetal)/v, g.grams(chem.RoleAcid)/v
	holds, err := chem.CopperSolubilityEstimate(acid, g.cold)
	return copper, acid, holds, err == nil
}

// grams is how much of the constituent of a role acids and salts bring, g.
func (g *making) grams(role chem.Role) float64 {
	c, ok := g.r.WithRole(role)
	if !ok {
		return 0
	}
	sum := 0.0
	for j, m := range g.used {
		sum += m.Brings[c.Name] * g.amounts[j]
	}
	one, err := c.Unit.Convert(sum, "g/L")
	if err != nil {
		return 0
	}
	return one
}

func (g *making) water(add func(MakeUpStep)) {
	s := g.step(StageWater, len(g.used)-1)
	s.Amount, s.Unit = shown(g.first, "L")
	s.Do = "into the clean tank; pump or air on"
	if g.first < firstWater*g.o.Volume*0.98 {
		s.Notes = append(s.Notes, "less than two thirds of the tank, since the materials bring most of their water")
	}
	if low, high, warm := g.warm(); warm {
		s.Do += fmt.Sprintf("; warm it to %s to %s degC", tidy(low), tidy(high))
	}
	add(s)
}

// warm is the range of temperature in which a nickel bath is made up.
func (g *making) warm() (low, high float64, warm bool) {
	if strings.EqualFold(g.r.Metal, "copper") {
		return 0, 0, false
	}
	t := g.r.Limits.TemperatureRun
	if t[1] > 0 {
		return t[0], t[1], true
	}
	return 45, 55, true // where the recipe says nothing; common practice, no source
}

// acid is poured: at most 1 mL per litre that is in the tank and 100 mL at a
// time, none warming it by more than 3 K, the acid poured before counted.
func (g *making) acid(add func(MakeUpStep), j int) {
	m := g.used[j]
	s := g.step(StageAcid, j)
	total := millilitres(m, g.amounts[j])
	inTank := 0.0
	for k, o := range g.used { // other acids poured before
		if k < j && g.stageOf(o) == StageAcid {
			inTank += millilitres(o, g.amounts[k]) / 1000 * o.Acid * 1000 * o.Density / g.first
		}
	}
	most := g.mostPour(m, inTank)
	s.Portions = pours(clean(total), most)
	largest := s.Portions[0].Amount
	cool := g.hot - 1
	if rise, known := g.rise(m, inTank, largest); known {
		cool = g.hot - math.Max(1, math.Ceil(rise))
		together, _ := g.rise(m, inTank, total)
		s.Notes = append(s.Notes, fmt.Sprintf("a pour warms the tank by %s K, all of them by %s K; the spot where it goes in can boil and spit whatever that says", tenth(rise), tenth(together)))
	}
	for i := range s.Portions {
		s.Portions[i].Wait = fmt.Sprintf("thin stream, stirring; the next when it is mixed and below %s degC", tidy(cool))
	}
	s.Do = "acid into the water, never water into acid"
	if len(s.Cautions) == 0 || m.Acid > 0 {
		s.Cautions = []string{hazard.AcidIntoBath}
	}
	if m.Acid >= strongAcid {
		s.Cautions = append(s.Cautions, "it boils where it is poured; acid of 30 to 40 % is safer")
	}
	add(s)
}

// mostPour is the largest pour, mL.
func (g *making) mostPour(m chem.Material, inTank float64) float64 {
	warms := g.r.Limits.AcidPour
	if !(warms > 0) || warms > acidWarms {
		warms = acidWarms
	}
	most := math.Min(acidPerLitre*g.first, acidMost)
	for range 100 {
		rise, known := g.rise(m, inTank, most)
		if !known || rise <= warms || most <= 0.1 {
			break
		}
		most *= 0.9
	}
	return most
}

// rise is by how many K ml of an acid warm what is in the tank; known is false
// where the heat is not. The first pour warms most: acid already in takes heat.
func (g *making) rise(m chem.Material, inTank, ml float64) (float64, bool) {
	if m.Acid <= 0 {
		return 0, false
	}
	rise, err := chem.AcidPourRise(chem.AcidPour{AcidML: ml, WeightPercent: 100 * m.Acid, BathL: g.first, BathAcidGPerL: inTank})
	return rise, err == nil
}

// salt goes in by parts, and what is to be dissolved is compared with what stays
// dissolved on the coldest day.
func (g *making) salt(add func(MakeUpStep), j int) {
	m := g.used[j]
	s := g.step(StageSalt, j)
	v := g.before()
	low, high, warm := g.warm()
	switch {
	case m.Unit.Dimension() != chem.DimMass:
		s.Do = "stirred in slowly"
	case warm:
		s.Do = fmt.Sprintf("warm, %s to %s degC, a part at a time, each clear before the next", tidy(low), tidy(high))
	default:
		s.Do = "a part at a time, each clear before the next"
	}
	if m.Unit.Dimension() == chem.DimMass {
		s.Portions = saltPortions(s.Amount, s.Unit, g.first)
	}
	switch {
	case boricLast(m) == 1:
		s.Notes = g.boric(m, j, v)
	case m.Brings["copper"] > 0 && strings.EqualFold(g.r.Metal, "copper"):
		if copper, acid, holds, known := g.dissolved(v); known {
			s.Notes = append(s.Notes, fmt.Sprintf("%.0f g/L copper beside %.0f g/L acid then; at %s degC, the coldest, about %.0f g/L stay dissolved (estimate, on the low side)", copper, acid, tidy(g.cold), holds))
		}
	case strings.Contains(strings.ToLower(m.Name), "nickel sulfate"):
		if holds, err := chem.NickelSulfateSolubilityEstimate(g.cold); err == nil {
			s.Notes = append(s.Notes, fmt.Sprintf("%.0f g/L nickel from it then; at %s degC, the coldest, water keeps about %.0f g/L as sulfate (low side; other salts lower it)", m.Brings["nickel"]*g.amounts[j]/v, tidy(g.cold), holds))
		}
	}
	add(s)
}

// boric tells what the cold does to boric acid.
func (g *making) boric(m chem.Material, j int, v float64) []string {
	grams := m.Brings["boric acid"] * g.amounts[j]
	holds, err := chem.BoricAcidSolubilityEstimate(g.cold)
	if err != nil {
		return []string{hazard.Boric}
	}
	if at := grams / g.o.Volume; at > holds {
		return []string{fmt.Sprintf("%.0f g/L fall out below the working temperature: at %s degC water keeps about %.0f g/L dissolved, a nickel bath less; never let it get cold", at, tidy(g.cold), holds)}
	}
	return []string{fmt.Sprintf("%.0f g/L then; at %s degC, the coldest, water keeps about %.0f g/L, a nickel bath less: keep it warm", grams/v, tidy(g.cold), holds)}
}

// saltPortions splits a salt into equal parts that dissolve before they cake.
func saltPortions(amount float64, unit chem.Unit, litres float64) []Portion {
	grams, err := unit.Convert(amount, "g")
	if err != nil {
		return nil
	}
	most := math.Min(saltPerLitre*litres, saltMost)
	n := math.Ceil(grams/most - 1e-9)
	if !(n > 1) {
		return nil
	}
	step := niceStep(1, grams/n/50)
	each := math.Ceil(grams/n/step-1e-9) * step
	back, _ := chem.Unit("g").Convert(1, unit)
	var out []Portion
	for left := grams; left > 1e-6; left = clean(left - each) {
		out = append(out, Portion{Amount: clean(math.Min(left, each) * back), Unit: unit})
	}
	return out
}

// clean is carbon and the filter, before anything organic is in.
func (g *making) clean(add func(MakeUpStep)) {
	carbon, unit := shown(math.Ceil(carbonPer*g.before()/5)*5, "g")
	add(MakeUpStep{Stage: StageClean, Fact: chem.Treat{With: chem.TreatCarbon, Amount: chem.MeasuredOf(carbon, unit, 0)}, Do: fmt.Sprintf("%s %s of activated carbon, stirred for an hour and left overnight", tidy(carbon), unit),
		Notes:    []string{fmt.Sprintf("%s g per litre; it takes out what the salts brought", tidy(carbonPer))},
		Cautions: []string{"no dust; spent carbon holds metal: hazardous waste, kept wet and closed"}})
	add(MakeUpStep{Stage: StageClean, Do: "filter it back into the clean tank, until no black speck is left"})
}

// level brings the tank to its mark but for what still follows.
func (g *making) level(add func(MakeUpStep)) {
	follows := 0.0
	for j, m := range g.used {
		if s := g.stageOf(m); s == StageChloride || s == StageOrganic {
			follows += litres(m) * g.amounts[j]
		}
	}
	mark := fmt.Sprintf("the mark, %s L", tidy(g.o.Volume))
	if follows > 0.002*g.o.Volume {
		mark = fmt.Sprintf("%.1f L; what follows brings it to the mark, %s L", g.o.Volume-follows, tidy(g.o.Volume))
	}
	s := g.step(StageLevel, len(g.used)-1)
	s.Amount, s.Unit = shown(g.rest(), "L")
	s.Do = "to " + mark
	s.Notes = []string{"about so much: the mark decides, not the litres; mix until even"}
	add(s)
}

// finish hangs the anodes, runs a dummy and reads the bath.
func (g *making) finish(add func(MakeUpStep), soluble bool) {
	if !strings.EqualFold(g.r.Metal, "copper") {
		words := "read the pH"
		if t := g.r.Limits.PH; t[1] > 0 {
			words = fmt.Sprintf("read the pH, %s to %s", tidy(t[0]), tidy(t[1]))
		}
		acid := "sulfuric acid"
		if slices.ContainsFunc(g.used, func(m chem.Material) bool { return strings.Contains(m.Name, "sulfamate") }) {
			acid = "sulfamic acid"
		}
		add(MakeUpStep{Stage: StageRead, Do: words, Notes: []string{
			"down with diluted " + acid + ", by a trial on a litre; up with nickel carbonate slurry in a bag, never caustic"}})
	}
	if soluble {
		add(MakeUpStep{Stage: StageHang, Fact: chem.Change{What: "bags"}, Do: "hang the anodes in the leached bags, tops above the level"})
	}
	switch {
	case !strings.EqualFold(g.r.Metal, "copper"):
		add(MakeUpStep{Stage: StageDummy, Fact: chem.Treat{With: chem.TreatDummy}, Do: "plate dummies at 0.2 to 0.5 A/dm2 until the low end is no longer dark",
			Notes: []string{"2 to 5 A/ft2 takes out copper and zinc (read in excerpt)"}})
	case soluble:
		low := 0.5
		if d := g.r.Limits.CathodeDensity; d[0] > 0 {
			low = d[0]
		}
		add(MakeUpStep{Stage: StageDummy, Fact: chem.Treat{With: chem.TreatDummy}, Do: fmt.Sprintf("plate dummies for 2 to 4 h from %s A/dm2 up, until the anodes are evenly dark", tidy(low)),
			Notes: []string{"phosphorised anodes need their film (common practice, no source)"}})
	}
	var read []string
	for _, c := range g.cons {
		if c.Role != chem.RoleOrganic {
			read = append(read, c.Name)
		}
	}
	do := "titrate " + strings.Join(read, ", ")
	if len(read) < len(g.cons) {
		do += "; run a Hull-cell panel"
	}
	add(MakeUpStep{Stage: StageRead, Do: do + "; then the first part"})
}
