package main

import (
	"fmt"
	"strings"

	"github.com/urfave/cli/v2"
)

// helpWidth is what a terminal is sure to have; helpColumn is where what a flag
// or command does is told beside its name.
const (
	helpWidth  = 80
	helpColumn = 24
)

// helpText lays out the help of one command. The library's own layout is not
// used because it makes lines of any length.
func helpText(path string, c *cli.Command) string {
	var b strings.Builder
	paragraph, list, _ := strings.Cut(c.Description, "\n\nExamples:\n")
	b.WriteString(flow("", 0, path+" - "+c.Usage) + "\n")
	b.WriteString(flow("   ", 6, c.UsageText) + "\n")
	b.WriteString(flow("", 0, paragraph) + "\nExamples:\n")
	for example := range strings.Lines(list) {
		b.WriteString(shellLines(strings.TrimSpace(example)))
	}
	if len(c.Subcommands) > 0 {
		b.WriteString("\nCommands:\n")
		for _, sub := range c.Subcommands {
			helpLine(&b, sub.Name+" "+words(path, sub), sub.Usage)
		}
		fmt.Fprintf(&b, "\nEach of them: %s COMMAND --help\n", path)
	}
	if len(c.Flags) > 0 {
		b.WriteString("\nFlags:\n")
		for _, f := range c.Flags {
			left, right := flagWords(f)
			helpLine(&b, left, right)
		}
	}
	return b.String() + "\n" + exitStatuses + "\n"
}

// words is what is typed after the name of a command, from its usage.
func words(path string, c *cli.Command) string {
	typed := strings.TrimSpace(strings.TrimPrefix(strings.TrimSpace(c.UsageText), path+" "+c.Name))
	typed, _, _ = strings.Cut(typed, " --")
	return typed
}

// helpLine writes two columns, the right one on lines of its own where the left
// one is long.
func helpLine(b *strings.Builder, left, right string) {
	line := "   " + strings.TrimSpace(left)
	if len(line) > helpColumn-2 {
		b.WriteString(line + "\n")
		line = ""
	}
	b.WriteString(flow(line+strings.Repeat(" ", helpColumn-len(line)), helpColumn, right))
}

// flow writes the words of text after start, in lines that fit; all but the
// first begin with an indent.
func flow(start string, indent int, text string) string {
	var b strings.Builder
	line, empty := start, true
	for _, word := range strings.Fields(text) {
		if !empty && len([]rune(line))+1+len([]rune(word)) > helpWidth {
			b.WriteString(line + "\n")
			line, empty = strings.Repeat(" ", indent), true
		}
		if !empty {
			line += " "
		}
		line, empty = line+word, false
	}
	return b.String() + line + "\n"
}

// shellLines writes an example in lines that fit and that a shell takes for one.
func shellLines(example string) string {
	var b strings.Builder
	line := "   "
	for i, part := range strings.Split(example, " --") {
		switch {
		case i == 0:
			line += part
		case len([]rune(line+" --"+part+" \\")) > helpWidth:
			b.WriteString(line + " \\\n")
			line = "      --" + part
		default:
			line += " --" + part
		}
	}
	return b.String() + line + "\n"
}

// flagWords is a flag as it is typed, and what it says.
func flagWords(f cli.Flag) (left, right string) {
	names := make([]string, len(f.Names()))
	for i, n := range f.Names() {
		names[i] = dashed(n)
	}
	left = strings.Join(names, ", ")
	usage := f.(cli.DocGenerationFlag).GetUsage()
	if _, rest, ok := strings.Cut(usage, "`"); ok {
		value, _, _ := strings.Cut(rest, "`")
		left += " " + value
	}
	right = strings.ReplaceAll(usage, "`", "")
	if s, ok := f.(*cli.StringFlag); ok && s.Value != "" {
		right += "; " + s.Value + " if not given"
	}
	return left, right
}
