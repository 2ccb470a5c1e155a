package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/dose"
	"steadybath/chem/entry"
	"steadybath/chem/estimate"
)

// stock is what there is of the bath's materials at a time, where the shop counts
// any, and what to say of lots that do not count.
func (s *session) stock(c *cli.Context, b *bathFile, at time.Time) (map[string]dose.Stock, []string, error) {
	entered, err := s.shopEntered(c, b.zone)
	if err != nil {
		return nil, nil, err
	}
	shop := chem.Standing(entered)
	if !slices.ContainsFunc(shop, func(f chem.Fact) bool { return f.Kind() == chem.KindMaterial }) {
		return nil, nil, nil
	}
	all, err := s.store.Baths(c.Context)
	if err != nil {
		return nil, nil, err
	}
	facts := b.Facts
	for _, one := range all {
		if one.Name == "" || one.Name == b.Name {
			continue
		}
		other, ok, err := s.otherBath(c, one.Name)
		if err != nil {
			return nil, nil, err
		}
		if !ok {
			continue
		}
		facts = append(facts[:len(facts):len(facts)], other.Facts...)
	}
	out := map[string]dose.Stock{}
	var said []string
	materials := b.Recipe(at).Materials
	for _, x := range entry.StockOf(shop, facts, materials, at.In(b.zone)) {
		if !slices.ContainsFunc(materials, func(m chem.Material) bool { return m.Name == x.Material }) {
			continue // no material of this bath
		}
		out[x.Material] = dose.Stock{Left: x.Left, Price: x.Price}
		if len(x.Expired) > 0 {
			said = append(said, fmt.Sprintf("%s: of lot %s nothing is counted, since it is past its date", x.Material, strings.Join(x.Expired, ", ")))
		}
	}
	return out, said, nil
}

// plan is what to add now, with what there is in stock and what is to be read next.
func (s *session) plan(c *cli.Context, b *bathFile, e *estimate.Estimate, o dose.Options) (*dose.Plan, error) {
	stock, said, err := s.stock(c, b, e.At)
	if err != nil {
		return nil, err
	}
	o.Stock = stock
	plan, err := dose.Make(e, o)
	if err != nil {
		return nil, refused("steadybath state shows the windows", "%v", err)
	}
	plan.Quiet = append(plan.Quiet, said...)
	plan.Next = dose.Schedule(e, plan, o)
	return plan, nil
}
