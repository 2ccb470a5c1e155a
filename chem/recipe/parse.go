package recipe

import (
	"bytes"
	"fmt"
	"maps"
	"math"
	"regexp"
	"slices"
	"sort"
	"strconv"
	"strings"

	toml "github.com/pelletier/go-toml/v2"

	"steadybath/chem"
)

// Parse reads a recipe file. The name is that of the file, for messages. Where
// anything is wrong it returns no recipe and a [*Faults] with everything that is
// wrong, sorted by line. What parses passes [Check].
func Parse(name string, text []byte) (*chem.Recipe, error) {
	rd, err := parse(name, text)
	if err != nil {
		return nil, err
	}
	return rd.r, nil
}

func parse(name string, text []byte) (*reader, error) {
	root, faults, whole := grow(text)
	if whole {
		rd := &reader{r: &chem.Recipe{}, lines: map[string]int{"": 1}, bad: map[string]bool{}}
		rd.read(root)
		faults = append(faults, rd.faults...)
		for _, f := range check(rd.r, rd.bad) {
			faults = append(faults, Fault{rd.lineOf(f.path), f.text})
		}
		if len(faults) == 0 {
			faults = append(faults, otherwiseWrong(text)...)
		}
		if len(faults) == 0 {
			return rd, nil
		}
	}
	sort.SliceStable(faults, func(i, j int) bool { return faults[i].Line < faults[j].Line })
	return nil, &Faults{Name: name, List: slices.CompactFunc(faults, func(a, b Fault) bool { return a == b })}
}

// otherwiseWrong asks the library's own decoder, so that no file passes here
// that another program would refuse as TOML.
func otherwiseWrong(text []byte) []Fault {
	var whole map[string]any
	err := toml.Unmarshal(bytes.TrimPrefix(text, byteOrderMark), &whole)
	if err == nil {
		return nil
	}
	f := Fault{1, "this is not TOML: " + clip(err.Error())}
	if at, ok := err.(*toml.DecodeError); ok {
		f.Line, _ = at.Position()
	}
	return []Fault{f}
}

// reader fills a recipe from a tree and remembers where each key stood.
type reader struct {
	r      *chem.Recipe
	lines  map[string]int
	bad    map[string]bool // keys that have their fault already
	faults []Fault
}

func (rd *reader) fault(line int, owner, format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	if owner != "" {
		text = owner + ": " + text
	}
	rd.faults = append(rd.faults, Fault{line, text})
}

// lineOf finds the line of a path, or that of the table around it.
func (rd *reader) lineOf(path string) int {
	for {
		if line, ok := rd.lines[path]; ok {
			return line
		}
		i := strings.LastIndexByte(path, '.')
		if i < 0 {
			return 1
		}
		path = path[:i]
	}
}

var tableKeys = []string{"prior", "limits", "upkeep", "sources", "constituent", "organic", "material", "method"}

func (rd *reader) read(root *node) {
	r := rd.r
	inorganic, organic := rd.tables(root, "constituent"), rd.tables(root, "organic")
	materials, methods := rd.tables(root, "material"), rd.tables(root, "method")
	r.Constituents = make([]chem.Constituent, len(inorganic)+len(organic))
	r.Materials = make([]chem.Material, len(materials))
	r.Methods = make([]chem.Method, len(methods))
	for i := range organic {
		r.Constituents[len(inorganic)+i].Role = chem.RoleOrganic
	}
	top := topSlots(r)
	rd.fill(section{slots: top}, root, tableKeys)
	r.Metal = clean(r.Metal)

	// Units and names come first: sentences, defaults and the units of other
	// figures hang on them.
	constituents := append(slices.Clone(inorganic), organic...)
	for i, t := range constituents {
		c := &r.Constituents[i]
		c.Name = clean(textOf(t, "name"))
		rd.unit(t, &c.Unit)
		c.AssayU, c.OverdoseCost = defaultAssayU, defaultOverdose
		if c.Role == chem.RoleOrganic {
			c.AssayU = defaultOrganicU
		}
	}
	for i, t := range materials {
		m := &r.Materials[i]
		m.Name = clean(textOf(t, "name"))
		rd.unit(t, &m.Unit)
		m.Smallest, m.Litres = defaultSmallest(m.Unit), defaultLitres(m.Unit)
		m.Water = slices.Contains(strings.Fields(strings.ToLower(m.Name)), "water")
		if b, ok := t.table["brings"]; ok && len(b.keys) > 0 {
			m.Water = false
		}
	}
	for i, t := range methods {
		m := &r.Methods[i]
		m.Constituent = clean(textOf(t, "constituent"))
		m.Titrant = clean(textOf(t, "titrant"))
		m.Name = defaultMethodName(clean(textOf(t, "name")), m.Constituent, m.Titrant)
		if m.Titrant != "" {
			m.Burette, m.EndPoint, m.UFactor = defaultBurette, defaultEndPoint, defaultFactorU
		}
	}
	r.Prior = defaultRates(strings.ToLower(r.Anodes))
	r.Limits = chem.Limits{AcidPour: defaultPourK, Temperature: defaultTemperature}

	for _, s := range sections(r) {
		var t *node
		table, index, _ := strings.Cut(s.path, ".")
		i, _ := strconv.Atoi(index)
		switch table {
		case "":
			continue
		case "prior", "limits", "upkeep":
			t = rd.table(root, table)
		case "constituent":
			t = constituents[i]
		case "material":
			t = materials[i]
		case "method":
			t = methods[i]
		}
		rd.lines[s.path] = 1
		if t != nil {
			rd.lines[s.path] = t.line
			rd.fill(s, t, nil)
		}
	}
	rd.settle(methods)
	rd.references(root)
}

// settle completes what follows from what was read: spellings, roles, molar
// masses, glassware.
func (rd *reader) settle(methods []*node) {
	r := rd.r
	r.Title, r.Anodes = strings.TrimSpace(r.Title), strings.ToLower(r.Anodes)
	if c, ok := r.Constituent(r.Metal); ok {
		r.Metal = c.Name
	}
	for i := range r.Constituents {
		c := &r.Constituents[i]
		k, ok := findKnown(c.Name)
		if !ok || c.Role == chem.RoleOrganic {
			continue
		}
		if c.MolarMass == 0 {
			c.MolarMass = k.mass()
		}
		if c.Role != "" || rd.bad[pathOf("constituent", i)+".role"] {
			continue
		}
		switch k.role {
		case chem.RoleMetal:
			if strings.EqualFold(c.Name, r.Metal) {
				c.Role = chem.RoleMetal
			}
		case chem.RoleAcid:
			// The acid balance is written for a divalent metal; beside another the acid is only carried.
			if r.Charge == 2 {
				c.Role = chem.RoleAcid
			}
		default:
			c.Role = k.role
		}
	}
	for i := range r.Constituents {
		if c := &r.Constituents[i]; c.Role == "" && strings.EqualFold(c.Name, r.Metal) {
			c.Role = chem.RoleMetal
		}
	}
	for i := range r.Materials {
		m := &r.Materials[i]
		m.Name = clean(m.Name)
		brings := make(map[string]float64, len(m.Brings))
		for _, name := range slices.Sorted(maps.Keys(m.Brings)) {
			v := m.Brings[name]
			if c, ok := r.Constituent(clean(name)); ok {
				name = c.Name
			}
			if _, twice := brings[name]; twice {
				rd.fault(rd.lineOf(pathOf("material", i)+".brings"), ownerOf("material", m.Name, i), "brings names %s twice", clip(name))
			}
			brings[name] = v
		}
		m.Brings = brings
	}
	for i := range r.Methods {
		m := &r.Methods[i]
		m.Constituent, m.Titrant, m.Indicator = clean(m.Constituent), clean(m.Titrant), clean(m.Indicator)
		if c, ok := r.Constituent(m.Constituent); ok {
			m.Constituent = c.Name
			if m.MolarMass == 0 && m.Titrant != "" {
				m.MolarMass = c.MolarMass
			}
		}
		m.Name = defaultMethodName(clean(m.Name), m.Constituent, m.Titrant)
		if m.Titrant == "" {
			continue
		}
		if _, given := methods[i].table["aliquot_tolerance_mL"]; !given {
			m.UAliquot = defaultAliquotTol * m.Aliquot
		}
		if _, given := methods[i].table["burette_tolerance_mL"]; !given {
			m.UBurette = defaultBuretteTol * m.Burette
		}
	}
}

func defaultMethodName(name, constituent, titrant string) string {
	switch {
	case name != "":
		return name
	case constituent != "" && titrant != "":
		return constituent + " by " + titrant
	}
	return ""
}

// clean trims a name and makes runs of space one space.
func clean(s string) string { return strings.Join(strings.Fields(s), " ") }

func textOf(t *node, key string) string {
	if n, ok := t.table[key]; ok && n.shape == isText {
		return n.text
	}
	return ""
}

func (rd *reader) unit(t *node, to *chem.Unit) {
	if u, err := chem.ParseUnit(textOf(t, "unit")); err == nil {
		*to = u
	}
}

// table returns the table of the given key, nil where there is none.
func (rd *reader) table(root *node, key string) *node {
	n, ok := root.table[key]
	if !ok {
		return nil
	}
	if n.shape == isBroken {
		return nil
	}
	if n.shape != isTable {
		rd.fault(n.line, "", "%s is %s; it is a table that begins with [%s]", key, shapeNames[n.shape], key)
		return nil
	}
	return n
}

// mostTables bounds how many constituents, materials and methods there are: more
// than any bath has, few enough to compare each with each.
const mostTables = 200

func (rd *reader) tables(root *node, key string) []*node {
	n, ok := root.table[key]
	if !ok || n.shape == isBroken {
		return nil
	}
	list := n.list
	if n.shape == isTable {
		rd.fault(n.line, "", "[%s] needs double brackets, [[%s]], since there can be several", key, key)
		list = []*node{n}
	} else if n.shape != isTables && n.shape != isList {
		rd.fault(n.line, "", "%s is %s; each one begins with [[%s]]", key, shapeNames[n.shape], key)
		return nil
	}
	if len(list) > mostTables {
		rd.fault(list[mostTables].line, "", "%s is given %d times; at most %d fit", key, len(list), mostTables)
		list = list[:mostTables]
	}
	var out []*node
	for _, t := range list {
		if t.shape != isTable {
			rd.fault(t.line, "", "%s holds %s; each one begins with [[%s]]", key, shapeNames[t.shape], key)
			continue
		}
		out = append(out, t)
	}
	return out
}

// elsewhere says where a key belongs that is right in another table.
var elsewhere = map[string]string{
	"constituent.use": "use belongs to an [[organic]]", "constituent.loss": "loss belongs to an [[organic]]",
	"constituent.role": "an [[organic]] has no role", "constituent.molar_mass": "an [[organic]] has no molar mass",
}

// fill reads the table's keys into the section's slots.
func (rd *reader) fill(s section, t *node, others []string) {
	for _, key := range t.keys {
		n := t.table[key]
		if slices.Contains(others, key) {
			continue
		}
		path := strings.TrimPrefix(s.path+"."+key, ".")
		i := slices.IndexFunc(s.slots, func(sl slot) bool { return sl.key == key })
		if i < 0 {
			known := slices.Clone(others)
			for _, sl := range s.slots {
				known = append(known, sl.key)
			}
			table, _, _ := strings.Cut(s.path, ".")
			if where, ok := elsewhere[table+"."+key]; ok {
				rd.fault(n.line, s.owner, "%s", where)
				continue
			}
			rd.fault(n.line, s.owner, "unknown key %s%s", clip(key), nearest(key, known))
			// The key that was meant is not missing as well.
			if meant, close := closest(key, known); close && t.table[meant] == nil {
				rd.bad[strings.TrimPrefix(s.path+"."+meant, ".")] = true
			}
			continue
		}
		rd.lines[path] = n.line
		if say := rd.assign(s.slots[i], n); say != "" {
			rd.bad[path] = true
			if n.shape != isBroken {
				rd.fault(n.line, s.owner, "%s", say)
			}
			continue
		}
		if text, ok := sourceOf(n.comment); ok {
			rd.r.Sources = append(rd.r.Sources, chem.Source{Key: s.dotted + key, Text: text})
		}
	}
}

// assign puts a node into a slot, or says in a sentence why it does not fit.
func (rd *reader) assign(sl slot, n *node) string {
	wrong := func(want string) string {
		say := fmt.Sprintf("%s is %s where %s is wanted", sl.key, shapeNames[n.shape], want)
		if sl.hint != "" {
			say += ", such as " + sl.hint
		}
		return say
	}
	switch at := sl.at.(type) {
	case *float64:
		if n.shape != isNumber {
			return wrong("a number")
		}
		return setNumber(at, sl.key, n.text)
	case *int:
		if n.shape != isNumber {
			return wrong("a whole number")
		}
		var f float64
		if say := setNumber(&f, sl.key, n.text); say != "" {
			return say
		}
		if f != math.Trunc(f) || math.Abs(f) > 1000 {
			return fmt.Sprintf("%s %s is not a whole number, such as %s", sl.key, clip(n.text), sl.hint)
		}
		*at = int(f)
	case *bool:
		if n.shape != isBool {
			return wrong("true or false")
		}
		*at = n.text == "true"
	case *string:
		if n.shape != isText {
			return wrong("text")
		}
		*at = strings.TrimSpace(n.text)
	case *chem.Role:
		if n.shape != isText {
			return wrong("text")
		}
		*at = chem.Role(strings.ToLower(strings.TrimSpace(n.text)))
	case *chem.Unit:
		if n.shape != isText {
			return wrong("text")
		}
		u, err := chem.ParseUnit(n.text)
		if err != nil {
			return fmt.Sprintf("%s; it can be %s", clip(err.Error()), listUnits(sl.units))
		}
		*at = u
	case *[]string:
		if n.shape != isList || slices.ContainsFunc(n.list, func(c *node) bool { return c.shape != isText }) {
			return fmt.Sprintf(`%s is a list of texts, such as ["first", "second"]`, sl.key)
		}
		*at = nil
		for _, c := range n.list {
			*at = append(*at, strings.TrimSpace(c.text))
		}
	case *chem.Prior:
		return setPair(sl, n, "[value, standard uncertainty]", &at.Value, &at.U)
	case *[2]float64:
		return setPair(sl, n, "[lowest, highest]", &at[0], &at[1])
	case *map[string]float64:
		if n.shape != isTable {
			return wrong("a table")
		}
		*at = map[string]float64{}
		for _, key := range n.keys {
			c := n.table[key]
			if c.shape != isNumber {
				return fmt.Sprintf("%s: %s is %s where a number is wanted", sl.key, clip(key), shapeNames[c.shape])
			}
			var f float64
			if say := setNumber(&f, sl.key+" "+clip(key), c.text); say != "" {
				return say
			}
			(*at)[key] = f
		}
	}
	return ""
}

func setPair(sl slot, n *node, what string, a, b *float64) string {
	if n.shape != isList || len(n.list) != 2 || n.list[0].shape != isNumber || n.list[1].shape != isNumber {
		say := fmt.Sprintf("%s is a pair of numbers, %s", sl.key, what)
		if strings.HasPrefix(sl.hint, "[") {
			say += ", such as " + sl.hint
		}
		return say
	}
	if say := setNumber(a, sl.key, n.list[0].text); say != "" {
		return say
	}
	return setNumber(b, sl.key, n.list[1].text)
}

// setNumber reads TOML's number, which may have underscores or be hexadecimal.
func setNumber(to *float64, key, text string) string {
	digits := strings.ReplaceAll(text, "_", "")
	f, err := strconv.ParseFloat(digits, 64)
	if len(digits) > 1 && digits[0] == '0' && strings.ContainsAny(digits[1:2], "xob") {
		var i int64
		i, err = strconv.ParseInt(digits, 0, 64)
		f = float64(i)
	}
	if err != nil || math.IsNaN(f) || math.IsInf(f, 0) {
		return fmt.Sprintf("%s %s is not a number that can be used", key, clip(text))
	}
	*to = f
	return ""
}

// sourceMark is how the comment at the end of a figure's line begins that says
// where the figure comes from.
var sourceMark = regexp.MustCompile(`^(seen [A-Za-z0-9_-]+(, [A-Za-z0-9_-]+)*|memory|computed|yours to set)(:|$)`)

func sourceOf(comment string) (string, bool) {
	return comment, sourceMark.MatchString(comment)
}

// references reads the table [sources]: short name = work.
func (rd *reader) references(root *node) {
	t := rd.table(root, "sources")
	if t == nil {
		return
	}
	for _, key := range t.keys {
		n := t.table[key]
		if n.shape != isText || strings.TrimSpace(n.text) == "" {
			if n.shape != isBroken {
				rd.fault(n.line, "sources", "%s is %s where the name of a work is wanted", clip(key), shapeNames[n.shape])
			}
			continue
		}
		rd.r.References = append(rd.r.References, chem.Source{Key: key, Text: strings.TrimSpace(n.text)})
	}
}
