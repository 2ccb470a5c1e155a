package chem

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// whenForms is what a refused time is told to look like.
const whenForms = `"2026-03-02 18:30", "18:30", "yesterday 18:30", "mon 9:00" or "3 days ago"`

// longestAgo bounds "… ago": longer than any bath has lived.
const longestAgo = 100 * 365 * 24 // h

// ParseTime reads a moment as people write it, in the zone given:
//
//   - RFC 3339, "2026-03-02T18:30:00+01:00", whose own offset counts;
//   - "2026-03-02 18:30", with seconds if wanted;
//   - "18:30" or "today 18:30", "yesterday 18:30";
//   - "mon 9:00", the last Monday on which it was nine already;
//   - "3 days ago", "2 h ago": days and weeks by the calendar, the rest by the
//     clock;
//   - "now";
//   - a day alone, "2026-03-02", "today", "yesterday", "mon": noon, or with
//     asking the day's last microsecond.
//
// The words are those of now's day in the zone. A time that clocks skipped when
// they were put forward is an error; of one that came twice when they were put
// back the earlier is taken. Whether the moment lies in the future is for the
// caller to judge: the end of today does. The result is UTC, to the microsecond;
// with an error it is the zero time.
func ParseTime(s string, now time.Time, zone *time.Location, asking bool) (time.Time, error) {
	if zone == nil {
		return time.Time{}, fmt.Errorf("no time zone is known to read %q in", s)
	}
	w := when{said: s, now: now.In(zone), zone: zone, asking: asking}
	t, err := w.parse(strings.Join(strings.Fields(strings.ToLower(s)), " "))
	if err != nil {
		return time.Time{}, err
	}
	t = t.UTC().Truncate(time.Microsecond)
	if t.Year() < 1900 || t.Year() > 9999 {
		return time.Time{}, fmt.Errorf("%q is in the year %d; a year between 1900 and 9999 fits", s, t.Year())
	}
	return t, nil
}

// when is one reading of a time.
type when struct {
	said   string
	now    time.Time // in zone
	zone   *time.Location
	asking bool
}

// day is a day of the calendar; clock a time on it.
type (
	day struct {
		year  int
		month time.Month
		day   int
	}
	clock struct{ hour, minute, second, nanosecond int }
)

func dayOf(t time.Time) day {
	y, m, d := t.Date()
	return day{y, m, d}
}

// before returns the day n days earlier.
func (d day) before(n int) day {
	return dayOf(time.Date(d.year, d.month, d.day-n, 0, 0, 0, 0, time.UTC))
}

func (w when) parse(text string) (time.Time, error) {
	switch {
	case text == "":
		return time.Time{}, fmt.Errorf("a time is missing, such as %s", whenForms)
	case text == "now":
		return w.now, nil
	case strings.HasSuffix(text, " ago"):
		return w.ago(strings.TrimSuffix(text, " ago"))
	}
	if t, err := time.Parse(time.RFC3339Nano, strings.ToUpper(text)); err == nil {
		return t, nil
	}
	first, rest, _ := strings.Cut(text, " ")
	if date, tail, ok := strings.Cut(first, "t"); ok && rest == "" && len(date) == len("2026-03-02") {
		first, rest = date, tail
		if rest == "" {
			return time.Time{}, w.refuse()
		}
	}
	if strings.Contains(first, ":") && rest == "" {
		first, rest = "today", first
	}
	if weekday, ok := weekdayOf(first); ok {
		return w.weekday(weekday, rest)
	}
	var d day
	switch first {
	case "today":
		d = dayOf(w.now)
	case "yesterday":
		d = dayOf(w.now).before(1)
	default:
		var err error
		if d, err = w.date(first); err != nil {
			return time.Time{}, err
		}
	}
	return w.at(d, rest)
}

func (w when) refuse() error {
	return fmt.Errorf("%q is not a time; write it like %s", w.said, whenForms)
}

// date reads 2026-03-02.
func (w when) date(text string) (day, error) {
	if len(text) != len("2026-03-02") || text[4] != '-' || text[7] != '-' ||
		strings.Trim(text[:4]+text[5:7]+text[8:], "0123456789") != "" {
		return day{}, w.refuse()
	}
	t, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return day{}, fmt.Errorf("%s is not in the calendar%s", text, inCalendar(text))
	}
	return dayOf(t), nil
}

// inCalendar says what would be, of a date in ten digits that is not.
func inCalendar(text string) string {
	month, err := time.Parse("2006-01", text[:len("2006-01")])
	if err != nil {
		return "; months are 01 to 12"
	}
	return fmt.Sprintf("; %s has %d days", month.Format("January 2006"), month.AddDate(0, 1, -1).Day())
}

// at is the time of day on d; a day alone where there is none.
func (w when) at(d day, text string) (time.Time, error) {
	if text != "" {
		c, err := w.clock(text)
		if err != nil {
			return time.Time{}, err
		}
		return w.moment(d, c)
	}
	if !w.asking {
		return w.moment(d, clock{hour: 12})
	}
	// The first moment of the next day, which need not be midnight, less one.
	next := d.before(-1)
	start, err := w.moment(next, clock{})
	for minutes := 30; err != nil && minutes <= 180; minutes += 30 {
		start, err = w.moment(next, clock{hour: minutes / 60, minute: minutes % 60})
	}
	if err != nil {
		// A zone that left the next day out altogether: the day after follows.
		if start, err = w.moment(next.before(-1), clock{}); err != nil {
			return time.Time{}, err
		}
	}
	end := start.Add(-time.Microsecond)
	if dayOf(end) != d {
		return time.Time{}, fmt.Errorf("%04d-%02d-%02d was left out of the calendar in %s", d.year, int(d.month), d.day, w.zone)
	}
	return end, nil
}

// clock reads 9:00, 18:30 or 18:30:15.
func (w when) clock(text string) (clock, error) {
	parts := strings.Split(text, ":")
	if len(parts) < 2 || len(parts) > 3 {
		return clock{}, w.refuse()
	}
	var n [3]int
	for i, p := range parts {
		if len(p) > 2 || i > 0 && len(p) != 2 || strings.Trim(p, "0123456789") != "" {
			return clock{}, w.refuse()
		}
		v, err := strconv.Atoi(p)
		if err != nil {
			return clock{}, w.refuse()
		}
		n[i] = v
	}
	if n[0] > 23 || n[1] > 59 || n[2] > 59 {
		return clock{}, fmt.Errorf("%q: there is no %s on a clock; it runs from 0:00 to 23:59", w.said, text)
	}
	return clock{hour: n[0], minute: n[1], second: n[2]}, nil
}

// moment is the instant at which clocks in the zone show c on d: the earlier of
// two, an error where there is none. time.Date promises neither.
func (w when) moment(d day, c clock) (time.Time, error) {
	shown := time.Date(d.year, d.month, d.day, c.hour, c.minute, c.second, c.nanosecond, time.UTC)
	var found time.Time
	// Offsets change at most once within three days, so the one before and
	// the one after are all that can hold.
	for _, near := range []time.Duration{-36 * time.Hour, 36 * time.Hour} {
		_, offset := shown.Add(near).In(w.zone).Zone()
		t := shown.Add(-time.Duration(offset) * time.Second).In(w.zone)
		if dayOf(t) == d && t.Hour() == c.hour && t.Minute() == c.minute && t.Second() == c.second && (found.IsZero() || t.Before(found)) {
			found = t
		}
	}
	if found.IsZero() {
		return time.Time{}, fmt.Errorf("%s did not exist in %s: clocks were put forward over it; write the time after the change",
			shown.Format("2006-01-02 15:04"), w.zone)
	}
	return found, nil
}

// weekdays are the days by the beginnings of their names. It is never written to
// after start.
var weekdays = []struct {
	name string
	day  time.Weekday
}{
	{"sunday", time.Sunday}, {"monday", time.Monday}, {"tuesday", time.Tuesday}, {"wednesday", time.Wednesday},
	{"thursday", time.Thursday}, {"friday", time.Friday}, {"saturday", time.Saturday},
}

func weekdayOf(text string) (time.Weekday, bool) {
	if len(text) < 3 {
		return 0, false
	}
	for _, w := range weekdays {
		if strings.HasPrefix(w.name, text) {
			return w.day, true
		}
	}
	return 0, false
}

// weekday is the last such day whose moment has come; of a day alone that is
// asked about, today counts before its end.
func (w when) weekday(wanted time.Weekday, rest string) (time.Time, error) {
	today := dayOf(w.now)
	back := (int(w.now.Weekday()) - int(wanted) + 7) % 7
	t, err := w.at(today.before(back), rest)
	if err == nil && back == 0 && t.After(w.now) && (rest != "" || !w.asking) {
		return w.at(today.before(7), rest)
	}
	return t, err
}

// ago is a span before now.
func (w when) ago(text string) (time.Time, error) {
	if text == "a day" || text == "a week" || text == "a minute" {
		text = "1 " + strings.TrimPrefix(text, "a ")
	}
	if text == "an hour" {
		text = "1 h"
	}
	m, err := ParseMeasured(text, DimTime)
	if err != nil || m.U.Given() {
		return time.Time{}, w.refuse()
	}
	hours := m.Value("h")
	if hours < 0 || hours > longestAgo {
		return time.Time{}, fmt.Errorf("%q is not in a bath's life; write a span from 0 to 100 years", w.said)
	}
	if whole := m.Number.Float(); whole == float64(int(whole)) && (m.Unit == "d" || m.Unit == "wk") {
		days := int(whole)
		if m.Unit == "wk" {
			days *= 7
		}
		return w.now.AddDate(0, 0, -days), nil
	}
	return w.now.Add(-time.Duration(hours * float64(time.Hour))), nil
}
