package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/pelletier/go-toml/v2"
	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/entry"
	"steadybath/chem/estimate"
	"steadybath/chem/journal"
	"steadybath/db"
	"steadybath/reports"
	"steadybath/reports/sheet"
)

// sheetFlags are those that only a sheet of one's own needs.
func sheetFlags() []cli.Flag {
	return []cli.Flag{
		&cli.StringSliceFlag{Name: "column", Usage: "what a column means, `\"HEADER = MEANING\"`, such as \"Cu g/L = assay copper\"; may be given several times"},
		&cli.StringFlag{Name: "mapping", Usage: "a TOML `FILE` with the same: [columns], and dates, decimal, sheet, header, blank and skip above it"},
		&cli.StringFlag{Name: "sheet", Usage: "the `NAME` of the sheet, where a file has several"},
		&cli.StringFlag{Name: "header", Usage: "the `ROW` of the header; the first that has all names if not given"},
		&cli.StringFlag{Name: "dates", Usage: "the `ORDER` of 3/4/2026, where the sheet does not show it: day-first, month-first, iso or serial"},
		&cli.StringFlag{Name: "decimal", Usage: "the decimal `MARK` of 1,234, where the sheet does not show it: comma or point"},
		&cli.StringSliceFlag{Name: "blank", Usage: "a `WORD` in a cell that says that nothing was read, such as n/a; may be given several times"},
		&cli.StringSliceFlag{Name: "skip", Usage: "a `CELL` (B14) or row (40) to leave out; may be given several times"},
		&cli.BoolFlag{Name: "write", Usage: "enter what was understood; without it nothing is written"},
	}
}

func openBook(path string, in io.Reader) (*sheet.Book, error) {
	data, err := io.ReadAll(io.LimitReader(in, sheet.MaxFile+1))
	if err != nil {
		return nil, refused("a spreadsheet's path is wanted, or - for standard input", "cannot read %s: %v", path, withoutPath(err))
	}
	book, err := sheet.Open(data)
	if err != nil {
		return nil, refused("steadybath import --help shows what can be read", "%s %v", path, err)
	}
	return book, nil
}

// mappingFile is a mapping as it is kept.
type mappingFile struct {
	Dates   string            `toml:"dates"`
	Decimal string            `toml:"decimal"`
	Sheet   string            `toml:"sheet"`
	Header  int               `toml:"header"`
	Blank   []string          `toml:"blank"`
	Skip    []string          `toml:"skip"`
	Columns map[string]string `toml:"columns"`
}

// mapping reads the mapping from its file and the flags, which count more.
func mapping(c *cli.Context) (sheet.Mapping, error) {
	var kept mappingFile
	if path := c.String("mapping"); path != "" {
		text, err := os.ReadFile(path)
		if err != nil {
			return sheet.Mapping{}, refused("a mapping's path is wanted, such as log.toml", "cannot read %s: %v", path, withoutPath(err))
		}
		if err := toml.NewDecoder(bytes.NewReader(text)).DisallowUnknownFields().Decode(&kept); err != nil {
			return sheet.Mapping{}, badMapping(path, err)
		}
	}
	m := sheet.Mapping{Sheet: either(c.String("sheet"), kept.Sheet), Header: kept.Header,
		Blank: append(kept.Blank, c.StringSlice("blank")...), Skip: append(kept.Skip, c.StringSlice("skip")...)}
	if text := c.String("header"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 {
			return m, wrongWords("rows are counted from 1", "--header: %q is no row", text)
		}
		m.Header = n
	}
	var err error
	if m.Order, err = sheet.ParseOrder(either(c.String("dates"), kept.Dates)); err != nil {
		return m, wrongWords("", "--dates: %v", err)
	}
	if m.Mark, err = sheet.ParseMark(either(c.String("decimal"), kept.Decimal)); err != nil {
		return m, wrongWords("", "--decimal: %v", err)
	}
	for _, text := range c.StringSlice("column") {
		// The last = parts them: a header may have one too, a meaning has none.
		at := strings.LastIndex(text, "=")
		if at < 0 {
			return m, wrongWords("such as --column 'Cu g/L = assay copper g/L'", "--column %q has no = between header and meaning", text)
		}
		col := sheet.Column{Name: strings.TrimSpace(text[:at]), As: strings.TrimSpace(text[at+1:])}
		if col.Name == "" {
			return m, wrongWords("such as --column 'Cu g/L = assay copper g/L'", "--column %q names no column", text)
		}
		delete(kept.Columns, col.Name)
		m.Columns = append(m.Columns, col)
	}
	names := make([]string, 0, len(kept.Columns))
	for name := range kept.Columns {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		m.Columns = append(m.Columns, sheet.Column{Name: strings.TrimSpace(name), As: kept.Columns[name]})
	}
	if len(m.Columns) == 0 {
		return m, wrongWords(`a table [columns] with lines such as "Cu g/L" = "assay copper"`, "%s says nothing about columns", c.String("mapping"))
	}
	return m, nil
}

func badMapping(path string, err error) error {
	hint := `dates, decimal, sheet, header, blank, skip, then [columns] with lines such as "Cu g/L" = "assay copper"`
	var strict *toml.StrictMissingError
	if errors.As(err, &strict) && len(strict.Errors) > 0 {
		line, _ := strict.Errors[0].Position()
		return refused(hint, "%s, line %d: unknown key %s", path, line, strings.Join(strict.Errors[0].Key(), "."))
	}
	var bad *toml.DecodeError
	if errors.As(err, &bad) {
		line, _ := bad.Position()
		return refused(hint, "%s, line %d: %s", path, line, strings.TrimPrefix(bad.Error(), "toml: "))
	}
	return refused(hint, "%s: %s", path, strings.TrimPrefix(err.Error(), "toml: "))
}

func either(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

// sheetImport is a sheet that was understood, and what the bath says about it.
type sheetImport struct {
	*sheet.Understood
	path  string
	bath  *bathFile
	known []bool     // by fact: there already
	asked [][]string // by fact: what is unlikely about it
}

func importSheet(s *session, c *cli.Context, path string, in io.Reader) error {
	m, err := mapping(c)
	if err != nil {
		return err
	}
	book, err := openBook(path, in)
	if err != nil {
		return err
	}
	if _, is, err := book.Journal(func(name string) (*time.Location, error) { return loadZone(name) }); is || err != nil {
		return wrongWords("steadybath import FILE takes it as it is", "%s is a journal, whose columns mean what they are called", path)
	}
	b, err := s.bath(c)
	if err != nil {
		return err
	}
	now, err := s.now()
	if err != nil {
		return err
	}
	recipe := b.Recipe(now)
	understood, err := sheet.Read(book, m, b.Name, sheet.Names{Constituents: constituentNames(recipe), Materials: materialNames(recipe)}, b.zone)
	if err != nil {
		var wrong *sheet.MappingError
		if errors.As(err, &wrong) {
			return wrongWords(cutHint(wrong.Hint), "%s: %s", path, wrong.Why)
		}
		return err
	}
	x := &sheetImport{Understood: understood, path: path, bath: b}
	x.lookUp()
	if err := x.judge(c.Context, s, now); err != nil {
		return err
	}
	if len(x.Facts) == 0 && len(x.Bad) == 0 {
		return refused("the mapping may name the wrong columns, or --sheet another sheet", "%s has no row with a value in the columns that were named", path)
	}
	if !c.Bool("write") || len(x.Bad) > 0 {
		return x.dry(s, c)
	}
	return x.write(s, c)
}

// lookUp finds out which facts are there already, by the ids that an import gives.
func (x *sheetImport) lookUp() {
	have := map[uuid.UUID]bool{}
	for _, r := range x.bath.rows {
		have[r.ID] = true
	}
	ordinals := map[uuid.UUID]int{}
	x.known, x.asked = make([]bool, len(x.Facts)), make([][]string, len(x.Facts))
	for i := range x.Facts {
		f := &x.Facts[i]
		first := journal.DeriveID(f.Entry.Row, 1)
		ordinals[first]++
		f.Fact.ID = journal.DeriveID(f.Entry.Row, ordinals[first])
		x.known[i] = have[f.Fact.ID]
	}
}

// judge looks at each new fact as if it were entered now, after those of the log
// and of the sheet that happened before it. What is impossible becomes a bad cell.
func (x *sheetImport) judge(ctx context.Context, s *session, now time.Time) error {
	at := map[uuid.UUID]int{} // new facts by id
	all := slices.Clone(x.bath.entered)
	earliest := -1
	for i := range x.Facts {
		if x.known[i] {
			continue
		}
		f := x.Facts[i].Fact
		f.Number = int64(len(all) + 1)
		at[f.ID] = i
		all = append(all, f)
		if earliest < 0 || chem.Compare(f, x.Facts[earliest].Fact) < 0 {
			earliest = i
		}
	}
	if len(at) == 0 {
		return nil
	}
	refusals := make([]string, len(x.Facts))
	look := func(i int, doubts []entry.Doubt, err error) {
		if err != nil {
			refusals[i] = err.Error()
		}
		for _, d := range doubts {
			x.asked[i] = append(x.asked[i], d.String())
		}
	}
	// Only the first fact can be one from before all that is known of the bath.
	if f := x.Facts[earliest].Fact; f.Time.Before(x.bath.Began) {
		f.Time = f.Time.In(x.bath.zone)
		doubts, err := entry.Check(x.bath.Bath, f, now)
		look(earliest, doubts, err)
		delete(at, f.ID)
	}
	b, err := estimate.Open(all)
	if err != nil {
		return err
	}
	bar := newProgress(s.stderr, nil)
	defer bar.done()
	b.Before(func(n int, e *estimate.Estimate) bool {
		f := b.Facts[n]
		if i, ok := at[f.ID]; ok {
			f.Time = f.Time.In(x.bath.zone) // what is said about it names the shop's day
			doubts, err := entry.CheckIn(e, f, now)
			look(i, doubts, err)
		}
		bar.looked(n+1, len(b.Facts))
		return ctx.Err() == nil
	})
	if err := ctx.Err(); err != nil {
		return err
	}
	for i, why := range refusals {
		if why != "" {
			x.Bad = append(x.Bad, sheet.BadCell{Cell: x.Facts[i].Cell, Name: x.Facts[i].Name, Why: why})
		}
	}
	return nil
}

// looked shows how many facts have been judged.
func (p *progress) looked(n, of int) {
	if p.out == nil || time.Since(p.last) < 100*time.Millisecond {
		return
	}
	p.last, p.shown = time.Now(), true
	fmt.Fprintf(p.out, "\r%s %d of %d facts looked at\x1b[K", bar(int64(n), int64(of)), n, of)
}

// dry shows what was understood and writes nothing.
func (x *sheetImport) dry(s *session, c *cli.Context) error {
	var fault error
	if len(x.Bad) > 0 {
		parts := make([]string, 0, min(len(x.Bad), mostNamed))
		for _, b := range x.Bad[:min(len(x.Bad), mostNamed)] {
			parts = append(parts, b.Error())
		}
		what := fmt.Sprintf("%s has %d bad cells, named above; nothing was written", x.path, len(x.Bad))
		switch {
		case len(x.Bad) == 1:
			what = fmt.Sprintf("%s has one bad cell, named above; nothing was written", x.path)
		case len(x.Bad) > mostNamed:
			what = fmt.Sprintf("%s has %d bad cells, the first %d named above; nothing was written", x.path, len(x.Bad), mostNamed)
		}
		fault = &problem{status: statusRefused, what: what, parts: parts,
			hint: fmt.Sprintf("mend them in the sheet, or leave them out: --skip %s; a whole row by its number", strings.TrimPrefix(x.Bad[0].Cell, "row "))}
	}
	if c.Bool("write") {
		return fault
	}
	if c.Bool("json") {
		if err := x.json(s, 0, 0, false); err != nil {
			return err
		}
		return fault
	}
	if err := x.table(s.stdout); err != nil {
		return err
	}
	x.warn(s.stderr)
	if fault == nil {
		return say(s.stdout, "nothing is written yet; to write it: the same command with --write")
	}
	return fault
}

func (x *sheetImport) counts() (fresh, known int) {
	for _, k := range x.known {
		if k {
			known++
		} else {
			fresh++
		}
	}
	return fresh, known
}

// table prints each fact with its row and time, and what was not read.
func (x *sheetImport) table(out io.Writer) error {
	where := x.path
	if x.Sheet != "" {
		where += ", sheet " + x.Sheet
	}
	var b strings.Builder
	b.WriteString(flow("", 0, reports.Plain(fmt.Sprintf("%s · %s, header in row %d", x.bath.Name, where, x.Header))))
	b.WriteString("\n  cell  when              what\n")
	last := ""
	rows := map[int]bool{}
	for i, f := range x.Facts {
		rows[f.Row] = true
		when := f.Fact.Time.In(x.bath.zone).Format("2006-01-02 15:04")
		shown := when
		if i > 0 && x.Facts[i-1].Row == f.Row && when == last {
			shown = ""
		}
		last = when
		what := reports.FactWords(f.Fact)
		if f.Fact.Kind() == chem.KindNote {
			what = "note: " + f.Fact.Note
		}
		if x.known[i] {
			what += " (there already)"
		}
		b.WriteString(flow(fmt.Sprintf("%6s  %-16s  ", f.Cell, shown), 26, reports.Plain(what)))
	}
	b.WriteString("\n")
	fresh, known := x.counts()
	b.WriteString(flow("", 0, fmt.Sprintf("facts: %d, from rows: %d; %d new, %d there already", len(x.Facts), len(rows), fresh, known)))
	for _, said := range x.Said {
		b.WriteString(flow("", 0, said))
	}
	if x.Zeros > 0 {
		b.WriteString(flow("", 0, fmt.Sprintf("cells with 0, where nothing was plated, added or taken out: %d", x.Zeros)))
	}
	if len(x.Left) > 0 {
		b.WriteString(flow("", 0, "left out, as asked: "+strings.Join(x.Left, ", ")))
	}
	if len(x.NotRead) > 0 {
		b.WriteString(flow("", 0, reports.Plain("not read, since no --column names them: "+strings.Join(x.NotRead, ", "))))
	}
	_, err := io.WriteString(out, b.String())
	return err
}

// warn names the facts that are hard to believe.
func (x *sheetImport) warn(out io.Writer) {
	n := 0
	for i, f := range x.Facts {
		for _, why := range x.asked[i] {
			if n++; n <= mostNamed {
				fmt.Fprintln(out, oneLine(fmt.Sprintf("look at %s (%s): %s", f.Cell, f.Name, why)))
			}
		}
	}
	if n > mostNamed {
		fmt.Fprintf(out, "and at %d more\n", n-mostNamed)
	}
}

func (x *sheetImport) json(s *session, fresh, known int64, written bool) error {
	type fact struct {
		Cell    string   `json:"cell"`
		Row     int      `json:"row"`
		Column  string   `json:"column"`
		Time    string   `json:"time"`
		Kind    string   `json:"kind"`
		Subject string   `json:"subject"`
		Value   string   `json:"value"`
		Unit    string   `json:"unit"`
		U       string   `json:"u"`
		Note    string   `json:"note"`
		Known   bool     `json:"known"`
		Doubts  []string `json:"doubts"`
	}
	type cell struct {
		Cell   string `json:"cell"`
		Column string `json:"column"`
		Why    string `json:"why"`
	}
	facts, bad := []fact{}, []cell{}
	for i, f := range x.Facts {
		r := f.Entry.Row
		facts = append(facts, fact{f.Cell, f.Row, f.Name, journal.FormatTime(r.Time), r.Kind, r.Subject, r.Value, r.Unit, r.U, r.Note, x.known[i], append([]string{}, x.asked[i]...)})
	}
	for _, b := range x.Bad {
		bad = append(bad, cell{b.Cell, b.Name, b.Why})
	}
	if !written {
		n, k := x.counts()
		fresh, known = int64(n), int64(k)
	}
	return s.printJSON(struct {
		Bath    string   `json:"bath"`
		Sheet   string   `json:"sheet"`
		Header  int      `json:"header"`
		Facts   []fact   `json:"facts"`
		Bad     []cell   `json:"bad"`
		Said    []string `json:"said"`
		NotRead []string `json:"not_read"`
		LeftOut []string `json:"left_out"`
		Zeros   int      `json:"zeros"`
		New     int64    `json:"new"`
		Known   int64    `json:"known"`
		Written bool     `json:"written"`
	}{x.bath.Name, x.Sheet, x.Header, facts, bad, append([]string{}, x.Said...), append([]string{}, x.NotRead...), append([]string{}, x.Left...), x.Zeros, fresh, known, written})
}

// write enters the facts, in the order in which they happened.
func (x *sheetImport) write(s *session, c *cli.Context) error {
	order := slices.Clone(x.Facts)
	slices.SortStableFunc(order, func(a, b sheet.Fact) int { return a.Fact.Time.Compare(b.Fact.Time) })
	bar := newProgress(s.stderr, nil)
	defer bar.done()
	n := 0
	result, err := s.store.Import(c.Context, func() (journal.Entry, error) {
		if n == len(order) {
			return journal.Entry{}, io.EOF
		}
		n++
		return order[n-1].Entry, nil
	}, bar.rows)
	bar.done()
	var lines *db.ImportError
	if errors.As(err, &lines) {
		var parts []string
		for _, l := range lines.Lines {
			f := x.Facts[l.Line-1]
			parts = append(parts, fmt.Sprintf("%s (%s): %s", f.Cell, f.Name, l.Why))
		}
		return &problem{status: statusRefused, what: fmt.Sprintf("%s has cells that cannot be entered, named above; nothing was written", x.path),
			hint: fmt.Sprintf("mend them in the sheet, or leave them out: --skip %s", x.Facts[lines.Lines[0].Line-1].Cell), parts: parts}
	}
	if err != nil {
		return err
	}
	if c.Bool("json") {
		return x.json(s, result.New, result.Known, true)
	}
	x.warn(s.stderr)
	return say(s.stdout, "%d new facts, %d were there already", result.New, result.Known)
}
