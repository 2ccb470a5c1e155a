package journal

import (
	"fmt"
	"strings"
	"time"

	"steadybath/chem"
)

// parseTime reads a time of a journal: RFC 3339 with any offset, a space
// instead of the T and the seconds left out if wanted, or, as on a clock in
// zone, a date with hours and minutes, or a date alone, which means noon. Of the
// forms of chem.ParseTime it leaves out those that count from now: a journal
// says the same whenever it is read. The result is UTC, cut to the microsecond.
func parseTime(s string, zone *time.Location) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return t.UTC().Truncate(time.Microsecond), nil
	}
	text := strings.ToUpper(s)
	if len(text) > 10 && text[10] == ' ' {
		text = text[:10] + "T" + text[11:]
	}
	for _, layout := range []string{time.RFC3339, "2006-01-02T15:04Z07:00"} {
		if t, err := time.Parse(layout, text); err == nil {
			return t.UTC().Truncate(time.Microsecond), nil
		}
	}
	for _, layout := range []string{time.DateOnly, "2006-01-02T15:04", "2006-01-02T15:04:05"} {
		if _, err := time.Parse(layout, text); err == nil {
			return chem.ParseTime(text, time.Time{}, zone, false)
		}
	}
	return time.Time{}, fmt.Errorf("%s is not a time; write it as 2026-01-05, 2026-01-05 18:00 or 2026-01-05T18:00:00+01:00", clip(s))
}
