package main

import (
	"fmt"
	"slices"
	"strings"

	"steadybath/chem"
)

// splitWords parts what was typed after a command into the name it begins with
// and the quantities behind it. Both may be several words: "sulfuric acid 58.2
// mL" is a name and one quantity.
func splitWords(words []string) (name string, quantities []string) {
	i := 0
	for i < len(words) && !startsNumber(words[i]) {
		i++
	}
	return strings.Join(words[:i], " "), joinUnits(words[i:])
}

// splitNamed is splitWords where the names are known: one that has a number in
// it, such as "sulfuric acid 35 %", is not torn apart.
func splitNamed(words, names []string) (name string, quantities []string) {
	for n := len(words); n > 0; n-- {
		typed := strings.Join(words[:n], " ")
		if slices.ContainsFunc(names, func(known string) bool { return strings.EqualFold(known, typed) }) {
			return typed, joinUnits(words[n:])
		}
	}
	return splitWords(words)
}

// startsNumber tells whether a word begins a quantity: with a digit, or with a
// sign or mark before one.
func startsNumber(w string) bool {
	w = strings.TrimLeft(w, "+-−.,")
	return w != "" && w[0] >= '0' && w[0] <= '9'
}

// joinUnits puts units that were typed as words of their own back to their
// numbers, and ".." between two readings of a burette and ± between a value and
// its uncertainty too.
func joinUnits(words []string) []string {
	var out []string
	for _, w := range words {
		last := len(out) - 1
		switch {
		case last < 0:
			out = append(out, w)
		case strings.HasPrefix(w, "..") || strings.HasSuffix(out[last], ".."):
			out[last] += w
		case startsPlusMinus(w) || endsPlusMinus(out[last]):
			out[last] += " " + w
		case startsNumber(w):
			out = append(out, w)
		default:
			out[last] += " " + w
		}
	}
	return out
}

// plusMinus is how ± is typed.
var plusMinus = []string{"±", "+-", "+/-"}

func startsPlusMinus(w string) bool {
	return slices.ContainsFunc(plusMinus, func(sign string) bool { return strings.HasPrefix(w, sign) })
}

func endsPlusMinus(w string) bool {
	return slices.ContainsFunc(plusMinus, func(sign string) bool { return strings.HasSuffix(w, sign) })
}

// pick finds the one name that was meant: in full, or the only one that begins
// with what was typed or has it in it. What it is of ("constituent") is for the
// message.
func pick(what, typed string, names []string) (string, error) {
	if typed == "" {
		return "", wrongWords("there is: "+strings.Join(names, ", "), "which %s?", what)
	}
	for _, n := range names {
		if strings.EqualFold(n, typed) {
			return n, nil
		}
	}
	for _, match := range []func(n, t string) bool{strings.HasPrefix, strings.Contains} {
		var found []string
		for _, n := range names {
			if match(strings.ToLower(n), strings.ToLower(typed)) {
				found = append(found, n)
			}
		}
		switch len(found) {
		case 0:
		case 1:
			return found[0], nil
		default:
			return "", wrongWords("say which", "%q can be %s", typed, strings.Join(found, " or "))
		}
	}
	hint := "there is: " + strings.Join(names, ", ")
	if near := nearest(typed, names); near != "" {
		hint = "did you mean " + near + "?"
	}
	return "", refused(hint, "the bath has no %s %q", what, typed)
}

func constituentNames(r *chem.Recipe) []string {
	names := make([]string, len(r.Constituents))
	for i, c := range r.Constituents {
		names[i] = c.Name
	}
	return names
}

func materialNames(r *chem.Recipe) []string {
	names := make([]string, len(r.Materials))
	for i, m := range r.Materials {
		names[i] = m.Name
	}
	return names
}

// quantity reads the one quantity a command wants.
func quantity(what string, words []string, dims ...chem.Dimension) (chem.Measured, error) {
	switch len(words) {
	case 0:
		return chem.Measured{}, wrongWords("such as "+example(dims), "%s is missing", what)
	case 1:
	default:
		return chem.Measured{}, wrongWords("", "%s: one is wanted, not %d: %s", what, len(words), strings.Join(words, ", "))
	}
	if isColumn(words[0]) {
		return chem.Measured{}, wrongWords("such as "+example(dims), "%s: one is wanted, and %q is a column of a spreadsheet", what, words[0])
	}
	m, err := chem.ParseMeasured(words[0], dims...)
	if err != nil {
		if first, rest := leftOver(words[0], dims); rest != "" {
			return chem.Measured{}, wrongWords("a time is given with --at, a remark with --note", "%s: %q is left over after %s", what, rest, first)
		}
		return chem.Measured{}, wrongWords("", "%s: %v", what, err)
	}
	return m, notBelowZero(what, m)
}

// something is a quantity that is more than nothing.
func something(what string, words []string, dims ...chem.Dimension) (chem.Measured, error) {
	m, err := quantity(what, words, dims...)
	if err == nil && m.Number.Float() == 0 {
		err = wrongWords("such as "+example(dims), "%s is %s; it must be more than 0", what, m)
	}
	return m, err
}

// isColumn tells whether a word is several cells as a spreadsheet copies them.
func isColumn(word string) bool { return strings.ContainsAny(strings.TrimSpace(word), "\n\r\t") }

// leftOver finds the quantity that text begins with and what stands after it;
// nothing is left over where it begins with none.
func leftOver(text string, dims []chem.Dimension) (first, rest string) {
	words := strings.Fields(text)
	for n := len(words) - 1; n > 0; n-- {
		first = strings.Join(words[:n], " ")
		if _, err := chem.ParseMeasured(first, dims...); err == nil {
			return first, strings.Join(words[n:], " ")
		}
	}
	return "", ""
}

// notBelowZero refuses what no quantity typed at a tank can be, but for a
// temperature and a pH.
func notBelowZero(what string, m chem.Measured) error {
	if d := m.Unit.Dimension(); d == chem.DimTemperature || d == chem.DimPH || !strings.HasPrefix(string(m.Number), "-") {
		return nil
	}
	return wrongWords("it is 0 or more; a wrong entry is taken back with void", "%s: %s is below zero", what, m)
}

func example(dims []chem.Dimension) string {
	if len(dims) == 0 {
		return "18.4 mL"
	}
	both := slices.Contains(dims, chem.DimVolume) && slices.Contains(dims, chem.DimMass)
	switch dims[0] {
	case chem.DimVolume, chem.DimMass:
		if both { // a material
			return "12 mL or 250 g"
		}
		if dims[0] == chem.DimMass {
			return "1.25 kg"
		}
		return "58.2 L"
	case chem.DimCharge:
		return "22.5 Ah"
	case chem.DimMassConc:
		return "51.8 g/L"
	}
	return "a number with its unit"
}

// flagQuantity reads a flag that holds a quantity; an empty flag is none.
func flagQuantity(name, text string, dims ...chem.Dimension) (chem.Measured, error) {
	if text == "" {
		return chem.Measured{}, nil
	}
	m, err := chem.ParseMeasured(text, dims...)
	if err != nil {
		return chem.Measured{}, wrongWords("", "--%s: %v", name, err)
	}
	return m, notBelowZero("--"+name, m)
}

// flagNumber reads a flag that holds a plain number.
func flagNumber(name, text string) (chem.Decimal, error) {
	if text == "" {
		return "", nil
	}
	d, err := chem.ParseDecimal(text)
	if err != nil {
		return "", wrongWords("", "--%s: %v", name, err)
	}
	return d, nil
}

// flagIn reads a flag that holds a quantity in one unit, which may be left out
// because the flag's help names it: --hours 4.
func flagIn(name, text string, unit chem.Unit) (chem.Decimal, error) {
	if text == "" {
		return "", nil
	}
	if d, err := chem.ParseDecimal(text); err == nil {
		return d, notBelowZero("--"+name, chem.Measured{Number: d, Unit: unit})
	}
	m, err := flagQuantity(name, text, unit.Dimension())
	if err != nil {
		return "", err
	}
	if m.Unit == unit {
		return m.Number, nil
	}
	v, _, err := m.In(unit)
	if err != nil {
		return "", wrongWords("", "--%s: %v", name, err)
	}
	return chem.DecimalOf(v), nil
}

// noWords refuses what no command should silently ignore.
func noWords(command string, words []string) error {
	if len(words) == 0 {
		return nil
	}
	hint := fmt.Sprintf("steadybath %s --help shows how it is typed", command)
	switch command {
	case "state", "dose", "plan", "history", "chart":
		hint += "; a bath is named with --bath, a time with --at"
	case "export", "bath show":
		hint += "; a bath is named with --bath"
	}
	return wrongWords(hint, "%s takes no words: %s", command, strings.Join(words, " "))
}
