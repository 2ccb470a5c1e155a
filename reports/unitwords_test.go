package reports

import (
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/dose"
	"steadybath/chem/estimate"
	"steadybath/chem/journal"
)

// Factors are those of chem/unit_test.go: 1 US gal = 3.785411784 L, 1 oz/gal =
// 7.489152 g/L, 1 A/ft2 = 0.1076391 A/dm2, 1 fl oz = 29.5735 mL; a difference of
// 1 K is one of 1.8 degF.
func TestUnitsWords(t *testing.T) {
	for name, c := range map[string]struct{ in, us string }{
		"Concentration":    {"copper is 44.2 g/L, low", "copper is 5.9 oz/gal, low"},
		"MeanAndSpread":    {"copper is 44.2 ± 1.2 g/L once filled up", "copper is 5.9 ± 0.16 oz/gal once filled up"},
		"Window":           {"below its window of 46 to 54 g/L; to", "below its window of 6.14 to 7.21 oz/gal; to"},
		"Volume":           {"the tank holds about 57.6 L; its mark is 60 L", "the tank holds about 15.2 gal; its mark is 15.9 gal"},
		"EndOfSentence":    {"fill up to 60 L.", "fill up to 15.9 gal."},
		"Pour":             {"from here on 30 mL every 40 Ah", "from here on 1.01 fl oz every 40 Ah"},
		"Weight":           {"5 kg of it, and 250 g", "11 lb of it, and 8.82 oz"},
		"Temperature":      {"less than 23 degC (the recipe's warmest is 24 degC)", "less than 73.4 degF (the recipe's warmest is 75.2 degF)"},
		"Freezing":         {"at -10 degC", "at 14 degF"},
		"WarmsBy":          {"a pour warms the whole bath by 2 K, all by 0.5 K", "a pour warms the whole bath by 3.6 degF, all by 0.9 degF"},
		"Density":          {"over 4 A/dm2", "over 37.2 A/ft2"},
		"ManyDigits":       {"1.2345 L", "0.32612 gal"},
		"Next":             {"1 L 2 L", "0.264 gal 0.528 gal"},
		"SmallStays":       {"60 mg/L and 4 mL/L and 12 mmol/L", "60 mg/L and 4 mL/L and 12 mmol/L"},
		"RatesStay":        {"0.5 L/day and 2 g/Ah and 3 kg/L", "0.5 L/day and 2 g/Ah and 3 kg/L"},
		"NoFigure":         {"a cup of deionised water, g/L or L", "a cup of deionised water, g/L or L"},
		"WordsLikeUnits":   {"5 Litres, 3 grams, 7 Ah", "5 Litres, 3 grams, 7 Ah"},
		"PartOfAWord":      {"fact2 L", "fact2 L"},
		"NameWithAFigure":  {"put in 2 L of salt, bag of 25 kg, first", "put in 0.528 gal of salt, bag of 25 kg, first"},
		"AmountOfTheWhole": {"3.1 of 40 g/L", "0.414 of 5.34 oz/gal"},
		"Zero":             {"0 L are left", "0 gal are left"},
	} {
		t.Run(name, func(t *testing.T) {
			assert.Equal(t, c.us, US.Words(c.in, "copper", "salt, bag of 25 kg"))
			assert.Equal(t, c.in, Metric.Words(c.in, "copper", "salt, bag of 25 kg"))
		})
	}
}

// metricLeft is a figure in a unit that the US system has another for; what is
// to be weighed or measured out is printed in both, the exact one in brackets.
var (
	metricLeft = regexp.MustCompile(`\d (?:g/L|L|mL|kg|g|A/dm2|dm2|degC|K|um)(?:[^A-Za-z/0-9]|$)`)
	weighedOut = regexp.MustCompile(`(lb|oz|fl oz|gal) \(([-0-9.]+) (kg|g|mL|L)\)`)
	space      = regexp.MustCompile(`\s+`)
)

func demoFacts(t *testing.T) []chem.Fact {
	bath, _ := demoJournal(t)
	return bath
}

// demoJournal is the invented half-year: the bath's facts and the shop's.
func demoJournal(t *testing.T) (bath, shop []chem.Fact) {
	file, err := os.Open("../testdata/demo/half-year.csv")
	require.NoError(t, err)
	defer file.Close()
	for e, err := range journal.NewReader(file, nil).All() {
		require.NoError(t, err)
		if e.Fact.Bath != "" {
			bath = append(bath, e.Fact)
		} else {
			shop = append(shop, e.Fact)
		}
	}
	return bath, shop
}

// The invented half-year, asked every third day: state and dose in US units name
// no metric one, and in metric the sentences are those of the chemistry.
func TestDemoInUSUnits(t *testing.T) {
	bath, err := estimate.Open(demoFacts(t))
	require.NoError(t, err)
	zone := vienna()
	sentences, changed := 0, 0
	end := time.Date(2026, 11, 22, 20, 0, 0, 0, zone)
	for at := bath.Began.Add(6 * time.Hour); !at.After(end); at = at.AddDate(0, 0, 3) {
		e, err := bath.At(at, estimate.Options{})
		require.NoError(t, err)
		plan, err := dose.Make(e, dose.Options{})
		require.NoError(t, err)
		var us, metric strings.Builder
		require.NoError(t, State(&us, e, zone, US, "head"))
		require.NoError(t, Dose(&us, plan, zone, US))
		require.NoError(t, Overview(&us, []Due{DueOf(e, ThingsDue(e, plan, nil, US), time.UTC)}, US))
		for line := range strings.Lines(us.String()) {
			assert.LessOrEqual(t, len([]rune(strings.TrimRight(line, "\n"))), width, line)
		}
		text := weighedOut.ReplaceAllString(space.ReplaceAllString(us.String(), " "), "$1")
		assert.NotRegexp(t, metricLeft, text, at)
		require.NoError(t, State(&metric, e, zone, Metric, "head"))
		require.NoError(t, Dose(&metric, plan, zone, Metric))
		said := space.ReplaceAllString(metric.String(), " ")
		for _, a := range plan.Additions {
			sentences++
			assert.Contains(t, said, space.ReplaceAllString(a.Why, " "))
			if !strings.Contains(text, space.ReplaceAllString(a.Why, " ")) {
				changed++
			}
		}
	}
	assert.Greater(t, sentences, 20, "the demo asks for too little to show anything")
	assert.Greater(t, changed, 10)
}

// JSON names units of its own and is the same whatever is shown to people.
func TestPlanWordsLeavesThePlanAlone(t *testing.T) {
	bath, err := estimate.Open(demoFacts(t))
	require.NoError(t, err)
	e, err := bath.At(time.Date(2026, 11, 22, 20, 0, 0, 0, vienna()), estimate.Options{})
	require.NoError(t, err)
	plan, err := dose.Make(e, dose.Options{})
	require.NoError(t, err)
	var before, after strings.Builder
	require.NoError(t, DoseJSON(&before, plan, "head"))
	other := US.PlanWords(plan)
	require.NoError(t, DoseJSON(&after, plan, "head"))
	assert.Equal(t, before.String(), after.String())
	assert.Same(t, plan, Metric.PlanWords(plan))
	require.Len(t, other.Additions, len(plan.Additions))
	for i, a := range other.Additions {
		assert.Equal(t, plan.Additions[i].Amount, a.Amount)
		assert.Len(t, a.Portions, len(plan.Additions[i].Portions))
	}
}
