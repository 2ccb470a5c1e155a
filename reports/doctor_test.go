package reports

import (
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestDoctor(t *testing.T) {
	long := strings.Repeat("word ", 40)
	var b strings.Builder
	require.NoError(t, Doctor(&b, []Check{
		{"clock", VerdictOK, "fine\x1b[31m", ""},
		{"titration", VerdictFault, long, long},
	}))
	lines := strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n")
	assert.Equal(t, "ok     clock      fine [31m", lines[0])
	assert.True(t, strings.HasPrefix(lines[1], "fault  titration  word"))
	cures := 0
	for _, l := range lines {
		assert.LessOrEqual(t, utf8.RuneCountInString(l), width)
		if strings.HasPrefix(l, strings.Repeat(" ", 18)+"cure: word") {
			cures++
		}
	}
	assert.Equal(t, 1, cures)
	b.Reset()
	require.NoError(t, DoctorJSON(&b, []Check{{"clock", VerdictLook, "a", "b"}}))
	assert.JSONEq(t, `{"checks":[{"name":"clock","verdict":"look","what":"a","cure":"b"}]}`, b.String())
}
