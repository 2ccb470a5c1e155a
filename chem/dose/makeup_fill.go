package dose

import (
	"fmt"
	"math"
	"strings"

	"steadybath/chem"
)

// levelU is how well a tank's mark is known, relative standard uncertainty: as the
// estimate counts a filling that states none.
const levelU = 0.01

// Fill is what the bath is once it was made up: amounts, by material, are what was
// really weighed, the plan's where one is missing; level is what the tank then
// held, the mark where it is not given. Uncertainties are those of the amounts
// (stated, or as the estimate counts an addition) and of the level. The text lists
// what went in.
func (p *MakeUp) Fill(amounts map[string]chem.Measured, level chem.Measured) (chem.Fill, string, error) {
	if !level.Given() {
		level = chem.MeasuredOf(p.Volume, "L", 0)
	}
	v := level.Value("L")
	if !(v > 0) {
		return chem.Fill{}, "", fmt.Errorf("a level of %s holds no bath", level)
	}
	uv := level.Uncertainty("L", levelU*v)
	if !level.U.Given() {
		level = chem.MeasuredOf(v, "L", uv)
	}
	f := chem.Fill{Volume: level, Origin: chem.OriginMakeUp, Composition: map[string]chem.Measured{}, Weighed: map[string]chem.Weighed{}}
	sums, variances := map[string]float64{}, map[string]float64{}
	var list []string
	for _, w := range p.Weigh {
		typed, given := amounts[w.Material.Name]
		if !given {
			typed = chem.MeasuredOf(w.Amount, w.Unit, 0)
		}
		if isWater(w.Material) {
			continue // the level says it better
		}
		x, err := w.Material.Amount(typed)
		if err != nil {
			return chem.Fill{}, "", fmt.Errorf("%s: %w", w.Material.Name, err)
		}
		if x > 0 {
			list = append(list, fmt.Sprintf("%s %s", w.Material.Name, typed))
			f.Weighed[w.Material.Name] = chem.Weighed{Amount: typed}
		}
		u := math.Max(addU*x, w.Material.Smallest/2)
		if typed.U.Given() {
			u = x * typed.Uncertainty(typed.Unit, 0) / math.Max(typed.Value(typed.Unit), 1e-300)
		}
		if x == 0 {
			u = 0
		}
		for name, b := range w.Material.Brings {
			sums[name] += b * x
			variances[name] += b * b * u * u
		}
	}
	for _, r := range p.Reached {
		c := math.Max(0, sums[r.Name]) / v
		u := math.Hypot(math.Sqrt(variances[r.Name])/v, c*uv/v)
		f.Composition[r.Name] = chem.MeasuredOf(rounded(c, u), r.Unit, rounded(u, u))
	}
	return f, "made up from " + strings.Join(list, ", "), nil
}

// rounded cuts a figure to two digits of its uncertainty.
func rounded(x, u float64) float64 {
	if !(u > 0) {
		return clean(x)
	}
	unit := math.Pow(10, math.Floor(math.Log10(u))-1)
	return clean(math.Round(x/unit) * unit)
}

// Recipe is the recipe that the sheet was made from.
func (p *MakeUp) Recipe() *chem.Recipe { return p.recipe }
