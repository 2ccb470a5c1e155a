package chem

import (
	"fmt"
	"maps"
	"math"
	"slices"
)

// solute holds a solute's coefficients in the density model of M. Laliberté, J.
// Chem. Eng. Data 54 (2009) 1725, and the range of the data behind them.
type solute struct {
	c0, c1, c2, c3, c4 float64
	coldest, warmest   float64 // degC
	most               float64 // mass fraction
}

// solutes by formula, as transcribed in the repository CalebBell/thermo,
// Laliberte2009.tsv. It is never written to after start.
var solutes = map[string]solute{
	"H2SO4": {70.8395152347122, 142.352693909248, 0.68779459618793, 0.00649299683206703, 1667.23864629522, -11.15, 75, 0.782},
	"CuSO4": {-0.00000112078294150285, 0.000000606850590612117, -0.118863232463814, 0.00378050075860551, 4763.96073964247, 10, 60, 0.2844},
	"NiSO4": {-0.0401410237214016, 0.222743683226075, -0.144336817253579, 0.000986517827689712, 3072.83762271097, 15, 60, 0.3533},
	"NiCl2": {639.415869392635, 424.594017007811, 0.1040336744447, 0.000749998743310398, 1235.74452374578, 15, 75, 0.411},
}

// SolutionU is what SolutionDensity may be off by, g/cm3, the same way in every
// reading of one bath: at the strength of plating baths it meets the CRC tables of
// each solute alone to 0.001 (see the tests). No measured density of a mixture was
// at hand; organics and traces are left out; and one source has copper sulfate
// alone 0.3 % denser than CRC and the model (Vazquez 1994, IUPAC-NIST database).
const SolutionU = 0.001

// waterDensity is that of water, g/cm3, 0 to 100 degC: Kell's form with the
// coefficients that Laliberté uses, as transcribed in CalebBell/thermo.
func waterDensity(t float64) float64 {
	return ((((((-2.8054253e-10*t+1.0556302e-7)*t-4.6170461e-5)*t-0.0079870401)*t+16.945176)*t + 999.83952) / (1 + 0.01687985*t)) / 1000
}

// SolutionDensity is the density, g/cm3, of a solution of solutes (H2SO4, CuSO4,
// NiSO4, NiCl2, by formula, without water of crystallisation) in g/L at a
// temperature in degC: Laliberté, J. Chem. Eng. Data 54 (2009) 1725. Each solute
// has an apparent density that depends on the mass fraction of all of them; their
// volumes and the water's add up. A solute that the model does not have, a
// temperature or a strength beyond its data is an error.
func SolutionDensity(degC float64, gPerL map[string]float64) (Density, error) {
	names := slices.Sorted(maps.Keys(gPerL))
	for _, name := range names {
		s, ok := solutes[name]
		switch {
		case !ok:
			return 0, fmt.Errorf("the density of %s in water is not in the model", name)
		case !(gPerL[name] >= 0) || math.IsInf(gPerL[name], 0):
			return 0, fmt.Errorf("a solution cannot hold %v g/L %s", gPerL[name], name)
		case gPerL[name] > 0 && !(degC >= s.coldest && degC <= s.warmest):
			return 0, fmt.Errorf("the density of %s in water is known from %g to %g degC, not at %g degC", name, s.coldest, s.warmest, degC)
		}
	}
	if !(degC >= 0 && degC <= 100) {
		return 0, fmt.Errorf("the density of water is known from 0 to 100 degC, not at %g degC", degC)
	}
	water := waterDensity(degC)
	rho := water
	// Mass fractions follow from g/L and the density that is looked for: each round
	// brings it nearer by a factor of three or more.
	for range 60 {
		all, volume := 0.0, 0.0
		for _, name := range names {
			all += gPerL[name] / 1000 / rho
		}
		for _, name := range names {
			volume += gPerL[name] / 1000 / rho / solutes[name].apparent(all, degC)
		}
		next := 1 / ((1-all)/water + volume)
		if math.Abs(next-rho) < 1e-12 {
			break
		}
		rho = next
	}
	for _, name := range names {
		if w := gPerL[name] / 1000 / rho; !(w >= 0 && w <= solutes[name].most) {
			return 0, fmt.Errorf("%.0f g/L %s is more than the density model knows", gPerL[name], name)
		}
	}
	return Density(rho), nil
}

// apparent is the solute's apparent density, g/cm3, where all solutes together are
// the mass fraction x.
func (s solute) apparent(x, t float64) float64 {
	return (s.c0*x + s.c1) * math.Exp(1e-6*(t+s.c4)*(t+s.c4)) / (x + s.c2 + s.c3*t) / 1000
}
