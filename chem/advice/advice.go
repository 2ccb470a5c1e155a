package advice

import (
	"math"
	"slices"
	"time"

	"github.com/google/uuid"

	"steadybath/chem"
	"steadybath/chem/estimate"
)

// Amount is how much of a material.
type Amount struct {
	Material string
	Amount   float64
	Unit     chem.Unit
}

// Value is a constituent's concentration with its standard uncertainty.
type Value struct {
	Name     string
	Unit     chem.Unit
	Value, U float64
}

// Shown is one showing of a plan.
type Shown struct {
	ID      uuid.UUID
	At      time.Time // the moment that it was for
	Entered time.Time // when it was shown
	By      string    // to whom
}

// Plan is a plan as it was shown once.
type Plan struct {
	Shown
	Version   string
	Head      string   // hash of the last fact that it rests on
	Additions []Amount // in the order of work
	Bail      float64  // L
	ReadFirst []string // constituents
	Before    []Value  // the estimate that it rests on
	After     []Value  // what it said that the bath would be
}

func (p *Plan) asks() bool { return len(p.Additions) > 0 || p.Bail > 0 }

// same tells whether two plans ask for the same, as near as anybody weighs: from one
// hour to the next an amount moves by what evaporates.
func (p *Plan) same(o *Plan) bool {
	return slices.EqualFunc(p.Additions, o.Additions, func(a, b Amount) bool {
		return a.Material == b.Material && a.Unit == b.Unit && near(a.Amount, b.Amount)
	}) && near(p.Bail, o.Bail) && slices.Equal(p.ReadFirst, o.ReadFirst)
}

func near(a, b float64) bool { return math.Abs(a-b) <= Near*math.Abs(b) }

// Outcome is what became of a plan.
type Outcome string

// The outcomes.
const (
	AsAdvised Outcome = "as advised"
	Otherwise Outcome = "otherwise" // all of it, but other amounts
	InPart    Outcome = "in part"
	NotDone   Outcome = "not carried out"
	Open      Outcome = "open"           // not carried out, and there is still time
	Nothing   Outcome = "nothing to add" // it asked for nothing
)

// Soon is how long after a plan an addition that names no advice is taken to carry
// it out: a weekend. An assumption.
const Soon = 72 * time.Hour

// Near is how far a weighed amount may be from the advised one to be as advised: what
// a kitchen scale or a measuring jug gives. Common practice, no source.
const Near = 0.02

// Moved is by how much a plan has to change a constituent for its next reading to be
// looked at. An assumption.
const Moved = 0.005

// Deed is a fact that carries a plan out, or is taken to.
type Deed struct {
	Fact   chem.Fact
	Amount float64
	Unit   chem.Unit
	Lot    string
	Named  bool // it names the plan
}

// Step is one thing that a plan asked for, or one that was done beside it: bailing
// out has no material.
type Step struct {
	Amount
	Bail    bool
	Advised bool // false: done in its name, but no part of it
	Deeds   []Deed
	Given   float64 // sum of the deeds in the unit; NaN where they cannot be compared
}

// Found is the next reading of a constituent that a plan changes.
type Found struct {
	Name           string
	Unit           chem.Unit
	Before, After  Value
	Expected, U    float64           // after what was really weighed; NaN where that cannot be said
	Reading        *estimate.Reading // nil where there is none yet
	Off            float64           // standard deviations between the two, both uncertainties counted; NaN where they do not compare
	Days           float64           // from what was done to the reading
	Why            string            // there is nothing to compare
	InterruptingBy int64             // number of the fact that came between
}

// Entry is one piece of advice: a plan, however often it was shown unchanged.
type Entry struct {
	Plan              // as it was shown last
	Times     []Shown // the oldest first
	Outcome   Outcome
	Steps     []Step
	Found     []Found
	DoneAt    time.Time // of the last deed; zero where there is none
	Unwitting bool      // no deed names it
}

// Input is what Review looks at.
type Input struct {
	Plans    []Plan             // in the order in which they were shown
	Facts    []chem.Fact        // that stand, in the order in which they happened
	Readings []estimate.Reading // in the order in which they happened
	Now      time.Time
	Brings   func(material string) []string // constituents
}

// Review says of each plan what became of it.
func Review(in Input) []Entry {
	named := map[uuid.UUID][]chem.Fact{}
	for _, f := range in.Facts {
		if id := adviceOf(f); id != uuid.Nil {
			named[id] = append(named[id], f)
		}
	}
	entries := []Entry{}
	for _, p := range in.Plans {
		if n := len(entries); n > 0 && entries[n-1].same(&p) && !doneBefore(entries[n-1].Times, named, p.Entered) {
			e := &entries[n-1]
			e.Plan, e.Times = p, append(e.Times, p.Shown)
			continue
		}
		entries = append(entries, Entry{Plan: p, Times: []Shown{p.Shown}})
	}
	for i := range entries {
		until := time.Time{}
		if i+1 < len(entries) {
			until = entries[i+1].Times[0].At
		}
		entries[i].review(in, named, until)
	}
	return entries
}

func adviceOf(f chem.Fact) uuid.UUID {
	switch b := f.Body.(type) {
	case chem.Add:
		return b.Advice
	case chem.Bail:
		return b.Advice
	}
	return uuid.Nil
}

// doneBefore tells whether a plan had been carried out by then: shown again, it is
// new advice.
func doneBefore(times []Shown, named map[uuid.UUID][]chem.Fact, then time.Time) bool {
	for _, s := range times {
		if slices.ContainsFunc(named[s.ID], func(f chem.Fact) bool { return !f.Entered.After(then) }) {
			return true
		}
	}
	return false
}

// review fills an entry in; next is when the next advice was given, zero where none.
func (e *Entry) review(in Input, named map[uuid.UUID][]chem.Fact, next time.Time) {
	for _, a := range e.Additions {
		e.Steps = append(e.Steps, Step{Amount: a, Advised: true})
	}
	if e.Bail > 0 {
		e.Steps = append(e.Steps, Step{Amount: Amount{Amount: e.Bail, Unit: "L"}, Bail: true, Advised: true})
	}
	ids := map[uuid.UUID]bool{}
	for _, s := range e.Times {
		ids[s.ID] = true
	}
	e.Unwitting = true
	for _, f := range in.Facts {
		id := adviceOf(f)
		switch {
		case ids[id]:
			e.Unwitting = false
			e.take(f, true)
		case id == uuid.Nil && e.asks() && !f.Time.Before(e.Times[0].At) && !f.Time.After(e.At.Add(Soon)) && (next.IsZero() || f.Time.Before(next)):
			e.take(f, false)
		}
	}
	e.judge(in.Now, next)
	e.look(in)
}

// take puts a fact to the step that it carries out. One that names the plan and is no
// part of it stands beside it; any other is nobody's.
func (e *Entry) take(f chem.Fact, byName bool) {
	d := Deed{Fact: f, Named: byName}
	var m chem.Measured
	material, bail := "", false
	switch b := f.Body.(type) {
	case chem.Add:
		m, material, d.Lot = b.Amount, b.Material, b.Lot
	case chem.Bail:
		m, bail = b.Volume, true
	default:
		return
	}
	d.Amount, d.Unit = m.Number.Float(), m.Unit
	i := slices.IndexFunc(e.Steps, func(s Step) bool { return s.Bail == bail && s.Material == material })
	if i < 0 && !byName {
		return
	}
	if i < 0 {
		e.Steps = append(e.Steps, Step{Amount: Amount{Material: material, Unit: m.Unit}, Bail: bail})
		i = len(e.Steps) - 1
	}
	s := &e.Steps[i]
	s.Deeds = append(s.Deeds, d)
	v, err := m.Unit.Convert(d.Amount, s.Unit)
	if err != nil {
		v = math.NaN()
	}
	s.Given += v
	if f.Time.After(e.DoneAt) {
		e.DoneAt = f.Time
	}
}

// factor is what was given of what was advised.
func (s *Step) factor() float64 { return s.Given / s.Amount.Amount }

func (s *Step) asAdvised() bool { return near(s.Given, s.Amount.Amount) }

func (e *Entry) judge(now, next time.Time) {
	advised, done, right := 0, 0, 0
	for i := range e.Steps {
		s := &e.Steps[i]
		if !s.Advised {
			continue
		}
		advised++
		if len(s.Deeds) > 0 {
			done++
		}
		if s.asAdvised() {
			right++
		}
	}
	switch {
	case advised == 0:
		e.Outcome = Nothing
	case done == 0 && next.IsZero() && !now.After(e.At.Add(Soon)):
		e.Outcome = Open
	case done == 0:
		e.Outcome = NotDone
	case done < advised:
		e.Outcome = InPart
	case right == advised:
		e.Outcome = AsAdvised
	default:
		e.Outcome = Otherwise
	}
}

// look finds the next reading of each constituent that the plan changes.
func (e *Entry) look(in Input) {
	if !e.asks() {
		return
	}
	since := e.DoneAt
	if since.IsZero() {
		since = e.At
	}
	for _, after := range e.After {
		i := slices.IndexFunc(e.Before, func(v Value) bool { return v.Name == after.Name })
		if i < 0 || math.Abs(after.Value-e.Before[i].Value) <= Moved*math.Abs(e.Before[i].Value) {
			continue
		}
		f := Found{Name: after.Name, Unit: after.Unit, Before: e.Before[i], After: after, Expected: math.NaN(), U: after.U, Off: math.NaN()}
		if share, ok := e.share(after.Name, in.Brings); ok {
			f.Expected = f.Before.Value + (after.Value-f.Before.Value)*share
		} else {
			f.Why = "not carried out as advised"
			if e.DoneAt.IsZero() {
				f.Why = "not carried out"
			}
		}
		for j := range in.Readings {
			r := &in.Readings[j]
			if p, isPanel := r.Fact.Body.(chem.Panel); r.Subject == after.Name && r.Unit == after.Unit && r.Fact.Time.After(since) && !(isPanel && !p.Value.Given()) {
				f.Reading = r
				break
			}
		}
		if f.Reading != nil {
			f.Days = f.Reading.Fact.Time.Sub(since).Hours() / 24
			if between, ok := e.between(in, after.Name, since, f.Reading.Fact.Time); ok {
				f.Why, f.InterruptingBy = "something else went in before it was read", between.Number
			}
			if f.Why == "" {
				f.Off = (f.Reading.Value - f.Expected) / math.Hypot(f.U, f.Reading.U)
			}
		} else if f.Why == "" {
			f.Why = "not read yet"
		}
		e.Found = append(e.Found, f)
	}
}

// share is how much of the planned change of a constituent was really made: 1 where
// all was done as advised, else the share of the one material that brings it, beside
// which what only dilutes must be as advised. ok is false where it cannot be said.
func (e *Entry) share(constituent string, brings func(string) []string) (share float64, ok bool) {
	if e.Outcome == AsAdvised {
		return 1, true
	}
	found := 0
	share = 1
	for i := range e.Steps {
		s := &e.Steps[i]
		brought := brings(s.Material)
		switch {
		case s.Bail || len(brought) == 0:
			if !s.Advised || !s.asAdvised() {
				return 0, false
			}
		case slices.Contains(brought, constituent):
			found++
			if !s.Advised || len(s.Deeds) == 0 {
				return 0, false
			}
			share = s.factor()
		}
	}
	return share, found <= 1 && !e.DoneAt.IsZero() && !math.IsNaN(share)
}

// between finds a fact that changed a constituent after the plan was carried out and
// before its reading.
func (e *Entry) between(in Input, constituent string, since, reading time.Time) (chem.Fact, bool) {
	for _, f := range in.Facts {
		if !f.Time.After(since) || !f.Time.Before(reading) || e.does(f) {
			continue
		}
		switch b := f.Body.(type) {
		case chem.Fill, chem.Treat:
			return f, true
		case chem.Add:
			if slices.Contains(in.Brings(b.Material), constituent) {
				return f, true
			}
		}
	}
	return chem.Fact{}, false
}

func (e *Entry) does(f chem.Fact) bool {
	return slices.ContainsFunc(e.Steps, func(s Step) bool {
		return slices.ContainsFunc(s.Deeds, func(d Deed) bool { return d.Fact.ID == f.ID })
	})
}
