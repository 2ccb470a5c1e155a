package main

import (
	"errors"
	"net/url"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"github.com/urfave/cli/v2"
)

// openWithin is how long a browser that was started is watched for a failure; one
// that runs on is taken to show the page.
const openWithin = time.Second

// openPage shows a page that was written in the browser. That it cannot is said
// beside the answer and changes nothing in it: the page is there, and what called
// this command has its path.
func (s *session) openPage(c *cli.Context, path string) {
	whole, err := filepath.Abs(path)
	if err == nil {
		err = startFirst(c, openers(runtime.GOOS, s.env("BROWSER"), fileURL(whole)))
	}
	if err == nil {
		return
	}
	report(&problem{status: statusDone, what: path + " was written, but not opened: " + err.Error(),
		hint: "open it in a browser, or name one: BROWSER=firefox steadybath chart --open"}, s.stderr, c.Bool("json"))
}

// fileURL is the address of a file by its whole path.
func fileURL(path string) string {
	path = filepath.ToSlash(path)
	if !strings.HasPrefix(path, "/") { // C:/
		path = "/" + path
	}
	return (&url.URL{Scheme: "file", Path: path}).String()
}

// openers are the commands that may show an address, the first to be tried first.
// browser is the user's own list as in BROWSER: commands between colons, in which
// %s stands for the address; it goes last where it has none.
func openers(system, browser, address string) [][]string {
	var out [][]string
	if system != "windows" { // where a colon stands in a path
		for one := range strings.SplitSeq(browser, ":") {
			words := strings.Fields(one)
			if len(words) == 0 {
				continue
			}
			if !strings.Contains(one, "%s") {
				words = append(words, "%s")
			}
			for i := range words {
				words[i] = strings.ReplaceAll(words[i], "%s", address)
			}
			out = append(out, words)
		}
	}
	switch system {
	case "darwin":
		return append(out, []string{"open", address})
	case "windows":
		return append(out, []string{"rundll32", "url.dll,FileProtocolHandler", address})
	}
	return append(out, []string{"xdg-open", address}, []string{"x-www-browser", address})
}

// startFirst starts the first command that there is and that does not fail at
// once. None of them may speak on the streams of this one or be waited for to its
// end.
func startFirst(c *cli.Context, commands [][]string) error {
	failed := errors.New("there is no browser here")
	for _, words := range commands {
		if _, err := exec.LookPath(words[0]); err != nil {
			continue
		}
		cmd := exec.Command(words[0], words[1:]...)
		if err := cmd.Start(); err != nil {
			failed = errors.New(words[0] + " cannot be started")
			continue
		}
		ended := make(chan error, 1)
		go func() { ended <- cmd.Wait() }()
		select {
		case err := <-ended:
			if err == nil {
				return nil
			}
			failed = errors.New(words[0] + " failed")
		case <-time.After(openWithin):
			return nil
		case <-c.Context.Done():
			return nil
		}
	}
	return failed
}
