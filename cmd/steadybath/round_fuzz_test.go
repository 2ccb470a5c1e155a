package main

import (
	"bytes"
	"context"
	"io"
	"path/filepath"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
	"github.com/urfave/cli/v2"

	"steadybath/chem/journal"
	"steadybath/reports"
)

// A round's answers as they are piped in: the round is refused with one sentence
// that names the line, or every answer is a fact that a row can hold, at or just
// after the round's beginning, once, and is shown in plain lines before anything
// is written.
func FuzzRoundAnswers(f *testing.F) {
	f.Add("57.8\n1.5\n60\n16.35 16.40 --lot N7\n0.10..13.20\n\n23.5\n\nright\n22.5\n\n1.18\na pit on the lower edge\n")
	f.Add("57.8 L\n.\n")
	f.Add("15.3 gal\n\n80\n16.35 --sample 5mL\n12.9 --returned\n")
	f.Add("57,8\n0\n0\n\n\n\n\n\n\n\n\n\n\n1\n57.6\n\n")
	f.Add("--u 0.3 58.1\n?\n-\n")
	f.Add("\xff\n\x1b[2J\n1e9\n\n\n\n\n\n4.2 mL/L --force \"read twice\"\n")
	b := bathInHand(f, "copper-electroforming")
	f.Fuzz(func(t *testing.T, text string) {
		var errs bytes.Buffer
		s := newSession(strings.NewReader(text), io.Discard, &errs, func(string) string { return "" })
		app := newApp(s)
		var c *cli.Context
		findCommand(app.Commands, "round").Action = func(got *cli.Context) error { c = got; return nil }
		require.NoError(t, app.RunContext(context.Background(), []string{app.Name, "round"}))
		so := *b
		r := &round{s: s, c: c, b: &so, sys: reports.Metric, now: tankAt.Add(afterMixing), draft: &draft{Began: tankAt, Answers: map[string]kept{}}}
		require.NoError(t, r.prepare())
		err := r.askAll(context.Background())
		if err == nil {
			err = r.secondLook(context.Background())
		}
		if err != nil {
			oneSentence(t, err)
			require.LessOrEqual(t, r.read, strings.Count(text, "\n")+1)
			return
		}
		ids := map[string]bool{}
		count := 0
		for _, fact := range r.facts() {
			if fact.Body == nil {
				continue
			}
			count++
			row, err := journal.Encode(fact)
			require.NoError(t, err)
			again, err := journal.Decode(row)
			require.NoError(t, err)
			require.Equal(t, fact.Kind(), again.Kind())
			require.False(t, ids[row.ID.String()], "an id comes twice")
			ids[row.ID.String()] = true
			require.False(t, row.Time.Before(tankAt) || row.Time.After(tankAt.Add(afterMixing)))
		}
		answered := 0
		for _, a := range r.answers {
			if a.body != nil {
				answered++
			}
		}
		require.NotZero(t, answered)
		require.LessOrEqual(t, count, answered)
		var look bytes.Buffer
		require.NoError(t, reports.WriteRoundLook(&look, r.look()))
		plainText(t, look.String())
	})
}

// plainText asserts that a terminal obeys nothing of a text but its line breaks.
func plainText(t *testing.T, text string) {
	t.Helper()
	require.True(t, utf8.ValidString(text))
	for _, r := range text {
		require.False(t, unicode.IsControl(r) && r != '\n', "%U in %q", r, text)
	}
}

// A press of the tab key on whatever stands there: it succeeds, shows nothing
// that the terminal would obey, and what it offers begins with what was typed and
// is a word of its own.
func FuzzCompletion(f *testing.F) {
	for _, line := range []string{"", "lev", "level --", "anode hang ", "--bath", "titrate --units=", "titrate --units ", "cautions add", "bath new --recipe cop", "dose --target copper=", `note "it is`,
		"level 58L > ", "history --kind v", "x y z ", "completion ", `a\ b`, "forecast --check --", "-- level", "bath new --recipe='nick", `plate --part "a=b:c`} {
		f.Add(strings.ReplaceAll(line, " ", "\n"), uint8(0))
		f.Add(strings.ReplaceAll(line, " ", "\n"), uint8(1))
		f.Add(strings.ReplaceAll(line, " ", "\n"), uint8(2))
	}
	none := filepath.Join(f.TempDir(), "none")
	f.Fuzz(func(t *testing.T, text string, which uint8) {
		shell := []string{"bash", "zsh", "fish"}[int(which)%3]
		words := typedLine(text)
		for _, w := range words {
			if strings.HasPrefix(strings.TrimLeft(unquote(w), "-"), "database") {
				return // it would knock at somebody's door
			}
		}
		var out, errs bytes.Buffer
		env := func(name string) string {
			if name == "STEADYBATH_HOME" {
				return none
			}
			return ""
		}
		require.Zero(t, run(context.Background(), append([]string{completeWord, shell}, words...), strings.NewReader(""), &out, &errs, env))
		require.Empty(t, errs.String())
		last := words[len(words)-1]
		for line := range strings.Lines(out.String()) {
			require.True(t, strings.HasSuffix(line, "\n"))
			line = strings.TrimSuffix(line, "\n")
			if line+"\n" == filesLine {
				continue
			}
			word, what, tab := strings.Cut(line, "\t")
			require.NotEmpty(t, word)
			require.False(t, strings.ContainsFunc(word+what, unicode.IsControl), "%q", line)
			require.Equal(t, shell != "bash", tab)
			switch shell {
			case "zsh":
				require.True(t, len(word) >= len(last) && strings.EqualFold(word[:len(last)], last), "%q for %q", word, last)
			case "fish":
				typed := unquote(last)
				require.True(t, len(word) >= len(typed) && strings.EqualFold(word[:len(typed)], typed), "%q for %q", word, last)
			}
		}
	})
}

// A word that bash gets is read back as the word that was offered.
func FuzzShellQuotes(f *testing.F) {
	for _, s := range []string{"sulfuric acid 35 %", "tank-1", `it's "new"`, "$(reboot)", "`x`", "a\\b", "銅", "copper=", "~/x", "#1", "{a,b}", "!1", "*"} {
		for _, quote := range []byte{0, '"', '\''} {
			f.Add(s, quote)
		}
	}
	f.Fuzz(func(t *testing.T, word string, quote byte) {
		if quote != '"' && quote != '\'' {
			quote = 0
		}
		if !utf8.ValidString(word) || strings.ContainsFunc(word, unicode.IsControl) {
			return // such are not offered
		}
		reply := bashWord{quote: quote}.reply(word)
		if quote == 0 {
			require.Equal(t, word, unquote(reply))
			require.NotRegexp(t, `(^|[^\\])(\\\\)*[ $`+"`"+`"'();&|<>*?!#~{}\[\]]`, reply)
			return
		}
		require.Equal(t, word, unquote(string(quote)+reply+string(quote)))
	})
}

// Names of baths as names of files: no two pages share one, none is a way out of
// the folder, and every file system takes it.
func FuzzFileNames(f *testing.F) {
	f.Add("tank-1", "TANK-1", "tank-1-2")
	f.Add("../../etc/passwd", "..", ".")
	f.Add("a/b", "a\\b", "a:b")
	f.Add("index", "Index", "ındex")
	f.Add("Café", "Cafe\u0301", strings.Repeat("銅", 120))
	f.Add("CON", "nul.txt", "com1")
	f.Add("a ", "a.", "a")
	f.Fuzz(func(t *testing.T, a, b, c string) {
		seen := []string{indexName}
		for _, name := range pageNames([]string{a, b, c}) {
			for _, other := range seen {
				require.False(t, strings.EqualFold(name, other), "%q and %q", name, other)
			}
			seen = append(seen, name)
			require.Equal(t, name, filepath.Base(name))
			require.True(t, strings.HasSuffix(name, ".html"))
			require.LessOrEqual(t, len(name), 255)
			require.False(t, strings.ContainsAny(name, "/\\<>:\"|?*"), "%q", name)
			require.False(t, strings.ContainsFunc(name, unicode.IsControl), "%q", name)
			require.False(t, strings.HasPrefix(name, ".") || strings.HasPrefix(name, "-"), "%q", name)
			require.True(t, utf8.ValidString(name), "%q", name)
		}
	})
}
