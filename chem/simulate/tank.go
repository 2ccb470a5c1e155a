package simulate

import "math"

// Steps of the integration. At an hour the slowest of the losses (some percent
// a day) is off by less than 1e-9 of the amount; while plating, the current
// moves more.
const (
	restStep = 1.0       // h
	runStep  = 5.0 / 60. // h
)

// Account is where all of a constituent (in its unit of concentration times L)
// or of the volume (in L) came from and went, summed since the start.
type Account struct {
	Start      float64
	Added      float64 // by additions; negative where a material uses it up
	Electrodes float64 // from the anodes less onto the parts; for the acid what went with it
	Used       float64 // organics used up and decayed, chloride lost at the electrodes
	Evaporated float64
	DraggedOut float64
	DraggedIn  float64
	Sampled    float64
	Bailed     float64
	Lost       float64 // spilled and leaked
}

// Left is what must still be in the tank.
func (a Account) Left() float64 {
	return a.Start + a.Added + a.Electrodes + a.DraggedIn - a.Used - a.Evaporated - a.DraggedOut - a.Sampled - a.Bailed - a.Lost
}

type way func(*Account) *float64

func draggedOut(a *Account) *float64 { return &a.DraggedOut }
func sampled(a *Account) *float64    { return &a.Sampled }
func bailed(a *Account) *float64     { return &a.Bailed }
func lost(a *Account) *float64       { return &a.Lost }

type anode struct {
	id     string
	form   string
	first  float64 // g, when new
	mass   float64 // g
	area   float64 // dm2; 0 where not known
	weight float64 // what its share of the current is in proportion to
	inert  bool
}

// tank is the physical bath: amounts in the constituents' unit of concentration
// times L, masses in g.
type tank struct {
	volume      float64
	amount      []float64
	books       []Account // beside amount
	volumeBook  Account
	anodes      []*anode // hung
	usualArea   float64  // dm2 that the dissolution is for; 0 where not known
	usualCount  int      // anodes that it is for, where no areas are known
	metal, acid int      // index, -1 for none
	molarMetal  float64  // g/mol
	molarAcid   float64  // g/mol
	metalUnit   float64  // unit of the metal's amount per g
	acidUnit    float64
	charge      float64 // electrons per ion
	plated      float64 // g
	dissolved   float64 // g, electrochemically and chemically
	sludge      float64 // g
}

// pace is how fast everything goes at one moment, the scatter of the day and
// the run included.
type pace struct {
	amps       float64 // true
	etaA, etaC float64
	dissolve   float64   // mol/day with the usual anodes
	evaporate  float64   // L/day
	leak       float64   // 1/day
	sludge     float64   // fraction of the anodes' loss
	shares     []float64 // beside anodes; sums to 1
	sinks      []sink
}

// sink uses up one constituent.
type sink struct {
	i      int
	perAh  float64 // amount per Ah
	perDay float64 // 1/day
	fade   float64 // concentration below which the use per Ah fades out; 0 for use in proportion to c/target
	target float64
}

// pull is how fast the sink takes, in amount per hour.
func (k sink) pull(n, volume, amps float64) float64 {
	if n <= 0 {
		return 0
	}
	c := n / volume
	f := c / k.target
	if k.fade > 0 {
		f = 1 - math.Exp(-c/k.fade)
	}
	return k.perAh*amps*f + k.perDay*n/24
}

// step carries the tank on by dt hours by the midpoint rule.
func (t *tank) step(dt float64, p pace) {
	evaporated := p.evaporate * dt / 24
	if left := t.volume - evaporated; left < 0.02*t.volume {
		evaporated = 0 // a dry tank loses no more
	}
	mid := t.volume - evaporated/2
	for _, k := range p.sinks {
		n := t.amount[k.i]
		half := n - k.pull(n, t.volume, p.amps)*dt/2
		used := min(n, k.pull(half, mid, p.amps)*dt)
		t.amount[k.i] -= used
		t.books[k.i].Used += used
	}
	t.volume -= evaporated
	t.volumeBook.Evaporated += evaporated
	t.electrodes(dt, p)
	if p.leak > 0 {
		t.remove(t.volume*-math.Expm1(-p.leak*dt/24), lost)
	}
}

// electrodes moves metal from the anodes into the bath and onto the parts, and
// acid the other way: an ion of charge z that enters takes z/2 molecules of
// sulfuric acid's hydrogen with it (to hydrogen at the cathode or to water with
// oxygen), one that leaves gives them back.
func (t *tank) electrodes(dt float64, p pace) {
	perIon := t.charge * faraday // Ah/mol
	q := p.amps * dt
	plated := p.etaC * q / perIon * t.molarMetal
	plated = min(plated, t.amount[t.metal]/t.metalUnit)
	entered := 0.0
	for i, a := range t.anodes {
		if a.inert || a.mass <= 0 {
			continue
		}
		area := 1.0 / float64(t.usualCount)
		if t.usualArea > 0 && a.area > 0 {
			area = a.area / t.usualArea
		}
		mol := p.dissolve * area * dt / 24
		if q > 0 {
			mol += p.etaA * q * p.shares[i] / perIon
		}
		dissolved := mol * t.molarMetal
		gone := dissolved / (1 - p.sludge)
		if gone > a.mass {
			dissolved, gone = a.mass*(1-p.sludge), a.mass
		}
		a.mass -= gone
		entered += dissolved
		t.sludge += gone - dissolved
	}
	t.plated += plated
	t.dissolved += entered
	net := (entered - plated) * t.metalUnit
	t.amount[t.metal] += net
	t.books[t.metal].Electrodes += net
	if t.acid >= 0 {
		net := -(entered - plated) / t.molarMetal * t.charge / 2 * t.molarAcid * t.acidUnit
		t.amount[t.acid] += net
		t.books[t.acid].Electrodes += net
	}
}

// remove takes volume (L) of bath out as it is.
func (t *tank) remove(volume float64, where way) {
	volume = min(volume, 0.98*t.volume)
	f := volume / t.volume
	for i := range t.amount {
		gone := t.amount[i] * f
		t.amount[i] -= gone
		*where(&t.books[i]) += gone
	}
	t.volume -= volume
	*where(&t.volumeBook) += volume
}

func (t *tank) water(volume float64) {
	t.volume += volume
	t.volumeBook.Added += volume
}

func (t *tank) conc(i int) float64 { return t.amount[i] / t.volume }
