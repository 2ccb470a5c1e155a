package journal

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"steadybath/chem"
)

// Seen is what a chain's other rows say, from which a changed one may have come.
type Seen struct{ subjects, units, people []string }

// mostSeen bounds how many of each are kept.
const mostSeen = 2000

// Add takes note of a row.
func (s *Seen) Add(r Row) {
	for _, x := range []struct {
		list *[]string
		text string
	}{{&s.subjects, r.Subject}, {&s.units, r.Unit}, {&s.people, r.By}} {
		if len(*x.list) < mostSeen && !slices.Contains(*x.list, x.text) {
			*x.list = append(*x.list, x.text)
		}
	}
}

var unitsOfFacts = slices.Concat(dimsAmount, dimsCharge, dimsConc, dimsPH, dimsDegrees, dimsDensity, []chem.Dimension{chem.DimLength, chem.DimCurrent})

// hashedBytes bounds the search: a second's work.
const hashedBytes = 200 << 20

// Tell finds out which column of a row was changed, where that can be told, and puts
// it into Column and Why: a row whose text was changed still has the hash of what it
// was, so that a guess which gives that hash is what it was, to the last character.
// Guesses are other numbers of as many digits, one letter more, less or another, other
// times, and what the chain's other rows say. next is the row after it, nil where there
// is none: where that follows from the text as it is, the hash was changed. It does
// nothing for a row that fits its hash.
func (e *BrokenError) Tell(seen *Seen, next *Row) {
	if e.row == nil || e.Column != "" || e.row.Hash == e.row.Chain(e.previous) {
		return
	}
	if next != nil && next.Hash != "" && next.Hash == next.Chain(e.row.Chain(e.previous)) {
		e.Column, e.Why = "hash", "its hash was changed, since the row after it follows from its text and not from its hash"
		return
	}
	g := &guesses{row: *e.row, previous: e.previous, left: max(1000, hashedBytes/(len(e.row.Line())+100))}
	if column, was, is := g.search(seen); column != "" {
		e.Column = column
		e.Why = fmt.Sprintf("its %s is %s, and was %s when it was entered: with that its hash fits", column, said(is), said(was))
		return
	}
	if next != nil && next.Hash != "" && next.Hash == next.Chain(e.row.Hash) {
		e.Why = "its own text was changed, in a way that cannot be told, since the row after it follows from its hash"
	}
}

func said(text string) string {
	if text == "" {
		return "empty"
	}
	if r := []rune(text); len(r) > 60 {
		text = string(r[:60]) + "…"
	}
	return fmt.Sprintf("%q", text)
}

type guesses struct {
	row      Row
	previous string
	left     int // guesses still to be made
}

// fits tells whether a row is what had the hash; it always fails when enough was
// guessed.
func (g *guesses) fits(r *Row) bool {
	if g.left <= 0 {
		return false
	}
	g.left--
	return r.Chain(g.previous) == g.row.Hash
}

func (g *guesses) search(seen *Seen) (column, was, is string) {
	units := strings.Split(chem.UnitsOf(unitsOfFacts...), ", ")
	kinds := make([]string, 0, len(chem.Kinds()))
	for _, k := range chem.Kinds() {
		kinds = append(kinds, string(k))
	}
	r := g.row
	for _, c := range []struct {
		column string
		field  *string
		try    func(is string, yield func(string) bool) bool
	}{
		{"kind", &r.Kind, oneOf(kinds)},
		{"unit", &r.Unit, oneOf(append(slices.Clone(seen.units), units...))},
		{"subject", &r.Subject, oneOf(seen.subjects)},
		{"by", &r.By, oneOf(seen.people)},
		{"value", &r.Value, spellings("0123456789.-")},
		{"u", &r.U, spellings("0123456789.")},
		{"note", &r.Note, spellings(printable)},
		{"subject", &r.Subject, spellings(printable)},
		{"by", &r.By, spellings(printable)},
		{"value", &r.Value, numbers},
		{"u", &r.U, numbers},
		{"more", &r.More, spellings("0123456789")},
		{"more", &r.More, spellings(printable)},
	} {
		is := *c.field
		if c.try(is, func(guess string) bool {
			*c.field = guess
			return guess != is && g.fits(&r)
		}) {
			return c.column, *c.field, is
		}
		*c.field = is
	}
	for _, c := range []struct {
		column string
		field  *time.Time
	}{{"time", &r.Time}, {"entered", &r.Entered}} {
		is := *c.field
		if otherTimes(is, func(guess time.Time) bool {
			*c.field = guess
			return g.fits(&r)
		}) {
			return c.column, FormatTime(*c.field), FormatTime(is)
		}
		*c.field = is
	}
	return "", "", ""
}

func oneOf(list []string) func(string, func(string) bool) bool {
	return func(_ string, yield func(string) bool) bool { return slices.ContainsFunc(list, yield) }
}

const printable = " abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789.,;:-_/()'\"!?+%=äöüß"

// spellings yields what a text was before one letter was changed, put in or left out,
// or two beside each other were changed over.
func spellings(letters string) func(string, func(string) bool) bool {
	return func(is string, yield func(string) bool) bool {
		r := []rune(is)
		join := func(parts ...[]rune) bool { return yield(string(slices.Concat(parts...))) }
		for i := range r {
			if join(r[:i], r[i+1:]) || i > 0 && join(r[:i-1], r[i:i+1], r[i-1:i], r[i+1:]) {
				return true
			}
			for _, l := range letters {
				if join(r[:i], []rune{l}, r[i+1:]) {
					return true
				}
			}
		}
		for i := range len(r) + 1 {
			for _, l := range letters {
				if join(r[:i], []rune{l}, r[i:]) {
					return true
				}
			}
		}
		return false
	}
}

// numbers yields every number of up to four digits, with the point anywhere.
func numbers(_ string, yield func(string) bool) bool {
	if yield("") {
		return true
	}
	for n := range 10_000 {
		digits := fmt.Sprint(n)
		if yield(digits) {
			return true
		}
		for places := 1; places <= 4; places++ {
			for len(digits) <= places {
				digits = "0" + digits
			}
			if yield(digits[:len(digits)-places] + "." + digits[len(digits)-places:]) {
				return true
			}
		}
	}
	return false
}

// otherTimes yields the times that lie whole days, minutes or seconds from one.
func otherTimes(is time.Time, yield func(time.Time) bool) bool {
	for _, step := range []struct {
		by   time.Duration
		most int
	}{{24 * time.Hour, 4000}, {time.Hour, 24 * 40}, {time.Minute, 60 * 24 * 2}, {time.Second, 7200}} {
		for n := 1; n <= step.most; n++ {
			if yield(is.Add(time.Duration(n)*step.by)) || yield(is.Add(-time.Duration(n)*step.by)) {
				return true
			}
		}
	}
	return false
}
