package main

import (
	"fmt"
	"slices"
	"strings"

	"github.com/urfave/cli/v2"
)

// arrange puts what was typed into the order the command-line library wants:
// command words, flags, "--", all other words. People type flags after words
// and negative numbers as words; the library would take the first for words
// and the second for flags. A flag or command that does not exist is answered
// here, with the nearest that does.
func arrange(app *cli.App, args []string) ([]string, error) {
	commands := app.Commands
	var leaf *cli.Command
	var path, flags, words []string
	given := map[string]bool{}
	var again []string // which command it is for may come later, and one may take many of what another takes once
	for i := 0; i < len(args); i++ {
		a := args[i]
		if a == "--" {
			words = append(words, args[i+1:]...)
			break
		}
		if name, value, isFlag := asFlag(a); isFlag {
			flag := findFlag(app, name)
			flags = append(flags, a)
			if flag == nil || !takesValue(flag) {
				continue
			}
			if !strings.Contains(a, "=") && i+1 < len(args) && !isFlagOf(app, args[i+1]) {
				i++
				value = args[i]
				flags[len(flags)-1] = a + "=" + value
			}
			// An empty value is most often a variable of a shell script that was
			// never set, and would pass for a flag that was not given.
			if strings.TrimSpace(value) == "" {
				return nil, wrongWords("", "%s needs a value", dashed(name))
			}
			known := flag.Names()[0]
			if given[known] {
				again = append(again, known)
			}
			given[known] = true
			continue
		}
		if len(words) == 0 {
			if c := findCommand(commands, a); c != nil {
				path, leaf, commands = append(path, c.Name), c, c.Subcommands
				continue
			}
			if len(commands) > 0 {
				return nil, unknownCommand(app, path, commands, a)
			}
		}
		words = append(words, a)
	}
	for _, name := range again {
		if !takesMany(app, leaf, name) {
			return nil, wrongWords("", "%s is given twice", dashed(name))
		}
	}
	for i, w := range words {
		if strings.TrimSpace(w) != "" {
			continue
		}
		before := strings.Join(append([]string{app.Name}, path...), " ")
		if i > 0 {
			before = quoted(words[i-1])
		}
		return nil, wrongWords("leave it out, or type what is meant: a variable of a shell that was never set is empty too", "the word after %s is empty", before)
	}
	if leaf != nil && len(leaf.Subcommands) > 0 && !asksForHelp(flags) {
		return nil, wrongWords(fmt.Sprintf("steadybath %s --help", strings.Join(path, " ")), "%s what? %s", strings.Join(path, " "), commandNames(leaf.Subcommands))
	}
	if err := knownFlags(app, leaf, path, flags); err != nil {
		return nil, err
	}
	if asksForHelp(flags) {
		return append(path, "--help"), nil // behind a word the library would look for help about the word
	}
	out := append(path, flags...)
	if len(words) > 0 {
		out = append(append(out, "--"), words...)
	}
	return out, nil
}

// asksForHelp looks for --help, or -h, among flags and before the words behind
// them.
func asksForHelp(flags []string) bool {
	for _, f := range flags {
		if f == "--" {
			return false
		}
		if name, value, ok := asFlag(f); ok && (name == "help" || name == "h") && value != "false" {
			return true
		}
	}
	return false
}

// asFlag tells whether a word is a flag: it begins with a dash that neither
// stands alone nor begins a number.
func asFlag(a string) (name, value string, ok bool) {
	if len(a) < 2 || a[0] != '-' || strings.ContainsAny(a[1:2], "0123456789.,") {
		return "", "", false
	}
	name, value, _ = strings.Cut(strings.TrimLeft(a, "-"), "=")
	return name, value, name != ""
}

// isFlagOf tells whether a word is one of the tool's own flags, or the end of
// them, so that it is not taken for the value that the flag before it lacks.
func isFlagOf(app *cli.App, a string) bool {
	name, _, isFlag := asFlag(a)
	return a == "--" || isFlag && (name == "help" || findFlag(app, name) != nil)
}

// dashed writes a flag as it is typed.
func dashed(name string) string {
	if len(name) == 1 {
		return "-" + name
	}
	return "--" + name
}

func takesValue(f cli.Flag) bool {
	_, isBool := f.(*cli.BoolFlag)
	return !isBool
}

func hasName(f cli.Flag, name string) bool {
	for _, n := range f.Names() {
		if n == name {
			return true
		}
	}
	return false
}

// takesMany tells whether a command's flag may be given several times; a flag that
// the command lacks as the first command that has it.
func takesMany(app *cli.App, leaf *cli.Command, name string) bool {
	flag := findFlag(app, name)
	if leaf != nil {
		for _, f := range leaf.Flags {
			if slices.Contains(f.Names(), name) {
				flag = f
			}
		}
	}
	_, many := flag.(*cli.StringSliceFlag)
	return many
}

// findFlag looks in the whole tree: a flag's arity is the same everywhere.
func findFlag(app *cli.App, name string) cli.Flag {
	var in func(commands []*cli.Command) cli.Flag
	in = func(commands []*cli.Command) cli.Flag {
		for _, c := range commands {
			for _, f := range c.Flags {
				if hasName(f, name) {
					return f
				}
			}
			if f := in(c.Subcommands); f != nil {
				return f
			}
		}
		return nil
	}
	for _, f := range app.Flags {
		if hasName(f, name) {
			return f
		}
	}
	return in(app.Commands)
}

func findCommand(commands []*cli.Command, name string) *cli.Command {
	for _, c := range commands {
		if c.HasName(name) {
			return c
		}
	}
	return nil
}

func commandNames(commands []*cli.Command) string {
	var names []string
	for _, c := range commands {
		if !c.Hidden {
			names = append(names, c.Name)
		}
	}
	return strings.Join(names, ", ")
}

func unknownCommand(app *cli.App, path []string, commands []*cli.Command, word string) error {
	hint := "steadybath --help lists what there is"
	var names []string
	for _, c := range commands {
		names = append(names, c.Names()...)
	}
	if word == "help" {
		hint = "steadybath COMMAND --help shows how it is typed"
	} else if near := nearest(word, names); near != "" {
		hint = fmt.Sprintf("did you mean: steadybath %s", strings.Join(append(path, near), " "))
	} else if len(path) > 0 {
		hint = fmt.Sprintf("there is: %s", commandNames(commands))
	}
	return wrongWords(hint, "there is no command %q", strings.Join(append(path, word), " "))
}

func knownFlags(app *cli.App, leaf *cli.Command, path, flags []string) error {
	have := app.Flags
	if leaf != nil {
		have = leaf.Flags
	}
	for _, f := range flags {
		name, _, _ := asFlag(f)
		typed, _, _ := strings.Cut(f, "=")
		if name == "help" || name == "h" || leaf == nil && name == "version" {
			continue
		}
		known := false
		var names []string
		for _, h := range have {
			known = known || hasName(h, name)
			names = append(names, h.Names()...)
		}
		if known {
			continue
		}
		hint := fmt.Sprintf("steadybath %s --help lists its flags", strings.Join(path, " "))
		if len(path) == 0 {
			hint = "steadybath --help lists the commands"
		}
		if near := nearest(name, names); near != "" {
			hint = "did you mean " + dashed(near) + "?"
		}
		return wrongWords(hint, "%s has no flag %s", strings.Join(append([]string{"steadybath"}, path...), " "), typed)
	}
	return nil
}

// nearest finds the one name that a slip or two away from word, or that word
// begins; empty where none is near.
func nearest(word string, names []string) string {
	word = strings.ToLower(word)
	if len(word) < 2 {
		return "" // every letter is near every other
	}
	best, least := "", 3
	if len(word) <= 4 {
		least = 2
	}
	for _, n := range names {
		if d := distance(word, strings.ToLower(n)); d < least {
			best, least = n, d
		}
	}
	if best == "" {
		// Vowels left out, as in an abbreviation.
		for _, n := range names {
			if len(word) >= 3 && withoutVowels(word) == withoutVowels(strings.ToLower(n)) {
				return n
			}
		}
	}
	if best == "" && len(word) >= 3 {
		for _, n := range names {
			if strings.HasPrefix(strings.ToLower(n), word) {
				return n
			}
		}
	}
	return best
}

func withoutVowels(s string) string {
	return strings.Map(func(r rune) rune {
		if strings.ContainsRune("aeiou", r) {
			return -1
		}
		return r
	}, s)
}

// distance is the count of insertions, deletions, changes and swaps of
// neighbours between two words (optimal string alignment).
func distance(a, b string) int {
	x, y := []rune(a), []rune(b)
	rows := make([][]int, len(x)+1)
	for i := range rows {
		rows[i] = make([]int, len(y)+1)
		rows[i][0] = i
	}
	for j := range rows[0] {
		rows[0][j] = j
	}
	for i := 1; i <= len(x); i++ {
		for j := 1; j <= len(y); j++ {
			change := 1
			if x[i-1] == y[j-1] {
				change = 0
			}
			d := min(rows[i-1][j]+1, rows[i][j-1]+1, rows[i-1][j-1]+change)
			if i > 1 && j > 1 && x[i-1] == y[j-2] && x[i-2] == y[j-1] {
				d = min(d, rows[i-2][j-2]+1)
			}
			rows[i][j] = d
		}
	}
	return rows[len(x)][len(y)]
}
