package db

import (
	"context"
	"errors"
	"time"

	"github.com/jackc/pgx/v5"

	"steadybath/chem/journal"
)

const selectPrefix = `-- prefix
select f.number, f.entered, f.hash from steadybath.facts f
where f.bath = $1 and ($2::timestamptz is null or f.entered <= $2) order by f.number desc limit 1`

const selectRowsUpTo = `-- rows_up_to
select ` + rowColumns + ` from steadybath.facts f where f.bath = $1 and f.number <= $2 order by f.number`

const selectVoidsUpTo = `-- voids_up_to
select ` + rowColumns + ` from steadybath.facts f where f.bath = $1 and f.number <= $2 and f.kind = 'void' order by f.number`

// Prefix says how far the chain of a bath ("" for the shop) reached when only
// what had been entered by knownOn was there, or reaches where that is zero. A
// chain that had not begun has no facts and no head.
func (s *Store) Prefix(ctx context.Context, bath string, knownOn time.Time) (Bath, error) {
	b := Bath{Name: bath}
	var until *time.Time
	if !knownOn.IsZero() {
		until = &knownOn
	}
	err := s.pool.QueryRow(ctx, selectPrefix, bath, until).Scan(&b.Facts, &b.Entered, &b.Head)
	if err != nil && !errors.Is(err, pgx.ErrNoRows) {
		return b, explain("look how far the chain reaches", ended(ctx, err))
	}
	return b, nil
}

// EachOf hands out the first facts of one bath ("" for the shop) up to a number,
// in the order of entry and without holding them in memory: two calls with the
// same number see the same facts, whatever is entered meanwhile. An error of
// yield ends it and comes back as it is.
func (s *Store) EachOf(ctx context.Context, bath string, upTo int64, yield func(journal.Row) error) error {
	return s.handOut(ctx, selectRowsUpTo, bath, upTo, yield)
}

// VoidsOf returns the voids among the first facts of one bath up to a number.
func (s *Store) VoidsOf(ctx context.Context, bath string, upTo int64) ([]journal.Row, error) {
	out := []journal.Row{}
	err := s.handOut(ctx, selectVoidsUpTo, bath, upTo, func(r journal.Row) error {
		out = append(out, r)
		return nil
	})
	return out, err
}

func (s *Store) handOut(ctx context.Context, sql, bath string, upTo int64, yield func(journal.Row) error) error {
	var stopped error
	err := s.each(ctx, sql, []any{bath, upTo}, func(r journal.Row) error {
		stopped = yield(r)
		return stopped
	})
	if stopped != nil {
		return stopped
	}
	return explain("read the facts", err)
}
