package main

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/dose"
	"steadybath/chem/entry"
	"steadybath/chem/estimate"
	"steadybath/reports"
)

// asked is what every question begins with: the bath, and what is in it.
func (s *session) asked(c *cli.Context, o estimate.Options) (*bathFile, *estimate.Estimate, reports.Units, error) {
	sys, err := units(c)
	if err != nil {
		return nil, nil, "", err
	}
	b, err := s.bath(c)
	if err != nil {
		return nil, nil, "", err
	}
	e, err := s.askedOf(c, b, o)
	return b, e, sys, err
}

// askedOf is what is in a bath at the time asked for.
func (s *session) askedOf(c *cli.Context, b *bathFile, o estimate.Options) (*estimate.Estimate, error) {
	at, err := s.when(c, b.zone, true)
	if err != nil {
		return nil, err
	}
	now, err := s.now()
	if err != nil {
		return nil, err
	}
	if at.After(now.AddDate(1, 0, 0)) {
		return nil, refused("a year ahead is the most", "%s is too far ahead to say anything about the bath", at.In(b.zone).Format("2 Jan 2006"))
	}
	e, err := b.At(at, o)
	if err != nil {
		return nil, refused("ask for a later day", "%v", err)
	}
	return e, s.flagBottles(c, b, e)
}

// flagBottles adds what the estimate cannot know by itself: bottles belong to the
// shop.
func (s *session) flagBottles(c *cli.Context, b *bathFile, e *estimate.Estimate) error {
	entered, err := s.shopEntered(c, b.zone)
	if err != nil {
		return err
	}
	e.Flags = append(e.Flags, entry.PastBottles(chem.Standing(entered), e, b.zone)...)
	return nil
}

func stateCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "state", Usage: "what is in the bath now, and how sure that is", UsageText: "steadybath state [--at WHEN] [--why CONSTITUENT | --smoothed | --symptom FAULT]",
		Description: describe("The estimate from everything written down, with 90 % intervals, windows, the last\nreadings, balances, and what to distrust. --why says what moved a value since the\nreading before the newest one, what makes it unsure and what would narrow it.\n--smoothed looks back at a past moment with all that was read since. --symptom\nlays this bath's numbers beside the trade's fault table: burnt, dull, pitted,\nrough, uneven or amps-falling.",
			"steadybath state", "steadybath state --why copper", "steadybath state --symptom burnt", `steadybath state --smoothed --at "last mon" --json`),
		Flags: append(questionFlags(),
			&cli.StringFlag{Name: "why", Usage: "explain the value of a `CONSTITUENT`"},
			&cli.BoolFlag{Name: "smoothed", Usage: "with all that was read after --at, too"},
			&cli.StringFlag{Name: "symptom", Usage: "what a `FAULT` points at: " + orList(symptomNames())}),
		Action: func(c *cli.Context) error {
			if err := noWords("state", c.Args().Slice()); err != nil {
				return err
			}
			if c.IsSet("why") && c.Bool("smoothed") {
				return wrongWords("leave one of them out", "--why explains the estimate from what had happened, and --smoothed looks at what came later")
			}
			symptom, err := symptomOf(c)
			if err != nil {
				return err
			}
			b, e, sys, err := s.asked(c, estimate.Options{})
			if err != nil {
				return err
			}
			if symptom != "" {
				return runTrouble(s, c, b, e, symptom, sys)
			}
			if c.IsSet("why") {
				return runWhy(s, c, b, e, sys)
			}
			if c.Bool("smoothed") {
				if e, err = s.smoothed(b, e.At); err != nil {
					return err
				}
				if err := s.flagBottles(c, b, e); err != nil {
					return err
				}
			}
			if c.Bool("json") {
				return reports.StateJSON(s.stdout, e, b.head)
			}
			return reports.State(s.stdout, e, b.zone, sys, b.head)
		},
	}
}

// smoothed is the bath at a moment given everything up to now. A date alone that
// is today ends later than now, and means now.
func (s *session) smoothed(b *bathFile, at time.Time) (*estimate.Estimate, error) {
	now, err := s.now()
	if err != nil {
		return nil, err
	}
	if today := now.In(b.zone).Format(time.DateOnly); at.After(now) && at.In(b.zone).Format(time.DateOnly) == today {
		at = now
	}
	e, err := b.Smoothed(at, now)
	if err != nil {
		return nil, refused("a moment between the bath's beginning and now would fit", "%v", err)
	}
	return e, nil
}

func runWhy(s *session, c *cli.Context, b *bathFile, e *estimate.Estimate, sys reports.Units) error {
	name, err := pick("constituent", c.String("why"), constituentNames(e.Recipe))
	if err != nil {
		return err
	}
	why, err := b.Why(name, e.At)
	if err != nil {
		return err
	}
	if c.Bool("json") {
		return reports.WhyJSON(s.stdout, e, why, b.head)
	}
	return reports.Why(s.stdout, e, why, b.zone, sys, b.head)
}

func doseCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "dose", Usage: "what to add now, in what order, and why", UsageText: "steadybath dose [--make-up] [--what-if ADDITION] [--record]",
		Description: describe("A plan that can be weighed out: reasons, order, pours, cautions, the bath after\nit, and what to read first. --record asks what was really weighed and writes it.\n--what-if only shows the bath after what you name. --make-up is the sheet for a\nnew bath, to tick off; with --record it is filled.",
			"steadybath dose", "steadybath dose --target copper=52 --only brightener",
			`steadybath dose --what-if "copper sulfate pentahydrate 300 g" --what-if "bail 2 L"`,
			`steadybath dose --make-up --recipe copper-electroforming --volume "60 L"`),
		Flags: append(append(questionFlags(), makeUpFlags()...),
			&cli.StringSliceFlag{Name: "target", Usage: "another target, `CONSTITUENT=AMOUNT`, such as copper=52"},
			&cli.StringSliceFlag{Name: "only", Usage: "use no `MATERIAL` but this; may be given several times"},
			&cli.StringFlag{Name: "coldest", Usage: "the coldest `TEMPERATURE` the bath may get, such as 15degC; the recipe's if not given"},
			&cli.StringSliceFlag{Name: "what-if", Usage: "only show the bath after `\"MATERIAL AMOUNT\"` or \"bail VOLUME\"; may be given several times"},
			&cli.BoolFlag{Name: "record", Usage: "write down what was added, once it is done"},
			&cli.BoolFlag{Name: "as-planned", Usage: "with --record: everything went in as planned"},
			&cli.StringSliceFlag{Name: "weighed", Usage: "with --record: `\"MATERIAL AMOUNT [lot LOT]\"` that really went in"},
			&cli.StringFlag{Name: "note", Usage: "with --record: a `TEXT` to keep with it"},
			&cli.StringFlag{Name: "force", Usage: "with --record: enter what is unlikely, because `REASON`"},
			&cli.StringFlag{Name: "id", Usage: "with --record: `ID` of a fact whose connection broke: never entered twice"},
			&cli.BoolFlag{Name: "check", Usage: "exit with status 3 where something is due"}),
		Action: func(c *cli.Context) error { return runDose(c.Context, s, c) },
	}
}

func runDose(ctx context.Context, s *session, c *cli.Context) error {
	if err := noWords("dose", c.Args().Slice()); err != nil {
		return err
	}
	for _, f := range []string{"as-planned", "weighed", "note", "force", "id"} {
		if c.IsSet(f) && !c.Bool("record") {
			return wrongWords("steadybath dose --record --as-planned", "--%s goes with --record", f)
		}
	}
	if err := makeUpFits(c); err != nil {
		return err
	}
	if c.Bool("make-up") {
		return runMakeUp(ctx, s, c)
	}
	if c.IsSet("what-if") {
		for _, f := range []string{"record", "check", "target", "only"} {
			if c.IsSet(f) {
				return wrongWords("leave one of them out", "--what-if looks at what you name and plans nothing, so --%s does not go with it", f)
			}
		}
	}
	if c.Bool("record") && c.Bool("check") {
		return wrongWords("leave one of them out", "--check only looks, and --record writes")
	}
	if c.Bool("record") && c.String("known-on") != "" {
		return wrongWords("leave one of them out", "--record writes now; --known-on asks about then")
	}
	b, e, sys, err := s.asked(c, estimate.Options{})
	if err != nil {
		return err
	}
	o, err := doseOptions(c, e)
	if err != nil {
		return err
	}
	if c.IsSet("what-if") {
		return runWhatIf(s, c, b, e, o, sys)
	}
	plan, err := s.plan(c, b, e, o)
	if err != nil {
		return err
	}
	if c.Bool("record") {
		return s.record(ctx, c, b, e, plan)
	}
	if c.Bool("json") {
		err = reports.DoseJSON(s.stdout, plan, b.head)
	} else {
		err = reports.Dose(s.stdout, plan, b.zone, sys)
	}
	if err == nil {
		s.keepAdvice(ctx, c, b, e, plan)
	}
	if err == nil && c.Bool("check") && (len(plan.Additions) > 0 || plan.Bail > 0 || len(plan.TitrateFirst) > 0) {
		return &problem{status: statusDue, what: ""}
	}
	return err
}

func doseOptions(c *cli.Context, e *estimate.Estimate) (dose.Options, error) {
	o := dose.Options{Target: map[string]float64{}}
	for _, t := range c.StringSlice("target") {
		typed, amount, ok := strings.Cut(t, "=")
		if !ok {
			return o, wrongWords("such as --target copper=52", "--target %q is not CONSTITUENT=AMOUNT", t)
		}
		name, err := pick("constituent", strings.TrimSpace(typed), constituentNames(e.Recipe))
		if err != nil {
			return o, err
		}
		if _, twice := o.Target[name]; twice {
			return o, wrongWords("", "--target %s is given twice", name)
		}
		con, _ := e.Recipe.Constituent(name)
		d, err := flagIn("target "+name, strings.TrimSpace(amount), con.Unit)
		if err != nil {
			return o, err
		}
		o.Target[name] = d.Float()
	}
	for _, m := range c.StringSlice("only") {
		name, err := pick("material", m, materialNames(e.Recipe))
		if err != nil {
			return o, err
		}
		o.Only = append(o.Only, name)
	}
	coldest, err := flagIn("coldest", c.String("coldest"), "degC")
	if err != nil || !coldest.Given() {
		return o, err
	}
	o.Coldest = coldest.Float()
	if o.Coldest == 0 {
		o.Coldest = 1e-9 // 0 stands for the recipe's
	}
	return o, nil
}

// record writes what really went in: the plan's amounts, or others where they
// are given or asked for.
func (s *session) record(ctx context.Context, c *cli.Context, b *bathFile, e *estimate.Estimate, plan *dose.Plan) error {
	if len(plan.Additions) == 0 && plan.Bail == 0 {
		return refused("steadybath add writes down what went in all the same", "the plan adds nothing, so there is nothing to record")
	}
	at, err := s.when(c, b.zone, false)
	if err != nil {
		return err
	}
	really := map[string]chem.Add{}
	for _, w := range c.StringSlice("weighed") {
		what, lot := splitLot(w)
		body, err := addBody(b.Recipe(at), strings.Fields(what), lot, func(m chem.Measured) (chem.Decimal, error) { return m.U, nil })
		if err != nil {
			return err
		}
		a := body.(chem.Add)
		if _, twice := really[a.Material]; twice {
			return wrongWords("", "--weighed: %s is given twice", a.Material)
		}
		if !slices.ContainsFunc(plan.Additions, func(p dose.Addition) bool { return p.Material.Name == a.Material }) {
			return wrongWords("steadybath add writes down anything else", "%s is not part of the plan", a.Material)
		}
		really[a.Material] = a
	}
	var bodies []chem.Body
	if plan.Bail > 0 {
		bodies = append(bodies, chem.Bail{Volume: chem.MeasuredOf(plan.Bail, "L", 0)})
	}
	for _, a := range plan.Additions {
		planned := chem.Add{Material: a.Material.Name, Amount: chem.MeasuredOf(a.Amount, a.Unit, 0)}
		if given, ok := really[a.Material.Name]; ok {
			planned = given
		} else if !c.Bool("as-planned") {
			if planned, err = s.askWeighed(c, planned); err != nil {
				return err
			}
		}
		if planned.Amount.Number.Float() > 0 {
			if err := s.checkStock(c, b, planned, at); err != nil {
				return err
			}
			bodies = append(bodies, planned)
		}
	}
	if len(bodies) == 0 {
		return refused("", "nothing went in, so nothing was written")
	}
	advice, shown, err := s.carriedOut(ctx, c, b, e, plan, at)
	if err != nil {
		return err
	}
	for i, body := range bodies {
		switch body := body.(type) {
		case chem.Bail:
			body.Advice = advice
			bodies[i] = body
		case chem.Add:
			body.Advice = advice
			bodies[i] = body
		}
	}
	if err := s.enterBodies(ctx, c, b, at, bodies...); err != nil || shown.IsZero() || c.Bool("json") {
		return err
	}
	return say(s.stdout, "   as advised on %s", shown.In(b.zone).Format("Mon 2 Jan 15:04"))
}

func (s *session) askWeighed(c *cli.Context, planned chem.Add) (chem.Add, error) {
	if !s.isTerminal() {
		return planned, refused(fmt.Sprintf("--as-planned, or --weighed %q", planned.Material+" "+planned.Amount.String()), "how much %s was really weighed is not said", planned.Material)
	}
	for {
		answer, err := s.ask(c.Context, fmt.Sprintf("%s: %s planned. Enter if so, or what was weighed (0 g for none): ", planned.Material, planned.Amount))
		if err != nil || answer == "" {
			return planned, err
		}
		what, lot := splitLot(answer)
		planned.Lot = lot
		if what == "" {
			return planned, nil
		}
		m, err := chem.ParseMeasured(what, chem.DimMass, chem.DimVolume)
		if err == nil {
			planned.Amount = m
			return planned, nil
		}
		fmt.Fprintln(s.stderr, err)
	}
}

// splitLot parts "240 mL lot B7".
func splitLot(text string) (what, lot string) {
	words := strings.Fields(text)
	for i, w := range slices.Backward(words) {
		if strings.EqualFold(w, "lot") && i < len(words)-1 {
			return strings.Join(words[:i], " "), strings.Join(words[i+1:], " ")
		}
	}
	return strings.Join(words, " "), ""
}

// overview is the answer to no command at all: one line per bath with what is
// due.
func overview(ctx context.Context, s *session, c *cli.Context) error {
	if words := c.Args().Slice(); len(words) > 0 {
		return wrongWords("steadybath --help lists what there is", "there is no command %q", words[0])
	}
	sys, err := units(c)
	if err != nil {
		return err
	}
	if c.Bool("json") {
		sys = reports.Metric
	}
	all, err := s.all(c, lookAhead{days: usualDays, seed: 1})
	if err != nil {
		return err
	}
	lines := []reports.Due{}
	for _, a := range all {
		lines = append(lines, reports.DueOf(a.e, a.due(sys), a.zone))
	}
	if c.Bool("json") {
		return s.printJSON(struct {
			Baths []reports.Due `json:"baths"`
		}{lines})
	}
	if len(lines) == 0 && c.String("known-on") != "" {
		return say(s.stdout, "no bath was known then")
	}
	if len(lines) == 0 {
		return say(s.stdout, "no bath yet. begin one:\n   steadybath bath new tank-1 --recipe copper-electroforming --volume \"60 L\"\nall commands: steadybath --help")
	}
	return reports.Overview(s.stdout, lines, sys)
}
