package main

import (
	"bytes"
	"context"
	"fmt"

	"github.com/urfave/cli/v2"

	"steadybath/chem/dose"
	"steadybath/chem/estimate"
	"steadybath/db"
	"steadybath/reports"
)

// keepAdvice keeps a plan that was shown, with the estimate and the version that
// it rested on. A plan for another time or with less known is only a question,
// and one that asks what cron should mail is shown to nobody. That it cannot be
// kept is said and changes nothing about the answer.
func (s *session) keepAdvice(ctx context.Context, c *cli.Context, b *bathFile, e *estimate.Estimate, plan *dose.Plan) {
	for _, f := range []string{"check", "at", "known-on", "target", "only", "coldest"} {
		if c.IsSet(f) {
			return
		}
	}
	var todo, state bytes.Buffer
	err := reports.DoseJSON(&todo, plan, b.head)
	if err == nil {
		err = reports.StateJSON(&state, e, b.head)
	}
	if err == nil {
		err = s.store.KeepAdvice(ctx, db.Advice{Bath: b.Name, At: e.At, Version: version, Head: b.head, Plan: todo.Bytes(), State: state.Bytes()})
	}
	if err != nil {
		fmt.Fprintf(s.stderr, "this advice is not kept: %s\n", oneLine(err.Error()))
	}
}
