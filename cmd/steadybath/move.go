package main

import (
	"errors"
	"iter"

	"github.com/urfave/cli/v2"

	"steadybath/chem/journal"
)

func runVerify(s *session, c *cli.Context) error {
	name, who, err := "", "the shop", error(nil)
	if c.Bool("shop") {
		_, err = s.open(c)
	} else {
		name, err = s.bathName(c)
		who = "bath " + name
	}
	if err != nil {
		return err
	}
	var stopped error
	rows := iter.Seq2[journal.Row, error](func(yield func(journal.Row, error) bool) {
		stopped = s.store.EachRow(c.Context, []string{name}, func(r journal.Row) error {
			if !yield(r, nil) {
				return errStop
			}
			return nil
		})
	})
	count, head, err := journal.Verify("", rows)
	if stopped != nil && !errors.Is(stopped, errStop) {
		return stopped
	}
	if err != nil {
		return refused("the record was changed behind the tool's back; compare with an export or a printed chain head", "%s: %v", who, err)
	}
	if c.Bool("json") {
		return s.printJSON(struct {
			Bath  string `json:"bath"`
			Facts int64  `json:"facts"`
			Whole bool   `json:"whole"`
			Head  string `json:"head"`
		}{name, count, true, head})
	}
	return say(s.stdout, "%s: all %d facts fit the chain, head %s", who, count, head)
}

var errStop = errors.New("stop")
