package entry

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"steadybath/chem"
	"steadybath/chem/estimate"
)

// Doubt is something unlikely about a fact, as a question to answer before it
// is entered.
type Doubt struct {
	Why  string // one sentence
	Slip string // what may have been meant, such as "51.8 g/L"; empty where nothing fits
	Hint string // what to type instead, or why it may be right; empty where there is nothing special
}

func (d Doubt) String() string {
	if d.Slip == "" {
		return d.Why
	}
	return d.Why + "; did you mean " + d.Slip + "?"
}

// FarOff is how many standard deviations from the estimate a reading is asked
// about.
const FarOff = 6.0

// Limits of what is asked about.
const (
	anyBath     = 2.5   // times the window's upper limit: beyond what any bath of the kind shows
	bigStep     = 0.5   // of the target: an addition that moves a constituent further is asked about
	noStep      = 0.002 // of the target: an addition that moves it less is not what was meant
	overDensity = 1.5   // times the recipe's highest cathode density
	tankSlack   = 1.05  // times the tank's mark: a level above it is asked about
	gainSlack   = 1.1   // times the weight, or the mean thickness, that the charge can deposit
	gainShort   = 0.8   // times the weight that the charge is expected to deposit
	thinShort   = 0.5   // times the mean thickness that it is expected to deposit: measured at a few places
	mostRun     = 20.0  // Ah per litre of bath at once: more than anybody plates in a run
	chlorineAt  = 1.0   // g/L chloride from which inert anodes make chlorine gas worth the name
)

// Check judges fact f of bath b. now is the present moment; a fact of the
// future, before the bath began, or impossible for it is an error that says
// what would fit.
func Check(b *estimate.Bath, f chem.Fact, now time.Time) ([]Doubt, error) {
	if f.Time.After(now.Add(time.Minute)) {
		return nil, fmt.Errorf("%s lies in the future; facts are what has happened", f.Time.Format(time.RFC3339))
	}
	at := f.Time
	if at.Before(b.Began) {
		at = b.Began
	}
	e, err := b.At(at, estimate.Options{})
	if err != nil {
		return nil, err
	}
	c := checker{e: e, r: e.Recipe, f: f}
	if f.Time.Before(b.Began) {
		c.ask("", "%s is before anything known of bath %s, which begins on %s", f.Time.Format(time.DateOnly), b.Name, b.Began.Format(time.DateOnly))
		c.hint(`if the record really goes back that far, say so: --force "from the paper log"`)
	}
	if err := c.check(); err != nil {
		return nil, err
	}
	return c.doubts, nil
}

type checker struct {
	e      *estimate.Estimate
	r      *chem.Recipe
	f      chem.Fact
	doubts []Doubt
}

func (c *checker) ask(slip, format string, args ...any) {
	c.doubts = append(c.doubts, Doubt{Why: fmt.Sprintf(format, args...), Slip: slip})
}

// hint goes with the doubt asked last.
func (c *checker) hint(format string, args ...any) {
	c.doubts[len(c.doubts)-1].Hint = fmt.Sprintf(format, args...)
}

func (c *checker) check() error {
	if err := notNegative(c.f.Body); err != nil {
		return err
	}
	switch body := c.f.Body.(type) {
	case chem.Assay:
		return c.assay(body)
	case chem.Panel:
		return c.panel(body)
	case chem.Level:
		return c.level(body)
	case chem.Fill:
		return c.fill(body)
	case chem.Plate:
		return c.plate(body)
	case chem.Add:
		return c.add(body)
	case chem.Meter:
		c.meter(body)
	case chem.Setting:
		return c.setting(body)
	case chem.Treat:
		c.treat(body)
	case chem.Bail:
		if v := body.Volume.Value("L"); v > c.e.High90V {
			return fmt.Errorf("%s cannot be bailed out of a bath of %.1f L", body.Volume, c.e.Volume)
		} else if v > c.e.Volume/2 {
			c.ask(smaller(body.Volume, func(m chem.Measured) bool { return m.Value("L") <= c.e.Volume/2 }), "%s is more than half of the bath", body.Volume)
		}
	case chem.Hang:
		return c.hang(body)
	case chem.Weigh:
		return c.weigh(body.Anode, body.Mass)
	case chem.Pull:
		if strings.EqualFold(body.Anode, chem.AllAnodes) {
			if len(c.e.Anodes) == 0 {
				return fmt.Errorf("no anode hangs in bath %s on %s", c.e.Bath.Name, c.f.Time.Format(time.DateOnly))
			}
			return nil
		}
		return c.weigh(body.Anode, body.Mass)
	}
	return nil
}

// notNegative refuses what cannot be below zero.
func notNegative(body chem.Body) error {
	what, m := "", chem.Measured{}
	switch b := body.(type) {
	case chem.Assay:
		if b.Of == "temperature" || b.Of == "pH" {
			return nil
		}
		what, m = "a reading", b.Value
	case chem.Level:
		what, m = "a level", b.Volume
	case chem.Fill:
		what, m = "a filling", b.Volume
	case chem.Plate:
		what, m = "a charge", b.Charge
	case chem.Add:
		what, m = "an addition", b.Amount
	case chem.Bail:
		what, m = "a bail-out", b.Volume
	case chem.Weigh:
		what, m = "a mass", b.Mass
	}
	if m.Number.Float() < 0 {
		return fmt.Errorf("%s of %s is below zero", what, m)
	}
	return nil
}

// smaller looks for the slip of a tired hand in an amount: the point one place
// too far right, or the unit a thousand times too large.
func smaller(typed chem.Measured, fits func(chem.Measured) bool) string {
	m := chem.Measured{Number: chem.DecimalRound(typed.Number.Float()*0.1, typed.Number.Places()+1), Unit: typed.Unit}
	if m.Number.Given() && fits(m) {
		return m.String()
	}
	milli := map[chem.Unit]chem.Unit{"L": "mL", "kg": "g", "g": "mg"}
	if unit, ok := milli[typed.Unit]; ok {
		if m := (chem.Measured{Number: typed.Number, Unit: unit}); fits(m) {
			return m.String()
		}
	}
	return ""
}

// constituent finds a constituent of the bath, or says which there are.
func (c *checker) constituent(name string) (estimate.Constituent, error) {
	var have []string
	for _, x := range c.e.Constituents {
		if strings.EqualFold(x.Name, name) {
			return x, nil
		}
		have = append(have, x.Name)
	}
	return estimate.Constituent{}, fmt.Errorf("bath %s has no %s; it has %s", c.e.Bath.Name, name, strings.Join(have, ", "))
}

// density asks about a hydrometer reading that the bath as it is known cannot give.
func (c *checker) density(a chem.Assay, value float64) {
	for _, x := range c.e.Constituents {
		if !x.Known && !x.Contaminant() && x.Role != chem.RoleOrganic {
			return
		}
	}
	if want, u, ok := c.e.Density(a); ok && math.Abs(value-want) > FarOff*u {
		c.ask("", "a density of %s is %.0f standard deviations from what is in the bath, %.4f ± %.4f g/cm3", a.Value, math.Abs(value-want)/u, want, u)
	}
}

func (c *checker) assay(a chem.Assay) error {
	if lo, hi, unit, ok := bulk(a.Of); ok {
		value, _, err := a.Value.In(unit)
		if err != nil {
			return fmt.Errorf("%s of %s: %w", a.Value, a.Of, err)
		}
		if value < lo || value > hi {
			c.ask("", "%s %s is outside %g to %g %s, where baths are", a.Of, strings.TrimSuffix(a.Value.String(), " pH"), lo, hi, unit)
		} else if unit == "g/cm3" {
			c.density(a, value)
		}
		return nil
	}
	x, err := c.constituent(a.Of)
	if err != nil {
		return err
	}
	value, _, err := a.Value.In(x.Unit)
	if err != nil {
		return fmt.Errorf("%s of %s: %w", a.Value, x.Name, err)
	}
	c.concentration(x, value, a.Value)
	return nil
}

// bulk gives the range in which the readings of a bath as a whole lie, in unit:
// wide of every plating bath, common practice, no source.
func bulk(of string) (lo, hi float64, unit chem.Unit, ok bool) {
	switch of {
	case "pH":
		return -1, 14, "pH", true
	case "temperature":
		return -10, 95, "degC", true
	case "density":
		return 0.95, 1.6, "g/cm3", true
	}
	return 0, 0, "", false
}

// concentration asks about a reading that no bath of the kind shows, or that
// lies far from what this bath should show.
func (c *checker) concentration(x estimate.Constituent, value float64, typed chem.Measured) {
	u := x.U
	own := typed.Uncertainty(x.Unit, x.AssayU*math.Max(x.Value, value))
	off := (value - x.Value) / math.Hypot(u, own)
	highest := anyBath * math.Max(x.High, x.Target)
	switch {
	case x.Known && math.Abs(off) > FarOff:
		c.ask(c.slip(x, typed), "%s %s is %.0f standard deviations from the estimate, %s %s", x.Name, c.said(typed), math.Abs(off), between(x.Value, u), x.Unit)
	case highest > 0 && value > highest:
		c.ask(c.slip(x, typed), "%s %s is more than any bath of this kind shows; its window is %s", x.Name, c.said(typed), window(x))
	case x.Low > 0 && value < x.Low/anyBath/4:
		c.ask(c.slip(x, typed), "%s %s is less than any bath of this kind shows; its window is %s", x.Name, c.said(typed), window(x))
	}
}

// said repeats a reading: as typed, or rounded where a titration was computed.
func (c *checker) said(typed chem.Measured) string {
	if a, ok := c.f.Body.(chem.Assay); ok && a.Titration != nil && len(a.Titration.Delivered) > 0 {
		delivered := make([]string, len(a.Titration.Delivered))
		for i, d := range a.Titration.Delivered {
			delivered[i] = string(d)
		}
		return fmt.Sprintf("%.3g %s (%s mL)", typed.Number.Float(), typed.Unit, strings.Join(delivered, ", "))
	}
	return typed.String()
}

// between writes a value and its standard uncertainty, the value to the same
// digits.
func between(value, u float64) string {
	if !(u > 0) {
		return short(value)
	}
	places := min(max(0, 1-int(math.Floor(math.Log10(u)))), 6)
	return fmt.Sprintf("%.*f ± %.*f", places, value, places, u)
}

// window writes the window of a constituent, or the limit of a contaminant.
func window(x estimate.Constituent) string {
	if x.Contaminant() {
		return fmt.Sprintf("up to %s %s", short(x.High), x.Unit)
	}
	return fmt.Sprintf("%s to %s %s", short(x.Low), short(x.High), x.Unit)
}

// slip names what was meant where one of the usual slips explains a reading: in
// what the burette delivered, for a titration, else in the concentration.
func (c *checker) slip(x estimate.Constituent, typed chem.Measured) string {
	reach := 3*x.U + 0.05*x.Value
	fits := func(value float64) bool {
		v, err := typed.Unit.Convert(value, x.Unit)
		return err == nil && math.Abs(v-x.Value) <= reach
	}
	if a, ok := c.f.Body.(chem.Assay); ok && a.Titration != nil && len(a.Titration.Delivered) > 0 {
		return c.titreSlip(*a.Titration, typed.Number.Float(), fits)
	}
	for _, d := range slips(typed.Number) {
		if fits(d.Float()) {
			return chem.Measured{Number: d, Unit: typed.Unit}.String()
		}
	}
	return ""
}

// titreSlip looks for a slip in one delivered volume: the concentration goes by
// the mean of them, less the blank.
func (c *checker) titreSlip(t chem.Titration, value float64, fits func(float64) bool) string {
	sum := 0.0
	for _, d := range t.Delivered {
		sum += d.Float()
	}
	n := float64(len(t.Delivered))
	net := sum/n - t.Blank.Float()
	if net <= 0 {
		return ""
	}
	for _, was := range t.Delivered {
		for _, d := range slips(was) {
			if fits(value * (net + (d.Float()-was.Float())/n) / net) {
				return string(d) + " mL"
			}
		}
	}
	return ""
}

// slips are what a tired hand may have meant by a number: the decimal point one
// place off, or two neighbouring digits swapped.
func slips(typed chem.Decimal) []chem.Decimal {
	places := typed.Places()
	out := []chem.Decimal{chem.DecimalRound(typed.Float()/10, places+1), chem.DecimalRound(typed.Float()*10, max(0, places-1))}
	digits := []byte(typed)
	for i := 0; i+1 < len(digits); i++ {
		j := i + 1
		if digits[j] == '.' && j+1 < len(digits) {
			j++
		}
		if digits[i] == '.' || digits[i] == digits[j] {
			continue
		}
		swapped := append([]byte(nil), digits...)
		swapped[i], swapped[j] = swapped[j], swapped[i]
		if d, err := chem.ParseDecimal(string(swapped)); err == nil {
			out = append(out, d)
		}
	}
	return out
}

func (c *checker) panel(p chem.Panel) error {
	x, err := c.constituent(p.Of)
	if err != nil {
		return err
	}
	if x.Role != chem.RoleOrganic {
		var organics []string
		for _, o := range c.e.Constituents {
			if o.Role == chem.RoleOrganic {
				organics = append(organics, o.Name)
			}
		}
		return fmt.Errorf("a panel is read for an organic (%s); %s is titrated", strings.Join(organics, ", "), x.Name)
	}
	if p.Value.Given() {
		value, _, err := p.Value.In(x.Unit)
		if err != nil {
			return fmt.Errorf("%s of %s: %w", p.Value, x.Name, err)
		}
		if highest := anyBath * math.Max(x.High, x.Target); highest > 0 && value > highest {
			c.ask(c.slip(x, p.Value), "%s %s is more than any bath of this kind shows; its window is %s", x.Name, p.Value, window(x))
		}
	}
	c.trial(x, p)
	return nil
}

func (c *checker) level(l chem.Level) error {
	v := l.Volume.Value("L")
	most := c.e.Bath.Most()
	off := (v - c.e.Volume) / math.Hypot(c.e.UVolume, l.Volume.Uncertainty("L", 0.005*v))
	switch {
	case v > 3*most:
		d := Doubt{Why: fmt.Sprintf("a level of %s cannot be: the bath is run at %.0f L", l.Volume, c.e.Bath.Volume),
			Slip: smaller(l.Volume, func(m chem.Measured) bool { return m.Value("L") <= most })}
		return errors.New(d.String())
	case v > tankSlack*most:
		c.ask("", "a level of %s is above the tank's mark of %.0f L", l.Volume, most)
	case math.Abs(off) > FarOff && math.Abs(v-c.e.Volume) > 0.05*c.e.Volume:
		c.ask("", "a level of %s is %.0f standard deviations from the estimate, %.1f ± %.1f L; parts out, air off?", l.Volume, math.Abs(off), c.e.Volume, c.e.UVolume)
	}
	return nil
}

func (c *checker) fill(f chem.Fill) error {
	for name, m := range f.Composition {
		x, err := c.constituent(name)
		if err != nil {
			return err
		}
		value, _, err := m.In(x.Unit)
		if err != nil {
			return fmt.Errorf("%s of %s: %w", m, name, err)
		}
		if highest := anyBath * math.Max(x.High, x.Target); value > highest {
			c.ask("", "%s %s is more than any bath of this kind holds", x.Name, m)
		}
	}
	for _, old := range c.e.Bath.Facts {
		if _, again := old.Body.(chem.Fill); again && !old.Time.After(c.f.Time) {
			c.ask("", "bath %s was filled on %s already, and a second filling begins it anew", c.e.Bath.Name, old.Time.Format(time.DateOnly))
			c.hint(`steadybath void %d because incomplete, if that one was wrong; if the tank was really filled anew, --force "made up anew"`, old.Number)
			break
		}
	}
	if v := f.Volume.Value("L"); v > tankSlack*c.e.Bath.Most() {
		c.ask("", "a filling of %s is above the tank's mark of %.0f L", f.Volume, c.e.Bath.Most())
	}
	return nil
}

func (c *checker) plate(p chem.Plate) error {
	q := p.Charge.Value("Ah")
	if h := p.Hours.Float(); h > 0 && p.Area.Number.Float() > 0 {
		density := q / h / p.Area.Value("dm2")
		if most := c.r.Limits.CathodeDensity[1]; most > 0 && density > overDensity*most {
			c.ask("", "%s in %s h on %s is %.1f A/dm2 on average, and the recipe's limit is %.1f A/dm2", p.Charge, p.Hours, p.Area, density, most)
		}
	}
	c.again(p)
	if y, ok := c.e.Yield(); ok {
		c.deposit(p, q, y)
	}
	if most := mostRun * c.e.Volume; q > most {
		c.ask("", "%s in one run is very much for a bath of %.0f L", p.Charge, c.e.Volume)
	}
	return nil
}

// again asks about a run that is in the log already, or that would have run in the
// tank at the same time as another.
func (c *checker) again(p chem.Plate) {
	hours := func(p chem.Plate) time.Duration { return time.Duration(p.Hours.Float() * float64(time.Hour)) }
	for _, f := range c.e.Bath.Facts {
		o, ok := f.Body.(chem.Plate)
		if !ok {
			continue
		}
		both := min(c.f.Time.Sub(f.Time.Add(-hours(o))), f.Time.Sub(c.f.Time.Add(-hours(p))), hours(o), hours(p))
		switch {
		case f.Time.Sub(c.f.Time).Abs() < time.Minute && o.Charge.Value("Ah") == p.Charge.Value("Ah") && o.Hours == p.Hours && o.Part == p.Part && p.Hours.Given():
			c.ask("", "fact %d says the same already: %s in %s h, ended then", f.Number, o.Charge, o.Hours)
		case both > overlap:
			c.ask("", "fact %d, %s in %s h, was in the tank at the same time for %.1f h", f.Number, o.Charge, o.Hours, both.Hours())
		default:
			continue
		}
		c.hint(`if it is another run all the same, say so: --force "on a second supply"`)
		return
	}
}

// overlap is for how long two runs may be in the tank at once without a question:
// clocks and memory are no better, an assumption of this project.
const overlap = 20 * time.Minute

// deposit asks about a weight gain or a mean thickness that the charge contradicts:
// more than Faraday's law gives, or far less than the bath plates.
func (c *checker) deposit(p chem.Plate, q float64, y estimate.Yield) {
	most, usual := q*y.Faraday, q*y.PerAh
	least := usual - 3*q*y.U
	if p.Gain.Given() {
		switch gain := p.Gain.Value("g"); {
		case gain > gainSlack*most:
			c.ask("", "%s can deposit at most %.3g g of %s, not %s: is the part dry, and the charge right?", p.Charge, most, c.r.Metal, p.Gain)
		case gain < gainShort*least:
			c.ask("", "%s deposit about %s g of %s, and %s were gained: were all parts weighed, and is the charge right?", p.Charge, short(usual), c.r.Metal, p.Gain)
		}
	}
	density := c.r.Deposit
	if d, err := chem.MetalDensity(c.r.Metal); err == nil && density == 0 {
		density = d.Value
	}
	if !p.Thickness.Given() || !p.Area.Given() || !(p.Area.Value("dm2") > 0) || density == 0 {
		return
	}
	perUm := density * p.Area.Value("dm2") / 100 // g per um: 1 um on 1 dm2 is 0.01 cm3
	switch t := p.Thickness.Value("um"); {
	case t > gainSlack*most/perUm:
		c.ask("", "%s on %s can deposit at most %s um of %s on average, not %s: an edge may have several times the mean; are charge and area right?",
			p.Charge, p.Area, short(most/perUm), c.r.Metal, p.Thickness)
	case t < thinShort*least/perUm:
		c.ask("", "%s on %s deposit about %s um of %s on average, and %s is stated: are charge and area right?", p.Charge, p.Area, short(usual/perUm), c.r.Metal, p.Thickness)
	}
}

func (c *checker) add(a chem.Add) error {
	m, ok := c.r.Material(a.Material)
	if !ok {
		have := make([]string, len(c.r.Materials))
		for i, m := range c.r.Materials {
			have[i] = m.Name
		}
		return fmt.Errorf("the recipe of bath %s has no material %q; it has %s", c.e.Bath.Name, a.Material, strings.Join(have, ", "))
	}
	x, _, err := a.Amount.In(m.Unit)
	if err != nil {
		if x, err = m.Amount(a.Amount); err != nil {
			return fmt.Errorf("%s of %s: %w", a.Amount, m.Name, err)
		}
	}
	names := slices.Sorted(maps.Keys(m.Brings))
	for _, name := range names {
		con, err := c.constituent(name)
		if err != nil || con.Target <= 0 {
			continue
		}
		per := m.Brings[name] / math.Max(c.e.Volume, 1)
		by, after := per*x, con.Value+per*x
		fits := func(a chem.Measured) bool {
			y, err := m.Amount(a)
			return err == nil && y > 0 && con.Value+per*y <= math.Max(con.High, con.Value+0.02*con.Target) && per*y <= bigStep*con.Target && per*y >= noStep*con.Target
		}
		switch {
		case by > bigStep*con.Target:
			c.ask(smaller(a.Amount, fits), "%s of %s raises %s by %s %s, more than half of its target", a.Amount, m.Name, con.Name, short(by), con.Unit)
		case con.Known && by > 0 && con.High > 0 && after-2*con.U > con.High:
			c.ask(smaller(a.Amount, fits), "%s of %s takes %s from %s to %s %s, above its window of %s", a.Amount, m.Name, con.Name, short(con.Value), short(after), con.Unit, window(con))
		case after < 0 && con.Known:
			c.ask(smaller(a.Amount, fits), "%s of %s uses up more %s than the bath holds", a.Amount, m.Name, con.Name)
		}
	}
	if v := c.e.Volume + m.Litres*x; v > 1.1*c.e.Bath.Most() {
		c.ask(smaller(a.Amount, func(a chem.Measured) bool {
			y, err := m.Amount(a)
			return err == nil && c.e.Volume+m.Litres*y <= tankSlack*c.e.Bath.Most()
		}), "%s of %s brings the level to %.1f L, above the tank's mark of %.0f L", a.Amount, m.Name, v, c.e.Bath.Most())
	}
	return nil
}

func (c *checker) hang(h chem.Hang) error {
	if h.Form == "inert" {
		if g := c.chloride(); g > chlorineAt {
			return fmt.Errorf("an inert anode makes chlorine gas in a bath with about %s g/L chloride; soluble anodes fit it", short(g))
		}
		if c.r.Anodes == "soluble" {
			c.ask("", "the recipe of bath %s counts on soluble anodes, and %s is inert: metal falls and acid rises as it plates", c.e.Bath.Name, h.Anode)
		}
	}
	if h.TopUp {
		return c.topUp(h)
	}
	for _, f := range c.e.Bath.Facts {
		if p, ok := f.Body.(chem.Pull); ok && f.Time.Equal(c.f.Time) && (strings.EqualFold(p.Anode, h.Anode) || strings.EqualFold(p.Anode, chem.AllAnodes)) {
			return fmt.Errorf("%s was pulled at that very moment, and of one moment the pull counts last; a minute later would fit", h.Anode)
		}
	}
	for _, a := range c.e.Anodes {
		if !strings.EqualFold(a.ID, h.Anode) {
			continue
		}
		if a.Form == "nuggets" && !math.IsNaN(a.Mass) && h.Mass.Given() && h.Mass.Value("kg") < a.Mass-3*math.Hypot(a.U, 0.01) {
			return fmt.Errorf("%s hangs already, with about %.2f kg in it; hung again, %s is all that it holds, and that is less: top it up by what went in, weigh it, or pull it first", a.ID, a.Mass, h.Mass)
		}
		if a.Form != "nuggets" {
			return fmt.Errorf("anode %s already hangs in bath %s, since %s; pull it first, or give the new one another name", a.ID, c.e.Bath.Name, a.Hung.Format(time.DateOnly))
		}
	}
	return nil
}

// overfull is how many times as much as a basket was ever seen to hold goes in
// without a question: an assumption of this project.
const overfull = 1.5

func (c *checker) topUp(h chem.Hang) error {
	var have []string
	for _, a := range c.e.Anodes {
		have = append(have, a.ID)
		if !strings.EqualFold(a.ID, h.Anode) {
			continue
		}
		switch {
		case a.Form == "inert":
			return fmt.Errorf("anode %s is inert, so nothing of it dissolves and nothing is topped up", a.ID)
		case !h.Mass.Given():
			return fmt.Errorf("how much went into %s is not said; a mass such as 0.8 kg would fit", a.ID)
		case math.IsNaN(a.Mass):
			c.ask("", "nobody has weighed %s, so what it holds now stays unknown; weigh it and hang it again with its whole mass", a.ID)
		case a.Form == "slab" || a.Form == "bar":
			c.ask("", "%s is a %s, and those do not grow; a basket of nuggets is topped up", a.ID, a.Form)
		case a.Mass+h.Mass.Value("kg") > overfull*a.Started:
			fits := "it is about full"
			if room := a.Started - a.Mass; room >= 0.01 {
				fits = fmt.Sprintf("about %.2f kg more would fit", room)
			}
			c.ask("", "%s holds about %.2f kg and was never seen to hold more than %.2f kg; %s, and %s may be too much", a.ID, a.Mass, a.Started, fits, h.Mass)
		}
		return nil
	}
	if len(have) == 0 {
		return fmt.Errorf("no anode hangs in bath %s on %s; hang the basket first", c.e.Bath.Name, c.f.Time.Format(time.DateOnly))
	}
	return fmt.Errorf("no anode %s hangs in bath %s on %s; there is %s", h.Anode, c.e.Bath.Name, c.f.Time.Format(time.DateOnly), strings.Join(have, ", "))
}

// chloride is about how much chloride the bath holds, g/L. A salt that is kept as
// such counts as nickel chloride hexahydrate: 2·35.45 of 237.69 g/mol, IUPAC 2021.
func (c *checker) chloride() float64 {
	sum := 0.0
	for _, x := range c.e.Constituents {
		share := 0.0
		switch {
		case x.Role == chem.RoleChloride || strings.EqualFold(x.Name, "chloride"):
			share = 1
		case strings.Contains(strings.ToLower(x.Name), "chloride"):
			share = 2 * 35.45 / 237.69
		}
		if g, err := x.Unit.Convert(math.Max(x.Value, x.Target), "g/L"); err == nil {
			sum += share * g
		}
	}
	return sum
}

func (c *checker) weigh(anode string, mass chem.Measured) error {
	var have []string
	for _, a := range c.e.Anodes {
		if strings.EqualFold(a.ID, anode) {
			if mass.Given() && a.Last > 0 && mass.Value("kg") > a.Last+0.02 {
				c.ask("", "anode %s weighed %.3f kg when it was hung, and anodes do not grow: %s; is it rinsed and dry, or is there salt on it?", a.ID, a.Last, mass)
				if a.Form == "nuggets" {
					c.hint("where more was put in: steadybath anode top-up %s, with what went in", a.ID)
				}
			} else if off := c.offMass(a, mass); off > FarOff {
				c.ask("", "anode %s at %s is %.0f standard deviations from what the log leaves of it, %.3f ± %.3f kg", a.ID, mass, off, a.Mass, a.U)
			}
			return nil
		}
		have = append(have, a.ID)
	}
	if t, ok := c.lastPulled(anode); ok && len(have) == 0 {
		return fmt.Errorf("anode %s was pulled on %s, and no anode hangs in bath %s on %s", anode, t.Format(time.DateOnly), c.e.Bath.Name, c.f.Time.Format(time.DateOnly))
	}
	if len(have) == 0 {
		return fmt.Errorf("no anode hangs in bath %s on %s; hang it first", c.e.Bath.Name, c.f.Time.Format(time.DateOnly))
	}
	if t, ok := c.lastPulled(anode); ok {
		return fmt.Errorf("anode %s was pulled on %s and does not hang in bath %s on %s; there is %s", anode, t.Format(time.DateOnly), c.e.Bath.Name, c.f.Time.Format(time.DateOnly), strings.Join(have, ", "))
	}
	return fmt.Errorf("no anode %s hangs in bath %s on %s; there is %s", anode, c.e.Bath.Name, c.f.Time.Format(time.DateOnly), strings.Join(have, ", "))
}

// lastPulled is when an anode that does not hang was pulled; ok is false where it
// never hung.
func (c *checker) lastPulled(anode string) (t time.Time, ok bool) {
	hung := false
	for _, f := range c.e.Bath.Facts {
		if f.Time.After(c.f.Time) {
			break
		}
		switch body := f.Body.(type) {
		case chem.Hang:
			hung = hung || strings.EqualFold(body.Anode, anode)
		case chem.Pull:
			if hung && (strings.EqualFold(body.Anode, anode) || strings.EqualFold(body.Anode, chem.AllAnodes)) {
				t, ok, hung = f.Time, true, false
			}
		}
	}
	return t, ok
}

// offMass is by how many standard deviations a weighing is off; 0 where nothing
// is known of the anode.
func (c *checker) offMass(a estimate.Anode, mass chem.Measured) float64 {
	if !mass.Given() || math.IsNaN(a.Mass) || a.U <= 0 {
		return 0
	}
	return math.Abs(mass.Value("kg")-a.Mass) / math.Hypot(a.U, mass.Uncertainty("kg", 0.005))
}

func short(x float64) string {
	rounded, _ := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 3, 64), 64) // what was formatted can be read
	return strconv.FormatFloat(rounded, 'f', -1, 64)
}
