package chem

import (
	"cmp"
	"fmt"
	"math"
	"math/big"
	"strings"
)

// Figures that stand in where neither method nor reading says anything.
const (
	// expansion is the volume expansion of water and dilute solutions.
	expansion = 2.1e-4 // 1/degC; EURACHEM/CITAC CG 4 (QUAM), example A3

	labTemperature = 4.0 // degC; ± about 20 degC in which glassware is used: EURACHEM/CITAC CG 4, example A3

	drop = 0.05 // mL; one drop of a burette, the bound of an end point seen by eye: common practice, no source

	// endPointFreedom is how many degrees of freedom a method's own end-point
	// figure counts for: GUM G.4.2, ν = ½·(Δu/u)^-2, for a figure known to a
	// quarter of itself. That quarter is a judgement.
	endPointFreedom = 8
)

// TitrationSetup is everything a concentration and its uncertainty are computed
// from. Zero uncertainties and tolerances add nothing; a zero EndPoint or
// Temperature stands for the usual one.
type TitrationSetup struct {
	Delivered   []Decimal // mL, one per replicate, with the digits that were read
	Aliquot     float64   // mL of bath titrated
	UAliquot    float64   // mL, tolerance of the pipette (half-width)
	Blank       float64   // mL
	UBlank      float64   // mL, standard uncertainty
	Molarity    float64   // mol/L, nominal
	UMolarity   float64   // mol/L, standard uncertainty, shared by the lot
	Factor      float64   // actual over nominal molarity
	UFactor     float64   // standard uncertainty of Factor, shared by the lot
	Ratio       float64   // mol of the constituent per mol of titrant
	MolarMass   float64   // g/mol of what is reported
	Burette     float64   // mL, capacity; 0 unknown
	UBurette    float64   // mL, tolerance of the burette (half-width)
	EndPoint    float64   // mL, standard uncertainty of finding the end point once
	Temperature float64   // degC, ± about 20 (half-width)
}

// Setup joins the readings with the method: what the titration states goes
// before what the method says. A titration whose stated numbers cannot be right
// is an error.
func (t Titration) Setup(m Method) (TitrationSetup, error) {
	s := TitrationSetup{
		Delivered: t.Delivered, Aliquot: m.Aliquot, UAliquot: m.UAliquot, Blank: m.Blank, UBlank: m.UBlank,
		Molarity: m.Molarity, Factor: 1, Ratio: m.Ratio, MolarMass: m.MolarMass,
		Burette: m.Burette, UBurette: m.UBurette, EndPoint: m.EndPoint,
	}
	if t.Aliquot.Given() {
		s.Aliquot = t.Aliquot.Float()
	}
	if t.Blank.Given() {
		s.Blank = t.Blank.Float()
	}
	if t.Molarity.Given() {
		s.Molarity = t.Molarity.Float()
	}
	if t.Factor.Given() {
		s.Factor = t.Factor.Float()
	}
	s.UFactor = m.UFactor * s.Factor
	if t.UFactor.Given() {
		s.UFactor = t.UFactor.Float()
	}
	return s, s.check()
}

func (s TitrationSetup) check() error {
	for _, c := range []struct {
		what string
		v    float64
	}{
		{"aliquot", s.Aliquot}, {"titrant's molarity", s.Molarity}, {"titrant's factor", s.Factor},
		{"mol ratio of the method", s.Ratio}, {"molar mass of the method", s.MolarMass},
	} {
		if !(c.v > 0) || math.IsInf(c.v, 0) {
			return fmt.Errorf("the %s is %v; it must be more than 0", c.what, c.v)
		}
	}
	for _, c := range []struct {
		what string
		v    float64
	}{
		{"blank", s.Blank}, {"uncertainty of the blank", s.UBlank}, {"tolerance of the pipette", s.UAliquot},
		{"uncertainty of the molarity", s.UMolarity}, {"uncertainty of the factor", s.UFactor}, {"capacity of the burette", s.Burette},
		{"tolerance of the burette", s.UBurette}, {"uncertainty of the end point", s.EndPoint}, {"temperature range", s.Temperature},
	} {
		if !(c.v >= 0) || math.IsInf(c.v, 0) {
			return fmt.Errorf("the %s is %v; it must be 0 or more", c.what, c.v)
		}
	}
	switch {
	case s.Factor < 0.5 || s.Factor > 2:
		return fmt.Errorf("a titrant's factor of %v is none: it is actual over nominal molarity, such as 1.005", s.Factor)
	case s.UAliquot >= s.Aliquot:
		return fmt.Errorf("the tolerance of the pipette, %v mL, is not smaller than the aliquot, %v mL", s.UAliquot, s.Aliquot)
	case s.Temperature > 50:
		return fmt.Errorf("a laboratory does not vary by %v degC about 20 degC", s.Temperature)
	case len(s.Delivered) == 0:
		return fmt.Errorf("a titration needs at least one delivered volume, such as 16.35mL")
	}
	for _, d := range s.Delivered {
		if !d.Given() || strings.HasPrefix(string(d), "-") {
			return fmt.Errorf("a delivered volume of %q mL is none; it must be 0 or more", string(d))
		}
	}
	return nil
}

// WarningKind says what a titration's warning is about.
type WarningKind string

// The warnings of a titration.
const (
	WarningSmallTitre WarningKind = "small titre"
	WarningBurette    WarningKind = "beyond the burette"
	WarningReplicates WarningKind = "replicates apart"
)

// TitrationWarning is something to look at before a result is relied on.
type TitrationWarning struct {
	Kind WarningKind
	Text string // one sentence, lower case, no full stop
}

// TitrationResult is a concentration with its uncertainty in two parts, which
// must not be added up before they are used: many titrations average the first
// away, never the second.
type TitrationResult struct {
	Value     float64        // g/L
	U         float64        // g/L, standard uncertainty, independent from one titration to the next
	ULot      float64        // g/L, standard uncertainty shared by every titration with the lot
	Budget    []Contribution // g/L, where U comes from, without signs
	LotBudget []Contribution // g/L, where ULot comes from
	Titre     float64        // mL, mean delivered volume, blank not taken off
	Scatter   float64        // mL, standard deviation of the replicates; 0 for one
	Warnings  []TitrationWarning
}

// Result computes the concentration
//
//	c = (V − V_blank)·M·f·MW·ratio/aliquot      (g/L)
//
// with V the mean delivered volume, and its uncertainty by the law of
// propagation (JCGM 100:2008; the budget follows EURACHEM/CITAC CG 4, examples
// A2 and A3): tolerances are triangular (÷√6), the temperature term is
// V·2.1e-4·ΔT/√3.
//
// Replicates average what differs between them, the end point and the reading.
// They share burette, pipette, blank and temperature, so those are taken once,
// whole. The molar mass is taken as exact: its share, some 1e-5, is lost beside
// the rest.
//
// The end-point figure is the method's and the observed scatter pooled, weighted
// by degrees of freedom (the method's counts for 8): two or three replicates say
// little about a standard deviation. Where the scatter is larger than the
// method's figure explains once in a hundred times (chi-squared), something is
// different today, and the scatter alone is used. A smaller scatter is never
// used alone.
//
// Bad setups and a titre below the blank are errors.
func (s TitrationSetup) Result() (TitrationResult, error) {
	if err := s.check(); err != nil {
		return TitrationResult{}, err
	}
	n := float64(len(s.Delivered))
	var sum, reading float64
	for _, d := range s.Delivered {
		sum += d.Float()
		// A delivered volume is the difference of two readings, each rounded
		// to the last digit: triangular, with that digit as half-width.
		step := triangular(math.Pow10(-d.Places()))
		reading += step * step
	}
	mean := sum / n
	reading = math.Sqrt(reading) / n
	var scatter float64
	for _, d := range s.Delivered {
		scatter += (d.Float() - mean) * (d.Float() - mean)
	}
	if n > 1 {
		scatter = math.Sqrt(scatter / (n - 1))
	}
	if mean < s.Blank {
		return TitrationResult{}, fmt.Errorf("the titre of %.2f mL is below the blank of %.2f mL", mean, s.Blank)
	}

	single := s.EndPoint
	if single == 0 {
		single = rectangular(drop)
	}
	endPoint := pooledEndPoint(single, scatter, len(s.Delivered))
	warm := expansion * cmp.Or(s.Temperature, labTemperature)

	inputs := []InputQuantity{
		{"end point", mean, endPoint / math.Sqrt(n)},
		{"burette reading", 0, reading},
		{"burette", 0, triangular(s.UBurette)},
		{"blank", s.Blank, s.UBlank},
		{"temperature of the titrant", 0, rectangular(mean * warm)},
		{"pipette", s.Aliquot, triangular(s.UAliquot)},
		{"temperature of the aliquot", 0, rectangular(s.Aliquot * warm)},
		{"titrant's molarity", s.Molarity, s.UMolarity},
		{"titrant's factor", s.Factor, s.UFactor},
	}
	const shared = 7 // the inputs from here on belong to the lot
	value, parts, err := Propagate(func(x []float64) float64 {
		titre := x[0] + x[1] + x[2] - x[3] + x[4]
		return titre * x[7] * x[8] * s.Ratio * s.MolarMass / (x[5] + x[6])
	}, inputs)
	if err != nil {
		return TitrationResult{}, err
	}
	for i := range parts {
		parts[i].U = math.Abs(parts[i].U)
	}
	r := TitrationResult{
		Value: value, Titre: mean, Scatter: scatter,
		U: CombinedU(parts[:shared]), Budget: parts[:shared:shared],
		ULot: CombinedU(parts[shared:]), LotBudget: parts[shared:],
	}
	r.Warnings = s.warnings(math.Hypot(single, reading*math.Sqrt(n)))
	return r, nil
}

// pooledEndPoint is the standard deviation of one end point from the method's
// figure and the scatter of n replicates, as Result explains.
func pooledEndPoint(method, scatter float64, n int) float64 {
	freedom := float64(n - 1)
	if n < 2 {
		return method
	}
	if scatter > method*math.Sqrt(chiSquaredRatio99(freedom)) {
		return scatter
	}
	return math.Sqrt((endPointFreedom*method*method + freedom*scatter*scatter) / (endPointFreedom + freedom))
}

// chiSquaredRatio99 is the 99 % point of chi-squared over its degrees of
// freedom, after Wilson and Hilferty, Proc. Natl. Acad. Sci. 17 (1931) 684
// (from memory): within 1 % from one degree of freedom on.
func chiSquaredRatio99(freedom float64) float64 {
	const normal99 = 2.3263 // 99 % point of the normal distribution
	k := 2 / (9 * freedom)
	root := 1 - k + normal99*math.Sqrt(k)
	return root * root * root
}

// smallTitre is the part of a burette's capacity that a titre should reach:
// USP general chapter <31>, volumetric apparatus.
const smallTitre = 0.30

// farApart is how many standard deviations of one titre replicates may differ:
// common practice, no source; two honest ones do so once in 200 times.
const farApart = 4

// warnings looks at the readings; u is the standard deviation of one titre, mL.
func (s TitrationSetup) warnings(u float64) []TitrationWarning {
	var out []TitrationWarning
	low, high := s.Delivered[0], s.Delivered[0]
	for _, d := range s.Delivered {
		if d.Float() < low.Float() {
			low = d
		}
		if d.Float() > high.Float() {
			high = d
		}
	}
	if s.Burette > 0 && low.Float() < smallTitre*s.Burette {
		text := fmt.Sprintf("a titre of %s mL is under 30 %% of the %v mL burette; take a larger aliquot, a weaker titrant or a smaller burette",
			low, s.Burette)
		if low.Float() < 10 && s.Burette > 10 {
			text = fmt.Sprintf("a titre of %s mL is under 30 %% of the %v mL burette; take a larger aliquot, a weaker titrant, or a burette of 10 mL or less",
				low, s.Burette)
		}
		out = append(out, TitrationWarning{WarningSmallTitre, text})
	}
	if s.Burette > 0 && high.Float() > s.Burette {
		out = append(out, TitrationWarning{WarningBurette,
			fmt.Sprintf("a titre of %s mL is more than the %v mL burette holds; was it refilled, or misread?", high, s.Burette)})
	}
	if spread := high.Float() - low.Float(); spread > farApart*u {
		out = append(out, TitrationWarning{WarningReplicates,
			fmt.Sprintf("replicates from %s to %s mL are further apart than %d standard deviations (%.2f mL each); titrate once more",
				low, high, farApart, u)})
	}
	return out
}

// Assay writes the result in a unit of concentration by mass as a fact carries
// it: the value with the independent uncertainty, and the uncertainty shared by
// the lot. Digits beyond a thousandth of the uncertainty are rounded off. A unit
// of another kind is an error.
func (r TitrationResult) Assay(unit Unit) (value Measured, uLot Decimal, err error) {
	c, err := Unit("g/L").Convert(r.Value, unit)
	if err != nil {
		return Measured{}, "", err
	}
	scale := Unit("g/L").scale(unit)
	places := digitsBelow(r.U*scale, 3)
	value = Measured{Number: DecimalRound(c, places), Unit: unit, U: DecimalRound(r.U*scale, places)}
	if !value.Number.Given() {
		return Measured{}, "", fmt.Errorf("a concentration of %g %s cannot be right", c, unit)
	}
	if r.ULot > 0 {
		uLot = DecimalRound(r.ULot*scale, digitsBelow(r.ULot*scale, 3))
	}
	return value, uLot, nil
}

// digitsBelow is how many digits after the point show a number to the given
// count of significant digits; 12 at most.
func digitsBelow(v float64, significant int) int {
	if !(v > 0) {
		return significant
	}
	return min(max(significant-1-int(math.Floor(math.Log10(v))), 0), 12)
}

// ParseDelivered reads a volume delivered by a burette: "16.35mL", or start and
// end as "0.10..13.20mL" (also with a dash "0.10–13.20 mL"), whose difference it
// returns, in mL with every digit that was read. A missing unit, a unit other
// than mL, a negative volume and an end before the start are errors.
func ParseDelivered(s string) (Decimal, error) {
	text := strings.TrimSpace(s)
	start, end, isRange := strings.Cut(text, "..")
	if !isRange {
		for _, dash := range []string{"–", "—"} {
			if start, end, isRange = strings.Cut(text, dash); isRange {
				break
			}
		}
	}
	if !isRange {
		if i := strings.Index(text, "-"); i > 0 && !strings.ContainsAny(text[i-1:i], "eE+") {
			return "", fmt.Errorf("%q is not a delivered volume; write start and end as 0.10..13.20mL", s)
		}
		return parseMillilitres(s, text)
	}
	if strings.HasPrefix(end, ".") || strings.Contains(end, "..") {
		return "", fmt.Errorf("%q has too many points; write start and end as 0.10..13.20mL", s)
	}
	to, err := parseMillilitres(s, end)
	if err != nil {
		return "", err
	}
	// The unit behind the end holds for the start too.
	if start = strings.TrimSpace(start); start != "" && strings.IndexByte("0123456789.,", start[len(start)-1]) >= 0 {
		start += "mL"
	}
	from, err := parseMillilitres(s, start)
	if err != nil {
		return "", err
	}
	a, okA := new(big.Rat).SetString(string(from))
	b, okB := new(big.Rat).SetString(string(to))
	if !okA || !okB {
		return "", fmt.Errorf("%q is not a delivered volume such as 0.10..13.20mL", s)
	}
	if b.Cmp(a) < 0 {
		return "", fmt.Errorf("the burette ends at %s mL, before its start at %s mL; if it was refilled, give what was delivered in all, such as 62.40mL", to, from)
	}
	return ParseDecimal(b.Sub(b, a).FloatString(max(from.Places(), to.Places())))
}

// parseMillilitres reads one number of the words whole.
func parseMillilitres(whole, text string) (Decimal, error) {
	m, err := ParseMeasured(text, DimVolume)
	switch {
	case err != nil && strings.TrimSpace(text) == "" || err != nil && whole != text && !strings.ContainsAny(text, "0123456789"):
		return "", fmt.Errorf("%q is not a delivered volume such as 16.35mL or 0.10..13.20mL", whole)
	case err != nil && strings.Trim(text, "0123456789.,+- ") == "":
		return "", fmt.Errorf("%q needs a unit at its end, such as 16.35mL or 0.10..13.20mL", whole)
	case err != nil:
		return "", err
	case m.Unit != "mL":
		return "", fmt.Errorf("%q is in %s; burettes read in mL, such as 16.35mL", whole, m.Unit)
	case m.U.Given():
		return "", fmt.Errorf("%q states an uncertainty; that of a burette is the method's", whole)
	case strings.HasPrefix(string(m.Number), "-"):
		return "", fmt.Errorf("%q is negative; a burette delivers 0 mL or more", whole)
	}
	return m.Number, nil
}
