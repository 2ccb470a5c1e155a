package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/dose"
	"steadybath/chem/estimate"
	"steadybath/chem/journal"
	"steadybath/db"
	"steadybath/reports"
)

// enter is the whole of a command that enters one fact: find the bath, make the
// body, judge it, write it, and say what it changed.
func (s *session) enter(ctx context.Context, c *cli.Context, make func(b *bathFile, at time.Time) (chem.Body, error)) error {
	if s.taking != nil {
		return s.taking.take(c, make)
	}
	// Only the answer needs them, but a slip in them must not come after the fact.
	if _, err := units(c); err != nil {
		return err
	}
	b, err := s.bath(c)
	if err != nil {
		return err
	}
	at, err := s.when(c, b.zone, false)
	if err != nil {
		return err
	}
	if b, at, err = typedAgain(c, b, at); err != nil {
		return err
	}
	body, err := make(b, at)
	if err != nil {
		return err
	}
	return s.enterBodies(ctx, c, b, at, body)
}

// typedAgain goes back to before the fact of --id, where it is entered already:
// the same words typed again then come to the same fact, whatever it changed.
func typedAgain(c *cli.Context, b *bathFile, at time.Time) (*bathFile, time.Time, error) {
	if c.String("id") == "" {
		return b, at, nil
	}
	id, err := newID(c)
	if err != nil {
		return nil, at, err
	}
	for n, f := range b.entered {
		if f.ID != id || n == 0 {
			continue
		}
		if c.String("at") == "" {
			at = f.Time
		}
		b, err = b.before(n)
		return b, at, err
	}
	return b, at, nil
}

// enterBodies writes facts that happened at one time, all or none.
func (s *session) enterBodies(ctx context.Context, c *cli.Context, b *bathFile, at time.Time, bodies ...chem.Body) error {
	facts := make([]chem.Fact, len(bodies))
	for i, body := range bodies {
		facts[i] = chem.Fact{Time: at, Note: c.String("note"), Body: body}
	}
	return s.enterFacts(ctx, c, b, facts...)
}

// enterFacts writes facts of a bath that have a time, a note and a body, all or
// none.
func (s *session) enterFacts(ctx context.Context, c *cli.Context, b *bathFile, facts ...chem.Fact) error {
	rows, bodies := make([]journal.Row, 0, len(facts)), make([]chem.Body, 0, len(facts))
	first, err := newID(c)
	if err != nil {
		return err
	}
	for i, f := range facts {
		f.ID = nextID(first, i)
		f.Bath = b.Name
		row, err := journal.Encode(f)
		if err != nil {
			return wrongWords("", "%s", whyOf(f.Body, err))
		}
		rows, bodies = append(rows, row), append(bodies, f.Body)
	}
	entries, err := s.write(ctx, c, b, rows...)
	if err != nil {
		return err
	}
	if err := s.sayEntered(c, b, entries, bodies); err != nil {
		return writtenAll(entries, err)
	}
	return nil
}

// writtenAll is a failure to answer once facts are in: the status must not say
// that nothing was written.
func writtenAll(entries []db.Entry, err error) error {
	hint := "do not enter it again"
	if len(entries) == 1 {
		hint += fmt.Sprintf(", unless with --id %s, which never enters it twice", entries[0].ID)
	}
	return &problem{status: statusMaybe, cause: err, hint: hint + "; steadybath history shows it",
		what: fmt.Sprintf("fact %d is entered, but the answer could not be given: %v", entries[0].Number, err)}
}

// sayEntered shows what was entered and what it changed.
func (s *session) sayEntered(c *cli.Context, b *bathFile, entries []db.Entry, bodies []chem.Body) error {
	facts := make([]json.RawMessage, len(entries))
	for i, e := range entries {
		facts[i] = e.Row.JSON(0)
	}
	if c.Bool("json") {
		return s.printJSON(struct {
			Facts []json.RawMessage `json:"facts"`
			Known bool              `json:"known"`
		}{facts, entries[0].Known})
	}
	for i, e := range entries {
		known := ""
		if e.Known {
			known = " (it was there already)"
		}
		f := chem.Fact{Number: e.Number, Time: e.Time, Bath: e.Bath, Note: e.Note, Body: bodies[i]}
		target := voided(b.entered, bodies[i])
		words := reports.LogWords(reports.HistoryLine{Fact: f, Target: target.Number})
		if err := say(s.stdout, "%d  %s  %s%s", e.Number, e.Time.In(b.zone).Format("Mon 2 Jan 15:04"), words, known); err != nil {
			return err
		}
		if target.Body != nil && target.Kind() != chem.KindVoid {
			// What is right has to be entered as of when it happened, not as of now.
			if err := say(s.stdout, "   what is right instead is entered with --at %q", target.Time.In(b.zone).Format("2006-01-02 15:04")); err != nil {
				return err
			}
		}
	}
	if err := s.sayChange(c, b, entries[0].Row, bodies); err != nil {
		return err
	}
	if len(bodies) == 1 && b.Bath != nil {
		if care := careOf(b.Recipe(entries[0].Time), bodies[0]); care != "" {
			return say(s.stdout, "%s", care)
		}
	}
	return nil
}

// voided is the fact that a void names, without a body where it is none.
func voided(entered []chem.Fact, body chem.Body) chem.Fact {
	v, ok := body.(chem.Void)
	i := slices.IndexFunc(entered, func(f chem.Fact) bool { return f.ID == v.Target })
	if !ok || i < 0 {
		return chem.Fact{}
	}
	return entered[i]
}

// whyOf leaves out the journal's column, which nobody typed.
func whyOf(body chem.Body, err error) string {
	var column *journal.ColumnError
	if errors.As(err, &column) {
		if column.Column == "u" {
			return "the uncertainty " + column.Why
		}
		if column.Column == "value" {
			return valueOf(body) + ": " + column.Why
		}
		return column.Why
	}
	return err.Error()
}

// valueOf names the quantity that a fact is about.
func valueOf(body chem.Body) string {
	switch b := body.(type) {
	case chem.Level:
		return "the level"
	case chem.Plate:
		return "the charge"
	case chem.Add:
		return "the amount of " + b.Material
	case chem.Stock:
		return "the amount of " + b.Material
	case chem.Bail, chem.Fill, chem.Begin:
		return "the volume"
	case chem.Hang, chem.Weigh, chem.Pull:
		return "the mass"
	case chem.Titrant:
		return "--molarity"
	}
	return "the amount"
}

// sayChange tells what a reading did to the estimate, where it was one.
func (s *session) sayChange(c *cli.Context, b *bathFile, row journal.Row, bodies []chem.Body) error {
	if len(bodies) != 1 {
		return nil
	}
	f, err := journal.Decode(row)
	if err != nil {
		return err
	}
	after, err := estimate.Open(append(append([]chem.Fact(nil), b.entered...), f))
	if err != nil {
		return err
	}
	if f.Time.Before(after.Began) {
		return nil // of a note from before there was a bath nothing follows
	}
	e, err := after.At(f.Time, estimate.Options{})
	if err != nil {
		return err
	}
	sys, err := units(c)
	if err != nil {
		return err
	}
	for _, line := range reports.ReadingWords(e, f, sys) {
		if err := say(s.stdout, "%s", line); err != nil {
			return err
		}
	}
	switch f.Body.(type) {
	case chem.Plate, chem.Meter:
		return s.sayDue(c, after)
	}
	return nil
}

// sayDue tells which organics the charge just written down has made due, as of
// now: a run that is written up late may have been followed by a dose.
func (s *session) sayDue(c *cli.Context, b *estimate.Bath) error {
	now, err := s.now()
	if err != nil {
		return err
	}
	e, err := b.At(now, estimate.Options{})
	if err != nil {
		return err
	}
	due, err := dose.OrganicsDue(e)
	if err != nil {
		return err
	}
	sys, err := units(c)
	if err != nil {
		return err
	}
	for _, d := range due {
		if err := say(s.stdout, "   %s", reports.OrganicDueWords(d, sys)); err != nil {
			return err
		}
	}
	return nil
}

func fillCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "fill", Usage: "say what is in the tank at the start", UsageText: `steadybath fill VOLUME [--origin make-up|bought|running] [--with "CONSTITUENT AMOUNT"]...`,
		Description: describe("Volume and composition, each with +- its uncertainty where it is known. What is\nnot given is unknown: as wide as any bath of the kind, until a reading comes.",
			`steadybath fill 58L --origin make-up --with "copper 50 g/L" --with "sulfuric acid 60 g/L" --with "chloride 65 mg/L"`,
			`steadybath fill "57.5+-0.3 L" --origin running --with "copper 48.6+-0.5 g/L"`),
		Flags: writeFlags(
			&cli.StringFlag{Name: "origin", Usage: "`WHERE` it came from: make-up, bought or running", Value: string(chem.OriginRunning)},
			&cli.StringSliceFlag{Name: "with", Usage: "a `CONSTITUENT AND AMOUNT`; may be given several times"}),
		Action: func(c *cli.Context) error {
			return s.enter(c.Context, c, func(b *bathFile, at time.Time) (chem.Body, error) {
				v, err := quantity("the volume", joinUnits(c.Args().Slice()), chem.DimVolume)
				if err != nil {
					return nil, err
				}
				origin, err := pick("origin", c.String("origin"), []string{string(chem.OriginMakeUp), string(chem.OriginBought), string(chem.OriginRunning)})
				if err != nil {
					return nil, wrongWords("make-up, bought or running would fit", "--origin: %v", err)
				}
				f := chem.Fill{Volume: v, Origin: chem.Origin(origin), Composition: map[string]chem.Measured{}}
				for _, with := range c.StringSlice("with") {
					if isColumn(with) {
						return nil, wrongWords(`such as --with "copper 50 g/L"`, "--with %q is a column of a spreadsheet; one constituent with its amount is wanted", with)
					}
					typed, amounts := splitNamed(strings.Fields(with), constituentNames(b.Recipe(at)))
					name, err := pick("constituent", typed, constituentNames(b.Recipe(at)))
					if err != nil {
						return nil, err
					}
					if _, twice := f.Composition[name]; twice {
						return nil, wrongWords("", "%s is given twice", name)
					}
					if len(amounts) == 0 {
						return nil, wrongWords(fmt.Sprintf(`such as --with "%s 50 g/L"`, name), "--with %q lacks the amount of %s", with, name)
					}
					if f.Composition[name], err = quantity(name, amounts, chem.DimMassConc, chem.DimVolConc); err != nil {
						return nil, err
					}
				}
				return f, nil
			})
		},
	}
}

func levelCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "level", Usage: "read the level: parts out, air off", UsageText: "steadybath level VOLUME|HEIGHT",
		Description: describe("As a volume, or as a height above the tank's bottom where the bath knows its\ntank's length and width; a height is corrected for the anodes that hang.",
			"steadybath level 58.2L", `steadybath level "31.5 cm" --at "yesterday 18:30"`),
		Flags: writeFlags(uFlag()),
		Action: func(c *cli.Context) error {
			return s.enter(c.Context, c, func(b *bathFile, at time.Time) (chem.Body, error) {
				m, err := quantity("the level", joinUnits(c.Args().Slice()), chem.DimVolume, chem.DimLength)
				if err != nil {
					return nil, err
				}
				if m.U, err = uOf(c, m); err != nil {
					return nil, err
				}
				if m.Unit.Dimension() == chem.DimLength {
					return heightLevel(b, at, m)
				}
				return chem.Level{Volume: m}, nil
			})
		},
	}
}

// uFlag is the standard uncertainty of a reading.
func uFlag() cli.Flag {
	return &cli.StringFlag{Name: "u", Usage: "its standard uncertainty `U`, in the same unit"}
}

// uOf reads --u in the unit of m, unless m states its uncertainty itself.
func uOf(c *cli.Context, m chem.Measured) (chem.Decimal, error) {
	text := c.String("u")
	if text == "" {
		return m.U, nil
	}
	if m.U.Given() {
		return "", wrongWords("leave one of them out", "the uncertainty is given twice, as ± %s and as --u %s", m.U, text)
	}
	if d, err := chem.ParseDecimal(text); err == nil {
		return d, nil
	}
	u, err := flagQuantity("u", text, m.Unit.Dimension())
	if err != nil {
		return "", err
	}
	v, _, err := u.In(m.Unit)
	if err != nil {
		return "", err
	}
	return chem.DecimalOf(v), nil
}

// heightReading is how well a height is read: a hook gauge or a marked stick,
// common practice, no source.
const heightReading = 1.0 // mm

// copperDensity is that of the hung anodes, kg/L, for the volume they take up.
func heightLevel(b *bathFile, at time.Time, m chem.Measured) (chem.Body, error) {
	if !b.Tank.Length.Given() || !b.Tank.Width.Given() {
		return nil, refused(`give a volume, or begin the bath with --tank "60x35x40 cm"`, "%s: the size of the tank of bath %s is not known, so a height says nothing", m, b.Name)
	}
	dm := func(m chem.Measured) float64 { return m.Value("mm") / 100 }
	area := dm(b.Tank.Length) * dm(b.Tank.Width)
	e, err := b.At(at, estimate.Options{})
	if err != nil {
		return nil, err
	}
	volume := area*dm(m) - e.AnodeVolume()
	if volume <= 0 {
		return nil, refused("", "a height of %s leaves no bath beside the anodes", m)
	}
	return chem.Level{Volume: chem.Measured{Number: chem.DecimalRound(volume, 2), Unit: "L", U: chem.DecimalRound(area*m.Uncertainty("mm", heightReading)/100, 3)},
		Height: m}, nil
}

func plateCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "plate", Usage: "write down a plating run", UsageText: "steadybath plate CHARGE | --current A --hours H [--ramp MIN]",
		Description: describe("The charge as the supply showed it, or current and time with a linear ramp. The\ntime of the fact is the end of the run.",
			"steadybath plate 22.5Ah --hours 4 --area 5.5dm2",
			`steadybath plate --current 6A --hours 4 --ramp 30min --ramp-from 3A --part "bracket, second coat"`),
		Flags: writeFlags(
			&cli.StringFlag{Name: "hours", Usage: "how long the run took, `HOURS`"},
			&cli.StringFlag{Name: "area", Usage: "plated `AREA`, such as 5.5dm2"},
			&cli.StringFlag{Name: "current", Usage: "`CURRENT` after the ramp"},
			&cli.StringFlag{Name: "ramp", Usage: "how long the current was ramped up, `TIME`"},
			&cli.StringFlag{Name: "ramp-from", Usage: "`CURRENT` at the start of the ramp; 0 if not given"},
			&cli.StringFlag{Name: "part", Usage: "what was plated, `TEXT`"},
			&cli.StringFlag{Name: "gain", Usage: "`WEIGHT` gained, dry, such as 24.3g"},
			&cli.StringFlag{Name: "thickness", Usage: "mean `THICKNESS` found on the part, such as 120um; needs --area"}, uFlag()),
		Action: func(c *cli.Context) error {
			return s.enter(c.Context, c, func(b *bathFile, _ time.Time) (chem.Body, error) { return plateBody(c) })
		},
	}
}

func plateBody(c *cli.Context) (chem.Body, error) {
	p := chem.Plate{Part: c.String("part")}
	var err error
	if p.Hours, err = flagIn("hours", c.String("hours"), "h"); err != nil {
		return nil, err
	}
	if p.Hours.Given() && p.Hours.Float() == 0 {
		return nil, wrongWords("leave --hours out where it is not known", "--hours: %s h must be more than 0", p.Hours)
	}
	if p.Area, err = flagQuantity("area", c.String("area"), chem.DimArea); err != nil {
		return nil, err
	}
	if p.Current, err = flagQuantity("current", c.String("current"), chem.DimCurrent); err != nil {
		return nil, err
	}
	if p.Ramp, err = flagQuantity("ramp", c.String("ramp"), chem.DimTime); err != nil {
		return nil, err
	}
	if p.RampFrom, err = flagQuantity("ramp-from", c.String("ramp-from"), chem.DimCurrent); err != nil {
		return nil, err
	}
	if p.Gain, err = flagQuantity("gain", c.String("gain"), chem.DimMass); err != nil {
		return nil, err
	}
	if p.Thickness, err = flagQuantity("thickness", c.String("thickness"), chem.DimLength); err != nil {
		return nil, err
	}
	if p.Thickness.Given() && !p.Area.Given() {
		return nil, wrongWords("such as --area 5.5dm2", "--thickness says nothing without the area that was plated")
	}
	words := joinUnits(c.Args().Slice())
	if len(words) == 0 {
		if !p.Current.Given() || !p.Hours.Given() {
			return nil, wrongWords("such as: steadybath plate 22.5Ah, or --current 6A --hours 4", "a charge is missing")
		}
		hours := p.Hours.Float()
		ramp := 0.0
		if p.Ramp.Given() {
			ramp = p.Ramp.Value("h")
		}
		if ramp > hours {
			return nil, wrongWords("", "the ramp of %s is longer than the run of %s h", p.Ramp, p.Hours)
		}
		from := 0.0
		if p.RampFrom.Given() {
			from = p.RampFrom.Value("A")
		}
		q := chem.RampCharge(p.Current.Value("A"), from, hours, ramp)
		p.Charge = chem.Measured{Number: chem.DecimalRound(q, 3), Unit: "Ah"}
		p.Charge.U, err = uOf(c, p.Charge)
		return p, err
	}
	if p.Charge, err = something("the charge", words, chem.DimCharge); err != nil {
		return nil, err
	}
	if p.Current.Given() && p.Hours.Given() {
		return nil, wrongWords("leave the charge out where current and time are known, or one of the flags where the supply counted", "%s and --current with --hours say the charge twice", p.Charge)
	}
	p.Charge.U, err = uOf(c, p.Charge)
	return p, err
}

func addCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "add", Usage: "write down an addition", UsageText: "steadybath add MATERIAL AMOUNT",
		Description: describe("A material of the recipe and how much of it went in. Water that was topped up is\nan addition too.",
			"steadybath add brightener 12mL", `steadybath add "copper sulfate pentahydrate" 310g --lot K4`),
		Flags: writeFlags(&cli.StringFlag{Name: "lot", Usage: "the `LOT` it came from"}, uFlag()),
		Action: func(c *cli.Context) error {
			return s.enter(c.Context, c, func(b *bathFile, at time.Time) (chem.Body, error) {
				body, err := addBody(b.Recipe(at), c.Args().Slice(), c.String("lot"), func(m chem.Measured) (chem.Decimal, error) { return uOf(c, m) })
				if err != nil {
					return nil, err
				}
				return body, s.checkStock(c, b, body.(chem.Add), at)
			})
		},
	}
}

// addBody reads a material and an amount.
func addBody(r *chem.Recipe, words []string, lot string, u func(chem.Measured) (chem.Decimal, error)) (chem.Body, error) {
	typed, amounts := splitNamed(words, materialNames(r))
	name, err := pick("material", typed, materialNames(r))
	if err != nil {
		return nil, err
	}
	dims := []chem.Dimension{chem.DimMass, chem.DimVolume}
	if m, _ := r.Material(name); m.Unit.Dimension() == chem.DimVolume {
		slices.Reverse(dims) // the first is the one that a hint shows
	}
	m, err := something("the amount of "+name, amounts, dims...)
	if err != nil {
		return nil, err
	}
	if m.U, err = u(m); err != nil {
		return nil, err
	}
	return chem.Add{Material: name, Amount: m, Lot: lot}, nil
}

func bailCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "bail", Usage: "write down bath taken out for good", UsageText: "steadybath bail VOLUME",
		Description: describe("What is bailed out is hazardous waste: a closed, labelled container, never the\ndrain; local rules decide where it goes.",
			"steadybath bail 1.5L", `steadybath bail "0.4 gal" --note "spilled and wiped up"`),
		Flags: writeFlags(uFlag()),
		Action: func(c *cli.Context) error {
			return s.enter(c.Context, c, func(*bathFile, time.Time) (chem.Body, error) {
				m, err := something("the volume bailed out", joinUnits(c.Args().Slice()), chem.DimVolume)
				if err != nil {
					return nil, err
				}
				m.U, err = uOf(c, m)
				return chem.Bail{Volume: m}, err
			})
		},
	}
}

func noteCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "note", Usage: "keep a line of text", UsageText: "steadybath note TEXT",
		Description: describe("Anything worth knowing later: a pit, a smell, a noise of the pump.",
			`steadybath note "pits on the lower edge, bag of slab-b torn"`, `steadybath note filter pump was off all night --at yesterday`),
		Flags: writeFlags(),
		Action: func(c *cli.Context) error {
			text := strings.Join(c.Args().Slice(), " ")
			if c.String("note") != "" {
				text = strings.TrimSpace(text + " " + c.String("note"))
			}
			if text == "" {
				return wrongWords(`such as: steadybath note "pits on the lower edge"`, "the text is missing")
			}
			if err := c.Set("note", text); err != nil {
				return err
			}
			return s.enter(c.Context, c, func(*bathFile, time.Time) (chem.Body, error) { return chem.Remark{}, nil })
		},
	}
}

func voidCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "void", Usage: "say that an earlier fact does not stand", UsageText: "steadybath void NUMBER because REASON",
		Description: describe("Facts are never changed: a wrong one is voided, stays in the history, and is\nentered again as it was. Voiding a void lets the fact stand again.",
			`steadybath void 214 "read the wrong burette"`, `steadybath void 92 because it belonged to the other tank`),
		Flags: writeFlags(&cli.BoolFlag{Name: "shop", Usage: "a titrant or material of the shop, not a fact of a bath"}),
		Action: func(c *cli.Context) error {
			if c.Bool("shop") {
				return s.voidOfShop(c.Context, c)
			}
			return s.enter(c.Context, c, func(b *bathFile, at time.Time) (chem.Body, error) { return voidBody(c, b) })
		},
	}
}

func voidBody(c *cli.Context, b *bathFile) (chem.Body, error) {
	words := c.Args().Slice()
	if len(words) == 0 {
		return nil, wrongWords("history shows the numbers; such as: steadybath void 214 because it was the wrong burette", "the number of the fact is missing")
	}
	why := words[1:]
	if len(why) > 0 && why[0] == "because" {
		why = why[1:]
	}
	reason := strings.TrimSpace(strings.Join(why, " ") + " " + c.String("note"))
	if reason == "" {
		return nil, wrongWords(fmt.Sprintf(`such as: steadybath void %s "read the wrong burette"`, words[0]), "the reason is missing")
	}
	if err := c.Set("note", reason); err != nil {
		return nil, err
	}
	if _, err := strconv.ParseUint(strings.TrimPrefix(words[0], "#"), 10, 63); err != nil && uuid.Validate(words[0]) != nil {
		return nil, wrongWords("history shows the numbers", "%q is not the number of a fact", words[0])
	}
	gone := chem.VoidedBy(b.entered)
	for _, f := range b.entered {
		if fmt.Sprint(f.Number) != strings.TrimPrefix(words[0], "#") && f.ID.String() != strings.ToLower(words[0]) {
			continue
		}
		if by, already := gone[f.ID]; already {
			return nil, refused(fmt.Sprintf("to let it stand again: steadybath void %d REASON", by), "fact %d is void already, by %d", f.Number, by)
		}
		if f.Kind() == chem.KindBath {
			return nil, refused("begin another bath under another name", "the beginning of a bath cannot be voided")
		}
		return chem.Void{Target: f.ID}, nil
	}
	return nil, refused("history shows the numbers", "bath %s has no fact %s; the last is %d", b.Name, words[0], len(b.entered))
}
