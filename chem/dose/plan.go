package dose

import (
	"fmt"
	"math"
	"strings"
	"time"

	"steadybath/chem"
	"steadybath/chem/estimate"
)

// Chances and times of the rules below. They were chosen so that noise is not
// dosed and limits are kept; the closed-loop figures of the project's
// benchmarks show what they do.
const (
	visit       = 7.0   // days until the next visit, and the next top-up
	creep       = 28.0  // days a bail-out makes room for
	zHigh       = 1.645 // the chance of passing an upper limit stays under 5 %: normal distribution, from memory
	zNeed       = 1.28  // dose where the chance of falling below the window before the next visit is over 10 %
	topUpBelow  = 0.985 // of the bath's volume: ask for water below it
	littleOften = 0.05  // of the tank's content of an organic in one dose
	mostAtOnce  = 0.25  // of the same, never more in one day: common practice, no source
	staleDays   = 28.0  // a titration older than this is asked for first
	z90         = 1.6449
)

// Portion is a part of an addition that goes in at once.
type Portion struct {
	Amount float64 // in the unit of the addition
	Unit   chem.Unit
	Wait   string // what to wait for before the next step
}

// Addition is one line of a plan.
type Addition struct {
	Material chem.Material
	Amount   float64   // in Unit
	Unit     chem.Unit // g, mL or L: what a balance or a cylinder shows
	Portions []Portion
	Why      string
	Cautions []string
	Every    Interval // organics: how to go on from here
}

// Interval is when the next dose of an organic falls due, whichever comes first.
type Interval struct{ Ah, Days float64 }

// After is a constituent of the bath once the plan is carried out.
type After struct {
	Name                 string
	Unit                 chem.Unit
	Value, Low90, High90 float64
}

// Reading is a reading to take before the plan is carried out.
type Reading struct{ Constituent, Why string }

// Refusal is something asked for, or needed, that the plan does not do.
type Refusal struct{ What, Why string }

// Plan is what to add now. A plan is carried out whole or not at all.
type Plan struct {
	Bath         string
	At           time.Time
	Additions    []Addition // in the order of work
	Bail         float64    // L, before everything else; 0 for none
	After        []After
	Volume       float64 // L, after it
	TitrateFirst []Reading
	Cautions     []string
	Refused      []Refusal
	Quiet        []string // why nothing is done about what might seem to ask for it
}

// Options change what a plan aims at.
type Options struct {
	Target   map[string]float64 // other targets, by constituent, in its unit
	Only     []string           // materials to use, and no others
	Coldest  float64            // degC; 0: the recipe's
	DaysOff  float64            // days until the next visit; 0: a week
	AhPerDay float64            // charge per day until then; negative: as learned
}

// Make plans what to add to the bath of e now.
func Make(e *estimate.Estimate, o Options) (*Plan, error) {
	p := &Plan{Bath: e.Bath.Name, At: e.At, Volume: e.Volume}
	if err := o.check(e); err != nil {
		return nil, err
	}
	if e.Recipe.Cyanide {
		p.cyanide()
		return p, nil
	}
	w := newWork(e, o)
	w.decide(p)
	if w.wantsAnything() {
		if err := w.solve(p); err != nil {
			return nil, err
		}
	}
	w.finish(p)
	return p, nil
}

func (o Options) check(e *estimate.Estimate) error {
	for name, t := range o.Target {
		c, ok := e.Recipe.Constituent(name)
		if !ok {
			return fmt.Errorf("the bath has no %s; it has %s", name, names(e.Recipe))
		}
		if !(t > 0) || t > 10*math.Max(c.High, c.Target) {
			return fmt.Errorf("a target of %g %s for %s is not possible; its window is %g to %g %s", t, c.Unit, c.Name, c.Low, c.High, c.Unit)
		}
	}
	for _, name := range o.Only {
		if _, ok := e.Recipe.Material(name); !ok {
			list := make([]string, len(e.Recipe.Materials))
			for i, m := range e.Recipe.Materials {
				list[i] = m.Name
			}
			return fmt.Errorf("the recipe has no material %q; it has %s", name, strings.Join(list, ", "))
		}
	}
	return nil
}

func names(r *chem.Recipe) string {
	list := make([]string, len(r.Constituents))
	for i, c := range r.Constituents {
		list[i] = c.Name
	}
	return strings.Join(list, ", ")
}

// need is what the plan is to do about one constituent.
type need struct {
	c      estimate.Constituent
	target float64
	now    float64 // concentration once evaporated water is made up
	u      float64
	least  float64 // concentration at the next visit, its volume made up
	uLeast float64
	dose   bool
	lower  bool    // by a bail-out
	shut   bool    // nothing may be planned before it is read again
	most   float64 // concentration not to be passed, evaporation until the next visit counted
	why    string
}

// work is the bath as the plan sees it.
type work struct {
	e      *estimate.Estimate
	o      Options
	mean   []float64
	cov    [][]float64
	needs  []need
	v      float64 // L now
	goal   float64 // L to fill up to
	water  bool    // the level asks for water
	dries  float64 // L that evaporate until the next visit, on the safe side
	days   float64
	perDay float64 // Ah
}

func newWork(e *estimate.Estimate, o Options) *work {
	w := &work{e: e, o: o, days: o.DaysOff, perDay: o.AhPerDay}
	if w.days <= 0 {
		w.days = visit
	}
	if w.perDay < 0 || o.AhPerDay == 0 {
		w.perDay, _ = e.AhPerDay()
	}
	w.mean, w.cov = e.Joint()
	n := len(e.Constituents)
	w.v = w.mean[n]
	w.goal = w.v
	if w.v < topUpBelow*e.Bath.Volume {
		w.goal, w.water = e.Bath.Volume, true
	}
	ahead, later := e.Ahead(w.days, w.perDay*w.days)
	w.dries = math.Max(0, w.v-ahead[n]) + math.Sqrt(math.Max(0, later[n][n]-w.cov[n][n]))
	top := math.Max(w.goal, w.v)
	for i, c := range e.Constituents {
		x := need{c: c, target: c.Target}
		if t, ok := o.Target[c.Name]; ok {
			x.target = t
		}
		x.now, x.u = w.mean[i]/top, w.spread(w.cov, w.mean, i, top)
		x.least, x.uLeast = ahead[i]/top, w.spread(later, ahead, i, top)
		x.u, x.uLeast = math.Max(x.u, heldU(c)), math.Max(x.uLeast, heldU(c))
		w.needs = append(w.needs, x)
	}
	return w
}

// heldU is the uncertainty that a held reading leaves, 0 where there is none.
func heldU(c estimate.Constituent) float64 {
	if c.Held == nil {
		return 0
	}
	return c.U
}

// spread is the standard uncertainty of n/top where the tank is filled up to a
// mark: amount and volume err together, and only what the mark leaves counts.
func (w *work) spread(cov [][]float64, mean []float64, i int, top float64) float64 {
	n := len(mean) - 1
	c := mean[i] / top
	v := cov[i][i]
	if !w.water {
		v += -2*c*cov[i][n] + c*c*cov[n][n]
	} else {
		// Filled up to the mark, the volume is known as well as the mark is.
		v += c * c * math.Pow(markU*top, 2)
	}
	return math.Sqrt(math.Max(0, v)) / top
}

// markU is how well a tank can be filled up to its mark, relative: an
// assumption, the same as that of a level.
const markU = 0.005

// decide says for each constituent whether anything is to be done about it.
func (w *work) decide(p *Plan) {
	for i := range w.needs {
		x := &w.needs[i]
		c := x.c
		x.most = math.Inf(1)
		if c.High > 0 {
			dry := c.High * (1 - w.dries/math.Max(w.goal, 1))
			x.most = math.Max(math.Max(x.target, 0), dry-zHigh*x.u)
		}
		if c.Held != nil {
			x.shut = true
			p.TitrateFirst = append(p.TitrateFirst, Reading{c.Name, fmt.Sprintf("the last reading, %s %s, is %.1f standard deviations from what the log explains; nothing is planned for it until a second reading",
				round(c.Held.Value), c.Unit, math.Abs(c.Held.Off))})
			continue
		}
		if c.Contaminant() {
			if c.Value > c.High {
				p.Refused = append(p.Refused, Refusal{c.Name, fmt.Sprintf("%s %s is above %s %s and no addition takes it out; dummy plating, treatment or dilution may", round(c.Value), c.Unit, round(c.High), c.Unit)})
			}
			continue
		}
		if !c.Known {
			x.shut = true
			p.TitrateFirst = append(p.TitrateFirst, Reading{c.Name, "it has never been read, so nothing is planned for it"})
			continue
		}
		w.weigh(x, p)
	}
}

// weigh decides between doing and leaving for a constituent that is known.
func (w *work) weigh(x *need, p *Plan) {
	c := x.c
	organic := c.Role == chem.RoleOrganic
	chance := below(c.Low, x.least, x.uLeast)
	other := w.o.Target[c.Name] != 0
	age := math.Inf(1)
	if c.Assay != nil {
		age = w.e.At.Sub(c.Assay.Fact.Time).Hours() / 24
	}
	switch {
	case other && x.target > x.now:
		x.dose, x.why = true, fmt.Sprintf("to the target you gave, from %s %s", round(x.now), c.Unit)
	case organic && x.target-x.now >= littleOften*x.target:
		x.dose = true
		x.why = fmt.Sprintf("%s of %s %s left, and little and often keeps it even", round(x.now), round(x.target), c.Unit)
	case !organic && x.least-zNeed*x.uLeast < c.Low:
		x.dose = true
		x.why = fmt.Sprintf("%s of %s %s: a %.0f %% chance to be below %s within %.0f days", round(x.now), round(x.target), c.Unit, 100*chance, round(c.Low), w.days)
	case c.High > 0 && x.now > c.High && below(c.High, x.now, x.u) < 0.1:
		x.lower = true
		x.why = fmt.Sprintf("%s %s is above %s", round(x.now), c.Unit, round(c.High))
	case c.Verdict == estimate.Low || c.Verdict == estimate.Unsure:
		p.Quiet = append(p.Quiet, fmt.Sprintf("%s stays as it is: %s ± %s %s once the water is made up is inside its window", c.Name, round(x.now), round(z90*x.u), c.Unit))
	}
	wide := z90*x.u > (c.High-c.Low)/2 && c.High > 0
	acting := x.dose || x.lower
	switch {
	case age > staleDays && !organic:
		p.TitrateFirst = append(p.TitrateFirst, Reading{c.Name, fmt.Sprintf("the last titration is %s old, and facts go unlogged", ageWords(age))})
	case acting && wide && age > 1 && !organic:
		p.TitrateFirst = append(p.TitrateFirst, Reading{c.Name, fmt.Sprintf("± %s %s is wide beside its window of %s to %s; a titration could change what is added", round(z90*x.u), c.Unit, round(c.Low), round(c.High))})
	case acting && chance > 0.05 && chance < 0.6 && age > 6 && !organic:
		p.TitrateFirst = append(p.TitrateFirst, Reading{c.Name, fmt.Sprintf("the last titration is %s old, and a new one may show that nothing is needed", ageWords(age))})
	case organic && wide && age > 14:
		p.TitrateFirst = append(p.TitrateFirst, Reading{c.Name, "a Hull-cell panel would tell more than the log does: the estimate is wide beside its window"})
	}
}

func ageWords(days float64) string {
	switch {
	case math.IsInf(days, 0):
		return "too"
	case days < 14:
		return fmt.Sprintf("%.0f days", days)
	}
	return fmt.Sprintf("%.0f weeks", days/7)
}

// below is the chance that a normal variable lies below limit.
func below(limit, mean, u float64) float64 {
	if u <= 0 {
		if mean < limit {
			return 1
		}
		return 0
	}
	return 0.5 * math.Erfc((mean-limit)/u/math.Sqrt2)
}

func (w *work) wantsAnything() bool {
	if w.water {
		return true
	}
	for _, x := range w.needs {
		if x.dose || x.lower {
			return true
		}
	}
	return false
}

// round writes a figure as a person would: three that matter.
func round(x float64) string {
	if x == 0 || math.IsInf(x, 0) || math.IsNaN(x) {
		return fmt.Sprintf("%g", x)
	}
	places := int(math.Max(0, 2-math.Floor(math.Log10(math.Abs(x)))))
	return fmt.Sprintf("%.*f", min(places, 4), x)
}
