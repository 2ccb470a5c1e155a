package main

import (
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/urfave/cli/v2"
	"golang.org/x/term"

	"steadybath/chem/journal"
	"steadybath/reports/sheet"
)

// The formats of an export.
const (
	formatCSV     = "csv"
	formatLines   = "jsonl"
	formatXLSX    = "xlsx"
	formatGuarded = "csv-for-spreadsheets"
)

func exportCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "export", Usage: "write a bath's journal", UsageText: "steadybath export [--all] [--output FILE] [--format FORMAT]",
		Description: describe("All thirteen columns, in order of entry; import into an empty database gives the\nsame answers to the last digit. csv is RFC 4180 and what the chain is checked\non, jsonl has a fact a line, xlsx a sheet a bath with dates and numbers beside\nthe text. csv-for-spreadsheets is for looking only: a note that begins like a\nformula is made harmless there and stays so.",
			"steadybath export --output tank-1.csv", "steadybath export --all > shop.csv", "steadybath export --output tank-1.xlsx"),
		Flags: []cli.Flag{bathFlag(), databaseFlag(),
			&cli.BoolFlag{Name: "all", Usage: "every bath, and the shop's titrants and stock"},
			&cli.StringFlag{Name: "output", Aliases: []string{"o"}, Usage: "the `FILE` to write; standard output if not given"},
			&cli.StringFlag{Name: "format", Usage: "`FORMAT`, csv or by the ending of FILE if not given: csv, jsonl, xlsx or csv-for-spreadsheets"}},
		Action: func(c *cli.Context) error { return runExport(s, c) },
	}
}

// exportFormat is what --format says, or the ending of the file.
func exportFormat(said, path string) (string, error) {
	byEnding := map[string]string{".csv": formatCSV, ".jsonl": formatLines, ".ndjson": formatLines, ".xlsx": formatXLSX}[strings.ToLower(filepath.Ext(path))]
	switch said {
	case "":
		if byEnding == "" {
			if ext := strings.ToLower(filepath.Ext(path)); ext == ".json" || ext == ".xls" || ext == ".ods" {
				return "", wrongWords("csv, jsonl and xlsx can be", "%s cannot be written as %s", path, strings.TrimPrefix(ext, "."))
			}
			return formatCSV, nil
		}
		return byEnding, nil
	case formatCSV, formatLines, formatXLSX, formatGuarded:
		if byEnding != "" && byEnding != said && !(said == formatGuarded && byEnding == formatCSV) {
			return "", wrongWords("leave --format out, or name the file otherwise", "--format %s and --output %s contradict each other", said, path)
		}
		return said, nil
	}
	hint := "csv, jsonl, xlsx or csv-for-spreadsheets would fit"
	if near := nearest(said, []string{formatCSV, formatLines, formatXLSX, formatGuarded}); near != "" {
		hint = "did you mean " + near + "? " + hint
	}
	return "", wrongWords(hint, "export --format: there is no format %q", said)
}

func runExport(s *session, c *cli.Context) error {
	if err := noWords("export", c.Args().Slice()); err != nil {
		return err
	}
	if c.Bool("all") && c.String("bath") != "" {
		return wrongWords("leave one of them out", "--all and --bath contradict each other")
	}
	path := c.String("output")
	if path == "-" {
		path = ""
	}
	format, err := exportFormat(strings.ToLower(c.String("format")), path)
	if err != nil {
		return err
	}
	if f, ok := s.stdout.(*os.File); ok && path == "" && format == formatXLSX && term.IsTerminal(int(f.Fd())) {
		return wrongWords("for instance --output shop.xlsx", "an .xlsx is nothing for a terminal")
	}
	store, err := s.open(c)
	if err != nil {
		return err
	}
	var baths []string
	if !c.Bool("all") {
		name, err := s.bathName(c)
		if err != nil {
			return err
		}
		baths = []string{name}
	}
	write := func(out io.Writer) error {
		w, err := newRowWriter(format, out)
		if err != nil {
			return err
		}
		if err := store.EachRow(c.Context, baths, w.Write); err != nil {
			return err
		}
		return w.Flush()
	}
	if path != "" {
		return writeWhole(path, func(f *os.File) error { return write(f) })
	}
	return write(s.stdout)
}

// rowWriter writes facts in one format.
type rowWriter interface {
	Write(journal.Row) error
	Flush() error
}

func newRowWriter(format string, out io.Writer) (rowWriter, error) {
	zones := func(name string) (*time.Location, error) { return loadZone(name) }
	switch format {
	case formatLines:
		return &linesWriter{out: out}, nil
	case formatXLSX:
		w, err := sheet.NewWriter(zones)
		if err != nil {
			return nil, err
		}
		return &xlsxWriter{w, out}, nil
	case formatGuarded:
		return sheet.NewGuardedWriter(out, zones), nil
	}
	return journal.NewWriter(out), nil
}

type linesWriter struct {
	out  io.Writer
	line []byte
}

func (w *linesWriter) Write(r journal.Row) error {
	w.line = append(r.AppendObject(w.line[:0]), '\n')
	_, err := w.out.Write(w.line)
	return err
}

func (w *linesWriter) Flush() error { return nil }

type xlsxWriter struct {
	w   *sheet.Writer
	out io.Writer
}

func (x *xlsxWriter) Write(r journal.Row) error {
	if err := x.w.Write(r); err != nil {
		return refused("export it as csv or jsonl, which have no such bound", "%v", err)
	}
	return nil
}

func (x *xlsxWriter) Flush() error {
	_, err := x.w.WriteTo(x.out)
	if closed := x.w.Close(); err == nil {
		err = closed
	}
	return err
}
