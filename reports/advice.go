package reports

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"steadybath/chem"
	"steadybath/chem/advice"
	"steadybath/chem/journal"
)

// AdviceInput is a list of advice with what it is shown with.
type AdviceInput struct {
	Bath    string
	Entries []advice.Entry
	Total   int              // of which Entries may be the last
	Numbers map[string]int64 // of facts by their hash
	Zone    *time.Location
	Units   Units
	Head    string
}

type shownJSON struct {
	ID      string    `json:"id"`
	At      time.Time `json:"at"`
	Entered time.Time `json:"entered"`
	By      string    `json:"by"`
}

type deedJSON struct {
	Number int64     `json:"number"`
	ID     string    `json:"id"`
	Time   time.Time `json:"time"`
	Amount float64   `json:"amount"`
	Unit   string    `json:"unit"`
	Lot    string    `json:"lot"`
	Named  bool      `json:"named"`
}

type adviceStepJSON struct {
	What    string     `json:"what"` // add or bail
	Subject string     `json:"material"`
	Advised *float64   `json:"advised"`
	Unit    string     `json:"unit"`
	Given   *float64   `json:"given"`
	Done    []deedJSON `json:"done"`
}

type foundJSON struct {
	Name     string            `json:"name"`
	Unit     string            `json:"unit"`
	Before   Quantity          `json:"before"`
	Planned  Quantity          `json:"planned"`
	Expected *Quantity         `json:"expected"`
	Reading  *foundReadingJSON `json:"reading"`
	Off      *float64          `json:"off"`
	Days     float64           `json:"days"`
	Why      string            `json:"why"`
}

type foundReadingJSON struct {
	Number int64     `json:"number"`
	Time   time.Time `json:"time"`
	Value  float64   `json:"value"`
	U      float64   `json:"u"`
	Fate   string    `json:"fate"`
	Log    Quantity  `json:"log"`
}

type adviceJSON struct {
	Shown        []shownJSON      `json:"shown"`
	Version      string           `json:"version"`
	Head         string           `json:"head"`
	RestsOn      int64            `json:"rests_on"`
	Outcome      string           `json:"outcome"`
	Assumed      bool             `json:"assumed"`
	TitrateFirst []string         `json:"titrate_first"`
	Estimate     []valueJSON      `json:"estimate"`
	Steps        []adviceStepJSON `json:"steps"`
	Found        []foundJSON      `json:"found"`
}

type valueJSON struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	U     float64 `json:"u"`
	Unit  string  `json:"unit"`
}

// AdviceJSON writes what was advised, done and found as one JSON object.
func AdviceJSON(w io.Writer, in AdviceInput) error {
	out := struct {
		Bath   string       `json:"bath"`
		Advice []adviceJSON `json:"advice"`
		Head   string       `json:"head"`
	}{in.Bath, []adviceJSON{}, in.Head}
	for _, e := range in.Entries {
		j := adviceJSON{Version: e.Version, Head: e.Head, RestsOn: in.Numbers[e.Head], Outcome: string(e.Outcome), Assumed: assumed(e), TitrateFirst: list(e.ReadFirst),
			Shown: []shownJSON{}, Estimate: []valueJSON{}, Steps: []adviceStepJSON{}, Found: []foundJSON{}}
		for _, s := range e.Times {
			j.Shown = append(j.Shown, shownJSON{s.ID.String(), s.At.UTC(), s.Entered.UTC(), s.By})
		}
		for _, v := range e.Before {
			j.Estimate = append(j.Estimate, valueJSON{v.Name, v.Value, v.U, string(v.Unit)})
		}
		for _, s := range e.Steps {
			x := adviceStepJSON{What: string(chem.KindAdd), Subject: s.Material, Unit: string(s.Unit), Given: orNull(s.Given), Done: []deedJSON{}}
			if s.Bail {
				x.What = string(chem.KindBail)
			}
			if s.Advised {
				x.Advised = orNull(s.Amount.Amount)
			}
			for _, d := range s.Deeds {
				x.Done = append(x.Done, deedJSON{d.Fact.Number, d.Fact.ID.String(), d.Fact.Time.UTC(), d.Amount, string(d.Unit), d.Lot, d.Named})
			}
			j.Steps = append(j.Steps, x)
		}
		for _, f := range e.Found {
			unit := string(f.Unit)
			x := foundJSON{Name: f.Name, Unit: unit, Before: Quantity{f.Before.Value, f.Before.U, unit}, Planned: Quantity{f.After.Value, f.After.U, unit}, Off: orNull(f.Off), Days: f.Days, Why: f.Why}
			if orNull(f.Expected) != nil {
				x.Expected = &Quantity{f.Expected, f.U, unit}
			}
			if r := f.Reading; r != nil {
				x.Reading = &foundReadingJSON{r.Fact.Number, r.Fact.Time.UTC(), r.Value, r.U, string(r.Fate), Quantity{r.Expected, r.UExpected, unit}}
			}
			j.Found = append(j.Found, x)
		}
		out.Advice = append(out.Advice, j)
	}
	return WriteJSON(w, out)
}

// assumed tells whether what was done is only taken for having been advised.
func assumed(e advice.Entry) bool { return e.Unwitting && !e.DoneAt.IsZero() }

// Advice writes what was advised, done and found for a terminal of 80 columns, the
// oldest first.
func Advice(w io.Writer, in AdviceInput) error {
	b := &strings.Builder{}
	count := fmt.Sprintf("%d times", in.Total)
	switch {
	case in.Total == 1:
		count = "once"
	case in.Total == 0:
		count = "never"
	case len(in.Entries) < in.Total:
		count = fmt.Sprintf("the last %d of %d times", len(in.Entries), in.Total)
	}
	titleLine(b, in.Bath, "what was advised", count)
	for i, e := range in.Entries {
		if i > 0 {
			b.WriteString("\n")
		}
		in.entry(b, e)
	}
	if in.Head != "" {
		fmt.Fprintf(b, "\nchain head %.16s…\n", in.Head)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func (in AdviceInput) entry(b *strings.Builder, e advice.Entry) {
	line := func(indent int, format string, args ...any) {
		pad := strings.Repeat(" ", indent)
		fmt.Fprintf(b, "%s%s\n", pad, wrap(breakWords(fmt.Sprintf(format, args...), width-indent-3), width-indent-3, pad+"   "))
	}
	stamp := func(t time.Time) string { return t.In(in.Zone).Format("Mon 2 Jan 2006 15:04") }
	first, last := e.Times[0], e.Times[len(e.Times)-1]
	who := "to " + clip(Plain(first.By), 20)
	if n := len(e.Times); n > 1 {
		who += fmt.Sprintf(", shown %d times, the last %s", n, stamp(last.At))
	}
	line(0, "%s %s", stamp(first.At), who)
	line(3, "%s", outcomeWords(e))
	rests := "rests on nothing that this log has"
	if n := in.Numbers[e.Head]; n > 0 {
		rests = fmt.Sprintf("rests on the facts up to %d", n)
	}
	line(3, "%s, by version %s", rests, Plain(e.Version))
	if len(e.ReadFirst) > 0 {
		line(3, "read first: %s", Plain(strings.Join(e.ReadFirst, ", ")))
	}
	for _, s := range e.Steps {
		line(3, "%s", in.stepWords(s))
	}
	for _, f := range e.Found {
		in.found(line, f, stamp, !e.DoneAt.IsZero())
	}
}

func outcomeWords(e advice.Entry) string {
	if e.Outcome == advice.Otherwise {
		return "carried out, in other amounts" + assumedWords(e)
	}
	if e.Outcome == advice.AsAdvised || e.Outcome == advice.InPart {
		return "carried out " + string(e.Outcome) + assumedWords(e)
	}
	if e.Outcome == advice.Open {
		return "not carried out yet"
	}
	return string(e.Outcome)
}

func assumedWords(e advice.Entry) string {
	if assumed(e) {
		return ", as it seems"
	}
	return ""
}

func (in AdviceInput) stepWords(s advice.Step) string {
	what := "of " + Plain(s.Material)
	if s.Bail {
		what = "bailed out"
	}
	words := "not advised: "
	if s.Advised {
		words = fmt.Sprintf("%s %s: ", exactAmount(in.Units, s.Amount.Amount, s.Unit), what)
	}
	if len(s.Deeds) == 0 {
		return words + "nothing"
	}
	for i, d := range s.Deeds {
		if i > 0 {
			words += "; "
		}
		words += exactAmount(in.Units, d.Amount, d.Unit)
		if !s.Advised {
			words += " " + what
		}
		words += fmt.Sprintf("%s on %s (fact %d)", lotWords(d.Lot), d.Fact.Time.In(in.Zone).Format("2 Jan 15:04"), d.Fact.Number)
	}
	return words
}

func (in AdviceInput) found(line func(int, string, ...any), f advice.Found, stamp func(time.Time) string, done bool) {
	u := in.Units
	line(3, "%s was %s, planned %s", Plain(f.Name), u.plusMinus(f.Before.Value, f.Before.U, f.Unit), u.plusMinus(f.After.Value, f.After.U, f.Unit))
	if orNull(f.Expected) != nil && math.Abs(f.Expected-f.After.Value) > f.U/10 {
		line(6, "as weighed it would be %s", u.plusMinus(f.Expected, f.U, f.Unit))
	}
	if f.Reading == nil {
		if done {
			line(6, "%s", f.Why)
		}
		return
	}
	r := f.Reading
	words := fmt.Sprintf("read %s on %s, %.1f days later", u.plusMinus(r.Value, r.U, f.Unit), stamp(r.Fact.Time), f.Days)
	switch {
	case orNull(f.Off) != nil:
		words += fmt.Sprintf(": %+.1f standard uncertainties", f.Off)
	case f.InterruptingBy > 0:
		words += fmt.Sprintf("; %s (fact %d)", f.Why, f.InterruptingBy)
	default:
		words += "; " + f.Why
	}
	if r.Fate != "used" && r.Fate != "" {
		words += fmt.Sprintf("; the reading was %s", r.Fate)
	}
	line(6, "%s", words)
	line(6, "the log led to %s by then", u.plusMinus(r.Expected, r.UExpected, f.Unit))
}

// NumbersOf maps the hashes of a chain to the numbers of its facts.
func NumbersOf(rows []journal.Row) map[string]int64 {
	out := make(map[string]int64, len(rows))
	for _, r := range rows {
		out[r.Hash] = r.Number
	}
	return out
}
