package reports

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"sort"
	"strings"
	"time"

	"steadybath/chem/estimate"
)

type accountJSON struct {
	Name      string   `json:"name"`
	Opening   Quantity `json:"opening"`
	In        Quantity `json:"in"`
	Out       Quantity `json:"out"`
	Corrected Quantity `json:"corrected"`
	Closing   Quantity `json:"closing"`
}

type postingJSON struct {
	From     string   `json:"from"`
	To       string   `json:"to"`
	Cause    string   `json:"cause"`
	Value    float64  `json:"value"`
	U        float64  `json:"u"`
	Unit     string   `json:"unit"`
	Now      Quantity `json:"now"`
	Unlogged bool     `json:"unlogged"`
}

type correctionJSON struct {
	Account  string  `json:"account"`
	Readings string  `json:"readings"`
	Value    float64 `json:"value"`
	U        float64 `json:"u"`
	Unit     string  `json:"unit"`
}

type uncountedJSON struct {
	Subject string    `json:"subject"`
	Time    time.Time `json:"time"`
	Why     string    `json:"why"`
}

type ledgerJSON struct {
	Bath        string           `json:"bath"`
	From        time.Time        `json:"from"`
	To          time.Time        `json:"to"`
	Metal       string           `json:"metal"`
	Accounts    []accountJSON    `json:"accounts"`
	Postings    []postingJSON    `json:"postings"`
	Corrections []correctionJSON `json:"corrections"`
	Open        Quantity         `json:"open"`
	Uncounted   []uncountedJSON  `json:"uncounted"`
	Head        string           `json:"head"`
}

// LedgerJSON writes the metal's book as one JSON object. In each account opening
// + in - out + corrected is closing.
func LedgerJSON(w io.Writer, l *estimate.Ledger, head string) error {
	g := func(s estimate.Sum) Quantity { return Quantity{s.Value, s.U, "g"} }
	out := ledgerJSON{Bath: l.Bath.Name, From: l.From.UTC(), To: l.To.UTC(), Metal: l.Metal, Open: g(l.Open), Head: head,
		Accounts: []accountJSON{}, Postings: []postingJSON{}, Corrections: []correctionJSON{}, Uncounted: []uncountedJSON{}}
	for _, a := range l.Accounts {
		out.Accounts = append(out.Accounts, accountJSON{a.Name, g(a.Opening), g(a.In), g(a.Out), g(a.Corrected), g(a.Closing)})
	}
	for _, p := range l.Postings {
		out.Postings = append(out.Postings, postingJSON{p.From, p.To, p.Cause, p.Posted.Value, p.Posted.U, "g", g(p.Now), p.Unlogged})
	}
	for _, c := range l.Corrections {
		out.Corrections = append(out.Corrections, correctionJSON{c.Account, c.Readings, c.Value, c.U, "g"})
	}
	for _, r := range l.Uncounted {
		out.Uncounted = append(out.Uncounted, uncountedJSON{r.Subject, r.Fact.Time.UTC(), string(r.Fate)})
	}
	for _, f := range l.Gains {
		out.Uncounted = append(out.Uncounted, uncountedJSON{f.Subject, f.Time.UTC(), f.Why})
	}
	return WriteJSON(w, out)
}

// Ledger writes the metal's book as text for a terminal of 80 columns.
func Ledger(w io.Writer, l *estimate.Ledger, zone *time.Location, u Units, head string) error {
	b := &strings.Builder{}
	titleLine(b, l.Bath.Name, "where the "+l.Metal+" went", l.From.In(zone).Format("2 Jan 2006 15:04")+" to "+l.To.In(zone).Format("2 Jan 2006 15:04 MST"))
	for _, digits := range []int{2, 1, 0} { // of an uncertainty, fewer where the lines would not fit
		table := &strings.Builder{}
		if err := writeTable(table, u.accounts(l, digits)); err != nil {
			return err
		}
		if digits == 0 || widest(table.String()) <= width {
			b.WriteString(table.String())
			break
		}
	}
	u.postings(b, l)
	if !l.Weighed && l.Bath.Recipe(l.To).Anodes != "inert" {
		fmt.Fprintf(b, "\n%s\n", wrap("no anode was hung with its mass, so what they lose comes from elsewhere; steadybath anode hang NAME MASS opens their account", width, ""))
	}
	u.unclosed(b, l, zone)
	fmt.Fprintf(b, "chain head %.16s…\n", head)
	_, err := io.WriteString(w, b.String())
	return err
}

// accounts is the table of accounts, cells ended by tabs.
func (u Units) accounts(l *estimate.Ledger, digits int) string {
	t := &strings.Builder{}
	fmt.Fprintf(t, "%s\topening\tcame in\twent out\tby readings\tclosing\t\n", second(u.Show(0, "g")))
	show := func(s estimate.Sum) string { return u.plain(s, "%.*f", digits) }
	for _, a := range l.Accounts {
		if a.Name == estimate.Out {
			fmt.Fprintf(t, "%s\t\t%s\t%s\t\t\t\n", accountWords(a.Name), show(a.In), show(a.Out))
			continue
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t\n", accountWords(a.Name), show(a.Opening), show(a.In), show(a.Out), u.plain(a.Corrected, "%+.*f", digits), show(a.Closing))
	}
	return t.String()
}

func widest(text string) int {
	most := 0
	for line := range strings.Lines(text) {
		most = max(most, len([]rune(strings.TrimRight(line, " \n"))))
	}
	return most
}

// postings lists what went from each account to each other.
func (u Units) postings(b *strings.Builder, l *estimate.Ledger) {
	const row = "  %-44s %16s %16s\n"
	last := ""
	var list []estimate.Posting
	first := map[string]int{} // a posting that went the other way round joins its like
	for i, p := range l.Postings {
		if _, ok := first[p.From+p.To]; !ok {
			first[p.From+p.To] = i
		}
		if !p.Unlogged {
			list = append(list, p)
		}
	}
	sort.SliceStable(list, func(i, j int) bool { return first[list[i].From+list[i].To] < first[list[j].From+list[j].To] })
	for _, p := range list {
		if last == "" {
			fmt.Fprintf(b, "\n"+row, "", "by the log", "as read since")
		}
		if pair := accountWords(p.From) + " to " + accountWords(p.To); pair != last {
			fmt.Fprintf(b, "%s\n", pair)
			last = pair
		}
		fmt.Fprintf(b, row, cut(p.Cause, 44), u.grams(p.Posted), u.grams(p.Now))
	}
	if last == "" {
		b.WriteString("\nnothing was posted between the accounts\n")
	}
}

// cut shortens text to n runes.
func cut(text string, n int) string {
	r := []rune(Plain(text))
	if len(r) <= n {
		return string(r)
	}
	return string(r[:n-1]) + "…"
}

// usual is how many standard uncertainties chance alone is taken to do, and odd
// from how many on something else is looked for: assumptions of this project.
const (
	usual = 2
	odd   = 3
)

// unclosed says what readings found beside the log, and what that may mean.
func (u Units) unclosed(b *strings.Builder, l *estimate.Ledger, zone *time.Location) {
	b.WriteString("\nwhat does not close\n")
	way := "more than"
	if l.Open.Value < 0 {
		way = "less than"
	}
	much := estimate.Sum{Value: math.Abs(l.Open.Value), U: l.Open.U}
	unit := string(second(u.Show(0, "g")))
	if l.Open.U > 0 {
		off := much.Value / much.U
		words := "no more than chance does"
		switch {
		case off > odd:
			words = "not by chance"
		case off > usual:
			words = "more than chance does as a rule"
		}
		fmt.Fprintf(b, "  %s\n", wrap(fmt.Sprintf("anodes, bath and parts hold %s %s %s the log accounts for: %.1f standard uncertainties, %s",
			u.grams(much), unit, way, off, words), width-2, "  "))
	} else {
		b.WriteString("  nothing: no reading has corrected the log\n")
	}
	for _, p := range l.Postings {
		if p.Unlogged && math.Abs(p.Now.Value) > p.Now.U/2 {
			fmt.Fprintf(b, "  %-44s %16s %16s\n", cut(accountWords(p.From)+" to "+accountWords(p.To)+", "+p.Cause, 44), u.grams(p.Now), times(p.Now))
		}
	}
	for _, c := range observing(l) {
		if c.U > 0 {
			fmt.Fprintf(b, "  %-44s %16s %16s\n", cut(accountWords(c.Account)+", by "+readingWords(c.Readings), 44), u.signed(c.Sum), times(c.Sum))
		}
	}
	for _, line := range meaning(l) {
		fmt.Fprintf(b, "  ! %s\n", wrap(line, width-4, "    "))
	}
	for _, f := range l.Gains {
		fmt.Fprintf(b, "  ! %s\n", wrap(fmt.Sprintf("%s, on %s: %s", Plain(cmp.Or(f.Subject, "a part")), f.Time.In(zone).Format("2 Jan 2006"), u.Words(f.Why)), width-4, "    "))
	}
	for _, r := range l.Uncounted {
		fate := "waits for a second and"
		if r.Fate == estimate.Dropped {
			fate = "was not believed and"
		}
		fmt.Fprintf(b, "  %s\n", wrap(fmt.Sprintf("the reading of %s of %s (%s) %s is not counted", Plain(r.Subject), r.Fact.Time.In(zone).Format("2 Jan 2006"), u.amount(r.Value, r.Unit), fate), width-2, "  "))
	}
}

// observing returns the corrections by readings that look at the account itself,
// by account: what one account tells about another is left to the JSON.
func observing(l *estimate.Ledger) []estimate.Correction {
	var out []estimate.Correction
	for _, a := range l.Accounts {
		for _, c := range l.Corrections {
			of := c.Readings
			switch of {
			case estimate.ByWeighing:
				of = estimate.InAnodes
			case estimate.ByGain:
				of = estimate.OnParts
			case l.Metal, "volume", l.Acid:
				of = estimate.InBath
			}
			if c.Account == a.Name && of == a.Name {
				out = append(out, c)
			}
		}
	}
	return out
}

func accountWords(name string) string {
	if name == estimate.Out {
		return "elsewhere"
	}
	return name
}

func readingWords(readings string) string {
	switch readings {
	case estimate.ByWeighing, estimate.ByGain, estimate.ByOthers:
		return readings
	case "volume":
		return "levels"
	}
	return "readings of " + Plain(readings)
}

// meaning says what may be behind that which chance does not explain.
func meaning(l *estimate.Ledger) []string {
	var out []string
	for _, p := range l.Postings {
		if !p.Unlogged || !(p.Now.Value > odd*p.Now.U) {
			continue
		}
		switch {
		case p.To == estimate.InBath:
			out = append(out, "metal came into the bath without a word: perhaps an addition that nobody wrote down")
		case p.From == estimate.InBath:
			out = append(out, "metal left the bath without a word: perhaps a spill, a leak, or bath bailed out that nobody wrote down")
		case p.To == estimate.InAnodes:
			out = append(out, "an anode became heavier without a word: perhaps it was weighed wet or with salt on it, or a basket was topped up")
		default:
			out = append(out, "an anode became lighter without a word: perhaps pieces fell off, or charge passed that nobody wrote down")
		}
	}
	for _, c := range observing(l) {
		if !(math.Abs(c.Value) > odd*c.U) {
			continue
		}
		more := c.Value > 0
		switch {
		case c.Account == estimate.InBath && more:
			out = append(out, "readings keep finding more metal in the bath than the log has: perhaps an addition without a word, a level read too high, or a titrant weaker than its label")
		case c.Account == estimate.InBath:
			out = append(out, "readings keep finding less metal in the bath than the log has: perhaps more drag-out than thought, a level read too low, or a titrant stronger than its label")
		case c.Account == estimate.InAnodes && more:
			out = append(out, "the anodes weigh more than the log has: perhaps weighed wet or with salt on them, or less charge passed than was written down")
		case c.Account == estimate.InAnodes:
			out = append(out, "the anodes weigh less than the log has: perhaps pieces in the bag, or charge passed that nobody wrote down")
		case more:
			out = append(out, "weighed parts gained more than their charge deposits: perhaps not weighed dry, or a meter that shows too little")
		default:
			out = append(out, "weighed parts gained less than their charge deposits: perhaps a meter that shows too much, or current that went past them")
		}
	}
	return out
}

// grams writes value ± u, the unit being in the heading.
func (u Units) grams(s estimate.Sum) string { return u.column(s, "%.*f") }

func (u Units) signed(s estimate.Sum) string { return u.column(s, "%+.*f") }

// column fits an amount into a column of 16.
func (u Units) column(s estimate.Sum, format string) string {
	if out := u.plain(s, format, 2); len([]rune(out)) <= 16 {
		return out
	}
	return u.plain(s, format, 1)
}

// plain writes an amount with so many figures of its uncertainty.
func (u Units) plain(s estimate.Sum, format string, digits int) string {
	const dust = 1e-4 // g, and no scale of a shop weighs it
	if math.Abs(s.Value) < dust && s.U < dust {
		return "0"
	}
	v, spread := s.Value*u.scale("g"), s.U*u.scale("g")
	if s.U < dust {
		return fmt.Sprintf(format, 2, v)
	}
	p := max(0, places(spread)+digits-2)
	if math.Abs(v) < 0.5*math.Pow(10, -float64(p)) {
		v = 0
	}
	return fmt.Sprintf(format+" ± %.*f", p, v, p, spread)
}

// times says how many standard uncertainties an amount is.
func times(s estimate.Sum) string {
	if !(s.U > 0) {
		return ""
	}
	return fmt.Sprintf("%.1f u", math.Abs(s.Value)/s.U)
}
