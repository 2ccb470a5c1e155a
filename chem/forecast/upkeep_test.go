package forecast

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
)

// upkept is a bath that began on monday, with so much set and done.
func upkept(t *testing.T, set chem.Upkeep, days float64, do func(*shop), when func(float64) Dates) []Upkeep {
	s := newShop(t, "copper-electroforming")
	do(s)
	s.now = monday.Add(time.Duration(days * 24 * float64(time.Hour)))
	e := s.estimate(t)
	r := *e.Recipe
	r.Upkeep = set
	e.Recipe = &r
	return UpkeepDue(e, when, e.At.AddDate(0, 0, 180))
}

func after(days float64) time.Time { return monday.Add(time.Duration(days * 24 * float64(time.Hour))) }

func same(at time.Time) Dates { return Dates{at, at, at} }

func nothing(*shop) {}

func TestUpkeepByDays(t *testing.T) {
	began := time.Minute // the bath's first fact is a minute after monday
	got := upkept(t, chem.Upkeep{CarbonDays: 100}, 30, nothing, nil)
	require.Len(t, got, 1)
	assert.Equal(t, "carbon", got[0].What)
	assert.Equal(t, same(after(100).Add(began)), got[0].Due)
	assert.Contains(t, got[0].Why, "since the bath began, since no carbon treatment is in the log")

	got = upkept(t, chem.Upkeep{CarbonDays: 100, BagsDays: 60, FilterDays: 400, DummyDays: 10}, 30, func(s *shop) {
		s.after(20)
		s.do(chem.Treat{With: chem.TreatCarbon})
		s.do(chem.Treat{With: chem.TreatPeroxide})
		s.do(chem.Change{What: "bags"})
		s.after(100) // of what is still to come nothing is known
		s.do(chem.Change{What: "filter"})
	}, nil)
	require.Len(t, got, 4)
	assert.Equal(t, []string{"carbon", "filter", "bags", "dummy"}, []string{got[0].What, got[1].What, got[2].What, got[3].What})
	assert.WithinDuration(t, after(120), got[0].Due.P50, time.Hour)
	assert.Contains(t, got[0].Why, "every 100 days by the recipe; 10 days since the last carbon treatment")
	assert.Zero(t, got[1].Due, "beyond the horizon")
	assert.WithinDuration(t, after(80), got[2].Due.P50, time.Hour)
	assert.Equal(t, same(after(30)), got[3].Due, "overdue is due now")

	assert.Empty(t, upkept(t, chem.Upkeep{}, 30, nothing, nil))
}

func TestUpkeepByCharge(t *testing.T) {
	var asked []float64
	early, middle := after(40), after(55)
	when := func(ah float64) Dates {
		asked = append(asked, ah)
		return Dates{early, middle, time.Time{}}
	}
	plated := func(s *shop) {
		s.plate(300, 30) // before the treatment: counts for nothing
		s.after(10)
		s.do(chem.Treat{With: chem.TreatCarbon})
		s.after(1)
		s.plate(120, 10)
	}
	got := upkept(t, chem.Upkeep{CarbonAh: 500}, 30, plated, when)
	require.Len(t, asked, 1)
	assert.InDelta(t, 380, asked[0], 1e-9)
	assert.Equal(t, Dates{early, middle, time.Time{}}, got[0].Due)
	assert.Contains(t, got[0].Why, "every 500 Ah by the recipe; 120 Ah since")

	// Whichever comes first, at each chance by itself: 45 days lie between.
	got = upkept(t, chem.Upkeep{CarbonAh: 500, CarbonDays: 35}, 30, plated, when)
	assert.Equal(t, early, got[0].Due.P10)
	assert.WithinDuration(t, after(45), got[0].Due.P50, time.Hour)
	assert.Equal(t, got[0].Due.P50, got[0].Due.P90)
	assert.Contains(t, got[0].Why, "every 35 days or 500 Ah by the recipe; 20 days and 120 Ah since")

	// Passed already.
	asked = nil
	got = upkept(t, chem.Upkeep{CarbonAh: 100}, 30, plated, when)
	assert.Equal(t, same(after(30)), got[0].Due)
	assert.Empty(t, asked)
}

func TestBuyBy(t *testing.T) {
	at := monday
	out := Dates{after(30), after(50), time.Time{}}
	m := chem.Material{Name: "brightener", Unit: "mL", Smallest: 0.5, LeadDays: 10}
	p, ok := BuyBy(m, 120, out, 463.2, at)
	require.True(t, ok)
	assert.Equal(t, after(20), p.By, "the early date less the lead time")
	assert.Equal(t, 350.0, p.Amount, "what is missing, rounded up to two figures")
	assert.Equal(t, Purchase{Material: m, Left: 120, Amount: 350, Unit: "mL", Out: out, By: after(20), LeadDays: 10}, p)

	m.LeadDays = 0
	p, _ = BuyBy(m, 120, out, 463.2, at)
	assert.Equal(t, after(23), p.By)
	assert.Equal(t, 7.0, p.LeadDays)
	assert.True(t, p.LeadAssumed)

	m.LeadDays = 40
	p, _ = BuyBy(m, 120, out, 463.2, at)
	assert.Equal(t, at, p.By, "it should have been ordered")

	p, _ = BuyBy(m, 120, out, 100, at)
	assert.Equal(t, 50.0, p.Amount, "it may run out although it should do: half of what the horizon takes")
	_, ok = BuyBy(m, 120, Dates{}, 100, at)
	assert.False(t, ok, "it does not run out")
	_, ok = BuyBy(chem.Material{Name: "deionised water", Unit: "L", Water: true}, 0, out, 10, at)
	assert.False(t, ok, "water comes out of the tap")
}

func TestOrderable(t *testing.T) {
	for x, want := range map[float64]float64{0: 0, 343.2: 350, 3.437: 3.5, 0.3091: 0.31, 0.31: 0.31, 12: 12, 12.01: 13, 999: 1000, 0.00462: 0.0047} {
		assert.InDelta(t, want, orderable(x), 1e-12, x)
	}
}
