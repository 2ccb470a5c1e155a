package reports

import (
	"fmt"
	"math"
	"strings"

	"steadybath/chem"
	"steadybath/chem/estimate"
)

// FactWords says in a few words what a fact says, its note left out.
func FactWords(f chem.Fact) string {
	switch b := f.Body.(type) {
	case chem.Begin:
		return "bath begins, run at " + b.Volume.String()
	case chem.Setting:
		if b.Value.Given() {
			return fmt.Sprintf("from now on %s is %s", b.Key, withU(b.Value))
		}
		return fmt.Sprintf("from now on %s is %s", b.Key, Plain(b.Text))
	case chem.Titrant:
		words := fmt.Sprintf("titrant %s %s", Plain(b.Name), withU(b.Molarity))
		if b.Factor.Given() {
			words += " x " + string(b.Factor)
		}
		return words + lotWords(b.Lot)
	case chem.Stock:
		return fmt.Sprintf("stock %s %s%s", Plain(b.Material), b.Amount, lotWords(b.Lot))
	case chem.Fill:
		return fmt.Sprintf("fill %s (%s), %d of its constituents known", withU(b.Volume), b.Origin, len(b.Composition))
	case chem.Level:
		if b.Height.Given() {
			return fmt.Sprintf("level %s (read as %s)", withU(b.Volume), b.Height)
		}
		return "level " + withU(b.Volume)
	case chem.Assay:
		return assayWords(b)
	case chem.Panel:
		if b.Value.Given() {
			return fmt.Sprintf("panel %s %s", Plain(b.Of), withU(b.Value))
		}
		return fmt.Sprintf("panel %s looks %s", Plain(b.Of), b.Pattern)
	case chem.Meter:
		return fmt.Sprintf("meter %s shows %s", Plain(b.Supply), b.Reading)
	case chem.Plate:
		return plateWords(b)
	case chem.Add:
		return fmt.Sprintf("add %s %s%s", Plain(b.Material), b.Amount, lotWords(b.Lot))
	case chem.Bail:
		return "bail out " + b.Volume.String()
	case chem.Treat:
		return strings.TrimSpace(fmt.Sprintf("treat with %s %s", b.With, b.Amount))
	case chem.Change:
		return "change " + Plain(b.What)
	case chem.Hang:
		if b.TopUp {
			return fmt.Sprintf("top up %s by %s", Plain(b.Anode), b.Mass)
		}
		return strings.TrimSpace(fmt.Sprintf("hang %s %s %s", Plain(b.Anode), b.Mass, b.Form))
	case chem.Weigh:
		return fmt.Sprintf("weigh %s %s", Plain(b.Anode), b.Mass)
	case chem.Pull:
		return strings.TrimSpace(fmt.Sprintf("pull %s %s", Plain(b.Anode), b.Mass))
	case chem.Void:
		return "void " + b.Target.String()
	}
	return string(f.Kind())
}

func withU(m chem.Measured) string {
	if !m.U.Given() {
		return m.String()
	}
	number, u := m.Number, m.U
	if p := places(u.Float()); u.Places() > p && number.Places() >= p { // more digits than the uncertainty leaves
		number, u = chem.DecimalRound(number.Float(), p), chem.DecimalRound(u.Float(), p)
	}
	return fmt.Sprintf("%s ± %s %s", number, u, m.Unit)
}

func lotWords(lot string) string {
	if lot == "" {
		return ""
	}
	return ", lot " + Plain(lot)
}

func assayWords(a chem.Assay) string {
	words := fmt.Sprintf("%s %s", Plain(a.Of), withU(a.Value))
	if a.Of == string(a.Value.Unit) { // pH has no unit but its name
		words = strings.TrimSuffix(words, " "+a.Of)
	}
	if t := a.Titration; t != nil && len(t.Delivered) > 0 {
		list := make([]string, len(t.Delivered))
		for i, d := range t.Delivered {
			list[i] = string(d)
		}
		words += fmt.Sprintf(" (%s mL%s)", strings.Join(list, ", "), lotWords(t.Lot))
	}
	return words
}

func plateWords(p chem.Plate) string {
	words := "plate " + p.Charge.String()
	if p.Hours.Given() {
		words += fmt.Sprintf(" in %s h", p.Hours)
	}
	if p.Area.Given() {
		words += " on " + p.Area.String()
	}
	if p.Part != "" {
		words += ": " + Plain(p.Part)
	}
	if p.Gain.Given() {
		words += ", gained " + p.Gain.String()
	}
	if p.Thickness.Given() {
		words += fmt.Sprintf(", %s on average", p.Thickness)
	}
	return words
}

// ReadingWords says what a reading just entered did to the estimate; nothing
// for facts that are no readings. e is the estimate with the fact in it.
func ReadingWords(e *estimate.Estimate, f chem.Fact, u Units) []string {
	for _, r := range e.Readings {
		if r.Fact.ID != f.ID {
			continue
		}
		line := fmt.Sprintf("   the log led to %s", u.plusMinus(r.Expected, r.UExpected, r.Unit))
		switch r.Fate {
		case estimate.Held:
			return []string{line, "   ! " + wrap(fmt.Sprintf("%.1f standard deviations apart: held until a second reading; read %s again before dosing", math.Abs(r.Off), r.Subject), width-5, "     ")}
		case estimate.Dropped:
			return []string{line, "   ! it is not used; steadybath state says why"}
		case estimate.Used:
			for _, c := range e.Constituents {
				if c.Name == r.Subject {
					line += fmt.Sprintf("; now %s", u.plusMinus(c.Value, c.U, c.Unit))
				}
			}
			if r.Subject == "volume" {
				line += fmt.Sprintf("; now %s", u.plusMinus(e.Volume, e.UVolume, "L"))
			}
		}
		out := []string{line}
		for _, flag := range e.Flags {
			if flag.Kind == "confirmed" && flag.Subject == r.Subject {
				out = append(out, "   ! "+wrap(u.flagWords(e, flag), width-5, "     "))
			}
		}
		return out
	}
	return nil
}
