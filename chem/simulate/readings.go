package simulate

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"steadybath/chem"
)

// Usual volumes, common practice, no source: a titration's sample, the cell of a
// 267 mL panel, a drop.
const (
	usualSample = 20.0  // mL
	panelSample = 267.0 // mL
	drop        = 0.05  // mL; bounds an end point seen by eye where the method states nothing: common practice, no source
)

// bench is the glassware and the bottles that the shop titrates with.
type bench struct {
	pipette map[string]float64 // true over nominal less 1, by method
	burette map[string]float64 // mL, by method
	lots    map[string]*lot    // by titrant
	strong  map[string]float64 // constituents titrated from the wrong bottle in this round
}

type lot struct {
	name  string
	off   float64 // true over nominal molarity, less 1
	until int     // day on which it is empty
	blank float64 // mL, error of the blank with the reagents opened beside it
}

func (s *shop) newBench() bench {
	b := bench{pipette: map[string]float64{}, burette: map[string]float64{}, lots: map[string]*lot{}, strong: map[string]float64{}}
	for _, m := range s.c.Recipe.Methods {
		p, u := triangular(s.chance.read), triangular(s.chance.read)
		if m.Aliquot > 0 {
			b.pipette[m.Name] = s.c.Bench * p * m.UAliquot / m.Aliquot
		}
		b.burette[m.Name] = s.c.Bench * u * m.UBurette
	}
	return b
}

// round is the shop's round of readings: level, water, samples, dose.
func (s *shop) round() {
	s.flush()
	clear(s.bench.strong)
	s.level()
	s.ask(s.c.Water)
	s.wait(15)
	if f, ok := s.due(WrongTitrant, func(f Fault) bool { return s.titrated(s.faultConstituent(f)) }); ok {
		f.Of, f.Size = s.faultConstituent(f), orElse(f.Size, 0.04)
		s.bench.strong[f.Of] = f.Size
		s.happened(f, [16]byte{})
	}
	if s.c.Read != nil {
		list := s.run.Facts
		for _, name := range s.c.Read(list[:len(list):len(list)], s.now.UTC()) {
			s.readAgain(name)
		}
	} else {
		for _, c := range s.c.Recipe.Constituents {
			if c.Contaminant() && s.rounds%8 != 0 {
				continue
			}
			s.read(c)
		}
	}
	if s.c.AnodeDays > 0 && s.day > 0 && s.day-s.weighed >= s.c.AnodeDays {
		s.weighAnodes()
	}
	s.rounds++
	s.ask(s.c.Dose)
}

func (s *shop) faultConstituent(f Fault) string {
	if f.Of == "" {
		return s.c.Recipe.Constituents[s.tank.metal].Name
	}
	c, _ := s.c.Recipe.Constituent(f.Of)
	return c.Name
}

func (s *shop) titrated(constituent string) bool {
	c, ok := s.c.Recipe.Constituent(constituent)
	m, has := s.c.Recipe.Method(constituent, "")
	return ok && has && usable(c, m)
}

func usable(c chem.Constituent, m chem.Method) bool {
	_, err := c.Unit.Convert(1, "g/L")
	return err == nil && m.Aliquot > 0 && m.Molarity > 0 && m.Ratio > 0 && (m.MolarMass > 0 || molarMass(c) > 0)
}

func (s *shop) level() {
	z := s.chance.read.NormFloat64()
	seen := s.tank.volume * (1 + s.c.LevelU*z)
	f, wrong := s.due(WrongLevel, anyFault)
	if wrong {
		f.Size = orElse(f.Size, 0.04)
		seen *= 1 + f.Size
	}
	m := chem.MeasuredOf(seen, "L", 0)
	if s.c.LevelRead > 0 {
		m.Number = chem.DecimalRound(math.Round(seen/s.c.LevelRead)*s.c.LevelRead, 2)
	}
	if s.c.LevelU > 0 {
		m.U = chem.DecimalRound(s.c.LevelU*s.c.Volume, 2)
	}
	fact := s.emit(chem.Level{Volume: m}, "")
	if wrong {
		s.happened(f, fact.ID)
	}
	s.wait(5)
}

// read takes one reading of a constituent.
func (s *shop) read(c chem.Constituent) {
	switch m, ok := s.c.Recipe.Method(c.Name, ""); {
	case ok && usable(c, m):
		s.titrate(c, m)
	case c.Role != chem.RoleOrganic || s.c.Organics == OrganicAssay:
		s.assay(c)
	case s.c.Organics == OrganicPanel || s.c.Organics == OrganicPattern:
		s.panel(c)
	}
}

func (s *shop) draw(mL float64, back bool) {
	if back {
		return
	}
	s.record()
	s.tank.remove(mL/1e3, sampled)
	s.record()
}

func (s *shop) blunder(constituent string) (Fault, bool) {
	f, ok := s.due(Blunder, func(f Fault) bool { return s.faultConstituent(f) == constituent })
	if ok {
		f.Of = constituent
		f.Size = orElse(f.Size, 1.05+0.1*s.chance.faults.Float64())
		return f, ok
	}
	if s.c.BlunderShare > 0 && s.chance.faults.Float64() < s.c.BlunderShare {
		if c, _ := s.c.Recipe.Constituent(constituent); c.Role != chem.RoleOrganic {
			return Fault{Kind: Blunder, Day: s.day, Of: constituent, Size: 1 + math.Copysign(s.c.BlunderSize, s.chance.faults.Float64()-0.5)}, true
		}
	}
	return Fault{}, false
}

// titrate draws a sample and titrates it.
func (s *shop) titrate(c chem.Constituent, m chem.Method) {
	bottle := s.bottle(m)
	g := s.chance.read
	molar := m.MolarMass
	if molar == 0 {
		molar = molarMass(c)
	}
	conc := s.tank.conc(s.index(c.Name))
	if c.Role == chem.RoleMetal {
		conc += s.tank.conc(len(s.tank.amount) - 1)
	}
	gl, _ := c.Unit.Convert(conc, "g/L") // usable says that it can be
	perML, _ := chem.Unit("g/L").Convert(m.Molarity*m.Ratio*molar/m.Aliquot, c.Unit)
	endPoint := s.c.Bench * orElse(m.EndPoint, drop/math.Sqrt(3))
	repeat := s.c.Bench * 0.3 * m.UAliquot / root6 / m.Aliquot // a pipette repeats better than its tolerance
	strength := m.Molarity * (1 + bottle.off) * (1 + s.bench.strong[c.Name])
	f, blundered := s.blunder(c.Name)

	t := &chem.Titration{
		Method: m.Name, Aliquot: chem.DecimalOf(m.Aliquot), Titrant: m.Titrant, Lot: bottle.name,
		Molarity: chem.DecimalOf(m.Molarity), Factor: "1.000",
	}
	if m.Blank > 0 {
		t.Blank = chem.DecimalOf(m.Blank)
	}
	if s.c.LotU > 0 {
		t.UFactor = chem.DecimalOf(s.c.LotU)
	}
	mean := 0.0
	for range s.c.Replicates {
		aliquot := m.Aliquot * (1 + s.bench.pipette[m.Name]) * (1 + repeat*g.NormFloat64())
		used := gl * aliquot / molar / m.Ratio / strength // mg over g/mol over mol/L is mL
		seen := used + m.Blank + bottle.blank + s.bench.burette[m.Name] + endPoint*g.NormFloat64()
		if blundered {
			seen = m.Blank + (seen-m.Blank)*f.Size
		}
		seen = max(seen, 0)
		d := chem.DecimalOf(seen)
		if s.c.BuretteRead > 0 {
			d = chem.DecimalRound(math.Round(seen/s.c.BuretteRead)*s.c.BuretteRead, 2)
		}
		t.Delivered = append(t.Delivered, d)
		mean += d.Float() / float64(s.c.Replicates)
	}
	value := max(0, (mean-m.Blank)*perML)
	single := (endPoint*endPoint + s.c.BuretteRead*s.c.BuretteRead/12) * perML * perML
	u := math.Sqrt((single + math.Pow(repeat*value, 2)) / float64(s.c.Replicates))
	shared := math.Sqrt(math.Pow(s.c.LotU*value, 2) + s.c.Bench*s.c.Bench*(math.Pow(m.UAliquot/root6/m.Aliquot*value, 2)+
		(m.UBurette*m.UBurette/6+m.UBlank*m.UBlank)*perML*perML))

	body := chem.Assay{Of: c.Name, Value: s.number(value, c.Unit, u, s.c.BuretteRead == 0), Titration: t}
	if shared > 0 {
		body.ULot = significant(shared, 3)
	}
	mL := orElse(m.Sample, usualSample)
	body.Sample = chem.Sample{Volume: chem.MeasuredOf(mL, "mL", 0)}
	s.draw(mL, false)
	fact := s.emit(body, "")
	if blundered {
		s.happened(f, fact.ID)
	}
	s.wait(12)
}

// bottle is the lot of the method's titrant in use, a new one where the last is
// empty.
func (s *shop) bottle(m chem.Method) *lot {
	if l := s.bench.lots[m.Titrant]; l != nil && (s.c.LotDays == 0 || s.day < l.until) {
		return l
	}
	g := s.chance.read
	off, blank, last := s.c.LotU*g.NormFloat64(), s.c.Bench*m.UBlank*g.NormFloat64(), 0.8+0.4*g.Float64()
	if s.c.LotOff != 0 {
		off = math.Copysign(s.c.LotOff*s.c.LotU, off)
	}
	l := &lot{off: off, blank: blank, until: s.day + int(last*float64(s.c.LotDays))}
	n := 1
	for k := range s.run.Lots {
		if len(k) > len(m.Titrant) && k[:len(m.Titrant)+1] == m.Titrant+"/" {
			n++
		}
	}
	l.name = fmt.Sprintf("%s-%d", initials(m.Titrant), n)
	s.bench.lots[m.Titrant] = l
	s.run.Lots[m.Titrant+"/"+l.name] = off
	s.emit(chem.Titrant{
		Name: m.Titrant, Molarity: chem.MeasuredOf(m.Molarity, "mol/L", roundTo(s.c.LotU*m.Molarity, 2)), Lot: l.name,
		Opened: s.now.Format(time.DateOnly),
	}, "")
	s.wait(1)
	return l
}

func initials(titrant string) string {
	out := ""
	start := true
	for _, r := range titrant {
		if start && r != ' ' {
			out += string(r)
		}
		start = r == ' '
	}
	return strings.ToUpper(out)
}

// assay is a reading without a titration: with the uncertainty that its method
// states, or with the recipe's relative one, which the fact does not repeat.
func (s *shop) assay(c chem.Constituent) {
	conc := s.tank.conc(s.index(c.Name))
	z := s.chance.read.NormFloat64()
	m, _ := s.c.Recipe.Method(c.Name, "")
	seen := max(0, conc*(1+s.c.AssayScale*c.AssayU*z))
	if m.UReading > 0 {
		seen = max(0, conc+s.c.AssayScale*m.UReading*z)
	}
	f, blundered := s.blunder(c.Name)
	if blundered {
		seen *= f.Size
	}
	value := s.number(seen, c.Unit, s.c.AssayScale*m.UReading, s.c.AssayScale == 0)
	s.draw(usualSample, false)
	fact := s.emit(chem.Assay{Of: c.Name, Value: value, Sample: chem.Sample{Volume: chem.MeasuredOf(usualSample, "mL", 0)}}, "")
	if blundered {
		s.happened(f, fact.ID)
	}
	s.wait(10)
}

// panel reads an organic from a Hull-cell panel.
func (s *shop) panel(c chem.Constituent) {
	conc := s.tank.conc(s.index(c.Name))
	seen := max(0, conc*(1+s.c.PanelU*s.chance.read.NormFloat64()))
	f, blundered := s.blunder(c.Name)
	if blundered {
		seen *= f.Size
	}
	p := chem.Panel{
		Of: c.Name, Current: chem.Measured{Number: "2", Unit: "A"}, Minutes: "10",
		Sample: chem.Sample{Volume: chem.MeasuredOf(panelSample, "mL", 0), Returned: s.c.PanelBack},
	}
	if s.c.Organics == OrganicPanel {
		p.Value = chem.Measured{Number: chem.DecimalRound(seen, 1), Unit: c.Unit}
	} else {
		switch {
		case seen < c.Low:
			p.Pattern = chem.PatternLow
		case seen > c.High:
			p.Pattern = chem.PatternHigh
		default:
			p.Pattern = chem.PatternRight
		}
	}
	s.draw(panelSample, s.c.PanelBack)
	fact := s.emit(p, "")
	if blundered {
		s.happened(f, fact.ID)
	}
	s.wait(25)
}

// number writes a value with its uncertainty: exactly, or to four figures and
// three.
func (s *shop) number(v float64, unit chem.Unit, u float64, exact bool) chem.Measured {
	if exact {
		return chem.MeasuredOf(v, unit, u)
	}
	m := chem.Measured{Number: significant(v, 4), Unit: unit}
	if u > 0 {
		m.U = significant(u, 3)
	}
	return m
}

func significant(v float64, figures int) chem.Decimal {
	if v == 0 {
		return "0"
	}
	return chem.DecimalRound(v, max(0, figures-1-int(math.Floor(math.Log10(math.Abs(v))))))
}

func roundTo(v float64, figures int) float64 { return significant(v, figures).Float() }

func (s *shop) firstAnodes() {
	list := s.c.Anodes
	if list == nil {
		area := s.c.Recipe.AnodeArea * s.c.Volume / s.c.Recipe.Volume / 2
		for _, id := range []string{"slab-a", "slab-b"} {
			a := Anode{ID: id, Mass: s.c.Volume / 40, Area: area, Form: "slab"}
			if s.c.Recipe.Anodes == "inert" {
				a = Anode{ID: "inert" + id[4:], Area: area, Form: "inert"}
			}
			list = append(list, a)
		}
	}
	t := &s.tank
	t.usualCount = len(list)
	t.usualArea = s.c.Recipe.AnodeArea * s.c.Volume / s.c.Recipe.Volume
	for _, a := range list {
		s.hang(&anode{id: a.ID, form: a.Form, first: a.Mass * 1e3, mass: a.Mass * 1e3, area: a.Area, inert: a.Mass == 0})
	}
	s.nextID = len(list)
}

// hang puts an anode into the bath; a new one counts into the metal ledger.
func (s *shop) hang(a *anode) {
	s.record()
	z := s.chance.anodes.NormFloat64()
	if !slices.Contains(s.put, a) {
		a.weight = max(0.5, 1+float64(s.tank.usualCount)*s.c.Noise.Share*z)
		s.put = append(s.put, a)
		s.hung += a.mass
	}
	s.tank.anodes = append(s.tank.anodes, a)
	s.record()
	h := chem.Hang{Anode: a.id, Form: a.form}
	if !a.inert {
		h.Mass = s.anodeMass(a)
	}
	if a.area > 0 {
		h.Area = chem.MeasuredOf(a.area, "dm2", 0)
	}
	s.emit(h, "")
	s.wait(1)
}

func (s *shop) anodeMass(a *anode) chem.Measured {
	kg := a.mass/1e3 + s.c.AnodeU*s.chance.anodes.NormFloat64()
	if s.c.AnodeU == 0 && s.c.AnodeRead == 0 {
		return chem.MeasuredOf(kg, "kg", 0)
	}
	read := orElse(s.c.AnodeRead, 1e-6)
	return chem.Measured{
		Number: chem.DecimalRound(math.Round(max(kg, read)/read)*read, 4), Unit: "kg",
		U: significant(math.Hypot(s.c.AnodeU, read/math.Sqrt(12)), 2),
	}
}

// weighAnodes weighs what hangs and replaces what is used up.
func (s *shop) weighAnodes() {
	s.weighed = s.day
	for _, a := range slices.Clone(s.tank.anodes) {
		if a.inert || a.mass <= 0 {
			continue
		}
		mass := s.anodeMass(a)
		if !(mass.Number.Float() > 0) {
			continue
		}
		s.emit(chem.Weigh{Anode: a.id, Mass: mass}, "")
		s.wait(4)
		if a.mass < s.c.AnodeLeast*a.first {
			s.pull(a)
			s.emit(chem.Pull{Anode: a.id, Mass: mass}, "")
			s.wait(2)
			id := fmt.Sprintf("%s-%c", a.form, 'a'+s.nextID%26)
			if n := s.nextID / 26; n > 0 {
				id += fmt.Sprint(n)
			}
			s.nextID++
			s.hang(&anode{id: id, form: a.form, first: a.first, mass: a.first, area: a.area})
		}
	}
}

func (s *shop) pull(a *anode) {
	s.record()
	s.tank.anodes = slices.DeleteFunc(s.tank.anodes, func(b *anode) bool { return a == b })
	s.record()
}

func (s *shop) pullAll() {
	s.record()
	s.pulled, s.tank.anodes = s.tank.anodes, nil
	s.record()
	s.emit(chem.Pull{Anode: chem.AllAnodes}, "")
	s.wait(1)
}

func (s *shop) hangAgain() {
	list := s.pulled
	s.pulled = nil
	for _, a := range list {
		s.hang(a)
	}
}
