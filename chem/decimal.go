package chem

import (
	"fmt"
	"math"
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
	text = strings.ReplaceAll(text, "−", "-")
	if text == "" {
		return "", fmt.Errorf("a number is missing")
	}
	exponent := 0
	if i := strings.IndexAny(text, "eE"); i > 0 {
		// Shifting the point in the text keeps every digit; a float would not.
		n, err := strconv.Atoi(text[i+1:])
		if err != nil || n > maxDigits || n < -maxDigits {
			return "", fmt.Errorf("%q is not a number such as 18.4", s)
		}
		text, exponent = text[:i], n
	}
	if strings.Contains(text, ",") {
		whole, frac, _ := strings.Cut(text, ",")
		digits := strings.TrimLeft(whole, "+-")
		switch {
		case strings.ContainsAny(frac, ".,") || strings.Contains(whole, "."):
			return "", fmt.Errorf("%q has more than one mark; write it without thousands marks, such as 1234.5", s)
		case len(frac) == 3 && len(digits) >= 1 && len(digits) <= 3 && digits[0] != '0':
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
	whole, frac, _ := strings.Cut(text, ".")
	if whole == "" && frac == "" || strings.Trim(whole, "0123456789") != "" || strings.Trim(frac, "0123456789") != "" {
		return "", fmt.Errorf("%q is not a number such as 18.4", s)
	}
	if exponent > 0 {
		frac += strings.Repeat("0", max(0, exponent-len(frac)))
		whole, frac = whole+frac[:exponent], frac[exponent:]
	}
	if exponent < 0 {
		whole = strings.Repeat("0", max(0, -exponent-len(whole))) + whole
		whole, frac = whole[:len(whole)+exponent], whole[len(whole)+exponent:]+frac
	}
	whole = strings.TrimLeft(whole, "0")
	if len(whole)+len(frac) > maxDigits {
		return "", fmt.Errorf("%q has more than %d digits", s, maxDigits)
	}
	if whole == "" {
		whole = "0"
	}
	out := whole
	if frac != "" {
		out += "." + frac
	}
	if sign != "" && strings.Trim(out, "0.") != "" {
		out = sign + out
	}
	return Decimal(out), nil
}

// DecimalOf writes a float in the shortest form that reads back to the same
// value; digits beyond what ParseDecimal takes are rounded off. NaN, infinities
// and numbers too large to be written so have no decimal form and give the
// empty Decimal.
func DecimalOf(f float64) Decimal {
	d, err := ParseDecimal(strconv.FormatFloat(f, 'f', -1, 64))
	if err == nil {
		return d
	}
	if !(math.Abs(f) < 1) {
		return ""
	}
	d, err = ParseDecimal(strconv.FormatFloat(f, 'f', maxDigits, 64))
	if err != nil {
		return ""
	}
	if whole := strings.TrimRight(string(d), "0"); strings.TrimLeft(whole, "-0.") != "" {
		return Decimal(whole)
	}
	return "0"
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

// Float returns the number as a float64, always finite; 0 where none was given.
func (d Decimal) Float() float64 {
	// ParseFloat also reads "NaN" and "Inf", which no typed number is.
	f, err := strconv.ParseFloat(string(d), 64)
	if err != nil || math.IsNaN(f) || math.IsInf(f, 0) {
		return 0
	}
	return f
}

// Places returns how many digits stand after the point.
func (d Decimal) Places() int {
	_, frac, _ := strings.Cut(string(d), ".")
	return len(frac)
}
