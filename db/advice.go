package db

import (
	"context"
	"encoding/json"
	"errors"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// Advice is a plan that was shown to somebody who may act on it.
type Advice struct {
	ID      uuid.UUID // the database's where it is zero
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
insert into steadybath.advice (id, bath, at, version, head, plan, state)
values (coalesce(nullif($1::uuid, '00000000-0000-0000-0000-000000000000'), gen_random_uuid()), $2, $3, $4, $5, $6::text::json, $7::text::json)`

const adviceColumns = `a.id, a.bath, a.at, a.entered, a.by, a.version, a.head, a.plan::text, a.state::text`

const selectAdvice = `-- advice
select ` + adviceColumns + ` from steadybath.advice a where a.bath = $1 order by a.entered, a.id`

const selectLastAdvice = `-- last_advice
select ` + adviceColumns + ` from steadybath.advice a where a.bath = $1 and a.head = $2 order by a.entered desc, a.id desc limit 1`

func (a Advice) insertArgs() []any {
	return []any{[16]byte(a.ID), a.Bath, a.At, a.Version, a.Head, string(a.Plan), string(a.State)}
}

// MayKeepAdvice tells whether the user may keep advice: a reader may not.
func (s *Store) MayKeepAdvice(ctx context.Context) (bool, error) {
	var may bool
	if err := s.pool.QueryRow(ctx, mayKeepAdvice).Scan(&may); err != nil {
		return false, explain("keep the advice", ended(ctx, err))
	}
	return may, nil
}

// KeepAdvice keeps a plan with what it rested on; who and when are the
// database's. It does nothing where the user may only read.
func (s *Store) KeepAdvice(ctx context.Context, a Advice) error {
	may, err := s.MayKeepAdvice(ctx)
	if err != nil || !may {
		return err
	}
	if _, err := s.pool.Exec(ctx, insertAdvice, a.insertArgs()...); err != nil {
		return explain("keep the advice", ended(ctx, err))
	}
	return nil
}

// Advice lists what was advised about a bath, the oldest first. It is never nil.
func (s *Store) Advice(ctx context.Context, bath string) ([]Advice, error) {
	rows, _ := s.pool.Query(ctx, selectAdvice, bath)
	out, err := pgx.CollectRows(rows, scanAdvice)
	if err != nil {
		return nil, explain("read the advice", ended(ctx, err))
	}
	return out, nil
}

// LastAdvice is the newest advice about a bath that rests on the fact with the
// hash head, and whether there is one.
func (s *Store) LastAdvice(ctx context.Context, bath, head string) (Advice, bool, error) {
	rows, _ := s.pool.Query(ctx, selectLastAdvice, bath, head)
	a, err := pgx.CollectExactlyOneRow(rows, scanAdvice)
	if errors.Is(err, pgx.ErrNoRows) {
		return Advice{}, false, nil
	}
	if err != nil {
		return Advice{}, false, explain("read the advice", ended(ctx, err))
	}
	return a, true, nil
}

func scanAdvice(row pgx.CollectableRow) (Advice, error) {
	var a Advice
	var plan, state string
	err := row.Scan(&a.ID, &a.Bath, &a.At, &a.Entered, &a.By, &a.Version, &a.Head, &plan, &state)
	a.Plan, a.State = json.RawMessage(plan), json.RawMessage(state)
	return a, err
}
