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

// Stock is what the log knows of one material of which some was ever entered.
type Stock struct {
	Material string
	Unit     chem.Unit
	Lots     []StockLot // in the order of entry
	Left     float64    // Unit, over all lots that are still good, never less than nothing
	Price    float64    // per Unit, of the newest lot that states one; 0 unknown
	Expired  []string   // lots that are past their date, and do not count
}

// StockOf counts what the shop's standing facts brought in and the standing facts
// of all baths, additions and make-ups, took out, until a time in the shop's zone. Stocks are in the order
// of materials, whose units they have; one that none of them names follows, in the
// unit of what came in first. A lot loses what was added from it by name. All lots
// together lose every addition since the first entry, since people forget the lot. So less may be left in all than the lots leave one by one.
func StockOf(shop, baths []chem.Fact, materials []chem.Material, at time.Time) []Stock {
	var all []Stock
	var first []time.Time // of all
	find := func(name string) int {
		return slices.IndexFunc(all, func(s Stock) bool { return strings.EqualFold(s.Material, name) })
	}
	measure := func(s Stock) chem.Material {
		for _, m := range materials {
			if strings.EqualFold(m.Name, s.Material) {
				return m
			}
		}
		return chem.Material{Name: s.Material, Unit: s.Unit}
	}
	for _, f := range shop {
		in, ok := f.Body.(chem.Stock)
		if !ok || f.Time.After(at) {
			continue
		}
		i := find(in.Material)
		if i < 0 {
			i = len(all)
			m := measure(Stock{Material: in.Material, Unit: in.Amount.Unit})
			all, first = append(all, Stock{Material: m.Name, Unit: m.Unit}), append(first, f.Time)
		}
		s, m := &all[i], measure(all[i])
		l := s.lot(in.Lot)
		if l == nil {
			s.Lots = append(s.Lots, StockLot{Material: s.Material, Lot: in.Lot, Unit: s.Unit})
			l = &s.Lots[len(s.Lots)-1]
		}
		if x, err := m.Amount(in.Amount); err == nil {
			l.Came += x
		} else {
			l.Uncounted++
		}
		l.Opened, l.Expires, l.Expired = in.Opened, in.Expires, expired(in.Expires, at)
		one, err := m.Amount(chem.Measured{Number: "1", Unit: in.Amount.Unit})
		if p := in.Price.Float(); p > 0 && err == nil && one > 0 {
			s.Price = p / one
		}
		if f.Time.Before(first[i]) {
			first[i] = f.Time
		}
	}
	for i := range all {
		for _, l := range all[i].Lots {
			if l.Expired {
				all[i].Expired = append(all[i].Expired, lotName(l.Lot))
			} else {
				all[i].Left += l.Came
			}
		}
		slices.Sort(all[i].Expired)
	}
	took := func(t time.Time, a chem.Add) {
		i := find(a.Material)
		if i < 0 {
			return
		}
		s := &all[i]
		l := s.lot(a.Lot)
		x, err := measure(*s).Amount(a.Amount)
		switch {
		case l != nil && err != nil:
			l.Uncounted++
		case l != nil:
			l.Went += x
		}
		if err != nil || t.Before(first[i]) || a.Lot != "" && l != nil && l.Expired {
			return
		}
		s.Left -= x
	}
	for _, f := range baths {
		if f.Time.After(at) {
			continue
		}
		switch body := f.Body.(type) {
		case chem.Add:
			took(f.Time, body)
		case chem.Fill:
			for material, w := range body.Weighed {
				took(f.Time, chem.Add{Material: material, Amount: w.Amount, Lot: w.Lot})
			}
		}
	}
	for i := range all {
		all[i].Left = math.Max(0, all[i].Left)
	}
	place := func(s Stock) int {
		i := slices.IndexFunc(materials, func(m chem.Material) bool { return strings.EqualFold(m.Name, s.Material) })
		if i < 0 {
			return len(materials)
		}
		return i
	}
	slices.SortStableFunc(all, func(a, b Stock) int { return place(a) - place(b) })
	return all
}

// lot finds a lot by its name, nil where there is none.
func (s *Stock) lot(name string) *StockLot {
	for i := range s.Lots {
		if strings.EqualFold(s.Lots[i].Lot, name) {
			return &s.Lots[i]
		}
	}
	return nil
}
