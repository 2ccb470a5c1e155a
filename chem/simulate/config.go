package simulate

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"steadybath/chem"
)

// Config says which bath to make up, how it is used and how well it is read.
// The zero value of every error, noise and scatter means none of it.
type Config struct {
	Recipe     *chem.Recipe
	RecipeText string    // the recipe's own text, passed on in the first fact
	Name       string    // of the bath; "sim" where empty
	Volume     float64   // L, the mark the bath is run at
	Start      time.Time // its Location is the shop's time zone
	Days       int
	Seed       uint64 // every chance in the run follows from it

	AhPerWeek  float64 // Ah shown, the long-run mean outside Away
	Use        Use
	Away       [][2]int // days [from, to) in which nobody comes in
	PullAway   bool     // the anodes are pulled while nobody comes in for ten days or more
	TopUpHours float64  // h of plating after which the tank is filled up to its mark by eye while a part is in; 0 never
	ByMeter    bool     // charge is logged as readings of an ampere-hour meter instead of runs

	VisitDays  int     // days between rounds of readings
	FirstVisit int     // day of the first round after the one on day 0; VisitDays where 0
	SkipVisit  float64 // chance that a round is left out
	LateShare  float64 // chance that a run is entered at the next round only

	Noise       Noise
	LevelU      float64       // relative standard deviation of a level reading
	LevelRead   float64       // L, levels are read to this; 0 exactly
	LotU        float64       // relative standard deviation of a titrant lot's true molarity
	LotOff      float64       // every bottle is off by this many LotU, signs by chance; 0 draws
	LotDays     int           // days a bottle of titrant lasts; 0 for ever
	Replicates  int           // titrations per reading, at least 1
	BuretteRead float64       // mL, burettes are read to this; 0 exactly
	Bench       float64       // scale of end point, blank and glassware errors; 1 as the methods state
	AssayScale  float64       // scale of the error of readings without a titration; 1 as the recipe states
	Organics    OrganicMethod // how organics are read
	PanelU      float64       // relative standard deviation of a panel's reading
	PanelBack   bool          // what a panel took goes back into the tank
	MassU       float64       // relative standard deviation of a weighed addition
	VolumeU     float64       // relative standard deviation of an addition or bail-out measured by volume
	FillU       float64       // relative standard deviation of what the first filling is stated to be
	NoFill      bool          // the composition at the start is not stated
	GainShare   float64       // chance that a part's gain is weighed
	GainU       float64       // g, standard deviation of a gain
	AnodeU      float64       // kg, standard deviation of an anode's weighing
	AnodeRead   float64       // kg, anodes are weighed to this; 0 exactly
	AnodeDays   int           // days between weighings of the anodes; 0 never
	AnodeLeast  float64       // fraction of its first mass at which an anode is replaced; 0 never
	Anodes      []Anode       // hung at the start; nil for two slabs (or inert) of a usual size

	PriorOff    float64            // every true rate lies this many prior standard deviations from its prior mean, signs by chance; 0 draws from the prior
	PriorMeans  bool               // every true rate is its prior mean; PriorOff has no effect
	RateOff     map[string]float64 // signed prior standard deviations from the prior mean, of single rates by their key in the recipe ("drag_out", "use"); before PriorOff and PriorMeans
	Rates       *Rates             // the true rates of this bath at the start, instead of any draw
	Composition map[string]float64 // true concentrations at the start; target where missing

	BlunderShare float64 // chance that a reading of an inorganic is multiplied by 1 + or - BlunderSize, beside Faults
	BlunderSize  float64

	Read   func(facts []chem.Fact, now time.Time) []string // asked when the water is in: the constituents to read in this round; nil for all of them, contaminants every eighth time
	Water  Policy                                          // asked when the level has been read, before samples are drawn; nil for [TopUp]
	Dose   Policy                                          // asked when the readings of a round are in; nil for [Card]
	Before Policy                                          // asked before each run; nil for nothing
	Faults []Fault
}

// Policy says what is to be done at the tank, given all that has been entered
// so far, in order of entry. Of the facts it returns only body and note count:
// Add and Bail are carried out (with the errors of scales and jugs) and logged;
// an Assay or Panel with nothing but Of asks for one more reading, an empty
// Level for another level, after which the policy is asked again (three times
// at most); remarks, settings and voids are logged. The facts given are the
// run's own and must not be changed.
type Policy func(facts []chem.Fact, now time.Time) []chem.Fact

// OrganicMethod is how a shop reads its organics.
type OrganicMethod string

// The ways to read an organic.
const (
	OrganicAssay   OrganicMethod = "assay"   // a number with the recipe's relative uncertainty
	OrganicPanel   OrganicMethod = "panel"   // an amount read from a Hull-cell panel
	OrganicPattern OrganicMethod = "pattern" // low, right or high
	OrganicNone    OrganicMethod = "none"
)

// Use is when and how unevenly a shop plates.
type Use struct {
	IdleWeek   float64    // chance that nothing is plated in a week
	Scatter    float64    // relative standard deviation of the charge of a week that is not idle
	Sessions   int        // most runs in a week, at least 1
	GapsPerYr  float64    // long gaps a year in which nobody comes in
	GapDays    [2]int     // shortest and longest of them
	WeekHours  float64    // hours of plating in a mean week, which sets the current; 5 where 0
	RunRelated [2]float64 // A/dm2, lowest and highest cathode current density; 1 to 2 where 0
}

// Anode is an anode as first hung.
type Anode struct {
	ID   string
	Mass float64 // kg; 0 for inert
	Area float64 // dm2; 0 not known
	Form string  // slab, bar, nuggets, inert
}

// Noise is how much each rate scatters and wanders: standard deviations,
// relative unless said otherwise.
type Noise struct {
	// anew for every run
	AnodeEfficiency   float64 // absolute
	CathodeEfficiency float64 // absolute
	DragOut           float64
	Use               float64
	ChlorideLoss      float64
	Ammeter           float64
	Share             float64 // absolute, of an anode's share of the current
	// anew every day
	Dissolution float64
	Evaporation float64
	Loss        float64
	// walks, per square root of a day
	WalkAnodeEfficiency float64 // absolute
	WalkShare           float64 // absolute
	WalkDissolution     float64
	WalkDragOut         float64
	WalkEvaporation     float64
	WalkUse             float64
	WalkLoss            float64
}

// Prototype is the noise of a well-kept small bath. The figures were chosen for
// this project: no published series of daily rates of small baths was found.
func Prototype() Noise {
	return Noise{
		AnodeEfficiency: 0.006, CathodeEfficiency: 0.003, DragOut: 0.25, Use: 0.15, ChlorideLoss: 0.10,
		Ammeter: 0.004, Share: 0.03,
		Dissolution: 0.25, Evaporation: 0.35, Loss: 0.10,
		WalkAnodeEfficiency: 0.0006, WalkShare: 0.003, WalkDissolution: 0.015, WalkDragOut: 0.01,
		WalkEvaporation: 0.03, WalkUse: 0.014, WalkLoss: 0.01,
	}
}

// Hobby is a one-person shop: evenings and weekends, idle weeks, now and then a
// gap, a round of readings a week, a burette read to half a division. volume is
// in L; the time zone is that of start.
func Hobby(r *chem.Recipe, volume float64, start time.Time, days int, seed uint64) Config {
	return Config{
		Recipe: r, Volume: volume, Start: start, Days: days, Seed: seed,
		AhPerWeek: 22 * volume / 60,
		Use:       Use{IdleWeek: 0.15, Scatter: 0.5, Sessions: 3, GapsPerYr: 0.7, GapDays: [2]int{21, 80}},
		VisitDays: 7, SkipVisit: 0.05, LateShare: 0.03,
		Noise: Prototype(), LevelU: 0.005, LevelRead: 0.05, LotU: 0.004, LotDays: 110,
		Replicates: 2, BuretteRead: 0.05, Bench: 1, AssayScale: 1, Organics: OrganicAssay, PanelU: 0.30, PanelBack: true,
		MassU: 0.002, VolumeU: 0.01, FillU: 0.02, GainShare: 0.3, GainU: 0.05,
		AnodeU: 0.001, AnodeRead: 0.001, AnodeDays: 28, AnodeLeast: 0.25,
	}
}

// Exact is a bath without any chance in its rates or readings, the rates at
// their prior means: what is written down is what happened, to the last digit
// of a float64. Only the pattern of use still follows from the seed.
func Exact(r *chem.Recipe, volume float64, start time.Time, days int, seed uint64) Config {
	return Config{
		Recipe: r, Volume: volume, Start: start, Days: days, Seed: seed,
		AhPerWeek: 22 * volume / 60,
		Use:       Use{IdleWeek: 0.15, Scatter: 0.5, Sessions: 3},
		VisitDays: 7, Replicates: 1, Organics: OrganicAssay, PanelBack: true, PriorMeans: true,
		GainShare: 1, AnodeDays: 28, AnodeLeast: 0.25,
	}
}

// Rates are the true rates of one bath at one moment, without the scatter of
// the day or the run. Dissolution and evaporation are for this bath, scaled
// from the recipe's volume to its own.
type Rates struct {
	AnodeEfficiency   float64
	CathodeEfficiency float64
	Dissolution       float64            // mol/day with the usual anodes hung
	DragOut           float64            // L/Ah
	DragOutArea       float64            // L/dm2
	DragIn            float64            // L/Ah
	Evaporation       float64            // L/day
	EvaporationRun    float64            // L/h of plating
	ChlorideLoss      float64            // mg/Ah at the target concentration
	Meter             float64            // true over shown ampere-hours
	Sludge            float64            // fraction of what an anode loses
	Use               map[string]float64 // mL/Ah by organic
	Loss              map[string]float64 // 1/day by organic
}

// Molar masses for recipes that state none, g/mol: IUPAC 2021 abridged standard
// atomic weights (Prohaska et al. 2022, doi 10.1515/pac-2019-0603).
const (
	molarCopper = 63.546
	molarNickel = 58.693
	molarGold   = 196.97
	molarAcid   = 98.072 // H2SO4 from H 1.0080, S 32.06, O 15.999
)

// faraday is the Faraday constant in ampere-hours per mol: 96485.33212 C/mol
// (CODATA 2018, exact since the 2019 SI) over 3600 s/h.
const faraday = 96485.33212 / 3600

func molarMass(c chem.Constituent) float64 {
	switch {
	case c.MolarMass > 0:
		return c.MolarMass
	case c.Role == chem.RoleAcid:
		return molarAcid
	case c.Role == chem.RoleMetal:
		return map[string]float64{"copper": molarCopper, "nickel": molarNickel, "gold": molarGold}[c.Name]
	}
	return 0
}

func (c Config) check() error {
	r := c.Recipe
	switch {
	case r == nil:
		return fmt.Errorf("simulate: no recipe")
	case !(c.Volume > 0) || math.IsInf(c.Volume, 0):
		return fmt.Errorf("simulate: volume %v L is not above 0", c.Volume)
	case !(r.Volume > 0):
		return fmt.Errorf("simulate: the recipe does not say which volume its rates are for")
	case r.Charge < 1:
		return fmt.Errorf("simulate: the recipe's charge %d is not at least 1", r.Charge)
	case c.Days < 1:
		return fmt.Errorf("simulate: %d days; at least 1 is needed", c.Days)
	case c.Start.IsZero():
		return fmt.Errorf("simulate: no start")
	case c.AhPerWeek < 0 || math.IsNaN(c.AhPerWeek):
		return fmt.Errorf("simulate: %v Ah a week is below 0", c.AhPerWeek)
	case c.VisitDays < 1:
		return fmt.Errorf("simulate: %d days between rounds; at least 1 is needed", c.VisitDays)
	case c.Replicates < 1:
		return fmt.Errorf("simulate: %d replicates; at least 1 is needed", c.Replicates)
	}
	metal, ok := r.Constituent(r.Metal)
	if !ok {
		return fmt.Errorf("simulate: the recipe plates %q, which is not among its constituents", r.Metal)
	}
	if molarMass(metal) <= 0 {
		return fmt.Errorf("simulate: the recipe states no molar mass of %s", metal.Name)
	}
	for key := range c.RateOff {
		if !slices.Contains(rateKeys, key) {
			return fmt.Errorf("simulate: no rate %q; %s are known", key, strings.Join(rateKeys, ", "))
		}
	}
	for _, f := range c.Faults {
		if err := c.checkFault(f); err != nil {
			return err
		}
	}
	return nil
}
