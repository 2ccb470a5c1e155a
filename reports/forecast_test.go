package reports

import (
	"bytes"
	"encoding/json"
	"io"
	"math"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/emersion/go-ical"
	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"steadybath/chem"
	"steadybath/chem/dose"
	"steadybath/chem/estimate"
	"steadybath/chem/forecast"
)

// asked is when the made-up forecast is asked for: late enough in the evening that
// the shop's day is not the one of Greenwich.
var asked = time.Date(2026, 11, 22, 23, 30, 0, 0, time.UTC)

func inDays(n float64) time.Time { return asked.Add(time.Duration(n * 24 * float64(time.Hour))) }

// emptyAhead is a bath that asks for nothing.
func emptyAhead(name string) ForecastInput {
	begun := chem.Fact{ID: uuid.NewSHA1(uuid.NameSpaceURL, []byte("bath of "+name)), Time: inDays(-200), Body: chem.Begin{}}
	return ForecastInput{
		Estimate: &estimate.Estimate{Bath: &estimate.Bath{Name: name, Facts: []chem.Fact{begun}}, At: asked, Recipe: &chem.Recipe{}},
		Plan:     &dose.Plan{Bath: name, At: asked}, Forecast: &forecast.Forecast{Bath: name, At: asked, Days: 180},
		Seed: 1, Zone: vienna(), Head: "head",
	}
}

// fullAhead has everything a forecast can have.
func fullAhead(name string) ForecastInput {
	in := emptyAhead(name)
	never := math.NaN()
	brightener := chem.Material{Name: "brightener", Unit: "mL"}
	leveller := chem.Material{Name: "leveller", Unit: "mL"}
	acid := chem.Material{Name: "sulfuric acid 35 %", Unit: "L"}
	in.Plan.Additions = []dose.Addition{{Material: brightener, Amount: 53, Unit: "mL", Why: "brightener is 2.90 of 4 mL/L"}}
	in.Plan.TitrateFirst = []dose.Reading{{Constituent: "chloride", Why: "it has never been read"}}
	in.Jobs = []forecast.Job{{At: inDays(2), Ah: 40}, {At: inDays(4), Ah: 40}}
	f := in.Forecast
	f.AhPerDay, f.UAhPerDay, f.RunsPerWeek, f.AhPerRun = 3.41, 0.42, 1.6, 14.2
	f.Leaves = []forecast.Leaving{
		{Constituent: "copper", Edge: "high", Date: forecast.Dates{P10: inDays(80), P50: inDays(130)}, Ah: forecast.Charges{P10: 299.4, P50: 638, P90: never}},
		{Constituent: "sulfuric acid", Edge: "low", Ah: forecast.Charges{P10: never, P50: never, P90: never}},
	}
	f.Organics = []forecast.Organic{
		{Constituent: "brightener", Material: brightener, Due: forecast.Dates{P10: asked, P50: asked, P90: asked}, Amount: 53, Unit: "mL", EveryAh: 15, EveryDays: 4},
		{Constituent: "leveller", Material: leveller, Due: forecast.Dates{P10: inDays(3), P50: inDays(5), P90: inDays(8)}, Amount: 9.5, Unit: "mL", EveryAh: 15.2},
	}
	f.Anodes = []forecast.Anode{{ID: "slab-a", Replace: forecast.Dates{P10: inDays(40), P50: inDays(60), P90: inDays(90)}, Reason: "20 % of its first 1.25 kg are left"},
		{ID: "slab-b", Reason: "never said, since it does not come to it"}}
	f.Upkeep = []forecast.Upkeep{{What: "carbon", Due: forecast.Dates{P10: inDays(6), P50: inDays(10), P90: inDays(12)}, Why: "every 180 days by the recipe"},
		{What: "bags", Due: forecast.Dates{P10: asked, P50: asked, P90: asked}, Why: "every 60 days by the recipe"},
		{What: "filter", Due: forecast.Dates{P10: inDays(100), P50: inDays(100), P90: inDays(100)}, Why: "every 200 days by the recipe"}}
	f.Titrate = []dose.Titration{{Constituent: "chloride", By: asked, Why: "it has never been read"}, {Constituent: "copper", By: inDays(6), Why: "last read 3 weeks ago"},
		{Constituent: "nickel", By: inDays(6), Why: "last read 3 weeks ago"}}
	f.Buy = []forecast.Purchase{{Material: acid, Left: 0.5, Amount: 1.2, Unit: "L", Out: forecast.Dates{P10: inDays(20), P50: inDays(30), P90: inDays(50)}, By: inDays(13), LeadDays: 7, LeadAssumed: true}}
	return in
}

func forecastText(t *testing.T, in ForecastInput) string {
	var b bytes.Buffer
	require.NoError(t, Forecast(&b, in))
	for _, l := range strings.Split(b.String(), "\n") {
		assert.LessOrEqual(t, utf8.RuneCountInString(l), 80, l)
		assert.Equal(t, strings.TrimRight(l, " "), l)
	}
	assert.NotContains(t, b.String(), "\x1b", "nothing that a terminal obeys")
	return b.String()
}

func TestForecastText(t *testing.T) {
	text := forecastText(t, fullAhead("tank\x1b[31m-1"))
	at := 0
	for _, words := range []string{"what comes next · Mon 23 Nov 2026 00:30 CET", "due now", "read chloride", "add 53 mL brightener", "change the anode bags", "steadybath dose says how",
		"falls due, by chance", "10 %", "50 %", "90 %", "Ah from now", "why", "anode slab-a: the limit that it comes to first: 20 % of its first 1.25 kg are left",
		"leveller: 9.5 mL at a time, little and often: every 15 Ah", "treat the bath with carbon: every 180 days", "read copper, nickel: last read 3 weeks ago",
		"to order", "by Sun 6 Dec: 1.2 L of sulfuric acid 35 %; 0.5 L are left, and it takes 7 days", "assumed", "3.41 ± 0.42 Ah a day", "1.6 runs a week of 14.2 Ah",
		"2 planned loads of 80 Ah together", "a week from ordering"} {
		i := strings.Index(space.ReplaceAllString(text, " ")[at:], words)
		require.GreaterOrEqual(t, i, 0, "%q is missing or comes too early in\n%s", words, text)
		at += i
	}
	// The earliest row first, dates those of the shop.
	table := text[strings.Index(text, "falls due"):strings.Index(text, "\nwhy")]
	rows := []string{"next dose of leveller 26 Nov 28 Nov 1 Dec", "read copper by 29 Nov", "read nickel by 29 Nov", "treat the bath with carbon 29 Nov 3 Dec 5 Dec",
		"sulfuric acid 35 % has run out 13 Dec 23 Dec 12 Jan 27", "anode slab-a 2 Jan 27 22 Jan 27 21 Feb 27", "change the filter on 3 Mar 27", "copper too high 11 Feb 27 2 Apr 27 – 299 638 –",
		"sulfuric acid too low not within 180 days", "anode slab-b not within 180 days", "–: not within 180 days"}
	at = 0
	flat := space.ReplaceAllString(table, " ")
	for _, row := range rows {
		i := strings.Index(flat[at:], row)
		require.GreaterOrEqual(t, i, 0, "%q is missing or comes too early in\n%s", row, table)
		at += i
	}
	assert.NotContains(t, table, "next dose of brightener", "it is due now")
	assert.NotContains(t, table, "anode bags", "they are due now")
	assert.NotContains(t, text, "never said")

	in := fullAhead("tank-1")
	in.Units = US
	assert.NotRegexp(t, metricLeft, weighedOut.ReplaceAllString(space.ReplaceAllString(strings.ReplaceAll(strings.Split(forecastText(t, in), "why\n")[0], "2.90 of 4 mL/L", ""), " "), "$1"))
}

func TestForecastTextOfNothing(t *testing.T) {
	text := forecastText(t, emptyAhead("tank-1"))
	assert.Contains(t, text, "nothing is due now")
	assert.Contains(t, text, "no plating, since the log has none to go by")
	for _, words := range []string{"falls due", "why", "to order", "steadybath dose"} {
		assert.NotContains(t, text, words)
	}
	in := fullAhead(strings.Repeat("a very long name ", 20))
	for i := range in.Forecast.Anodes {
		in.Forecast.Anodes[i].ID = strings.Repeat("ü", 90)
	}
	forecastText(t, in)
}

func TestForecastJSON(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, ForecastJSON(&b, fullAhead("tank-1")))
	var got map[string]any
	require.NoError(t, json.Unmarshal(b.Bytes(), &got))
	first := func(list string) map[string]any { return got[list].([]any)[0].(map[string]any) }
	assert.Equal(t, "tank-1", got["bath"])
	assert.Equal(t, "2026-11-22T23:30:00Z", got["at"])
	assert.Equal(t, 180.0, got["horizon_days"])
	assert.Equal(t, map[string]any{"value": 3.41, "u": 0.42}, got["ah_per_day"])
	assert.Equal(t, map[string]any{"constituent": "copper", "edge": "high", "date": map[string]any{"p10": "2027-02-10T23:30:00Z", "p50": "2027-04-01T23:30:00Z", "p90": nil},
		"ah": map[string]any{"p10": 299.4, "p50": 638.0, "p90": nil}}, first("leaves"))
	assert.Equal(t, map[string]any{"p10": nil, "p50": nil, "p90": nil}, got["leaves"].([]any)[1].(map[string]any)["date"])
	assert.Equal(t, "brightener", first("organics")["material"])
	assert.Equal(t, 15.0, first("organics")["every_ah"])
	assert.Nil(t, got["organics"].([]any)[1].(map[string]any)["every_days"])
	assert.Equal(t, map[string]any{"constituent": "chloride", "by": "2026-11-22T23:30:00Z", "why": "it has never been read"}, first("titrate"))
	assert.Equal(t, "sulfuric acid 35 %", first("buy")["material"])
	assert.Equal(t, 1.2, first("buy")["amount"])
	assert.Equal(t, "L", first("buy")["unit"])
	assert.Equal(t, "2026-12-05T23:30:00Z", first("buy")["by"])

	b.Reset()
	require.NoError(t, ForecastJSON(&b, emptyAhead("tank-1")))
	require.NoError(t, json.Unmarshal(b.Bytes(), &got))
	for _, list := range []string{"leaves", "organics", "titrate", "buy", "anodes", "upkeep", "due", "jobs"} {
		assert.Equal(t, []any{}, got[list], list)
	}
}

func TestThingsDue(t *testing.T) {
	in := fullAhead("tank-1")
	things := ThingsDue(in.Estimate, in.Plan, in.Forecast, Metric)
	var b bytes.Buffer
	require.NoError(t, DueLines(&b, "tank-1", things, asked, in.Zone))
	assert.Equal(t, `tank-1: read chloride
tank-1: add 53 mL brightener
tank-1: change the anode bags
tank-1: add 9.5 mL leveller by Sat 28 Nov
tank-1: read copper by Sun 29 Nov
tank-1: read nickel by Sun 29 Nov
tank-1: treat the bath with carbon by Thu 3 Dec
tank-1: order 1.2 L sulfuric acid 35 % by Sun 6 Dec
tank-1: replace anode slab-a by Fri 22 Jan 2027
tank-1: change the filter by Wed 3 Mar 2027
`, b.String())
	assert.Len(t, Within(things, inDays(7)), 6)
	assert.Len(t, Within(things, asked), 3)
	assert.Empty(t, Within(nil, asked))

	b.Reset()
	long := strings.Repeat("a\nb\x1b", 60)
	in = fullAhead(long)
	in.Forecast.Anodes[0].ID = long
	things = ThingsDue(in.Estimate, in.Plan, in.Forecast, Metric)
	require.NoError(t, DueLines(&b, long, things, asked, in.Zone))
	lines := strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n")
	assert.Len(t, lines, len(things))
	for _, l := range lines {
		assert.LessOrEqual(t, utf8.RuneCountInString(l), 80)
	}
	assert.NotContains(t, b.String(), "\x1b")
}

func TestOverviewIsOneLinePerBath(t *testing.T) {
	var lines []Due
	for _, name := range []string{"tank-1", "a bath whose name is much longer than any name ought to be, or fits"} {
		in := fullAhead(name)
		lines = append(lines, DueOf(in.Estimate, ThingsDue(in.Estimate, in.Plan, in.Forecast, Metric), in.Zone))
	}
	empty := emptyAhead("tank-3")
	lines = append(lines, DueOf(empty.Estimate, nil, empty.Zone))
	assert.Len(t, lines[0].Due, 10)
	var b bytes.Buffer
	require.NoError(t, Overview(&b, lines, Metric))
	got := strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n")
	require.Len(t, got, 3)
	for _, l := range got {
		assert.LessOrEqual(t, utf8.RuneCountInString(l), 80, l)
	}
	assert.Contains(t, got[0], "read chloride; 9 more")
	assert.Contains(t, got[2], "nothing is due")
}

// calendarOf writes a calendar and reads it again with another library, whose
// encoder also checks what RFC 5545 demands of each component.
func calendarOf(t require.TestingT, made time.Time, inputs ...ForecastInput) (string, []ical.Event) {
	var baths []CalendarBath
	for _, in := range inputs {
		baths = append(baths, CalendarBath{Estimate: in.Estimate, Things: ThingsDue(in.Estimate, in.Plan, in.Forecast, in.Units), Zone: in.Zone, Days: in.Forecast.Days})
	}
	var b bytes.Buffer
	require.NoError(t, Calendar(&b, baths, made, "1.0"))
	text := b.String()
	require.True(t, strings.HasSuffix(text, "\r\n"))
	for _, l := range strings.Split(strings.TrimSuffix(text, "\r\n"), "\r\n") {
		require.LessOrEqual(t, len(l), 75, "RFC 5545, 3.1: no line is longer than 75 octets")
		require.NotContains(t, l, "\n", "RFC 5545, 3.1: lines end in CRLF")
		require.NotContains(t, l, "\r")
		require.True(t, utf8.ValidString(l), "no character is cut in two")
	}
	d := ical.NewDecoder(&b)
	cal, err := d.Decode()
	require.NoError(t, err)
	require.NoError(t, ical.NewEncoder(io.Discard).Encode(cal))
	_, err = d.Decode()
	require.ErrorIs(t, err, io.EOF, "one calendar and nothing after it")
	return text, cal.Events()
}

func textOfEvent(t require.TestingT, e ical.Event, name string) string {
	prop := e.Props.Get(name)
	require.NotNil(t, prop, name)
	text, err := prop.Text()
	require.NoError(t, err)
	return text
}

func TestCalendarReadByAnotherLibrary(t *testing.T) {
	in := fullAhead("tank-1")
	made := time.Date(2026, 11, 22, 23, 31, 12, 0, time.UTC)
	_, events := calendarOf(t, made, in)
	things := ThingsDue(in.Estimate, in.Plan, in.Forecast, in.Units)
	require.Len(t, events, len(things))
	for i, e := range events {
		want := things[i]
		assert.Equal(t, "tank-1: "+want.What, textOfEvent(t, e, "SUMMARY"))
		day := want.By.In(in.Zone).Format(time.DateOnly)
		start, err := e.DateTimeStart(in.Zone)
		require.NoError(t, err)
		assert.Equal(t, day, start.Format(time.DateOnly))
		assert.Equal(t, ical.ValueDate, e.Props.Get("DTSTART").ValueType(), "the whole day")
		end, err := e.DateTimeEnd(in.Zone)
		require.NoError(t, err)
		assert.Equal(t, start.AddDate(0, 0, 1), end)
		stamp, err := e.Props.DateTime("DTSTAMP", time.UTC)
		require.NoError(t, err)
		assert.True(t, stamp.Equal(made), "the stamp is the clock's")
		require.Len(t, e.Children, 1)
		assert.Equal(t, "VALARM", e.Children[0].Name)
		trigger, err := e.Children[0].Props.Get("TRIGGER").Duration()
		require.NoError(t, err)
		assert.Equal(t, 9*time.Hour, trigger)
	}
	assert.Contains(t, textOfEvent(t, events[3], "DESCRIPTION"), "by chance: 26 Nov 2026 (10 %), 28 Nov 2026 (50 %), 1 Dec 2026 (90 %)")
	assert.Contains(t, textOfEvent(t, events[3], "DESCRIPTION"), "\n", "a line break stays one")
}

// The same thing has the same UID on another day, under another forecast, and no
// two things share one.
func TestCalendarIDs(t *testing.T) {
	uids := func(made time.Time, inputs ...ForecastInput) map[string]string {
		out := map[string]string{}
		_, events := calendarOf(t, made, inputs...)
		for _, e := range events {
			id := textOfEvent(t, e, "UID")
			_, twice := out[id]
			require.False(t, twice, id)
			out[id] = textOfEvent(t, e, "SUMMARY")
		}
		return out
	}
	before := uids(asked, fullAhead("tank-1"), fullAhead("tank-2"))
	assert.Len(t, before, 20)
	later := fullAhead("tank-1")
	later.Plan.Additions = nil // the dose of now becomes one to come
	later.Forecast.Organics[0].Due = forecast.Dates{P10: inDays(1), P50: inDays(3), P90: inDays(9)}
	later.Forecast.Organics[0].Amount = 10
	later.Forecast.Titrate[1].By = inDays(20)
	for id, what := range uids(inDays(1), later) {
		assert.Contains(t, before, id, what)
	}
}

func TestCalendarOfNothing(t *testing.T) {
	_, events := calendarOf(t, asked, emptyAhead("tank-1"))
	require.Len(t, events, 1, "a calendar without a component is none (RFC 5545, 3.6)")
	assert.Contains(t, textOfEvent(t, events[0], "SUMMARY"), "ask for a new forecast")
}

func TestCalendarHostileNamesStayText(t *testing.T) {
	for _, name := range []string{"a\r\nATTENDEE:x;,", "b\nEND:VEVENT\nEND:VCALENDAR", `c\n;,:"`, "d\xff\xfe", "e " + strings.Repeat("Kupferbad äöü ", 30), "f" + strings.Repeat("銅", 90)} {
		in := fullAhead(name)
		in.Forecast.Anodes[0].ID, in.Forecast.Anodes[0].Reason = name, name
		_, events := calendarOf(t, asked, in)
		require.Len(t, events, 10, name)
		for _, e := range events {
			assert.Nil(t, e.Props.Get("ATTENDEE"), name)
			assert.True(t, strings.HasPrefix(textOfEvent(t, e, "SUMMARY"), strings.TrimSpace(Plain(name))+": "), "%q", textOfEvent(t, e, "SUMMARY"))
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.String().Draw(t, "name")
		in := fullAhead(name)
		in.Forecast.Anodes[0].ID = name
		_, events := calendarOf(t, asked, in)
		require.Len(t, events, 10)
		for _, e := range events {
			require.True(t, strings.HasPrefix(textOfEvent(t, e, "SUMMARY"), strings.TrimSpace(Plain(name))+": "))
		}
	})
}
