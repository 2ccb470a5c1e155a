package estimate

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"steadybath/chem"
)

// sameBut compares all that two values show, numbers to a part of them or of one.
func sameBut(t failer, rounding float64, want, got any, where string) {
	sameValue(t, rounding, reflect.ValueOf(want), reflect.ValueOf(got), where)
}

func sameValue(t failer, rounding float64, a, b reflect.Value, where string) {
	switch a.Kind() {
	case reflect.Float64:
		x, y := a.Float(), b.Float()
		if x != y && !(math.IsNaN(x) && math.IsNaN(y)) {
			assert.InDelta(t, x, y, rounding*math.Max(1, math.Abs(x)), where)
		}
	case reflect.Pointer, reflect.Interface:
		if !assert.Equal(t, a.IsNil(), b.IsNil(), where) || a.IsNil() || a.Kind() == reflect.Pointer && a.Pointer() == b.Pointer() {
			return
		}
		sameValue(t, rounding, a.Elem(), b.Elem(), where)
	case reflect.Slice:
		if !assert.Equal(t, a.Len(), b.Len(), where) {
			return
		}
		for i := range a.Len() {
			sameValue(t, rounding, a.Index(i), b.Index(i), fmt.Sprint(where, "[", i, "]"))
		}
	case reflect.Struct:
		if at, ok := a.Interface().(time.Time); ok {
			assert.Equal(t, at, b.Interface(), where)
			return
		}
		for i := range a.NumField() {
			if f := a.Type().Field(i); f.IsExported() {
				sameValue(t, rounding, a.Field(i), b.Field(i), where+"."+f.Name)
			}
		}
	default:
		assert.Equal(t, a.Interface(), b.Interface(), where)
	}
}

// oneRun checks that what is asked for together is what is asked for one after the
// other.
func oneRun(t failer, b *Bath, at time.Time, where string) *Estimate {
	want, err := b.At(at, Options{Track: true})
	require.NoError(t, err, where)
	require.Nil(t, want.Ledger)
	book, err := b.Ledger(time.Time{}, at)
	require.NoError(t, err, where)
	got, err := b.At(at, Options{Track: true, Ledger: true})
	require.NoError(t, err, where)
	sameBut(t, 1e-12, book, got.Ledger, where)
	alone, err := b.At(at, Options{Ledger: true})
	require.NoError(t, err, where)
	require.Empty(t, alone.Track)
	sameBut(t, 1e-12, book, alone.Ledger, where)
	got.Ledger = nil
	sameBut(t, 1e-12, want, got, where)
	return got
}

// The metal's book that rides on the run of an estimate is the one that is kept by
// itself, and the estimate and its track are those without it.
func TestOneRunForEstimateAndBook(t *testing.T) {
	l, at := everyKind()
	b := l.open(t)
	oneRun(t, b, l.now, "every kind of fact")
	oneRun(t, b, at, "every kind of fact, in the middle")
	oneRun(t, b, l.now.AddDate(0, 0, 40), "every kind of fact, later")
	oneRun(t, b, b.Began, "every kind of fact, the beginning")
	for name, l := range hardCases(t) {
		oneRun(t, l.open(t), l.now, name)
	}
}

func TestOneRunOfSimulatedBaths(t *testing.T) {
	r, text := shipped(t)
	fates := map[Fate]int{}
	back := 0
	for _, g := range groups() {
		b, sim := g.simulated(t, r, text, 550, freshSeed)
		require.Greater(t, len(b.Facts), 2*stopEvery)
		e := oneRun(t, b, sim.Last().Time, g.name)
		if e.run.wentBack > 0 {
			back++
		}
		for _, rd := range slices.Backward(e.Readings) {
			fates[rd.Fate]++
			if fates[rd.Fate] == 1 && rd.Fate != Used { // which was held then
				for _, rd := range oneRun(t, b, rd.Fact.Time, g.name).Readings {
					fates[rd.Fate]++
				}
			}
		}
	}
	for _, f := range []Fate{Used, Held, Dropped, Confirmed} {
		assert.Positive(t, fates[f], "a reading that is %s", f)
	}
	assert.Greater(t, back, 5, "runs that went back")
}

func TestOneRunOfAnyJournal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := anyMetalLog(t)
		for range rapid.IntRange(0, 3).Draw(t, "voids") {
			target := l.facts[rapid.IntRange(1, len(l.facts)-1).Draw(t, "voided")]
			if target.Kind() != chem.KindVoid {
				l.do(chem.Void{Target: target.ID})
			}
		}
		b, err := Open(l.facts)
		require.NoError(t, err)
		oneRun(t, b, l.now, "")
		if at := slices.MaxFunc(l.facts[:1+len(l.facts)/2], func(x, y chem.Fact) int { return x.Time.Compare(y.Time) }).Time; !at.Before(b.Began) {
			oneRun(t, b, at, "in the middle")
		}
	})
}
