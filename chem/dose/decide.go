package dose

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"steadybath/chem"
	"steadybath/chem/estimate"
)

// Chances and times of the rules below. They were chosen so that noise is not
// dosed and limits are kept; BenchmarkClosedLoop shows what they do.
const (
	visit         = 7.0   // days until the next visit, and the next top-up
	useDays       = 60.0  // over which the estimate takes the shop's mean charge a day
	creep         = 28.0  // days a bail-out makes room for
	zHigh         = 1.645 // the chance of passing an upper limit stays under 5 %: normal distribution, from memory
	zNeed         = 3.0   // dose where the chance of falling below the window before the next visit is over 0.13 %: as above
	z90           = 1.645 // half a 90 % interval: as above
	topUpBelow    = 0.985 // of the bath's volume: ask for water below it
	thirsty       = 0.995 // the same where an upper limit is near: what a level can be read to
	littleOften   = 0.05  // of the tank's content of an organic in one dose
	mostAtOnce    = 0.25  // of the same, never more in one day: common practice, no source
	staleDays     = 28.0  // a titration older than this is asked for first
	bailReading   = 7.0   // days: a reading older than this is no ground to throw bath away
	bailFrom      = 0.2   // chance to pass an upper limit before the next visit from which bath is replaced
	bailRising    = 0.05  // the same of what climbs by more than it is unsure until then: sooner is no more waste
	sureToBail    = 0.9   // chance of being above the limit from which such a reading is enough
	repeatReading = 1.0   // days: below that chance it must be as fresh as this
	wideLevel     = 0.009 // of the volume: a level less sure than this is read first
	thirstChance  = 0.1   // chance that water is asked for from which a level as unsure as wideLevel is read
	blindLevel    = 0.045 // of the volume: a level less sure than this is no ground for any plan; nobody has read it
	addU          = 0.01  // of an addition, relative standard uncertainty: as the estimate counts it
)

// need is what is wanted of one constituent. Concentrations are in its unit,
// with the tank filled up to where the plan fills it.
type need struct {
	i              int // its place among the constituents
	c              estimate.Constituent
	target         float64 // the recipe's, or the one asked for
	aim            float64 // where a dose brings it
	now, u         float64 // once the missing water is in
	least, uLeast  float64 // before the next visit, the level kept up
	age            float64 // days since it was last read
	asked          bool    // a target was given for it
	shut           bool    // nothing may be added that touches it
	dose, lower    bool
	room           float64 // what a bail-out brings it down to
	why            string
	dry            float64 // L below the plan's level at which its upper limit is held still
	tooMuchInTank  bool    // by evaporation alone it passes its limit before the next top-up
	kNow, kLowest  float64
	sigNow, sigLow float64 // amounts
}

// work is one plan in the making.
type work struct {
	e            *estimate.Estimate
	o            Options
	days, perDay float64
	scatter      float64   // Ah, how much more or less than usual passes in that time
	mean, later  []float64 // amounts and volume, now and before the next top-up
	cov, covLate [][]float64
	v, uv        float64 // L
	goal         float64 // L the plan fills up to
	dry          float64 // L that evaporate and are carried out before the next top-up
	water        bool    // a material that is water may be used
	missing      bool    // the level asks for water
	blind        bool    // nothing may be planned
	needs        []need
	refusedSalts map[string]bool // materials taken out of the plan because of the cold
}

func newWork(e *estimate.Estimate, o Options) *work {
	w := &work{e: e, o: o, days: o.DaysOff, perDay: o.AhPerDay, refusedSalts: map[string]bool{}}
	if w.days <= 0 {
		w.days = visit
	}
	usual, u := e.AhPerDay()
	// The variance of a sum of runs that come as they come grows with its length.
	w.scatter = u * math.Sqrt(useDays*w.days)
	switch {
	case w.perDay < 0:
		w.perDay, w.scatter = 0, 0
	case w.perDay == 0:
		w.perDay = usual
	}
	w.mean, w.cov = e.Joint()
	w.later, w.covLate = e.Ahead(w.days, w.perDay*w.days)
	n := len(e.Constituents)
	w.v = math.Max(w.mean[n], 1e-3)
	w.uv = math.Sqrt(math.Max(0, w.cov[n][n]))
	w.dry = math.Max(0, w.v-w.later[n])
	w.water = slices.ContainsFunc(e.Recipe.Materials, func(m chem.Material) bool { return isWater(m) && w.allowed(m) })
	w.missing = w.v < topUpBelow*e.Bath.Volume || w.v < thirsty*e.Bath.Volume && w.concentrated()
	w.goal = w.v
	if w.missing && w.water {
		w.goal = e.Bath.Volume
	}
	for i, c := range e.Constituents {
		w.needs = append(w.needs, w.newNeed(i, c))
	}
	return w
}

// concentrated tells whether evaporation has brought something to its upper
// limit, so that water is asked for earlier than usual.
func (w *work) concentrated() bool {
	n := len(w.mean) - 1
	return slices.ContainsFunc(w.e.Constituents, func(c estimate.Constituent) bool {
		i := slices.IndexFunc(w.e.Constituents, func(o estimate.Constituent) bool { return o.Name == c.Name })
		now := w.mean[i] / w.v
		u := spread(w.cov[i][i], w.cov[i][n], w.cov[n][n], now, w.v)
		return c.Known && c.Held == nil && c.High > 0 && c.Role != chem.RoleOrganic && 1-chanceBelow(c.High, now, u) > 0.05
	})
}

func (w *work) newNeed(i int, c estimate.Constituent) need {
	n := len(w.mean) - 1
	x := need{i: i, c: c, target: c.Target}
	if t, ok := w.o.Target[c.Name]; ok {
		x.target, x.asked = t, true
	}
	x.now, x.least = w.mean[i]/w.goal, w.later[i]/w.goal
	x.u = spread(w.cov[i][i], w.cov[i][n], w.cov[n][n], x.now, w.goal)
	// What evaporates until the next visit is made up then, so the volume stays
	// as unsure as it is now, and no more.
	x.uLeast = spread(w.covLate[i][i], w.cov[i][n], w.cov[n][n], x.least, w.goal)
	x.uLeast = math.Hypot(x.uLeast, c.PerAh*w.scatter)
	if c.Held != nil {
		x.u, x.uLeast = math.Max(x.u, c.U), math.Max(x.uLeast, c.U)
	}
	x.aim = x.target
	if r := c.OverdoseCost; c.Role == chem.RoleOrganic && r > 1 && !x.asked {
		// Where too much is r times worse than too little, the best aim leaves a
		// chance of 1/(1+r) to lie above the target (the newsvendor's fractile).
		z := math.Sqrt2 * math.Erfinv(2*r/(1+r)-1)
		x.aim = math.Max(x.target-z*x.u, (c.Low+x.target)/2)
	}
	x.age = w.e.At.Sub(w.e.Bath.Began).Hours() / 24
	if c.Assay != nil {
		x.age = w.e.At.Sub(c.Assay.Fact.Time).Hours() / 24
	}
	w.limits(&x)
	return x
}

// spread is the standard uncertainty of n/V at V = top: amount and volume err
// together, and only what that leaves counts.
func spread(nn, nv, vv, c, top float64) float64 {
	return math.Sqrt(math.Max(0, nn-2*c*nv+c*c*vv)) / top
}

// limits works out how many standard deviations the upper limit is kept away
// from, now and at the lowest level before the next top-up: 1.645, or what the
// window leaves between the recipe's target and the limit.
func (w *work) limits(x *need) {
	h := x.c.High
	if h <= 0 {
		return
	}
	n := len(w.mean) - 1
	dosed := addU * math.Max(0, x.target*w.goal-w.mean[x.i])
	sigma := func(cov [][]float64) float64 {
		return math.Sqrt(math.Max(0, cov[x.i][x.i]-2*h*cov[x.i][n]+h*h*cov[n][n]) + dosed*dosed)
	}
	x.sigNow, x.sigLow = sigma(w.cov), sigma(w.covLate)
	slackNow := (h - x.c.Target) * w.goal
	// A target that was asked for counts here and not now: its limit may be
	// passed by what evaporates, which is said, but not by the dose.
	slackAt := func(target, dry float64) float64 {
		return h*(w.goal-dry) - (target*w.goal + w.later[x.i] - w.mean[x.i])
	}
	x.dry = w.dry
	if slackAt(x.c.Target, w.dry) < 0 && w.water {
		// No dose could keep it then: water is asked for before each session, so
		// what counts is the lowest level at which none is asked for yet.
		x.dry = math.Min(w.dry, (1-topUpBelow)*w.goal)
	}
	x.tooMuchInTank = slackAt(math.Max(x.c.Target, x.target), w.dry) < 0
	slackLow := slackAt(math.Max(x.c.Target, x.target), x.dry)
	k := func(slack, sig float64) float64 {
		if sig <= 0 {
			return zHigh
		}
		return math.Min(zHigh, math.Max(0, slack/sig))
	}
	x.kNow, x.kLowest = k(slackNow, x.sigNow), k(slackLow, x.sigLow)
}

// allowed tells whether --only leaves a material in.
func (w *work) allowed(m chem.Material) bool {
	return len(w.o.Only) == 0 || slices.ContainsFunc(w.o.Only, func(s string) bool { return strings.EqualFold(s, m.Name) })
}

// decide says for each constituent whether anything is to be done about it.
func (w *work) decide(p *Plan) {
	w.judgeLevel(p)
	for i := range w.needs {
		x := &w.needs[i]
		switch {
		case w.blind:
			x.shut = true
			if !x.c.Known && !x.c.Contaminant() {
				p.read(x.c.Name, "it has never been read")
			}
		case x.c.Held != nil:
			x.shut = true
			p.read(x.c.Name, "the last reading, %s %s, is %.1f standard deviations from what the log explains; nothing is planned for it until a second one", round(x.c.Held.Value), x.c.Unit, math.Abs(x.c.Held.Off))
			w.refuseTarget(p, x, "a reading of it waits for a second one")
		case x.c.Contaminant():
			w.contaminant(p, x)
		case w.treated(x):
			x.shut = true
			p.read(x.c.Name, "carbon or peroxide took out an unknown part of it; run a panel before any is added")
			w.refuseTarget(p, x, "nobody knows what the treatment left of it")
		case !x.c.Known:
			x.shut = true
			p.read(x.c.Name, "it has never been read, so nothing is planned for it")
			w.refuseTarget(p, x, "it has never been read")
		default:
			w.weigh(x, p)
		}
	}
}

func (p *Plan) read(what, format string, args ...any) {
	p.TitrateFirst = append(p.TitrateFirst, Reading{what, fmt.Sprintf(format, args...)})
}

func (p *Plan) refuse(what, format string, args ...any) {
	p.Refused = append(p.Refused, Refusal{what, fmt.Sprintf(format, args...)})
}

func (p *Plan) quiet(format string, args ...any) {
	p.Quiet = append(p.Quiet, fmt.Sprintf(format, args...))
}

func (w *work) refuseTarget(p *Plan, x *need, why string) {
	if x.asked {
		p.refuse(x.c.Name+" to "+tidy(x.target)+" "+string(x.c.Unit), "%s", why)
	}
}

// judgeLevel looks at the volume, on which every figure of the plan rests.
func (w *work) judgeLevel(p *Plan) {
	bath := w.e.Bath
	for _, f := range w.e.Flags {
		if f.Kind == "held" && f.Subject == "volume" {
			w.blind = true
			p.read("level", "the last level does not fit the log; every amount rests on the volume, so nothing is planned until it is read again, parts out and air off")
			for i := range w.needs {
				w.refuseTarget(p, &w.needs[i], "the level is in doubt")
			}
			return
		}
	}
	if w.uv > blindLevel*w.v {
		w.blind = true
		p.read("level", "the volume is %s L; every amount rests on it, so nothing is planned until the level is read, parts out and air off", span(w.v, z90*w.uv))
		for i := range w.needs {
			w.refuseTarget(p, &w.needs[i], "the level is not known")
		}
		return
	}
	if w.uv > wideLevel*w.v && w.levelCounts() {
		p.read("level", "the volume is %s L; every amount rests on it, and reading the level takes a minute", span(w.v, z90*w.uv))
	}
	switch {
	case w.v > bath.Most()*(1+1e-9):
		p.refuse("more in the tank", "it holds about %.1f L and its upper mark is %s L; nothing that takes up room goes in until %.1f L have evaporated or been bailed out", w.v, tidy(bath.Most()), w.v-bath.Most())
	case w.missing && !w.water && len(w.o.Only) > 0:
		p.quiet("level: %.1f L are missing to the mark of %s L, and water is not among the materials asked for", bath.Volume-w.v, tidy(bath.Volume))
	case w.missing && !w.water:
		p.refuse("water", "%.1f L are missing to the mark of %s L, but the recipe names no water to fill up with; the amounts below are for the level as it is", bath.Volume-w.v, tidy(bath.Volume))
	}
}

// levelCounts tells whether a level less sure than wideLevel may change what is
// done: water may be missing or something near a limit, or it is twice as unsure.
func (w *work) levelCounts() bool {
	if w.uv > 2*wideLevel*w.v || w.missing || chanceBelow(topUpBelow*w.e.Bath.Volume, w.v, w.uv) > thirstChance {
		return true
	}
	return slices.ContainsFunc(w.needs, func(x need) bool {
		return x.c.Known && x.c.Role != chem.RoleOrganic && !x.c.Contaminant() &&
			(x.least-zNeed*x.uLeast < x.c.Low || 1-chanceBelow(x.c.High, math.Max(x.now, x.least), x.uLeast) > bailRising)
	})
}

func (w *work) contaminant(p *Plan, x *need) {
	c := x.c
	if !c.Known {
		return
	}
	switch above := 1 - chanceBelow(c.High, x.now, x.u); {
	case above > 0.5 && x.age > bailReading:
		p.read(c.Name, "the log puts it at %s %s, above its limit of %s %s, but it was last read %s ago", round(x.now), c.Unit, tidy(c.High), c.Unit, days(x.age))
	case above > 0.5:
		p.refuse(c.Name, "%s %s is above its limit of %s %s and no addition takes it out; dummy plating or a treatment may, or replacing a part of the bath", round(x.now), c.Unit, tidy(c.High), c.Unit)
	}
}

// treated tells whether an organic was treated away since it was last read.
func (w *work) treated(x *need) bool {
	if x.c.Role != chem.RoleOrganic {
		return false
	}
	for _, f := range slices.Backward(w.e.Bath.Facts) {
		if f.Time.After(w.e.At) {
			continue
		}
		if x.c.Assay != nil && !f.Time.After(x.c.Assay.Fact.Time) {
			return false
		}
		if f.Kind() == chem.KindFill {
			return false // what was in it then is known again
		}
		if t, ok := f.Body.(chem.Treat); ok && t.With != chem.TreatDummy {
			return true
		}
	}
	return false
}

// weigh decides between doing and leaving for a constituent that is known.
func (w *work) weigh(x *need, p *Plan) {
	c := x.c
	organic := c.Role == chem.RoleOrganic
	chance := chanceBelow(c.Low, x.least, x.uLeast)
	switch {
	case x.asked && x.aim > x.now:
		x.dose = true
		x.why = fmt.Sprintf("%s is %s %s%s; to the target you gave, %s %s", c.Name, round(x.now), c.Unit, w.onceFilled(), tidy(x.target), c.Unit)
	case x.asked:
		w.refuseTarget(p, x, fmt.Sprintf("it is at %s %s already, and nothing that is added takes it out", round(x.now), c.Unit))
	case organic && x.aim-x.now >= littleOften*x.target:
		x.dose = true
		x.why = fmt.Sprintf("%s is %s of %s %s%s, and little and often keeps it even", c.Name, round(x.now), tidy(x.aim), c.Unit, w.onceFilled())
	case organic:
	case x.least-zNeed*x.uLeast < c.Low && x.now < x.aim:
		x.dose = true
		x.why = w.whyLow(x, chance)
	}
	if !x.dose {
		w.high(x, p)
	}
	above := 1 - chanceBelow(c.High, x.now, x.u)
	switch {
	case x.dose || x.lower || organic:
	case chance > 0.01 && x.now <= c.High:
		p.quiet("%s: %s %s%s; a chance of %s to be below its window before the next visit does not ask for a dose", c.Name, span(x.now, z90*x.u), c.Unit, w.onceFilled(), percent(chance))
	case above > 0.05 && above < 0.5:
		p.quiet("%s: %s %s%s; a chance of %s to be above its window is no ground to throw bath away", c.Name, span(x.now, z90*x.u), c.Unit, w.onceFilled(), percent(above))
	}
	w.readFirst(x, p, chance)
}

func (w *work) onceFilled() string {
	if w.goal > w.v {
		return " once filled up"
	}
	return ""
}

func (w *work) whyLow(x *need, chance float64) string {
	c := x.c
	now := fmt.Sprintf("%s is %s %s%s", c.Name, span(x.now, z90*x.u), c.Unit, w.onceFilled())
	if x.now < c.Low {
		return fmt.Sprintf("%s, below its window of %s to %s %s; to the target of %s %s", now, tidy(c.Low), tidy(c.High), c.Unit, tidy(x.target), c.Unit)
	}
	return fmt.Sprintf("%s, with a chance of %s to fall below %s %s within %s; to the target of %s %s", now, percent(chance), tidy(c.Low), c.Unit, days(w.days), tidy(x.target), c.Unit)
}

// high decides what is done about too much. Bath is thrown away only where the
// limit may well be passed before the next visit, where a recent reading, what
// comes on top until then counted, says so too, and where it will not go by
// itself; an organic always goes by itself.
func (w *work) high(x *need, p *Plan) {
	c := x.c
	now := 1 - chanceBelow(c.High, x.now, x.u)
	// Water is asked for below topUpBelow, so the level falls no lower than that.
	lowest := w.later[x.i] / (w.goal * topUpBelow)
	soon := 1 - chanceBelow(c.High, math.Max(x.now, lowest), x.uLeast)
	fall := -(c.PerDay + c.PerAh*w.perDay)
	value := fmt.Sprintf("%s %s", span(x.now, z90*x.u), c.Unit)
	from := bailFrom
	if -fall*w.days > x.u {
		from = bailRising
	}
	switch {
	case c.High <= 0 || soon < from:
	case c.Role == chem.RoleOrganic:
		if now < 0.5 {
			return
		}
		when := ""
		if fall > 0 {
			when = fmt.Sprintf("; at the usual pace it is back at %s %s in about %s", tidy(c.High), c.Unit, days((x.now-c.High)/fall))
		}
		p.quiet("%s: %s is above %s %s; use and standing bring it down, and none is added%s", c.Name, value, tidy(c.High), c.Unit, when)
	case now >= 0.5 && x.least < c.High && fall > 0:
		p.quiet("%s: %s is above %s %s, and comes down by itself before the next visit", c.Name, value, tidy(c.High), c.Unit)
	case now < 0.5 && fall > 0:
	case !x.says(math.Max(0, lowest-x.now)) && x.age <= repeatReading:
		p.quiet("%s: %s may pass %s %s before the next visit, but today's reading does not bear that out", c.Name, value, tidy(c.High), c.Unit)
	case !x.says(math.Max(0, lowest-x.now)) || now >= 0.5 && now < sureToBail && (x.age > repeatReading || x.wide()):
		p.read(c.Name, "%s; the log puts it at %s beside an upper limit of %s %s: read it before any bath is thrown away", x.ago(), value, tidy(c.High), c.Unit)
	case !w.water:
		p.refuse(c.Name, "%s passes %s %s and only replacing bath by water takes it out, but no water may be used", value, tidy(c.High), c.Unit)
	case len(w.o.Only) > 0:
		// What goes out with the bath has to go back in, and a plan is whole.
		p.refuse(c.Name, "%s passes %s %s and only replacing bath by water takes it out, and that takes the rest with it; ask without naming materials", value, tidy(c.High), c.Unit)
	default:
		x.lower, x.room = true, w.room(x)
		limit := fmt.Sprintf("%s %s", tidy(c.High), c.Unit)
		passes := "above " + limit
		if x.now <= c.High {
			passes = fmt.Sprintf("and passes %s before the next visit", limit)
		}
		x.why = fmt.Sprintf("%s is %s, %s, and no addition takes it out; a bail-out refilled with water brings it to %s %s, which leaves room for evaporation and weeks of creep", c.Name, value, passes, round(x.room), c.Unit)
	}
}

// wide tells whether the estimate is wide beside its window.
func (x *need) wide() bool { return x.c.High > 0 && z90*x.u > (x.c.High-x.c.Low)/2 }

// says tells whether a believed reading of the last days, with what comes on top
// before the next visit, lies at the limit, its own uncertainty counted, or above
// it.
func (x *need) says(rise float64) bool {
	a := x.c.Assay
	return a != nil && x.age <= bailReading && (a.Fate == estimate.Used || a.Fate == estimate.Confirmed) && a.Value+rise+z90*a.U >= x.c.High
}

// room is the concentration a bail-out brings a constituent down to: room for
// weeks of creep and for the evaporation until the next top-up, since a bail-out
// is waste and two are more waste than one.
func (w *work) room(x *need) float64 {
	ahead, _ := w.e.Ahead(creep, creep*w.perDay)
	rise := math.Max(0, ahead[x.i]-w.mean[x.i]) / w.goal
	lowest := x.c.High * (1 - w.dry/w.goal)
	return math.Max(x.target, math.Min(lowest, x.c.High)-rise-zHigh*x.u)
}

// ago says when it was last read.
func (x *need) ago() string {
	if x.c.Assay == nil {
		return "it has not been read since the bath was filled"
	}
	return "it was last read " + days(x.age) + " ago"
}

// readFirst asks for a reading where it may change what is added, or where the
// last one is too old to rest on.
func (w *work) readFirst(x *need, p *Plan, chance float64) {
	c := x.c
	if len(p.TitrateFirst) > 0 && p.TitrateFirst[len(p.TitrateFirst)-1].Constituent == c.Name {
		return
	}
	organic := c.Role == chem.RoleOrganic
	acting := x.dose || x.lower
	ago := x.ago()
	switch {
	case organic && x.wide() && x.age > 14:
		p.read(c.Name, "%s, and ± %s %s is wide beside its window of %s to %s %s; a Hull-cell panel tells more than the log", ago, round(z90*x.u), c.Unit, tidy(c.Low), tidy(c.High), c.Unit)
	case organic:
		return
	case x.age > staleDays:
		p.read(c.Name, "%s, and things go unlogged", ago)
	case acting && x.wide() && x.age > 1:
		p.read(c.Name, "%s, and ± %s %s is wide beside its window of %s to %s %s; a reading could change what is added", ago, round(z90*x.u), c.Unit, tidy(c.Low), tidy(c.High), c.Unit)
	case !acting && chance > 0.1 && x.age > repeatReading:
		p.read(c.Name, "%s; it is at its target as far as is known, but ± %s %s leaves a chance of %s to be below its window", ago, round(z90*x.u), c.Unit, percent(chance))
	case acting && chance < 0.6 && x.age > 13:
		p.read(c.Name, "%s, and a new reading may show that nothing is needed", ago)
	}
}
