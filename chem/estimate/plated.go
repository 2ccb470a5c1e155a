package estimate

import (
	"fmt"
	"math"
	"time"

	"github.com/google/uuid"

	"steadybath/chem"
)

// Yield is what the supply's ampere-hours plate in this bath.
type Yield struct {
	PerAh, U             float64 // g of metal per ampere-hour as shown
	Faraday              float64 // g per ampere-hour if all of the current plated and the supply showed right
	Efficiency, UEff     float64 // of the cathode
	Ammeter, UAmmeter    float64 // true over shown ampere-hours
	RunToRun             float64 // relative standard uncertainty of a single run, part of U
	LearnedFromWeighings bool    // some part was weighed
}

// Yield returns what a run would plate per ampere-hour that the supply shows:
// ηc·g·E, efficiency and ammeter with the covariance that weighed parts left
// between them. ok is false where the bath has no metal with a molar mass.
func (e *Estimate) Yield() (y Yield, ok bool) {
	r, l := e.run, e.run.l
	if l.metal < 0 || l.cons[l.metal].MolarMass <= 0 || r.recipe.Charge <= 0 {
		return Yield{}, false
	}
	y.Faraday = chem.ElectrochemicalEquivalent(l.cons[l.metal].MolarMass, r.recipe.Charge)
	y.Efficiency, y.UEff = r.s.x(l.cathode), r.s.sd(l.cathode)
	y.Ammeter, y.UAmmeter = r.s.x(l.meter), r.s.sd(l.meter)
	y.PerAh = y.Faraday * y.Efficiency * y.Ammeter
	known := r.s.variance([]term{{at: l.cathode, by: y.Ammeter}, {at: l.meter, by: y.Efficiency}})
	y.RunToRun = math.Hypot(r.noise.runCathode/y.Efficiency, r.noise.runAmmeter)
	y.U = math.Hypot(y.Faraday*math.Sqrt(math.Max(0, known)), y.PerAh*y.RunToRun)
	for _, f := range e.Bath.Facts {
		if p, plate := f.Body.(chem.Plate); plate && p.Gain.Given() && !f.Time.After(e.At) {
			y.LearnedFromWeighings = true
		}
	}
	return y, y.PerAh > 0
}

// How a run is topped up on the way: assumptions of this project.
const (
	topUps     = 0.02 // of the bath that evaporate before water goes in
	mostTopUps = 50   // in a run: finer steps change nothing
)

// AfterRun returns the bath as it would be at the end of a plating run that
// begins at e.At: the log so far with the run as its last fact, so that it says
// what the log would say once the run is entered. The run states its hours. Where
// water is more than 0 so many litres are topped up on the way, little by little,
// and at the end the level is where it was, and as unsure.
func (e *Estimate) AfterRun(p chem.Plate, water float64) (*Estimate, error) {
	hours := p.Hours.Float()
	if !(hours > 0) {
		return nil, fmt.Errorf("a run of %s h ends nowhere", p.Hours)
	}
	var facts []chem.Fact
	for _, f := range e.Bath.Facts {
		if !f.Time.After(e.At) {
			facts = append(facts, f)
		}
	}
	added := 0
	at := func(hours float64) time.Time { return e.At.Add(time.Duration(hours * float64(time.Hour))) }
	add := func(t time.Time, body chem.Body) {
		id := uuid.Max // after all that happened at the same moment
		id[14], id[15] = byte(added/256), byte(added)
		added++
		facts = append(facts, chem.Fact{ID: id, Time: t, Bath: e.Bath.Name, Body: body})
	}
	name := waterOf(e.Recipe)
	if water <= 0 || name == "" {
		add(at(hours), p)
	} else {
		n := math.Min(math.Max(1, math.Ceil(water/(topUps*e.Bath.Volume))), mostTopUps)
		part := p
		part.Charge = chem.MeasuredOf(p.Charge.Value("Ah")/n, "Ah", 0)
		part.Hours = chem.DecimalOf(hours / n)
		if p.Area.Given() {
			part.Area = chem.MeasuredOf(p.Area.Value("dm2")/n, "dm2", 0)
		}
		for k := 1.0; k <= n; k++ {
			add(at(hours*k/n), part)
			add(at(hours*k/n), chem.Add{Material: name, Amount: chem.MeasuredOf(water/n, "L", 0)})
		}
	}
	replay := func() (*Estimate, error) {
		later, err := Open(facts)
		if err != nil {
			return nil, err
		}
		later.noise = e.Bath.noise
		return later.At(facts[len(facts)-1].Time, Options{})
	}
	after, err := replay()
	if err != nil || water <= 0 || name == "" || after.UVolume <= e.UVolume {
		return after, err
	}
	// Water goes in to where the level was and not by the litre that was reckoned:
	// what evaporation is unsure by is made up, what the level was unsure by is not.
	u := 1 / math.Sqrt(1/math.Max(e.UVolume*e.UVolume, 1e-12)-1/(after.UVolume*after.UVolume))
	add(at(hours).Add(time.Microsecond), chem.Level{Volume: chem.MeasuredOf(e.Volume, "L", u)})
	return replay()
}

// waterOf is the recipe's name for water; empty where it has none.
func waterOf(r *chem.Recipe) string {
	for _, m := range r.Materials {
		if m.Water && m.Unit.Dimension() == chem.DimVolume {
			return m.Name
		}
	}
	return ""
}
