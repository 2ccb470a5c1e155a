package entry

import (
	"slices"
	"strings"
	"time"

	"steadybath/chem"
)

// TitrantLot is what the log knows of one bottle of standard solution.
type TitrantLot struct {
	Name       string
	Lot        string
	Molarity   chem.Measured // as last standardised
	Factor     chem.Decimal
	Opened     string
	Expires    string
	Expired    bool
	Titrations int
	Delivered  float64 // mL through the burette, all replicates
	Last       time.Time
}

// TitrantLots lists the bottles that the shop's standing facts name, in order of
// entry, with what the titrations of all baths took from them, until a time in
// the shop's zone.
func TitrantLots(shop, baths []chem.Fact, at time.Time) []TitrantLot {
	var lots []TitrantLot
	find := func(name, lot string) int {
		return slices.IndexFunc(lots, func(l TitrantLot) bool {
			return strings.EqualFold(l.Name, name) && strings.EqualFold(l.Lot, lot)
		})
	}
	for _, f := range shop {
		t, ok := f.Body.(chem.Titrant)
		if !ok || f.Time.After(at) {
			continue
		}
		i := find(t.Name, t.Lot)
		if i < 0 {
			i = len(lots)
			lots = append(lots, TitrantLot{Name: t.Name, Lot: t.Lot})
		}
		l := &lots[i]
		l.Molarity, l.Factor, l.Expires, l.Expired = t.Molarity, t.Factor, t.Expires, expired(t.Expires, at)
		if t.Opened != "" {
			l.Opened = t.Opened
		}
	}
	for _, f := range baths {
		a, ok := f.Body.(chem.Assay)
		if !ok || a.Titration == nil || f.Time.After(at) {
			continue
		}
		i := find(a.Titration.Titrant, a.Titration.Lot)
		if i < 0 {
			continue
		}
		l := &lots[i]
		l.Titrations++
		for _, d := range a.Titration.Delivered {
			l.Delivered += d.Float()
		}
		if f.Time.After(l.Last) {
			l.Last = f.Time
		}
	}
	return lots
}
