package main

import (
	"bytes"
	"context"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/urfave/cli/v2"
)

// eachCommand calls do for every command of the tree with what is typed to
// reach it.
func eachCommand(t *testing.T, do func(t *testing.T, path []string, c *cli.Command)) {
	var walk func(path []string, commands []*cli.Command)
	count := 0
	walk = func(path []string, commands []*cli.Command) {
		for _, c := range commands {
			path := append(slices.Clone(path), c.Name)
			count++
			t.Run(strings.Join(path, "_"), func(t *testing.T) { do(t, path, c) })
			walk(path, c.Subcommands)
		}
	}
	walk(nil, testApp().Commands)
	require.Greater(t, count, 20)
}

func testApp() *cli.App {
	var out bytes.Buffer
	return newApp(newSession(strings.NewReader(""), &out, &out, func(string) string { return "" }))
}

func ask(args ...string) (status int, stdout, stderr string) {
	var out, errs bytes.Buffer
	status = run(context.Background(), args, strings.NewReader(""), &out, &errs, func(string) string { return "" })
	return status, out.String(), errs.String()
}

func TestHelp(t *testing.T) {
	eachCommand(t, func(t *testing.T, path []string, c *cli.Command) {
		typed := "steadybath " + strings.Join(path, " ")
		assert.True(t, strings.HasPrefix(strings.TrimSpace(c.UsageText), typed), "usage %q", c.UsageText)
		assert.NotEmpty(t, c.Usage)
		paragraph, _, _ := strings.Cut(c.Description, "\n\nExamples:")
		assert.Regexp(t, `(?s)^[A-Z].*\.$`, paragraph)
		for _, how := range []string{"--help", "-h"} {
			status, out, errs := ask(append(slices.Clone(path), how)...)
			assert.Equal(t, 0, status)
			assert.Empty(t, errs)
			assert.Contains(t, out, typed)
			assert.Contains(t, out, exitStatuses)
			for line := range strings.Lines(out) {
				assert.LessOrEqual(t, utf8.RuneCountInString(line)-1, helpWidth, line)
			}
			for _, f := range c.Flags {
				assert.Contains(t, out, dashed(f.Names()[0]))
			}
			for _, sub := range c.Subcommands {
				assert.Contains(t, strings.Join(strings.Fields(out), " "), sub.Usage)
			}
		}
	})
	status, out, errs := ask("--help")
	assert.Equal(t, 0, status)
	assert.Empty(t, errs)
	assert.Contains(t, out, exitStatuses)
	assert.Contains(t, out, cautionPage)
}

// A flag takes a value everywhere or nowhere, because arrange finds out before
// it knows the command; and says what it is for and what to put in.
func TestFlags(t *testing.T) {
	arity := map[string]bool{}
	check := func(t *testing.T, flags []cli.Flag) {
		for _, f := range flags {
			usage := f.(cli.DocGenerationFlag).GetUsage()
			assert.NotEmpty(t, usage, f.Names())
			assert.Equal(t, takesValue(f), strings.Count(usage, "`") == 2, "%v: a placeholder for each value: %q", f.Names(), usage)
			for _, n := range f.Names() {
				before, known := arity[n]
				assert.True(t, !known || before == takesValue(f), "--%s takes a value here and none there", n)
				arity[n] = takesValue(f)
			}
		}
	}
	check(t, testApp().Flags)
	eachCommand(t, func(t *testing.T, path []string, c *cli.Command) {
		if c.Flags != nil || len(c.Subcommands) == 0 {
			check(t, c.Flags)
		}
	})
}

// The flags that interface and habit expect on every question and every entry.
func TestCommonFlags(t *testing.T) {
	questions := []string{"state", "dose", "plan", "chart", "history"}
	entries := []string{"fill", "level", "titrate", "assay", "plate", "add", "bail", "anode_hang", "anode_weigh", "anode_pull", "note", "void",
		"panel", "treat", "change", "meter", "bath_set"}
	seen := 0
	eachCommand(t, func(t *testing.T, path []string, c *cli.Command) {
		want := []string{"bath", "at", "json", "units", "database"}
		switch name := strings.Join(path, "_"); {
		case slices.Contains(questions, name):
			want = append(want, "known-on")
		case slices.Contains(entries, name):
			want = append(want, "note", "force", "id")
		default:
			return
		}
		seen++
		var have []string
		for _, f := range c.Flags {
			have = append(have, f.Names()...)
		}
		assert.Subset(t, have, want)
	})
	assert.Equal(t, len(questions)+len(entries), seen)
}

// examples are the lines under Examples of a command's description.
func examples(c *cli.Command) []string {
	_, list, _ := strings.Cut(c.Description, "Examples:\n")
	var out []string
	for line := range strings.Lines(list) {
		if line = strings.TrimSpace(line); line != "" {
			out = append(out, line)
		}
	}
	return out
}

// Every example of the help is one that the command line takes: its flags
// exist, stand where they may and have values of the right kind.
func TestExamples(t *testing.T) {
	eachCommand(t, func(t *testing.T, path []string, c *cli.Command) {
		list := examples(c)
		assert.GreaterOrEqual(t, len(list), 2, "examples of %v", path)
		own := false
		for _, line := range list {
			words := shellWords(t, line)
			reached, typed := reach(t, words)
			own = own || strings.HasPrefix(reached, strings.Join(path, " "))
			t.Logf("%s: %q", reached, typed)
		}
		assert.True(t, own, "no example of %v itself in %q", path, list)
	})
	for line := range strings.Lines(appDescription) {
		if strings.HasPrefix(strings.TrimSpace(line), "steadybath ") {
			reach(t, shellWords(t, strings.TrimSpace(line)))
		}
	}
}

// Every call of the tool that the README shows is one that the command line
// takes, and the week of the help is the README's.
func TestReadme(t *testing.T) {
	text, err := os.ReadFile("../../README.md")
	require.NoError(t, err)
	calls := regexp.MustCompile("(?m)^steadybath [a-z].*$|`steadybath [^`]+`").FindAllString(string(text), -1)
	seen := 0
	for _, call := range calls {
		call = strings.Join(strings.Fields(strings.Trim(call, "`")), " ")
		if !strings.HasSuffix(call, ".") && findCommand(testApp().Commands, strings.Fields(call)[1]) != nil {
			reach(t, shellWords(t, call))
			seen++
		}
	}
	assert.Greater(t, seen, 12)
	blocks, err := readmeBlocks("A week, as typed")
	require.NoError(t, err)
	for line := range strings.Lines(appDescription) {
		if line = strings.TrimSpace(line); strings.HasPrefix(line, "steadybath ") {
			assert.Contains(t, blocks[0], line+"\n")
		}
	}
}

// shellWords takes the first call of steadybath out of an example and parts it
// as a shell would; only double quotes occur.
func shellWords(t *testing.T, line string) []string {
	t.Helper()
	from := strings.Index(line, "steadybath")
	require.GreaterOrEqual(t, from, 0, "%q calls no steadybath", line)
	line = line[from:]
	for _, end := range []string{" | ", " && ", " > "} {
		line, _, _ = strings.Cut(line, end)
	}
	require.Zero(t, strings.Count(line, `"`)%2, line)
	require.NotContains(t, line, `'`)
	var words []string
	for i, part := range strings.Split(line, `"`) {
		if i%2 == 1 {
			words = append(words, part)
		} else {
			words = append(words, strings.Fields(part)...)
		}
	}
	return words[1:]
}

// reach runs the words through arrange and the library, with commands that do
// nothing, and returns the command reached and the words it got.
func reach(t *testing.T, args []string) (path string, words []string) {
	t.Helper()
	app := testApp()
	reached := false
	var mute func(prefix string, commands []*cli.Command)
	mute = func(prefix string, commands []*cli.Command) {
		for _, c := range commands {
			name := prefix + c.Name
			if len(c.Subcommands) > 0 {
				mute(name+" ", c.Subcommands)
				continue
			}
			c.Action = func(ctx *cli.Context) error {
				reached, path, words = true, name, ctx.Args().Slice()
				return nil
			}
		}
	}
	mute("", app.Commands)
	arranged, err := arrange(app, args)
	require.NoError(t, err, "%q", args)
	require.NoError(t, app.RunContext(t.Context(), append([]string{app.Name}, arranged...)), "%q", args)
	require.True(t, reached, "%q reached no command", args)
	return path, words
}
