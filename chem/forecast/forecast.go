// Package forecast says when things fall due: constituents that leave their
// windows, organics, anodes, readings, what has to be bought, filters and bags.
//
// It draws many futures from the estimate (what is in the bath, and every rate, as
// unsure as they are) and from how the shop plates (how often, and how much), and
// counts. It must not read clocks: the same estimate, options and seed give the
// same answer.
//
// Start with [Make].
package forecast

import (
	"time"

	"steadybath/chem"
	"steadybath/chem/dose"
)

// Dates are when something happens with a chance of 10, 50 and 90 %. A zero time
// says that it does not within the horizon.
type Dates struct{ P10, P50, P90 time.Time }

// Charges are the same by ampere-hours passed from now on, as shown; NaN says not
// within the horizon.
type Charges struct{ P10, P50, P90 float64 }

// Leaving is when a constituent leaves its window through one edge, with nothing
// added but the water that evaporates.
type Leaving struct {
	Constituent string
	Edge        string // low or high
	Date        Dates
	Ah          Charges
}

// Organic is when the next dose of an organic falls due, and how it goes on.
type Organic struct {
	Constituent string
	Material    chem.Material
	Due         Dates
	Ah          Charges // when it falls due, by charge; zero where nothing is said
	Amount      float64 // of the dose that falls due, in Unit
	Usual       float64 // of each from then on, in Unit: what EveryAh and EveryDays are for
	Unit        chem.Unit
	EveryAh     float64 // 0 where charge plays no part
	EveryDays   float64
}

// Anode is what is left of a hung anode and when it has to be replaced.
type Anode struct {
	ID, Form string
	Hung     time.Time
	Mass, U  float64 // kg; NaN where never weighed
	Fraction float64 // of what it weighed when hung; NaN where unknown
	Area     float64 // dm2 immersed now; 0 unknown
	Density  float64 // A/dm2 at the usual current; 0 unknown
	Replace  Dates
	Ah       Charges // the same by charge; zero where nothing is said
	Reason   string  // the limit that is reached first, in words
	ByArea   bool    // that limit is one of all anodes' area: more of it helps, not another anode
	Saves    float64 // kg that a week of pulling it would save from dissolving
	LifeAh   float64 // inert: ampere-hours that it may pass; 0 unknown
	PassedAh float64 // inert: passed since it was hung
}

// Purchase is a material that runs out.
type Purchase struct {
	Material    chem.Material
	Left        float64 // in Unit
	Amount      float64 // to buy, in Unit: what the rest of the horizon asks for
	Unit        chem.Unit
	Out         Dates     // when it has run out
	By          time.Time // when to order it at the latest: the early date less the lead time
	LeadDays    float64   // from ordering it to having it
	LeadAssumed bool      // the recipe does not say so
}

// Upkeep is a filter, bags or a carbon treatment that the recipe sets a time for.
type Upkeep struct {
	What string // carbon, bags, filter, dummy
	Due  Dates
	Why  string
}

// Job is plating that is planned: so many ampere-hours at a time to come.
type Job struct {
	At time.Time
	Ah float64
}

// Options say what is forecast.
type Options struct {
	Days  float64 // horizon; 0: 180
	Seed  uint64
	Paths int     // futures drawn; 0: 400
	Fans  float64 // days of the horizon that fans are given for; 0: no fans
	Jobs  []Job
	Stock map[string]dose.Stock // by material, where stock is counted
	Plan  *dose.Plan            // what is to be done now; nil: nothing
}

// Forecast is what is to come.
type Forecast struct {
	Bath        string
	At          time.Time
	Days        float64 // horizon
	AhPerDay    float64 // expected mean over the horizon, planned jobs counted
	UAhPerDay   float64
	RunsPerWeek float64 // as learned, before planned jobs; 0 where nothing is said
	AhPerRun    float64
	Leaves      []Leaving
	Organics    []Organic
	Anodes      []Anode
	Titrate     []dose.Titration
	Buy         []Purchase
	Upkeep      []Upkeep
	Fans        []Fan // of the constituents that are known, in the recipe's order, with nothing added but water; nil without Options.Fans
	Masses      []Fan // of the hung soluble anodes of known mass, in the order of Anodes; the same
}
