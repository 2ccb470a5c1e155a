package reports

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"steadybath/chem"
)

// quantityWords finds a number with a unit that the other system shows in
// another one, and the numbers before it that share the unit: "46 to 54 g/L",
// "2.9 of 4 mL/L", "0.30 ± 0.02 kg".
var quantityWords = regexp.MustCompile(`(by )?((?:[+-]?\d+(?:\.\d+)?(?: ± | to | and | of | or |–))*)([+-]?\d+(?:\.\d+)?) (A/dm2|g/L|mL|kg|g|L|dm2|degC|um)([^\w/µ°]|$)`)

var oneNumber = regexp.MustCompile(`[+-]?\d+(?:\.\d+)?`)

// Words turns the quantities in a sentence into the system's units. Sentences
// come from the chemistry, which writes metric ones and every number with its
// unit. A change of temperature ("by 3 degC") is not one of its zero.
func (u Units) Words(text string) string {
	if u != US {
		return text
	}
	// A match eats the character after it, which may stand before the next one.
	for range 2 {
		text = quantityWords.ReplaceAllStringFunc(text, func(all string) string {
			m := quantityWords.FindStringSubmatch(all)
			unit := chem.Unit(m[4])
			one := func(n string) string { return u.number(n, unit, m[1] != "") }
			_, to := u.Show(0, unit)
			return m[1] + oneNumber.ReplaceAllStringFunc(m[2], one) + one(m[3]) + " " + string(to) + m[5]
		})
	}
	return text
}

// number turns one number, to as many figures that matter as it had, three at
// least.
func (u Units) number(text string, unit chem.Unit, difference bool) string {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return text
	}
	shown, _ := u.Show(v, unit)
	if difference {
		shown = v * u.scale(unit)
	}
	matter := max(3, len(strings.TrimLeft(strings.NewReplacer("+", "", "-", "", ".", "").Replace(text), "0")))
	places := 0
	if shown != 0 {
		places = min(max(0, matter-1-int(math.Floor(math.Log10(math.Abs(shown))))), 6)
	}
	sign := ""
	if strings.HasPrefix(text, "+") {
		sign = "+"
	}
	out := fmt.Sprintf("%s%.*f", sign, places, shown)
	if strings.Contains(out, ".") {
		out = strings.TrimRight(strings.TrimRight(out, "0"), ".")
	}
	return out
}
