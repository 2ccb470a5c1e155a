package plating

import (
	"fmt"
	"math"

	"steadybath/chem"
)

// Asked is what a run is wanted to be: the area and two of current (or current
// density), time, and thickness or mass. Where all three are given the question is
// whether they can be had together. Zero means not given.
type Asked struct {
	Area, UArea float64 // dm2, all parts together
	Current     float64 // A after the ramp
	Density     float64 // A/dm2 after the ramp, instead of Current
	Hours       float64
	Thickness   float64 // um, the mean
	Mass        float64 // g, instead of Thickness
	Ramp        float64 // h, from the start on
	From        Start
}

// Start is the current that a ramp begins with: a share of the current after it,
// or amperes.
type Start struct {
	Share   float64 // of the current after the ramp, where Amperes is not given
	Amperes float64 // A
	Given   bool    // Amperes counts, 0 A too
}

// HalfCurrent is where a ramp begins when nobody says: common practice, no source.
func HalfCurrent() Start { return Start{Share: 0.5} }

// Metal is what an ampere-hour plates, and how heavy a deposit is.
type Metal struct {
	Name              string
	PerAh, UPerAh     float64 // g per ampere-hour as the supply shows it
	Density, UDensity float64 // g/cm3, of the deposit; 0: unknown
}

// Quantity is a number with its standard uncertainty; 0 where somebody set it.
type Quantity struct{ Value, U float64 }

// Run is a run with every figure found.
type Run struct {
	Area      Quantity // dm2
	Current   Quantity // A after the ramp
	Density   Quantity // A/dm2 after the ramp
	From      float64  // A at the start of the ramp
	Ramp      float64  // h
	Hours     Quantity
	Charge    Quantity // Ah as the supply shows it
	Mass      Quantity // g
	Thickness Quantity // um, the mean; NaN where no density of the deposit is known
}

// wrongAsk says that what was asked makes no run, whatever the bath.
type wrongAsk struct{ what, hint string }

func (w *wrongAsk) Error() string { return w.what }

// Hint is what would fit; empty where the sentence says it.
func (w *wrongAsk) Hint() string { return w.hint }

func wrong(hint, format string, args ...any) error {
	return &wrongAsk{fmt.Sprintf(format, args...), hint}
}

// rounding is how far two figures that mean the same may lie apart, relative.
const rounding = 1e-9

// wantsCurrent, wantsDeposit: what was given.
func (a Asked) wantsCurrent() bool { return a.Current > 0 || a.Density > 0 }
func (a Asked) wantsDeposit() bool { return a.Thickness > 0 || a.Mass > 0 }

// over tells whether more was asked than a run has freedom for: the question is
// then whether the three can be had together.
func (a Asked) over() bool { return a.wantsCurrent() && a.Hours > 0 && a.wantsDeposit() }

// amperes is the current asked for, 0 where none.
func (a Asked) amperes() float64 {
	if a.Current > 0 {
		return a.Current
	}
	return a.Density * a.Area
}

// check refuses what makes no run.
func (a Asked) check(m Metal) error {
	for _, x := range []float64{a.Area, a.UArea, a.Current, a.Density, a.Hours, a.Thickness, a.Mass, a.Ramp, a.From.Amperes, a.From.Share} {
		if !(x >= 0) || math.IsInf(x, 0) {
			return wrong("", "%v is no figure of a run; all of them are 0 or more", x)
		}
	}
	switch {
	case a.Area == 0:
		return wrong("the plated area of all parts together, such as 5.5 dm2", "an area of 0 dm2 cannot be plated")
	case a.Current > 0 && a.Density > 0:
		return wrong("leave one of them out", "a current and a current density say the same twice: %s A on %s dm2 is %s A/dm2", figure(a.Current), figure(a.Area), figure(a.Current/a.Area))
	case a.Thickness > 0 && a.Mass > 0:
		return wrong("leave one of them out", "a thickness and a mass say the same twice: on a known area one follows from the other")
	case !a.wantsCurrent() && a.Hours == 0 && !a.wantsDeposit():
		return wrong("two of current density, time, and thickness or mass; such as 1.5 A/dm2 and 200 um", "an area alone makes no run")
	case !a.wantsCurrent() && a.Hours == 0:
		return wrong("such as 1.5 A/dm2, or 4 h", "how thick it shall become is given, and neither a current nor a time")
	case !a.wantsCurrent() && !a.wantsDeposit():
		return wrong("such as 1.5 A/dm2, or 200 um", "a time is given, and neither a current nor a thickness")
	case a.Hours == 0 && !a.wantsDeposit():
		return wrong("such as 4 h, or 200 um", "a current is given, and neither a time nor a thickness")
	case a.Thickness > 0 && !(m.Density > 0):
		return wrong("set deposit_density, g/cm3, or ask for a mass", "no density of a deposit of %s is known, so a thickness says nothing of a mass", m.Name)
	case a.Hours > 0 && a.Ramp > a.Hours*(1+rounding):
		return wrong("", "the ramp of %s is longer than the run of %s", span(a.Ramp), span(a.Hours))
	case a.Ramp == 0 && a.From.Given:
		return wrong("say how long the ramp takes, such as 30 min", "a current to begin with is given, and no ramp")
	case a.From.Given && a.wantsCurrent() && a.From.Amperes > a.amperes()*(1+rounding):
		return wrong("a ramp goes up", "the ramp begins at %s A, and the current after it is %s A", figure(a.From.Amperes), figure(a.amperes()))
	}
	return nil
}

// Solve finds the rest of a run from two of current, time and deposit. Where all
// three are given, current and time count. What makes no run is an error with a
// Hint.
func Solve(a Asked, m Metal) (Run, error) {
	if err := a.check(m); err != nil {
		return Run{}, err
	}
	if a.over() {
		a.Thickness, a.Mass = 0, 0
	}
	relY, relRho, relA := m.UPerAh/m.PerAh, 0.0, a.UArea/a.Area
	if m.Density > 0 {
		relRho = m.UDensity / m.Density
	}
	r := Run{Area: Quantity{a.Area, a.UArea}, Ramp: a.Ramp, Thickness: Quantity{Value: math.NaN()}}
	perUm := m.Density * a.Area / 100 // g per um: 1 um on 1 dm2 is 0.01 cm3
	current := func() {
		r.Current.Value, r.Hours.Value = a.amperes(), a.Hours
		r.From = a.From.at(r.Current.Value)
	}
	// The charge that a wanted deposit takes.
	relQ := 0.0
	if a.wantsDeposit() {
		r.Mass.Value = a.Mass
		if a.Thickness > 0 {
			r.Mass = Quantity{a.Thickness * perUm, a.Thickness * perUm * math.Hypot(relRho, relA)}
			relQ = math.Hypot(relY, math.Hypot(relRho, relA))
		} else {
			relQ = relY
		}
		r.Charge.Value = r.Mass.Value / m.PerAh
		r.Charge.U = r.Charge.Value * relQ
	}
	switch {
	case !a.wantsDeposit():
		current()
		r.Charge.Value = chem.RampCharge(r.Current.Value, r.From, a.Hours, a.Ramp)
		r.Mass = Quantity{r.Charge.Value * m.PerAh, r.Charge.Value * m.UPerAh}
	case a.wantsCurrent():
		current()
		i := r.Current.Value
		r.Hours.Value = a.Ramp + (r.Charge.Value-chem.RampCharge(i, r.From, a.Ramp, a.Ramp))/i
		if r.Hours.Value < a.Ramp*(1-rounding) {
			return Run{}, wrong("a shorter ramp, or less current, would fit",
				"the ramp of %s is longer than the run: %s is there before it ends", span(a.Ramp), a.deposit())
		}
		r.Hours.U = r.Charge.U / i
	default:
		r.Hours.Value = a.Hours
		i, di := a.From.solve(r.Charge.Value, a.Hours, a.Ramp)
		if !(i > 0) || a.From.Given && i < a.From.Amperes*(1-rounding) {
			return Run{}, wrong("begin lower, or take more time", "beginning at %s A, %s is there before %s are over", figure(a.From.Amperes), a.deposit(), span(a.Hours))
		}
		r.Current = Quantity{i, di * r.Charge.U}
		r.From = a.From.at(i)
	}
	if a.Ramp == 0 {
		r.From = r.Current.Value
	}
	r.Density = Quantity{r.Current.Value / a.Area, r.Current.U / a.Area}
	switch {
	case a.Thickness > 0:
		r.Thickness = Quantity{Value: a.Thickness}
	case m.Density > 0:
		t := r.Mass.Value / perUm
		rel := r.Mass.U / r.Mass.Value
		r.Thickness = Quantity{t, t * math.Hypot(rel, math.Hypot(relRho, relA))}
	}
	return r, nil
}

// at is the current at the start of a ramp to i amperes.
func (s Start) at(i float64) float64 {
	if s.Given {
		return s.Amperes
	}
	return s.Share * i
}

// solve is the current that passes charge q, Ah, in some hours after a ramp, and
// its derivative by q.
func (s Start) solve(q, hours, ramp float64) (i, perQ float64) {
	if s.Given {
		return (q - s.Amperes*ramp/2) / (hours - ramp/2), 1 / (hours - ramp/2)
	}
	full := (s.Share+1)/2*ramp + hours - ramp // hours at full current that pass as much
	return q / full, 1 / full
}

// deposit says what was asked to be deposited.
func (a Asked) deposit() string {
	if a.Thickness > 0 {
		return figure(a.Thickness) + " um"
	}
	return figure(a.Mass) + " g"
}
