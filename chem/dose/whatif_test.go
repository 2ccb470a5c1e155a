package dose_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/dose"
	"steadybath/chem/estimate"
)

func then(t tb, o *dose.Outcome, name string) dose.Then {
	t.Helper()
	for _, x := range o.Then {
		if x.Name == name {
			return x
		}
	}
	require.Fail(t, "no "+name)
	return dose.Then{}
}

func adding(t tb, e *estimate.Estimate, material string, amount float64) dose.Step {
	t.Helper()
	m, ok := e.Recipe.Material(material)
	require.True(t, ok)
	return dose.Step{Material: m, Amount: amount}
}

// What is done in thought is what the estimate says once it is written down.
func TestWhatIfIsWhatTheLogWouldSay(t *testing.T) {
	s := state{level: 57, read: at(48, 58, 60, 3.5)}
	e := s.open(t)
	steps := []dose.Step{{Bail: 3}, adding(t, e, "deionised water", 4), adding(t, e, "copper sulfate pentahydrate", 0.4), adding(t, e, "brightener", 20)}
	o, err := dose.WhatIf(e, dose.Options{}, steps)
	require.NoError(t, err)
	just := now.Add(-time.Millisecond)
	for i, b := range []chem.Body{chem.Bail{Volume: chem.MeasuredOf(3, "L", 0)}, chem.Add{Material: "deionised water", Amount: chem.MeasuredOf(4, "L", 0)},
		chem.Add{Material: "copper sulfate pentahydrate", Amount: chem.MeasuredOf(400, "g", 0)}, chem.Add{Material: "brightener", Amount: chem.MeasuredOf(20, "mL", 0)}} {
		s.extra = append(s.extra, chem.Fact{Time: just.Add(time.Duration(i) * time.Microsecond), Body: b})
	}
	real := s.open(t)
	assert.InDelta(t, real.Volume, o.Volume, 1e-6)
	assert.InDelta(t, real.UVolume, o.UVolume, 1e-4)
	for _, c := range real.Constituents {
		x := then(t, o, c.Name)
		assert.InDelta(t, c.Value, x.Value, 1e-6*c.Target, c.Name)
		assert.InDelta(t, c.U, (x.High90-x.Value)/1.645, 1e-3*c.U, c.Name)
	}
}

// A plan carried out in thought leads where the plan says.
func TestWhatIfAgreesWithThePlan(t *testing.T) {
	e, p := planFor(t, state{level: 55, read: at(44, 48, 60, 3)}, dose.Options{})
	require.NotEmpty(t, p.Additions)
	var steps []dose.Step
	for _, a := range p.Additions {
		x, err := a.Unit.Convert(a.Amount, a.Material.Unit)
		require.NoError(t, err)
		steps = append(steps, dose.Step{Material: a.Material, Amount: x})
	}
	o, err := dose.WhatIf(e, dose.Options{}, steps)
	require.NoError(t, err)
	assert.InDelta(t, p.Volume, o.Volume, 1e-6)
	for _, a := range p.After {
		assert.InDelta(t, a.Value, then(t, o, a.Name).Value, 1e-6*a.Value, a.Name)
	}
	assert.Empty(t, o.Breaks)
}

func TestWhatIfNamesWhatBreaks(t *testing.T) {
	for name, tc := range map[string]struct {
		state  state
		o      dose.Options
		steps  func(e *estimate.Estimate) []dose.Step
		breaks string
		risks  string
		solid  string
		stays  string
	}{
		"too much copper": {state{read: at(52, 60, 65, 4)}, dose.Options{}, func(e *estimate.Estimate) []dose.Step {
			return []dose.Step{adding(t, e, "copper sulfate pentahydrate", 1.5)}
		}, "copper comes to", "", "", "stays dissolved"},
		"cold": {state{read: at(52, 60, 65, 4)}, dose.Options{Coldest: 2}, func(e *estimate.Estimate) []dose.Step {
			return []dose.Step{adding(t, e, "copper sulfate pentahydrate", 1.5)}
		}, "above its window of 46 to 54 g/L", "", "2 degC", ""},
		"thinned":           {state{most: 70, read: at(47, 60, 65, 4)}, dose.Options{}, func(e *estimate.Estimate) []dose.Step { return []dose.Step{adding(t, e, "deionised water", 6)} }, "below its window of 46 to 54 g/L", "", "", "stays dissolved"},
		"over the mark":     {state{most: 62, read: at(50, 60, 65, 4)}, dose.Options{}, func(e *estimate.Estimate) []dose.Step { return []dose.Step{adding(t, e, "deionised water", 4)} }, "above its upper mark of 62 L", "", "", "stays dissolved"},
		"below the mark":    {state{read: at(50, 60, 65, 4)}, dose.Options{}, func(*estimate.Estimate) []dose.Step { return []dose.Step{{Bail: 25}} }, "below its least mark", "", "", "stays dissolved"},
		"organic at once":   {state{read: at(50, 60, 65, 3.2)}, dose.Options{}, func(e *estimate.Estimate) []dose.Step { return []dose.Step{adding(t, e, "brightener", 70)} }, "", "more than a quarter of its target", "", "stays dissolved"},
		"never read":        {state{read: map[string]reading{"copper": {value: 50}}}, dose.Options{}, func(e *estimate.Estimate) []dose.Step { return []dose.Step{adding(t, e, "brightener", 10)} }, "", "chloride: it has never been read", "", ""},
		"near its edge now": {state{read: at(53.8, 60, 65, 4)}, dose.Options{}, func(e *estimate.Estimate) []dose.Step { return []dose.Step{adding(t, e, "brightener", 1)} }, "", "above 54 g/L", "", "stays dissolved"},
	} {
		t.Run(name, func(t *testing.T) {
			e := tc.state.open(t)
			o, err := dose.WhatIf(e, tc.o, tc.steps(e))
			require.NoError(t, err)
			for what, both := range map[string][2]string{
				"breaks": {tc.breaks, strings.Join(o.Breaks, "\n")}, "risks": {tc.risks, strings.Join(o.Risks, "\n")},
				"solid": {tc.solid, o.Solid}, "stays": {tc.stays, o.Stays},
			} {
				if both[0] == "" && what != "risks" {
					assert.Empty(t, both[1], what)
					continue
				}
				assert.Contains(t, both[1], both[0], what)
			}
		})
	}
}

func TestWhatIfRefuses(t *testing.T) {
	e := state{read: at(50, 60, 65, 4)}.open(t)
	_, err := dose.WhatIf(e, dose.Options{}, []dose.Step{{Bail: 61}})
	require.ErrorContains(t, err, "takes more than the 60 L in the tank")
	_, err = dose.WhatIf(e, dose.Options{Coldest: 90}, []dose.Step{{Bail: 1}})
	require.ErrorContains(t, err, "-10 to 60 would fit")
	o, err := dose.WhatIf(e, dose.Options{}, []dose.Step{{Bail: 1}, adding(t, e, "sulfuric acid 96 %", 0.1)})
	require.NoError(t, err)
	assert.Contains(t, fmt.Sprint(o.Cautions), "hazardous waste")
	assert.Equal(t, 1, strings.Count(fmt.Sprint(o.Cautions), "never water into acid"))
}

// 254.5 g of copper in a kilogram of the pentahydrate (IUPAC 2021 weights: Cu
// 63.546, CuSO4·5H2O 249.677), and 0.38 L of room: 60 L of 50 g/L come to
// (3000 + 254.5) / 60.38 g/L, and what bailing takes out afterwards takes out at
// that.
func TestWhatIf(t *testing.T) {
	e := state{read: at(50, 60, 60, 4)}.open(t)
	salt, ok := e.Recipe.Material("copper sulfate pentahydrate")
	require.True(t, ok)
	out, err := dose.WhatIf(e, dose.Options{}, []dose.Step{{Material: salt, Amount: 1}, {Bail: 10}})
	require.NoError(t, err)
	assert.InDelta(t, (50*e.Volume+1000*63.546/249.677)/(e.Volume+0.38), out.Then[0].Value, 0.02)
	assert.InDelta(t, e.Volume+0.38-10, out.Volume, 1e-6)
	_, err = dose.WhatIf(e, dose.Options{}, []dose.Step{{Bail: 80}})
	assert.ErrorContains(t, err, "takes more than the")
}
