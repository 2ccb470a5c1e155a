package main

import (
	"context"
	"fmt"
	"io"
	"regexp"
	"strings"

	"github.com/urfave/cli/v2"
)

// version is set when the tool is built.
var version = "development"

// newApp builds the whole tree of commands anew, so that nothing is shared
// between two runs in one process.
func newApp(s *session) *cli.App {
	app := &cli.App{
		Name:                      "steadybath",
		Usage:                     "keep plating baths right between titrations",
		Version:                   version,
		Description:               appDescription,
		Writer:                    s.stdout,
		ErrWriter:                 s.stderr,
		HideHelpCommand:           true,
		DisableSliceFlagSeparator: true,
		ExitErrHandler:            func(*cli.Context, error) {},
		Flags:                     questionFlags(),
		Action:                    action(s, overview),
		CustomAppHelpTemplate:     appHelp,
		Commands: []*cli.Command{
			bathCommand(s), fillCommand(s), levelCommand(s), titrateCommand(s), assayCommand(s), plateCommand(s), addCommand(s),
			bailCommand(s), anodeCommand(s), noteCommand(s), voidCommand(s), roundCommand(s),
			panelCommand(s), treatCommand(s), changeCommand(s), meterCommand(s), titrantCommand(s), materialCommand(s),
			stateCommand(s), doseCommand(s), planCommand(s), forecastCommand(s), anodesCommand(s), chartCommand(s), historyCommand(s), cautionsCommand(s),
			importCommand(s), exportCommand(s), backupCommand(s), restoreCommand(s), recipeCommand(s), serverCommand(s),
			doctorCommand(s), completionCommand(s), manCommand(s),
		},
	}
	finishTree(app.Name, app.Commands)
	app.OnUsageError = usageError
	return app
}

const appDescription = `Write down what happens at the tank, and ask what is in it:

   steadybath level 58.2L
   steadybath titrate copper 16.35mL 16.40mL
   steadybath plate 22.5Ah --hours 4 --area 5.5dm2
   steadybath add brightener 12mL
   steadybath dose

Without a command: one line per bath with what is due.`

const exitStatuses = `Exit status: 0 done; 1 refused or failed, nothing was written; 2 the words were
wrong; 3 with --check, something is due; 4 the connection broke and the fact may
have been written: type the same command with the --id it prints.`

const cautionPage = `Care: acids burn, copper and nickel salts poison water, nickel salts can cause
cancer and allergy, cyanide baths can give off hydrogen cyanide at every pH.
What this tool says is arithmetic on your figures. Safety data sheets, local
codes and licensed practice come first; what is bailed out is hazardous waste.
steadybath cautions says more, by bath and by material.`

var appHelp = `{{.Name}} - {{.Usage}}

{{.Description}}

Commands:{{range .VisibleCommands}}
   {{join .Names ", "}}{{"\t"}}{{.Usage}}{{end}}

Each command: steadybath COMMAND --help

` + exitStatuses + "\n\n" + cautionPage + "\n"

// finishTree gives every command what the library does not hand down.
func finishTree(path string, commands []*cli.Command) {
	for _, c := range commands {
		path := path + " " + c.Name
		c.OnUsageError = usageError
		c.HideHelpCommand = true
		if len(c.Subcommands) > 0 {
			c.Action = func(*cli.Context) error {
				return wrongWords(path+" --help", "%s what? %s", c.Name, commandNames(c.Subcommands))
			}
		}
		finishTree(path, c.Subcommands)
	}
}

// finishHelp lays out the help of every command. It takes longer than most
// commands do, and is done where help is asked for.
func finishHelp(path string, commands []*cli.Command) {
	for _, c := range commands {
		path := path + " " + c.Name
		c.CustomHelpTemplate = fmt.Sprintf("{{%q}}", helpText(path, c))
		finishHelp(path, c.Subcommands)
	}
}

// unfit is how the library says that a value is no whole number, or not yes or
// no.
var unfit = regexp.MustCompile(`^invalid (boolean )?value "(.*)" for (?:flag )?-(\S+): `)

func usageError(_ *cli.Context, err error, _ bool) error {
	if m := unfit.FindStringSubmatch(err.Error()); m != nil {
		wanted := "a whole number"
		if m[1] != "" {
			wanted = "true or false"
		}
		return wrongWords("", "%s: %q is not %s", dashed(m[3]), m[2], wanted)
	}
	return wrongWords("", "%v", err)
}

// action runs a command that takes no words, or refuses them.
func action(s *session, do func(context.Context, *session, *cli.Context) error) cli.ActionFunc {
	return func(c *cli.Context) error {
		return do(c.Context, s, c)
	}
}

// describe joins a paragraph and two examples.
func describe(paragraph string, examples ...string) string {
	var b strings.Builder
	b.WriteString(paragraph + "\n\nExamples:\n")
	for _, e := range examples {
		fmt.Fprintf(&b, "   %s\n", e)
	}
	return strings.TrimRight(b.String(), "\n")
}

func bathFlag() cli.Flag {
	return &cli.StringFlag{Name: "bath", Usage: "the `BATH` that is meant; not needed where there is one"}
}

func jsonFlag() cli.Flag {
	return &cli.BoolFlag{Name: "json", Usage: "answer as one JSON object"}
}

func databaseFlag() cli.Flag {
	return &cli.StringFlag{Name: "database", Usage: "PostgreSQL `URL` instead of the private database (also STEADYBATH_DATABASE)"}
}

func unitsFlag() cli.Flag {
	return &cli.StringFlag{Name: "units", Usage: "`SYSTEM` to show amounts in: metric or us"}
}

func knownOnFlag() cli.Flag {
	return &cli.StringFlag{Name: "known-on", Usage: "only what had been entered by `WHEN`"}
}

// questionFlags stand on every command that asks.
func questionFlags() []cli.Flag {
	return []cli.Flag{bathFlag(),
		&cli.StringFlag{Name: "at", Usage: "as of `WHEN`: \"2026-03-02\", \"yesterday 18:30\", \"3 days ago\""},
		knownOnFlag(), jsonFlag(), unitsFlag(), databaseFlag()}
}

// writeFlags stand on every command that enters a fact.
func writeFlags(more ...cli.Flag) []cli.Flag {
	return append(more, bathFlag(),
		&cli.StringFlag{Name: "at", Usage: "`WHEN` it happened: \"yesterday 18:30\", 2026-03-02 (noon); now if not given"},
		&cli.StringFlag{Name: "note", Usage: "a `TEXT` to keep with it"},
		&cli.StringFlag{Name: "force", Usage: "enter what is unlikely all the same, because `REASON`"},
		&cli.StringFlag{Name: "id", Usage: "`ID` of a fact whose connection broke: never entered twice"},
		jsonFlag(), unitsFlag(), databaseFlag())
}

// say writes a line to w as the last word of a command.
func say(w io.Writer, format string, args ...any) error {
	_, err := fmt.Fprintf(w, format+"\n", args...)
	return err
}
