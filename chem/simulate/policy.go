package simulate

import (
	"math"
	"strings"
	"time"

	"steadybath/chem"
)

// ask asks a policy what to do and does it.
func (s *shop) ask(p Policy) {
	if p == nil {
		return
	}
	for range 3 {
		again := false
		list := s.run.Facts
		for _, f := range p(list[:len(list):len(list)], s.now.UTC()) {
			again = s.carryOut(f) || again
			if s.err != nil {
				return
			}
		}
		if !again {
			return
		}
	}
}

// carryOut does what a policy says. It tells whether a new reading came in.
func (s *shop) carryOut(f chem.Fact) bool {
	switch b := f.Body.(type) {
	case chem.Add:
		s.add(b, f.Note)
	case chem.Bail:
		s.bail(b, f.Note)
	case chem.Assay:
		return s.readAgain(b.Of)
	case chem.Panel:
		return s.readAgain(b.Of)
	case chem.Level:
		s.level()
		return true
	case chem.Remark, chem.Setting, chem.Void:
		s.emit(b, f.Note)
		s.wait(1)
	case nil:
		s.fail("a policy returned a fact without a body")
	default:
		s.fail("a policy may not return a fact of kind %s; add, bail, assay, panel, level, note, setting and void fit", b.Kind())
	}
	return false
}

func (s *shop) readAgain(constituent string) bool {
	c, ok := s.c.Recipe.Constituent(constituent)
	if !ok {
		s.fail("a policy asked to titrate %q, which the recipe does not have", constituent)
		return false
	}
	s.read(c)
	return true
}

func (s *shop) add(b chem.Add, note string) {
	m, ok := s.c.Recipe.Material(b.Material)
	if !ok {
		s.fail("a policy added %q, which the recipe does not have", b.Material)
		return
	}
	amount, _, err := b.Amount.In(m.Unit)
	if err != nil || !(amount > 0) || math.IsInf(amount, 0) {
		s.fail("a policy added %s of %s; an amount above 0 in %s is wanted", b.Amount, m.Name, m.Unit)
		return
	}
	u := s.c.VolumeU
	if m.Unit.Dimension() == chem.DimMass {
		u = s.c.MassU
	}
	really := amount * max(0, 1+u*s.chance.pour.NormFloat64())
	if !b.Amount.U.Given() && u > 0 {
		stated, _ := m.Unit.Convert(u*amount, b.Amount.Unit)
		b.Amount.U = significant(stated, 2)
	}
	poured := m
	f, wrong := s.due(WrongBottle, func(f Fault) bool {
		return f.Of == "" && !m.Water || strings.EqualFold(f.Of, m.Name)
	})
	if wrong {
		poured = s.wrongMaterial(m, f.With)
		f.Of, f.With, f.Size = m.Name, poured.Name, amount
		if really, err = m.Unit.Convert(really, poured.Unit); err != nil {
			s.fail("%s: %s is not measured out like %s", WrongBottle, poured.Name, m.Name)
			return
		}
	}
	s.record()
	s.pour(poured, really)
	s.record()
	b.Material = m.Name
	fact := s.emit(b, note)
	if wrong {
		s.happened(f, fact.ID)
	}
	s.wait(6)
}

// wrongMaterial is the named material, or one that is measured out like m, or
// any other than m.
func (s *shop) wrongMaterial(m chem.Material, name string) chem.Material {
	if w, ok := s.c.Recipe.Material(name); ok {
		return w
	}
	for _, w := range s.c.Recipe.Materials {
		if w.Name != m.Name && !w.Water && w.Unit.Dimension() == m.Unit.Dimension() {
			return w
		}
	}
	for _, w := range s.c.Recipe.Materials {
		if w.Name != m.Name && w.Unit.Dimension() == m.Unit.Dimension() {
			return w
		}
	}
	s.fail("%s: no other material is measured out like %s", WrongBottle, m.Name)
	return m
}

// pour puts amount, in the material's unit, into the tank.
func (s *shop) pour(m chem.Material, amount float64) {
	t := &s.tank
	for name, per := range m.Brings {
		i := s.index(name)
		if i < 0 {
			continue
		}
		in := max(per*amount, -t.amount[i])
		t.amount[i] += in
		t.books[i].Added += in
	}
	litres := m.Litres
	if m.Water && litres == 0 {
		litres, _ = m.Unit.Convert(1, "L")
	}
	t.water(litres * amount)
}

func (s *shop) bail(b chem.Bail, note string) {
	volume, _, err := b.Volume.In("L")
	if err != nil || !(volume > 0) || volume >= s.tank.volume {
		s.fail("a policy bailed %s of %.1f L", b.Volume, s.tank.volume)
		return
	}
	really := volume * max(0, 1+s.c.VolumeU*s.chance.pour.NormFloat64())
	if !b.Volume.U.Given() && s.c.VolumeU > 0 {
		stated, _ := chem.Unit("L").Convert(s.c.VolumeU*volume, b.Volume.Unit)
		b.Volume.U = significant(stated, 2)
	}
	s.record()
	s.tank.remove(really, bailed)
	s.record()
	s.emit(b, note)
	s.wait(6)
}

// materialFor is the named material with the constituent that it brings most of
// beside its target, or the material for the metal where no name is given.
func (s *shop) materialFor(name string) (chem.Material, chem.Constituent) {
	if m, ok := s.c.Recipe.Material(name); ok {
		best, most := chem.Constituent{}, 0.0
		for _, c := range s.c.Recipe.Constituents {
			if c.Target > 0 && m.Brings[c.Name]/c.Target > most {
				best, most = c, m.Brings[c.Name]/c.Target
			}
		}
		if most == 0 {
			s.fail("%s brings nothing that the recipe wants", m.Name)
			best = s.c.Recipe.Constituents[s.tank.metal]
			return chem.Material{Name: m.Name, Unit: m.Unit, Brings: map[string]float64{best.Name: 1}}, best
		}
		return m, best
	}
	c := s.c.Recipe.Constituents[s.tank.metal]
	m, ok := feed(s.c.Recipe, c.Name)
	if !ok {
		s.fail("no material brings %s", c.Name)
		return chem.Material{Unit: "g", Brings: map[string]float64{c.Name: 1}}, c
	}
	return m, c
}

// feed is the material that a constituent is fed with: the preferred one, or the
// first that brings nothing else, or the first that brings it at all.
func feed(r *chem.Recipe, constituent string) (chem.Material, bool) {
	found, ok := chem.Material{}, false
	for _, m := range r.Materials {
		if m.Brings[constituent] <= 0 {
			continue
		}
		if m.Prefer {
			return m, true
		}
		if !ok || len(found.Brings) > 1 && len(m.Brings) == 1 {
			found, ok = m, true
		}
	}
	return found, ok
}

func water(r *chem.Recipe) (chem.Material, bool) {
	for _, m := range r.Materials {
		if m.Water {
			return m, true
		}
	}
	return chem.Material{}, false
}

// recent is how long back a policy looks for the readings of the present round.
const recent = 8 * time.Hour

// TopUp is the plain habit of filling up to the mark with water whenever the
// level is read more than half a percent below it.
func TopUp(r *chem.Recipe, volume float64) Policy {
	return func(facts []chem.Fact, now time.Time) []chem.Fact {
		m, ok := water(r)
		if !ok {
			return nil
		}
		for i := len(facts) - 1; i >= 0 && now.Sub(facts[i].Entered) < recent; i-- {
			l, isLevel := facts[i].Body.(chem.Level)
			if !isLevel {
				continue
			}
			missing := volume - l.Volume.Value("L")
			if missing < 0.005*volume {
				return nil
			}
			amount, _ := chem.Unit("L").Convert(missing, m.Unit)
			return []chem.Fact{{Body: chem.Add{Material: m.Name, Amount: chem.Measured{Number: significant(amount, 2), Unit: m.Unit}}}}
		}
		return nil
	}
}

// Card is the card on the wall: whatever was last read below the line half-way
// between its lower limit and its target is brought up to the target, reckoned
// with the marked volume; where something is read above its upper limit, bath
// is bailed out (a tenth at most), replaced by water, and what went out with it
// of everything else is put back. No reading is ever doubted.
func Card(r *chem.Recipe, volume float64) Policy {
	return func(facts []chem.Fact, now time.Time) []chem.Fact {
		last := lastReadings(r, facts, now)
		bail := 0.0
		for _, c := range r.Constituents {
			v, ok := last[c.Name]
			if ok && c.Role != chem.RoleOrganic && !c.Contaminant() && v > c.High {
				bail = max(bail, min(0.1, 1-c.Target/v))
			}
		}
		var out []chem.Fact
		if w, ok := water(r); ok && bail > 0 {
			amount, _ := chem.Unit("L").Convert(bail*volume, w.Unit)
			out = append(out,
				chem.Fact{Body: chem.Bail{Volume: chem.Measured{Number: significant(bail*volume, 2), Unit: "L"}}},
				chem.Fact{Body: chem.Add{Material: w.Name, Amount: chem.Measured{Number: significant(amount, 2), Unit: w.Unit}}})
		} else {
			bail = 0
		}
		for _, c := range r.Constituents {
			v, ok := last[c.Name]
			if !ok || c.Contaminant() {
				continue
			}
			after := v * (1 - bail)
			if after >= (c.Low+c.Target)/2 {
				continue
			}
			m, ok := feed(r, c.Name)
			if !ok {
				continue
			}
			amount := (c.Target - after) * volume / m.Brings[c.Name]
			if m.Smallest > 0 {
				amount = math.Round(amount/m.Smallest) * m.Smallest
			}
			if d := significant(amount, 3); d.Float() > 0 {
				out = append(out, chem.Fact{Body: chem.Add{Material: m.Name, Amount: chem.Measured{Number: d, Unit: m.Unit}}})
			}
		}
		return out
	}
}

// lastReadings finds the last reading of each constituent in the present round.
// A panel's pattern stands for the edge of the window, or the target.
func lastReadings(r *chem.Recipe, facts []chem.Fact, now time.Time) map[string]float64 {
	out := map[string]float64{}
	keep := func(name string, v float64) {
		if _, later := out[name]; !later {
			out[name] = v
		}
	}
	for i := len(facts) - 1; i >= 0 && now.Sub(facts[i].Entered) < recent; i-- {
		switch b := facts[i].Body.(type) {
		case chem.Assay:
			if c, ok := r.Constituent(b.Of); ok && now.Sub(facts[i].Time) < recent {
				keep(c.Name, b.Value.Value(c.Unit))
			}
		case chem.Panel:
			c, ok := r.Constituent(b.Of)
			if !ok {
				continue
			}
			switch {
			case b.Value.Given():
				keep(c.Name, b.Value.Value(c.Unit))
			case b.Pattern == chem.PatternLow:
				keep(c.Name, c.Low)
			case b.Pattern == chem.PatternHigh:
				keep(c.Name, c.High)
			default:
				keep(c.Name, c.Target)
			}
		}
	}
	return out
}
