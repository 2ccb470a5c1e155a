package reports

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"steadybath/chem"
	"steadybath/chem/hazard"
)

// CautionStatement is a hazard statement, as programs read it.
type CautionStatement struct {
	Code       string `json:"code"`
	Text       string `json:"text"`
	Source     string `json:"source"`
	TextSource string `json:"text_source"`
}

// CautionWords is a caution with its source.
type CautionWords struct {
	Text   string `json:"text"`
	Source string `json:"source"`
}

// CautionSubstance is one substance with its cautions.
type CautionSubstance struct {
	Name       string             `json:"name"`
	Of         string             `json:"of,omitempty"`
	CAS        string             `json:"cas,omitempty"`
	CASSource  string             `json:"cas_source,omitempty"`
	Statements []CautionStatement `json:"statements"`
	Do         []CautionWords     `json:"do"`
}

// Cautions are the usual cautions about what is asked for.
type Cautions struct {
	Bath       string             `json:"bath"` // empty where no bath was asked about
	Substances []CautionSubstance `json:"substances"`
	General    []CautionWords     `json:"general"`
	Sources    []string           `json:"sources"`
}

// fromRecipe is the source of what a recipe says of a product.
const fromRecipe = "the bath's recipe"

// productWords stands for a product of which the recipe says nothing.
const productWords = "a supplier's product: only its safety data sheet says what is in it"

// CautionsOfBath gathers the cautions about what a bath's recipe brings in.
func CautionsOfBath(name string, r *chem.Recipe) Cautions {
	found, products := hazard.Of(r)
	out := CautionsOf(found)
	out.Bath = name
	for _, p := range products {
		m, _ := r.Material(p)
		x := CautionSubstance{Name: p, Statements: []CautionStatement{}, Do: []CautionWords{{productWords, fromRecipe}}}
		for _, c := range m.Cautions {
			x.Do = append(x.Do, CautionWords{c, fromRecipe})
		}
		out.Substances = append(out.Substances, x)
		out.cite(fromRecipe)
	}
	return out
}

// CautionsOf gathers the cautions about substances.
func CautionsOf(found []hazard.Substance) Cautions {
	out := Cautions{Substances: []CautionSubstance{}, General: []CautionWords{}, Sources: []string{}}
	words := func(list []hazard.Said) []CautionWords {
		said := []CautionWords{}
		for _, x := range list {
			said = append(said, CautionWords(x))
			out.cite(x.Source)
		}
		return said
	}
	out.General = words(hazard.General(found))
	for _, s := range found {
		x := CautionSubstance{Name: s.Name, Of: s.Of, CAS: s.CAS.Text, CASSource: s.CAS.Source, Statements: []CautionStatement{}}
		for _, h := range s.Statements {
			x.Statements = append(x.Statements, CautionStatement{h.Code, h.Text, h.Source, h.TextSource})
			out.cite(h.Source)
			out.cite(h.TextSource)
		}
		out.cite(s.CAS.Source)
		x.Do = words(s.Do)
		out.Substances = append(out.Substances, x)
	}
	return out
}

func (c *Cautions) cite(source string) {
	if !slices.Contains(c.Sources, source) {
		c.Sources = append(c.Sources, source)
	}
}

// WriteCautions writes the cautions as text for a terminal of 80 columns. A
// number in brackets is that of a source at the end; m is memory.
func WriteCautions(out io.Writer, c Cautions) error {
	var b strings.Builder
	numbers := map[string]int{}
	var works []string
	mark := func(source string) string {
		if strings.HasPrefix(source, "memory") {
			return "[m]"
		}
		if numbers[source] == 0 {
			works = append(works, source)
			numbers[source] = len(works)
		}
		return fmt.Sprintf("[%d]", numbers[source])
	}
	title := "cautions"
	if c.Bath != "" {
		title = Plain(c.Bath) + " · cautions"
	}
	fmt.Fprintf(&b, "%s\n\n", title)
	fmt.Fprintf(&b, "%s\n", wrap("The usual cautions, not all of them. The safety data sheet of what you bought, local codes and licensed practice come first.", width, ""))
	line := func(lead, text, source string) {
		indent := len(lead)
		fmt.Fprintf(&b, "%s%s\n", lead, wrap(Plain(text)+" "+mark(source), width-indent, strings.Repeat(" ", indent)))
	}
	var lists []string
	for _, s := range c.Substances {
		head := Plain(s.Name)
		if s.Of != "" {
			head += ", " + s.Of
		}
		if s.CAS != "" {
			head += ", CAS " + s.CAS + " " + mark(s.CASSource)
		}
		fmt.Fprintf(&b, "\n%s\n", wrap(head, width, "   "))
		for _, h := range s.Statements {
			line(fmt.Sprintf("   %-6s  ", h.Code), h.Text, h.Source)
			if m := mark(h.TextSource); !slices.Contains(lists, m) {
				lists = append(lists, m)
			}
		}
		for _, d := range s.Do {
			line("   - ", d.Text, d.Source)
		}
	}
	b.WriteString("\nin general\n")
	for _, g := range c.General {
		line("   - ", g.Text, g.Source)
	}
	b.WriteString("\nsources\n")
	if len(lists) > 0 {
		slices.Sort(lists)
		fmt.Fprintf(&b, "   %s\n", wrap("behind a statement stands who gives it to the substance; the words of the statements are those of "+strings.Join(lists, " "), width-3, "   "))
	}
	for i, w := range works {
		lead := fmt.Sprintf("   %2d  ", i+1)
		fmt.Fprintf(&b, "%s%s\n", lead, wrap(w, width-len(lead), strings.Repeat(" ", len(lead))))
	}
	b.WriteString("    m  from memory: not looked up\n")
	_, err := io.WriteString(out, b.String())
	return err
}
