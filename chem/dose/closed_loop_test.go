package dose_test

import (
	"flag"
	"fmt"
	"math"
	"regexp"
	"runtime"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

var (
	loopBaths = flag.Int("baths", 100, "simulated baths in a group of BenchmarkClosedLoop")
	loopOnly  = flag.String("groups", "", "regular expression for the names of the groups that BenchmarkClosedLoop runs")
	loopSeeds = flag.Int("seeds", 2, "1: only the seed that figures were tuned on; 2: a fresh one too")
)

// Seeds: thresholds were chosen on the first, and never on the second.
const (
	loopTuned = 5
	loopFresh = 71
)

// BenchmarkClosedLoop prints how baths whose truth is known are kept for a year by
// a card on the wall, by better cards and by steadybath. It is no measurement of
// time: run it with -benchtime=1x. Flags of the test binary: -baths, -groups, -seeds.
func BenchmarkClosedLoop(b *testing.B) {
	only, err := regexp.Compile(*loopOnly)
	require.NoError(b, err)
	for b.Loop() {
		fmt.Printf("\n%d baths a group, a year each, judged after 4 weeks; seed %d (tuned), then %d (fresh)\n%s", *loopBaths, loopTuned, loopFresh, loopHead)
		var goals []string
		for _, g := range loopGroups() {
			if !only.MatchString(g.name) {
				continue
			}
			fmt.Println(g.name)
			var figures [2][]kept
			for i, seed := range []int{loopTuned, loopFresh}[:*loopSeeds] {
				figures[i] = g.keepAll(b, seed, *loopBaths)
			}
			for k, name := range keeperNames {
				row := fmt.Sprintf("  %-14s", name)
				for i := range *loopSeeds {
					row += figures[i][k].row(figures[i][0])
				}
				fmt.Println(row)
			}
			last := len(keeperNames) - 1
			for i := range *loopSeeds {
				fmt.Printf("  90 %% intervals before a round's readings, seed %d: inorganic %.1f %%, organic %.1f %%\n", []int{loopTuned, loopFresh}[i],
					100*figures[i][last].covered["inorganic"]/figures[i][last].asked["inorganic"], 100*figures[i][last].covered["organic"]/figures[i][last].asked["organic"])
				goals = append(goals, g.verdict(figures[i], i)...)
			}
		}
		fmt.Println("\nGoals, steadybath:")
		for _, line := range goals {
			fmt.Println(line)
		}
	}
}

const loopHead = `card           titrates all weekly, brings what is read more than 2 % low back to target
card, Faraday  the same every fourth week; metal by Faraday's law between (nothing for soluble anodes)
sensible card  titrates all weekly, doses below half-way to the limit, reads again before it bails
steadybath     dose.Make and dose.Schedule at the same weekly visits
in %    of the ampere-hours with every inorganic inside its window; worst: % of target outside
org %   the same of the organics; titr: titrations of inorganics a year; org r: readings of organics
added   inorganics put in, against the card; bail: bath thrown away, % a year
Left: tuned seed. Right: fresh seed.
                   in %  worst  org %  titr org r added  bail |   in %  worst  org %  titr org r added  bail |
`

func (k *kept) row(card kept) string {
	return fmt.Sprintf(" %6.2f %6.2f %6.1f %5.0f %5.0f %5.2f %5.1f |", 100*k.inside/k.ah, 100*math.Max(0, k.worst), 100*k.organic/k.ah,
		k.titrations/k.years, (k.readings-k.titrations)/k.years, k.salts/card.salts, 100*k.bailed/k.years)
}

// keepAll lets every keeper keep the group's baths, some at a time.
func (g loopGroup) keepAll(t tb, seed, baths int) []kept {
	all := make([][]kept, baths)
	var wg sync.WaitGroup
	next := make(chan int)
	for range runtime.GOMAXPROCS(0) {
		wg.Add(1)
		go func() {
			defer wg.Done()
			for i := range next {
				c := g.bath(t, seed, i, 365)
				for _, name := range keeperNames {
					all[i] = append(all[i], keep(t, name, c, nil))
				}
			}
		}()
	}
	for i := range baths {
		next <- i
	}
	close(next)
	wg.Wait()
	out := make([]kept, len(keeperNames))
	for _, of := range all {
		require.Len(t, of, len(keeperNames))
		for k := range out {
			out[k].plus(of[k])
		}
	}
	return out
}

// verdict says which goals of the group are met.
func (g loopGroup) verdict(of []kept, seed int) []string {
	k, card, sensible := of[len(of)-1], of[0], of[2]
	var out []string
	say := func(what string, value, goal float64, more bool) {
		if math.IsNaN(goal) {
			return
		}
		sign, met := "at most", value <= goal
		if more {
			sign, met = "at least", value >= goal
		}
		word := "met"
		if !met {
			word = "NOT met"
		}
		out = append(out, fmt.Sprintf("%-24s %-5s %-10s %6.2f, %-8s %6.2f: %s", g.name, []string{"tuned", "fresh"}[seed], what, value, sign, goal, word))
	}
	say("inside", 100*k.inside/k.ah, g.goal.inside, true)
	if g.change != nil {
		say("v sensible", 100*k.inside/k.ah, 100*sensible.inside/sensible.ah, true)
	}
	say("worst", 100*math.Max(0, k.worst), g.goal.worst, false)
	say("organics", 100*k.organic/k.ah, g.goal.organic, true)
	say("titrations", k.titrations/k.years, g.goal.titrations, false)
	say("added", k.salts/card.salts, g.goal.added, false)
	say("coverage", 100*k.covered["inorganic"]/k.asked["inorganic"], 86, true)
	say("coverage", 100*k.covered["inorganic"]/k.asked["inorganic"], 94, false)
	return out
}
