package plating

import (
	"fmt"
	"math"

	"steadybath/chem"
	"steadybath/chem/anode"
	"steadybath/chem/estimate"
)

// Anode is a hung anode before and after the run. Masses in kg are NaN where it
// was never weighed.
type Anode struct {
	ID, Form  string
	Start     float64 // kg
	End, UEnd float64 // kg
	Hung      float64 // kg when hung; 0 unknown
	Area      float64 // dm2 immersed at the start; 0 unknown
	RunsOut   float64 // h into the run when by the log nothing is left of it; NaN where something is
}

// Through is a constituent through the run.
type Through struct {
	Start, End estimate.Constituent
	Leaves     float64 // h into the run when it leaves its window; NaN where it does not, 0 where it is outside already
	Edge       string  // low or high
}

// bath carries the run through to its end and says what happens on the way.
func (p *Plan) bath() error {
	q, hours := p.Run.Charge.Value, p.Run.Hours.Value
	still, running := p.Before.Rate("evaporation"), p.Before.Rate("evaporation while plating")
	p.Evaporates = Quantity{still.Value*hours/24 + running.Value*hours, math.Hypot(still.U*hours/24, running.U*hours)}
	if p.Evaporates.Value > lowLevel*p.Before.Bath.Volume {
		p.TopUp = p.Evaporates.Value
	}
	after, err := p.Before.AfterRun(p.Fact(), p.TopUp)
	if err != nil {
		return err
	}
	p.After = after
	way, err := p.way()
	if err != nil {
		return err
	}
	for i, c := range p.Before.Constituents {
		p.Through = append(p.Through, through(way, i))
		if c.Role != chem.RoleOrganic {
			continue
		}
		rate := p.Before.Rate(c.Name + " use")
		perAh, shown := math.Max(0, rate.Value), p.Yield.Ammeter*q
		p.Organics = append(p.Organics, Use{c.Name, Quantity{perAh * shown, shown * math.Hypot(rate.U, perAh*p.Yield.UAmmeter/p.Yield.Ammeter)}, "mL"})
	}
	p.anodes(way)
	p.metalWords()
	p.anodeWords()
	p.windowWords()
	p.levelWords()
	for _, f := range p.Before.Flags {
		if f.Kind == "limit" {
			p.Warnings = append(p.Warnings, f.Why)
		}
	}
	if p.Before.Recipe.Cyanide {
		p.Warnings = append(p.Warnings, "a cyanide bath: exhaust on, never alone, no acid near it; gold is tracked by charge, and the supplier says what is added")
	}
	return nil
}

// stop is the bath at a moment of the run.
type stop struct {
	hours float64
	bath  *estimate.Estimate
}

// stops is in how many pieces a run is looked at in which something happens.
const stops = 8

// way is the bath from the start of the run to its end; with stops between where a
// constituent leaves its window or an anode is used up, to tell when.
func (p *Plan) way() ([]stop, error) {
	out := []stop{{0, p.Before}, {p.Run.Hours.Value, p.After}}
	happens := false
	for i := range p.Before.Constituents {
		t := through(out, i)
		happens = happens || t.Start.Known && t.Leaves > 0
	}
	for _, a := range p.After.Anodes {
		happens = happens || !math.IsNaN(a.Mass) && a.Mass <= z90*a.U
	}
	if !happens {
		return out, nil
	}
	var between []stop
	for k := 1; k < stops; k++ {
		part := p.Fact()
		hours := p.Run.Hours.Value * float64(k) / stops
		ramp := math.Min(p.Run.Ramp, hours)
		top := p.Run.Current.Value
		if ramp > 0 && ramp < p.Run.Ramp {
			top = p.Run.From + (top-p.Run.From)*ramp/p.Run.Ramp
		}
		part.Hours = chem.DecimalOf(hours)
		part.Charge = chem.MeasuredOf(chem.RampCharge(top, p.Run.From, hours, ramp), "Ah", 0)
		if part.Charge.Number.Float() <= 0 {
			continue
		}
		e, err := p.Before.AfterRun(part, p.TopUp*hours/p.Run.Hours.Value)
		if err != nil {
			return nil, err
		}
		between = append(between, stop{hours, e})
	}
	return append(append(out[:1:1], between...), out[1]), nil
}

// through says what becomes of constituent i, and when it leaves its window; from
// stop to stop it moves in a straight line.
func through(way []stop, i int) Through {
	start, end := way[0].bath.Constituents[i], way[len(way)-1].bath.Constituents[i]
	t := Through{Start: start, End: end, Leaves: math.NaN()}
	outside := func(x float64) (edge string, bound float64) {
		switch {
		case x < start.Low:
			return "low", start.Low
		case start.High > 0 && x > start.High:
			return "high", start.High
		}
		return "", 0
	}
	for k, s := range way {
		x := s.bath.Constituents[i].Value
		edge, bound := outside(x)
		if edge == "" {
			continue
		}
		t.Edge, t.Leaves = edge, 0
		if k > 0 {
			before := way[k-1].bath.Constituents[i].Value
			t.Leaves = way[k-1].hours + (s.hours-way[k-1].hours)*(bound-before)/(x-before)
		}
		break
	}
	return t
}

// anodes gathers what hangs, its area and the current density on it.
func (p *Plan) anodes(way []stop) {
	e, r := p.Before, p.Before.Recipe
	all := len(e.Anodes) > 0
	for _, a := range e.Anodes {
		x := Anode{ID: a.ID, Form: a.Form, Start: a.Mass, End: math.NaN(), Hung: a.Started, RunsOut: math.NaN()}
		x.Area, _ = anode.Wet(a, a.Mass)
		for _, then := range p.After.Anodes {
			if then.ID == a.ID {
				x.End, x.UEnd = then.Mass, then.U
			}
		}
		if !math.IsNaN(x.End) && x.End <= z90*x.UEnd {
			for _, then := range way[1].bath.Anodes { // what it loses in an hour, before anything else happens
				if lost := a.Mass - then.Mass; then.ID == a.ID && lost > 0 {
					x.RunsOut = math.Min(way[1].hours*a.Mass/lost, p.Run.Hours.Value)
				}
			}
		}
		p.Anodes = append(p.Anodes, x)
		p.AnodeArea += x.Area
		all = all && x.Area > 0
	}
	if !all {
		p.AnodeArea, p.AnodeUsual = r.AnodeArea, true
		if r.Volume > 0 { // the recipe's area is for the recipe's volume
			p.AnodeArea *= e.Bath.Volume / r.Volume
		}
	}
	if p.AnodeArea > 0 {
		p.AnodeASD = p.Run.Current.Value / p.AnodeArea
	}
}

// metalWords says so where there is not as much metal as the run takes.
func (p *Plan) metalWords() {
	c, ok := p.Before.Recipe.WithRole(chem.RoleMetal)
	if !ok {
		return
	}
	there, where := 0.0, "the bath"
	for _, x := range p.Before.Constituents {
		if x.Name != c.Name {
			continue
		}
		perLitre, err := x.Unit.Convert(x.High90, "g/L")
		if err != nil || !x.Known {
			return
		}
		there += perLitre * p.Before.High90V
	}
	if p.Before.Recipe.Anodes != "inert" {
		if len(p.Anodes) == 0 {
			return // what the usual ones weigh, nobody said
		}
		where = "the bath and its anodes"
		for _, a := range p.Anodes {
			if math.IsNaN(a.Start) {
				return
			}
			there += 1000 * a.Start
		}
	}
	if p.Run.Mass.Value > there {
		p.impossible("the run takes %s g of %s, and there are about %s g in %s", figure(p.Run.Mass.Value), p.Metal.Name, figure(there), where)
	}
}

func (p *Plan) anodeWords() {
	e, r := p.Before, p.Before.Recipe
	if len(e.Anodes) == 0 {
		for _, f := range e.Bath.Facts {
			if _, ok := f.Body.(chem.Hang); ok && !f.Time.After(p.At) {
				p.Warnings = append(p.Warnings, "by the log no anode hangs in the bath: hang them before the run")
				break
			}
		}
	}
	if most := r.Limits.AnodeDensity; most > 0 && p.AnodeASD > most*(1+1e-9) {
		p.Warnings = append(p.Warnings, fmt.Sprintf("the anodes would run at %s A/dm2, and the recipe's limit is %s A/dm2, above which they film over: %s A, or %s dm2 of anode, would fit",
			figure(p.AnodeASD), figure(most), figure(most*p.AnodeArea), figure(p.Run.Current.Value/most)))
	}
	if least := r.Limits.AnodeRatio; least > 0 && p.AnodeArea > 0 && p.AnodeArea < least*p.Asked.Area*(1-1e-9) {
		p.Warnings = append(p.Warnings, fmt.Sprintf("%s dm2 of anode are %s times the parts' area, and the recipe asks for %s times", figure(p.AnodeArea), figure(p.AnodeArea/p.Asked.Area), figure(least)))
	}
	last := 0.0 // h, when the last anode has run out; never where one goes on
	for _, a := range p.Anodes {
		if math.IsNaN(a.RunsOut) {
			last = math.Inf(1)
		}
		last = math.Max(last, a.RunsOut)
	}
	if r.Anodes != "inert" && last > 0 && last < p.Run.Hours.Value {
		p.impossible("all anodes are used up after about %s, and then no current passes: hang more before the run", span(last))
	}
	for _, a := range p.Anodes {
		if math.IsNaN(a.End) {
			continue
		}
		part, _ := anode.Least(r.Limits)
		least := part * a.Hung
		switch {
		case !math.IsNaN(a.RunsOut):
			p.Warnings = append(p.Warnings, fmt.Sprintf("anode %s may run out after about %s, with %s kg left now: hang another first", a.ID, span(a.RunsOut), figure(a.Start)))
		case least > 0 && a.End < least:
			p.Warnings = append(p.Warnings, fmt.Sprintf("anode %s is due for replacement by the end of the run: %s kg of %s kg", a.ID, pm(a.End, a.UEnd), figure(a.Hung)))
		}
	}
}

func (p *Plan) windowWords() {
	for _, t := range p.Through {
		c := t.Start
		first := "steadybath dose says what to add first"
		switch {
		case p.Before.Recipe.Cyanide:
			first = "the supplier says what is done about it"
		case t.Edge == "high":
			first = "steadybath dose says what is to be done first"
		}
		if !c.Known || c.Low == 0 && c.High == 0 {
			continue
		}
		window := fmt.Sprintf("%s to %s %s", figure(c.Low), figure(c.High), c.Unit)
		if c.Contaminant() {
			window = fmt.Sprintf("under %s %s", figure(c.High), c.Unit)
		}
		worse := t.End.Value > t.Start.Value == (t.Edge == "high")
		switch {
		case t.Leaves == 0 && worse:
			p.Warnings = append(p.Warnings, fmt.Sprintf("%s is outside its window of %s already, at %s %s, and goes to %s %s: %s",
				c.Name, window, figure(c.Value), c.Unit, figure(t.End.Value), c.Unit, first))
		case t.Leaves == 0:
			p.Warnings = append(p.Warnings, fmt.Sprintf("%s is outside its window of %s already, at %s %s: %s", c.Name, window, figure(c.Value), c.Unit, first))
		case t.Leaves > 0:
			p.Warnings = append(p.Warnings, fmt.Sprintf("%s leaves its window of %s after about %s, and is %s %s at the end", c.Name, window, span(t.Leaves), figure(t.End.Value), c.Unit))
		case t.End.Verdict == estimate.Unsure && t.Start.Verdict == estimate.Inside:
			p.Notes = append(p.Notes, fmt.Sprintf("%s may be outside its window of %s by the end", c.Name, window))
		}
	}
}

func (p *Plan) levelWords() {
	b := p.Before.Bath
	mark, start, end := b.Volume, p.Before.Volume, p.After.Volume
	least := 0.0
	if b.Tank.Least.Given() {
		least = b.Tank.Least.Value("L")
	}
	low := start < (1-lowLevel)*mark
	switch {
	case p.Before.UVolume > unsureLevel*mark:
		p.Notes = append(p.Notes, fmt.Sprintf("read the level before the run: by the log it is %s L, and the mark %s L", pm(start, z90*p.Before.UVolume), figure(mark)))
	case p.TopUp > 0:
		when := "on the way"
		if low {
			when = fmt.Sprintf("before the run, since the level is %s L and the mark %s L, and on the way", figure(start), figure(mark))
		}
		p.Warnings = append(p.Warnings, fmt.Sprintf("about %s L of water evaporate in the run: top up %s", about(p.TopUp), when))
	case least > 0 && end < least:
		p.Warnings = append(p.Warnings, fmt.Sprintf("the level falls to %s L, below the tank's lowest of %s L: top up with water before the run", figure(end), figure(least)))
	case low:
		p.Notes = append(p.Notes, fmt.Sprintf("the level is %s L, and the mark %s L: top up with water before the run", figure(start), figure(mark)))
	}
}

// pm writes value ± u with the digits that u leaves.
func pm(x, u float64) string {
	places := 3
	if u > 0 {
		places = min(max(0, 1-int(math.Floor(math.Log10(u)))), 6)
	}
	return fmt.Sprintf("%.*f ± %.*f", places, x, places, u)
}
