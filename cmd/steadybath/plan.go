package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/estimate"
	"steadybath/chem/plating"
	"steadybath/reports"
)

func planCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "plan", Usage: "a plating run before it is run", UsageText: "steadybath plan --area AREA [--density D | --current A] [--time T] [--thickness T | --mass M] [--record]",
		Description: describe("From the area and two of current, time and thickness or mass: the rest, with the\nlimits of cathode, anodes and supply, what it uses of brightener and anodes, and\nthe bath at the end. All three given ask whether they can be had together; what is\nimpossible is said to be, with the number. The flags' names may be left out, since\nthe units tell. --record writes the run once it is done.",
			"steadybath plan --area 5.5dm2 --density 1.5A/dm2 --thickness 200um",
			"steadybath plan 5.5dm2 1.5A/dm2 200um 4h",
			`steadybath plan --part "bracket 3.2dm2" --part "lid 1.1dm2" --time 8h --mass 40g --ramp "30 min"`,
			"steadybath plan --area 5.5dm2 --current 8A --time 4h --record --charge 31.6Ah"),
		Flags: append(questionFlags(),
			&cli.StringSliceFlag{Name: "area", Usage: "plated `AREA`, such as 5.5dm2; several times for several parts, which add up"},
			&cli.StringSliceFlag{Name: "part", Usage: "a part as `\"NAME AREA\"`, instead of --area; may be given several times"},
			&cli.StringFlag{Name: "density", Usage: "current `DENSITY` after the ramp, such as 1.5A/dm2"},
			&cli.StringFlag{Name: "current", Usage: "`CURRENT` after the ramp, instead of --density"},
			&cli.StringFlag{Name: "time", Usage: "how long, `TIME`, the ramp included, such as 4h"},
			&cli.StringFlag{Name: "thickness", Usage: "mean `THICKNESS`, such as 200um"},
			&cli.StringFlag{Name: "mass", Usage: "`MASS` of metal, such as 40g, instead of --thickness"},
			&cli.StringFlag{Name: "ramp", Usage: "how long the current is ramped up, `TIME`"},
			&cli.StringFlag{Name: "ramp-from", Usage: "`CURRENT` at the start of the ramp: 3A, 0.5A/dm2 or \"25 %\"; half if not given"},
			&cli.StringFlag{Name: "supply", Usage: "what the supply is rated at, `CURRENT`; the recipe's limits.supply if not given"},
			&cli.BoolFlag{Name: "record", Usage: "write the run down, once it is done; its end is --at, or now"},
			&cli.BoolFlag{Name: "as-planned", Usage: "with --record: the supply showed the planned charge"},
			&cli.StringFlag{Name: "charge", Usage: "with --record: the `CHARGE` that the supply really showed"},
			&cli.StringFlag{Name: "hours", Usage: "with --record: how long it really took, `HOURS`"},
			&cli.StringFlag{Name: "gain", Usage: "with --record: `WEIGHT` gained, dry, such as 24.3g"},
			&cli.StringFlag{Name: "note", Usage: "with --record: a `TEXT` to keep with it"},
			&cli.StringFlag{Name: "force", Usage: "with --record: enter what is unlikely, because `REASON`"},
			&cli.StringFlag{Name: "id", Usage: "with --record: `ID` of a fact whose connection broke: never entered twice"}),
		Action: func(c *cli.Context) error { return runPlan(c.Context, s, c) },
	}
}

// recordOnly are the flags of plan that say what a run was once it is done.
var recordOnly = []string{"as-planned", "charge", "hours", "gain", "note", "force", "id"}

func runPlan(ctx context.Context, s *session, c *cli.Context) error {
	for _, f := range recordOnly {
		if c.IsSet(f) && !c.Bool("record") {
			hint := "--record writes a run down once it is done"
			if f == "hours" {
				hint = "--time says how long a run is to take; " + hint
			}
			return wrongWords(hint, "--%s goes with --record", f)
		}
	}
	if err := planWords(c); err != nil {
		return err
	}
	if c.Bool("record") && c.String("known-on") != "" {
		return wrongWords("leave one of them out", "--record writes now; --known-on asks about then")
	}
	if c.Bool("as-planned") && c.IsSet("charge") {
		return wrongWords("leave one of them out", "--as-planned and --charge both say what the supply showed")
	}
	o, err := planOptions(c)
	if err != nil {
		return err
	}
	b, e, sys, err := s.asked(c, estimate.Options{})
	if err != nil {
		return err
	}
	if c.Bool("record") {
		return s.recordRun(ctx, c, b, o)
	}
	p, err := planned(e, o)
	if err != nil {
		return err
	}
	if c.Bool("json") {
		return reports.PlanJSON(s.stdout, p, b.head)
	}
	return reports.Plan(s.stdout, p, b.zone, sys)
}

// planWords takes quantities that were typed as mere words for the flags that their
// units name: 5.5dm2 is an area, 200um a thickness.
func planWords(c *cli.Context) error {
	words := joinUnits(c.Args().Slice())
	for _, w := range words {
		m, err := chem.ParseMeasured(w)
		flag := map[chem.Dimension]string{chem.DimArea: "area", chem.DimCurrentDens: "density", chem.DimCurrent: "current", chem.DimTime: "time",
			chem.DimLength: "thickness", chem.DimMass: "mass"}[m.Unit.Dimension()]
		if first, rest := leftOver(w, nil); err != nil && rest != "" {
			return wrongWords("behind a flag number and unit are one word: --supply 25A", "%q is left over after %s", rest, first)
		}
		if err != nil || flag == "" {
			return noWords("plan", []string{w})
		}
		if flag != "area" && c.IsSet(flag) {
			return wrongWords("leave one of them out", "--%s is given twice: %s and %s", flag, c.String(flag), w)
		}
		if err := c.Set(flag, w); err != nil {
			return err
		}
	}
	return nil
}

// planned makes the plan; what makes no run was typed wrong.
func planned(e *estimate.Estimate, o plating.Options) (*plating.Plan, error) {
	p, err := plating.Make(e, o)
	if err == nil {
		return p, nil
	}
	if hint, words := plating.Hint(err); words {
		return nil, wrongWords(hint, "%v", err)
	}
	return nil, refused("steadybath recipe show names what a recipe holds", "%v", err)
}

func planOptions(c *cli.Context) (o plating.Options, err error) {
	if o.Parts, err = planParts(c); err != nil {
		return o, err
	}
	more := func(name string, unit chem.Unit) (x float64, err error) {
		if !c.IsSet(name) {
			return 0, nil
		}
		m, err := flagQuantity(name, c.String(name), unit.Dimension())
		if err != nil {
			return 0, err
		}
		if !(m.Number.Float() > 0) {
			return 0, wrongWords("leave it out where it is not known", "--%s: %s must be more than 0", name, m)
		}
		return m.Value(unit), nil
	}
	a := &o.Asked
	for _, f := range []struct {
		name string
		unit chem.Unit
		at   *float64
	}{{"density", "A/dm2", &a.Density}, {"current", "A", &a.Current}, {"time", "h", &a.Hours}, {"thickness", "um", &a.Thickness}, {"mass", "g", &a.Mass},
		{"supply", "A", &o.Supply}} {
		if *f.at, err = more(f.name, f.unit); err != nil {
			return o, err
		}
	}
	ramp, err := flagQuantity("ramp", c.String("ramp"), chem.DimTime)
	if err != nil {
		return o, err
	}
	if ramp.Given() {
		a.Ramp = ramp.Value("h")
	}
	area := 0.0
	for _, p := range o.Parts {
		area += p.Area
	}
	if a.From, err = rampStart(c.String("ramp-from"), area); err != nil {
		return o, err
	}
	given := 0
	for _, x := range []bool{a.Density+a.Current > 0, a.Hours > 0, a.Thickness+a.Mass > 0} {
		if x {
			given++
		}
	}
	if given < 2 {
		return o, wrongWords("such as --density 1.5A/dm2 --thickness 200um, or --time 4h --mass 40g",
			"too little is given: two of --density or --current, --time, and --thickness or --mass are needed")
	}
	return o, nil
}

// rampStart reads where a ramp begins: amperes, a density on the area, or a share.
func rampStart(text string, area float64) (plating.Start, error) {
	if text == "" {
		return plating.HalfCurrent(), nil
	}
	m, err := flagQuantity("ramp-from", text, chem.DimCurrent, chem.DimCurrentDens, chem.DimNone)
	if err != nil {
		return plating.Start{}, err
	}
	switch {
	case m.Unit == "%":
		share := m.Number.Float() / 100
		if share > 1 {
			return plating.Start{}, wrongWords("a ramp goes up", "--ramp-from: %s of the current is more than all of it", m)
		}
		if share == 0 {
			return plating.Start{Given: true}, nil
		}
		return plating.Start{Share: share}, nil
	case m.Unit == "":
		return plating.Start{}, wrongWords(`such as 3A, 0.5A/dm2 or "25 %"`, "--ramp-from: %q needs a unit", m.Number)
	case m.Unit.Dimension() == chem.DimCurrentDens:
		return plating.Start{Given: true, Amperes: m.Value("A/dm2") * area}, nil
	}
	return plating.Start{Given: true, Amperes: m.Value("A")}, nil
}

// planParts reads --area and --part.
func planParts(c *cli.Context) ([]plating.Part, error) {
	var parts []plating.Part
	add := func(name string, m chem.Measured) error {
		if !(m.Number.Float() > 0) {
			return wrongWords("the area that is plated, such as 5.5dm2", "an area of %s cannot be plated", m)
		}
		parts = append(parts, plating.Part{Name: name, Area: m.Value("dm2"), UArea: m.Uncertainty("dm2", 0)})
		return nil
	}
	for _, text := range c.StringSlice("area") {
		m, err := flagQuantity("area", text, chem.DimArea)
		if err == nil && !m.Given() {
			err = wrongWords("such as --area 5.5dm2", "--area is empty")
		}
		if err == nil {
			err = add("", m)
		}
		if err != nil {
			return nil, err
		}
	}
	for _, text := range c.StringSlice("part") {
		name, area := splitPart(text)
		if area == "" {
			return nil, wrongWords(`such as --part "bracket 3.2dm2"`, "--part %q lacks the area of the part", text)
		}
		m, err := flagQuantity("part", area, chem.DimArea)
		if err != nil {
			return nil, err
		}
		if err := add(name, m); err != nil {
			return nil, err
		}
	}
	if len(parts) == 0 {
		return nil, wrongWords(`such as --area 5.5dm2, or --part "bracket 3.2dm2"`, "the plated area is missing")
	}
	return parts, nil
}

// splitPart parts "ring no. 2 3.2 dm2" into name and area: the area is what stands
// last.
func splitPart(text string) (name, area string) {
	words := strings.Fields(text)
	for i := len(words) - 1; i >= 0; i-- {
		if startsNumber(words[i]) {
			return strings.Join(words[:i], " "), strings.Join(words[i:], " ")
		}
	}
	return text, ""
}

// recordRun writes a run that is done: as planned, or what was really shown.
func (s *session) recordRun(ctx context.Context, c *cli.Context, b *bathFile, o plating.Options) error {
	at, err := s.when(c, b.zone, false)
	if err != nil {
		return err
	}
	if b, at, err = typedAgain(c, b, at); err != nil {
		return err
	}
	e, err := b.At(at, estimate.Options{})
	if err != nil {
		return refused("a later day", "%v", err)
	}
	p, err := planned(e, o)
	if err != nil {
		return err
	}
	fact := p.Fact()
	charge, err := s.shownCharge(c, fact.Charge)
	if err != nil {
		return err
	}
	if charge != fact.Charge {
		// The run was another than the planned one: what its current was nobody said.
		fact.Charge, fact.Current, fact.Ramp, fact.RampFrom = charge, chem.Measured{}, chem.Measured{}, chem.Measured{}
		if o.Asked.Current > 0 || o.Asked.Density > 0 {
			fact.Current = p.Fact().Current
		}
		if o.Asked.Hours == 0 { // at the planned current it took as much longer as it brought more
			planned := p.Fact()
			fact.Hours = chem.DecimalRound(planned.Hours.Float()*charge.Value("Ah")/planned.Charge.Value("Ah"), 2)
		}
	} else if !p.Possible {
		return refused("--charge says what the supply really showed", "this run cannot have been done as planned: %s", p.Why)
	}
	if h, err := flagIn("hours", c.String("hours"), "h"); err != nil {
		return err
	} else if h.Given() {
		if h.Float() == 0 {
			return wrongWords("leave --hours out where it was as planned", "--hours: %s h must be more than 0", h)
		}
		fact.Hours = h
	}
	if fact.Hours.Given() && fact.Ramp.Given() && fact.Ramp.Value("h") > fact.Hours.Float() {
		return wrongWords("", "the ramp of %s is longer than the run of %s h", fact.Ramp, fact.Hours)
	}
	if fact.Gain, err = flagQuantity("gain", c.String("gain"), chem.DimMass); err != nil {
		return err
	}
	return s.enterBodies(ctx, c, b, at, fact)
}

// shownCharge is what the supply showed: --charge, the plan's where --as-planned
// says so, else it is asked for.
func (s *session) shownCharge(c *cli.Context, planned chem.Measured) (chem.Measured, error) {
	if c.IsSet("charge") {
		m, err := something("--charge", []string{c.String("charge")}, chem.DimCharge)
		return m, err
	}
	if c.Bool("as-planned") {
		return planned, nil
	}
	if !s.isTerminal() {
		return planned, refused(fmt.Sprintf("--as-planned for %s, or --charge %q", planned, planned), "what the supply really showed is not said")
	}
	for {
		answer, err := s.ask(c.Context, fmt.Sprintf("%s planned. Enter if so, or what the supply showed: ", planned))
		if err != nil || answer == "" {
			return planned, err
		}
		m, err := something("the charge", []string{answer}, chem.DimCharge)
		if err == nil {
			return m, nil
		}
		fmt.Fprintln(s.stderr, err)
	}
}
