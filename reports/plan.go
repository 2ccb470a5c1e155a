package reports

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"steadybath/chem"
	"steadybath/chem/plating"
)

type rampJSON struct {
	From     float64 `json:"from"`
	FromUnit string  `json:"from_unit"`
	Minutes  float64 `json:"minutes"`
}

type partJSON struct {
	Name string   `json:"name"`
	Area Quantity `json:"area"`
}

type offerJSON struct {
	By        string    `json:"by"`
	Current   Quantity  `json:"current"`
	Density   Quantity  `json:"current_density"`
	Ramp      rampJSON  `json:"ramp"`
	Time      Quantity  `json:"time"`
	Charge    Quantity  `json:"charge"`
	Mass      Quantity  `json:"mass"`
	Thickness *Quantity `json:"thickness"`
	Why       string    `json:"why"`
}

type planAnodeJSON struct {
	ID    string    `json:"id"`
	Form  string    `json:"form"`
	Area  *float64  `json:"area_dm2"`
	Start *float64  `json:"start_kg"`
	End   *Quantity `json:"end"`
}

type throughJSON struct {
	afterJSON
	U       float64  `json:"u"`
	Now     float64  `json:"now"`
	Window  window   `json:"window"`
	Verdict string   `json:"verdict"`
	Known   bool     `json:"known"`
	Leaves  *float64 `json:"leaves_after_h"`
	Edge    string   `json:"edge"`
}

type planUseJSON struct {
	Name string `json:"name"`
	Quantity
}

type planJSON struct {
	Bath       string          `json:"bath"`
	At         time.Time       `json:"at"`
	Metal      string          `json:"metal"`
	Area       Quantity        `json:"area"`
	Parts      []partJSON      `json:"parts"`
	Current    Quantity        `json:"current"`
	Density    Quantity        `json:"current_density"`
	Ramp       rampJSON        `json:"ramp"`
	Time       Quantity        `json:"time"`
	Charge     Quantity        `json:"charge"`
	Mass       Quantity        `json:"mass"`
	Thickness  *Quantity       `json:"thickness"`
	Possible   bool            `json:"possible"`
	Why        string          `json:"why"`
	Most       *plainQuantity  `json:"most"`
	Offers     []offerJSON     `json:"offers"`
	Warnings   []string        `json:"warnings"`
	Notes      []string        `json:"notes"`
	Efficiency Quantity        `json:"cathode_efficiency"`
	Ammeter    Quantity        `json:"ammeter_factor"`
	Deposit    *Quantity       `json:"deposit_density"`
	Supply     *plainQuantity  `json:"supply"`
	Window     [2]float64      `json:"cathode_density_window"`
	AnodeArea  *float64        `json:"anode_area_dm2"`
	AnodeUsual bool            `json:"anode_area_usual"`
	AnodeASD   *float64        `json:"anode_density"`
	Organics   []planUseJSON   `json:"organics"`
	Evaporates Quantity        `json:"evaporates"`
	TopUp      float64         `json:"topped_up_L"`
	Anodes     []planAnodeJSON `json:"anodes"`
	After      []throughJSON   `json:"after"`
	Volume     Quantity        `json:"volume_after"`
	Head       string          `json:"head"`
}

func quantityOf(q plating.Quantity, unit string) Quantity { return Quantity{q.Value, q.U, unit} }

// known is a number, nil where it is unknown: NaN, or 0 where nothing is 0.
func known(x float64) *float64 {
	if math.IsNaN(x) || x == 0 {
		return nil
	}
	return &x
}

func thicknessOf(r plating.Run) *Quantity {
	if math.IsNaN(r.Thickness.Value) {
		return nil
	}
	q := quantityOf(r.Thickness, "um")
	return &q
}

func rampOf(r plating.Run) rampJSON { return rampJSON{r.From, "A", 60 * r.Ramp} }

// PlanJSON writes the answer of plan as one JSON object.
func PlanJSON(w io.Writer, p *plating.Plan, head string) error {
	r := p.Run
	out := planJSON{Bath: p.Bath, At: p.At.UTC(), Metal: p.Metal.Name, Area: quantityOf(r.Area, "dm2"), Parts: []partJSON{},
		Current: quantityOf(r.Current, "A"), Density: quantityOf(r.Density, "A/dm2"), Ramp: rampOf(r), Time: quantityOf(r.Hours, "h"),
		Charge: quantityOf(r.Charge, "Ah"), Mass: quantityOf(r.Mass, "g"), Thickness: thicknessOf(r), Possible: p.Possible, Why: p.Why,
		Offers: []offerJSON{}, Warnings: list(p.Warnings), Notes: list(p.Notes),
		Efficiency: Quantity{p.Yield.Efficiency, p.Yield.UEff, ""}, Ammeter: Quantity{p.Yield.Ammeter, p.Yield.UAmmeter, ""},
		Window: p.Window, AnodeArea: known(p.AnodeArea), AnodeUsual: p.AnodeUsual, AnodeASD: known(p.AnodeASD),
		Organics: []planUseJSON{}, Evaporates: quantityOf(p.Evaporates, "L"), TopUp: p.TopUp, Anodes: []planAnodeJSON{}, After: []throughJSON{},
		Volume: Quantity{p.After.Volume, p.After.UVolume, "L"}, Head: head}
	for _, part := range p.Parts {
		out.Parts = append(out.Parts, partJSON{part.Name, Quantity{part.Area, part.UArea, "dm2"}})
	}
	if p.Most > 0 {
		out.Most = &plainQuantity{p.Most, "um"}
		if p.Asked.Mass > 0 {
			out.Most.Unit = "g"
		}
	}
	if p.Metal.Density > 0 {
		out.Deposit = &Quantity{p.Metal.Density, p.Metal.UDensity, "g/cm3"}
	}
	if p.Supply > 0 {
		out.Supply = &plainQuantity{p.Supply, "A"}
	}
	for _, o := range p.Offers {
		out.Offers = append(out.Offers, offerJSON{o.By, quantityOf(o.Run.Current, "A"), quantityOf(o.Run.Density, "A/dm2"), rampOf(o.Run), quantityOf(o.Run.Hours, "h"),
			quantityOf(o.Run.Charge, "Ah"), quantityOf(o.Run.Mass, "g"), thicknessOf(o.Run), o.Words})
	}
	for _, u := range p.Organics {
		out.Organics = append(out.Organics, planUseJSON{u.Name, quantityOf(u.Quantity, string(u.Unit))})
	}
	for _, a := range p.Anodes {
		j := planAnodeJSON{ID: a.ID, Form: a.Form, Area: known(a.Area), Start: known(a.Start)}
		if !math.IsNaN(a.End) {
			j.End = &Quantity{a.End, a.UEnd, "kg"}
		}
		out.Anodes = append(out.Anodes, j)
	}
	for _, t := range p.Through {
		j := throughJSON{afterJSON: afterJSON{t.End.Name, string(t.End.Unit), t.End.Value, t.End.Low90, t.End.High90}, U: t.End.U, Now: t.Start.Value,
			Window: window{t.Start.Low, t.Start.Target, t.Start.High}, Verdict: string(t.End.Verdict), Known: t.Start.Known, Edge: t.Edge}
		if leaves := t.Leaves; !math.IsNaN(leaves) {
			j.Leaves = &leaves
		}
		out.After = append(out.After, j)
	}
	return WriteJSON(w, out)
}

// Plan writes the answer of plan as text for a terminal of 80 columns.
func Plan(w io.Writer, p *plating.Plan, zone *time.Location, u Units) error {
	b := &strings.Builder{}
	titleLine(b, p.Bath, "a run to plate "+p.Metal.Name, p.At.In(zone).Format("Mon 2 Jan 2006 15:04 MST"))
	var names []string
	for _, c := range p.Before.Recipe.Constituents {
		names = append(names, c.Name)
	}
	for _, a := range p.Anodes {
		names = append(names, a.ID)
	}
	for _, part := range p.Parts {
		names = append(names, Plain(part.Name))
	}
	line := func(mark, text string) {
		fmt.Fprintf(b, "%s%s\n", mark, wrap(Plain(u.Words(text, names...)), width-len(mark), strings.Repeat(" ", len(mark))))
	}
	switch {
	case !p.Possible:
		line("! ", p.Why)
		for i, o := range p.Offers {
			mark := "  or   "
			if i == 0 {
				mark = "  take "
			}
			line(mark, o.Words)
		}
		b.WriteString("\nas asked it would be:\n")
	case p.Why != "":
		line("", p.Why)
		b.WriteString("\n")
	}
	t := &strings.Builder{}
	row := func(name, value, more string) { fmt.Fprintf(t, "%s\t%s\t%s\t\n", name, value, more) }
	r := p.Run
	area := ""
	for i, part := range p.Parts {
		if len(p.Parts) > 1 || part.Name != "" {
			if i > 0 {
				area += ", "
			}
			area += strings.TrimSpace(Plain(part.Name) + " " + u.amount(part.Area, "dm2"))
		}
	}
	if len(p.Parts) == 1 {
		area = Plain(p.Parts[0].Name)
	}
	row("area", u.asked(r.Area, "dm2"), "")
	current := u.asked(r.Density, "A/dm2") + " on the parts"
	row("current", u.asked(r.Current, "A"), current)
	if r.Ramp > 0 {
		row("ramp", fmt.Sprintf("%s min", figures(60*r.Ramp)), fmt.Sprintf("from %s up to %s", u.amount(r.From, "A"), u.amount(r.Current.Value, "A")))
	}
	end := p.At.Add(time.Duration(r.Hours.Value * float64(time.Hour)))
	hours, unitOfTime := r.Hours, chem.Unit("h")
	if hours.Value < 1 {
		hours, unitOfTime = plating.Quantity{Value: 60 * hours.Value, U: 60 * hours.U}, "min"
	}
	row("time", u.asked(hours, unitOfTime), fmt.Sprintf("from %s to %s", p.At.In(zone).Format("Mon 2 Jan 15:04"), end.In(zone).Format("Mon 2 Jan 15:04")))
	row("charge", u.asked(r.Charge, "Ah"), "as the supply shows it")
	row("mass", u.asked(r.Mass, "g"), "")
	if math.IsNaN(r.Thickness.Value) {
		row("thickness", "unknown", "the recipe states no deposit_density")
	} else {
		row("thickness", u.asked(r.Thickness, "um"), "the mean; edges get more, recesses less")
	}
	if err := writeTable(b, t.String()); err != nil {
		return err
	}
	if area != "" {
		line("parts: ", area)
	}
	b.WriteString("\n")
	for _, warning := range p.Warnings {
		line("! ", warning)
	}
	for _, note := range p.Notes {
		line("  ", note)
	}
	if len(p.Warnings)+len(p.Notes) > 0 {
		b.WriteString("\n")
	}
	line("", "reckoned with "+yieldWords(p, u))
	if used := planUses(p, u); used != "" {
		line("", used)
	}
	for _, anodes := range planAnodes(p, u) {
		line("", anodes)
	}
	added := "nothing added on the way"
	if p.TopUp > 0 {
		added = "topped up with water on the way"
	}
	fmt.Fprintf(b, "\nthe bath at the end, %s:\n", added)
	t.Reset()
	t.WriteString("\tnow\tthen\t90 %\twindow\t\n")
	e := p.After
	before, litres := u.Show(p.Before.Volume, "L")
	after, _ := u.Show(e.Volume, "L")
	spread := e.UVolume * u.scale("L")
	fmt.Fprintf(t, "volume\t%s\t%s %s\t%s\tmark %s\t\n", decimals(before, spread), decimals(after, spread), litres, band(e.Low90V, e.High90V, e.UVolume, "L", u), u.amount(e.Bath.Volume, "L"))
	for _, x := range p.Through {
		c := x.End
		if c.Contaminant() && !c.Known {
			continue
		}
		now, unit := u.Show(x.Start.Value, c.Unit)
		then, _ := u.Show(c.Value, c.Unit)
		word := string(c.Verdict)
		if !c.Known {
			word = "not read"
		}
		spread := math.Max(c.U, c.Target/1000) // one that is used up is not sure to the last digit
		d := spread * u.scale(c.Unit)
		fmt.Fprintf(t, "%s\t%s\t%s %s\t%s\t%s\t%s\n", c.Name, decimals(now, d), decimals(then, d), unit, band(c.Low90, c.High90, spread, c.Unit, u), windowWords(c, u), word)
	}
	if err := writeTable(b, t.String()); err != nil {
		return err
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// asked writes a quantity: with its uncertainty where it has one, plain where
// somebody set it.
func (u Units) asked(q plating.Quantity, unit chem.Unit) string {
	if q.U > 0 {
		return u.plusMinus(q.Value, q.U, unit)
	}
	return u.amount(q.Value, unit)
}

func yieldWords(p *plating.Plan, u Units) string {
	y := p.Yield
	words := fmt.Sprintf("a cathode efficiency of %s, an ammeter that shows %s of the current",
		percentOf(y.Efficiency, y.UEff), percentOf(1/y.Ammeter, y.UAmmeter/y.Ammeter/y.Ammeter))
	if p.Metal.Density > 0 {
		words += fmt.Sprintf(", and a deposit of %s g/cm3", figures(p.Metal.Density))
	}
	if !y.LearnedFromWeighings {
		words += "; weighing a part, dry, makes them surer (plate --gain)"
	}
	return words
}

func percentOf(x, u float64) string {
	p := places(100 * u)
	return fmt.Sprintf("%.*f ± %.*f %%", p, 100*x, p, 100*u)
}

// planUses says what goes: organics and water.
func planUses(p *plating.Plan, u Units) string {
	var organics, parts []string
	for _, o := range p.Organics {
		organics = append(organics, fmt.Sprintf("%s of %s", u.plusMinus(o.Value, o.U, o.Unit), o.Name))
	}
	if len(organics) > 0 {
		parts = append(parts, "it uses "+strings.Join(organics, " and "))
	}
	if p.Evaporates.Value > 0 {
		parts = append(parts, u.plusMinus(p.Evaporates.Value, p.Evaporates.U, "L")+" of water evaporate")
	}
	return strings.Join(parts, "; ")
}

// planAnodes says at which density the anodes run and what is left of them.
func planAnodes(p *plating.Plan, u Units) []string {
	var lines []string
	if p.AnodeArea > 0 {
		usual := ""
		if p.AnodeUsual {
			usual = ", the recipe's usual area"
		}
		words := fmt.Sprintf("anodes at %s on %s%s", u.amount(p.AnodeASD, "A/dm2"), u.amount(p.AnodeArea, "dm2"), usual)
		if most := p.Before.Recipe.Limits.AnodeDensity; most > 0 {
			words += fmt.Sprintf("; at most %s would fit", u.amount(most, "A/dm2"))
		}
		lines = append(lines, words)
	}
	if p.Before.Recipe.Anodes == "inert" {
		lines = append(lines, "the anodes are inert, so all of the metal comes out of the bath")
	}
	for _, a := range p.Anodes {
		if !math.IsNaN(a.End) {
			lines = append(lines, fmt.Sprintf("anode %s goes from %s to %s", a.ID, u.amount(a.Start, "kg"), u.plusMinus(a.End, a.UEnd, "kg")))
		}
	}
	return lines
}
