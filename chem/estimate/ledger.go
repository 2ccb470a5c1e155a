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

// book adds up, beside a run's state, what moves the metal: sums have covariances
// with the amounts, so that readings correct them too. It follows the run and
// changes nothing in it.
//
// With C the covariance of state and sums, S that of the sums, F the step's
// transition, G what it does to the sums and P the state's covariance, a step makes
// S + G·C + C'·G' + G·P·G' of S and F·(C + P·G') of C; a correction with row h,
// gain K and innovation variance v makes S - C'·h·h'·C/v of S and C - K·h'·C of C.
// Only what a step names is touched, and a sum that has always been certain has no
// column.
type book struct {
	r     *run
	flows []flow
	at    map[flow]int // sum
	gram  float64      // amount of the metal, in its own unit, per g
	first bool         // what is opened now is what nobody had known

	x      []float64 // sums
	column []int     // of each sum in c, -1 where it has none
	used   int       // columns
	c      []float64 // a row of len(x) numbers for each place of the state
	half   []float64 // S is half and its mirror image added up, len(x) squared

	jac   []filter.Entry // of the step: column, place
	noise []stirred
	count int // of noise in use

	found map[string]*finding // by readings
	kinds map[string]*finding // by subject, the same ones

	fed [2]memo // where the last changes of bath and anodes were posted

	opened  bool
	opening map[string]Sum
	from    time.Time
	whole   bool // from the bath's beginning

	rows, old, ch, gain []float64
	slot, changed       []int
}

// memo is the sum that changes of a cause belong to.
type memo struct {
	why   cause
	first bool
	sum   int
}

// stirred is how far one standard deviation of a source moves columns.
type stirred struct {
	source int
	terms  []term
}

// finding is what readings of one sort corrected: of each column, and last of bath
// and anodes.
type finding struct {
	moved  []float64
	spread []float64 // square
}

// What was on parts and out before the books opened, and after them the flows.
const (
	partsBefore = iota
	outBefore
	flowsFrom
)

// newBook lists what can move the metal of a bath.
func newBook(bath *Bath) *book {
	b := &book{at: map[flow]int{}, found: map[string]*finding{}, kinds: map[string]*finding{}, opening: map[string]Sum{}}
	add := func(place string, causes ...cause) {
		for _, c := range causes {
			f := flow{place, c}
			if _, ok := b.at[f]; !ok {
				b.at[f] = flowsFrom + len(b.flows)
				b.flows = append(b.flows, f)
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
	k := flowsFrom + len(b.flows)
	b.x, b.column, b.half = make([]float64, k), make([]int, k), make([]float64, k*k)
	for i := range b.column {
		b.column[i] = -1
	}
	return b
}

// follow makes the book that of a run which begins.
func (b *book) follow(r *run) {
	b.r = r
	b.gram = r.l.perMol[r.l.metal] / r.l.cons[r.l.metal].MolarMass
	b.c = make([]float64, len(r.s.X)*len(b.x))
	r.s.book = b
}

// clone is a copy that shares nothing that changes, for a run that stands where
// b's does.
func (b *book) clone(r *run) *book {
	c := *b
	c.r = r
	c.x, c.column, c.c, c.half = slices.Clone(b.x), slices.Clone(b.column), slices.Clone(b.c), slices.Clone(b.half)
	c.jac, c.noise, c.count, c.rows, c.old, c.ch, c.gain, c.slot, c.changed = nil, nil, 0, nil, nil, nil, nil, nil, nil
	c.opening = maps.Clone(b.opening)
	c.found, c.kinds = make(map[string]*finding, len(b.found)), map[string]*finding{}
	for name, f := range b.found {
		c.found[name] = &finding{slices.Clone(f.moved), slices.Clone(f.spread)}
	}
	return &c
}

// entry is a sum and how often it counts.
type entry struct {
	at int
	by float64
}

// posts returns which sum a change at place i of the state belongs to, and how
// much of it a unit there is.
func (b *book) posts(i int, why cause) (sum int, by float64, ok bool) {
	l := b.r.l
	switch {
	case i == l.metal:
		return b.sumOf(0, InBath, why), 1, true
	case i >= l.fixed && b.r.soluble() && b.anode(i):
		return b.sumOf(1, InAnodes, why), 1000 * b.gram, true
	}
	return 0, 0, false
}

func (b *book) sumOf(which int, place string, why cause) int {
	m := &b.fed[which]
	if m.sum > 0 && m.why == why && m.first == b.first {
		return m.sum
	}
	named := why
	if which == 0 && why == causeChange && b.first { // no change: a first reading corrects a guess
		named = causeRest
	}
	sum, ok := b.at[flow{place, named}]
	if !ok {
		sum = b.at[flow{place, causeRest}]
	}
	*m = memo{why, b.first, sum}
	return sum
}

func (b *book) anode(place int) bool {
	for i := range b.r.hung {
		if b.r.hung[i].at == place {
			return true
		}
	}
	return false
}

// columnOf is the column of a sum, which from here on is not certain.
func (b *book) columnOf(sum int) int {
	if b.column[sum] < 0 {
		b.column[sum] = b.used
		b.used++
	}
	return b.column[sum]
}

// begin begins a step; the one before it is over.
func (b *book) begin() { b.jac, b.count = b.jac[:0], 0 }

func (b *book) move(i int, why cause, by float64) {
	if sum, per, ok := b.posts(i, why); ok {
		b.x[sum] += by * per
	}
}

func (b *book) slope(row, col int, why cause, d float64) {
	if sum, per, ok := b.posts(row, why); ok {
		b.derive(sum, col, d*per)
	}
}

func (b *book) derive(sum, col int, d float64) {
	at := b.columnOf(sum)
	for i := range b.jac {
		if e := &b.jac[i]; e.Row == at && e.Col == col {
			e.Value += d
			return
		}
	}
	b.jac = append(b.jac, filter.Entry{Row: at, Col: col, Value: d})
}

func (b *book) stir(source, at int, why cause, by float64) {
	if sum, per, ok := b.posts(at, why); ok {
		b.shake(source, sum, by*per)
	}
}

func (b *book) shake(source, sum int, by float64) {
	at := b.columnOf(sum)
	for i := b.count - 1; i >= 0; i-- {
		n := &b.noise[i]
		if n.source != source {
			continue
		}
		for k := range n.terms {
			if n.terms[k].at == at {
				n.terms[k].by += by
				return
			}
		}
		n.terms = append(n.terms, term{at, by})
		return
	}
	if b.count == len(b.noise) {
		b.noise = append(b.noise, stirred{})
	}
	n := &b.noise[b.count]
	n.source, n.terms = source, append(n.terms[:0], term{at, by})
	b.count++
}

// apply carries the covariances through a step, with the state as it is before it.
func (b *book) apply(jac []filter.Entry, noise []source) {
	b.derived()
	b.carry(jac)
	k := len(b.x)
	for _, n := range b.noise[:b.count] {
		for _, s := range n.terms {
			for _, o := range n.terms {
				b.half[s.at*k+o.at] += s.by * o.by / 2
			}
			for _, t := range noise[n.source].terms {
				b.c[t.at*k+s.at] += t.by * s.by
			}
		}
	}
	b.begin()
}

// derived adds what the step's derivatives of the sums make.
func (b *book) derived() {
	if len(b.jac) == 0 {
		return
	}
	k, p := len(b.x), b.r.s.P
	n := p.N()
	b.slot, b.changed = room(b.slot, k), b.changed[:0]
	b.rows = zeros(b.rows, k*n)
	for _, e := range b.jac {
		if b.slot[e.Row] == 0 {
			b.changed = append(b.changed, e.Row)
			b.slot[e.Row] = len(b.changed)
		}
		at := b.slot[e.Row] - 1
		plus(b.rows[at*n:(at+1)*n], e.Value, p.Row(e.Col)) // G·P
		plus(b.half[e.Row*k:e.Row*k+b.used], e.Value, b.c[e.Col*k:e.Col*k+b.used])
	}
	for at, col := range b.changed {
		row, half := b.rows[at*n:(at+1)*n], b.half[col*k:(col+1)*k]
		for _, e := range b.jac {
			half[e.Row] += e.Value * row[e.Col] / 2
		}
		for i, v := range row {
			b.c[i*k+col] += v
		}
	}
}

// carry makes F·C of C, with F = I + jac.
func (b *book) carry(jac []filter.Entry) {
	k, used, p := len(b.x), b.used, b.r.s.P
	n := p.N()
	b.slot, b.old = room(b.slot, n), b.old[:0]
	row := func(i int) []float64 { return b.c[i*k : i*k+used] }
	for _, e := range jac {
		if b.slot[e.Row] == 0 {
			b.old = append(b.old, row(e.Row)...)
			b.slot[e.Row] = len(b.old) / max(used, 1)
		}
	}
	if used == 0 {
		return
	}
	for _, e := range jac {
		from := row(e.Col)
		if at := b.slot[e.Col]; at > 0 {
			from = b.old[(at-1)*used : at*used]
		}
		plus(row(e.Row), e.Value, from)
	}
}

// plus adds f·x to y.
func plus(y []float64, f float64, x []float64) {
	x = x[:len(y)]
	for len(y) >= 4 && len(x) >= 4 {
		y[0] += f * x[0]
		y[1] += f * x[1]
		y[2] += f * x[2]
		y[3] += f * x[3]
		y, x = y[4:], x[4:]
	}
	for i := range y {
		y[i] += f * x[i]
	}
}

func room(a []int, n int) []int {
	if cap(a) < n {
		return make([]int, n, n+8)
	}
	a = a[:n]
	clear(a)
	return a
}

// grow, drop and forget do to the book what happens to places of the state.
func (b *book) grow() { b.c = append(b.c, make([]float64, len(b.x))...) }

func (b *book) drop(place int) {
	k := len(b.x)
	b.c = slices.Delete(b.c, place*k, (place+1)*k)
}

func (b *book) forget(place int) {
	k := len(b.x)
	clear(b.c[place*k : (place+1)*k])
}

// unweighed adds up what the anodes dissolve whose mass nobody has logged: the
// part of mol, with its derivatives and noise, that is not the weighed ones' share
// of sum.
func (b *book) unweighed(why cause, mol, sum float64, by, noise []term) {
	r := b.r
	known := 0.0
	for _, h := range r.hung {
		if h.at >= 0 && sum >= 1e-6 {
			known += r.weight(h) / sum
		}
	}
	if known >= 1 {
		return
	}
	at := b.at[flow{unweighedPlace, why}]
	per := r.l.perMol[r.l.metal] * (1 - known)
	b.x[at] += mol * per
	for _, d := range by {
		b.derive(at, d.at, d.by*per)
	}
	for _, d := range noise {
		b.shake(d.at, at, d.by*per)
	}
	for _, h := range r.hung {
		if h.at >= 0 && sum >= 1e-6 {
			b.derive(at, h.off, -mol*r.l.perMol[r.l.metal]*(1-known)/sum)
		}
	}
}

// instead is what a weighed anode dissolves, kg, and those that nobody weighed
// do not, or the other way round.
func (b *book) instead(why cause, source int, kg float64) {
	for _, h := range b.r.hung {
		if h.at < 0 {
			b.shake(source, b.at[flow{unweighedPlace, why}], kg*1000*b.gram)
			return
		}
	}
}

// poured posts that all of place i came (sign 1) or goes (-1).
func (b *book) poured(i int, why cause, sign float64) {
	if i < 0 {
		return
	}
	if sum, per, ok := b.posts(i, why); ok {
		b.begin()
		b.x[sum] += sign * per * b.r.s.x(i)
		b.derive(sum, i, sign*per)
		b.apply(nil, nil)
	}
}

// floor posts what keeps place i from falling below nothing.
func (b *book) floor(i int, by float64) { b.move(i, causeEdge, by) }

// kind is what readings of the subject found.
func (b *book) kind(subject string) *finding {
	if f := b.kinds[subject]; f != nil {
		return f
	}
	readings := subject
	switch {
	case strings.HasPrefix(readings, subjectOf("")):
		readings = ByWeighing
	case !slices.Contains([]string{b.r.l.cons[b.r.l.metal].Name, "volume", ByGain}, readings):
		if b.r.l.acid < 0 || readings != b.r.l.cons[b.r.l.acid].Name {
			readings = ByOthers
		}
	}
	f := b.found[readings]
	if f == nil {
		n := len(b.x) + 2
		f = &finding{make([]float64, n), make([]float64, n*n)}
		b.found[readings] = f
	}
	b.kinds[subject] = f
	return f
}

// learned corrects the sums with what the state has just been corrected with, and
// notes what that did to each: innovation nu, of that variance, of what h reads.
func (b *book) learned(subject string, nu, variance float64, h []term) {
	if !(variance > 0) {
		return
	}
	s, k, used := b.r.s, len(b.x), b.used
	n := k + 2
	b.ch, b.gain = zeros(b.ch, n), zeros(b.gain, n)
	ch := b.ch[:used]
	for _, t := range h {
		plus(ch, t.by, b.c[t.at*k:t.at*k+used])
	}
	for i, v := range ch {
		b.gain[i] = v / variance
	}
	state := s.Gain()
	for j, g := range state {
		if g != 0 {
			plus(b.c[j*k:j*k+used], -g, ch)
		}
	}
	for sum, col := range b.column {
		if col >= 0 {
			b.x[sum] += b.gain[col] * nu
		}
	}
	for i, g := range b.gain[:used] {
		if g != 0 {
			plus(b.half[i*k:i*k+used], -g/2, ch)
		}
	}
	b.gain[n-2] = state[b.r.l.metal]
	if b.r.soluble() {
		for _, h := range b.r.hung {
			if h.at >= 0 {
				b.gain[n-1] += state[h.at] * 1000 * b.gram
			}
		}
	}
	f := b.kind(subject)
	plus(f.moved, nu, b.gain)
	for i, g := range b.gain {
		if g == 0 {
			continue
		}
		row := f.spread[i*n : (i+1)*n]
		plus(row[:used], g*variance, b.gain[:used])
		row[n-2] += g * b.gain[n-2] * variance
		row[n-1] += g * b.gain[n-1] * variance
	}
}

// open begins the flows anew; whole also what is on parts and out.
func (b *book) open(whole bool) {
	if whole {
		clear(b.x)
		clear(b.c)
		clear(b.half)
	} else {
		b.freeze(partsBefore, b.onParts())
		b.freeze(outBefore, b.outside())
		for sum := flowsFrom; sum < len(b.x); sum++ {
			b.begun(sum)
		}
	}
	clear(b.found)
	clear(b.kinds)
}

// freeze makes a sum what a list of sums comes to now, itself included.
func (b *book) freeze(sum int, list []entry) {
	k, col := len(b.x), b.columnOf(sum)
	v := 0.0
	row, places := make([]float64, k), make([]float64, len(b.r.s.X))
	for _, e := range list {
		v += e.by * b.x[e.at]
		at := b.column[e.at]
		if at < 0 {
			continue
		}
		for o := range b.used {
			row[o] += e.by * (b.half[at*k+o] + b.half[o*k+at])
		}
		for i := range places {
			places[i] += e.by * b.c[i*k+at]
		}
	}
	own := 0.0
	for _, e := range list {
		if at := b.column[e.at]; at >= 0 {
			own += e.by * row[at]
		}
	}
	b.begun(sum)
	b.x[sum] = v
	copy(b.half[col*k:(col+1)*k], row)
	b.half[col*k+col] = own / 2
	for i, v := range places {
		b.c[i*k+col] = v
	}
}

// begun begins a sum anew at nothing.
func (b *book) begun(sum int) {
	b.x[sum] = 0
	k, col := len(b.x), b.column[sum]
	if col < 0 {
		return
	}
	for o := range k {
		b.half[col*k+o], b.half[o*k+col] = 0, 0
	}
	for i := range b.r.s.X {
		b.c[i*k+col] = 0
	}
}

// onParts is what is on parts: what was, less what the bath has been posted to
// have got from them.
func (b *book) onParts() []entry {
	return []entry{{partsBefore, 1}, {b.at[flow{InBath, causeParts}], -1}}
}

// outside is what is out: whatever bath or anodes gained somebody else lost.
func (b *book) outside() []entry {
	list := []entry{{outBefore, 1}}
	for i, f := range b.flows {
		if f.place != unweighedPlace && f != (flow{InBath, causeParts}) {
			list = append(list, entry{flowsFrom + i, -1})
		}
	}
	return list
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
	variance, k := 0.0, len(b.x)
	for _, e := range list {
		out.Value += e.by * b.x[e.at]
		at := b.column[e.at]
		if at < 0 {
			continue
		}
		for _, f := range list {
			if o := b.column[f.at]; o >= 0 {
				variance += e.by * f.by * (b.half[at*k+o] + b.half[o*k+at])
			}
		}
	}
	return Sum{out.Value / b.gram, math.Sqrt(math.Max(0, variance)) / b.gram}
}

// stands is what places of the state come to, in g.
func (b *book) stands(list []term) Sum {
	v := 0.0
	for _, e := range list {
		v += e.by * b.r.s.x(e.at)
	}
	return Sum{v / b.gram, math.Sqrt(b.r.s.variance(list)) / b.gram}
}

// corrected is what the named readings corrected of a sum of sums, in g; -2 and -1
// are bath and anodes.
func (b *book) corrected(readings string, list []entry) Sum {
	f := b.found[readings]
	n := len(f.moved)
	var out Sum
	variance := 0.0
	for _, e := range list {
		i := b.place(e.at)
		if i < 0 {
			continue
		}
		out.Value += e.by * f.moved[i]
		for _, o := range list {
			if j := b.place(o.at); j >= 0 {
				variance += e.by * o.by * f.spread[i*n+j]
			}
		}
	}
	return Sum{out.Value / b.gram, math.Sqrt(math.Max(0, variance)) / b.gram}
}

// place is where a finding has a sum, or, with -2 and -1, bath and anodes.
func (b *book) place(sum int) int {
	if sum < 0 {
		return len(b.x) + 2 + sum
	}
	return b.column[sum]
}

func (b *book) allCorrected(list []entry) Sum {
	var out Sum
	for _, name := range slices.Sorted(maps.Keys(b.found)) {
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
	var list []term
	for _, h := range b.r.hung {
		if h.at >= 0 && b.r.soluble() {
			list = append(list, term{h.at, 1000 * b.gram})
		}
	}
	return b.stands(list)
}

func (b *book) balance(account string) Sum {
	switch account {
	case InAnodes:
		return b.anodesNow()
	case InBath:
		return b.stands([]term{{b.r.l.metal, 1}})
	case OnParts:
		return b.now(b.onParts())
	}
	return b.now(b.outside())
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
	r, k := b.keep(from, to)
	out := &Ledger{Bath: b, From: k.from, To: to, Beginning: k.whole, Metal: r.l.cons[r.l.metal].Name}
	if r.l.acid >= 0 {
		out.Acid = r.l.cons[r.l.acid].Name
	}
	k.close(out, k.opening)
	e := r.answer(to)
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

// kept is run and book before a fact.
type kept struct {
	index int
	run   *run
	book  *book
}

// keptEvery is how many facts lie between two moments to which the book can go
// back.
const keptEvery = 256

// keep takes all facts up to the moment to and keeps the book beside.
//
// A reading may show that the bath changed some time ago; the run then goes on from
// another one, which took the facts since that time once more without a book. The
// book goes back to before that time and follows as the readings have now been
// decided. Where the books open at a moment between facts, at which the run does
// not stop, or readings would be decided by when somebody opens books, the book
// follows from there on when all has been decided.
func (b *Bath) keep(from, to time.Time) (*run, *book) {
	k := newBook(b)
	r := b.start()
	k.follow(r)
	k.from = from
	first := b.firstFilling()
	if from.IsZero() && first < 0 {
		k.start(true)
	}
	var back []kept
	here := func(i int) {
		bare := r.bare()
		bare.replay = true
		back = append(back, kept{i, bare, k.clone(nil)})
	}
	follow := func(end int) *book {
		for back[len(back)-1].index > r.wentBack {
			back = back[:len(back)-1]
		}
		last := back[len(back)-1]
		again := last.run.clone()
		again.status = r.status
		k := last.book.clone(again)
		again.s.book = k
		for i := last.index; i < end; i++ {
			k.take(i, first)
		}
		return k
	}
	end, alone := 0, false
	wait := func() {
		here(end)
		r.s.book, r.wentBack, alone = nil, end, true
	}
	for ; end < len(b.Facts) && !b.Facts[end].Time.After(to); end++ {
		if !alone && k.opens(end, first) {
			wait()
		}
		if alone {
			r.take(end)
			continue
		}
		if end%keptEvery == 0 {
			here(end)
		}
		k.take(end, first)
		if r.s.book == nil {
			k = follow(end + 1)
			r.s, r.lots, r.hung, r.pulled = k.r.s, k.r.lots, k.r.hung, k.r.pulled // the same bath, and the book's places
			k.r = r
		}
	}
	if !alone && !k.opened {
		wait()
	}
	r.advance(to)
	if !alone {
		r.s.book = nil
		return r, k
	}
	k = follow(end)
	if !k.opened {
		k.r.advance(maxTime(from, k.r.now))
		k.start(from.IsZero())
	}
	k.r.advance(to)
	return r, k
}

// opens tells whether the books open before fact i.
func (b *book) opens(i, first int) bool {
	return !b.opened && i > first && b.r.bath.Facts[i].Time.After(b.from) && !b.from.IsZero()
}

// take takes fact i and opens the books where it is time.
func (b *book) take(i, first int) {
	r, f := b.r, b.r.bath.Facts[i]
	if b.opens(i, first) {
		r.advance(b.from)
		b.start(false)
	}
	r.take(i)
	switch {
	case r.s.book == nil || i != first:
	case !b.from.After(f.Time):
		b.start(true)
	default:
		b.open(true)
	}
}

// start opens the books now.
func (b *book) start(beginning bool) {
	b.opened = true
	if beginning {
		b.from, b.whole = b.r.now, true
	}
	b.open(beginning)
	for _, a := range []string{InAnodes, InBath, OnParts, Out} {
		b.opening[a] = b.balance(a)
	}
	if beginning {
		b.opening[OnParts], b.opening[Out] = Sum{}, Sum{}
	}
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
		if p.Posted.Value < -least { // less is rounding, and has no direction
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
		OnParts:  k.onParts(),
		Out:      slices.Concat(k.outside(), back(inBath), back(inAnodes)),
	}
	for _, name := range []string{InAnodes, InBath, OnParts, Out} {
		a := Account{Name: name, Opening: opening[name], In: k.posted(ins[name]), Out: k.posted(outs[name]), Corrected: k.allCorrected(counted[name]), Closing: k.balance(name)}
		out.Accounts = append(out.Accounts, a)
		for readings := range k.found {
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
