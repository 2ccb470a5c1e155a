package reports

import (
	"math"
	"regexp"
	"strconv"
	"strings"

	"steadybath/chem"
	"steadybath/chem/dose"
	"steadybath/chem/estimate"
)

// quantityWords finds the figures of a sentence that have a unit: one, or two
// with a word between them that share it, such as "46 to 54 g/L". The sentences
// of chem/estimate and chem/dose name a unit after every figure that has one.
var quantityWords = regexp.MustCompile(`(^|[\s(±])(-?\d+(?:\.\d+)?)(?:( ± | to | of | or )(-?\d+(?:\.\d+)?))? (g/L|L|mL|kg|g|A/dm2|dm2|degC|K|um)($|[\s),.:;])`)

// Words writes the figures of a sentence in the system's units, each with the
// digits it had and no fewer than three. Names are left as they are, whatever
// figures stand in them.
func (u Units) Words(text string, names ...string) string {
	if u != US {
		return text
	}
	for _, n := range names {
		if quantityWords.MatchString(n) {
			if before, after, found := strings.Cut(text, n); found {
				return u.Words(before, names...) + n + u.Words(after, names...)
			}
		}
	}
	var b strings.Builder
	for {
		at := quantityWords.FindStringSubmatchIndex(text)
		if at == nil {
			return b.String() + text
		}
		part := func(i int) string {
			if at[2*i] < 0 {
				return ""
			}
			return text[at[2*i]:at[2*i+1]]
		}
		unit := chem.Unit(part(5))
		b.WriteString(text[:at[3]])
		b.WriteString(u.figure(part(2), unit, false))
		if part(4) != "" {
			b.WriteString(part(3) + u.figure(part(4), unit, part(3) == " ± "))
		}
		b.WriteString(" " + u.unit(unit))
		text = text[at[11]:] // the mark behind it may stand before the next
	}
}

// kelvin is a difference of temperatures, and no unit that is typed.
const kelvin = "K"

func (u Units) unit(unit chem.Unit) string {
	if unit == kelvin {
		unit = "degC"
	}
	return string(second(u.Show(0, unit)))
}

// figure turns one figure as written; a difference has no zero point.
func (u Units) figure(text string, unit chem.Unit, difference bool) string {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return text
	}
	switch {
	case unit == kelvin:
		v *= u.scale("degC")
	case difference:
		v *= u.scale(unit)
	default:
		v, _ = u.Show(v, unit)
	}
	if v == 0 {
		return "0"
	}
	digits := max(3, len(strings.TrimLeft(strings.NewReplacer("-", "", ".", "").Replace(text), "0")))
	s := strconv.FormatFloat(v, 'f', max(0, digits-1-int(math.Floor(math.Log10(math.Abs(v))))), 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// PlanWords is the plan with its sentences in the system's units; its figures
// stay as they are.
func (u Units) PlanWords(p *dose.Plan) *dose.Plan {
	if u != US || p == nil {
		return p
	}
	var names []string
	for _, a := range p.Additions {
		names = append(names, a.Material.Name)
	}
	for _, a := range p.After {
		names = append(names, a.Name)
	}
	say := func(s string) string { return u.Words(s, names...) }
	all := func(list []string) []string {
		var out []string
		for _, s := range list {
			out = append(out, say(s))
		}
		return out
	}
	out := *p
	out.Additions = nil
	for _, a := range p.Additions {
		a.Why, a.Cautions = say(a.Why), all(a.Cautions)
		portions := a.Portions
		a.Portions = nil
		for _, q := range portions {
			q.Wait = say(q.Wait)
			a.Portions = append(a.Portions, q)
		}
		out.Additions = append(out.Additions, a)
	}
	out.BailWhy, out.BailCautions = say(p.BailWhy), all(p.BailCautions)
	out.Compromise, out.Cautions, out.Quiet = say(p.Compromise), all(p.Cautions), all(p.Quiet)
	out.TitrateFirst, out.Refused = nil, nil
	for _, r := range p.TitrateFirst {
		r.Why = say(r.Why)
		out.TitrateFirst = append(out.TitrateFirst, r)
	}
	for _, r := range p.Refused {
		r.Why = say(r.Why)
		out.Refused = append(out.Refused, r)
	}
	return &out
}

// flagWords says why a flag is there in the system's units.
func (u Units) flagWords(e *estimate.Estimate, f estimate.Flag) string {
	var names []string
	for _, c := range e.Recipe.Constituents {
		names = append(names, c.Name)
	}
	for _, m := range e.Recipe.Materials {
		names = append(names, m.Name)
	}
	return u.Words(f.Why, names...)
}
