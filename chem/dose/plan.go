package dose

import (
	"fmt"
	"math"
	"strings"
	"time"

	"steadybath/chem"
	"steadybath/chem/estimate"
)

// Portion is a part of an addition that goes in at once.
type Portion struct {
	Amount float64 // in the unit of the addition
	Unit   chem.Unit
	Wait   string // what to do before the next step
}

// Addition is one line of a plan.
type Addition struct {
	Material chem.Material
	Amount   float64   // in Unit
	Unit     chem.Unit // g, kg, mL or L: what a balance or a cylinder shows
	Portions []Portion // sum to Amount
	Why      string
	Cautions []string
	Every    Interval // organics: how to go on from here
}

// Interval is when the next dose of an organic falls due, whichever comes first.
// Zero means that nothing of the kind uses it up.
type Interval struct{ Ah, Days float64 }

// After is a constituent of the bath once the plan is carried out.
type After struct {
	Name                 string
	Unit                 chem.Unit
	Value, Low90, High90 float64
}

// Reading is a reading to take before the plan is carried out. Constituent is
// "level" for the volume.
type Reading struct{ Constituent, Why string }

// Refusal is something asked for, or needed, that the plan does not do.
type Refusal struct{ What, Why string }

// Plan is what to add now. A plan is carried out whole or not at all.
type Plan struct {
	Bath         string
	At           time.Time
	Bail         float64 // L, before everything else, since it is counted at the bath as it is now; 0 for none
	BailWhy      string  // one sentence
	BailCautions []string
	Additions    []Addition // in the order of work, after the bail-out
	After        []After
	Volume       float64 // L, after it
	TitrateFirst []Reading
	Buy          []Purchase  // what was short
	Next         []Titration // as [Schedule] says; whoever wants it asks for it
	Compromise   string      // where the limits cannot all be kept: which ones conflict, and what this plan leaves outside
	Cautions     []string
	Refused      []Refusal
	Quiet        []string // why nothing is done about what might seem to ask for it
}

// Stock is what there is of a material.
type Stock struct {
	Left  float64 // in the material's unit
	Price float64 // per unit; 0: the recipe's
}

// Purchase is what a plan lacks.
type Purchase struct {
	Material chem.Material
	Amount   float64 // in Unit, on top of what there is
	Unit     chem.Unit
	Left     float64 // in Unit
}

// Options change what a plan aims at.
type Options struct {
	Stock    map[string]Stock   // by material, where stock is counted; a material without an entry is never short
	Target   map[string]float64 // other targets, by constituent, in its unit
	Only     []string           // materials to use, and no others; water too is left out unless named
	Coldest  float64            // degC, the coldest the bath may get; 0: the recipe's
	DaysOff  float64            // days until the next visit and top-up; 0: a week
	AhPerDay float64            // charge per day until then; 0: as learned, below 0: none
}

// Make plans what to add to the bath of e now. It is an error where the options
// cannot be meant: a constituent or material that the recipe does not have, a
// target outside its window.
func Make(e *estimate.Estimate, o Options) (*Plan, error) {
	p := &Plan{Bath: e.Bath.Name, At: e.At, Volume: e.Volume}
	o, err := o.settle(e)
	if err != nil {
		return nil, err
	}
	if e.Recipe.Cyanide {
		p.cyanide()
		if e.UVolume > blindLevel*e.Bath.Volume {
			p.read("level", "the volume is %s L by the log; reading it, parts out and air off, adds nothing to the bath", span(e.Volume, z90*e.UVolume))
		}
		p.asItIs(e)
		return p, nil
	}
	w := newWork(stocked(e, o.Stock), o)
	w.decide(p)
	if err := w.solve(p); err != nil {
		return nil, err
	}
	w.finish(p)
	if len(o.Stock) > 0 {
		if p.Buy, err = lacking(e, o); err != nil {
			return nil, err
		}
	}
	return p, nil
}

// settle checks the options against the recipe and spells names as it does.
func (o Options) settle(e *estimate.Estimate) (Options, error) {
	target := map[string]float64{}
	for name, t := range o.Target {
		c, ok := e.Recipe.Constituent(name)
		if !ok {
			return o, fmt.Errorf("the bath has no %s; it has %s", name, names(e.Recipe))
		}
		if c.Contaminant() {
			return o, fmt.Errorf("%s is a contaminant with an upper limit of %s %s; nothing is added to reach a target for it", c.Name, tidy(c.High), c.Unit)
		}
		if !(t >= c.Low && t <= c.High) || !(t > 0) {
			return o, fmt.Errorf("a target of %g %s for %s lies outside its window of %s to %s %s; move the window first if that is meant", t, c.Unit, c.Name, tidy(c.Low), tidy(c.High), c.Unit)
		}
		target[c.Name] = t
	}
	o.Target = target
	only := make([]string, 0, len(o.Only))
	for _, name := range o.Only {
		m, ok := e.Recipe.Material(name)
		if !ok {
			list := make([]string, len(e.Recipe.Materials))
			for i, m := range e.Recipe.Materials {
				list[i] = m.Name
			}
			return o, fmt.Errorf("the recipe has no material %s; it has %s", name, strings.Join(list, ", "))
		}
		only = append(only, m.Name)
	}
	o.Only = only
	if !(o.DaysOff >= 0 && o.DaysOff <= 366) {
		return o, fmt.Errorf("%g days until the next visit: 0 to 366 would fit", o.DaysOff)
	}
	if o.Coldest != 0 && !(o.Coldest >= -10 && o.Coldest <= 60) {
		return o, fmt.Errorf("a coldest temperature of %g degC: -10 to 60 would fit", o.Coldest)
	}
	if math.IsNaN(o.AhPerDay) || math.IsInf(o.AhPerDay, 0) {
		return o, fmt.Errorf("%g Ah per day is not a charge", o.AhPerDay)
	}
	return o, nil
}

func names(r *chem.Recipe) string {
	list := make([]string, len(r.Constituents))
	for i, c := range r.Constituents {
		list[i] = c.Name
	}
	return strings.Join(list, ", ")
}

// asItIs reports the bath unchanged.
func (p *Plan) asItIs(e *estimate.Estimate) {
	p.After = nil
	for _, c := range e.Constituents {
		p.After = append(p.After, After{c.Name, c.Unit, c.Value, c.Low90, c.High90})
	}
}

// round writes a figure as a person would: three that matter.
func round(x float64) string {
	if x == 0 || math.IsInf(x, 0) || math.IsNaN(x) {
		return fmt.Sprintf("%g", x)
	}
	places := int(math.Max(0, 2-math.Floor(math.Log10(math.Abs(x))+1e-12)))
	return fmt.Sprintf("%.*f", min(places, 4), x)
}

// tidy writes a figure of a recipe or a tank: three that matter, and no zeros
// behind the point that say nothing.
func tidy(x float64) string {
	s := round(x)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// span writes a mean and the half-width of its 90 % interval to the same place.
func span(mean, half float64) string {
	places := 2
	if half > 0 && !math.IsInf(half, 0) {
		places = min(max(0, 1-int(math.Floor(math.Log10(half)))), 4)
	}
	return fmt.Sprintf("%.*f ± %.*f", places, mean, places, half)
}

// percent writes a chance, never as certain as 0 or 100 %.
func percent(p float64) string {
	switch {
	case p < 0.01:
		return "less than 1 %"
	case p > 0.99:
		return "more than 99 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

// days writes a time span in the unit a person would use.
func days(d float64) string {
	switch {
	case d < 1.5:
		return "1 day"
	case d < 14:
		return fmt.Sprintf("%.0f days", d)
	}
	return fmt.Sprintf("%.0f weeks", d/7)
}

// chanceBelow is the chance that a normal variable lies below limit.
func chanceBelow(limit, mean, u float64) float64 {
	if u <= 0 {
		if mean < limit {
			return 1
		}
		return 0
	}
	return 0.5 * math.Erfc((mean-limit)/u/math.Sqrt2)
}
