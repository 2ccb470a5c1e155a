package chem

import (
	"fmt"
	"strings"
)

// Prior is a value with its standard uncertainty, as believed before this bath
// has shown anything.
type Prior struct{ Value, U float64 }

// Role is what a constituent does in the balances of a bath.
type Role string

// The roles. A constituent without one is only carried, diluted and dosed.
const (
	RoleMetal    Role = "metal"    // what is plated
	RoleAcid     Role = "acid"     // sulfuric acid beside a divalent metal
	RoleChloride Role = "chloride" // lost with charge
	RoleOrganic  Role = "organic"  // used by charge and time
	RoleNone     Role = ""
)

// Recipe is what a bath ought to be: its constituents with their windows, what
// it is fed with, how it is titrated, and how its rates are believed to be
// before readings say more. Package recipe reads it from a file.
type Recipe struct {
	Title        string
	Metal        string  // name of the constituent that is plated
	Charge       int     // electrons per ion
	Anodes       string  // "soluble" or "inert"
	Cyanide      bool    // tracked by charge only, never dosed
	Volume       float64 // L, the volume that dissolution and evaporation are for
	AnodeArea    float64 // dm2, the usual area that dissolution is for; 0 unknown
	Deposit      float64 // g/cm3, density of what is plated, where it is not that of the compact metal; 0 for the metal's
	Prior        Rates
	Constituents []Constituent // organics among them, with RoleOrganic, after the others
	Materials    []Material
	Methods      []Method
	Limits       Limits
	Upkeep       Upkeep
	Cautions     []string // for the bath as a whole
	Sources      []Source // where each figure of the recipe comes from
	References   []Source // what Sources cite: Key is the short name that they use, Text the work
}

// Rates are the priors of everything that moves a bath.
type Rates struct {
	AnodeEfficiency   Prior // fraction of the charge that dissolves metal
	CathodeEfficiency Prior // fraction of the charge that plates metal
	Dissolution       Prior // mol/day, chemical, with the usual anodes hung
	DragOut           Prior // L/Ah
	DragOutArea       Prior // L/dm2 plated, where area is logged
	DragIn            Prior // L/Ah
	Evaporation       Prior // L/day
	EvaporationRun    Prior // L per hour of plating, more than at rest
	ChlorideLoss      Prior // mg/Ah at the target concentration
	Meter             Prior // true over shown ampere-hours
	Sludge            Prior // fraction of what an anode loses
}

// Constituent is something dissolved in the bath that is kept in a window.
type Constituent struct {
	Name              string
	Role              Role
	Unit              Unit // g/L, mg/L or mL/L
	MolarMass         float64
	Low, Target, High float64 // in Unit; a contaminant has only High
	AssayU            float64 // relative standard uncertainty where a reading states none
	Use               Prior   // organics: mL/Ah
	Loss              Prior   // organics: 1/day
	OverdoseCost      float64 // how many times worse too much is than too little; 1 where the recipe says nothing
}

// Contaminant tells whether the constituent has only an upper limit.
func (c Constituent) Contaminant() bool { return c.Low == 0 && c.Target == 0 && c.High > 0 }

// Material is what the bath is fed with.
type Material struct {
	Name     string
	Unit     Unit               // kg, g, L or mL
	Brings   map[string]float64 // per Unit: g, mg or mL of the constituent, as in its concentration's unit; negative where one is used up
	Litres   float64            // volume added per Unit, L
	Smallest float64            // in Unit: what can be weighed or measured out
	Price    float64            // per Unit, in the shop's money; 0 unknown
	Stock    float64            // in Unit; 0 unknown
	Acid     float64            // sulfuric acid mass fraction of the material, 0 where it is none
	Density  float64            // kg/L; 0 unknown
	LeadDays float64            // from ordering it to having it; 0 unknown
	Cautions []string
	Water    bool // brings nothing: deionised water
	Prefer   bool // to be taken before other materials that bring the same
}

// Method is how a constituent is titrated.
type Method struct {
	Name        string
	Constituent string
	Titrant     string
	Molarity    float64 // mol/L, nominal
	UFactor     float64 // relative standard uncertainty of the titrant's factor, shared by its lot
	Ratio       float64 // mol of the constituent per mol of titrant
	MolarMass   float64 // g/mol of what is reported
	Aliquot     float64 // mL of bath
	UAliquot    float64 // mL, tolerance of the pipette (half-width)
	Burette     float64 // mL, capacity
	UBurette    float64 // mL, tolerance of the burette (half-width)
	EndPoint    float64 // mL, standard uncertainty of finding the end point once
	Blank       float64 // mL
	UBlank      float64 // mL, standard uncertainty
	UReading    float64 // standard uncertainty in the constituent's unit where nothing is titrated (comparison with standards): Titrant is empty then
	Sample      float64 // mL of bath drawn, 0 for the usual 20
	Indicator   string
	Steps       []string
	Cautions    []string
}

// Limits are what the bath and its parts may be run at.
type Limits struct {
	CathodeDensity [2]float64 // A/dm2, lowest and highest
	AnodeDensity   float64    // A/dm2, the most; 0 unknown
	Temperature    [2]float64 // degC, coldest and warmest that the bath ever is, the heater off
	TemperatureRun [2]float64 // degC, coldest and warmest while plating; zero where nothing is said
	PH             [2]float64 // lowest and highest pH; zero where nothing is said
	AcidPour       float64    // K, the most a pour of acid may warm the bath
	AnodeLeast     float64    // fraction of its first mass at which an anode is replaced; 0 where nothing is said
	AnodeRatio     float64    // the least anode area beside the parts' area; 0 where nothing is said
	AnodeLife      float64    // Ah that a square decimetre of an inert anode passes in its life; 0 unknown
	Supply         float64    // A, what the supply is rated at; 0 unknown
}

// Upkeep is how often things are changed or treated that no reading asks for, in
// days and in ampere-hours, whichever comes first; 0 where nothing is said.
type Upkeep struct {
	CarbonDays, CarbonAh float64 // carbon treatment
	FilterDays, FilterAh float64 // new filter cartridge
	BagsDays, BagsAh     float64 // anode bags washed or changed
	DummyDays, DummyAh   float64 // dummy plating
}

// Source says where a figure of a recipe comes from.
type Source struct {
	Key  string // dotted key of the figure
	Text string // the source, or "memory: ...", or "yours to set"
}

// Constituent returns the named constituent.
func (r *Recipe) Constituent(name string) (Constituent, bool) {
	for _, c := range r.Constituents {
		if strings.EqualFold(c.Name, name) {
			return c, true
		}
	}
	return Constituent{}, false
}

// WithRole returns the first constituent of the role.
func (r *Recipe) WithRole(role Role) (Constituent, bool) {
	for _, c := range r.Constituents {
		if c.Role == role {
			return c, true
		}
	}
	return Constituent{}, false
}

// Material returns the named material.
func (r *Recipe) Material(name string) (Material, bool) {
	for _, m := range r.Materials {
		if strings.EqualFold(m.Name, name) {
			return m, true
		}
	}
	return Material{}, false
}

// Method returns the first method for the constituent, or the one of the given
// name where name is not empty.
func (r *Recipe) Method(constituent, name string) (Method, bool) {
	for _, m := range r.Methods {
		if strings.EqualFold(m.Constituent, constituent) && (name == "" || strings.EqualFold(m.Name, name)) {
			return m, true
		}
	}
	return Method{}, false
}

// Amount counts an amount of the material in its own unit, by its density where
// a liquid was weighed or a mass was measured by volume. It is an error where
// the two cannot be told apart.
func (m Material) Amount(typed Measured) (float64, error) {
	if x, _, err := typed.In(m.Unit); err == nil {
		return x, nil
	}
	from, to := typed.Unit.Dimension(), m.Unit.Dimension()
	switch {
	case m.Density > 0 && from == DimVolume && to == DimMass:
		return Unit("kg").Convert(typed.Value("L")*m.Density, m.Unit)
	case m.Density > 0 && from == DimMass && to == DimVolume:
		return Unit("L").Convert(typed.Value("kg")/m.Density, m.Unit)
	}
	return 0, fmt.Errorf("it is counted in %s, not in %s", UnitsOf(to), from)
}
