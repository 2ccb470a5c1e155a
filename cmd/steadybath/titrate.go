package main

import (
	"fmt"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/entry"
)

func titrateCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "titrate", Usage: "enter a titration by what the burette delivered", UsageText: "steadybath titrate CONSTITUENT DELIVERED... ",
		Description: describe("One delivered volume per replicate, or start and end of the burette as\n0.10..13.20mL. Aliquot, titrant, molarity, factor and lot are those of the last\ntitration of the constituent, or of the recipe's method, until they are given.",
			"steadybath titrate copper 16.35mL 16.40mL",
			`steadybath titrate "sulfuric acid" 0.10..13.20mL --lot N7 --factor 1.003`),
		Flags: writeFlags(
			&cli.StringFlag{Name: "method", Usage: "`NAME` of the recipe's method, where it has several"},
			&cli.StringFlag{Name: "aliquot", Usage: "`VOLUME` of bath titrated, such as 2mL"},
			&cli.StringFlag{Name: "lot", Usage: "`LOT` of the titrant: a new bottle, a new lot"},
			&cli.StringFlag{Name: "molarity", Usage: "nominal `MOLARITY` of the titrant, such as \"0.1 mol/L\""},
			&cli.StringFlag{Name: "factor", Usage: "actual over nominal molarity of the lot, `FACTOR`"},
			&cli.StringFlag{Name: "factor-u", Usage: "standard uncertainty of the factor, `U`"},
			&cli.StringFlag{Name: "blank", Usage: "`VOLUME` the blank took, such as 0.05mL"},
			&cli.StringFlag{Name: "sample", Usage: "`VOLUME` of bath drawn; 20 mL if not given"},
			&cli.BoolFlag{Name: "returned", Usage: "the sample went back into the tank"},
			&cli.BoolFlag{Name: "budget", Usage: "print where the uncertainty comes from"}),
		Action: func(c *cli.Context) error {
			if c.Bool("budget") && c.Bool("json") {
				return wrongWords("leave one of them out", "--budget is a table for people, and --json one object for programs")
			}
			var t titrated
			err := s.enter(c.Context, c, func(b *bathFile, at time.Time) (chem.Body, error) {
				var err error
				if b.shop, err = s.shopFor(c, b); err != nil {
					return nil, err
				}
				t, err = titrateBody(c, b, at)
				return t.body, err
			})
			if err != nil {
				return err
			}
			return t.remarks(s, c)
		},
	}
}

// titrated is a titration with what there is to say about it.
type titrated struct {
	body   chem.Assay
	result chem.TitrationResult
}

// remarks prints warnings, and the budget where it was asked for.
func (t titrated) remarks(s *session, c *cli.Context) error {
	for _, w := range t.result.Warnings {
		fmt.Fprintf(s.stderr, "note: %s\n", w.Text)
	}
	if !c.Bool("budget") {
		return nil
	}
	for _, line := range t.result.Budget {
		if err := say(s.stdout, "   %-28s %.3g g/L", line.Name, line.U); err != nil {
			return err
		}
	}
	return say(s.stdout, "   %-28s %.3g g/L", "shared by the lot", t.result.ULot)
}

func titrateBody(c *cli.Context, b *bathFile, at time.Time) (titrated, error) {
	recipe := b.Recipe(at)
	typed, volumes := splitNamed(c.Args().Slice(), constituentNames(recipe))
	name, err := pick("constituent", typed, constituentNames(recipe))
	if err != nil {
		return titrated{}, err
	}
	con, _ := recipe.Constituent(name)
	last := lastTitration(b, name, at)
	method, err := methodOf(recipe, name, c.String("method"), last)
	if err != nil {
		return titrated{}, err
	}
	if len(volumes) == 0 {
		return titrated{}, wrongWords(fmt.Sprintf("such as: steadybath titrate %s 16.35mL", quoted(name)), "what the burette delivered is missing")
	}
	t := chem.Titration{Method: method.Name, Titrant: method.Titrant}
	if last != nil && last.Method == method.Name {
		t.Aliquot, t.Blank, t.Lot, t.Molarity, t.Factor, t.UFactor = last.Aliquot, last.Blank, last.Lot, last.Molarity, last.Factor, last.UFactor
	}
	for _, v := range volumes {
		if isColumn(v) {
			return titrated{}, wrongWords(fmt.Sprintf("such as: steadybath titrate %s 16.35mL 16.40mL", quoted(name)),
				"%q is a column of a spreadsheet; each delivered volume is a word of its own with its unit", v)
		}
		d, err := chem.ParseDelivered(v)
		if err != nil {
			return titrated{}, wrongWords("", "%v", err)
		}
		t.Delivered = append(t.Delivered, d)
	}
	var past *chem.Titrant
	if err := titrateFlags(c, &t, func() { past = takeLot(c, b, &t, lastUse(b, name, at), at) }); err != nil {
		return titrated{}, err
	}
	setup, err := t.Setup(method)
	if err != nil {
		return titrated{}, wrongWords("", "%v", err)
	}
	if past != nil {
		setup.UFactor = entry.ExpiredFactorU(*past, method)
	}
	result, err := setup.Result()
	if err != nil {
		return titrated{}, wrongWords("", "%v", err)
	}
	body := chem.Assay{Of: name, Titration: &t, Sample: chem.Sample{Returned: c.Bool("returned")}}
	if body.Value, body.ULot, err = result.Assay(con.Unit); err != nil {
		return titrated{}, wrongWords("", "%v", err)
	}
	if body.Sample.Volume, err = sampleOf(c, method); err != nil {
		return titrated{}, err
	}
	// What was computed with is written down, so that the row explains itself.
	t.Aliquot, t.Molarity, t.Factor = chem.DecimalOf(setup.Aliquot), chem.DecimalOf(setup.Molarity), chem.DecimalOf(setup.Factor)
	if setup.Blank > 0 {
		t.Blank = chem.DecimalOf(setup.Blank)
	}
	if setup.UFactor > 0 {
		t.UFactor = chem.DecimalOf(setup.UFactor)
	}
	return titrated{body, result}, nil
}

// titrateFlags lets what was typed go before what was remembered. A new lot
// forgets the factor of the old one, and takes what the shop knows of it.
func titrateFlags(c *cli.Context, t *chem.Titration, takeLot func()) error {
	if lot := c.String("lot"); lot != "" && lot != t.Lot {
		t.Lot, t.Molarity, t.Factor, t.UFactor = lot, "", "", ""
	}
	takeLot()
	for _, f := range []struct {
		name string
		unit chem.Unit
		into *chem.Decimal
	}{{"aliquot", "mL", &t.Aliquot}, {"blank", "mL", &t.Blank}, {"molarity", "mol/L", &t.Molarity}} {
		m, err := flagQuantity(f.name, c.String(f.name), f.unit.Dimension())
		if err != nil {
			return err
		}
		if !m.Given() {
			continue
		}
		*f.into = m.Number
		if m.Unit != f.unit {
			*f.into = chem.DecimalOf(m.Value(f.unit))
		}
	}
	for name, into := range map[string]*chem.Decimal{"factor": &t.Factor, "factor-u": &t.UFactor} {
		d, err := flagNumber(name, c.String(name))
		if err != nil {
			return err
		}
		if d.Given() {
			*into = d
		}
	}
	return nil
}

func sampleOf(c *cli.Context, method chem.Method) (chem.Measured, error) {
	m, err := flagQuantity("sample", c.String("sample"), chem.DimVolume)
	if err == nil && !m.Given() && method.Sample > 0 {
		m = chem.MeasuredOf(method.Sample, "mL", 0)
	}
	return m, err
}

// lastTitration is the newest standing titration of a constituent before at.
func lastTitration(b *bathFile, name string, at time.Time) *chem.Titration {
	if f := lastUse(b, name, at); f != nil {
		return f.Body.(chem.Assay).Titration
	}
	return nil
}

// lastUse is the fact of the newest standing titration.
func lastUse(b *bathFile, name string, at time.Time) *chem.Fact {
	var last *chem.Fact
	for i, f := range b.Facts {
		if a, ok := f.Body.(chem.Assay); ok && strings.EqualFold(a.Of, name) && a.Titration != nil && !f.Time.After(at) {
			last = &b.Facts[i]
		}
	}
	return last
}

// methodOf finds the method: the named one, the last one used, or the recipe's
// first.
func methodOf(r *chem.Recipe, constituent, named string, last *chem.Titration) (chem.Method, error) {
	var have []string
	for _, m := range r.Methods {
		if strings.EqualFold(m.Constituent, constituent) {
			have = append(have, m.Name)
		}
	}
	if len(have) == 0 {
		con, _ := r.Constituent(constituent)
		return chem.Method{}, refused(fmt.Sprintf("enter what was found: steadybath assay %s %g%s", quoted(constituent), con.Target, con.Unit), "the recipe has no method to titrate %s", constituent)
	}
	if named != "" {
		name, err := pick("method for "+constituent, named, have)
		if err != nil {
			return chem.Method{}, err
		}
		named = name
	} else if last != nil {
		named = last.Method
	}
	m, ok := r.Method(constituent, named)
	if !ok {
		m, _ = r.Method(constituent, "")
	}
	if m.Titrant == "" {
		return chem.Method{}, refused(fmt.Sprintf("enter what was found: steadybath assay %s 62mg/L", quoted(constituent)), "%s is not a titration", m.Name)
	}
	return m, nil
}

func assayCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "assay", Usage: "enter a concentration found elsewhere; also pH, temperature, density", UsageText: "steadybath assay CONSTITUENT|pH|temperature|density VALUE",
		Description: describe("A concentration from a laboratory, a colour comparison or a panel, with +- its\nstandard uncertainty where it is known; else the recipe's counts.",
			"steadybath assay copper 51.8+-0.4g/L", "steadybath assay temperature 23.5 degC"),
		Flags: writeFlags(uFlag(),
			&cli.StringFlag{Name: "method", Usage: "`HOW` it was found"},
			&cli.StringFlag{Name: "sample", Usage: "`VOLUME` of bath drawn; 20 mL if not given"},
			&cli.BoolFlag{Name: "returned", Usage: "the sample went back into the tank"}),
		Action: func(c *cli.Context) error {
			return s.enter(c.Context, c, func(b *bathFile, at time.Time) (chem.Body, error) { return assayBody(c, b, at) })
		},
	}
}

func assayBody(c *cli.Context, b *bathFile, at time.Time) (chem.Body, error) {
	recipe := b.Recipe(at)
	names := append(constituentNames(recipe), "pH", "temperature", "density")
	typed, values := splitNamed(c.Args().Slice(), names)
	name, err := pick("constituent", typed, names)
	if err != nil {
		return nil, err
	}
	var dims []chem.Dimension
	switch name {
	case "pH":
		dims = []chem.Dimension{chem.DimPH}
		if len(values) == 1 {
			if _, err := chem.ParseDecimal(values[0]); err == nil {
				values[0] += " pH"
			}
		}
	case "temperature":
		dims = []chem.Dimension{chem.DimTemperature}
	case "density":
		dims = []chem.Dimension{chem.DimDensity}
	default:
		con, _ := recipe.Constituent(name)
		dims = []chem.Dimension{con.Unit.Dimension()}
	}
	a := chem.Assay{Of: name, Sample: chem.Sample{Returned: c.Bool("returned")}}
	if a.Value, err = quantity(name, values, dims...); err != nil {
		return nil, err
	}
	if a.Value.U, err = uOf(c, a.Value); err != nil {
		return nil, err
	}
	if how := c.String("method"); how != "" {
		a.Titration = &chem.Titration{Method: how}
	}
	a.Sample.Volume, err = sampleOf(c, chem.Method{})
	return a, err
}
