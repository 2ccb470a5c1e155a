package journal

import "strings"

// originRow is the key of more for what an imported row said about its own
// entry.
const originRow = "origin_row"

// Disowned returns the row as an import enters it anew: without Entered, By,
// Hash and Number, which the database sets. What the file claimed of the first
// three goes to more as {"origin_row":{"entered":…,"by":…,"hash":…}}, with an
// earlier claim inside it. An error is a *[ColumnError]: more is not one JSON
// object.
func (r Row) Disowned() (Row, error) {
	var claim []byte
	add := func(key, text string) {
		if text != "" {
			claim = appendText(appendKey(claim, key), text)
		}
	}
	add("entered", FormatTime(r.Entered))
	add("by", r.By)
	add("hash", r.Hash)
	bare := Row{Time: r.Time, Bath: r.Bath, Kind: r.Kind, Subject: r.Subject, Value: r.Value, Unit: r.Unit, U: r.U, Note: r.Note, ID: r.ID, More: r.More}
	if claim == nil {
		return bare, nil
	}
	others, earlier, err := members(r.More)
	if err != nil {
		return Row{}, wrong("more", "%s", err)
	}
	if earlier != "" {
		claim = append(appendKey(claim, originRow), earlier...)
	}
	claim[0] = '{'
	others = append(others, `"`+originRow+`":`+string(claim)+"}")
	bare.More = "{" + strings.Join(others, ",") + "}"
	return bare, nil
}

// members splits an object into its members as written, the value of
// origin_row apart.
func members(more string) (others []string, earlier string, err error) {
	if more == "" {
		return nil, "", nil
	}
	p := scanner{s: more}
	for first := true; ; first = false {
		key, ok, err := p.next(first)
		if err != nil {
			return nil, "", err
		}
		if !ok {
			return others, earlier, p.end()
		}
		start := p.i
		if err := p.skip(1); err != nil {
			return nil, "", err
		}
		if key == originRow {
			earlier = strings.TrimSpace(more[start:p.i])
			continue
		}
		others = append(others, string(appendText(nil, key))+":"+strings.TrimSpace(more[start:p.i]))
	}
}
