package simulate

import (
	"math"
	"math/rand/v2"

	"steadybath/chem"
)

// chance keeps one stream of random numbers for each part of the shop's life,
// so that a change in one (a fault, another policy, noise off) leaves the
// others as they were and runs can be compared pair by pair.
type chance struct {
	start, days, runs, use, read, pour, names, faults, anodes *rand.Rand
}

func newChance(seed uint64) chance {
	stream := func(n uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, n)) }
	return chance{stream(1), stream(2), stream(3), stream(4), stream(5), stream(6), stream(7), stream(8), stream(9)}
}

// spread draws a positive factor with mean 1 and standard deviation s.
func spread(r *rand.Rand, s float64) float64 {
	z := r.NormFloat64()
	if s == 0 {
		return 1
	}
	v := math.Log1p(s * s)
	return math.Exp(math.Sqrt(v)*z - v/2)
}

// triangular draws from the symmetric triangle on (-1, 1), the usual reading
// of a glassware tolerance (EURACHEM/CITAC CG 4: tolerance over root 6).
func triangular(r *rand.Rand) float64 { return r.Float64() - r.Float64() }

var root6 = math.Sqrt(6)

// rateKeys are the recipe's keys of rates; use and loss are those of all organics.
var rateKeys = []string{"anode_efficiency", "cathode_efficiency", "dissolution", "drag_out", "drag_out_area", "drag_in",
	"evaporation", "evaporation_run", "chloride_loss", "meter", "sludge", "use", "loss"}

// drawRates draws the true rates of this bath from the recipe's priors.
func (s *shop) drawRates() Rates {
	p := s.c.Recipe.Prior
	scale := s.c.Volume / s.c.Recipe.Volume
	if p.Meter == (chem.Prior{}) {
		p.Meter = chem.Prior{Value: 1, U: 0.02}
	}
	one := func(key string, p chem.Prior, least float64) float64 {
		z, sign := s.chance.start.NormFloat64(), math.Copysign(1, s.chance.start.Float64()-0.5)
		off, single := s.c.RateOff[key]
		switch {
		case single:
			z = off
		case s.c.PriorMeans:
			return p.Value
		case s.c.PriorOff != 0:
			z = sign * s.c.PriorOff
		}
		return max(p.Value+z*p.U, least*p.Value)
	}
	// A rate that can only go one way is never drawn below these fractions of its
	// prior mean. Efficiencies are drawn as they come: above 1 is unphysical for
	// the cathode, but the balances do not mind.
	const rate, efficiency = 0.1, 0
	r := Rates{
		AnodeEfficiency:   one("anode_efficiency", p.AnodeEfficiency, efficiency),
		CathodeEfficiency: one("cathode_efficiency", p.CathodeEfficiency, efficiency),
		Dissolution:       one("dissolution", p.Dissolution, rate) * scale,
		DragOut:           one("drag_out", p.DragOut, rate),
		DragOutArea:       one("drag_out_area", p.DragOutArea, rate),
		DragIn:            one("drag_in", p.DragIn, rate),
		Evaporation:       one("evaporation", p.Evaporation, rate) * scale,
		EvaporationRun:    one("evaporation_run", p.EvaporationRun, rate) * scale,
		ChlorideLoss:      one("chloride_loss", p.ChlorideLoss, rate),
		Meter:             one("meter", p.Meter, efficiency),
		Sludge:            one("sludge", p.Sludge, rate),
		Use:               map[string]float64{},
		Loss:              map[string]float64{},
	}
	for _, c := range s.c.Recipe.Constituents {
		if c.Role == chem.RoleOrganic {
			r.Use[c.Name], r.Loss[c.Name] = one("use", c.Use, rate), one("loss", c.Loss, rate)
		}
	}
	if s.c.Recipe.Anodes == "inert" {
		r.AnodeEfficiency, r.Dissolution, r.Sludge = 0, 0, 0
	}
	return r
}

// newDay lets the rates wander by a day and draws the day's scatter.
func (s *shop) newDay() {
	n, g := s.c.Noise, s.chance.days
	r := &s.rates
	inert := s.c.Recipe.Anodes == "inert"
	if step := n.WalkAnodeEfficiency * g.NormFloat64(); !inert {
		r.AnodeEfficiency += step
	}
	r.Dissolution *= spread(g, n.WalkDissolution)
	drag := spread(g, n.WalkDragOut)
	r.DragOut *= drag
	r.DragOutArea *= drag
	air := spread(g, n.WalkEvaporation)
	r.Evaporation *= air
	r.EvaporationRun *= air
	for _, c := range s.c.Recipe.Constituents {
		if c.Role == chem.RoleOrganic {
			r.Use[c.Name] *= spread(g, n.WalkUse)
			r.Loss[c.Name] *= spread(g, n.WalkLoss)
		}
	}
	s.today.dissolution, s.today.evaporation = spread(g, n.Dissolution), spread(g, n.Evaporation)
	for i := range s.today.loss {
		s.today.loss[i] = spread(g, n.Loss)
	}
	for _, a := range s.tank.anodes {
		a.weight = max(0.1, a.weight+float64(len(s.tank.anodes))*n.WalkShare*s.chance.anodes.NormFloat64())
	}
}

// shares draws how the hung anodes share the current of one run.
func (s *shop) shares() []float64 {
	anodes := s.tank.anodes
	out := make([]float64, len(anodes))
	live, sum, mean := 0, 0.0, 0.0
	for i, a := range anodes {
		z := s.chance.anodes.NormFloat64()
		if a.inert || a.mass <= 0 {
			continue
		}
		live++
		sum += a.weight
		out[i] = s.c.Noise.Share * z
		mean += out[i]
	}
	if live == 0 {
		return out
	}
	mean /= float64(live)
	total := 0.0
	for i, a := range anodes {
		if a.inert || a.mass <= 0 {
			continue
		}
		// Taking the mean out keeps the sum and narrows the scatter; the root
		// makes up for it.
		d := 0.0
		if live > 1 {
			d = (out[i] - mean) * math.Sqrt(float64(live)/float64(live-1))
		}
		out[i] = max(0.02, a.weight/sum+d)
		total += out[i]
	}
	for i := range out {
		out[i] /= total
	}
	return out
}
