package estimate

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"steadybath/chem"
)

// How long peroxide may be left in a bath, and the blank that shows it gone: common
// practice, no source.
const (
	peroxideLeft = 7 * 24 * time.Hour
	cleanBlank   = 0.1 // mL
)

// oxidised returns when peroxide went in where assay a, at the moment at, is a
// titration of the metal by thiosulfate that takes what is left of it for metal:
// within a week of it, and without a clean blank stated.
func (r *run) oxidised(at time.Time, a chem.Assay) (since time.Time, ok bool) {
	t := a.Titration
	if t == nil || r.l.metal < 0 || !strings.EqualFold(a.Of, r.l.cons[r.l.metal].Name) ||
		!strings.Contains(strings.ToLower(t.Titrant+" "+t.Method), "thiosulfate") {
		return time.Time{}, false
	}
	if t.Blank.Given() && t.Blank.Float() <= cleanBlank {
		return time.Time{}, false
	}
	facts := r.bath.Facts
	end, _ := slices.BinarySearchFunc(facts, at, func(f chem.Fact, at time.Time) int {
		if f.Time.After(at) {
			return 1
		}
		return -1
	})
	for i := end - 1; i >= 0 && at.Sub(facts[i].Time) <= peroxideLeft; i-- {
		// A treatment of the same moment comes after its readings.
		if b, treated := facts[i].Body.(chem.Treat); treated && b.With == chem.TreatPeroxide && facts[i].Time.Before(at) {
			return facts[i].Time, true
		}
	}
	return time.Time{}, false
}

// atMost turns a reading that can only be too high into an upper limit: what was
// read, with its uncertainty, bounds what is there.
func (r *run) atMost(o observation) observation {
	value, noise := o.value, o.r
	for _, h := range o.h { // a lot's bias is part of the reading here
		if h.at >= r.l.fixed {
			noise += h.by * h.by * r.s.p(h.at, h.at)
		}
	}
	limit := r.ordinal(o.subj.con, math.Inf(-1), value, noise)
	limit.pattern.shown, limit.pattern.u, limit.sample = value, math.Sqrt(noise), o.sample
	return limit
}

// peroxideFlag says that a titration was taken for an upper limit.
func (r *run) peroxideFlag(f chem.Fact) {
	a, ok := f.Body.(chem.Assay)
	if !ok {
		return
	}
	if since, ok := r.oxidised(f.Time, a); ok {
		r.flagAnew("peroxide", a.Of, f.Time, fmt.Sprintf("%s by thiosulfate of %s counts as an upper limit only: peroxide went in on %s, and it reads high until a blank is clean; titrate again with a blank and state it",
			a.Of, f.Time.Format(time.DateOnly), since.Format(time.DateOnly)))
	}
}

// contaminantFlag says what helps against a contaminant that is above its limit.
func contaminantFlag(c Constituent, at time.Time) (Flag, bool) {
	if !c.Contaminant() || !c.Known || c.Verdict != High {
		return Flag{}, false
	}
	return Flag{"contaminant", c.Name, at, fmt.Sprintf("%s %s is above its limit of %s, and nothing that is added takes it out: dummy-plate at low current, treat the bath, or replace a part of it",
		figure(c.Value), c.Unit, figure(c.High))}, true
}
