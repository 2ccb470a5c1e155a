package advice_test

import (
	"math"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/advice"
	"steadybath/chem/estimate"
)

var began = time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC)

// hour is so many hours after the first plan.
func hour(n float64) time.Time { return began.Add(time.Duration(n * float64(time.Hour))) }

// log is one bath's facts, numbered as they come.
type log struct{ facts []chem.Fact }

func (l *log) add(t *testing.T, at float64, material, amount string, of uuid.UUID) chem.Fact {
	t.Helper()
	m, err := chem.ParseMeasured(amount)
	require.NoError(t, err)
	if material == "" {
		return l.fact(at, chem.Bail{Volume: m, Advice: of})
	}
	return l.fact(at, chem.Add{Material: material, Amount: m, Advice: of})
}

func (l *log) fact(at float64, body chem.Body) chem.Fact {
	f := chem.Fact{Number: int64(len(l.facts) + 1), ID: uuid.New(), Time: hour(at), Entered: hour(at), Body: body}
	l.facts = append(l.facts, f)
	return f
}

// plan asks for 53 mL of brightener, and for what else is named, at an hour.
func plan(at float64, more ...advice.Amount) advice.Plan {
	return advice.Plan{Shown: advice.Shown{ID: uuid.New(), At: hour(at), Entered: hour(at), By: "anna"},
		Additions: append([]advice.Amount{{Material: "brightener", Amount: 53, Unit: "mL"}}, more...),
		Before:    []advice.Value{{Name: "copper", Unit: "g/L", Value: 50, U: 0.5}, {Name: "brightener", Unit: "mL/L", Value: 3, U: 0.2}},
		After:     []advice.Value{{Name: "copper", Unit: "g/L", Value: 50.1, U: 0.5}, {Name: "brightener", Unit: "mL/L", Value: 4, U: 0.3}}}
}

func reading(l *log, at, value, u float64) estimate.Reading {
	f := l.fact(at, chem.Assay{Of: "brightener", Value: chem.MeasuredOf(value, "mL/L", u)})
	return estimate.Reading{Fact: f, Subject: "brightener", Unit: "mL/L", Value: value, U: u, Fate: estimate.Used}
}

func brings(material string) []string {
	return map[string][]string{"brightener": {"brightener"}, "copper sulfate": {"copper"}, "both": {"copper", "brightener"}}[material]
}

func review(now float64, l *log, readings []estimate.Reading, plans ...advice.Plan) []advice.Entry {
	return advice.Review(advice.Input{Plans: plans, Facts: l.facts, Readings: readings, Now: hour(now), Brings: brings})
}

func TestOutcome(t *testing.T) {
	water := advice.Amount{Material: "water", Amount: 4, Unit: "L"}
	for name, c := range map[string]struct {
		more []advice.Amount
		do   func(l *log, of uuid.UUID)
		now  float64
		want advice.Outcome
	}{
		"as advised, in two pours and another unit": {nil, func(l *log, of uuid.UUID) {
			l.add(t, 1, "brightener", "26.5 mL", of)
			l.add(t, 2, "brightener", "0.0265 L", of)
		}, 9, advice.AsAdvised},
		"one drop more":               {nil, func(l *log, of uuid.UUID) { l.add(t, 1, "brightener", "53.9 mL", of) }, 9, advice.AsAdvised},
		"half":                        {nil, func(l *log, of uuid.UUID) { l.add(t, 1, "brightener", "26 mL", of) }, 9, advice.Otherwise},
		"by the gram":                 {nil, func(l *log, of uuid.UUID) { l.add(t, 1, "brightener", "53 g", of) }, 9, advice.Otherwise},
		"without the water":           {[]advice.Amount{water}, func(l *log, of uuid.UUID) { l.add(t, 1, "brightener", "53 mL", of) }, 9, advice.InPart},
		"nothing yet":                 {nil, func(*log, uuid.UUID) {}, 9, advice.Open},
		"nothing within a weekend":    {nil, func(*log, uuid.UUID) {}, 73, advice.NotDone},
		"something else":              {nil, func(l *log, _ uuid.UUID) { l.add(t, 1, "copper sulfate", "53 g", uuid.Nil) }, 99, advice.NotDone},
		"too late":                    {nil, func(l *log, _ uuid.UUID) { l.add(t, 73, "brightener", "53 mL", uuid.Nil) }, 99, advice.NotDone},
		"late, but in its name":       {nil, func(l *log, of uuid.UUID) { l.add(t, 73, "brightener", "53 mL", of) }, 99, advice.AsAdvised},
		"in the name of other advice": {nil, func(l *log, _ uuid.UUID) { l.add(t, 1, "brightener", "53 mL", uuid.New()) }, 99, advice.NotDone},
	} {
		t.Run(name, func(t *testing.T) {
			l, p := &log{}, plan(0, c.more...)
			c.do(l, p.ID)
			got := review(c.now, l, nil, p)
			require.Len(t, got, 1)
			require.Equal(t, c.want, got[0].Outcome)
		})
	}
	empty := plan(0)
	empty.Additions = nil
	got := review(9, &log{}, nil, empty)
	require.Equal(t, advice.Nothing, got[0].Outcome)
	require.Empty(t, got[0].Found)
}

func TestUnnamedAdditionsSoonAfterAreTakenForIt(t *testing.T) {
	l := &log{}
	l.add(t, 1, "brightener", "53 mL", uuid.Nil)
	got := review(9, l, nil, plan(0))
	require.Equal(t, advice.AsAdvised, got[0].Outcome)
	require.True(t, got[0].Unwitting)
	require.False(t, got[0].Steps[0].Deeds[0].Named)
	// The next advice is another's.
	other := plan(0.5, advice.Amount{Material: "water", Amount: 1, Unit: "L"})
	got = review(9, l, nil, plan(0), other)
	require.Equal(t, advice.NotDone, got[0].Outcome)
	require.Equal(t, advice.InPart, got[1].Outcome)
}

func TestShownAgain(t *testing.T) {
	a, b, c := plan(0), plan(1), plan(2)
	b.Additions[0].Amount = 52.5 // an hour's evaporation
	got := review(3, &log{}, nil, a, b, c)
	require.Len(t, got, 1)
	require.Len(t, got[0].Times, 3)
	require.Equal(t, hour(0), got[0].Times[0].At)
	require.Equal(t, hour(2), got[0].At, "the estimate is the last one's")

	c.ReadFirst = []string{"copper"}
	require.Len(t, review(3, &log{}, nil, a, b, c), 2, "it asks for something else")

	// Carried out in between, it is new advice, and any showing may be named.
	l := &log{}
	l.add(t, 0.5, "brightener", "53 mL", a.ID)
	got = review(3, l, nil, a, b)
	require.Len(t, got, 2)
	require.Equal(t, []advice.Outcome{advice.AsAdvised, advice.Open}, []advice.Outcome{got[0].Outcome, got[1].Outcome})
	l = &log{}
	l.add(t, 2.5, "brightener", "53 mL", a.ID)
	got = review(3, l, nil, a, b)
	require.Len(t, got, 1)
	require.Equal(t, advice.AsAdvised, got[0].Outcome)
}

func TestWhatTheBathDid(t *testing.T) {
	one := func(t *testing.T, l *log, p advice.Plan, readings ...estimate.Reading) advice.Found {
		t.Helper()
		got := review(99, l, readings, p)
		require.Len(t, got, 1)
		require.Len(t, got[0].Found, 1, "copper changes by less than is looked at")
		require.Equal(t, "brightener", got[0].Found[0].Name)
		return got[0].Found[0]
	}
	t.Run("as advised", func(t *testing.T) {
		l, p := &log{}, plan(0)
		early := reading(l, 0.5, 9, 0.4)
		l.add(t, 1, "brightener", "53 mL", p.ID)
		f := one(t, l, p, early, reading(l, 49, 3.5, 0.4))
		require.InDelta(t, -1, f.Off, 1e-12) // (3.5 - 4)/hypot(0.3, 0.4), by hand
		require.InDelta(t, 2, f.Days, 1e-12)
		require.Empty(t, f.Why)
	})
	t.Run("half of it", func(t *testing.T) {
		l, p := &log{}, plan(0)
		l.add(t, 1, "brightener", "26.5 mL", p.ID)
		f := one(t, l, p, reading(l, 2, 4, 0.4))
		require.InDelta(t, 3.5, f.Expected, 1e-12)
		require.InDelta(t, 1, f.Off, 1e-12)
	})
	t.Run("not comparable", func(t *testing.T) {
		l, p := &log{}, plan(0)
		l.add(t, 1, "brightener", "53 g", p.ID)
		f := one(t, l, p, reading(l, 2, 4, 0.4))
		require.True(t, math.IsNaN(f.Off) && math.IsNaN(f.Expected))
		require.NotEmpty(t, f.Why)
	})
	t.Run("two bring it and one was left out", func(t *testing.T) {
		l, p := &log{}, plan(0, advice.Amount{Material: "both", Amount: 5, Unit: "mL"})
		l.add(t, 1, "brightener", "53 mL", p.ID)
		require.True(t, math.IsNaN(one(t, l, p, reading(l, 2, 4, 0.4)).Off))
	})
	t.Run("water was left out", func(t *testing.T) {
		l, p := &log{}, plan(0, advice.Amount{Material: "water", Amount: 5, Unit: "L"})
		l.add(t, 1, "brightener", "53 mL", p.ID)
		require.True(t, math.IsNaN(one(t, l, p, reading(l, 2, 4, 0.4)).Off))
	})
	t.Run("more went in before it was read", func(t *testing.T) {
		l, p := &log{}, plan(0)
		l.add(t, 1, "brightener", "53 mL", p.ID)
		l.add(t, 2, "copper sulfate", "53 g", uuid.Nil) // brings none
		more := l.add(t, 90, "both", "5 mL", uuid.Nil)
		f := one(t, l, p, reading(l, 91, 4, 0.4))
		require.True(t, math.IsNaN(f.Off))
		require.Equal(t, more.Number, f.InterruptingBy)
		// Read before that, it compares.
		f = one(t, l, p, reading(l, 89, 4, 0.4))
		require.Zero(t, f.Off)
		require.Zero(t, f.InterruptingBy)
	})
	t.Run("not carried out", func(t *testing.T) {
		l := &log{}
		f := one(t, l, plan(0), reading(l, 5, 2.9, 0.4))
		require.True(t, math.IsNaN(f.Off))
		require.Equal(t, "not carried out", f.Why)
		require.InDelta(t, 2.9, f.Reading.Value, 0)
	})
	t.Run("nobody has read it", func(t *testing.T) {
		l, p := &log{}, plan(0)
		l.add(t, 1, "brightener", "53 mL", p.ID)
		panel := reading(l, 2, 0, 0.4)
		panel.Fact.Body = chem.Panel{Of: "brightener", Pattern: chem.PatternLow}
		f := one(t, l, p, panel)
		require.Nil(t, f.Reading)
		require.Equal(t, "not read yet", f.Why)
	})
}
