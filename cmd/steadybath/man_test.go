package main

import (
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/urfave/cli/v2"
)

// shown is what man makes of the page, near enough to look for words in it.
func shown(page string) string {
	page = regexp.MustCompile(`(?m)^\.(TP|PP|nf|fi|in.*|nh|ad.*)\n`).ReplaceAllString(page, "")
	page = regexp.MustCompile(`(?m)^\.(B|I|SS|SH) `).ReplaceAllString(page, "")
	return strings.NewReplacer(`\-`, "-", `\(dq`, `"`, `\(aq`, "'", `\(ti`, "~", `\(ga`, "`", `\(ha`, "^", `\&`, "", `\e`, `\`).Replace(page)
}

// Every command stands on the page with what its help says.
func TestManPage(t *testing.T) {
	status, page, errs := ask("man")
	require.Zero(t, status)
	require.Empty(t, errs)
	parts := map[string]string{}
	commands, _, _ := strings.Cut(page, "\n.SH EXIT STATUS\n")
	for _, part := range strings.Split(commands, "\n.SS ")[1:] {
		name, text, _ := strings.Cut(part, "\n")
		parts[shown(name)] = strings.Join(strings.Fields(shown(text)), " ")
	}
	count := 0
	eachCommand(t, func(t *testing.T, path []string, c *cli.Command) {
		count++
		part := parts[strings.Join(path, " ")]
		require.NotEmpty(t, part)
		assert.Contains(t, part, strings.Join(strings.Fields(c.UsageText), " "))
		paragraph, _, _ := strings.Cut(c.Description, "\n\nExamples:")
		assert.Contains(t, part, strings.Join(strings.Fields(paragraph), " "))
		for _, f := range c.Flags {
			left, right := flagWords(f)
			assert.Contains(t, part, left+" "+strings.Join(strings.Fields(right), " "))
		}
		for _, e := range examples(c) {
			assert.Contains(t, strings.ReplaceAll(part, `\ --`, "--"), strings.Join(strings.Fields(e), " "))
		}
	})
	assert.Len(t, parts, count)
	for _, f := range testApp().Flags {
		assert.Contains(t, shown(page), dashed(f.Names()[0]))
	}
	whole := strings.Join(strings.Fields(shown(page)), " ")
	assert.Contains(t, whole, strings.Join(strings.Fields(cautionPage), " "))
	for _, e := range environment {
		assert.Contains(t, whole, e[0]+" "+e[1])
	}
	_, statuses, _ := strings.Cut(page, "\n.SH EXIT STATUS\n")
	statuses, _, _ = strings.Cut(statuses, "\n.SH ")
	assert.Equal(t, []string{".B 0", ".B 1", ".B 2", ".B 3", ".B 4"}, regexp.MustCompile(`(?m)^\.B \d$`).FindAllString(statuses, -1))
}

// Nothing of the page is taken by man for something else than it is.
func TestManPageIsPlain(t *testing.T) {
	_, page, _ := ask("man")
	request := regexp.MustCompile(`^\.(TH|SH|SS|TP|PP|B|I|nf|fi|nh|ad l|in|in 3n)( |$)`)
	escape := regexp.MustCompile(`\\(-|e|&|\((dq|aq|ti|ga|ha)|f[IR]|\[u[0-9A-F]{4,6}\])`)
	for line := range strings.Lines(page) {
		line = strings.TrimSuffix(line, "\n")
		if strings.HasPrefix(line, ".") || strings.HasPrefix(line, "'") {
			assert.Regexp(t, request, line)
		}
		assert.NotEmpty(t, line, "an empty line")
		assert.NotRegexp(t, `[^ -~]`, line)
		assert.NotContains(t, escape.ReplaceAllString(line, ""), `\`, line)
	}
	assert.Equal(t, `\&.x \-\- \(dqa\(dq it\(aqs a\eb \[u00FC]`, roff(`.x -- "a" it's a\b ü`))
	assert.Equal(t, `\&'x`, roff("'x"))
}
