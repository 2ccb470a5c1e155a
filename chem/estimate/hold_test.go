package estimate

import (
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
)

// A chloride that is half as much again as the log says is no sign of a third of
// the water missing where a level and a copper titration of the same hour say
// that it is there: the interval covers the chloride and nothing else.
func TestHeldReadingOnlyWidensWhatItsRoundLeavesOpen(t *testing.T) {
	for _, order := range []string{"level copper chloride", "chloride level copper", "copper chloride level"} {
		l := newLog(with(plainRecipe, "evaporation = [0.3, 0.1]"), 0.01)
		for week := range 4 {
			l.after(7).level(60-2.1*float64(week%2), 0.3)
			l.copper(50 * 60 / (60 - 2.1*float64(week%2)))
			l.assay("chloride", 64, "mg/L", 3)
			if week%2 == 1 {
				l.do(chem.Add{Material: "deionised water", Amount: chem.MeasuredOf(2.1, "L", 0)})
			}
		}
		l.after(8)
		var id uuid.UUID
		for _, what := range strings.Fields(order) {
			switch l.after(0.02); what {
			case "level":
				l.level(57.4, 0.3)
			case "copper":
				l.copper(52.2)
			case "chloride":
				id = l.assay("chloride", 99, "mg/L", 3)
			}
		}
		e := l.ask(t)
		require.Equal(t, Held, fateOf(t, e, id), order)
		assert.InDelta(t, 57.4, e.Low90V, 1, order)
		assert.InDelta(t, 57.4, e.High90V, 1, order)
		c := named(t, e, "copper")
		assert.InDelta(t, 52.2, c.Low90, 1, order)
		assert.InDelta(t, 52.2, c.High90, 1, order)
		c = named(t, e, "chloride")
		assert.Less(t, c.Low90, 66.0, order)
		assert.Greater(t, c.High90, 99.0, order)
		s, err := l.open(t).Smoothed(l.now, l.now)
		require.NoError(t, err)
		assert.InDelta(t, 57.4, s.Low90V, 1, order)
	}
}

// Readings of one round are judged together: a level that is too low and a copper
// that is too high by the same part are water that left.
func TestRoundIsJudgedTogether(t *testing.T) {
	story := func(level, copper, acid float64, levelFirst bool) *Estimate {
		l := newLog(plainRecipe, 0.01)
		weeks(l, 6, 50)
		l.after(1)
		if levelFirst {
			l.level(level, 0.24)
		}
		l.after(0.02).copper(copper)
		if !levelFirst {
			l.after(0.02).level(level, 0.24)
		}
		l.after(0.02).assay("sulfuric acid", acid, "g/L", 0.5)
		return l.ask(t)
	}
	for _, levelFirst := range []bool{true, false} {
		e := story(57.6, 52.08, 62.5, levelFirst)
		assert.Empty(t, why(e, "held"))
		assert.Regexp(t, `water`, why(e, "confirmed"))
		assert.InDelta(t, 57.6, e.Volume, 0.3)
		assert.InDelta(t, 52.08, named(t, e, "copper").Value, 0.3)
		mean, _ := e.Joint()
		assert.InEpsilon(t, 3000, mean[0], 0.008, "no copper left with it")
	}
	l := newLog(plainRecipe, 0.01)
	weeks(l, 6, 50)
	l.after(1).level(57.6, 0.24)
	assert.Contains(t, why(l.ask(t), "held"), "; if it is right, water left, or bath was lost: titrate copper to tell")
	// What the titrations leave as it was, the level alone cannot decide: bath was
	// lost, or the level was misread. That only water left is out of the question.
	e := story(57.6, 50, 60, true)
	assert.Contains(t, why(e, "held"), "read the level again: 57.6 L is")
	assert.Contains(t, why(e, "held"), "bath was lost")
	assert.NotContains(t, why(e, "held"), "water left")
	c := named(t, e, "copper")
	assert.InDelta(t, 50, c.Low90, 0.6)
	assert.InDelta(t, 50, c.High90, 0.6)
	assert.Less(t, e.Low90V, 57.7)
	assert.Greater(t, e.High90V, 60.0)
}

// Bath that goes where nobody looks shows in no single reading: level and
// concentrations fall together, week after week. It is told within six weeks in
// most baths, polarised anodes within eight, and hardly ever where nothing is wrong.
func TestSlowFaultsAreTold(t *testing.T) {
	rec, text := shipped(t)
	told := func(name, kind, words string, within time.Duration) (n int) {
		for k := range uint64(smallGroup) {
			b, sim := groupOf(t, name).simulated(t, rec, text, 182, tunedSeed+k)
			from := b.Began.Add(burnIn)
			if len(sim.Events) > 0 {
				from = sim.Events[0].Time
			}
			for at := from; at.Sub(from) <= within && at.Before(sim.Last().Time); at = at.Add(7 * 24 * time.Hour) {
				e, err := b.At(at, Options{})
				require.NoError(t, err)
				if strings.Contains(why(e, kind), words) {
					n++
					break
				}
			}
		}
		return n
	}
	const week = 7 * 24 * time.Hour
	anodes, leak := "acid rises and copper falls", "L of bath is lost a day"
	assert.GreaterOrEqual(t, told("leak", "leak", leak, 6*week), smallGroup*3/4)
	assert.GreaterOrEqual(t, told("polarised", "anodes", anodes, 8*week), smallGroup*3/4)
	for _, name := range []string{"60 L", "priors off"} {
		assert.LessOrEqual(t, told(name, "leak", leak, 17*week), 1, name)
		assert.LessOrEqual(t, told(name, "anodes", anodes, 17*week), 1, name)
	}
}

// What each settled fault is called.
func TestFaultsHaveTheirWords(t *testing.T) {
	l := newLog(plainRecipe, 0.01)
	weeks(l, 4, 50)
	l.after(7).level(60, 0.3)
	l.after(0.02).copper(46)
	assert.Regexp(t, `^copper: re-titrate copper before dosing: 46\.0 g/L is \d+\.\d standard deviations below what the log explains \(50\.0 g/L\)$`, why(l.ask(t), "held"))
	l.after(0.02).assay("sulfuric acid", 55.2, "g/L", 0.5)
	e := l.ask(t)
	assert.Empty(t, why(e, "held"))
	assert.Regexp(t, `copper of 2025-02-10 was 46\.0 g/L where the log led to 50\.0 g/L, and sulfuric acid read after it agrees: bath was lost and made up with water`, why(e, "confirmed"))
	assert.InDelta(t, 60, e.Volume, 0.5)
	assert.InDelta(t, 60*0.92, named(t, e, "chloride").Value, 1)

	// A level that was misread: the next one drops it.
	l = newLog(plainRecipe, 0.01)
	weeks(l, 4, 50)
	id := l.after(7).level(57.6, 0.2)
	l.after(0.02).copper(50)
	l.after(1).level(60, 0.2)
	e = l.ask(t)
	assert.Equal(t, Dropped, fateOf(t, e, id))
	assert.Equal(t, "volume: 57.6 L was not used: the reading after it agrees with the log", why(e, "dropped"))
}
