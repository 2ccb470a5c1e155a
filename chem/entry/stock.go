package entry

import (
	"math"
	"slices"
	"strings"
	"time"

	"steadybath/chem"
)

// StockLeft is what is left of a material over all of its lots that are still
// good.
type StockLeft struct {
	Left    float64  // in the material's unit
	Price   float64  // per unit, of the newest lot that states one; 0 unknown
	Expired []string // lots that are past their date, and do not count
}

// StockNow says what is left of each of materials of which stock was ever entered,
// by name, at a time in the shop's zone. An addition counts from the first entry
// of its material on, whether it names a lot or not, since people forget to; so it
// may be less than [StockLots] leaves in the lots, of which each is counted alone.
func StockNow(shop, baths []chem.Fact, materials []chem.Material, at time.Time) map[string]StockLeft {
	out := map[string]StockLeft{}
	for _, m := range materials {
		var s StockLeft
		var first time.Time
		found := false
		gone := map[string]bool{} // lots that have expired
		newest := map[string]chem.Stock{}
		for _, f := range shop {
			if in, ok := f.Body.(chem.Stock); ok && strings.EqualFold(in.Material, m.Name) && !f.Time.After(at) {
				newest[strings.ToLower(in.Lot)] = in
				if !found || f.Time.Before(first) {
					first, found = f.Time, true
				}
			}
		}
		if !found {
			continue
		}
		for lot, in := range newest {
			if expired(in.Expires, at) {
				gone[lot] = true
				s.Expired = append(s.Expired, lotName(in.Lot))
			}
		}
		for _, f := range shop {
			in, ok := f.Body.(chem.Stock)
			if !ok || !strings.EqualFold(in.Material, m.Name) || f.Time.After(at) {
				continue
			}
			x, err := m.Amount(in.Amount)
			if err != nil {
				continue
			}
			if !gone[strings.ToLower(in.Lot)] {
				s.Left += x
			}
			one, err := m.Amount(chem.Measured{Number: "1", Unit: in.Amount.Unit})
			if p := in.Price.Float(); p > 0 && err == nil && one > 0 {
				s.Price = p / one
			}
		}
		for _, f := range baths {
			a, ok := f.Body.(chem.Add)
			if !ok || !strings.EqualFold(a.Material, m.Name) || f.Time.Before(first) || f.Time.After(at) || gone[strings.ToLower(a.Lot)] && a.Lot != "" {
				continue
			}
			if x, err := m.Amount(a.Amount); err == nil {
				s.Left -= x
			}
		}
		s.Left = math.Max(0, s.Left)
		slices.Sort(s.Expired)
		out[m.Name] = s
	}
	return out
}
