package chem

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

// copperMethod is a visual EDTA titration with the class B glass of a small shop.
func copperMethod() Method {
	return Method{
		Name: "EDTA", Constituent: "copper", Titrant: "EDTA", Molarity: 0.1, UFactor: 0.004, Ratio: 1, MolarMass: 63.546,
		Aliquot: 2, UAliquot: 0.02, Burette: 25, UBurette: 0.06, EndPoint: 0.03, Blank: 0, UBlank: 0.01,
	}
}

func result(t rapid.TB, m Method, r Titration) TitrationResult {
	t.Helper()
	s, err := r.Setup(m)
	require.NoError(t, err)
	out, err := s.Result()
	require.NoError(t, err)
	return out
}

// Titrations of plating baths with readings and results in print.
func TestPublishedBathTitrations(t *testing.T) {
	for _, c := range []struct {
		name             string
		molarity, factor Decimal
		ratio, mass      float64
		aliquot, blank   Decimal
		delivered        []Decimal
		want, within     float64 // g/L
	}{
		// Hiranuma application note E11, copper sulfate bath, 0.1 M thiosulfate, 1 mL.
		// The factor 1.005 is not in the excerpt at hand; it is what reproduces all three.
		{"HiranumaE11First", "0.1", "1.005", 1, 63.546, "1", "0", []Decimal{"9.623"}, 61.456, 5e-4},
		{"HiranumaE11Second", "0.1", "1.005", 1, 63.546, "1", "0", []Decimal{"9.622"}, 61.450, 6e-4},
		{"HiranumaE11Third", "0.1", "1.005", 1, 63.546, "1", "0", []Decimal{"9.632"}, 61.514, 6e-4},
		{"HiranumaE11Mean", "0.1", "1.005", 1, 63.546, "1", "0", []Decimal{"9.623", "9.622", "9.632"}, 61.5, 0.05},
		// Hiranuma application note G10, copper by EDTA 0.1 M with an ion-selective
		// electrode, 5 mL; factor 0.995 implied in the same way, copper 63.54.
		{"HiranumaG10First", "0.1", "0.995", 1, 63.54, "5", "0", []Decimal{"7.623"}, 9.639, 6e-4},
		{"HiranumaG10Second", "0.1", "0.995", 1, 63.54, "5", "0", []Decimal{"7.603"}, 9.614, 6e-4},
		{"HiranumaG10Third", "0.1", "0.995", 1, 63.54, "5", "0", []Decimal{"7.622"}, 9.638, 6e-4},
		{"HiranumaG10Fourth", "0.1", "0.995", 1, 63.54, "5", "0", []Decimal{"7.611"}, 9.624, 6e-4},
		{"HiranumaG10Fifth", "0.1", "0.995", 1, 63.54, "5", "0", []Decimal{"7.595"}, 9.603, 6e-4},
		{"HiranumaG10Mean", "0.1", "0.995", 1, 63.54, "5", "0", []Decimal{"7.623", "7.603", "7.622", "7.611", "7.595"}, 9.62, 0.005},
		// Metrohm Application Bulletin 195/2: fluoboric and boric acid in one
		// titration, NaOH 0.1 M, 0.250 mL; the first end point is the second's blank.
		{"MetrohmAB195BoricAcid", "0.1", "1", 1, 61.83, "0.250", "0.834", []Decimal{"2.786"}, 48.28, 0.005},
		{"MetrohmAB195FluoboricAcid", "0.1", "1", 1, 87.81, "0.250", "0", []Decimal{"0.834"}, 29.29, 0.005},
		// Metrohm Application Bulletin 101: zinc by EDTA 0.1 M, 2 mL.
		{"MetrohmAB101", "0.1", "1", 1, 65.38, "2.000", "0", []Decimal{"2.006"}, 6.56, 0.005},
		// borgmann-aquaponik-hydroponik.ch: nickel by EDTA 0.01 M, 50 mL: 2.48 mmol/L,
		// 145.6 mg/L by hand.
		{"NickelTrace", "0.01", "1", 1, 58.693, "50", "0", []Decimal{"12.4"}, 0.1456, 5e-5},
		// thinktink.com, sulfuric acid of an acid copper bath: 1.60 N NaOH, 0.10 mL,
		// 150 digits is 8.0 % by volume. 800 digits per mL (from memory) make it
		// 147.1 g/L by hand; 8.0 % by volume of acid with 1.84 g/L per mL is 147.
		{"AcidByDigitalTitrator", "1.60", "1", 0.5, 98.079, "0.10", "0", []Decimal{"0.1875"}, 147.1, 0.3},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := Method{Molarity: 9, Ratio: c.ratio, MolarMass: c.mass, Aliquot: 9, Blank: 9}
			r := result(t, m, Titration{Delivered: c.delivered, Aliquot: c.aliquot, Blank: c.blank, Molarity: c.molarity, Factor: c.factor})
			assert.InDelta(t, c.want, r.Value, c.within)
			assert.Greater(t, r.U, 0.0)
		})
	}
}

// The scatter Hiranuma prints: E11 SD 0.0353 g/L (n = 3), G10 SD 0.02 g/L (n = 5).
func TestPublishedScatter(t *testing.T) {
	m := Method{Molarity: 0.1, Ratio: 1, MolarMass: 63.546, Aliquot: 1}
	r := result(t, m, Titration{Delivered: []Decimal{"9.623", "9.622", "9.632"}, Factor: "1.005"})
	assert.InDelta(t, 0.0353, r.Scatter*r.Value/r.Titre, 5e-4)
	m = Method{Molarity: 0.1, Ratio: 1, MolarMass: 63.54, Aliquot: 5}
	r = result(t, m, Titration{Delivered: []Decimal{"7.623", "7.603", "7.622", "7.611", "7.595"}, Factor: "0.995"})
	assert.InDelta(t, 0.02, r.Scatter*r.Value/r.Titre, 0.005)
}

// g/L per mL of titrant. Seen in print: CuSO4·5H2O 24.97 (supplier's bath
// analysis sheet, 249.7 times the molarity), H2SO4 9.8 (organotin.org, acid tin
// bath), H3BO3 1.24 (pfonline.com, boric acid and mannitol) and 6.183 (Metrohm
// Application Bulletin 195/2), chloride 0.500 mg/L per digit (thinktink.com,
// arithmetic only: 800 digits per mL, no mercury method belongs in a shop). The
// rest is stoichiometry worked out by hand with older weights (Cl 35.453, Ni
// 58.6934), hence 2e-4.
func TestTitrationFactors(t *testing.T) {
	for _, c := range []struct {
		name, reported    string
		ratio             float64
		molarity, aliquot Decimal
		want, relative    float64
	}{
		{"Copper1mL", "Cu", 1, "0.1", "1", 6.3546, 2e-4},
		{"Copper2mL", "Cu", 1, "0.1", "2", 3.1773, 2e-4},
		{"Copper5mL", "Cu", 1, "0.1", "5", 1.2709, 2e-4},
		{"CopperSulfate", "CuSO4·5H2O", 1, "0.1", "1", 24.97, 5e-4},
		{"Acid5mL", "H2SO4", 0.5, "1", "5", 9.808, 2e-4},
		{"Acid5mLInPrint", "H2SO4", 0.5, "1", "5", 9.8, 1e-3},
		{"Acid10mL", "H2SO4", 0.5, "1", "10", 4.904, 2e-4},
		{"Acid1mL", "H2SO4", 0.5, "0.1", "1", 4.904, 2e-4},
		{"Chloride20mL", "Cl", 1, "0.01", "20", 17.73e-3, 3e-4},
		{"Chloride50mL", "Cl", 1, "0.01", "50", 7.091e-3, 3e-4},
		{"Chloride100mL", "Cl", 1, "0.01", "100", 3.545e-3, 3e-4},
		{"ChlorideStrong", "Cl", 1, "0.1", "50", 70.91e-3, 3e-4},
		{"ChlorideByDigit", "Cl", 1, "0.2256", "20", 0.500e-3 * 800, 5e-4},
		{"Nickel1mL", "Ni", 1, "0.1", "1", 5.869, 2e-4},
		{"Nickel2mL", "Ni", 1, "0.1", "2", 2.935, 2e-4},
		{"Nickel5mL", "Ni", 1, "0.1", "5", 1.174, 3e-4},
		{"NickelChloride1mL", "NiCl2·6H2O", 0.5, "0.1", "1", 11.88, 5e-4},
		{"NickelChloride2mL", "NiCl2·6H2O", 0.5, "0.1", "2", 5.942, 2e-4},
		{"NickelChloride5mL", "NiCl2·6H2O", 0.5, "0.1", "5", 2.377, 2e-4},
		{"NickelChlorideWeak", "NiCl2·6H2O", 0.5, "0.05", "1", 5.942, 2e-4},
		{"BoricAcid5mL", "H3BO3", 1, "0.1", "5", 1.24, 3e-3},
		{"BoricAcid1mL", "H3BO3", 1, "0.1", "1", 6.183, 2e-4},
	} {
		t.Run(c.name, func(t *testing.T) {
			mass, _, err := MolarMass(c.reported)
			require.NoError(t, err)
			r := result(t, Method{Ratio: c.ratio, MolarMass: mass}, Titration{Delivered: []Decimal{"1.000"}, Molarity: c.molarity, Aliquot: c.aliquot})
			assert.InEpsilon(t, c.want, r.Value, c.relative)
		})
	}
}

// EURACHEM/CITAC CG 4, example A3: ±0.03 mL burette, ±0.02 mL pipette, ±4 degC:
// u of 15 mL from the burette 0.01424 mL, of 19 mL 0.01533, of the 15 mL pipette
// 0.01094 (the Guide rounds up to 0.015, 0.016, 0.011).
func TestBudgetOfVolumesIsEurachemA3(t *testing.T) {
	for delivered, want := range map[Decimal]float64{"15.00": 0.01424, "19.00": 0.01533} {
		r := result(t, Method{Molarity: 0.1, Ratio: 1, MolarMass: 36.46, Aliquot: 15, UAliquot: 0.02, UBurette: 0.03}, Titration{Delivered: []Decimal{delivered}})
		by := contributionsByName(t, r.Budget)
		perML := r.Value / r.Titre
		assert.InDelta(t, want, math.Hypot(by["burette"], by["temperature of the titrant"])/perML, 5e-6)
		perML = r.Value / 15
		assert.InDelta(t, 0.01094, math.Hypot(by["pipette"], by["temperature of the aliquot"])/perML, 5e-6)
	}
}

func TestStatedGoesBeforeMethod(t *testing.T) {
	m := copperMethod()
	s, err := Titration{Delivered: []Decimal{"16.35"}}.Setup(m)
	require.NoError(t, err)
	assert.Equal(t, 2.0, s.Aliquot)
	assert.Equal(t, 0.1, s.Molarity)
	assert.Equal(t, 1.0, s.Factor)
	assert.Equal(t, 0.004, s.UFactor)
	s, err = Titration{Delivered: []Decimal{"16.35"}, Aliquot: "1", Blank: "0.05", Molarity: "0.05", Factor: "1.010", UFactor: "0.002"}.Setup(m)
	require.NoError(t, err)
	assert.Equal(t, []float64{1, 0.05, 0.05, 1.010, 0.002}, []float64{s.Aliquot, s.Blank, s.Molarity, s.Factor, s.UFactor})
	s, err = Titration{Delivered: []Decimal{"16.35"}, Factor: "1.25"}.Setup(m)
	require.NoError(t, err)
	assert.InEpsilon(t, 0.005, s.UFactor, 1e-12, "the method's figure is relative")
}

// What replicates share stays whole; what differs between them averages.
func TestReplicatesAverageOnlyWhatDiffers(t *testing.T) {
	m := copperMethod()
	one := result(t, m, Titration{Delivered: []Decimal{"16.35"}})
	// A hundred with just the scatter of the method, so that pooling changes nothing.
	var many []Decimal
	for i := range 100 {
		many = append(many, DecimalRound(16.35+0.03*math.Sqrt(99.0/100)*float64(1-2*(i%2)), 6))
	}
	hundred := result(t, m, Titration{Delivered: many})
	a, b := contributionsByName(t, one.Budget), contributionsByName(t, hundred.Budget)
	for _, shared := range []string{"burette", "pipette", "blank", "temperature of the titrant", "temperature of the aliquot"} {
		assert.Greater(t, a[shared], 0.0, shared)
		assert.InEpsilon(t, a[shared], b[shared], 1e-6, shared)
	}
	assert.InEpsilon(t, a["end point"]/10, b["end point"], 1e-4)
	assert.InEpsilon(t, one.ULot, hundred.ULot, 1e-9, "no number of replicates tells about the lot")
	assert.InEpsilon(t, 0.004*one.Value, one.ULot, 1e-9)
	assert.InEpsilon(t, one.U, math.Sqrt(sumSquares(one.Budget)), 1e-12)
	assert.InEpsilon(t, one.ULot, math.Sqrt(sumSquares(one.LotBudget)), 1e-12)
}

func sumSquares(parts []Contribution) float64 {
	var sum float64
	for _, p := range parts {
		sum += p.U * p.U
	}
	return sum
}

func TestMolarityOfTheLotIsShared(t *testing.T) {
	s, err := Titration{Delivered: []Decimal{"16.35"}}.Setup(copperMethod())
	require.NoError(t, err)
	before, err := s.Result()
	require.NoError(t, err)
	s.UMolarity, s.UFactor = 0.0003, 0.004
	after, err := s.Result()
	require.NoError(t, err)
	assert.Equal(t, before.U, after.U)
	// 0.3 % and 0.4 % at right angles: 0.5 %.
	assert.InEpsilon(t, 0.005*after.Value, after.ULot, 1e-9)
}

// Digits that were read say how finely: two readings to 0.01 mL are triangular
// with half-width 0.01, u = 0.01/√6 = 0.00408 mL; to 0.1 mL ten times that.
func TestReadingFollowsTheDigits(t *testing.T) {
	m := copperMethod()
	fine := result(t, m, Titration{Delivered: []Decimal{"16.40"}})
	coarse := result(t, m, Titration{Delivered: []Decimal{"16.4"}})
	perML := fine.Value / fine.Titre
	assert.InDelta(t, 0.00408, contributionsByName(t, fine.Budget)["burette reading"]/perML, 5e-6)
	assert.InDelta(t, 0.0408, contributionsByName(t, coarse.Budget)["burette reading"]/perML, 5e-5)
	assert.Greater(t, coarse.U, fine.U)
	// Four replicates, read one by one, halve it.
	four := result(t, m, Titration{Delivered: []Decimal{"16.40", "16.40", "16.40", "16.40"}})
	assert.InDelta(t, 0.00408/2, contributionsByName(t, four.Budget)["burette reading"]/perML, 5e-6)
}

// A method that says nothing of its end point: a drop of 0.05 mL (common
// practice, no source), rectangular, 0.05/√3 = 0.0289 mL.
func TestEndPointIsADropWhereNothingIsSaid(t *testing.T) {
	m := copperMethod()
	m.EndPoint = 0
	r := result(t, m, Titration{Delivered: []Decimal{"16.40"}})
	assert.InDelta(t, 0.0289, contributionsByName(t, r.Budget)["end point"]/(r.Value/r.Titre), 5e-5)
}

func TestPooledEndPoint(t *testing.T) {
	assert.Equal(t, 0.03, pooledEndPoint(0.03, 0, 1), "one replicate shows no scatter")
	// By hand: √[(8·0.03² + 1·0)/(8 + 1)] = 0.02828.
	assert.InDelta(t, 0.02828, pooledEndPoint(0.03, 0, 2), 5e-6)
	// √[(8·0.03² + 2·0.04²)/10] = 0.03225.
	assert.InDelta(t, 0.03225, pooledEndPoint(0.03, 0.04, 3), 5e-6)
	assert.Equal(t, 0.2, pooledEndPoint(0.03, 0.2, 3), "far beyond the method: today's scatter")
	assert.InDelta(t, 0.03, pooledEndPoint(0.03, 0.03, 5), 1e-12)
}

// The 99 % point of chi-squared from gonum's stat/distuv.
func TestChiSquaredRatio(t *testing.T) {
	for _, freedom := range []float64{1, 2, 3, 4, 9, 30} {
		want := distuv.ChiSquared{K: freedom}.Quantile(0.99) / freedom
		assert.InEpsilon(t, want, chiSquaredRatio99(freedom), 0.01, "%v degrees of freedom", freedom)
	}
}

// JCGM 101:2008 (GUM supplement 1): propagation of distributions by drawing.
// Inputs as Result describes them, drawn 200,000 times with a fixed seed, must
// scatter by the same standard uncertainty; 1 % is six times the drawing's own.
func TestResultAgainstMonteCarlo(t *testing.T) {
	m := copperMethod()
	m.Blank = 0.2
	r := result(t, m, Titration{Delivered: []Decimal{"4.2"}, UFactor: "0.004"})
	rnd := rand.New(rand.NewPCG(1, 2))
	rect := func(a float64) float64 { return a * (2*rnd.Float64() - 1) }
	tri := func(a float64) float64 { return a * (rnd.Float64() - rnd.Float64()) }
	const draws = 200000
	spread := func(withLot bool) (mean, sd float64) {
		var sum, squares float64
		for range draws {
			titre := 4.2 + 0.03*rnd.NormFloat64() + rect(0.05) + rect(0.05) + tri(0.06) + rect(4.2*2.1e-4*4)
			titre -= 0.2 + 0.01*rnd.NormFloat64()
			aliquot := 2 + tri(0.02) + rect(2*2.1e-4*4)
			factor := 1.0
			if withLot {
				factor += 0.004 * rnd.NormFloat64()
			}
			c := titre * 0.1 * factor * 63.546 / aliquot
			sum += c
			squares += c * c
		}
		mean = sum / draws
		return mean, math.Sqrt(squares/draws - mean*mean)
	}
	mean, sd := spread(false)
	assert.InDelta(t, r.Value, mean, 0.002*r.Value)
	assert.InEpsilon(t, sd, r.U, 0.01)
	_, sd = spread(true)
	assert.InEpsilon(t, sd, math.Hypot(r.U, r.ULot), 0.01)
}

func TestTitrationWarnings(t *testing.T) {
	kinds := func(r TitrationResult) []WarningKind {
		out := []WarningKind{}
		for _, w := range r.Warnings {
			out = append(out, w.Kind)
			assert.NotEmpty(t, w.Text)
			assert.False(t, strings.HasSuffix(w.Text, "."))
		}
		return out
	}
	for name, c := range map[string]struct {
		delivered []Decimal
		want      []WarningKind
	}{
		"None":                {[]Decimal{"16.35", "16.40"}, []WarningKind{}},
		"JustEnough":          {[]Decimal{"7.50"}, []WarningKind{}}, // 30 % of 25 mL: USP <31>
		"SmallTitre":          {[]Decimal{"7.49"}, []WarningKind{WarningSmallTitre}},
		"FullBurette":         {[]Decimal{"25.00"}, []WarningKind{}},
		"BeyondTheBurette":    {[]Decimal{"25.01"}, []WarningKind{WarningBurette}},
		"Apart":               {[]Decimal{"16.30", "16.50"}, []WarningKind{WarningReplicates}},
		"WithinFourDeviation": {[]Decimal{"16.30", "16.41"}, []WarningKind{}}, // 4·0.03 = 0.12
		"All":                 {[]Decimal{"2.00", "26.00"}, []WarningKind{WarningSmallTitre, WarningBurette, WarningReplicates}},
	} {
		t.Run(name, func(t *testing.T) {
			assert.Equal(t, c.want, kinds(result(t, copperMethod(), Titration{Delivered: c.delivered})))
		})
	}
	m := copperMethod()
	m.Burette = 0
	assert.Empty(t, result(t, m, Titration{Delivered: []Decimal{"99.00"}}).Warnings, "an unknown burette has no capacity")
}

func TestTitrationRefuses(t *testing.T) {
	good := Titration{Delivered: []Decimal{"16.35"}}
	for name, change := range map[string]func(m *Method, r *Titration){
		"NoReplicate":       func(_ *Method, r *Titration) { r.Delivered = nil },
		"EmptyReplicate":    func(_ *Method, r *Titration) { r.Delivered = []Decimal{""} },
		"NegativeReplicate": func(_ *Method, r *Titration) { r.Delivered = []Decimal{"-1"} },
		"NoAliquot":         func(m *Method, _ *Titration) { m.Aliquot = 0 },
		"ZeroAliquot":       func(_ *Method, r *Titration) { r.Aliquot = "0" },
		"NegativeAliquot":   func(_ *Method, r *Titration) { r.Aliquot = "-2" },
		"NaNAliquot":        func(m *Method, _ *Titration) { m.Aliquot = math.NaN() },
		"PipetteTolerance":  func(m *Method, _ *Titration) { m.UAliquot = 2 },
		"NoMolarity":        func(m *Method, _ *Titration) { m.Molarity = 0 },
		"InfMolarity":       func(m *Method, _ *Titration) { m.Molarity = math.Inf(1) },
		"NoRatio":           func(m *Method, _ *Titration) { m.Ratio = 0 },
		"NoMolarMass":       func(m *Method, _ *Titration) { m.MolarMass = 0 },
		"FactorInPercent":   func(_ *Method, r *Titration) { r.Factor = "100.5" },
		"ZeroFactor":        func(_ *Method, r *Titration) { r.Factor = "0" },
		"NegativeUFactor":   func(_ *Method, r *Titration) { r.UFactor = "-0.1" },
		"NegativeBlank":     func(_ *Method, r *Titration) { r.Blank = "-0.1" },
		"NaNEndPoint":       func(m *Method, _ *Titration) { m.EndPoint = math.NaN() },
		"NegativeBurette":   func(m *Method, _ *Titration) { m.UBurette = -1 },
	} {
		t.Run(name, func(t *testing.T) {
			m, r := copperMethod(), good
			change(&m, &r)
			_, err := r.Setup(m)
			require.Error(t, err)
		})
	}
	s, err := Titration{Delivered: []Decimal{"0.10"}, Blank: "0.20"}.Setup(copperMethod())
	require.NoError(t, err)
	_, err = s.Result()
	require.ErrorContains(t, err, "below the blank")
	s.Temperature = 51
	_, err = s.Result()
	require.Error(t, err)
	_, err = TitrationSetup{}.Result()
	require.Error(t, err)
}

func TestNoTitreIsNothingFound(t *testing.T) {
	r := result(t, copperMethod(), Titration{Delivered: []Decimal{"0.00"}})
	assert.Zero(t, r.Value)
	assert.Greater(t, r.U, 0.0)
	assert.Zero(t, r.ULot)
}

func TestAssayOfResult(t *testing.T) {
	r := TitrationResult{Value: 0.0611234567, U: 0.0012345678, ULot: 0.00030567}
	v, lot, err := r.Assay("mg/L")
	require.NoError(t, err)
	assert.Equal(t, Measured{"61.12", "mg/L", "1.23"}, v)
	assert.Equal(t, Decimal("0.306"), lot)
	v, _, err = r.Assay("g/L")
	require.NoError(t, err)
	assert.Equal(t, Measured{"0.06112", "g/L", "0.00123"}, v)
	v, lot, err = TitrationResult{Value: 183.24, U: 12345}.Assay("g/L")
	require.NoError(t, err)
	assert.Equal(t, Measured{"183", "g/L", "12345"}, v)
	assert.Empty(t, lot)
	_, _, err = r.Assay("mL/L")
	require.Error(t, err)
	_, _, err = TitrationResult{Value: 1e40, U: 1}.Assay("g/L")
	require.Error(t, err)
}

func TestResultProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := copperMethod()
		m.Burette = rapid.SampledFrom([]float64{0, 10, 25, 50}).Draw(t, "burette")
		m.EndPoint = rapid.SampledFrom([]float64{0, 0.01, 0.05}).Draw(t, "end point")
		var delivered []Decimal
		for range rapid.IntRange(1, 5).Draw(t, "replicates") {
			delivered = append(delivered, DecimalRound(rapid.Float64Range(1, 50).Draw(t, "mL"), rapid.IntRange(0, 3).Draw(t, "places")))
		}
		r := result(t, m, Titration{Delivered: delivered})
		assert.InEpsilon(t, r.Titre*0.1*63.546/2, r.Value, 1e-12)
		for _, v := range []float64{r.Value, r.U, r.ULot, r.Scatter, r.Titre} {
			assert.False(t, math.IsNaN(v) || math.IsInf(v, 0) || v < 0)
		}
		// Half the aliquot, twice the concentration; the lot's part stays in proportion.
		m.Aliquot, m.UAliquot = 1, 0.01
		half := result(t, m, Titration{Delivered: delivered})
		assert.InEpsilon(t, 2*r.Value, half.Value, 1e-12)
		assert.InEpsilon(t, 2*r.ULot, half.ULot, 1e-9)
		v, lot, err := r.Assay("g/L")
		require.NoError(t, err)
		assert.InDelta(t, r.Value, v.Number.Float(), 0.006*r.U)
		assert.InEpsilon(t, r.U, v.U.Float(), 0.006)
		assert.InEpsilon(t, r.ULot, lot.Float(), 0.006)
	})
}

func TestParseDelivered(t *testing.T) {
	for name, c := range map[string]struct {
		in   string
		want Decimal
	}{
		"OneWord":      {"16.35mL", "16.35"},
		"TwoWords":     {" 16.40 ml ", "16.40"},
		"DecimalComma": {"16,4 mL", "16.4"},
		"CC":           {"16.4cc", "16.4"},
		"Zero":         {"0.00mL", "0.00"},
		"StartToEnd":   {"0.10..13.20mL", "13.10"},
		"EnDash":       {"0.10–13.20 mL", "13.10"},
		"EmDash":       {"0.10 — 13.20 mL", "13.10"},
		"UnitTwice":    {"0.10mL..13.20mL", "13.10"},
		"Spaces":       {"0.10 .. 13.20 mL", "13.10"},
		"Commas":       {"0,10..13,20mL", "13.10"},
		"OtherDigits":  {"0.1..13.20mL", "13.10"},
		"FromZero":     {"0..13.2mL", "13.2"},
		"Nothing":      {"5.00..5.00mL", "0.00"},
		"ManyDigits":   {"0.1000000000001..13.2mL", "13.0999999999999"}, // exact, as floats are not
	} {
		t.Run(name, func(t *testing.T) {
			got, err := ParseDelivered(c.in)
			require.NoError(t, err)
			assert.Equal(t, c.want, got)
		})
	}
}

func TestParseDeliveredRefuses(t *testing.T) {
	for name, c := range map[string]struct{ in, says string }{
		"Empty":           {"", "16.35mL"},
		"NoUnit":          {"16.35", "needs a unit"},
		"RangeNoUnit":     {"0.10..13.20", "needs a unit"},
		"UnitOnlyAtStart": {"0.10mL..13.20", "needs a unit"},
		"Mass":            {"16.35g", "a mass"},
		"Litres":          {"16.35L", "burettes read in mL"},
		"StartInLitres":   {"0.1L..13.2mL", "burettes read in mL"},
		"Negative":        {"-0.5mL", "negative"},
		"NegativeStart":   {"-0.5..13mL", "negative"},
		"EndBelowStart":   {"13.20..0.10mL", "refilled"},
		"ThreePoints":     {"0...6mL", "too many points"},
		"TwoRanges":       {"0..5..6mL", "too many points"},
		"NoStart":         {"..13.2mL", "delivered volume"},
		"NoEnd":           {"0.1..", "delivered volume"},
		"Hyphen":          {"0.10-13.20mL", "0.10..13.20mL"},
		"Uncertainty":     {"16.35 +- 0.02 mL", "uncertainty"},
		"Ambiguous":       {"1,234mL", "can mean"},
		"Words":           {"full", "number"},
		"NaN":             {"NaN mL", "number"},
		"Inf":             {"Inf mL", "number"},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := ParseDelivered(c.in)
			require.ErrorContains(t, err, c.says)
			assert.Empty(t, got)
		})
	}
}

func TestParseDeliveredDifferenceIsExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		from := rapid.IntRange(0, 5000).Draw(t, "start, 0.01 mL")
		by := rapid.IntRange(0, 5000).Draw(t, "delivered, 0.01 mL")
		hundredths := func(n int) string { return string(DecimalRound(float64(n)/100, 2)) }
		got, err := ParseDelivered(hundredths(from) + ".." + hundredths(from+by) + "mL")
		require.NoError(t, err)
		assert.Equal(t, hundredths(by), string(got))
	})
}

func FuzzParseDelivered(f *testing.F) {
	for _, s := range []string{"16.35mL", "0.10..13.20mL", "0.10–13.20 mL", "0,1..2,3 ml", "1e1mL", "..", "0...6mL", "-1mL", "1,234mL"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		d, err := ParseDelivered(s)
		if err != nil {
			assert.Empty(t, d)
			return
		}
		assert.GreaterOrEqual(t, d.Float(), 0.0)
		again, err := ParseDelivered(string(d) + "mL")
		require.NoError(t, err)
		assert.Equal(t, d, again)
	})
}
