package journal

import (
	"fmt"
	"strings"
	"time"
)

// parseTime reads a time of a journal: RFC 3339 with any offset, or, as on a
// clock in zone, a date with hours and minutes (and seconds), or a date alone,
// which means noon. The result is UTC, cut to the microsecond.
func parseTime(s string, zone *time.Location) (time.Time, error) {
	if len(s) >= 20 && s[10] == 'T' {
		if t, err := time.Parse(time.RFC3339, s); err == nil {
			return t.UTC().Truncate(time.Microsecond), nil
		}
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
	if len(text) == 10 {
		text += "T12:00"
	}
	for _, layout := range []string{"2006-01-02T15:04", "2006-01-02T15:04:05"} {
		if wall, err := time.Parse(layout, text); err == nil {
			return onClock(s, wall, zone)
		}
	}
	return time.Time{}, fmt.Errorf("%s is not a time; write it as 2026-01-05, 2026-01-05 18:00 or 2026-01-05T18:00:00+01:00", clip(s))
}

// onClock finds the moment when a clock in zone shows wall. Where clocks are
// put forward there is none, where they are put back there are two.
func onClock(s string, wall time.Time, zone *time.Location) (time.Time, error) {
	var found []time.Time
	// No zone changes its clock twice within two days, so the offsets a day
	// before and after are all there are.
	for _, near := range []time.Duration{-24 * time.Hour, 24 * time.Hour} {
		_, offset := wall.Add(near).In(zone).Zone()
		t := wall.Add(-time.Duration(offset) * time.Second)
		_, shown := t.In(zone).Zone()
		if shown == offset && (len(found) == 0 || !t.Equal(found[0])) {
			found = append(found, t)
		}
	}
	switch len(found) {
	case 0:
		return time.Time{}, fmt.Errorf("%s is skipped by the clock in %s; add the offset, such as +01:00", clip(s), zone)
	case 1:
		return found[0].Truncate(time.Microsecond), nil
	}
	return time.Time{}, fmt.Errorf("%s comes twice on the clock in %s; add the offset, such as %s", clip(s), zone, found[0].In(zone).Format("-07:00"))
}
