package reports

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// The factors are those of chem, which its own tests hold against published
// tables: 1 oz/gal (avoirdupois, US) is 7.489 g/L, 1 gal 3.785 L, 1 A/ft2 0.1076
// A/dm2.
func TestWordsInUSUnits(t *testing.T) {
	for text, want := range map[string]string{
		"re-titrate copper before dosing: 58.9 g/L is 5.1 standard deviations above what the log explains (53.2 g/L)": "re-titrate copper before dosing: 7.86 oz/gal is 5.1 standard deviations above what the log explains (7.1 oz/gal)",
		"takes copper from 53.5 to 55.1 g/L, above its window of 46 to 54 g/L":                                        "takes copper from 7.14 to 7.36 oz/gal, above its window of 6.14 to 7.21 oz/gal",
		"brightener is 2.90 of 4 mL/L once filled up; from here on 9.5 mL every 15 Ah":                                "brightener is 2.90 of 4 mL/L once filled up; from here on 0.321 fl oz every 15 Ah",
		"chloride 57 mg/L": "chloride 57 mg/L",
		"it warms the bath by 3 degC, to 23 degC at most":             "it warms the bath by 5.4 degF, to 73.4 degF at most",
		"0.300 ± 0.020 kg of 1.25 kg left":                            "0.661 ± 0.0441 lb of 2.76 lb left",
		"more than the 2.5 A/dm2 of the recipe, on 12 dm2":            "more than the 23.2 A/ft2 of the recipe, on 1.29 ft2",
		"the level was 1.8 L less than the log accounts for":          "the level was 0.476 gal less than the log accounts for",
		"35 mmol/L more sulfate, at pH 3.5, in 10 Ah, lot L-7, 4 g/L": "35 mmol/L more sulfate, at pH 3.5, in 10 Ah, lot L-7, 0.534 oz/gal",
		"10 L, 20 L": "2.64 gal, 5.28 gal",
	} {
		assert.Equal(t, want, US.Words(text))
		assert.Equal(t, text, Metric.Words(text))
	}
}
