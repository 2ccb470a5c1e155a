package main

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/entry"
	"steadybath/chem/estimate"
	"steadybath/chem/journal"
	"steadybath/chem/recipe"
	"steadybath/db"
	"steadybath/reports"
	"steadybath/reports/sheet"
)

func importCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "import", Usage: "take in a journal or a sheet of your own, whole or not at all", UsageText: "steadybath import FILE|- [--column \"HEADER = MEANING\"]... [--write]",
		Description: describe("A journal is known by its header: CSV (eight columns are enough to write by hand:\ntime, bath, kind, subject, value, unit, u, note), .xlsx or JSON Lines. It goes in\nat once. A sheet of your own, .xlsx or CSV, needs to be told what its columns\nmean; what was understood is printed first, every bad cell by its address, and\nonly --write enters it. The same file twice adds nothing; every bad row is named.\n\nA column means one of: "+sheet.Forms+".\nUnits are those of the header, in brackets or at its end, or else of the mapping.",
			"steadybath import week.csv",
			"ssh shop cat journal.csv | steadybath import -",
			`steadybath import log.xlsx --column "Date = date" --column "Cu g/L = assay copper" --column "Ah = plate"`,
			"steadybath import log.xlsx --mapping log.toml --skip B14 --skip 40 --write"),
		Flags:  append(sheetFlags(), bathFlag(), jsonFlag(), databaseFlag()),
		Action: func(c *cli.Context) error { return runImport(s, c) },
	}
}

// mostNamed bounds how many bad rows are printed; the count is always whole.
const mostNamed = 50

// longestFault is how long what is wrong with the only bad row may be, to be
// said in the sentence itself and not on a line above it.
const longestFault = 250

func runImport(s *session, c *cli.Context) error {
	words := c.Args().Slice()
	if len(words) != 1 {
		return wrongWords("such as: steadybath import week.csv, or - for standard input", "one file is wanted, not %d", len(words))
	}
	in := s.stdin
	if words[0] != "-" {
		f, err := os.Open(words[0])
		if err != nil {
			return refused("a journal's path is wanted, or - for standard input", "cannot read %s: %v", words[0], withoutPath(err))
		}
		defer f.Close()
		if info, err := f.Stat(); err == nil && info.IsDir() {
			return refused("a journal's path is wanted, or - for standard input", "%s is a folder", words[0])
		}
		in = f
	}
	start := bufio.NewReaderSize(in, 64<<10)
	// Nothing at all is not a journal without rows: what should have made it failed.
	if _, err := start.Peek(1); errors.Is(err, io.EOF) {
		return refused("a journal begins with the names of its columns: "+strings.Join(journal.Columns()[:8], ","), "%s is empty", words[0])
	}
	if c.IsSet("column") || c.IsSet("mapping") {
		return importSheet(s, c, words[0], start)
	}
	for _, f := range append(sheetFlags(), bathFlag()) {
		if name := f.Names()[0]; c.IsSet(name) {
			return wrongWords("what its columns mean is said with --column; a journal needs no flags and names its baths itself", "--%s is for a sheet of your own", name)
		}
	}
	store, err := s.open(c)
	if err != nil {
		return err
	}
	before, err := store.Baths(c.Context)
	if err != nil {
		return err
	}
	bad := &badRows{}
	for _, b := range before {
		bad.baths = append(bad.baths, b.Name)
	}
	reader, err := journalReader(words[0], start, s.importZones(c), bad)
	if err != nil {
		return err
	}
	bar := newProgress(s.stderr, in)
	defer bar.done()
	result, err := store.Import(c.Context, bad.watch(reader.Read), bar.rows)
	bar.done()
	var fromStore *db.ImportError
	if bad.count == 0 && errors.As(err, &fromStore) {
		for _, line := range fromStore.Lines {
			bad.name(line)
		}
		bad.more = bad.more || fromStore.More
	}
	if bad.count == 1 && !bad.more && strings.Contains(bad.named[0], "the header has") {
		return refused("a sheet of your own is read with --column; steadybath import --help shows how", "%s has no journal's header, and nothing was written: %s", words[0], bad.named[0])
	}
	if bad.count == 1 && !bad.more && len(bad.named[0]) <= longestFault {
		return refused("mend this row and import again; what is there already is not entered twice", "%s has one bad row, and nothing was written: %s", words[0], bad.named[0])
	}
	if bad.count > 0 {
		return &problem{status: statusRefused, what: fmt.Sprintf("%s has %s; nothing was written", words[0], bad.words()),
			hint: "mend these rows and import again; what is there already is not entered twice", parts: bad.named}
	}
	if err != nil {
		return err
	}
	doubts, err := s.importDoubts(c, before, result)
	if err != nil {
		return &problem{status: statusMaybe, cause: err, what: fmt.Sprintf("the journal is in, but what it says could not be looked at: %v", err),
			hint: "steadybath state shows whether it can be used; the same journal again adds nothing"}
	}
	if c.Bool("json") {
		err = s.printJSON(struct {
			New    int64    `json:"new"`
			Known  int64    `json:"known"`
			Doubts []string `json:"doubts"`
		}{result.New, result.Known, doubts})
	} else {
		for _, d := range doubts {
			fmt.Fprintln(s.stderr, oneLine(d))
		}
		err = say(s.stdout, "%d new facts, %d were there already", result.New, result.Known)
	}
	if err != nil {
		return &problem{status: statusMaybe, cause: err, what: fmt.Sprintf("the journal is in, but the answer could not be given: %v", err),
			hint: "there is no need to import it again, and it would add nothing"}
	}
	return nil
}

// journalReader finds out what sort of journal a file is.
func journalReader(path string, start *bufio.Reader, zones func(string) *time.Location, bad *badRows) (interface {
	Read() (journal.Entry, error)
}, error) {
	head, err := start.Peek(256) // shorter where the file is
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, refused("a journal's path is wanted, or - for standard input", "cannot read %s: %v", path, withoutPath(err))
	}
	switch {
	case sheet.IsXLSX(head):
		book, err := openBook(path, start)
		if err != nil {
			return nil, err
		}
		rows, ok, err := book.Journal(func(name string) (*time.Location, error) { return loadZone(name) })
		if err != nil {
			return nil, refused("steadybath import --help shows what can be read", "%s %v", path, err)
		}
		if !ok {
			hint := "steadybath import --help shows how"
			if columns := book.Headers(); len(columns) > 0 {
				hint = "its columns may be: " + strings.Join(columns, ", ")
			}
			return nil, refused(cutHint(hint), "%s is no journal but a sheet of your own; say what its columns mean, for instance --column 'Date = date'", path)
		}
		bad.place = rows.Place
		return journal.NewReader(rows, zones), nil
	case bytes.HasPrefix(head, []byte(sheet.GuardedHeader)):
		return nil, refused("export it again as csv, jsonl or xlsx", "%s was exported for looking at in a spreadsheet program, and its texts are no longer as they were", path)
	case bytes.HasPrefix(bytes.TrimLeft(bytes.TrimPrefix(head, []byte("\xef\xbb\xbf")), " \t\r\n"), []byte("{")):
		return journal.NewLinesReader(start, zones), nil
	}
	return journal.NewReader(start, zones), nil
}

// cutHint keeps a list in a hint to a length that is still read.
func cutHint(hint string) string {
	const most = 380
	if len(hint) <= most {
		return hint
	}
	if at := strings.LastIndex(hint[:most], ", "); at > 0 {
		return hint[:at] + " and others"
	}
	return hint[:most]
}

// importDoubts names what a journal brought that is hard to believe beside the
// rest of the bath's log: it is in, since paper may be right, but somebody
// should look at it.
func (s *session) importDoubts(c *cli.Context, before []db.Bath, result *db.Imported) ([]string, error) {
	doubts := []string{}
	now, err := s.now()
	if err != nil {
		return nil, err
	}
	for _, in := range result.Baths {
		if in.Bath == "" || in.New == 0 {
			continue
		}
		old := int64(0)
		for _, b := range before {
			if b.Name == in.Bath {
				old = b.Facts
			}
		}
		b, err := s.bathNamed(c, in.Bath)
		if err != nil {
			return nil, err
		}
		e, err := b.At(later(now, b.Facts[len(b.Facts)-1].Time), estimate.Options{})
		if err != nil {
			return nil, err
		}
		for _, r := range e.Readings {
			if r.Fact.Number > old && math.Abs(r.Off) > entry.FarOff && len(doubts) < mostNamed {
				doubts = append(doubts, fmt.Sprintf("look at fact %d of %s: %s is %.0f standard deviations from what the log led to", r.Fact.Number, in.Bath, reports.FactWords(r.Fact), math.Abs(r.Off)))
			}
		}
	}
	return doubts, nil
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// importZones tells the zone of baths that exist, for times without an offset.
func (s *session) importZones(c *cli.Context) func(bath string) *time.Location {
	seen := map[string]*time.Location{}
	return func(bath string) *time.Location {
		if z, ok := seen[bath]; ok {
			return z
		}
		z := time.UTC
		if bath != "" {
			if rows, err := s.store.Rows(c.Context, bath, time.Time{}); err == nil {
				if found, err := zoneOf(rows); err == nil {
					z = found
				}
			}
		}
		seen[bath] = z
		return z
	}
}

// badRows keeps the first bad rows and counts them all.
type badRows struct {
	baths []string // that exist, or that the journal began
	named []string
	count int
	more  bool                                 // than were counted
	place func(line int, column string) string // of a row that stands in a spreadsheet
}

func (b *badRows) name(err error) {
	b.count++
	if b.place != nil {
		var row *journal.RowError
		var line db.LineError
		switch {
		case errors.As(err, &row):
			err = fmt.Errorf("%s: %s", b.place(row.Line, row.Column), row.Why)
		case errors.As(err, &line):
			err = fmt.Errorf("%s: %s", b.place(line.Line, line.Column), line.Why)
		}
	}
	if b.count <= mostNamed {
		b.named = append(b.named, err.Error())
	}
}

func (b *badRows) words() string {
	switch {
	case b.more:
		return fmt.Sprintf("more than %d bad rows, the first %d named above", b.count, len(b.named))
	case b.count == 1:
		return "one bad row, named above"
	case b.count <= mostNamed:
		return fmt.Sprintf("%d bad rows, named above", b.count)
	}
	return fmt.Sprintf("%d bad rows, the first %d named above", b.count, mostNamed)
}

// watch names every bad row that passes by, those of baths that do not exist
// among them.
func (b *badRows) watch(next func() (journal.Entry, error)) func() (journal.Entry, error) {
	return func() (journal.Entry, error) {
		e, err := next()
		if err == nil {
			err = b.belongs(e)
		}
		var bad *journal.RowError
		if errors.As(err, &bad) {
			b.name(bad)
		}
		return e, err
	}
}

// belongs tells whether the bath of a row exists by then.
func (b *badRows) belongs(e journal.Entry) error {
	name := e.Row.Bath
	if name == "" || slices.Contains(b.baths, name) {
		return nil
	}
	if begin, ok := e.Fact.Body.(chem.Begin); ok {
		b.baths = append(b.baths, name)
		if _, err := recipe.Parse(name, []byte(begin.Recipe)); err != nil {
			return &journal.RowError{Line: e.Line, Column: "more", Why: "the recipe of the bath cannot be used: " + oneLine(err.Error())}
		}
		if _, err := loadZone(begin.Zone); err != nil {
			return &journal.RowError{Line: e.Line, Column: "more", Why: err.Error()}
		}
		return nil
	}
	why := fmt.Sprintf("there is no bath %q", name)
	if near := nearest(name, b.baths); near != "" {
		why += fmt.Sprintf("; did you mean %s?", near)
	}
	return &journal.RowError{Line: e.Line, Column: "bath", Why: why}
}
