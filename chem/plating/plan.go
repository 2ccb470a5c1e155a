package plating

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"steadybath/chem"
	"steadybath/chem/estimate"
)

// z90 bounds a 90 % interval of the normal distribution: NIST/SEMATECH e-Handbook
// of Statistical Methods, table of the normal distribution (from memory).
const z90 = 1.6449

// What is said about a run: assumptions of this project, no source.
const (
	nearLimit   = 0.9   // of the highest current density from which a deposit may burn: edges see more than the mean
	absurd      = 10.0  // times the highest current density: a slip of the pen
	mostASD     = 100.0 // A/dm2, a slip of the pen where the recipe has no limit
	depositU    = 0.01  // relative standard uncertainty of a deposit's density that a recipe states
	sameTime    = 0.005 // of a time or thickness that need not be told apart
	offerRamp   = 0.5   // h, the ramp of a run that is offered where none was asked for
	lowLevel    = 0.015 // of the mark below which water is asked for before a run
	unsureLevel = 0.02  // of the mark: a level less sure than this is to be read first
	longest     = 2000  // h: nobody plates a part for twelve weeks
)

// Part is something to be plated; Area in dm2 with its standard uncertainty.
type Part struct {
	Name        string
	Area, UArea float64
}

// Options are what a run is wanted to be. The areas of the parts add up to that of
// Asked, whose own is not read.
type Options struct {
	Parts  []Part
	Asked  Asked
	Supply float64 // A, what the supply is rated at; 0: as the recipe says
}

// Offer is a run that would do where the one asked for does not.
type Offer struct {
	By    string // what gives way: time or current
	Run   Run
	Words string
}

// Plan is a run and what everything around it says to it.
type Plan struct {
	Bath       string
	At         time.Time
	Metal      Metal
	Yield      estimate.Yield
	Parts      []Part
	Asked      Asked
	Run        Run
	Possible   bool
	Why        string   // why it is impossible, or what else is to be said of what was asked; may be empty
	Most       float64  // um, or g where a mass was asked for: what current and time can bring at most; 0 where nobody asked
	Offers     []Offer  // where it is impossible, the one by time first
	Warnings   []string // in the order of what matters
	Notes      []string
	Supply     float64    // A; 0 unknown
	Window     [2]float64 // A/dm2, that of the cathode
	Organics   []Use
	Anodes     []Anode
	AnodeArea  float64  // dm2 immersed; 0 unknown
	AnodeUsual bool     // the recipe's usual area, since those that hang are not all known
	AnodeASD   float64  // A/dm2; 0 unknown
	Evaporates Quantity // L
	TopUp      float64  // L of water that are taken to be topped up on the way; 0: none
	Before     *estimate.Estimate
	After      *estimate.Estimate // the bath at the end
	Through    []Through
}

// Use is what a run uses of an organic.
type Use struct {
	Name string
	Quantity
	Unit chem.Unit
}

// MetalOf is what the bath plates, with its yield. An error says what the recipe
// lacks.
func MetalOf(e *estimate.Estimate) (Metal, estimate.Yield, error) {
	y, ok := e.Yield()
	if !ok {
		return Metal{}, y, fmt.Errorf("the recipe of bath %s does not say how much metal an ampere-hour plates: it lacks the metal's molar mass", e.Bath.Name)
	}
	m := Metal{Name: e.Recipe.Metal, PerAh: y.PerAh, UPerAh: y.U}
	if d := e.Recipe.Deposit; d > 0 {
		m.Density, m.UDensity = d, depositU*d
	} else if c, err := chem.MetalDensity(m.Name); err == nil {
		m.Density, m.UDensity = c.Value, c.U
	}
	return m, y, nil
}

// Hint is what would fit in place of what an error of this package refuses; empty
// where its sentence says it.
func Hint(err error) (hint string, words bool) {
	var w *wrongAsk
	if errors.As(err, &w) {
		return w.hint, true
	}
	return "", false
}

// Make reckons a run that begins at the estimate's moment. What makes no run is an
// error with a [Hint]; what the bath, the supply or Faraday's law forbids is a plan
// that is not Possible.
func Make(e *estimate.Estimate, o Options) (*Plan, error) {
	m, y, err := MetalOf(e)
	if err != nil {
		return nil, err
	}
	p := &Plan{Bath: e.Bath.Name, At: e.At, Metal: m, Yield: y, Parts: o.Parts, Asked: o.Asked, Possible: true,
		Supply: o.Supply, Window: e.Recipe.Limits.CathodeDensity, Before: e}
	if p.Supply == 0 {
		p.Supply = e.Recipe.Limits.Supply
	}
	p.Asked.Area, p.Asked.UArea = 0, 0
	for _, part := range o.Parts {
		p.Asked.Area += part.Area
		p.Asked.UArea = math.Hypot(p.Asked.UArea, part.UArea)
	}
	if p.Asked.From == (Start{}) {
		p.Asked.From = HalfCurrent()
	}
	if err := p.Asked.check(m); err != nil {
		return nil, err
	}
	if err := p.slips(); err != nil {
		return nil, err
	}
	if err := p.find(); err != nil {
		return nil, err
	}
	if p.Run.Hours.Value > longest {
		return nil, wrong("a higher current density, or a thinner deposit", "a run of %s at %s A/dm2 is longer than anybody plates a part", span(p.Run.Hours.Value), figure(p.Run.Density.Value))
	}
	p.limits()
	if err := p.bath(); err != nil {
		return nil, err
	}
	return p, nil
}

// slips refuses a current that nobody means.
func (p *Plan) slips() error {
	d := p.Asked.amperes() / p.Asked.Area
	most := p.Window[1]
	switch {
	case most > 0 && d > absurd*most:
		return wrong("look at the unit, the point and the area", "%s A/dm2 is %.0f times what the recipe allows, %s A/dm2", figure(d), d/most, figure(most))
	case most == 0 && d > mostASD:
		return wrong("look at the unit, the point and the area", "%s A/dm2 is more than any tank of this kind plates at", figure(d))
	}
	return nil
}

// find settles the run, and whether charge and time allow it.
func (p *Plan) find() (err error) {
	if p.Run, err = Solve(p.Asked, p.Metal); err != nil || !p.Asked.over() {
		return err
	}
	flat := p.Asked
	flat.Ramp, flat.From = 0, HalfCurrent()
	most, err := Solve(flat, p.Metal)
	if err != nil {
		return err
	}
	want, comes, u := p.Asked.Thickness, p.Run.Thickness.Value, most.Thickness.U
	p.Most = most.Thickness.Value
	if p.Asked.Mass > 0 {
		want, comes, u = p.Asked.Mass, p.Run.Mass.Value, most.Mass.U
		p.Most = most.Mass.Value
	}
	of := " of " + p.Metal.Name
	switch {
	case want > p.Most+z90*u:
		p.Possible = false
		p.Why = fmt.Sprintf("%s%s in %s at %s A/dm2 is impossible: at most about %s can come", p.Asked.deposit(), of, span(p.Asked.Hours),
			figure(p.Run.Density.Value), p.Asked.depositOr(p.Most))
		if p.Asked.Ramp > 0 {
			p.Why += fmt.Sprintf(", %s with the ramp", p.Asked.depositOr(comes))
		}
	case math.Abs(want-comes) <= sameTime*want:
	case want > comes:
		p.Why = fmt.Sprintf("about %s comes in %s; whether %s do is within the uncertainty", p.Asked.depositOr(comes), span(p.Asked.Hours), p.Asked.deposit())
	default:
		shorter := p.Asked
		shorter.Hours = 0
		if p.Run, err = Solve(shorter, p.Metal); err != nil {
			return err
		}
		p.Why = fmt.Sprintf("%s are there after %s; in %s about %s would come", p.Asked.deposit(), span(p.Run.Hours.Value), span(p.Asked.Hours), p.Asked.depositOr(comes))
	}
	if !p.Possible {
		p.offer()
	}
	return nil
}

// limits says what the cathode and the supply allow.
func (p *Plan) limits() {
	d, low, high := p.Run.Density.Value, p.Window[0], p.Window[1]
	over := func(format string, args ...any) {
		if p.impossible(format, args...) {
			p.offer()
		}
	}
	if i := p.Run.Current.Value; p.Supply > 0 && i > p.Supply*(1+1e-9) {
		over("the run takes %s A, and the supply gives %s A at most, which is %s A/dm2 here", figure(i), figure(p.Supply), figure(p.Supply/p.Asked.Area))
	}
	switch {
	case high > 0 && d > high*(1+1e-9):
		inTime := ""
		if !p.Asked.wantsCurrent() {
			at := p.Asked
			at.Thickness, at.Mass, at.Density, at.From, at.Ramp = 0, 0, high, HalfCurrent(), 0
			if r, err := Solve(at, p.Metal); err == nil {
				p.Most = r.Thickness.Value
				if p.Asked.Mass > 0 {
					p.Most = r.Mass.Value
				}
				inTime = fmt.Sprintf(": in %s at most about %s can come", span(p.Asked.Hours), p.Asked.depositOr(p.Most))
			}
		}
		over("%s A/dm2 burns the deposit, since the recipe's limit is %s A/dm2%s", figure(d), figure(high), inTime)
	case high > 0 && d > nearLimit*high:
		p.Warnings = append(p.Warnings, fmt.Sprintf("%s A/dm2 may burn: the recipe's limit is %s A/dm2, and edges see more than the mean", figure(d), figure(high)))
	case low > 0 && d < low*(1-1e-9):
		p.Warnings = append(p.Warnings, fmt.Sprintf("%s A/dm2 is below the lowest of the recipe, %s A/dm2: the deposit may be dull, and recesses stay thin", figure(d), figure(low)))
	}
}

// impossible notes a reason why the run cannot be; first tells whether there was
// none before.
func (p *Plan) impossible(format string, args ...any) (first bool) {
	text := fmt.Sprintf(format, args...)
	if !p.Possible {
		p.Warnings = append(p.Warnings, text)
		return false
	}
	if p.Why != "" {
		p.Notes = append(p.Notes, p.Why)
	}
	p.Possible, p.Why = false, text
	return true
}

// offer finds runs that would do: more time first, then more current.
func (p *Plan) offer() {
	a := p.Asked
	if !a.wantsDeposit() {
		return
	}
	// By time: as much current as was asked for, or as may be.
	slow := a
	slow.Hours, slow.Current = 0, a.amperes()
	slow.Density = 0
	if slow.Current == 0 {
		slow.Current = p.Run.Current.Value
	}
	if most := p.Window[1] * a.Area; most > 0 && slow.Current > most*(1+1e-9) {
		slow.Current = nearLimit * most
	}
	if p.Supply > 0 {
		slow.Current = math.Min(slow.Current, p.Supply)
	}
	if slow.Ramp == 0 {
		slow.Ramp, slow.From = offerRamp, HalfCurrent()
	}
	if slow.From.Given && slow.From.Amperes > slow.Current {
		slow.From = HalfCurrent()
	}
	r, err := Solve(slow, p.Metal)
	if err != nil { // it is there before the ramp ends
		slow.Ramp, slow.From = 0, HalfCurrent()
		r, err = Solve(slow, p.Metal)
	}
	if err == nil && r.Hours.Value <= longest {
		words := fmt.Sprintf("%s at %s A/dm2 (%s A)", span(r.Hours.Value), figure(r.Density.Value), figure(r.Current.Value))
		if r.Ramp > 0 {
			words += fmt.Sprintf(", with a %s ramp from %s", rampWords(r.Ramp), r.fromWords())
		}
		p.Offers = append(p.Offers, Offer{"time", r, words})
	}
	if !a.over() {
		return
	}
	fast := a
	fast.Current, fast.Density, fast.Ramp, fast.From = 0, 0, 0, HalfCurrent()
	if r, err = Solve(fast, p.Metal); err != nil {
		return
	}
	d, high := r.Density.Value, p.Window[1]
	said := about(d)
	if d < 1.1*p.Run.Density.Value { // two figures would not tell them apart
		said = figure(d)
	}
	words := fmt.Sprintf("%s A/dm2 (%s A) in %s, without a ramp", said, figure(r.Current.Value), span(a.Hours))
	switch {
	case p.Supply > 0 && r.Current.Value > p.Supply:
		words += fmt.Sprintf(": no, the supply gives %s A/dm2 here", figure(p.Supply/a.Area))
	case high > 0 && d > high:
		words += fmt.Sprintf(": no, it burns above the recipe's limit of %s A/dm2", figure(high))
	case high > 0 && d > nearLimit*high:
		words += fmt.Sprintf(", which may burn: the recipe's limit is %s A/dm2, and edges see more than the mean", figure(high))
	}
	p.Offers = append(p.Offers, Offer{"current", r, words})
}

// fromWords says where a ramp begins.
func (r Run) fromWords() string {
	switch share := r.From / r.Current.Value; {
	case r.From == 0:
		return "0 A"
	case math.Abs(share-0.5) < 1e-9:
		return "half the current"
	}
	return figure(r.From) + " A"
}

// Fact is the run as the log has it once it is done as planned.
func (p *Plan) Fact() chem.Plate {
	set := func(x float64, unit chem.Unit) chem.Measured {
		return chem.Measured{Number: rounded(x), Unit: unit}
	}
	f := chem.Plate{Charge: set(p.Run.Charge.Value, "Ah"), Hours: rounded(p.Run.Hours.Value), Area: set(p.Run.Area.Value, "dm2"), Current: set(p.Run.Current.Value, "A")}
	if p.Run.Ramp > 0 {
		f.Ramp, f.RampFrom = set(60*p.Run.Ramp, "min"), set(p.Run.From, "A")
		if whole := 60 * f.Hours.Float(); f.Ramp.Number.Float() > whole { // both were rounded
			f.Ramp.Number = chem.DecimalOf(whole)
		}
	}
	var names []string
	for _, part := range p.Parts {
		if part.Name != "" {
			names = append(names, part.Name)
		}
	}
	f.Part = strings.Join(names, ", ")
	return f
}

// rounded leaves four figures that matter, as a person would write them down.
func rounded(x float64) chem.Decimal {
	if x == 0 {
		return "0"
	}
	places := max(0, 3-int(math.Floor(math.Log10(math.Abs(x)))))
	text := string(chem.DecimalRound(x, places))
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return chem.Decimal(text)
}
