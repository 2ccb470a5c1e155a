package estimate

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"sort"
	"strings"
	"time"

	"steadybath/chem"
	"steadybath/chem/filter"
)

// The causes that only the metal's book knows.
const (
	causeEmptied cause = "emptied out for a new filling"
	causeHung    cause = "anodes hung"
	causeTopped  cause = "baskets topped up"
	causePulled  cause = "anodes pulled"
	causeSludge  cause = "sludge"
)

// The accounts of the metal.
const (
	InAnodes = "anodes"
	InBath   = "bath"
	OnParts  = "parts"
	Out      = "out" // everywhere else: what left, less what came
)

// The readings that correct an account, beside those of a constituent, by its
// name, and of the volume.
const (
	ByWeighing = "weighed anodes"
	ByGain     = "weighed parts"
	ByOthers   = "other readings"
)

// unweighedPlace is where the metal of anodes comes from whose mass nobody has
// logged; in the answer it is part of Out.
const unweighedPlace = "unweighed"

// Sum is an amount of metal in g with its standard uncertainty.
type Sum struct{ Value, U float64 }

// Account says what was in one place and what is, in g: Opening + In - Out +
// Corrected is Closing.
type Account struct {
	Name      string
	Opening   Sum
	In, Out   Sum // as posted
	Corrected Sum // by readings
	Closing   Sum
}

// Posting is metal that went from one account to another, in g, as the log had it
// when it happened: by the rates that were believed then. What went without a word
// in the log has only what readings found.
type Posting struct {
	From, To string
	Cause    string
	Posted   Sum
	Now      Sum  // given all that was read since, up to the closing
	Unlogged bool // no fact says so: readings do
}

// Correction is what one sort of reading changed in an account, in g. U is how far
// such readings change it where everything is as the log says.
type Correction struct {
	Account  string
	Readings string
	Sum
}

// Ledger is the metal's book between two moments. Every gram is in one account.
type Ledger struct {
	Bath        *Bath
	From, To    time.Time
	Beginning   bool   // From is where the bath begins: its filling is the opening balance
	Metal, Acid string // the constituents; no acid, no name
	Weighed     bool   // an anode of known mass hung at some time
	Accounts    []Account
	Postings    []Posting    // each with an amount that is not nothing
	Corrections []Correction // largest beside its uncertainty first
	Open        Sum          // what anodes, bath and parts hold beyond what the log accounts for
	Uncounted   []Reading    // of the metal, the acid, the volume or an anode, since From: held or dropped
	Gains       []Flag       // weight gains since From that the charge cannot explain, and that are not counted
}

// flow is metal that moves for one cause into, or with a minus out of, a place.
type flow struct {
	place string
	why   cause
}

// book adds up, beside a run's state and as a part of it, what moves the metal:
// sums have covariances with the amounts, so that readings correct them too. It
// follows the run and changes nothing in it.
type book struct {
	r     *run
	parts int // place of what is on parts; after it what is out, and then the flows
	flows []flow
	at    map[flow]int // place
	gram  float64      // amount of the metal, in its own unit, per g
	first bool         // what is opened now is what nobody had known

	moved  map[string][]float64 // by readings: what they corrected of each sum, then of bath and anodes
	spread map[string]filter.Sym
}

// sums is how many sums the book keeps in the state.
func (b *book) sums() int { return 2 + len(b.flows) }

// newBook lists what can move the metal of a bath.
func newBook(bath *Bath) *book {
	b := &book{at: map[flow]int{}, moved: map[string][]float64{}, spread: map[string]filter.Sym{}}
	add := func(place string, causes ...cause) {
		for _, c := range causes {
			if !slices.Contains(b.flows, flow{place, c}) {
				b.flows = append(b.flows, flow{place, c})
			}
		}
	}
	add(InBath, causeAnodes, causeAir, causeParts, causeDragOut, causeLeak, causeBail, causeSample, causeFill, causeEmptied, causeChange, causeEdge, causeRest)
	add(InAnodes, causeAnodes, causeAir, causeHung, causeTopped, causePulled, causeChange, causeEdge, causeRest)
	add(unweighedPlace, causeAnodes, causeAir)
	for _, d := range bath.recipes {
		metal, _ := d.recipe.WithRole(chem.RoleMetal)
		for _, m := range d.recipe.Materials {
			if m.Brings[metal.Name] != 0 {
				add(InBath, causeAdd(m.Name))
			}
		}
	}
	return b
}

// started is a run that keeps the book from the bath's beginning.
func (b *book) started(bath *Bath) *run {
	r := bath.startRoom(b.sums(), nil)
	b.r, b.parts = r, r.l.fixed-b.sums()
	for i, f := range b.flows {
		b.at[f] = b.parts + 2 + i
	}
	b.gram = r.l.perMol[r.l.metal] / r.l.cons[r.l.metal].MolarMass
	r.s.book = b
	return r
}

// entry is what a change at one place of the state does to a sum.
type entry struct {
	at int
	by float64
}

// entries returns which sums a change at place i belongs to: that of its cause,
// and what is out or on parts, since whatever one account gains another loses.
func (b *book) entries(i int, why cause) (list [2]entry, n int) {
	l := b.r.l
	out := b.parts + 1
	switch {
	case i == l.metal:
		at, ok := b.at[flow{InBath, b.named(why)}]
		if !ok {
			at = b.at[flow{InBath, causeRest}]
		}
		if why == causeParts {
			return [2]entry{{at, 1}, {b.parts, -1}}, 2
		}
		return [2]entry{{at, 1}, {out, -1}}, 2
	case i >= l.fixed && b.r.soluble() && b.anode(i):
		at, ok := b.at[flow{InAnodes, why}]
		if !ok {
			at = b.at[flow{InAnodes, causeRest}]
		}
		return [2]entry{{at, 1000 * b.gram}, {out, -1000 * b.gram}}, 2
	}
	return list, 0
}

func (b *book) named(why cause) cause {
	if why == causeChange && b.first { // no change: a first reading corrects a guess
		return causeRest
	}
	return why
}

func (b *book) anode(place int) bool {
	return slices.ContainsFunc(b.r.hung, func(h hungAnode) bool { return h.at == place })
}

func (b *book) move(t *step, i int, by float64) {
	list, n := b.entries(i, t.state.why)
	for _, e := range list[:n] {
		t.dx[e.at] += by * e.by
	}
}

func (b *book) slope(t *step, row, col int, d float64) {
	list, n := b.entries(row, t.state.why)
	for _, e := range list[:n] {
		t.jac = append(t.jac, filter.Entry{Row: e.at, Col: col, Value: d * e.by})
	}
}

func (b *book) stir(t *step, source, at int, by float64) {
	list, n := b.entries(at, t.state.why)
	for _, e := range list[:n] {
		t.noise[source].terms = append(t.noise[source].terms, term{e.at, by * e.by})
	}
}

// unweighed adds up what the anodes dissolve whose mass nobody has logged: the
// part of mol, with its derivatives and noise, that is not the weighed ones' share
// of sum.
func (b *book) unweighed(t *step, mol, sum float64, by, noise []term) {
	r := b.r
	at := b.at[flow{unweighedPlace, t.state.why}]
	known := 0.0
	for _, h := range r.hung {
		if h.at >= 0 && sum >= 1e-6 {
			known += r.weight(h) / sum
		}
	}
	per := r.l.perMol[r.l.metal] * (1 - known)
	if known >= 1 {
		return
	}
	t.dx[at] += mol * per
	for _, d := range by {
		t.jac = append(t.jac, filter.Entry{Row: at, Col: d.at, Value: d.by * per})
	}
	for _, d := range noise {
		t.noise[d.at].terms = append(t.noise[d.at].terms, term{at, d.by * per})
	}
	for _, h := range r.hung {
		if h.at >= 0 && sum >= 1e-6 {
			t.jac = append(t.jac, filter.Entry{Row: at, Col: h.off, Value: -mol * per / sum})
		}
	}
}

// instead is what a weighed anode dissolves, kg, and those that nobody weighed
// do not, or the other way round.
func (b *book) instead(t *step, source int, kg float64) {
	for _, h := range b.r.hung {
		if h.at < 0 {
			at := b.at[flow{unweighedPlace, t.state.why}]
			t.noise[source].terms = append(t.noise[source].terms, term{at, kg * 1000 * b.gram})
			return
		}
	}
}

// poured posts that all of place i came (sign 1) or goes (-1).
func (b *book) poured(i int, why cause, sign float64) {
	s := b.r.s
	list, n := b.entries(i, why)
	if i < 0 || n == 0 {
		return
	}
	t := s.newStep()
	for _, e := range list[:n] {
		t.dx[e.at] += sign * e.by * s.x(i)
		t.jac = append(t.jac, filter.Entry{Row: e.at, Col: i, Value: sign * e.by})
	}
	s.apply(t)
}

// floor posts what keeps place i from falling below nothing.
func (b *book) floor(i int, by float64) {
	list, n := b.entries(i, causeEdge)
	for _, e := range list[:n] {
		b.r.s.X[e.at] += by * e.by
	}
}

// learned notes what a correction with innovation nu, of that variance, did to
// each sum.
func (b *book) learned(readings string, nu, variance float64) {
	if !(variance > 0) {
		return
	}
	s := b.r.s
	switch {
	case strings.HasPrefix(readings, subjectOf("")):
		readings = ByWeighing
	case !slices.Contains([]string{b.r.l.cons[b.r.l.metal].Name, "volume", ByGain}, readings):
		if b.r.l.acid < 0 || readings != b.r.l.cons[b.r.l.acid].Name {
			readings = ByOthers
		}
	}
	n := b.sums() + 2
	gain := make([]float64, n)
	copy(gain, s.Gain()[b.parts:b.parts+b.sums()])
	gain[n-2] = s.Gain()[b.r.l.metal]
	if b.r.soluble() {
		for _, h := range b.r.hung {
			if h.at >= 0 {
				gain[n-1] += s.Gain()[h.at] * 1000 * b.gram
			}
		}
	}
	if b.moved[readings] == nil {
		b.moved[readings], b.spread[readings] = make([]float64, n), filter.NewSym(n)
	}
	moved, spread := b.moved[readings], b.spread[readings]
	for i, g := range gain {
		moved[i] += g * nu
		for j := range i + 1 {
			spread.Add(i, j, g*gain[j]*variance)
		}
	}
}

// open begins the flows anew; whole also what is on parts and out.
func (b *book) open(whole bool) {
	from := b.parts + 2
	if whole {
		from = b.parts
	}
	for i := from; i < b.parts+b.sums(); i++ {
		b.r.s.set(i, 0, 0)
	}
	clear(b.moved)
	clear(b.spread)
}

// mix is a sum of sums: by place of the state, and, where they were counted as
// the log had them, without what readings corrected.
type mix struct {
	sums   []entry // as they are now
	posted []entry // less what was corrected of these
}

// of is the mix of one flow.
func (b *book) of(place string, why cause, by float64) mix {
	e := []entry{{b.at[flow{place, why}], by}}
	if why == causeChange {
		return mix{sums: e}
	}
	return mix{e, e}
}

func (m mix) and(o mix, by float64) mix {
	out := mix{slices.Clone(m.sums), slices.Clone(m.posted)}
	for _, e := range o.sums {
		out.sums = append(out.sums, entry{e.at, by * e.by})
	}
	for _, e := range o.posted {
		out.posted = append(out.posted, entry{e.at, by * e.by})
	}
	return out
}

// now is what a mix comes to with all that was read, in g.
func (b *book) now(list []entry) Sum {
	var out Sum
	variance := 0.0
	for _, e := range list {
		out.Value += e.by * b.r.s.x(e.at)
		for _, f := range list {
			variance += e.by * f.by * b.r.s.p(e.at, f.at)
		}
	}
	return Sum{out.Value / b.gram, math.Sqrt(math.Max(0, variance)) / b.gram}
}

// corrected is what the named readings corrected of a sum of sums, in g. Places
// are those of the state, or -2 and -1 for bath and anodes.
func (b *book) corrected(readings string, list []entry) Sum {
	moved, spread := b.moved[readings], b.spread[readings]
	place := func(at int) int {
		if at < 0 {
			return len(moved) + at
		}
		return at - b.parts
	}
	var out Sum
	variance := 0.0
	for _, e := range list {
		out.Value += e.by * moved[place(e.at)]
		for _, f := range list {
			variance += e.by * f.by * spread.At(place(e.at), place(f.at))
		}
	}
	return Sum{out.Value / b.gram, math.Sqrt(math.Max(0, variance)) / b.gram}
}

func (b *book) allCorrected(list []entry) Sum {
	var out Sum
	for _, name := range slices.Sorted(maps.Keys(b.moved)) {
		c := b.corrected(name, list)
		out.Value, out.U = out.Value+c.Value, math.Hypot(out.U, c.U)
	}
	return out
}

// posted is what a mix came to as the log had it. Its error is what is still
// unsure and what was corrected, and the two have nothing to do with each other.
func (b *book) posted(m mix) Sum {
	now, c := b.now(m.sums), b.allCorrected(m.posted)
	out := Sum{now.Value - c.Value, math.Hypot(now.U, c.U)}
	if math.Abs(out.Value) < least && out.U < least {
		return Sum{} // rounding: nothing was posted
	}
	return out
}

// anodesNow is what the anodes of known mass weigh, in g.
func (b *book) anodesNow() Sum {
	var list []entry
	for _, h := range b.r.hung {
		if h.at >= 0 && b.r.soluble() {
			list = append(list, entry{h.at, 1000 * b.gram})
		}
	}
	return b.now(list)
}

func (b *book) balance(account string) Sum {
	switch account {
	case InAnodes:
		return b.anodesNow()
	case InBath:
		return b.now([]entry{{b.r.l.metal, 1}})
	case OnParts:
		return b.now([]entry{{b.parts, 1}})
	}
	return b.now([]entry{{b.parts + 1, 1}})
}

// line is a posting before it is counted.
type line struct {
	from, to string
	why      string
	mix      mix
}

// lines lists what can go from one account to another.
func (b *book) lines() []line {
	none := mix{}
	byAnodes := func(why cause) mix { return b.of(InBath, why, 1).and(b.of(unweighedPlace, why, 1), -1) }
	lost := b.of(InAnodes, causeAnodes, -1).and(b.of(InAnodes, causeAir, -1), 1)
	sludge := lost.and(byAnodes(causeAnodes), -1).and(byAnodes(causeAir), -1)
	out := []line{
		{InAnodes, InBath, "dissolved by current", byAnodes(causeAnodes)},
		{InAnodes, InBath, "dissolved by air", byAnodes(causeAir)},
		{InAnodes, Out, string(causeSludge), sludge},
		{InAnodes, Out, string(causePulled), b.of(InAnodes, causePulled, -1)},
		{InBath, OnParts, string(causeParts), b.of(InBath, causeParts, -1)},
		{Out, InAnodes, string(causeHung), b.of(InAnodes, causeHung, 1)},
		{Out, InAnodes, string(causeTopped), b.of(InAnodes, causeTopped, 1)},
		{Out, InBath, "anodes that nobody weighed, by current", none.and(b.of(unweighedPlace, causeAnodes, 1), 1)},
		{Out, InBath, "anodes that nobody weighed, by air", none.and(b.of(unweighedPlace, causeAir, 1), 1)},
		{Out, InBath, string(causeFill), b.of(InBath, causeFill, 1)},
		{InBath, Out, string(causeEmptied), b.of(InBath, causeEmptied, -1)},
	}
	for _, f := range b.flows[slices.Index(b.flows, flow{unweighedPlace, causeAir})+1:] { // the materials
		out = append(out, line{Out, InBath, string(f.why), b.of(InBath, f.why, 1)})
	}
	for _, why := range []cause{causeDragOut, causeBail, causeSample, causeLeak} {
		out = append(out, line{InBath, Out, string(why), b.of(InBath, why, -1)})
	}
	for _, f := range []flow{{InBath, causeChange}, {InAnodes, causeChange}, {InBath, causeEdge}, {InAnodes, causeEdge},
		{InBath, causeRest}, {InAnodes, causeRest}} {
		out = append(out, line{Out, f.place, string(f.why), b.of(f.place, f.why, 1)})
	}
	return out
}

// least is what counts as nothing, in g.
const least = 1e-9

// Ledger keeps the metal's book between two moments. Facts of the moment from are
// in the opening balance, those of the moment to in the closing one; a zero from
// is the bath's beginning. It fails where from or to lies before the bath's beginning,
// or to before from. A recipe always has the metal that is plated.
func (b *Bath) Ledger(from, to time.Time) (*Ledger, error) {
	switch {
	case !from.IsZero() && from.Before(b.Began):
		return nil, fmt.Errorf("bath %s begins on %s, after %s", b.Name, b.Began.Format(time.DateOnly), from.Format(time.DateOnly))
	case to.Before(b.Began):
		return nil, fmt.Errorf("bath %s begins on %s, after %s", b.Name, b.Began.Format(time.DateOnly), to.Format(time.DateOnly))
	case from.After(to):
		return nil, fmt.Errorf("the books cannot close on %s before they open on %s", to.Format(time.DateOnly), from.Format(time.DateOnly))
	}
	whole := b.start()
	whole.through(0, to)

	k := newBook(b)
	r := k.started(b)
	r.replay, r.status = true, whole.status
	out := &Ledger{Bath: b, From: from, To: to, Metal: r.l.cons[r.l.metal].Name}
	if r.l.acid >= 0 {
		out.Acid = r.l.cons[r.l.acid].Name
	}
	first := b.firstFilling()
	opening := map[string]Sum{}
	opened := false
	open := func(beginning bool) {
		opened = true
		if beginning {
			out.From, out.Beginning = r.now, true
		}
		k.open(beginning)
		for _, a := range []string{InAnodes, InBath, OnParts, Out} {
			opening[a] = k.balance(a)
		}
		if beginning {
			opening[OnParts], opening[Out] = Sum{}, Sum{}
		}
	}
	if from.IsZero() && first < 0 {
		open(true)
	}
	for i, f := range b.Facts {
		if f.Time.After(to) {
			break
		}
		if !opened && i > first && f.Time.After(from) && !from.IsZero() {
			r.advance(from)
			open(false)
		}
		r.take(i)
		if i == first && !from.After(f.Time) {
			open(true)
		} else if i == first {
			k.open(true)
		}
	}
	if !opened {
		r.advance(maxTime(from, r.now))
		open(from.IsZero())
	}
	r.advance(to)
	k.close(out, opening)
	e := whole.answer(to)
	for _, rd := range e.Readings {
		of := rd.Subject == out.Metal || rd.Subject == out.Acid || rd.Subject == "volume" || strings.HasPrefix(rd.Subject, subjectOf(""))
		if of && (rd.Fate == Held || rd.Fate == Dropped) && !rd.Fact.Time.Before(out.From) {
			out.Uncounted = append(out.Uncounted, rd)
		}
	}
	for _, f := range e.Flags {
		if f.Kind == "gain" && !f.Time.Before(out.From) {
			out.Gains = append(out.Gains, f)
		}
	}
	return out, nil
}

func maxTime(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// firstFilling is the index of the filling that a bath begins with, -1 where it
// begins with something else.
func (b *Bath) firstFilling() int {
	for i, f := range b.Facts {
		switch f.Body.(type) {
		case chem.Fill:
			return i
		case chem.Level, chem.Hang, chem.Weigh, chem.Pull: // nothing of what is in the bath
			continue
		}
		if happens(f.Kind()) {
			break
		}
	}
	return -1
}

// close counts what was posted since the opening.
func (k *book) close(out *Ledger, opening map[string]Sum) {
	ins, outs := map[string]mix{}, map[string]mix{}
	for _, l := range k.lines() {
		p := Posting{From: l.from, To: l.to, Cause: l.why, Posted: k.posted(l.mix), Now: k.now(l.mix.sums), Unlogged: len(l.mix.posted) == 0}
		if p.Posted.Value < 0 {
			p.From, p.To = p.To, p.From
			p.Posted.Value, p.Now.Value = -p.Posted.Value, -p.Now.Value
			l.mix = mix{}.and(l.mix, -1)
		}
		ins[p.To], outs[p.From] = ins[p.To].and(l.mix, 1), outs[p.From].and(l.mix, 1)
		if p.Posted.Value > least || p.Unlogged && p.Posted.U > least {
			out.Postings = append(out.Postings, p)
		}
	}
	// What a reading changed of an account is no correction where it is posted as
	// a change without a word.
	inBath, inAnodes := []entry{{k.at[flow{InBath, causeChange}], -1}}, []entry{{k.at[flow{InAnodes, causeChange}], -1}}
	back := func(list []entry) (out []entry) {
		for _, e := range list {
			out = append(out, entry{e.at, -e.by})
		}
		return out
	}
	counted := map[string][]entry{
		InAnodes: append([]entry{{-1, 1}}, inAnodes...),
		InBath:   append([]entry{{-2, 1}}, inBath...),
		OnParts:  {{k.parts, 1}},
		Out:      append(append([]entry{{k.parts + 1, 1}}, back(inBath)...), back(inAnodes)...),
	}
	for _, name := range []string{InAnodes, InBath, OnParts, Out} {
		a := Account{Name: name, Opening: opening[name], In: k.posted(ins[name]), Out: k.posted(outs[name]), Corrected: k.allCorrected(counted[name]), Closing: k.balance(name)}
		out.Accounts = append(out.Accounts, a)
		for readings := range k.moved {
			c := Correction{name, readings, k.corrected(readings, counted[name])}
			if name != Out && c.U > least {
				out.Corrections = append(out.Corrections, c)
			}
		}
	}
	sort.Slice(out.Corrections, func(i, j int) bool {
		a, b := out.Corrections[i], out.Corrections[j]
		if x, y := math.Abs(a.Value/a.U), math.Abs(b.Value/b.U); x != y {
			return x > y
		}
		return a.Account+a.Readings < b.Account+b.Readings
	})
	inside := slices.Concat(counted[InAnodes], counted[InBath], counted[OnParts])
	found := k.now(back(slices.Concat(inBath, inAnodes)))
	c := k.allCorrected(inside)
	out.Open = Sum{c.Value + found.Value, math.Hypot(c.U, found.U)}
	out.Weighed = out.Accounts[0].Opening.Value > 0 || out.Accounts[0].In.Value > 0
}
