package main

import (
	"errors"
	"fmt"
	"iter"

	"github.com/urfave/cli/v2"

	"steadybath/chem/journal"
	"steadybath/reports"
)

// runVerify walks the chain that --bath or --shop names, or every one.
func runVerify(s *session, c *cli.Context) error {
	store, err := s.open(c)
	if err != nil {
		return err
	}
	var names []string
	switch {
	case c.Bool("shop"):
		names = []string{""}
	case c.String("bath") != "":
		name, err := s.bathName(c)
		if err != nil {
			return err
		}
		names = []string{name}
	default:
		all, err := store.Baths(c.Context)
		if err != nil {
			return err
		}
		for _, b := range all {
			names = append(names, b.Name)
		}
		if len(names) == 0 {
			_, err := s.bathName(c)
			return err
		}
	}
	var chains []reports.VerifiedChain
	for _, name := range names {
		v, err := s.verify(c, name)
		if err != nil {
			return err
		}
		chains = append(chains, v)
	}
	if c.Bool("json") {
		err = reports.VerifiedJSON(s.stdout, chains)
	} else {
		err = reports.Verified(s.stdout, chains)
	}
	if err != nil {
		return err
	}
	for _, v := range chains {
		if v.Broken != nil {
			return refused("the record was changed behind the tool's back; compare with an export or a printed chain head", "%s: %v", v.Title(), v.Broken)
		}
	}
	return nil
}

// verify re-renders every row of a chain from its columns.
func (s *session) verify(c *cli.Context, name string) (reports.VerifiedChain, error) {
	v := reports.VerifiedChain{Bath: name}
	var stopped error
	rows := iter.Seq2[journal.Row, error](func(yield func(journal.Row, error) bool) {
		stopped = s.store.EachRow(c.Context, []string{name}, func(r journal.Row) error {
			if !yield(r, nil) {
				return errStop
			}
			return nil
		})
	})
	var err error
	v.Facts, v.Head, err = journal.Verify("", rows)
	if stopped != nil && !errors.Is(stopped, errStop) {
		return v, stopped
	}
	if err != nil && !errors.As(err, &v.Broken) {
		return v, fmt.Errorf("%s: %w", v.Title(), err)
	}
	if v.Broken != nil {
		err = s.tell(c, v)
	}
	return v, err
}

// tell finds out which column the first fact that does not fit was changed in.
func (s *session) tell(c *cli.Context, v reports.VerifiedChain) error {
	seen, next := &journal.Seen{}, (*journal.Row)(nil)
	err := s.store.EachOf(c.Context, v.Bath, v.Broken.Number+1, func(r journal.Row) error {
		if r.Number > v.Broken.Number {
			next = &r
		} else if r.Number < v.Broken.Number {
			seen.Add(r)
		}
		return nil
	})
	v.Broken.Tell(seen, next)
	return err
}
