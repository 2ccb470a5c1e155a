package estimate

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"steadybath/chem"
)

// z90 bounds a 90 % interval of the normal distribution: NIST/SEMATECH e-Handbook
// of Statistical Methods, table of the normal distribution (from memory).
const z90 = 1.6449

// Verdict is how a constituent stands to its window.
type Verdict string

// The verdicts: unsure where the 90 % interval crosses a limit.
const (
	Inside Verdict = "inside"
	Low    Verdict = "low"
	High   Verdict = "high"
	Unsure Verdict = "unsure"
)

// Flag is something to distrust or to do, in words.
type Flag struct {
	Kind    string // held, anodes, leak, confirmed, unknown, balance, meter, gain, material, unit, dropped, limit
	Subject string
	Time    time.Time
	Why     string
}

// Constituent is one constituent of the bath now, in its recipe's unit.
type Constituent struct {
	chem.Constituent
	Value, U      float64
	Low90, High90 float64
	Verdict       Verdict
	Known         bool     // some fact has said how much is in the bath
	Assay         *Reading // the newest standing reading, nil where none
	Held          *Reading // one that waits for a second
	PerDay        float64  // change per day at rest, evaporated water made up
	PerAh         float64  // change per ampere-hour, the volume made up
}

// Rate is one of the bath's rates as learned so far.
type Rate struct {
	Name, Unit string
	Value, U   float64
}

// Balance compares what readings found with what the log accounts for.
type Balance struct {
	Name, Unit string
	Closure, U float64
	Closes     bool // within twice its standard uncertainty
}

// Anode is a hung anode; Mass is NaN where it was never weighed.
type Anode struct {
	ID, Form string
	Hung     time.Time
	Mass, U  float64 // kg
	Started  float64 // kg when first hung, or the most that a basket held: what is left is a part of it
	Last     float64 // kg when last hung or topped up
	Area     float64 // dm2 immersed when it was new; 0 unknown
	PassedAh float64 // as shown: its part of what passed while it hung, before it was last pulled as well
}

// Point is where the bath stood at one moment, constituents in the recipe's
// order.
type Point struct {
	Time            time.Time
	Value, U        []float64
	Volume, UVolume float64
}

// MassCourse is how the mass of one soluble anode went in one hanging of it: from
// when it was hung, or first weighed, to when it was pulled or, where it still
// hangs, to now. An anode hung again begins another course.
type MassCourse struct {
	ID, Form string
	Points   []MassPoint // in order of time; two of one moment where metal was put in

	nth int
}

// MassPoint is the mass of an anode at one moment, kg, with its standard
// uncertainty. The last point of an anode that hangs now is its [Anode], what a
// reading that is held leaves possible counted.
type MassPoint struct {
	Time  time.Time
	Kg, U float64
}

// Estimate is what is in a bath at one moment.
type Estimate struct {
	Bath         *Bath
	At           time.Time
	Recipe       *chem.Recipe // with the settings in force
	Volume       float64      // L
	UVolume      float64
	Low90V       float64
	High90V      float64
	Constituents []Constituent
	Rates        []Rate
	Balances     []Balance
	Anodes       []Anode
	Flags        []Flag
	Readings     []Reading
	Track        []Point      // smoothed: given everything up to At; only where asked for
	Masses       []MassCourse // as Track, in the order in which the anodes' masses became known
	Ledger       *Ledger      // from the bath's beginning to At; only where asked for
	LogLik       float64

	run *run
}

// Options say what an estimate is wanted for.
type Options struct {
	Track  bool
	Ledger bool // with the metal's book, in less time than the two one after the other
}

// At estimates what is in the bath at t from the facts that happened up to t.
func (b *Bath) At(t time.Time, o Options) (*Estimate, error) {
	if t.Before(b.Began) {
		return nil, fmt.Errorf("bath %s begins on %s, after %s", b.Name, b.Began.Format(time.DateOnly), t.Format(time.DateOnly))
	}
	var r *run
	var k *book
	if o.Ledger {
		r, k = b.keep(time.Time{}, t, o.Track)
	} else {
		r = b.start()
		r.keep = o.Track
		r.through(0, t)
	}
	e := r.answer(t)
	if k != nil {
		e.Ledger = k.ledger(e)
	}
	if o.Track {
		s := r.smooth(time.Time{})
		e.Track, e.Masses = s.track, s.masses
		e.massesNow(r)
	}
	return e, nil
}

func (r *run) answer(t time.Time) *Estimate {
	l := r.l
	e := &Estimate{Bath: r.bath, At: t, Recipe: r.recipe, Readings: r.read, LogLik: r.loglik, run: r}
	for i := range e.Readings {
		e.Readings[i].Fate = r.status[e.Readings[i].Fact.ID].fate
	}
	views := r.heldViews()
	var others []*run
	for _, name := range slices.Sorted(maps.Keys(views)) {
		for _, v := range views[name] {
			others = append(others, v.run)
		}
	}
	e.Volume, e.UVolume = r.volume(), r.s.sd(l.volume)
	e.Low90V, e.High90V = math.Max(0, e.Volume-z90*e.UVolume), e.Volume+z90*e.UVolume
	for _, o := range others {
		v, u := o.volume(), o.s.sd(l.volume)
		e.Low90V, e.High90V = math.Min(e.Low90V, math.Max(0, v-z90*u)), math.Max(e.High90V, v+z90*u)
	}
	if len(others) > 0 {
		e.UVolume = math.Max(e.UVolume, (e.High90V-e.Low90V)/2/z90)
	}
	for i, c := range l.cons {
		x := Constituent{Constituent: c, Known: r.seen[i]}
		x.Value, x.U = r.concentration(i)
		x.Low90, x.High90 = math.Max(0, x.Value-z90*x.U), x.Value+z90*x.U
		for _, o := range others {
			v, u := o.concentration(i)
			x.Low90, x.High90 = math.Min(x.Low90, math.Max(0, v-z90*u)), math.Max(x.High90, v+z90*u)
		}
		if len(others) > 0 {
			x.U = math.Max(x.U, (x.High90-x.Low90)/2/z90)
		}
		x.Verdict = verdict(x)
		x.PerDay, x.PerAh = r.drift(i)
		e.Constituents = append(e.Constituents, x)
	}
	e.link()
	e.Rates = r.rates()
	e.Anodes = r.anodes(others)
	if c, ok := r.pair.sulfate(); ok {
		e.Balances = append(e.Balances, Balance{"sulfate", "mmol/L", c.value, c.u, math.Abs(c.value) <= 2*c.u})
	}
	if r.level != nil {
		e.Balances = append(e.Balances, Balance{"volume", "L", r.level.value, r.level.u, math.Abs(r.level.value) <= 2*r.level.u})
	}
	e.Flags = append(r.allFlags(e, views), e.beyondLimits()...)
	return e
}

// beyondLimits flags the newest pH and the newest temperature where they lie outside
// what the recipe allows, the bath cold or warm.
func (e *Estimate) beyondLimits() []Flag {
	limits := e.Recipe.Limits
	hottest := math.Max(limits.Temperature[1], limits.TemperatureRun[1])
	var out []Flag
	look := func(of, unit string, low, high float64, then string) {
		for _, f := range slices.Backward(e.Bath.Facts) {
			a, ok := f.Body.(chem.Assay)
			if !ok || f.Time.After(e.At) || a.Of != of {
				continue
			}
			if v := a.Value.Value(chem.Unit(unit)); high > 0 && (v < low || v > high) {
				out = append(out, Flag{Kind: "limit", Subject: of, Time: f.Time,
					Why: fmt.Sprintf("%s was read as %s, outside the recipe's %s to %s%s: %s", of, figure(v), figure(low), figure(high), strings.TrimSuffix(" "+unit, " pH"), then)})
			}
			return
		}
	}
	mend := "plate nothing before a trial on a litre has shown what brings it back"
	if e.Recipe.Cyanide {
		mend = "plate nothing before the supplier has said what is to be done"
	}
	look("pH", "pH", limits.PH[0], limits.PH[1], mend)
	look("temperature", "degC", limits.Temperature[0], hottest, "see to the heater, or to the room")
	return out
}

// link hands each constituent its newest readings.
func (e *Estimate) link() {
	for i := range e.Constituents {
		x := &e.Constituents[i]
		x.Assay, x.Held = nil, nil
		for k := range e.Readings {
			rd := &e.Readings[k]
			if rd.Subject == x.Name {
				x.Assay = rd
				if rd.Fate == Held {
					x.Held = rd
				}
			}
		}
	}
}

// widen stretches the intervals so that they cover those of another view of the
// same moment.
func (e *Estimate) widen(o *Estimate) {
	e.Low90V, e.High90V = math.Min(e.Low90V, o.Low90V), math.Max(e.High90V, o.High90V)
	e.UVolume = math.Max(e.UVolume, (e.High90V-e.Low90V)/2/z90)
	for i := range e.Constituents {
		x, y := &e.Constituents[i], o.Constituents[i]
		x.Low90, x.High90 = math.Min(x.Low90, y.Low90), math.Max(x.High90, y.High90)
		x.U = math.Max(x.U, (x.High90-x.Low90)/2/z90)
		x.Verdict = verdict(*x)
	}
}

// heldViews returns, for each subject that has a held reading, the bath as it
// would be if that were right, in each way that what was read around it leaves
// likely.
func (r *run) heldViews() map[string][]view {
	out := map[string][]view{}
	for name, h := range r.holds {
		out[name] = r.standing(h, false)
	}
	return out
}

// standing returns the views of a held reading, carried on to now, that the
// readings after it leave likely; keep makes them ready to be smoothed.
func (r *run) standing(h *hold, keep bool) []view {
	out := r.views(h)
	unchanged := r.loglik - h.loglik
	best := math.Inf(-1)
	for i := range out {
		alt := out[i].run
		alt.keep = keep
		from := alt.loglik
		alt.through(h.index+1, r.now)
		out[i].after = alt.loglik - from
		best = math.Max(best, out[i].after+out[i].weight)
	}
	return slices.DeleteFunc(out, func(v view) bool {
		return v.after < unchanged-unlikely || v.after+v.weight < best-unlikely
	})
}

func verdict(c Constituent) Verdict {
	low, high := c.Low, c.High
	switch {
	case c.High90 < low:
		return Low
	case c.Low90 > high && high > 0:
		return High
	case c.Low90 >= low && (c.High90 <= high || high == 0):
		return Inside
	}
	return Unsure
}

// drift returns how a concentration changes per day at rest and per
// ampere-hour while water keeps the volume where it is.
func (r *run) drift(i int) (perDay, perAh float64) {
	v := r.volume()
	change := func(happen func(*run)) float64 {
		later := r.clone()
		later.keep, later.replay = false, true
		happen(later)
		return (later.s.x(i) - r.s.x(i)) / v
	}
	return change(func(later *run) { later.rest(1) }), change(func(later *run) { later.charge(1, 0, 0, 0) })
}

func (r *run) rates() []Rate {
	l := r.l
	var out []Rate
	add := func(name string, i int, unit string) {
		if u := r.s.sd(i); u > 0 || r.s.x(i) != 0 {
			out = append(out, Rate{Name: name, Unit: unit, Value: r.s.x(i), U: u})
		}
	}
	add("anode efficiency", l.anode, "")
	add("cathode efficiency", l.cathode, "")
	add("dissolution", l.k, "mol/d")
	add("drag-out", l.drag, "L/Ah")
	add("drag-out by area", l.dragA, "L/dm2")
	add("drag-in", l.in, "L/Ah")
	add("evaporation", l.still, "L/d")
	add("evaporation while plating", l.running, "L/h")
	if u := r.s.sd(l.leak); u > 0 {
		out = append(out, Rate{Name: "leak", Unit: "L/d", Value: r.s.x(l.leak) * r.volume(), U: u * r.volume()})
	}
	if l.chloride >= 0 {
		add("chloride loss", l.gamma, "mg/Ah")
	}
	add("ammeter factor", l.meter, "")
	if r.soluble() {
		add("sludge", l.sludge, "")
	}
	for i, c := range l.cons {
		if l.use[i] >= 0 {
			add(c.Name+" use", l.use[i], "mL/Ah")
			add(c.Name+" standing loss", l.loss[i], "1/d")
		}
	}
	for _, lot := range r.lots {
		name := "titrant lot " + lot.key
		if strings.HasPrefix(lot.key, densityModel) {
			name = densityModel
		}
		add(name, lot.at, "")
	}
	return out
}

func (r *run) anodes(others []*run) []Anode {
	var out []Anode
	for _, h := range r.hung {
		a := Anode{ID: h.id, Form: h.form, Hung: h.hung, Mass: math.NaN(), Started: h.first, Last: h.mass, Area: h.area, PassedAh: h.passed}
		if h.at >= 0 {
			a.Mass, a.U = r.s.x(h.at), r.s.sd(h.at)
			for _, o := range others {
				if i := o.find(h.id); i >= 0 && o.hung[i].at >= 0 {
					at := o.hung[i].at
					a.U = math.Max(a.U, math.Abs(o.s.x(at)-a.Mass)/z90+o.s.sd(at))
				}
			}
		}
		out = append(out, a)
	}
	return out
}

// recent is how long a settled flag is worth repeating.
const recent = 30 * 24 * time.Hour

// polarisedBelow is the difference between anode and cathode efficiency below
// which soluble anodes are called polarised: far outside the prior of any of
// the shipped baths.
const polarisedBelow = -0.02

func (r *run) allFlags(e *Estimate, views map[string][]view) []Flag {
	var out []Flag
	for _, f := range r.bath.LeftOut {
		if !f.Time.After(e.At) {
			out = append(out, f)
		}
	}
	for _, c := range e.Constituents {
		if c.Held != nil {
			out = append(out, Flag{"held", c.Name, c.Held.Fact.Time, heldWords(*c.Held, c)})
		}
		if !c.Known && !c.Contaminant() {
			out = append(out, r.unknown(c))
		}
		if f, ok := contaminantFlag(c, e.At); ok {
			out = append(out, f)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(r.holds)) {
		h := r.holds[name]
		if h.subj.con >= 0 {
			continue
		}
		word, then := "read the level again", r.levelWords(h, views[name])
		if h.subj.at != r.l.volume {
			word, then = "weigh "+name+" again", ""
		}
		for _, rd := range e.Readings {
			if rd.Fact.ID == r.bath.Facts[h.index].ID {
				out = append(out, Flag{"held", name, rd.Fact.Time, word + ": " + offWords(rd) + then})
			}
		}
	}
	for _, f := range r.flags {
		if e.At.Sub(f.Time) <= recent || f.Kind == "material" || f.Kind == "unit" {
			out = append(out, f)
		}
	}
	for _, rd := range e.Readings {
		if rd.Fate == Dropped && e.At.Sub(rd.Fact.Time) <= recent {
			out = append(out, Flag{"dropped", rd.Subject, rd.Fact.Time, fmt.Sprintf("%s %s was not used: %s", figureIn(rd.Value, rd.Unit), rd.Unit, r.status[rd.Fact.ID].why)})
		}
	}
	for _, h := range r.hung {
		if r.soluble() && r.alive(h) < 0.95 {
			out = append(out, Flag{"anodes", "anodes", r.now, fmt.Sprintf("%s is used up by the log (%s kg left, u %s kg): weigh it or hang another",
				h.id, figure(r.s.x(h.at)), figure(r.s.sd(h.at)))})
		}
	}
	if f, ok := r.polarised(); ok {
		out = append(out, f)
	}
	if f, ok := r.leaking(); ok {
		out = append(out, f)
	}
	for _, b := range e.Balances {
		if !b.Closes {
			out = append(out, Flag{"balance", b.Name, e.At, balanceWords(b)})
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return order(out[i].Kind) < order(out[j].Kind) })
	return out
}

func order(kind string) int {
	for i, k := range []string{"held", "anodes", "leak", "confirmed", "setting", "unknown", "balance", "meter", "gain", "material", "unit", "dropped"} {
		if k == kind {
			return i
		}
	}
	return 99
}

// unknown says why nothing is known of a constituent and what would help.
func (r *run) unknown(c Constituent) Flag {
	i := r.constituent(c.Name)
	if with := r.treated[i]; with != "" {
		for _, f := range slices.Backward(r.bath.Facts) {
			if t, ok := f.Body.(chem.Treat); ok && string(t.With) == with && !f.Time.After(r.now) {
				return Flag{"unknown", c.Name, f.Time, fmt.Sprintf("%s treatment took out an unknown part of it; run a panel before relying on it", with)}
			}
		}
	}
	if c.Role == chem.RoleOrganic {
		return Flag{"unknown", c.Name, r.bath.Began, "nothing has been read yet, so the value is only what baths of this kind hold; run a panel"}
	}
	return Flag{"unknown", c.Name, r.bath.Began, fmt.Sprintf("nothing has been read yet, so the value is only what baths of this kind hold; titrate %s", c.Name)}
}

func heldWords(rd Reading, c Constituent) string {
	if c.Role == chem.RoleOrganic {
		return fmt.Sprintf("run another panel before dosing %s: %s", rd.Subject, offWords(rd))
	}
	return fmt.Sprintf("re-titrate %s before dosing: %s", rd.Subject, offWords(rd))
}

// levelWords say what a held level means if it is right.
func (r *run) levelWords(h *hold, views []view) string {
	left := map[explanation]bool{}
	for _, v := range views {
		left[v.how] = true
	}
	left[bathLost] = left[bathLost] || left[bathLeaks]
	switch water := map[bool]string{true: "water left", false: "water was added"}[h.off < 0]; {
	case left[waterChanged] && left[bathLost]:
		tell := ""
		if r.l.metal >= 0 {
			tell = ": titrate " + r.l.cons[r.l.metal].Name + " to tell"
		}
		return "; if it is right, " + water + ", or bath was lost" + tell
	case left[waterChanged]:
		return "; if it is right, " + water
	case left[bathLost]:
		return "; if it is right, bath was lost and not water alone"
	}
	return ""
}

func offWords(rd Reading) string {
	return fmt.Sprintf("%s %s is %.1f standard deviations %s what the log explains (%s %s)",
		figure(rd.Value), rd.Unit, math.Abs(rd.Off), side(rd.Off), figure(rd.Expected), rd.Unit)
}

func side(off float64) string {
	if off < 0 {
		return "below"
	}
	return "above"
}

func balanceWords(b Balance) string {
	more := "more"
	if b.Closure < 0 {
		more = "less"
	}
	switch b.Name {
	case "sulfate":
		return fmt.Sprintf("the two titrations together find %.0f mmol/L %s sulfate than the log accounts for (u %.0f): a titration is off, or an addition, a spill or a bail-out was not written down", math.Abs(b.Closure), more, b.U)
	default:
		return fmt.Sprintf("the level was %.1f L %s than the log accounts for (u %.1f L): water, or bath, came or went without a word", math.Abs(b.Closure), more, b.U)
	}
}

// polarised tells whether soluble anodes dissolve clearly less metal than the
// cathode takes: acid rises while metal falls.
func (r *run) polarised() (Flag, bool) {
	l := r.l
	if !r.soluble() || l.metal < 0 || l.acid < 0 {
		return Flag{}, false
	}
	d := r.s.x(l.anode) - r.s.x(l.cathode)
	u := math.Sqrt(math.Max(0, r.s.p(l.anode, l.anode)-2*r.s.p(l.anode, l.cathode)+r.s.p(l.cathode, l.cathode)))
	if d+z90*u > polarisedBelow {
		return Flag{}, false
	}
	return Flag{"anodes", "anodes", r.now, fmt.Sprintf("acid rises and %s falls with every ampere-hour: the anodes dissolve %.1f %% less than is plated; look for polarised or filmed anodes, clogged bags, or too little anode area",
		l.cons[l.metal].Name, -100*d)}, true
}

// leakAbove is the part of the bath a day above which the loss is called a leak:
// some 2 % in a month.
const leakAbove = 0.0007

// leaking tells whether bath clearly goes where nobody looks: level and
// concentrations fall together.
func (r *run) leaking() (Flag, bool) {
	x, u := r.s.x(r.l.leak), r.s.sd(r.l.leak)
	if x-z90*u < leakAbove {
		return Flag{}, false
	}
	return Flag{"leak", "volume", r.now, fmt.Sprintf("about %s L of bath is lost a day, beyond drag-out and evaporation: look for a leak, a siphon or a wet floor",
		figure(x*r.volume()))}, true
}

// Joint returns the means of all amounts (in the constituents' units times
// litres, recipe's order) and of the volume (L, last), with their covariance:
// what a plan of additions needs, held readings not counted.
func (e *Estimate) Joint() (mean []float64, cov [][]float64) {
	n := len(e.run.l.cons)
	places := make([]int, n+1)
	for i := range n {
		places[i] = i
	}
	places[n] = e.run.l.volume
	mean = make([]float64, n+1)
	cov = make([][]float64, n+1)
	for i, a := range places {
		mean[i] = e.run.s.x(a)
		cov[i] = make([]float64, n+1)
		for j, b := range places {
			cov[i][j] = e.run.s.p(a, b)
		}
	}
	return mean, cov
}

// Rate returns a named rate; zero where the bath has none of the name.
func (e *Estimate) Rate(name string) Rate {
	for _, r := range e.Rates {
		if r.Name == name {
			return r
		}
	}
	return Rate{Name: name}
}

// AnodeVolume is the volume, L, that the hung anodes take up below the level:
// their estimated mass at the density of the metal. Anodes of unknown mass take
// up none.
func (e *Estimate) AnodeVolume() float64 {
	density, err := chem.MetalDensity(e.Recipe.Metal)
	if err != nil {
		return 0
	}
	kg := 0.0
	for _, a := range e.Anodes {
		if !math.IsNaN(a.Mass) {
			kg += a.Mass
		}
	}
	return kg / density.Value // kg per kg/L: a density in g/cm3 is one in kg/L
}
