package reports

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	ics "github.com/arran4/golang-ical"
	"github.com/google/uuid"

	"steadybath/chem"
	"steadybath/chem/estimate"
)

// calendarTags names what entries are about: their ids are derived under it.
var calendarTags = uuid.NewSHA1(uuid.NameSpaceURL, []byte("steadybath/calendar"))

// CalendarBath is a bath's part of a calendar.
type CalendarBath struct {
	Estimate *estimate.Estimate
	Things   []Thing
	Zone     *time.Location
	Days     float64 // horizon
}

// Calendar writes what falls due as an iCalendar file (RFC 5545): an entry for
// the whole day per thing, since phones show those and hide lists of tasks, with an
// alarm at nine that morning. The same thing of the same bath has the same UID
// whenever it is written, so that taking the file in again moves the entry; made,
// the moment of writing, is its stamp and, in minutes, its sequence.
func Calendar(w io.Writer, baths []CalendarBath, made time.Time, version string) error {
	cal := ics.NewCalendar()
	cal.SetProductId("-//steadybath//steadybath " + plainLine(version) + "//EN")
	cal.SetCalscale("GREGORIAN")
	cal.SetXWRCalName("steadybath")
	for _, b := range baths {
		for _, t := range b.Things {
			what := plainLine(b.Estimate.Bath.Name) + ": " + plainLine(t.What)
			addDay(cal, calendarID(b.Estimate.Bath, t.Kind, t.Subject), t.By, b.Zone, made, what, calendarWords(t, b.Zone))
		}
		if len(b.Things) == 0 {
			// A calendar without an entry is none (RFC 5545, 3.6).
			end := b.Estimate.At.Add(time.Duration(b.Days * 24 * float64(time.Hour)))
			addDay(cal, calendarID(b.Estimate.Bath, "end", ""), end, b.Zone, made, plainLine(b.Estimate.Bath.Name)+": ask for a new forecast",
				fmt.Sprintf("nothing falls due within %.4g days", b.Days))
		}
	}
	return cal.SerializeTo(w, ics.WithNewLineWindows, ics.WithLineLength(75))
}

func addDay(cal *ics.Calendar, id string, at time.Time, zone *time.Location, made time.Time, what, why string) {
	day := at.In(zone)
	e := cal.AddEvent(id)
	e.SetDtStampTime(made)
	e.SetModifiedAt(made)
	e.SetSequence(int(made.Unix() / 60))
	e.SetProperty(ics.ComponentPropertyDtStart, day.Format("20060102"), ics.WithValue("DATE"))
	e.SetProperty(ics.ComponentPropertyDtEnd, time.Date(day.Year(), day.Month(), day.Day()+1, 12, 0, 0, 0, time.UTC).Format("20060102"), ics.WithValue("DATE"))
	e.SetSummary(what)
	if why != "" {
		e.SetDescription(why)
	}
	e.SetTimeTransparency(ics.TransparencyTransparent)
	alarm := e.AddAlarm()
	alarm.SetAction(ics.ActionDisplay)
	alarm.SetProperty(ics.ComponentPropertyDescription, what)
	alarm.SetTrigger("PT9H") // after the day's beginning
}

// calendarID names a thing by the bath's first fact, which no renaming, import or
// new forecast changes, and by what is due.
func calendarID(b *estimate.Bath, kind, subject string) string {
	begun := b.Name
	if i := slices.IndexFunc(b.Facts, func(f chem.Fact) bool { return f.Kind() == chem.KindBath }); i >= 0 {
		begun = b.Facts[i].ID.String()
	}
	parts := []string{begun, kind, subject}
	for i, p := range parts {
		parts[i] = strconv.Quote(p) // so that no two lists of parts look alike
	}
	return uuid.NewSHA1(calendarTags, []byte(strings.Join(parts, " "))).String()
}

func calendarWords(t Thing, zone *time.Location) string {
	var lines []string
	if t.Why != "" {
		lines = append(lines, plainLine(t.Why))
	}
	if d := t.When; !d.P10.IsZero() && !(d.P10.Equal(d.P50) && d.P50.Equal(d.P90)) {
		words := "by chance: "
		if t.Kind == "buy" {
			words = "it has run out, by chance: "
		}
		for i, at := range []time.Time{d.P10, d.P50, d.P90} {
			if at.IsZero() {
				break // nor at any greater chance
			}
			if i > 0 {
				words += ", "
			}
			words += at.In(zone).Format("2 Jan 2006") + []string{" (10 %)", " (50 %)", " (90 %)"}[i]
		}
		lines = append(lines, words)
	}
	return strings.Join(lines, "\n")
}
