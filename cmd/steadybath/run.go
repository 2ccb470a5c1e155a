package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode"

	"github.com/urfave/cli/v2"

	"steadybath/chem/journal"
	"steadybath/db"
	"steadybath/reports"
)

// Exit statuses, the same for every command.
const (
	statusDone    = 0
	statusRefused = 1 // by the facts, or it failed; nothing was written
	statusWords   = 2 // the words were wrong, whatever the facts
	statusDue     = 3 // with --check, something is due
	statusMaybe   = 4 // the connection broke, and the fact may have been written
)

// problem is an error with its exit status and a hint of what to type next.
type problem struct {
	status int
	what   string
	hint   string
	parts  []string // what is wrong one by one, where it is several things
	cause  error
}

func (p *problem) Error() string { return p.what }
func (p *problem) Unwrap() error { return p.cause }

// wrongWords is a mistake in what was typed.
func wrongWords(hint, format string, args ...any) error {
	return &problem{status: statusWords, what: fmt.Sprintf(format, args...), hint: hint}
}

// refused is what the facts do not allow.
func refused(hint, format string, args ...any) error {
	return &problem{status: statusRefused, what: fmt.Sprintf(format, args...), hint: hint}
}

// run is the whole program: every test enters here. It returns the exit status.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer, env func(string) string) int {
	s := newSession(stdin, stdout, stderr, env)
	defer s.close()
	if len(args) > 0 && args[0] == completeWord {
		return complete(ctx, s, args[1:])
	}
	app := newApp(s)
	arranged, err := arrange(app, args)
	if err == nil {
		if asksForHelp(arranged) {
			finishHelp(app.Name, app.Commands)
		}
		err = app.RunContext(ctx, append([]string{app.Name}, arranged...))
	}
	if err == nil {
		s.sayReadOnly(ctx)
	}
	return report(helpHint(app, args, s.withRoom(err)), stderr, wantsJSON(args))
}

// helpHint gives a mistake in the words that has no better hint the one that
// always helps: where it stands how the command is typed.
func helpHint(app *cli.App, args []string, err error) error {
	status, hint := classify(err)
	if err == nil || status != statusWords || hint != "" {
		return err
	}
	path := []string{app.Name}
	commands := app.Commands
	for _, a := range args {
		if c := findCommand(commands, a); c != nil {
			path, commands = append(path, c.Name), c.Subcommands
		} else if _, _, isFlag := asFlag(a); !isFlag {
			break
		}
	}
	return &problem{status: statusWords, what: err.Error(), hint: strings.Join(path, " ") + " --help shows how it is typed", cause: err}
}

// wantsJSON looks for --json among the words as typed: a mistake elsewhere in
// them must still be answered in JSON.
func wantsJSON(args []string) bool {
	for _, a := range args {
		if a == "--" {
			return false
		}
		if a == "--json" || a == "-json" {
			return true
		}
	}
	return false
}

// report prints an error once, as one line and a hint, and gives the status.
func report(err error, stderr io.Writer, asJSON bool) int {
	if err == nil {
		return statusDone
	}
	status, hint := classify(err)
	what := oneLine(err.Error())
	var p *problem
	var parts []string
	if !errors.As(err, &p) {
		if errors.Is(err, context.Canceled) {
			what = "stopped"
		}
	} else {
		for _, part := range p.parts {
			parts = append(parts, oneLine(part))
		}
	}
	if status == statusDue && what == "" {
		return status
	}
	if asJSON {
		text, _ := json.Marshal(struct {
			Error  string   `json:"error"`
			Hint   string   `json:"hint"`
			Status int      `json:"status"`
			Parts  []string `json:"parts,omitempty"`
		}{what, oneLine(hint), status, parts})
		fmt.Fprintf(stderr, "%s\n", text)
		return status
	}
	for _, part := range parts {
		fmt.Fprintln(stderr, part)
	}
	fmt.Fprintf(stderr, "steadybath: %s\n", what)
	if hint != "" {
		fmt.Fprintf(stderr, "hint: %s\n", oneLine(hint))
	}
	return status
}

// classify gives an error its exit status and hint.
func classify(err error) (status int, hint string) {
	var p *problem
	var maybe *db.MaybeWritten
	var hinted interface{ Hint() string }
	var column *journal.ColumnError
	switch {
	case errors.As(err, &p):
		return p.status, p.hint
	case errors.As(err, &maybe):
		return statusMaybe, maybe.Hint()
	case errors.As(err, &column):
		return statusWords, ""
	case errors.Is(err, context.Canceled):
		return statusRefused, "nothing was written"
	case errors.As(err, &hinted):
		return statusRefused, hinted.Hint()
	}
	return statusRefused, ""
}

// longest is how much of a word or of a whole message is shown: what was pasted
// by mistake must not bury what is wrong with it.
const (
	longestWord    = 120
	longestMessage = 1000
)

// oneLine keeps a message on one line of fair length, without anything that a
// terminal would obey, whatever it quotes.
func oneLine(s string) string {
	word := 0
	var out []rune
	s = reports.Plain(strings.ReplaceAll(strings.TrimSpace(s), "\n", "; "))
	for _, r := range strings.TrimSpace(s) {
		word++
		if unicode.IsSpace(r) {
			word = 0
		}
		switch {
		case len(out) == longestMessage:
			return string(out) + "…"
		case word == longestWord:
			out = append(out, '…')
		case word < longestWord:
			out = append(out, r)
		}
	}
	return string(out)
}
