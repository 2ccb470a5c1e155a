package forecast

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"time"

	"steadybath/chem"
	"steadybath/chem/anode"
	"steadybath/chem/dose"
	"steadybath/chem/estimate"
)

const (
	usualDays  = 180.0
	mostDays   = 3660.0
	usualPaths = 400
)

// never is a time beyond any horizon, in days or ampere-hours.
var never = math.Inf(1)

// event is the first time that something happens in one future: days from now and
// ampere-hours passed until then.
type event struct{ day, ah float64 }

// Make forecasts from the estimate e. It is an error where the options cannot be
// meant.
func Make(e *estimate.Estimate, o Options) (*Forecast, error) {
	if o.Days == 0 {
		o.Days = usualDays
	}
	if !(o.Days >= 1 && o.Days <= mostDays) {
		return nil, fmt.Errorf("a forecast of %g days: 1 to %g would fit", o.Days, mostDays)
	}
	if o.Paths == 0 {
		o.Paths = usualPaths
	}
	if o.Paths < 10 {
		return nil, fmt.Errorf("%d futures: at least 10 would fit", o.Paths)
	}
	if !(o.Fans >= 0) {
		return nil, fmt.Errorf("fans of %g days: 0 to %g would fit", o.Fans, o.Days)
	}
	for _, j := range o.Jobs {
		if !(j.Ah > 0) || math.IsInf(j.Ah, 0) {
			return nil, fmt.Errorf("a job of %g Ah: more than 0 Ah would fit", j.Ah)
		}
		if j.At.Before(e.At.Add(-24 * time.Hour)) {
			return nil, fmt.Errorf("the job on %s is over; a day to come would fit", j.At.Format(time.DateOnly))
		}
	}
	m := newMaker(e, o)
	for p := range o.Paths {
		m.path(rand.New(rand.NewPCG(o.Seed, uint64(p))))
	}
	return m.answer(), nil
}

// maker counts what happens in each future.
type maker struct {
	e       *estimate.Estimate
	o       Options
	days    int
	pattern Pattern
	futures *estimate.Futures

	dosing  []dose.Dosing // by constituent; without a unit where no dose is planned
	below   []float64     // by constituent: where the next dose of an organic comes due; NaN
	amps    float64       // A, of a usual run; 0 unknown
	part    float64       // dm2, plated in a usual run; 0 unknown
	least   float64       // fraction
	low     [][]event     // by constituent, by future
	high    [][]event
	organic [][]event
	gone    [][]event // by anode
	why     []map[reason]int
	runs    float64     // in all futures
	charge  [][]float64 // by future: ampere-hours passed by the end of each day
	fans    *fans

	feeds map[string]chem.Material // by constituent: what it is fed with, of what is counted in stock
	out   map[string][]event       // by material: when it has run out, in a bath that is kept
	used  map[string][]float64     // by material, by future: what a kept bath takes in the horizon
}

func newMaker(e *estimate.Estimate, o Options) *maker {
	m := &maker{e: e, o: o, days: int(math.Ceil(o.Days)), pattern: learn(e), futures: e.Futures()}
	m.fans = newFans(e, math.Min(o.Fans, o.Days), o.Paths)
	n := len(e.Constituents)
	m.low, m.high, m.organic = make([][]event, n), make([][]event, n), make([][]event, n)
	m.gone, m.why = make([][]event, len(e.Anodes)), make([]map[reason]int, len(e.Anodes))
	for _, c := range e.Constituents {
		d, below := dose.Dosing{}, math.NaN()
		if c.Role == chem.RoleOrganic {
			if found, ok := dose.DosingOf(e, c.Name); ok {
				d, below = found, found.Below
			}
		}
		m.dosing, m.below = append(m.dosing, d), append(m.below, below)
	}
	m.amps, m.part = e.UsualRun()
	m.least, _ = anode.Least(e.Recipe.Limits)
	for i := range m.why {
		m.why[i] = map[reason]int{}
	}
	m.feeds, m.out, m.used = map[string]chem.Material{}, map[string][]event{}, map[string][]float64{}
	for _, c := range e.Constituents {
		if f, ok := dose.Feed(e.Recipe, c.Name); ok && !c.Contaminant() && c.Known {
			if _, counted := o.Stock[f.Name]; counted {
				m.feeds[c.Name] = f
			}
		}
	}
	return m
}

// path lives through one future.
func (m *maker) path(rng *rand.Rand) {
	runs, drawn := m.pattern.draw(m.days, rng)
	runs = withJobs(runs, m.o.Jobs, m.e.At)
	m.runs += float64(len(runs))
	u := m.futures.Draw(rng)
	n := len(m.e.Constituents)
	now, was := make([]float64, n), make([]float64, n)
	low, high, organic := blank(n), blank(n), blank(n)
	for i := range now {
		was[i] = u.Conc(i)
		c := &m.e.Constituents[i]
		start(&low[i], was[i] < c.Low)
		start(&high[i], c.High > 0 && was[i] > c.High)
		start(&organic[i], was[i] < m.below[i])
	}
	masses := u.Masses(nil)
	left := slices.Clone(masses)
	gone := blank(len(masses))
	why := make([]reason, len(masses))
	m.anodes(masses, masses, true, 0, 0, 0, gone, why)
	m.fans.note(0, was, masses)
	ah, charge := 0.0, make([]float64, m.days)
	for day, k := 0, 0; day < m.days; day++ {
		today, count := 0.0, 0
		for ; k < len(runs) && runs[k].day <= day; k++ {
			today, count = today+runs[k].ah, count+1
		}
		u.Day(today, count, drawn[day/7])
		for i := range now {
			now[i] = u.Conc(i)
			c := &m.e.Constituents[i]
			cross(&low[i], day, ah, today, was[i]-c.Low, now[i]-c.Low)
			if c.High > 0 {
				cross(&high[i], day, ah, today, c.High-was[i], c.High-now[i])
			}
			cross(&organic[i], day, ah, today, was[i]-m.below[i], now[i]-m.below[i])
			was[i] = now[i]
		}
		left = u.Masses(left)
		m.anodes(masses, left, false, day, ah, today, gone, why)
		m.fans.note(day+1, now, left)
		masses = append(masses[:0], left...)
		ah += today
		charge[day] = ah
	}
	for i := range now {
		m.low[i], m.high[i], m.organic[i] = append(m.low[i], low[i]), append(m.high[i], high[i]), append(m.organic[i], organic[i])
	}
	for i := range gone {
		m.gone[i] = append(m.gone[i], gone[i])
		if why[i].words != "" {
			m.why[i][why[i]]++
		}
	}
	m.charge = append(m.charge, charge)
	if len(m.feeds) > 0 {
		m.keep(runs, drawn, rng)
	}
}

// doseFrom is where a kept bath is dosed, as a part of the way from the lower
// limit to the target: about where a plan finds its chance of falling below.
const doseFrom = 0.2

// keep lives through the same runs in a bath that is dosed back to its targets,
// and counts what that takes from stock.
func (m *maker) keep(runs []run, drawn []float64, rng *rand.Rand) {
	u := m.futures.Draw(rng)
	used, out := map[string]float64{}, map[string]event{}
	ah := 0.0
	for day, k := 0, 0; day < m.days; day++ {
		today, count := 0.0, 0
		for ; k < len(runs) && runs[k].day <= day; k++ {
			today, count = today+runs[k].ah, count+1
		}
		u.Day(today, count, drawn[day/7])
		ah += today
		for i, c := range m.e.Constituents {
			f, ok := m.feeds[c.Name]
			if !ok {
				continue
			}
			from := c.Low + doseFrom*(c.Target-c.Low)
			if !math.IsNaN(m.below[i]) {
				from = m.below[i]
			}
			if now := u.Conc(i); now < from {
				amount := (c.Target - now) * m.e.Bath.Volume / f.Brings[c.Name]
				for k, other := range m.e.Constituents {
					u.Add(k, amount*f.Brings[other.Name])
				}
				used[f.Name] += amount
			}
			if _, already := out[f.Name]; !already && used[f.Name] > m.o.Stock[f.Name].Left {
				out[f.Name] = event{float64(day) + 0.5, ah}
			}
		}
	}
	seen := map[string]bool{}
	for _, f := range m.feeds {
		if seen[f.Name] {
			continue
		}
		seen[f.Name] = true
		x, ok := out[f.Name]
		if !ok {
			x = event{never, never}
		}
		m.out[f.Name] = append(m.out[f.Name], x)
		m.used[f.Name] = append(m.used[f.Name], used[f.Name])
	}
}

func blank(n int) []event {
	out := make([]event, n)
	for i := range out {
		out[i] = event{never, never}
	}
	return out
}

func start(e *event, already bool) {
	if already {
		*e = event{0, 0}
	}
}

// cross notes where a margin that was a is b at the end of the day and has gone
// below nothing.
func cross(e *event, day int, ah, today, a, b float64) {
	if e.day < never || !(b < 0) {
		return
	}
	part := 0.0
	if a > b && a > 0 {
		part = a / (a - b)
	}
	*e = event{float64(day) + part, ah + part*today}
}

// reason is the limit that an anode has come to.
type reason struct {
	words string
	area  bool // of what all anodes have in common, not of its own mass
}

// anodes notes which anodes have come to a limit in a day, or before anything has
// happened.
func (m *maker) anodes(was, now []float64, begins bool, day int, ah, today float64, gone []event, why []reason) {
	total, known := m.wet(now)
	limits := m.e.Recipe.Limits
	shared := ""
	switch {
	case !known || m.amps <= 0 && m.part <= 0:
	case limits.AnodeDensity > 0 && m.amps > 0 && m.amps > limits.AnodeDensity*total:
		shared = fmt.Sprintf("the anodes' current density passes %g A/dm2 at the usual %.3g A", limits.AnodeDensity, m.amps)
	case limits.AnodeRatio > 0 && m.part > 0 && total < limits.AnodeRatio*m.part:
		shared = fmt.Sprintf("the anodes' area falls below %g of the usual parts' %.3g dm2", limits.AnodeRatio, m.part)
	}
	for i, a := range m.e.Anodes {
		if a.Form == "inert" || gone[i].day < never || math.IsNaN(now[i]) || a.Started <= 0 {
			continue
		}
		edge := m.least * a.Started
		switch {
		case now[i] < edge:
			cross(&gone[i], day, ah, today, was[i]-edge, now[i]-edge)
			why[i] = reason{fmt.Sprintf("%.0f %% of its first %.3g kg are left", 100*m.least, a.Started), false}
		case shared != "" && begins:
			gone[i], why[i] = event{0, 0}, reason{shared, true}
		case shared != "":
			gone[i], why[i] = event{float64(day) + 0.5, ah + today/2}, reason{shared, true}
		}
	}
}

// answer counts.
func (m *maker) answer() *Forecast {
	e, o := m.e, m.o
	f := &Forecast{Bath: e.Bath.Name, At: e.At, Days: o.Days}
	sum, squares := 0.0, 0.0
	for _, c := range m.charge {
		mean := c[len(c)-1] / float64(m.days)
		sum, squares = sum+mean, squares+mean*mean
	}
	n := float64(len(m.charge))
	f.AhPerDay = sum / n
	f.UAhPerDay = math.Sqrt(math.Max(0, squares/n-f.AhPerDay*f.AhPerDay))
	if m.runs > 0 {
		f.RunsPerWeek = m.runs / n / float64(m.days) * 7
		f.AhPerRun = sum * float64(m.days) / m.runs
	}
	for i, c := range e.Constituents {
		if c.Contaminant() || !c.Known {
			continue
		}
		low, high := m.leaving(c.Name, "low", m.low[i]), m.leaving(c.Name, "high", m.high[i])
		// An edge that is not reached in the horizon is said once, the likelier one.
		switch {
		case c.Low > 0 && !low.Date.P10.IsZero() && !high.Date.P10.IsZero() && c.High > 0:
			f.Leaves = append(f.Leaves, low, high)
		case c.High > 0 && (!high.Date.P10.IsZero() || count(m.high[i]) > count(m.low[i])):
			f.Leaves = append(f.Leaves, high)
		default:
			f.Leaves = append(f.Leaves, low)
		}
		if c.Role == chem.RoleOrganic && !math.IsNaN(m.below[i]) {
			if x, ok := m.nextDose(i); ok {
				f.Organics = append(f.Organics, x)
			}
		}
	}
	slices.SortStableFunc(f.Leaves, func(a, b Leaving) int { return sooner(a.Date, b.Date) })
	slices.SortStableFunc(f.Organics, func(a, b Organic) int { return sooner(a.Due, b.Due) })
	for i, a := range e.Anodes {
		f.Anodes = append(f.Anodes, m.anode(i, a))
	}
	f.Fans, f.Masses = m.fans.answer(e)
	f.Titrate = dose.Schedule(e, o.Plan, dose.Options{AhPerDay: m.soon()})
	f.Buy = m.buy()
	f.Upkeep = UpkeepDue(e, func(ah float64) Dates { d, _ := m.when(ah); return d }, e.At.Add(time.Duration(o.Days*24*float64(time.Hour))))
	return f
}

// buy is what runs out within the horizon, what is needed of it until its end, and
// when it has to be ordered.
func (m *maker) buy() []Purchase {
	var out []Purchase
	for _, material := range m.e.Recipe.Materials {
		events, ok := m.out[material.Name]
		if !ok {
			continue
		}
		used := slices.Clone(m.used[material.Name])
		sort.Float64s(used)
		gone, _ := m.quantiles(events)
		if p, ok := BuyBy(material, m.o.Stock[material.Name].Left, gone, used[int(0.9*float64(len(used)))], m.e.At); ok {
			out = append(out, p)
		}
	}
	slices.SortStableFunc(out, func(a, b Purchase) int { return a.By.Compare(b.By) })
	return out
}

// soon is the mean charge a day, Ah, until the latest day of the next reading, where
// jobs are planned; else 0, which means as the shop has plated.
func (m *maker) soon() float64 {
	const days = 28
	if len(m.o.Jobs) == 0 {
		return 0
	}
	sum, n := 0.0, min(days, m.days)
	for _, c := range m.charge {
		sum += c[n-1] / float64(n)
	}
	return sum / float64(len(m.charge))
}

func count(events []event) (n int) {
	for _, x := range events {
		if x.day < never {
			n++
		}
	}
	return n
}

func sooner(a, b Dates) int {
	for _, p := range [][2]time.Time{{a.P50, b.P50}, {a.P10, b.P10}, {a.P90, b.P90}} {
		switch {
		case p[0].IsZero() != p[1].IsZero():
			if p[0].IsZero() {
				return 1
			}
			return -1
		case !p[0].Equal(p[1]):
			return p[0].Compare(p[1])
		}
	}
	return 0
}

func (m *maker) leaving(name, edge string, events []event) Leaving {
	d, q := m.quantiles(events)
	return Leaving{name, edge, d, q}
}

// quantiles are those of the days and of the ampere-hours, each by itself.
func (m *maker) quantiles(events []event) (Dates, Charges) {
	days, ah := make([]float64, len(events)), make([]float64, len(events))
	for i, x := range events {
		days[i], ah[i] = x.day, x.ah
	}
	sort.Float64s(days)
	sort.Float64s(ah)
	date := func(p float64) time.Time {
		d := days[rank(len(days), p)]
		if d > m.o.Days {
			return time.Time{}
		}
		return m.e.At.Add(time.Duration(d * 24 * float64(time.Hour))).Round(time.Minute)
	}
	charge := func(p float64) float64 {
		if q := ah[rank(len(ah), p)]; q < never {
			return q
		}
		return math.NaN()
	}
	return Dates{date(0.1), date(0.5), date(0.9)}, Charges{charge(0.1), charge(0.5), charge(0.9)}
}

// when is when so many more ampere-hours have passed.
func (m *maker) when(ah float64) (Dates, Charges) {
	events := make([]event, len(m.charge))
	for i, c := range m.charge {
		events[i] = event{never, never}
		if day := sort.SearchFloat64s(c, ah); ah <= 0 {
			events[i] = event{0, 0}
		} else if day < len(c) {
			events[i] = event{float64(day) + 0.5, ah}
		}
	}
	return m.quantiles(events)
}

// nextDose is the next dose of organic i.
func (m *maker) nextDose(i int) (Organic, bool) {
	d, ok := m.dosing[i], m.dosing[i].Unit != ""
	if !ok {
		return Organic{}, false
	}
	x := Organic{Constituent: m.e.Constituents[i].Name, Material: d.Material, Amount: d.Amount, Unit: d.Unit, Usual: d.Amount, EveryAh: d.Every.Ah, EveryDays: d.Every.Days}
	x.Due, x.Ah = m.quantiles(m.organic[i])
	if m.o.Plan == nil {
		return x, true
	}
	for _, a := range m.o.Plan.Additions {
		if a.Material.Name == d.Material.Name {
			x.Due, x.Ah = Dates{m.e.At, m.e.At, m.e.At}, Charges{}
			x.Amount, x.Unit = a.Amount, a.Unit
			x.Usual, _ = d.Unit.Convert(d.Amount, a.Unit)
		}
	}
	return x, true
}

// wet is the immersed area of all anodes at the given masses, dm2; ok is false where
// that of one is unknown.
func (m *maker) wet(masses []float64) (total float64, ok bool) {
	for i, a := range m.e.Anodes {
		area, known := anode.Wet(a, masses[i])
		if !known {
			return 0, false
		}
		total += area
	}
	return total, len(m.e.Anodes) > 0
}

func (m *maker) anode(i int, a estimate.Anode) Anode {
	out := Anode{ID: a.ID, Form: a.Form, Hung: a.Hung, Mass: a.Mass, U: a.U, Fraction: math.NaN(), PassedAh: a.PassedAh}
	out.Area, _ = anode.Wet(a, a.Mass)
	masses := make([]float64, len(m.e.Anodes))
	for k, o := range m.e.Anodes {
		masses[k] = o.Mass
	}
	share := 1 / float64(len(masses)) // of the current: by area where all are known
	if total, ok := m.wet(masses); ok {
		share = out.Area / total
		out.Density = m.amps / total
	}
	if a.Form == anode.Inert {
		out.Mass, out.U = math.NaN(), math.NaN()
		if life := m.e.Recipe.Limits.AnodeLife * a.Area; life > 0 {
			out.LifeAh = life
			out.Replace, out.Ah = m.when((life - out.PassedAh) / share)
			out.Reason = fmt.Sprintf("%.0f Ah, the life of %.3g dm2, have passed", life, a.Area)
		}
		return out
	}
	if a.Started > 0 && !math.IsNaN(a.Mass) {
		out.Fraction = a.Mass / a.Started
	}
	if metal, ok := m.e.Recipe.WithRole(chem.RoleMetal); ok {
		out.Saves = m.e.Rate("dissolution").Value * 7 * metal.MolarMass / 1000 * share
	}
	out.Replace, out.Ah = m.quantiles(m.gone[i])
	most := 0
	for why, n := range m.why[i] {
		if n > most || n == most && why.words < out.Reason {
			out.Reason, out.ByArea, most = why.words, why.area, n
		}
	}
	return out
}
