package journal

import (
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/google/uuid"

	"steadybath/chem"
)

// ColumnError says what is wrong with one column of a row and what would fit.
type ColumnError struct {
	Column string // as in [Columns]; empty where the row as a whole is wrong
	Why    string
}

// Error is one sentence: the column, what is wrong, what would fit.
func (e *ColumnError) Error() string {
	if e.Column == "" {
		return e.Why
	}
	return "column " + e.Column + ": " + e.Why
}

func wrong(column, format string, args ...any) *ColumnError {
	return &ColumnError{Column: column, Why: fmt.Sprintf(format, args...)}
}

// MaxText is the most bytes the texts of one row may have together. Escapes and
// quotes at most double them, so that what [Decode] takes, a [Reader] can read.
const MaxText = 500_000

type need uint8

const (
	never need = iota
	optional
	required
)

type sign uint8

const (
	anySign sign = iota
	notNegative
	positive
)

// rule is how one kind uses the columns.
type rule struct {
	a       string // the kind with its article, for messages
	subject need
	names   string   // what the subject names
	words   []string // the only subjects there are; nil: any text
	value   need
	sign    sign
	dims    []chem.Dimension // what the unit may measure; nil: anything
	note    bool             // a text is required
	keys    []string         // of more, in the order in which they are written
}

var (
	dimsVolume  = []chem.Dimension{chem.DimVolume}
	dimsMass    = []chem.Dimension{chem.DimMass}
	dimsCharge  = []chem.Dimension{chem.DimCharge}
	dimsAmount  = []chem.Dimension{chem.DimMass, chem.DimVolume}
	dimsConc    = []chem.Dimension{chem.DimMassConc, chem.DimVolConc, chem.DimMolarity}
	dimsMolar   = []chem.Dimension{chem.DimMolarity}
	dimsPH      = []chem.Dimension{chem.DimPH}
	dimsDegrees = []chem.Dimension{chem.DimTemperature}
	dimsDensity = []chem.Dimension{chem.DimDensity}
)

// The subjects of an assay that are no constituents.
const (
	subjectPH          = "pH"
	subjectTemperature = "temperature"
	subjectDensity     = "density"
)

// rules holds every kind. It is never written to after start.
var rules = map[chem.Kind]*rule{
	chem.KindBath: {a: "a bath", value: required, sign: positive, dims: dimsVolume,
		keys: []string{"recipe", "zone", "length_cm", "width_cm", "height_cm", "most_L", "least_L"}},
	chem.KindSetting: {a: "a setting", subject: required, names: "the key, such as copper.high", value: optional, note: true,
		keys: []string{"text"}},
	chem.KindTitrant: {a: "a titrant", subject: required, names: "the titrant, such as EDTA", value: required, sign: positive, dims: dimsMolar,
		keys: []string{"lot", "factor", "factor_u", "opened", "expires"}},
	chem.KindMaterial: {a: "a material", subject: required, names: "the material", value: required, sign: notNegative, dims: dimsAmount,
		keys: []string{"lot", "price", "opened", "expires"}},
	chem.KindFill: {a: "a fill", value: required, sign: positive, dims: dimsVolume,
		keys: []string{"from", "composition", "weighed"}},
	chem.KindLevel: {a: "a level", value: required, sign: positive, dims: dimsVolume,
		keys: []string{"height_cm"}},
	chem.KindAssay: {a: "an assay", subject: required, names: "the constituent, or pH, temperature or density", value: required, sign: notNegative,
		keys: []string{"method", "delivered_mL", "aliquot_mL", "blank_mL", "titrant", "lot", "titrant_date", "molarity", "factor", "factor_u",
			"u_lot", "sample_mL", "returned"}},
	chem.KindPanel: {a: "a panel", subject: required, names: "the organic", value: optional, sign: notNegative, dims: dimsConc,
		keys: []string{"pattern", "current_A", "minutes", "trial_mL", "sample_mL", "returned"}},
	chem.KindMeter: {a: "a meter reading", subject: required, names: "the supply", value: required, sign: notNegative, dims: dimsCharge,
		keys: []string{"reset"}},
	chem.KindPlate: {a: "a plating run", subject: optional, value: required, sign: positive, dims: dimsCharge,
		keys: []string{"hours", "area_dm2", "current_A", "ramp_from_A", "ramp_min", "gain_g", "thickness_um"}},
	chem.KindAdd: {a: "an addition", subject: required, names: "the material", value: required, sign: positive, dims: dimsAmount,
		keys: []string{"lot", "advice"}},
	chem.KindBail: {a: "a bail-out", value: required, sign: positive, dims: dimsVolume,
		keys: []string{"advice"}},
	chem.KindTreat: {a: "a treatment", subject: required, names: "the treatment", words: []string{"carbon", "peroxide", "dummy"},
		value: optional, sign: notNegative, keys: []string{"hours"}},
	chem.KindChange: {a: "a change", subject: required, names: "what was changed", words: []string{"bags", "filter"}},
	chem.KindHang: {a: "an anode", subject: required, names: "the anode", value: optional, sign: positive, dims: dimsMass,
		keys: []string{"form", "area_dm2", "bag", "top_up"}},
	chem.KindWeigh: {a: "a weighing", subject: required, names: "the anode", value: required, sign: notNegative, dims: dimsMass},
	chem.KindPull:  {a: "a pulled anode", subject: required, names: "the anode, or all", value: optional, sign: notNegative, dims: dimsMass},
	chem.KindNote:  {a: "a note", note: true},
	chem.KindVoid:  {a: "a void", subject: required, names: "the id of the fact that does not stand", note: true},
}

// dimsFor returns what the unit of the row's value may measure. Two kinds leave
// it to the subject.
func (u *rule) dimsFor(r *Row) []chem.Dimension {
	switch chem.Kind(r.Kind) {
	case chem.KindAssay:
		switch r.Subject {
		case subjectPH:
			return dimsPH
		case subjectTemperature:
			return dimsDegrees
		case subjectDensity:
			return dimsDensity
		}
		return dimsConc
	case chem.KindTreat:
		if r.Subject == string(chem.TreatDummy) {
			return dimsCharge
		}
		return dimsAmount
	}
	return u.dims
}

// Decode turns a row into the fact it says, after checking all that a row can
// show by itself: a known kind, the columns the kind needs and no others, the
// unit's dimension, signs, canonical numbers and units, clean text. What needs
// the bath (is there such a constituent, is so much in the tank) is checked
// elsewhere. Errors are *[ColumnError]; the fact is then zero. The row's hash
// has no place in a fact; keys of more that the kind does not use are left out
// of the fact and stay in the row.
func Decode(r Row) (chem.Fact, error) {
	body, err := decode(&r)
	if err != nil {
		return chem.Fact{}, err
	}
	return chem.Fact{Number: r.Number, ID: r.ID, Time: r.Time.UTC(), Bath: r.Bath, Entered: r.Entered.UTC(), By: r.By, Note: r.Note, Body: body}, nil
}

// Encode turns a fact into its row, without a hash: the chain is the
// database's. Times are cut to the microsecond. Quantities that live in more
// are written in the unit of their key; one that was typed in another unit is
// converted, to 12 significant digits. What has no place in a row (an
// uncertainty of an area) is an error, as is any fact whose row [Decode] would
// refuse. Errors are *[ColumnError]; the row is then zero.
func Encode(f chem.Fact) (Row, error) {
	if f.Body == nil {
		return Row{}, wrong("kind", "the fact says nothing; its body is missing")
	}
	row := Row{
		Time: f.Time.UTC().Truncate(time.Microsecond), Bath: f.Bath, Kind: string(f.Kind()), Note: f.Note,
		ID: f.ID, Entered: f.Entered.UTC().Truncate(time.Microsecond), By: f.By, Number: f.Number,
	}
	e, err := encodeBody(&row, f.Body)
	if err != nil {
		return Row{}, err
	}
	if u := rules[f.Kind()]; u != nil {
		row.More = e.json(u.keys)
	}
	if _, err := decode(&row); err != nil {
		return Row{}, err
	}
	return row, nil
}

// decode returns the body, or the first thing wrong from left to right.
func decode(r *Row) (chem.Body, error) {
	if err := checkTime("time", r.Time); err != nil {
		return nil, err
	}
	u := rules[chem.Kind(r.Kind)]
	if u == nil {
		return nil, unknownKind(r.Kind)
	}
	if err := checkBath(r, u); err != nil {
		return nil, err
	}
	if err := checkSubject(r, u); err != nil {
		return nil, err
	}
	if err := checkValue(r, u); err != nil {
		return nil, err
	}
	if err := checkText("note", r.Note, true); err != nil {
		return nil, err
	}
	if u.note && strings.TrimSpace(r.Note) == "" {
		why := "a text is missing"
		switch chem.Kind(r.Kind) {
		case chem.KindSetting, chem.KindVoid:
			why = "a reason is missing; say why in a few words"
		}
		return nil, wrong("note", "%s", why)
	}
	if !r.Entered.IsZero() {
		if err := checkTime("entered", r.Entered); err != nil {
			return nil, err
		}
	}
	if err := checkText("by", r.By, false); err != nil {
		return nil, err
	}
	if err := checkHash(r.Hash); err != nil {
		return nil, err
	}
	if len(r.Bath)+len(r.Subject)+len(r.Note)+len(r.By)+len(r.More) > MaxText {
		return nil, wrong("", "the row's texts are longer than %d bytes together; shorten them", MaxText)
	}
	var e extras
	if r.More != "" {
		if err := e.read(r.More, u.keys); err != nil {
			return nil, err
		}
	}
	return decodeBody(r, &e)
}

func unknownKind(s string) *ColumnError {
	names := make([]string, 0, len(rules))
	for _, k := range chem.Kinds() {
		names = append(names, string(k))
	}
	if s == "" {
		return wrong("kind", "missing; one of %s", strings.Join(names, ", "))
	}
	if near := nearest(s, names); near != "" {
		return wrong("kind", "unknown kind %s; did you mean %s?", clip(s), near)
	}
	return wrong("kind", "unknown kind %s; one of %s", clip(s), strings.Join(names, ", "))
}

// checkTime refuses years that RFC 3339 cannot write and those that can only be
// slips of the keyboard.
func checkTime(column string, t time.Time) error {
	switch {
	case t.IsZero():
		return wrong(column, "missing; write it as 2026-01-05T18:00:00Z")
	case t.UTC().Year() < 1900 || t.UTC().Year() > 9999:
		return wrong(column, "the year %d lies outside 1900 to 9999", t.UTC().Year())
	case t.Nanosecond()%1000 != 0:
		return wrong(column, "finer than a microsecond")
	}
	return nil
}

func checkBath(r *Row, u *rule) error {
	shop := chem.Kind(r.Kind).OfShop()
	switch {
	case shop && r.Bath != "":
		return wrong("bath", "%s belongs to the shop, not to %s; leave the bath empty", u.a, clip(r.Bath))
	case !shop && r.Bath == "" && chem.Kind(r.Kind) != chem.KindNote && chem.Kind(r.Kind) != chem.KindVoid:
		// The shop's own chain needs remarks, and voids of its titrants and stock.
		return wrong("bath", "missing; %s needs the name of its bath", u.a)
	}
	return checkName("bath", r.Bath)
}

func checkSubject(r *Row, u *rule) error {
	switch {
	case u.subject == never && r.Subject != "":
		return wrong("subject", "%s takes no subject; %s belongs in the note", u.a, clip(r.Subject))
	case u.subject == required && r.Subject == "":
		if u.words != nil {
			return wrong("subject", "missing; one of %s", strings.Join(u.words, ", "))
		}
		return wrong("subject", "missing; %s needs %s", u.a, u.names)
	}
	if u.words != nil && !slices.Contains(u.words, r.Subject) {
		return wrong("subject", "%s is not one of %s", clip(r.Subject), strings.Join(u.words, ", "))
	}
	if err := checkName("subject", r.Subject); err != nil {
		return err
	}
	switch chem.Kind(r.Kind) {
	case chem.KindAssay:
		for _, name := range []string{subjectPH, subjectTemperature, subjectDensity} {
			if r.Subject != name && strings.EqualFold(r.Subject, name) {
				return wrong("subject", "%s is written %s", clip(r.Subject), name)
			}
		}
	case chem.KindHang, chem.KindWeigh:
		if r.Subject == chem.AllAnodes {
			return wrong("subject", "%q means every anode, which only pull takes; name one anode", r.Subject)
		}
	case chem.KindVoid:
		if _, err := parseID(r.Subject); err != nil {
			return wrong("subject", "%s; %s is wanted", err, u.names)
		}
	}
	return nil
}

func checkValue(r *Row, u *rule) error {
	if r.Value == "" {
		dims := u.dimsFor(r)
		switch {
		case u.value == required:
			return wrong("value", "missing; %s needs a number with its unit, such as %s", u.a, chem.UnitsOf(dims...))
		case r.Unit != "":
			return wrong("unit", "%s without a number before it", clip(r.Unit))
		case r.U != "":
			return wrong("u", "an uncertainty without a value")
		}
		return nil
	}
	if u.value == never {
		return wrong("value", "%s takes no number; %s belongs in the note", u.a, clip(r.Value))
	}
	if err := checkNumber("value", r.Value, u.signFor(r)); err != nil {
		return err
	}
	unit, err := chem.ParseUnit(r.Unit)
	if err != nil {
		return wrong("unit", "%s%s", err, such(u.dimsFor(r)))
	}
	if string(unit) != r.Unit {
		return wrong("unit", "%s is written %s", clip(r.Unit), unit)
	}
	m := chem.Measured{Number: chem.Decimal(r.Value), Unit: unit}
	if err := m.Check(u.dimsFor(r)...); err != nil {
		return wrong("unit", "%s", err)
	}
	if r.Subject == subjectTemperature && chem.Kind(r.Kind) == chem.KindAssay && m.Value("degC") < absoluteZero {
		return wrong("value", "%s lies below absolute zero", m)
	}
	if r.U != "" {
		return checkNumber("u", r.U, notNegative)
	}
	return nil
}

// absoluteZero is 0 K; SI Brochure, 9th edition (2019), 2.3.1: t/degC = T/K - 273.15, exact; from memory.
const absoluteZero = -273.15 // degC

// signFor lets a pH and a temperature be below zero: a strong acid and a cold
// shop.
func (u *rule) signFor(r *Row) sign {
	if chem.Kind(r.Kind) == chem.KindAssay && (r.Subject == subjectPH || r.Subject == subjectTemperature) {
		return anySign
	}
	return u.sign
}

func such(dims []chem.Dimension) string {
	if list := chem.UnitsOf(dims...); list != "" {
		return ", such as " + list
	}
	return ""
}

// checkNumber demands the canonical form, so that a number has one spelling in
// the chain.
func checkNumber(column, s string, allowed sign) error {
	if !canonical(s) {
		d, err := chem.ParseDecimal(s)
		if err != nil {
			return wrong(column, "%s", clipError(err))
		}
		if string(d) != s {
			return wrong(column, "%s is written %s", clip(s), d)
		}
	}
	return checkSign(column, "", s, allowed)
}

func checkSign(column, key, s string, allowed sign) error {
	switch {
	case allowed != anySign && s[0] == '-':
		if allowed == positive {
			return wrong(column, "%s%s is below zero; it must be more than 0", key, s)
		}
		return wrong(column, "%s%s is below zero; it must be 0 or more", key, s)
	case allowed == positive && strings.Trim(s, "0.") == "":
		return wrong(column, "%s%s must be more than 0", key, s)
	}
	return nil
}

// canonical tells, without allocating, whether s is a short number in the form
// of chem.Decimal. False only means that chem.ParseDecimal has to look.
func canonical(s string) bool {
	t := strings.TrimPrefix(s, "-")
	if len(t) == 0 || len(t) > 20 || len(t) > 1 && t[0] == '0' && t[1] != '.' || t[0] == '.' || t[len(t)-1] == '.' {
		return false
	}
	points, zero := 0, true
	for i := range len(t) {
		switch {
		case t[i] == '.':
			points++
		case t[i] < '0' || t[i] > '9':
			return false
		case t[i] != '0':
			zero = false
		}
	}
	return points < 2 && (len(t) == len(s) || !zero)
}

func checkName(column, s string) error {
	if strings.TrimSpace(s) != s {
		return wrong(column, "%s begins or ends with a space", clip(s))
	}
	return checkText(column, s, false)
}

// checkText refuses what PostgreSQL cannot store (NUL, broken UTF-8) and what
// can play tricks on a terminal (control characters).
func checkText(column, s string, lines bool) error {
	for i := range len(s) {
		if c := s[i]; c < ' ' || c >= 0x7f {
			return checkRunes(column, s, lines)
		}
	}
	return nil
}

func checkRunes(column, s string, lines bool) error {
	if !utf8.ValidString(s) {
		return wrong(column, "%s is not UTF-8; save the text as UTF-8", clip(s))
	}
	for _, c := range s {
		switch {
		case !unicode.IsControl(c):
		case lines && (c == '\n' || c == '\r' || c == '\t'):
		case c == '\n' || c == '\r':
			return wrong(column, "%s has a line break in it; only a note may", clip(s))
		default:
			return wrong(column, "%s has a control character (U+%04X) in it", clip(s), c)
		}
	}
	return nil
}

func checkHash(s string) error {
	if s != "" && (len(s) != 64 || strings.Trim(s, "0123456789abcdef") != "") {
		return wrong("hash", "%s is not 64 hexadecimal digits in lower case", clip(s))
	}
	return nil
}

// parseID takes only the usual 36 characters in lower case: an id has one
// spelling in the chain.
func parseID(s string) (uuid.UUID, error) {
	id, err := uuid.Parse(s)
	if err != nil || id.String() != s {
		return uuid.Nil, fmt.Errorf("%s is not an id such as 0195f3c8-0000-7000-8000-000000000000", clip(s))
	}
	return id, nil
}

// clip quotes a cell for a message and keeps the message readable where the
// cell is not.
func clip(s string) string {
	const most = 60
	if len(s) > most {
		cut := most
		for cut > 0 && !utf8.RuneStart(s[cut]) {
			cut--
		}
		return fmt.Sprintf("%q…", s[:cut])
	}
	return fmt.Sprintf("%q", s)
}

func clipError(err error) string {
	const most = 300
	s := err.Error()
	if len(s) > most {
		cut := most
		for cut > 0 && !utf8.RuneStart(s[cut]) {
			cut--
		}
		return s[:cut] + "…"
	}
	return s
}

// decodeBody builds the body of a row whose columns are checked, and checks
// what binds columns and keys together.
func decodeBody(r *Row, e *extras) (chem.Body, error) {
	m := chem.Measured{Number: chem.Decimal(r.Value), Unit: chem.Unit(r.Unit), U: chem.Decimal(r.U)}
	switch chem.Kind(r.Kind) {
	case chem.KindBath:
		if e.most.Given() && e.least.Given() && e.least.Float() > e.most.Float() {
			return nil, wrong("more", "least_L %s is more than most_L %s", e.least, e.most)
		}
		return chem.Begin{Volume: m, Zone: e.zone, Recipe: e.recipe, Tank: chem.Tank{
			Length: in(e.length, "cm"), Width: in(e.width, "cm"), Height: in(e.height, "cm"), Most: in(e.most, "L"), Least: in(e.least, "L"),
		}}, nil
	case chem.KindSetting:
		if !m.Given() && e.text == "" {
			return nil, wrong("value", "missing; a setting needs the new number, or its new text as text in more")
		}
		return chem.Setting{Key: r.Subject, Value: m, Text: e.text}, nil
	case chem.KindTitrant:
		return chem.Titrant{Name: r.Subject, Molarity: m, Factor: e.factor, UFactor: e.factorU, Lot: e.lot, Opened: e.opened, Expires: e.expires}, nil
	case chem.KindMaterial:
		return chem.Stock{Material: r.Subject, Amount: m, Lot: e.lot, Price: e.price, Opened: e.opened, Expires: e.expires}, nil
	case chem.KindFill:
		return chem.Fill{Volume: m, Origin: chem.Origin(e.origin), Composition: e.composition, Weighed: e.weighed}, nil
	case chem.KindLevel:
		return chem.Level{Volume: m, Height: in(e.height, "cm")}, nil
	case chem.KindAssay:
		return chem.Assay{Of: r.Subject, Value: m, ULot: e.uLot, Titration: e.titration(), Sample: e.drawn()}, nil
	case chem.KindPanel:
		if !m.Given() && e.pattern == "" {
			return nil, wrong("value", "missing; a panel needs the amount read from it, or pattern in more: low, right or high")
		}
		return chem.Panel{Of: r.Subject, Value: m, Pattern: chem.Pattern(e.pattern), Current: in(e.current, "A"), Minutes: e.minutes,
			Trial: in(e.trial, "mL"), Sample: e.drawn()}, nil
	case chem.KindMeter:
		return chem.Meter{Supply: r.Subject, Reading: m, Reset: e.reset}, nil
	case chem.KindPlate:
		if e.rampMin.Given() && e.hours.Given() && e.rampMin.Float() > 60*e.hours.Float() {
			return nil, wrong("more", "ramp_min %s is longer than the run of hours %s", e.rampMin, e.hours)
		}
		return chem.Plate{Part: r.Subject, Charge: m, Hours: e.hours, Area: in(e.area, "dm2"), Current: in(e.current, "A"),
			RampFrom: in(e.rampFrom, "A"), Ramp: in(e.rampMin, "min"), Gain: in(e.gain, "g"),
			Thickness: in(e.thickness, "um")}, nil
	case chem.KindAdd:
		advice, err := e.advised()
		if err != nil {
			return nil, err
		}
		return chem.Add{Material: r.Subject, Amount: m, Lot: e.lot, Advice: advice}, nil
	case chem.KindBail:
		advice, err := e.advised()
		if err != nil {
			return nil, err
		}
		return chem.Bail{Volume: m, Advice: advice}, nil
	case chem.KindTreat:
		return chem.Treat{With: chem.Treatment(r.Subject), Amount: m, Hours: e.hours}, nil
	case chem.KindChange:
		return chem.Change{What: r.Subject}, nil
	case chem.KindHang:
		if !m.Given() && e.form != formInert {
			return nil, wrong("value", "missing; an anode needs its mass, or the form %s in more where it does not dissolve", formInert)
		}
		return chem.Hang{Anode: r.Subject, Mass: m, Form: e.form, Area: in(e.area, "dm2"), Bag: e.bag, TopUp: e.topUp}, nil
	case chem.KindWeigh:
		return chem.Weigh{Anode: r.Subject, Mass: m}, nil
	case chem.KindPull:
		if r.Subject == chem.AllAnodes && m.Given() {
			return nil, wrong("value", "one mass cannot be that of %q; pull each anode with its own, or leave it out", chem.AllAnodes)
		}
		return chem.Pull{Anode: r.Subject, Mass: m}, nil
	case chem.KindNote:
		return chem.Remark{}, nil
	case chem.KindVoid:
		id, err := parseID(r.Subject)
		return chem.Void{Target: id}, err
	}
	return nil, unknownKind(r.Kind)
}

// encodeBody fills the columns of the row and returns the keys of more.
func encodeBody(r *Row, body chem.Body) (*extras, error) {
	e := &extras{}
	value := func(m chem.Measured) { r.Value, r.Unit, r.U = string(m.Number), string(m.Unit), string(m.U) }
	var err error
	// to writes a quantity under its key in more, where only the number has room.
	to := func(slot *chem.Decimal, key string, m chem.Measured, unit chem.Unit) {
		if err != nil || m == (chem.Measured{}) {
			return
		}
		switch d, problem := convert(m, unit); {
		case m.U.Given():
			err = wrong("more", "%s takes no uncertainty; leave out the %s after %s", key, m.U, m)
		case problem != nil:
			err = wrong("more", "%s: %s", key, problem)
		default:
			*slot = d
		}
	}
	sample := func(s chem.Sample) {
		to(&e.sample, "sample_mL", s.Volume, "mL")
		e.returned = s.Returned
	}
	switch b := body.(type) {
	case chem.Begin:
		value(b.Volume)
		e.recipe, e.zone = b.Recipe, b.Zone
		to(&e.length, "length_cm", b.Tank.Length, "cm")
		to(&e.width, "width_cm", b.Tank.Width, "cm")
		to(&e.height, "height_cm", b.Tank.Height, "cm")
		to(&e.most, "most_L", b.Tank.Most, "L")
		to(&e.least, "least_L", b.Tank.Least, "L")
	case chem.Setting:
		value(b.Value)
		r.Subject, e.text = b.Key, b.Text
	case chem.Titrant:
		value(b.Molarity)
		r.Subject, e.lot, e.factor, e.factorU, e.opened, e.expires = b.Name, b.Lot, b.Factor, b.UFactor, b.Opened, b.Expires
	case chem.Stock:
		value(b.Amount)
		r.Subject, e.lot, e.price, e.opened, e.expires = b.Material, b.Lot, b.Price, b.Opened, b.Expires
	case chem.Fill:
		value(b.Volume)
		e.origin, e.composition, e.weighed = string(b.Origin), b.Composition, b.Weighed
	case chem.Level:
		value(b.Volume)
		to(&e.height, "height_cm", b.Height, "cm")
	case chem.Assay:
		value(b.Value)
		r.Subject, e.uLot = b.Of, b.ULot
		if t := b.Titration; t != nil {
			e.method, e.delivered, e.aliquot, e.blank, e.titrant = t.Method, t.Delivered, t.Aliquot, t.Blank, t.Titrant
			e.lot, e.molarity, e.factor, e.factorU, e.titrantDate = t.Lot, t.Molarity, t.Factor, t.UFactor, t.TitrantDate
		}
		sample(b.Sample)
	case chem.Panel:
		value(b.Value)
		r.Subject, e.pattern, e.minutes = b.Of, string(b.Pattern), b.Minutes
		to(&e.current, "current_A", b.Current, "A")
		to(&e.trial, "trial_mL", b.Trial, "mL")
		sample(b.Sample)
	case chem.Meter:
		value(b.Reading)
		r.Subject, e.reset = b.Supply, b.Reset
	case chem.Plate:
		value(b.Charge)
		r.Subject, e.hours = b.Part, b.Hours
		to(&e.area, "area_dm2", b.Area, "dm2")
		to(&e.current, "current_A", b.Current, "A")
		to(&e.rampFrom, "ramp_from_A", b.RampFrom, "A")
		to(&e.rampMin, "ramp_min", b.Ramp, "min")
		to(&e.gain, "gain_g", b.Gain, "g")
		to(&e.thickness, "thickness_um", b.Thickness, "um")
	case chem.Add:
		value(b.Amount)
		r.Subject, e.lot = b.Material, b.Lot
		e.advice = adviceText(b.Advice)
	case chem.Bail:
		value(b.Volume)
		e.advice = adviceText(b.Advice)
	case chem.Treat:
		value(b.Amount)
		r.Subject, e.hours = string(b.With), b.Hours
	case chem.Change:
		r.Subject = b.What
	case chem.Hang:
		value(b.Mass)
		r.Subject, e.form, e.bag, e.topUp = b.Anode, b.Form, b.Bag, b.TopUp
		to(&e.area, "area_dm2", b.Area, "dm2")
	case chem.Weigh:
		value(b.Mass)
		r.Subject = b.Anode
	case chem.Pull:
		value(b.Mass)
		r.Subject = b.Anode
	case chem.Remark:
	case chem.Void:
		r.Subject = b.Target.String()
	default:
		return nil, unknownKind(string(body.Kind()))
	}
	return e, err
}
