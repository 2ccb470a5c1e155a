package recipe

import "steadybath/chem"

// What a recipe gets where it says nothing. A rate that is not named does not
// happen (0 ± 0); efficiencies are those of an ideal bath, wide enough to be
// corrected by readings.
func defaultRates(anodes string) chem.Rates {
	r := chem.Rates{
		AnodeEfficiency:   chem.Prior{Value: 1, U: 0.02},      // memory: soluble anodes dissolve within a few per cent of Faraday's law
		CathodeEfficiency: chem.Prior{Value: 1, U: 0.02},      // memory: as above; a nickel recipe should say about 0.95
		Meter:             chem.Prior{Value: 1, U: 0.02},      // memory: class of a panel ammeter
		Sludge:            chem.Prior{Value: 0.005, U: 0.005}, // memory, low confidence: 0.1 to 1 % of the anode's loss
	}
	if anodes == anodesInert {
		r.AnodeEfficiency, r.Sludge = chem.Prior{}, chem.Prior{} // by definition: inert anodes dissolve nothing
	}
	return r
}

const (
	anodesSoluble = "soluble"
	anodesInert   = "inert"

	defaultAssayU        = 0.02  // relative; memory: a careful titration by hand, titrant included
	defaultOrganicU      = 0.30  // relative; memory: amount read from a Hull-cell panel
	defaultOverdose      = 1.0   // too much is as bad as too little, the neutral choice
	defaultPourK         = 3.0   // K; rule of this tool, no source: a pour that warms the whole bath more is too large
	defaultBurette       = 25.0  // mL; common practice, no source
	defaultBuretteTol    = 0.002 // of the capacity; memory: class B burettes, ISO 385
	defaultAliquotTol    = 0.01  // of the aliquot; memory: class B one-mark pipettes of 1 to 5 mL, ISO 648
	defaultEndPoint      = 0.05  // mL; common practice, no source: one drop
	defaultFactorU       = 0.005 // relative; memory: a bought standard solution without a certificate
	defaultSmallestGrams = 1.0   // g or mL; common practice, no source: a kitchen scale, a measuring cylinder
)

// defaultTemperature is the coldest and warmest in degC where a recipe says
// nothing; no source: a cold cellar and a warm workshop.
var defaultTemperature = [2]float64{15, 30}

// defaultSmallest is what can be weighed or measured out, in the unit.
func defaultSmallest(u chem.Unit) float64 {
	switch u {
	case "kg", "L":
		return defaultSmallestGrams / 1000
	case "g", "mL":
		return defaultSmallestGrams
	}
	return 0
}

// defaultLitres is the volume a liquid adds, in L per unit, taken as its own
// volume; solids have no default.
func defaultLitres(u chem.Unit) float64 {
	switch u {
	case "L":
		return 1
	case "mL":
		return 1.0 / 1000
	}
	return 0
}
