package reports

import (
	"bytes"
	"encoding/json"
	"regexp"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/hazard"
)

func TestCautionsFitTheTerminal(t *testing.T) {
	hostile := &chem.Recipe{Materials: []chem.Material{
		{Name: "shine\x1b[31m", Cautions: []string{"a word\nand \x07another", strings.Repeat("very long words ", 20)}},
		{Name: "sulfuric acid 50 %", Acid: 0.5},
	}}
	for name, c := range map[string]Cautions{"all": CautionsOf(hazard.Substances()), "none": CautionsOf(nil), "hostile": CautionsOfBath("tank\x1b[31m-1", hostile)} {
		var b bytes.Buffer
		require.NoError(t, WriteCautions(&b, c))
		for line := range strings.Lines(b.String()) {
			assert.LessOrEqual(t, utf8.RuneCountInString(strings.TrimRight(line, "\n")), width, "%s: %s", name, line)
			assert.NotRegexp(t, `[\x00-\x09\x0b-\x1f]`, line)
		}
		assert.Contains(t, strings.Join(strings.Fields(b.String()), " "), "safety data sheet of what you bought, local codes and licensed practice come first")
	}
}

// Whatever stands in the text has a mark, and whatever the object cites is listed.
func TestCautionsCiteTheirSources(t *testing.T) {
	r := &chem.Recipe{Materials: []chem.Material{{Name: "shine"}, {Name: "copper sulfate pentahydrate"}}}
	c := CautionsOfBath("tank-1", r)
	var b bytes.Buffer
	require.NoError(t, WriteCautions(&b, c))
	text := strings.Join(strings.Fields(b.String()), " ")
	cited := map[string]bool{}
	said := func(w string, source string) {
		assert.NotEmpty(t, source, w)
		assert.Contains(t, c.Sources, source, w)
		assert.Regexp(t, regexp.QuoteMeta(w)+` \[(\d+|m)\]`, text)
		cited[source] = true
	}
	for _, s := range c.Substances {
		for _, h := range s.Statements {
			said(h.Code+" "+h.Text, h.Source)
			cited[h.TextSource] = true
			assert.Contains(t, c.Sources, h.TextSource)
		}
		for _, d := range s.Do {
			said(d.Text, d.Source)
		}
		cited[s.CASSource] = true
	}
	for _, g := range c.General {
		said(g.Text, g.Source)
	}
	for _, s := range c.Sources {
		assert.True(t, cited[s], "nothing cites %q", s)
		if !strings.HasPrefix(s, "memory") {
			assert.Contains(t, text, strings.Join(strings.Fields(s), " "))
		}
	}
	assert.Equal(t, "shine", c.Substances[len(c.Substances)-1].Name)

	raw, err := json.Marshal(CautionsOf(nil))
	require.NoError(t, err)
	assert.NotContains(t, string(raw), "null", "a list is never null")
}
