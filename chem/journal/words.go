package journal

import (
	"slices"
	"strings"

	"steadybath/chem"
)

// notWords are the keys of more that have no place in the note of a row written
// by hand: texts and lists that no one types at a tank.
var notWords = []string{"recipe", "length_cm", "width_cm", "most_L", "least_L", "delivered_mL", "composition", "weighed", "titrant_date", "advice"}

func isWord(key string) bool {
	slot, _ := new(extras).slot(key)
	return slot != nil && !slices.Contains(notWords, key)
}

// wordKeys returns the keys that may stand before the note of the kind.
func (u *rule) wordKeys() []string {
	var list []string
	for _, key := range u.keys {
		if isWord(key) {
			list = append(list, key)
		}
	}
	return list
}

// readWords moves the key=value words at the start of the note into more. A
// word with a key that does not fit the kind is an error, and so is one that
// misses a fitting key by a slip of the keyboard; any other word begins the
// text. number reads a number in the file's own spelling.
func readWords(row *Row, number func(string) (string, error)) error {
	u := rules[chem.Kind(row.Kind)]
	if u == nil || !strings.Contains(row.Note, "=") {
		return nil
	}
	var e extras
	var seen []string
	rest := row.Note
	for {
		key, tail, ok := strings.Cut(rest, "=")
		if !ok || !isKey(key) {
			break
		}
		if !isWord(key) {
			if near := nearest(key, u.wordKeys()); near != "" {
				return wrong("note", "%s= is not a key; did you mean %s=? To keep it as text, begin the note with another word", key, near)
			}
			break
		}
		if !slices.Contains(u.keys, key) {
			return wrong("note", "%s= does not fit %s; %s", key, u.a, u.fitting())
		}
		if slices.Contains(seen, key) {
			return wrong("note", "%s= stands there twice", key)
		}
		seen = append(seen, key)
		value, after, err := cutValue(key, tail)
		if err != nil {
			return err
		}
		if err := e.setWord(key, value, number); err != nil {
			return err
		}
		rest = strings.TrimSpace(after)
	}
	if seen != nil {
		row.Note, row.More = rest, e.json(u.keys)
	}
	return nil
}

func (u *rule) fitting() string {
	list := u.wordKeys()
	if list == nil {
		return "no key does"
	}
	return "keys that do: " + strings.Join(list, "= ") + "="
}

func isKey(s string) bool {
	for i := range len(s) {
		c := s[i] | 0x20
		if (c < 'a' || c > 'z') && s[i] != '_' && (s[i] < '0' || s[i] > '9') {
			return false
		}
	}
	return s != ""
}

func cutValue(key, tail string) (value, after string, err error) {
	if quoted, ok := strings.CutPrefix(tail, `"`); ok {
		value, after, ok = strings.Cut(quoted, `"`)
		if !ok {
			return "", "", wrong("note", "the quote after %s= never closes", key)
		}
		if after != "" && !strings.ContainsAny(after[:1], " \t\n") {
			return "", "", wrong("note", "a space is missing after %s=%q", key, value)
		}
	} else {
		end := strings.IndexAny(tail, " \t\n")
		if end < 0 {
			end = len(tail)
		}
		value, after = tail[:end], tail[end:]
	}
	if strings.TrimSpace(value) == "" {
		return "", "", wrong("note", "%s= has no value; write it right after the = or leave the key out", key)
	}
	return value, after, nil
}

func (e *extras) setWord(key, value string, number func(string) (string, error)) error {
	slot, allowed := e.slot(key)
	switch v := slot.(type) {
	case *string:
		*v = value
		return checkChoice("note", key, value)
	case *chem.Decimal:
		d, err := number(value)
		if err != nil {
			return wrong("note", "%s: %s", key, clipError(err))
		}
		*v = chem.Decimal(d)
		return checkSign("note", key+" ", d, allowed)
	case *bool:
		switch strings.ToLower(value) {
		case "true", "yes":
			*v = true
		case "false", "no":
			*v = false
		default:
			return wrong("note", "%s is yes or no, not %s", key, clip(value))
		}
	}
	return nil
}
