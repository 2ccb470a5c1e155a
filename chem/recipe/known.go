package recipe

import (
	"strings"

	"steadybath/chem"
)

// known is a constituent whose name implies what it does and what it is.
type known struct {
	name    string
	role    chem.Role // a metal has it only where it is the recipe's metal
	formula string    // whose molar mass counts
	cl      float64   // chlorides in the formula
}

// knownConstituents is never written to after start. Salts are the hydrates
// that are sold: nickel chloride is the hexahydrate.
var knownConstituents = []known{
	{"copper", chem.RoleMetal, "Cu", 0},
	{"nickel", chem.RoleMetal, "Ni", 0},
	{"gold", chem.RoleMetal, "Au", 0},
	{"silver", chem.RoleMetal, "Ag", 0},
	{"zinc", chem.RoleMetal, "Zn", 0},
	{"tin", chem.RoleMetal, "Sn", 0},
	{"iron", chem.RoleMetal, "Fe", 0},
	{"lead", chem.RoleMetal, "Pb", 0},
	{"sulfuric acid", chem.RoleAcid, "H2SO4", 0},
	{"chloride", chem.RoleChloride, "Cl", 1},
	{"boric acid", chem.RoleNone, "H3BO3", 0},
	{"nickel chloride", chem.RoleNone, "NiCl2·6H2O", 2},
	{"hydrochloric acid", chem.RoleNone, "HCl", 1},
	{"sodium chloride", chem.RoleNone, "NaCl", 1},
	{"potassium chloride", chem.RoleNone, "KCl", 1},
	{"ammonium chloride", chem.RoleNone, "NH4Cl", 1},
}

// mass is the molar mass in g/mol, from the atomic weights of package chem.
func (k known) mass() float64 { return molarMass(k.formula) }

// chloride is the mass fraction that is chloride.
func (k known) chloride() float64 { return k.cl * molarMass("Cl") / k.mass() }

func molarMass(formula string) float64 {
	m, _, err := chem.MolarMass(formula)
	if err != nil {
		panic("recipe: " + formula + " in the table of known constituents: " + err.Error())
	}
	return m
}

// also are other usual names of known constituents.
var also = map[string]string{"sulphuric acid": "sulfuric acid", "h2so4": "sulfuric acid", "cu": "copper", "ni": "nickel", "cl": "chloride"}

func findKnown(name string) (known, bool) {
	name = strings.ToLower(name)
	if other, ok := also[name]; ok {
		name = other
	}
	for _, k := range knownConstituents {
		if k.name == name {
			return k, true
		}
	}
	return known{}, false
}

// chlorideIn is the mass fraction of the constituent that is chloride. A
// chloride this package does not know counts in full, to be on the safe side.
func chlorideIn(c chem.Constituent) float64 {
	if c.Role == chem.RoleChloride {
		return 1
	}
	if k, ok := findKnown(c.Name); ok {
		return k.chloride()
	}
	if strings.Contains(strings.ToLower(c.Name), "chloride") {
		return 1
	}
	return 0
}

// bathReadings are what is read of a bath as a whole: no constituent may have
// the name of one.
var bathReadings = []string{"pH", "temperature", "density", "volume", "level"}

// firstWords begin dotted keys: no constituent may have the name of one.
var firstWords = []string{"prior", "limits", "upkeep", "method", "material", "tank", "bath", "sources"}
