package chem

import (
	"fmt"
	"strconv"
	"strings"
)

// Decimal is a number as it was typed, kept to the digit: an optional minus,
// digits, and optionally a point with digits after it. The empty Decimal means
// that no number was given. Trailing zeros are kept, since 16.40 says more
// about a burette than 16.4.
type Decimal string

// maxDigits bounds a typed number: more digits than any instrument shows, few
// enough that a float64 and PostgreSQL's numeric both hold it.
const maxDigits = 24

// ParseDecimal reads a number with a decimal point or, where it can mean only
// one thing, a decimal comma. "1,234" could be either and is an error that says
// so. An exponent is written out. The result is canonical: no plus sign, no
// leading zeros, a digit on each side of the point.
func ParseDecimal(s string) (Decimal, error) {
	text := strings.TrimSpace(s)
	text = strings.Replace(text, "−", "-", 1)
	if text == "" {
		return "", fmt.Errorf("a number is missing")
	}
	if i := strings.IndexAny(text, "eE"); i > 0 {
		f, err := strconv.ParseFloat(text, 64)
		if err != nil || f > 1e15 || f < -1e15 {
			return "", fmt.Errorf("%q is not a number such as 18.4", s)
		}
		text = strconv.FormatFloat(f, 'f', -1, 64)
	}
	if strings.Contains(text, ",") {
		whole, frac, _ := strings.Cut(text, ",")
		switch {
		case strings.ContainsAny(frac, ".,"):
			return "", fmt.Errorf("%q has more than one mark; write it without thousands marks, such as 1234.5", s)
		case strings.Contains(whole, "."):
			return "", fmt.Errorf("%q has more than one mark; write it without thousands marks, such as 1234.5", s)
		case len(frac) == 3 && strings.Trim(whole, "-0") != "":
			return "", fmt.Errorf("%q can mean %s.%s or %s%s; write it with a point or without a mark", s, whole, frac, whole, frac)
		}
		text = whole + "." + frac
	}
	sign := ""
	switch {
	case strings.HasPrefix(text, "-"):
		sign, text = "-", text[1:]
	case strings.HasPrefix(text, "+"):
		text = text[1:]
	}
	whole, frac, point := strings.Cut(text, ".")
	if whole == "" && frac == "" || strings.Trim(whole, "0123456789") != "" || strings.Trim(frac, "0123456789") != "" {
		return "", fmt.Errorf("%q is not a number such as 18.4", s)
	}
	if len(whole)+len(frac) > maxDigits {
		return "", fmt.Errorf("%q has more than %d digits", s, maxDigits)
	}
	whole = strings.TrimLeft(whole, "0")
	if whole == "" {
		whole = "0"
	}
	out := whole
	if point && frac != "" {
		out += "." + frac
	}
	if sign != "" && strings.Trim(out, "0.") != "" {
		out = sign + out
	}
	return Decimal(out), nil
}

// DecimalOf writes a float in the shortest form that reads back to the same
// value. NaN and infinities have no decimal form and give the empty Decimal.
func DecimalOf(f float64) Decimal {
	if f != f || f > 1e300 || f < -1e300 {
		return ""
	}
	if f == 0 {
		return "0"
	}
	return Decimal(strconv.FormatFloat(f, 'f', -1, 64))
}

// DecimalRound writes a float with the given count of digits after the point.
func DecimalRound(f float64, places int) Decimal {
	d, err := ParseDecimal(strconv.FormatFloat(f, 'f', places, 64))
	if err != nil {
		return ""
	}
	return d
}

// Given tells whether a number was written at all.
func (d Decimal) Given() bool { return d != "" }

// Float returns the number as a float64; 0 where none was given.
func (d Decimal) Float() float64 {
	f, err := strconv.ParseFloat(string(d), 64)
	if err != nil {
		return 0
	}
	return f
}

// Places returns how many digits stand after the point.
func (d Decimal) Places() int {
	_, frac, _ := strings.Cut(string(d), ".")
	return len(frac)
}
