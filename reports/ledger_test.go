package reports

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/estimate"
)

// book is a ledger to be written out, with what a test is about.
func book(t *testing.T, change func(*estimate.Ledger)) string {
	t.Helper()
	l := &estimate.Ledger{Bath: bathOf(t), Metal: "copper", Acid: "sulfuric acid", From: march, To: march.AddDate(0, 1, 0), Weighed: true,
		Accounts: []estimate.Account{{Name: estimate.InAnodes}, {Name: estimate.InBath}, {Name: estimate.OnParts}, {Name: estimate.Out}},
		Open:     estimate.Sum{Value: 1, U: 10}}
	change(l)
	b := &strings.Builder{}
	require.NoError(t, Ledger(b, l, time.UTC, Metric, strings.Repeat("a", 64)))
	for line := range strings.Lines(b.String()) {
		assert.LessOrEqual(t, len([]rune(strings.TrimRight(line, "\n"))), width, line)
	}
	return strings.Join(strings.Fields(strings.ReplaceAll(b.String(), "\n", " ")), " ")
}

var march = time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)

func bathOf(t *testing.T) *estimate.Bath {
	t.Helper()
	b, err := estimate.Open([]chem.Fact{{Time: march, Bath: "tank", Body: chem.Begin{Volume: chem.MeasuredOf(60, "L", 0), Zone: "UTC", Recipe: bookRecipe}}})
	require.NoError(t, err)
	return b
}

const bookRecipe = `
title = "plain"
metal = "copper"
charge = 2
anodes = "soluble"
volume = 60
[prior]
anode_efficiency = [1, 0.01]
cathode_efficiency = [1, 0.01]
dissolution = [0.02, 0.01]
drag_out = [0.001, 0.0005]
evaporation = [0.3, 0.1]
[[constituent]]
name = "copper"
unit = "g/L"
low = 46
target = 50
high = 54
[[material]]
name = "copper sulfate pentahydrate"
unit = "kg"
brings = { copper = 254.5 }
litres = 0.38
smallest = 0.005
`

// What does not close gets one sentence, which fits the account and the direction;
// what chance explains gets none.
func TestLedgerSaysWhatMayBeBehindIt(t *testing.T) {
	for _, c := range []struct {
		name             string
		account, reading string
		value            float64
		want             string
	}{
		{"metal that nobody added", estimate.InBath, "copper", 40, "readings keep finding more metal in the bath than the log has: perhaps an addition without a word"},
		{"metal that is missing", estimate.InBath, "copper", -40, "readings keep finding less metal in the bath than the log has: perhaps more drag-out"},
		{"salt on an anode", estimate.InAnodes, estimate.ByWeighing, 40, "the anodes weigh more than the log has: perhaps weighed wet or with salt on them"},
		{"pieces in the bag", estimate.InAnodes, estimate.ByWeighing, -40, "the anodes weigh less than the log has: perhaps pieces in the bag"},
		{"wet parts", estimate.OnParts, estimate.ByGain, 40, "perhaps not weighed dry"},
		{"a meter that shows too much", estimate.OnParts, estimate.ByGain, -40, "perhaps a meter that shows too much"},
	} {
		t.Run(c.name, func(t *testing.T) {
			with := func(value float64) string {
				return book(t, func(l *estimate.Ledger) {
					l.Corrections = []estimate.Correction{{Account: c.account, Readings: c.reading, Sum: estimate.Sum{Value: value, U: 10}}}
				})
			}
			assert.Contains(t, with(c.value), "! ")
			assert.Contains(t, with(c.value), c.want)
			assert.NotContains(t, with(c.value/2), "! ", "two standard uncertainties are chance")
		})
	}
}

// A correction of one account by what looks at another is not shown: it says
// nothing about what was read.
func TestLedgerShowsWhatLooksAtTheAccount(t *testing.T) {
	got := book(t, func(l *estimate.Ledger) {
		l.Corrections = []estimate.Correction{{Account: estimate.OnParts, Readings: "copper", Sum: estimate.Sum{Value: 40, U: 10}},
			{Account: estimate.InBath, Readings: "volume", Sum: estimate.Sum{Value: 4, U: 10}}}
	})
	assert.NotContains(t, got, "parts, by")
	assert.Contains(t, got, "bath, by levels +4 ± 10 0.4 u")
	assert.NotContains(t, got, "! ")
}

// Metal that came or went without a word is said where it went.
func TestLedgerSaysWhatNobodyWroteDown(t *testing.T) {
	for pair, want := range map[[2]string]string{
		{estimate.Out, estimate.InBath}:   "perhaps an addition that nobody wrote down",
		{estimate.InBath, estimate.Out}:   "perhaps a spill, a leak",
		{estimate.Out, estimate.InAnodes}: "perhaps it was weighed wet or with salt on it",
		{estimate.InAnodes, estimate.Out}: "perhaps pieces fell off",
	} {
		got := book(t, func(l *estimate.Ledger) {
			l.Postings = []estimate.Posting{{From: pair[0], To: pair[1], Cause: "a change without a word", Unlogged: true,
				Posted: estimate.Sum{Value: 300, U: 12}, Now: estimate.Sum{Value: 300, U: 12}}}
			l.Open = estimate.Sum{Value: 300, U: 12}
		})
		assert.Contains(t, got, "a change without a word 300 ± 12 25.0 u", pair)
		assert.Contains(t, got, want, pair)
		assert.Contains(t, got, "25.0 standard uncertainties, not by chance")
	}
}

// However large the tank and long the names, every line fits.
func TestLedgerFitsATerminal(t *testing.T) {
	got := book(t, func(l *estimate.Ledger) {
		much := estimate.Sum{Value: -123456.78, U: 0.123}
		for i := range l.Accounts {
			a := &l.Accounts[i]
			a.Opening, a.In, a.Out, a.Corrected, a.Closing = much, much, much, much, much
		}
		l.Postings = []estimate.Posting{{From: estimate.Out, To: estimate.InBath, Cause: strings.Repeat("a very long name of a salt ", 4), Posted: much, Now: much}}
		l.Open = much
		l.Uncounted = []estimate.Reading{{Subject: strings.Repeat("constituent ", 9), Fact: chem.Fact{Time: march}, Value: 50, Unit: "g/L", Fate: estimate.Held},
			{Subject: "anode slab-a", Fact: chem.Fact{Time: march}, Value: 0.5, Unit: "kg", Fate: estimate.Dropped}}
		l.Gains = []estimate.Flag{{Time: march, Why: "a weight gain of 9.00 g does not fit 10.0 Ah, which deposit 11.8 g; it is not used: look at the part, the scale and the meter"}}
	})
	assert.Contains(t, got, "1 Mar 2026 (50 g/L) waits for a second and is not counted")
	assert.Contains(t, got, "the reading of anode slab-a of 1 Mar 2026 (0.5 kg) was not believed and is not counted")
	assert.Contains(t, got, "! a part, on 1 Mar 2026: a weight gain of 9.00 g does not fit")
}
