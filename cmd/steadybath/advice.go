package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"
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
	a, err := adviceOf(b, e, plan)
	if err == nil {
		err = s.store.KeepAdvice(ctx, a)
	}
	if err != nil {
		fmt.Fprintf(s.stderr, "this advice is not kept: %s\n", oneLine(err.Error()))
	}
}

// adviceOf is a plan as it is kept.
func adviceOf(b *bathFile, e *estimate.Estimate, plan *dose.Plan) (db.Advice, error) {
	var todo, state bytes.Buffer
	if err := reports.DoseJSON(&todo, plan, b.head); err != nil {
		return db.Advice{}, err
	}
	if err := reports.StateJSON(&state, e, b.head); err != nil {
		return db.Advice{}, err
	}
	return db.Advice{Bath: b.Name, At: e.At, Version: version, Head: b.head, Plan: todo.Bytes(), State: state.Bytes()}, nil
}

// carriedOut finds the advice that what goes in at a time carries out: the last
// that was shown since anything was entered, where it asked for the same things.
// Otherwise the plan of this very command is the advice, and kept with the facts.
// The id is zero where the user may keep none; shown is when the advice is
// for, where it had been shown before.
func (s *session) carriedOut(ctx context.Context, c *cli.Context, b *bathFile, e *estimate.Estimate, plan *dose.Plan, at time.Time) (id uuid.UUID, shown time.Time, err error) {
	may, err := s.store.MayKeepAdvice(ctx)
	if err != nil || !may {
		return uuid.Nil, time.Time{}, err
	}
	if !c.IsSet("target") && !c.IsSet("coldest") {
		last, found, err := s.store.LastAdvice(ctx, b.Name, b.head)
		if err != nil {
			return uuid.Nil, time.Time{}, err
		}
		if found && !startOfDay(last.At.In(b.zone)).After(at) && asksFor(last, plan) {
			return last.ID, last.At, nil
		}
	}
	a, err := adviceOf(b, e, plan)
	if err != nil {
		return uuid.Nil, time.Time{}, err
	}
	if a.ID, err = uuid.NewV7(); err != nil {
		return uuid.Nil, time.Time{}, err
	}
	b.advice = []db.Advice{a}
	return a.ID, time.Time{}, nil
}

func startOfDay(t time.Time) time.Time {
	return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, t.Location())
}

// asksFor tells whether advice asks for everything that a plan does.
func asksFor(a db.Advice, plan *dose.Plan) bool {
	type addition struct {
		Material string `json:"material"`
	}
	var was struct {
		Additions []addition `json:"additions"`
		Bail      *struct{}  `json:"bail"`
	}
	if json.Unmarshal(a.Plan, &was) != nil || plan.Bail > 0 && was.Bail == nil {
		return false
	}
	for _, p := range plan.Additions {
		if !slices.ContainsFunc(was.Additions, func(w addition) bool { return w.Material == p.Material.Name }) {
			return false
		}
	}
	return true
}
