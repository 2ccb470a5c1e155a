package estimate

import (
	"fmt"
	"math"
	"time"

	"steadybath/chem"
)

// panel observes an organic by a Hull-cell panel: an amount with the wide
// uncertainty of one, or how it looks.
func (r *run) panel(p chem.Panel) (observation, bool) {
	i := r.constituent(p.Of)
	if i < 0 {
		return observation{}, false
	}
	con := r.l.cons[i]
	expected, _ := r.concentration(i)
	var o observation
	switch {
	case p.Value.Given():
		value, u, ok := r.inUnit(p.Value, con)
		if !ok {
			return observation{}, false
		}
		if !p.Value.U.Given() {
			u = panelU * math.Max(expected, 0.2*con.Target)
		}
		o = r.concentrationOf(i, value, u)
	default:
		from, to, ok := looks(p, con)
		if !ok {
			return observation{}, false
		}
		o = r.ordinal(i, from, to, 0)
	}
	o.sample = drawn(p.Sample, panelSample)
	return o, true
}

// drawn is the bath, L, that a sample took: usual where the fact does not say.
func drawn(s chem.Sample, usual float64) float64 {
	switch {
	case s.Returned:
		return 0
	case s.Volume.Given():
		return s.Volume.Value("L")
	}
	return usual
}

// looks gives the bounds of what a panel's pattern says was read, in con's unit.
// A low panel that an addition in the cell made right lies as much below the
// window as was added: from low - t to high - t, with t the addition over the
// cell's volume, which in the tank would be t times its own.
func looks(p chem.Panel, con chem.Constituent) (from, to float64, ok bool) {
	switch p.Pattern {
	case chem.PatternRight:
		return con.Low, con.High, true
	case chem.PatternHigh:
		return con.High, math.Inf(1), true
	case chem.PatternLow:
		from, to = math.Inf(-1), con.Low
		if !p.Trial.Given() {
			return from, to, true
		}
		t, err := chem.Unit("mL/L").Convert(p.Trial.Value("mL")/panelSample, con.Unit)
		// A trial that would leave no room for anything in the bath says nothing.
		if err == nil && t > 0 && t < con.High {
			if t < con.Low {
				from = con.Low - t
			}
			to = math.Min(to, con.High-t)
		}
		return from, to, true
	}
	return 0, 0, false
}

// ordinal observes that y fell between two bounds: y = c·(1 + 0.30·ε), or, where
// noise is given, y = c + e with e of that variance. The Gaussian of y that is cut
// off there has a mean and a variance; the reading of y that would leave the same two
// takes its place, so that everything a reading goes through is open to it
// (assumed-density filtering: moments matched after each reading; Minka, Expectation
// Propagation, 2001; from memory). What was expected says little, and what was not
// moves the belief.
func (r *run) ordinal(i int, from, to, noise float64) observation {
	con := r.l.cons[i]
	o := r.concentrationOf(i, 0, 0)
	held := r.s.variance(o.h)
	size := math.Max(o.expected, 0.2*con.Target)
	if noise == 0 {
		noise = panelU * panelU * (size*size + held)
	}
	all := held + noise
	sd := math.Sqrt(all)
	mean, variance, logp := cutOff((from-o.expected)/sd, (to-o.expected)/sd)
	learned := math.Max(1-variance, leastLearned)
	o.value = o.expected + sd*mean/learned
	o.r = math.Max(all/learned-held, 0)
	o.pattern = &pattern{shown: between(from, to, con.Target), u: panelU * size, logp: logp}
	return o
}

// leastLearned keeps the reading that takes a pattern's place finite where the
// pattern was certain.
const leastLearned = 1e-9

// pattern is what an ordinal reading has beside the one that takes its place.
type pattern struct {
	shown, u float64 // in the middle of what it means
	logp     float64 // log of its probability
}

// between is a number to show for what lies between two bounds, one of which may
// be infinite.
func between(from, to, target float64) float64 {
	switch {
	case math.IsInf(from, -1):
		return to
	case math.IsInf(to, 1):
		return from
	case from < target && target < to:
		return target
	}
	return (from + to) / 2
}

// told is the reading as it is shown, with its standard uncertainty.
func (o observation) told() (value, u float64) {
	if o.pattern != nil {
		return o.pattern.shown, o.pattern.u
	}
	return o.value, math.Sqrt(o.r)
}

// cutOff returns mean, variance and log probability of a standard normal between a
// and b (a < b; either may be infinite).
func cutOff(a, b float64) (mean, variance, logp float64) {
	if a+b < 0 { // its mirror image, so that the bound nearer to 0 is a or there is none
		mean, variance, logp = cutOff(-b, -a)
		return -mean, variance, logp
	}
	if math.IsInf(a, -1) { // and b is not: a+b >= 0 leaves only both
		return 0, 1, 0
	}
	density := func(x float64) float64 { return math.Exp(-x * x / 2) } // over that of 0
	const root = 2.5066282746310002                                    // sqrt(2π)
	if b-a < 1e-3 {
		m := (a + b) / 2
		return m, (b - a) * (b - a) / 12, -m*m/2 - math.Log(root) + math.Log(math.Max(b-a, 1e-300))
	}
	if a <= far {
		tails := math.Erfc(a/math.Sqrt2) - math.Erfc(b/math.Sqrt2)
		p := tails / 2 * root
		fa, fb := density(a), density(b)
		mean = (fa - fb) / p
		variance = 1 + a*fa/p - mean*mean
		if !math.IsInf(b, 1) {
			variance -= b * fb / p
		}
		return mean, math.Min(math.Max(variance, 0), 1), math.Log(tails / 2)
	}
	// So far out the rest is as good as exponential, with rate a, cut off at b-a.
	mean, variance, logp = a+1/a, 1/(a*a), -a*a/2-math.Log(a*root)
	if w := a * (b - a); w < 30 {
		rest := math.Expm1(w)
		mean -= (b - a) / rest
		variance -= (b - a) * (b - a) * (rest + 1) / (rest * rest)
		logp += math.Log(-math.Expm1(-w))
	}
	return mean, math.Max(variance, 0), logp
}

// far is where cutOff changes to the tail's asymptotic form, good there to some
// parts in a thousand; nobody believes a reading so far out.
const far = 20

// likely is the log-likelihood of a reading before anything is learned from it.
func (r *run) likely(o observation) float64 {
	if o.pattern != nil {
		return o.pattern.logp
	}
	return logNormal(o.value-o.expected, r.variance(o))
}

// spoiled says why a panel says nothing of an organic: an inorganic that lies
// outside its window by more than its own uncertainty makes the panel look wrong
// by itself. It is empty where the panel counts.
func (r *run) spoiled() string {
	for i, c := range r.l.cons {
		if c.Role == chem.RoleOrganic || !r.seen[i] {
			continue
		}
		switch x, u := r.concentration(i); {
		case x+u < c.Low:
			return fmt.Sprintf("%s is %s %s, below its window from %s", c.Name, figure(x), c.Unit, figure(c.Low))
		case x-u > c.High && c.High > 0:
			return fmt.Sprintf("%s is %s %s, above its limit of %s", c.Name, figure(x), c.Unit, figure(c.High))
		}
	}
	return ""
}

// counts tells whether a reading may be used at all. That is decided when
// it first comes; a replay holds to that.
func (r *run) counts(f chem.Fact) bool {
	p, ok := f.Body.(chem.Panel)
	if !ok {
		return true
	}
	if r.replay {
		return r.status[f.ID].fate != ""
	}
	why := r.spoiled()
	if i := r.constituent(p.Of); why != "" && i >= 0 {
		r.flagAnew("panel", r.l.cons[i].Name, f.Time, fmt.Sprintf("the panel of %s is not counted: %s; bring that right and run another", f.Time.Format(time.DateOnly), why))
		return false
	}
	return true
}
