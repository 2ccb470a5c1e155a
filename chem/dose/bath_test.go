package dose_test

import (
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/estimate"
	"steadybath/chem/recipe"
)

// tb is what helpers need of a test, a benchmark or a property.
type tb interface {
	require.TestingT
	Helper()
}

const day = 24 * time.Hour

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

func shippedText(t tb) string {
	t.Helper()
	text, ok := recipe.ShippedText("copper-electroforming")
	require.True(t, ok)
	return string(text)
}

// open makes the bath and its estimate.
func (s state) open(t tb) *estimate.Estimate {
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

// halve makes every inorganic window of the shipped recipe half as wide.
func halve(t tb, text string) string {
	t.Helper()
	for old, with := range map[string]string{
		"low     = 46 ": "low = 48 ", "high    = 54 ": "high = 52 ",
		"low     = 52 ": "low = 56 ", "high    = 75 ": "high = 67.5 ",
		"low     = 50 ": "low = 55 ", "high    = 100 ": "high = 80 ",
	} {
		require.Contains(t, text, old)
		text = strings.Replace(text, old, with, 1)
	}
	return text
}

// inertText is a small bath with inert anodes: copper oxide, which uses up acid,
// beside copper sulfate, and strong acid only. Figures of the materials from
// molar masses (IUPAC 2021): Cu 63.546, CuO 79.545, H2SO4 98.072.
const inertText = `
title = "inert"
metal = "copper"
charge = 2
anodes = "inert"
volume = 60
[prior]
cathode_efficiency = [0.99, 0.01]
drag_out = [0.0008, 0.0003]
evaporation = [0.3, 0.1]
[[constituent]]
name = "copper"
unit = "g/L"
low = 46
target = 50
high = 54
assay_u = 0.008
[[constituent]]
name = "sulfuric acid"
unit = "g/L"
low = 52
target = 60
high = 75
assay_u = 0.015
[[material]]
name = "copper oxide"
unit = "kg"
brings = { copper = 798.9, "sulfuric acid" = -1232.9 }
litres = 0.1
smallest = 0.005
[[material]]
name = "copper sulfate pentahydrate"
unit = "kg"
brings = { copper = 254.5 }
litres = 0.38
smallest = 0.005
[[material]]
name = "sulfuric acid 96 %"
unit = "L"
brings = { "sulfuric acid" = 1762 }
litres = 0.73
smallest = 0.005
acid = 0.96
density = 1.8355
[[material]]
name = "deionised water"
unit = "L"
water = true
litres = 1
smallest = 0.1
`
