package main

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/journal"
	"steadybath/reports"
)

func historyCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "history", Usage: "what was done to the bath", UsageText: "steadybath history [--kind KIND] [--text TEXT] [--last N] | --advice | --verify",
		Description: describe("Every fact in the order in which it was entered; nothing ever leaves it, and\nvoided facts are shown with who voided them, when and why. What narrows it down\nmay be combined. On a terminal it is shown by $PAGER, or less. --verify walks the\nchain of each bath and of the shop and names the first fact that does not fit.",
			"steadybath history --last 20", "steadybath history --kind add --kind bail --from 2026-03-01 --to 2026-05-31", "steadybath history --by anna --text burette", "steadybath history --csv > part.csv", "steadybath history --verify"),
		Flags: append(questionFlags(),
			&cli.IntFlag{Name: "last", Usage: "only the last `N` facts of those that fit"},
			&cli.StringSliceFlag{Name: "kind", Usage: "only facts of the `KIND`; may be given several times"},
			&cli.StringFlag{Name: "subject", Usage: "only facts about the `SUBJECT`"},
			&cli.StringFlag{Name: "by", Usage: "only facts that the `PERSON` entered"},
			&cli.StringFlag{Name: "text", Usage: "only facts with the `TEXT` in subject, note or words, in large letters or small"},
			&cli.StringFlag{Name: "from", Usage: "only what happened from `WHEN` on"},
			&cli.StringFlag{Name: "to", Usage: "only what happened up to `WHEN`"},
			&cli.StringFlag{Name: "entered-from", Usage: "only what was entered from `WHEN` on"},
			&cli.StringFlag{Name: "entered-to", Usage: "only what was entered up to `WHEN`"},
			&cli.BoolFlag{Name: "shop", Usage: "the shop's titrants and materials, which have a chain of their own"},
			&cli.BoolFlag{Name: "csv", Usage: "as rows of a journal; a whole chain is what export writes"},
			&cli.BoolFlag{Name: "no-pager", Usage: "print at once, also on a terminal"},
			&cli.BoolFlag{Name: "advice", Usage: "what dose advised, what was done, and what the next readings said"},
			&cli.BoolFlag{Name: "verify", Usage: "check the chains of hashes"}),
		Action: func(c *cli.Context) error { return runHistory(s, c) },
	}
}

// historyFilters are the flags that show a part of the log.
var historyFilters = []string{"last", "kind", "subject", "by", "text", "from", "to", "entered-from", "entered-to", "at"}

func runHistory(s *session, c *cli.Context) error {
	if err := noWords("history", c.Args().Slice()); err != nil {
		return err
	}
	if c.Bool("shop") && c.String("bath") != "" {
		return wrongWords("leave one of them out", "--shop is about no bath, and --bath names one")
	}
	if c.Bool("csv") && c.Bool("json") {
		return wrongWords("leave one of them out", "--csv and --json ask for different forms")
	}
	if c.Bool("advice") {
		return runAdvice(s, c)
	}
	if c.Bool("verify") {
		for _, f := range append(slices.Clone(historyFilters), "known-on", "csv") {
			if c.IsSet(f) {
				return wrongWords("leave one of them out", "--verify takes the whole chain, and --%s a part of it", f)
			}
		}
		return runVerify(s, c)
	}
	return runLog(s, c)
}

// logChain is a chain as far as it was known, without its facts.
type logChain struct {
	name  string // empty for the shop
	title string
	zone  *time.Location
	known int64 // facts
	head  string
}

// logChain finds the chain that is meant.
func (s *session) logChain(c *cli.Context) (logChain, error) {
	l := logChain{title: "the shop"}
	var err error
	if c.Bool("shop") {
		if _, err = s.open(c); err != nil {
			return l, err
		}
		all, err := s.store.Baths(c.Context)
		if err != nil {
			return l, err
		}
		if l.zone, err = s.shopZone(c, all); err != nil {
			return l, err
		}
	} else {
		if l.name, err = s.bathName(c); err != nil {
			return l, err
		}
		l.title = l.name
		if l.zone, err = s.bathZone(c, l.name); err != nil {
			return l, err
		}
	}
	until, err := s.knownOn(c, l.zone)
	if err != nil {
		return l, err
	}
	p, err := s.store.Prefix(c.Context, l.name, until)
	if err != nil {
		return l, err
	}
	if p.Facts == 0 && l.name != "" {
		return l, notKnownThen(l.name)
	}
	l.known, l.head = p.Facts, p.Head
	return l, nil
}

// logFilter says which facts of a log are asked for; what is zero asks for all.
type logFilter struct {
	last                  int
	kinds                 []string
	subject, by, text     string // text in small letters
	from, to              time.Time
	enteredFrom, lastThen time.Time
}

func (s *session) logFilter(c *cli.Context, zone *time.Location) (logFilter, error) {
	f := logFilter{last: c.Int("last"), kinds: c.StringSlice("kind"), subject: strings.TrimSpace(c.String("subject")),
		by: strings.TrimSpace(c.String("by")), text: strings.ToLower(strings.TrimSpace(c.String("text")))}
	if c.IsSet("last") && f.last < 1 {
		return f, wrongWords("", "--last %d: a count of 1 or more would fit", f.last)
	}
	for _, k := range f.kinds {
		if err := knownKind(k); err != nil {
			return f, err
		}
	}
	for _, name := range []string{"subject", "by", "text"} {
		if c.IsSet(name) && strings.TrimSpace(c.String(name)) == "" {
			return f, wrongWords("leave it out for all facts", "--%s is empty", name)
		}
	}
	if c.IsSet("to") && c.IsSet("at") {
		return f, wrongWords("leave one of them out", "--to and --at both say when the log ends")
	}
	var err error
	if f.from, err = s.edge(c, "from", zone, false); err != nil {
		return f, err
	}
	if f.to, err = s.edge(c, "to", zone, true); err != nil {
		return f, err
	}
	if c.String("at") != "" {
		if f.to, err = s.when(c, zone, true); err != nil {
			return f, err
		}
	}
	if f.enteredFrom, err = s.edge(c, "entered-from", zone, false); err != nil {
		return f, err
	}
	if f.lastThen, err = s.edge(c, "entered-to", zone, true); err != nil {
		return f, err
	}
	for _, pair := range []struct {
		from, to time.Time
		a, b     string
	}{{f.from, f.to, "from", "to"}, {f.enteredFrom, f.lastThen, "entered-from", "entered-to"}} {
		if !pair.from.IsZero() && !pair.to.IsZero() && pair.to.Before(pair.from) {
			return f, wrongWords("change them over", "--%s %s is later than --%s %s", pair.a, c.String(pair.a), pair.b, c.String(pair.b))
		}
	}
	return f, nil
}

func knownKind(k string) error {
	if slices.Contains(chem.Kinds(), chem.Kind(k)) {
		return nil
	}
	names := make([]string, len(chem.Kinds()))
	for i, kind := range chem.Kinds() {
		names[i] = string(kind)
	}
	hint := "there is: " + strings.Join(names, ", ")
	if near := nearest(k, names); near != "" {
		hint = "did you mean " + near + "?"
	}
	return wrongWords(hint, "there is no kind of fact %q", k)
}

// edge reads a flag that begins or ends a span. A day alone begins with its first
// moment and ends with its last; the zero time is no edge.
func (s *session) edge(c *cli.Context, flag string, zone *time.Location, end bool) (time.Time, error) {
	typed := c.String(flag)
	if typed == "" {
		if c.IsSet(flag) {
			return time.Time{}, wrongWords("such as --"+flag+" 2026-03-02", "--%s is empty", flag)
		}
		return time.Time{}, nil
	}
	now, err := s.now()
	if err != nil {
		return time.Time{}, err
	}
	at, err := chem.ParseTime(typed, now, zone, true)
	if err != nil {
		return time.Time{}, wrongWords("", "--%s: %v", flag, err)
	}
	if noon, err := chem.ParseTime(typed, now, zone, false); err == nil && !noon.Equal(at) && !end {
		y, m, d := at.In(zone).Date()
		at = time.Date(y, m, d, 0, 0, 0, 0, zone).UTC()
	}
	return at, nil
}

// fits tells whether a fact is asked for; words are asked for only where the
// columns do not tell.
func (f *logFilter) fits(r *journal.Row, words func() string) bool {
	switch {
	case len(f.kinds) > 0 && !slices.Contains(f.kinds, r.Kind),
		f.subject != "" && !strings.EqualFold(r.Subject, f.subject),
		f.by != "" && !strings.EqualFold(r.By, f.by),
		!f.from.IsZero() && r.Time.Before(f.from), !f.to.IsZero() && r.Time.After(f.to),
		!f.enteredFrom.IsZero() && r.Entered.Before(f.enteredFrom), !f.lastThen.IsZero() && r.Entered.After(f.lastThen):
		return false
	}
	has := func(text string) bool { return strings.Contains(strings.ToLower(text), f.text) }
	return f.text == "" || r.Kind != string(chem.KindVoid) && has(r.Subject) || has(r.Note) || has(words())
}

// bareFact is a row without what it says.
func bareFact(r journal.Row) chem.Fact {
	return chem.Fact{Number: r.Number, ID: r.ID, Time: r.Time, Bath: r.Bath, Entered: r.Entered, By: r.By, Note: r.Note}
}

func runLog(s *session, c *cli.Context) error {
	if _, err := units(c); err != nil {
		return err
	}
	// Slips in the words are told before the records are asked.
	if _, err := s.logFilter(c, time.UTC); err != nil {
		if status, _ := classify(err); status == statusWords {
			return err
		}
	}
	chain, err := s.logChain(c)
	if err != nil {
		return err
	}
	filter, err := s.logFilter(c, chain.zone)
	if err != nil {
		return err
	}
	part := slices.ContainsFunc(historyFilters, c.IsSet)
	of := reports.LogOf{Bath: chain.name, Title: chain.title, Total: chain.known, Head: chain.head, Part: part, Zone: chain.zone}
	switch {
	case c.Bool("json"):
		return s.writeLog(c, chain, filter, reports.NewLogJSON(s.stdout, of))
	case c.Bool("csv"):
		if err := s.writeLog(c, chain, filter, reports.NewLogCSV(s.stdout)); err != nil || !part {
			return err
		}
		_, err := fmt.Fprintln(s.stderr, "these rows are a part of the chain; steadybath export writes all of it")
		return err
	}
	return s.paged(c, func(w io.Writer) error { return s.writeLog(c, chain, filter, reports.NewLogText(w, of)) })
}

// writeLog hands the facts that are asked for to a log, one after the other. Voids
// come after what they void and are read first; all is as of the same fact.
func (s *session) writeLog(c *cli.Context, chain logChain, filter logFilter, log reports.Log) error {
	rows, err := s.store.VoidsOf(c.Context, chain.name, chain.known)
	if err != nil {
		return err
	}
	voids := make([]chem.Fact, len(rows))
	for i, r := range rows {
		voids[i] = bareFact(r)
		target, _ := uuid.Parse(r.Subject) // no fact has the zero id
		voids[i].Body = chem.Void{Target: target}
	}
	byNumber := make(map[int64]*chem.Fact, len(voids))
	targets := map[uuid.UUID]int64{} // numbers of what is voided, once it has come by
	for i, v := range voids {
		byNumber[v.Number] = &voids[i]
		targets[v.Body.(chem.Void).Target] = 0
	}
	gone := chem.VoidedBy(voids)
	var last []reports.HistoryLine // a ring of as many as --last wants
	next := 0
	err = s.store.EachOf(c.Context, chain.name, chain.known, func(r journal.Row) error {
		line := reports.HistoryLine{Row: r}
		decode := func() {
			if line.Fact.Number > 0 {
				return
			}
			var err error
			if line.Fact, err = journal.Decode(r); err != nil { // it stays in the log all the same
				line.Fact = bareFact(r)
			}
		}
		if _, voided := targets[r.ID]; voided {
			targets[r.ID] = r.Number
		}
		if !filter.fits(&r, func() string { decode(); return reports.LogWords(line) }) {
			return nil
		}
		decode()
		line.Void = byNumber[gone[r.ID]]
		if v, ok := line.Fact.Body.(chem.Void); ok {
			line.Target = targets[v.Target]
		}
		switch {
		case filter.last == 0:
			return log.Fact(line)
		case len(last) < filter.last:
			last = append(last, line)
		default:
			last[next] = line
			next = (next + 1) % filter.last
		}
		return nil
	})
	for i := 0; i < len(last) && err == nil; i++ {
		err = log.Fact(last[(next+i)%len(last)])
	}
	if err != nil {
		return err
	}
	return log.End()
}

var errStop = errors.New("stop")
