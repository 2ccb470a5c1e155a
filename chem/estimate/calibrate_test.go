package estimate

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/recipe"
	"steadybath/chem/simulate"
)

func shipped(t testing.TB) (*chem.Recipe, string) {
	t.Helper()
	text, ok := recipe.ShippedText("copper-electroforming")
	require.True(t, ok)
	r, err := recipe.Parse("copper-electroforming", text)
	require.NoError(t, err)
	return r, string(text)
}

var monday = time.Date(2025, 1, 6, 8, 0, 0, 0, time.UTC)

// burnIn is how long an estimate may learn before it is judged.
const burnIn = 56 * 24 * time.Hour

// tally is what one bath says about the estimate of one subject after burnIn:
// sums of squared errors, and how often the truth lay in the 90 % interval.
type tally struct {
	n                               int
	after, before, reading, carried float64
	inAfter, inBefore               int
}

// score gathers the tallies of a group of baths; clusters are baths, whose
// rounds share rates and lots.
type score struct {
	baths          []tally
	readings, held int // without those that a fault spoiled
}

func (s *score) sum() (t tally) {
	for _, b := range s.baths {
		t.n += b.n
		t.after, t.before, t.reading, t.carried = t.after+b.after, t.before+b.before, t.reading+b.reading, t.carried+b.carried
		t.inAfter, t.inBefore = t.inAfter+b.inAfter, t.inBefore+b.inBefore
	}
	return t
}

// cover is the share of intervals that hold the truth, in percent, with its
// standard error clustered by bath.
func (s *score) cover(in func(tally) int) (share, se float64) {
	t := s.sum()
	n, m := float64(t.n), float64(len(s.baths))
	share = float64(in(t)) / n
	for _, b := range s.baths {
		d := float64(in(b)) - share*float64(b.n)
		se += d * d
	}
	return 100 * share, 100 * math.Sqrt(se*m/(m-1)) / n
}

func (s *score) coverAfter() (share, se float64) {
	return s.cover(func(t tally) int { return t.inAfter })
}

func (s *score) coverBefore() (share, se float64) {
	return s.cover(func(t tally) int { return t.inBefore })
}

// gained is the error after a reading as a fraction of the reading's own, and
// kept that before it as a fraction of the last reading carried forward.
func (s *score) gained() float64 { t := s.sum(); return math.Sqrt(t.after / t.reading) }
func (s *score) kept() float64   { t := s.sum(); return math.Sqrt(t.before / t.carried) }

func (s *score) String() string {
	after, seAfter := s.coverAfter()
	before, seBefore := s.coverBefore()
	return fmt.Sprintf("%6d %6.2f %8.2f   %5.1f ±%3.1f   %5.1f ±%3.1f   %6.2f", s.sum().n, s.gained(), s.kept(), after, seAfter, before, seBefore,
		100*float64(s.held)/float64(max(1, s.readings)))
}

// follow walks through a simulated bath and compares estimate and truth around
// every reading after burnIn. spoiled readings, by id, are left out of the count
// of false alarms. It returns the estimate at the end.
func follow(t testing.TB, b *Bath, sim *simulate.Run, scores map[string]*score) *Estimate {
	t.Helper()
	spoiled := map[uuid.UUID]bool{}
	for _, e := range sim.Events {
		spoiled[e.ID] = true
	}
	mine := map[string]*tally{}
	last := map[string]float64{}
	r := b.start()
	for i, f := range b.Facts {
		subject, value, truth := readingOf(f, sim, r)
		if subject == "" || f.Time.Sub(b.Began) < burnIn {
			r.take(i)
			if subject != "" {
				last[f.Bath+subject+idOf(f)] = value
			}
			continue
		}
		if mine[subject] == nil {
			mine[subject] = &tally{}
		}
		s, key := mine[subject], f.Bath+subject+idOf(f)
		r.advance(f.Time)
		x, low, high := look(r, f)
		s.before += sq(x - truth)
		if low <= truth && truth <= high {
			s.inBefore++
		}
		r.take(i)
		x, low, high = look(r, f)
		s.after += sq(x - truth)
		if low <= truth && truth <= high {
			s.inAfter++
		}
		s.n++
		s.reading += sq(value - truth)
		s.carried += sq(last[key] - truth)
		last[key] = value
	}
	e := r.answer(r.now)
	for subject, m := range mine {
		if scores[subject] == nil {
			scores[subject] = &score{}
		}
		scores[subject].baths = append(scores[subject].baths, *m)
	}
	for _, rd := range e.Readings {
		s := scores[strings.SplitN(rd.Subject, " ", 2)[0]]
		if !strings.HasPrefix(rd.Subject, "anode ") {
			s = scores[rd.Subject]
		}
		if s == nil || spoiled[rd.Fact.ID] {
			continue
		}
		s.readings++
		if rd.Fate != Used {
			s.held++
		}
	}
	return e
}

// readingOf names the subject of a reading, what was read and what was true.
func readingOf(f chem.Fact, sim *simulate.Run, r *run) (subject string, value, truth float64) {
	switch b := f.Body.(type) {
	case chem.Assay:
		if i := r.constituent(b.Of); i >= 0 {
			c := r.l.cons[i]
			return c.Name, b.Value.Value(c.Unit), sim.At(f.Time).Conc(c.Name)
		}
	case chem.Panel:
		if i := r.constituent(b.Of); i >= 0 {
			c := r.l.cons[i]
			value := c.Target
			if b.Value.Given() {
				value = b.Value.Value(c.Unit)
			}
			return c.Name, value, sim.At(f.Time).Conc(c.Name)
		}
	case chem.Level:
		return "volume", b.Volume.Value("L"), sim.At(f.Time).Volume
	case chem.Weigh:
		if i := r.find(b.Anode); i >= 0 {
			return "anode", b.Mass.Value("kg"), sim.At(f.Time).Anodes[b.Anode]
		}
	}
	return "", 0, 0
}

func idOf(f chem.Fact) string {
	if w, ok := f.Body.(chem.Weigh); ok {
		return w.Anode
	}
	return ""
}

// look asks for the estimate of what fact f reads, with its interval.
func look(r *run, f chem.Fact) (x, low, high float64) {
	e := r.answer(r.now)
	switch b := f.Body.(type) {
	case chem.Assay:
		c := e.Constituents[r.constituent(b.Of)]
		return c.Value, c.Low90, c.High90
	case chem.Panel:
		c := e.Constituents[r.constituent(b.Of)]
		return c.Value, c.Low90, c.High90
	case chem.Level:
		return e.Volume, e.Low90V, e.High90V
	case chem.Weigh:
		a := e.Anodes[r.find(b.Anode)]
		return a.Mass, a.Mass - z90*a.U, a.Mass + z90*a.U
	}
	panic("not a reading")
}

func sq(x float64) float64 { return x * x }

// group is a kind of simulated bath.
type group struct {
	name string
	make func(r *chem.Recipe, days int, seed uint64) simulate.Config
}

func hobby(volume float64, change func(*simulate.Config)) func(*chem.Recipe, int, uint64) simulate.Config {
	return func(r *chem.Recipe, days int, seed uint64) simulate.Config {
		c := simulate.Hobby(r, volume, monday, days, seed)
		if change != nil {
			change(&c)
		}
		return c
	}
}

func withFault(f simulate.Fault) func(*simulate.Config) {
	return func(c *simulate.Config) {
		f.Day = 63 + int(c.Seed%70)
		c.Faults = []simulate.Fault{f}
	}
}

func groups() []group {
	fault := func(name string, f simulate.Fault) group { return group{name, hobby(60, withFault(f))} }
	return []group{
		{"20 L", hobby(20, nil)},
		{"60 L", hobby(60, nil)},
		{"200 L", hobby(200, nil)},
		{"400 L", hobby(400, nil)},
		{"priors off", hobby(60, func(c *simulate.Config) { c.PriorOff = 2 })},
		{"idle gaps", hobby(60, func(c *simulate.Config) { c.Away, c.PullAway = [][2]int{{70, 110}}, true })},
		{"by meter", hobby(60, func(c *simulate.Config) { c.ByMeter = true })},
		{"no fill", hobby(60, func(c *simulate.Config) { c.NoFill = true })},
		{"busy", hobby(60, func(c *simulate.Config) { c.AhPerWeek = 150 })},
		{"panels", hobby(60, func(c *simulate.Config) { c.Organics = simulate.OrganicPanel })},
		{"patterns", hobby(60, func(c *simulate.Config) { c.Organics = simulate.OrganicPattern })},
		// One lot without error and readings as coarse as the recipe says where a
		// titration states nothing.
		{"plain assays", func(r *chem.Recipe, days int, seed uint64) simulate.Config {
			bare := *r
			bare.Methods = nil
			c := simulate.Hobby(&bare, 60, monday, days, seed)
			c.LotU = 0
			return c
		}},
		fault("blunder", simulate.Fault{Kind: simulate.Blunder, Size: 1.08}),
		fault("unlogged", simulate.Fault{Kind: simulate.Unlogged}),
		fault("lost bath", simulate.Fault{Kind: simulate.Lost}),
		fault("wrong level", simulate.Fault{Kind: simulate.WrongLevel}),
		{"polarised", hobby(60, func(c *simulate.Config) {
			c.AhPerWeek = 100
			withFault(simulate.Fault{Kind: simulate.Polarised})(c)
		})},
		fault("leak", simulate.Fault{Kind: simulate.Leak}),
	}
}

func groupOf(t testing.TB, name string) group {
	for _, g := range groups() {
		if g.name == name {
			return g
		}
	}
	require.Fail(t, "no group "+name)
	return group{}
}

// simulated makes a bath of the group and opens it.
func (g group) simulated(t testing.TB, r *chem.Recipe, text string, days int, seed uint64) (*Bath, *simulate.Run) {
	t.Helper()
	c := g.make(r, days, seed)
	c.RecipeText = text
	sim, err := simulate.Make(c)
	require.NoError(t, err, "%s, seed %d", g.name, seed)
	b, err := Open(sim.Facts)
	require.NoError(t, err)
	return b, sim
}

func (g group) calibrate(t testing.TB, baths, days int, seed uint64, change func(*noises)) map[string]*score {
	t.Helper()
	r, text := shipped(t)
	scores := map[string]*score{}
	for k := range uint64(baths) {
		b, sim := g.simulated(t, r, text, days, seed+k)
		if change != nil {
			change(&b.noise)
		}
		follow(t, b, sim, scores)
	}
	return scores
}

// outside lists the coverages that cannot be between 86 and 94 %, the goal for
// every group: not within three of their standard errors, clustered by bath.
func outside(scores map[string]*score) []string {
	var out []string
	for _, subject := range []string{"copper", "sulfuric acid", "chloride", "brightener", "volume", "anode"} {
		s := scores[subject]
		for when, cover := range map[string]func() (float64, float64){"after": s.coverAfter, "before": s.coverBefore} {
			if share, se := cover(); share+3*se < 86 || share-3*se > 94 {
				out = append(out, fmt.Sprintf("%s %s a reading: %.1f ± %.1f %%", subject, when, share, se))
			}
		}
	}
	slices.Sort(out)
	return out
}

// A small part of the calibration: intervals hold the truth about as often as
// they say, errors are smaller than the readings', and few readings are held
// without cause.
func TestCalibration(t *testing.T) {
	for _, name := range []string{"20 L", "60 L", "priors off", "no fill", "plain assays"} {
		scores := groupOf(t, name).calibrate(t, smallGroup, 182, tunedSeed, nil)
		assert.Empty(t, outside(scores), name)
		readings, held := 0, 0
		for _, s := range scores {
			readings, held = readings+s.readings, held+s.held
		}
		assert.Less(t, float64(held)/float64(readings), 0.005, "%s: %d of %d readings held", name, held, readings)
		// Beside its own error a reading has that of its bottle, which no estimate
		// can average away; where readings state nothing the goals are those of an
		// estimate that can.
		most := map[string][2]float64{"copper": {1, 0.5}, "sulfuric acid": {0.8, 0.4}, "chloride": {0.6, 0.5}, "brightener": {0.6, 0.4}, "volume": {1.3, 0.3}}
		if name == "plain assays" {
			most = map[string][2]float64{"copper": {0.6, 0.4}, "sulfuric acid": {0.6, 0.3}, "chloride": {0.32, 0.3}, "brightener": {0.5, 0.4}, "volume": {1.3, 0.3}}
		}
		for subject, limit := range most {
			assert.Less(t, scores[subject].gained(), limit[0], "%s: %s after a reading", name, subject)
			assert.Less(t, scores[subject].kept(), limit[1], "%s: %s before a reading, against the last carried forward", name, subject)
		}
	}
}

const smallGroup = 16 // baths

// A filter that is wrong about its noises leaves the bounds that the right one
// keeps, or they would bound nothing.
func TestBrokenFiltersAreSeen(t *testing.T) {
	for name, broken := range map[string]func(*noises){
		"half the noise": func(n *noises) {
			for _, p := range []*float64{&n.runAnode, &n.runCathode, &n.runDrag, &n.runUse, &n.runChloride, &n.runAmmeter, &n.runShare,
				&n.dayDissolve, &n.dayEvaporate, &n.dayLoss, &n.walkAnode, &n.walkShare, &n.walkDissolve, &n.walkDrag, &n.walkUse,
				&n.walkEvaporate, &n.walkLoss, &n.walkCl, &n.amount} {
				*p /= 2
			}
		},
		"no lot bias":    func(n *noises) { n.lot = 0 },
		"constant rates": func(n *noises) { *n = noises{lot: 1} },
		"even evaporation": func(n *noises) {
			n.dayEvaporate, n.walkEvaporate = 0, 0
		},
		"twice the noise": func(n *noises) {
			n.dayEvaporate, n.walkEvaporate, n.runUse, n.dayDissolve, n.runAnode, n.runAmmeter, n.runShare = 2*n.dayEvaporate, 2*n.walkEvaporate, 2*n.runUse, 2*n.dayDissolve, 2*n.runAnode, 2*n.runAmmeter, 2*n.runShare
		},
	} {
		assert.NotEmpty(t, outside(groupOf(t, "60 L").calibrate(t, smallGroup, 182, tunedSeed, broken)), name)
	}
}

// What goes wrong without a word in the log is found: the spoiled reading is not
// used, and what changed is told within a month.
func TestFaultsAreFound(t *testing.T) {
	r, text := shipped(t)
	for name, found := range map[string]func(*Estimate, simulate.Event) bool{
		"blunder": func(e *Estimate, v simulate.Event) bool {
			return fates(e)[v.ID] == Dropped
		},
		// A level that is 4 % off is no more than three standard deviations from
		// what evaporation may have left; then the titrations after it are doubted.
		"wrong level": func(e *Estimate, v simulate.Event) bool {
			for _, rd := range e.Readings {
				if rd.Fate != Used && rd.Fact.Time.Sub(v.Time).Abs() < 12*time.Hour {
					return true
				}
			}
			return false
		},
		"unlogged": func(e *Estimate, v simulate.Event) bool { return confirmed(e, v, "copper") },
		"lost bath": func(e *Estimate, v simulate.Event) bool {
			return confirmed(e, v, "copper") || confirmed(e, v, "sulfuric acid")
		},
	} {
		n := 0
		for k := range uint64(smallGroup) {
			b, sim := groupOf(t, name).simulated(t, r, text, 182, tunedSeed+k)
			e, err := b.At(sim.Last().Time, Options{})
			require.NoError(t, err)
			require.Len(t, sim.Events, 1)
			if found(e, sim.Events[0]) {
				n++
			}
		}
		assert.GreaterOrEqual(t, n, smallGroup-2, name)
	}
}

func confirmed(e *Estimate, v simulate.Event, subject string) bool {
	for _, rd := range e.Readings {
		if late := rd.Fact.Time.Sub(v.Time); rd.Subject == subject && rd.Fate == Confirmed && late >= 0 && late < 31*24*time.Hour {
			return true
		}
	}
	return false
}

const calibrateHead = "group          subject             n  after  carried   cover after   cover before    held %\n" +
	"                                    (of the reading's own error)          (90 % intervals)\n"

// BenchmarkCalibrate prints how good the estimate is on simulated baths of every
// group, for a seed that figures were tuned on and one that was never used for
// it. It is no measurement of time: run it with -benchtime=1x.
func BenchmarkCalibrate(b *testing.B) {
	const baths, days = 200, 200
	for b.Loop() {
		for _, seed := range []uint64{tunedSeed, freshSeed} {
			fmt.Printf("\nseed %d, %d baths a group, %d days\n%s", seed, baths, days, calibrateHead)
			for _, g := range groups() {
				scores := g.calibrate(b, baths, days, seed, nil)
				for _, name := range []string{"copper", "sulfuric acid", "chloride", "brightener", "volume", "anode"} {
					if s := scores[name]; s != nil {
						fmt.Printf("%-14s %-14s %s\n", g.name, name, s)
					}
				}
			}
		}
	}
}

const (
	tunedSeed = 1000
	freshSeed = 900000
)
