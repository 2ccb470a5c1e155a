package estimate_test

import (
	"fmt"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/estimate"
	"steadybath/chem/recipe"
	"steadybath/chem/simulate"
)

func shipped(t testing.TB) (*chem.Recipe, string) {
	t.Helper()
	text, ok := recipe.ShippedText("copper-electroforming")
	require.True(t, ok)
	r, err := recipe.Parse("copper-electroforming", text)
	require.NoError(t, err)
	return r, string(text)
}

// score is what a group of simulated baths says about the estimate of one
// constituent: squared errors and how often the truth lay in the 90 % interval.
type score struct {
	n                      int
	after, before, reading float64 // sums of squares
	carried                float64
	inAfter, inBefore      int
	held, readings         int
}

func (s score) String() string {
	n := float64(s.n)
	return fmt.Sprintf("n %5d  after %.2f  before/carried %.2f  cover after %.1f before %.1f  held %.2f%%",
		s.n, math.Sqrt(s.after/s.reading), math.Sqrt(s.before/s.carried), 100*float64(s.inAfter)/n, 100*float64(s.inBefore)/n, 100*float64(s.held)/float64(max(1, s.readings)))
}

// follow compares an estimate with the truth around every round of readings
// after the first eight weeks.
func follow(t testing.TB, c simulate.Config, scores map[string]*score) {
	t.Helper()
	run, err := simulate.Make(c)
	require.NoError(t, err)
	bath, err := estimate.Open(run.Facts)
	require.NoError(t, err)
	last := map[string]float64{}
	e, err := bath.At(run.Facts[len(run.Facts)-1].Time, estimate.Options{Track: true})
	require.NoError(t, err)
	_ = e
	for i, f := range bath.Facts {
		a, ok := f.Body.(chem.Assay)
		if !ok {
			if p, isPanel := f.Body.(chem.Panel); isPanel && p.Value.Given() {
				a, ok = chem.Assay{Of: p.Of, Value: p.Value}, true
			}
		}
		if !ok || a.Of == "temperature" {
			continue
		}
		s := scores[a.Of]
		if s == nil {
			s = &score{}
			scores[a.Of] = s
		}
		_ = i
		truth := run.At(f.Time).Conc(a.Of)
		if f.Time.Sub(bath.Began) > 56*24*time.Hour {
			after, err := bath.At(f.Time, estimate.Options{})
			require.NoError(t, err)
			before, err := bath.At(f.Time.Add(-time.Microsecond), estimate.Options{})
			require.NoError(t, err)
			now, then := of(after, a.Of), of(before, a.Of)
			reading := a.Value.Value(now.Unit)
			s.n++
			s.after += sq(now.Value - truth)
			s.before += sq(then.Value - truth)
			s.reading += sq(reading - truth)
			s.carried += sq(last[a.Of] - truth)
			if now.Low90 <= truth && truth <= now.High90 {
				s.inAfter++
			}
			if then.Low90 <= truth && truth <= then.High90 {
				s.inBefore++
			}
		}
		last[a.Of] = a.Value.Value("" + a.Value.Unit)
	}
	for _, r := range e.Readings {
		if s := scores[r.Subject]; s != nil {
			s.readings++
			if r.Fate != estimate.Used {
				s.held++
			}
		}
	}
}

func of(e *estimate.Estimate, name string) estimate.Constituent {
	for _, c := range e.Constituents {
		if c.Name == name {
			return c
		}
	}
	return estimate.Constituent{}
}

func sq(x float64) float64 { return x * x }

func TestCalibrateTry(t *testing.T) {
	r, text := shipped(t)
	start := time.Date(2025, 1, 6, 8, 0, 0, 0, time.UTC)
	for _, g := range strings.Split(os.Getenv("CAL"), ",") {
		scores := map[string]*score{}
		for seed := range uint64(25) {
			var v float64 = 60
			c := simulate.Hobby(r, v, start, 200, 1000+seed)
			switch g {
			case "20":
				c = simulate.Hobby(r, 20, start, 200, 1000+seed)
			case "200":
				c = simulate.Hobby(r, 200, start, 200, 1000+seed)
			case "400":
				c = simulate.Hobby(r, 400, start, 200, 1000+seed)
			case "off":
				c.PriorOff = 2
			}
			c.RecipeText = text
			follow(t, c, scores)
		}
		for _, name := range []string{"copper", "sulfuric acid", "chloride", "brightener"} {
			if s := scores[name]; s != nil {
				fmt.Printf("%-4s %-14s %s\n", g, name, s)
			}
		}
	}
}
