package reports

import (
	"fmt"
	"io"
	"strings"

	"steadybath/chem"
	"steadybath/chem/recipe"
)

// RecipeFigure is one figure of a recipe with its source, as programs read it.
type RecipeFigure struct {
	Key      string   `json:"key"`
	Line     int      `json:"line"`
	Value    *float64 `json:"value"` // null for cautions
	U        *float64 `json:"u"`     // of a prior, else null
	Unit     string   `json:"unit"`
	Cautions []string `json:"cautions,omitempty"`
	Kind     string   `json:"kind"` // seen, computed, memory, yours to set, or empty
	Source   string   `json:"source"`
}

// Work is a work that figures cite.
type Work struct {
	Key  string `json:"key"`
	Text string `json:"text"`
}

// RecipeSources is where every figure of a recipe comes from.
type RecipeSources struct {
	Recipe     string         `json:"recipe"`
	Title      string         `json:"title"`
	Figures    []RecipeFigure `json:"figures"`
	References []Work         `json:"references"`

	list []recipe.Figure
}

// SourcesOf gathers the figures of the named recipe.
func SourcesOf(name string, r *chem.Recipe, figures []recipe.Figure) RecipeSources {
	out := RecipeSources{Recipe: name, Title: r.Title, Figures: []RecipeFigure{}, References: []Work{}, list: figures}
	for _, f := range figures {
		x := RecipeFigure{Key: f.Key, Line: f.Line, Unit: f.Unit, Cautions: f.Texts, Kind: f.Kind(), Source: f.Source}
		if f.Texts == nil {
			x.Value = &f.Value
		}
		if f.Prior {
			x.U = &f.U
		}
		out.Figures = append(out.Figures, x)
	}
	for _, w := range r.References {
		out.References = append(out.References, Work{w.Key, w.Text})
	}
	return out
}

// noSource is what stands behind a figure whose line says nothing.
const noSource = "says no source"

// WriteSources writes a table: key, figure, source, under the name that each
// table's keys begin with; then the works that are cited.
func WriteSources(out io.Writer, s RecipeSources) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n", s.Title)
	counts := map[string]int{}
	names, figures := 0, 0
	for _, f := range s.list {
		counts[f.Kind()]++
		if n := len([]rune(f.Name())); n <= longestName {
			names = max(names, n)
		}
		if n := len([]rune(f.String())); n <= longestFigure {
			figures = max(figures, n)
		}
	}
	indent := 2 + names + 2 + figures + 2
	table := "\n"
	for _, f := range s.list {
		if f.Table != table {
			table = f.Table
			fmt.Fprintf(&b, "\n%s\n", orTop(table))
		}
		source := f.Source
		if source == "" {
			source = noSource
		}
		left := "  " + padded(f.Name(), names) + "  " + padded(f.String(), figures) + "  "
		if len([]rune(left)) > indent {
			left = strings.TrimRight(left, " ") + "\n" + strings.Repeat(" ", indent)
		}
		fmt.Fprintf(&b, "%s%s\n", left, wrap(source, width-indent, strings.Repeat(" ", indent)))
	}
	var kinds []string
	for _, kind := range []string{"seen", "computed", "memory", "yours to set", ""} {
		if n := counts[kind]; n > 0 && kind != "" {
			kinds = append(kinds, fmt.Sprintf("%d %s", n, kind))
		} else if n > 0 {
			kinds = append(kinds, fmt.Sprintf("%d without a source", n))
		}
	}
	fmt.Fprintf(&b, "\n%s\n", wrap(fmt.Sprintf("%d figures: %s", len(s.list), strings.Join(kinds, ", ")), width, ""))
	if len(s.References) > 0 {
		b.WriteString("\nworks\n")
	}
	for _, w := range s.References {
		fmt.Fprintf(&b, "  %-10s  %s\n", w.Key, wrap(w.Text, width-14, strings.Repeat(" ", 14)))
	}
	_, err := io.WriteString(out, b.String())
	return err
}

// Longer names and figures get a line of their own.
const (
	longestName   = 20
	longestFigure = 14
)

func orTop(table string) string {
	if table == "" {
		return "bath"
	}
	return table
}

func padded(s string, n int) string {
	return s + strings.Repeat(" ", max(0, n-len([]rune(s))))
}
