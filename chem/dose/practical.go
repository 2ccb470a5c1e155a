package dose

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"steadybath/chem"
)

// solve makes the plan: the program's answer, rounded to what can be weighed out
// and checked again, until nothing that it does asks for more.
func (w *work) solve(p *Plan) error {
	if w.blind {
		return nil
	}
	for range 3 * (len(w.needs) + 1) {
		if !w.wantsAnything() {
			return nil
		}
		g, x, err := w.answer()
		if err != nil {
			return err
		}
		amounts, bail := g.rounded(x)
		if w.sideEffects(p, g, amounts, bail) || w.tooCold(p, g, amounts, bail) {
			continue
		}
		w.explain(p, g, x, amounts, bail)
		w.write(p, g, amounts, bail)
		return nil
	}
	return fmt.Errorf("plan the additions: the plan does not settle") // each pass marks a constituent that was not marked
}

func (w *work) wantsAnything() bool {
	return w.goal > w.v || slices.ContainsFunc(w.needs, func(x need) bool { return x.dose || x.lower })
}

// answer solves the program without strong acid where it can do without, and
// with it where acid would be left below its window.
func (w *work) answer() (*program, exact, error) {
	for _, strong := range []bool{false, true} {
		g := w.program(strong)
		x, err := g.solve()
		if err != nil {
			return nil, exact{}, fmt.Errorf("plan the additions: %w", err)
		}
		short := false
		for i := range w.needs {
			short = short || w.needs[i].c.Role == chem.RoleAcid && x.low[i] > tolerance*g.bounds[i].size
		}
		if strong || !short {
			return g, x, nil
		}
	}
	panic("dose: the loop returns")
}

// tolerance is what counts as nothing beside all of a constituent.
const tolerance = 1e-3

// sideEffects marks what the plan itself takes down so far that it would have to
// be dosed: what goes out with a bail-out, what a material uses up.
func (w *work) sideEffects(p *Plan, g *program, amounts []float64, bail float64) bool {
	more := false
	for i := range w.needs {
		x := &w.needs[i]
		if x.dose || x.lower || x.shut || x.c.Contaminant() || !x.c.Known || x.asked {
			continue
		}
		n, v := g.after(i, amounts, bail)
		c := n / v
		if c >= x.now*(1-tolerance) {
			continue
		}
		organic := x.c.Role == chem.RoleOrganic
		least := x.least - (x.now - c)
		if organic && x.aim-c >= littleOften*x.target || !organic && least-zNeed*x.uLeast < x.c.Low && c < x.aim {
			x.dose, more = true, true
			p.Quiet = slices.DeleteFunc(p.Quiet, func(q string) bool { return strings.HasPrefix(q, x.c.Name+": ") })
			cause := "what goes in with the rest"
			if bail > 0 {
				cause = "the bail-out and its refill"
			}
			x.why = fmt.Sprintf("%s is %s %s and %s would take it to %s %s; to the target of %s %s", x.c.Name, round(x.now), x.c.Unit, cause, round(c), x.c.Unit, round(x.aim), x.c.Unit)
		}
	}
	return more
}

// tooCold takes copper, then acid, out of a plan that would let copper sulfate
// crystallise on the coldest day at the lowest level that water is not yet asked
// for at. What would crystallise only where nobody tops up is told.
func (w *work) tooCold(p *Plan, g *program, amounts []float64, bail float64) bool {
	metal, acid := w.find(chem.RoleMetal), w.find(chem.RoleAcid)
	if metal < 0 || acid < 0 || w.needs[metal].c.Name != "copper" {
		return false
	}
	cold, _, _ := w.temperatures()
	solid := func(dry float64) string {
		gramsAt := func(i int) float64 {
			n, v := g.after(i, amounts, bail)
			c, _ := w.needs[i].c.Unit.Convert(n/math.Max(v-dry, 0.5*v), "g/L")
			return c
		}
		copper, free := gramsAt(metal), gramsAt(acid)
		most, err := chem.CopperSolubilityEstimate(math.Max(0, free), cold)
		if err != nil || copper <= most {
			return ""
		}
		return fmt.Sprintf("%.0f g/L copper beside %.0f g/L acid, at %.1f L, may crystallise at %.0f degC, the coldest that is expected: an estimate, on the low side, says that about %.0f g/L stay dissolved", copper, free, w.volumeAfter(g, amounts, bail)-dry, cold, most)
	}
	if why := solid(math.Min(w.dry, (1-topUpBelow)*w.volumeAfter(g, amounts, bail))); why != "" {
		for _, i := range []int{metal, acid} {
			x := &w.needs[i]
			if !x.dose {
				continue
			}
			x.dose, x.shut = false, true
			p.refuse(x.c.Name, "%s; so none is added: keep the room warmer, or take a lower target", why)
			return true
		}
		p.caution(why + "; keep the room warmer")
	} else if why := solid(w.dry); why != "" {
		p.caution(why + "; keep it topped up, or the room warmer")
	}
	return false
}

func (p *Plan) caution(text string) {
	if !slices.Contains(p.Cautions, text) {
		p.Cautions = append(p.Cautions, text)
	}
}

func (w *work) find(role chem.Role) int {
	return slices.IndexFunc(w.needs, func(x need) bool { return x.c.Role == role })
}

// explain says what the plan leaves undone, and which limits are in the way.
func (w *work) explain(p *Plan, g *program, exact exact, amounts []float64, bail float64) {
	outside, behind := map[int]bool{}, map[int]bool{}
	var left, short []string
	for i := range w.needs {
		x := &w.needs[i]
		b := g.bounds[i]
		n, v := g.after(i, amounts, bail)
		c := n / v
		reached := fmt.Sprintf("%s comes to %s %s", x.c.Name, round(c), x.c.Unit)
		switch {
		case x.lower && c > x.c.High:
			outside[i] = true
			left = append(left, fmt.Sprintf("%s comes down to %s %s, above %s %s", x.c.Name, round(c), x.c.Unit, tidy(x.c.High), x.c.Unit))
		case x.lower && c > b.room*(1+5*tolerance):
			behind[i] = true
			short = append(short, fmt.Sprintf("%s comes down to %s %s, not to %s %s", x.c.Name, round(c), x.c.Unit, tidy(b.room), x.c.Unit))
		case x.dose && !b.brought:
			p.refuse(x.c.Name, "%s; no material that may be used brings it%s", x.why, w.whyNoMaterial(i))
		case b.edged && c < b.edge*(1-2*tolerance) && (x.dose || c < x.now*(1-0.02)):
			outside[i] = true
			left = append(left, fmt.Sprintf("%s, below %s %s", reached, tidy(x.c.Low), x.c.Unit))
		case x.dose && g.amount(i, amounts) == 0 && exact.short[i] <= tolerance*b.size:
			p.quiet("%s: what is missing is less than can be weighed or measured out", x.c.Name)
		case x.dose && c < b.aim*(1-shortBy):
			behind[i] = true
			short = append(short, fmt.Sprintf("%s, not to %s %s", reached, tidy(b.aim), x.c.Unit))
		}
		w.explainWindow(p, x)
		if passes := w.passesLater(g, i, amounts, bail); x.asked && x.dose && passes > 0.05 {
			p.quiet("%s: with a chance of %s it passes %s %s by what evaporates in %s; top up before that", x.c.Name, percent(passes), tidy(x.c.High), x.c.Unit, days(w.days))
		}
	}
	idle := bail == 0 && !slices.ContainsFunc(amounts, func(x float64) bool { return x > 0 })
	switch {
	case len(outside) > 0 && idle:
		p.Compromise = fmt.Sprintf("nothing can be done now about this: %s. In the way: %s", strings.Join(left, "; "), g.inTheWay(outside))
	case len(outside) > 0:
		p.Compromise = fmt.Sprintf("not every limit can be kept. In the way: %s. This is the plan that breaks least: %s", g.inTheWay(outside), strings.Join(left, "; "))
	}
	if len(behind) > 0 {
		var names []string
		for i := range w.needs {
			if behind[i] {
				names = append(names, w.needs[i].c.Name)
			}
		}
		p.refuse(strings.Join(names, ", ")+" all the way", "%s; in the way: %s", strings.Join(short, "; "), g.inTheWay(behind))
	}
	if volume := w.volumeAfter(g, amounts, bail); volume < w.e.Bath.Least()*(1-tolerance) {
		p.refuse("level", "%.1f L after this is below the tank's least mark of %s L", volume, tidy(w.e.Bath.Least()))
	}
}

// inTheWay names the limits that keep constituents from where they are wanted,
// each by itself and all together.
func (g *program) inTheWay(wanted map[int]bool) string {
	var words []string
	add := func(clash []string) {
		for _, c := range clash {
			if !slices.Contains(words, c) {
				words = append(words, c)
			}
		}
	}
	for i := range g.w.needs {
		if wanted[i] {
			add(g.conflict(map[int]bool{i: true}))
		}
	}
	if len(words) == 0 {
		add(g.conflict(wanted))
	}
	if len(words) == 0 {
		return "what can be weighed or measured out"
	}
	if slices.ContainsFunc(words, func(s string) bool { return strings.HasSuffix(s, inTheTank) }) {
		return strings.Join(words, "; ") + " (ask again when the level has gone down)"
	}
	return strings.Join(words, "; ")
}

// shortBy is the part of a target by which a dose may fall short without a word.
const shortBy = 0.02

// explainWindow says where a limit cannot be kept as surely as it should be.
func (w *work) explainWindow(p *Plan, x *need) {
	switch {
	case !x.dose:
	case x.tooMuchInTank:
		p.refuse(fmt.Sprintf("%s within its window until the next top-up", x.c.Name), "about %.1f L go by evaporation and drag-out in %s, and that alone takes it from its target above %s %s; top up before each session", w.dry, days(w.days), tidy(x.c.High), x.c.Unit)
	case x.kNow < zHigh && x.c.Role != chem.RoleOrganic:
		p.quiet("%s: its window leaves little room above the target beside ± %s %s, so its upper limit of %s is kept less surely than usual", x.c.Name, round(z90*x.u), x.c.Unit, tidy(x.c.High))
	}
}

// passesLater is the chance that constituent i is above its upper limit before
// the next top-up.
func (w *work) passesLater(g *program, i int, amounts []float64, bail float64) float64 {
	x := &w.needs[i]
	n, v := g.after(i, amounts, bail)
	margin := x.c.High*(v-w.dry) - (n - w.mean[i] + w.later[i])
	return chanceBelow(0, margin, x.sigLow)
}

func (w *work) volumeAfter(g *program, amounts []float64, bail float64) float64 {
	v := w.v - bail
	for j, m := range g.materials {
		v += litres(m) * amounts[j]
	}
	return v
}

func (w *work) whyNoMaterial(i int) string {
	name := w.needs[i].c.Name
	var all, shut, gone []string
	for _, m := range w.e.Recipe.Materials {
		if m.Brings[name] <= 0 {
			continue
		}
		all = append(all, m.Name)
		if w.usedUp(m) {
			gone = append(gone, m.Name)
		}
		for k := range w.needs {
			if x := &w.needs[k]; x.shut && m.Brings[x.c.Name] != 0 {
				shut = append(shut, m.Name+" also touches "+x.c.Name)
				break
			}
		}
	}
	switch {
	case len(all) == 0:
		return ": the recipe has none"
	case len(gone) == len(all):
		return ": by the log nothing is left of " + strings.Join(gone, " or ")
	case len(shut) > 0:
		return ": " + strings.Join(shut, ", ") + ", which waits for a reading"
	case len(w.o.Only) > 0:
		return ": " + strings.Join(all, " or ") + " would, and is not among those asked for"
	}
	return ""
}

// amount is how much of constituent i the plan puts in.
func (g *program) amount(i int, amounts []float64) float64 {
	sum := 0.0
	for j, m := range g.materials {
		sum += math.Max(0, g.brings(m, i)) * amounts[j]
	}
	return sum
}

// mostRounded is up to how many amounts every way of rounding up and down is
// tried; beyond it the others are rounded down.
const mostRounded = 10

// rounded brings the amounts to what can be weighed or measured out: of all ways
// to round each up or down the one that comes nearest to what is wanted among
// those that break no limit which the exact plan keeps. The bail-out and the
// water go first, and the rest is solved again beside them, since in a small
// tank a tenth of a litre of water is a part of every concentration.
func (g *program) rounded(x exact) ([]float64, float64) {
	var best []float64
	bestHard, bestSoft := math.Inf(1), math.Inf(1)
	take := func(at []float64) {
		hard, soft := g.judge(at[:len(at)-1], at[len(at)-1], x)
		if hard < bestHard || hard == bestHard && soft < bestSoft {
			best, bestHard, bestSoft = at, hard, soft
		}
	}
	for _, settled := range g.settle(x, 0, map[int]float64{}) {
		g.fixed = settled
		again, err := g.solve()
		g.fixed = nil
		if err == nil {
			take(g.roundRest(again, settled))
		}
	}
	if best == nil {
		take(g.roundRest(x, nil))
	}
	// Nothing fits only where water was rounded against a limit: then what the
	// limit is about goes down step by step.
	for range 1000 {
		if bestHard == 0 || !g.stepDown(best[:len(best)-1], best[len(best)-1], x) {
			break
		}
		bestHard, _ = g.judge(best[:len(best)-1], best[len(best)-1], x)
	}
	return best[:len(best)-1], best[len(best)-1]
}

// settle lists the ways to round the bail-out and the water, by variable.
func (g *program) settle(x exact, j int, sofar map[int]float64) []map[int]float64 {
	if j > g.bail {
		return []map[int]float64{maps.Clone(sofar)}
	}
	var choices []float64
	switch {
	case j == g.bail:
		choices = bailRoundings(x.bail, g.w.v/2)
	case isWater(g.materials[j]):
		choices = roundings(x.amounts[j], g.materials[j])
	default:
		return g.settle(x, j+1, sofar)
	}
	var out []map[int]float64
	for _, c := range choices {
		sofar[j] = c
		out = append(out, g.settle(x, j+1, sofar)...)
	}
	delete(sofar, j)
	return out
}

// roundRest rounds what is not settled. The bail-out comes last.
func (g *program) roundRest(x exact, settled map[int]float64) []float64 {
	choices := make([][]float64, 0, len(x.amounts)+1)
	for j, m := range g.materials {
		if v, ok := settled[j]; ok {
			choices = append(choices, []float64{v})
			continue
		}
		choices = append(choices, roundings(x.amounts[j], m))
	}
	if v, ok := settled[g.bail]; ok {
		choices = append(choices, []float64{v})
	} else {
		choices = append(choices, bailRoundings(x.bail, g.w.v/2))
	}
	free := 0
	for j := range choices {
		if len(choices[j]) > 1 {
			if free++; free > mostRounded {
				choices[j] = choices[j][:1]
			}
		}
	}
	at := make([]float64, len(choices))
	var best []float64
	bestHard, bestSoft := math.Inf(1), math.Inf(1)
	var try func(j int)
	try = func(j int) {
		if j < len(choices) {
			for _, v := range choices[j] {
				at[j] = v
				try(j + 1)
			}
			return
		}
		hard, soft := g.judge(at[:len(at)-1], at[len(at)-1], x)
		if hard < bestHard || hard == bestHard && soft < bestSoft {
			best, bestHard, bestSoft = slices.Clone(at), hard, soft
		}
	}
	try(0)
	return best
}

// roundings are an amount rounded down and up to what can be measured out; 0
// alone where it is less than that.
func roundings(x float64, m chem.Material) []float64 {
	smallest := m.Smallest
	if smallest <= 0 {
		smallest = math.Pow(10, math.Floor(math.Log10(math.Max(x, 1e-6)))-2)
	}
	if x < smallest*(1-1e-9) {
		if isWater(m) && x > smallest/10 { // the level matters to everything else
			return []float64{0, smallest}
		}
		return []float64{0}
	}
	step := niceStep(smallest, x/200)
	down, up := clean(math.Floor(x/step+1e-9)*step), clean(math.Ceil(x/step-1e-9)*step)
	if down < smallest*(1-1e-9) {
		down = 0
	}
	if m.Stock > 0 && up > m.Stock || up == down {
		return []float64{down}
	}
	return []float64{down, up}
}

// bailRoundings does the same for a bail-out, which a bucket measures to 0.1 L
// at best.
func bailRoundings(x, most float64) []float64 {
	if x < 0.05 {
		return []float64{0}
	}
	step := niceStep(0.1, x/50)
	down, up := clean(math.Floor(x/step+1e-9)*step), clean(math.Ceil(x/step-1e-9)*step)
	if up > most || up == down {
		return []float64{down}
	}
	return []float64{down, up}
}

// niceStep is smallest times 1, 2, 5, 10, 20 ..., the largest that is not above
// most; three figures of an amount are enough.
func niceStep(smallest, most float64) float64 {
	step := smallest
	for _, by := range []float64{2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 1e4} {
		if smallest*by > most {
			break
		}
		step = smallest * by
	}
	return step
}

// judge returns by how much amounts break limits that the exact plan keeps, and
// how far they stay from what is wanted, both relative.
func (g *program) judge(amounts []float64, bail float64, x exact) (hard, soft float64) {
	const nothing = 1e-7
	w := g.w
	volume := w.v - bail
	for j, m := range g.materials {
		volume += litres(m) * amounts[j]
		if m.Stock > 0 {
			hard += math.Max(0, amounts[j]/m.Stock-1-nothing)
		}
	}
	// Where nothing fits, the tank comes before the windows.
	hard += 1000 * (math.Max(0, volume/g.mark-1-nothing) + math.Max(0, 1-nothing-volume/g.least))
	soft += 10 * math.Abs(volume-(w.goal-x.dry)) / w.v
	for i, b := range g.bounds {
		excess, low, off := g.breaks(i, amounts, bail)
		hard += math.Max(0, (excess-x.over[i])/b.size-nothing)
		soft += 10*math.Max(0, low-x.low[i])/b.size + math.Abs(off)/b.size
	}
	return hard, soft
}

// breaks returns by how much constituent i passes its upper limits, stays below
// its lower edge, and lies off its aim, in amounts.
func (g *program) breaks(i int, amounts []float64, bail float64) (excess, low, off float64) {
	w, b := g.w, g.bounds[i]
	n, v := g.after(i, amounts, bail)
	if b.lower {
		excess = math.Max(0, n-b.room*w.goal)
	}
	if b.upper {
		h := w.needs[i].c.High
		excess = math.Max(0, math.Max(n-h*v-b.rhsNow, n-w.mean[i]+w.later[i]-h*(v-g.w.needs[i].dry)-b.rhsLater))
	}
	switch {
	case b.edged && b.brought:
		low = math.Max(0, b.edge*v-n)
	case b.edged:
		low = math.Max(0, b.edge*w.goal-n)
	}
	if b.dosed {
		off = b.aim*v - n
	}
	return excess, low, off
}

// stepDown lowers by one step whatever brings a constituent that passes a limit,
// or water where the level does. It tells whether anything was lowered.
func (g *program) stepDown(amounts []float64, bail float64, x exact) bool {
	lowered := false
	for j, m := range g.materials {
		if amounts[j] <= 0 {
			continue
		}
		volume := g.w.v - bail
		for k, o := range g.materials {
			volume += litres(o) * amounts[k]
		}
		guilty := litres(m) > 0 && volume > g.mark*(1+1e-7)
		for i, b := range g.bounds {
			excess, _, _ := g.breaks(i, amounts, bail)
			guilty = guilty || g.brings(m, i) > 0 && excess-x.over[i] > 1e-7*b.size
		}
		if !guilty {
			continue
		}
		step := niceStep(math.Max(m.Smallest, 1e-3), amounts[j]/200)
		amounts[j] = clean(math.Max(0, amounts[j]-step))
		if amounts[j] < m.Smallest*(1-1e-9) {
			amounts[j] = 0
		}
		lowered = true
	}
	return lowered
}

// clean takes the dust of binary fractions off a number.
func clean(x float64) float64 { return math.Round(x*1e6) / 1e6 }
