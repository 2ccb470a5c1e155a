package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"iter"
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
)

func runVerify(s *session, c *cli.Context) error {
	name, who, err := "", "the shop", error(nil)
	if c.Bool("shop") {
		_, err = s.open(c)
	} else {
		name, err = s.bathName(c)
		who = "bath " + name
	}
	if err != nil {
		return err
	}
	var stopped error
	rows := iter.Seq2[journal.Row, error](func(yield func(journal.Row, error) bool) {
		stopped = s.store.EachRow(c.Context, []string{name}, func(r journal.Row) error {
			if !yield(r, nil) {
				return errStop
			}
			return nil
		})
	})
	count, head, err := journal.Verify("", rows)
	if stopped != nil && !errors.Is(stopped, errStop) {
		return stopped
	}
	if err != nil {
		return refused("the record was changed behind the tool's back; compare with an export or a printed chain head", "%s: %v", who, err)
	}
	if c.Bool("json") {
		return s.printJSON(struct {
			Bath  string `json:"bath"`
			Facts int64  `json:"facts"`
			Whole bool   `json:"whole"`
			Head  string `json:"head"`
		}{name, count, true, head})
	}
	return say(s.stdout, "%s: all %d facts fit the chain, head %s", who, count, head)
}

var errStop = errors.New("stop")

func exportCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "export", Usage: "write a bath's journal", UsageText: "steadybath export [--all] [--output FILE]",
		Description: describe("RFC 4180 CSV with all thirteen columns, in order of entry; import into an empty\ndatabase gives the same answers to the last digit.",
			"steadybath export --output tank-1.csv", "steadybath export --all > shop.csv"),
		Flags: []cli.Flag{bathFlag(), databaseFlag(),
			&cli.BoolFlag{Name: "all", Usage: "every bath, and the shop's titrants and stock"},
			&cli.StringFlag{Name: "output", Aliases: []string{"o"}, Usage: "the `FILE` to write; standard output if not given"}},
		Action: func(c *cli.Context) error { return runExport(s, c) },
	}
}

func runExport(s *session, c *cli.Context) error {
	if err := noWords("export", c.Args().Slice()); err != nil {
		return err
	}
	if c.Bool("all") && c.String("bath") != "" {
		return wrongWords("leave one of them out", "--all and --bath contradict each other")
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
		w := journal.NewWriter(out)
		if err := store.EachRow(c.Context, baths, w.Write); err != nil {
			return err
		}
		return w.Flush()
	}
	if path := c.String("output"); path != "" && path != "-" {
		return writeWhole(path, func(f *os.File) error { return write(f) })
	}
	return write(s.stdout)
}

func importCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "import", Usage: "take in a journal, whole or not at all", UsageText: "steadybath import FILE|-",
		Description: describe("RFC 4180 CSV: eight columns are enough to write by hand (time, bath, kind,\nsubject, value, unit, u, note). The same journal twice adds nothing; every bad\nrow is named.",
			"steadybath import week.csv", "ssh shop cat journal.csv | steadybath import -"),
		Flags:  []cli.Flag{jsonFlag(), databaseFlag()},
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
	store, err := s.open(c)
	if err != nil {
		return err
	}
	zones := s.importZones(c)
	before, err := store.Baths(c.Context)
	if err != nil {
		return err
	}
	bar := newProgress(s.stderr, in)
	// Nothing at all is not a journal without rows: what should have made it failed.
	start := bufio.NewReader(in)
	if _, err := start.Peek(1); errors.Is(err, io.EOF) {
		return refused("a journal begins with the names of its columns: "+strings.Join(journal.Columns()[:8], ","), "%s is empty", words[0])
	}
	reader := journal.NewReader(start, zones)
	defer bar.done()
	bad := &badRows{}
	for _, b := range before {
		bad.baths = append(bad.baths, b.Name)
	}
	result, err := store.Import(c.Context, bad.watch(reader.Read), bar.rows)
	bar.done()
	var fromStore *db.ImportError
	if bad.count == 0 && errors.As(err, &fromStore) {
		for _, line := range fromStore.Lines {
			bad.name(line)
		}
		bad.more = bad.more || fromStore.More
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
	more  bool // than were counted
}

func (b *badRows) name(err error) {
	b.count++
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
