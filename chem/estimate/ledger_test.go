package estimate

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"steadybath/chem"
	"steadybath/chem/journal"
)

// movingRecipe has every rate at work.
var movingRecipe = with(plainRecipe, "anode_efficiency = [0.998, 0.008]", "cathode_efficiency = [0.98, 0.005]", "dissolution = [0.03, 0.015]",
	"drag_out = [0.0008, 0.0003]", "evaporation = [0.3, 0.14]", "chloride_loss = [0.05, 0.04]", "meter = [1.01, 0.02]", "sludge = [0.005, 0.005]",
	"use = [0.2, 0.05]", "loss = [0.01, 0.0045]")

// happening draws what happens to a bath, without readings, as a journal takes it.
func happening(t *rapid.T) chem.Body {
	number := func(label string, low, high float64) float64 {
		return math.Round(rapid.Float64Range(low, high).Draw(t, label)*1000) / 1000
	}
	switch rapid.IntRange(0, 8).Draw(t, "what") {
	case 0:
		return chem.Add{Material: "copper sulfate pentahydrate", Amount: chem.MeasuredOf(number("kg", 0.01, 1), "kg", 0)}
	case 1:
		return chem.Add{Material: "sulfuric acid 96 %", Amount: chem.MeasuredOf(number("mL", 1, 300), "mL", 0)}
	case 2:
		return chem.Add{Material: "deionised water", Amount: chem.MeasuredOf(number("water", 0.1, 4), "L", 0)}
	case 3:
		return chem.Bail{Volume: chem.MeasuredOf(number("bailed", 0.1, 3), "L", 0)}
	case 4:
		id := rapid.SampledFrom([]string{"a", "b"}).Draw(t, "anode")
		return chem.Hang{Anode: id, Mass: chem.MeasuredOf(number("mass", 5, 9), "kg", 0), Form: "slab", Area: chem.MeasuredOf(number("area", 3, 9), "dm2", 0)}
	case 5:
		return chem.Pull{Anode: rapid.SampledFrom([]string{"a", chem.AllAnodes}).Draw(t, "pulled")}
	case 6:
		return chem.Treat{With: chem.TreatDummy, Amount: chem.MeasuredOf(number("dummy", 1, 10), "Ah", 0), Hours: "2"}
	case 7:
		return chem.Meter{Supply: "supply", Reading: chem.MeasuredOf(number("meter", 0, 20), "Ah", 0), Reset: true}
	}
	return chem.Plate{Charge: chem.MeasuredOf(number("charge", 1, 60), "Ah", 0), Hours: chem.DecimalOf(number("hours", 1, 9))}
}

// account keeps the books of a bath without any filter, in small steps and in
// moles, straight from the balances: what the estimate must come to where nothing
// is read.
type account struct {
	litres, cu, acid float64 // L, mol
	chloride         float64 // mg
	anodes           map[string]float64
	areas            map[string]float64
	known            bool // some anode was logged
	meter            bool // there is one
	logged           float64
}

func (a *account) each(part float64) {
	a.cu, a.acid, a.chloride, a.litres = a.cu*(1-part), a.acid*(1-part), a.chloride*(1-part), a.litres*(1-part)
}

func (a *account) dissolve(mol float64) {
	a.cu, a.acid = a.cu+mol, a.acid-mol
	total := 0.0
	for _, x := range a.areas {
		total += x
	}
	for id := range a.anodes {
		a.anodes[id] -= mol * a.areas[id] / total * gramsCu / 1000 / 0.995
	}
}

func (a *account) rest(days float64) {
	hung := 1.0
	if a.known {
		hung = 0
		for _, x := range a.areas {
			hung += x / 12
		}
	}
	a.dissolve(0.03 * hung * days)
	a.litres -= 0.3 * days
}

func (a *account) charge(ah float64) {
	if a.known && len(a.anodes) == 0 {
		a.known = false
	}
	const parts = 50
	q := 1.01 * ah / parts
	for range parts {
		a.dissolve(0.998 * q * perAh / 2)
		a.cu, a.acid = a.cu-0.98*q*perAh/2, a.acid+0.98*q*perAh/2
		a.chloride -= 0.05 * a.chloride / a.litres / 60 * q
		a.each(0.0008 * q / a.litres)
	}
}

func (a *account) happen(b chem.Body) {
	switch b := b.(type) {
	case chem.Add:
		switch b.Material {
		case "copper sulfate pentahydrate":
			// 25.45 % copper: 63.546 / 249.677.
			a.cu, a.litres = a.cu+b.Amount.Value("kg")*254.5/gramsCu, a.litres+0.38*b.Amount.Value("kg")
		case "sulfuric acid 96 %":
			a.acid, a.litres = a.acid+b.Amount.Value("L")*1762/gramsAcid, a.litres+0.73*b.Amount.Value("L")
		default:
			a.litres += b.Amount.Value("L")
		}
	case chem.Bail:
		a.each(b.Volume.Value("L") / a.litres)
	case chem.Hang:
		a.known = true
		a.anodes[b.Anode], a.areas[b.Anode] = b.Mass.Value("kg"), b.Area.Value("dm2")
	case chem.Pull:
		a.known = a.known || b.Anode == chem.AllAnodes
		for _, id := range []string{"a", "b"} {
			if b.Anode == id || b.Anode == chem.AllAnodes {
				delete(a.anodes, id)
				delete(a.areas, id)
			}
		}
	case chem.Treat:
		a.charge(b.Amount.Value("Ah"))
		a.logged += b.Amount.Value("Ah")
	case chem.Plate:
		a.charge(b.Charge.Value("Ah"))
		a.logged += b.Charge.Value("Ah")
	case chem.Meter:
		if !a.meter {
			a.logged = 0
		}
		if more := b.Reading.Value("Ah") - a.logged; more > 0 {
			a.charge(more)
		}
		a.meter, a.logged = true, 0
	}
}

// Volume, copper, acid, chloride and the anodes' metal close for any journal,
// reckoned here a second time without any filter; and whatever happens the
// covariance stays symmetric and positive and no amount negative.
func TestBooksCloseForAnyJournal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := &log{now: monday}
		l.do(chem.Begin{Volume: chem.MeasuredOf(60, "L", 0), Zone: "UTC", Recipe: movingRecipe})
		l.do(chem.Fill{Volume: chem.MeasuredOf(60, "L", 0.3), Composition: map[string]chem.Measured{
			"copper": chem.MeasuredOf(50, "g/L", 0.5), "sulfuric acid": chem.MeasuredOf(60, "g/L", 0.5), "chloride": chem.MeasuredOf(60, "mg/L", 3)}})
		a := &account{litres: 60, cu: 3000 / gramsCu, acid: 3600 / gramsAcid, chloride: 3600, anodes: map[string]float64{}, areas: map[string]float64{}}
		for range rapid.IntRange(1, 25).Draw(t, "facts") {
			days := math.Round(rapid.Float64Range(0.1, 9).Draw(t, "days")*1000) / 1000
			if a.litres < 45 {
				l.do(chem.Add{Material: "deionised water", Amount: chem.MeasuredOf(15, "L", 0)})
				a.litres += 15
			}
			l.after(days)
			body := happening(t)
			row, err := journal.Encode(chem.Fact{ID: uuid.Max, Time: l.now, Bath: "tank", Body: body})
			require.NoError(t, err)
			back, err := journal.Decode(row)
			require.NoError(t, err)
			l.do(back.Body)
			a.rest(days)
			a.happen(body)
		}
		b, err := Open(l.facts)
		require.NoError(t, err)
		r := b.start()
		r.through(0, l.now)
		wellFormed(t, r)
		// Straight steps of at most 2 % of the volume, and days of evaporation at
		// the concentration of their beginning, leave some parts in ten thousand.
		assert.InEpsilon(t, a.litres, r.volume(), 1e-4, "L")
		assert.InEpsilon(t, a.cu*gramsCu, r.s.X[r.l.metal], 1e-3, "g of copper")
		assert.InEpsilon(t, a.acid*gramsAcid, r.s.X[r.l.acid], 1e-3, "g of acid")
		assert.InEpsilon(t, a.chloride, r.s.X[r.l.chloride], 2e-3, "mg of chloride")
		require.Len(t, r.hung, len(a.anodes))
		for _, h := range r.hung {
			assert.InEpsilon(t, a.anodes[h.id], r.s.X[h.at], 1e-4, "kg of anode %s", h.id)
		}
	})
}

type failer interface {
	require.TestingT
	assert.TestingT
}

// wellFormed checks the state: finite, symmetric, positive, no amount negative.
func wellFormed(t failer, r *run) {
	n := len(r.s.X)
	for i, x := range r.s.X {
		require.False(t, math.IsNaN(x) || math.IsInf(x, 0), "place %d is %g", i, x)
		for j := range n {
			require.Equal(t, r.s.p(i, j), r.s.p(j, i))
			require.False(t, math.IsNaN(r.s.p(i, j)) || math.IsInf(r.s.p(i, j), 0))
		}
	}
	for i := range r.l.cons {
		require.GreaterOrEqual(t, r.s.X[i], 0.0)
	}
	require.Positive(t, r.s.X[r.l.volume])
	// Scaled to unit variances, so that the smallest rate counts like the largest
	// amount.
	scaled := mat.NewSymDense(n, nil)
	for i := range n {
		for j := range i + 1 {
			if d := math.Sqrt(r.s.p(i, i) * r.s.p(j, j)); d > 0 {
				scaled.SetSym(i, j, r.s.p(i, j)/d)
			}
		}
	}
	var eigen mat.EigenSym
	require.True(t, eigen.Factorize(scaled, false))
	require.Greater(t, slices.Min(eigen.Values(nil)), -1e-9, "the covariance is not positive")
}

// reading draws a reading, wild ones among them.
func anyReading(t *rapid.T) chem.Body {
	v := rapid.Float64Range(0.001, 4).Draw(t, "times the target")
	sample := chem.Sample{Returned: rapid.Bool().Draw(t, "returned")}
	switch rapid.IntRange(0, 9).Draw(t, "reading") {
	case 0:
		return chem.Level{Volume: chem.MeasuredOf(60*v/2, "L", 0)}
	case 1:
		return chem.Assay{Of: "copper", Value: chem.MeasuredOf(50*v, "g/L", 0), ULot: "0.2", Titration: &chem.Titration{Titrant: "EDTA", Lot: rapid.StringMatching(`[a-z]?`).Draw(t, "lot")}, Sample: sample}
	case 2:
		return chem.Assay{Of: "sulfuric acid", Value: chem.MeasuredOf(0.6*v, "mol/L", 0.01), Sample: sample}
	case 3:
		return chem.Panel{Of: "brightener", Pattern: rapid.SampledFrom([]chem.Pattern{chem.PatternLow, chem.PatternRight, chem.PatternHigh}).Draw(t, "pattern"), Sample: sample}
	case 4:
		return chem.Weigh{Anode: rapid.SampledFrom([]string{"a", "b", "nobody"}).Draw(t, "weighed"), Mass: chem.MeasuredOf(3*v, "kg", 0)}
	case 5:
		return chem.Treat{With: rapid.SampledFrom([]chem.Treatment{chem.TreatCarbon, chem.TreatPeroxide}).Draw(t, "treated with")}
	case 6:
		return chem.Assay{Of: "density", Value: chem.MeasuredOf(1+v/20, "g/cm3", 0), Sample: sample}
	case 7:
		return chem.Panel{Of: "brightener", Pattern: chem.PatternLow, Trial: chem.MeasuredOf(v/2, "mL", 0), Sample: sample}
	case 8:
		return chem.Assay{Of: "copper", Value: chem.MeasuredOf(50*v, "g/L", 0), ULot: "0.2", Titration: &chem.Titration{Titrant: "thiosulfate"}, Sample: sample}
	}
	return chem.Plate{Charge: chem.MeasuredOf(20*v, "Ah", 0), Gain: chem.MeasuredOf(23*v, "g", 0)}
}

// Whatever is written down, the answer is a number, and the same one every time;
// asking changes nothing.
func TestAnyJournalIsAnswered(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := &log{now: monday}
		l.do(chem.Begin{Volume: chem.MeasuredOf(60, "L", 0), Zone: "UTC", Recipe: movingRecipe})
		for range rapid.IntRange(1, 40).Draw(t, "facts") {
			l.after(rapid.SampledFrom([]float64{0, 0, 0.01, 1, 7, 40, 400}).Draw(t, "days"))
			if rapid.Bool().Draw(t, "a reading") {
				l.do(anyReading(t))
			} else {
				l.do(happening(t))
			}
		}
		b, err := Open(l.facts)
		require.NoError(t, err)
		r := b.start()
		r.through(0, l.now)
		wellFormed(t, r)
		before := r.s.clone()
		e := r.answer(l.now)
		again := r.answer(l.now)
		require.Equal(t, before.X, r.s.X, "an answer is not a change")
		require.Equal(t, e.Constituents, again.Constituents)
		e.Ahead(30, 100)
		require.Equal(t, before.X, r.s.X)
		for _, c := range e.Constituents {
			require.False(t, math.IsNaN(c.Value) || math.IsNaN(c.U) || math.IsNaN(c.PerDay) || math.IsNaN(c.PerAh), "%+v", c)
			require.GreaterOrEqual(t, c.Low90, 0.0)
			require.LessOrEqual(t, c.Low90, c.High90)
			require.LessOrEqual(t, c.Low90, c.Value)
			require.LessOrEqual(t, c.Value, c.High90)
		}
		e, err = b.At(l.now, Options{Track: true})
		require.NoError(t, err)
		f, err := b.At(l.now, Options{Track: true})
		require.NoError(t, err)
		sameAnswer(t, e, f)
		held := 0
		for _, rd := range e.Readings {
			require.Contains(t, []Fate{Used, Held, Dropped, Confirmed}, rd.Fate)
			if rd.Fate == Held {
				held++
			}
		}
		require.Len(t, e.run.holds, held, "whatever is called held waits, and nothing else")
		// What one asks about the past does not depend on what came later.
		if len(l.facts) > 3 {
			at := l.facts[len(l.facts)/2].Time
			past, err := b.At(at, Options{})
			require.NoError(t, err)
			known := slices.DeleteFunc(slices.Clone(l.facts), func(f chem.Fact) bool { return f.Time.After(at) })
			c, err := Open(known)
			require.NoError(t, err)
			then, err := c.At(at, Options{})
			require.NoError(t, err)
			require.Equal(t, past.Constituents, then.Constituents)
		}
	})
}

// sameAnswer compares two estimates to the last digit.
func sameAnswer(t failer, a, b *Estimate) {
	require.Equal(t, flat(a.Constituents), flat(b.Constituents))
	require.Equal(t, a.Volume, b.Volume)
	require.Equal(t, a.UVolume, b.UVolume)
	require.Equal(t, a.Rates, b.Rates)
	require.Equal(t, a.Balances, b.Balances)
	require.Equal(t, fmt.Sprint(a.Anodes), fmt.Sprint(b.Anodes))
	require.Equal(t, a.Flags, b.Flags)
	require.Equal(t, a.Track, b.Track)
	require.Equal(t, a.LogLik, b.LogLik)
	require.Equal(t, fates(a), fates(b))
}

// flat writes constituents with what their pointers point to.
func flat(list []Constituent) string {
	out := ""
	for _, c := range list {
		for _, rd := range []*Reading{c.Assay, c.Held} {
			if rd != nil {
				out += fmt.Sprint(rd.Fact.ID, rd.Value, rd.U, rd.Expected, rd.Off, rd.Fate)
			}
		}
		c.Assay, c.Held = nil, nil
		out += fmt.Sprintln(c)
	}
	return out
}

func fates(e *Estimate) map[uuid.UUID]Fate {
	out := map[uuid.UUID]Fate{}
	for _, r := range e.Readings {
		out[r.Fact.ID] = r.Fate
	}
	return out
}

// A log kept on paper and entered in any order gives the answer of one entered
// as things happened; a void takes back what it names, to the last digit.
func TestOnlyWhatStandsCounts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := newLog(movingRecipe, 0.01)
		for range rapid.IntRange(2, 25).Draw(t, "facts") {
			l.after(rapid.SampledFrom([]float64{0, 0, 0.5, 2, 7}).Draw(t, "days"))
			if rapid.Bool().Draw(t, "a reading") {
				l.do(anyReading(t))
			} else {
				l.do(happening(t))
			}
		}
		at := l.now
		b, err := Open(l.facts)
		require.NoError(t, err)
		want, err := b.At(at, Options{Track: true})
		require.NoError(t, err)

		shuffled := rapid.Permutation(l.facts).Draw(t, "order of entry")
		b, err = Open(shuffled)
		require.NoError(t, err)
		late, err := b.At(at, Options{Track: true})
		require.NoError(t, err)
		sameAnswer(t, want, late)

		wrong := chem.Fact{ID: uuid.NewSHA1(uuid.Nil, []byte("wrong")), Bath: "tank", Body: happening(t),
			Time: monday.Add(time.Duration(rapid.Int64Range(1, 1e6).Draw(t, "when")) * time.Second)}
		void := chem.Fact{ID: uuid.NewSHA1(uuid.Nil, []byte("void")), Bath: "tank", Time: wrong.Time, Body: chem.Void{Target: wrong.ID}}
		b, err = Open(append(slices.Clone(l.facts), wrong, void))
		require.NoError(t, err)
		restored, err := b.At(at, Options{Track: true})
		require.NoError(t, err)
		sameAnswer(t, want, restored)
	})
}

// Facts of one moment may come in any order, which is that of their ids: meter
// and plate, readings, additions.
func TestOrderWithinOneMoment(t *testing.T) {
	back := chem.Sample{Returned: true} // or a level would be read before or after it
	bodies := []chem.Body{
		chem.Level{Volume: chem.MeasuredOf(59.6, "L", 0.3)},
		chem.Assay{Of: "copper", Value: chem.MeasuredOf(50.3, "g/L", 0.4), Sample: back},
		chem.Assay{Of: "sulfuric acid", Value: chem.MeasuredOf(59.2, "g/L", 0.6), Sample: back},
		chem.Assay{Of: "copper", Value: chem.MeasuredOf(50.1, "g/L", 0.4), Sample: back},
		chem.Meter{Supply: "s", Reading: chem.MeasuredOf(130, "Ah", 0)},
		chem.Plate{Charge: chem.MeasuredOf(30, "Ah", 0)},
		chem.Add{Material: "copper sulfate pentahydrate", Amount: chem.MeasuredOf(0.2, "kg", 0)},
		chem.Add{Material: "deionised water", Amount: chem.MeasuredOf(1, "L", 0)},
	}
	rapid.Check(t, func(t *rapid.T) {
		ask := func(order []chem.Body) *Estimate {
			l := newLog(movingRecipe, 0.02)
			l.do(chem.Meter{Supply: "s", Reading: chem.MeasuredOf(100, "Ah", 0)})
			l.after(3)
			for i, b := range order {
				id := l.do(b)
				id[0] = byte(i) // ids rise with the order
				l.facts[len(l.facts)-1].ID = id
			}
			b, err := Open(l.facts)
			require.NoError(t, err)
			e, err := b.At(l.now, Options{})
			require.NoError(t, err)
			return e
		}
		want, got := ask(bodies), ask(rapid.Permutation(bodies).Draw(t, "order"))
		assert.InEpsilon(t, want.Volume, got.Volume, 1e-4)
		for i, c := range want.Constituents {
			assert.InDelta(t, c.Value, got.Constituents[i].Value, 0.05*c.U, c.Name)
			assert.InEpsilon(t, c.U, got.Constituents[i].U, 0.01, c.Name)
		}
		mean, _ := got.AhPerDay()
		assert.InEpsilon(t, 30.0/7, mean, 1e-9, "the meter's 30 Ah are the run's")
	})
}
