package forecast

import (
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"steadybath/chem/estimate"
)

// How a shop's weeks go: assumptions of this project, each worth so many weeks of
// its own log, which soon outweighs them.
const (
	idleAfterBusy = 0.15 // chance that nothing is plated in the week after one in which something was
	idleAfterIdle = 0.30 // the same in the week after one or two idle ones
	idleInGap     = 0.80 // the same in the week after three idle ones or more: a holiday, an illness
	weeksOfBelief = 4.0
	oldestWeek    = 104  // weeks, looked back at most
	halfLife      = 26.0 // weeks after which a week counts half for how much is plated
	weekJitter    = 0.25 // by which a week to come may differ from one that was, relative
)

// week is one week of the log: the ampere-hours of its runs by day, counted from
// the week's beginning.
type week struct {
	runs  []float64
	days  []int
	total float64
	age   float64 // weeks
	drawn float64 // L that readings took out
}

// Pattern is how a shop plates: how often, and how much.
type Pattern struct {
	busy   []week
	idle   [3][2]float64 // by what was before (busy, idle, gap): weeks that were busy, weeks that were idle
	drawn  [3][]float64  // L that readings took out in idle weeks, by what was before
	before int           // what the weeks up to now are
	days   float64       // looked back at
}

// learn reads the pattern from the charge that passed up to the estimate.
func learn(e *estimate.Estimate) Pattern {
	p := Pattern{}
	passed := e.Passed()
	if len(passed) == 0 {
		return p
	}
	// What was before the first run was a bath being set up.
	first := passed[0].At
	n := min(int(e.At.Sub(first).Hours()/24/7)+1, oldestWeek)
	if n > 2 && n < oldestWeek {
		n-- // the oldest week began before the log did, and only seems a slow one
	}
	p.days = float64(n) * 7
	weeks := make([]week, n)
	for _, c := range passed {
		ago := e.At.Sub(c.At).Hours() / 24
		k := int(ago / 7)
		if k < 0 || k >= n || c.Ah <= 0 {
			continue
		}
		w := &weeks[k]
		w.runs = append(w.runs, c.Ah)
		w.days = append(w.days, 6-int(ago-7*float64(k)))
		w.total += c.Ah
		w.age = float64(k)
	}
	for _, x := range e.Sampled() {
		if k := int(e.At.Sub(x.At).Hours() / 24 / 7); k >= 0 && k < n {
			weeks[k].drawn += x.Litres
		}
	}
	state := 0
	idle := 0
	for k := n - 1; k >= 0; k-- {
		busy := weeks[k].total > 0
		if k < n-1 { // of what came before the oldest nothing is known
			if busy {
				p.idle[state][0]++
			} else {
				p.idle[state][1]++
				p.drawn[state] = append(p.drawn[state], weeks[k].drawn)
			}
		}
		if busy {
			p.busy = append(p.busy, weeks[k])
			idle = 0
		} else {
			idle++
		}
		state = stateOf(idle)
	}
	p.before = state
	return p
}

// stateOf is what came before a week, by the idle weeks up to it.
func stateOf(idle int) int {
	switch {
	case idle == 0:
		return 0
	case idle < 3:
		return 1
	}
	return 2
}

// run is plating on a day to come, counted from now.
type run struct {
	day int
	ah  float64
}

// draw draws the shop's runs of the days to come, and the litres a day that its
// readings take out, by week.
func (p Pattern) draw(days int, rng *rand.Rand) (out []run, drawn []float64) {
	if len(p.busy) == 0 {
		return nil, make([]float64, days/7+1)
	}
	var chance [3]float64
	for s, prior := range [3]float64{idleAfterBusy, idleAfterIdle, idleInGap} {
		chance[s] = distuv.Beta{Alpha: prior*weeksOfBelief + p.idle[s][1], Beta: (1-prior)*weeksOfBelief + p.idle[s][0], Src: rng}.Rand()
	}
	// How much: the bootstrap's Bayesian form (Rubin 1981, from memory) weighs the
	// weeks that were anew for every future; few of them say less.
	weights := make([]float64, len(p.busy))
	total := 0.0
	for i, w := range p.busy {
		weights[i] = distuv.Gamma{Alpha: math.Exp2(-w.age / halfLife), Beta: 1, Src: rng}.Rand()
		total += weights[i]
	}
	few := math.Exp(rng.NormFloat64() * 0.5 / float64(len(p.busy)+1))
	idle := []int{0, 1, 3}[p.before]
	for begin := 0; begin < days; begin += 7 {
		if state := stateOf(idle); rng.Float64() < chance[state] {
			idle++
			drawn = append(drawn, p.whileIdle(state, rng)/7)
			continue
		}
		idle = 0
		x, at := rng.Float64()*total, 0
		for at < len(weights)-1 && x >= weights[at] {
			x -= weights[at]
			at++
		}
		w := p.busy[at]
		drawn = append(drawn, w.drawn/7)
		scale := few * math.Exp(weekJitter*rng.NormFloat64()-weekJitter*weekJitter/2)
		for i, ah := range w.runs {
			if day := begin + w.days[i]; day < days {
				out = append(out, run{day, ah * scale})
			}
		}
	}
	slices.SortStableFunc(out, func(a, b run) int { return a.day - b.day })
	return out, drawn
}

// whileIdle draws what readings take out in a week without plating: as in such
// weeks of the log; where it has none, as in a busy one, and nothing in a gap.
func (p Pattern) whileIdle(state int, rng *rand.Rand) float64 {
	switch n := len(p.drawn[state]); {
	case n > 0:
		return p.drawn[state][rng.IntN(n)]
	case state == 2:
		return 0
	}
	return p.busy[rng.IntN(len(p.busy))].drawn
}

// withJobs adds planned plating to the runs.
func withJobs(runs []run, jobs []Job, at time.Time) []run {
	for _, j := range jobs {
		if day := int(j.At.Sub(at).Hours() / 24); day >= 0 {
			runs = append(runs, run{day, j.Ah})
		}
	}
	slices.SortStableFunc(runs, func(a, b run) int { return a.day - b.day })
	return runs
}
