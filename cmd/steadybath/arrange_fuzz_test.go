package main

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/urfave/cli/v2"
)

// typedLine parts a fuzzer's text into words, a line each, as a shell would hand
// them over: any text but NUL can stand in one.
func typedLine(text string) []string {
	return strings.Split(strings.ReplaceAll(text, "\x00", ""), "\n")
}

// heard is what a command was given by the command-line library.
type heard struct {
	command string
	words   []string
	flags   []string // name=value, by the flag's first name
}

// listening is the tool with every command's action in place of which it is kept
// what came through.
func listening(into *heard) *cli.App {
	app := testApp()
	app.Writer, app.ErrWriter = &bytes.Buffer{}, &bytes.Buffer{}
	listen := func(path string, flags []cli.Flag) cli.ActionFunc {
		return func(c *cli.Context) error {
			*into = heard{command: path, words: c.Args().Slice()}
			for _, f := range flags {
				name := f.Names()[0]
				if !c.IsSet(name) {
					continue
				}
				switch f.(type) {
				case *cli.StringSliceFlag:
					for _, v := range c.StringSlice(name) {
						into.flags = append(into.flags, name+"="+strings.TrimSpace(v))
					}
				case *cli.BoolFlag:
					into.flags = append(into.flags, fmt.Sprint(name, "=", c.Bool(name)))
				default:
					into.flags = append(into.flags, fmt.Sprint(name, "=", c.Value(name)))
				}
			}
			return nil
		}
	}
	var walk func(path string, commands []*cli.Command)
	walk = func(path string, commands []*cli.Command) {
		for _, c := range commands {
			path := strings.TrimSpace(path + " " + c.Name)
			if len(c.Subcommands) == 0 {
				c.Action = listen(path, c.Flags)
			}
			walk(path, c.Subcommands)
		}
	}
	walk("", app.Commands)
	app.Action = listen("", app.Flags)
	return app
}

// account says what a line of words says, counted by hand from the left without
// the library and without arrange's own walk: the command words, each flag with
// its value, the words. It is the reference for a line that was taken.
func account(app *cli.App, args []string) (want heard) {
	commands := app.Commands
	var path []string
	for i := 0; i < len(args); i++ {
		a := args[i]
		dashes := len(a) - len(strings.TrimLeft(a, "-"))
		switch {
		case a == "--":
			want.words = append(want.words, args[i+1:]...)
			i = len(args)
		case dashes > 0 && len(a) > dashes && a[dashes] != '=' && (dashes > 1 || !strings.ContainsRune("0123456789.,", rune(a[1]))):
			name, value, with := strings.Cut(a[dashes:], "=")
			f := findFlag(app, name)
			switch {
			case f == nil: // --help
			case !takesValue(f): // the last one counts
				yes, err := strconv.ParseBool(value)
				want.flags = slices.DeleteFunc(want.flags, func(w string) bool { return strings.HasPrefix(w, f.Names()[0]+"=") })
				want.flags = append(want.flags, fmt.Sprint(f.Names()[0], "=", yes || err != nil))
			default:
				if !with {
					i++
					value = args[i]
				}
				if _, many := f.(*cli.StringSliceFlag); many {
					value = strings.TrimSpace(value) // the library trims those
				}
				want.flags = append(want.flags, f.Names()[0]+"="+value)
			}
		default:
			if c := findCommand(commands, a); c != nil && len(want.words) == 0 {
				path, commands = append(path, c.Name), c.Subcommands
				continue
			}
			want.words = append(want.words, a)
		}
	}
	want.command = strings.Join(path, " ")
	return want
}

// Whatever is typed in whatever order: it is refused with one sentence and status
// 2, or the command gets every word in its order and every flag with its value.
// Nothing that was typed is silently ignored.
func FuzzArrange(f *testing.F) {
	for _, line := range []string{
		"level 58.2L --at yesterday --u 0.3", "--bath tank-1 plate 22.5Ah --hours 4 --area 5.5dm2", "titrate copper -0.5mL --lot E7",
		"anode --at=now hang slab-a 1.25kg -- --form", "fill 58L --with copper=50 --with chloride=65", "note -- --bath -x", "chart -o - --all",
		"dose --what-if=bail --target copper=52 --check", "state -json --json", "--help level", "level --help", "help", "bath new tank-1 --volume 60L",
		"--version", "void #3 because", "plan 5.5dm2 1.5A/dm2 200um", "state --bath=", "---json state", "-", "level -.5L --u -0,5", "state --json=false",
		"import - --json=maybe", "forecast --job 40Ah --job 40Ah --days 1 --days 2",
	} {
		f.Add(strings.ReplaceAll(line, " ", "\n"))
	}
	f.Add("level\n \n58L")
	f.Add("note\ntwo words\n--note\n\nx")
	f.Fuzz(func(t *testing.T, text string) {
		args := typedLine(text)
		if args[0] == completeWord {
			return
		}
		var got heard
		got.command = "none"
		app := listening(&got)
		arranged, err := arrange(app, args)
		if err == nil {
			err = app.RunContext(context.Background(), append([]string{app.Name}, arranged...))
		} else {
			require.Nil(t, arranged)
		}
		if err != nil {
			status, _ := classify(err)
			require.Equal(t, statusWords, status, err)
			require.NotEmpty(t, oneLine(err.Error()))
			require.Equal(t, "none", got.command)
			return
		}
		if got.command == "none" { // help and the version were asked for
			require.Regexp(t, `(?m)^-+(h|help|version|v)(=.*)?$`, text)
			return
		}
		want := account(app, args)
		require.Equal(t, want.command, got.command)
		require.True(t, slices.Equal(want.words, got.words), "words %q, heard %q", want.words, got.words)
		slices.Sort(want.flags)
		slices.Sort(got.flags)
		require.Equal(t, want.flags, got.flags)
		again, err := arrange(app, arranged)
		require.NoError(t, err)
		require.Equal(t, arranged, again, "what is in order stays as it is")
	})
}
