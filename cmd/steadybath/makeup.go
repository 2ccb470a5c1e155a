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
	"steadybath/chem/estimate"
	"steadybath/chem/recipe"
	"steadybath/reports"
)

// makeUpFlags are those of dose that are about a new bath.
func makeUpFlags() []cli.Flag {
	return []cli.Flag{
		&cli.BoolFlag{Name: "make-up", Usage: "the sheet for a new bath, from its recipe"},
		&cli.StringFlag{Name: "recipe", Usage: "with --make-up: a `FILE` or recipe that ships, without any bath"},
		&cli.StringFlag{Name: "volume", Usage: "with --make-up: the `VOLUME`; the bath's if not given"},
		&cli.StringSliceFlag{Name: "done", Usage: "with --make-up --record: a `STEP` that was done: \"carbon [AMOUNT] [at WHEN]\", \"bags\" or \"dummy [CHARGE]\""},
	}
}

// makeUpFits refuses flags that make no sense together.
func makeUpFits(c *cli.Context) error {
	if c.IsSet("done") && !(c.Bool("make-up") && c.Bool("record")) {
		return wrongWords(`steadybath dose --make-up --record --as-planned --done "carbon 120 g"`, "--done goes with --make-up --record")
	}
	if !c.Bool("make-up") {
		for _, f := range []string{"recipe", "volume"} {
			if c.IsSet(f) {
				return wrongWords("steadybath dose --make-up --recipe copper-electroforming --volume \"60 L\"", "--%s goes with --make-up", f)
			}
		}
		return nil
	}
	for _, f := range []string{"check", "known-on"} {
		if c.IsSet(f) {
			return wrongWords("leave one of them out", "--%s is about a bath that runs, and --make-up about a new one", f)
		}
	}
	if c.IsSet("recipe") {
		for _, f := range []string{"bath", "at", "record"} {
			if c.IsSet(f) {
				return wrongWords("leave one of them out", "--recipe is a sheet without a bath, and --%s is about one", f)
			}
		}
		if c.String("volume") == "" {
			return wrongWords(`such as --volume "60 L"`, "--volume is missing: how much is to be made up")
		}
	}
	return nil
}

// runMakeUp prints the sheet for a new bath, or writes what was really weighed as
// its filling.
func runMakeUp(ctx context.Context, s *session, c *cli.Context) error {
	sys, err := units(c)
	if err != nil {
		return err
	}
	volume, err := flagQuantity("volume", c.String("volume"), chem.DimVolume)
	if err != nil {
		return err
	}
	if volume.Given() && volume.Value("L") == 0 {
		return wrongWords(`more than nothing, such as --volume "60 L"`, "--volume: a bath of %s holds nothing", volume)
	}
	var b *bathFile
	var r *chem.Recipe
	var at time.Time
	name, litres := "", 0.0
	if c.IsSet("recipe") {
		text, err := recipeText(c.String("recipe"))
		if err != nil {
			return err
		}
		if r, err = recipe.Parse(c.String("recipe"), text); err != nil {
			return refused("steadybath recipe check FILE names every fault", "recipe %s: %v", c.String("recipe"), err)
		}
	} else {
		if b, err = s.bath(c); err != nil {
			return err
		}
		if at, err = s.when(c, b.zone, !c.Bool("record")); err != nil {
			return err
		}
		if at.Before(b.Began) {
			return refused("ask for a later day", "bath %s begins on %s", b.Name, b.Began.In(b.zone).Format("2 Jan 2006"))
		}
		if err := newYet(c, b); err != nil {
			return err
		}
		r, name, litres = b.Recipe(at), b.Name, b.Volume
	}
	if volume.Given() {
		litres = volume.Value("L")
	}
	if b != nil && litres > b.Most()*(1+1e-9) {
		return refused("make up no more than the tank holds", "--volume %s is above the mark of bath %s, %.4g L", volume, name, b.Most())
	}
	o, err := doseOptions(c, &estimate.Estimate{Recipe: r})
	if err != nil {
		return err
	}
	plan, err := dose.NewBath(r, dose.MakeUpOptions{Volume: litres, Target: o.Target, Only: o.Only})
	if err != nil {
		hint := "steadybath recipe show prints a recipe's windows and materials"
		if r.Cyanide {
			hint = "ask the supplier; steadybath cautions says why"
		}
		return refused(hint, "%v", err)
	}
	switch {
	case c.Bool("record"):
		return s.recordMakeUp(ctx, c, b, at, plan)
	case c.Bool("json"):
		return reports.MakeUpJSON(s.stdout, plan, name)
	}
	return reports.MakeUp(s.stdout, plan, name, sys)
}

// newYet refuses a bath that holds something already. One that is really made up
// anew is entered with --force, as another filling is.
func newYet(c *cli.Context, b *bathFile) error {
	if c.Bool("record") && strings.TrimSpace(c.String("force")) != "" {
		return nil
	}
	for _, f := range b.Facts {
		switch f.Kind() {
		case chem.KindFill:
			hint := `for a sheet without the bath: steadybath dose --make-up --recipe NAME --volume "60 L"`
			if c.Bool("record") {
				hint = `if the tank was really filled anew: --force "made up anew"`
			}
			return refused(hint, "bath %s was filled on %s already, and --make-up is for a new bath", b.Name, f.Time.In(b.zone).Format("2 Jan 2006"))
		case chem.KindAssay, chem.KindPanel, chem.KindPlate, chem.KindAdd, chem.KindBail:
			return refused(`for a sheet without the bath: steadybath dose --make-up --recipe NAME --volume "60 L"`,
				"bath %s is in use (%s on %s), and --make-up is for a new bath", b.Name, reports.FactWords(f), f.Time.In(b.zone).Format("2 Jan 2006"))
		}
	}
	return nil
}

// levelWord is what --weighed takes beside materials: where the level came to.
const levelWord = "level"

// recordMakeUp writes one filling from what was really weighed, and the other steps
// of the sheet that were done and that a fact can say, all of it or nothing.
func (s *session) recordMakeUp(ctx context.Context, c *cli.Context, b *bathFile, at time.Time, plan *dose.MakeUp) error {
	amounts, lots, level, err := weighedForMakeUp(c, plan)
	if err != nil {
		return err
	}
	if !c.Bool("as-planned") {
		for _, w := range plan.Weigh {
			if _, given := amounts[w.Material.Name]; given || isWater(w.Material) {
				continue
			}
			a, err := s.askWeighed(c, chem.Add{Material: w.Material.Name, Amount: chem.MeasuredOf(w.Amount, w.Unit, 0)})
			if err != nil {
				return err
			}
			amounts[w.Material.Name] = a.Amount
			if a.Lot != "" {
				lots[w.Material.Name] = a.Lot
			}
		}
		if !level.Given() && s.isTerminal() {
			if level, err = s.askLevel(c, plan.Volume); err != nil {
				return err
			}
		}
	}
	fill, list, err := plan.Fill(amounts, level)
	if err != nil {
		return wrongWords(`such as --weighed "brightener 240 mL"`, "what was weighed: %v", err)
	}
	if !slices.ContainsFunc(plan.Reached, func(r dose.Reached) bool { return fill.Composition[r.Name].Number.Float() > 0 }) {
		return refused("", "nothing went in, so nothing was written")
	}
	for _, w := range plan.Weigh {
		name := w.Material.Name
		in, ok := fill.Weighed[name]
		if lots[name] == "" || !ok {
			continue
		}
		in.Lot = lots[name]
		fill.Weighed[name] = in
		if err := s.checkStock(c, b, chem.Add{Material: name, Amount: in.Amount, Lot: in.Lot}, at); err != nil {
			return err
		}
	}
	facts, err := s.stepsDone(c, b, at, plan)
	if err != nil {
		return err
	}
	if note := c.String("note"); note != "" {
		list = note + "; " + list
	}
	facts = append(facts, chem.Fact{Time: at, Note: list, Body: fill})
	slices.SortStableFunc(facts, chem.Compare)
	return s.enterFacts(ctx, c, b, facts...)
}

// carbonBefore is how long before the filling the carbon of a sheet went in, where
// nobody says: it is left overnight, and filtered off before the last of the water.
const carbonBefore = 12 * time.Hour

// stepsDone are the steps of the sheet that were done, as facts: those that --done
// names, or that somebody at a terminal confirms. Carbon comes before the filling,
// which says what the bath was with the organics in; the rest comes with it.
func (s *session) stepsDone(c *cli.Context, b *bathFile, at time.Time, plan *dose.MakeUp) ([]chem.Fact, error) {
	var names []string
	steps := map[string]dose.MakeUpStep{}
	for _, step := range plan.Steps {
		if step.Fact != nil {
			name := stepName(step.Fact)
			names, steps[name] = append(names, name), step
		}
	}
	var facts []chem.Fact
	if c.IsSet("done") || c.Bool("as-planned") || !s.isTerminal() {
		said := map[string]bool{}
		for _, text := range c.StringSlice("done") {
			what, when := splitWhen(text)
			typed, words := splitNamed(strings.Fields(what), names)
			name, err := oneOf("step of the sheet that can be written down", typed, names)
			if err != nil {
				return nil, err
			}
			if said[name] {
				return nil, wrongWords("", "--done: %s is given twice", name)
			}
			said[name] = true
			f, err := s.stepDone(steps[name].Fact, words, when, b, at)
			if err != nil {
				return nil, err
			}
			facts = append(facts, f)
		}
		return facts, nil
	}
	for _, name := range names {
		for {
			answer, err := s.ask(c.Context, fmt.Sprintf("%s: done? Enter if not, else %s: ", stepQuestion(steps[name].Fact), stepAnswers(steps[name].Fact)))
			if err != nil {
				return nil, err
			}
			if answer == "" || isNo(answer) {
				break
			}
			what, when := splitWhen(answer)
			words := strings.Fields(what)
			if len(words) > 0 && isYes(words[0]) {
				words = words[1:]
			}
			f, err := s.stepDone(steps[name].Fact, words, when, b, at)
			if err == nil {
				facts = append(facts, f)
				break
			}
			fmt.Fprintln(s.stderr, err)
		}
	}
	return facts, nil
}

func isYes(word string) bool {
	return strings.EqualFold(word, "y") || strings.EqualFold(word, "yes")
}

func isNo(word string) bool {
	return strings.EqualFold(word, "n") || strings.EqualFold(word, "no")
}

// stepName is what --done calls a step.
func stepName(body chem.Body) string {
	if t, ok := body.(chem.Treat); ok {
		return string(t.With)
	}
	return body.(chem.Change).What
}

func stepQuestion(body chem.Body) string {
	switch t, _ := body.(chem.Treat); t.With {
	case chem.TreatCarbon:
		return fmt.Sprintf("carbon, %s planned", t.Amount)
	case chem.TreatDummy:
		return "dummy plating"
	}
	return "new anode bags"
}

func stepAnswers(body chem.Body) string {
	switch t, _ := body.(chem.Treat); t.With {
	case chem.TreatCarbon:
		return "y, or the amount"
	case chem.TreatDummy:
		return "y, or the charge such as 12 Ah"
	}
	return "y"
}

// splitWhen parts "carbon 120 g at yesterday 18:00".
func splitWhen(text string) (what, when string) {
	what, when, _ = strings.Cut(" "+strings.Join(strings.Fields(text), " "), " at ")
	return strings.TrimSpace(what), when
}

// stepDone reads how much was used and when, where that is said.
func (s *session) stepDone(body chem.Body, words []string, at string, b *bathFile, fill time.Time) (chem.Fact, error) {
	name := stepName(body)
	f := chem.Fact{Time: fill, Body: body}
	t, treat := body.(chem.Treat)
	carbon := treat && t.With == chem.TreatCarbon
	if carbon {
		f.Time = fill.Add(-carbonBefore)
		if f.Time.Before(b.Began) && b.Began.Before(fill) {
			f.Time = b.Began
		}
	}
	if at != "" {
		now, err := s.now()
		if err != nil {
			return f, err
		}
		if f.Time, err = chem.ParseTime(at, now, b.zone, false); err != nil {
			return f, wrongWords(`such as: carbon 120 g at yesterday 18:00`, "%s: %v", name, err)
		}
		switch when := fill.In(b.zone).Format("2 Jan 2006 15:04"); {
		case carbon && !f.Time.Before(fill):
			return f, wrongWords("give the time at which the carbon went in; steadybath treat carbon writes down a later one", "the sheet's carbon goes in before the filling of %s", when)
		case !carbon && f.Time.Before(fill):
			return f, wrongWords("leave the time out, or give a later one", "%s comes after the filling of %s", name, when)
		}
	}
	if len(words) == 0 {
		return f, nil
	}
	if !treat {
		return f, wrongWords("such as --done "+name, "%s takes no amount: %s", name, strings.Join(words, " "))
	}
	dims, what := []chem.Dimension{chem.DimMass}, "the amount of carbon"
	if !carbon {
		dims, what = []chem.Dimension{chem.DimCharge}, "the charge of dummy plating"
	}
	var err error
	if t.Amount, err = something(what, joinUnits(words), dims...); err != nil {
		return f, err
	}
	f.Body = t
	return f, nil
}

// isWater tells whether a material is what the level accounts for.
func isWater(m chem.Material) bool { return m.Water || len(m.Brings) == 0 }

// weighedForMakeUp reads --weighed: materials of the sheet, none of which is
// said with 0, their lots, and the level. One may have a lot and no amount: the plan's.
func weighedForMakeUp(c *cli.Context, plan *dose.MakeUp) (amounts map[string]chem.Measured, lots map[string]string, level chem.Measured, err error) {
	amounts, lots = map[string]chem.Measured{}, map[string]string{}
	for _, text := range c.StringSlice("weighed") {
		what, lot := splitLot(text)
		typed, quantities := splitNamed(strings.Fields(what), materialNames(plan.Recipe()))
		if strings.EqualFold(typed, levelWord) {
			switch {
			case level.Given():
				return nil, nil, level, wrongWords("", "--weighed: the level is given twice")
			case lot != "":
				return nil, nil, level, wrongWords("", "--weighed: the level comes from no lot, and %s is given", lot)
			}
			if level, err = something("--weighed: the level", quantities, chem.DimVolume); err != nil {
				return nil, nil, level, err
			}
			continue
		}
		name, err := pick("material", typed, materialNames(plan.Recipe()))
		if err != nil {
			return nil, nil, level, err
		}
		at := slices.IndexFunc(plan.Weigh, func(w dose.Weighing) bool { return w.Material.Name == name })
		_, amount := amounts[name]
		_, itsLot := lots[name]
		switch {
		case amount || itsLot:
			return nil, nil, level, wrongWords("", "--weighed: %s is given twice", name)
		case at < 0:
			return nil, nil, level, wrongWords("steadybath add writes down anything else", "%s is not part of the sheet", name)
		case isWater(plan.Weigh[at].Material):
			return nil, nil, level, wrongWords(`such as --weighed "level 59.5 L"`, "--weighed: the level says how much water went in")
		}
		if lot != "" {
			lots[name] = lot
			if len(quantities) == 0 && c.Bool("as-planned") {
				continue
			}
		}
		m, err := quantity("--weighed: the amount of "+name, quantities, chem.DimMass, chem.DimVolume)
		if err != nil {
			return nil, nil, level, err
		}
		amounts[name] = m
	}
	return amounts, lots, level, nil
}

func (s *session) askLevel(c *cli.Context, planned float64) (chem.Measured, error) {
	for {
		answer, err := s.ask(c.Context, fmt.Sprintf("level: %s planned. Enter if so, or what the tank holds now: ", chem.MeasuredOf(planned, "L", 0)))
		if err != nil || answer == "" {
			return chem.Measured{}, err
		}
		m, err := something("the level", joinUnits(strings.Fields(answer)), chem.DimVolume)
		if err == nil {
			return m, nil
		}
		fmt.Fprintln(s.stderr, err)
	}
}
