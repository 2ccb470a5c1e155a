package reports

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/dose"
	"steadybath/chem/entry"
	"steadybath/chem/estimate"
	"steadybath/chem/forecast"
)

// demoPage is the page of the invented half-year as of a moment, with what it was made from.
func demoPage(t *testing.T, at time.Time) (Page, PageInput) {
	facts, shop := demoJournal(t)
	bath, err := estimate.Open(facts)
	require.NoError(t, err)
	e, err := bath.At(at, estimate.Options{Track: true})
	require.NoError(t, err)
	plan, err := dose.Make(e, dose.Options{})
	require.NoError(t, err)
	ahead, err := forecast.Make(e, forecast.Options{Days: 365, Seed: 1, Fans: FanDays, Plan: plan})
	require.NoError(t, err)
	ledger, err := bath.Ledger(time.Time{}, at)
	require.NoError(t, err)
	first, err := bath.At(bath.Began, estimate.Options{})
	require.NoError(t, err)
	in := PageInput{Estimate: e, Plan: plan, Forecast: ahead, AnodeDays: 365, Ledger: ledger, Believed: first.Rates, Entered: facts,
		Titrants: entry.TitrantLots(shop, bath.Facts, at), Zone: vienna(), Units: Metric, Head: "head", Made: at, Version: "v"}
	return BathPage(in), in
}

func TestBathPageShowsTheEstimate(t *testing.T) {
	at := time.Date(2026, 11, 22, 9, 0, 0, 0, time.UTC)
	p, in := demoPage(t, at)
	e := in.Estimate
	panels := map[string]Panel{}
	for _, panel := range p.Panels {
		panels[panel.Name] = panel
	}
	for i, c := range e.Constituents {
		panel := panels[c.Name]
		require.Len(t, panel.Estimate, len(e.Track))
		for k, x := range e.Track {
			require.Equal(t, x.Value[i], panel.Estimate[k].Value)
		}
		// What was and what is to come meet in the estimate itself.
		require.NotEmpty(t, panel.Fan)
		require.Equal(t, panel.Estimate[len(panel.Estimate)-1], panel.Fan[0])
		require.Equal(t, c.Low90, panel.Fan[0].Low90)
		require.InDelta(t, 37, panel.Fan[len(panel.Fan)-1].Time.Sub(at).Hours()/24, 1.01)
		require.NotEmpty(t, panel.Leaves)
	}
	// Every standing assay up to then is a reading, whatever became of it, and every addition a mark.
	readings, additions := 0, 0
	for _, f := range e.Bath.Facts {
		switch b := f.Body.(type) {
		case chem.Assay:
			if _, ok := panels[b.Of]; ok && !f.Time.After(at) {
				readings++
			}
		case chem.Panel:
			readings++
		case chem.Level:
			readings++
		case chem.Add:
			additions++
		}
	}
	drawn, marked := 0, 0
	for _, panel := range panels {
		for _, r := range panel.Readings {
			if r.State != ReadingVoid {
				drawn++
			}
		}
	}
	for _, m := range panels["volume"].Marks {
		if m.Kind == MarkAdd {
			marked++
		}
	}
	require.Equal(t, readings, drawn)
	require.Equal(t, additions, marked)

	sum, ah := 0.0, 0.0
	for _, d := range p.Days {
		sum += d.Ah
	}
	for _, x := range e.Passed() {
		ah += x.Ah
	}
	require.InDelta(t, ah, sum, 1e-9)
	require.Greater(t, sum, 100.0)
}

func TestBathPageShowsAnodesAndMetal(t *testing.T) {
	at := time.Date(2026, 11, 22, 9, 0, 0, 0, time.UTC)
	p, in := demoPage(t, at)
	hung := 0
	for _, a := range in.Estimate.Anodes {
		for _, panel := range p.Panels {
			if panel.Name != "anode "+a.ID {
				continue
			}
			hung++
			last := panel.Estimate[len(panel.Estimate)-1]
			require.InDelta(t, a.Mass, last.Value, 1e-9)
			require.InDelta(t, z90*a.U, last.High90-last.Value, 1e-9)
			require.InDelta(t, 0.2*a.Started, panel.Low, 0.0006*a.Started) // the assumed fifth, with three figures
			require.Contains(t, panel.Leaves, "replace: about 2027-")
			require.Less(t, panel.Fan[len(panel.Fan)-1].Value, last.Value)
		}
	}
	require.Equal(t, len(in.Estimate.Anodes), hung)

	sheets := map[string]Sheet{}
	for _, s := range append(append([]Sheet(nil), p.Sheets...), p.Basis...) {
		sheets[s.Name] = s
	}
	for _, name := range []string{"Anodes", "Balances", "Where the copper went", "Windows", "Rates", "Titrants"} {
		require.NotEmpty(t, sheets[name].Rows, name)
	}
	require.Len(t, sheets["Balances"].Rows, len(in.Estimate.Balances))
	metal := sheets["Where the copper went"]
	posted := 0
	for _, x := range in.Ledger.Postings {
		if !x.Unlogged {
			assert.Equal(t, x.Cause, metal.Rows[posted][1])
			posted++
		}
	}
	require.Len(t, metal.Rows, posted)
	longest := 0.0
	for _, part := range metal.Parts {
		longest = math.Max(longest, part)
	}
	require.Equal(t, 1.0, longest)
	require.Len(t, sheets["Rates"].Rows, len(in.Estimate.Rates))
}

// Now and then in the half-year: what is due now is what the forecast says is due now, nothing due within a week is left
// out, each has its reason, and the page can be written.
func TestBathPageSaysWhatIsDue(t *testing.T) {
	levels := map[string]int{}
	for at := time.Date(2026, 5, 21, 18, 0, 0, 0, time.UTC); at.Before(time.Date(2026, 11, 22, 20, 0, 0, 0, time.UTC)); at = at.AddDate(0, 0, 18) {
		p, in := demoPage(t, at)
		due := map[string]DueLine{}
		for _, d := range p.Due {
			what, day, dated := strings.Cut(d.What, " by ")
			if dated {
				day = " by " + day
			}
			first, others, _ := strings.Cut(what, ", ") // readings that are due together share a line
			due[first+day] = d
			for _, subject := range strings.Split(others, ", ") {
				due["read "+subject+day] = d
			}
			levels[d.Level]++
			assert.NotEmpty(t, d.Why, d.What)
		}
		for _, x := range ThingsDue(in.Estimate, in.Plan, in.Forecast, Metric) {
			line, said := due[x.What+x.dueDay(at, in.Zone)]
			switch days := x.By.Sub(at).Hours() / 24; {
			case days <= 0:
				require.True(t, said, x.What)
				require.Equal(t, DueNow, line.Level)
			case days < 6.9:
				require.True(t, said, x.What)
				require.Equal(t, DueSoon, line.Level)
			}
			if x.Kind == "anode" {
				require.True(t, said, "when an anode will be gone is always worth knowing")
			}
		}
		var page strings.Builder
		require.NoError(t, WritePage(&page, p))
	}
	for _, level := range []string{DueNow, DueSoon, DueLater} {
		require.Positive(t, levels[level], level)
	}
}

func TestPageDatesInWords(t *testing.T) {
	at := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	in := PageInput{Estimate: &estimate.Estimate{At: at}, Zone: time.UTC}
	day := func(n int) time.Time { return at.AddDate(0, 0, n) }
	var none time.Time
	for want, d := range map[string]forecast.Dates{
		"not within 180 days":                   {P10: none, P50: none, P90: none},
		"now":                                   {P10: at, P50: at, P90: day(3)},
		"about 2026-03-12 (80 %: now to later)": {P10: at, P50: day(10)},
		"about 2026-03-12 (80 %: 2026-03-07 to 2026-03-22)": {P10: day(5), P50: day(10), P90: day(20)},
		"hardly before 2026-03-07":                          {P10: day(5)},
		"on 2026-03-07":                                     {P10: day(5), P50: day(5), P90: day(5)},
	} {
		assert.Equal(t, want, in.dates(d, 180))
	}
}
