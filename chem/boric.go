package chem

import "fmt"

// boricAcidWater is the solubility of boric acid in water: degC against g H3BO3
// per 100 g water. CRC Handbook of Chemistry and Physics, 91st ed. (2010), as
// transcribed in the repository newfound-materials/aqueous-solubility-data. It
// is never written to after start.
var boricAcidWater = []point{
	{0, 2.68}, {10, 3.70}, {20, 5.01}, {25, 5.80}, {30, 6.69}, {40, 8.81}, {50, 11.48}, {60, 14.81},
}

// BoricAcidSolubility is how many g of H3BO3 100 g of water dissolve at a
// temperature in degC, from the CRC table named at the data, 0 to 60 degC;
// outside is an error.
func BoricAcidSolubility(degC float64) (float64, error) {
	s, ok := cubic(boricAcidWater, degC)
	if !ok {
		return 0, fmt.Errorf("the solubility of boric acid is known from 0 to 60 degC, not at %v degC", degC)
	}
	return s, nil
}

// boricSolutionDensity is that of water, kg/L, rounded: a saturated solution is 1
// to 3 % heavier up to 50 degC, so that what follows from it is low by as much.
const boricSolutionDensity = 1.0 // kg/L; rule of this tool, so that a warning comes rather early than late

// BoricAcidSolubilityEstimate is about the most boric acid, g/L, that stays
// dissolved in water at a temperature in degC, 0 to 60; outside is an error. The
// nickel salts of a bath lower it further by an amount for which no table was at
// hand: above this figure boric acid falls out, and some way below it may.
func BoricAcidSolubilityEstimate(degC float64) (float64, error) {
	s, err := BoricAcidSolubility(degC)
	if err != nil {
		return 0, err
	}
	return 1000 * boricSolutionDensity * s / (100 + s), nil
}
