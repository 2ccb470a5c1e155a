package main

import (
	"errors"
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/creack/pty"
	"github.com/rogpeppe/go-internal/testscript"
)

// patience is how long a program on a terminal may keep silent before a script
// gives up; nothing is measured with it.
const patience = time.Minute

// cmdDialog runs a program on a terminal of its own, as a person would:
//
//	dialog STATUS FILE PROGRAM ARG...
//
// The lines of FILE are "see REGEXP", which waits until the terminal shows
// something new that fits; "type TEXT", which answers a question with it and Enter; "press
// ctrl-c" or "press ctrl-d"; "hang up", which closes the terminal; and
// comments with #. All that the terminal showed is kept in a file called shown.
func cmdDialog(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 3 {
		ts.Fatalf("usage: dialog STATUS FILE PROGRAM ARG...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	program, err := exec.LookPath(args[2])
	ts.Check(err)
	cmd := exec.Command(program, args[3:]...)
	cmd.Dir = ts.MkAbs(".")
	cmd.Env = scriptEnv(ts)
	opened, err := pty.StartWithSize(cmd, &pty.Winsize{Rows: 50, Cols: 80})
	ts.Check(err)
	// A file that blocks is not closed before its read returns, so that the
	// terminal could never hang up.
	descriptor, err := syscall.Dup(int(opened.Fd()))
	ts.Check(err)
	ts.Check(opened.Close())
	ts.Check(syscall.SetNonblock(descriptor, true))
	terminal := os.NewFile(uintptr(descriptor), "terminal")
	defer terminal.Close()
	shown := make(chan string)
	go func() {
		defer close(shown)
		buffer := make([]byte, 4096)
		for {
			n, err := terminal.Read(buffer)
			if n > 0 {
				shown <- string(buffer[:n])
			}
			if err != nil { // a terminal that the program has left reads as an error
				return
			}
		}
	}()
	var all, fresh strings.Builder
	keep := func(s string) {
		s = strings.ReplaceAll(s, "\r\n", "\n")
		all.WriteString(s)
		fresh.WriteString(s)
	}
	fail := func(format string, more ...any) {
		_ = cmd.Process.Kill()
		ts.Logf("the terminal showed:\n%s", all.String())
		ts.Fatalf(format, more...)
	}
	wait := func(what string, seen func() bool) {
		deadline := time.After(patience)
		for !seen() {
			select {
			case s, open := <-shown:
				if !open {
					fail("the program ended before %q was seen", what)
				}
				keep(s)
			case <-deadline:
				fail("%q was not seen", what)
			}
		}
	}
	hungUp := false
	for text := range strings.Lines(ts.ReadFile(args[1])) {
		verb, rest, _ := strings.Cut(strings.TrimSpace(text), " ")
		switch {
		case verb == "" || strings.HasPrefix(verb, "#"):
		case verb == "see":
			pattern, err := regexp.Compile("(?m)" + rest)
			ts.Check(err)
			wait(rest, func() bool {
				at := pattern.FindStringIndex(fresh.String())
				if at == nil {
					return false
				}
				left := fresh.String()[at[1]:]
				fresh.Reset()
				fresh.WriteString(left)
				return true
			})
		case verb == "type":
			// Typed earlier, it would be shown before the question.
			wait("a question", func() bool { return strings.HasSuffix(all.String(), ": ") })
			_, err := terminal.WriteString(rest + "\r")
			ts.Check(err)
		case verb == "press" && rest == "ctrl-c":
			_, err := terminal.Write([]byte{3})
			ts.Check(err)
		case verb == "press" && rest == "ctrl-d":
			_, err := terminal.Write([]byte{4})
			ts.Check(err)
		case verb == "hang" && rest == "up":
			ts.Check(terminal.Close())
			hungUp = true
		default:
			fail("a dialog has no line %q", text)
		}
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	deadline := time.After(patience)
	for open := true; open; {
		var s string
		select {
		case s, open = <-shown:
			keep(s)
		case <-deadline:
			fail("the program did not end")
		}
	}
	ts.Check(os.WriteFile(ts.MkAbs("shown"), []byte(all.String()), 0o600))
	select {
	case err = <-ended:
	case <-deadline:
		fail("the program did not end")
	}
	got := 0
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		got = exit.ExitCode()
	} else if err != nil {
		fail("%v", err)
	}
	if got != want && !hungUp {
		fail("exit status %d, not %d", got, want)
	}
	ts.Logf("[dialog]\n%s", all.String())
}

// scriptEnv is the environment of the script, which testscript does not hand
// out whole.
func scriptEnv(ts *testscript.TestScript) []string {
	var env []string
	for _, name := range []string{"PATH", "WORK", "HOME", "TMPDIR", "TZ", "LC_ALL", "LANG", "LANGUAGE",
		"PAGER", "STEADYBATH_DATABASE", "STEADYBATH_HOME", "STEADYBATH_PGBIN", "STEADYBATH_CLOCK"} {
		env = append(env, name+"="+ts.Getenv(name))
	}
	return append(env, "TERM=dumb")
}
