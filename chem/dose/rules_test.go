package dose_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"steadybath/chem"
	"steadybath/chem/dose"
	"steadybath/chem/estimate"
)

// balance is the bath before and after a plan, worked out here from nothing but
// the joint estimate and the plan's own lines, in the order of its lines.
type balance struct {
	start, end       []float64 // amounts; the volume last
	later, laterEnd  []float64 // the same before the next top-up
	cov, covLate     [][]float64
	brought, usedUp  []float64
	top              float64 // L, the volume with the water in
	materials        []chem.Material
	amounts, volumes []float64 // by line: in the material's unit; L in the tank before it
	acids            []float64 // by line: g/L of acid before it
	water            bool      // water may be added
}

func carryOut(t tb, e *estimate.Estimate, p *dose.Plan, o dose.Options) balance {
	t.Helper()
	b := balance{}
	b.start, b.cov = e.Joint()
	perDay, _ := e.AhPerDay()
	b.later, b.covLate = e.Ahead(7, 7*perDay)
	last := len(b.start) - 1
	b.end = append([]float64(nil), b.start...)
	b.brought, b.usedUp = make([]float64, last), make([]float64, last)
	v := b.start[last]
	for i := range b.end {
		b.end[i] -= b.start[i] / v * p.Bail // the volume too: v/v L per L
	}
	water := 0.0
	for _, a := range p.Additions {
		m, ok := e.Recipe.Material(a.Material.Name)
		require.True(t, ok)
		x, err := a.Unit.Convert(a.Amount, m.Unit)
		require.NoError(t, err)
		acid := 0.0
		for i, c := range e.Constituents {
			if c.Role == chem.RoleAcid {
				acid = b.end[i] / b.end[last]
			}
		}
		b.materials, b.amounts = append(b.materials, m), append(b.amounts, x)
		b.volumes, b.acids = append(b.volumes, b.end[last]), append(b.acids, acid)
		for i, c := range e.Constituents {
			by := m.Brings[c.Name] * x
			b.end[i] += by
			b.brought[i] += math.Max(0, by)
			b.usedUp[i] += math.Max(0, -by)
		}
		b.end[last] += m.Litres * x
		if m.Water {
			water += m.Litres * x
		}
	}
	b.top = v
	allowed := len(o.Only) == 0 || slices.Contains(o.Only, "deionised water")
	b.water = allowed
	if allowed && v < e.Bath.Volume && (water > p.Bail+0.003*v || v < 0.985*e.Bath.Volume && b.end[last] > 0.99*e.Bath.Volume) {
		b.top = e.Bath.Volume
	}
	b.laterEnd = make([]float64, len(b.end))
	for i := range b.end {
		b.laterEnd[i] = b.later[i] + b.end[i] - b.start[i]
	}
	return b
}

// sigma is the standard deviation of n - limit·V.
func sigma(cov [][]float64, i int, limit float64) float64 {
	k := len(cov) - 1
	return math.Sqrt(math.Max(0, cov[i][i]-2*limit*cov[i][k]+limit*limit*cov[k][k]))
}

// rank is where a material of the test recipes stands in the order of work.
func rank(t tb, name string) int {
	for i, words := range [][]string{{"water"}, {"copper", "nickel", "boric"}, {"sulfuric acid"}, {"chloride"}, {"brightener", "carrier", "leveller", "wetter"}} {
		for _, w := range words {
			if strings.Contains(name, w) {
				return i
			}
		}
	}
	require.Fail(t, "unknown material", name)
	return 0
}

// keepsRules is every rule of a plan, checked by a mass balance of its own.
func keepsRules(t tb, e *estimate.Estimate, p *dose.Plan, o dose.Options) {
	t.Helper()
	b := carryOut(t, e, p, o)
	last := len(b.start) - 1
	v0, v1 := b.start[last], b.end[last]

	// what can be weighed out, portions, order
	before := 0
	for k, a := range p.Additions {
		m, x := b.materials[k], b.amounts[k]
		assert.GreaterOrEqual(t, x, m.Smallest*(1-1e-9), "%s: less than can be measured out", m.Name)
		assert.Positive(t, x)
		if m.Stock > 0 {
			assert.LessOrEqual(t, x, m.Stock*(1+1e-9), "%s: more than is in stock", m.Name)
		}
		assert.NotEmpty(t, a.Why, m.Name)
		require.NotEmpty(t, a.Portions, m.Name)
		sum := 0.0
		for _, q := range a.Portions {
			assert.Positive(t, q.Amount, m.Name)
			assert.Equal(t, a.Unit, q.Unit)
			assert.NotEmpty(t, q.Wait)
			sum += q.Amount
		}
		assert.InDelta(t, a.Amount, sum, 1e-5*a.Amount+2e-6, "%s: the portions are not the whole", m.Name)
		assert.GreaterOrEqual(t, rank(t, m.Name), before, "order of work")
		before = rank(t, m.Name)
		if m.Acid > 0 {
			acidRules(t, a, m, b.volumes[k], b.acids[k])
		}
		for _, c := range e.Constituents {
			if m.Brings[c.Name] != 0 {
				assert.True(t, c.Known, "%s touches %s, which was never read", m.Name, c.Name)
				assert.Nil(t, c.Held, "%s touches %s, whose reading is held", m.Name, c.Name)
			}
		}
		if len(o.Only) > 0 {
			assert.Contains(t, o.Only, m.Name)
		}
	}

	// the tank
	assert.InDelta(t, v1, p.Volume, 1e-6*v1)
	assert.LessOrEqual(t, v1, math.Max(e.Bath.Most(), v0)*(1+1e-6), "the tank's upper mark")
	assert.GreaterOrEqual(t, v1, math.Min(e.Bath.Least(), v0)*(1-1e-6), "the tank's least mark")
	assert.GreaterOrEqual(t, p.Bail, 0.0)
	assert.LessOrEqual(t, p.Bail, v0/2*(1+1e-9))

	doing := len(p.Additions) > 0 || p.Bail > 0
	bailFor := false
	require.Len(t, p.After, len(e.Constituents))
	for i, c := range e.Constituents {
		now, end, atTop := b.start[i]/v0, b.end[i]/v1, b.start[i]/b.top
		if doing {
			assert.InDelta(t, end, p.After[i].Value, 1e-6*end+1e-9, c.Name)
		}
		assert.LessOrEqual(t, p.After[i].Low90, p.After[i].Value+1e-9)
		assert.GreaterOrEqual(t, p.After[i].High90, p.After[i].Value-1e-9)
		assert.GreaterOrEqual(t, b.end[i], -1e-9, "%s: less than nothing", c.Name)
		rise := math.Max(0, b.later[i]/(0.985*b.top)-b.start[i]/b.top) // until the next visit, water asked for when 1.5 % are missing
		if a := c.Assay; a != nil && a.Value+rise+1.645*a.U >= c.High*(1-1e-6) && e.At.Sub(a.Fact.Time).Hours() <= 7*24 && c.Role != chem.RoleOrganic && !c.Contaminant() {
			bailFor = true
			if p.Bail > 0 && now > c.High && p.Compromise == "" && strings.Contains(p.BailWhy, c.Name+" is") {
				assert.LessOrEqual(t, end, c.High*(1+2e-3), "%s: what a bail-out is for", c.Name)
			}
		}
		target, asked := c.Target, false
		for name, to := range o.Target {
			if strings.EqualFold(name, c.Name) {
				target, asked = to, true
			}
		}
		if b.brought[i] > 0 {
			broughtRules(t, b, c, i, target)
			if !asked && c.Role != chem.RoleOrganic && !takenDown(p, c.Name) {
				noNoise(t, e, b, c, i)
			}
		} else if c.Known && c.Held == nil && !c.Contaminant() && c.Role != chem.RoleOrganic && p.Compromise == "" && len(p.Refused) == 0 {
			assert.GreaterOrEqual(t, end, math.Min(c.Low, atTop)*(1-0.021), "%s: taken out of its window by the plan", c.Name)
		}
	}
	if p.Bail > 0 {
		assert.True(t, bailFor, "bailed without a recent reading at an upper limit")
		assert.NotEmpty(t, p.BailWhy)
		assert.Contains(t, strings.Join(p.BailCautions, " "), "hazardous waste")
	}
}

// acidRules are those of pouring.
func acidRules(t tb, a dose.Addition, m chem.Material, litres, inBath float64) {
	t.Helper()
	assert.Equal(t, chem.Unit("mL"), a.Unit)
	for _, q := range a.Portions {
		assert.LessOrEqual(t, q.Amount, litres*(1+1e-6), "at most 1 mL per litre of bath")
		assert.LessOrEqual(t, q.Amount, 100.0)
		rise, err := chem.AcidPourRise(chem.AcidPour{AcidML: q.Amount, WeightPercent: 100 * m.Acid, BathL: litres, BathAcidGPerL: math.Max(0, inBath)})
		if assert.NoError(t, err) {
			assert.LessOrEqual(t, rise, 3.0)
		}
		assert.Regexp(t, `less than \d+(\.\d+)? degC`, q.Wait)
	}
	assert.Contains(t, strings.Join(a.Cautions, " "), "never water into acid")
}

// broughtRules are those of a constituent that the plan puts in.
func broughtRules(t tb, b balance, c estimate.Constituent, i int, target float64) {
	t.Helper()
	last := len(b.start) - 1
	v1 := b.end[last]
	end, atTop := b.end[i]/v1, b.start[i]/b.top
	// Dosed to the target, not past it, but for one step of the scale.
	step := 0.0
	for k, m := range b.materials {
		step += math.Max(m.Smallest, b.amounts[k]/100) * math.Abs(m.Brings[c.Name]) / v1
	}
	assert.LessOrEqual(t, end, math.Max(target, atTop)*(1+2e-3)+step, "%s: past its target", c.Name)
	if c.High <= 0 {
		return
	}
	// Passing the upper limit now, and before the next top-up: less than 5 %, or
	// what a window that leaves no more allows, or not worse than it was.
	for _, at := range []struct {
		when       string
		end, start []float64
		cov        [][]float64
		slack      float64
	}{
		{"now", b.end, b.start, b.cov, (c.High - c.Target) * b.top},
		{"before the next top-up", b.laterEnd, b.later, b.covLate, c.High*(b.top+b.later[last]-b.start[last]) - math.Max(c.Target, target)*b.top - (b.later[i] - b.start[i])},
	} {
		s := sigma(at.cov, i, c.High)
		level, first := at.end[last], at.start[last]
		beyond := math.Max(0, target-c.Target) * b.top // of a target that was asked for, which has no such grace
		if gone := b.start[last] - at.start[last]; at.slack+beyond < 0 && b.water && gone > 0.015*b.top {
			// No dose would keep it: then at the level below which water is asked for.
			at.slack += c.High * (gone - 0.015*b.top)
			level, first = b.end[last]-0.015*b.top, b.start[last]-0.015*b.top
		}
		k := math.Min(1.645, math.Max(0, at.slack/s))
		margin := c.High*level - at.end[i]
		worse := c.High*(first+b.top-b.start[last]-math.Min(0.1, 0.01*b.top)) - at.start[i] // water is measured to 0.1 L
		assert.GreaterOrEqual(t, margin+1e-6*c.High*v1, math.Min(k*s, worse), "%s %s: more than the chance limit allows", c.Name, at.when)
	}
}

// takenDown tells whether the plan gives its own effects as the reason for
// dosing a constituent.
func takenDown(p *dose.Plan, name string) bool {
	for _, a := range p.Additions {
		if a.Material.Brings[name] > 0 && strings.Contains(a.Why, "would take it to") {
			return true
		}
	}
	return false
}

// noNoise checks that the limit that a dose answers to is really near.
func noNoise(t tb, e *estimate.Estimate, b balance, c estimate.Constituent, i int) {
	t.Helper()
	last := len(b.start) - 1
	top := b.top
	if v := e.Bath.Volume; b.start[last] < 0.995*v && b.end[last] > 0.97*v {
		top = math.Max(top, v) // what else goes in may have taken the water's room
	}
	least := b.later[i] / top
	u := math.Sqrt(math.Max(0, b.covLate[i][i]-2*least*b.cov[i][last]+least*least*b.cov[last][last])) / top
	_, uAh := e.AhPerDay()
	u = math.Hypot(u, c.PerAh*uAh*math.Sqrt(60*7)) // a week of more plating than usual
	u = math.Max(u, heldU(c))
	assert.Less(t, least-3.02*u, c.Low*(1+1e-3), "%s: dosed although it stays inside", c.Name)
}

func heldU(c estimate.Constituent) float64 {
	if c.Held == nil {
		return 0
	}
	return c.U
}

// drawState draws baths of all kinds: read well or badly, long ago or not at
// all, low and high, small and large, soluble and inert, windows usual and half.
func drawState(t *rapid.T) (state, dose.Options) {
	s := state{volume: rapid.SampledFrom([]float64{5, 20, 60, 60, 200, 400}).Draw(t, "volume"), read: map[string]reading{}}
	s.level = s.volume * rapid.SampledFrom([]float64{1, 1, 1, 0.99, 0.95, 0.85, 1.015, 1.06}).Draw(t, "level")
	s.levelU = s.volume * rapid.SampledFrom([]float64{0.002, 0.005, 0.02, 0.06}).Draw(t, "level u")
	s.ah = s.volume * rapid.SampledFrom([]float64{0, 0.3, 1.5}).Draw(t, "Ah")
	if rapid.Bool().Draw(t, "measured tank") {
		s.most = s.volume * rapid.Float64Range(1, 1.3).Draw(t, "most")
	}
	names := []string{"copper", "sulfuric acid", "chloride", "brightener"}
	switch rapid.IntRange(0, 3).Draw(t, "recipe") {
	case 0:
		s.recipe, names = inertText, names[:2]
	case 1:
		s.recipe = halve(t, shippedText(t))
	}
	target := map[string]float64{"copper": 50, "sulfuric acid": 60, "chloride": 60, "brightener": 4}
	for _, name := range names {
		if rapid.IntRange(0, 9).Draw(t, name+" unread") == 0 {
			continue
		}
		x := reading{value: target[name] * rapid.Float64Range(0.6, 1.5).Draw(t, name)}
		if rapid.Bool().Draw(t, name+" near") {
			x.value = target[name] * rapid.Float64Range(0.92, 1.1).Draw(t, name+" value")
		}
		x.u = target[name] * rapid.SampledFrom([]float64{0.002, 0.005, 0.02, 0.08}).Draw(t, name+" u")
		x.age = rapid.SampledFrom([]reading{{}, {}, {age: 5 * day}, {age: 9 * day}, {age: 35 * day}}).Draw(t, name+" age").age
		s.read[name] = x
	}
	var o dose.Options
	if rapid.IntRange(0, 4).Draw(t, "with target") == 0 {
		o.Target = map[string]float64{"Copper": rapid.Float64Range(48, 52).Draw(t, "target")}
	}
	if rapid.IntRange(0, 5).Draw(t, "with only") == 0 {
		o.Only = []string{rapid.SampledFrom([]string{"copper sulfate pentahydrate", "deionised water"}).Draw(t, "only")}
	}
	if rapid.IntRange(0, 4).Draw(t, "cold") == 0 {
		o.Coldest = rapid.Float64Range(1, 15).Draw(t, "coldest")
	}
	return s, o
}

func TestPlanKeepsItsRules(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, o := drawState(t)
		e := s.open(t)
		p, err := dose.Make(e, o)
		require.NoError(t, err)
		keepsRules(t, e, p, o)
	})
}
