package forecast

import (
	"math"
	"time"

	"steadybath/chem"
)

// leadUnsaid is how long an order takes where the recipe does not say.
const leadUnsaid = 7.0 // days: an assumption, to be set by the recipe's lead_days

// BuyBy says what to order of a material that runs out, and by when: on the early
// date less its lead time, so that in nine futures of ten it has come before it is
// missed; at itself where that has passed; and no less than half of what the horizon
// takes, since nobody sends for a week's worth. left is what there is and need what the
// horizon asks for, both in the material's unit. False: it does not run out.
func BuyBy(m chem.Material, left float64, out Dates, need float64, at time.Time) (Purchase, bool) {
	if out.P10.IsZero() || m.Water {
		return Purchase{}, false
	}
	p := Purchase{Material: m, Left: math.Max(0, left), Unit: m.Unit, Out: out, LeadDays: m.LeadDays}
	if p.LeadDays <= 0 {
		p.LeadDays, p.LeadAssumed = leadUnsaid, true
	}
	p.By = out.P10.Add(-time.Duration(p.LeadDays * 24 * float64(time.Hour)))
	if p.By.Before(at) {
		p.By = at
	}
	p.Amount = orderable(math.Max(math.Max(need-p.Left, need/2), m.Smallest))
	return p, true
}

// orderable rounds an amount up to two figures: nobody orders 3.437 kg.
func orderable(x float64) float64 {
	if !(x > 0) || math.IsInf(x, 0) {
		return 0
	}
	digits := int(math.Floor(math.Log10(x))) - 1
	step := math.Pow10(max(digits, -digits))
	if digits < 0 {
		return math.Ceil(x*step-1e-9) / step
	}
	return math.Ceil(x/step-1e-9) * step
}
