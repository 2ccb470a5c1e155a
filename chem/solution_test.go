package chem

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Water after the form that Laliberté uses: 997.0448954179155 and
// 988.0362916114763 kg/m3 at 25 and 50 degC are printed as examples in
// CalebBell/thermo, electrochem.
func TestWaterDensity(t *testing.T) {
	for degC, want := range map[float64]float64{25: 0.9970448954179155, 50: 0.9880362916114763} {
		assert.InEpsilon(t, want, waterDensity(degC), 1e-12)
		got, err := SolutionDensity(degC, nil)
		require.NoError(t, err)
		assert.InEpsilon(t, want, float64(got), 1e-12)
	}
}

// CRC Handbook of Chemistry and Physics, 102nd ed. (2021), "Concentrative
// Properties of Aqueous Solutions", 20 degC, as transcribed in
// amosonabike/CRC-Solution-Properties-: one solute alone, weight % against g/cm3.
func TestSolutionsAgainstCRC(t *testing.T) {
	copper := []point{{1, 1.0085}, {2, 1.0190}, {3, 1.0296}, {4, 1.0403}, {5, 1.0511}, {6, 1.0620}, {8, 1.0842}, {10, 1.1070},
		{12, 1.1304}, {14, 1.1545}, {15, 1.1669}, {16, 1.1796}, {18, 1.2059}}
	for name, table := range map[string][]point{"CuSO4": copper, "H2SO4": acidDensity[1:30]} {
		for _, p := range table {
			got, err := SolutionDensity(20, map[string]float64{name: p.x * 10 * p.y})
			require.NoError(t, err)
			tol := 0.001 // what SolutionU says, at the strength of baths
			if name == "CuSO4" && p.x > 12 || name == "H2SO4" && p.x > 25 {
				tol = 0.0022 // stronger than any bath
			}
			assert.InDelta(t, p.y, float64(got), tol, "%s %v %%", name, p.x)
		}
	}
	assert.GreaterOrEqual(t, SolutionU, 0.001)
}

// The apparent volumes of nickel salts that recipes use, m3/kg at 25 degC and 20 %
// solutes, computed by hand from Laliberté's table: 1/39332.9 and 1/8388.9 (see the
// recipes' test of the volume that nickel salts add). 100 g/L of the salt make room
// in the water for themselves.
func TestNickelSolutions(t *testing.T) {
	assert.InEpsilon(t, 39.3329, solutes["NiSO4"].apparent(0.2, 25), 1e-5)
	assert.InEpsilon(t, 8.3889, solutes["NiCl2"].apparent(0.2, 25), 1e-5)
	for _, name := range []string{"NiSO4", "NiCl2"} {
		got, err := SolutionDensity(25, map[string]float64{name: 100})
		require.NoError(t, err)
		x := 0.1 / float64(got)
		volume := 0.1/solutes[name].apparent(x, 25) + (float64(got)-0.1)/waterDensity(25)
		assert.InEpsilon(t, 1, volume, 1e-9, "a litre of %s", name)
	}
}

// A mixture is denser with more of either, and thinner when warm; what one solute
// adds depends little on the other.
func TestSolutionDensityOfMixtures(t *testing.T) {
	at := func(degC, copper, acid float64) float64 {
		got, err := SolutionDensity(degC, map[string]float64{"CuSO4": copper * 159.609 / 63.546, "H2SO4": acid})
		require.NoError(t, err)
		return float64(got)
	}
	for copper := 10.0; copper <= 70; copper += 10 {
		for acid := 20.0; acid <= 220; acid += 40 {
			assert.Greater(t, at(25, copper+1, acid), at(25, copper, acid))
			assert.Greater(t, at(25, copper, acid+1), at(25, copper, acid))
			assert.Less(t, at(35, copper, acid), at(25, copper, acid))
		}
	}
	// ±0.002 g/cm3 is about ±0.8 g/L copper: from 10 to 12 % copper sulfate CRC's
	// table (as above) rises by 0.0234 g/cm3.
	perGram := (1.1304 - 1.1070) / ((1.1304*120 - 1.1070*100) * 63.546 / 159.609)
	assert.InDelta(t, 0.002/perGram, 0.002/(at(20, 51, 60)-at(20, 50, 60)), 0.03)
}

func TestSolutionDensityRefuses(t *testing.T) {
	for want, c := range map[string]struct {
		degC  float64
		gPerL map[string]float64
	}{
		"not in the model":         {20, map[string]float64{"H3BO3": 40}},
		"from 10 to 60 degC":       {5, map[string]float64{"CuSO4": 100}},
		"from 0 to 100 degC":       {-5, nil},
		"more than the density":    {20, map[string]float64{"CuSO4": 900}},
		"cannot hold -1 g/L H2SO4": {20, map[string]float64{"H2SO4": -1}},
		"cannot hold NaN":          {20, map[string]float64{"H2SO4": math.NaN()}},
		"5000 g/L H2SO4":           {20, map[string]float64{"H2SO4": 5000, "NiCl2": 0}},
	} {
		_, err := SolutionDensity(c.degC, c.gPerL)
		assert.ErrorContains(t, err, want)
	}
}
