package main

import (
	"context"
	"time"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/reports"
)

// ledger answers anodes --ledger: where the plated metal was and where it went
// between --from and --to.
func (s *session) ledger(_ context.Context, c *cli.Context) error {
	sys, err := units(c)
	if err != nil {
		return err
	}
	b, err := s.bath(c)
	if err != nil {
		return err
	}
	from, to, err := s.between(c, b)
	if err != nil {
		return err
	}
	l, err := b.Ledger(from, to)
	if err != nil {
		return refused("a day between the bath's beginning and now would fit", "%v", err)
	}
	if c.Bool("json") {
		return reports.LedgerJSON(s.stdout, l, b.head)
	}
	return reports.Ledger(s.stdout, l, b.zone, sys, b.head)
}

// between reads --from and --to. A day alone begins the one with its first moment
// and ends the other with its last; without them it is from the bath's beginning,
// which is the zero time, to --at or now.
func (s *session) between(c *cli.Context, b *bathFile) (from, to time.Time, err error) {
	now, err := s.now()
	if err != nil {
		return from, to, err
	}
	last := "--to"
	if c.String("to") != "" && c.String("at") != "" {
		return from, to, wrongWords("leave one of them out", "--to and --at both say when the books close")
	}
	if to, err = s.when(c, b.zone, true); err != nil {
		return from, to, err
	}
	if c.String("at") != "" {
		last = "--at"
	}
	if typed := c.String("to"); typed != "" {
		if to, err = chem.ParseTime(typed, now, b.zone, true); err != nil {
			return from, to, wrongWords("", "--to: %v", err)
		}
		if today := now.In(b.zone).Format(time.DateOnly); to.After(now) && to.In(b.zone).Format(time.DateOnly) == today {
			to = now
		}
	}
	if to.After(now) {
		return from, to, refused("leave "+last+" out for all that has happened", "%s: %s is still to come, and books are kept of what has happened", last, to.In(b.zone).Format("2 Jan 2006"))
	}
	typed := c.String("from")
	if typed == "" {
		return from, to, nil
	}
	if from, err = chem.ParseTime(typed, now, b.zone, true); err != nil {
		return from, to, wrongWords("", "--from: %v", err)
	}
	if noon, err := chem.ParseTime(typed, now, b.zone, false); err == nil && !noon.Equal(from) {
		y, m, d := from.In(b.zone).Date()
		from = time.Date(y, m, d, 0, 0, 0, 0, b.zone).UTC()
	}
	began := b.Began.In(b.zone)
	if y, m, d := began.Date(); from.Before(b.Began) && from.Equal(time.Date(y, m, d, 0, 0, 0, 0, b.zone)) {
		return time.Time{}, to, nil // the day on which the bath began
	}
	if from.After(to) {
		return from, to, wrongWords("give the earlier day as --from", "the books cannot open on %s and close on %s", from.In(b.zone).Format("2 Jan 2006 15:04"), to.In(b.zone).Format("2 Jan 2006 15:04"))
	}
	if from.Before(b.Began) {
		return from, to, refused("leave --from out to begin with the bath", "bath %s begins on %s, after %s", b.Name, began.Format("2 Jan 2006"), from.In(b.zone).Format("2 Jan 2006"))
	}
	return from, to, nil
}
