package db

import (
	"context"
	"encoding/json"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// Advice is a plan that was shown to somebody who may act on it.
type Advice struct {
	ID      uuid.UUID
	Bath    string
	At      time.Time // the moment that the plan is for
	Entered time.Time // when it was shown; set by the database
	By      string    // whom it was shown to; set by the database
	Version string    // of the tool
	Head    string    // hash of the last fact it rests on
	Plan    json.RawMessage
	State   json.RawMessage
}

const mayKeepAdvice = `-- may_keep_advice
select has_table_privilege('steadybath.advice', 'insert') and not pg_is_in_recovery()`

const insertAdvice = `-- insert_advice
insert into steadybath.advice (bath, at, version, head, plan, state) values ($1, $2, $3, $4, $5::text::json, $6::text::json)`

const selectAdvice = `-- advice
select a.id, a.bath, a.at, a.entered, a.by, a.version, a.head, a.plan::text, a.state::text
from steadybath.advice a where a.bath = $1 order by a.entered, a.id`

// KeepAdvice keeps a plan with what it rested on; who and when are the
// database's. It does nothing where the user may only read.
func (s *Store) KeepAdvice(ctx context.Context, a Advice) error {
	var may bool
	if err := s.pool.QueryRow(ctx, mayKeepAdvice).Scan(&may); err != nil {
		return explain("keep the advice", ended(ctx, err))
	}
	if !may {
		return nil
	}
	if _, err := s.pool.Exec(ctx, insertAdvice, a.Bath, a.At, a.Version, a.Head, string(a.Plan), string(a.State)); err != nil {
		return explain("keep the advice", ended(ctx, err))
	}
	return nil
}

// Advice lists what was advised about a bath, the oldest first. It is never nil.
func (s *Store) Advice(ctx context.Context, bath string) ([]Advice, error) {
	rows, _ := s.pool.Query(ctx, selectAdvice, bath)
	out, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (Advice, error) {
		var a Advice
		var plan, state string
		err := row.Scan(&a.ID, &a.Bath, &a.At, &a.Entered, &a.By, &a.Version, &a.Head, &plan, &state)
		a.Plan, a.State = json.RawMessage(plan), json.RawMessage(state)
		return a, err
	})
	if err != nil {
		return nil, explain("read the advice", ended(ctx, err))
	}
	return out, nil
}
