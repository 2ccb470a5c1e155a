package main

import (
	"fmt"
	"strings"
	"unicode"

	"github.com/urfave/cli/v2"
)

func manCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "man", Usage: "print the manual page", UsageText: "steadybath man",
		Description: describe("Every command with its flags and examples, exit statuses, variables, files and\ncautions on one page, in the language of man.",
			"steadybath man | man -l -", "steadybath man > ~/.local/share/man/man1/steadybath.1"),
		Action: func(c *cli.Context) error {
			if err := noWords("man", c.Args().Slice()); err != nil {
				return err
			}
			now, err := s.now()
			if err != nil {
				return err
			}
			_, err = fmt.Fprint(s.stdout, manPage(c.App, now.Format("2006-01-02")))
			return err
		},
	}
}

// environment is what the tool reads from its environment, for people.
var environment = [][2]string{
	{"STEADYBATH_DATABASE", "PostgreSQL URL of the records, instead of the private database; the flag --database goes before it."},
	{"STEADYBATH_HOME", "Folder of the private database."},
	{"STEADYBATH_PGBIN", "Folders with PostgreSQL's programs, separated as in PATH, to be taken before all others."},
	{"STEADYBATH_CLOCK", "A time such as 2026-03-02T18:30:00Z that questions take for now: for demos and tests. What is entered is dated by the database all the same."},
	{"BROWSER", "Commands separated by colons, of which chart --open takes the first there is; %s in one stands for the page's address."},
	{"TZ", "The zone of a new bath where --zone is not given."},
	{"XDG_DATA_HOME, HOME", "Where the folder of the private database lies where STEADYBATH_HOME is not set."},
	{"XDG_RUNTIME_DIR", "Where its socket lies where the path of the folder is too long for one."},
	{"PGPASSFILE, PGSSLMODE and their like", "What PostgreSQL's own programs read is read for --database too; the private database heeds none of it."},
}

// places are the files the tool makes or reads.
var places = [][2]string{
	{"~/.local/share/steadybath", "The private database: data (PostgreSQL's folder), run (the socket), server.log, lock. Root's may lie below /var/lib/steadybath; steadybath server status says where."},
	{"BATH.html", "The page that chart writes where --output is not given."},
	{"pages/index.html", "The index that chart --all writes where --output is not given, its pages beside it."},
	{"~/.pgpass", "Passwords for --database, as PostgreSQL's own programs take them."},
}

// manPage is the manual page of the whole tree in the language of man(7).
func manPage(app *cli.App, date string) string {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	line(`.TH STEADYBATH 1 %s "steadybath %s" "User Commands"`, `"`+date+`"`, roff(app.Version))
	// A flag that was parted at the end of a line could not be copied.
	line(".nh\n.ad l")
	line(".SH NAME\n%s \\- %s", roff(app.Name), roff(app.Usage))
	line(".SH SYNOPSIS\n.B %s\n[\\fIcommand\\fR] [\\fIwords\\fR] [\\fIflags\\fR]", roff(app.Name))
	line(".SH DESCRIPTION")
	manText(&b, app.Description)
	line(".PP\n%s", roffFlow("Flags may stand before or after the words. Quantities are typed with their unit."))
	manFlags(&b, app.Flags)
	line(".SH COMMANDS")
	manCommands(&b, app.Name, app.Commands)
	line(".SH EXIT STATUS")
	_, statuses, _ := strings.Cut(strings.Join(strings.Fields(exitStatuses), " "), ": ")
	for _, one := range strings.Split(strings.TrimSuffix(statuses, "."), "; ") {
		number, what, ok := strings.Cut(one, " ")
		if ok && strings.Trim(number, "0123456789") == "" {
			line(".TP\n.B %s\n%s", roff(number), roffFlow(what))
		}
	}
	line(".SH ENVIRONMENT")
	for _, e := range environment {
		line(".TP\n.B %s\n%s", roff(e[0]), roffFlow(e[1]))
	}
	line(".SH FILES")
	for _, f := range places {
		line(".TP\n.I %s\n%s", roff(f[0]), roffFlow(f[1]))
	}
	line(".SH CAUTIONS")
	manText(&b, cautionPage)
	return b.String()
}

func manCommands(b *strings.Builder, path string, commands []*cli.Command) {
	for _, c := range commands {
		if c.Hidden {
			continue
		}
		path := path + " " + c.Name
		fmt.Fprintf(b, ".SS %s\n%s.\n", roff(strings.TrimPrefix(path, "steadybath ")), roffFlow(sentence(c.Usage)))
		manLines(b, flow("   ", 6, c.UsageText))
		paragraph, list, _ := strings.Cut(c.Description, "\n\nExamples:\n")
		if paragraph != sentence(c.Usage)+"." {
			b.WriteString(".PP\n")
			manText(b, paragraph)
		}
		manFlags(b, c.Flags)
		b.WriteString(".PP\nExamples:\n")
		var examples strings.Builder
		for example := range strings.Lines(list) {
			examples.WriteString(shellLines(strings.TrimSpace(example)))
		}
		manLines(b, examples.String())
		manCommands(b, path, c.Subcommands)
	}
}

func manFlags(b *strings.Builder, flags []cli.Flag) {
	for _, f := range flags {
		left, right := flagWords(f)
		fmt.Fprintf(b, ".TP\n.B %s\n%s\n", roff(left), roffFlow(right))
	}
}

// manText writes paragraphs, and lines that are indented as they are.
func manText(b *strings.Builder, text string) {
	for i, paragraph := range strings.Split(text, "\n\n") {
		if strings.HasPrefix(paragraph, " ") {
			manLines(b, paragraph)
			continue
		}
		if i > 0 {
			b.WriteString(".PP\n")
		}
		b.WriteString(roffFlow(paragraph) + "\n")
	}
}

// manLines writes lines as they stand, at the same place on the screen as in
// the help, which is nearer the edge than the text around them.
func manLines(b *strings.Builder, text string) {
	b.WriteString(".PP\n.nf\n.in 3n\n")
	for l := range strings.Lines(text) {
		b.WriteString(roff(strings.TrimPrefix(strings.TrimRight(l, "\n"), "   ")) + "\n")
	}
	b.WriteString(".in\n.fi\n")
}

func sentence(s string) string {
	r := []rune(s)
	return string(unicode.ToUpper(r[0])) + string(r[1:])
}

// roff writes text so that man shows it as it is: a hyphen that can be copied
// into a shell, no escape and no request at the start of a line, and nothing
// beyond ASCII, which not every man reads.
func roff(text string) string {
	var b strings.Builder
	for i, r := range text {
		switch {
		case r == '\\':
			b.WriteString(`\e`)
		case r == '-':
			b.WriteString(`\-`)
		case r == '\'' && i > 0:
			b.WriteString(`\(aq`)
		case r == '`':
			b.WriteString(`\(ga`)
		case r == '^':
			b.WriteString(`\(ha`)
		case r == '~':
			b.WriteString(`\(ti`)
		case r == '"':
			b.WriteString(`\(dq`)
		case i == 0 && (r == '.' || r == '\''):
			b.WriteString(`\&` + string(r))
		case r > 0x7e:
			fmt.Fprintf(&b, `\[u%04X]`, r)
		default:
			b.WriteRune(r)
		}
	}
	return b.String()
}

// roffFlow is roff in lines of a fair length, of which none begins as a request.
func roffFlow(text string) string {
	words := strings.Fields(text)
	for i, w := range words {
		words[i] = roff(w)
	}
	return strings.TrimSuffix(flow("", 0, strings.Join(words, " ")), "\n")
}
