package recipe

import (
	"fmt"
	"strings"

	"github.com/xrash/smetrics"
)

// Fault is one thing wrong with a recipe, in one sentence.
type Fault struct {
	Line int // in the file, from 1; 0 where there is no file
	Text string
}

// Error gives line and sentence: "line 14: constituent copper: low 54 is above high 46".
func (f Fault) Error() string {
	if f.Line == 0 {
		return f.Text
	}
	return fmt.Sprintf("line %d: %s", f.Line, f.Text)
}

// Faults is everything wrong with one recipe file, sorted by line.
type Faults struct {
	Name string // of the file, as Parse was told
	List []Fault
}

// Error gives one fault a line. The name of the file is left to the caller.
func (f *Faults) Error() string {
	lines := make([]string, len(f.List))
	for i, fault := range f.List {
		lines[i] = fault.Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap gives the faults one by one.
func (f *Faults) Unwrap() []error { return errorsOf(f.List) }

func errorsOf(list []Fault) []error {
	out := make([]error, len(list))
	for i, fault := range list {
		out[i] = fault
	}
	return out
}

// closest is the known word that looks most like the word; close tells whether
// it may well be what was meant.
func closest(word string, known []string) (best string, close bool) {
	least := 1 << 30
	for _, k := range known {
		// A substitution counts 1, as does an insertion or a deletion (Levenshtein).
		if d := smetrics.WagnerFischer(strings.ToLower(clip(word)), strings.ToLower(clip(k)), 1, 1, 1); d < least {
			best, least = k, d
		}
	}
	// Half of the letters right is still a slip of the keyboard; less is another word.
	return best, least <= max(1, len(best)/2)
}

// nearest completes a sentence about an unknown word: the known word that looks
// most like it, and all known words where it is not close.
func nearest(word string, known []string) string {
	if len(known) == 0 {
		return ""
	}
	best, close := closest(word, known)
	if close {
		return fmt.Sprintf("; did you mean %s?", clip(best))
	}
	return fmt.Sprintf("; the nearest is %s, and %s", clip(best), orAll(known))
}

func orAll(known []string) string {
	if len(known) == 1 {
		return "no other is known"
	}
	shown := make([]string, len(known))
	for i, k := range known {
		shown[i] = clip(k)
	}
	return "known are " + strings.Join(shown, ", ")
}

// clip shortens text that came from outside, so that a sentence stays one.
func clip(s string) string {
	s = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, s)
	if r := []rune(s); len(r) > 60 {
		return string(r[:60]) + "…"
	}
	return s
}
