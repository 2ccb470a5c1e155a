package recipe

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"steadybath/chem"
)

// Key is one figure or text of a recipe that a setting can change.
type Key struct {
	Name string // dotted: "copper.high", "prior.evaporation", "method.copper by EDTA.aliquot_mL"
	Unit string // of its number, as in the recipe; empty for plain numbers and for text
	Text bool   // takes text, not a number
}

// Keys lists what [Apply] can change, in the order of the recipe file.
func Keys(r *chem.Recipe) []Key {
	var out []Key
	c := clone(r)
	for _, s := range sections(c) {
		for _, sl := range s.slots {
			if sl.fixed {
				continue
			}
			switch at := sl.at.(type) {
			case *string:
				out = append(out, Key{Name: s.dotted + sl.key, Text: true})
			case *float64, *chem.Prior:
				out = append(out, Key{Name: s.dotted + sl.key, Unit: sl.unit})
			case *[2]float64:
				out = append(out, Key{Name: s.dotted + sl.key + ".low", Unit: sl.unit}, Key{Name: s.dotted + sl.key + ".high", Unit: sl.unit})
			case *map[string]float64:
				for _, name := range slices.Sorted(maps.Keys(*at)) {
					out = append(out, Key{Name: s.dotted + sl.key + "." + name, Unit: bringsUnit(c, s, name)})
				}
			}
		}
	}
	return out
}

// Present returns what a key of [Keys] is now: a number in the key's own unit
// with the uncertainty that a prior has, or a text. Keys are found as [Apply]
// finds them, with the same errors.
func Present(r *chem.Recipe, key string) (value chem.Measured, text string, err error) {
	if r == nil {
		return value, "", errors.New("there is no recipe to look at")
	}
	c := clone(r)
	sec, sl, sub, err := find(c, key)
	if err != nil {
		return value, "", err
	}
	switch at := sl.at.(type) {
	case *string:
		return value, *at, nil
	case *float64:
		return chem.MeasuredOf(*at, chem.Unit(sl.unit), 0), "", nil
	case *chem.Prior:
		return chem.MeasuredOf(at.Value, chem.Unit(sl.unit), at.U), "", nil
	case *[2]float64:
		if i := slices.Index([]string{"low", "high"}, strings.ToLower(sub)); i >= 0 {
			return chem.MeasuredOf(at[i], chem.Unit(sl.unit), 0), "", nil
		}
	case *map[string]float64:
		k, _ := c.Constituent(sub)
		if f, ok := (*at)[k.Name]; ok {
			return chem.MeasuredOf(f, chem.Unit(bringsUnit(c, sec, k.Name)), 0), "", nil
		}
	}
	return value, "", fmt.Errorf("%s is no single number or text", clip(key))
}

// bringsUnit is that of one figure in brings: g of the constituent per kg.
func bringsUnit(r *chem.Recipe, s section, name string) string {
	k, _ := r.Constituent(name)
	for _, sl := range s.slots {
		if u, ok := sl.at.(*chem.Unit); ok {
			return amountIn(k.Unit) + "/" + string(*u)
		}
	}
	return ""
}

// Apply returns a copy of the recipe with one key changed, and leaves r as it
// is. Keys are dotted as [Keys] lists them; a method can also be named by its
// constituent, which means the first one for it, and names are taken in any
// case. A number is converted from any unit that fits. Where a setting states
// no uncertainty, a prior keeps the one it had. Anodes that become inert no
// longer dissolve; those that become soluble get the default rates.
// The whole recipe is checked again: an error says what would be wrong.
func Apply(r *chem.Recipe, s chem.Setting) (*chem.Recipe, error) {
	if r == nil {
		return nil, errors.New("there is no recipe to change")
	}
	out := clone(r)
	sec, sl, sub, err := find(out, s.Key)
	if err != nil {
		return nil, err
	}
	key := sec.dotted + sl.key
	if sl.fixed {
		return nil, fmt.Errorf("%s says what the bath is and cannot be changed by a setting; begin a new bath with another recipe", key)
	}
	if err := change(out, sec, sl, sub, key, s); err != nil {
		return nil, err
	}
	if key == "anodes" && !strings.EqualFold(out.Anodes, r.Anodes) {
		out.Anodes = strings.ToLower(out.Anodes)
		fresh := defaultRates(out.Anodes)
		out.Prior.AnodeEfficiency, out.Prior.Sludge, out.Prior.Dissolution = fresh.AnodeEfficiency, fresh.Sludge, chem.Prior{}
	}
	// The figure's old source says nothing about the new figure.
	out.Sources = slices.DeleteFunc(out.Sources, func(src chem.Source) bool { return strings.EqualFold(src.Key, key) })
	out.Sources = append(out.Sources, chem.Source{Key: key, Text: "yours to set: changed by a setting"})
	if faults := Check(out); len(faults) > 0 {
		return nil, fmt.Errorf("%s cannot be changed so: %w", key, errors.Join(faults...))
	}
	return out, nil
}

// find returns the slot of a dotted key. sub is what follows the slot's own
// key: low or high of a pair, the constituent of brings.
func find(r *chem.Recipe, key string) (sec section, sl slot, sub string, err error) {
	key = strings.TrimSpace(key)
	secs := sections(r)
	var known []string
	for _, method := range []bool{false, true} {
		for i := range secs {
			prefix := secs[i].dotted
			// The second time round a method goes by its constituent.
			if method {
				if !strings.HasPrefix(secs[i].path, "method.") {
					continue
				}
				prefix = "method." + *constituentOf(secs[i]) + "."
			}
			rest, ok := cutFold(key, prefix)
			if !ok {
				continue
			}
			for _, sl := range secs[i].slots {
				known = append(known, prefix+sl.key)
				if strings.EqualFold(rest, sl.key) {
					return secs[i], sl, "", nil
				}
				tail, ok := cutFold(rest, sl.key+".")
				if !ok {
					continue
				}
				switch sl.at.(type) {
				case *[2]float64, *map[string]float64:
					return secs[i], sl, tail, nil
				}
			}
		}
	}
	for _, k := range Keys(r) {
		known = append(known, k.Name)
	}
	if key == "" {
		return section{}, slot{}, "", errors.New("a setting needs a key, such as copper.high")
	}
	best := nearest(key, known)
	if strings.HasPrefix(best, "; the nearest is ") {
		best, _, _ = strings.Cut(best, ", and ") // the whole list would be pages long
	}
	return section{}, slot{}, "", fmt.Errorf("unknown key %s%s", clip(key), best)
}

func constituentOf(s section) *string {
	for _, sl := range s.slots {
		if sl.key == "constituent" {
			return sl.at.(*string)
		}
	}
	return new(string)
}

func cutFold(s, prefix string) (string, bool) {
	if len(s) < len(prefix) || !strings.EqualFold(s[:len(prefix)], prefix) {
		return s, false
	}
	return s[len(prefix):], true
}

func change(r *chem.Recipe, sec section, sl slot, sub, key string, s chem.Setting) error {
	if at, ok := sl.at.(*string); ok {
		if s.Value.Given() || strings.TrimSpace(s.Text) == "" {
			return fmt.Errorf("%s takes text, such as %s", key, sl.hintOr(`"murexide"`))
		}
		*at = clean(s.Text)
		return nil
	}
	value, u := s.Value, 0.0
	if !value.Given() {
		return fmt.Errorf("%s takes a number%s", key, inUnit(sl.unit))
	}
	number := func(unit string) (f float64, err error) {
		f, u, err = convert(value, unit, key)
		return f, err
	}
	var err error
	switch at := sl.at.(type) {
	case *float64:
		*at, err = number(sl.unit)
	case *chem.Prior:
		var f float64
		if f, err = number(sl.unit); err != nil {
			return err
		}
		at.Value = f
		if value.U.Given() {
			at.U = u
		}
	case *[2]float64:
		i := slices.Index([]string{"low", "high"}, strings.ToLower(sub))
		if i < 0 {
			return fmt.Errorf("%s has two numbers; name %s.low or %s.high", key, key, key)
		}
		at[i], err = number(sl.unit)
	case *map[string]float64:
		k, ok := r.Constituent(sub)
		if _, brings := (*at)[k.Name]; !ok || !brings {
			return fmt.Errorf("%s names what is brought, such as %s.%s", key, key, strings.Join(slices.Sorted(maps.Keys(*at)), ", "))
		}
		(*at)[k.Name], err = number(bringsUnit(r, sec, k.Name))
	default:
		return fmt.Errorf("%s is no number and cannot be changed by a setting", key)
	}
	return err
}

func (sl slot) hintOr(other string) string {
	if sl.hint != "" {
		return sl.hint
	}
	return other
}

func inUnit(unit string) string {
	if unit == "" {
		return ""
	}
	return " in " + unit
}

// convert turns a setting's number into the recipe's unit. Where that is none
// that is read off at a tank (a rate's, or what a material brings) it may be
// left out: rows written before chem knew such units have none.
func convert(m chem.Measured, unit, key string) (value, u float64, err error) {
	to, err := chem.ParseUnit(unit)
	if err != nil {
		if m.Unit != "" && !strings.EqualFold(string(m.Unit), unit) {
			return 0, 0, fmt.Errorf("%s is in %s, not %s", key, unit, m.Unit)
		}
		return m.Number.Float(), m.U.Float(), nil
	}
	if m.Unit == "" && to != "" && slices.Contains(unread, to.Dimension()) {
		return m.Number.Float(), m.U.Float(), nil
	}
	if m.Unit == "" && to != "" {
		return 0, 0, fmt.Errorf("%s needs a unit, such as %s %s", key, m.Number, to)
	}
	if value, u, err = m.In(to); err != nil {
		return 0, 0, fmt.Errorf("%s is in %s: %w", key, orPlain(to), err)
	}
	return value, u, nil
}

// unread are the dimensions of what nobody reads off an instrument.
var unread = []chem.Dimension{chem.DimVolPerCharge, chem.DimMassPerCharge, chem.DimVolPerTime, chem.DimMolPerTime, chem.DimPerTime,
	chem.DimVolPerArea, chem.DimMassPerMass, chem.DimVolPerMass}

func orPlain(u chem.Unit) string {
	if u == "" {
		return "a plain number"
	}
	return string(u)
}

// clone copies a recipe to the last map.
func clone(r *chem.Recipe) *chem.Recipe {
	out := *r
	out.Cautions = slices.Clone(r.Cautions)
	out.Sources = slices.Clone(r.Sources)
	out.References = slices.Clone(r.References)
	out.Constituents = slices.Clone(r.Constituents)
	out.Materials = slices.Clone(r.Materials)
	for i := range out.Materials {
		m := &out.Materials[i]
		m.Brings, m.Cautions = maps.Clone(m.Brings), slices.Clone(m.Cautions)
	}
	out.Methods = slices.Clone(r.Methods)
	for i := range out.Methods {
		m := &out.Methods[i]
		m.Steps, m.Cautions = slices.Clone(m.Steps), slices.Clone(m.Cautions)
	}
	return &out
}
