package chem

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Exact by the definition of the units, and what follows from them by
// multiplication alone.
const (
	ElementaryCharge = 1.602176634e-19                     // C; exact, SI Brochure 9th ed. (2019), section 2.2
	AvogadroConstant = 6.02214076e23                       // 1/mol; exact, SI Brochure 9th ed. (2019), section 2.2
	Faraday          = ElementaryCharge * AvogadroConstant // C/mol; derived, F = e·N_A
	FaradayAh        = Faraday / 3600                      // Ah/mol; derived, 1 Ah = 3600 C
)

// Reference is a published work, or the plain word that there is none, behind
// one or more constants.
type Reference struct{ Key, Text string }

// references lists the works by the key that constants carry. It is never
// written to after start.
var references = []Reference{
	{"iupac2021", "T. Prohaska et al., Standard atomic weights of the elements 2021 (IUPAC Technical Report), Pure Appl. Chem. 94 (2022) 573, doi 10.1515/pac-2019-0603: abridged values; as tabulated in the repository MilanSkocic/ciaaw, data/src/saw_2021.txt"},
	{"misumi166", "Misumi, Surface Finishing Tutorial 166, table 1: densities and plating rates of metals"},
	{"eciato", "Eciato, Electrochemical Equivalents: specific gravities and ampere-hours of plated metals"},
	{"wilkinson", "P. Wilkinson, Understanding Gold Plating: density of gold deposits"},
}

// References lists the works behind the constants, by key.
func References() []Reference { return slices.Clone(references) }

// ReferenceText returns the full reference of a key, and whether there is one.
func ReferenceText(key string) (string, bool) {
	for _, r := range references {
		if r.Key == key {
			return r.Text, true
		}
	}
	return "", false
}

// Constant is one measured number with what is known about it.
type Constant struct {
	Name   string
	Value  float64
	Unit   Unit
	U      float64    // standard uncertainty, in Unit
	Range  [2]float64 // degC between which the value is meant; equal to each other for all temperatures
	Source string     // key of a Reference
	Note   string
}

// rectangular is the standard uncertainty of a value known only to lie within
// ±halfWidth: GUM (JCGM 100:2008) 4.3.7.
func rectangular(halfWidth float64) float64 { return halfWidth / math.Sqrt(3) }

// triangular is the standard uncertainty of a value that lies within ±halfWidth
// and more likely near the middle: GUM (JCGM 100:2008) 4.3.9.
func triangular(halfWidth float64) float64 { return halfWidth / math.Sqrt(6) }

// element makes an atomic weight. IUPAC's ± is a bound that holds for normal
// materials, hence a rectangular distribution, as EURACHEM/CITAC CG 4 A2 takes
// it too.
func element(symbol string, weight, bound float64) Constant {
	return Constant{Name: symbol, Value: weight, Unit: "g/mol", U: rectangular(bound), Source: "iupac2021",
		Note: "abridged standard atomic weight; the published bound is taken as rectangular"}
}

// atomicWeights holds the elements that baths, salts and titrants are made of.
// It is never written to after start.
var atomicWeights = []Constant{
	element("H", 1.0080, 0.0002), // g/mol; IUPAC 2021 abridged
	element("B", 10.81, 0.02),    // g/mol; IUPAC 2021 abridged
	element("C", 12.011, 0.002),  // g/mol; IUPAC 2021 abridged
	element("N", 14.007, 0.001),  // g/mol; IUPAC 2021 abridged
	element("O", 15.999, 0.001),  // g/mol; IUPAC 2021 abridged
	element("F", 18.998, 0.001),  // g/mol; IUPAC 2021 abridged
	element("Na", 22.990, 0.001), // g/mol; IUPAC 2021 abridged
	element("P", 30.974, 0.001),  // g/mol; IUPAC 2021 abridged
	element("S", 32.06, 0.02),    // g/mol; IUPAC 2021 abridged
	element("Cl", 35.45, 0.01),   // g/mol; IUPAC 2021 abridged
	element("K", 39.098, 0.001),  // g/mol; IUPAC 2021 abridged
	element("Ca", 40.078, 0.004), // g/mol; IUPAC 2021 abridged
	element("Cr", 51.996, 0.001), // g/mol; IUPAC 2021 abridged
	element("Fe", 55.845, 0.002), // g/mol; IUPAC 2021 abridged
	element("Co", 58.933, 0.001), // g/mol; IUPAC 2021 abridged
	element("Ni", 58.693, 0.001), // g/mol; IUPAC 2021 abridged
	element("Cu", 63.546, 0.003), // g/mol; IUPAC 2021 abridged
	element("Zn", 65.38, 0.02),   // g/mol; IUPAC 2021 abridged
	element("Ag", 107.87, 0.01),  // g/mol; IUPAC 2021 abridged
	element("Sn", 118.71, 0.01),  // g/mol; IUPAC 2021 abridged
	element("I", 126.90, 0.01),   // g/mol; IUPAC 2021 abridged
	element("Au", 196.97, 0.01),  // g/mol; IUPAC 2021 abridged
	element("Pb", 207.2, 1.1),    // g/mol; IUPAC 2021 abridged
}

// metalDensities are for compact metal near room temperature. Each bound is at
// least the spread of the tables seen. It is never written to after start.
var metalDensities = []Constant{
	{"copper", 8.96, "g/cm3", rectangular(0.04), [2]float64{15, 30}, "eciato", "the other table has 8.92"},
	{"nickel", 8.90, "g/cm3", rectangular(0.02), [2]float64{15, 30}, "eciato", "the other table has 8.9; a deposit with sulfur or cobalt differs"},
	{"gold", 19.3, "g/cm3", rectangular(0.05), [2]float64{15, 30}, "misumi166", "pure gold; hard gold is much lighter"},
	{"hard gold", 16.5, "g/cm3", rectangular(0.5), [2]float64{15, 30}, "wilkinson", "cobalt or nickel hardened from acid baths, printed as 16.0 to 17.0"},
	{"silver", 10.5, "g/cm3", rectangular(0.05), [2]float64{15, 30}, "misumi166", "both tables agree"},
	{"zinc", 7.14, "g/cm3", rectangular(0.04), [2]float64{15, 30}, "eciato", "the other table has 7.1"},
	{"tin", 7.3, "g/cm3", rectangular(0.05), [2]float64{15, 30}, "misumi166", "white tin; both tables agree"},
	{"chromium", 7.2, "g/cm3", rectangular(0.1), [2]float64{15, 30}, "eciato", "one table only; bound from memory: hydrogen and cracks make deposits lighter than 7.19"},
}

// AtomicWeights lists the atomic weights, g/mol, by symbol.
func AtomicWeights() []Constant { return slices.Clone(atomicWeights) }

// MetalDensities lists the densities of compact metals, g/cm3.
func MetalDensities() []Constant { return slices.Clone(metalDensities) }

// MetalDensity returns the density of a metal by its English name, g/cm3; an
// error names the metals there are.
func MetalDensity(metal string) (Constant, error) {
	names := make([]string, 0, len(metalDensities))
	for _, c := range metalDensities {
		if strings.EqualFold(c.Name, metal) {
			return c, nil
		}
		names = append(names, c.Name)
	}
	return Constant{}, fmt.Errorf("no density is known for %q; known are %s", metal, strings.Join(names, ", "))
}

// Limits of a formula: far beyond any salt, far within what a float64 counts
// without loss.
const (
	formulaDepth = 8
	formulaCount = 10000
)

// MolarMass computes the molar mass of a formula such as "CuSO4·5H2O" or
// "Ni(SO3NH2)2·4H2O" from the atomic weights, with its standard uncertainty,
// both g/mol. Atoms of one element share their error, different elements do
// not. The dot of a hydrate may be ·, * or a full stop. An element that is not
// in the table, or text that is no formula, is an error.
func MolarMass(formula string) (value, u float64, err error) {
	counts := make([]float64, len(atomicWeights))
	text := strings.NewReplacer("*", "·", ".", "·", "⋅", "·", "•", "·").Replace(strings.TrimSpace(formula))
	if text == "" {
		return 0, 0, fmt.Errorf("a formula is missing")
	}
	for part := range strings.SplitSeq(text, "·") {
		p := formulaReader{whole: formula, rest: part, counts: counts}
		times, given := p.count()
		if given && p.rest == "" {
			return 0, 0, fmt.Errorf("formula %q has a number with nothing after it", formula)
		}
		if err := p.group(times, 0); err != nil {
			return 0, 0, err
		}
	}
	var variance float64
	for i, n := range counts {
		if n > formulaCount {
			return 0, 0, fmt.Errorf("formula %q has more than %d atoms of %s", formula, formulaCount, atomicWeights[i].Name)
		}
		value += n * atomicWeights[i].Value
		variance += n * n * atomicWeights[i].U * atomicWeights[i].U
	}
	return value, math.Sqrt(variance), nil
}

// formulaReader takes a formula apart from the left, adding to counts.
type formulaReader struct {
	whole, rest string
	counts      []float64 // by place in atomicWeights
}

// count takes a number off the front; 1 where there is none.
func (p *formulaReader) count() (n float64, given bool) {
	for len(p.rest) > 0 && p.rest[0] >= '0' && p.rest[0] <= '9' {
		if n <= formulaCount {
			n = n*10 + float64(p.rest[0]-'0')
		}
		p.rest, given = p.rest[1:], true
	}
	if !given {
		return 1, false
	}
	return n, true
}

// group reads atoms and brackets up to the end or, inside one, to its closing
// bracket, and adds them times over.
func (p *formulaReader) group(times float64, depth int) error {
	if depth > formulaDepth {
		return fmt.Errorf("formula %q has more than %d brackets inside each other", p.whole, formulaDepth)
	}
	empty := true
	for p.rest != "" && p.rest[0] != ')' {
		empty = false
		if p.rest[0] == '(' {
			inner := formulaReader{whole: p.whole, rest: p.rest[1:], counts: make([]float64, len(p.counts))}
			if err := inner.group(1, depth+1); err != nil {
				return err
			}
			if inner.rest == "" {
				return fmt.Errorf("formula %q lacks a closing bracket", p.whole)
			}
			p.rest = inner.rest[1:]
			n, _ := p.count()
			if n == 0 {
				return fmt.Errorf("formula %q has a count of 0", p.whole)
			}
			for i, c := range inner.counts {
				p.counts[i] += times * n * c
			}
			continue
		}
		i := p.element()
		if i < 0 {
			return fmt.Errorf("formula %q: no element with a known atomic weight at %q", p.whole, p.rest)
		}
		n, _ := p.count()
		if n == 0 {
			return fmt.Errorf("formula %q has a count of 0", p.whole)
		}
		p.counts[i] += times * n
	}
	if empty || times == 0 {
		return fmt.Errorf("formula %q has an empty part", p.whole)
	}
	if p.rest != "" && depth == 0 {
		return fmt.Errorf("formula %q has a closing bracket too many", p.whole)
	}
	return nil
}

// element takes the symbol off the front and returns its place in
// atomicWeights, -1 where there is none.
func (p *formulaReader) element() int {
	end := 1
	for end < len(p.rest) && p.rest[end] >= 'a' && p.rest[end] <= 'z' {
		end++
	}
	i := slices.IndexFunc(atomicWeights, func(c Constant) bool { return c.Name == p.rest[:end] })
	if i >= 0 {
		p.rest = p.rest[end:]
	}
	return i
}

// Kinds of number that would be easy to swap in one call.
type (
	Mass    float64 // g
	Area    float64 // dm2
	Charge  float64 // Ah
	Density float64 // g/cm3, the same number as kg/L
)

// mustBePositive panics with the values in the text where a caller's invariant
// is broken: recipes and facts are checked when they are read.
func mustBePositive(what string, v float64) {
	if !(v > 0) || math.IsInf(v, 0) {
		panic(fmt.Sprintf("chem: %s is %v, not a positive number", what, v))
	}
}

// ElectrochemicalEquivalent is the mass that an ampere-hour deposits or
// dissolves at 100 % efficiency, g/Ah: Faraday's law, E = M/(z·F), with the
// molar mass in g/mol and z electrons per ion. It panics where either is not
// positive: recipes are checked when they are read.
func ElectrochemicalEquivalent(molarMass float64, z int) float64 {
	mustBePositive("a molar mass", molarMass)
	mustBePositive("a count of electrons", float64(z))
	return molarMass / (float64(z) * FaradayAh)
}

// Deposited is the mass, g, that a charge deposits with an electrochemical
// equivalent in g/Ah at a current efficiency (1 is all of the current).
func Deposited(charge Charge, equivalent, efficiency float64) Mass {
	return Mass(float64(charge) * equivalent * efficiency)
}

// ChargeFor is the charge, Ah, that deposits a mass with an electrochemical
// equivalent in g/Ah at a current efficiency. It panics where one of them is
// not positive.
func ChargeFor(mass Mass, equivalent, efficiency float64) Charge {
	mustBePositive("an electrochemical equivalent", equivalent)
	mustBePositive("an efficiency", efficiency)
	return Charge(float64(mass) / (equivalent * efficiency))
}

// ThicknessOf is the mean thickness, um, of a mass spread over an area at a
// density: t = m/(ρ·A). An area or density that is not positive is an error.
func ThicknessOf(mass Mass, area Area, density Density) (float64, error) {
	if err := checkPlated(area, density); err != nil {
		return 0, err
	}
	if math.IsNaN(float64(mass)) || math.IsInf(float64(mass), 0) {
		return 0, fmt.Errorf("a mass of %v g has no thickness", float64(mass))
	}
	// g over (g/cm3 · 100 cm2 per dm2) is cm; 1e4 um per cm.
	return 100 * float64(mass) / (float64(density) * float64(area)), nil
}

// MassFor is the mass, g, of a mean thickness in um over an area at a density.
// An area or density that is not positive is an error.
func MassFor(thickness float64, area Area, density Density) (Mass, error) {
	if err := checkPlated(area, density); err != nil {
		return 0, err
	}
	if math.IsNaN(thickness) || math.IsInf(thickness, 0) {
		return 0, fmt.Errorf("a thickness of %v um has no mass", thickness)
	}
	return Mass(thickness * float64(density) * float64(area) / 100), nil
}

func checkPlated(area Area, density Density) error {
	if !(area > 0) || math.IsInf(float64(area), 0) {
		return fmt.Errorf("an area of %v dm2 cannot be plated; it must be more than 0", float64(area))
	}
	if !(density > 0) || math.IsInf(float64(density), 0) {
		return fmt.Errorf("a density of %v g/cm3 is none of a metal; it must be more than 0", float64(density))
	}
	return nil
}

// PlatingRate is the mean thickness per charge density at 100 % efficiency, um
// per Ah/dm2, which is also um/h at 1 A/dm2, for an electrochemical equivalent
// in g/Ah: 100·E/ρ. It panics where one of them is not positive.
func PlatingRate(equivalent float64, density Density) float64 {
	mustBePositive("an electrochemical equivalent", equivalent)
	mustBePositive("a density", float64(density))
	return 100 * equivalent / float64(density)
}

// RampCharge is the charge, Ah, of a run of the given hours at current (A) whose
// first part, ramp hours long, rises in a straight line from the current from.
func RampCharge(current, from, hours, ramp float64) float64 {
	return (from+current)/2*ramp + current*(hours-ramp)
}
