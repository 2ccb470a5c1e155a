package main

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/urfave/cli/v2"
	"golang.org/x/term"

	"steadybath/chem"
	"steadybath/chem/entry"
	"steadybath/chem/estimate"
	"steadybath/chem/journal"
	"steadybath/db"
	"steadybath/db/cluster"
	"steadybath/reports"
)

// session is what a command has to work with: the streams, the environment, the
// clock, and the records once they are asked for.
type session struct {
	stdin   io.Reader
	stdout  io.Writer
	stderr  io.Writer
	env     func(string) string
	lines   *bufio.Reader
	store   *db.Store
	private bool // the records are in the private cluster
	moment  knownMoment
	taking  *taking   // where a round wants the fact instead of its being written
	again   time.Time // when what --id names happened, where it is there already
	behind  bool      // it was said that the clock lies before the newest entry
}

func newSession(stdin io.Reader, stdout, stderr io.Writer, env func(string) string) *session {
	return &session{stdin: stdin, stdout: stdout, stderr: stderr, env: env}
}

func (s *session) close() {
	if s.store != nil {
		s.store.Close()
	}
}

// now is the moment of asking; STEADYBATH_CLOCK sets it for tests and for
// looking at a demo as if it were its last day. What is entered is dated by the
// database whatever this says.
func (s *session) now() (time.Time, error) {
	if fixed := s.env("STEADYBATH_CLOCK"); fixed != "" {
		t, err := time.Parse(time.RFC3339, fixed)
		if err != nil {
			return time.Time{}, wrongWords("such as 2026-03-02T18:30:00Z", "STEADYBATH_CLOCK is %q, which is not a time", fixed)
		}
		return t.UTC(), nil
	}
	return time.Now().UTC().Truncate(time.Microsecond), nil
}

// isTerminal tells whether questions can be asked.
func (s *session) isTerminal() bool {
	f, ok := s.stdin.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// ask puts a question on the terminal and returns the answer, without its line
// break. An interrupt ends the wait: a read alone would go on until Enter.
func (s *session) ask(ctx context.Context, question string) (string, error) {
	fmt.Fprint(s.stderr, question)
	if s.lines == nil {
		s.lines = bufio.NewReader(s.stdin)
	}
	type answer struct {
		line string
		err  error
	}
	got := make(chan answer, 1)
	go func() {
		line, err := s.lines.ReadString('\n')
		got <- answer{line, err}
	}()
	select {
	case <-ctx.Done():
		fmt.Fprintln(s.stderr)
		return "", ctx.Err()
	case a := <-got:
		if a.err != nil && a.line == "" {
			return "", refused("nothing was written", "no answer")
		}
		return strings.TrimSpace(a.line), nil
	}
}

// clusterConfig says where the private cluster lies.
func (s *session) clusterConfig() cluster.Config {
	return cluster.Config{Env: s.env, Log: func(format string, args ...any) { fmt.Fprintf(s.stderr, format+"\n", args...) }}
}

func (s *session) databaseURL(c *cli.Context) string {
	if url := c.String("database"); url != "" {
		return url
	}
	return s.env("STEADYBATH_DATABASE")
}

// open opens the records once per command.
func (s *session) open(c *cli.Context) (*db.Store, error) {
	if s.store != nil {
		return s.store, nil
	}
	url := s.databaseURL(c)
	s.private = url == ""
	store, err := db.Open(c.Context, db.Options{URL: url, Cluster: s.clusterConfig()})
	if err != nil {
		return nil, err
	}
	s.store = store
	return store, nil
}

// sayReadOnly says beside an answer that it comes from a standby, which may not
// have everything yet.
func (s *session) sayReadOnly(ctx context.Context) {
	if s.store == nil {
		return
	}
	where, asOf, is := s.store.ReadOnly(ctx)
	if !is {
		return
	}
	said := "answered by " + where + ", which takes no facts: a standby, or set so"
	if !asOf.IsZero() {
		said = "answered by the standby " + where + ";\nwhat was entered after " + asOf.Local().Format("Mon 2 Jan 15:04:05") + ", if anything, is not in it"
	}
	fmt.Fprintln(s.stderr, said)
}

// withRoom tells of a failure of the private server how much room its disk has,
// where that is or may be why: a server without room breaks connections.
func (s *session) withRoom(err error) error {
	var said *cluster.Error
	if err == nil || !s.private || errors.As(err, &said) {
		return err
	}
	full := errors.Is(err, cluster.ErrDiskFull)
	var maybe *db.MaybeWritten
	if !full && !errors.Is(err, db.ErrUnreachable) && !errors.As(err, &maybe) {
		return err
	}
	st, failed := cluster.Stat(context.Background(), s.clusterConfig())
	if failed != nil || st.Free < 0 || !full && st.Free >= cluster.LowRoom {
		return err
	}
	status, hint := classify(err)
	if !full {
		hint = "make room there; then " + hint
	}
	return &problem{status: status, cause: err, hint: hint, what: fmt.Sprintf("%v (%s free on the disk of %s)", err, roomWords(st.Free), st.Base)}
}

func roomWords(bytes int64) string {
	if bytes < 10e6 {
		return fmt.Sprintf("%d kB", bytes/1000)
	}
	return freeWords(bytes)
}

// bathFile is a bath with everything a command needs of it.
type bathFile struct {
	*estimate.Bath
	entered []chem.Fact // in order of entry
	rows    []journal.Row
	zone    *time.Location
	head    string
	shop    []chem.Fact   // the shop's standing facts, where a command has read them
	doubts  []entry.Doubt // of the shop's lots, to be asked about with the first fact
	advice  []db.Advice   // to be kept with the facts that carry it out
}

// before is the bath with the first n facts in order of entry.
func (b *bathFile) before(n int) (*bathFile, error) {
	then := *b
	then.entered, then.rows, then.head = b.entered[:n:n], b.rows[:n:n], b.rows[n-1].Hash
	var err error
	then.Bath, err = estimate.Open(then.entered)
	return &then, err
}

func (b *bathFile) adviceToKeep() []db.Advice {
	if b == nil {
		return nil
	}
	return b.advice
}

// bathName finds the bath that is meant: the named one, or the only one.
func (s *session) bathName(c *cli.Context) (string, error) {
	store, err := s.open(c)
	if err != nil {
		return "", err
	}
	all, err := store.Baths(c.Context)
	if err != nil {
		return "", err
	}
	var names []string
	for _, b := range all {
		if b.Name != "" {
			names = append(names, b.Name)
		}
	}
	wanted := c.String("bath")
	if len(names) == 0 {
		return "", refused(`begin one: steadybath bath new tank-1 --recipe copper-electroforming --volume "60 L"`, "there is no bath yet")
	}
	if wanted == "" {
		then, err := s.begunBy(c, names)
		switch {
		case err != nil:
			return "", err
		case len(then) == 0 && len(names) == 1:
			return "", notKnownThen(names[0])
		case len(then) == 0:
			return "", refused("ask without --known-on, or with a later day", "the baths were not known then")
		case len(then) == 1:
			return then[0], nil
		}
		return "", wrongWords("for instance --bath "+quoted(then[0]), "there are several baths, say which: %s", strings.Join(then, ", "))
	}
	for _, n := range names {
		if n == wanted {
			return n, nil
		}
	}
	for _, n := range names {
		if strings.EqualFold(n, wanted) {
			return n, nil
		}
	}
	hint := "there is: " + strings.Join(names, ", ")
	if near := nearest(wanted, names); near != "" {
		hint = "did you mean --bath " + quoted(near) + "?"
	}
	return "", refused(hint, "there is no bath %q", wanted)
}

func quoted(s string) string {
	if strings.ContainsAny(s, " '\"$`\\") {
		return fmt.Sprintf("%q", s)
	}
	return s
}

// bath reads the bath that is meant, as it was known at --known-on where that
// is given.
func (s *session) bath(c *cli.Context) (*bathFile, error) {
	name, err := s.bathName(c)
	if err != nil {
		return nil, err
	}
	return s.bathNamed(c, name)
}

func (s *session) bathNamed(c *cli.Context, name string) (*bathFile, error) {
	rows, err := s.store.Rows(c.Context, name, time.Time{})
	if err != nil {
		return nil, err
	}
	zone, err := zoneOf(rows)
	if err != nil {
		return nil, err
	}
	doubts := s.lookAtClock(c, rows, zone)
	if rows, err = s.knownThen(c, rows, zone); err != nil {
		return nil, err
	}
	if rows, err = s.beforeAgain(c, rows); err != nil {
		return nil, err
	}
	b := &bathFile{rows: rows, zone: zone, doubts: doubts}
	if b.entered, b.head, err = decodeAll(rows, "bath "+name); err != nil {
		return nil, err
	}
	b.Bath, err = estimate.Open(b.entered)
	if errors.Is(err, estimate.ErrNoBath) {
		return nil, notKnownThen(name)
	}
	return b, err
}

// clockAsked is how far the clock may lie before the newest entry before what is
// entered now is asked about: one that lost its battery is years behind.
const clockAsked = 24 * time.Hour

// lookAtClock says where the machine's clock lies before the newest entry of a
// chain: what happens now would be dated before what has happened, and a
// question would not see the latter. Where it is far before, that is asked about
// with the next fact. A time that was typed or set needs no clock.
func (s *session) lookAtClock(c *cli.Context, rows []journal.Row, zone *time.Location) []entry.Doubt {
	if len(rows) == 0 || c.String("at") != "" || s.env("STEADYBATH_CLOCK") != "" {
		return nil
	}
	const minute = "2 Jan 2006 15:04"
	now, newest := time.Now(), rows[len(rows)-1].Entered
	behind := newest.Sub(now)
	if behind <= clockSlack {
		return nil
	}
	if !s.behind {
		s.behind = true
		fmt.Fprintf(s.stderr, "the clock here says %s, and the newest entry is dated\n%s; steadybath doctor looks at the clocks\n",
			now.In(zone).Format(minute), newest.In(zone).Format(minute))
	}
	if behind <= clockAsked {
		return nil
	}
	return []entry.Doubt{{
		Why:  fmt.Sprintf("by the clock here it is %s, long before the newest entry, %s", now.In(zone).Format(minute), newest.In(zone).Format(minute)),
		Hint: `set the clock, or say when it happened: --at "2026-03-02 18:30"`,
	}}
}

// beforeAgain leaves of a chain what was there before the command that is typed
// again with --id, where its facts are there already: then it makes of the same
// words the same facts as the first time.
func (s *session) beforeAgain(c *cli.Context, rows []journal.Row) ([]journal.Row, error) {
	if c.String("id") == "" || c.Command.Name == "round" { // a round counts ids by its questions, and goes back by itself
		return rows, nil
	}
	first, err := newID(c)
	if err != nil {
		return nil, err
	}
	n := slices.IndexFunc(rows, func(r journal.Row) bool { return r.ID == first })
	if n < 0 || rows[n].Kind == string(chem.KindBath) { // nothing comes before a bath
		return rows, nil
	}
	for i, r := range rows[n:] {
		if r.ID != nextID(first, i) {
			break
		}
		s.again = later(s.again, r.Time)
	}
	return rows[:n], nil
}

// zoneOf finds the bath's time zone among its rows.
func zoneOf(rows []journal.Row) (*time.Location, error) {
	for _, r := range rows {
		if r.Kind != string(chem.KindBath) {
			continue
		}
		f, err := journal.Decode(r)
		if err != nil {
			return nil, err
		}
		return loadZone(f.Body.(chem.Begin).Zone)
	}
	return time.UTC, nil
}

func loadZone(name string) (*time.Location, error) {
	zone, err := time.LoadLocation(name)
	if err != nil || name == "Local" {
		return nil, wrongWords("an IANA name such as Europe/Vienna or America/Chicago", "there is no time zone %q", name)
	}
	return zone, nil
}

// when reads --at: when it happened, or as of when.
func (s *session) when(c *cli.Context, zone *time.Location, asking bool) (time.Time, error) {
	now, err := s.now()
	if err != nil {
		return time.Time{}, err
	}
	at := c.String("at")
	if at == "" {
		if !s.again.IsZero() {
			return s.again, nil
		}
		return now, nil
	}
	t, err := chem.ParseTime(at, now, zone, asking)
	if err != nil {
		return time.Time{}, wrongWords("", "--at: %v", err)
	}
	if !t.After(now) {
		return t, nil
	}
	// Noon or the end of today may still be to come; today is meant as far as it
	// has gone. A day alone is one that asking reads differently.
	other, err := chem.ParseTime(at, now, zone, !asking)
	if err == nil && !other.Equal(t) && t.In(zone).Format(time.DateOnly) == now.In(zone).Format(time.DateOnly) {
		return now, nil
	}
	if !asking && t.After(now.Add(clockSlack)) {
		return time.Time{}, refused("facts are what has happened; leave --at out for now", "--at: %s lies in the future", t.In(zone).Format("Mon 2 Jan 2006 15:04 MST"))
	}
	return t, nil
}

// clockSlack is how far ahead of the database's clock another may run.
const clockSlack = time.Minute

// units reads --units.
func units(c *cli.Context) (reports.Units, error) {
	u, err := reports.ParseUnits(c.String("units"))
	if err != nil {
		return "", wrongWords("", "%v", err)
	}
	return u, nil
}

// newID gives a new fact its id: --id where it was given, for a command that is
// typed again after a broken connection.
func newID(c *cli.Context) (uuid.UUID, error) {
	if given := c.String("id"); given != "" {
		id, err := uuid.Parse(given)
		if err != nil || id == uuid.Nil {
			return uuid.Nil, wrongWords("the id that the broken command printed", "--id %q is not an id", given)
		}
		return id, nil
	}
	return uuid.NewV7()
}

// nextID is the id of a further fact of one command, which --id names with the
// first: the last 62 bits count on, as RFC 9562, section 6.2, lets them.
func nextID(first uuid.UUID, i int) uuid.UUID {
	const variant = uint64(3) << 62
	low := binary.BigEndian.Uint64(first[8:])
	binary.BigEndian.PutUint64(first[8:], low&variant|(low+uint64(i))&^variant)
	return first
}

// write enters facts into a bath, all or none: judged first, asked about where
// they are unlikely, then appended in one transaction. It returns what was
// stored and whether it had been there before.
func (s *session) write(ctx context.Context, c *cli.Context, b *bathFile, rows ...journal.Row) ([]db.Entry, error) {
	if c.String("id") != "" {
		known := make([]db.Entry, 0, len(rows))
		for _, r := range rows {
			stored, again, err := s.known(ctx, c, r)
			if err != nil {
				return nil, err
			}
			if again {
				known = append(known, db.Entry{Row: stored, Known: true})
			}
		}
		if len(known) == len(rows) {
			return known, nil
		}
	}
	now, err := s.now()
	if err != nil {
		return nil, err
	}
	var so *estimate.Bath // with the rows before: what one does is judged with them done
	var entered []chem.Fact
	if b != nil {
		so, entered = b.Bath, slices.Clip(b.entered)
	}
	for i := range rows {
		f, err := journal.Decode(rows[i])
		if err != nil {
			return nil, err
		}
		if b == nil {
			continue
		}
		f.Time = f.Time.In(b.zone) // what is said about it names the shop's day
		doubts, err := entry.Check(so, f, now)
		if err != nil {
			return nil, refused("steadybath state shows the bath as it is known", "%v", err)
		}
		if i == 0 {
			doubts = append(slices.Clone(b.doubts), doubts...)
		}
		if err := s.settle(c, &rows[i], doubts); err != nil {
			return nil, err
		}
		if i < len(rows)-1 {
			entered = append(entered, f)
			if so, err = estimate.Open(entered); err != nil {
				return nil, err
			}
		}
	}
	if err := stillRead(b, rows); err != nil {
		return nil, err
	}
	entries, err := s.store.Append(ctx, rows, b.adviceToKeep()...)
	if errors.Is(err, db.ErrOtherFact) {
		return nil, refused("leave --id out to enter a new fact", "%v", err)
	}
	return entries, err
}

// stillRead refuses a setting, or the voiding of one, with which a setting
// that stands could no longer be applied: the bath could not be read again.
func stillRead(b *bathFile, rows []journal.Row) error {
	settings := slices.ContainsFunc(rows, func(r journal.Row) bool {
		return r.Kind == string(chem.KindSetting) || r.Kind == string(chem.KindVoid)
	})
	if b == nil || !settings {
		return nil
	}
	all := slices.Clone(b.entered)
	for _, r := range rows {
		f, err := journal.Decode(r)
		if err != nil {
			return err
		}
		all = append(all, f)
	}
	after, err := estimate.Open(all)
	if err == nil && len(after.LeftOut) > len(b.LeftOut) {
		err = errors.New(after.LeftOut[len(after.LeftOut)-1].Why)
	}
	if err != nil {
		return refused("steadybath history --kind setting shows the settings", "with this, another fact would be wrong: %v", err)
	}
	return nil
}

// sameButTime tells whether a stored fact is the one typed again, whose time
// was left to the clock both times. Why it was entered all the same may have
// been typed on the terminal, and is not asked again.
func sameButTime(a, b journal.Row, anyTime bool) bool {
	if anyTime {
		b.Time = a.Time
	}
	if before, _, asked := strings.Cut(a.Note, allTheSame); asked && strings.TrimSpace(before) == b.Note {
		b.Note = a.Note
	}
	b.Entered, b.By, b.Hash, b.Number = a.Entered, a.By, a.Hash, a.Number
	return a == b
}

// allTheSame stands in a note before why something unlikely was entered.
const allTheSame = "(entered all the same: "

// forcedNote is the note of a fact that is entered although it is unlikely.
func forcedNote(note, why string) string {
	return strings.TrimSpace(note + " " + allTheSame + strings.TrimSpace(why) + ")")
}

// settle asks about what is unlikely; --force with a reason is the answer given
// beforehand.
func (s *session) settle(c *cli.Context, row *journal.Row, doubts []entry.Doubt) error {
	if len(doubts) == 0 {
		return nil
	}
	words := make([]string, len(doubts))
	for i, d := range doubts {
		words[i] = d.String()
	}
	said := strings.Join(words, "; ")
	if reason := strings.TrimSpace(c.String("force")); reason != "" {
		row.Note = forcedNote(row.Note, reason)
		return nil
	}
	if !s.isTerminal() {
		hint := `if it is right all the same, say why: --force "read twice"`
		for _, d := range doubts {
			if d.Hint != "" {
				hint = d.Hint
				break
			}
		}
		return refused(hint, "%s", said)
	}
	answer, err := s.ask(c.Context, said+"\nenter it all the same? why (empty leaves it): ")
	if err != nil {
		return err
	}
	if answer == "" || strings.EqualFold(answer, "n") || strings.EqualFold(answer, "no") {
		return refused("", "nothing was written")
	}
	if startsNumber(answer) { // nobody gives a number for a reason
		return refused("type the whole command again with "+quoted(answer), "nothing was written, since %q is no reason why it is right", answer)
	}
	row.Note = forcedNote(row.Note, answer)
	return nil
}

// printJSON writes v to standard output.
func (s *session) printJSON(v any) error { return reports.WriteJSON(s.stdout, v) }
