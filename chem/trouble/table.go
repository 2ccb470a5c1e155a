package trouble

// Symptom is what is seen on the part or on the supply.
type Symptom string

// The symptoms.
const (
	Burnt  Symptom = "burnt"
	Dull   Symptom = "dull"
	Pitted Symptom = "pitted"
	Rough  Symptom = "rough"
	Uneven Symptom = "uneven"
	Amps   Symptom = "amps-falling"
)

// Symptoms lists them.
func Symptoms() []Symptom { return []Symptom{Burnt, Dull, Pitted, Rough, Uneven, Amps} }

// Side is which way something is off.
type Side string

// The sides. None is for what has no number of its own.
const (
	Low  Side = "low"
	High Side = "high"
	None Side = ""
)

// What a cause can be about, beside a constituent's name or role.
const (
	aboutMetal    = "role metal"
	aboutAcid     = "role acid"
	aboutChloride = "role chloride"
	aboutOrganic  = "role organic"
	Temperature   = "temperature"
	PH            = "pH"
	Organics      = "organic contamination"
	Bags          = "bags"
	Filter        = "filter"
	Area          = "anode area"
	Dummy         = "dummy plating"
	Anodes        = "anodes"   // what they are made of
	Practice      = "practice" // nothing that a log could know
)

// Cause is one line of a fault table.
type Cause struct {
	Symptom Symptom
	Metal   string // of the bath
	About   string // a role, a constituent's name, or one of the above
	Side    Side
	What    string
	First   string // what to do first
	Source  string
}

// Where the lines come from.
const (
	guide    = "Metal Finishing Guide Book 2013, acid copper, page scan 286; read in excerpt"
	inferred = guide + "; which cause belongs to which fault is inferred"
	burning  = "a finishing magazine's answers, nickel burning (PF-BURN); read in excerpt"
	pits     = "a finishing magazine's answers (PF-SATIN) and a page on nickel pits (CN-PITS); read in excerpt"
	cuPits   = "a finishing magazine's answers, copper pits (PF-PIT); read in excerpt"
	impure   = "a finishing magazine's answers, impurities in nickel (PF-IMP); read in excerpt"
	anodes   = "a finishing forum, polarised anodes (FIN-447), and a magazine's answers on rising acid (PF-ACIDUP); read in excerpt"
	racks    = "a finishing magazine's answers, nickel (PF-NI); read in excerpt"
	common   = "common practice, no source"
	memory   = "from memory: plating handbooks"
)

const (
	seeDose   = "steadybath dose says how much to add"
	seeBail   = "steadybath dose says what to bail out"
	panel     = "run a Hull-cell panel, inorganics first"
	carbon    = "a Hull-cell panel of carbon-treated bath; then treat the tank"
	bag       = "look for torn bags; rinse or change them"
	filter    = "look at the filter and its seals; filter through"
	agitate   = "look at air and pump; nothing hangs in a dead corner"
	heat      = "heat it"
	cool      = "cool it"
	phTrial   = "a trial on a litre; acid as the recipe says, never caustic"
	hangMore  = "lift the anodes, wash film and bags, hang more area"
	dummyLow  = "dummy plating at 0.2 to 0.5 A/dm2"
	phosphors = "phosphorised anodes only; look at their film"
)

// table is what is known, by metal and symptom in the order of its source. Each
// line stands with its source.
func table() []Cause {
	return []Cause{
		{Burnt, "copper", aboutMetal, Low, "copper low", seeDose, guide},
		{Burnt, "copper", aboutAcid, High, "acid high", seeBail, guide},
		{Burnt, "copper", Temperature, Low, "bath cold", heat, guide},
		{Burnt, "copper", Practice, None, "poor agitation, or too much current", "lower the current; " + agitate, guide},
		{Burnt, "copper", Organics, High, "organic contamination", carbon, guide},
		{Burnt, "copper", aboutChloride, Low, "chloride low", seeDose, guide},
		{Burnt, "copper", aboutOrganic, Low, "additive low", panel, memory},

		{Dull, "copper", aboutOrganic, Low, "additive low", panel, guide},
		{Dull, "copper", Organics, High, "organic contamination", carbon, guide},
		{Dull, "copper", aboutChloride, Low, "chloride low", seeDose, guide},
		{Dull, "copper", Temperature, High, "bath warm", cool, guide},
		{Dull, "copper", aboutMetal, Low, "copper low", seeDose, guide},
		{Dull, "copper", aboutOrganic, High, "additive high: dull at low current, brittle", panel, memory},

		{Pitted, "copper", Organics, High, "organic contamination", carbon, guide},
		{Pitted, "copper", Bags, None, "slough from the anodes", bag, guide},
		{Pitted, "copper", aboutChloride, Low, "chloride low", seeDose, guide},
		{Pitted, "copper", Practice, None, "low or uneven agitation", agitate, guide},
		{Pitted, "copper", Filter, None, "air drawn in at the filter", filter, cuPits},
		{Pitted, "copper", aboutChloride, High, "chloride high", seeBail, cuPits},

		{Rough, "copper", Filter, None, "particles in the bath", filter, guide},
		{Rough, "copper", Bags, None, "torn bags", bag, guide},
		{Rough, "copper", Anodes, None, "wrong anodes", phosphors, guide},
		{Rough, "copper", aboutChloride, Low, "chloride low", seeDose, guide},

		{Uneven, "copper", Area, High, "too much anode area", "take anodes out or screen them", inferred},
		{Uneven, "copper", Dummy, None, "poor film on the anodes", "dummy plating until they are evenly dark", inferred},
		{Uneven, "copper", Practice, None, "ripple of the supply over 10 %", "measure it; look at the rectifier", inferred},
		{Uneven, "copper", Organics, High, "organic contamination", carbon, inferred},
		{Uneven, "copper", aboutAcid, Low, "acid low: the bath throws less", seeDose, memory},

		{Amps, "copper", Organics, High, "organic contamination", carbon, inferred},
		{Amps, "copper", aboutAcid, Low, "acid low", seeDose, inferred},
		{Amps, "copper", aboutOrganic, Low, "additive low", panel, inferred},
		{Amps, "copper", aboutChloride, High, "chloride high: it films the anodes", "wash the film off, let it form anew; " + seeBail, inferred},
		{Amps, "copper", Area, Low, "anodes polarised or filmed", hangMore, anodes},
		{Amps, "copper", Bags, None, "clogged bags", "wash them or hang new, leached ones", anodes},
		{Amps, "copper", Temperature, Low, "bath cold", heat, inferred},
		{Amps, "copper", aboutMetal, Low, "copper low", seeDose, inferred},

		{Burnt, "nickel", Practice, None, "too much current", "lower it; look at the area that was reckoned", burning},
		{Burnt, "nickel", aboutMetal, Low, "nickel low", seeDose, burning},
		{Burnt, "nickel", "nickel chloride", Low, "chloride low", seeDose, burning},
		{Burnt, "nickel", Temperature, Low, "bath cold", heat, burning},
		{Burnt, "nickel", "boric acid", Low, "boric acid low", seeDose, memory},
		{Burnt, "nickel", PH, High, "pH high", phTrial, memory},

		{Dull, "nickel", "copper", High, "copper in the bath: grey at low current", dummyLow, impure},
		{Dull, "nickel", "zinc", High, "zinc in the bath: grey at low current", dummyLow, impure},
		{Dull, "nickel", "brightener", Low, "brightener low", panel, memory},
		{Dull, "nickel", Temperature, Low, "bath cold", heat, memory},
		{Dull, "nickel", Organics, High, "organic contamination", carbon, memory},

		{Pitted, "nickel", "wetter", Low, "wetter low", panel, pits},
		{Pitted, "nickel", Filter, None, "particles", filter, pits},
		{Pitted, "nickel", "boric acid", Low, "boric acid low", seeDose, pits},
		{Pitted, "nickel", "iron", High, "iron in the bath", "a laboratory's figure; then the supplier's treatment", pits},
		{Pitted, "nickel", PH, High, "pH high", phTrial, pits},
		{Pitted, "nickel", Practice, None, "too much current", "lower it", pits},
		{Pitted, "nickel", Temperature, Low, "bath cold", heat, pits},

		{Rough, "nickel", Filter, None, "particles in the bath", filter, common},
		{Rough, "nickel", Bags, None, "torn bags", bag, common},
		{Rough, "nickel", PH, High, "pH high: basic salts fall out", phTrial, memory},
		{Rough, "nickel", "boric acid", High, "boric acid falls out cold", "warm and stir it until all is dissolved", common},

		{Uneven, "nickel", Area, High, "too much anode area, or in the wrong place", "move or screen anodes", common},
		{Uneven, "nickel", aboutMetal, Low, "nickel low", seeDose, common},
		{Uneven, "nickel", Practice, None, "parts too near or shadowed", "more distance, turn them", common},

		{Amps, "nickel", "nickel chloride", Low, "chloride low: anodes turn passive", seeDose, memory},
		{Amps, "nickel", Area, Low, "anodes passive or too small", hangMore, anodes},
		{Amps, "nickel", Bags, None, "clogged bags", "wash them or hang new, leached ones", anodes},
		{Amps, "nickel", PH, High, "pH high", phTrial, memory},
		{Amps, "nickel", Temperature, Low, "bath cold", heat, memory},
	}
}

// Before is what to look at whatever the numbers say.
func Before() (text, source string) {
	return "look at racks, contacts, air and cleaning before the chemistry", racks
}
