package reports_test

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem/recipe"
	"steadybath/reports"
)

// Every figure stands in the table under the name its table has, with its source
// whole, and no line is wider than a terminal. The text of the file is the witness.
func TestSourcesAreATableOfTheWholeFile(t *testing.T) {
	for _, name := range recipe.Shipped() {
		text, _ := recipe.ShippedText(name)
		figures, r, err := recipe.Figures(name, text)
		require.NoError(t, err)
		s := reports.SourcesOf(name, r, figures)
		var out bytes.Buffer
		require.NoError(t, reports.WriteSources(&out, s))
		for _, line := range strings.Split(out.String(), "\n") {
			assert.LessOrEqual(t, len([]rune(line)), 80, "%s: %s", name, line)
		}
		flat := strings.Join(strings.Fields(out.String()), " ")
		for line := range strings.Lines(string(text)) {
			value, comment, ok := strings.Cut(strings.TrimSpace(line), " # ")
			if ok && strings.ContainsAny(value, "=]") && recipeSource(comment) {
				assert.Contains(t, flat, strings.Join(strings.Fields(comment), " "), name)
			}
		}
		for _, w := range s.References {
			assert.Contains(t, flat, w.Key+" "+w.Text, name)
		}
		var back struct {
			Figures []struct {
				Key, Kind, Source string
				Value, U          *float64
			}
		}
		raw, err := json.Marshal(s)
		require.NoError(t, err)
		require.NoError(t, json.Unmarshal(raw, &back))
		require.Len(t, back.Figures, len(figures))
		for _, f := range back.Figures {
			assert.Equal(t, strings.HasSuffix(f.Key, "cautions"), f.Value == nil, f.Key)
			assert.True(t, strings.HasPrefix(f.Source, f.Kind), f.Key)
		}
	}
}

func recipeSource(comment string) bool {
	for _, kind := range []string{"seen ", "memory", "computed", "yours to set"} {
		if strings.HasPrefix(comment, kind) {
			return true
		}
	}
	return false
}

func TestSourcesSayWhereThereIsNone(t *testing.T) {
	text, _ := recipe.ShippedText("gold-acid")
	bare := strings.Replace(string(text), "target  = 6        # yours to set: your supplier's sheet", "target = 6", 1)
	require.NotEqual(t, string(text), bare)
	figures, r, err := recipe.Figures("mine.toml", []byte(bare))
	require.NoError(t, err)
	var out bytes.Buffer
	require.NoError(t, reports.WriteSources(&out, reports.SourcesOf("mine.toml", r, figures)))
	assert.Regexp(t, `target +6 g/L +says no source`, out.String())
	assert.Contains(t, out.String(), "1 without a source")
}
