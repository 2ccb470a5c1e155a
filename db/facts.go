package db

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync/atomic"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"steadybath/chem"
	"steadybath/chem/journal"
)

// Bath is what the store says about a chain without reading it.
type Bath struct {
	Name    string    // "" is the shop: titrants and stock
	Facts   int64     // how many, voided ones included
	Entered time.Time // of the last one
	Head    string    // hash of the last one
}

// Entry is a stored row, and whether it had been there before.
type Entry struct {
	journal.Row
	Known bool // entered earlier under the same id with the same content
}

// rowColumns are read in the order of scanRow. Numbers and JSON come as the
// text they were typed as.
const rowColumns = `f.number, f.time, f.bath, f.kind, f.subject, coalesce(f.value::text, ''), f.unit, coalesce(f.u::text, ''), f.note, f.id, f.entered, f.by, coalesce(f.more::text, ''), f.hash`

// Numbers have no gaps, so the last one is the count; the recursion steps from
// bath to bath in the key instead of reading every fact.
const selectBaths = `-- baths
with recursive names as (
  (select f.bath from steadybath.facts f order by f.bath limit 1)
  union all
  select (select f.bath from steadybath.facts f where f.bath > n.bath order by f.bath limit 1) from names n where n.bath is not null
)
select n.bath, last.number, last.entered, last.hash
from names n cross join lateral (
  select f.number, f.entered, f.hash from steadybath.facts f where f.bath = n.bath order by f.number desc limit 1
) last
order by n.bath`

const selectLastNumber = `-- last_number
select coalesce((select f.number from steadybath.facts f where f.bath = $1 order by f.number desc limit 1), 0)`

const selectRows = `-- rows_of_bath
select ` + rowColumns + ` from steadybath.facts f where f.bath = $1 order by f.number`

const selectRowsKnownOn = `-- rows_of_bath_known_on
select ` + rowColumns + ` from steadybath.facts f where f.bath = $1 and f.entered <= $2 order by f.number`

const selectRowsOfBaths = `-- rows_of_baths
select ` + rowColumns + ` from steadybath.facts f where f.bath = any($1) order by f.bath, f.number`

const selectAllRows = `-- all_rows
select ` + rowColumns + ` from steadybath.facts f order by f.bath, f.number`

const selectRowByID = `-- row_by_id
select ` + rowColumns + ` from steadybath.facts f where f.bath = $1 and f.id = $2`

// Locks are taken in one order whatever the order of the facts, so that two
// entries into the same baths cannot wait for each other.
const lockBaths = `-- lock_baths
select pg_advisory_xact_lock(steadybath.lock_key(b.bath))
from (select distinct w.bath collate "C" as bath from unnest($1::text[]) as w(bath) order by 1) b`

const selectKnown = `-- known_facts
select ` + rowColumns + ` from unnest($1::text[], $2::uuid[]) as w(bath, id)
join steadybath.facts f on f.bath = w.bath collate "C" and f.id = w.id`

const insertFact = `-- insert_fact
insert into steadybath.facts (bath, time, kind, subject, value, unit, u, note, id, more)
values ($1, $2, $3, $4, nullif($5::text, '')::numeric, $6, nullif($7::text, '')::numeric, $8, $9, nullif($10::text, '')::json)
returning number, entered, by, hash`

// Baths lists the chains by name, the shop's first where it has one. It is
// never nil.
func (s *Store) Baths(ctx context.Context) ([]Bath, error) {
	rows, _ := s.pool.Query(ctx, selectBaths)
	baths, err := pgx.CollectRows(rows, scanBath)
	if err != nil {
		return nil, explain("list the baths", ended(ctx, err))
	}
	return baths, nil
}

func scanBath(row pgx.CollectableRow) (Bath, error) {
	var b Bath
	err := row.Scan(&b.Name, &b.Facts, &b.Entered, &b.Head)
	return b, err
}

// Rows returns the facts of one bath ("" for the shop) in the order of entry;
// with knownOn only what had been entered by then. A bath that is not there
// has none.
func (s *Store) Rows(ctx context.Context, bath string, knownOn time.Time) ([]journal.Row, error) {
	sql, args := selectRows, []any{bath}
	if !knownOn.IsZero() {
		sql, args = selectRowsKnownOn, append(args, knownOn)
	}
	// Rows are large: letting the slice grow takes longer than reading them.
	var last int64
	if err := s.pool.QueryRow(ctx, selectLastNumber, bath).Scan(&last); err != nil {
		return nil, explain("read the facts", ended(ctx, err))
	}
	out := make([]journal.Row, 0, last)
	err := s.each(ctx, sql, args, func(r journal.Row) error {
		out = append(out, r)
		return nil
	})
	if err != nil {
		return nil, explain("read the facts", err)
	}
	return out, nil
}

// EachRow hands out the facts of the given baths, or of all with the shop's
// where none are given, bath by bath in the order of entry, all as of one
// moment and without holding them in memory. An error of yield ends it and
// comes back as it is.
func (s *Store) EachRow(ctx context.Context, baths []string, yield func(journal.Row) error) error {
	sql, args := selectAllRows, []any{}
	if len(baths) > 0 {
		sql, args = selectRowsOfBaths, []any{baths}
	}
	var stopped error
	err := s.each(ctx, sql, args, func(r journal.Row) error {
		stopped = yield(r)
		return stopped
	})
	if stopped != nil {
		return stopped
	}
	return explain("read the facts", err)
}

// Row returns the fact of a bath with the given id, and whether there is one.
func (s *Store) Row(ctx context.Context, bath string, id uuid.UUID) (journal.Row, bool, error) {
	var found journal.Row
	var ok bool
	err := s.each(ctx, selectRowByID, []any{bath, [16]byte(id)}, func(r journal.Row) error {
		found, ok = r, true
		return nil
	})
	return found, ok, explain("look for the fact", err)
}

func (s *Store) each(ctx context.Context, sql string, args []any, yield func(journal.Row) error) error {
	rows, err := s.pool.Query(ctx, sql, args...)
	if err == nil {
		err = eachRow(rows, yield)
	}
	return ended(ctx, err)
}

// ended returns why ctx ended, where it did, instead of what the driver made of
// it: a connection closed in the middle of something has many names.
func ended(ctx context.Context, err error) error {
	if err != nil && ctx.Err() != nil {
		return ctx.Err()
	}
	return err
}

func eachRow(rows pgx.Rows, yield func(journal.Row) error) error {
	defer rows.Close()
	var r journal.Row
	var id [16]byte
	into := []any{&r.Number, &r.Time, &r.Bath, &r.Kind, &r.Subject, &r.Value, &r.Unit, &r.U, &r.Note, &id, &r.Entered, &r.By, &r.More, &r.Hash}
	for rows.Next() {
		if err := rows.Scan(into...); err != nil {
			return err
		}
		r.ID = id
		if err := yield(r); err != nil {
			return err
		}
	}
	return rows.Err()
}

// RowError says which of the rows given to Append was refused.
type RowError struct {
	Index int // in the argument, from 0
	Row   journal.Row
	Err   error
}

// Error is the refusal alone, without the index where there was one row only.
func (e *RowError) Error() string {
	if e.Row.Bath != "" {
		return fmt.Sprintf("%s in bath %q: %v", e.Row.Kind, e.Row.Bath, e.Err)
	}
	return fmt.Sprintf("%s: %v", e.Row.Kind, e.Err)
}

// Unwrap returns the refusal.
func (e *RowError) Unwrap() error { return e.Err }

// Append enters facts in the order given, all or none. Each needs an id; number,
// entered, by and hash are the database's and not looked at. A fact that is
// there already under its id with the same content is not entered again and
// comes back Known; with other content nothing is entered (ErrOtherFact). Where
// one fact is at fault the error is a *RowError; a *MaybeWritten means that
// nobody knows. Times are cut to microseconds. Advice that the facts carry out
// and that was not kept before is kept with them; it needs an id.
func (s *Store) Append(ctx context.Context, rows []journal.Row, advice ...Advice) ([]Entry, error) {
	if len(rows) == 0 {
		return []Entry{}, nil
	}
	out := make([]Entry, len(rows))
	baths, ids, idBytes := make([]string, len(rows)), make([]uuid.UUID, len(rows)), make([][16]byte, len(rows))
	for i, r := range rows {
		r.Time = r.Time.UTC().Truncate(time.Microsecond)
		if err := checkText(r); err != nil {
			return nil, &RowError{i, r, err}
		}
		if r.ID == uuid.Nil {
			return nil, &RowError{i, r, errors.New(sentences["facts_id_given"])}
		}
		baths[i], ids[i], idBytes[i] = r.Bath, r.ID, r.ID
		out[i].Row = r
	}
	maybe, err := s.inTx(ctx, func(tx pgx.Tx) error {
		known, err := lockAndLook(ctx, tx, baths, idBytes)
		if err != nil {
			return err
		}
		for _, a := range advice {
			if _, err := tx.Exec(ctx, insertAdvice, a.insertArgs()...); err != nil {
				return err
			}
		}
		batch := &pgx.Batch{}
		var queued []int
		for i := range out {
			r := out[i].Row
			key := chainID{r.Bath, r.ID}
			if before, ok := known[key]; ok {
				if !sameContent(before, r) {
					return &RowError{i, r, fmt.Errorf("%w: %s", ErrOtherFact, r.ID)}
				}
				out[i] = Entry{before, true}
				continue
			}
			known[key] = r
			batch.Queue(insertFact, r.Bath, r.Time, r.Kind, r.Subject, r.Value, r.Unit, r.U, r.Note, [16]byte(r.ID), r.More)
			queued = append(queued, i)
		}
		results := tx.SendBatch(ctx, batch)
		for _, i := range queued {
			r := &out[i].Row
			if err := results.QueryRow().Scan(&r.Number, &r.Entered, &r.By, &r.Hash); err != nil {
				_ = results.Close()
				return &RowError{i, *r, explain("enter the fact", err)}
			}
		}
		return results.Close()
	})
	if maybe {
		return nil, &MaybeWritten{IDs: ids, Cause: err}
	}
	var row *RowError
	if errors.As(err, &row) {
		return nil, err
	}
	if err != nil {
		return nil, explain("enter the facts", err)
	}
	// A fact given twice in one call was entered once.
	for i := range out {
		if out[i].Known && out[i].Number == 0 {
			for _, first := range out {
				if first.ID == out[i].ID && first.Bath == out[i].Bath && first.Number > 0 {
					out[i].Row = first.Row
				}
			}
		}
	}
	return out, nil
}

type chainID struct {
	bath string
	id   uuid.UUID
}

// lockAndLook takes the locks of the baths and returns the facts that have one
// of the ids. They go in one round trip; each statement sees what was
// committed when it began, so the second one what the holders before us wrote.
func lockAndLook(ctx context.Context, tx pgx.Tx, baths []string, ids [][16]byte) (map[chainID]journal.Row, error) {
	batch := &pgx.Batch{}
	batch.Queue(lockBaths, baths)
	batch.Queue(selectKnown, baths, ids)
	results := tx.SendBatch(ctx, batch)
	defer results.Close()
	if _, err := results.Exec(); err != nil {
		return nil, err
	}
	rows, err := results.Query()
	if err != nil {
		return nil, err
	}
	known := map[chainID]journal.Row{}
	return known, eachRow(rows, func(r journal.Row) error {
		known[chainID{r.Bath, r.ID}] = r
		return nil
	})
}

// sameContent compares what was said, not when or by whom it was entered.
func sameContent(a, b journal.Row) bool {
	return a.Time.Equal(b.Time) && a.Bath == b.Bath && a.Kind == b.Kind && a.Subject == b.Subject && a.Value == b.Value &&
		a.Unit == b.Unit && a.U == b.U && a.Note == b.Note && a.ID == b.ID && a.More == b.More
}

// checkText refuses what the database would answer with a riddle, or would
// store other than it was given.
func checkText(r journal.Row) error {
	for _, f := range [...]struct{ name, text string }{
		{"bath", r.Bath}, {"kind", r.Kind}, {"subject", r.Subject}, {"unit", r.Unit}, {"note", r.Note}, {"by", r.By}, {"more", r.More},
	} {
		if !utf8.ValidString(f.text) {
			return fmt.Errorf("the column %s is not valid UTF-8", f.name)
		}
		if strings.ContainsRune(f.text, 0) {
			return fmt.Errorf("the column %s holds a NUL character", f.name)
		}
	}
	for _, f := range [...]struct{ name, text string }{{"value", r.Value}, {"u", r.U}} {
		if f.text == "" {
			continue
		}
		if d, err := chem.ParseDecimal(f.text); err != nil || string(d) != f.text {
			return fmt.Errorf("the column %s holds %q, which is not a plain decimal number", f.name, f.text)
		}
	}
	if r.Time.IsZero() {
		return errors.New("the time is missing")
	}
	if r.More != "" && (r.More[0] != '{' || strings.ContainsAny(r.More, "\n\r") || !json.Valid([]byte(r.More))) {
		return errors.New(sentences["facts_more"])
	}
	return nil
}

// commitGrace is how long an answer to a commit is waited for after the caller
// has given up: asking again is cheaper than not knowing.
const commitGrace = 5 * time.Second

// inTx runs fn in a transaction and commits where it returns nil. maybe tells
// that the commit was sent and its outcome is unknown; the error then says what
// broke. After any other error nothing was written.
func (s *Store) inTx(ctx context.Context, fn func(pgx.Tx) error) (maybe bool, err error) {
	if err := s.mayWrite(); err != nil {
		return false, err
	}
	tx, err := s.pool.BeginTx(ctx, pgx.TxOptions{IsoLevel: pgx.ReadCommitted, AccessMode: pgx.ReadWrite})
	if err != nil {
		return false, ended(ctx, err)
	}
	err = fn(tx)
	if err == nil {
		err = ctx.Err()
	}
	if err != nil {
		away, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
		defer cancel()
		_ = tx.Rollback(away)
		return false, ended(ctx, err)
	}
	if tx.Conn().IsClosed() {
		return false, io.ErrUnexpectedEOF
	}
	last, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	stop := context.AfterFunc(ctx, func() { time.AfterFunc(commitGrace, cancel) })
	defer stop()
	unconfirmed := &atomic.Bool{}
	tx.Conn().PgConn().CustomData()[commitWarned] = unconfirmed
	err = tx.Commit(last)
	if err == nil && unconfirmed.Load() {
		err = errUnconfirmed
	}
	return err != nil && !surelyNotCommitted(err), err
}

// commitWarned is where a connection keeps, from a commit on, whether the
// server warned of something.
const commitWarned = "steadybath.commit_warned"

// errUnconfirmed is a commit whose wait for the standby somebody broke off with
// pg_cancel_backend: the server then says that it is done, and warns that a
// failover may lose it.
var errUnconfirmed = errors.New("the standby has not confirmed it")

// noteWarning is told of what the server says beside its answers. Its message
// is in the server's language; there is no other warning at a commit here.
func noteWarning(conn *pgconn.PgConn, n *pgconn.Notice) {
	if warned, ok := conn.CustomData()[commitWarned].(*atomic.Bool); ok && n.SeverityUnlocalized == "WARNING" && n.Code == "01000" {
		warned.Store(true)
	}
}

// surelyNotCommitted tells whether a commit that was sent left nothing behind:
// only where the server said so itself and the session went on. A fatal error
// ends the session at a moment that may lie after the commit. What pgx says of
// errors being safe to retry is no help: where the connection breaks after a
// commit was sent, its answer is "conn closed", safe (5.12.0).
func surelyNotCommitted(err error) bool {
	var pg *pgconn.PgError
	return errors.Is(err, pgx.ErrTxCommitRollback) || errors.As(err, &pg) && pg.SeverityUnlocalized == "ERROR"
}
