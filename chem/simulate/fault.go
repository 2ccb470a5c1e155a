package simulate

import (
	"fmt"
	"time"

	"steadybath/chem"
)

// FaultKind is something that goes wrong without being written down.
type FaultKind string

// The faults. The usual size is taken where Size is 0.
const (
	// Blunder multiplies one assay of Of (the metal where empty), burette
	// readings included, by Size (usually 1.05 to 1.15).
	Blunder FaultKind = "blunder"
	// WrongBottle puts With (any other material where empty) into the tank where
	// an addition of Of (any but water where empty) is logged, the number on the
	// scale or jug being the same.
	WrongBottle FaultKind = "wrong bottle"
	// WrongTitrant makes the titrations of Of (the metal where empty) in one round
	// from a bottle that is by the fraction Size (usually 0.04) stronger than the
	// one that is logged.
	WrongTitrant FaultKind = "wrong titrant"
	// Unlogged adds material Of (what brings the metal where empty), enough to
	// raise what it brings by the fraction Size of the target (usually 0.08).
	Unlogged FaultKind = "unlogged addition"
	// Lost spills the fraction Size of the bath (usually 0.05) and tops it up with
	// water.
	Lost FaultKind = "lost bath"
	// Leak loses the fraction Size of the bath (usually 0.003) a day for Days
	// (usually 30).
	Leak FaultKind = "leak"
	// WrongLevel misreads one level by the fraction Size (usually 0.04).
	WrongLevel FaultKind = "wrong level"
	// Polarised lowers the anode efficiency by Size (usually 0.15) for Days (to
	// the end where 0).
	Polarised FaultKind = "polarised anodes"
	// Contamination brings Size of the contaminant Of (the first of the recipe
	// where empty) into the bath, in its unit of concentration (usually twice its
	// limit). Where the recipe names none and Of is empty, a foreign metal comes in
	// that titrates like the plated one: Size in the metal's unit of concentration
	// (usually 3 % of its target), kept in Truth.Amount as [Foreign].
	Contamination FaultKind = "contamination"
)

// Foreign is the name in Truth of a metal that the recipe does not know and that
// titrates like the plated one, in the plated metal's unit.
const Foreign = "foreign metal"

// Fault is one thing that goes wrong at the first chance on or after Day,
// counted from 0 at the start.
type Fault struct {
	Kind FaultKind
	Day  int
	Of   string
	With string
	Size float64
	Days int
}

// Event is a fault that came to pass.
type Event struct {
	Fault Fault // with the sizes and names it really had
	Time  time.Time
	ID    [16]byte // of the fact that it spoiled; zero where it left none
}

func (c Config) checkFault(f Fault) error {
	if f.Day < 0 || f.Day >= c.Days {
		return fmt.Errorf("simulate: %s on day %d; the run has days 0 to %d", f.Kind, f.Day, c.Days-1)
	}
	need := func(ok bool, what string) error {
		if ok || f.Of == "" {
			return nil
		}
		return fmt.Errorf("simulate: %s: the recipe has no %s %q", f.Kind, what, f.Of)
	}
	_, constituent := c.Recipe.Constituent(f.Of)
	_, material := c.Recipe.Material(f.Of)
	switch f.Kind {
	case Blunder, WrongTitrant:
		return need(constituent, "constituent")
	case WrongBottle:
		if _, ok := c.Recipe.Material(f.With); f.With != "" && !ok {
			return fmt.Errorf("simulate: %s: the recipe has no material %q", f.Kind, f.With)
		}
		return need(material, "material")
	case Unlogged:
		return need(material, "material")
	case Contamination:
		return need(constituent, "constituent")
	case Lost, Leak, WrongLevel, Polarised:
		return nil
	}
	return fmt.Errorf("simulate: unknown fault %q", f.Kind)
}

func firstContaminant(r *chem.Recipe) (chem.Constituent, bool) {
	for _, c := range r.Constituents {
		if c.Contaminant() {
			return c, true
		}
	}
	return chem.Constituent{}, false
}

// due takes the first fault of the kind whose day has come and for which fits
// holds off the list of those still to come.
func (s *shop) due(kind FaultKind, fits func(Fault) bool) (Fault, bool) {
	for i, f := range s.faults {
		if f.Kind == kind && s.day >= f.Day && fits(f) {
			s.faults = append(s.faults[:i:i], s.faults[i+1:]...)
			return f, true
		}
	}
	return Fault{}, false
}

func anyFault(Fault) bool { return true }

func (s *shop) happened(f Fault, id [16]byte) {
	s.run.Events = append(s.run.Events, Event{Fault: f, Time: s.now.UTC(), ID: id})
}

// morningFaults are those that need no fact to spoil.
func (s *shop) morningFaults() {
	if f, ok := s.due(Unlogged, anyFault); ok {
		m, c := s.materialFor(f.Of)
		f.Of = m.Name
		f.Size = orElse(f.Size, 0.08)
		amount := f.Size * c.Target * s.c.Volume / m.Brings[c.Name]
		s.record()
		s.pour(m, amount)
		s.record()
		s.happened(f, [16]byte{})
	}
	if f, ok := s.due(Lost, anyFault); ok {
		f.Size = orElse(f.Size, 0.05)
		s.record()
		gone := f.Size * s.tank.volume
		s.tank.remove(gone, lost)
		s.tank.water(gone)
		s.record()
		s.happened(f, [16]byte{})
	}
	if f, ok := s.due(Contamination, anyFault); ok {
		c, found := s.c.Recipe.Constituent(f.Of)
		if !found {
			c, found = firstContaminant(s.c.Recipe)
		}
		i := len(s.tank.amount) - 1
		if found {
			i = s.index(c.Name)
			f.Of, f.Size = c.Name, orElse(f.Size, 2*c.High)
		} else {
			f.Of, f.Size = Foreign, orElse(f.Size, 0.03*s.c.Recipe.Constituents[s.tank.metal].Target)
		}
		s.record()
		s.tank.amount[i] += f.Size * s.tank.volume
		s.tank.books[i].Added += f.Size * s.tank.volume
		s.record()
		s.happened(f, [16]byte{})
	}
	if f, ok := s.due(Leak, anyFault); ok {
		f.Size = orElse(f.Size, 0.003)
		f.Days = int(orElse(float64(f.Days), 30))
		s.leak, s.leakEnd = f.Size, s.day+f.Days
		s.happened(f, [16]byte{})
	}
	if f, ok := s.due(Polarised, anyFault); ok {
		f.Size = orElse(f.Size, 0.15)
		if f.Days == 0 {
			f.Days = s.c.Days - s.day
		}
		s.polarised, s.polarisedEnd = f.Size, s.day+f.Days
		s.happened(f, [16]byte{})
	}
	if s.day >= s.leakEnd {
		s.leak = 0
	}
	if s.day >= s.polarisedEnd {
		s.polarised = 0
	}
}

func orElse(x, usual float64) float64 {
	if x == 0 {
		return usual
	}
	return x
}
