package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/estimate"
	"steadybath/reports"
)

// question is one of a round: the beginning of a command that the answer
// completes, or, where own is set, an answer with words of its own.
type question struct {
	id      string // names it in a draft
	section string
	name    string
	unit    chem.Unit // of a number without one
	also    string    // what else would be an answer
	last    string
	path    []string // of the command
	words   []string // that stand before the answer
	own     func(b *bathFile, typed string) (chem.Body, error)
	help    []string
	box     reports.Box
	with    string // what the burette holds
	lot     string
	text    bool // the answer is a line of text

	zeroSkips bool
	after     time.Duration // it counts as so long after the round began
}

// The order of work, in time: what is read off the tank first stands at the
// beginning, water goes in after it, and samples are drawn once it is mixed.
const (
	afterLevel  = 1 * time.Second
	afterMixing = 2 * time.Second
)

// Sections of a round.
const (
	atTheTank  = "at the tank, parts out, air off"
	samples    = "samples, once it is mixed"
	titrations = "titrations: mL delivered, one number per replicate, or start..end"
	readings   = "readings"
	panels     = "panels: low, right or high, or the amount read from it"
	charge     = "charge"
	anodes     = "anodes, rinsed and dry"
	notes      = "notes"
)

func (q question) ask() string {
	switch {
	case q.unit != "" && string(q.unit) != q.name && q.also != "":
		return fmt.Sprintf("%s, %s or %s", q.name, q.unit, q.also)
	case q.unit != "" && string(q.unit) != q.name:
		return fmt.Sprintf("%s, %s", q.name, q.unit)
	case q.also != "":
		return q.name + ", " + q.also
	}
	return q.name
}

// drawn is a sample for all titrations of a round together.
type drawn struct{ chem.Measured }

// Kind is that of the fact which the sample becomes where nothing is read.
func (drawn) Kind() chem.Kind { return chem.KindBail }

// roundQuestions are the questions for a bath at a moment, in the order of work.
func roundQuestions(b *bathFile, sys reports.Units, at time.Time) ([]question, error) {
	recipe := b.Recipe(at)
	e, err := b.At(at.Add(afterMixing), estimate.Options{})
	if err != nil {
		return nil, err
	}
	l := lastFacts{b: b, at: at, sys: sys}
	shown := func(unit chem.Unit) chem.Unit {
		_, to := sys.Show(1, unit)
		return to
	}
	all := []question{{
		id: "level", section: atTheTank, name: "level as found", unit: shown("L"), path: []string{"level"}, last: l.level(), box: reports.BoxOne,
		help: []string{"The volume in the tank before any water goes in, with parts out and air off, or the height above the tank's bottom (31.5 cm) where the bath knows its tank."},
	}}
	for _, m := range recipe.Materials {
		if m.Water {
			all = append(all, question{
				id: "add " + m.Name, section: atTheTank, name: m.Name + " added", unit: shown("L"), path: []string{"add"}, words: []string{m.Name}, last: l.added(m.Name),
				zeroSkips: true, after: afterLevel, box: reports.BoxOne,
				help: []string{"What was topped up after the level was read. Mix it in through one turnover of the bath before a sample is drawn: bath that is not mixed is read wrong."},
			})
			break
		}
	}
	titrated, read := l.titrations(recipe), l.readings(recipe, shown)
	if len(titrated) > 0 {
		all = append(all, question{
			id: "sample", section: samples, name: "bath drawn, in all", unit: "mL", own: sampleAnswer, zeroSkips: true, after: afterMixing, box: reports.BoxOne,
			help: []string{"All that was drawn, rinsing the pipette included, and does not go back. Skipped, the usual sample of each method counts."},
		})
	}
	all = append(append(all, titrated...), read...)
	for _, c := range recipe.Constituents {
		if c.Role == chem.RoleOrganic {
			all = append(all, question{
				id: "panel " + c.Name, section: panels, name: c.Name, unit: shown(c.Unit), also: "low, right, high", own: panelAnswer(c, shown(c.Unit)), last: l.panel(c.Name), after: afterMixing, box: reports.BoxPanel,
				help: []string{"How a Hull-cell panel looks beside the wanted one: low, right or high. Where the pattern was matched by additions in the cell, the amount in the bath that it shows."},
			})
		}
	}
	all = append(all, l.charge(shown)...)
	for _, a := range e.Anodes {
		if a.Form == "inert" {
			continue
		}
		all = append(all, question{
			id: "weigh " + a.ID, section: anodes, name: a.ID, unit: shown("kg"), path: []string{"anode", "weigh"}, words: []string{a.ID}, last: l.mass(a.ID), after: afterMixing, box: reports.BoxOne,
			help: []string{"The mass of the anode that hangs there, rinsed and dry, without its hook. It need not be lifted out every week."},
		})
	}
	all = append(all, question{
		id: "note", section: notes, name: "anything else worth a line", path: []string{"note"}, text: true, last: l.note(), after: afterMixing, box: reports.BoxLine,
		help: []string{"A pit, a smell, a noise of the pump: whatever may explain a reading later."},
	})
	return all, nil
}

// lastFacts looks for the last value beside each question.
type lastFacts struct {
	b   *bathFile
	at  time.Time
	sys reports.Units
}

// find returns the newest standing fact up to the round that fits.
func (l lastFacts) find(fits func(chem.Fact) bool) (chem.Fact, bool) {
	for i := len(l.b.Facts) - 1; i >= 0; i-- {
		if f := l.b.Facts[i]; !f.Time.After(l.at) && fits(f) {
			return f, true
		}
	}
	return chem.Fact{}, false
}

func (l lastFacts) day(t time.Time) string {
	if t.In(l.b.zone).Year() != l.at.In(l.b.zone).Year() {
		return t.In(l.b.zone).Format("2 Jan 2006")
	}
	return t.In(l.b.zone).Format("2 Jan")
}

func (l lastFacts) amount(m chem.Measured, unit chem.Unit) string {
	if _, to := l.sys.Show(1, unit); m.Unit != to && m.Unit.Dimension() == to.Dimension() {
		return fmt.Sprintf("%.4g %s", m.Value(to), to)
	}
	return m.String()
}

func (l lastFacts) level() string {
	f, ok := l.find(func(f chem.Fact) bool { return f.Kind() == chem.KindLevel })
	if !ok {
		return ""
	}
	return l.amount(f.Body.(chem.Level).Volume, "L") + ", " + l.day(f.Time)
}

func (l lastFacts) added(material string) string {
	f, ok := l.find(func(f chem.Fact) bool {
		a, ok := f.Body.(chem.Add)
		return ok && strings.EqualFold(a.Material, material)
	})
	if !ok {
		return ""
	}
	return l.amount(f.Body.(chem.Add).Amount, "L") + ", " + l.day(f.Time)
}

func (l lastFacts) note() string {
	f, ok := l.find(func(f chem.Fact) bool { return f.Kind() == chem.KindNote })
	if !ok {
		return ""
	}
	return l.day(f.Time)
}

func (l lastFacts) panel(organic string) string {
	f, ok := l.find(func(f chem.Fact) bool {
		p, ok := f.Body.(chem.Panel)
		return ok && strings.EqualFold(p.Of, organic)
	})
	if !ok {
		return ""
	}
	p := f.Body.(chem.Panel)
	if p.Value.Given() {
		return p.Value.String() + ", " + l.day(f.Time)
	}
	return string(p.Pattern) + ", " + l.day(f.Time)
}

func (l lastFacts) mass(anode string) string {
	f, ok := l.find(func(f chem.Fact) bool {
		switch x := f.Body.(type) {
		case chem.Weigh:
			return strings.EqualFold(x.Anode, anode)
		case chem.Hang:
			return strings.EqualFold(x.Anode, anode) && x.Mass.Given() && !x.TopUp
		}
		return false
	})
	if !ok {
		return ""
	}
	mass := chem.Measured{}
	switch x := f.Body.(type) {
	case chem.Weigh:
		mass = x.Mass
	case chem.Hang:
		mass = x.Mass
	}
	return l.amount(mass, "kg") + ", " + l.day(f.Time)
}

// reading is the newest assay of a constituent.
func (l lastFacts) reading(name string) (chem.Assay, time.Time, bool) {
	f, ok := l.find(func(f chem.Fact) bool {
		a, ok := f.Body.(chem.Assay)
		return ok && strings.EqualFold(a.Of, name)
	})
	if !ok {
		return chem.Assay{}, time.Time{}, false
	}
	return f.Body.(chem.Assay), f.Time, true
}

// value is the newest assay in words, to three figures where it was computed.
func (l lastFacts) value(name string, unit chem.Unit) string {
	a, when, ok := l.reading(name)
	if !ok {
		return ""
	}
	words := l.amount(a.Value, unit)
	if t := a.Titration; t != nil && len(t.Delivered) > 0 {
		list := make([]string, len(t.Delivered))
		for i, d := range t.Delivered {
			list[i] = string(d)
		}
		_, to := l.sys.Show(1, unit)
		v, _, err := a.Value.In(to)
		if err == nil {
			words = fmt.Sprintf("%s mL, %.3g %s", strings.Join(list, " "), v, to)
		}
	}
	return words + ", " + l.day(when)
}

// titrations are the constituents that have a method with a titrant.
func (l lastFacts) titrations(recipe *chem.Recipe) []question {
	var all []question
	for _, c := range recipe.Constituents {
		if c.Role == chem.RoleOrganic {
			continue
		}
		used := lastTitration(l.b, c.Name, l.at)
		m, err := methodOf(recipe, c.Name, "", used)
		if err != nil {
			continue
		}
		help := []string{fmt.Sprintf("%s. What the burette delivered, one number per replicate (16.35 16.40), or its start and end (0.10..16.45). Behind it, where it changes: --lot N7 --factor 1.003 --aliquot 2mL.", m.Name)}
		for i, step := range m.Steps {
			help = append(help, fmt.Sprintf("%d. %s", i+1, step))
		}
		for _, care := range m.Cautions {
			help = append(help, "care: "+care)
		}
		lot := ""
		if used != nil && used.Method == m.Name {
			lot = used.Lot
		}
		all = append(all, question{
			id: "titrate " + c.Name, section: titrations, name: c.Name, unit: "mL", path: []string{"titrate"}, words: []string{c.Name},
			last: l.value(c.Name, c.Unit), after: afterMixing, help: help, box: reports.BoxBurette, with: m.Titrant, lot: lot,
		})
	}
	return all
}

// readings are the constituents without a method, and the bath as a whole.
func (l lastFacts) readings(recipe *chem.Recipe, shown func(chem.Unit) chem.Unit) []question {
	reading := func(name string, unit chem.Unit, help string) question {
		return question{id: "assay " + name, section: readings, name: name, unit: shown(unit), path: []string{"assay"}, words: []string{name},
			last: l.value(name, unit), after: afterMixing, box: reports.BoxOne, help: []string{help}}
	}
	all := []question{reading("temperature", "degC", "In the bath, stirred, not beside the heater.")}
	if _, _, known := l.reading("pH"); !recipe.Cyanide && (known || recipe.Limits.PH[1] > 0) {
		all = append(all, reading("pH", "pH", "At the bath's working temperature, with an electrode that was calibrated today, or with the paper made for the bath."))
	}
	if _, _, known := l.reading("density"); known {
		all = append(all, reading("density", "g/cm3", "With a hydrometer, in the bath or as warm as it; where no temperature is given, 20 degC is meant."))
	}
	for _, c := range recipe.Constituents {
		if c.Role == chem.RoleOrganic {
			continue
		}
		if _, err := methodOf(recipe, c.Name, "", lastTitration(l.b, c.Name, l.at)); err == nil {
			continue
		}
		help := "A concentration found elsewhere: by a laboratory, a supplier, or by comparison with standards."
		if m, ok := recipe.Method(c.Name, ""); ok {
			help = m.Name + ". " + strings.Join(m.Steps, " ")
		}
		if c.Contaminant() {
			help += fmt.Sprintf(" It has only an upper limit, %g %s.", c.High, c.Unit)
		}
		all = append(all, reading(c.Name, c.Unit, help))
	}
	return all
}

// charge asks for each meter that was read before, or for amp-hours.
func (l lastFacts) charge(shown func(chem.Unit) chem.Unit) []question {
	var all []question
	seen := map[string]bool{}
	for _, f := range l.b.Facts {
		m, ok := f.Body.(chem.Meter)
		if !ok || seen[strings.ToLower(m.Supply)] || f.Time.After(l.at) {
			continue
		}
		seen[strings.ToLower(m.Supply)] = true
		newest, _ := l.find(func(g chem.Fact) bool {
			n, ok := g.Body.(chem.Meter)
			return ok && strings.EqualFold(n.Supply, m.Supply)
		})
		all = append(all, question{
			id: "meter " + m.Supply, section: charge, name: "meter of " + m.Supply, unit: "Ah", own: meterAnswer(m.Supply), after: 0, box: reports.BoxOne,
			last: l.amount(newest.Body.(chem.Meter).Reading, "Ah") + ", " + l.day(newest.Time),
			help: []string{"What the meter shows; the difference to the last reading counts. Put reset behind it (12.5 reset) where it began again from zero."},
		})
	}
	if len(all) > 0 {
		return all
	}
	last := ""
	help := []string{"Charge that passed and is not written down yet, as the supply shows it. Behind it, where known: --hours 4 --area 5.5dm2."}
	if f, ok := l.find(func(f chem.Fact) bool { return f.Kind() == chem.KindPlate }); ok {
		last = l.amount(f.Body.(chem.Plate).Charge, "Ah") + ", " + l.day(f.Time)
	}
	if since, ok := l.find(func(f chem.Fact) bool { return f.Kind() == chem.KindLevel }); ok {
		sum := 0.0
		for _, f := range l.b.Facts {
			if p, ok := f.Body.(chem.Plate); ok && f.Time.After(since.Time) && !f.Time.After(l.at) {
				sum += p.Charge.Value("Ah")
			}
		}
		help = append(help, fmt.Sprintf("Since the level of %s, %.4g Ah are written down.", l.day(since.Time), sum))
	}
	return []question{{id: "plate", section: charge, name: "amp-hours not yet logged", unit: shown("Ah"), path: []string{"plate"}, last: last, zeroSkips: true, help: help, box: reports.BoxOne}}
}

func sampleAnswer(_ *bathFile, typed string) (chem.Body, error) {
	m, err := quantity("the sample", withUnits(strings.Fields(typed), "mL"), chem.DimVolume)
	if err != nil {
		return nil, err
	}
	return drawn{m}, nil
}

func panelAnswer(c chem.Constituent, unit chem.Unit) func(*bathFile, string) (chem.Body, error) {
	return func(_ *bathFile, typed string) (chem.Body, error) {
		for _, p := range []chem.Pattern{chem.PatternLow, chem.PatternRight, chem.PatternHigh} {
			if strings.EqualFold(typed, string(p)) {
				return chem.Panel{Of: c.Name, Pattern: p}, nil
			}
		}
		words := withUnits(strings.Fields(typed), unit)
		if len(words) == 1 && !startsNumber(words[0]) {
			return nil, wrongWords("", "%q is neither low, right or high nor an amount in %s", typed, unit)
		}
		m, err := quantity(c.Name, words, c.Unit.Dimension())
		return chem.Panel{Of: c.Name, Value: m}, err
	}
}

func meterAnswer(supply string) func(*bathFile, string) (chem.Body, error) {
	return func(_ *bathFile, typed string) (chem.Body, error) {
		number, reset := strings.CutSuffix(typed, "reset")
		m, err := quantity("the meter", withUnits(strings.Fields(number), "Ah"), chem.DimCharge)
		return chem.Meter{Supply: supply, Reading: m, Reset: reset}, err
	}
}

// withUnits joins words to quantities and gives the unit that was shown to
// those that were typed without one.
func withUnits(words []string, unit chem.Unit) []string {
	all := joinUnits(words)
	for i, q := range all {
		if unit != "" && !strings.ContainsFunc(q, func(r rune) bool {
			return r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' || r == '%' || r == '°' || r == 'µ' || r == 'μ'
		}) {
			all[i] = q + " " + string(unit)
		}
	}
	return all
}

// taking is what a command of the round leaves instead of writing it.
type taking struct {
	b    *bathFile
	at   time.Time
	body chem.Body
	note string
	why  string
	said []string
}

// take makes the body of a command without writing it.
func (t *taking) take(c *cli.Context, make func(*bathFile, time.Time) (chem.Body, error)) error {
	for _, f := range []string{"at", "bath", "id", "json", "units", "database"} {
		if c.IsSet(f) {
			return wrongWords("", "--%s is for the whole round and goes behind steadybath round", f)
		}
	}
	body, err := make(t.b, t.at)
	t.body, t.note, t.why = body, c.String("note"), strings.TrimSpace(c.String("force"))
	return err
}

// takeAnswer runs the command that an answer completes.
func (s *session) takeAnswer(ctx context.Context, t *taking, q question, typed string) error {
	args := append([]string(nil), q.path...)
	if q.text {
		args = append(args, "--", typed)
	} else {
		words, err := splitLine(typed)
		if err != nil {
			return err
		}
		n := 0
		for n < len(words) {
			if _, _, isFlag := asFlag(words[n]); isFlag {
				break
			}
			n++
		}
		args = append(append(append(args, words[n:]...), "--"), q.words...)
		args = append(args, withUnits(words[:n], q.unit)...)
	}
	var said bytes.Buffer
	sub := &session{stdin: strings.NewReader(""), stdout: io.Discard, stderr: &said, env: s.env, store: s.store, taking: t}
	app := newApp(sub)
	arranged, err := arrange(app, args)
	if err == nil && !asksForHelp(arranged) {
		err = app.RunContext(ctx, append([]string{app.Name}, arranged...))
	}
	if err == nil && t.body == nil {
		err = wrongWords("", "%q is no answer; ? explains the question", typed)
	}
	for l := range strings.Lines(said.String()) {
		t.said = append(t.said, strings.TrimSpace(l))
	}
	return err
}

// splitLine parts a line at blanks, but for those between double quotes.
func splitLine(s string) ([]string, error) {
	var words []string
	for i, part := range strings.Split(s, `"`) {
		switch {
		case i%2 == 1:
			words = append(words, part)
		default:
			words = append(words, strings.Fields(part)...)
		}
	}
	if strings.Count(s, `"`)%2 == 1 {
		return nil, wrongWords("", "a quotation mark is missing: %s", s)
	}
	return words, nil
}

// sheet lays the questions out on paper.
func (r *round) sheet() reports.RoundSheet {
	recipe := r.b.Recipe(r.draft.Began)
	out := reports.RoundSheet{Bath: r.b.Name, Title: recipe.Title, Printed: r.now, Zone: r.b.zone, Cyanide: recipe.Cyanide, Metal: recipe.Metal}
	for _, q := range r.questions {
		out.Items = append(out.Items, reports.RoundItem{Section: q.section, Name: q.name, Unit: string(q.unit), Last: q.last, Box: q.box, With: q.with, Lot: q.lot})
	}
	return out
}
