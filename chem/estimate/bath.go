package estimate

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"steadybath/chem"
	"steadybath/chem/recipe"
)

// ErrNoBath is returned where the facts hold no beginning of a bath.
var ErrNoBath = errors.New("no fact says that the bath begins")

// Bath is a bath as its facts describe it: what it ought to be at each moment,
// and everything that happened to it and still stands.
type Bath struct {
	Name   string
	Zone   string  // IANA name of the shop's time zone
	Volume float64 // L, the volume it is run at
	Tank   chem.Tank
	Began  time.Time
	Facts  []chem.Fact // standing facts in the order in which they happened

	LeftOut []Flag // settings that stand but cannot be applied

	recipes []dated
	noise   noises
}

type dated struct {
	from   time.Time
	recipe *chem.Recipe
}

// Open reads a bath from one chain of facts in order of entry. Where a chain
// begins a bath twice the earlier beginning counts.
func Open(entered []chem.Fact) (*Bath, error) {
	b := &Bath{Facts: chem.Standing(entered), noise: usualNoises()}
	meterLast(b.Facts)
	checksLast(b.Facts)
	at := slices.IndexFunc(b.Facts, func(f chem.Fact) bool { return f.Kind() == chem.KindBath })
	if at < 0 {
		return nil, ErrNoBath
	}
	f := b.Facts[at]
	body := f.Body.(chem.Begin)
	r, err := recipe.Parse(f.Bath, []byte(body.Recipe))
	if err != nil {
		return nil, fmt.Errorf("recipe of bath %s: %w", f.Bath, err)
	}
	b.Name, b.Zone, b.Tank, b.Began = f.Bath, body.Zone, body.Tank, f.Time
	b.Volume = r.Volume
	if body.Volume.Given() {
		b.Volume = body.Volume.Value("L")
	}
	// A log that was kept on paper may go back before the day on which the bath
	// was set up here.
	for _, f := range b.Facts[:at] {
		if happens(f.Kind()) {
			b.Began = f.Time
			break
		}
	}
	b.recipes = []dated{{b.Began, r}}
	for _, f := range b.Facts {
		body, ok := f.Body.(chem.Setting)
		if !ok {
			continue
		}
		last := &b.recipes[len(b.recipes)-1]
		r, err := recipe.Apply(last.recipe, body)
		if err != nil {
			// A bath must stay readable whatever an import brought.
			b.LeftOut = append(b.LeftOut, Flag{Kind: "setting", Subject: body.Key, Time: f.Time,
				Why: fmt.Sprintf("fact %d, the setting of %s, is left out: %v; void it, or set it again", f.Number, body.Key, err)})
			continue
		}
		if f.Time.After(last.from) {
			b.recipes = append(b.recipes, dated{f.Time, r})
		} else {
			last.recipe = r
		}
	}
	return b, nil
}

// happens tells whether a fact of the kind does or says something about what is
// in the tank.
func happens(k chem.Kind) bool {
	switch k {
	case chem.KindBath, chem.KindSetting, chem.KindTitrant, chem.KindMaterial, chem.KindNote, chem.KindVoid, chem.KindChange:
		return false
	}
	return true
}

// meterLast puts meter readings after the plating runs of the same moment,
// whatever their ids: the reading has those runs in it.
func meterLast(facts []chem.Fact) {
	for i := 1; i < len(facts); i++ {
		for k := i; k > 0 && facts[k].Kind() == chem.KindPlate && facts[k-1].Kind() == chem.KindMeter && facts[k].Time.Equal(facts[k-1].Time); k-- {
			facts[k], facts[k-1] = facts[k-1], facts[k]
		}
	}
}

// checksLast puts hydrometer readings after the other readings of the same moment,
// whatever their ids, and panels after those: a hydrometer checks what the
// titrations found, and what they found decides whether a panel counts.
func checksLast(facts []chem.Fact) {
	for i := 1; i < len(facts); i++ {
		for k := i; k > 0 && facts[k].Time.Equal(facts[k-1].Time); k-- {
			after, before := turn(facts[k-1]), turn(facts[k])
			if before < 0 || after <= before {
				break
			}
			facts[k], facts[k-1] = facts[k-1], facts[k]
		}
	}
}

// turn is the place of a reading among those of one moment, -1 for other facts.
func turn(f chem.Fact) int {
	switch b := f.Body.(type) {
	case chem.Panel:
		return 2
	case chem.Assay:
		if strings.EqualFold(b.Of, densityName) {
			return 1
		}
		return 0
	case chem.Level, chem.Weigh:
		return 0
	}
	return -1
}

// Recipe returns the recipe with the settings in force at t.
func (b *Bath) Recipe(t time.Time) *chem.Recipe {
	r := b.recipes[0].recipe
	for _, d := range b.recipes {
		if d.from.After(t) {
			break
		}
		r = d.recipe
	}
	return r
}

// Most returns the volume the tank may hold, and Least the volume below which
// it should not be run; 2 % above and 20 % below the bath's volume where the
// tank was not measured.
func (b *Bath) Most() float64 {
	if b.Tank.Most.Given() {
		return b.Tank.Most.Value("L")
	}
	return b.Volume * tankMargin
}

// Least is described at Most.
func (b *Bath) Least() float64 {
	if b.Tank.Least.Given() {
		return b.Tank.Least.Value("L")
	}
	return b.Volume / 1.25
}

// tankMargin is how far above its volume a bath may be filled where the tank
// was not measured: common practice of freeboard, no source.
const tankMargin = 1.02

// LastReadings returns the newest standing assay of each constituent up to t,
// by lower-case name.
func (b *Bath) LastReadings(t time.Time) map[string]chem.Fact {
	out := map[string]chem.Fact{}
	for _, f := range b.Facts {
		if a, ok := f.Body.(chem.Assay); ok && !f.Time.After(t) {
			out[strings.ToLower(a.Of)] = f
		}
	}
	return out
}
