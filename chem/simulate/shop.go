package simulate

import (
	"fmt"
	"maps"
	"math"
	"strings"
	"time"

	"steadybath/chem"
)

// shop is a run in the making.
type shop struct {
	c      Config
	run    *Run
	chance chance
	tank   tank
	rates  Rates
	today  struct {
		dissolution, evaporation float64
		loss                     []float64 // beside the constituents
	}
	leak, polarised       float64
	leakEnd, polarisedEnd int
	faults                []Fault // still to come

	now      time.Time // in the shop's zone
	midnight time.Time // the next one
	end      time.Time
	day      int // since the start, in local days
	absent   []bool
	plan     map[int]float64 // Ah shown, by day of the week begun last
	charge   float64
	shown    float64
	plating  float64
	hung     float64  // g, all anodes when new
	put      []*anode // every anode that was ever hung
	pulled   []*anode
	nextID   int
	rounds   int
	weighed  int // day of the last weighing of the anodes

	bench   bench
	late    []chem.Fact
	numbers map[string]int64 // by chain
	entered time.Time
	err     error
}

// Make makes up a bath's life. The same Config gives the same Run. It is an
// error where the recipe is not complete enough to be run, where a policy asks
// for what cannot be done, or where a fault that was asked for found no chance
// to happen.
func Make(c Config) (*Run, error) {
	if err := c.check(); err != nil {
		return nil, err
	}
	if c.Name == "" {
		c.Name = "sim"
	}
	if c.Water == nil {
		c.Water = TopUp(c.Recipe, c.Volume)
	}
	if c.Dose == nil {
		c.Dose = Card(c.Recipe, c.Volume)
	}
	s := &shop{
		c: c, run: &Run{Config: c, Lots: map[string]float64{}}, chance: newChance(c.Seed),
		faults: append([]Fault(nil), c.Faults...), now: c.Start, numbers: map[string]int64{},
	}
	if err := s.open(); err != nil {
		return nil, err
	}
	for s.day = 0; s.day < c.Days && s.err == nil; s.day++ {
		s.live()
	}
	s.rest(s.end)
	s.flush()
	s.record()
	if s.err != nil {
		return nil, s.err
	}
	for _, f := range s.faults {
		return nil, fmt.Errorf("simulate: %s of %q on day %d found no chance to happen", f.Kind, f.Of, f.Day)
	}
	return s.run, nil
}

func (s *shop) fail(format string, args ...any) {
	if s.err == nil {
		s.err = fmt.Errorf("simulate: "+format, args...)
	}
}

// date is the local midnight that begins day d.
func (s *shop) date(d int) time.Time {
	y, m, day := s.c.Start.Date()
	return time.Date(y, m, day+d, 0, 0, 0, 0, s.c.Start.Location())
}

func (s *shop) index(name string) int {
	for i, c := range s.c.Recipe.Constituents {
		if strings.EqualFold(c.Name, name) {
			return i
		}
	}
	return -1
}

// open makes the tank and writes down its beginning.
func (s *shop) open() error {
	r := s.c.Recipe
	s.midnight, s.end = s.date(1), s.date(s.c.Days)
	s.today.loss = make([]float64, len(r.Constituents))
	s.rates = s.drawRates()
	if s.c.Rates != nil {
		s.rates = *s.c.Rates
		s.rates.Use, s.rates.Loss = maps.Clone(s.c.Rates.Use), maps.Clone(s.c.Rates.Loss)
	}
	s.bench = s.newBench()
	s.absences()

	metal, _ := r.Constituent(r.Metal)
	t := &s.tank
	t.metal, t.acid = s.index(metal.Name), -1
	t.charge, t.molarMetal = float64(r.Charge), molarMass(metal)
	n := len(r.Constituents) + 1 // the last is the foreign metal
	t.amount, t.books = make([]float64, n), make([]Account, n)
	var err error
	if t.metalUnit, err = chem.Unit("g/L").Convert(1, metal.Unit); err != nil {
		return fmt.Errorf("simulate: %s: %w", metal.Name, err)
	}
	if acid, ok := r.WithRole(chem.RoleAcid); ok {
		t.acid, t.molarAcid = s.index(acid.Name), molarMass(acid)
		if t.acidUnit, err = chem.Unit("g/L").Convert(1, acid.Unit); err != nil {
			return fmt.Errorf("simulate: %s: %w", acid.Name, err)
		}
	}
	for _, c := range r.Constituents {
		if c.Role != chem.RoleChloride {
			continue
		}
		if _, err := chem.Unit("mg/L").Convert(1, c.Unit); err != nil {
			return fmt.Errorf("simulate: %s: %w", c.Name, err)
		}
	}

	stated := map[string]chem.Measured{}
	t.volume = s.c.Volume * (1 + s.c.LevelU*s.chance.start.NormFloat64())
	t.volumeBook.Start = t.volume
	for i, c := range r.Constituents {
		z := s.chance.start.NormFloat64()
		conc, given := s.c.Composition[c.Name]
		if !given {
			conc = c.Target
			if c.Contaminant() {
				conc = 0.2 * c.High
			}
		}
		t.amount[i] = conc * t.volume
		t.books[i].Start = t.amount[i]
		if c.Contaminant() {
			continue
		}
		stated[c.Name] = s.number(conc*(1+s.c.FillU*z), c.Unit, s.c.FillU*conc, s.c.FillU == 0)
	}
	s.newDay()
	s.record()

	s.emit(chem.Begin{Volume: chem.MeasuredOf(s.c.Volume, "L", 0), Zone: s.c.Start.Location().String(), Recipe: s.c.RecipeText}, "")
	fill := chem.Fill{Volume: chem.MeasuredOf(s.c.Volume, "L", s.c.LevelU*s.c.Volume), Origin: chem.OriginMakeUp, Composition: stated}
	if s.c.NoFill {
		fill.Origin, fill.Composition = chem.OriginRunning, nil
	}
	s.emit(fill, "")
	s.firstAnodes()
	return s.err
}

// absences marks the days on which nobody comes in.
func (s *shop) absences() {
	s.absent = make([]bool, s.c.Days)
	mark := func(from, to int) {
		for d := max(from, 0); d < min(to, s.c.Days); d++ {
			s.absent[d] = true
		}
	}
	for _, a := range s.c.Away {
		mark(a[0], a[1])
	}
	u := s.c.Use
	for d := 14; d < s.c.Days; d++ {
		x, length := s.chance.use.Float64(), u.GapDays[0]+s.chance.use.IntN(max(1, u.GapDays[1]-u.GapDays[0]+1))
		if x < u.GapsPerYr/365 {
			mark(d, d+length)
			d += length
		}
	}
}

// away is how many days in a row nobody has come in, or will, around day d.
func (s *shop) away(d int) (since, until int) {
	for e := d - 1; e >= 0 && s.absent[e]; e-- {
		since++
	}
	for e := d; e < s.c.Days && s.absent[e]; e++ {
		until++
	}
	return since, until
}

// live lives through one day.
func (s *shop) live() {
	if s.day > 0 {
		s.rest(s.date(s.day).Add(8 * time.Hour))
	} else {
		s.wait(60)
	}
	s.morningFaults()
	since, until := s.away(s.day)
	s.planWeek()
	if s.absent[s.day] {
		if since == 0 && until >= 10 && s.c.PullAway {
			s.pullAll()
		}
		return
	}
	if len(s.pulled) > 0 {
		s.hangAgain()
	}
	if s.roundDue() || since >= 10 {
		s.wait(60 + s.chance.use.Float64()*50)
		s.round()
	}
	if ah := s.plan[s.day]; ah > 0 && s.err == nil {
		s.plate(ah)
	}
}

func (s *shop) roundDue() bool {
	first := s.c.FirstVisit
	if first == 0 {
		first = s.c.VisitDays
	}
	due := s.day == 0 || s.day >= first && (s.day-first)%s.c.VisitDays == 0
	skipped := s.chance.use.Float64() < s.c.SkipVisit
	return due && !(skipped && s.day > 0)
}

// planWeek says on Mondays, and at the start, on which days of the week how
// much is plated.
func (s *shop) planWeek() {
	monday := s.date(s.day).Weekday() == time.Monday
	if s.day > 0 && !monday {
		return
	}
	days := 7
	if s.day == 0 {
		days = (8 - int(s.date(0).Weekday())) % 7
		if days == 0 {
			days = 7
		}
	}
	g, u := s.chance.use, s.c.Use
	idle := g.Float64() < u.IdleWeek
	week := s.c.AhPerWeek / (1 - min(u.IdleWeek, 0.99)) * spread(g, u.Scatter) * float64(days) / 7
	sessions := 1 + g.IntN(max(1, u.Sessions))
	s.plan = map[int]float64{}
	// A free day is as likely as two or three evenings.
	var weights []float64
	for d := range days {
		w := 1.0
		if day := s.date(s.day + d).Weekday(); day == time.Saturday || day == time.Sunday {
			w = 2.5
		}
		weights = append(weights, w)
	}
	var chosen []int
	for range min(sessions, days) {
		total := 0.0
		for _, w := range weights {
			total += w
		}
		x := g.Float64() * total
		for d, w := range weights {
			if x -= w; x < 0 && w > 0 {
				chosen = append(chosen, d)
				weights[d] = 0
				break
			}
		}
	}
	parts, sum := make([]float64, len(chosen)), 0.0
	for i := range parts {
		parts[i] = 0.3 + g.Float64()
		sum += parts[i]
	}
	if idle {
		return
	}
	for i, d := range chosen {
		s.plan[s.day+d] = week * parts[i] / sum
	}
}

// plate runs a part for about ah ampere-hours.
func (s *shop) plate(ah float64) {
	g, n := s.chance.runs, s.c.Noise
	shown := math.Round(ah*10) / 10
	evening := 17.5 + 2*s.chance.use.Float64()
	if day := s.date(s.day).Weekday(); day == time.Saturday || day == time.Sunday {
		evening -= 5.5
	}
	amps := s.c.AhPerWeek / orElse(s.c.Use.WeekHours, 5) * spread(s.chance.use, 0.25)
	low, high := s.c.Use.RunRelated[0], s.c.Use.RunRelated[1]
	if high == 0 {
		low, high = 1, 2
	}
	density := low + (high-low)*s.chance.use.Float64()
	lateEntry := s.chance.use.Float64() < s.c.LateShare
	weighGain := s.chance.use.Float64() < s.c.GainShare
	if shown < 0.5 {
		return
	}
	hours := math.Round(min(max(shown/amps, 0.5), 10)*20) / 20
	start := s.date(s.day).Add(time.Duration(evening * float64(time.Hour))).Truncate(time.Minute)
	s.rest(start.Add(-20 * time.Minute))
	s.ask(s.c.Before)
	s.rest(start)
	if s.now.Add(time.Duration(hours * float64(time.Hour))).After(s.end) {
		return
	}

	p := s.atRest()
	p.etaA += n.AnodeEfficiency * g.NormFloat64()
	p.etaC += n.CathodeEfficiency * g.NormFloat64()
	drag := spread(g, n.DragOut)
	use, chloride := spread(g, n.Use), spread(g, n.ChlorideLoss)
	charge := shown * s.rates.Meter * (1 + n.Ammeter*g.NormFloat64())
	p.shares = s.shares()
	if s.c.Recipe.Anodes == "inert" {
		p.etaA = 0
	}
	s.record()
	before := s.tank.plated
	end := s.now.Add(time.Duration(math.Round(hours*3600)) * time.Second)
	running := func(q *pace) {
		q.amps = charge / hours
		q.etaA, q.etaC, q.shares = p.etaA, p.etaC, p.shares
		q.evaporate += s.rates.EvaporationRun * s.today.evaporation * 24
		for i := range q.sinks {
			if q.sinks[i].fade > 0 {
				q.sinks[i].perAh *= use
			} else {
				q.sinks[i].perAh *= chloride
			}
		}
	}
	if every := time.Duration(s.c.TopUpHours * float64(time.Hour)); every > 0 {
		for at := s.now.Add(every).Truncate(time.Minute); at.Before(end); at = at.Add(every) {
			s.advance(at, running)
			s.keepFull()
		}
	}
	s.advance(end, running)
	area := math.Round(shown/hours/density*10) / 10
	s.tank.remove(s.rates.DragOut*drag*charge+s.rates.DragOutArea*drag*area, draggedOut)
	in := s.rates.DragIn * charge
	s.tank.volume += in
	s.tank.volumeBook.DraggedIn += in
	s.charge += charge
	s.shown += shown
	s.plating += hours

	var body chem.Body = chem.Meter{Supply: "supply", Reading: chem.Measured{Number: chem.DecimalRound(s.shown, 1), Unit: "Ah"}}
	if !s.c.ByMeter {
		run := chem.Plate{
			Charge: chem.Measured{Number: chem.DecimalRound(shown, 1), Unit: "Ah"},
			Hours:  chem.DecimalRound(hours, 2), Area: chem.Measured{Number: chem.DecimalRound(area, 1), Unit: "dm2"},
		}
		if weighGain {
			run.Gain = s.gain(s.tank.plated-before, s.c.GainU)
		}
		body = run
	}
	s.record()
	if lateEntry && !s.c.ByMeter {
		s.late = append(s.late, s.fact(body, ""))
		return
	}
	s.emit(body, "")
	s.wait(5)
}

// keepFull fills up to the mark by eye, while a part is in.
func (s *shop) keepFull() {
	seen := s.tank.volume * (1 + s.c.LevelU*s.chance.pour.NormFloat64())
	m, ok := water(s.c.Recipe)
	if missing := s.c.Volume - seen; ok && missing >= 0.005*s.c.Volume {
		amount, _ := chem.Unit("L").Convert(missing, m.Unit)
		really := amount * max(0, 1+s.c.VolumeU*s.chance.pour.NormFloat64())
		s.record()
		s.pour(m, really)
		s.record()
		s.emit(chem.Add{Material: m.Name, Amount: chem.Measured{Number: significant(amount, 2), Unit: m.Unit}}, "")
	}
}

func (s *shop) gain(g, u float64) chem.Measured {
	z := s.chance.read.NormFloat64()
	if u == 0 {
		return chem.MeasuredOf(g, "g", 0)
	}
	return chem.Measured{Number: chem.DecimalRound(max(g+u*z, 0), 2), Unit: "g"}
}

// atRest is the pace of the day with no current.
func (s *shop) atRest() pace {
	r := s.rates
	p := pace{
		etaA: r.AnodeEfficiency - s.polarised, etaC: r.CathodeEfficiency,
		dissolve: r.Dissolution * s.today.dissolution, evaporate: r.Evaporation * s.today.evaporation,
		leak: s.leak, sludge: r.Sludge,
	}
	for i, c := range s.c.Recipe.Constituents {
		switch {
		case c.Role == chem.RoleOrganic:
			p.sinks = append(p.sinks, sink{i: i, perAh: r.Use[c.Name], perDay: r.Loss[c.Name] * s.today.loss[i], fade: 0.02 * orElse(c.Target, 1), target: orElse(c.Target, 1)})
		case c.Role == chem.RoleChloride && c.Target > 0:
			perAh, _ := chem.Unit("mg/L").Convert(r.ChlorideLoss, c.Unit) // checked when the tank was made
			p.sinks = append(p.sinks, sink{i: i, perAh: perAh, target: c.Target})
		}
	}
	return p
}

func (s *shop) rest(to time.Time) { s.advance(to, func(*pace) {}) }

func (s *shop) wait(minutes float64) {
	s.rest(s.now.Add(time.Duration(minutes * float64(time.Minute))).Truncate(time.Minute))
}

// advance lets time pass until to, in small steps, with the day's scatter drawn
// anew at every midnight. change adds what is different from rest.
func (s *shop) advance(to time.Time, change func(*pace)) {
	for s.now.Before(to) {
		until := to
		if s.midnight.Before(until) {
			until = s.midnight
		}
		p := s.atRest()
		change(&p)
		largest := restStep
		if p.amps > 0 {
			largest = runStep
		}
		hours := until.Sub(s.now).Hours()
		n := int(math.Ceil(hours / largest))
		for range n {
			s.tank.step(hours/float64(n), p)
		}
		s.now = until
		if until.Equal(s.midnight) {
			s.newDay()
			y, m, d := s.midnight.Date()
			s.midnight = time.Date(y, m, d+1, 0, 0, 0, 0, s.midnight.Location())
			s.record()
		}
	}
}

// record keeps what is true now.
func (s *shop) record() {
	t := &s.tank
	out := Truth{
		Time: s.now.UTC(), Volume: t.volume, Amount: make(map[string]float64, len(t.amount)), Anodes: map[string]float64{},
		Books: make(map[string]Account, len(t.amount)), Water: t.volumeBook, Rates: s.rates, Charge: s.charge, Shown: s.shown, Plating: s.plating,
		Metal: Metal{Hung: s.hung, Dissolved: t.dissolved, Sludge: t.sludge, Plated: t.plated},
	}
	for i, c := range s.c.Recipe.Constituents {
		out.Amount[c.Name] = t.amount[i]
		out.Books[c.Name] = t.books[i]
	}
	if foreign := t.amount[len(t.amount)-1]; foreign > 0 {
		out.Amount[Foreign], out.Books[Foreign] = foreign, t.books[len(t.amount)-1]
	}
	out.Rates.AnodeEfficiency -= s.polarised
	out.Rates.Use, out.Rates.Loss = maps.Clone(s.rates.Use), maps.Clone(s.rates.Loss)
	for _, a := range t.anodes {
		out.Anodes[a.id] = a.mass / 1e3
	}
	for _, a := range s.put {
		out.Metal.Anodes += a.mass
	}
	s.run.Truth = append(s.run.Truth, out)
}

// fact makes a fact of now.
func (s *shop) fact(b chem.Body, note string) chem.Fact {
	bath := s.c.Name
	if b.Kind().OfShop() {
		bath = ""
	}
	when := s.now.UTC().Truncate(time.Microsecond)
	return chem.Fact{Time: when, Bath: bath, Note: note, Body: b, ID: s.newID(when)}
}

// newID makes a UUID of version 7 (RFC 9562) from the time and the seed.
func (s *shop) newID(t time.Time) (id [16]byte) {
	ms := uint64(t.UnixMilli())
	for i := range 6 {
		id[i] = byte(ms >> (40 - 8*i))
	}
	a, b := s.chance.names.Uint64(), s.chance.names.Uint64()
	for i := range 8 {
		id[8+i] = byte(a >> (8 * i))
	}
	id[6], id[7] = 0x70|byte(b)&0x0f, byte(b>>8)
	id[8] = 0x80 | id[8]&0x3f
	return id
}

func (s *shop) emit(b chem.Body, note string) chem.Fact {
	f := s.fact(b, note)
	s.enter(f)
	return f
}

func (s *shop) enter(f chem.Fact) {
	at := s.now.UTC().Add(time.Minute)
	if !at.After(s.entered) {
		at = s.entered.Add(time.Second)
	}
	s.entered = at
	s.numbers[f.Bath]++
	f.Entered, f.Number = at, s.numbers[f.Bath]
	s.run.Facts = append(s.run.Facts, f)
}

// flush enters what was put off.
func (s *shop) flush() {
	for _, f := range s.late {
		s.enter(f)
	}
	s.late = nil
}
