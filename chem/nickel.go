package chem

import "fmt"

// nickelSulfateWater is the solubility of nickel sulfate in water: degC against
// g NiSO4, without water of crystallisation, per 100 g water. CRC Handbook of
// Chemistry and Physics, 91st ed. (2010), as transcribed in the repository
// newfound-materials/aqueous-solubility-data. It is never written to after start.
var nickelSulfateWater = []point{
	{0, 27.23}, {10, 32.28}, {20, 37.74}, {25, 40.45}, {30, 43.47}, {40, 47.06}, {50, 51.75}, {60, 55.76},
}

// NickelSulfateSolubilityEstimate is how much nickel, g/L, water keeps dissolved
// as nickel sulfate at a temperature in degC, 0 to 60; outside is an error. It is
// on the low side, since the solution is counted as no heavier than water, and it
// knows nothing of what else a bath holds, which lowers it.
func NickelSulfateSolubilityEstimate(degC float64) (float64, error) {
	s, ok := cubic(nickelSulfateWater, degC)
	if !ok {
		return 0, fmt.Errorf("the solubility of nickel sulfate is known from 0 to 60 degC, not at %v degC", degC)
	}
	salt, _, err := MolarMass("NiSO4")
	if err != nil {
		return 0, err
	}
	metal, _, err := MolarMass("Ni")
	if err != nil {
		return 0, err
	}
	return 1000 * s / (100 + s) * metal / salt, nil
}
