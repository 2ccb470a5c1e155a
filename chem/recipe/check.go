package recipe

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"steadybath/chem"
)

const (
	mostChloride = 1.0  // g/L with inert anodes; more makes chlorine gas: a rule of this tool, no published threshold
	mostCharge   = 8    // electrons per ion: no ion in a bath takes more (general chemistry)
	assayOff     = 0.02 // relative; how far a sulfuric acid's figures may contradict each other: rounding of labels, no source
)

// Check finds what is wrong with a recipe in itself, one error a fault: the
// same faults that [Parse] gives with lines. No errors means that the recipe can
// be used.
func Check(r *chem.Recipe) []error {
	var list []Fault
	for _, f := range check(r, map[string]bool{}) {
		list = append(list, Fault{Text: f.text})
	}
	return errorsOf(list)
}

// finding is a fault with the path of the key that it is about.
type finding struct{ path, text string }

type checker struct {
	r   *chem.Recipe
	bad map[string]bool
	out []finding
}

// check looks at every figure alone first, then at figures beside each other.
// Keys in bad have had their say already.
func check(r *chem.Recipe, bad map[string]bool) []finding {
	c := &checker{r: r, bad: maps.Clone(bad)}
	for _, s := range sections(r) {
		for _, sl := range s.slots {
			c.slot(s, sl)
		}
	}
	c.top()
	for i := range r.Constituents {
		c.constituent(i)
	}
	for i := range r.Materials {
		c.material(i)
	}
	for i := range r.Methods {
		c.method(i)
	}
	c.limits()
	c.chlorine()
	c.cyanide()
	return c.out
}

// say records a fault about the first path, unless one of the paths is bad
// already: one slip gives one sentence.
func (c *checker) say(paths []string, owner, format string, args ...any) {
	for _, p := range paths {
		if c.bad[p] {
			return
		}
	}
	text := fmt.Sprintf(format, args...)
	if owner != "" {
		text = owner + ": " + text
	}
	c.bad[paths[0]] = true
	c.out = append(c.out, finding{paths[0], text})
}

func listUnits(units []chem.Unit) string {
	names := make([]string, len(units))
	for i, u := range units {
		names[i] = string(u)
	}
	last := len(names) - 1
	return strings.Join(names[:last], ", ") + " or " + names[last]
}

func num(f float64) string { return strconv.FormatFloat(f, 'g', -1, 64) }

func (c *checker) slot(s section, sl slot) {
	path := strings.TrimPrefix(s.path+"."+sl.key, ".")
	missing := func() {
		// What a unit that does not fit leaves without a default is no fault of its own.
		if strings.HasPrefix(sl.hint, "a ") {
			c.say([]string{path}, s.owner, "%s must be above 0; write %s", sl.key, sl.hint)
			return
		}
		c.say([]string{path, s.path + ".unit"}, s.owner, "%s is missing; write %s = %s", sl.key, sl.key, sl.hint)
	}
	figure := func(f float64, what string) {
		if sl.max == 0 {
			sl.max = mostQuantity
		}
		switch {
		case math.IsNaN(f) || math.IsInf(f, 0):
			c.say([]string{path}, s.owner, "%s %s is not a number that can be used", what, num(f))
		case f < 0 && sl.min == 0:
			c.say([]string{path}, s.owner, "%s %s is negative", what, num(f))
		case f < sl.min:
			c.say([]string{path}, s.owner, "%s %s is below %s", what, num(f), num(sl.min))
		case f > sl.max && sl.hint != "":
			c.say([]string{path}, s.owner, "%s %s is above %s; write %s", what, num(f), num(sl.max), sl.hint)
		case f > sl.max:
			c.say([]string{path}, s.owner, "%s %s is above %s", what, num(f), num(sl.max))
		}
	}
	switch at := sl.at.(type) {
	case *float64:
		figure(*at, sl.key)
		if sl.need && *at == 0 {
			missing()
		}
	case *chem.Prior:
		figure(at.Value, sl.key)
		figure(at.U, sl.key+": standard uncertainty")
		if sl.need && *at == (chem.Prior{}) {
			missing()
		}
	case *[2]float64:
		figure(at[0], sl.key)
		figure(at[1], sl.key)
		if at[0] > at[1] {
			c.say([]string{path}, s.owner, "%s: lowest %s is above highest %s", sl.key, num(at[0]), num(at[1]))
		}
	case *map[string]float64:
		for _, name := range slices.Sorted(maps.Keys(*at)) {
			figure((*at)[name], sl.key+" "+clip(name))
		}
	case *string:
		if sl.need && *at == "" {
			missing()
		}
		c.plain(path, s.owner, sl.key, *at)
	case *chem.Unit:
		if sl.need && *at == "" {
			missing()
		}
		if *at != "" && !slices.Contains(sl.units, *at) {
			c.say([]string{path}, s.owner, "unit %s does not fit; it can be %s", *at, listUnits(sl.units))
		}
	case *[]string:
		for _, text := range *at {
			if strings.TrimSpace(text) == "" {
				c.say([]string{path}, s.owner, "%s holds an empty text", sl.key)
			}
			c.plain(path, s.owner, sl.key, text)
		}
	}
}

// plain refuses what would spoil a line on a terminal.
func (c *checker) plain(path, owner, key, text string) {
	if strings.ContainsFunc(text, func(r rune) bool { return !unicode.IsPrint(r) }) {
		c.say([]string{path}, owner, "%s holds a line break or a sign that cannot be printed", key)
	}
	if len(text) > 400 {
		c.say([]string{path}, owner, "%s has %d bytes; at most 400 fit", key, len(text))
	}
}

func (c *checker) top() {
	r := c.r
	if r.Charge < 0 || r.Charge > mostCharge {
		c.say([]string{"charge"}, "", "charge %d is not between 1 and %d; it is the electrons per ion, 2 for copper", r.Charge, mostCharge)
	} else if r.Charge == 0 {
		c.say([]string{"charge"}, "", "charge is missing or 0; write charge = 2, the electrons per ion")
	}
	if r.Anodes != "" && r.Anodes != anodesSoluble && r.Anodes != anodesInert {
		c.say([]string{"anodes"}, "", `anodes %q is not known; write "soluble" or "inert"`, clip(r.Anodes))
	}
	metal, ok := r.Constituent(r.Metal)
	if r.Metal != "" && !ok && c.allNamed() {
		c.say([]string{"metal"}, "", "metal %s is no constituent%s", clip(r.Metal), nearest(r.Metal, c.names()))
	}
	if ok && metal.Role != chem.RoleMetal {
		c.say([]string{"metal"}, "", "metal %s has the role %q; the metal that is plated has the role \"metal\"", clip(r.Metal), string(metal.Role))
	}
	if r.Anodes == anodesInert {
		for _, p := range []struct {
			key string
			v   chem.Prior
		}{{"anode_efficiency", r.Prior.AnodeEfficiency}, {"dissolution", r.Prior.Dissolution}} {
			if p.v.Value > 0 {
				c.say([]string{"prior." + p.key, "anodes"}, "prior", "%s %s does not fit inert anodes, which dissolve nothing; leave it out", p.key, num(p.v.Value))
			}
		}
	} else if r.Anodes == anodesSoluble {
		c.atLeast("prior.anode_efficiency", r.Prior.AnodeEfficiency.Value, 0.2)
	}
	c.atLeast("prior.cathode_efficiency", r.Prior.CathodeEfficiency.Value, 0.02)
	c.atLeast("prior.meter", r.Prior.Meter.Value, 0.1)
}

// atLeast refuses a prior fraction that no bath has: most likely a slip.
func (c *checker) atLeast(path string, v, least float64) {
	if v < least {
		c.say([]string{path}, "prior", "%s %s is below %s, which no such bath shows", strings.TrimPrefix(path, "prior."), num(v), num(least))
	}
}

// allNamed tells whether every constituent has a name: where one is missing or
// unreadable, a name that is found nowhere may be that one.
func (c *checker) allNamed() bool {
	return !slices.ContainsFunc(c.r.Constituents, func(k chem.Constituent) bool { return k.Name == "" })
}

func (c *checker) names() []string {
	var out []string
	for _, k := range c.r.Constituents {
		if k.Name != "" {
			out = append(out, k.Name)
		}
	}
	return out
}

func (c *checker) constituent(i int) {
	k := c.r.Constituents[i]
	path := pathOf("constituent", i)
	owner := ownerOf("constituent", k.Name, i)
	organic := k.Role == chem.RoleOrganic
	if organic {
		owner = ownerOf("organic", k.Name, i)
	}
	name, unit := path+".name", path+".unit"
	for j := range i {
		other := c.r.Constituents[j]
		if k.Name != "" && strings.EqualFold(k.Name, other.Name) {
			c.say([]string{name}, "", "two constituents are named %s", clip(k.Name))
		}
		if k.Role != "" && !organic && k.Role == other.Role {
			c.say([]string{path + ".role", name}, owner, "the role %s is that of %s already", k.Role, clip(other.Name))
		}
	}
	for _, word := range append(slices.Clone(bathReadings), firstWords...) {
		if strings.EqualFold(k.Name, word) {
			c.say([]string{name}, owner, "the name means something else already; take another")
		}
	}
	if strings.Contains(k.Name, ".") {
		c.say([]string{name}, owner, "a name with a full stop cannot be told from its keys; take another")
	}
	switch k.Role {
	case chem.RoleNone, chem.RoleOrganic:
	case chem.RoleMetal, chem.RoleAcid, chem.RoleChloride:
		if k.Unit == "mL/L" {
			c.say([]string{unit}, owner, "unit mL/L does not fit the role %s; it can be g/L or mg/L", k.Role)
		}
		if k.MolarMass <= 0 && k.Name != "" {
			c.say([]string{path + ".molar_mass", name}, owner, "molar_mass is missing; the role %s needs it, in g/mol", k.Role)
		}
	default:
		c.say([]string{path + ".role"}, owner, "role %q is not known; it can be metal, acid or chloride", clip(string(k.Role)))
	}
	if k.Role == chem.RoleMetal && !strings.EqualFold(k.Name, c.r.Metal) && c.r.Metal != "" {
		c.say([]string{path + ".role", "metal", name}, owner, "the role metal belongs to %s, the metal that is plated", clip(c.r.Metal))
	}
	if k.Role == chem.RoleAcid && c.r.Charge > 0 && c.r.Charge != 2 {
		c.say([]string{path + ".role", "charge"}, owner, "the role acid is for sulfuric acid beside a metal of charge 2, not %d; leave the role out", c.r.Charge)
	}
	c.window(k, path, owner)
}

func (c *checker) window(k chem.Constituent, path, owner string) {
	low, target, high := path+".low", path+".target", path+".high"
	switch {
	case k.Low == 0 && k.Target == 0 && k.High == 0:
		c.say([]string{path + ".window", low, target, high}, owner, "the window is missing; write low, target and high, or only high for a contaminant")
	case k.High == 0:
		c.say([]string{path + ".window", low, target, high}, owner, "high is missing")
	case k.Low > k.High:
		c.say([]string{low, high}, owner, "low %s is above high %s", num(k.Low), num(k.High))
	case k.Contaminant() && (k.Role == chem.RoleOrganic || k.Role == chem.RoleMetal || k.Role == chem.RoleAcid):
		c.say([]string{path + ".window", low, target, high}, owner, "low and target are missing; only a contaminant has high alone")
	case k.Target == 0 && k.Low > 0:
		c.say([]string{path + ".window", target, low, high}, owner, "target is missing; it lies between low %s and high %s", num(k.Low), num(k.High))
	case k.Target < k.Low:
		c.say([]string{target, low, high}, owner, "target %s is below low %s", num(k.Target), num(k.Low))
	case k.Target > k.High:
		c.say([]string{target, low, high}, owner, "target %s is above high %s", num(k.Target), num(k.High))
	}
}

// gramsPer is the mass of one unit of the material in g, 0 where it is not known.
func gramsPer(m chem.Material) float64 {
	switch m.Unit {
	case "kg":
		return 1000
	case "g":
		return 1
	case "L":
		return 1000 * m.Density
	case "mL":
		return m.Density
	}
	return 0
}

func (c *checker) material(i int) {
	m := c.r.Materials[i]
	path := pathOf("material", i)
	owner := ownerOf("material", m.Name, i)
	for j := range i {
		if m.Name != "" && strings.EqualFold(m.Name, c.r.Materials[j].Name) {
			c.say([]string{path + ".name"}, "", "two materials are named %s", clip(m.Name))
		}
	}
	brings := path + ".brings"
	if m.Water && len(m.Brings) > 0 {
		c.say([]string{path + ".water", brings}, owner, "water brings nothing; leave out water or brings")
	}
	if !m.Water && len(m.Brings) == 0 {
		c.say([]string{brings}, owner, "brings is missing; write brings = { copper = 254.5 }, what one unit brings, or water = true")
	}
	for _, name := range slices.Sorted(maps.Keys(m.Brings)) {
		k, ok := c.r.Constituent(name)
		if !ok && !c.allNamed() {
			continue
		}
		if !ok {
			c.say([]string{brings}, owner, "brings names %s, which is no constituent%s", clip(name), nearest(name, c.names()))
			continue
		}
		if m.Brings[name] == 0 {
			c.say([]string{brings}, owner, "brings 0 of %s; leave it out", clip(name))
		}
		// A material cannot bring more of a thing than it weighs itself.
		grams := m.Brings[name]
		if k.Unit == "mg/L" {
			grams /= 1000
		}
		if most := gramsPer(m); k.Unit != "mL/L" && most > 0 && grams > most*(1+1e-9) {
			c.say([]string{brings, path + ".unit", path + ".density"}, owner, "brings %s g of %s per %s, which itself weighs %s g", num(grams), clip(name), m.Unit, num(most))
		}
	}
	c.acid(m, path, owner)
}

// acid checks a sulfuric acid's figures against each other: mass fraction times
// density is what a volume of it brings.
func (c *checker) acid(m chem.Material, path, owner string) {
	k, ok := c.r.WithRole(chem.RoleAcid)
	if m.Acid == 0 || !ok {
		return
	}
	paths := []string{path + ".acid", path + ".density", path + ".brings", path + ".unit"}
	if m.Density == 0 && (m.Unit == "L" || m.Unit == "mL") {
		c.say([]string{path + ".density", path + ".acid"}, owner, "density is missing; an acid sold by volume needs it, in kg/L")
		return
	}
	grams := m.Brings[k.Name]
	if k.Unit == "mg/L" {
		grams /= 1000
	}
	want := m.Acid * gramsPer(m)
	if want > 0 && math.Abs(grams-want) > assayOff*want {
		c.say(paths, owner, "brings %s g of %s per %s, but %s of acid in it make %.4g g", num(grams), clip(k.Name), m.Unit, num(m.Acid), want)
	}
}

func (c *checker) method(i int) {
	m := c.r.Methods[i]
	path := pathOf("method", i)
	owner := ownerOf("method", m.Name, i)
	for j := range i {
		if m.Name != "" && strings.EqualFold(m.Name, c.r.Methods[j].Name) {
			c.say([]string{path + ".name"}, "", "two methods are named %s", clip(m.Name))
		}
	}
	k, ok := c.r.Constituent(m.Constituent)
	if m.Constituent != "" && !ok && c.allNamed() {
		c.say([]string{path + ".constituent"}, owner, "constituent %s is not in this recipe%s", clip(m.Constituent), nearest(m.Constituent, c.names()))
	}
	if m.Titrant == "" {
		c.untitrated(m, path, owner)
		return
	}
	if m.UReading > 0 {
		c.say([]string{path + ".reading_u", path + ".titrant"}, owner, "reading_u is for a method without titrant; a titration's uncertainty follows from its glassware")
	}
	for _, f := range []struct {
		key string
		v   float64
		eg  string
	}{{"molarity", m.Molarity, "0.1, in mol/L"}, {"ratio", m.Ratio, "1, the moles of the constituent per mole of titrant"},
		{"aliquot_mL", m.Aliquot, "2, the mL of bath that are titrated"}, {"burette_mL", m.Burette, "25"}} {
		if f.v == 0 {
			c.say([]string{path + "." + f.key}, owner, "%s is missing; write %s = %s", f.key, f.key, f.eg)
		}
	}
	if ok && k.Unit == "mL/L" {
		c.say([]string{path + ".constituent"}, owner, "%s is kept in mL/L, and a titration gives g/L or mg/L", clip(k.Name))
	} else if ok && m.MolarMass == 0 {
		c.say([]string{path + ".molar_mass", path + ".constituent"}, owner, "molar_mass is missing; nothing is known of %s, so write it in g/mol", clip(k.Name))
	}
	if m.Burette > 0 && m.Blank >= m.Burette {
		c.say([]string{path + ".blank_mL", path + ".burette_mL"}, owner, "blank_mL %s does not fit a burette of %s mL", num(m.Blank), num(m.Burette))
	}
	for _, t := range []struct {
		key  string
		v    float64
		of   string
		whol float64
	}{{"aliquot_tolerance_mL", m.UAliquot, "aliquot_mL", m.Aliquot}, {"burette_tolerance_mL", m.UBurette, "burette_mL", m.Burette}} {
		if t.whol > 0 && t.v >= t.whol {
			c.say([]string{path + "." + t.key, path + "." + t.of}, owner, "%s %s is as large as %s %s", t.key, num(t.v), t.of, num(t.whol))
		}
	}
	if m.Sample > 0 && m.Sample < m.Aliquot {
		c.say([]string{path + ".sample_mL", path + ".aliquot_mL"}, owner, "sample_mL %s is less than aliquot_mL %s", num(m.Sample), num(m.Aliquot))
	}
}

// untitrated checks a method that compares with standards.
func (c *checker) untitrated(m chem.Method, path, owner string) {
	if m.UReading == 0 {
		c.say([]string{path + ".titrant", path + ".reading_u"}, owner, "titrant is missing; a method without one needs reading_u, the uncertainty of what it reads")
	}
	for _, f := range []struct {
		key string
		v   float64
	}{{"molarity", m.Molarity}, {"ratio", m.Ratio}, {"burette_mL", m.Burette}, {"blank_mL", m.Blank}, {"factor_u", m.UFactor}, {"end_point_mL", m.EndPoint}} {
		if f.v != 0 {
			c.say([]string{path + "." + f.key, path + ".titrant"}, owner, "%s needs a titrant", f.key)
		}
	}
}

func (c *checker) limits() {
	l := c.r.Limits
	if l.CathodeDensity[1] == 0 && l.CathodeDensity[0] == 0 {
		return
	}
	if l.CathodeDensity[1] == 0 {
		c.say([]string{"limits.cathode_density"}, "limits", "cathode_density: the highest is missing")
	}
}

// chlorine refuses inert anodes in a chloride bath: chloride is oxidised to
// chlorine gas at an anode that does not dissolve.
func (c *checker) chlorine() {
	if c.r.Anodes != anodesInert {
		return
	}
	grams := 0.0
	for i, k := range c.r.Constituents {
		path := pathOf("constituent", i)
		if c.bad[path+".high"] || c.bad[path+".low"] || c.bad[path+".unit"] || c.bad[path+".window"] {
			continue
		}
		most := max(k.Low, k.Target, k.High) * chlorideIn(k)
		if k.Unit == "mg/L" {
			most /= 1000
		}
		grams += most
	}
	if grams > mostChloride {
		c.say([]string{"anodes"}, "", "inert anodes make chlorine gas in a bath with up to %.3g g/L chloride; at most %s g/L may be, or the anodes must be soluble", grams, num(mostChloride))
	}
}

// cyanide keeps titrations and acids out of a cyanide recipe: hydrogen cyanide
// comes off, and the tool tracks such a bath by charge only.
func (c *checker) cyanide() {
	if !c.r.Cyanide {
		return
	}
	for i, m := range c.r.Methods {
		c.say([]string{pathOf("method", i)}, ownerOf("method", m.Name, i), "a cyanide bath is tracked by charge; no titration or digestion is taken for it")
	}
	for i, m := range c.r.Materials {
		if m.Acid > 0 || strings.Contains(strings.ToLower(m.Name), " acid") {
			c.say([]string{pathOf("material", i) + ".acid"}, ownerOf("material", m.Name, i), "acid is never added to a cyanide bath: hydrogen cyanide comes off")
		}
	}
}
