package estimate

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
)

// Molar masses, g/mol: IUPAC 2021 abridged standard atomic weights (Prohaska et
// al. 2022, doi 10.1515/pac-2019-0603; from memory): Cu 63.546, H 1.0080, S
// 32.06, O 15.999.
const (
	gramsCu   = 63.546
	gramsAcid = 2*1.0080 + 32.06 + 4*15.999
)

// perAh is the mol of electrons in an ampere-hour: 3600 s over 96485.33212 C/mol
// (CODATA 2018).
const perAh = 3600 / 96485.33212

// plainRecipe is a bath whose rates do nothing but what a test asks for: keys
// are replaced by with.
const plainRecipe = `
title = "plain"
metal = "copper"
charge = 2
anodes = "soluble"
volume = 60
anode_area = 12
[prior]
anode_efficiency = [1, 0]
cathode_efficiency = [1, 0]
dissolution = [0, 0]
drag_out = [0, 0]
evaporation = [0, 0]
chloride_loss = [0, 0]
meter = [1, 0]
sludge = [0, 0]
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
[[constituent]]
name = "chloride"
unit = "mg/L"
low = 50
target = 60
high = 100
assay_u = 0.04
[[organic]]
name = "brightener"
unit = "mL/L"
low = 3
target = 4
high = 5
assay_u = 0.15
use = [1e-9, 0]
loss = [0, 0]
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
[[material]]
name = "deionised water"
unit = "L"
water = true
litres = 1
smallest = 0.1
`

// with replaces lines of a recipe: with(text, "drag_out = [0.001, 0]").
func with(text string, lines ...string) string {
	for _, line := range lines {
		key := line[:strings.Index(line, "=")]
		at := strings.Index(text, "\n"+key)
		if at < 0 {
			panic("no " + key)
		}
		end := at + 1 + strings.Index(text[at+1:], "\n")
		text = text[:at+1] + line + text[end:]
	}
	return text
}

// log writes facts one after the other.
type log struct {
	now   time.Time
	facts []chem.Fact
}

// newLog begins a bath of the recipe and of 60 L, filled as the targets say,
// with uncertainties u (relative) of volume and composition.
func newLog(recipe string, u float64) *log {
	l := &log{now: monday}
	l.do(chem.Begin{Volume: chem.MeasuredOf(60, "L", 0), Zone: "UTC", Recipe: recipe})
	l.do(chem.Fill{Volume: stated(60, "L", u*60), Origin: chem.OriginMakeUp, Composition: map[string]chem.Measured{
		"copper": stated(50, "g/L", u*50), "sulfuric acid": stated(60, "g/L", u*60), "chloride": stated(60, "mg/L", u*60), "brightener": stated(4, "mL/L", u*4),
	}})
	return l
}

// stated is a number with an uncertainty that is stated even where it is 0.
func stated(v float64, unit chem.Unit, u float64) chem.Measured {
	m := chem.MeasuredOf(v, unit, u)
	if u == 0 {
		m.U = "0"
	}
	return m
}

func (l *log) after(days float64) *log {
	l.now = l.now.Add(time.Duration(days * 24 * float64(time.Hour))).Truncate(time.Microsecond)
	return l
}

func (l *log) do(b chem.Body) uuid.UUID {
	id := uuid.NewSHA1(uuid.Nil, fmt.Append(nil, len(l.facts)))
	l.facts = append(l.facts, chem.Fact{Number: int64(len(l.facts) + 1), ID: id, Time: l.now, Bath: "tank", Body: b})
	return id
}

func (l *log) assay(of string, v float64, unit chem.Unit, u float64) uuid.UUID {
	return l.do(chem.Assay{Of: of, Value: chem.MeasuredOf(v, unit, u), Sample: chem.Sample{Returned: true}})
}

func (l *log) copper(v float64) uuid.UUID { return l.assay("copper", v, "g/L", 0.3) }

func (l *log) level(v, u float64) uuid.UUID {
	return l.do(chem.Level{Volume: chem.MeasuredOf(v, "L", u)})
}

func (l *log) plate(ah float64) uuid.UUID {
	return l.do(chem.Plate{Charge: chem.MeasuredOf(ah, "Ah", 0), Hours: chem.DecimalOf(ah / 5)})
}

func (l *log) open(t testing.TB) *Bath {
	t.Helper()
	b, err := Open(l.facts)
	require.NoError(t, err)
	return b
}

// ask answers at the log's present moment.
func (l *log) ask(t testing.TB) *Estimate {
	t.Helper()
	e, err := l.open(t).At(l.now, Options{Track: true})
	require.NoError(t, err)
	return e
}

func named(t testing.TB, e *Estimate, name string) Constituent {
	t.Helper()
	for _, c := range e.Constituents {
		if c.Name == name {
			return c
		}
	}
	require.Fail(t, "no "+name)
	return Constituent{}
}

func fateOf(t testing.TB, e *Estimate, id uuid.UUID) Fate {
	t.Helper()
	for _, r := range e.Readings {
		if r.Fact.ID == id {
			return r.Fate
		}
	}
	require.Fail(t, "no such reading")
	return ""
}

// why joins the sentences of a kind of flag.
func why(e *Estimate, kind string) string {
	var out []string
	for _, f := range e.Flags {
		if f.Kind == kind {
			out = append(out, f.Subject+": "+f.Why)
		}
	}
	return strings.Join(out, "\n")
}
