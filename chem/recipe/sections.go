package recipe

import (
	"fmt"

	"steadybath/chem"
)

// section is one table of a recipe: the top of the file, [prior], one
// [[constituent]] and so on.
type section struct {
	path   string // names the table inside this package: "constituent.0"
	owner  string // names it in a sentence: "constituent copper"
	dotted string // what its keys begin with in a setting: "copper."
	slots  []slot
}

// slot is one key of a table with the place its value goes to.
type slot struct {
	key      string
	at       any         // a pointer into the recipe
	unit     string      // of the number; empty for a plain number
	min, max float64     // of the number
	need     bool        // the number must be above zero, the text not empty
	fixed    bool        // says what the bath is, so no setting changes it
	hint     string      // an example, for sentences
	units    []chem.Unit // of a unit: those that fit
}

const (
	mostQuantity = 1e9 // no figure of a bath in shop units is larger: a guard against slips of the keyboard
	mostRate     = 1e6 // as above
)

// sections lists every table of the recipe. It is the one place that says which
// keys there are.
func sections(r *chem.Recipe) []section {
	out := []section{
		{path: "", owner: "", dotted: "", slots: topSlots(r)},
		{path: "prior", owner: "prior", dotted: "prior.", slots: rateSlots(&r.Prior)},
		{path: "limits", owner: "limits", dotted: "limits.", slots: limitSlots(&r.Limits)},
		{path: "upkeep", owner: "upkeep", dotted: "upkeep.", slots: upkeepSlots(&r.Upkeep)},
	}
	for i := range r.Constituents {
		c := &r.Constituents[i]
		kind := "constituent"
		if c.Role == chem.RoleOrganic {
			kind = "organic"
		}
		out = append(out, section{path: pathOf("constituent", i), owner: ownerOf(kind, c.Name, i), dotted: c.Name + ".", slots: constituentSlots(c)})
	}
	for i := range r.Materials {
		m := &r.Materials[i]
		out = append(out, section{path: pathOf("material", i), owner: ownerOf("material", m.Name, i), dotted: "material." + m.Name + ".", slots: materialSlots(m)})
	}
	for i := range r.Methods {
		m := &r.Methods[i]
		unit := ""
		if c, ok := r.Constituent(m.Constituent); ok {
			unit = string(c.Unit)
		}
		out = append(out, section{path: pathOf("method", i), owner: ownerOf("method", m.Name, i), dotted: "method." + m.Name + ".", slots: methodSlots(m, unit)})
	}
	return out
}

func pathOf(table string, i int) string { return fmt.Sprintf("%s.%d", table, i) }

func ownerOf(kind, name string, i int) string {
	if name == "" {
		return fmt.Sprintf("%s number %d", kind, i+1)
	}
	return kind + " " + clip(name)
}

func topSlots(r *chem.Recipe) []slot {
	return []slot{
		{key: "title", at: &r.Title, need: true, hint: `"acid copper for electroforming"`},
		{key: "metal", at: &r.Metal, need: true, fixed: true, hint: `"copper"`},
		{key: "charge", at: &r.Charge, need: true, fixed: true, hint: "2, the electrons per ion"},
		{key: "anodes", at: &r.Anodes, need: true, hint: `"soluble" or "inert"`},
		{key: "cyanide", at: &r.Cyanide, fixed: true},
		{key: "volume", at: &r.Volume, unit: "L", max: mostRate, need: true, hint: "60, the litres that dissolution and evaporation are for"},
		{key: "anode_area", at: &r.AnodeArea, unit: "dm2", max: mostRate, hint: "12"},
		{key: "deposit_density", at: &r.Deposit, unit: "g/cm3", max: 25, hint: "16.5"},
		{key: "cautions", at: &r.Cautions, fixed: true},
	}
}

func rateSlots(p *chem.Rates) []slot {
	const fraction = "a fraction such as [0.998, 0.008]"
	return []slot{
		{key: "anode_efficiency", at: &p.AnodeEfficiency, max: 1.1, hint: fraction},
		{key: "cathode_efficiency", at: &p.CathodeEfficiency, max: 1.1, hint: fraction},
		{key: "dissolution", at: &p.Dissolution, unit: "mol/day", max: 1e3, hint: "[0.027, 0.015]"},
		{key: "drag_out", at: &p.DragOut, unit: "L/Ah", max: 10, hint: "[0.0008, 0.00035]"},
		{key: "drag_out_area", at: &p.DragOutArea, unit: "L/dm2", max: 1, hint: "[0.001, 0.0005]"},
		{key: "drag_in", at: &p.DragIn, unit: "L/Ah", max: 10, hint: "[0, 0]"},
		{key: "evaporation", at: &p.Evaporation, unit: "L/day", max: mostRate, hint: "[0.31, 0.14]"},
		{key: "evaporation_run", at: &p.EvaporationRun, unit: "L/h", max: mostRate, hint: "[0, 0]"},
		{key: "chloride_loss", at: &p.ChlorideLoss, unit: "mg/Ah", max: mostRate, hint: "[0.05, 0.04]"},
		{key: "meter", at: &p.Meter, max: 10, hint: "[1, 0.02]"},
		{key: "sludge", at: &p.Sludge, max: 1, hint: "a fraction such as [0.005, 0.005]"},
	}
}

func limitSlots(l *chem.Limits) []slot {
	return []slot{
		{key: "cathode_density", at: &l.CathodeDensity, unit: "A/dm2", max: 1e3, hint: "[0.5, 4.0]"},
		{key: "anode_density", at: &l.AnodeDensity, unit: "A/dm2", max: 1e3, hint: "2.5"},
		{key: "temperature", at: &l.Temperature, unit: "degC", min: -20, max: 100, hint: "[18, 30]"},
		{key: "temperature_run", at: &l.TemperatureRun, unit: "degC", max: 100, hint: "[50, 60]"},
		{key: "ph", at: &l.PH, max: 14, hint: "[3.5, 4.5]"},
		{key: "anode_least", at: &l.AnodeLeast, max: 0.99, hint: "0.2, the part of its first mass at which an anode is replaced"},
		{key: "anode_ratio", at: &l.AnodeRatio, max: 100, hint: "1, the least anode area beside that of the parts"},
		{key: "anode_life", at: &l.AnodeLife, unit: "Ah/dm2", max: mostQuantity, hint: "50000, of an inert anode"},
		{key: "supply", at: &l.Supply, unit: "A", max: 1e5, hint: "30, what the supply is rated at"},
		{key: "acid_pour_K", at: &l.AcidPour, unit: "", max: 10, hint: "3"},
	}
}

func upkeepSlots(u *chem.Upkeep) []slot {
	var out []slot
	for _, of := range []struct {
		what     string
		days, ah *float64
	}{{"carbon", &u.CarbonDays, &u.CarbonAh}, {"filter", &u.FilterDays, &u.FilterAh}, {"bags", &u.BagsDays, &u.BagsAh}, {"dummy", &u.DummyDays, &u.DummyAh}} {
		out = append(out,
			slot{key: of.what + "_days", at: of.days, unit: "days", max: 1e4, hint: "180"},
			slot{key: of.what + "_Ah", at: of.ah, unit: "Ah", max: mostQuantity, hint: "2000"})
	}
	return out
}

func constituentSlots(c *chem.Constituent) []slot {
	unit := string(c.Unit)
	out := []slot{
		{key: "name", at: &c.Name, need: true, fixed: true, hint: `"copper"`},
		{key: "unit", at: &c.Unit, need: true, fixed: true, hint: `"g/L"`, units: []chem.Unit{"g/L", "mg/L", "mL/L"}},
		{key: "low", at: &c.Low, unit: unit, max: mostQuantity},
		{key: "target", at: &c.Target, unit: unit, max: mostQuantity},
		{key: "high", at: &c.High, unit: unit, max: mostQuantity},
		{key: "assay_u", at: &c.AssayU, max: 1, need: true, hint: "a fraction such as 0.008"},
		{key: "overdose_cost", at: &c.OverdoseCost, max: 1e3, need: true, hint: "1"},
	}
	if c.Role == chem.RoleOrganic {
		return append(out,
			slot{key: "use", at: &c.Use, unit: amountIn(c.Unit) + "/Ah", max: mostRate, need: true, hint: "[0.2, 0.05], what an ampere-hour uses up"},
			slot{key: "loss", at: &c.Loss, unit: "1/day", max: 10, hint: "[0.01, 0.0045]"})
	}
	return append(out,
		slot{key: "role", at: &c.Role, fixed: true, hint: `"metal", "acid" or "chloride"`},
		slot{key: "molar_mass", at: &c.MolarMass, unit: "g/mol", max: 1e5, fixed: true})
}

// amountIn is what a concentration's unit counts: g of g/L.
func amountIn(u chem.Unit) string {
	switch u {
	case "g/L":
		return "g"
	case "mg/L":
		return "mg"
	}
	return "mL"
}

func materialSlots(m *chem.Material) []slot {
	unit := string(m.Unit)
	return []slot{
		{key: "name", at: &m.Name, need: true, fixed: true, hint: `"copper sulfate pentahydrate"`},
		{key: "unit", at: &m.Unit, need: true, fixed: true, hint: `"kg"`, units: []chem.Unit{"kg", "g", "L", "mL"}},
		{key: "brings", at: &m.Brings, min: -mostRate, max: mostRate, hint: "{ copper = 254.5 }"},
		{key: "litres", at: &m.Litres, unit: "L", max: 1e3, need: true, hint: "0.38, the volume that one unit adds"},
		{key: "smallest", at: &m.Smallest, unit: unit, max: mostRate, need: true, hint: "0.005"},
		{key: "price", at: &m.Price, max: mostQuantity},
		{key: "stock", at: &m.Stock, unit: unit, max: mostQuantity},
		{key: "acid", at: &m.Acid, max: 1, hint: "a mass fraction such as 0.96", fixed: true},
		{key: "density", at: &m.Density, unit: "g/cm3", max: 25, hint: "1.84"},
		{key: "lead_days", at: &m.LeadDays, unit: "days", max: 1e3, hint: "10, from ordering it to having it"},
		{key: "water", at: &m.Water, fixed: true},
		{key: "prefer", at: &m.Prefer, fixed: true},
		{key: "cautions", at: &m.Cautions, fixed: true},
	}
}

func methodSlots(m *chem.Method, unit string) []slot {
	return []slot{
		{key: "constituent", at: &m.Constituent, need: true, fixed: true, hint: `"copper"`},
		{key: "name", at: &m.Name, need: true, fixed: true, hint: `"copper by EDTA"`},
		{key: "titrant", at: &m.Titrant, hint: `"EDTA"`},
		{key: "molarity", at: &m.Molarity, unit: "mol/L", max: 30, hint: "0.1"},
		{key: "ratio", at: &m.Ratio, max: 20, hint: "1, the moles of the constituent per mole of titrant"},
		{key: "molar_mass", at: &m.MolarMass, unit: "g/mol", max: 1e5, fixed: true},
		{key: "aliquot_mL", at: &m.Aliquot, unit: "mL", max: 1e4, hint: "2"},
		{key: "aliquot_tolerance_mL", at: &m.UAliquot, unit: "mL", max: 1e3},
		{key: "burette_mL", at: &m.Burette, unit: "mL", max: 1e3, hint: "25"},
		{key: "burette_tolerance_mL", at: &m.UBurette, unit: "mL", max: 1e2},
		{key: "end_point_mL", at: &m.EndPoint, unit: "mL", max: 1e2},
		{key: "blank_mL", at: &m.Blank, unit: "mL", max: 1e2},
		{key: "blank_u_mL", at: &m.UBlank, unit: "mL", max: 1e2},
		{key: "factor_u", at: &m.UFactor, max: 0.5, hint: "a fraction such as 0.003"},
		{key: "reading_u", at: &m.UReading, unit: unit, max: mostRate, hint: "4"},
		{key: "sample_mL", at: &m.Sample, unit: "mL", max: 1e5, hint: "20"},
		{key: "indicator", at: &m.Indicator},
		{key: "steps", at: &m.Steps, fixed: true},
		{key: "cautions", at: &m.Cautions, fixed: true},
	}
}
