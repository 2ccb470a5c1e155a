package main

import (
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/entry"
	"steadybath/chem/estimate"
	"steadybath/chem/forecast"
	"steadybath/reports"
)

func chartCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "chart", Usage: "write the bath's page, one HTML file", UsageText: "steadybath chart [--output FILE] [--from WHEN] [--to WHEN] [--open] | --all [--output FOLDER]",
		Description: describe("What is due and why, a panel per constituent with titrations, window, additions,\nthe estimate and what is to come, amp-hours, anodes, balances, where the metal\nwent, and the newest entries: to be printed, hung at the tank, or sent to a\nfriend. The file asks no network for anything. --from and --to are the span that\nthe charts cover, both days whole; all the bath's life and what is to come if not\ngiven. --all\nwrites a page for every bath into a folder, and index.html over all of them; a\nbath that began after the span is shown whole. --open shows what was written in\nthe browser ($BROWSER, else the desktop's own); where that fails the page is\nwritten all the same, which the message says, and the exit status is 0.",
			"steadybath chart --output tank-1.html", `steadybath chart --from "6 weeks ago"`, "steadybath chart --from 2026-03-01 --to 2026-03-31",
			"steadybath chart --all --output pages --open"),
		Flags: append(questionFlags(),
			&cli.StringFlag{Name: "output", Aliases: []string{"o"}, Usage: "the `FILE` to write, with --all the folder; BATH.html or pages if not given"},
			&cli.StringFlag{Name: "from", Usage: "`WHEN` the charts begin; the bath's beginning if not given"},
			&cli.StringFlag{Name: "to", Usage: "`WHEN` the charts end; with what is to come if not given"},
			&cli.BoolFlag{Name: "all", Usage: "a page for every bath, and an index over them"},
			&cli.BoolFlag{Name: "open", Usage: "show it in the browser"}),
		Action: func(c *cli.Context) error { return runChart(s, c) },
	}
}

func runChart(s *session, c *cli.Context) error {
	if err := noWords("chart", c.Args().Slice()); err != nil {
		return err
	}
	if c.String("output") == "-" {
		switch {
		case c.Bool("json"):
			return wrongWords("leave one of them out", "the page and the JSON cannot both go to standard output")
		case c.Bool("open"):
			return wrongWords("leave one of them out", "--open shows a file, and --output - writes none")
		case c.Bool("all"):
			return wrongWords("such as --output "+usualFolder, "--all writes several pages, and --output - takes only one")
		}
	}
	if c.Bool("all") {
		if c.String("bath") != "" {
			return wrongWords("leave one of them out", "--all is every bath, and --bath %s names one", quoted(c.String("bath")))
		}
		return s.chartAll(c)
	}
	sys, err := units(c)
	if err != nil {
		return err
	}
	b, err := s.bath(c)
	if err != nil {
		return err
	}
	_, page, err := s.page(c, b, sys)
	if err != nil {
		return err
	}
	path := c.String("output")
	if path == "" {
		path = fileName(b.Name) + ".html"
	}
	if path == "-" {
		return reports.WritePage(s.stdout, page)
	}
	if err := writeWhole(path, func(f *os.File) error { return reports.WritePage(f, page) }); err != nil {
		return err
	}
	if c.Bool("json") {
		err = s.printJSON(struct {
			Page string `json:"page"`
		}{path})
	} else {
		err = say(s.stdout, "%s", path)
	}
	if err == nil && c.Bool("open") {
		s.openPage(c, path)
	}
	return err
}

// page makes a bath's page, and what it looks ahead to.
func (s *session) page(c *cli.Context, b *bathFile, sys reports.Units) (*ahead, reports.Page, error) {
	fail := func(err error) (*ahead, reports.Page, error) { return nil, reports.Page{}, err }
	at, err := s.when(c, b.zone, true)
	if err != nil {
		return fail(err)
	}
	// The metal's book goes over the whole log by itself, beside the rest.
	ledger := beside(func() (*estimate.Ledger, error) { return b.Ledger(time.Time{}, at) })
	e, err := s.askedOf(c, b, estimate.Options{Track: true})
	if err != nil {
		return fail(err)
	}
	from, to, err := s.span(c, b, e)
	if err != nil {
		return fail(err)
	}
	// Anodes last longer than the rest is worth looking ahead for.
	farther := beside(func() (*forecast.Forecast, error) {
		return forecast.Make(e, forecast.Options{Days: anodeDays, Seed: 1})
	})
	a, err := s.ahead(c, b, e, lookAhead{days: usualDays, seed: 1, fans: reports.FanDays})
	if err != nil {
		return fail(err)
	}
	in := reports.PageInput{Estimate: e, Plan: a.plan, Forecast: a.forecast, AnodeDays: anodeDays, Entered: b.entered, Zone: b.zone, Units: sys,
		From: from, To: to, Head: b.head, Made: e.At, Version: version}
	far, err := farther()
	if err != nil {
		return fail(refused("steadybath state shows what is known of the bath", "%v", err))
	}
	a.forecast.Anodes = far.Anodes
	if in.Ledger, err = ledger(); err != nil {
		return fail(refused("ask for a later day", "%v", err))
	}
	first, err := b.At(b.Began, estimate.Options{})
	if err != nil {
		return fail(refused("ask for a later day", "%v", err))
	}
	in.Believed = first.Rates
	shop, err := s.shopEntered(c, b.zone)
	if err != nil {
		return fail(err)
	}
	in.Titrants = slices.DeleteFunc(entry.TitrantLots(chem.Standing(shop), b.Facts, e.At.In(b.zone)), func(l entry.TitrantLot) bool { return l.Titrations == 0 })
	return a, reports.BathPage(in), nil
}

// beside works something out while the caller goes on; what it returns waits for
// the answer.
func beside[T any](work func() (T, error)) func() (T, error) {
	type answer struct {
		value T
		err   error
	}
	done := make(chan answer, 1)
	go func() {
		value, err := work()
		done <- answer{value, err}
	}()
	return func() (T, error) {
		a := <-done
		return a.value, a.err
	}
}

// span reads --from and --to for a bath's charts, each the zero time where the
// page may go as far as its data does. A day alone begins the one with its first
// moment and ends the other with its last. What lies before the bath began is
// left out.
func (s *session) span(c *cli.Context, b *bathFile, e *estimate.Estimate) (from, to time.Time, err error) {
	now, err := s.now()
	if err != nil {
		return from, to, err
	}
	if from, err = spanEdge("from", c.String("from"), now, b.zone, true); err != nil {
		return from, to, err
	}
	if to, err = spanEdge("to", c.String("to"), now, b.zone, false); err != nil {
		return from, to, err
	}
	said := func(t time.Time) string { return t.In(b.zone).Format("2 Jan 2006 15:04") }
	switch {
	case !from.IsZero() && !to.IsZero() && !from.Before(to):
		return from, to, wrongWords("give the earlier time as --from", "the charts cannot begin on %s and end on %s", said(from), said(to))
	case !from.IsZero() && !from.Before(e.At):
		return from, to, refused("give an earlier day as --from", "--from: %s is not before %s, up to which the bath is known", said(from), said(e.At))
	case to.After(now.AddDate(1, 0, 0)):
		return from, to, refused("leave --to out for all there is", "--to: %s is more than a year ahead", said(to))
	case !to.IsZero() && !to.After(b.Began):
		if c.Bool("all") { // the other baths are wanted all the same
			return time.Time{}, time.Time{}, nil
		}
		return from, to, refused("give a later day as --to", "--to: %s is before bath %s begins, on %s", said(to), b.Name, said(b.Began))
	}
	if from.Before(b.Began) && !(from.IsZero() && to.IsZero()) {
		from = b.Began
	}
	return from, to, nil
}

// spanEdge reads one end of a span; the zero time where it is not given.
func spanEdge(flag, typed string, now time.Time, zone *time.Location, begins bool) (time.Time, error) {
	if typed == "" {
		return time.Time{}, nil
	}
	t, err := chem.ParseTime(typed, now, zone, true)
	if err != nil {
		return time.Time{}, wrongWords("", "--%s: %v", flag, err)
	}
	if noon, err := chem.ParseTime(typed, now, zone, false); begins && err == nil && !noon.Equal(t) { // a day alone
		y, m, d := t.In(zone).Date()
		t = time.Date(y, m, d, 0, 0, 0, 0, zone).UTC()
	}
	return t, nil
}

// writeWhole writes a file beside its place and then renames it, so that no
// half file is ever left.
func writeWhole(path string, write func(*os.File) error) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".steadybath-*")
	if err != nil {
		return refused("--output names another place", "cannot write beside %s: %v", path, withoutPath(err))
	}
	defer os.Remove(f.Name())
	if err := write(f); err != nil {
		f.Close()
		return err
	}
	err = f.Sync()
	if closed := f.Close(); err == nil {
		err = closed
	}
	if err == nil {
		err = os.Chmod(f.Name(), 0o644)
	}
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return refused("--output names another place", "cannot write %s: %v", path, withoutPath(err))
	}
	return nil
}

func withoutPath(err error) error {
	for {
		inner := unwrap(err)
		if inner == nil {
			return err
		}
		err = inner
	}
}

func unwrap(err error) error {
	if u, ok := err.(interface{ Unwrap() error }); ok {
		return u.Unwrap()
	}
	return nil
}
