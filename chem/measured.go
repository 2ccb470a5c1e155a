package chem

import (
	"fmt"
	"strings"
	"unicode"
)

// Measured is a number as somebody wrote it down: digits, unit, and the
// standard uncertainty in the same unit where one was stated. The zero value
// means that nothing was written.
type Measured struct {
	Number Decimal
	Unit   Unit
	U      Decimal
}

// ParseMeasured reads a number with its unit, as one word or two: "18.4 mL",
// "1.2A/dm2", "18,4mL", "50.2 +- 0.4 g/L". Without dims any unit is taken; with
// them, a unit of another kind or none at all is refused with the units that
// fit. A plain number is taken only where DimNone is among dims.
func ParseMeasured(s string, dims ...Dimension) (Measured, error) {
	text := strings.TrimSpace(s)
	if strings.ContainsAny(text, "\n\r\t") {
		return Measured{}, fmt.Errorf("%q is more than one value; one at a time is wanted, and each needs a unit%s", s, fits(dims))
	}
	end := 0
	for i, r := range text {
		// A sign further on belongs to the +- of an uncertainty.
		if unicode.IsDigit(r) || r == '.' || r == ',' || i == 0 && strings.ContainsRune("+-−", r) {
			end = i + len(string(r))
			continue
		}
		break
	}
	if end == 0 {
		return Measured{}, fmt.Errorf("%q is not a number with a unit%s", s, fits(dims))
	}
	digits, rest := text[:end], strings.TrimSpace(text[end:])
	// An exponent is part of the number only where digits follow it.
	if len(rest) > 1 && (rest[0] == 'e' || rest[0] == 'E') && strings.ContainsAny(rest[1:2], "0123456789+-") {
		j := 2
		for j < len(rest) && rest[j] >= '0' && rest[j] <= '9' {
			j++
		}
		digits, rest = digits+rest[:j], strings.TrimSpace(rest[j:])
	}
	number, err := ParseDecimal(digits)
	if err != nil {
		return Measured{}, err
	}
	m := Measured{Number: number}
	for _, mark := range []string{"±", "+-", "+/-"} {
		if tail, ok := strings.CutPrefix(rest, mark); ok {
			tail = strings.TrimSpace(tail)
			j := strings.IndexFunc(tail, func(r rune) bool { return !unicode.IsDigit(r) && r != '.' && r != ',' })
			if j < 0 {
				j = len(tail)
			}
			if m.U, err = ParseDecimal(tail[:j]); err != nil {
				return Measured{}, fmt.Errorf("%q: after %s: %w; an uncertainty is 0 or more, such as 58.2 +- 0.3 L", s, mark, err)
			}
			rest = strings.TrimSpace(tail[j:])
			break
		}
	}
	if m.Unit, err = ParseUnit(rest); err != nil {
		return Measured{}, fmt.Errorf("%q: %w%s", s, err, fits(dims))
	}
	if err = m.Check(dims...); err != nil {
		return Measured{}, err
	}
	return m, nil
}

// Check tells whether the unit measures one of dims.
func (m Measured) Check(dims ...Dimension) error {
	if len(dims) == 0 {
		return nil
	}
	have := m.Unit.Dimension()
	for _, d := range dims {
		if d == have {
			return nil
		}
	}
	if m.Unit == "" {
		return fmt.Errorf("%q needs a unit%s", m.Number, fits(dims))
	}
	return fmt.Errorf("%q is %s where %s is wanted%s", m.String(), have, joinDims(dims), fits(dims))
}

func joinDims(dims []Dimension) string {
	names := make([]string, len(dims))
	for i, d := range dims {
		names[i] = string(d)
	}
	return strings.Join(names, " or ")
}

func fits(dims []Dimension) string {
	if list := UnitsOf(dims...); list != "" {
		return ", such as " + list
	}
	return ""
}

// MeasuredOf makes a Measured from floats, in the shortest digits that read
// back the same; u = 0 means none stated.
func MeasuredOf(value float64, unit Unit, u float64) Measured {
	m := Measured{Number: DecimalOf(value), Unit: unit}
	if u > 0 {
		m.U = DecimalOf(u)
	}
	return m
}

// Given tells whether a number was written at all.
func (m Measured) Given() bool { return m.Number.Given() }

// In returns value and standard uncertainty in the unit to (0 where none was
// stated); an error where to measures something else.
func (m Measured) In(to Unit) (value, u float64, err error) {
	value, err = m.Unit.Convert(m.Number.Float(), to)
	return value, m.U.Float() * m.Unit.scale(to), err
}

// Value returns the number in unit to. It panics where to measures something
// else: facts are checked when they are decoded, so that is a broken invariant.
func (m Measured) Value(to Unit) float64 {
	v, _, err := m.In(to)
	if err != nil {
		panic(fmt.Sprintf("chem: %s in %s: %v", m, to, err))
	}
	return v
}

// Uncertainty returns the stated standard uncertainty in unit to, or fallback
// (in unit to) where none was stated.
func (m Measured) Uncertainty(to Unit, fallback float64) float64 {
	if !m.U.Given() {
		return fallback
	}
	return m.U.Float() * m.Unit.scale(to)
}

// String writes number and unit with a space between: "18.4 mL".
func (m Measured) String() string {
	if m.Unit == "" {
		return string(m.Number)
	}
	return string(m.Number) + " " + string(m.Unit)
}
