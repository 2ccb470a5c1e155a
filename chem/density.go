package chem

import (
	"fmt"
	"math"
	"slices"
)

// point is one row of a published table: y at x.
type point struct{ x, y float64 }

// acidDensity is sulfuric acid in water at 20 degC: weight % against g/cm3.
// CRC Handbook of Chemistry and Physics, 102nd ed. (2021), "Concentrative
// Properties of Aqueous Solutions", as transcribed in the repository
// amosonabike/CRC-Solution-Properties-. The row of 0 % is water, from memory.
// It is never written to after start.
var acidDensity = []point{
	{0, 0.9982}, {0.5, 1.0016}, {1, 1.0049}, {2, 1.0116}, {3, 1.0183}, {4, 1.0250}, {5, 1.0318}, {6, 1.0385}, {8, 1.0522},
	{10, 1.0661}, {12, 1.0802}, {14, 1.0947}, {15, 1.1020}, {16, 1.1094}, {18, 1.1245}, {20, 1.1398}, {22, 1.1554}, {24, 1.1714},
	{26, 1.1872}, {28, 1.2031}, {30, 1.2191}, {34, 1.2518}, {38, 1.2855}, {40, 1.3028}, {44, 1.3386}, {48, 1.3759}, {50, 1.3952},
	{54, 1.4351}, {60, 1.4987}, {66, 1.5646}, {70, 1.6105}, {76, 1.6810}, {80, 1.7272}, {84, 1.7693}, {88, 1.8022}, {90, 1.8144},
	{92, 1.8240}, {94, 1.8312}, {96, 1.8355}, {98, 1.8361}, {100, 1.8305},
}

// copperSulfateWater is the solubility of copper sulfate in water: degC against
// g CuSO4 (without water of crystallisation) per 100 g water. CRC Handbook of
// Chemistry and Physics, 91st ed. (2010), as transcribed in the repository
// newfound-materials/aqueous-solubility-data. It is never written to after
// start.
var copperSulfateWater = []point{
	{0, 14.16}, {10, 16.82}, {20, 20.05}, {25, 21.95}, {30, 23.92}, {40, 28.53}, {50, 34.05}, {60, 40.45},
}

// copperInAcid is an estimate of the copper that sulfuric acid leaves in
// solution at 25 degC: g H2SO4 per L against g Cu per L, the lowest of three
// choices of the parameters of a Pitzer model that were themselves remembered.
// No measured table was at hand. Only the row of no acid rests on one (CRC, as
// above, with the density of the saturated solution computed after Laliberté
// and Cooper, J. Chem. Eng. Data 49 (2004) 1141). It is never written to after
// start.
var copperInAcid = []point{{0, 86}, {50, 71}, {100, 59}, {150, 47}, {200, 37}, {250, 28}}

// cubic reads a table at x by the cubic through the four nearest rows, so that
// a curved table is met between its rows. Outside the table, or for NaN, it
// reports false.
func cubic(table []point, x float64) (float64, bool) {
	if !(x >= table[0].x && x <= table[len(table)-1].x) {
		return 0, false
	}
	i, exact := slices.BinarySearchFunc(table, x, func(p point, x float64) int {
		switch {
		case p.x < x:
			return -1
		case p.x > x:
			return 1
		}
		return 0
	})
	if exact {
		return table[i].y, true
	}
	from := min(max(i-2, 0), len(table)-4)
	near := table[from : from+4]
	var y float64
	for j, p := range near {
		weight := 1.0
		for k, q := range near {
			if k != j {
				weight *= (x - q.x) / (p.x - q.x)
			}
		}
		y += weight * p.y
	}
	return y, true
}

// SulfuricAcidDensity is the density of sulfuric acid of a weight % (0 to 100)
// at 20 degC, from the CRC table named at the data; between its rows by a cubic,
// good to about 0.001 g/cm3. Outside it is an error. The density cannot be
// turned back into a weight % above about 94 %, where it hardly changes and then
// falls.
func SulfuricAcidDensity(weightPercent float64) (Density, error) {
	rho, ok := cubic(acidDensity, weightPercent)
	if !ok {
		return 0, fmt.Errorf("sulfuric acid of %v %% by weight does not exist; the density is known from 0 to 100 %%", weightPercent)
	}
	return Density(rho), nil
}

// SulfuricAcidPerML is how many g of H2SO4 a mL of acid of a weight % (0 to
// 100) holds at 20 degC: 1.762 g in acid of 96 %.
func SulfuricAcidPerML(weightPercent float64) (float64, error) {
	rho, err := SulfuricAcidDensity(weightPercent)
	return float64(rho) * weightPercent / 100, err
}

// Thomsen's form for the heat of mixing sulfuric acid with water:
// Q = 17860·n/(n + 1.7983) cal per mol of acid, n mol of water per mol of acid.
// Form and coefficients from memory (Thomsen, 1880s, in the older handbooks).
const (
	thomsenHeat  = 17860 * 4.184 / 1000 // kJ/mol; from memory, see above
	thomsenRatio = 1.7983               // mol water per mol acid; from memory, see above
)

// thomsen is the heat, kJ, that acid and water (mol each) have given off once
// they are mixed.
func thomsen(acid, water float64) float64 {
	if acid == 0 || water == 0 {
		return 0
	}
	return thomsenHeat * acid * water / (water + thomsenRatio*acid)
}

// Limits of AcidPourRise. Beyond them the heat capacity of the bath and its
// water would no longer be what is assumed.
const (
	// bathHeatCapacity is about the lowest of acid copper baths: 3.99 to 4.09
	// kJ/L/K for 75 to 220 g/L CuSO4·5H2O with 60 to 200 g/L H2SO4, computed
	// after Laliberté, J. Chem. Eng. Data 54 (2009) 1725. Water has 4.17. Low
	// makes the rise high.
	bathHeatCapacity = 4.0 // kJ/L/K; see above

	pourAcidMost = 300 // g/L H2SO4 in the bath after the pour; where 4.0 kJ/L/K stops being low

	// pourMargin covers what Thomsen's form lacks beside differences of printed
	// integral heats (dollodart/chepy, enthalpies-of-solution.csv; National Bureau of
	// Standards, from memory): up to 11 % where baths are, 16 % towards 10 mol of water
	// per mol of acid. Too low a rise would be the dangerous side.
	pourMargin = 1.2 // an assumption; see above
)

// AcidPour is sulfuric acid about to be poured into a bath.
type AcidPour struct {
	AcidML        float64 // mL poured
	WeightPercent float64 // % H2SO4 by weight of what is poured
	BathL         float64 // L of bath it goes into
	BathAcidGPerL float64 // g/L H2SO4 already in the bath
}

// AcidPourRise is by how many K a pour warms the bath when it is mixed in at
// once and no heat escapes: heat of dilution after Thomsen (from memory) and a
// margin of 20 % on it, with the acid counted that is already in the bath. It is
// an average over the bath: where the stream meets the bath it can boil however
// small the average is, and no figure from here makes a pour safe. Heat from copper salts is neglected. A
// pour that is negative, or that brings the bath beyond 300 g/L, is an error.
func AcidPourRise(p AcidPour) (float64, error) {
	heat, err := p.heat()
	if err != nil {
		return 0, err
	}
	return pourMargin * heat / (p.BathL * bathHeatCapacity), nil
}

// heat is what the pour gives off by Thomsen's form, kJ, without the margin.
func (p AcidPour) heat() (float64, error) {
	perML, err := SulfuricAcidPerML(p.WeightPercent)
	if err != nil {
		return 0, err
	}
	rho, err := SulfuricAcidDensity(p.WeightPercent)
	if err != nil {
		return 0, err
	}
	switch {
	case !(p.AcidML >= 0) || math.IsInf(p.AcidML, 0):
		return 0, fmt.Errorf("%v mL of acid cannot be poured", p.AcidML)
	case !(p.BathL > 0) || math.IsInf(p.BathL, 0):
		return 0, fmt.Errorf("a bath of %v L cannot take acid", p.BathL)
	case !(p.BathAcidGPerL >= 0) || math.IsInf(p.BathAcidGPerL, 0):
		return 0, fmt.Errorf("a bath cannot hold %v g/L of acid", p.BathAcidGPerL)
	}
	after := (p.BathAcidGPerL*p.BathL + perML*p.AcidML) / (p.BathL + p.AcidML/1000)
	if after > pourAcidMost || p.BathAcidGPerL > pourAcidMost {
		return 0, fmt.Errorf("the heat of a pour is known up to %d g/L sulfuric acid; this bath would have %.0f g/L",
			pourAcidMost, max(after, p.BathAcidGPerL))
	}
	acidMass, _, err := MolarMass("H2SO4")
	if err != nil {
		return 0, err
	}
	waterMass, _, err := MolarMass("H2O")
	if err != nil {
		return 0, err
	}
	acid := perML * p.AcidML / acidMass
	water := (float64(rho)*p.AcidML - perML*p.AcidML) / waterMass
	bathAcid := p.BathAcidGPerL * p.BathL / acidMass
	bathWater := waterBesideAcid(p.BathAcidGPerL) * p.BathL / waterMass
	return thomsen(bathAcid+acid, bathWater+water) - thomsen(bathAcid, bathWater) - thomsen(acid, water), nil
}

// waterBesideAcid is about how many g of water a L of dilute acid holds: a line
// that follows the CRC density table to 0.7 % up to 300 g/L.
func waterBesideAcid(acid float64) float64 { return 998 - 0.37*acid }

// CopperSulfateSolubility is how many g of CuSO4 (without water of
// crystallisation) 100 g of water dissolve at a temperature in degC, from the
// CRC table named at the data, 0 to 60 degC; outside is an error. Acid lowers
// it: see CopperSolubilityEstimate.
func CopperSulfateSolubility(degC float64) (float64, error) {
	s, ok := cubic(copperSulfateWater, degC)
	if !ok {
		return 0, fmt.Errorf("the solubility of copper sulfate is known from 0 to 60 degC, not at %v degC", degC)
	}
	return s, nil
}

// CopperSolubilityEstimate is an ESTIMATE, on the low side, of the most copper,
// g/L, that a bath of the given sulfuric acid, g/L, keeps dissolved at a
// temperature in degC. It is for warnings only, not a measured solubility:
//
//   - the fall with acid (common ion) is the low edge of a model whose
//     parameters are from memory; two remembered data points lie at or above it,
//     and the truth may be 20 % or more above at 150 to 250 g/L;
//   - the change with temperature is assumed to be that of copper sulfate in
//     water alone, which nobody has checked in acid.
//
// Acid beyond 250 g/L, or a temperature outside 0 to 50 degC, is an error.
func CopperSolubilityEstimate(acidGPerL, degC float64) (float64, error) {
	last := copperInAcid[len(copperInAcid)-1]
	if !(acidGPerL >= 0 && acidGPerL <= last.x) {
		return 0, fmt.Errorf("the solubility of copper is estimated from 0 to %v g/L sulfuric acid, not at %v g/L", last.x, acidGPerL)
	}
	if !(degC >= 0 && degC <= 50) {
		return 0, fmt.Errorf("the solubility of copper is estimated from 0 to 50 degC, not at %v degC", degC)
	}
	warm, err := CopperSulfateSolubility(degC)
	if err != nil {
		return 0, err
	}
	base, err := CopperSulfateSolubility(25)
	if err != nil {
		return 0, err
	}
	var copper float64
	for i := 1; i < len(copperInAcid); i++ {
		a, b := copperInAcid[i-1], copperInAcid[i]
		if acidGPerL <= b.x {
			copper = a.y + (b.y-a.y)*(acidGPerL-a.x)/(b.x-a.x)
			break
		}
	}
	return copper * warm / base, nil
}
