//go:build ignore

// Command make writes half-year.csv: an invented half-year of one acid copper
// bath, for the demo. Run it from the project's top folder:
//
//	go run testdata/demo/make.go
//
// Everything in it is made up: the shop, the parts, the notes, and the bath
// itself, whose chemistry package simulate integrates from a fixed seed.
package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"
	_ "time/tzdata"

	"steadybath/chem"
	"steadybath/chem/journal"
	"steadybath/chem/recipe"
	"steadybath/chem/simulate"
)

const (
	out    = "testdata/demo/half-year.csv"
	bath   = "demo-copper"
	zone   = "Europe/Vienna"
	volume = 48.0 // L
	first  = "2026-05-20 16:00"
	days   = 187 // to the evening of 2026-11-22
	seed   = 20260
)

func main() {
	if err := run(); err != nil {
		fmt.Fprintln(os.Stderr, "make: error:", err)
		os.Exit(1)
	}
}

func run() error {
	loc, err := time.LoadLocation(zone)
	if err != nil {
		return err
	}
	text, ok := recipe.ShippedText("copper-electroforming")
	if !ok {
		return fmt.Errorf("the recipe copper-electroforming does not ship")
	}
	r, err := recipe.Parse("copper-electroforming", text)
	if err != nil {
		return err
	}
	start := at(loc, first)
	c := simulate.Hobby(r, volume, start, days, seed)
	c.Name, c.RecipeText = bath, string(text)
	c.AhPerWeek, c.Use = 31, simulate.Use{IdleWeek: 0.08, Scatter: 0.35, Sessions: 3, WeekHours: 8, RunRelated: [2]float64{1, 2.2}}
	c.FirstVisit, c.SkipVisit, c.LateShare = 3, 0, 0 // Saturdays
	c.Away, c.PullAway = [][2]int{{75, 89}}, true    // 3 to 16 August
	c.LotU, c.LotDays = 0.003, 120
	c.Organics, c.PanelU, c.AnodeLeast = simulate.OrganicPanel, 0.12, 0.5
	c.Anodes = []simulate.Anode{{ID: "slab-a", Mass: 0.700, Area: 4.8, Form: "slab"}, {ID: "slab-b", Mass: 0.700, Area: 4.8, Form: "slab"}}
	// A bath that loses copper slowly: less is dissolved by air than the recipe
	// expects, and more is carried out on leaves and their wires.
	c.Rates = &simulate.Rates{
		AnodeEfficiency: 0.990, CathodeEfficiency: 0.9935, Dissolution: 0.008, DragOut: 0.0013, Evaporation: 0.21,
		ChlorideLoss: 0.06, Meter: 0.991, Sludge: 0.006,
		Use: map[string]float64{"brightener": 0.21}, Loss: map[string]float64{"brightener": 0.0085},
	}
	c.Composition = map[string]float64{"copper": 48.9, "sulfuric acid": 61, "chloride": 66, "brightener": 4.1}
	hose := at(loc, "2026-10-24 00:00")
	lastOrder := at(loc, "2026-10-20 00:00")
	card := simulate.Card(r, volume)
	c.Dose = func(facts []chem.Fact, now time.Time) []chem.Fact {
		var todo []chem.Fact
		for _, f := range card(facts, now) {
			if a, ok := f.Body.(chem.Add); ok && a.Material == "copper sulfate pentahydrate" {
				if now.After(lastOrder) {
					continue
				}
				a.Amount.Number = "0.300" // what was left in the bag, or as much as dissolves in the jug
				f.Body = a
			} else if ok && a.Material == "brightener" {
				continue
			}
			todo = append(todo, f)
		}
		if now.After(hose) && now.Before(hose.AddDate(0, 0, 1)) {
			todo = append(todo,
				chem.Fact{Body: chem.Bail{Volume: chem.Measured{Number: "1.8", Unit: "L", U: "0.2"}}, Note: "pump hose slipped, bath on the floor, mopped up and into the waste can"},
				chem.Fact{Body: chem.Add{Material: "deionised water", Amount: chem.Measured{Number: "1.8", Unit: "L"}}})
		}
		return todo
	}
	c.Before = little(at(loc, "2026-11-14 00:00"))
	made, err := simulate.Make(c)
	if err != nil {
		return err
	}
	facts, err := written(made.Facts, loc)
	if err != nil {
		return err
	}
	return save(facts)
}

func at(loc *time.Location, s string) time.Time {
	t, err := time.ParseInLocation("2006-01-02 15:04", s, loc)
	if err != nil {
		panic(err) // a time in this file
	}
	return t
}

// little doses brightener by the charge and the days since the last dose, until
// the bottle is empty.
func little(empty time.Time) simulate.Policy {
	return func(facts []chem.Fact, now time.Time) []chem.Fact {
		if now.After(empty) {
			return nil
		}
		charge, since := 0.0, time.Time{}
		for _, f := range slices.Backward(facts) {
			if a, ok := f.Body.(chem.Add); ok && a.Material == "brightener" {
				since = f.Time
				break
			}
			if p, ok := f.Body.(chem.Plate); ok {
				charge += p.Charge.Value("Ah")
			}
			since = f.Time
		}
		due := 0.2*charge + 0.01*now.Sub(since).Hours()/24*4*volume
		if due < 8 {
			return nil
		}
		due = min(due, 20)
		return []chem.Fact{{Body: chem.Add{Material: "brightener", Amount: chem.Measured{Number: chem.DecimalRound(due, 0), Unit: "mL", U: "0.5"}}}}
	}
}

// written makes of what the simulator wrote down what the person did.
func written(facts []chem.Fact, loc *time.Location) ([]chem.Fact, error) {
	facts = slices.Clone(facts)
	names := slices.Clone(parts)
	runs := 0
	for i := range facts {
		f := &facts[i]
		switch b := f.Body.(type) {
		case chem.Begin:
			cm := func(n chem.Decimal) chem.Measured { return chem.Measured{Number: n, Unit: "cm"} }
			b.Tank = chem.Tank{Length: cm("40"), Width: cm("30"), Height: cm("45"),
				Most: chem.Measured{Number: "50", Unit: "L"}, Least: chem.Measured{Number: "44", Unit: "L"}}
			f.Body, f.Note = b, "invented for the demo: no such shop, bath or person"
		case chem.Plate:
			b.Part = names[runs%len(names)]
			runs++
			f.Body = b
		case chem.Add:
			if b.Material == "sulfuric acid 35 %" {
				f.Note = "a cup at a time, paddle going, goggles on"
			}
		case chem.Fill:
			f.Note = "fresh make-up, stirred overnight"
		case chem.Pull:
			if b.Anode == chem.AllAnodes {
				f.Note = "two weeks away, slabs out, lid on, pump off"
			} else {
				f.Note = "thin at the edges, before it falls into the bag"
			}
		}
	}
	for _, n := range notes {
		facts = append(facts, chem.Fact{Body: chem.Remark{}, Bath: bath, Note: n.text, Time: at(loc, n.at)})
	}
	for _, n := range temperatures {
		facts = append(facts, chem.Fact{Body: chem.Assay{Of: "temperature", Value: chem.Measured{Number: n.degC, Unit: "degC", U: "0.3"}}, Bath: bath, Time: at(loc, n.at)})
	}
	for _, n := range changes {
		facts = append(facts, chem.Fact{Body: chem.Change{What: n.what}, Bath: bath, Note: n.note, Time: at(loc, n.at)})
	}
	for _, b := range bought {
		facts = append(facts, chem.Fact{Body: b.stock, Time: at(loc, b.at), Note: b.note})
	}
	for i := range facts {
		if f := &facts[i]; f.Entered.IsZero() {
			f.Time = f.Time.UTC()
			f.Entered = f.Time.Add(time.Minute)
		}
	}
	slices.SortStableFunc(facts, func(a, b chem.Fact) int { return a.Entered.Compare(b.Entered) })

	// One run was written down late: the third one in September.
	late, err := nthRun(facts, at(loc, "2026-09-01 00:00"), 3)
	if err != nil {
		return nil, err
	}
	f := facts[late]
	f.Note = "found this on the back of an envelope, belongs to last week"
	facts = slices.Delete(facts, late, late+1)
	to := slices.IndexFunc(facts, func(g chem.Fact) bool { return g.Entered.After(f.Time.AddDate(0, 0, 6)) })
	facts = slices.Insert(facts, to, f)

	// One run was first typed without its decimal point, and voided.
	wrong, err := nthRun(facts, at(loc, "2026-07-04 00:00"), 2)
	if err != nil {
		return nil, err
	}
	typed := facts[wrong]
	p := typed.Body.(chem.Plate)
	right := p.Charge
	p.Charge.Number = chem.DecimalRound(10*right.Number.Float(), 0)
	p.Gain = chem.Measured{}
	typed.Body, typed.ID = p, [16]byte{}
	if err := identify(&typed); err != nil {
		return nil, err
	}
	void := chem.Fact{Body: chem.Void{Target: typed.ID}, Bath: bath, Time: typed.Time,
		Note: fmt.Sprintf("typed %s, the meter said %s, decimal point went missing", p.Charge, right)}
	facts = slices.Insert(facts, wrong, typed, void)

	for i := range facts {
		if facts[i].ID == [16]byte{} {
			if err := identify(&facts[i]); err != nil {
				return nil, err
			}
		}
	}
	return facts, nil
}

// identify gives a fact the id that its own columns give.
func identify(f *chem.Fact) error {
	row, err := journal.Encode(*f)
	if err != nil {
		return err
	}
	f.ID = journal.DeriveID(row, 1)
	return nil
}

// nthRun finds the nth run on or after a time.
func nthRun(facts []chem.Fact, from time.Time, n int) (int, error) {
	for i, f := range facts {
		if f.Kind() == chem.KindPlate && !f.Time.Before(from) {
			if n--; n == 0 {
				return i, nil
			}
		}
	}
	return 0, fmt.Errorf("no such run after %s", from)
}

// save writes the journal beside its place and moves it there.
func save(facts []chem.Fact) error {
	tmp, err := os.CreateTemp(filepath.Dir(out), ".half-year-*")
	if err != nil {
		return err
	}
	defer os.Remove(tmp.Name())
	w := journal.NewWriter(tmp)
	for i, f := range facts {
		row, err := journal.Encode(f)
		if err != nil {
			return fmt.Errorf("fact %d, %s at %s: %w", i+1, f.Kind(), f.Time, err)
		}
		row.Entered = time.Time{} // whoever imports the journal enters it
		if err := w.Write(row); err != nil {
			return err
		}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if err := tmp.Chmod(0o644); err != nil {
		return err
	}
	if err := tmp.Close(); err != nil {
		return err
	}
	fmt.Printf("%d facts\n", len(facts))
	return os.Rename(tmp.Name(), out)
}

var parts = []string{
	"fern frond", "oak leaves, set of 6", "poppy heads", "snail shell", "tray, outside", "bowl, inner skin", "hazel twig", "beetle brooches",
	"ginkgo leaves", "pine cone", "bowl, inner skin, second coat", "walnut halves", "feather", "ring blanks", "thistle", "seed pods",
}

var notes = []struct{ at, text string }{
	{"2026-05-20 20:55", "Halmgasse workshop, first evening with the new bath. blue everywhere, mostly in the tank"},
	{"2026-05-29 22:10", "snail shell dull at the rim, wire was too thin. not the bath's fault"},
	{"2026-06-06 12:20", "wiped the bus bars, contact was green"},
	{"2026-06-14 23:40", "too late again. switched off, hazel out, will weigh it tomorrow"},
	{"2026-06-27 12:30", "hot in the cellar, level goes down faster than I can carry water"},
	{"2026-07-11 13:05", "burette tip dripped, did both titrations again before writing them down"},
	{"2026-07-19 21:40", "thistle came out pink and even, best so far"},
	{"2026-08-01 19:15", "packing. lid on tight, note for myself: slabs out on Monday"},
	{"2026-08-17 20:30", "back. no puddle, no smell, just less water"},
	{"2026-08-29 12:15", "bag of slab-b had a hole"},
	{"2026-09-13 21:05", "the bowl took its evenings and my back took the rest"},
	{"2026-09-26 12:40", "pipette had a drop hanging inside. rinsed it with acid, looks clean now"},
	{"2026-10-10 12:10", "market in three weeks, every evening is full"},
	{"2026-10-17 12:05", "forgot to stir before sampling. stirred, waited, sampled again"},
	{"2026-10-24 13:10", "floor is blue now too. not quite two litres by the mop bucket"},
	{"2026-10-31 12:35", "copper down after the hose thing and the sulfate tin is empty, order goes out on Monday"},
	{"2026-11-07 12:20", "crystals still not here, they say next week"},
	{"2026-11-14 13:00", "brightener bottle empty too, that was the last squeeze"},
	{"2026-11-21 12:45", "both parcels came. going to dose properly tomorrow, not tonight"},
}

var changes = []struct{ at, what, note string }{
	{"2026-07-04 12:10", "filter", "brown, but it was due"},
	{"2026-08-29 12:20", "bags", "both, while I was at it"},
	{"2026-10-31 12:20", "filter", ""},
}

var temperatures = []struct {
	at   string
	degC chem.Decimal
}{
	{"2026-05-23 08:50", "20.5"}, {"2026-06-27 08:50", "24.0"}, {"2026-07-25 08:50", "25.5"}, {"2026-08-22 08:50", "24.5"},
	{"2026-09-19 08:50", "22.0"}, {"2026-10-17 08:50", "20.0"}, {"2026-11-21 08:50", "18.5"},
}

var bought = []struct {
	at, note string
	stock    chem.Stock
}{
	{"2026-05-20 15:00", "left over from the make-up", stock("copper sulfate pentahydrate", "0.3", "kg", "7")},
	{"2026-05-20 15:05", "", stock("sulfuric acid 35 %", "5", "L", "2.50")},
	{"2026-05-20 15:10", "", stock("brightener", "500", "mL", "0.04")},
	{"2026-05-20 15:15", "pure, without anything in it", stock("sodium chloride", "250", "g", "0.02")},
	{"2026-11-20 18:30", "at last", stock("copper sulfate pentahydrate", "5", "kg", "7.40")},
	{"2026-11-21 12:30", "came with the second parcel", stock("brightener", "500", "mL", "0.04")},
}

func stock(material string, amount chem.Decimal, unit chem.Unit, price chem.Decimal) chem.Stock {
	return chem.Stock{Material: material, Amount: chem.Measured{Number: amount, Unit: unit}, Price: price}
}
