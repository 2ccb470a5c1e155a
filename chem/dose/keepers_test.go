package dose_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/dose"
	"steadybath/chem/estimate"
	"steadybath/chem/recipe"
	"steadybath/chem/simulate"
)

// usual is the charge of a mean day, Ah, in simulate.Hobby.
func usual(volume float64) float64 { return 22 * volume / 60 / 7 }

// card is the card on the wall. Whatever was read more than the fraction slack
// of the way from target to lower limit below the target, or more than 2 % below
// it where slack is 0, is brought back to it, reckoned with the marked volume;
// above the upper limit bath is replaced by water, a tenth at most, and what
// went out with it put back. An organic that asks for nothing gets so many mL per
// kAh, which stand for what the recipe expects of use and standing.
type card struct {
	r       *chem.Recipe
	volume  float64
	slack   float64
	repeats bool // reads again what would make it bail
	every   int  // rounds; the metal goes by Faraday's law in the others
	rounds  int
	asked   time.Time
	done    time.Time
}

// read is what is titrated in this round.
func (k *card) read([]chem.Fact, time.Time) []string {
	k.rounds++
	if (k.rounds-1)%k.every != 0 {
		return nil
	}
	return inorganicsAnd(k.r)
}

// inorganicsAnd are all constituents but contaminants.
func inorganicsAnd(r *chem.Recipe) []string {
	var out []string
	for _, c := range r.Constituents {
		if !c.Contaminant() {
			out = append(out, c.Name)
		}
	}
	return out
}

// found are the readings of this round: the mean of those of a constituent.
func (k *card) found(facts []chem.Fact, at time.Time) map[string]float64 {
	sum, n := map[string]float64{}, map[string]float64{}
	for _, f := range slices.Backward(facts) {
		if at.Sub(f.Entered) > 8*time.Hour {
			break
		}
		if a, ok := f.Body.(chem.Assay); ok {
			c, _ := k.r.Constituent(a.Of)
			sum[c.Name] += a.Value.Value(c.Unit)
			n[c.Name]++
		}
	}
	for name := range sum {
		sum[name] /= n[name]
	}
	return sum
}

func (k *card) dose(facts []chem.Fact, at time.Time) []chem.Fact {
	found := k.found(facts, at)
	bail := 0.0
	var again []chem.Fact
	for _, c := range k.r.Constituents {
		v, ok := found[c.Name]
		if !ok || c.Role == chem.RoleOrganic || v <= c.High {
			continue
		}
		bail = math.Max(bail, math.Min(0.1, 1-c.Target/v))
		again = append(again, chem.Fact{Body: chem.Assay{Of: c.Name}})
	}
	if k.repeats && len(again) > 0 && at.Sub(k.asked) > 12*time.Hour {
		k.asked = at
		return again
	}
	ah, since := 0.0, 0.0
	for _, f := range facts {
		if p, ok := f.Body.(chem.Plate); ok && f.Entered.After(k.done) {
			ah += p.Charge.Value("Ah")
		}
	}
	if !k.done.IsZero() {
		since = at.Sub(k.done).Hours() / 24
	}
	k.done = at
	var out []chem.Fact
	if bail > 0 {
		out = append(out, chem.Fact{Body: chem.Bail{Volume: chem.MeasuredOf(math.Round(bail*k.volume*10)/10, "L", 0)}})
		for _, m := range k.r.Materials {
			if m.Water {
				out = append(out, chem.Fact{Body: chem.Add{Material: m.Name, Amount: chem.MeasuredOf(math.Round(bail*k.volume*10)/10, "L", 0)}})
			}
		}
	}
	for _, c := range k.r.Constituents {
		if c.Contaminant() {
			continue
		}
		v, ok := found[c.Name]
		lack := 0.0
		if line := c.Target - math.Max(0.02*c.Target, k.slack*(c.Target-c.Low)); ok && v*(1-bail) < line {
			lack = (c.Target - v*(1-bail)) * k.volume
		}
		switch {
		case c.Role == chem.RoleOrganic && lack == 0:
			lack = ah * (c.Use.Value + c.Loss.Value*c.Target*k.volume/usual(k.volume))
		case c.Role == chem.RoleMetal && !ok && since > 0 && k.r.Anodes == "inert":
			lack = ah * c.MolarMass / (float64(k.r.Charge) * 96485.33212 / 3600) // Faraday constant, CODATA 2018, C/mol
		}
		if m, ok := k.feed(c.Name); ok && lack > 0 {
			amount := lack / m.Brings[c.Name]
			amount = math.Round(amount/m.Smallest) * m.Smallest
			if amount > 0 {
				out = append(out, chem.Fact{Body: chem.Add{Material: m.Name, Amount: chem.MeasuredOf(amount, m.Unit, 0)}})
			}
		}
	}
	return out
}

// feed is what a constituent is fed with: what brings nothing else before what
// does, the preferred before the rest.
func (k *card) feed(name string) (best chem.Material, ok bool) {
	rank := func(m chem.Material) int {
		n := -2 * len(m.Brings)
		if m.Prefer {
			n++
		}
		return n
	}
	for _, m := range k.r.Materials {
		if m.Brings[name] > 0 && (!ok || rank(m) > rank(best)) {
			best, ok = m, true
		}
	}
	return best, ok
}

// keeperNames are in the order in which they are printed.
var keeperNames = []string{"card", "card, Faraday", "sensible card", "steadybath"}

// keep lets the named keeper keep the bath of c.
func keep(t tb, name string, c simulate.Config, check func(*estimate.Estimate, *dose.Plan, dose.Options)) kept {
	k := &card{r: c.Recipe, volume: c.Volume, every: 1}
	var s *keeper
	switch name {
	case "card, Faraday":
		k.every = 4
	case "sensible card":
		k.slack, k.repeats = 0.5, true
	case "steadybath":
		s = &keeper{t: t, check: check, asked: map[string]time.Time{}}
		for _, m := range c.Recipe.Materials {
			c := slices.IndexFunc(c.Recipe.Constituents, func(c chem.Constituent) bool { return c.Role == chem.RoleOrganic && m.Brings[c.Name] > 0 })
			if m.Water || c >= 0 {
				s.only = append(s.only, m.Name)
			}
		}
		c.Read, c.Dose, c.Before, c.Water = s.read, s.round, s.between, s.water
	}
	if s == nil {
		c.Read, c.Dose = k.read, k.dose
	}
	if len(c.Faults) > 0 {
		c.Dose = once(c.Dose, c.Faults)
	}
	run, err := simulate.Make(c)
	require.NoError(t, err)
	out := judge(run, c.Recipe)
	if s != nil {
		require.Positive(t, s.plans)
		out.cover(run, s.seen)
	}
	return out
}

// once is a keeper who, on the day of a wrong bottle, adds half a percent of the
// bath's volume of what the fault names, whatever the keeper wants: the same for
// all of them.
func once(p simulate.Policy, faults []simulate.Fault) simulate.Policy {
	added := false
	return func(facts []chem.Fact, at time.Time) []chem.Fact {
		out := p(facts, at)
		i := slices.IndexFunc(faults, func(f simulate.Fault) bool { return f.Kind == simulate.WrongBottle })
		begin := facts[0].Time
		if i < 0 || added || at.Before(begin.AddDate(0, 0, faults[i].Day+1)) || slices.ContainsFunc(out, func(f chem.Fact) bool { return f.Kind() == chem.KindAssay }) {
			return out
		}
		added = true
		amount := 0.3 * facts[0].Body.(chem.Begin).Volume.Value("L") / 60
		return append(out, chem.Fact{Body: chem.Add{Material: faults[i].Of, Amount: chem.MeasuredOf(amount, "L", 0)}})
	}
}

// loopGroup is a kind of bath, all of whose windows may be halved.
type loopGroup struct {
	name   string
	recipe string // a shipped recipe, or "inert"
	volume float64
	half   bool
	topUp  float64 // h between fillings while it plates: a warm bath loses its room for evaporation within one session
	change func(c *simulate.Config)
	goal   *loopGoal
}

// loopGoal is what this project wants of a group, which is what a small shop
// would notice; a simulated bath decides. NaN where there is none.
type loopGoal struct {
	inside, worst, organic, titrations, added float64 // %, % of target, %, a year, against the card
}

var none = math.NaN()

func loopGroups() []loopGroup {
	usual := &loopGoal{99.9, 1.5, 97, 45, 0.60}
	half := &loopGoal{99.3, 3, 88, 70, none}
	var out []loopGroup
	for _, v := range []float64{20, 60, 200} {
		out = append(out, loopGroup{name: fmt.Sprintf("copper, %g L", v), volume: v, goal: usual})
	}
	out = append(out,
		loopGroup{name: "inert, 60 L", recipe: "inert", volume: 60, goal: &loopGoal{99.7, 6, 98, 45, 0.85}},
		loopGroup{name: "nickel, 60 L", recipe: "nickel-watts", volume: 60, topUp: 1, goal: &loopGoal{99.9, 1.5, 96, 45, 0.95}})
	for _, v := range []float64{20, 60, 200} {
		out = append(out, loopGroup{name: fmt.Sprintf("half, copper, %g L", v), volume: v, half: true, goal: half})
	}
	return append(out,
		loopGroup{name: "half, inert, 60 L", recipe: "inert", volume: 60, half: true, goal: &loopGoal{98.8, 3, 88, 70, none}},
		loopGroup{name: "half, nickel, 60 L", recipe: "nickel-watts", volume: 60, topUp: 1, half: true, goal: &loopGoal{99.3, 3, 86, 70, none}},
		loopGroup{name: "faults, copper, 60 L", volume: 60, change: goesWrong, goal: &loopGoal{99.5, 5, none, none, none}},
		loopGroup{name: "rates off, copper, 60 L", volume: 60, change: ratesOff, goal: &loopGoal{99.9, none, 95, none, none}})
}

// goesWrong makes 2 % of the titrations wrong by 12 %, takes strong acid for weak
// once, lets the tank leak for a month, and salt and acid go in unlogged, each 4 %
// of its target.
func goesWrong(c *simulate.Config) {
	g := rand.New(rand.NewPCG(c.Seed, 17))
	c.BlunderShare, c.BlunderSize = 0.02, 0.12
	days := g.Perm(8)
	on := func(i int) int { return 50 + 35*days[i] + g.IntN(20) }
	c.Faults = []simulate.Fault{
		{Kind: simulate.WrongBottle, Day: on(0), Of: "sulfuric acid 35 %", With: "sulfuric acid 96 %"},
		{Kind: simulate.Leak, Day: on(1)},
		{Kind: simulate.Unlogged, Day: on(2), Of: "copper sulfate pentahydrate", Size: 0.04},
		{Kind: simulate.Unlogged, Day: on(3), Of: "sulfuric acid 35 %", Size: 0.04},
	}
}

// ratesOff makes every true rate half again as large as, or that much smaller
// than, the middle of its prior: a factor of e^0.5. Efficiencies and the ammeter,
// which cannot be off by so much, are drawn from their priors.
func ratesOff(c *simulate.Config) {
	g := rand.New(rand.NewPCG(c.Seed, 19))
	off := func(x float64) float64 { return x * math.Exp(math.Copysign(0.5, g.Float64()-0.5)) }
	drawn := func(p chem.Prior) float64 { return p.Value + p.U*g.NormFloat64() }
	p, scale := c.Recipe.Prior, c.Volume/c.Recipe.Volume
	r := &simulate.Rates{
		AnodeEfficiency: drawn(p.AnodeEfficiency), CathodeEfficiency: drawn(p.CathodeEfficiency), Meter: drawn(p.Meter), Sludge: off(p.Sludge.Value),
		Dissolution: scale * off(p.Dissolution.Value), DragOut: off(p.DragOut.Value), DragOutArea: off(p.DragOutArea.Value), DragIn: off(p.DragIn.Value),
		Evaporation: scale * off(p.Evaporation.Value), EvaporationRun: scale * off(p.EvaporationRun.Value), ChlorideLoss: off(p.ChlorideLoss.Value),
		Use: map[string]float64{}, Loss: map[string]float64{},
	}
	for _, o := range c.Recipe.Constituents {
		if o.Role == chem.RoleOrganic {
			r.Use[o.Name], r.Loss[o.Name] = off(o.Use.Value), off(o.Loss.Value)
		}
	}
	c.Rates = r
}

// text is the group's recipe.
func (g loopGroup) text(t tb) string {
	t.Helper()
	name := g.recipe
	if name == "" || name == "inert" {
		name = "copper-electroforming"
	}
	shipped, ok := recipe.ShippedText(name)
	require.True(t, ok, name)
	text := string(shipped)
	if g.recipe == "inert" { // they dissolve nothing, and a recipe must not say they do
		text = regexp.MustCompile(`(?m)^(anode_efficiency|dissolution|sludge) .*\n`).ReplaceAllString(strings.Replace(text, `"soluble"`, `"inert"`, 1), "")
	}
	if g.half {
		text = halfWide(text)
	}
	return text
}

// halfWide brings both limits of every inorganic half-way to the target.
func halfWide(text string) string {
	block := regexp.MustCompile(`(?m)^low +=.*\ntarget +=.*\nhigh +=.*\nassay_u`)
	line := regexp.MustCompile(`(?m)^(low|target|high)( += )([0-9.]+)`)
	parts := strings.SplitAfter(text, "[[organic]]")
	parts[0] = block.ReplaceAllStringFunc(parts[0], func(s string) string {
		at := map[string]float64{}
		for _, m := range line.FindAllStringSubmatch(s, -1) {
			at[m[1]], _ = strconv.ParseFloat(m[3], 64)
		}
		return line.ReplaceAllStringFunc(s, func(l string) string {
			m := line.FindStringSubmatch(l)
			return fmt.Sprintf("%s%s%g", m[1], m[2], (at[m[1]]+at["target"])/2)
		})
	})
	return strings.Join(parts, "")
}

// bath is the i-th bath of a group; its life follows from the seed and i.
func (g loopGroup) bath(t tb, seed, i, days int) simulate.Config {
	text := g.text(t)
	r, err := recipe.Parse("test", []byte(text))
	require.NoError(t, err)
	c := simulate.Hobby(r, g.volume, time.Date(2025, 1, 6, 8, 0, 0, 0, time.UTC), days, uint64(1000*seed+i))
	c.RecipeText = text
	c.TopUpHours = g.topUp
	c.Use.GapDays = [2]int{14, 28} // nobody leaves an open tank for longer: in eighty days some of these dry up
	if g.change != nil {
		g.change(&c)
	}
	return c
}
