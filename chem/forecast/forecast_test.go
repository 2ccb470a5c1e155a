package forecast

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/dose"
	"steadybath/chem/estimate"
	"steadybath/chem/recipe"
)

var monday = time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC)

// shop is a 60 L bath as its log tells, from monday on.
type shop struct {
	facts []chem.Fact
	now   time.Time
}

func newShop(t testing.TB, name string) *shop {
	text, ok := recipe.ShippedText(name)
	require.True(t, ok)
	return shopOf(t, name, text)
}

func shopOf(t testing.TB, name string, text []byte) *shop {
	s := &shop{now: monday}
	s.do(chem.Begin{Volume: chem.MeasuredOf(60, "L", 0), Zone: "UTC", Recipe: string(text)})
	r, err := recipe.Parse(name, text)
	require.NoError(t, err)
	with := map[string]chem.Measured{}
	for _, c := range r.Constituents {
		if !c.Contaminant() {
			with[c.Name] = chem.MeasuredOf(c.Target, c.Unit, c.Target*0.005)
		}
	}
	s.do(chem.Fill{Volume: chem.MeasuredOf(60, "L", 0.2), Origin: chem.OriginMakeUp, Composition: with})
	return s
}

func (s *shop) do(b chem.Body) {
	s.now = s.now.Add(time.Minute)
	n := len(s.facts)
	s.facts = append(s.facts, chem.Fact{ID: uuid.NewSHA1(uuid.Nil, fmt.Append(nil, n)), Bath: "tank", Number: int64(n + 1), Time: s.now, Entered: s.now, Body: b})
}

func (s *shop) after(days float64) { s.now = s.now.Add(time.Duration(days * 24 * float64(time.Hour))) }

func (s *shop) plate(ah, hours float64) {
	s.do(chem.Plate{Charge: chem.MeasuredOf(ah, "Ah", 0), Hours: chem.DecimalOf(hours), Area: chem.MeasuredOf(5, "dm2", 0)})
}

func (s *shop) estimate(t testing.TB) *estimate.Estimate {
	b, err := estimate.Open(s.facts)
	require.NoError(t, err)
	e, err := b.At(s.now, estimate.Options{})
	require.NoError(t, err)
	return e
}

func make20(t testing.TB, e *estimate.Estimate, o Options) *Forecast {
	f, err := Make(e, o)
	require.NoError(t, err)
	return f
}

func leaving(t testing.TB, f *Forecast, name, edge string) Leaving {
	for _, l := range f.Leaves {
		if l.Constituent == name && l.Edge == edge {
			return l
		}
	}
	require.Failf(t, "no such line", "%s %s of %+v", name, edge, f.Leaves)
	return Leaving{}
}

// Thirty ampere-hours a week, twenty weeks long, with what organics that should take
// put back.
func steady(t testing.TB, name string) *shop {
	s := newShop(t, name)
	text, _ := recipe.ShippedText(name)
	r, err := recipe.Parse(name, text)
	require.NoError(t, err)
	for range 20 {
		s.after(7)
		s.plate(30, 4)
		for _, c := range r.Constituents {
			if m, ok := dose.Feed(r, c.Name); ok && c.Role == chem.RoleOrganic {
				took := 30*c.Use.Value + 7*c.Loss.Value*c.Target*60
				s.do(chem.Add{Material: m.Name, Amount: chem.MeasuredOf(took/m.Brings[c.Name], m.Unit, 0)})
			}
		}
	}
	s.after(1)
	return s
}

func TestSameSeedSameAnswer(t *testing.T) {
	e := steady(t, "copper-electroforming").estimate(t)
	text := func(seed uint64) string {
		f := make20(t, e, Options{Seed: seed})
		for i := range f.Leaves { // JSON has no word for what is not a number
			f.Leaves[i].Ah = Charges{}
		}
		for i := range f.Organics {
			f.Organics[i].Ah = Charges{}
		}
		f.Anodes = nil
		b, err := json.Marshal(f)
		require.NoError(t, err)
		return string(b)
	}
	assert.Equal(t, text(3), text(3))
	assert.NotEqual(t, text(3), text(4))
}

// What is drawn has the mean that the estimate itself carries forward, and about
// its spread.
func TestFuturesAgreeWithTheEstimate(t *testing.T) {
	e := steady(t, "copper-electroforming").estimate(t)
	const n, days, ah = 2000, 21, 60.0
	mean, cov := e.Ahead(days, ah)
	futures, rng := e.Futures(), rand.New(rand.NewPCG(1, 2))
	for i, c := range e.Constituents {
		if c.Contaminant() {
			continue
		}
		sum, squares := 0.0, 0.0
		for range n {
			u := futures.Draw(rng)
			for range days {
				u.Day(ah/days, 1, 0)
			}
			x := u.Conc(i) * e.Bath.Volume
			sum, squares = sum+x, squares+x*x
		}
		m := sum / n
		sd := math.Sqrt(squares/n - m*m)
		want := math.Sqrt(cov[i][i])
		// The estimate's evaporation leaves the level where it is; a share of the drag
		// out of half a percent is what that changes.
		assert.InDelta(t, mean[i], m, 4*want/math.Sqrt(n)+0.002*mean[i]+0.05*want, c.Name)
		assert.InDelta(t, 1, sd/want, 0.2, "%s: spread", c.Name)
	}
}

func TestPatternOfUse(t *testing.T) {
	perDay := func(s *shop) float64 { return make20(t, s.estimate(t), Options{}).AhPerDay }
	regular := steady(t, "copper-electroforming")
	assert.InDelta(t, 30.0/7, perDay(regular), 0.75, "but for the idle weeks that any shop may have")

	// A month away is a gap, not a slower shop: what is expected of the half-year
	// after it falls by less than the month's share of the log does.
	away := newShop(t, "copper-electroforming")
	for week := range 24 {
		away.after(7)
		if week < 8 || week >= 12 {
			away.plate(30, 4)
		}
	}
	away.after(1)
	assert.Greater(t, perDay(away), 0.85*perDay(regular))
	assert.Less(t, perDay(away), 1.05*perDay(regular))

	// Somebody who has just stopped for two months is likelier to stay away a while.
	gone := steady(t, "copper-electroforming")
	before := perDay(gone)
	gone.after(56)
	f := make20(t, gone.estimate(t), Options{Days: 28})
	assert.Less(t, f.AhPerDay, 0.6*before)
	assert.Positive(t, f.AhPerDay)

	never := newShop(t, "copper-electroforming")
	never.after(60)
	f = make20(t, never.estimate(t), Options{})
	assert.Zero(t, f.AhPerDay)
	assert.NotEmpty(t, f.Leaves)
}

func TestPlannedJobs(t *testing.T) {
	s := steady(t, "copper-bright")
	e := s.estimate(t)
	plain := make20(t, e, Options{Days: 60})
	jobs := []Job{{s.now.AddDate(0, 0, 2), 40}, {s.now.AddDate(0, 0, 4), 40}, {s.now.AddDate(0, 0, 6), 40}}
	busy := make20(t, e, Options{Days: 60, Jobs: jobs})
	assert.InDelta(t, 120.0/60, busy.AhPerDay-plain.AhPerDay, 1e-9, "three loads of 40 Ah")
	require.NotEmpty(t, plain.Organics)
	for i, o := range plain.Organics {
		assert.False(t, busy.Organics[i].Due.P50.After(o.Due.P50.AddDate(0, 0, 1)), "more plating, no later dose: %s", o.Constituent)
	}
}

func TestDatesAreInOrder(t *testing.T) {
	for _, name := range recipe.Shipped() {
		e := steady(t, name).estimate(t)
		f := make20(t, e, Options{Stock: map[string]dose.Stock{"sulfuric acid 35 %": {Left: 0.5}}})
		check := func(d Dates, what string) {
			far := e.At.AddDate(100, 0, 0)
			date := func(x time.Time) time.Time {
				if x.IsZero() {
					return far
				}
				return x
			}
			assert.False(t, date(d.P10).After(date(d.P50)), "%s %s", name, what)
			assert.False(t, date(d.P50).After(date(d.P90)), "%s %s", name, what)
			for _, x := range []time.Time{d.P10, d.P50, d.P90} {
				assert.True(t, x.IsZero() || !x.Before(e.At) && !x.After(e.At.AddDate(0, 0, 181)), "%s %s: %s", name, what, x)
			}
		}
		for _, l := range f.Leaves {
			check(l.Date, l.Constituent+" "+l.Edge)
		}
		for _, o := range f.Organics {
			check(o.Due, o.Constituent)
			assert.Positive(t, o.Amount)
		}
		for _, b := range f.Buy {
			check(b.Out, b.Material.Name)
			assert.False(t, b.By.Before(e.At))
		}
	}
}

// What stands alone falls as its loss says: with a loss of 1 % a day and no use, an
// organic that is at 4 mL/L is at 3 after ln(4/3)/0.01 = 28.8 days.
func TestStandingLossIsExponential(t *testing.T) {
	s := newShop(t, "copper-electroforming")
	text, _ := recipe.ShippedText("copper-electroforming")
	r, err := recipe.Parse("x", text)
	require.NoError(t, err)
	c, ok := r.Constituent("brightener")
	require.True(t, ok)
	want := math.Log(c.Target/c.Low) / c.Loss.Value
	f := make20(t, s.estimate(t), Options{Paths: 2000, Days: 365})
	l := leaving(t, f, "brightener", "low")
	got := l.Date.P50.Sub(s.now).Hours() / 24
	assert.InEpsilon(t, want, got, 0.1, "nobody has plated: the median of the loss is its prior's middle")
	assert.InDelta(t, 0, l.Ah.P50, 1e-9)
}

// An anode of known mass under a steady current is at a fifth of its first mass
// when the charge has dissolved the rest: Faraday's law, 1.1855 g/Ah of copper
// (63.546 g/mol over 2 F, CODATA 2018), beside what air dissolves and sludge.
func TestAnodesAreUsedUp(t *testing.T) {
	s := newShop(t, "copper-electroforming")
	s.do(chem.Hang{Anode: "slab", Mass: chem.MeasuredOf(1.2, "kg", 0.001), Form: "slab", Area: chem.MeasuredOf(12, "dm2", 0)})
	for range 10 {
		s.after(7)
		s.plate(30, 4)
	}
	e := s.estimate(t)
	require.Len(t, e.Anodes, 1)
	f := make20(t, e, Options{Days: 365})
	require.Len(t, f.Anodes, 1)
	a := f.Anodes[0]
	require.False(t, a.Replace.P50.IsZero())
	weeks := a.Replace.P50.Sub(s.now).Hours() / 24 / 7
	k := e.Rate("dissolution").Value
	perWeek := (f.AhPerDay*7*1.1855 + k*7*63.546) / 1000 / 0.995
	want := (a.Mass - 0.2*1.2) / perWeek
	assert.InEpsilon(t, want, weeks, 0.15)
	assert.Contains(t, a.Reason, "20 % of its first 1.2 kg")
	assert.InDelta(t, a.Mass/1.2, a.Fraction, 1e-9)
}

// Stock that is short runs out, and is to be ordered a lead time before that.
func TestStockRunsOut(t *testing.T) {
	s := steady(t, "copper-electroforming")
	e := s.estimate(t)
	f := make20(t, e, Options{Days: 365, Stock: map[string]dose.Stock{"brightener": {Left: 300}, "sodium chloride": {Left: 1e6}}})
	require.Len(t, f.Buy, 1, "there is salt for ever")
	b := f.Buy[0]
	assert.Equal(t, "brightener", b.Material.Name)
	assert.InDelta(t, 7*24, b.Out.P10.Sub(b.By).Hours(), 1, "a week's lead where the recipe says nothing, unless it is due now")
	assert.Positive(t, b.Amount)
	less := make20(t, e, Options{Days: 365, Stock: map[string]dose.Stock{"brightener": {Left: 150}}})
	assert.True(t, less.Buy[0].Out.P50.Before(b.Out.P50))
}

func TestWhatCannotBeForecast(t *testing.T) {
	e := steady(t, "copper-electroforming").estimate(t)
	for want, o := range map[string]Options{
		"1 to 3660 would fit":  {Days: 5000},
		"at least 10 would":    {Paths: 3},
		"more than 0 Ah would": {Jobs: []Job{{e.At, 0}}},
		"is over":              {Jobs: []Job{{e.At.AddDate(0, 0, -3), 10}}},
	} {
		_, err := Make(e, o)
		require.Error(t, err)
		assert.True(t, strings.Contains(err.Error(), want), err.Error())
	}
}
