package reports

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/dose"
	"steadybath/chem/estimate"
	"steadybath/chem/forecast"
	"steadybath/chem/journal"
	"steadybath/chem/recipe"
)

// scribe makes a log of a fuzzer's bytes: six per fact. Every fact is one that a
// journal can hold, since the rest never gets as far as this.
type scribe struct {
	bytes  []byte
	at     time.Time
	recipe *chem.Recipe
	facts  []chem.Fact
}

func (s *scribe) next() int {
	if len(s.bytes) == 0 {
		return 0
	}
	b := s.bytes[0]
	s.bytes = s.bytes[1:]
	return int(b)
}

// number is 0 to 99 by a power of ten, most of them within what a tank can have.
func (s *scribe) number() chem.Decimal {
	n, power := s.next(), s.next()
	digits := fmt.Sprintf("%d.%d", n/10, n%10)
	switch power % 32 {
	case 0:
		return chem.Decimal(fmt.Sprintf("%d", n))
	case 1:
		return chem.Decimal(digits + "e12")
	case 2:
		return chem.Decimal(digits + "e-12")
	case 3:
		return "0"
	case 4:
		return chem.Decimal(digits + "e5")
	}
	return chem.Decimal(fmt.Sprintf("%d.%d", n/4, n%4))
}

func (s *scribe) measured(units ...chem.Unit) chem.Measured {
	m := chem.Measured{Number: s.number(), Unit: units[s.next()%len(units)]}
	if u := s.next(); u%3 == 0 {
		m.U = chem.Decimal(fmt.Sprintf("%d.%02d", u%5, u))
	}
	return m
}

func pickOf[T any](s *scribe, list []T) T { return list[s.next()%len(list)] }

// move sets the clock: mostly on by hours, sometimes back, to the same moment, or
// to a day that no bath has seen.
func (s *scribe) move() {
	switch b := s.next(); {
	case b < 200:
		s.at = s.at.Add(time.Duration(b) * 17 * time.Minute)
	case b < 220:
		s.at = s.at.Add(time.Duration(b-200) * 24 * time.Hour)
	case b < 240: // the same moment
	case b < 246:
		s.at = s.at.AddDate(0, 0, -3)
	case b < 250:
		s.at = s.at.AddDate(b-245, 0, 0)
	case b == 250:
		s.at = s.at.AddDate(-26, 0, 0)
	case b == 251:
		s.at = s.at.AddDate(40, 0, 0)
	default:
		s.at = time.Date(2026, 3, 29, 1, 0, 0, 0, time.UTC) // clocks are put forward
	}
}

func (s *scribe) body() chem.Body {
	r := s.recipe
	constituent := func() chem.Constituent { return pickOf(s, r.Constituents) }
	switch s.next() % 20 {
	case 0, 1:
		c := constituent()
		return chem.Assay{Of: c.Name, Value: s.measured(c.Unit), Sample: chem.Sample{Returned: s.next()%2 == 0}}
	case 2, 3:
		return chem.Plate{Charge: s.measured("Ah"), Hours: s.number(), Area: s.measured("dm2", "in2")}
	case 4:
		m := pickOf(s, r.Materials)
		return chem.Add{Material: m.Name, Amount: s.measured(m.Unit, "g", "mL")}
	case 5:
		return chem.Level{Volume: s.measured("L", "gal")}
	case 6:
		return chem.Bail{Volume: s.measured("L", "mL")}
	case 7:
		comp := map[string]chem.Measured{}
		for range s.next() % 4 {
			c := constituent()
			comp[c.Name] = s.measured(c.Unit)
		}
		return chem.Fill{Volume: s.measured("L"), Origin: pickOf(s, []chem.Origin{chem.OriginMakeUp, chem.OriginBought, chem.OriginRunning}), Composition: comp}
	case 8:
		return chem.Hang{Anode: pickOf(s, []string{"a", "b", "A"}), Mass: s.measured("kg", "g"), Form: pickOf(s, []string{"slab", "bar", "nuggets", "inert", ""}), TopUp: s.next()%4 == 0}
	case 9:
		return chem.Weigh{Anode: pickOf(s, []string{"a", "b", "c"}), Mass: s.measured("kg", "g")}
	case 10:
		p := chem.Pull{Anode: pickOf(s, []string{"a", "b", chem.AllAnodes})}
		if s.next()%2 == 0 && p.Anode != chem.AllAnodes {
			p.Mass = s.measured("kg")
		}
		return p
	case 11:
		return chem.Meter{Supply: pickOf(s, []string{"main", "small"}), Reading: s.measured("Ah", "kAh"), Reset: s.next()%5 == 0}
	case 12:
		if len(s.facts) == 0 {
			return chem.Remark{}
		}
		return chem.Void{Target: pickOf(s, s.facts).ID} // of anything, voids among them
	case 13:
		k := pickOf(s, recipe.Keys(r))
		if k.Text {
			return chem.Setting{Key: k.Name, Text: pickOf(s, []string{"soluble", "inert", "x"})}
		}
		return chem.Setting{Key: k.Name, Value: chem.Measured{Number: s.number(), Unit: chem.Unit(k.Unit)}}
	case 14:
		return chem.Treat{With: pickOf(s, []chem.Treatment{chem.TreatCarbon, chem.TreatPeroxide, chem.TreatDummy}), Amount: s.measured("g", "mL", "Ah")}
	case 15:
		return chem.Change{What: pickOf(s, []string{"bags", "filter"})}
	case 16:
		p := chem.Panel{Of: constituent().Name, Pattern: pickOf(s, []chem.Pattern{chem.PatternLow, chem.PatternRight, chem.PatternHigh})}
		if s.next()%2 == 0 {
			c, _ := r.Constituent(p.Of)
			p.Pattern, p.Value = "", s.measured(c.Unit)
		}
		return p
	case 17:
		return chem.Assay{Of: "temperature", Value: s.measured("degC", "degF")}
	case 18:
		return chem.Assay{Of: "density", Value: s.measured("g/cm3")}
	}
	return chem.Assay{Of: "pH", Value: s.measured("pH")}
}

// write enters what the bytes say, as far as a journal takes it.
func (s *scribe) write(t *testing.T, bath string, most int) {
	for len(s.bytes) > 0 && len(s.facts) < most {
		s.move()
		f := chem.Fact{Number: int64(len(s.facts) + 1), ID: uuid.UUID{6: 0x70, 8: 0x80, 14: byte(len(s.facts) >> 8), 15: byte(len(s.facts))}, Time: s.at, Bath: bath, Note: "n", Body: s.body()}
		if s.at.Year() < 1990 || s.at.Year() > 2070 {
			continue // such years find nothing else: a span of 450 was tried, and only takes longer
		}
		row, err := journal.Encode(f)
		if err != nil {
			continue
		}
		taken, err := journal.Decode(row)
		require.NoError(t, err)
		taken.Number = f.Number
		s.facts = append(s.facts, taken)
	}
}

var notFinite = regexp.MustCompile(`(?i)\b(nan|[-+]?inf(inity)?)\b|%!`)

// shown asserts that a text can stand on a terminal, and every number in it is one.
func shown(t *testing.T, what, text string) {
	t.Helper()
	require.True(t, utf8.ValidString(text))
	require.NotRegexp(t, notFinite, text, what)
	for _, r := range text {
		require.False(t, unicode.IsControl(r) && r != '\n', "%s: %U", what, r)
	}
}

// A whole log of facts in any order, at any time, with any amounts, repeated and
// voided and voided again: every question gets an answer or a refusal, and no
// answer has a number that is none. Filled with care, a level or an addition of
// 10^12 L is as much a fact as one of 12 mL.
func FuzzLog(f *testing.F) {
	// A week as it is, in this generator's bytes: fill, hang, plate, read, add.
	f.Add([]byte{0, 7, 232, 8, 0, 3, 2, 1, 0, 200, 9, 0, 3, 10, 8, 0, 50, 9, 0, 3, 1, 0, 30, 2, 88, 9, 0, 3, 16, 9, 20, 9, 0, 3, 60, 0, 0, 200, 9, 0, 3, 1, 60, 4, 3, 12, 9, 0, 3}, byte(0), uint16(7))
	f.Add([]byte{10, 7, 232, 8, 0, 3, 1, 2, 0, 200, 9, 0, 3, 12, 12, 0, 12, 3, 12, 12, 2, 12, 12, 3}, byte(1), uint16(0))
	f.Add([]byte{250, 5, 200, 1, 0, 0, 251, 2, 99, 1, 0, 0, 0, 5, 5, 0, 1, 2, 3}, byte(2), uint16(30))
	f.Add([]byte("plating baths drift between titrations, and nobody notices until a part comes out dull"), byte(3), uint16(400))
	f.Add([]byte{1, 13, 4, 9, 9, 1, 13, 5, 3, 0, 1, 13, 17, 2, 1, 13, 29, 8, 8, 1, 0, 1, 88, 9, 0, 3}, byte(4), uint16(1))
	f.Fuzz(func(t *testing.T, data []byte, which byte, days uint16) {
		names := recipe.Shipped()
		text, _ := recipe.ShippedText(names[int(which)%len(names)])
		r, err := recipe.Parse("", text)
		require.NoError(t, err)
		at := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
		s := &scribe{bytes: data, at: at, recipe: r}
		begin := chem.Begin{Recipe: string(text), Zone: "Europe/Vienna", Volume: chem.Measured{Number: "60", Unit: "L"}}
		s.facts = []chem.Fact{{Number: 1, ID: uuid.UUID{6: 0x70, 8: 0x80}, Time: at, Bath: "tank-1", Body: begin}}
		s.write(t, "tank-1", 24)
		last := at
		for _, f := range s.facts {
			if f.Time.After(last) {
				last = f.Time
			}
		}
		asked := last.Add(time.Duration(days%400) * 24 * time.Hour)
		answers(t, s.facts, asked)
		// Without voids, the order in which facts were entered says nothing.
		if before := stateOf(s.facts, asked); !slices.ContainsFunc(s.facts, func(f chem.Fact) bool { return f.Kind() == chem.KindVoid }) {
			slices.Reverse(s.facts)
			require.Equal(t, before, stateOf(s.facts, asked))
		}
	})
}

// stateOf is the bath of a log as JSON, or why there is none.
func stateOf(facts []chem.Fact, at time.Time) string {
	var b strings.Builder
	bath, err := estimate.Open(facts)
	if err == nil {
		var e *estimate.Estimate
		if e, err = bath.At(at, estimate.Options{}); err == nil {
			err = StateJSON(&b, e, "head")
		}
	}
	return fmt.Sprint(b.String(), err)
}

// answers asks every question of a log.
func answers(t *testing.T, facts []chem.Fact, at time.Time) {
	bath, err := estimate.Open(facts)
	if err != nil {
		shown(t, "refusal", err.Error())
		return
	}
	e, err := bath.At(at, estimate.Options{})
	if err != nil {
		shown(t, "refusal", err.Error())
		return
	}
	fine := func(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
	require.True(t, fine(e.Volume) && e.Volume >= 0 && fine(e.UVolume) && e.UVolume >= 0, "volume %v ± %v", e.Volume, e.UVolume)
	require.True(t, fine(e.Low90V) && fine(e.High90V) && 0 <= e.Low90V && e.Low90V <= e.Volume && e.Volume <= e.High90V)
	for _, c := range e.Constituents {
		require.True(t, fine(c.Value) && fine(c.U) && c.U >= 0 && fine(c.PerDay) && fine(c.PerAh), "%s %v ± %v", c.Name, c.Value, c.U)
		require.True(t, fine(c.Low90) && fine(c.High90) && 0 <= c.Low90 && c.Low90 <= c.High90, "%s %v to %v", c.Name, c.Low90, c.High90)
	}
	ask := func(what string, write func(io.Writer) error) {
		t.Helper()
		var b bytes.Buffer
		if err := write(&b); err != nil {
			require.NoError(t, err, what)
		}
		shown(t, what, strings.ReplaceAll(b.String(), "\r\n", "\n"))
	}
	zone := vienna()
	ask("state", func(w io.Writer) error { return State(w, e, zone, US, "head") })
	ask("state --json", func(w io.Writer) error { return StateJSON(w, e, "head") })
	for _, f := range bath.Facts {
		ask("fact", func(w io.Writer) error {
			_, err := io.WriteString(w, FactWords(f)+"\n"+strings.Join(ReadingWords(e, f, Metric), "\n"))
			return err
		})
	}
	// Of one, since each replays the log.
	for _, c := range e.Constituents[:1] {
		if why, err := bath.Why(c.Name, at); err == nil {
			ask("why", func(w io.Writer) error { return Why(w, e, why, zone, Metric, "head") })
			ask("why --json", func(w io.Writer) error { return WhyJSON(w, e, why, "head") })
		} else {
			shown(t, "refusal", err.Error())
		}
	}
	if book, err := bath.Ledger(time.Time{}, at); err == nil {
		ask("ledger", func(w io.Writer) error { return Ledger(w, book, zone, Metric, "head") })
		ask("ledger --json", func(w io.Writer) error { return LedgerJSON(w, book, "head") })
	} else {
		shown(t, "refusal", err.Error())
	}
	plan, err := dose.Make(e, dose.Options{})
	if err != nil {
		shown(t, "refusal", err.Error())
		return
	}
	ask("dose", func(w io.Writer) error { return Dose(w, plan, zone, Metric) })
	ask("dose --json", func(w io.Writer) error { return DoseJSON(w, plan, "head") })
	for _, a := range plan.Additions {
		require.True(t, fine(a.Amount) && a.Amount > 0, "%v of %s", a.Amount, a.Material.Name)
	}
	ahead, err := forecast.Make(e, forecast.Options{Days: 60, Paths: 12, Seed: 1, Fans: 10, Plan: plan})
	if err != nil {
		shown(t, "refusal", err.Error())
		return
	}
	in := ForecastInput{Estimate: e, Plan: plan, Forecast: ahead, Seed: 1, Zone: zone, Head: "head"}
	ask("forecast", func(w io.Writer) error { return Forecast(w, in) })
	ask("forecast --json", func(w io.Writer) error { return ForecastJSON(w, in) })
	things := ThingsDue(e, plan, ahead, Metric)
	ask("calendar", func(w io.Writer) error {
		return Calendar(w, []CalendarBath{{Estimate: e, Things: things, Zone: zone, Days: 60}}, at, "v")
	})
}
