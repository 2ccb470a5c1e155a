package main

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/entry"
	"steadybath/chem/estimate"
	"steadybath/chem/journal"
	"steadybath/db"
	"steadybath/reports"
)

// shopFlags stand on every command that enters a fact of the shop, which
// belongs to no bath.
func shopFlags(more ...cli.Flag) []cli.Flag {
	return slices.DeleteFunc(writeFlags(more...), func(f cli.Flag) bool { return hasName(f, "bath") || hasName(f, "units") })
}

// lotFlags are what stands on a bottle.
func lotFlags(more ...cli.Flag) []cli.Flag {
	return append(more,
		&cli.StringFlag{Name: "opened", Usage: "`DATE` on which it was opened, such as 2026-03-02"},
		&cli.StringFlag{Name: "expires", Usage: "`DATE` until which it is good, such as 2027-03 or 2027-03-02"})
}

// listKnownOn is --known-on where the same command enters and lists.
func listKnownOn() cli.Flag {
	return &cli.StringFlag{Name: "known-on", Usage: "with list: only what had been entered by `WHEN`"}
}

func titrantCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "titrant", Usage: "enter a lot of standard solution", UsageText: "steadybath titrant NAME --lot LOT --molarity MOLARITY | list",
		Description: describe("A bottle of the shop, for all baths: titrate --lot takes its molarity and factor\nfrom here. Enter it again when it was standardised anew. The bottle's own label and\nsafety data sheet come first: some titrants are poisons. The word list shows the\nbottles: strength, dates, what titrations took.",
			`steadybath titrant EDTA --lot E7 --molarity "0.1 mol/L" --factor 1.002 --factor-u 0.001`,
			`steadybath titrant EDTA --lot E8 --molarity "0.1+-0.0002 mol/L" --expires 2027-03`, "steadybath titrant list"),
		Flags: shopFlags(lotFlags(
			&cli.StringFlag{Name: "lot", Usage: "the `LOT` on the bottle"},
			&cli.StringFlag{Name: "molarity", Usage: "nominal `MOLARITY`, such as \"0.1 mol/L\""},
			&cli.StringFlag{Name: "factor", Usage: "actual over nominal molarity of the lot, `FACTOR`"},
			&cli.StringFlag{Name: "factor-u", Usage: "standard uncertainty of the factor, `U`"}, listKnownOn())...),
		Action: func(c *cli.Context) error {
			if asksForList(c) {
				return runTitrantList(s, c)
			}
			if c.IsSet("known-on") {
				return wrongWords("leave it out", "--known-on goes with steadybath %s list; what is entered is known from now on", c.Command.Name)
			}
			return s.enterShop(c.Context, c, func(names shopNames, dates func(string) (string, error)) (chem.Body, error) {
				return titrantBody(c, names.titrants, dates)
			})
		},
	}
}

func titrantBody(c *cli.Context, known []string, date func(string) (string, error)) (chem.Body, error) {
	const such = `such as: steadybath titrant EDTA --lot E7 --molarity "0.1 mol/L"`
	t := chem.Titrant{Lot: strings.TrimSpace(c.String("lot"))}
	typed := strings.Join(c.Args().Slice(), " ")
	if typed == "" {
		return nil, wrongWords(such, "the name of the titrant is missing")
	}
	var err error
	if t.Name, err = pickOrNew("titrant", typed, known); err != nil {
		return nil, err
	}
	if t.Lot == "" {
		return nil, wrongWords(such, "--lot is missing: titrate finds the bottle by it")
	}
	if c.String("molarity") == "" {
		return nil, wrongWords(such, "--molarity is missing")
	}
	if t.Molarity, err = flagQuantity("molarity", c.String("molarity"), chem.DimMolarity); err != nil {
		return nil, err
	}
	if t.Factor, err = flagNumber("factor", c.String("factor")); err != nil {
		return nil, err
	}
	if t.UFactor, err = flagNumber("factor-u", c.String("factor-u")); err != nil {
		return nil, err
	}
	if t.UFactor.Given() && t.Molarity.U.Given() {
		return nil, wrongWords("leave one of them out", "the uncertainty is given twice, as ± %s and as --factor-u %s", t.Molarity.U, t.UFactor)
	}
	if t.Opened, t.Expires, err = bottleDates(c, date); err != nil {
		return nil, err
	}
	return t, nil
}

func materialCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "material", Usage: "enter a lot of material as bought", UsageText: "steadybath material NAME AMOUNT | list",
		Description: describe("Stock of the shop, for all baths: how much came in, and what it cost per unit of\nthe amount. The word list shows what is left of each lot.",
			`steadybath material "copper sulfate pentahydrate" 5kg --lot K4 --price 7.40`,
			"steadybath material brightener 500mL --lot B12 --opened 2026-03-02 --expires 2027-03", "steadybath material list"),
		Flags: shopFlags(lotFlags(
			&cli.StringFlag{Name: "lot", Usage: "the `LOT` it came from"},
			&cli.StringFlag{Name: "price", Usage: "`PRICE` per unit of the amount (per kg where it is in kg), in the shop's money"}, listKnownOn())...),
		Action: func(c *cli.Context) error {
			if asksForList(c) {
				return runStockList(s, c)
			}
			if c.IsSet("known-on") {
				return wrongWords("leave it out", "--known-on goes with steadybath %s list; what is entered is known from now on", c.Command.Name)
			}
			return s.enterShop(c.Context, c, func(names shopNames, dates func(string) (string, error)) (chem.Body, error) {
				return stockBody(c, names.materials, dates)
			})
		},
	}
}

func stockBody(c *cli.Context, known []string, date func(string) (string, error)) (chem.Body, error) {
	m := chem.Stock{Lot: strings.TrimSpace(c.String("lot"))}
	typed, amounts := splitNamed(c.Args().Slice(), known)
	if typed == "" {
		return nil, wrongWords("such as: steadybath material brightener 500mL --lot B12", "the name of the material is missing")
	}
	var err error
	if m.Material, err = pickOrNew("material", typed, known); err != nil {
		return nil, err
	}
	if m.Amount, err = quantity("the amount of "+m.Material, amounts, chem.DimMass, chem.DimVolume); err != nil {
		return nil, err
	}
	if m.Amount.Number.Float() == 0 {
		return nil, wrongWords("what came in is more than nothing, such as 500 mL; additions take it off by themselves", "the amount of %s is %s", m.Material, m.Amount)
	}
	if m.Amount.U.Given() {
		return nil, wrongWords("", "stock is counted, and has no uncertainty: %s", m.Amount)
	}
	if m.Price, err = flagNumber("price", c.String("price")); err != nil {
		return nil, err
	}
	if err := notBelowZero("--price", chem.Measured{Number: m.Price}); err != nil {
		return nil, err
	}
	if m.Opened, m.Expires, err = bottleDates(c, date); err != nil {
		return nil, err
	}
	return m, nil
}

// pickOrNew is pick where a name may be a new one.
func pickOrNew(what, typed string, known []string) (string, error) {
	name, err := pick(what, typed, known)
	if status, _ := classify(err); err != nil && status == statusRefused {
		return typed, nil
	}
	return name, err
}

func bottleDates(c *cli.Context, date func(string) (string, error)) (opened, expires string, err error) {
	if opened, err = date("opened"); err != nil {
		return "", "", err
	}
	if expires, err = date("expires"); err != nil {
		return "", "", err
	}
	if opened != "" && expires != "" && entry.LastDay(expires) < opened[:min(len(opened), 10)] {
		return "", "", wrongWords("", "--expires %s is before --opened %s", expires, opened)
	}
	return opened, expires, nil
}

// shopNames are the names that the recipes of all baths use.
type shopNames struct{ titrants, materials []string }

// enterShop is the whole of a command that enters a fact of the shop.
func (s *session) enterShop(ctx context.Context, c *cli.Context, body func(shopNames, func(string) (string, error)) (chem.Body, error)) error {
	now, err := s.now()
	if err != nil {
		return err
	}
	names, zone, err := s.shopNames(c, now)
	if err != nil {
		return err
	}
	at, err := s.when(c, zone, false)
	if err != nil {
		return err
	}
	b, err := body(names, func(flag string) (string, error) { return bottleDate(flag, c.String(flag), now, zone) })
	if err != nil {
		return err
	}
	shop, err := s.shop(c)
	if err != nil {
		return err
	}
	id, err := newID(c)
	if err != nil {
		return err
	}
	f := chem.Fact{ID: id, Time: at, Note: c.String("note"), Body: b}
	row, err := journal.Encode(f)
	if err != nil {
		return wrongWords("", "%s", whyOf(b, err))
	}
	stored, again, err := s.known(ctx, c, row)
	if err != nil {
		return err
	}
	entries := []db.Entry{{Row: stored, Known: true}}
	if !again {
		f.Time = at.In(zone)
		if err := s.settle(c, &row, entry.CheckShop(shop, names.titrants, names.materials, f)); err != nil {
			return err
		}
		if entries, err = s.write(ctx, c, nil, row); err != nil {
			return err
		}
	}
	if c.Bool("json") {
		err = s.sayEntered(c, &bathFile{zone: zone}, entries, []chem.Body{b})
	} else {
		f.Number, f.Note = entries[0].Number, entries[0].Note
		err = say(s.stdout, "%d  %s  %s%s", f.Number, entries[0].Time.In(zone).Format("Mon 2 Jan 15:04"), reports.FactWords(f), knownWords(entries[0].Known))
		if care := careOf(nil, b); err == nil && care != "" {
			err = say(s.stdout, "%s", care)
		}
	}
	if err != nil {
		return writtenAll(entries, err)
	}
	return nil
}

func knownWords(known bool) string {
	if known {
		return " (it was there already)"
	}
	return ""
}

// known looks for a fact that is typed again with its --id.
func (s *session) known(ctx context.Context, c *cli.Context, row journal.Row) (journal.Row, bool, error) {
	if c.String("id") == "" {
		return row, false, nil
	}
	stored, ok, err := s.store.Row(ctx, row.Bath, row.ID)
	return stored, ok && sameButTime(stored, row, c.String("at") == ""), err
}

// shop reads the standing facts of the shop.
func (s *session) shop(c *cli.Context) ([]chem.Fact, error) {
	entered, err := s.shopEntered(c, time.UTC)
	return chem.Standing(entered), err
}

// shopFor is shop, read once for a bath that is at hand.
func (s *session) shopFor(c *cli.Context, b *bathFile) ([]chem.Fact, error) {
	if b.shop != nil {
		return b.shop, nil
	}
	return s.shop(c)
}

// shopEntered reads the facts of the shop in order of entry, those entered by
// --known-on where that is given, a day of which ends in the zone.
func (s *session) shopEntered(c *cli.Context, zone *time.Location) ([]chem.Fact, error) {
	until, err := s.knownOn(c, zone)
	if err != nil {
		return nil, err
	}
	rows, err := s.store.Rows(c.Context, "", until)
	if err != nil {
		return nil, err
	}
	s.lookAtClock(c, rows, time.Local)
	if rows, err = s.beforeAgain(c, rows); err != nil {
		return nil, err
	}
	entered, _, err := decodeAll(rows, "the shop")
	return entered, err
}

// decodeAll reads a chain's facts and its head.
func decodeAll(rows []journal.Row, whose string) (entered []chem.Fact, head string, err error) {
	entered = make([]chem.Fact, 0, len(rows))
	for _, r := range rows {
		f, err := journal.Decode(r)
		if err != nil {
			return nil, "", fmt.Errorf("fact %d of %s cannot be read: %w", r.Number, whose, err)
		}
		entered, head = append(entered, f), r.Hash
	}
	return entered, head, nil
}

// shopNames collects the titrants and materials of the baths, and the zone in
// which the shop's times are: the baths', or the machine's before there is one.
func (s *session) shopNames(c *cli.Context, now time.Time) (names shopNames, zone *time.Location, err error) {
	store, err := s.open(c)
	if err != nil {
		return names, nil, err
	}
	all, err := store.Baths(c.Context)
	if err != nil {
		return names, nil, err
	}
	for _, one := range all {
		if one.Name == "" {
			continue
		}
		b, err := s.bathNamed(c, one.Name)
		if err != nil {
			return names, nil, err
		}
		if zone == nil {
			zone = b.zone
		}
		r := b.Recipe(now)
		for _, m := range r.Methods {
			if m.Titrant != "" && !slices.Contains(names.titrants, m.Titrant) {
				names.titrants = append(names.titrants, m.Titrant)
			}
		}
		for _, name := range materialNames(r) {
			if !slices.Contains(names.materials, name) {
				names.materials = append(names.materials, name)
			}
		}
	}
	if zone == nil {
		zone, err = loadZone(machineZone(s.env))
	}
	return names, zone, err
}

// bottleDate reads a date as it stands on a bottle: a day, or a month, which
// means all of it. For when it was opened the usual words do as well.
func bottleDate(flag, text string, now time.Time, zone *time.Location) (string, error) {
	text = strings.TrimSpace(text)
	if text == "" {
		return "", nil
	}
	for _, layout := range []string{time.DateOnly, "2006-01"} {
		if t, err := time.Parse(layout, text); err == nil {
			return t.Format(layout), nil
		}
	}
	if flag == "opened" {
		if t, err := chem.ParseTime(text, now, zone, false); err == nil {
			return t.In(zone).Format(time.DateOnly), nil
		}
	}
	return "", wrongWords("", "--%s: %q is not a date; write it like 2027-03-02, or 2027-03", flag, text)
}

// lotOf finds what the shop knows of a titrant's lot at a time: the newest fact.
func lotOf(shop []chem.Fact, titrant, lot string, at time.Time) (found chem.Titrant, when time.Time, ok bool) {
	for _, f := range shop {
		t, isTitrant := f.Body.(chem.Titrant)
		if isTitrant && lot != "" && strings.EqualFold(t.Name, titrant) && strings.EqualFold(t.Lot, lot) && !f.Time.After(at) {
			found, when, ok = t, f.Time, true
		}
	}
	return found, when, ok
}

// takeLot gives a titration the molarity and factor of its lot, where the shop
// knows it: of the one that was typed, or of the remembered one where it was
// standardised since it was last used. It returns the bottle where that is past its
// date and nothing was told of its strength.
func takeLot(c *cli.Context, b *bathFile, t *chem.Titration, last *chem.Fact, at time.Time) (past *chem.Titrant) {
	lot := strings.TrimSpace(c.String("lot"))
	typed := lot != ""
	if !typed {
		lot = t.Lot
	}
	found, when, ok := lotOf(b.shop, t.Titrant, lot, at)
	if ok && (typed || last == nil || when.After(last.Time)) {
		t.Lot, t.Factor, t.UFactor = found.Lot, found.Factor, found.UFactor
		t.Molarity = found.Molarity.Number
		if found.Molarity.Unit != "mol/L" {
			t.Molarity = chem.DecimalOf(found.Molarity.Value("mol/L"))
		}
		if n := found.Molarity.Number.Float(); found.Molarity.U.Given() && n > 0 {
			t.UFactor = chem.DecimalOf(found.Molarity.U.Float() / n)
		}
	}
	told := c.String("molarity") != "" || c.String("factor") != ""
	b.doubts = append(b.doubts, entry.CheckLot(b.shop, t.Titrant, lot, at.In(b.zone), typed && !told)...)
	if !ok || told || !entry.PastUse(found.Expires, at.In(b.zone)) {
		return nil
	}
	return &found
}

// voidOfShop says that a titrant or a stock does not stand.
func (s *session) voidOfShop(ctx context.Context, c *cli.Context) error {
	if c.String("bath") != "" {
		return wrongWords("leave one of them out", "--shop is about no bath, and --bath names one")
	}
	now, err := s.now()
	if err != nil {
		return err
	}
	_, zone, err := s.shopNames(c, now)
	if err != nil {
		return err
	}
	at, err := s.when(c, zone, false)
	if err != nil {
		return err
	}
	entered, err := s.shopEntered(c, zone)
	if err != nil {
		return err
	}
	id, err := newID(c)
	if err != nil {
		return err
	}
	if i := slices.IndexFunc(entered, func(f chem.Fact) bool { return f.ID == id }); i >= 0 {
		entered = entered[:i] // typed again: as it was before
	}
	// The shop's chain reads like a bath's, and only its name is asked for.
	shop := &bathFile{Bath: &estimate.Bath{Name: "of the shop"}, entered: entered, zone: zone}
	body, err := voidBody(c, shop)
	if err != nil {
		return err
	}
	row, err := journal.Encode(chem.Fact{ID: id, Time: at, Note: c.String("note"), Body: body})
	if err != nil {
		return wrongWords("", "%s", whyOf(body, err))
	}
	entries, err := s.write(ctx, c, nil, row)
	if err != nil {
		return err
	}
	if c.Bool("json") {
		err = s.sayEntered(c, shop, entries, []chem.Body{body})
	} else {
		err = say(s.stdout, "%d  %s  %s%s", entries[0].Number, entries[0].Time.In(zone).Format("Mon 2 Jan 15:04"), reports.LogWords(reports.HistoryLine{Fact: chem.Fact{Body: body, Note: entries[0].Note}, Target: voided(entered, body).Number}), knownWords(entries[0].Known))
	}
	if err != nil {
		return writtenAll(entries, err)
	}
	return nil
}

// checkStock asks about the lot of an addition, of which other baths may have
// had their share.
func (s *session) checkStock(c *cli.Context, b *bathFile, a chem.Add, at time.Time) error {
	if a.Lot == "" {
		return nil
	}
	shop, err := s.shopFor(c, b)
	if err != nil || len(shop) == 0 {
		return err
	}
	all, err := s.store.Baths(c.Context)
	if err != nil {
		return err
	}
	var before []chem.Add
	for _, one := range all {
		if one.Name == "" {
			continue
		}
		other := b
		if one.Name != b.Name {
			if other, err = s.bathNamed(c, one.Name); err != nil {
				return err
			}
		}
		for _, f := range other.Facts {
			if f.Time.After(at) {
				continue
			}
			switch body := f.Body.(type) {
			case chem.Add:
				before = append(before, body)
			case chem.Fill:
				for material, w := range body.Weighed {
					before = append(before, chem.Add{Material: material, Amount: w.Amount, Lot: w.Lot})
				}
			}
		}
	}
	m, _ := b.Recipe(at).Material(a.Material)
	b.doubts = append(b.doubts, entry.CheckStock(shop, m, before, a, at.In(b.zone))...)
	return nil
}
