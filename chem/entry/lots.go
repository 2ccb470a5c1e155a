package entry

import (
	"math"
	"slices"
	"strings"
	"time"

	"steadybath/chem"
)

// StockLot is what the log knows of one lot of a material.
type StockLot struct {
	Material  string
	Lot       string // empty for what came in, or went out, without a lot
	Unit      chem.Unit
	Came      float64 // Unit, all that was entered of it
	Went      float64 // Unit, added to baths
	Uncounted int     // amounts that cannot be counted in Unit
	Opened    string
	Expires   string
	Expired   bool
}

// Left is what should still be there, never less than nothing; in Unit.
func (l StockLot) Left() float64 { return math.Max(0, l.Came-l.Went) }

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

// StockLots lists the lots of material that the shop's standing facts name, in
// the order of materials, and what went out of each by the standing facts of all
// baths, until a time in the shop's zone. Units are those of materials, or of
// what came in first where none of them has the name.
func StockLots(shop, baths []chem.Fact, materials []chem.Material, at time.Time) []StockLot {
	var lots []StockLot
	find := func(material, lot string) int {
		return slices.IndexFunc(lots, func(l StockLot) bool {
			return strings.EqualFold(l.Material, material) && strings.EqualFold(l.Lot, lot)
		})
	}
	measure := func(name string, amount chem.Measured) chem.Material {
		for _, m := range materials {
			if strings.EqualFold(m.Name, name) {
				return m
			}
		}
		for _, l := range lots {
			if strings.EqualFold(l.Material, name) {
				return chem.Material{Name: name, Unit: l.Unit}
			}
		}
		return chem.Material{Name: name, Unit: amount.Unit}
	}
	count := func(l *StockLot, into *float64, m chem.Material, amount chem.Measured) {
		x, err := m.Amount(amount)
		if err != nil {
			l.Uncounted++
			return
		}
		*into += x
	}
	for _, f := range shop {
		in, ok := f.Body.(chem.Stock)
		if !ok || f.Time.After(at) {
			continue
		}
		m := measure(in.Material, in.Amount)
		i := find(in.Material, in.Lot)
		if i < 0 {
			i = len(lots)
			lots = append(lots, StockLot{Material: m.Name, Lot: in.Lot, Unit: m.Unit})
		}
		l := &lots[i]
		count(l, &l.Came, m, in.Amount)
		l.Opened, l.Expires = in.Opened, in.Expires
		l.Expired = expired(in.Expires, at)
	}
	for _, f := range baths {
		a, ok := f.Body.(chem.Add)
		if !ok || f.Time.After(at) {
			continue
		}
		if i := find(a.Material, a.Lot); i >= 0 {
			count(&lots[i], &lots[i].Went, measure(a.Material, a.Amount), a.Amount)
		}
	}
	place := func(l StockLot) int {
		i := slices.IndexFunc(materials, func(m chem.Material) bool { return strings.EqualFold(m.Name, l.Material) })
		if i < 0 {
			return len(materials)
		}
		return i
	}
	slices.SortStableFunc(lots, func(a, b StockLot) int { return place(a) - place(b) })
	return lots
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
