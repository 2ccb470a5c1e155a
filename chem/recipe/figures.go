package recipe

import (
	"fmt"
	"maps"
	"slices"
	"sort"
	"strings"

	"steadybath/chem"
)

// Figure is one number of a recipe file, or one list of hazard statements, with
// where it comes from.
type Figure struct {
	Key    string   // dotted, as a setting names it: "copper.high", "limits.temperature.low"
	Table  string   // what Key begins with: "copper", "method.copper by EDTA"; empty at the top of the file
	Line   int      // in the file, from 1
	Value  float64  // in Unit
	U      float64  // standard uncertainty of a prior, in Unit; 0 for others
	Prior  bool     // U is stated
	Unit   string   // empty for plain numbers
	Texts  []string // hazard statements and other cautions, in place of a number
	Source string   // the comment at the end of its line: "seen KEY: ..."; empty where it says none
}

// Kind is how the source begins: "seen", "computed", "memory" or "yours to set";
// empty where there is none.
func (f Figure) Kind() string {
	for _, kind := range []string{"seen", "computed", "memory", "yours to set"} {
		if strings.HasPrefix(f.Source, kind) {
			return kind
		}
	}
	return ""
}

// String is the figure as it is read: "46 g/L", "0.95 ± 0.012", "3 cautions".
func (f Figure) String() string {
	text := num(f.Value)
	switch {
	case len(f.Texts) == 1:
		text = "1 caution"
	case f.Texts != nil:
		text = fmt.Sprintf("%d cautions", len(f.Texts))
	case f.Prior:
		text += " ± " + num(f.U)
	}
	return strings.TrimSpace(text + " " + f.Unit)
}

// Name is the key without the table.
func (f Figure) Name() string { return strings.TrimPrefix(strings.TrimPrefix(f.Key, f.Table), ".") }

// Figures lists every figure that a recipe file states, in the order of the file,
// and the recipe itself; what is left to defaults is not listed. Cautions are
// listed where they name a source. The errors are those of [Parse].
func Figures(name string, text []byte) ([]Figure, *chem.Recipe, error) {
	rd, err := parse(name, text)
	if err != nil {
		return nil, nil, err
	}
	r := rd.r
	sources := make(map[string]string, len(r.Sources))
	for _, s := range r.Sources {
		sources[s.Key] = s.Text
	}
	out := []Figure{}
	for _, sec := range sections(r) {
		for _, sl := range sec.slots {
			line, stated := rd.lines[strings.TrimPrefix(sec.path+"."+sl.key, ".")]
			if !stated {
				continue
			}
			f := Figure{Key: sec.dotted + sl.key, Table: strings.TrimSuffix(sec.dotted, "."), Line: line, Unit: sl.unit, Source: sources[sec.dotted+sl.key]}
			switch at := sl.at.(type) {
			case *float64:
				f.Value = *at
				out = append(out, f)
			case *int:
				f.Value = float64(*at)
				out = append(out, f)
			case *chem.Prior:
				f.Value, f.U, f.Prior = at.Value, at.U, true
				out = append(out, f)
			case *[2]float64:
				for i, end := range []string{".low", ".high"} {
					g := f
					g.Key, g.Value = f.Key+end, at[i]
					out = append(out, g)
				}
			case *map[string]float64:
				for _, brought := range slices.Sorted(maps.Keys(*at)) {
					g := f
					g.Key, g.Value, g.Unit = f.Key+"."+brought, (*at)[brought], bringsUnit(r, sec, brought)
					out = append(out, g)
				}
			case *[]string:
				if f.Source != "" {
					f.Texts = slices.Clone(*at)
					out = append(out, f)
				}
			}
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].Line < out[j].Line })
	return out, r, nil
}
