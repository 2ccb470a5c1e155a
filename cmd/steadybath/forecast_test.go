package main

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestParseJob(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Vienna")
	require.NoError(t, err)
	now := time.Date(2026, 11, 22, 9, 0, 0, 0, time.UTC) // a Sunday, 10:00 in the shop
	for _, c := range []struct {
		said string
		ah   float64
		at   []string // of the shop
	}{
		{"40 Ah on 2026-12-01", 40, []string{"2026-12-01 12:00"}},
		{"40Ah 2026-12-01", 40, []string{"2026-12-01 12:00"}},
		{"40Ah on 2026-12-01 18:30", 40, []string{"2026-12-01 18:30"}},
		{"40Ah tomorrow", 40, []string{"2026-11-23 12:00"}},
		{"40Ah tomorrow 18:30", 40, []string{"2026-11-23 18:30"}},
		{"2 x 22.5 Ah tomorrow", 22.5, []string{"2026-11-23 12:00", "2026-11-23 12:00"}},
		{"22,5Ah tomorrow", 22.5, []string{"2026-11-23 12:00"}},
		{"3 x 40Ah next week", 40, []string{"2026-11-24 12:00", "2026-11-26 12:00", "2026-11-28 12:00"}},
		{"3x40Ah next week", 40, []string{"2026-11-24 12:00", "2026-11-26 12:00", "2026-11-28 12:00"}},
		{"3X 40ah Next Week", 40, []string{"2026-11-24 12:00", "2026-11-26 12:00", "2026-11-28 12:00"}},
		{"3 × 40 Ah each next week", 40, []string{"2026-11-24 12:00", "2026-11-26 12:00", "2026-11-28 12:00"}},
		{"1 x 40Ah next week", 40, []string{"2026-11-26 12:00"}},
		{"2.4 kAh on friday", 2400, []string{"2026-11-27 12:00"}},
		{"40Ah sun", 40, []string{"2026-11-29 12:00"}}, // today's noon is to come, but a day's name is the next one
		{"40Ah next fri 9:00", 40, []string{"2026-11-27 09:00"}},
		{"40Ah today", 40, []string{"2026-11-22 12:00"}},
		{"40Ah in 3 days", 40, []string{"2026-11-25 12:00"}},
		{"40Ah in 2 weeks", 40, []string{"2026-12-06 12:00"}},
		{"600 Amin tomorrow", 10, []string{"2026-11-23 12:00"}},
	} {
		jobs, err := parseJob(c.said, now, zone, 180)
		if !assert.NoError(t, err, c.said) {
			continue
		}
		var at []string
		for _, j := range jobs {
			at = append(at, j.At.In(zone).Format("2006-01-02 15:04"))
			assert.InDelta(t, c.ah, j.Ah, 1e-9, c.said)
		}
		assert.Equal(t, c.at, at, c.said)
	}
	// Seven loads take a day each, from Monday to Sunday, and fourteen two.
	for _, loads := range []string{"7", "14"} {
		jobs, err := parseJob(loads+" x 10Ah next week", now, zone, 180)
		require.NoError(t, err)
		days := map[string]int{}
		for _, j := range jobs {
			days[j.At.In(zone).Format(time.DateOnly)]++
		}
		assert.Len(t, days, 7)
		assert.Equal(t, len(jobs)/7, days["2026-11-23"])
		assert.Equal(t, len(jobs)/7, days["2026-11-29"])
	}
	// On a Monday the week after is meant, and clocks that are put back change no noon.
	jobs, err := parseJob("1 x 40Ah next week", time.Date(2026, 10, 19, 6, 0, 0, 0, time.UTC), zone, 180)
	require.NoError(t, err)
	assert.Equal(t, "2026-10-29 12:00", jobs[0].At.In(zone).Format("2006-01-02 15:04"))
}

func TestParseJobRefuses(t *testing.T) {
	now := time.Date(2026, 11, 22, 9, 0, 0, 0, time.UTC)
	for said, want := range map[string]struct {
		status int
		says   string
	}{
		"":                        {statusWords, "empty"},
		"40Ah":                    {statusWords, "when"},
		"40":                      {statusWords, `"40" has no unit|unit`},
		"next week":               {statusWords, "ampere-hours"},
		"3 x next week":           {statusWords, "ampere-hours"},
		"0 x 40Ah tomorrow":       {statusWords, `"0"`},
		"1001 x 40Ah tomorrow":    {statusWords, "1 to 1000"},
		"-3 x 40Ah tomorrow":      {statusWords, `"-3"`},
		"0Ah tomorrow":            {statusWords, "more than 0"},
		"-5Ah tomorrow":           {statusWords, "more than 0"},
		"40 g tomorrow":           {statusWords, "mass"},
		"40Ah someday":            {statusWords, "someday"},
		"40Ah on 2026-02-30":      {statusWords, "2026-02-30"},
		"40Ah tomorrow 25:00":     {statusWords, "25:00"},
		"1e9 Ah tomorrow":         {statusWords, "more than any"},
		"40Ah on 2026-11-21":      {statusRefused, "past"},
		"40Ah yesterday":          {statusRefused, "past"},
		"40Ah on 2027-11-21":      {statusRefused, "180 days"},
		"40Ah in 181 days":        {statusRefused, "180 days"},
		"40Ah in 0 days":          {statusWords, "in 0 days"},
		"40Ah next week and then": {statusWords, "next week and then"},
	} {
		_, err := parseJob(said, now, time.UTC, 180)
		if assert.Error(t, err, said) {
			status, hint := classify(err)
			assert.Equal(t, want.status, status, "%s: %v", said, err)
			assert.Regexp(t, want.says, err.Error(), said)
			assert.NotEmpty(t, hint, said)
		}
	}
}
