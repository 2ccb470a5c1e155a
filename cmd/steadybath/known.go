package main

import (
	"errors"
	"time"

	"github.com/urfave/cli/v2"

	"steadybath/chem"
	"steadybath/chem/journal"
)

// knownMoment is the moment that --known-on stands for. It is found once in a
// command: all chains that an answer rests on are cut at the same moment, those of
// other baths and of the shop too, whatever their zones make of a day.
type knownMoment struct {
	typed string
	at    time.Time
}

// errNotKnownThen tells that a bath began later than --known-on.
var errNotKnownThen = errors.New("not known then")

func notKnownThen(bath string) error {
	return &problem{status: statusRefused, what: "bath " + bath + " was not known then", hint: "ask without --known-on, or with a later day", cause: errNotKnownThen}
}

// knownOn reads --known-on, the zero time where it is not given. A day alone ends
// in the zone.
func (s *session) knownOn(c *cli.Context, zone *time.Location) (time.Time, error) {
	on := c.String("known-on")
	if on == "" {
		return time.Time{}, nil
	}
	if s.moment.typed == on {
		return s.moment.at, nil
	}
	until, err := s.readKnownOn(c, zone)
	if err != nil {
		return time.Time{}, err
	}
	s.moment = knownMoment{on, until}
	return until, nil
}

func (s *session) readKnownOn(c *cli.Context, zone *time.Location) (time.Time, error) {
	on := c.String("known-on")
	now, err := s.now()
	if err != nil {
		return time.Time{}, err
	}
	until, err := chem.ParseTime(on, now, zone, true)
	if err != nil {
		return time.Time{}, wrongWords("", "--known-on: %v", err)
	}
	today, err := chem.ParseTime("today", now, zone, true)
	if err != nil || !until.After(today) {
		return until, err
	}
	store, err := s.open(c)
	if err != nil {
		return time.Time{}, err
	}
	all, err := store.Baths(c.Context)
	if err != nil {
		return time.Time{}, err
	}
	for _, b := range all { // a database may be ahead of the clock here
		if !until.After(b.Entered) {
			return until, nil
		}
	}
	return time.Time{}, refused("leave --known-on out for all that is known now", "--known-on: %s lies in the future; what will be entered by then is not known", on)
}

// knownThen leaves of rows what had been entered by --known-on, where that is
// given.
func (s *session) knownThen(c *cli.Context, rows []journal.Row, zone *time.Location) ([]journal.Row, error) {
	until, err := s.knownOn(c, zone)
	if err != nil || until.IsZero() {
		return rows, err
	}
	n := 0
	for n < len(rows) && !rows[n].Entered.After(until) {
		n++
	}
	return rows[:n], nil
}

// bathZone is the zone of a bath, without reading the bath.
func (s *session) bathZone(c *cli.Context, name string) (*time.Location, error) {
	rows, err := s.store.RowsOfKinds(c.Context, name, string(chem.KindBath))
	if err != nil {
		return nil, err
	}
	return zoneOf(rows)
}

// begunBy leaves of the baths those that had begun by --known-on, where that is
// given: a question about then must not be asked which of the later ones is meant.
func (s *session) begunBy(c *cli.Context, names []string) ([]string, error) {
	if c.String("known-on") == "" || len(names) == 0 {
		return names, nil
	}
	var then []string
	for _, n := range names {
		zone, err := s.bathZone(c, n)
		if err != nil {
			return nil, err
		}
		until, err := s.readKnownOn(c, zone)
		if err != nil {
			return nil, err
		}
		was, err := s.store.Prefix(c.Context, n, until)
		if err != nil {
			return nil, err
		}
		if was.Facts > 0 {
			then = append(then, n)
		}
	}
	return then, nil
}

// otherBath reads a bath beside the one that is asked about; ok is false where it
// was not known then.
func (s *session) otherBath(c *cli.Context, name string) (b *bathFile, ok bool, err error) {
	b, err = s.bathNamed(c, name)
	if errors.Is(err, errNotKnownThen) {
		return nil, false, nil
	}
	return b, err == nil, err
}
