package main

import (
	"slices"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/entry"
	"steadybath/chem/estimate"
	"steadybath/db"
	"steadybath/reports"
)

// asksForList tells whether a command that enters a lot is asked for all of them.
func asksForList(c *cli.Context) bool {
	words := c.Args().Slice()
	return len(words) > 0 && strings.EqualFold(words[0], "list")
}

// shopFile reads the shop's chain as if it were a bath's.
func (s *session) shopFile(c *cli.Context) (*bathFile, error) {
	store, err := s.open(c)
	if err != nil {
		return nil, err
	}
	all, err := store.Baths(c.Context)
	if err != nil {
		return nil, err
	}
	zone, err := s.shopZone(c, all)
	if err != nil {
		return nil, err
	}
	rows, err := store.Rows(c.Context, "", time.Time{})
	if err != nil {
		return nil, err
	}
	if rows, err = s.knownThen(c, rows, zone); err != nil {
		return nil, err
	}
	b := &bathFile{Bath: &estimate.Bath{}, rows: rows, zone: zone}
	b.entered, b.head, err = decodeAll(rows, "the shop")
	return b, err
}

// listed is what a list of lots is made of: the standing facts of the shop and
// of all baths, the materials of the baths' recipes, and a time in the shop's zone.
type listed struct {
	shop, baths []chem.Fact
	materials   []chem.Material
	at          time.Time
}

func (s *session) listed(c *cli.Context, command string) (listed, error) {
	var l listed
	if err := noWords(command+" list", c.Args().Slice()[1:]); err != nil {
		return l, err
	}
	for _, f := range []string{"lot", "molarity", "factor", "factor-u", "price", "opened", "expires", "note", "force", "id"} {
		if c.IsSet(f) {
			return l, wrongWords("leave it out", "steadybath %s list shows every lot and takes no --%s", command, f)
		}
	}
	file, err := s.shopFile(c)
	if err != nil {
		return l, err
	}
	l.shop = chem.Standing(file.entered)
	at, err := s.when(c, file.zone, true)
	if err != nil {
		return l, err
	}
	l.at = at.In(file.zone)
	all, err := s.store.Baths(c.Context)
	if err != nil {
		return l, err
	}
	for _, one := range all {
		if one.Name == "" {
			continue
		}
		b, ok, err := s.otherBath(c, one.Name)
		if err != nil {
			return l, err
		}
		if !ok {
			continue
		}
		l.baths = append(l.baths, b.Facts...)
		for _, m := range b.Recipe(at).Materials {
			if !slices.ContainsFunc(l.materials, func(have chem.Material) bool { return strings.EqualFold(have.Name, m.Name) }) {
				l.materials = append(l.materials, m)
			}
		}
	}
	return l, nil
}

func runTitrantList(s *session, c *cli.Context) error {
	l, err := s.listed(c, "titrant")
	if err != nil {
		return err
	}
	lots := entry.TitrantLots(l.shop, l.baths, l.at)
	if c.Bool("json") {
		return reports.TitrantLotsJSON(s.stdout, lots)
	}
	return reports.TitrantLots(s.stdout, lots)
}

func runStockList(s *session, c *cli.Context) error {
	l, err := s.listed(c, "material")
	if err != nil {
		return err
	}
	var lots []entry.StockLot
	for _, stock := range entry.StockOf(l.shop, l.baths, l.materials, l.at) {
		lots = append(lots, stock.Lots...)
	}
	if c.Bool("json") {
		return reports.StockLotsJSON(s.stdout, lots)
	}
	return reports.StockLots(s.stdout, lots)
}

// shopZone is the zone of the shop's times: the first bath's, or the machine's.
func (s *session) shopZone(c *cli.Context, all []db.Bath) (*time.Location, error) {
	for _, one := range all {
		if one.Name == "" {
			continue
		}
		rows, err := s.store.Rows(c.Context, one.Name, time.Time{})
		if err != nil {
			return nil, err
		}
		return zoneOf(rows)
	}
	return loadZone(machineZone(s.env))
}
