package hazard

import (
	"slices"
	"strings"

	"steadybath/chem"
)

// Kind is what a substance is dangerous as; general cautions go by it.
type Kind string

// The kinds.
const (
	Acid     Kind = "acid" // for the bath; the flask's have their own words
	Fuming   Kind = "fuming"
	Base     Kind = "base"
	Copper   Kind = "copper"
	Nickel   Kind = "nickel"
	Silver   Kind = "silver"
	Ammonia  Kind = "ammonia"
	Peroxide Kind = "peroxide"
	Chromate Kind = "chromate"
	Cyanide  Kind = "cyanide"
)

// Statement is a hazard statement of a substance: its code with where that is
// printed, its words with where those are.
type Statement struct{ Code, Source, Text, TextSource string }

// Substance is what the usual cautions are known of.
type Substance struct {
	Name       string
	Of         string // the form or strength that the statements are of; may be empty
	CAS        Said
	Statements []Statement // none where none is known to apply
	Do         []Said
	Brief      Said // one short line for other screens; empty where none is needed

	kinds []Kind
	names []string // other names, in lower case
}

// Is tells whether the substance is of the kind.
func (s Substance) Is(k Kind) bool { return slices.Contains(s.kinds, k) }

// Substances lists what is known, in order of name.
func Substances() []Substance {
	all := table()
	for i := range all {
		for k, s := range all[i].Statements {
			words := statement(s.Code)
			all[i].Statements[k].Text, all[i].Statements[k].TextSource = words.Text, words.Source
		}
	}
	slices.SortFunc(all, byName)
	return all
}

func byName(a, b Substance) int {
	return strings.Compare(strings.ToLower(a.Name), strings.ToLower(b.Name))
}

// Names lists the names of what is known.
func Names() []string {
	var names []string
	for _, s := range Substances() {
		names = append(names, s.Name)
	}
	return names
}

// Find returns the substance of a name as it stands in recipes, its strength and
// hydrate left aside: "sulfuric acid 35 %".
func Find(name string) (Substance, bool) {
	n := bare(name)
	for _, s := range Substances() {
		if n == s.Name || slices.Contains(s.names, n) {
			return s, true
		}
	}
	return Substance{}, false
}

// bare is a name in lower case without what says how strong or how wet it is.
func bare(name string) string {
	var words []string
	for _, w := range strings.Fields(strings.ToLower(name)) {
		w = strings.Trim(w, ",()")
		strength := w == "" || w[0] >= '0' && w[0] <= '9' || slices.Contains([]string{"%", "vol%", "solution", "concentrated", "conc.", "conc", "concentrate", "dilute", "anhydrous"}, w)
		if !strength && !strings.HasSuffix(w, "hydrate") {
			words = append(words, strings.ReplaceAll(w, "sulph", "sulf"))
		}
	}
	return strings.Join(words, " ")
}

// reagents are looked for in the steps of methods, where they have no other
// place.
func reagents() []string {
	return []string{"ammonia", "nitric acid", "potassium chromate", "sulfuric acid", "hydrochloric acid"}
}

// Of gathers what a recipe brings in: materials, titrants, reagents named in the
// steps of its methods, constituents that are substances of their own, and the
// treatments of its kind of bath. products are materials of which only the
// supplier knows what is in them. Both are in order of name.
func Of(r *chem.Recipe) (found []Substance, products []string) {
	take := func(name string) bool {
		s, ok := Find(name)
		if ok && !slices.ContainsFunc(found, func(f Substance) bool { return f.Name == s.Name }) {
			found = append(found, s)
		}
		return ok
	}
	for _, m := range r.Materials {
		switch {
		case take(m.Name) || m.Water:
		case m.Acid > 0:
			take("sulfuric acid")
		default:
			products = append(products, m.Name)
		}
	}
	for _, c := range r.Constituents {
		if !c.Contaminant() {
			take(c.Name)
		}
	}
	for _, m := range r.Methods {
		take(m.Titrant)
		said := strings.ToLower(m.Name + "\n" + strings.Join(m.Steps, "\n"))
		for _, name := range append(reagents(), "silver nitrate") {
			if strings.Contains(said, name) {
				take(name)
			}
		}
	}
	if r.Cyanide {
		if !slices.ContainsFunc(found, func(s Substance) bool { return s.Is(Cyanide) }) {
			take("cyanide")
		}
	} else {
		take("hydrogen peroxide")
		take("activated carbon")
	}
	slices.SortFunc(found, byName)
	slices.Sort(products)
	return found, slices.Compact(products)
}

// General lists the cautions that are about more than one substance, for those
// that are there; with none, those that always hold.
func General(found []Substance) []Said {
	var out []Said
	for _, g := range general() {
		met := func(k Kind) bool {
			return slices.ContainsFunc(found, func(s Substance) bool { return s.Is(k) })
		}
		if len(g.about) == 0 || slices.ContainsFunc(g.about, met) {
			out = append(out, g.Said)
		}
	}
	return out
}
