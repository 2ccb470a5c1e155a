package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"syscall"

	"github.com/urfave/cli/v2"
	"golang.org/x/term"
)

// usualPager shows at once what fits the screen, and leaves it there.
const usualPager = "less -FRX"

// paged shows what print writes page by page where somebody reads it on a
// terminal. A pager that does not work is told of, and the text is printed all the
// same.
func (s *session) paged(c *cli.Context, print func(io.Writer) error) error {
	out, ok := s.stdout.(*os.File)
	if !ok || !term.IsTerminal(int(out.Fd())) || c.Bool("no-pager") {
		return print(s.stdout)
	}
	wanted := strings.TrimSpace(s.env("PAGER"))
	words := strings.Fields(wanted)
	if term := s.env("TERM"); wanted == "" && (term == "" || term == "dumb") {
		return print(s.stdout) // nothing can be shown page by page there
	}
	if wanted == "" {
		words = strings.Fields(usualPager)
	}
	if words[0] == "cat" {
		return print(s.stdout)
	}
	path, err := exec.LookPath(words[0])
	if err != nil {
		if wanted != "" {
			fmt.Fprintf(s.stderr, "PAGER names %q, which is no program here; printed without it\n", oneLine(words[0]))
		}
		return print(s.stdout)
	}
	cmd := exec.Command(path, words[1:]...)
	cmd.Stdout, cmd.Stderr = s.stdout, s.stderr
	cmd.Env = os.Environ()
	for name, usual := range map[string]string{"LESS": "FRX", "LESSCHARSET": "utf-8"} {
		if s.env(name) == "" {
			cmd.Env = append(cmd.Env, name+"="+usual)
		}
	}
	in, err := cmd.StdinPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		fmt.Fprintf(s.stderr, "the pager %q cannot be started; printed without it\n", oneLine(wanted))
		return print(s.stdout)
	}
	failed := print(in)
	in.Close()
	ended := cmd.Wait() // the terminal is the pager's until then
	if errors.Is(failed, syscall.EPIPE) || errors.Is(failed, os.ErrClosed) {
		failed = nil // enough was seen
	}
	if failed == nil && ended != nil {
		fmt.Fprintf(s.stderr, "the pager %q failed (%s); printed without it\n", oneLine(strings.Join(words, " ")), ended)
		return print(s.stdout)
	}
	return failed
}
