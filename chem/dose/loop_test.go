package dose_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/dose"
	"steadybath/chem/estimate"
	"steadybath/chem/recipe"
	"steadybath/chem/simulate"
)

// keeper follows dose.Make in a simulated shop. Every plan it is told goes
// through check before it is carried out.
type keeper struct {
	t     tb
	only  []string // materials asked for between the rounds
	check func(e *estimate.Estimate, p *dose.Plan, o dose.Options)
	asked map[string]time.Time
	plans int
}

func (k *keeper) plan(facts []chem.Fact, at time.Time, o dose.Options) *dose.Plan {
	b, err := estimate.Open(facts)
	require.NoError(k.t, err)
	e, err := b.At(at, estimate.Options{})
	require.NoError(k.t, err)
	p, err := dose.Make(e, o)
	require.NoError(k.t, err)
	k.plans++
	k.check(e, p, o)
	return p
}

// round is what is done once the readings of a round are in: what the plan asks
// to read first is read, once, and then the plan is carried out.
func (k *keeper) round(facts []chem.Fact, at time.Time) []chem.Fact {
	p := k.plan(facts, at, dose.Options{})
	var again []chem.Fact
	for _, r := range p.TitrateFirst {
		if at.Sub(k.asked[r.Constituent]) < 12*time.Hour {
			continue
		}
		k.asked[r.Constituent] = at
		if r.Constituent == "level" {
			again = append(again, chem.Fact{Body: chem.Level{}})
			continue
		}
		again = append(again, chem.Fact{Body: chem.Assay{Of: r.Constituent}})
	}
	if len(again) > 0 {
		return again
	}
	return steps(p)
}

// between is what is done before a plating session, without any reading.
func (k *keeper) between(facts []chem.Fact, at time.Time) []chem.Fact {
	return steps(k.plan(facts, at, dose.Options{Only: k.only}))
}

// steps are the facts that carrying a plan out makes, in its order.
func steps(p *dose.Plan) []chem.Fact {
	var out []chem.Fact
	if p.Bail > 0 {
		out = append(out, chem.Fact{Body: chem.Bail{Volume: chem.MeasuredOf(p.Bail, "L", 0)}})
	}
	for _, a := range p.Additions {
		out = append(out, chem.Fact{Body: chem.Add{Material: a.Material.Name, Amount: chem.MeasuredOf(a.Amount, a.Unit, 0)}})
	}
	return out
}

// kept is how a bath was kept: shares of the ampere-hours, excursions in parts
// of the target, what was used in baths' worth of each constituent.
type kept struct {
	ah, inside, organic float64
	worst               float64
	added               map[string]float64
	bailed, readings    float64
}

// judge looks at the truth, not at any estimate.
func judge(r *simulate.Run, rec *chem.Recipe) kept {
	k := kept{added: map[string]float64{}}
	for i := 1; i < len(r.Truth); i++ {
		a, b := r.Truth[i-1], r.Truth[i]
		q := b.Charge - a.Charge
		if q <= 0 || b.Time.Sub(r.Truth[0].Time) < 28*24*time.Hour {
			continue
		}
		k.ah += q
		inside := true
		for _, c := range rec.Constituents {
			ok := true
			for _, t := range []simulate.Truth{a, b} {
				off := math.Max(c.Low-t.Conc(c.Name), t.Conc(c.Name)-c.High)
				ok = ok && off <= 0
				if c.Role != chem.RoleOrganic && !c.Contaminant() {
					k.worst = math.Max(k.worst, off/c.Target)
				}
			}
			switch {
			case c.Contaminant():
			case c.Role == chem.RoleOrganic && ok:
				k.organic += q
			case c.Role != chem.RoleOrganic:
				inside = inside && ok
			}
		}
		if inside {
			k.inside += q
		}
	}
	for _, f := range r.Facts {
		switch b := f.Body.(type) {
		case chem.Add:
			m, _ := rec.Material(b.Material)
			x, _ := m.Amount(b.Amount)
			for name, per := range m.Brings {
				c, _ := rec.Constituent(name)
				k.added[name] += per * x / (c.Target * r.Config.Volume)
			}
		case chem.Bail:
			k.bailed += b.Volume.Value("L") / r.Config.Volume
		case chem.Assay, chem.Panel:
			k.readings++
		}
	}
	return k
}

func (k *kept) plus(o kept) {
	k.ah, k.inside, k.organic = k.ah+o.ah, k.inside+o.inside, k.organic+o.organic
	k.worst = math.Max(k.worst, o.worst)
	if k.added == nil {
		k.added = map[string]float64{}
	}
	for name, x := range o.added {
		k.added[name] += x
	}
	k.bailed, k.readings = k.bailed+o.bailed, k.readings+o.readings
}

func (k *kept) salts() float64 {
	return k.added["copper"] + k.added["sulfuric acid"] + k.added["chloride"]
}

func (k *kept) String() string {
	return fmt.Sprintf("inside %.2f %%, brightener inside %.1f %%, worst %.2f %% of target, salts added %.2f baths' worth, brightener %.2f, bailed %.2f, readings %.0f",
		100*k.inside/k.ah, 100*k.organic/k.ah, 100*k.worst, k.salts(), k.added["brightener"], k.bailed, k.readings)
}

// loop keeps the same baths by the plan and by the card on the wall. halved
// makes every inorganic window half as wide.
func loop(t tb, baths, weeks int, halved bool, check func(*estimate.Estimate, *dose.Plan, dose.Options)) (plan, card kept) {
	text := shippedText(t)
	if halved {
		text = halve(t, text)
	}
	r, err := recipe.Parse("test", []byte(text))
	require.NoError(t, err)
	start := time.Date(2025, 1, 6, 8, 0, 0, 0, time.UTC)
	for seed := range baths {
		volume := []float64{20, 60, 60, 200}[seed%4]
		c := simulate.Hobby(r, volume, start, 7*weeks, 4200+uint64(seed))
		c.RecipeText = text
		run, err := simulate.Make(c)
		require.NoError(t, err)
		card.plus(judge(run, r))
		k := &keeper{t: t, only: []string{"deionised water", "brightener"}, check: check, asked: map[string]time.Time{}}
		c.Dose, c.Before = k.round, k.between
		c.Water = func(facts []chem.Fact, at time.Time) []chem.Fact {
			return steps(k.plan(facts, at, dose.Options{Only: k.only[:1]}))
		}
		run, err = simulate.Make(c)
		require.NoError(t, err)
		plan.plus(judge(run, r))
		require.Positive(t, k.plans)
	}
	return plan, card
}

// TestClosedLoop follows the plans through half a year of simulated baths whose
// truth is known. Every plan stays inside the rules, and the baths stay in their
// windows at least as well as those kept by the card on the wall, with less. The
// figures are BenchmarkClosedLoop's; only what is far from them is asserted.
func TestClosedLoop(t *testing.T) {
	plan, card := loop(t, 8, 26, false, func(e *estimate.Estimate, p *dose.Plan, o dose.Options) { keepsRules(t, e, p, o) })
	t.Logf("plan: %s", &plan)
	t.Logf("card: %s", &card)
	assert.GreaterOrEqual(t, plan.inside/plan.ah, card.inside/card.ah-0.001)
	assert.GreaterOrEqual(t, plan.inside/plan.ah, 0.98)
	assert.LessOrEqual(t, plan.salts(), card.salts())
	assert.LessOrEqual(t, plan.bailed, card.bailed)
}

// BenchmarkClosedLoop prints how baths are kept by the plan and by the card.
func BenchmarkClosedLoop(b *testing.B) {
	for _, halved := range []bool{false, true} {
		b.Run(fmt.Sprintf("windows=%s", map[bool]string{false: "usual", true: "half"}[halved]), func(b *testing.B) {
			for b.Loop() {
				plan, card := loop(b, 8, 26, halved, func(*estimate.Estimate, *dose.Plan, dose.Options) {})
				b.Logf("plan: %s", &plan)
				b.Logf("card: %s", &card)
				b.ReportMetric(100*plan.inside/plan.ah, "%inside")
				b.ReportMetric(100*card.inside/card.ah, "%inside-card")
				b.ReportMetric(plan.salts()/card.salts(), "added/card")
			}
		})
	}
}
