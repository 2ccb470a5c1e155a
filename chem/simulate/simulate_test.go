package simulate

import (
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
)

var start = time.Date(2026, 1, 3, 9, 0, 0, 0, time.UTC) // a Saturday

// acidCopper is a 60 L acid copper bath with the windows and priors of a small
// electroforming shop; glassware tolerances are those of class B.
func acidCopper() *chem.Recipe {
	return &chem.Recipe{
		Title: "acid copper", Metal: "copper", Charge: 2, Anodes: "soluble", Volume: 60, AnodeArea: 12,
		Prior: chem.Rates{
			AnodeEfficiency: chem.Prior{Value: 0.998, U: 0.008}, CathodeEfficiency: chem.Prior{Value: 0.992, U: 0.005},
			Dissolution: chem.Prior{Value: 0.027, U: 0.015}, DragOut: chem.Prior{Value: 0.0008, U: 0.00035},
			Evaporation: chem.Prior{Value: 0.31, U: 0.14}, ChlorideLoss: chem.Prior{Value: 0.05, U: 0.04},
			Meter: chem.Prior{Value: 1, U: 0.02}, Sludge: chem.Prior{Value: 0.005, U: 0.005},
		},
		Constituents: []chem.Constituent{
			{Name: "copper", Role: chem.RoleMetal, Unit: "g/L", MolarMass: 63.546, Low: 46, Target: 50, High: 54, AssayU: 0.008},
			{Name: "sulfuric acid", Role: chem.RoleAcid, Unit: "g/L", MolarMass: 98.072, Low: 54, Target: 60, High: 66, AssayU: 0.008},
			{Name: "chloride", Role: chem.RoleChloride, Unit: "mg/L", MolarMass: 35.45, Low: 45, Target: 60, High: 75, AssayU: 0.05},
			{Name: "iron", Unit: "g/L", High: 0.5, AssayU: 0.1},
			{Name: "brightener", Role: chem.RoleOrganic, Unit: "mL/L", Low: 3, Target: 4, High: 5, AssayU: 0.15,
				Use: chem.Prior{Value: 0.2, U: 0.05}, Loss: chem.Prior{Value: 0.01, U: 0.0045}},
		},
		Materials: []chem.Material{
			{Name: "copper sulfate pentahydrate", Unit: "kg", Brings: map[string]float64{"copper": 254.5}, Litres: 0.38, Smallest: 0.005},
			{Name: "sulfuric acid 96 %", Unit: "mL", Brings: map[string]float64{"sulfuric acid": 1.762}, Litres: 0.0008, Smallest: 1},
			{Name: "hydrochloric acid 10 %", Unit: "mL", Brings: map[string]float64{"chloride": 102}, Litres: 0.001, Smallest: 0.1},
			{Name: "brightener", Unit: "mL", Brings: map[string]float64{"brightener": 1}, Litres: 0.001, Smallest: 0.5},
			{Name: "deionised water", Unit: "L", Litres: 1, Smallest: 0.1, Water: true},
		},
		Methods: []chem.Method{
			{Name: "copper by EDTA", Constituent: "copper", Titrant: "EDTA", Molarity: 0.1, Ratio: 1, MolarMass: 63.546, Aliquot: 2, UAliquot: 0.01, UBurette: 0.05, EndPoint: 0.03},
			{Name: "acid by NaOH", Constituent: "sulfuric acid", Titrant: "sodium hydroxide", Molarity: 0.1, Ratio: 0.5, MolarMass: 98.072, Aliquot: 1, UAliquot: 0.007, UBurette: 0.05, EndPoint: 0.04},
			{Name: "chloride by silver", Constituent: "chloride", Titrant: "silver nitrate", Molarity: 0.01, Ratio: 1, MolarMass: 35.45, Aliquot: 50, UAliquot: 0.06, UBurette: 0.02, EndPoint: 0.05, Blank: 0.1, UBlank: 0.02},
		},
		Limits: chem.Limits{CathodeDensity: [2]float64{0.5, 4}, AnodeDensity: 2.5},
	}
}

func run(t *testing.T, c Config) *Run {
	t.Helper()
	r, err := Make(c)
	require.NoError(t, err)
	return r
}

func nothing([]chem.Fact, time.Time) []chem.Fact { return nil }

// What a policy says is read, and nothing else; one reading in five of an inorganic
// is off by 12 %, up or down, and known as a blunder.
func TestReadPolicyAndBlunders(t *testing.T) {
	c := Exact(acidCopper(), 60, time.Date(2025, 1, 6, 8, 0, 0, 0, time.UTC), 700, 3)
	c.Dose = nothing
	c.Read = func([]chem.Fact, time.Time) []string { return []string{"Copper", "brightener"} }
	c.BlunderShare, c.BlunderSize = 0.2, 0.12
	r := run(t, c)
	spoiled := map[[16]byte]bool{}
	for _, v := range r.Events {
		assert.Equal(t, "copper", v.Fault.Of)
		spoiled[v.ID] = true
	}
	up, down, all := 0, 0, 0
	each(r, func(f chem.Fact, a chem.Assay) {
		if a.Of != "copper" {
			assert.Equal(t, "brightener", a.Of)
			return
		}
		all++
		off := a.Value.Value("g/L")/r.At(f.Time).Conc("copper") - 1
		switch {
		case !spoiled[f.ID]:
			assert.InDelta(t, 0, off, 1e-6)
		case off > 0:
			up++
			assert.InDelta(t, 0.12, off, 1e-3)
		default:
			down++
			assert.InDelta(t, -0.12, off, 1e-3)
		}
	})
	assert.Len(t, spoiled, up+down)
	assert.Greater(t, up, 3)
	assert.Greater(t, down, 3)
	assert.InDelta(t, 0.2, float64(up+down)/float64(all), 4*math.Sqrt(0.2*0.8/float64(all)), "four standard deviations of a binomial share")
}

func each[B chem.Body](r *Run, do func(chem.Fact, B)) {
	for _, f := range r.Facts {
		if b, ok := f.Body.(B); ok {
			do(f, b)
		}
	}
}

// near holds to the relative tolerance rel of the larger.
func near(t *testing.T, want, got, rel float64, what string) {
	t.Helper()
	assert.LessOrEqual(t, math.Abs(want-got), rel*max(math.Abs(want), math.Abs(got), 1e-300), "%s: want %.15g, got %.15g", what, want, got)
}

// What the facts say, added up by hand, is what the tank holds: without
// scatter nothing else may move it.
func TestBalancesFollowFromFactsAlone(t *testing.T) {
	r := acidCopper()
	r.Prior.EvaporationRun = chem.Prior{Value: 0.02}
	c := Exact(r, 47, start, 365, 5)
	c.AhPerWeek = 60
	var dosed bool
	card := Card(r, c.Volume)
	c.Dose = func(facts []chem.Fact, now time.Time) []chem.Fact {
		out := card(facts, now)
		if !dosed && len(facts) > 200 {
			dosed = true
			out = append(out, chem.Fact{Body: chem.Bail{Volume: chem.MeasuredOf(3, "L", 0)}})
		}
		return out
	}
	got := run(t, c)
	last := got.Last()
	scale := 47.0 / 60

	volume := 47 - 0.31*scale*last.Time.Sub(start).Hours()/24
	charge, hours := 0.0, 0.0
	mol := 47 * (50/63.546 + 60/98.072) // copper and sulfuric acid
	outOf := func(at time.Time, litres float64) {
		before := got.At(at.Add(-time.Microsecond)) // drawn before the fact was written
		mol -= litres * (before.Conc("copper")/63.546 + before.Conc("sulfuric acid")/98.072)
		volume -= litres
	}
	bails := 0
	for _, f := range got.Facts {
		switch b := f.Body.(type) {
		case chem.Plate:
			charge += b.Charge.Value("Ah")
			hours += b.Hours.Float()
			outOf(f.Time, 0.0008*b.Charge.Value("Ah"))
		case chem.Assay:
			outOf(f.Time, b.Sample.Volume.Value("L"))
		case chem.Bail:
			outOf(f.Time, b.Volume.Value("L"))
			bails++
		case chem.Add:
			m, _ := r.Material(b.Material)
			amount := b.Amount.Value(m.Unit)
			volume += amount * m.Litres
			mol += amount * (m.Brings["copper"]/63.546 + m.Brings["sulfuric acid"]/98.072)
		}
	}
	volume -= 0.02 * scale * hours
	require.Positive(t, bails)
	require.Greater(t, charge, 1500.0)
	near(t, volume, last.Volume, 1e-9, "volume")
	near(t, mol, last.Amount["copper"]/63.546+last.Amount["sulfuric acid"]/98.072, 1e-9, "copper and acid in mol")

	// Metal: every gram is in the anodes, the bath, the bags, on parts or out.
	book := last.Books["copper"]
	m := last.Metal
	near(t, m.Hung, m.Anodes+m.Sludge+m.Dissolved, 1e-9, "anodes")
	near(t, book.Start+book.Added+m.Dissolved, last.Amount["copper"]+m.Plated+book.DraggedOut+book.Sampled+book.Bailed, 1e-9, "copper")
	near(t, 1-0.005, m.Dissolved/(m.Hung-m.Anodes), 1e-9, "sludge is half a percent of what the anodes lost")
}

// With everything random on, and every fault that loses bath, nothing comes
// from or goes to nowhere.
func TestBooksClose(t *testing.T) {
	for _, anodes := range []string{"soluble", "inert"} {
		r := acidCopper()
		r.Anodes = anodes
		c := Hobby(r, 20, start, 300, 11)
		c.PullAway = true
		c.Faults = []Fault{{Kind: Lost, Day: 50}, {Kind: Leak, Day: 100}, {Kind: Unlogged, Day: 130}, {Kind: Contamination, Day: 10}}
		for _, at := range run(t, c).Truth {
			near(t, at.Water.Left(), at.Volume, 1e-9, "volume")
			for name, book := range at.Books {
				near(t, book.Left(), at.Amount[name], 1e-9, name)
				assert.GreaterOrEqual(t, at.Amount[name], 0.0, name)
			}
			near(t, at.Books["copper"].Electrodes/63.546, -at.Books["sulfuric acid"].Electrodes/98.072, 1e-9, "what the electrodes move")
		}
	}
}

// Published: 1.186 g of copper per Ah (printed by a trade text as 1.186; from
// CODATA and IUPAC values 1.18549), and 1.543 g of sulfuric acid made per gram
// of copper that inert anodes do not replace, and lost per gram that air
// dissolves (98.07/63.546).
func TestFaraday(t *testing.T) {
	r := acidCopper()
	r.Anodes = "inert"
	r.Prior.CathodeEfficiency = chem.Prior{Value: 1}
	c := Exact(r, 60, start, 100, 3)
	c.Dose = nothing
	got := run(t, c).Last()
	require.Greater(t, got.Charge, 100.0)
	near(t, 1.18549, got.Metal.Plated/got.Charge, 5e-6, "g/Ah")
	near(t, 1.543, got.Books["sulfuric acid"].Electrodes/got.Metal.Plated, 4e-4, "g acid per g copper")
	assert.Zero(t, got.Metal.Dissolved)

	c = Exact(acidCopper(), 60, start, 100, 3)
	c.Dose, c.AhPerWeek = nothing, 0
	got = run(t, c).Last()
	assert.Zero(t, got.Charge)
	near(t, 0.027*63.546*got.Time.Sub(start).Hours()/24, got.Metal.Dissolved, 1e-4, "dissolved by air")
	near(t, -1.543, got.Books["sulfuric acid"].Electrodes/got.Metal.Dissolved, 4e-4, "g acid per g copper")
}

// Differential equations with known solutions.
func TestClosedForms(t *testing.T) {
	r := acidCopper()
	r.Prior.Dissolution, r.Prior.Evaporation = chem.Prior{}, chem.Prior{}
	c := Exact(r, 60, start, 200, 1)
	c.AhPerWeek, c.VisitDays = 0, 1000
	got := run(t, c)
	a, b := got.At(start.AddDate(0, 0, 2)), got.At(start.AddDate(0, 0, 192))
	near(t, a.Amount["brightener"]*math.Exp(-0.01*190), b.Amount["brightener"], 1e-6, "decay by a percent a day")
	near(t, a.Volume, b.Volume, 1e-12, "volume at rest")

	// Chloride in proportion to what is there falls by exp(-γQ/(target·V)).
	r.Prior.DragOut = chem.Prior{}
	c = Exact(r, 60, start, 200, 1)
	c.VisitDays, c.AhPerWeek = 1000, 300
	got = run(t, c)
	a, b = got.At(start.AddDate(0, 0, 2)), got.At(start.AddDate(0, 0, 192))
	q := b.Charge - a.Charge
	require.Greater(t, q, 3000.0)
	near(t, a.Amount["chloride"]*math.Exp(-0.05*q/(60*a.Volume)), b.Amount["chloride"], 1e-7, "chloride")
	assert.Positive(t, b.Amount["brightener"])
	assert.Less(t, b.Conc("brightener"), 0.2, "use fades out as the brightener runs dry")
}

// Nickel has no acid among its constituents, and grows because its cathode
// efficiency is below that of the anode: by (1.000 − 0.955)·1.0950 g/Ah with the
// published 1.0950 g/Ah (58.693/(2·26.8015)).
func TestNickelGrows(t *testing.T) {
	r := acidCopper()
	r.Metal = "nickel"
	r.Constituents = []chem.Constituent{
		{Name: "nickel", Role: chem.RoleMetal, Unit: "g/L", Low: 70, Target: 76, High: 82, AssayU: 0.01},
		{Name: "boric acid", Unit: "g/L", Low: 38, Target: 40, High: 45, AssayU: 0.02},
	}
	r.Materials, r.Methods = r.Materials[4:], nil
	r.Prior = chem.Rates{AnodeEfficiency: chem.Prior{Value: 1}, CathodeEfficiency: chem.Prior{Value: 0.955}}
	got := run(t, Exact(r, 60, start, 100, 2)).Last()
	require.Greater(t, got.Charge, 100.0)
	near(t, 0.045*1.0950*got.Charge, got.Books["nickel"].Electrodes, 1e-4, "nickel")
	assert.Zero(t, got.Books["boric acid"].Electrodes)
}

func TestSameSeedSameRun(t *testing.T) {
	c := Hobby(acidCopper(), 60, start, 200, 42)
	c.Faults = []Fault{{Kind: Blunder, Day: 60}, {Kind: WrongBottle, Day: 80}}
	a, b := run(t, c), run(t, c)
	assert.True(t, reflect.DeepEqual(a.Facts, b.Facts))
	assert.True(t, reflect.DeepEqual(a.Truth, b.Truth))
	c.Seed++
	d := run(t, c)
	assert.False(t, reflect.DeepEqual(a.Facts, d.Facts))
	assert.NotEqual(t, a.Last().Rates.Evaporation, d.Last().Rates.Evaporation)
}

func TestFactsAreInOrderAndWhole(t *testing.T) {
	c := Hobby(acidCopper(), 40, start, 365, 8)
	c.LateShare = 0.3
	r := run(t, c)
	ids, entered := map[[16]byte]bool{}, time.Time{}
	numbers := map[string]int64{}
	late := 0
	for i, f := range r.Facts {
		require.False(t, ids[f.ID], "id of fact %d is taken", i)
		ids[f.ID] = true
		assert.Equal(t, byte(7), f.ID[6]>>4, "version of RFC 9562")
		assert.Equal(t, byte(2), f.ID[8]>>6, "variant of RFC 9562")
		assert.True(t, f.Entered.After(entered) && f.Entered.After(f.Time))
		assert.Equal(t, time.UTC, f.Time.Location())
		entered = f.Entered
		numbers[f.Bath]++
		assert.Equal(t, numbers[f.Bath], f.Number)
		assert.Equal(t, f.Kind().OfShop(), f.Bath == "")
		if f.Entered.Sub(f.Time) > 24*time.Hour {
			late++
		}
	}
	assert.Positive(t, late)
	assert.Equal(t, chem.KindBath, r.Facts[0].Kind())
	assert.Equal(t, chem.KindFill, r.Facts[1].Kind())
	assert.True(t, slices.IsSortedFunc(r.Truth, func(a, b Truth) int { return a.Time.Compare(b.Time) }))
	days := map[string]bool{}
	for _, at := range r.Truth {
		days[at.Time.Format(time.DateOnly)] = true
	}
	assert.Len(t, days, 366)
}

// The value of a titration is what the readings give with the published
// factors: 3.1773 g/L of copper per mL of 0.1 M EDTA on 2 mL of bath, 4.904 g/L
// of sulfuric acid per mL of 0.1 M sodium hydroxide on 1 mL, 7.091 mg/L of
// chloride per mL of 0.01 M silver nitrate on 50 mL.
func TestTitrationsFollowFromReadings(t *testing.T) {
	factor := map[string]float64{"copper": 3.1773, "sulfuric acid": 4.904, "chloride": 7.091}
	seen := map[string]int{}
	each(run(t, Hobby(acidCopper(), 60, start, 365, 9)), func(f chem.Fact, a chem.Assay) {
		if a.Titration == nil {
			return
		}
		sum := 0.0
		for _, d := range a.Titration.Delivered {
			twentieths := d.Float() * 20
			assert.InDelta(t, math.Round(twentieths), twentieths, 1e-9, "burettes are read to 0.05 mL")
			sum += d.Float() - a.Titration.Blank.Float()
		}
		value := sum / float64(len(a.Titration.Delivered)) * factor[a.Of]
		near(t, value, a.Value.Number.Float(), 3e-4, a.Of) // four figures in the factor and in the value
		assert.Positive(t, a.Value.U.Float())
		assert.Positive(t, a.ULot.Float())
		seen[a.Of]++
	})
	for name := range factor {
		assert.Greater(t, seen[name], 30, name)
	}
}

// The stated uncertainties are honest: errors beside √(u² + u_lot²) have unit
// spread over many shops, and the lots are as far off as was asked.
func TestStatedUncertainties(t *testing.T) {
	sums, counts := map[string]float64{}, map[string]float64{}
	within, withinN := 0.0, 0.0
	var lots []float64
	for seed := range uint64(60) {
		r := run(t, Hobby(acidCopper(), 60, start, 90, 1000+seed))
		previous := map[string]float64{}
		each(r, func(f chem.Fact, a chem.Assay) {
			truth := r.At(f.Time).Conc(a.Of)
			c, _ := r.Config.Recipe.Constituent(a.Of)
			u := c.AssayU * truth
			if a.Titration != nil {
				u = math.Hypot(a.Value.U.Float(), a.ULot.Float())
			}
			e := a.Value.Number.Float() - truth
			sums[a.Of] += e * e / u / u
			counts[a.Of]++
			if a.Of == "copper" {
				if p, ok := previous[a.Titration.Lot]; ok {
					within += math.Pow((e/truth-p)/(a.Value.U.Float()/truth), 2) / 2
					withinN++
				}
				previous[a.Titration.Lot] = e / truth
			}
		})
		for _, off := range r.Lots {
			lots = append(lots, off)
		}
	}
	for name, n := range counts {
		// Bottles and glassware are shared by all readings of a shop: about 60
		// independent ones, so that one standard error of the spread is 9 %.
		assert.InDelta(t, 1, math.Sqrt(sums[name]/n), 0.25, name)
	}
	assert.InDelta(t, 1, math.Sqrt(within/withinN), 0.1, "between readings of one lot only the independent part differs")
	require.Greater(t, len(lots), 150)
	assert.InDelta(t, 0.004, deviation(lots), 0.0007, "lots")
}

func deviation(x []float64) float64 {
	mean, sum := 0.0, 0.0
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		sum += (v - mean) * (v - mean)
	}
	return math.Sqrt(sum / float64(len(x)-1))
}

// The scatter of days and runs is what was asked for, seen in what really
// happened: sums over days without rounds, and over runs.
func TestScatterIsAsAsked(t *testing.T) {
	c := Hobby(acidCopper(), 60, start, 2000, 77)
	c.Use = Use{Sessions: 3, Scatter: 0.3}
	c.AhPerWeek = 60
	c.Noise = Noise{CathodeEfficiency: 0.003, DragOut: 0.25, Ammeter: 0.004, Evaporation: 0.35, Dissolution: 0.25}
	c.Dose, c.AnodeDays, c.Anodes = nothing, 0, []Anode{{ID: "block", Mass: 200, Form: "slab"}}
	c.SkipVisit = 0
	r := run(t, c)

	busy := map[string]bool{}
	each(r, func(f chem.Fact, p chem.Plate) {
		busy[f.Time.Format(time.DateOnly)] = true
		busy[f.Time.Add(-time.Duration(p.Hours.Float()*float64(time.Hour))).Format(time.DateOnly)] = true
	})
	var evaporated, dissolved []float64
	midnights := map[time.Time]Truth{}
	for _, at := range r.Truth {
		if at.Time.Hour() == 0 && at.Time.Minute() == 0 && at.Time.Second() == 0 {
			if _, ok := midnights[at.Time]; !ok {
				midnights[at.Time] = at
			}
		}
	}
	for when, a := range midnights {
		b, ok := midnights[when.AddDate(0, 0, 1)]
		if !ok {
			continue
		}
		evaporated = append(evaporated, (b.Water.Evaporated-a.Water.Evaporated)/a.Rates.Evaporation)
		if !busy[when.Format(time.DateOnly)] {
			dissolved = append(dissolved, (b.Metal.Dissolved-a.Metal.Dissolved)/63.546/a.Rates.Dissolution)
		}
	}
	require.Greater(t, len(evaporated), 1900)
	assert.InDelta(t, 0.35, deviation(evaporated), 0.03, "evaporation by day")
	assert.InDelta(t, 0.25, deviation(dissolved), 0.04, "dissolution by day")

	var efficiency, drag, meter []float64
	var levels []float64
	each(r, func(f chem.Fact, p chem.Plate) {
		end := r.At(f.Time)
		begin := r.At(f.Time.Add(-time.Duration(math.Round(p.Hours.Float()*3600)) * time.Second))
		q := end.Charge - begin.Charge
		efficiency = append(efficiency, (end.Metal.Plated-begin.Metal.Plated)/(1.18549*q))
		drag = append(drag, (end.Water.DraggedOut-begin.Water.DraggedOut)/q/end.Rates.DragOut)
		meter = append(meter, q/p.Charge.Value("Ah"))
	})
	each(r, func(f chem.Fact, l chem.Level) {
		levels = append(levels, l.Volume.Value("L")/r.At(f.Time).Volume)
	})
	require.Greater(t, len(efficiency), 400)
	assert.InDelta(t, 0.003, deviation(efficiency), 0.0004, "cathode efficiency by run")
	assert.InDelta(t, 0.25, deviation(drag), 0.03, "drag-out by run")
	assert.InDelta(t, 0.004, deviation(meter), 0.0006, "ammeter by run")
	assert.InDelta(t, 0.005, deviation(levels), 0.0008, "levels")
}

// Walks grow with the root of time.
func TestWalks(t *testing.T) {
	var eta, evaporation, loss []float64
	for seed := range uint64(150) {
		c := Hobby(acidCopper(), 60, start, 100, seed)
		c.PriorMeans = true
		rates := run(t, c).Last().Rates
		eta = append(eta, rates.AnodeEfficiency)
		evaporation = append(evaporation, math.Log(rates.Evaporation))
		loss = append(loss, math.Log(rates.Loss["brightener"]))
	}
	// Ten times the daily step after 100 days; 150 shops give the spread to 6 %.
	assert.InDelta(t, 0.006, deviation(eta), 0.0011)
	assert.InDelta(t, 0.30, deviation(evaporation), 0.055)
	assert.InDelta(t, 0.10, deviation(loss), 0.018)
}

func TestPriorOff(t *testing.T) {
	up, down := 0, 0
	for seed := range uint64(20) {
		c := Exact(acidCopper(), 60, start, 1, seed)
		c.PriorMeans, c.PriorOff = false, 2
		r := run(t, c).Truth[0].Rates
		near(t, 2*0.008, math.Abs(r.AnodeEfficiency-0.998), 1e-9, "anode efficiency")
		near(t, 2*0.05, math.Abs(r.Use["brightener"]-0.2), 1e-9, "use")
		if r.Evaporation > 0.31 {
			near(t, 0.59, r.Evaporation, 1e-9, "evaporation")
			up++
		} else {
			near(t, 0.031, r.Evaporation, 1e-9, "evaporation stays above a tenth of its prior")
			down++
		}
	}
	assert.Positive(t, up)
	assert.Positive(t, down)
}

// One rate can be put off while the others stay as they were drawn, and a rate
// that does not exist is refused.
func TestRateOff(t *testing.T) {
	c := Hobby(acidCopper(), 60, start, 1, 5)
	drawn := run(t, c).Truth[0].Rates
	c.RateOff = map[string]float64{"drag_out": -1.5}
	r := run(t, c).Truth[0].Rates
	assert.InDelta(t, 0, (0.0008-1.5*0.00035)/r.DragOut-1, 0.1, "but for the first day's walk")
	r.DragOut = drawn.DragOut
	assert.Equal(t, drawn, r)
	c.RateOff = map[string]float64{"drag": 1}
	_, err := Make(c)
	assert.ErrorContains(t, err, `no rate "drag"`)
}

// Every bottle can be off by as much, up or down.
func TestLotOff(t *testing.T) {
	c := Hobby(acidCopper(), 60, start, 400, 5)
	c.LotOff = 2
	lots := run(t, c).Lots
	assert.Greater(t, len(lots), 4)
	for name, off := range lots {
		near(t, 2*c.LotU, math.Abs(off), 1e-12, name)
	}
}

func TestFaultsDoWhatTheySay(t *testing.T) {
	base := func(faults ...Fault) *Run {
		c := Hobby(acidCopper(), 60, start, 120, 21)
		c.Use.GapsPerYr, c.SkipVisit = 0, 0
		c.Dose = nothing
		c.Faults = faults
		return run(t, c)
	}
	plain := base()
	find := func(r *Run, id [16]byte) chem.Fact {
		i := slices.IndexFunc(r.Facts, func(f chem.Fact) bool { return f.ID == id })
		require.GreaterOrEqual(t, i, 0)
		return r.Facts[i]
	}
	after := start.AddDate(0, 0, 60)
	midnight := time.Date(after.Year(), after.Month(), after.Day(), 0, 0, 0, 0, time.UTC)

	t.Run("blunder", func(t *testing.T) {
		r := base(Fault{Kind: Blunder, Day: 60})
		require.Len(t, r.Events, 1)
		e := r.Events[0]
		assert.True(t, e.Fault.Size >= 1.05 && e.Fault.Size <= 1.15)
		f := find(r, e.ID)
		value := f.Body.(chem.Assay).Value.Number.Float()
		near(t, find(plain, e.ID).Body.(chem.Assay).Value.Number.Float()*e.Fault.Size, value, 3e-3, "reading")
		near(t, plain.Last().Amount["copper"], r.Last().Amount["copper"], 1e-12, "the bath itself is not touched")
		differ := 0
		for i := range r.Facts {
			if !reflect.DeepEqual(r.Facts[i], plain.Facts[i]) {
				differ++
			}
		}
		assert.Equal(t, 1, differ)
	})
	t.Run("wrong titrant", func(t *testing.T) {
		r := base(Fault{Kind: WrongTitrant, Day: 60})
		low := 0
		for i, f := range r.Facts {
			a, ok := f.Body.(chem.Assay)
			if !ok || reflect.DeepEqual(f, plain.Facts[i]) {
				continue
			}
			near(t, plain.Facts[i].Body.(chem.Assay).Value.Number.Float()/1.04, a.Value.Number.Float(), 4e-3, "reading")
			low++
		}
		assert.Equal(t, 1, low)
	})
	t.Run("wrong level", func(t *testing.T) {
		r := base(Fault{Kind: WrongLevel, Day: 60, Size: -0.03})
		id := r.Events[0].ID
		near(t, 0.97*find(plain, id).Body.(chem.Level).Volume.Value("L"), find(r, id).Body.(chem.Level).Volume.Value("L"), 1e-3, "level")
	})
	t.Run("unlogged addition", func(t *testing.T) {
		r := base(Fault{Kind: Unlogged, Day: 60})
		at := r.Events[0].Time
		assert.False(t, at.Before(midnight))
		near(t, plain.At(at).Amount["copper"]+0.08*50*60, r.At(at).Amount["copper"], 1e-9, "copper")
		each(r, func(_ chem.Fact, a chem.Add) { assert.Equal(t, "deionised water", a.Material) })
	})
	t.Run("lost bath", func(t *testing.T) {
		r := base(Fault{Kind: Lost, Day: 60})
		at := r.Events[0].Time
		near(t, 0.95*plain.At(at).Amount["copper"], r.At(at).Amount["copper"], 1e-9, "copper")
		near(t, 0.95*plain.At(at).Amount["brightener"], r.At(at).Amount["brightener"], 1e-4, "brightener, which decays between the records")
		near(t, plain.At(at).Volume, r.At(at).Volume, 1e-9, "volume")
	})
	t.Run("leak", func(t *testing.T) {
		r := base(Fault{Kind: Leak, Day: 60, Size: 0.004, Days: 10})
		at := midnight.AddDate(0, 0, 10)
		near(t, 0.04*plain.At(at).Volume, r.At(at).Water.Lost, 0.06, "about a tenth of the bath's tenth")
		near(t, r.At(at.AddDate(0, 0, 1)).Water.Lost, r.Last().Water.Lost, 1e-12, "it stops")
	})
	t.Run("polarised anodes", func(t *testing.T) {
		r := base(Fault{Kind: Polarised, Day: 60})
		last, was := r.Last(), plain.Last()
		q := last.Charge - r.At(midnight).Charge
		near(t, 0.15*1.18549*q*60/60, was.Metal.Dissolved-last.Metal.Dissolved, 1e-3, "copper that did not dissolve")
		assert.Less(t, last.Conc("copper"), was.Conc("copper"))
		assert.Greater(t, last.Conc("sulfuric acid"), was.Conc("sulfuric acid"))
	})
	t.Run("contamination", func(t *testing.T) {
		r := base(Fault{Kind: Contamination, Day: 60})
		at := r.Events[0].Time
		near(t, plain.At(at).Conc("iron")+1, r.At(at).Conc("iron"), 1e-9, "iron")
	})
	t.Run("foreign metal", func(t *testing.T) {
		pure := func(faults ...Fault) *Run {
			r := acidCopper()
			r.Constituents = slices.DeleteFunc(r.Constituents, chem.Constituent.Contaminant)
			c := Exact(r, 60, start, 120, 21)
			c.Dose, c.Faults = nothing, faults
			return run(t, c)
		}
		r := pure(Fault{Kind: Contamination, Day: 60})
		at := r.Events[0].Time
		near(t, 1.5, r.At(at).Conc(Foreign), 1e-9, "three percent of 50 g/L")
		read := 0
		each(r, func(f chem.Fact, a chem.Assay) {
			if a.Of == "copper" && f.Time.After(at) {
				truth := r.At(f.Time)
				near(t, truth.Conc("copper")+truth.Conc(Foreign), a.Value.Value("g/L"), 1e-9, "reading")
				read++
			}
		})
		assert.Greater(t, read, 5)
		near(t, pure().Last().Amount["copper"], r.Last().Amount["copper"], 1e-9, "the copper itself")
	})
	t.Run("wrong bottle", func(t *testing.T) {
		c := Hobby(acidCopper(), 60, start, 120, 21)
		c.Faults = []Fault{{Kind: WrongBottle, Day: 30, Of: "brightener", With: "hydrochloric acid 10 %"}}
		r := run(t, c)
		e := r.Events[0]
		f := find(r, e.ID)
		assert.Equal(t, "brightener", f.Body.(chem.Add).Material)
		before, at := r.At(f.Time.Add(-time.Microsecond)), r.At(f.Time)
		near(t, 102*e.Fault.Size, at.Amount["chloride"]-before.Amount["chloride"], 0.05, "chloride")
		assert.Less(t, at.Amount["brightener"]-before.Amount["brightener"], 1e-3)
	})
}

func TestCardKeepsTheBathNearItsWindows(t *testing.T) {
	inside, all := map[string]int{}, 0
	for seed := range uint64(8) {
		r := run(t, Hobby(acidCopper(), 60, start, 365, 300+seed))
		for d := range 365 {
			at := r.At(start.AddDate(0, 0, d))
			all++
			for _, c := range r.Config.Recipe.Constituents {
				if v := at.Conc(c.Name); !c.Contaminant() && v >= c.Low && v <= c.High {
					inside[c.Name]++
				}
			}
		}
		adds := map[string]int{}
		each(r, func(f chem.Fact, a chem.Add) { adds[a.Material]++ })
		assert.Positive(t, adds["deionised water"])
		assert.Positive(t, adds["brightener"])
	}
	for name, n := range inside {
		assert.Greater(t, float64(n)/float64(all), 0.6, name)
	}
}

func TestPolicyIsAskedAndObeyed(t *testing.T) {
	c := Exact(acidCopper(), 60, start, 60, 4)
	asked, repeats := 0, 0
	c.Dose = func(facts []chem.Fact, now time.Time) []chem.Fact {
		asked++
		for _, f := range facts {
			assert.False(t, f.Entered.After(now.Add(time.Minute)))
		}
		if last, ok := facts[len(facts)-1].Body.(chem.Assay); ok && last.Of != "copper" {
			repeats++
			return []chem.Fact{{Body: chem.Assay{Of: "copper"}}}
		}
		return []chem.Fact{{Body: chem.Add{Material: "sulfuric acid 96 %", Amount: chem.MeasuredOf(0.02, "L", 0)}, Note: "by hand"}}
	}
	r := run(t, c)
	require.Positive(t, repeats)
	adds := 0
	each(r, func(f chem.Fact, a chem.Add) {
		if a.Material != "sulfuric acid 96 %" {
			return
		}
		adds++
		assert.Equal(t, "by hand", f.Note)
		gained := r.At(f.Time).Amount["sulfuric acid"] - r.At(f.Time.Add(-time.Microsecond)).Amount["sulfuric acid"]
		near(t, 20*1.762, gained, 1e-3, "acid")
	})
	assert.Equal(t, asked, repeats+adds)
}

func TestAwayAnodesAndMeter(t *testing.T) {
	c := Hobby(acidCopper(), 60, start, 120, 6)
	c.Use.GapsPerYr = 0
	c.Away, c.PullAway, c.ByMeter = [][2]int{{40, 61}}, true, true
	r := run(t, c)
	from, to := start.AddDate(0, 0, 40), start.AddDate(0, 0, 60)
	pulled, hungAgain := 0, 0
	for _, f := range r.Facts {
		if f.Time.After(from.Add(2*time.Hour)) && f.Time.Before(to) {
			t.Errorf("%s at %s while away", f.Kind(), f.Time)
		}
		switch b := f.Body.(type) {
		case chem.Pull:
			if b.Anode == chem.AllAnodes {
				pulled++
			}
		case chem.Hang:
			if f.Time.After(to) {
				hungAgain++
			}
		case chem.Plate:
			t.Error("a run where only the meter is read")
		}
	}
	assert.Equal(t, 1, pulled)
	assert.Equal(t, 2, hungAgain)
	a, b := r.At(from.Add(3*time.Hour)), r.At(to)
	near(t, a.Metal.Dissolved, b.Metal.Dissolved, 1e-12, "nothing dissolves with the anodes out")
	shown := 0.0
	each(r, func(f chem.Fact, m chem.Meter) {
		assert.GreaterOrEqual(t, m.Reading.Value("Ah"), shown)
		shown = m.Reading.Value("Ah")
	})
	assert.InDelta(t, r.Last().Shown, shown, 0.06)
}

func TestAnodesAreReplaced(t *testing.T) {
	c := Hobby(acidCopper(), 60, start, 700, 6)
	c.AhPerWeek = 80
	r := run(t, c)
	pulls := 0
	each(r, func(f chem.Fact, p chem.Pull) {
		pulls++
		assert.Less(t, p.Mass.Value("kg"), 0.25*60/40+0.01)
	})
	assert.Greater(t, pulls, 3)
	m := r.Last().Metal
	near(t, m.Hung, m.Anodes+m.Sludge+m.Dissolved, 1e-9, "anodes")
}

func TestOrganicsByPanel(t *testing.T) {
	for _, by := range []OrganicMethod{OrganicPanel, OrganicPattern, OrganicNone} {
		c := Hobby(acidCopper(), 60, start, 200, 2)
		c.Organics, c.PanelBack = by, false
		r := run(t, c)
		n := 0
		each(r, func(f chem.Fact, p chem.Panel) {
			n++
			assert.Equal(t, by == OrganicPanel, p.Value.Given())
			assert.Equal(t, by == OrganicPattern, p.Pattern != "")
			near(t, 0.267, r.At(f.Time).Water.Sampled-r.At(f.Time.Add(-time.Microsecond)).Water.Sampled, 1e-9, "a panel's bath")
		})
		if by == OrganicNone {
			assert.Zero(t, n)
		} else {
			assert.Greater(t, n, 10)
		}
	}
}

func TestRefusals(t *testing.T) {
	good := func() Config { return Exact(acidCopper(), 60, start, 30, 1) }
	add := func(material string, m chem.Measured) Policy {
		return func([]chem.Fact, time.Time) []chem.Fact {
			return []chem.Fact{{Body: chem.Add{Material: material, Amount: m}}}
		}
	}
	for name, c := range map[string]struct {
		change func(*Config)
		says   string
	}{
		"no recipe":          {func(c *Config) { c.Recipe = nil }, "no recipe"},
		"no volume":          {func(c *Config) { c.Volume = 0 }, "volume"},
		"volume not finite":  {func(c *Config) { c.Volume = math.Inf(1) }, "volume"},
		"no days":            {func(c *Config) { c.Days = 0 }, "days"},
		"late fault":         {func(c *Config) { c.Faults = []Fault{{Kind: Lost, Day: 30}} }, "days 0 to 29"},
		"fault without end":  {func(c *Config) { c.Faults = []Fault{{Kind: Blunder, Day: 29}} }, "found no chance"},
		"unknown fault":      {func(c *Config) { c.Faults = []Fault{{Kind: "fire"}} }, "unknown fault"},
		"unknown metal":      {func(c *Config) { c.Recipe.Metal = "tin" }, "not among its constituents"},
		"unknown material":   {func(c *Config) { c.Dose = add("soap", chem.MeasuredOf(1, "kg", 0)) }, "soap"},
		"negative addition":  {func(c *Config) { c.Dose = add("brightener", chem.MeasuredOf(-1, "mL", 0)) }, "above 0"},
		"addition of a time": {func(c *Config) { c.Dose = add("brightener", chem.MeasuredOf(1, "h", 0)) }, "above 0"},
		"policy that plates": {func(c *Config) {
			c.Dose = func([]chem.Fact, time.Time) []chem.Fact { return []chem.Fact{{Body: chem.Plate{}}} }
		}, "kind plate"},
		"bail more than there is": {func(c *Config) {
			c.Dose = func([]chem.Fact, time.Time) []chem.Fact {
				return []chem.Fact{{Body: chem.Bail{Volume: chem.MeasuredOf(70, "L", 0)}}}
			}
		}, "bailed"},
	} {
		t.Run(name, func(t *testing.T) {
			cfg := good()
			c.change(&cfg)
			r, err := Make(cfg)
			require.Error(t, err)
			assert.Nil(t, r)
			assert.True(t, strings.Contains(err.Error(), c.says), err.Error())
		})
	}
}

func BenchmarkYear(b *testing.B) {
	c := Hobby(acidCopper(), 60, start, 365, 1)
	for b.Loop() {
		if _, err := Make(c); err != nil {
			b.Fatal(err)
		}
	}
}
