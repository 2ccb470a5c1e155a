package forecast

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/estimate"
	"steadybath/chem/recipe"
)

func fanOf(t testing.TB, fans []Fan, subject string) Fan {
	for _, f := range fans {
		if f.Subject == subject {
			return f
		}
	}
	require.Failf(t, "no such fan", "%s of %+v", subject, fans)
	return Fan{}
}

// The standard error of a quantile p of n draws from a normal distribution, in its
// standard deviations, is sqrt(p(1-p)/n) over the density there: 0.3989 in the
// middle, 0.1031 at 5 and 95 % (both from memory).
func quantileError(p, density, n float64) float64 { return math.Sqrt(p*(1-p)/n) / density }

// nearMiddle compares the middle line with a law, within four standard errors.
func nearMiddle(t *testing.T, want float64, p FanPoint, paths int, what string) {
	sd := (p.P95 - p.P05) / (2 * 1.6449)
	assert.InDelta(t, want, p.P50, 4*sd*quantileError(0.5, 0.3989, float64(paths))+1e-9, what)
}

// A copper bath that stands alone: the air dissolves so many mol a day from the
// anodes that the recipe takes for granted, which brings copper (63.546 g/mol, IUPAC
// 2021) and takes one mol of acid (98.072 g/mol) for each; organics decay; and what
// evaporates is made up, so that nothing else changes. A bath that plates the same
// charge each day, which planned jobs say exactly: copper comes and goes by
// Faraday's law with both efficiencies, 63.546 g/mol over 2 F (CODATA 2018) being
// 1.1855 g/Ah, organics by their use, and all by what is carried out.
func TestFansFollowTheLinearLaw(t *testing.T) {
	const paths, volume = 4000, 60.0
	for _, perDay := range []float64{0, 6} {
		s := newShop(t, "copper-electroforming")
		s.do(chem.Hang{Anode: "slab", Mass: chem.MeasuredOf(3, "kg", 0.001), Form: "slab"})
		e := s.estimate(t)
		o := Options{Paths: paths, Days: 40, Fans: 28}
		for day := range 40 {
			if perDay > 0 {
				o.Jobs = append(o.Jobs, Job{e.At.AddDate(0, 0, day), perDay})
			}
		}
		f := make20(t, e, o)
		rate := func(name string) float64 { return e.Rate(name).Value }
		q := perDay * rate("ammeter factor")
		into := rate("anode efficiency")*q/(2*chem.FaradayAh) + rate("dissolution") // mol a day
		plated := rate("cathode efficiency") * q / (2 * chem.FaradayAh)
		out := math.Exp(-rate("drag-out") * q / volume) // what a day leaves of everything
		for _, days := range []int{1, 7, 28} {
			at := fmt.Sprintf("%g Ah a day, %d days", perDay, days)
			law := func(name string, change, decay float64) {
				x := fanOf(t, f.Fans, name).Points[0].P50
				for range days {
					x = (x + change/volume) * out * math.Exp(-decay)
				}
				p := fanOf(t, f.Fans, name).Points[days]
				assert.Equal(t, e.At.Add(time.Duration(days)*24*time.Hour), p.Time)
				nearMiddle(t, x, p, paths, at+", "+name)
			}
			law("copper", (into-plated)*63.546, 0)
			law("sulfuric acid", -(into-plated)*98.072, 0)
			law("brightener", -rate("brightener use")*q, rate("brightener standing loss"))
			mass := fanOf(t, f.Masses, "slab")
			assert.Equal(t, chem.Unit("kg"), mass.Unit)
			kept := 1 - rate("sludge")
			nearMiddle(t, 3-float64(days)*into*63.546/1000/kept, mass.Points[days], paths, at+", slab")
		}
	}
}

// At the time of the forecast itself the lines are those of the estimate, within
// the sampling error of a quantile, in a bath whose level has just been read at its
// mark: the fan is of the bath made up to it, the estimate of the bath as it is.
func TestFansBeginAtTheEstimate(t *testing.T) {
	const paths = 1000
	for _, name := range recipe.Shipped() {
		s := steady(t, name)
		s.do(chem.Hang{Anode: "slab", Mass: chem.MeasuredOf(3, "kg", 0.01), Form: "slab"})
		s.do(chem.Level{Volume: chem.MeasuredOf(60, "L", 0.001)})
		e := s.estimate(t)
		require.InDelta(t, 60, e.Volume, 0.01, name)
		f := make20(t, e, Options{Paths: paths, Days: 30, Fans: 3})
		var known []string
		for _, c := range e.Constituents {
			if !c.Known {
				continue
			}
			known = append(known, c.Name)
			fan := fanOf(t, f.Fans, c.Name)
			assert.Equal(t, c.Unit, fan.Unit)
			require.Len(t, fan.Points, 4)
			p := fan.Points[0]
			assert.Equal(t, e.At, p.Time)
			assert.InDelta(t, c.Low90, p.P05, 4*c.U*quantileError(0.05, 0.1031, paths), "%s %s", name, c.Name)
			assert.InDelta(t, c.High90, p.P95, 4*c.U*quantileError(0.95, 0.1031, paths), "%s %s", name, c.Name)
		}
		require.Len(t, f.Fans, len(known))
		for i, fan := range f.Fans {
			assert.Equal(t, known[i], fan.Subject, "in the recipe's order")
		}
		if e.Recipe.Anodes == "inert" {
			continue
		}
		a := e.Anodes[0]
		p := fanOf(t, f.Masses, "slab").Points[0]
		assert.InDelta(t, a.Mass-1.6449*a.U, p.P05, 4*a.U*quantileError(0.05, 0.1031, paths), name)
		assert.InDelta(t, a.Mass+1.6449*a.U, p.P95, 4*a.U*quantileError(0.95, 0.1031, paths), name)
	}
}

// The middle line crosses the window's edge on the day of Leaves' middle date. Of
// an even number of futures the upper one of the two in the middle is taken, so that
// a date of crossing upwards is by one future later than the line: less than two
// standard errors of a median.
func TestFansCrossWhereLeavesSays(t *testing.T) {
	crossings := 0
	for _, name := range recipe.Shipped() {
		e := steady(t, name).estimate(t)
		f := make20(t, e, Options{Fans: 180})
		for _, l := range f.Leaves {
			c, ok := e.Recipe.Constituent(l.Constituent)
			require.True(t, ok)
			crossed := math.Inf(1)
			for day, p := range fanOf(t, f.Fans, l.Constituent).Points {
				if l.Edge == "low" && p.P50 < c.Low || l.Edge == "high" && p.P50 > c.High {
					crossed = float64(day)
					break
				}
			}
			if l.Date.P50.IsZero() {
				assert.Equal(t, math.Inf(1), crossed, "%s %s %s", name, l.Constituent, l.Edge)
				continue
			}
			crossings++
			within := 1.0
			if l.Edge == "high" {
				late := l.Date.P90
				if late.IsZero() {
					late = e.At.AddDate(0, 0, 180)
				}
				within += 2 * quantileError(0.5, 0.3989, 400) * late.Sub(l.Date.P10).Hours() / 24 / (2 * 1.2816)
			}
			assert.InDelta(t, l.Date.P50.Sub(e.At).Hours()/24, crossed, within, "%s %s %s", name, l.Constituent, l.Edge)
		}
	}
	assert.Greater(t, crossings, 3)
}

// A fan is of what is known: a contaminant once it has been read, an anode once it
// has been weighed.
func TestFansAreOfWhatIsKnown(t *testing.T) {
	const contaminant = "iron"
	text, ok := recipe.ShippedText("copper-electroforming")
	require.True(t, ok)
	with := strings.Replace(string(text), "[[organic]]", "[[constituent]]\nname = \"iron\"\nunit = \"g/L\"\nhigh = 10 # made up\n\n[[organic]]", 1)
	s := shopOf(t, "with iron", []byte(with))
	s.do(chem.Hang{Anode: "unweighed", Form: "slab"})
	f := make20(t, s.estimate(t), Options{Fans: 2})
	for _, fan := range f.Fans {
		assert.NotEqual(t, contaminant, fan.Subject)
	}
	assert.Empty(t, f.Masses)
	s.do(chem.Assay{Of: contaminant, Value: chem.MeasuredOf(2, "g/L", 0.2)})
	s.do(chem.Hang{Anode: "weighed", Form: "slab", Mass: chem.MeasuredOf(2, "kg", 0.001)})
	f = make20(t, s.estimate(t), Options{Fans: 2})
	p := fanOf(t, f.Fans, contaminant).Points[0]
	assert.Less(t, p.P05, 2.0)
	assert.Greater(t, p.P95, 2.0)
	require.Len(t, f.Masses, 1)
	assert.Equal(t, "weighed", f.Masses[0].Subject)
}

func TestFansChangeNothingElse(t *testing.T) {
	s := steady(t, "copper-electroforming")
	s.do(chem.Hang{Anode: "slab", Mass: chem.MeasuredOf(3, "kg", 0.01), Form: "slab", Area: chem.MeasuredOf(12, "dm2", 0)})
	e := s.estimate(t)
	plain, with := make20(t, e, Options{Seed: 5}), make20(t, e, Options{Seed: 5, Fans: 60})
	assert.Nil(t, plain.Fans)
	assert.Nil(t, plain.Masses)
	require.NotEmpty(t, with.Fans)
	require.NotEmpty(t, with.Masses)
	with.Fans, with.Masses = nil, nil
	// Printed, since what is not a number equals nothing.
	assert.Equal(t, fmt.Sprintf("%+v", plain), fmt.Sprintf("%+v", with))

	// No longer than the horizon, and no less than nothing.
	short := make20(t, e, Options{Days: 10, Fans: 60})
	assert.Len(t, short.Fans[0].Points, 11)
	for _, days := range []float64{-1, math.NaN()} {
		_, err := Make(e, Options{Fans: days})
		assert.ErrorContains(t, err, "0 to 180 would fit")
	}
}

// BenchmarkMake says what fans of 60 days cost beside none.
func BenchmarkMake(b *testing.B) {
	s := steady(b, "copper-electroforming")
	s.do(chem.Hang{Anode: "slab", Mass: chem.MeasuredOf(3, "kg", 0.01), Form: "slab"})
	bath, err := estimate.Open(s.facts)
	require.NoError(b, err)
	e, err := bath.At(s.now, estimate.Options{})
	require.NoError(b, err)
	for _, days := range []float64{0, 60} {
		b.Run(fmt.Sprintf("fans=%g", days), func(b *testing.B) {
			for b.Loop() {
				if _, err := Make(e, Options{Fans: days}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
