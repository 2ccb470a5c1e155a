package reports

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/dose"
	"steadybath/chem/estimate"
	"steadybath/chem/forecast"
	"steadybath/chem/recipe"
	"steadybath/chem/simulate"
)

// BenchmarkBathPage says what a page of ten years and 100,000 facts costs, and in the same run its peer: the plain estimate that
// it cannot do without. beyond-s is the difference.
func BenchmarkBathPage(b *testing.B) {
	const n = 100_000
	began := time.Date(2016, 1, 4, 8, 0, 0, 0, time.UTC)
	text, ok := recipe.ShippedText("copper-electroforming")
	require.True(b, ok)
	r, err := recipe.Parse("copper-electroforming", text)
	require.NoError(b, err)
	c := simulate.Hobby(r, 60, began, 3650, 1)
	c.RecipeText = string(text)
	sim, err := simulate.Make(c)
	require.NoError(b, err)
	facts := sim.Facts
	last := facts[len(facts)-1].Time
	between := last.Sub(began) / time.Duration(n-len(facts))
	for i := 1; len(facts) < n; i++ {
		at := began.Add(time.Duration(i) * between).Add(2 * time.Hour)
		truth := sim.At(at)
		f := chem.Fact{ID: uuid.NewSHA1(uuid.Nil, fmt.Append(nil, i)), Number: int64(len(facts) + 1), Time: at, Bath: "sim"}
		switch i % 10 { // a shop that reads every day and plates in short runs
		case 0:
			f.Body = chem.Level{Volume: chem.MeasuredOf(truth.Volume, "L", 0.3)}
		case 1:
			f.Body = chem.Assay{Of: "copper", Value: chem.MeasuredOf(truth.Conc("copper"), "g/L", 0.4), Sample: chem.Sample{Returned: true}}
		case 2:
			f.Body = chem.Assay{Of: "sulfuric acid", Value: chem.MeasuredOf(truth.Conc("sulfuric acid"), "g/L", 0.9), Sample: chem.Sample{Returned: true}}
		case 3:
			f.Body = chem.Add{Material: "brightener", Amount: chem.MeasuredOf(0.001, "mL", 0)}
		default:
			f.Body = chem.Plate{Charge: chem.MeasuredOf(0.001, "Ah", 0)}
		}
		facts = append(facts, f)
	}
	bath, err := estimate.Open(facts)
	require.NoError(b, err)
	var alone, whole time.Duration
	var page strings.Builder
	spent := map[string]time.Duration{}
	for b.Loop() {
		start := time.Now()
		_, err := bath.At(last, estimate.Options{})
		require.NoError(b, err)
		alone += time.Since(start)

		start = time.Now()
		step := start
		lap := func(name string) {
			now := time.Now()
			spent[name] += now.Sub(step)
			step = now
		}
		kept, far := make(chan *estimate.Ledger, 1), make(chan *forecast.Forecast, 1)
		go func() {
			ledger, err := bath.Ledger(time.Time{}, last)
			if err != nil {
				panic(err)
			}
			kept <- ledger
		}()
		e, err := bath.At(last, estimate.Options{Track: true})
		require.NoError(b, err)
		lap("track")
		go func() {
			farther, err := forecast.Make(e, forecast.Options{Days: 365, Seed: 1})
			if err != nil {
				panic(err)
			}
			far <- farther
		}()
		plan, err := dose.Make(e, dose.Options{})
		require.NoError(b, err)
		ahead, err := forecast.Make(e, forecast.Options{Days: 180, Seed: 1, Fans: FanDays, Plan: plan})
		require.NoError(b, err)
		ahead.Anodes = (<-far).Anodes
		lap("ahead")
		ledger := <-kept
		lap("ledger")
		page.Reset()
		require.NoError(b, WritePage(&page, BathPage(PageInput{Estimate: e, Plan: plan, Forecast: ahead, AnodeDays: 365, Ledger: ledger, Entered: facts, Zone: time.UTC,
			Units: Metric, Made: last})))
		lap("write")
		whole += time.Since(start)
	}
	per := func(d time.Duration) float64 { return d.Seconds() / float64(b.N) }
	b.ReportMetric(per(alone), "estimate-s")
	b.ReportMetric(per(whole), "page-s")
	b.ReportMetric(per(whole-alone), "beyond-s")
	for name, d := range spent {
		b.ReportMetric(per(d), name+"-s")
	}
	b.ReportMetric(float64(page.Len())/1e6, "MB/page")
}
