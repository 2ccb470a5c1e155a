package dose_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/estimate"
	"steadybath/chem/recipe"
)

// now is when the baths of the tests are asked about.
var now = time.Date(2026, 3, 7, 18, 0, 0, 0, time.UTC)

// reading is one constituent as it was read an hour ago.
type reading struct {
	value, u float64
	age      time.Duration // 0: an hour
}

// state describes a bath for the tests: read, level and run as said.
type state struct {
	recipe  string             // text; the shipped electroforming recipe where empty
	replace map[string]string  // in the recipe's text
	volume  float64            // L, the volume it is run at; 60 where 0
	level   float64            // L; volume where 0
	levelU  float64            // L; 0.2 % of the volume where 0
	most    float64            // L, the tank's mark
	read    map[string]reading // by constituent
	fill    map[string]float64 // what the first filling is said to hold; the readings where nil
	noFill  bool
	ah      float64 // a week
	extra   []chem.Fact
}

func shippedText(t testing.TB) string {
	t.Helper()
	text, ok := recipe.ShippedText("copper-electroforming")
	require.True(t, ok)
	return string(text)
}

// open makes the bath and its estimate.
func (s state) open(t testing.TB) *estimate.Estimate {
	t.Helper()
	text := s.recipe
	if text == "" {
		text = shippedText(t)
	}
	for old, with := range s.replace {
		require.Contains(t, text, old)
		text = strings.Replace(text, old, with, 1)
	}
	if s.volume == 0 {
		s.volume = 60
	}
	if s.level == 0 {
		s.level = s.volume
	}
	if s.levelU == 0 {
		s.levelU = 0.002 * s.volume
	}
	r, err := recipe.Parse("test", []byte(text))
	require.NoError(t, err)
	began := now.AddDate(0, 0, -60)
	begin := chem.Begin{Volume: chem.MeasuredOf(s.volume, "L", 0), Zone: "UTC", Recipe: text}
	if s.most > 0 {
		begin.Tank.Most = chem.MeasuredOf(s.most, "L", 0)
	}
	var facts []chem.Fact
	add := func(at time.Time, body chem.Body) {
		id := uuid.NewSHA1(uuid.NameSpaceOID, fmt.Appendf(nil, "%d %T", len(facts), body))
		facts = append(facts, chem.Fact{Number: int64(len(facts) + 1), ID: id, Time: at, Bath: "test", Entered: at, Body: body})
	}
	add(began, begin)
	last := now.Add(-time.Hour)
	if !s.noFill {
		fill := chem.Fill{Volume: chem.MeasuredOf(s.level, "L", s.levelU), Origin: chem.OriginRunning, Composition: map[string]chem.Measured{}}
		for name, x := range s.read {
			c, ok := r.Constituent(name)
			require.True(t, ok, name)
			if s.fill == nil {
				fill.Composition[c.Name] = chem.MeasuredOf(x.value, c.Unit, 0.1*x.value+0.1*c.Target+0.01*c.High)
			}
		}
		for name, v := range s.fill {
			c, _ := r.Constituent(name)
			fill.Composition[c.Name] = chem.MeasuredOf(v, c.Unit, 0)
		}
		at := began
		if s.fill == nil { // filled on the day of the oldest reading, so that nothing has drifted
			at = last
			for _, x := range s.read {
				if read := last.Add(-x.age); read.Before(at) {
					at = read
				}
			}
			at = at.Add(-time.Minute)
		}
		add(at, fill)
	}
	for week := 8; week >= 1 && s.ah > 0; week-- {
		if at := now.AddDate(0, 0, -7*week+3); at.Before(last.Add(-2 * time.Hour)) {
			add(at, chem.Plate{Charge: chem.MeasuredOf(s.ah, "Ah", 0), Hours: "4"})
		}
	}
	if !s.noFill {
		add(last.Add(-time.Minute), chem.Level{Volume: chem.MeasuredOf(s.level, "L", s.levelU)})
	}
	for _, c := range r.Constituents {
		if x, ok := s.read[c.Name]; ok {
			u := x.u
			if u == 0 {
				u = 0.004 * max(x.value, c.Target)
				if c.Role == chem.RoleOrganic {
					u = 0.05 * max(x.value, c.Target)
				}
			}
			add(last.Add(-x.age), chem.Assay{Of: c.Name, Value: chem.MeasuredOf(x.value, c.Unit, u), Sample: chem.Sample{Returned: true}})
		}
	}
	for _, f := range s.extra {
		add(f.Time, f.Body)
	}
	b, err := estimate.Open(facts)
	require.NoError(t, err)
	e, err := b.At(now, estimate.Options{})
	require.NoError(t, err)
	return e
}

// at is a round of readings of the shipped recipe.
func at(copper, acid, chloride, brightener float64) map[string]reading {
	return map[string]reading{"copper": {value: copper}, "sulfuric acid": {value: acid}, "chloride": {value: chloride}, "brightener": {value: brightener}}
}
