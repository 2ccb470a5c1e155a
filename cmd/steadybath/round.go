package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/dose"
	"steadybath/chem/entry"
	"steadybath/chem/estimate"
	"steadybath/chem/journal"
	"steadybath/db"
	"steadybath/reports"
)

func roundCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "round", Usage: "the weekly round, one question after the other", UsageText: "steadybath round [--print]",
		Description: describe("Asks in the order of work, with the last value beside each question, and writes\nnothing before a second look. An answer is typed as after the command of its own\n(16.35 16.40 --lot N7), where the unit shown may be left out. Enter skips, ?\nexplains, a full stop or Ctrl-D ends early; Ctrl-C stops, and the next round\noffers to go on. Without a terminal it takes one answer a line. --print makes a\nsheet to fill in with a pencil, in the same order.",
			"steadybath round", "steadybath round --print | lp"),
		Flags: []cli.Flag{
			&cli.BoolFlag{Name: "print", Usage: "print a sheet of one page, and ask nothing"},
			&cli.BoolFlag{Name: "go-on", Usage: "go on with the round that was stopped, without asking"},
			&cli.BoolFlag{Name: "anew", Usage: "forget the round that was stopped, without asking"},
			bathFlag(),
			&cli.StringFlag{Name: "at", Usage: "`WHEN` the round was done: \"yesterday 18:30\"; now if not given"},
			&cli.StringFlag{Name: "known-on", Usage: "with --print: only what had been entered by `WHEN`"},
			&cli.StringFlag{Name: "id", Usage: "`ID` of a round that was piped in and whose connection broke: never entered twice"},
			jsonFlag(), unitsFlag(), databaseFlag()},
		Action: func(c *cli.Context) error { return runRound(c.Context, s, c) },
	}
}

func runRound(ctx context.Context, s *session, c *cli.Context) error {
	if err := noWords("round", c.Args().Slice()); err != nil {
		return err
	}
	for _, pair := range [][2]string{{"print", "json"}, {"print", "go-on"}, {"print", "anew"}, {"print", "id"}, {"go-on", "anew"}, {"go-on", "id"}} {
		if c.IsSet(pair[0]) && c.IsSet(pair[1]) {
			return wrongWords("leave one of them out", "--%s and --%s contradict each other", pair[0], pair[1])
		}
	}
	if c.IsSet("known-on") && !c.Bool("print") {
		return wrongWords("leave it out", "--known-on goes with --print; a round is written down now")
	}
	if c.IsSet("id") && s.isTerminal() {
		return wrongWords("steadybath round --go-on goes on with a round that was typed", "--id is for a round that is piped in")
	}
	r, err := newRound(s, c)
	if err != nil {
		return err
	}
	if c.Bool("print") {
		return reports.WriteRoundSheet(s.stdout, r.sheet())
	}
	if err := r.goOn(ctx); err != nil {
		return err
	}
	if err := r.askAll(ctx); err != nil {
		return err
	}
	if err := r.secondLook(ctx); err != nil {
		return err
	}
	return r.write(ctx)
}

// round is one weekly round while it is being asked.
type round struct {
	s         *session
	c         *cli.Context
	b         *bathFile
	sys       reports.Units
	now       time.Time
	id        uuid.UUID // of the whole, from which those of the facts follow where it is piped in
	questions []question
	answers   []answer // beside the questions
	draft     *draft
	terminal  bool
	lines     chan line
	wanted    chan struct{}
	read      int // lines taken so far
}

// answer is what a question came to; a nil body is none.
type answer struct {
	typed string
	asked bool
	why   string // it is right although it is unlikely
	id    uuid.UUID
	note  string
	body  chem.Body
}

func newRound(s *session, c *cli.Context) (*round, error) {
	sys, err := units(c)
	if err != nil {
		return nil, err
	}
	b, err := s.bath(c)
	if err != nil {
		return nil, err
	}
	began, err := s.when(c, b.zone, false)
	if err != nil {
		return nil, err
	}
	now, err := s.now()
	if err != nil {
		return nil, err
	}
	if c.String("at") == "" {
		began = began.Add(-afterMixing) // nothing of it may lie ahead of the clock
	}
	r := &round{s: s, c: c, b: b, sys: sys, now: now, terminal: s.isTerminal(), draft: newDraft(s, b, began)}
	if r.id, err = newID(c); err != nil {
		return nil, err
	}
	if c.String("id") != "" {
		return r, r.again()
	}
	return r, r.prepare()
}

// factID is the id of what answers the ith question of a round that is piped
// in: counted on from the round's own, so that the same answers typed again
// are the same facts, in the same order.
func (r *round) factID(i int) uuid.UUID {
	id := r.id
	binary.BigEndian.PutUint32(id[12:], binary.BigEndian.Uint32(id[12:])+uint32(i))
	return id
}

// again goes back to before a round of this id, where it was written already:
// then its answers come to the same facts.
func (r *round) again() error {
	if err := r.prepare(); err != nil {
		return err
	}
	for n, f := range r.b.entered {
		i := int(binary.BigEndian.Uint32(f.ID[12:]) - binary.BigEndian.Uint32(r.id[12:]))
		if !bytes.Equal(f.ID[:12], r.id[:12]) || i < 0 || i >= len(r.questions) || n == 0 {
			continue
		}
		var err error
		if r.b, err = r.b.before(n); err != nil {
			return err
		}
		if err := r.prepare(); err != nil {
			return err
		}
		if r.c.String("at") == "" && i < len(r.questions) {
			r.draft.Began = f.Time.Add(-r.questions[i].after)
		}
		return r.prepare()
	}
	return nil
}

// prepare makes the questions as of the round's beginning.
func (r *round) prepare() error {
	var err error
	r.questions, err = roundQuestions(r.b, r.sys, r.draft.Began)
	r.answers = make([]answer, len(r.questions))
	return err
}

// goOn takes up a round that was stopped.
func (r *round) goOn(ctx context.Context) error {
	old := r.draft.stopped()
	if old == nil {
		if r.c.Bool("go-on") {
			return refused("steadybath round begins one", "no round of bath %s was stopped", r.b.Name)
		}
		r.greet()
		return nil
	}
	count := old.count()
	told := fmt.Sprintf("a round of bath %s was begun on %s, with %d of its questions answered", r.b.Name, old.Began.In(r.b.zone).Format("Mon 2 Jan 15:04"), count)
	take := r.c.Bool("go-on")
	switch {
	case take || r.c.Bool("anew"):
	case !r.terminal:
		return refused("--go-on goes on with it, --anew forgets it", "%s", told)
	default:
		reply, err := r.line(ctx, told+".\nEnter goes on with it, n begins anew: ")
		if err != nil {
			return refused("steadybath round asks again", "nothing was written, and what was answered is kept")
		}
		take = reply == "" || strings.EqualFold(reply, "y") || strings.EqualFold(reply, "yes")
	}
	if !take {
		r.draft.forget()
		r.greet()
		return nil
	}
	r.draft.takeUp(old)
	if err := r.prepare(); err != nil {
		return err
	}
	r.greet()
	for i, q := range r.questions {
		kept, ok := old.Answers[q.id]
		if !ok {
			continue
		}
		r.answers[i] = answer{asked: true, id: kept.ID}
		if kept.Typed == "" {
			continue
		}
		a, _, err := r.understand(i, kept.Typed)
		if err != nil { // the bath has changed meanwhile
			r.tell("%s: %s is no answer any more: %s", q.name, kept.Typed, oneLine(err.Error()))
			r.answers[i].asked = false
			continue
		}
		a.id, a.why, a.asked = kept.ID, kept.Why, true
		r.answers[i] = a
		r.tell("%2d/%d %s: %s", i+1, len(r.questions), q.name, r.words(i))
	}
	return nil
}

func (r *round) greet() {
	r.tell("round of bath %s, %s", r.b.Name, r.draft.Began.In(r.b.zone).Format("Mon 2 Jan 2006 15:04 MST"))
	r.tell("Enter skips, ? explains, . ends early, Ctrl-C stops and keeps what was answered\n")
}

// tell speaks to whoever sits at the terminal.
// What is too long for a line goes on under its first word.
func (r *round) tell(format string, args ...any) {
	if !r.terminal {
		return
	}
	for text := range strings.Lines(fmt.Sprintf(format, args...) + "\n") {
		words := strings.TrimLeft(text, " ")
		indent := len(text) - len(words)
		fmt.Fprint(r.s.stderr, flow(text[:indent], indent, words))
	}
}

// line is one line that was typed.
type line struct {
	text string
	err  error
}

// errEnd is Ctrl-D, or the end of the answers that were piped in.
var errEnd = errors.New("no more answers")

// line asks for one line. A read cannot be called off, so it waits in a
// goroutine of its own, and Ctrl-C does not wait for it.
func (r *round) line(ctx context.Context, prompt string) (string, error) {
	if r.terminal {
		fmt.Fprint(r.s.stderr, prompt)
	}
	if r.lines == nil {
		r.lines, r.wanted = make(chan line), make(chan struct{})
		in := bufio.NewReader(r.s.stdin)
		go func() {
			for range r.wanted {
				text, err := in.ReadString('\n')
				r.lines <- line{text, err}
			}
		}()
	}
	select {
	case r.wanted <- struct{}{}:
	case <-ctx.Done():
		return "", ctx.Err()
	}
	select {
	case l := <-r.lines:
		if l.err != nil && l.text == "" {
			r.tell("")
			if errors.Is(l.err, io.EOF) {
				return "", errEnd
			}
			return "", l.err
		}
		r.read++
		return strings.TrimSpace(l.text), nil
	case <-ctx.Done():
		return "", ctx.Err()
	}
}

// stopped is Ctrl-C, or a terminal that went away.
func (r *round) stopped(cause error) error {
	r.tell("")
	if !r.terminal {
		return &problem{status: statusRefused, what: "the round was stopped; nothing was written", hint: "pipe the same answers in again", cause: cause}
	}
	hint := "steadybath round goes on with it"
	what := fmt.Sprintf("the round was stopped; nothing was written, and %d answers are kept", r.draft.count())
	if r.draft.broken != nil {
		what, hint = "the round was stopped; nothing was written", "the answers could not be kept: "+oneLine(withoutPath(r.draft.broken).Error())
	}
	return &problem{status: statusRefused, what: what, hint: hint, cause: cause}
}

// askAll asks what was not asked yet, until the end or until it is ended early.
func (r *round) askAll(ctx context.Context) error {
	section := ""
	for i := range r.questions {
		if r.answers[i].asked {
			continue
		}
		if q := r.questions[i]; q.section != section {
			section = q.section
			r.tell("%s", section)
		}
		if err := r.ask(ctx, i); errors.Is(err, errEnd) {
			return nil
		} else if err != nil {
			return err
		}
	}
	return nil
}

// ask asks one question until the answer can stand. It returns errEnd where the
// round ends here.
func (r *round) ask(ctx context.Context, i int) error {
	q := r.questions[i]
	correcting := r.answers[i].body != nil
	beside := "last " + q.last
	if q.last == "" {
		beside = "never yet"
	}
	keys := ""
	if correcting {
		beside, keys = "now "+r.answers[i].typed, "; Enter keeps it, - takes it away"
	}
	for {
		typed, err := r.line(ctx, fmt.Sprintf("%2d/%d %s (%s%s): ", i+1, len(r.questions), q.ask(), beside, keys))
		switch {
		case errors.Is(err, errEnd):
			return err
		case err != nil:
			return r.stopped(err)
		case typed == ".":
			return errEnd
		case typed == "?":
			r.explain(q)
			continue
		case typed == "" && correcting:
			return nil
		case typed == "" || typed == "-" && correcting || q.zeroSkips && isZero(typed):
			r.keep(i, answer{asked: true})
			return nil
		}
		a, doubts, err := r.understand(i, typed)
		if err != nil {
			if !r.terminal {
				return r.badLine(q, err)
			}
			r.tell("   ! %s", oneLine(err.Error()))
			continue
		}
		a, again, err := r.settle(ctx, i, a, doubts)
		if err != nil {
			return err
		}
		if again {
			continue
		}
		r.keep(i, a)
		r.tell("   %s", r.words(i))
		return nil
	}
}

func isZero(typed string) bool {
	d, err := chem.ParseDecimal(typed)
	return err == nil && d.Float() == 0
}

// keep takes an answer and brings the draft to the disk.
func (r *round) keep(i int, a answer) {
	a.asked = true
	if a.id == uuid.Nil {
		a.id = r.answers[i].id
	}
	r.answers[i] = a
	if !r.terminal {
		return
	}
	was := r.draft.broken
	r.draft.keep(r.questions[i].id, kept{Typed: a.typed, Why: a.why, ID: a.id})
	if was == nil && r.draft.broken != nil {
		r.tell("   ! what is answered cannot be kept: %s; do not stop before the end", oneLine(withoutPath(r.draft.broken).Error()))
	}
}

// badLine refuses an answer that was piped in: nobody is there to be asked again.
func (r *round) badLine(q question, err error) error {
	status, hint := classify(err)
	if hint == "" {
		hint = "answers are one a line, in the order that steadybath round --print shows"
	}
	return &problem{status: status, what: fmt.Sprintf("line %d, %s: %v", r.read, q.name, err), hint: hint, cause: err}
}

// explain says what a question wants.
func (r *round) explain(q question) {
	for _, l := range q.help {
		fmt.Fprint(r.s.stderr, flow("   ", 3, l))
	}
}

// understand makes a fact of what was typed and judges it beside the other
// answers.
func (r *round) understand(i int, typed string) (answer, []entry.Doubt, error) {
	q := r.questions[i]
	a := answer{typed: typed, id: r.answers[i].id}
	if a.id == uuid.Nil && !r.terminal {
		a.id = r.factID(i)
	} else if a.id == uuid.Nil {
		id, err := uuid.NewV7()
		if err != nil {
			return a, nil, err
		}
		a.id = id
	}
	so, err := r.soFar(i)
	if err != nil {
		return a, nil, err
	}
	t := &taking{b: so, at: r.draft.Began.Add(q.after)}
	if q.own != nil {
		a.body, err = q.own(so, typed)
	} else {
		err = r.s.takeAnswer(r.c.Context, t, q, typed)
		a.body, a.note, a.why = t.body, t.note, t.why
	}
	if err != nil {
		return a, nil, err
	}
	for _, l := range t.said {
		r.tell("   %s", l)
	}
	doubts, err := r.judge(so, q, a)
	return a, doubts, err
}

// soFar is the bath with every answer but the ith.
func (r *round) soFar(i int) (*bathFile, error) {
	facts := append([]chem.Fact(nil), r.b.entered...)
	for j, f := range r.facts() {
		if j != i && f.Body != nil {
			facts = append(facts, f)
		}
	}
	so := *r.b
	var err error
	so.Bath, err = estimate.Open(facts)
	return &so, err
}

// facts are what the answers come to, beside the questions. The first reading
// of the sample carries all of it; where nothing was read, it was taken out.
func (r *round) facts() []chem.Fact {
	out := make([]chem.Fact, len(r.questions))
	sample := -1
	for i, a := range r.answers {
		body := a.body
		if body == nil {
			continue
		}
		q := r.questions[i]
		switch b := body.(type) {
		case drawn:
			sample = i
			continue
		case chem.Assay:
			if sample >= 0 && ofSample(a) {
				b.Sample.Volume = r.answers[sample].body.(drawn).Measured
				if r.sampleGone(sample, i) {
					b.Sample.Volume = chem.Measured{Number: "0", Unit: b.Sample.Volume.Unit}
				}
				body = b
			}
		}
		note := a.note
		if a.why != "" {
			note = forcedNote(note, a.why)
		}
		out[i] = chem.Fact{ID: a.id, Time: r.draft.Began.Add(q.after), Bath: r.b.Name, Note: note, Body: body}
	}
	if sample >= 0 && !r.sampleGone(sample, len(r.answers)) {
		a := r.answers[sample]
		out[sample] = chem.Fact{ID: a.id, Time: r.draft.Began.Add(r.questions[sample].after), Bath: r.b.Name, Note: "sample", Body: chem.Bail{Volume: a.body.(drawn).Measured}}
	}
	return out
}

// ofSample tells whether an answer was read in the common sample: not in the
// tank, and not in one that it states itself.
func ofSample(a answer) bool {
	b, ok := a.body.(chem.Assay)
	return ok && b.Of != "temperature" && b.Of != "pH" && b.Of != "density" && !b.Sample.Returned && !strings.Contains(a.typed, "--sample")
}

// sampleGone tells whether an answer before the ith carries the sample.
func (r *round) sampleGone(sample, i int) bool {
	for j := sample + 1; j < i; j++ {
		if ofSample(r.answers[j]) {
			return true
		}
	}
	return false
}

// judge asks the chemistry whether an answer is impossible or unlikely.
func (r *round) judge(so *bathFile, q question, a answer) ([]entry.Doubt, error) {
	body := a.body
	if d, ok := body.(drawn); ok {
		body = chem.Bail{Volume: d.Measured}
	}
	f := chem.Fact{ID: a.id, Time: r.draft.Began.Add(q.after), Bath: r.b.Name, Note: a.note, Body: body}
	row, err := journal.Encode(f)
	if err != nil {
		return nil, wrongWords("", "%s", whyOf(body, err))
	}
	if f, err = journal.Decode(row); err != nil {
		return nil, err
	}
	f.Time = f.Time.In(r.b.zone)
	doubts, err := entry.Check(so.Bath, f, r.now)
	if err != nil {
		return nil, refused("steadybath state shows the bath as it is known", "%v", err)
	}
	return doubts, nil
}

// settle asks about what is unlikely: the slip that would explain it, a reason
// why it is right, or the answer again.
func (r *round) settle(ctx context.Context, i int, a answer, doubts []entry.Doubt) (_ answer, again bool, _ error) {
	q := r.questions[i]
	if len(doubts) == 0 || a.why != "" {
		return a, false, nil
	}
	if !r.terminal {
		words := make([]string, len(doubts))
		for k, d := range doubts {
			words[k] = d.String()
		}
		return a, false, r.badLine(q, refused(`if it is right all the same, say why behind the answer: --force "read twice"`, "%s", strings.Join(words, "; ")))
	}
	slip := ""
	for _, d := range doubts {
		r.tell("   ? %s", d)
		if slip == "" {
			slip = d.Slip
		}
	}
	keys := "Enter to type it again, or why it is right all the same: "
	if slip != "" {
		keys = "y takes " + slip + ", " + keys
	}
	reply, err := r.line(ctx, "   "+keys)
	switch {
	case errors.Is(err, errEnd):
		return a, false, err
	case err != nil:
		return a, false, r.stopped(err)
	case reply == "" || strings.EqualFold(reply, "n") || strings.EqualFold(reply, "no"):
		return a, true, nil
	case slip != "" && (strings.EqualFold(reply, "y") || strings.EqualFold(reply, "yes")):
		if len(strings.Fields(a.typed)) > 2 {
			r.tell("   type the whole answer again, please")
			return a, true, nil
		}
		return r.instead(ctx, i, a, slip)
	case startsNumber(reply): // nobody gives a number for a reason: it is the answer again
		return r.instead(ctx, i, a, reply)
	}
	a.why = reply
	return a, false, nil
}

// instead takes another answer in place of a doubtful one.
func (r *round) instead(ctx context.Context, i int, a answer, typed string) (_ answer, again bool, _ error) {
	meant, doubts, err := r.understand(i, typed)
	if err != nil {
		r.tell("   ! %s", oneLine(err.Error()))
		return a, true, nil
	}
	return r.settle(ctx, i, meant, doubts)
}

// words says what an answer comes to.
func (r *round) words(i int) string {
	f := r.facts()[i]
	switch b := r.answers[i].body.(type) {
	case nil:
		return "skipped"
	case drawn:
		return "sample of " + b.String()
	case chem.Remark:
		return r.answers[i].note
	}
	return reports.FactWords(chem.Fact{Body: f.Body})
}

// look is the table of what will be written.
func (r *round) look() reports.RoundLook {
	l := reports.RoundLook{Bath: r.b.Name, At: r.draft.Began, Zone: r.b.zone}
	for i, q := range r.questions {
		if r.answers[i].body == nil {
			l.Skipped = append(l.Skipped, fmt.Sprintf("%d %s", i+1, q.name))
			continue
		}
		l.Lines = append(l.Lines, reports.RoundLine{Number: i + 1, Name: q.name, Words: r.words(i), Why: r.answers[i].why})
	}
	return l
}

// secondLook shows everything before anything is written; a number corrects.
func (r *round) secondLook(ctx context.Context) error {
	for {
		l := r.look()
		if r.terminal {
			r.tell("")
			if err := reports.WriteRoundLook(r.s.stderr, l); err != nil {
				return err
			}
		}
		ask := "Enter writes it all, a number corrects a line, . leaves it for later: "
		if len(l.Lines) == 0 {
			ask = "nothing is answered. A number answers a line, Enter or . ends: "
		}
		typed, err := r.line(ctx, ask)
		switch {
		case errors.Is(err, errEnd) && !r.terminal, err == nil && (typed == "" || strings.EqualFold(typed, "y") || strings.EqualFold(typed, "yes")):
			if len(l.Lines) == 0 {
				r.draft.forget()
				return refused("steadybath round asks again", "nothing was answered, so nothing was written")
			}
			again, err := r.settleAll(ctx)
			if err != nil {
				return err
			}
			if !again {
				return nil
			}
		case errors.Is(err, errEnd), typed == "." && err == nil:
			if len(l.Lines) == 0 {
				r.draft.forget()
				return refused("steadybath round asks again", "nothing was answered, so nothing was written")
			}
			return r.stopped(nil)
		case err != nil:
			return r.stopped(err)
		default:
			n, err := strconv.Atoi(typed)
			if err != nil || n < 1 || n > len(r.questions) {
				if !r.terminal {
					return wrongWords("behind the last question a line is the number of a line to correct", "line %d: there is no line %s to correct; there are %d questions", r.read, oneLine(typed), len(r.questions))
				}
				r.tell("   ! there is no line %s; Enter, a full stop, or a number up to %d would fit", oneLine(typed), len(r.questions))
				continue
			}
			if err := r.ask(ctx, n-1); err != nil && !errors.Is(err, errEnd) {
				return err
			}
		}
	}
}

// settleAll judges every answer once more beside all the others: a corrected
// level may make a reading unlikely that was not.
func (r *round) settleAll(ctx context.Context) (again bool, _ error) {
	for i, a := range r.answers {
		if a.body == nil {
			continue
		}
		so, err := r.soFar(i)
		if err != nil {
			return false, err
		}
		doubts, err := r.judge(so, r.questions[i], a)
		if err != nil {
			return false, err
		}
		if len(doubts) > 0 && a.why == "" {
			r.tell("%2d/%d %s: %s", i+1, len(r.questions), r.questions[i].name, r.words(i))
		}
		a, retype, err := r.settle(ctx, i, a, doubts)
		if errors.Is(err, errEnd) {
			return true, nil
		} else if err != nil {
			return false, err
		}
		if retype {
			if err := r.ask(ctx, i); err != nil && !errors.Is(err, errEnd) {
				return false, err
			}
			return true, nil
		}
		if a.typed != r.answers[i].typed || a.why != r.answers[i].why {
			r.keep(i, a)
			again = again || a.typed != r.answers[i].typed
		}
	}
	return again, nil
}

// write enters all of it or nothing, and answers with the bath and the dose.
func (r *round) write(ctx context.Context) error {
	var rows []journal.Row
	var bodies []chem.Body
	for _, f := range r.facts() {
		if f.Body == nil {
			continue
		}
		row, err := journal.Encode(f)
		if err != nil {
			return wrongWords("", "%s", whyOf(f.Body, err))
		}
		rows, bodies = append(rows, row), append(bodies, f.Body)
	}
	entries, err := r.s.store.Append(ctx, rows)
	var maybe *db.MaybeWritten
	switch {
	case errors.As(err, &maybe) && r.terminal:
		return &problem{status: statusMaybe, cause: err, what: "the connection broke, and the round may have been written",
			hint: "steadybath round --go-on writes it, and never twice"}
	case errors.As(err, &maybe):
		return &problem{status: statusMaybe, cause: err, what: fmt.Sprintf("the connection broke, and the round %s may have been written", r.id),
			hint: fmt.Sprintf("pipe the same answers in again with --id %s: it never enters them twice", r.id)}
	case errors.Is(err, db.ErrOtherFact) && !r.terminal:
		return refused("leave --id out to enter a new round", "a round of this id was written already, with other answers: %v", err)
	case errors.Is(err, db.ErrOtherFact):
		return refused("steadybath history shows it; --anew begins another", "this round was written already, with other answers: %v", err)
	case err != nil:
		return err
	}
	r.draft.forget()
	if err := r.sayWritten(entries, bodies); err != nil {
		if r.terminal {
			return writtenAll(entries, err)
		}
		return &problem{status: statusMaybe, cause: err, what: fmt.Sprintf("the round is entered, but the answer could not be given: %v", err),
			hint: fmt.Sprintf("do not pipe it in again, unless with --id %s, which never enters it twice", r.id)}
	}
	return nil
}

func (r *round) sayWritten(entries []db.Entry, bodies []chem.Body) error {
	b, err := r.s.bathNamed(r.c, r.b.Name)
	if err != nil {
		return err
	}
	e, err := b.At(r.now, estimate.Options{})
	if err != nil {
		return err
	}
	if err := r.s.flagBottles(r.c, b, e); err != nil {
		return err
	}
	plan, err := r.s.plan(r.c, b, e, dose.Options{})
	if err != nil {
		return err
	}
	if r.c.Bool("json") {
		return r.sayJSON(entries, b, e, plan)
	}
	for i, x := range entries {
		known := ""
		if x.Known {
			known = " (it was there already)"
		}
		words := reports.FactWords(chem.Fact{Body: bodies[i]})
		if _, isNote := bodies[i].(chem.Remark); isNote {
			words = "note " + oneLine(x.Note)
		}
		if err := say(r.s.stdout, "%d  %s  %s%s", x.Number, x.Time.In(b.zone).Format("Mon 2 Jan 15:04"), words, known); err != nil {
			return err
		}
	}
	if err := say(r.s.stdout, ""); err != nil {
		return err
	}
	if err := reports.State(r.s.stdout, e, b.zone, r.sys, b.head); err != nil {
		return err
	}
	if err := say(r.s.stdout, ""); err != nil {
		return err
	}
	if err := reports.Dose(r.s.stdout, plan, b.zone, r.sys); err != nil {
		return err
	}
	r.s.keepAdvice(r.c.Context, r.c, b, e, plan)
	return nil
}

func (r *round) sayJSON(entries []db.Entry, b *bathFile, e *estimate.Estimate, plan *dose.Plan) error {
	facts := make([]json.RawMessage, len(entries))
	for i, x := range entries {
		facts[i] = x.Row.JSON(0)
	}
	var state, todo bytes.Buffer
	if err := reports.StateJSON(&state, e, b.head); err != nil {
		return err
	}
	if err := reports.DoseJSON(&todo, plan, b.head); err != nil {
		return err
	}
	return r.s.printJSON(struct {
		Facts []json.RawMessage `json:"facts"`
		State json.RawMessage   `json:"state"`
		Dose  json.RawMessage   `json:"dose"`
	}{facts, state.Bytes(), todo.Bytes()})
}
