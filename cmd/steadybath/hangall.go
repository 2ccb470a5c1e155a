package main

import (
	"math"
	"slices"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/estimate"
)

// isAll tells whether every anode is meant, as for the weekend.
func isAll(words []string) bool { return len(words) > 0 && strings.EqualFold(words[0], chem.AllAnodes) }

// hangAll hangs again what the last pull of all anodes took down: all of it in
// one step, each as it was.
func (s *session) hangAll(c *cli.Context) error {
	if rest := c.Args().Slice()[1:]; len(rest) > 0 {
		return wrongWords("weigh them after they hang: steadybath anode weigh NAME MASS", "all anodes have no one mass: %s", strings.Join(rest, " "))
	}
	for _, name := range []string{"form", "area", "bag", "u"} {
		if c.IsSet(name) {
			return wrongWords("hang the one that changed by its name", "all anodes hang again as they were: %s cannot be given", dashed(name))
		}
	}
	if _, err := units(c); err != nil {
		return err
	}
	b, err := s.bath(c)
	if err != nil {
		return err
	}
	at, err := s.when(c, b.zone, false)
	if err != nil {
		return err
	}
	bodies, err := hungBefore(b, at)
	if err != nil {
		return err
	}
	return s.enterBodies(c.Context, c, b, at, bodies...)
}

// hungBefore makes the facts that hang again what hung before the last pull of
// all anodes, less what hangs by now.
func hungBefore(b *bathFile, at time.Time) ([]chem.Body, error) {
	var pull *chem.Fact
	for i, f := range b.Facts {
		if p, ok := f.Body.(chem.Pull); ok && strings.EqualFold(p.Anode, chem.AllAnodes) && !f.Time.After(at) {
			pull = &b.Facts[i]
		}
	}
	if pull == nil {
		return nil, refused("hang each by its name: steadybath anode hang slab-a 1.25kg", "all anodes of bath %s were not pulled before, so it is not known which hung", b.Name)
	}
	day := pull.Time.In(b.zone).Format("Mon 2 Jan 15:04")
	before, err := asBefore(b, *pull)
	if err != nil {
		return nil, err
	}
	now, err := b.At(at, estimate.Options{})
	if err != nil {
		return nil, err
	}
	var bodies []chem.Body
	for _, a := range before.Anodes {
		if slices.ContainsFunc(now.Anodes, func(other estimate.Anode) bool { return strings.EqualFold(other.ID, a.ID) }) {
			continue
		}
		bodies = append(bodies, hangAgain(b, a, *pull))
	}
	if len(bodies) == 0 {
		return nil, refused("steadybath history --kind hang shows them", "what was pulled on %s hangs again already", day)
	}
	return bodies, nil
}

// asBefore is the bath at the moment of a fact, without it and what came after.
func asBefore(b *bathFile, f chem.Fact) (*estimate.Estimate, error) {
	var facts []chem.Fact
	for _, e := range b.entered {
		if e.Kind() == chem.KindVoid || e.Kind() == chem.KindBath || chem.Compare(e, f) < 0 {
			facts = append(facts, e)
		}
	}
	bath, err := estimate.Open(facts)
	if err != nil {
		return nil, err
	}
	return bath.At(f.Time, estimate.Options{})
}

// freshWeighing is how long before a pull an anode may have been weighed for
// that to be its mass: within it an idle one loses less than a scale shows.
const freshWeighing = 12 * time.Hour

// hangAgain is an anode as it was before a pull: with what it weighed just
// before, where no charge passed since, or the mass that the log leaves of it;
// and the area, bag and form it was last given.
func hangAgain(b *bathFile, a estimate.Anode, pull chem.Fact) chem.Hang {
	h := chem.Hang{Anode: a.ID, Form: a.Form}
	var weighed chem.Measured
	for _, f := range b.Facts {
		if chem.Compare(f, pull) >= 0 {
			break
		}
		switch body := f.Body.(type) {
		case chem.Plate, chem.Meter, chem.Treat:
			weighed = chem.Measured{}
		case chem.Weigh:
			if strings.EqualFold(body.Anode, a.ID) && pull.Time.Sub(f.Time) <= freshWeighing {
				weighed = body.Mass
			}
		}
		if was, ok := f.Body.(chem.Hang); ok && strings.EqualFold(was.Anode, a.ID) {
			if was.Area.Given() {
				h.Area = was.Area
			}
			if was.Bag != "" {
				h.Bag = was.Bag
			}
		}
	}
	const places = 4 // of a kilogram: a tenth of a gram, as shop scales show
	switch {
	case weighed.Number.Float() > 0:
		h.Mass = weighed
	case !math.IsNaN(a.Mass):
		h.Mass = chem.Measured{Number: chem.DecimalRound(math.Max(a.Mass, 1e-4), places), Unit: "kg", U: chem.DecimalRound(a.U, places)}
	}
	return h
}
