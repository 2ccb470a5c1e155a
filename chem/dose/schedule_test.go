package dose_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"steadybath/chem"
	"steadybath/chem/dose"
)

// due is the titration of a constituent on the schedule of a state.
func due(t tb, s state, name string) dose.Titration {
	t.Helper()
	e, p := planFor(t, s, dose.Options{})
	for _, x := range dose.Schedule(e, p, dose.Options{}) {
		if x.Constituent == name {
			return x
		}
	}
	require.Fail(t, "no "+name)
	return dose.Titration{}
}

// settled is a bath that was filled long ago and read as said.
func settled(read map[string]reading) state {
	return state{read: read, fill: map[string]float64{"copper": 50, "sulfuric acid": 62, "chloride": 66, "brightener": 4}}
}

func TestScheduleOfAQuietBath(t *testing.T) {
	read := at(50, 62, 66, 4)
	for name, x := range read {
		x.u = 0.005 * x.value
		read[name] = x
	}
	for name, x := range read {
		d := due(t, settled(read), name)
		assert.NotEmpty(t, d.Why)
		assert.False(t, d.By.Before(now), name)
		assert.False(t, d.By.After(now.Add(-time.Hour+28*day)), "%s: at most four weeks after its last reading", name)
		if name != "brightener" {
			assert.Equal(t, now.Add(-time.Hour).Add(28*day), d.By, "%s, %g, is in no danger: %s", name, x.value, d.Why)
		}
	}
}

func TestScheduleComesSooner(t *testing.T) {
	copper := func(value, u float64, age time.Duration) state {
		s := settled(at(50, 62, 66, 4))
		s.read["copper"] = reading{value: value, u: u, age: age}
		return s
	}
	t.Run("Near the limit", func(t *testing.T) {
		near, far := due(t, copper(53.3, 0.2, 0), "copper"), due(t, copper(50, 0.2, 0), "copper")
		assert.True(t, near.By.Before(far.By.Add(-13*day)))
		assert.Contains(t, near.Why, "54 g/L")
		assert.True(t, due(t, copper(53, 0.2, 0), "copper").By.Before(far.By), "creeping up from there")
	})
	t.Run("Old", func(t *testing.T) {
		d := due(t, copper(50, 0.2, 30*day), "copper")
		assert.Equal(t, now, d.By)
		assert.Contains(t, d.Why, "4 weeks ago")
	})
	t.Run("Held", func(t *testing.T) {
		s := copper(50, 0.2, 0)
		s.extra = []chem.Fact{{Time: now.Add(-time.Minute), Body: chem.Assay{Of: "copper", Value: chem.MeasuredOf(58, "g/L", 0.2)}}}
		assert.Equal(t, now, due(t, s, "copper").By)
	})
	t.Run("Never read", func(t *testing.T) {
		s := settled(at(50, 62, 66, 4))
		delete(s.read, "chloride")
		delete(s.fill, "chloride")
		assert.Equal(t, now, due(t, s, "chloride").By)
	})
	t.Run("New", func(t *testing.T) {
		s := state{read: at(50, 62, 66, 4)} // filled on the day of the reading
		d := due(t, s, "copper")
		assert.Equal(t, now.Add(-time.Hour).Add(7*day), d.By)
		assert.Contains(t, d.Why, "new")
	})
	t.Run("Cyanide", func(t *testing.T) {
		e, p := planFor(t, state{recipe: shippedRecipe(t, "gold-acid"), volume: 5, read: map[string]reading{"gold": {value: 3}}}, dose.Options{})
		assert.Empty(t, dose.Schedule(e, p, dose.Options{}))
	})
}

func TestScheduleKeepsItsRules(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, o := drawState(t)
		o.Only, o.Target = nil, nil
		e := s.open(t)
		p, err := dose.Make(e, o)
		require.NoError(t, err)
		list := dose.Schedule(e, p, o)
		seen := map[string]dose.Titration{}
		for i, x := range list {
			assert.NotEmpty(t, x.Why)
			assert.False(t, x.By.Before(e.At))
			assert.False(t, i > 0 && x.By.Before(list[i-1].By), "the earliest first")
			seen[x.Constituent] = x
		}
		assert.Len(t, seen, len(e.Constituents))
		for _, r := range p.TitrateFirst {
			if x, ok := seen[r.Constituent]; ok {
				assert.Equal(t, e.At, x.By, "%s: the plan asks for it first", x.Constituent)
			}
		}
		for _, c := range e.Constituents {
			if c.Assay != nil {
				latest := c.Assay.Fact.Time.Add(28 * day)
				if latest.Before(e.At) {
					latest = e.At
				}
				assert.False(t, seen[c.Name].By.After(latest), "%s: at most four weeks after its last reading", c.Name)
			}
		}
	})
}
