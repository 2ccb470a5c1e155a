package reports

import (
	"fmt"
	"io"
	"math"
	"strings"

	"steadybath/chem"
	"steadybath/chem/dose"
)

type weighingJSON struct {
	Material string  `json:"material"`
	Amount   float64 `json:"amount"`
	Unit     string  `json:"unit"`
}

type reachedJSON struct {
	Name   string  `json:"name"`
	Unit   string  `json:"unit"`
	Target float64 `json:"target"`
	Value  float64 `json:"value"`
}

type makeUpStepJSON struct {
	Stage    string         `json:"stage"`
	Material string         `json:"material,omitempty"`
	Amount   *plainQuantity `json:"amount"`
	Do       string         `json:"do"`
	Portions []portionJSON  `json:"portions"`
	Notes    []string       `json:"notes"`
	Cautions []string       `json:"cautions"`
}

type makeUpJSON struct {
	Bath     string           `json:"bath"`
	Recipe   string           `json:"recipe"`
	Volume   plainQuantity    `json:"volume"`
	Weigh    []weighingJSON   `json:"weigh"`
	Reached  []reachedJSON    `json:"reached"`
	Steps    []makeUpStepJSON `json:"steps"`
	Short    []string         `json:"short"`
	Cautions []string         `json:"cautions"`
}

// MakeUpJSON writes the sheet for a new bath as one JSON object; bath is empty
// where there is none yet.
func MakeUpJSON(w io.Writer, p *dose.MakeUp, bath string) error {
	out := makeUpJSON{Bath: bath, Recipe: p.Title, Volume: plainQuantity{p.Volume, "L"}, Weigh: []weighingJSON{}, Reached: []reachedJSON{},
		Steps: []makeUpStepJSON{}, Short: list(p.Short), Cautions: list(p.Cautions)}
	for _, x := range p.Weigh {
		out.Weigh = append(out.Weigh, weighingJSON{x.Material.Name, x.Amount, string(x.Unit)})
	}
	for _, r := range p.Reached {
		out.Reached = append(out.Reached, reachedJSON{r.Name, string(r.Unit), r.Target, r.Value})
	}
	for _, s := range p.Steps {
		j := makeUpStepJSON{Stage: string(s.Stage), Material: s.Material, Do: s.Do, Portions: []portionJSON{}, Notes: list(s.Notes), Cautions: list(s.Cautions)}
		if s.Material != "" {
			j.Amount = &plainQuantity{s.Amount, string(s.Unit)}
		}
		for _, q := range s.Portions {
			j.Portions = append(j.Portions, portionJSON{q.Amount, string(q.Unit), q.Wait})
		}
		out.Steps = append(out.Steps, j)
	}
	return WriteJSON(w, out)
}

// MakeUp writes the sheet for a new bath as text of 80 columns, to be printed and
// ticked off.
func MakeUp(w io.Writer, p *dose.MakeUp, bath string, u Units) error {
	b := &strings.Builder{}
	title := Plain(p.Title)
	if bath != "" {
		title = Plain(bath) + " · " + title
	}
	fmt.Fprintf(b, "%s\n", wrap(fmt.Sprintf("%s · make-up of %s", title, exactAmount(u, p.Volume, "L")), width, ""))
	fmt.Fprintf(b, "date __________  made by __________\n\n")
	names := []string{}
	for _, x := range p.Weigh {
		names = append(names, x.Material.Name)
	}
	if len(p.Short) > 0 {
		fmt.Fprintf(b, "to get first: %s\n\n", wrap(u.Words(strings.Join(p.Short, "; "), names...), width-14, "  "))
	}
	for _, s := range p.Steps {
		head := s.Do
		if s.Material != "" {
			head = fmt.Sprintf("%s %s: %s", exactAmount(u, s.Amount, s.Unit), s.Material, u.Words(s.Do, names...))
		}
		fmt.Fprintf(b, "[ ] %s\n", wrap(head, width-4, "    "))
		detail := func(text string) { fmt.Fprintf(b, "    %s\n", wrap(text, width-4, "    ")) }
		if len(s.Portions) > 1 {
			detail(u.Words(portionsInShort(s.Portions, u)))
			if rows := tally(len(s.Portions)); rows != "" {
				detail(rows)
			}
		}
		for _, n := range s.Notes {
			detail(u.Words(n, names...))
		}
		for _, c := range s.Cautions {
			fmt.Fprintf(b, "    care: %s\n", wrap(Plain(u.Words(c, names...)), width-10, "          "))
		}
	}
	b.WriteString("\nwhat this gives at the mark:\n")
	for _, r := range p.Reached {
		value, unit := u.Show(r.Value, r.Unit)
		target, _ := u.Show(r.Target, r.Unit)
		fmt.Fprintf(b, "   %-18s %s %s, target %s\n", Plain(r.Name), fourFigures(value), unit, figures(target))
	}
	for i, c := range p.Cautions {
		if i == 0 {
			b.WriteString("\n")
		}
		fmt.Fprintf(b, "%s\n", wrap(c, width, ""))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// fourFigures shows what rounding did to a target of three.
func fourFigures(x float64) string {
	if !(x > 0) {
		return "0"
	}
	return string(chem.DecimalRound(x, max(0, 3-int(math.Floor(math.Log10(x))))))
}

// portionsInShort is "203 pours of 40 mL and one of 15 mL: ...": they are equal but
// for the last.
func portionsInShort(portions []dose.Portion, u Units) string {
	first, last := portions[0], portions[len(portions)-1]
	words := fmt.Sprintf("%d times %s", len(portions), exactAmount(u, first.Amount, first.Unit))
	if last.Amount != first.Amount {
		words = fmt.Sprintf("%d times %s, then %s", len(portions)-1, exactAmount(u, first.Amount, first.Unit), exactAmount(u, last.Amount, last.Unit))
	}
	if first.Wait != "" {
		words += ": " + first.Wait
	}
	return words
}

// mostBoxes is what fits on one line.
const mostBoxes = 15

// tally is a row of boxes, one for each part, or for each so many of them.
func tally(n int) string {
	by := 1
	for _, k := range []int{1, 2, 5, 10, 20, 50, 100, 200, 500, 1000} {
		if by = k; (n+k-1)/k <= mostBoxes {
			break
		}
	}
	boxes := strings.TrimRight(strings.Repeat("[ ] ", min((n+by-1)/by, mostBoxes)), " ")
	if by == 1 {
		return boxes
	}
	return fmt.Sprintf("%s each %d", boxes, by)
}
