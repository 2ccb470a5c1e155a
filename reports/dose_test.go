package reports

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/dose"
)

// longPlan has everything a plan can have, in sentences longer than a line.
func longPlan() *dose.Plan {
	words := strings.Repeat("a sentence that goes on for longer than a terminal is wide, as those of recipes do; ", 3)
	return &dose.Plan{
		Bath: "tank\x1b[31m-1", At: time.Date(2026, 3, 7, 18, 0, 0, 0, time.UTC), Bail: 6.5, BailWhy: "copper is " + words, BailCautions: []string{"hazardous waste: " + words},
		Additions: []dose.Addition{
			{Material: chem.Material{Name: "deionised water"}, Amount: 6.4, Unit: "L", Why: words, Portions: []dose.Portion{{Amount: 6.4, Unit: "L", Wait: "mix " + words}}},
			{Material: chem.Material{Name: "sulfuric acid 35 %"}, Amount: 135, Unit: "mL", Why: words, Cautions: []string{"never water into acid " + words, "goggles"},
				Portions: []dose.Portion{{Amount: 55, Unit: "mL", Wait: "cool"}, {Amount: 55, Unit: "mL", Wait: "cool"}, {Amount: 25, Unit: "mL", Wait: "cool"}}},
			{Material: chem.Material{Name: "brightener"}, Amount: 53, Unit: "mL", Why: "little", Portions: []dose.Portion{{Amount: 27, Unit: "mL", Wait: "a trial"}, {Amount: 26, Unit: "mL", Wait: "mix"}}, Every: dose.Interval{Ah: 15, Days: 3.5}},
		},
		After:        []dose.After{{Name: "copper", Unit: "g/L", Value: 50, Low90: 49.7, High90: 50.3}},
		Volume:       60,
		TitrateFirst: []dose.Reading{{Constituent: "chloride", Why: words}},
		Compromise:   "not every limit can be kept: " + words,
		Cautions:     []string{"current off", "the usual ones"},
		Refused:      []dose.Refusal{{What: "copper all the way", Why: words}},
		Quiet:        []string{words},
	}
}

func TestDoseText(t *testing.T) {
	for _, units := range []Units{Metric, US} {
		var b bytes.Buffer
		require.NoError(t, Dose(&b, longPlan(), time.UTC, units))
		text := b.String()
		for _, l := range strings.Split(text, "\n") {
			assert.LessOrEqual(t, utf8.RuneCountInString(l), 80, l)
			assert.Equal(t, strings.TrimRight(l, " "), l)
		}
		assert.NotContains(t, text, "\x1b", "nothing that a terminal obeys")
		order := []string{"read first: chloride", "enter these readings", "! not every limit", "current off", "1. bail out", "hazardous waste", "2. ", "deionised water", "3. ", "sulfuric acid 35 %",
			"never water into acid", "goggles", "4. ", "brightener", "left alone", "not done: copper all the way", "the bath after it", "copper", "the usual ones"}
		at := 0
		for _, words := range order {
			i := strings.Index(text[at:], words)
			require.GreaterOrEqual(t, i, 0, "%q is missing or comes too early", words)
			at += i
		}
	}
	var b bytes.Buffer
	require.NoError(t, Dose(&b, longPlan(), time.UTC, Metric))
	assert.Contains(t, b.String(), "2 times 55 mL, then 25 mL, each: cool")
	assert.Contains(t, b.String(), "27 mL: a trial")
}

func TestDoseTextWithNothingToDo(t *testing.T) {
	var b bytes.Buffer
	p := &dose.Plan{Bath: "tank-1", At: time.Date(2026, 3, 7, 18, 0, 0, 0, time.UTC), Volume: 60, TitrateFirst: []dose.Reading{{Constituent: "copper", Why: "old"}}}
	require.NoError(t, Dose(&b, p, time.UTC, Metric))
	assert.Contains(t, b.String(), "nothing to add now")
	assert.NotContains(t, b.String(), "what follows")
	assert.NotContains(t, b.String(), "1.")
}

func TestDoseJSON(t *testing.T) {
	decode := func(p *dose.Plan) map[string]any {
		var b bytes.Buffer
		require.NoError(t, DoseJSON(&b, p, "head"))
		var out map[string]any
		require.NoError(t, json.Unmarshal(b.Bytes(), &out))
		return out
	}
	full, empty := decode(longPlan()), decode(&dose.Plan{Bath: "tank-1"})
	for _, list := range []string{"additions", "after", "titrate_first", "cautions", "refused"} {
		assert.NotEmpty(t, full[list], list)
		assert.IsType(t, []any{}, empty[list], "%s is never null", list)
	}
	assert.Equal(t, map[string]any{"value": 6.5, "unit": "L"}, full["bail"])
	assert.Nil(t, empty["bail"])
	assert.Contains(t, empty, "bail")
	assert.NotEmpty(t, full["compromise"])
	first := full["additions"].([]any)[0].(map[string]any)
	for _, key := range []string{"material", "amount", "unit", "portions", "why", "cautions"} {
		assert.Contains(t, first, key)
	}
	assert.IsType(t, []any{}, first["cautions"])
}
