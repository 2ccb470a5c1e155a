package chem

import (
	"fmt"
	"strings"
)

// Dimension is the kind of thing a unit measures.
type Dimension string

// The dimensions a person at a tank writes down. Concentrations come in three
// kinds that cannot be turned into each other without knowing the substance.
const (
	DimNone        Dimension = "a plain number"
	DimVolume      Dimension = "a volume"
	DimMass        Dimension = "a mass"
	DimCharge      Dimension = "a charge"
	DimCurrent     Dimension = "a current"
	DimArea        Dimension = "an area"
	DimLength      Dimension = "a length"
	DimTime        Dimension = "a time span"
	DimTemperature Dimension = "a temperature"
	DimMassConc    Dimension = "a concentration by mass"
	DimVolConc     Dimension = "a concentration by volume"
	DimMolarity    Dimension = "a molarity"
	DimCurrentDens Dimension = "a current density"
	DimDensity     Dimension = "a density"
	DimPH          Dimension = "a pH"
	DimVoltage     Dimension = "a voltage"
	DimMolarMass   Dimension = "a molar mass"

	// Those of a bath's rates and of what a material brings.
	DimVolPerCharge  Dimension = "a volume per charge"
	DimMassPerCharge Dimension = "a mass per charge"
	DimVolPerTime    Dimension = "a volume per time"
	DimMolPerTime    Dimension = "an amount of substance per time"
	DimPerTime       Dimension = "a share per time"
	DimVolPerArea    Dimension = "a volume per area"
	DimMassPerMass   Dimension = "a mass per mass"
	DimVolPerMass    Dimension = "a volume per mass"
)

// Unit is the canonical spelling of a unit, plain ASCII: "g/L", "A/dm2", "degC".
// The empty Unit is that of a plain number.
type Unit string

type unitInfo struct {
	unit   Unit
	dim    Dimension
	factor float64 // value in the dimension's base unit per one of this unit
	offset float64 // added after the factor: temperatures only
	other  []string
}

// Exact factors of US customary units: NIST Handbook 44 (2023), Appendix C, from memory:
// 1 in = 25.4 mm, 1 lb = 453.59237 g, 1 US gal = 231 in3.
const (
	litresPerGallon  = 3.785411784  // L; 231 in3 x (2.54 cm)^3, exact by definition
	gramsPerOunce    = 28.349523125 // g; 453.59237 / 16, exact by definition
	dm2PerSquareFoot = 9.290304     // dm2; (3.048 dm)^2, exact by definition
)

// units lists every unit with its base first in its dimension. It is never
// written to after start.
var units = []unitInfo{
	{"", DimNone, 1, 0, nil},
	{"%", DimNone, 0.01, 0, []string{"percent"}},
	{"L", DimVolume, 1, 0, []string{"l", "litre", "litres", "liter", "liters", "dm3"}},
	{"mL", DimVolume, 1e-3, 0, []string{"ml", "cc", "cm3", "milliliter", "millilitre"}},
	{"uL", DimVolume, 1e-6, 0, []string{"µL", "μL", "ul"}},
	{"gal", DimVolume, litresPerGallon, 0, []string{"gallon", "gallons", "usgal"}},
	{"fl oz", DimVolume, litresPerGallon / 128, 0, []string{"floz", "fl_oz"}},
	{"g", DimMass, 1, 0, []string{"gram", "grams"}},
	{"kg", DimMass, 1e3, 0, []string{"kilogram", "kilograms"}},
	{"mg", DimMass, 1e-3, 0, nil},
	{"oz", DimMass, gramsPerOunce, 0, []string{"ounce", "ounces"}},
	{"lb", DimMass, 16 * gramsPerOunce, 0, []string{"lbs", "pound", "pounds"}},
	{"Ah", DimCharge, 1, 0, []string{"ah", "A·h", "A.h", "amp-hour", "amp-hours", "amphours", "AH"}},
	{"kAh", DimCharge, 1e3, 0, []string{"kah"}},
	{"mAh", DimCharge, 1e-3, 0, []string{"mah"}},
	{"Amin", DimCharge, 1.0 / 60, 0, []string{"A·min", "A.min", "amin", "amp-min"}},
	{"A", DimCurrent, 1, 0, []string{"a", "amp", "amps"}},
	{"mA", DimCurrent, 1e-3, 0, nil},
	{"dm2", DimArea, 1, 0, []string{"dm²", "sqdm"}},
	{"cm2", DimArea, 0.01, 0, []string{"cm²", "sqcm"}},
	{"m2", DimArea, 100, 0, []string{"m²"}},
	{"ft2", DimArea, dm2PerSquareFoot, 0, []string{"ft²", "sqft"}},
	{"in2", DimArea, dm2PerSquareFoot / 144, 0, []string{"in²", "sqin"}},
	{"mm", DimLength, 1, 0, nil},
	{"cm", DimLength, 10, 0, nil},
	{"m", DimLength, 1e3, 0, nil},
	{"um", DimLength, 1e-3, 0, []string{"µm", "μm", "micron", "microns"}},
	{"mil", DimLength, 0.0254, 0, []string{"mils"}},
	{"in", DimLength, 25.4, 0, []string{"inch", "inches"}},
	{"h", DimTime, 1, 0, []string{"hr", "hrs", "hour", "hours"}},
	{"min", DimTime, 1.0 / 60, 0, []string{"mins", "minute", "minutes"}},
	{"s", DimTime, 1.0 / 3600, 0, []string{"sec", "second", "seconds"}},
	{"d", DimTime, 24, 0, []string{"day", "days"}},
	{"wk", DimTime, 168, 0, []string{"week", "weeks"}},
	{"degC", DimTemperature, 1, 0, []string{"°C", "ºC", "C", "celsius", "degc"}},
	{"degF", DimTemperature, 5.0 / 9, -160.0 / 9, []string{"°F", "ºF", "F", "fahrenheit", "degf"}},
	{"g/L", DimMassConc, 1, 0, []string{"g/l", "gpl", "g/dm3", "kg/m3"}},
	{"mg/L", DimMassConc, 1e-3, 0, []string{"mg/l", "ppm"}},
	{"oz/gal", DimMassConc, gramsPerOunce / litresPerGallon, 0, []string{"oz/USgal"}},
	{"mL/L", DimVolConc, 1, 0, []string{"ml/l", "ml/L", "cc/L"}},
	{"vol%", DimVolConc, 10, 0, []string{"%vol", "vol-%", "%v/v"}},
	{"fl oz/gal", DimVolConc, 1000.0 / 128, 0, []string{"floz/gal"}},
	{"mol/L", DimMolarity, 1, 0, []string{"mol/l", "M"}},
	{"mmol/L", DimMolarity, 1e-3, 0, []string{"mmol/l", "mM"}},
	{"A/dm2", DimCurrentDens, 1, 0, []string{"A/dm²", "ASD", "asd", "a/dm2"}},
	{"A/ft2", DimCurrentDens, 1 / dm2PerSquareFoot, 0, []string{"A/ft²", "ASF", "asf", "a/ft2"}},
	{"mA/cm2", DimCurrentDens, 0.1, 0, []string{"mA/cm²"}},
	{"g/cm3", DimDensity, 1, 0, []string{"g/cm³", "g/mL", "g/ml", "kg/L", "kg/l", "SG", "sg"}},
	{"pH", DimPH, 1, 0, []string{"ph"}},
	{"V", DimVoltage, 1, 0, []string{"volt", "volts"}},
	{"g/mol", DimMolarMass, 1, 0, nil},
	{"L/Ah", DimVolPerCharge, 1, 0, []string{"l/Ah", "L/ah"}},
	{"mL/Ah", DimVolPerCharge, 1e-3, 0, []string{"ml/Ah", "mL/ah", "ml/ah"}},
	{"mL/kAh", DimVolPerCharge, 1e-6, 0, []string{"ml/kAh", "ml/kah"}},
	{"g/Ah", DimMassPerCharge, 1, 0, []string{"g/ah"}},
	{"mg/Ah", DimMassPerCharge, 1e-3, 0, []string{"mg/ah"}},
	{"L/day", DimVolPerTime, 1, 0, []string{"l/day", "L/d", "l/d"}},
	{"mL/day", DimVolPerTime, 1e-3, 0, []string{"ml/day", "mL/d", "ml/d"}},
	{"L/h", DimVolPerTime, 24, 0, []string{"l/h", "L/hr"}},
	{"L/wk", DimVolPerTime, 1.0 / 7, 0, []string{"L/week", "l/week"}},
	{"gal/day", DimVolPerTime, litresPerGallon, 0, []string{"gal/d"}},
	{"mol/day", DimMolPerTime, 1, 0, []string{"mol/d"}},
	{"mmol/day", DimMolPerTime, 1e-3, 0, []string{"mmol/d"}},
	{"1/day", DimPerTime, 1, 0, []string{"/day", "per day", "1/d", "/d"}},
	{"%/day", DimPerTime, 0.01, 0, []string{"% per day", "%/d"}},
	{"1/wk", DimPerTime, 1.0 / 7, 0, []string{"/week", "1/week", "per week"}},
	{"L/dm2", DimVolPerArea, 1, 0, []string{"L/dm²", "l/dm2"}},
	{"mL/dm2", DimVolPerArea, 1e-3, 0, []string{"mL/dm²", "ml/dm2"}},
	{"L/m2", DimVolPerArea, 0.01, 0, []string{"L/m²", "l/m2"}},
	{"gal/ft2", DimVolPerArea, litresPerGallon / dm2PerSquareFoot, 0, []string{"gal/ft²"}},
	{"g/kg", DimMassPerMass, 1, 0, nil},
	{"mg/kg", DimMassPerMass, 1e-3, 0, nil},
	{"g/g", DimMassPerMass, 1e3, 0, nil},
	{"mg/g", DimMassPerMass, 1, 0, nil},
	{"mL/kg", DimVolPerMass, 1, 0, []string{"ml/kg"}},
	{"mL/g", DimVolPerMass, 1e3, 0, []string{"ml/g"}},
}

// ParseUnit reads a unit in any of its usual spellings.
func ParseUnit(s string) (Unit, error) {
	text := strings.Join(strings.Fields(s), " ")
	if info, ok := findUnit(text); ok {
		return info.unit, nil
	}
	return "", fmt.Errorf("unknown unit %q%s", s, nearestUnit(text))
}

func findUnit(text string) (unitInfo, bool) {
	for _, info := range units {
		if text == string(info.unit) {
			return info, true
		}
		for _, o := range info.other {
			if text == o {
				return info, true
			}
		}
	}
	return unitInfo{}, false
}

func nearestUnit(text string) string {
	for _, info := range units {
		if strings.EqualFold(text, string(info.unit)) {
			return fmt.Sprintf("; did you mean %s?", info.unit)
		}
	}
	bare := strings.NewReplacer("/", "", " ", "", ".", "").Replace(strings.ToLower(text))
	for _, info := range units {
		if bare != "" && bare == strings.NewReplacer("/", "", " ", "").Replace(strings.ToLower(string(info.unit))) {
			return fmt.Sprintf("; did you mean %s?", info.unit)
		}
	}
	return ""
}

func (u Unit) info() unitInfo {
	info, ok := findUnit(string(u))
	if !ok {
		return unitInfo{unit: u, dim: "an unknown unit", factor: 1}
	}
	return info
}

// Dimension returns what the unit measures.
func (u Unit) Dimension() Dimension { return u.info().dim }

// Convert turns a value in unit u into unit to. It is an error where the two
// do not measure the same thing.
func (u Unit) Convert(value float64, to Unit) (float64, error) {
	if u == to {
		return value, nil
	}
	a, known := findUnit(string(u))
	b, wanted := findUnit(string(to))
	switch {
	case !known:
		return 0, fmt.Errorf("unknown unit %q", string(u))
	case !wanted:
		return 0, fmt.Errorf("unknown unit %q", string(to))
	case a.dim != b.dim && u == "":
		return 0, fmt.Errorf("%s is not %s", a.dim, b.dim)
	case a.dim != b.dim:
		return 0, fmt.Errorf("%s is %s, not %s", u, a.dim, b.dim)
	}
	return (value*a.factor + a.offset - b.offset) / b.factor, nil
}

// scale returns the factor between differences in u and differences in to.
func (u Unit) scale(to Unit) float64 {
	if u == to {
		return 1
	}
	return u.info().factor / to.info().factor
}

// UnitsOf lists the canonical units of the dimensions, for messages.
func UnitsOf(dims ...Dimension) string {
	var names []string
	for _, info := range units {
		for _, d := range dims {
			if info.dim == d && info.unit != "" {
				names = append(names, string(info.unit))
			}
		}
	}
	return strings.Join(names[:min(len(names), 6)], ", ")
}
