package entry

import (
	"fmt"
	"math"
	"strings"
	"time"

	"steadybath/chem"
	"steadybath/chem/estimate"
)

// PastBottles says of which constituents the newest titration was made with a
// bottle that was past its date in the shop's zone, since when that is so, and how
// much less sure it makes the reading. One whose strength was told counts as told,
// and is left out.
func PastBottles(shop []chem.Fact, e *estimate.Estimate, zone *time.Location) []estimate.Flag {
	var out []estimate.Flag
	for _, c := range e.Constituents {
		var since time.Time
		var words string
		for _, f := range e.Bath.Facts {
			a, ok := f.Body.(chem.Assay)
			if !ok || a.Titration == nil || !strings.EqualFold(a.Of, c.Name) || f.Time.After(e.At) {
				continue
			}
			bottle, with, without := widened(shop, e.Recipe, a, f.Time.In(zone))
			if bottle == nil {
				since = time.Time{}
				continue
			}
			if since.IsZero() {
				since = f.Time
			}
			words = fmt.Sprintf("readings since %s rest on lot %s of %s, past its date of %s: u is %.2g %s, not %.2g %s; standardise it anew",
				since.In(zone).Format(time.DateOnly), bottle.Lot, bottle.Name, LastDay(bottle.Expires), with, a.Value.Unit, without, a.Value.Unit)
		}
		if !since.IsZero() {
			out = append(out, estimate.Flag{Kind: "bottle", Subject: c.Name, Time: since, Why: c.Name + ": " + words})
		}
	}
	return out
}

// widened returns the bottle that a titration was made with, where it was past its
// date and [ExpiredU] was counted for that, and the standard uncertainty of the
// reading with it and without, in the reading's unit; nil otherwise. What was
// counted is seen from the row, so that a factor that was told stays as told.
func widened(shop []chem.Fact, r *chem.Recipe, a chem.Assay, at time.Time) (bottle *chem.Titrant, with, without float64) {
	t := a.Titration
	for _, f := range shop {
		if b, ok := f.Body.(chem.Titrant); ok && t.Lot != "" && strings.EqualFold(b.Name, t.Titrant) && strings.EqualFold(b.Lot, t.Lot) && !f.Time.After(at) {
			bottle = &b
		}
	}
	if bottle == nil || !expired(bottle.Expires, at) {
		return nil, 0, 0
	}
	method, _ := r.Method(a.Of, t.Method)
	if math.Abs(t.UFactor.Float()-ExpiredFactorU(*bottle, method)) > 2e-5 {
		return nil, 0, 0
	}
	factor := 1.0
	if t.Factor.Given() {
		factor = t.Factor.Float()
	}
	lot, share := a.ULot.Float(), a.Value.Number.Float()*ExpiredU/factor
	own := a.Value.Uncertainty(a.Value.Unit, 0)
	return bottle, math.Hypot(own, lot), math.Sqrt(own*own + math.Max(0, lot*lot-share*share))
}

// ExpiredFactorU is the standard uncertainty of the factor of a bottle past its
// date: the bottle's own, the method's where the bottle states none, and
// [ExpiredU]. It is from the bottle's figure each time, or a row of titrations
// would widen what the one before had widened.
func ExpiredFactorU(b chem.Titrant, m chem.Method) float64 {
	u := b.UFactor.Float()
	if n := b.Molarity.Number.Float(); b.Molarity.U.Given() && n > 0 {
		u = b.Molarity.U.Float() / n
	}
	if u == 0 {
		u = m.UFactor
	}
	return math.Round(1e5*math.Hypot(u, ExpiredU)) / 1e5
}
