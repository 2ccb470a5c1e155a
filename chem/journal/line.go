package journal

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"
)

// ParseLine reads a line that a [Writer] wrote of a stored row, without its line
// break, and undoes it exactly: what it takes, [Row.Line] with the hash writes
// again byte by byte. Unlike a [Reader] it asks nothing of what the row says, so
// that a record can be read whatever is in it, and forgives nothing.
func ParseLine(line string) (Row, error) {
	fields, err := splitLine(line)
	if err != nil {
		return Row{}, err
	}
	if n := len(Columns()); len(fields) != n {
		return Row{}, fmt.Errorf("%d columns where %d are wanted", len(fields), n)
	}
	r := Row{Value: fields[4], U: fields[6], More: fields[11], Hash: fields[12]}
	for _, c := range [...]struct {
		i    int
		into *string
	}{{1, &r.Bath}, {2, &r.Kind}, {3, &r.Subject}, {5, &r.Unit}, {7, &r.Note}, {10, &r.By}} {
		if *c.into, err = unescape(fields[c.i]); err != nil {
			return Row{}, wrong(Columns()[c.i], "%s", err)
		}
	}
	if r.ID, err = uuid.Parse(fields[8]); err != nil {
		return Row{}, wrong("id", "%s is not an id", clip(fields[8]))
	}
	for _, c := range [...]struct {
		i    int
		into *time.Time
	}{{0, &r.Time}, {9, &r.Entered}} {
		if *c.into, err = time.Parse(TimeLayout, fields[c.i]); err != nil {
			return Row{}, wrong(Columns()[c.i], "%s is not a time", clip(fields[c.i]))
		}
	}
	if r.Line()+","+r.Hash != line {
		return Row{}, errors.New("it is not written as a journal writes it")
	}
	return r, nil
}

// splitLine cuts a line at its commas. A field either stands in quotes as a
// whole or has none.
func splitLine(s string) ([]string, error) {
	var fields []string
	for {
		if !strings.HasPrefix(s, `"`) {
			field, rest, more := strings.Cut(s, ",")
			if fields = append(fields, field); !more {
				return fields, nil
			}
			s = rest
			continue
		}
		end := 1
		for end < len(s) && (s[end] != '"' || end+1 < len(s) && s[end+1] == '"') {
			if s[end] == '"' {
				end++
			}
			end++
		}
		if end >= len(s) {
			return nil, errors.New("a quote in it never closes")
		}
		fields = append(fields, strings.ReplaceAll(s[1:end], `""`, `"`))
		if s = s[end+1:]; s == "" {
			return fields, nil
		}
		if s[0] != ',' {
			return nil, errors.New("text follows a closing quote")
		}
		s = s[1:]
	}
}
