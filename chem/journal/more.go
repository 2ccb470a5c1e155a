package journal

import (
	"maps"
	"slices"
	"strconv"
	"strings"

	"github.com/google/uuid"

	"steadybath/chem"
)

// formInert is an anode that does not dissolve and so has no mass to follow.
const formInert = "inert"

// extras are the keys of more, of all kinds together. Which of them a kind
// uses, and in which order they are written, says its rule.
type extras struct {
	recipe, zone, text, origin, method, titrant, lot, titrantDate, opened, expires, pattern, form, bag, advice string

	length, width, height, most, least, aliquot, blank, molarity, factor, factorU, uLot, sample,
	price, hours, area, current, rampFrom, rampMin, gain, thickness, minutes, trial chem.Decimal

	delivered              []chem.Decimal
	composition            map[string]chem.Measured
	weighed                map[string]chem.Weighed
	returned, reset, topUp bool
}

// slot returns where the value of a key goes, as *string, *chem.Decimal, *bool,
// *[]chem.Decimal, *map[string]chem.Measured or *map[string]chem.Weighed, and which sign a number may
// have.
func (e *extras) slot(key string) (any, sign) {
	switch key {
	case "recipe":
		return &e.recipe, anySign
	case "zone":
		return &e.zone, anySign
	case "text":
		return &e.text, anySign
	case "from":
		return &e.origin, anySign
	case "method":
		return &e.method, anySign
	case "titrant":
		return &e.titrant, anySign
	case "lot":
		return &e.lot, anySign
	case "titrant_date":
		return &e.titrantDate, anySign
	case "opened":
		return &e.opened, anySign
	case "expires":
		return &e.expires, anySign
	case "pattern":
		return &e.pattern, anySign
	case "form":
		return &e.form, anySign
	case "bag":
		return &e.bag, anySign
	case "advice":
		return &e.advice, anySign
	case "length_cm":
		return &e.length, positive
	case "width_cm":
		return &e.width, positive
	case "height_cm":
		return &e.height, positive
	case "most_L":
		return &e.most, positive
	case "least_L":
		return &e.least, notNegative
	case "aliquot_mL":
		return &e.aliquot, positive
	case "blank_mL":
		return &e.blank, notNegative
	case "molarity":
		return &e.molarity, positive
	case "factor":
		return &e.factor, positive
	case "factor_u":
		return &e.factorU, notNegative
	case "u_lot":
		return &e.uLot, notNegative
	case "sample_mL":
		return &e.sample, notNegative
	case "price":
		return &e.price, notNegative
	case "hours":
		return &e.hours, positive
	case "area_dm2":
		return &e.area, positive
	case "current_A":
		return &e.current, notNegative
	case "ramp_from_A":
		return &e.rampFrom, notNegative
	case "ramp_min":
		return &e.rampMin, notNegative
	case "gain_g":
		return &e.gain, notNegative
	case "thickness_um":
		return &e.thickness, notNegative
	case "minutes":
		return &e.minutes, positive
	case "trial_mL":
		return &e.trial, notNegative
	case "delivered_mL":
		return &e.delivered, notNegative
	case "composition":
		return &e.composition, notNegative
	case "weighed":
		return &e.weighed, notNegative
	case "returned":
		return &e.returned, anySign
	case "top_up":
		return &e.topUp, anySign
	case "reset":
		return &e.reset, anySign
	}
	return nil, anySign
}

// choices returns the only words a key takes; nil: any text.
func choices(key string) []string {
	switch key {
	case "from":
		return []string{string(chem.OriginMakeUp), string(chem.OriginBought), string(chem.OriginRunning)}
	case "pattern":
		return []string{string(chem.PatternLow), string(chem.PatternRight), string(chem.PatternHigh)}
	case "form":
		return []string{"slab", "bar", "nuggets", formInert}
	}
	return nil
}

func checkChoice(column, key, s string) error {
	switch key {
	case "from", "pattern", "form":
		if words := choices(key); !slices.Contains(words, s) {
			return wrong(column, "%s %s is not one of %s", key, clip(s), strings.Join(words, ", "))
		}
	}
	return nil
}

// advised returns the advice that the row carries out, the zero id where it names
// none.
func (e *extras) advised() (uuid.UUID, error) {
	if e.advice == "" {
		return uuid.Nil, nil
	}
	id, err := parseID(e.advice)
	if err == nil && id == uuid.Nil {
		return id, wrong("more", "advice %s names nothing; leave it out", e.advice)
	}
	if err != nil {
		return id, wrong("more", "advice %s", err)
	}
	return id, nil
}

func adviceText(id uuid.UUID) string {
	if id == uuid.Nil {
		return ""
	}
	return id.String()
}

// titration returns how the assay was found, nil where the row does not say.
func (e *extras) titration() *chem.Titration {
	t := chem.Titration{Method: e.method, Delivered: e.delivered, Aliquot: e.aliquot, Blank: e.blank, Titrant: e.titrant,
		Lot: e.lot, Molarity: e.molarity, Factor: e.factor, UFactor: e.factorU, TitrantDate: e.titrantDate}
	if t.Method+t.Titrant+t.Lot+t.TitrantDate == "" && len(t.Delivered) == 0 &&
		t.Aliquot+t.Blank+t.Molarity+t.Factor+t.UFactor == "" {
		return nil
	}
	return &t
}

func (e *extras) drawn() chem.Sample {
	return chem.Sample{Volume: in(e.sample, "mL"), Returned: e.returned}
}

// in gives a number of more the unit of its key.
func in(d chem.Decimal, unit chem.Unit) chem.Measured {
	if !d.Given() {
		return chem.Measured{}
	}
	return chem.Measured{Number: d, Unit: unit}
}

// convert returns the number in the unit of its key: as typed where it was
// typed in that unit, else to 12 significant digits, fewer than a float64 has
// and more than any instrument.
func convert(m chem.Measured, unit chem.Unit) (chem.Decimal, error) {
	if m.Unit == unit {
		return m.Number, nil
	}
	if err := m.Check(unit.Dimension()); err != nil {
		return "", err
	}
	v, _, err := m.In(unit)
	if err != nil {
		return "", err
	}
	return chem.ParseDecimal(strconv.FormatFloat(v, 'g', 12, 64))
}

// json writes the keys that are set as one compact object, "" where none is.
// What is written wrongly (a Decimal that is no number) is found when the row
// is decoded.
func (e *extras) json(keys []string) string {
	var b []byte
	for _, key := range keys {
		slot, _ := e.slot(key)
		mark := len(b)
		b = append(append(append(b, ",\""...), key...), "\":"...)
		switch v := slot.(type) {
		case *string:
			if *v != "" {
				b = appendText(b, *v)
				continue
			}
		case *chem.Decimal:
			if v.Given() {
				b = append(b, *v...)
				continue
			}
		case *bool:
			if *v {
				b = append(b, "true"...)
				continue
			}
		case *[]chem.Decimal:
			if len(*v) > 0 {
				for i, d := range *v {
					b = append(append(b, "[,"[min(i, 1)]), d...)
				}
				b = append(b, ']')
				continue
			}
		case *map[string]chem.Measured:
			if len(*v) > 0 {
				b = appendParts(b, slices.Sorted(maps.Keys(*v)), func(name string) (chem.Measured, string) { return (*v)[name], "" })
				continue
			}
		case *map[string]chem.Weighed:
			if len(*v) > 0 {
				b = appendParts(b, slices.Sorted(maps.Keys(*v)), func(name string) (chem.Measured, string) { return (*v)[name].Amount, (*v)[name].Lot })
				continue
			}
		}
		b = b[:mark]
	}
	if len(b) == 0 {
		return ""
	}
	b[0] = '{'
	return string(append(b, '}'))
}

func appendParts(b []byte, names []string, part func(name string) (m chem.Measured, lot string)) []byte {
	for i, name := range names {
		m, lot := part(name)
		b = append(b, "{,"[min(i, 1)])
		b = append(appendText(b, name), `:{"value":`...)
		b = append(append(b, m.Number...), `,"unit":`...)
		b = appendText(b, string(m.Unit))
		if m.U.Given() {
			b = append(append(b, `,"u":`...), m.U...)
		}
		if lot != "" {
			b = appendText(append(b, `,"lot":`...), lot)
		}
		b = append(b, '}')
	}
	return append(b, '}')
}

// read fills in the keys that the kind uses. Others are passed over, but must
// be JSON that PostgreSQL takes too.
func (e *extras) read(text string, keys []string) error {
	if err := checkMoreText(text); err != nil {
		return err
	}
	p := scanner{s: text}
	var seen uint64
	first := true
	for {
		key, more, err := p.next(first)
		if err != nil {
			return wrong("more", "%s", err)
		}
		if !more {
			break
		}
		first = false
		i := slices.Index(keys, key)
		if i < 0 {
			if err := p.skip(1); err != nil {
				return wrong("more", "%s: %s", clip(key), err)
			}
			continue
		}
		if seen&(1<<i) != 0 {
			return wrong("more", "%s stands there twice", key)
		}
		seen |= 1 << i
		if err := e.readKey(&p, keys[i]); err != nil {
			return err
		}
	}
	if err := p.end(); err != nil {
		return wrong("more", "%s", err)
	}
	return nil
}

func checkMoreText(text string) error {
	if err := checkText("more", text, true); err != nil {
		return err
	}
	if strings.ContainsAny(text, "\n\r") {
		return wrong("more", "has a line break in it; write the object on one line")
	}
	return nil
}

func (e *extras) readKey(p *scanner, key string) error {
	slot, allowed := e.slot(key)
	var err error
	switch v := slot.(type) {
	case *string:
		if *v, err = p.text(); err != nil {
			break
		}
		return checkChoice("more", key, *v)
	case *bool:
		*v, err = p.flag()
	case *chem.Decimal:
		if *v, err = p.number(); err != nil {
			break
		}
		return checkSign("more", key+" ", string(*v), allowed)
	case *[]chem.Decimal:
		*v, err = p.numbers()
		if err != nil {
			break
		}
		for _, d := range *v {
			if err := checkSign("more", key+" ", string(d), allowed); err != nil {
				return err
			}
		}
	case *map[string]chem.Measured:
		return readParts(p, key, "constituent", dimsConc, func(name string, m chem.Measured, _ string) {
			if *v == nil {
				*v = map[string]chem.Measured{}
			}
			(*v)[name] = m
		})
	case *map[string]chem.Weighed:
		return readParts(p, key, "material", dimsAmount, func(name string, m chem.Measured, lot string) {
			if *v == nil {
				*v = map[string]chem.Weighed{}
			}
			(*v)[name] = chem.Weighed{Amount: m, Lot: lot}
		})
	}
	if err != nil {
		return wrong("more", "%s: %s", key, err)
	}
	return nil
}

// readParts reads quantities by name: concentrations of constituents, or amounts of
// materials, which may have a lot.
func readParts(p *scanner, key, of string, dims []chem.Dimension, put func(name string, m chem.Measured, lot string)) error {
	var names []string
	for first := true; ; first = false {
		name, more, err := p.next(first)
		if err != nil {
			return wrong("more", "%s: %s", key, err)
		}
		if !more {
			return nil
		}
		switch {
		case name == "" || strings.TrimSpace(name) != name:
			return wrong("more", "%s: %s is not the name of a %s", key, clip(name), of)
		case slices.Contains(names, name):
			return wrong("more", "%s: %s stands there twice", key, clip(name))
		}
		m, lot, err := readPart(p, of, dims)
		if err != nil {
			return wrong("more", "%s of %s: %s", key, clip(name), err)
		}
		names = append(names, name)
		put(name, m, lot)
	}
}

func readPart(p *scanner, of string, dims []chem.Dimension) (m chem.Measured, lot string, err error) {
	unit := ""
	for first := true; ; first = false {
		key, more, err := p.next(first)
		if err != nil {
			return chem.Measured{}, "", err
		}
		if !more {
			break
		}
		switch {
		case key == "value":
			m.Number, err = p.number()
		case key == "u":
			m.U, err = p.number()
		case key == "unit":
			unit, err = p.text()
		case key == "lot" && of == "material":
			lot, err = p.text()
		default:
			err = p.skip(3)
		}
		if err != nil {
			return chem.Measured{}, "", err
		}
	}
	if !m.Given() {
		return chem.Measured{}, "", wrong("", "the value is missing; leave the %s out where it is unknown", of)
	}
	for _, d := range []chem.Decimal{m.Number, m.U} {
		if d.Given() && d[0] == '-' {
			return chem.Measured{}, "", wrong("", "%s is below zero", d)
		}
	}
	if m.Unit, err = chem.ParseUnit(unit); err != nil {
		return chem.Measured{}, "", err
	}
	if string(m.Unit) != unit {
		return chem.Measured{}, "", wrong("", "%s is written %s", clip(unit), m.Unit)
	}
	return m, lot, m.Check(dims...)
}
