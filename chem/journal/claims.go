package journal

import "strings"

// originKey is the key of more for what an imported row said about its own
// entry.
const originKey = "origin"

// Disowned returns the row as an import enters it anew: without Entered, By,
// Hash and Number, which the database sets. What the file claimed of the first
// three goes to more as {"origin":{"entered":…,"by":…,"hash":…}}, unless
// more has an origin from an earlier import: that is closer to the origin
// and stays. The row is one that [Decode] takes.
func (r Row) Disowned() Row {
	bare := Row{Time: r.Time, Bath: r.Bath, Kind: r.Kind, Subject: r.Subject, Value: r.Value, Unit: r.Unit, U: r.U, Note: r.Note, ID: r.ID, More: r.More}
	var claim []byte
	add := func(key, text string) {
		if text != "" {
			claim = appendText(appendKey(claim, key), text)
		}
	}
	add("entered", FormatTime(r.Entered))
	add("by", r.By)
	add("hash", r.Hash)
	if claim == nil || hasKey(r.More, originKey) {
		return bare
	}
	claim[0] = '{'
	head := "{"
	if open := strings.TrimRight(strings.TrimSuffix(strings.TrimRight(r.More, " \t"), "}"), " \t"); open != "" {
		head = open
		if strings.TrimLeft(open, " \t") != "{" {
			head += ","
		}
	}
	bare.More = head + `"` + originKey + `":` + string(claim) + "}}"
	return bare
}

// hasKey tells whether an object has a member of that name.
func hasKey(more, name string) bool {
	p := scanner{s: more}
	for first := true; ; first = false {
		key, ok, err := p.next(first)
		if err != nil || !ok {
			return false
		}
		if key == name {
			return true
		}
		if err := p.skip(1); err != nil {
			return false
		}
	}
}
