package main

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/urfave/cli/v2"
)

// offered is what the tool answers a completion script, without records.
func offered(t *testing.T, shell string, words ...string) []string {
	t.Helper()
	var out, errs strings.Builder
	none := func(name string) string {
		if name == "STEADYBATH_HOME" {
			return t.TempDir() + "/none"
		}
		return ""
	}
	require.Zero(t, run(t.Context(), append([]string{completeWord, shell}, words...), strings.NewReader(""), &out, &errs, none))
	require.Empty(t, errs.String())
	var words1 []string
	for line := range strings.Lines(out.String()) {
		line = strings.TrimSuffix(line, "\n")
		if shell != "bash" && !strings.HasPrefix(line, "\t") {
			line, _, _ = strings.Cut(line, "\t")
		}
		words1 = append(words1, line)
	}
	return words1
}

// Whatever the tree has is offered where it may stand, whatever is added to it.
func TestCompletionOffersTheTree(t *testing.T) {
	for _, c := range testApp().Commands {
		assert.Contains(t, offered(t, "zsh", ""), c.Name)
	}
	for _, f := range testApp().Flags {
		assert.Contains(t, offered(t, "zsh", "-"), dashed(f.Names()[0]))
	}
	eachCommand(t, func(t *testing.T, path []string, c *cli.Command) {
		for _, sub := range c.Subcommands {
			assert.Contains(t, offered(t, "bash", append(path, "")...), sub.Name)
		}
		flags := offered(t, "bash", append(path, "-")...)
		for _, f := range c.Flags {
			assert.Contains(t, flags, dashed(f.Names()[0]))
		}
		assert.Contains(t, flags, "--help")
		assert.NotContains(t, flags, "--version")
		last := path[len(path)-1]
		assert.Contains(t, offered(t, "fish", append(path[:len(path)-1:len(path)-1], last[:1])...), last)
	})
}

// Words from fixed lists come without any records.
func TestCompletionOfFixedWords(t *testing.T) {
	for typed, want := range map[string]string{
		"state --units ":                         "metric us",
		"state --units=":                         "--units=metric --units=us",
		"state --json --units m":                 "metric",
		"fill 58L --origin ":                     "make-up bought running",
		"state --symptom ":                       "burnt dull pitted rough uneven amps-falling",
		"anode hang a --form ":                   "slab bar nuggets inert",
		"history --kind me":                      "meter",
		"treat ":                                 "carbon peroxide dummy",
		"treat carbon ":                          "",
		"change f":                               "filter",
		"panel brightener ":                      "low right high",
		"void 214 ":                              "because",
		"completion ":                            "bash zsh fish",
		"recipe show nick":                       "nickel-sulfamate nickel-watts \tfiles",
		"bath new tank --recipe gold":            "gold-acid \tfiles",
		"import ":                                "\tfiles",
		"chart --output ":                        "\tfiles",
		"chart -o ":                              "\tfiles",
		"state nothing ":                         "",
		"nonsense ":                              "",
		"state -- --un":                          "",
		"state --nonsense --units ":              "metric us",
		"assay ":                                 "pH temperature density",
		"anode pull ":                            "all",
		"HISTORY ":                               "",
		"titrate copper --factor 1.002 --aliquo": "--aliquot",
		"titrate copper --aliquot 2mL --aliquo":  "",
		"dose --weighed x --weighe":              "--weighed",
		"--jso":                                  "--json",
		"--vers":                                 "--version",
		"bath":                                   "bath",
		"server s":                               "start stop status",
		"export --database postgres://nowhere --": "--bath --all --output --format --help",
	} {
		got := offered(t, "zsh", strings.Split(typed, " ")...)
		assert.Equal(t, want, strings.Join(got, " "), typed)
	}
	assert.Empty(t, offered(t, "bash"))
	assert.Equal(t, []string{"\tfiles"}, offered(t, "bash", "export", "--all", ">", "sho"))
	assert.Equal(t, []string{"\tfiles"}, offered(t, "bash", "export", "2>", ""))
}

// What is offered reads in the shell as one word, whichever quote was begun.
func TestBashWords(t *testing.T) {
	for _, tc := range []struct {
		parts string // as in COMP_WORDS, parted by |
		words string
		word  string
		reply string
	}{
		{"titrate|", "titrate|", "sulfuric acid", `sulfuric\ acid`},
		{"titrate|sulf", "titrate|sulf", "sulfuric acid", `sulfuric\ acid`},
		{`titrate|sulfuric\ a`, "titrate|sulfuric a", "sulfuric acid", `sulfuric\ acid`},
		{`titrate|"sulf`, "titrate|sulf", "sulfuric acid", "sulfuric acid"},
		{`titrate|'sulf`, "titrate|sulf", "sulfuric acid", "sulfuric acid"},
		{`state|--bath|"$`, "state|--bath|$", `$5 "best"`, `\$5 \"best\"`},
		{`state|--bath|'a`, "state|--bath|a", `anna's`, `anna'\''s`},
		{`state|--bath|a`, "state|--bath|a", `anna's $(x);&*`, `anna\'s\ \$\(x\)\;\&\*`},
		{"state|--bath|=", "state|--bath=", "--bath=tank 1", `tank\ 1`},
		{"state|--bath|=|ta", "state|--bath=ta", "--bath=tank 1", `tank\ 1`},
		{"state|--bath|cu|:|", "state|--bath|cu:", "cu:2", "2"},
		{"state|--bath|cu|:|2", "state|--bath|cu:2", "cu:21", "21"},
		{`state|--bath|"tank 1"|--js`, "state|--bath|tank 1|--js", "--json", "--json"},
		{`a|"b\"c"|d\\e|'f\g'|`, `a|b"c|d\e|f\g|`, "ü ö", `ü\ ö`},
	} {
		words, last := bashWords(strings.Split(tc.parts, "|"))
		assert.Equal(t, tc.words, strings.Join(words, "|"), tc.parts)
		assert.Equal(t, tc.reply, last.reply(tc.word), tc.parts)
	}
}
