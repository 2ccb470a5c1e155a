package main

import (
	"context"
	"errors"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/dose"
	"steadybath/chem/estimate"
	"steadybath/chem/forecast"
	"steadybath/reports"
)

const (
	usualDays = 180 // horizon of a forecast
	mostDays  = 730
	dueDays   = 7 // what falls due before the next usual visit counts as due
	mostLoads = 1000
)

func forecastCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "forecast", Usage: "what falls due, and when", UsageText: "steadybath forecast [--days N] [--job JOB] [--check | --ics FILE]",
		Description: describe("When each constituent leaves its window, when organics, anodes, readings, bags,\nfilter and treatments fall due, and what to order by when: dates on which it has\ncome with a chance of 10, 50 and 90 %, as the shop has plated so far. --job adds\nplating that is planned. --check prints a line per thing that is due now or as\nlikely as not within 7 days, of all baths, and nothing where nothing is; it exits\nwith status 3 where something is. --ics writes what falls due as entries for a\nphone's calendar; taken in again, they move.",
			"steadybath forecast", `steadybath forecast --days 60 --job "3 x 40Ah next week"`, "steadybath forecast --check", "steadybath forecast --ics steadybath.ics"),
		Flags: append(questionFlags(),
			&cli.StringFlag{Name: "days", Usage: "how many `DAYS` to look ahead; 180 if not given"},
			&cli.StringSliceFlag{Name: "job", Usage: "a `JOB` to come: \"40Ah tomorrow\", \"2 x 40Ah on 2026-12-01\", \"3 x 40Ah next week\"; may be given several times"},
			&cli.StringFlag{Name: "seed", Usage: "whole `NUMBER` that the futures are drawn from; 1 if not given, and the same gives the same answer"},
			&cli.BoolFlag{Name: "check", Usage: "one line per thing due, and status 3 where something is"},
			&cli.StringFlag{Name: "ics", Usage: "write an iCalendar `FILE`; - is standard output"}),
		Action: func(c *cli.Context) error { return runForecast(c.Context, s, c) },
	}
}

// lookAhead is what a forecast is asked for beyond the bath.
type lookAhead struct {
	days float64
	seed uint64
	fans float64 // days of fans, for a page
	jobs []string
}

func lookAheadOf(c *cli.Context) (lookAhead, error) {
	l := lookAhead{days: usualDays, seed: 1, jobs: c.StringSlice("job")}
	if c.IsSet("days") {
		d, err := flagIn("days", c.String("days"), "days")
		if err != nil {
			return l, err
		}
		if l.days = d.Float(); !(l.days >= 1 && l.days <= mostDays) {
			return l, wrongWords("such as --days 60", "--days %s: 1 to %d days would fit", c.String("days"), mostDays)
		}
	}
	if c.IsSet("seed") {
		n, err := strconv.ParseUint(strings.TrimSpace(c.String("seed")), 10, 64)
		if err != nil {
			return l, wrongWords("such as --seed 7", "--seed: %q is not a whole number of 0 or more", c.String("seed"))
		}
		l.seed = n
	}
	for _, j := range l.jobs { // the words are wrong whatever the bath
		if _, err := parseJob(j, time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), time.UTC, math.Inf(1)); err != nil {
			if status, _ := classify(err); status == statusWords {
				return l, err
			}
		}
	}
	return l, nil
}

// ahead is what is to come for a bath.
type ahead struct {
	*bathFile
	e        *estimate.Estimate
	plan     *dose.Plan
	forecast *forecast.Forecast
	jobs     []forecast.Job
}

func (s *session) ahead(c *cli.Context, b *bathFile, e *estimate.Estimate, l lookAhead) (*ahead, error) {
	a := &ahead{bathFile: b, e: e}
	for _, text := range l.jobs {
		jobs, err := parseJob(text, e.At, b.zone, l.days)
		if err != nil {
			return nil, err
		}
		a.jobs = append(a.jobs, jobs...)
	}
	stock, _, err := s.stock(c, b, e.At)
	if err != nil {
		return nil, err
	}
	if a.plan, err = s.plan(c, b, e, dose.Options{}); err != nil {
		return nil, err
	}
	a.forecast, err = forecast.Make(e, forecast.Options{Days: l.days, Seed: l.seed, Fans: l.fans, Jobs: a.jobs, Stock: stock, Plan: a.plan})
	if err != nil {
		return nil, refused("steadybath state shows what is known of the bath", "%v", err)
	}
	if a.forecast.Titrate == nil {
		a.forecast.Titrate = a.plan.Next
	}
	return a, nil
}

// all looks ahead for every bath, or for the one that --bath names.
func (s *session) all(c *cli.Context, l lookAhead) ([]*ahead, error) {
	names, err := s.bathNames(c)
	if err != nil {
		return nil, err
	}
	if len(l.jobs) > 0 && len(names) > 1 {
		return nil, wrongWords("for instance --bath "+quoted(names[0]), "--job: there are several baths, say for which it is: %s", strings.Join(names, ", "))
	}
	var out []*ahead
	for _, name := range names {
		b, err := s.bathNamed(c, name)
		if errors.Is(err, errNotKnownThen) && c.String("bath") == "" {
			continue // a day that ended later in its own zone
		}
		if err != nil {
			return nil, err
		}
		e, err := s.askedOf(c, b, estimate.Options{})
		if err != nil {
			return nil, err
		}
		a, err := s.ahead(c, b, e, l)
		if err != nil {
			return nil, err
		}
		out = append(out, a)
	}
	return out, nil
}

// bathNames is the bath that --bath names, or every one.
func (s *session) bathNames(c *cli.Context) ([]string, error) {
	store, err := s.open(c)
	if err != nil {
		return nil, err
	}
	if c.String("bath") != "" {
		name, err := s.bathName(c)
		return []string{name}, err
	}
	known, err := store.Baths(c.Context)
	if err != nil {
		return nil, err
	}
	var names []string
	for _, b := range known {
		if b.Name != "" {
			names = append(names, b.Name)
		}
	}
	return s.begunBy(c, names)
}

func runForecast(_ context.Context, s *session, c *cli.Context) error {
	if err := noWords("forecast", c.Args().Slice()); err != nil {
		return err
	}
	if c.Bool("check") && c.IsSet("ics") {
		return wrongWords("leave one of them out", "--check prints what is due, and --ics writes a calendar")
	}
	if c.Bool("json") && c.String("ics") == "-" {
		return wrongWords("leave one of them out", "the calendar and the JSON cannot both go to standard output")
	}
	l, err := lookAheadOf(c)
	if err != nil {
		return err
	}
	sys, err := units(c)
	if err != nil {
		return err
	}
	switch {
	case c.Bool("check"):
		return runCheck(s, c, l, sys)
	case c.IsSet("ics"):
		return runCalendar(s, c, l, sys)
	}
	b, e, sys, err := s.asked(c, estimate.Options{})
	if err != nil {
		return err
	}
	a, err := s.ahead(c, b, e, l)
	if err != nil {
		return err
	}
	in := reports.ForecastInput{Estimate: e, Plan: a.plan, Forecast: a.forecast, Jobs: a.jobs, Seed: l.seed, Zone: b.zone, Units: sys, Head: b.head}
	if c.Bool("json") {
		return reports.ForecastJSON(s.stdout, in)
	}
	return reports.Forecast(s.stdout, in)
}

// due is what is due now or before the next usual visit; what is due at that visit
// can wait for it.
func (a *ahead) due(sys reports.Units) []reports.Thing {
	return reports.Within(reports.ThingsDue(a.e, a.plan, a.forecast, sys), a.e.At.AddDate(0, 0, dueDays).Add(-time.Second))
}

func runCheck(s *session, c *cli.Context, l lookAhead, sys reports.Units) error {
	all, err := s.all(c, l)
	if err != nil {
		return err
	}
	if c.Bool("json") {
		sys = reports.Metric
	}
	list, n := []reports.ThingJSON{}, 0
	for _, a := range all {
		due := a.due(sys)
		n += len(due)
		if c.Bool("json") {
			list = append(list, reports.ThingsJSON(a.Name, due, a.e.At)...)
		} else if err := reports.DueLines(s.stdout, a.Name, due, a.e.At, a.zone); err != nil {
			return err
		}
	}
	if c.Bool("json") {
		if err := s.printJSON(struct {
			Due []reports.ThingJSON `json:"due"`
		}{list}); err != nil {
			return err
		}
	}
	if n > 0 {
		return &problem{status: statusDue}
	}
	return nil
}

func runCalendar(s *session, c *cli.Context, l lookAhead, sys reports.Units) error {
	all, err := s.all(c, l)
	if err != nil {
		return err
	}
	if len(all) == 0 {
		_, err := s.bathName(c)
		return err
	}
	now, err := s.now()
	if err != nil {
		return err
	}
	var baths []reports.CalendarBath
	n := 0
	for _, a := range all {
		things := reports.ThingsDue(a.e, a.plan, a.forecast, sys)
		n += len(things)
		baths = append(baths, reports.CalendarBath{Estimate: a.e, Things: things, Zone: a.zone, Days: l.days})
	}
	write := func(w io.Writer) error { return reports.Calendar(w, baths, now, version) }
	path := c.String("ics")
	if path == "-" {
		return write(s.stdout)
	}
	if err := writeWhole(path, func(f *os.File) error { return write(f) }); err != nil {
		if status, _ := classify(err); status == statusRefused {
			return refused("--ics names another place", "%v", err)
		}
		return err
	}
	if c.Bool("json") {
		return s.printJSON(struct {
			Calendar string `json:"calendar"`
			Entries  int    `json:"entries"`
		}{path, n})
	}
	return say(s.stdout, "%s", path)
}

// jobForms is what a refused job is told to look like.
const jobForms = `"40Ah tomorrow", "2 x 40Ah on 2026-12-01" or "3 x 40Ah next week"`

// parseJob reads plating that is planned, such as "3 x 40Ah next week", as of
// now in the zone: how many loads, what each passes, and when. Loads on a day count
// at its noon; those of next week are spread from Monday to Sunday.
func parseJob(text string, now time.Time, zone *time.Location, days float64) ([]forecast.Job, error) {
	said := strings.TrimSpace(text)
	words := strings.Fields(strings.ToLower(said))
	if len(words) == 0 {
		return nil, wrongWords("such as "+jobForms, "--job is empty")
	}
	loads, words, err := loadsOf(said, words)
	if err != nil {
		return nil, err
	}
	if len(words) == 0 || !startsNumber(words[0]) {
		return nil, wrongWords("such as "+jobForms, "--job %q: the ampere-hours of a load are missing", said)
	}
	amount := words[0]
	words = words[1:]
	if strings.Trim(amount, "0123456789.,+-−e") == "" && len(words) > 0 { // "40 Ah"
		amount, words = amount+" "+words[0], words[1:]
	}
	charge, err := chem.ParseMeasured(properCharge(amount), chem.DimCharge)
	if err != nil {
		return nil, wrongWords("such as "+jobForms, "--job %q: %v", said, err)
	}
	ah := charge.Value("Ah")
	switch {
	case !(ah > 0):
		return nil, wrongWords("such as "+jobForms, "--job %q: a load of %s is none; it must be more than 0", said, charge)
	case ah > 1e6:
		return nil, wrongWords("such as "+jobForms, "--job %q: %s is more than any load passes; up to 1000000 Ah would fit", said, charge)
	}
	if len(words) > 0 && (words[0] == "on" || words[0] == "each") {
		words = words[1:]
	}
	if len(words) == 0 {
		return nil, wrongWords("such as "+jobForms, "--job %q does not say when", said)
	}
	at, err := jobTimes(said, strings.Join(words, " "), loads, now.In(zone), zone)
	if err != nil {
		return nil, err
	}
	var out []forecast.Job
	for _, t := range at {
		switch ahead := t.Sub(now).Hours() / 24; {
		case ahead <= 0:
			return nil, refused("steadybath plate writes down what was plated; a job is to come", "--job %q: %s is past", said, t.In(zone).Format("Mon 2 Jan 2006 15:04"))
		case ahead > days:
			return nil, refused("--days looks further ahead", "--job %q: %s lies beyond the %.4g days that are forecast", said, t.In(zone).Format("Mon 2 Jan 2006"), days)
		}
		out = append(out, forecast.Job{At: t.UTC(), Ah: ah})
	}
	return out, nil
}

// properCharge spells the unit of a charge as it is written, which words in small
// letters lost.
func properCharge(s string) string {
	return strings.NewReplacer("ah", "Ah", "amin", "Amin").Replace(s)
}

// loadsOf takes "3 x", "3x" or "3 times" from the beginning of words.
func loadsOf(said string, words []string) (int, []string, error) {
	count, rest := "", words
	first := words[0]
	switch {
	case len(words) > 1 && (words[1] == "x" || words[1] == "×" || words[1] == "times" || words[1] == "*"):
		count, rest = first, words[2:]
	case strings.TrimRight(first, "x×") != first && (startsNumber(first) || len([]rune(first)) == 1):
		count, rest = strings.TrimRight(first, "x×"), words[1:]
	default:
		if n, load, ok := strings.Cut(strings.ReplaceAll(first, "×", "x"), "x"); ok && startsNumber(n) && load != "" { // 3x40Ah
			count, rest = n, append([]string{load}, words[1:]...)
		} else {
			return 1, words, nil
		}
	}
	n, err := strconv.Atoi(count)
	if err != nil || n < 1 || n > mostLoads {
		return 0, nil, wrongWords("such as "+jobForms, "--job %q: %q is no number of loads; 1 to %d would fit", said, count, mostLoads)
	}
	return n, rest, nil
}

// jobTimes are the moments of so many loads.
func jobTimes(said, when string, loads int, now time.Time, zone *time.Location) ([]time.Time, error) {
	noon := func(day int) time.Time {
		return time.Date(now.Year(), now.Month(), now.Day()+day, 12, 0, 0, 0, zone)
	}
	at := func(t time.Time) []time.Time {
		out := make([]time.Time, loads)
		for i := range out {
			out[i] = t
		}
		return out
	}
	sinceMonday := (int(now.Weekday()) + 6) % 7
	switch when {
	case "next week":
		out := make([]time.Time, loads)
		for i := range out {
			out[i] = noon(7 - sinceMonday + (2*i+1)*7/(2*loads))
		}
		return out, nil
	case "tomorrow":
		return at(noon(1)), nil
	case "today", "tonight":
		t := noon(0)
		if t.Before(now) { // it is to come
			t = now.Add(time.Minute)
		}
		return at(t), nil
	}
	if rest, ok := strings.CutPrefix(when, "in "); ok {
		number, unit, _ := strings.Cut(rest, " ")
		n, err := strconv.Atoi(number)
		scale := map[string]int{"day": 1, "days": 1, "week": 7, "weeks": 7}[unit]
		if err == nil && scale > 0 && n > 0 && n <= 10*mostDays {
			return at(noon(n * scale)), nil
		}
	}
	clock := ""
	if rest, ok := strings.CutPrefix(when, "tomorrow "); ok {
		clock, when = rest, noon(1).Format(time.DateOnly)
	} else if day, rest, _ := strings.Cut(strings.TrimPrefix(when, "next "), " "); len(day) >= 3 {
		for ahead := 1; ahead <= 7; ahead++ {
			if name := strings.ToLower(noon(ahead).Weekday().String()); strings.HasPrefix(name, day) {
				clock, when = rest, noon(ahead).Format(time.DateOnly)
				break
			}
		}
	}
	t, err := chem.ParseTime(strings.TrimSpace(when+" "+clock), now, zone, false)
	if err != nil {
		return nil, wrongWords("such as "+jobForms, `--job %q: %q is no day to come`, said, strings.TrimSpace(when+" "+clock))
	}
	return at(t), nil
}
