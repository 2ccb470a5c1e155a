package estimate

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/simulate"
)

// longLog is a log of n facts over ten years: a simulated shop's, filled up with
// short plating runs and the readings that fit them.
func longLog(b *testing.B, n int) *Bath {
	b.Helper()
	r, text := shipped(b)
	c := simulate.Hobby(r, 60, monday, 3650, 1)
	c.RecipeText = text
	sim, err := simulate.Make(c)
	require.NoError(b, err)
	facts := sim.Facts
	if n < len(facts) {
		facts = facts[:n]
	}
	last := facts[len(facts)-1].Time
	between := last.Sub(monday) / time.Duration(max(1, n-len(facts)))
	for i := 1; len(facts) < n; i++ {
		at := monday.Add(time.Duration(i) * between).Add(2 * time.Hour)
		truth := sim.At(at)
		f := chem.Fact{ID: uuid.NewSHA1(uuid.Nil, fmt.Append(nil, i)), Time: at, Bath: "sim"}
		switch i % 5 {
		case 0:
			f.Body = chem.Level{Volume: chem.MeasuredOf(truth.Volume, "L", 0.3)}
		case 1:
			f.Body = chem.Assay{Of: "copper", Value: chem.MeasuredOf(truth.Conc("copper"), "g/L", 0.4), Sample: chem.Sample{Returned: true}}
		case 2:
			f.Body = chem.Assay{Of: "sulfuric acid", Value: chem.MeasuredOf(truth.Conc("sulfuric acid"), "g/L", 0.9), Sample: chem.Sample{Returned: true}}
		default:
			f.Body = chem.Plate{Charge: chem.MeasuredOf(0.001, "Ah", 0)}
		}
		facts = append(facts, f)
	}
	bath, err := Open(facts)
	require.NoError(b, err)
	return bath
}

func BenchmarkAt(b *testing.B) {
	for _, n := range []int{1000, 10000, 100000} {
		bath := longLog(b, n)
		last := bath.Facts[len(bath.Facts)-1].Time
		for _, track := range []bool{false, true} {
			b.Run(fmt.Sprintf("facts=%d/track=%t", n, track), func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					_, err := bath.At(last, Options{Track: track})
					require.NoError(b, err)
				}
			})
		}
	}
}

// BenchmarkLedger measures what the metal's book costs beyond the plain estimate,
// one after the other, so that both have the same machine: from the beginning, and
// opened a year before the end.
func BenchmarkLedger(b *testing.B) {
	for _, n := range []int{1000, 10000, 100000} {
		bath := longLog(b, n)
		last := bath.Facts[len(bath.Facts)-1].Time
		for _, later := range []bool{false, true} {
			from := time.Time{}
			if later {
				from = last.AddDate(-1, 0, 0)
				if from.Before(bath.Began) {
					continue
				}
			}
			b.Run(fmt.Sprintf("facts=%d/later=%t", n, later), func(b *testing.B) {
				b.ReportAllocs()
				var plain, book time.Duration
				for b.Loop() {
					began := time.Now()
					_, err := bath.At(last, Options{})
					require.NoError(b, err)
					between := time.Now()
					_, err = bath.Ledger(from, last)
					require.NoError(b, err)
					plain, book = plain+between.Sub(began), book+time.Since(between)
				}
				n := float64(b.N)
				b.ReportMetric(plain.Seconds()/n, "s/estimate")
				b.ReportMetric(book.Seconds()/n, "s/ledger")
				b.ReportMetric((book-plain).Seconds()/n, "s/beyond")
			})
		}
	}
}

// BenchmarkSmoothed measures what smoothing costs beyond the plain estimate, one
// after the other, so that both have the same machine.
func BenchmarkSmoothed(b *testing.B) {
	bath := longLog(b, 100000)
	last := bath.Facts[len(bath.Facts)-1].Time
	b.ReportAllocs()
	var plain, track time.Duration
	for b.Loop() {
		began := time.Now()
		_, err := bath.At(last, Options{})
		require.NoError(b, err)
		between := time.Now()
		_, err = bath.At(last, Options{Track: true})
		require.NoError(b, err)
		plain, track = plain+between.Sub(began), track+time.Since(between)
	}
	n := float64(b.N)
	b.ReportMetric(plain.Seconds()/n, "s/estimate")
	b.ReportMetric(track.Seconds()/n, "s/track")
	b.ReportMetric((track-plain).Seconds()/n, "s/beyond")
}
