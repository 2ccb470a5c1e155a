package db

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"steadybath/chem/journal"
)

// Imported says what an import did.
type Imported struct {
	Read  int64          // rows of the journal
	New   int64          // entered; the notes of the import itself are not counted
	Known int64          // there already, or twice in the journal
	Baths []ImportedBath // by name, the shop first; never nil
}

// ImportedBath is the part of one chain.
type ImportedBath struct {
	Bath      string
	New       int64
	Known     int64
	Claimed   bool // new rows came with a hash, who entered them and when
	TakenOver bool // and these were kept, since the chain was whole and continued the bath's
}

// LineError names a row of a journal that was refused.
type LineError struct {
	Line   int    // of the file, from 1
	Column string // as in journal.Columns; empty where the row as a whole is wrong
	Why    string
}

// Error is one sentence: the line, the column, what is wrong.
func (e LineError) Error() string {
	if e.Column == "" {
		return fmt.Sprintf("line %d: %s", e.Line, e.Why)
	}
	return fmt.Sprintf("line %d, column %s: %s", e.Line, e.Column, e.Why)
}

// ImportError says why nothing of a journal was entered.
type ImportError struct {
	Lines []LineError // in the order of the file, at most maxLines
	More  bool        // there are others
}

// Error is one line per bad row.
func (e *ImportError) Error() string {
	lines := make([]string, len(e.Lines))
	for i, l := range e.Lines {
		lines[i] = l.Error()
	}
	if e.More {
		lines = append(lines, "and more")
	}
	return strings.Join(lines, "\n")
}

// Hint says that nothing was written.
func (e *ImportError) Hint() string {
	return "nothing was entered; put these rows right and import the journal again"
}

const (
	maxLines   = 100  // bad rows named before the rest is only counted on
	entryChunk = 2000 // rows entered between two calls of progress
	chainChunk = 500  // fewer, since these travel as one array
)

const createStaging = `-- create_staging
create temporary table staging (
  place bigint primary key,
  line bigint not null,
  bath text collate "C" not null,
  time timestamptz not null,
  kind text collate "C" not null,
  subject text not null,
  value text not null,
  unit text collate "C" not null,
  u text not null,
  note text not null,
  id uuid not null,
  derived boolean not null,
  base uuid not null,
  entered timestamptz,
  by text not null,
  more text not null,
  more_reentered text not null,
  hash text collate "C" not null
) on commit drop`

var stagingColumns = []string{"place", "line", "bath", "time", "kind", "subject", "value", "unit", "u", "note", "id", "derived", "base", "entered", "by", "more", "more_reentered", "hash"}

// stagedFact is a staged row as a fact, for the functions of the schema. Its
// fields are in the order of the table's columns.
const stagedFact = `row(s.bath, 2, s.time, s.kind, s.subject, nullif(s.value, '')::numeric, s.unit, nullif(s.u, '')::numeric, s.note, s.id, s.entered, s.by, nullif(s.more, '')::json, s.hash)::steadybath.facts`

// base is the id that a row would have as the first of its kind, so rows are of
// one kind where it is equal; only the others have to be derived here.
const deriveIDs = `-- derive_ids
update staging s set id = steadybath.derived_id(` + stagedFact + `, n.ordinal)
from (select t.place, row_number() over (partition by t.base order by t.place) as ordinal from staging t) n
where n.place = s.place and s.derived and n.ordinal > 1`

const lockStagedBaths = `-- lock_staged_baths
select pg_advisory_xact_lock(steadybath.lock_key(b.bath)) from (select distinct s.bath from staging s order by 1) b`

// sameMore takes two texts of more for equal where they differ only in what an
// earlier import noted of the row's origin.
const sameMore = `(%[1]s = %[2]s or (strpos(%[1]s || %[2]s, '"origin"') > 0
  and coalesce(nullif(%[1]s, ''), '{}')::jsonb - 'origin' = coalesce(nullif(%[2]s, ''), '{}')::jsonb - 'origin'))`

var otherThanStored = `-- other_than_stored
select s.line, f.number
from staging s join steadybath.facts f on f.bath = s.bath and f.id = s.id
where not (f.time = s.time and f.kind = s.kind and f.subject = s.subject and coalesce(f.value::text, '') = s.value and f.unit = s.unit
  and coalesce(f.u::text, '') = s.u and f.note = s.note and ` + fmt.Sprintf(sameMore, "coalesce(f.more::text, '')", "s.more") + `)
order by s.place limit $1`

var otherThanEarlier = `-- other_than_earlier
select s.line, s.first_line
from (select t.*, first_value(t.place) over w as first_place, first_value(t.line) over w as first_line
  from staging t window w as (partition by t.bath, t.id order by t.place)) s
join staging f on f.place = s.first_place
where s.place > s.first_place and not (f.time = s.time and f.kind = s.kind and f.subject = s.subject and f.value = s.value and f.unit = s.unit
  and f.u = s.u and f.note = s.note and ` + fmt.Sprintf(sameMore, "f.more", "s.more") + `)
order by s.place limit $1`

const createFresh = `-- create_fresh
create temporary table fresh on commit drop as
select s.place, s.line, s.bath, s.kind, s.id, s.subject, s.hash <> '' and s.by <> '' and s.entered is not null as claimed
from (select t.*, row_number() over (partition by t.bath, t.id order by t.place) as nth from staging t) s
where s.nth = 1 and not exists (select from steadybath.facts f where f.bath = s.bath and f.id = s.id)
order by s.place`

// Heads of the chains that the journal has rows of.
const createHeads = `-- create_heads
create temporary table heads on commit drop as
select b.bath, coalesce(last.number, 0) as number, last.entered, coalesce(last.hash, '') as hash
from (select distinct s.bath from staging s) b
left join lateral (
  select f.number, f.entered, f.hash from steadybath.facts f where f.bath = b.bath order by f.number desc limit 1
) last on true`

const noSuchBath = `-- no_such_bath
select first.line, first.bath from (
  select distinct on (f.bath) f.line, f.place, f.bath, f.kind from fresh f where f.bath <> '' order by f.bath, f.place
) first join heads h on h.bath = first.bath
where h.number = 0 and first.kind <> 'bath'
order by first.place limit $1`

const bathTwice = `-- bath_twice
select f.line, f.bath from fresh f join heads h on h.bath = f.bath
where f.kind = 'bath' and (h.number > 0 or exists (select from fresh e where e.bath = f.bath and e.kind = 'bath' and e.place < f.place))
order by f.place limit $1`

const voidsNothing = `-- voids_nothing
select v.line, v.subject from (
  select f.line, f.place, f.bath, f.subject,
    case when f.subject ~ '^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$' then f.subject::uuid end as target
  from fresh f where f.kind = 'void'
) v
where not exists (select from steadybath.facts f where f.bath = v.bath and f.id = v.target)
  and not exists (select from fresh e where e.bath = v.bath and e.id = v.target and e.place < v.place)
order by v.place limit $1`

const mayTakeOver = `-- may_take_over
select has_function_privilege(current_user, 'steadybath.take_over(steadybath.facts[])', 'execute')`

// A chain is taken over where all its new rows carry a hash, the first one
// continues the bath's head, and each continues the one before it.
const chainsToTakeOver = `-- chains_to_take_over
select l.bath from (
  select s.bath, s.hash, s.entered, coalesce(lag(s.hash) over w, h.hash) as before, coalesce(lag(s.entered) over w, h.entered) as entered_before,
    steadybath.line(` + stagedFact + `) as line
  from fresh f join staging s on s.place = f.place join heads h on h.bath = f.bath
  where f.bath in (select c.bath from fresh c group by c.bath having bool_and(c.claimed))
  window w as (partition by f.bath order by f.place)
) l
group by l.bath
having bool_and(l.hash = steadybath.chain(l.before, l.line) and (l.entered_before is null or l.entered > l.entered_before) and l.entered <= clock_timestamp())
order by l.bath`

const enterStaged = `-- enter_staged
insert into steadybath.facts (bath, time, kind, subject, value, unit, u, note, id, more)
select s.bath, s.time, s.kind, s.subject, nullif(s.value, '')::numeric, s.unit, nullif(s.u, '')::numeric, s.note, s.id, nullif(s.more_reentered, '')::json
from fresh f join staging s on s.place = f.place
where f.place > $1 and f.place <= $2 and f.bath <> all($3)
order by f.place`

const takeOverStaged = `-- take_over_staged
select coalesce(steadybath.take_over(array_agg(` + stagedFact + ` order by f.place)), 0)
from fresh f join staging s on s.place = f.place
where f.place > $1 and f.place <= $2 and f.bath = any($3)
having count(*) > 0`

const insertImportNote = `-- insert_import_note
insert into steadybath.facts (bath, time, kind, note, id) values ($1, clock_timestamp(), 'note', $2, $3)`

const importedBaths = `-- imported_baths
select h.bath, (select count(*) from fresh f where f.bath = h.bath), (select count(*) from staging s where s.bath = h.bath),
  coalesce((select bool_or(f.claimed) from fresh f where f.bath = h.bath), false),
  (select s.hash from fresh f join staging s on s.place = f.place where f.bath = h.bath order by f.place desc limit 1)
from heads h order by h.bath`

// Import enters a journal, whole or not at all, in the order of the file and in
// constant memory. next gives its rows (journal.Reader.Read fits) and ends with
// io.EOF; where it gives *journal.RowError, reading goes on so that every bad
// row can be named. progress, which may be nil, hears how many rows have been
// read and how many of them entered.
//
// A row whose id is there already with the same content adds nothing. Chains
// with hashes that continue what the bath holds go in as they are, where this
// database user may do that, followed by a note that says so; all other rows
// are entered now and by this user, and what they claimed goes to origin in
// more. Refusals come as *ImportError with the lines; errors of next's source
// come back as they are; *MaybeWritten means that nobody knows.
func (s *Store) Import(ctx context.Context, next func() (journal.Entry, error), progress func(read, entered int64)) (*Imported, error) {
	if progress == nil {
		progress = func(int64, int64) {}
	}
	rows := &stagingRows{next: func() (journal.Entry, error) {
		s.watch.reading.Store(true)
		defer s.watch.reading.Store(false)
		return next()
	}, progress: progress}
	var result *Imported
	maybe, err := s.inTx(ctx, func(tx pgx.Tx) error {
		var err error
		result, err = importInto(ctx, tx, rows, progress)
		return err
	})
	if maybe {
		return nil, &MaybeWritten{Cause: err}
	}
	if err == nil {
		return result, nil
	}
	var lines *ImportError
	if errors.As(err, &lines) || rows.source != nil && errors.Is(err, rows.source) {
		return nil, err
	}
	return nil, explain("import the journal", err)
}

func importInto(ctx context.Context, tx pgx.Tx, rows *stagingRows, progress func(int64, int64)) (*Imported, error) {
	if _, err := tx.Exec(ctx, createStaging); err != nil {
		return nil, err
	}
	read, err := tx.CopyFrom(ctx, pgx.Identifier{"staging"}, stagingColumns, rows)
	if rows.source != nil {
		return nil, rows.source
	}
	if len(rows.bad) > 0 {
		return nil, &ImportError{Lines: rows.bad, More: rows.moreBad}
	}
	if err != nil {
		return nil, err
	}
	progress(read, 0)
	for _, sql := range []string{"analyze staging", deriveIDs, lockStagedBaths, createHeads} {
		if _, err := tx.Exec(ctx, sql); err != nil {
			return nil, err
		}
	}
	if err := refuseOthers(ctx, tx); err != nil {
		return nil, err
	}
	for _, sql := range []string{createFresh, "alter table fresh add primary key (place)", "create index on fresh (bath, id)", "analyze fresh"} {
		if _, err := tx.Exec(ctx, sql); err != nil {
			return nil, err
		}
	}
	if err := refuseMisfits(ctx, tx); err != nil {
		return nil, err
	}
	taken := []string{}
	var may bool
	if err := tx.QueryRow(ctx, mayTakeOver).Scan(&may); err != nil {
		return nil, err
	}
	if may {
		found, _ := tx.Query(ctx, chainsToTakeOver)
		if taken, err = pgx.CollectRows(found, pgx.RowTo[string]); err != nil {
			return nil, err
		}
	}
	if err := enterAll(ctx, tx, read, taken, progress); err != nil {
		return nil, err
	}
	return finish(ctx, tx, read, taken)
}

// refuseOthers names rows whose id stands for something else.
func refuseOthers(ctx context.Context, tx pgx.Tx) error {
	var bad badLines
	var line int
	var number int64
	err := bad.collect(ctx, tx, otherThanStored, []any{&line, &number}, func() LineError {
		return LineError{line, "id", fmt.Sprintf("fact %d of the bath has this id and other content", number)}
	})
	if err != nil {
		return err
	}
	var first int
	err = bad.collect(ctx, tx, otherThanEarlier, []any{&line, &first}, func() LineError {
		return LineError{line, "id", fmt.Sprintf("line %d has the same id and other content", first)}
	})
	if err != nil {
		return err
	}
	return bad.err()
}

// refuseMisfits names rows that need what is not there.
func refuseMisfits(ctx context.Context, tx pgx.Tx) error {
	var bad badLines
	var line int
	var text string
	for _, q := range []struct {
		sql, column, why string
	}{
		{noSuchBath, "bath", "there is no bath %q; make it first, or begin its rows with one of kind bath"},
		{bathTwice, "bath", "there is a bath %q already"},
		{voidsNothing, "subject", "no earlier fact of the bath has the id %s"},
	} {
		err := bad.collect(ctx, tx, q.sql, []any{&line, &text}, func() LineError {
			return LineError{line, q.column, fmt.Sprintf(q.why, text)}
		})
		if err != nil {
			return err
		}
	}
	return bad.err()
}

type badLines []LineError

func (b *badLines) collect(ctx context.Context, tx pgx.Tx, sql string, into []any, line func() LineError) error {
	rows, err := tx.Query(ctx, sql, maxLines+1)
	if err != nil {
		return err
	}
	_, err = pgx.ForEachRow(rows, into, func() error {
		*b = append(*b, line())
		return nil
	})
	return err
}

func (b badLines) err() error {
	if len(b) == 0 {
		return nil
	}
	slices.SortStableFunc(b, func(x, y LineError) int { return x.Line - y.Line })
	return &ImportError{Lines: b[:min(len(b), maxLines)], More: len(b) > maxLines}
}

// enterAll enters the fresh rows chunk by chunk. Where a check of the table
// refuses one, it goes back to before the first and looks for the lines.
func enterAll(ctx context.Context, tx pgx.Tx, read int64, taken []string, progress func(int64, int64)) error {
	inner, err := tx.Begin(ctx)
	if err != nil {
		return err
	}
	enter := func() error {
		chunk := int64(entryChunk)
		if len(taken) > 0 {
			chunk = chainChunk
		}
		for from := int64(0); from < read; from += chunk {
			to := min(from+chunk, read)
			if len(taken) > 0 {
				if _, err := inner.Exec(ctx, takeOverStaged, from, to, taken); err != nil {
					return err
				}
			}
			if _, err := inner.Exec(ctx, enterStaged, from, to, taken); err != nil {
				return err
			}
			progress(read, to)
		}
		return nil
	}
	if err := enter(); err != nil {
		if rollback := inner.Rollback(ctx); rollback != nil {
			return err
		}
		return refusedLines(ctx, tx, err)
	}
	return inner.Commit(ctx)
}

const constraintText = `-- constraint_text
select pg_get_constraintdef(c.oid) from pg_constraint c
where c.conrelid = 'steadybath.facts'::regclass and c.conname = $1 and c.contype = 'c'`

// refusedLines asks the staged rows which of them break the check that a
// refusal names; the rule is read from the table, so that there is one of it.
func refusedLines(ctx context.Context, tx pgx.Tx, refusal error) error {
	var pg *pgconn.PgError
	if !errors.As(refusal, &pg) || pg.Code != "23514" {
		return refusal
	}
	var rule string
	if err := tx.QueryRow(ctx, constraintText, pg.ConstraintName).Scan(&rule); err != nil {
		return refusal
	}
	rule = strings.TrimPrefix(rule, "CHECK ")
	var bad badLines
	var line int
	sql := `-- lines_that_break
select x.line from (select s.line, s.place, (` + stagedFact + `).* from fresh f join staging s on s.place = f.place) x
where not ` + rule + ` order by x.place limit $1`
	err := bad.collect(ctx, tx, sql, []any{&line}, func() LineError { return LineError{line, "", sentences[pg.ConstraintName]} })
	if err != nil || len(bad) == 0 {
		return refusal
	}
	return bad.err()
}

// finish notes in each chain that was taken over that it was, and counts.
func finish(ctx context.Context, tx pgx.Tx, read int64, taken []string) (*Imported, error) {
	result := &Imported{Read: read, Baths: []ImportedBath{}}
	var b ImportedBath
	var rows int64
	var head *string
	heads := map[string]string{}
	found, err := tx.Query(ctx, importedBaths)
	if err != nil {
		return nil, err
	}
	_, err = pgx.ForEachRow(found, []any{&b.Bath, &b.New, &rows, &b.Claimed, &head}, func() error {
		b.Known = rows - b.New
		b.TakenOver = slices.Contains(taken, b.Bath)
		result.New += b.New
		result.Known += b.Known
		result.Baths = append(result.Baths, b)
		if b.TakenOver && head != nil {
			heads[b.Bath] = *head
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	for _, b := range result.Baths {
		if !b.TakenOver {
			continue
		}
		note := fmt.Sprintf("imported %d facts from a journal with who entered them and when; their chain ends in %s", b.New, heads[b.Bath])
		id, err := uuid.NewV7()
		if err != nil {
			return nil, err
		}
		if _, err := tx.Exec(ctx, insertImportNote, b.Bath, note, [16]byte(id)); err != nil {
			return nil, err
		}
	}
	return result, nil
}

// stagingRows feeds the copy from next, one row at a time.
type stagingRows struct {
	next     func() (journal.Entry, error)
	progress func(int64, int64)
	place    int64
	values   []any
	bad      []LineError
	moreBad  bool
	source   error // of next, other than bad rows and the end
}

// Next reads up to the next row that can be staged. After a bad row it stages
// no more and only reads on, to name the others.
func (r *stagingRows) Next() bool {
	for {
		entry, err := r.next()
		var bad *journal.RowError
		switch {
		case err == io.EOF:
			return false
		case errors.As(err, &bad):
			r.refuse(LineError{bad.Line, bad.Column, bad.Why})
			continue
		case err != nil:
			r.source = err
			return false
		}
		row := entry.Row
		row.Time = row.Time.UTC().Truncate(time.Microsecond)
		if err := checkText(row); err != nil {
			r.refuse(LineError{entry.Line, "", err.Error()})
			continue
		}
		if len(r.bad) > 0 {
			continue
		}
		r.stage(row, entry.Line)
		return true
	}
}

func (r *stagingRows) refuse(l LineError) {
	if len(r.bad) == maxLines {
		r.moreBad = true
		return
	}
	r.bad = append(r.bad, l)
}

func (r *stagingRows) stage(row journal.Row, line int) {
	r.place++
	if r.place%entryChunk == 0 {
		r.progress(r.place, 0)
	}
	base, id, derived := journal.DeriveID(row, 1), row.ID, false
	if id == uuid.Nil {
		id, derived = base, true
	}
	var entered any
	if !row.Entered.IsZero() {
		entered = row.Entered.UTC().Truncate(time.Microsecond)
	}
	r.values = append(r.values[:0], r.place, int64(line), row.Bath, row.Time, row.Kind, row.Subject, row.Value, row.Unit, row.U, row.Note,
		[16]byte(id), derived, [16]byte(base), entered, row.By, row.More, row.Disowned().More, row.Hash)
}

// Values returns the row that Next staged, in the order of stagingColumns.
func (r *stagingRows) Values() ([]any, error) { return r.values, nil }

// Err stops the copy where there was a bad row: the server then keeps nothing.
func (r *stagingRows) Err() error {
	if r.source == nil && len(r.bad) > 0 {
		return errors.New("bad rows")
	}
	return r.source
}
