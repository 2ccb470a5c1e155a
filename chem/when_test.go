package chem

import (
	"testing"
	"time"
	_ "time/tzdata" // the zones used here must be there on any machine

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	require.NoError(t, err)
	return z
}

// The now of most cases: Wednesday 4 March 2026, 10:15:30 in Vienna, UTC+1.
func wednesday() time.Time { return time.Date(2026, 3, 4, 9, 15, 30, 123456789, time.UTC) }

func TestParseTime(t *testing.T) {
	for name, c := range map[string]struct{ in, entering, asking string }{
		"RFC3339":            {"2026-03-02T18:30:00+05:30", "2026-03-02T13:00:00Z", ""},
		"RFC3339UTC":         {"2026-03-02t18:30:00z", "2026-03-02T18:30:00Z", ""},
		"RFC3339Microsecond": {"2026-03-02T18:30:00.123456789Z", "2026-03-02T18:30:00.123456Z", ""},
		"LocalT":             {"2026-03-02T18:30", "2026-03-02T17:30:00Z", ""},
		"DateTime":           {"2026-03-02 18:30", "2026-03-02T17:30:00Z", ""},
		"DateTimeSeconds":    {" 2026-03-02  18:30:15 ", "2026-03-02T17:30:15Z", ""},
		"Summer":             {"2026-07-02 18:30", "2026-07-02T16:30:00Z", ""},
		"Date":               {"2026-03-02", "2026-03-02T11:00:00Z", "2026-03-02T22:59:59.999999Z"},
		"LeapDay":            {"2028-02-29", "2028-02-29T11:00:00Z", "2028-02-29T22:59:59.999999Z"},
		"Clock":              {"18:30", "2026-03-04T17:30:00Z", ""},
		"EarlyClock":         {"9:05", "2026-03-04T08:05:00Z", ""},
		"Midnight":           {"0:00", "2026-03-03T23:00:00Z", ""},
		"Today":              {"today", "2026-03-04T11:00:00Z", "2026-03-04T22:59:59.999999Z"},
		"TodayClock":         {"Today 8:00", "2026-03-04T07:00:00Z", ""},
		"Yesterday":          {"yesterday", "2026-03-03T11:00:00Z", "2026-03-03T22:59:59.999999Z"},
		"YesterdayClock":     {"YESTERDAY 18:30", "2026-03-03T17:30:00Z", ""},
		"Monday":             {"mon 9:00", "2026-03-02T08:00:00Z", ""},
		"MondayInFull":       {"monday 9:00", "2026-03-02T08:00:00Z", ""},
		"Thursday":           {"thu 9:00", "2026-02-26T08:00:00Z", ""},
		"WednesdayGone":      {"wed 9:00", "2026-03-04T08:00:00Z", ""},
		"WednesdayToCome":    {"wed 11:00", "2026-02-25T10:00:00Z", ""},
		"MondayAlone":        {"mon", "2026-03-02T11:00:00Z", "2026-03-02T22:59:59.999999Z"},
		"WednesdayAlone":     {"wed", "2026-02-25T11:00:00Z", "2026-03-04T22:59:59.999999Z"},
		"DaysAgo":            {"3 days ago", "2026-03-01T09:15:30.123456Z", ""},
		"ADayAgo":            {"a day ago", "2026-03-03T09:15:30.123456Z", ""},
		"WeeksAgo":           {"2 wk ago", "2026-02-18T09:15:30.123456Z", ""},
		"HoursAgo":           {"2 h ago", "2026-03-04T07:15:30.123456Z", ""},
		"HoursAgoOneWord":    {"2h ago", "2026-03-04T07:15:30.123456Z", ""},
		"AnHourAgo":          {"an hour ago", "2026-03-04T08:15:30.123456Z", ""},
		"HalfADay":           {"0.5 days ago", "2026-03-03T21:15:30.123456Z", ""},
		"MinutesAgo":         {"90 min ago", "2026-03-04T07:45:30.123456Z", ""},
		"Now":                {"now", "2026-03-04T09:15:30.123456Z", ""},
	} {
		t.Run(name, func(t *testing.T) {
			for _, asking := range []bool{false, true} {
				want := c.entering
				if asking && c.asking != "" {
					want = c.asking
				}
				got, err := ParseTime(c.in, wednesday(), zone(t, "Europe/Vienna"), asking)
				require.NoError(t, err)
				assert.Equal(t, want, got.Format(time.RFC3339Nano))
				assert.Equal(t, time.UTC, got.Location())
			}
		})
	}
}

// The day that words speak of is the one in the bath's zone: at 23:30 UTC on
// 4 March it is the 5th in Vienna and the 4th in New York.
func TestParseTimeTakesTheDayOfTheZone(t *testing.T) {
	now := time.Date(2026, 3, 4, 23, 30, 0, 0, time.UTC)
	for name, want := range map[string]string{"Europe/Vienna": "2026-03-05T07:00:00Z", "America/New_York": "2026-03-04T13:00:00Z"} {
		got, err := ParseTime("8:00", now, zone(t, name), false)
		require.NoError(t, err)
		assert.Equal(t, want, got.Format(time.RFC3339), name)
	}
}

// Changes of clocks as the IANA time zone database has them.
func TestParseTimeAcrossClockChanges(t *testing.T) {
	for name, c := range map[string]struct {
		zone, in string
		asking   bool
		want     string
	}{
		// Vienna goes from UTC+1 to UTC+2 at 2:00 on 29 March 2026 and back at 3:00
		// on 25 October 2026.
		"BeforeTheGap":   {"Europe/Vienna", "2026-03-29 01:59", false, "2026-03-29T00:59:00Z"},
		"AfterTheGap":    {"Europe/Vienna", "2026-03-29 03:00", false, "2026-03-29T01:00:00Z"},
		"ShortDay":       {"Europe/Vienna", "2026-03-29", true, "2026-03-29T21:59:59.999999Z"},
		"FirstOfTwo":     {"Europe/Vienna", "2026-10-25 02:30", false, "2026-10-25T00:30:00Z"},
		"BeforeBoth":     {"Europe/Vienna", "2026-10-25 01:59", false, "2026-10-24T23:59:00Z"},
		"AfterBoth":      {"Europe/Vienna", "2026-10-25 03:00", false, "2026-10-25T02:00:00Z"},
		"NewYorkFirst":   {"America/New_York", "2026-11-01 01:30", false, "2026-11-01T05:30:00Z"},
		"HalfHourChange": {"Australia/Lord_Howe", "2026-04-05 01:45", false, "2026-04-04T14:45:00Z"}, // UTC+11 until 2:00, then UTC+10:30
		// Cairo's clocks skip midnight on 24 April 2026: the 23rd ends at 24:00 all the same.
		"NoMidnight": {"Africa/Cairo", "2026-04-23", true, "2026-04-23T21:59:59.999999Z"},
		// Samoa left out 30 December 2011.
		"LastBeforeLeftOut": {"Pacific/Apia", "2011-12-29", true, "2011-12-30T09:59:59.999999Z"},
		"FirstAfterLeftOut": {"Pacific/Apia", "2011-12-31 00:00", false, "2011-12-30T10:00:00Z"},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := ParseTime(c.in, wednesday(), zone(t, c.zone), c.asking)
			require.NoError(t, err)
			assert.Equal(t, c.want, got.Format(time.RFC3339Nano))
		})
	}
	for name, c := range map[string]struct {
		zone, in string
		asking   bool
	}{
		"InTheGap":            {"Europe/Vienna", "2026-03-29 02:30", false},
		"FirstOfTheGap":       {"Europe/Vienna", "2026-03-29 02:00", false},
		"MidnightInTheGap":    {"Africa/Cairo", "2026-04-24 00:30", false},
		"LeftOutDayNoon":      {"Pacific/Apia", "2011-12-30", false},
		"LeftOutDayEnd":       {"Pacific/Apia", "2011-12-30", true},
		"HalfHourInTheGap":    {"Australia/Lord_Howe", "2026-10-04 02:15", false},
		"NewYorkLocalTInAGap": {"America/New_York", "2026-03-08T02:30", false},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := ParseTime(c.in, wednesday(), zone(t, c.zone), c.asking)
			require.Error(t, err)
			assert.True(t, got.IsZero())
			assert.Contains(t, err.Error(), c.zone)
		})
	}
}

// A day ago is the same time on the clock, 24 hours ago is not, over a change.
func TestDaysAgoGoByTheCalendar(t *testing.T) {
	now := time.Date(2026, 3, 29, 10, 0, 0, 0, time.UTC) // 12:00 in Vienna, the day of the change
	got, err := ParseTime("1 day ago", now, zone(t, "Europe/Vienna"), false)
	require.NoError(t, err)
	assert.Equal(t, "2026-03-28T11:00:00Z", got.Format(time.RFC3339))
	got, err = ParseTime("24 h ago", now, zone(t, "Europe/Vienna"), false)
	require.NoError(t, err)
	assert.Equal(t, "2026-03-28T10:00:00Z", got.Format(time.RFC3339))
}

func TestParseTimeRefuses(t *testing.T) {
	for name, c := range map[string]struct{ in, says string }{
		"Empty":          {"", "a time is missing"},
		"Blank":          {"  ", "a time is missing"},
		"Word":           {"noonish", "not a time"},
		"GermanDate":     {"02.03.2026", "not a time"},
		"AmericanDate":   {"3/2/2026", "not a time"},
		"ShortDate":      {"2026-3-2", "not a time"},
		"NoSuchDay":      {"2026-02-30", "2026-02-30 is not in the calendar"},
		"NoSuchMonth":    {"2026-13-01", "not in the calendar"},
		"NoLeapDay":      {"2026-02-29 12:00", "not in the calendar"},
		"Hour24":         {"24:00", "0:00 to 23:59"},
		"Minute60":       {"18:60", "0:00 to 23:59"},
		"Second60":       {"2026-03-02 18:30:60", "0:00 to 23:59"},
		"OneDigitMinute": {"18:3", "not a time"},
		"NegativeClock":  {"-1:30", "not a time"},
		"FourParts":      {"1:02:03:04", "not a time"},
		"WordAfter":      {"yesterday evening", "not a time"},
		"Leftover":       {"2026-03-02 18:30 sharp", "not a time"},
		"NowAndMore":     {"now 18:30", "not a time"},
		"OnlyT":          {"2026-03-02T", "not a time"},
		"AgoOfNothing":   {" ago", "not a time"},
		"AgoNoUnit":      {"3 ago", "not a time"},
		"AgoOtherUnit":   {"3 L ago", "not a time"},
		"AgoNegative":    {"-3 days ago", "0 to 100 years"},
		"AgoTooLong":     {"99999999 days ago", "0 to 100 years"},
		"AgoUncertain":   {"3 +- 1 days ago", "not a time"},
		"YearZero":       {"0000-01-01 12:00", "year"},
		"Year1800":       {"1800-01-01T00:00:00Z", "between 1900 and 9999"},
	} {
		t.Run(name, func(t *testing.T) {
			for _, asking := range []bool{false, true} {
				got, err := ParseTime(c.in, wednesday(), time.UTC, asking)
				require.ErrorContains(t, err, c.says)
				assert.True(t, got.IsZero())
			}
		})
	}
	_, err := ParseTime("18:30", wednesday(), nil, false)
	require.ErrorContains(t, err, "time zone")
}

func someZones(t testing.TB) []*time.Location {
	var out []*time.Location
	for _, name := range []string{"UTC", "Europe/Vienna", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "Pacific/Apia", "Africa/Cairo", "America/St_Johns"} {
		out = append(out, zone(t, name))
	}
	return out
}

// Whatever the clock on the wall shows is read back as that moment, or as the
// same reading an hour (or half) earlier where it came twice.
func TestParseTimeReadsTheClockOnTheWall(t *testing.T) {
	zones := someZones(t)
	rapid.Check(t, func(t *rapid.T) {
		z := rapid.SampledFrom(zones).Draw(t, "zone")
		at := time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "unix"), 0)
		shown := at.In(z).Format("2006-01-02 15:04:05")
		got, err := ParseTime(shown, wednesday(), z, false)
		require.NoError(t, err)
		assert.Equal(t, shown, got.In(z).Format("2006-01-02 15:04:05"))
		assert.False(t, got.After(at))
		assert.LessOrEqual(t, at.Sub(got), time.Hour)
		back, err := ParseTime(at.In(z).Format(time.RFC3339), wednesday(), time.UTC, true)
		require.NoError(t, err)
		assert.True(t, back.Equal(at))
	})
}

func TestWeekdaysLieInTheWeekBefore(t *testing.T) {
	zones := someZones(t)
	rapid.Check(t, func(t *rapid.T) {
		z := rapid.SampledFrom(zones).Draw(t, "zone")
		now := time.Unix(rapid.Int64Range(1.4e9, 4e9).Draw(t, "unix"), 0)
		day := rapid.SampledFrom([]string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}).Draw(t, "day")
		got, err := ParseTime(day+" 9:00", now, z, false)
		require.NoError(t, err)
		assert.False(t, got.After(now))
		assert.Less(t, now.Sub(got), 7*24*time.Hour+2*time.Hour)
		assert.Equal(t, day, map[time.Weekday]string{0: "sun", 1: "mon", 2: "tue", 3: "wed", 4: "thu", 5: "fri", 6: "sat"}[got.In(z).Weekday()])
	})
}

func FuzzParseTime(f *testing.F) {
	for _, s := range []string{
		"2026-03-02T18:30:00+01:00", "2026-03-02", "2026-03-02 18:30", "18:30", "yesterday 18:30", "yesterday", "mon 9:00", "3 days ago", "2 h ago", "now",
		"2026-03-29 02:30", "1e3 wk ago", "0000-00-00", "today", "sunday",
	} {
		f.Add(s, int64(1.77e9), false)
	}
	zones := someZones(f)
	f.Fuzz(func(t *testing.T, s string, unix int64, asking bool) {
		now := time.Unix(unix%4e9, 0)
		for _, z := range zones {
			got, err := ParseTime(s, now, z, asking)
			if err != nil {
				assert.True(t, got.IsZero())
				continue
			}
			assert.Equal(t, time.UTC, got.Location())
			assert.Equal(t, got, got.Truncate(time.Microsecond))
			again, err := ParseTime(got.Format(time.RFC3339Nano), now, z, !asking)
			require.NoError(t, err)
			assert.True(t, got.Equal(again))
		}
	})
}
