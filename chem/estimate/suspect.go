package estimate

import (
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/google/uuid"
)

// rateChange is a rate that left what the log led to, which no single reading
// need show.
type rateChange int

const (
	anodesLess rateChange = iota // soluble anodes dissolve less than they did: metal falls, acid rises
	anodesMore
	leakBegins // bath goes where nobody looks, and water takes its place
	leakEnds
	rateChanges
)

// Page's cumulative sum of innovations (E. S. Page, Continuous inspection
// schemes, Biometrika 41, 1954; from memory): allowance and limit in standard
// deviations, and the most that one reading may add. They only choose when to
// look; what decides is preferRate, how much more likely (log) the readings must
// be with the rate opened. Chosen on simulated baths (tunedSeed of the tests).
const (
	pageAllowance = 0.3
	pageLimit     = 3
	pageMost      = 2.5
	preferRate    = 1.5
)

// How far, as a standard deviation, a rate is opened: assumptions of this project,
// about what a fault that matters does.
const (
	anodeDrift = 0.15  // anode efficiency, all of it is 1
	leakDrift  = 0.004 // of the bath, a day
)

// suspicion sums up how far readings lie on one side, from a first reading on.
type suspicion struct {
	sum   float64
	began *round // of the first of them
	since *round // before it
}

func (c rateChange) words() explanation {
	switch c {
	case leakBegins:
		return bathLeaks
	case leakEnds:
		return leakMended
	}
	return anodesChanged
}

// side is the sign that a change gives the innovations of o; 0 where it says
// nothing of it.
func (r *run) side(c rateChange, o observation) float64 {
	l := r.l
	switch c {
	case anodesLess, anodesMore:
		sign := 1.0
		if c == anodesMore {
			sign = -1
		}
		switch {
		case !r.soluble() || l.metal < 0 || l.acid < 0 || o.subj.con < 0:
		case o.subj.con == l.metal:
			return -sign
		case o.subj.con == l.acid:
			return sign
		}
	case leakBegins, leakEnds:
		sign := -1.0
		if c == leakEnds {
			sign = 1
			if r.s.sd(l.leak) == 0 {
				return 0
			}
		}
		switch i := o.subj.con; {
		case i < 0 && o.subj.at == l.volume:
			return sign
		case i >= 0 && (i == l.metal || i == l.acid || i == l.chloride):
			return sign
		}
	}
	return 0
}

// suspect adds reading i, before it is learned from, to what is suspected, and
// opens the rate whose change the readings have made likely: from the first of
// them on, everything after it is taken once more.
func (r *run) suspect(i int, o observation) {
	off := math.Max(-pageMost, math.Min(pageMost, r.off(o)))
	for c := range rateChanges {
		side := r.side(c, o)
		if side == 0 {
			continue
		}
		s := &r.suspects[c]
		s.sum += side*off - pageAllowance
		if s.sum <= 0 {
			*s = suspicion{}
			continue
		}
		if s.since == nil {
			s.began, s.since = r.round, r.round
			if r.lastRound != nil {
				s.since = r.lastRound // what the first of them shows came about before it
			}
		}
		if s.sum > pageLimit && s.began != r.round && r.holds[o.subj.name] == nil && r.reopen(c, *s, i, o) {
			return
		}
	}
}

// reopen takes the readings since s began once more with the rate opened, and
// goes on from there where that makes them more likely by preferRate.
func (r *run) reopen(c rateChange, s suspicion, i int, o observation) bool {
	first := r.bath.Facts[s.since.index].ID
	verdict := r.status[first]
	r.status[first] = verdictOf{fate: verdict.fate, how: verdict.how, why: verdict.why, opened: verdict.opened | 1<<c}
	alt := s.since.before.clone()
	from := alt.loglik
	for k := s.since.index; k < i; k++ {
		alt.take(k)
	}
	f := r.bath.Facts[i]
	alt.advance(f.Time)
	now, ok := alt.observe(f)
	d := math.Min(math.Abs(o.value-o.expected), gate*math.Sqrt(r.variance(o)))
	unchanged := r.loglik - from + logNormal(d, r.variance(o))
	if !ok || alt.loglik-from+logNormal(now.value-now.expected, alt.variance(now)) < unchanged+preferRate {
		r.status[first] = verdict
		return false
	}
	for _, rd := range r.read {
		if slices.Contains(alt.taken, rd.Fact.ID) {
			r.flag("confirmed", rd.Subject, rd.Fact.Time, fmt.Sprintf("%s of %s was %s %s where the log led to %s, and the readings around it agree: %s",
				rd.Subject, rd.Fact.Time.Format(time.DateOnly), figure(rd.Value), rd.Unit, figure(rd.Expected), c.words()))
		}
	}
	r.goOn(alt, s.since.index)
	return true
}

// decide notes what became of a reading; a rate that was opened at it stays so.
func decide(status map[uuid.UUID]verdictOf, id uuid.UUID, v verdictOf) {
	v.opened = status[id].opened
	status[id] = v
}

// openRates opens the rates of the set.
func (r *run) openRates(set uint) {
	for c := range rateChanges {
		if set&(1<<c) == 0 {
			continue
		}
		t := r.s.newStep()
		t.as(causeChange)
		switch c {
		case anodesLess, anodesMore:
			t.shake(r.l.anode, anodeDrift)
		case leakBegins, leakEnds:
			t.shake(r.l.leak, leakDrift)
		}
		r.apply(t)
	}
}
