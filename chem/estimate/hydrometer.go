package estimate

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"steadybath/chem"
)

// What a hydrometer reading is off by where it does not say: assumptions of this
// project.
const (
	hydrometerU   = 0.002 // g/cm3, one small division
	hydrometerAt  = 20.0  // degC, where hydrometers are made for, if nobody read a temperature
	roomU         = 2.0   // degC, how far from that a sample called 20 degC may be
	thermometerU  = 0.5   // degC
	temperatureOf = time.Hour
)

// densityName is the subject of a hydrometer reading.
const densityName = "density"

// densityModel is the lot under which readings of one bath share the error of the
// density model.
const densityModel = "density model"

// dissolved is one solute that the density model knows, and how much of it a
// concentration of a constituent makes: g/L per unit.
type dissolved struct {
	con     int
	formula string
	per     float64
}

// solutes translates the constituents into solutes of the density model, or says
// what the model does not cover. Traces (mg/L), contaminants and organics are left
// to its uncertainty.
func (r *run) solutes() ([]dissolved, error) {
	l := r.l
	if l.metal < 0 {
		return nil, errors.New("the recipe names no metal")
	}
	mass := func(formula string) float64 {
		m, _, err := chem.MolarMass(formula)
		if err != nil {
			panic("estimate: " + err.Error()) // formulas are written here
		}
		return m
	}
	perGram := func(i int) float64 { // g/L per unit
		f, err := l.cons[i].Unit.Convert(1, "g/L")
		if err != nil {
			return 0
		}
		return f
	}
	var out []dissolved
	done := map[int]bool{}
	put := func(i int, formula string, molPerGram, sign float64) {
		out = append(out, dissolved{i, formula, perGram(i) * molPerGram * mass(formula) * sign})
		done[i] = true
	}
	metal := l.cons[l.metal]
	switch {
	case strings.EqualFold(metal.Name, "copper") && l.acid >= 0:
		put(l.metal, "CuSO4", 1/mass("Cu"), 1)
		put(l.acid, "H2SO4", 1/mass("H2SO4"), 1)
	case strings.EqualFold(metal.Name, "nickel") && r.saltsAre("sulfate", "chloride"):
		put(l.metal, "NiSO4", 1/mass("Ni"), 1)
		// The chloride's nickel is in the nickel that is titrated.
		if i := r.constituent("nickel chloride"); i >= 0 && l.cons[i].MolarMass > 0 {
			put(i, "NiCl2", 1/l.cons[i].MolarMass, 1)
			put(i, "NiSO4", 1/l.cons[i].MolarMass, -1)
		}
	default:
		return nil, fmt.Errorf("the published model has no %s bath of this kind", metal.Name)
	}
	for i, c := range l.cons {
		if !done[i] && c.Role != chem.RoleOrganic && !c.Contaminant() && c.Target*perGram(i) >= 1 {
			return nil, fmt.Errorf("the published model does not cover %s", c.Name)
		}
	}
	return out, nil
}

// saltsAre tells whether every material that brings the metal is a salt of one of
// the anions, by its name.
func (r *run) saltsAre(anions ...string) bool {
	some := false
	for _, m := range r.recipe.Materials {
		if m.Brings[r.l.cons[r.l.metal].Name] <= 0 || strings.Contains(m.Name, "carbonate") { // it takes the bath's own anion
			continue
		}
		some = true
		known := false
		for _, a := range anions {
			known = known || strings.Contains(strings.ToLower(m.Name), a)
		}
		if !known {
			return false
		}
	}
	return some
}

// flagAnew raises a flag in place of an older one of its kind and subject.
func (r *run) flagAnew(kind, subject string, t time.Time, why string) {
	if !r.replay {
		r.flags = slices.DeleteFunc(slices.Clone(r.flags), func(f Flag) bool { return f.Kind == kind && f.Subject == subject })
	}
	r.flag(kind, subject, t, why)
}

// density observes the whole composition by a hydrometer: the density that the
// published model gives for what is believed to be dissolved, at the temperature
// of the sample. What the model is off by is shared by all readings of a bath, as
// a lot's molarity is.
func (r *run) density(at time.Time, a chem.Assay) (observation, error) {
	value, u, err := a.Value.In("g/cm3")
	if err != nil {
		return observation{}, err
	}
	if !a.Value.U.Given() {
		u = hydrometerU
	}
	list, err := r.solutes()
	if err != nil {
		return observation{}, err
	}
	degC, uC := r.temperature(at)
	v := r.volume()
	n := len(r.l.cons)
	conc := make([]float64, n)
	for i := range n {
		conc[i] = r.s.x(i) / v
	}
	rho := func(degC float64) (float64, error) {
		g := map[string]float64{}
		for _, d := range list {
			g[d.formula] += d.per * conc[d.con]
		}
		for name := range g {
			g[name] = math.Max(g[name], 0)
		}
		d, err := chem.SolutionDensity(degC, g)
		return float64(d), err
	}
	// slope is the derivative of rho by what p points to, over ±h.
	slope := func(p *float64, h float64) float64 {
		x := *p
		defer func() { *p = x }()
		low := math.Max(x-h, 0)
		*p = x + h
		up, err1 := rho(degC)
		*p = low
		down, err2 := rho(degC)
		if err1 != nil || err2 != nil {
			return 0
		}
		return (up - down) / (x + h - low)
	}
	expected, err := rho(degC)
	if err != nil {
		return observation{}, err
	}
	o := observation{subj: subject{densityName, "g/cm3", -1, -1}, value: value, expected: expected}
	perVolume := 0.0
	done := map[int]bool{}
	for _, d := range list {
		if done[d.con] {
			continue
		}
		done[d.con] = true
		by := slope(&conc[d.con], 1e-3*math.Max(conc[d.con], r.l.cons[d.con].Target))
		o.h = append(o.h, term{d.con, by / v})
		perVolume -= by * conc[d.con] / v
	}
	o.h = append(o.h, term{r.l.volume, perVolume})
	warm, err := rho(degC + 0.5)
	if err != nil {
		return observation{}, err
	}
	u = math.Hypot(u, (warm-expected)/0.5*uC)
	o.r = u * u
	bias := r.lotBias(densityModel, "bath", chem.SolutionU/expected)
	b := r.s.x(bias)
	for k := range o.h {
		o.h[k].by *= 1 + b
	}
	o.h = append(o.h, term{bias, expected})
	o.expected *= 1 + b
	if a.Sample.Volume.Given() { // a hydrometer floats in what goes back
		o.sample = drawn(a.Sample, 0)
	}
	return o, nil
}

// temperature is that of a sample at the moment at, with its standard uncertainty:
// the newest one read in the hour before, else where hydrometers are made for.
func (r *run) temperature(at time.Time) (degC, u float64) {
	facts := r.bath.Facts
	end := sort.Search(len(facts), func(i int) bool { return facts[i].Time.After(at) })
	for i := end - 1; i >= 0 && at.Sub(facts[i].Time) <= temperatureOf; i-- {
		if a, ok := facts[i].Body.(chem.Assay); ok && strings.EqualFold(a.Of, "temperature") {
			if degC, u, err := a.Value.In("degC"); err == nil {
				if !a.Value.U.Given() {
					u = thermometerU
				}
				return degC, u
			}
		}
	}
	return hydrometerAt, roomU
}

// hydrometer takes a hydrometer reading. It is a check of the whole, so nothing
// waits for a second one: what fits counts, and what does not is dropped and said.
func (r *run) hydrometer(f chem.Fact, a chem.Assay) {
	o, err := r.density(f.Time, a)
	switch {
	case err != nil:
		r.flagAnew(densityName, densityName, f.Time, fmt.Sprintf("%s is not counted: %v", a.Value, err))
		return
	case r.replay:
		if r.status[f.ID].fate == Used {
			r.correct(o)
		}
	default:
		v := verdictOf{fate: Used}
		if off := r.off(o); math.Abs(off) > gate {
			v = verdictOf{fate: Dropped, why: "the amounts in the bath by the log do not make such a density; read it again at a known temperature, and titrate"}
		}
		r.read = append(r.read, Reading{Fact: f, Subject: o.subj.name, Unit: o.subj.unit, Value: o.value, U: math.Sqrt(o.r), Expected: o.expected, UExpected: math.Sqrt(r.s.variance(o.h)), Off: r.off(o)})
		r.status[f.ID] = v
		if v.fate == Used {
			r.correct(o)
		}
	}
	if o.sample > 0 {
		r.remove(causeSample, o.sample, 0.2*o.sample)
	}
}

// Density returns what a hydrometer reading at the moment of the estimate ought to
// show (g/cm3) and the standard uncertainty of its difference to what was read; ok
// is false where the published model does not cover the bath.
func (e *Estimate) Density(read chem.Assay) (expected, u float64, ok bool) {
	look := e.run.clone()
	look.replay = true
	o, err := look.density(e.At, read)
	if err != nil {
		return 0, 0, false
	}
	return o.expected, math.Sqrt(look.variance(o)), true
}
