package db

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"steadybath/chem/journal"
	"steadybath/db/cluster"
)

// Restored says what a restore did.
type Restored struct {
	New    int64           // facts entered
	Known  int64           // facts of the backup that were there already
	Advice int64           // advice entered
	Chains []RestoredChain // as in the backup; never nil
}

// RestoredChain is one chain as it stands after a restore.
type RestoredChain struct {
	Bath  string
	New   int64
	Facts int64  // now; more than in the backup where the database had gone on
	Head  string // now
}

// As the owner, and with nobody else's functions and operators in reach.
const becomeOwner = `-- become_the_owner
select set_config('search_path', 'pg_catalog, pg_temp', true), set_config('role', 'steadybath_owner', true)`

// Nobody enters anything meanwhile, a new bath neither; reading goes on.
const lockRecords = `-- lock_the_records
lock table steadybath.facts, steadybath.advice in share row exclusive mode`

const selectClock = `-- clock
select clock_timestamp()`

const selectEnd = `-- end_of_chain
select last.number, last.hash, here.hash
from steadybath.facts here cross join lateral (
  select f.number, f.hash from steadybath.facts f where f.bath = here.bath order by f.number desc limit 1
) last
where here.bath = $1 and here.number = $2`

const selectHashes = `-- hashes_of_bath
select f.number, f.hash from steadybath.facts f where f.bath = $1 order by f.number`

// The trigger numbers the rows and demands of each that it continues its chain.
const restoreRows = `-- restore_rows
insert into steadybath.facts (bath, time, kind, subject, value, unit, u, note, id, entered, by, more, hash)
select $1, r.time, r.kind, r.subject, nullif(r.value, '')::numeric, r.unit, nullif(r.u, '')::numeric, r.note, r.id, r.entered, r.by, nullif(r.more, '')::json, r.hash
from unnest($2::timestamptz[], $3::text[], $4::text[], $5::text[], $6::text[], $7::text[], $8::text[], $9::uuid[], $10::timestamptz[], $11::text[], $12::text[], $13::text[])
  with ordinality as r(time, kind, subject, value, unit, u, note, id, entered, by, more, hash, place)
order by r.place`

const restoreAdvice = `-- restore_advice
insert into steadybath.advice (id, bath, at, entered, by, version, head, plan, state)
select $1::uuid, $2::text, $3::timestamptz, $4::timestamptz, $5::text, $6::text, $7::text, $8::text::json, $9::text::json
where not exists (select from steadybath.advice a where a.id = $1::uuid)`

const sameAdvice = `-- same_advice
select exists (select from steadybath.advice a where a.id = $1 and a.bath = $2 and a.at = $3 and a.entered = $4 and a.by = $5
  and a.version = $6 and a.head = $7 and a.plan::text = $8 and a.state::text = $9)`

const insertCopy = `-- insert_copy
insert into steadybath.copies (what, facts, sha256) values ($1, $2, $3)`

// Restore puts a backup that Check found whole into the records that o says,
// whole or not at all: every fact with its number, id, entered, by and hash,
// advice with its entered and by. sum is the SHA-256 in hex of the whole file,
// for the book of copies; progress, which may be nil, hears how many facts have
// been read.
//
// The records hold nothing, or each of their chains is the beginning of the
// backup's or begins with it; then only what is missing goes in. Everything
// else is refused, as is whoever is not the owner of the records: whoever may
// restore could make up a past. Refusals are *Error, damage *DamageError;
// *MaybeWritten means that nobody knows.
func Restore(ctx context.Context, o Options, f *BackupFile, sum string, progress func(facts int64)) (*Restored, error) {
	s, err := openOwner(ctx, o)
	if err != nil {
		return nil, err
	}
	defer s.Close()
	r := &restorer{f: f, progress: progress, result: Restored{Chains: []RestoredChain{}}}
	maybe, err := s.inTx(ctx, func(tx pgx.Tx) error {
		if err := r.all(ctx, tx); err != nil {
			return err
		}
		if r.result.New == 0 && r.result.Advice == 0 {
			return nil
		}
		_, err := tx.Exec(ctx, insertCopy, "restore", f.Facts(), sum)
		return err
	})
	if maybe {
		return nil, &Error{What: "the connection broke, and the backup may have been restored", Help: "restore the same file again: it adds nothing that is there already", Cause: err}
	}
	var damage *DamageError
	var refusal *Error
	switch {
	case err == nil:
		return &r.result, nil
	case errors.As(err, &damage) || errors.As(err, &refusal):
		return nil, err
	}
	return nil, explain("restore the backup", err)
}

// openOwner opens the records as their owner: on the private cluster by its
// name, with a URL as whomever it names.
func openOwner(ctx context.Context, o Options) (*Store, error) {
	s, err := Open(ctx, o)
	if err != nil || s.private == nil {
		return s, err
	}
	s.Close()
	config, w, err := configure(s.private.DSN(cluster.Owner), o, true)
	if err != nil {
		return nil, err
	}
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, connectError(err, config.ConnConfig)
	}
	return &Store{pool: pool, private: s.private, watch: w}, nil
}

type restorer struct {
	f        *BackupFile
	progress func(int64)
	result   Restored
	done     int64
	clock    time.Time // of the database
}

func (r *restorer) all(ctx context.Context, tx pgx.Tx) error {
	if _, err := tx.Exec(ctx, becomeOwner); err != nil {
		if state := sqlState(err); state == "42501" || state == "22023" {
			return &Error{What: "only the owner of the records may restore a backup, since it brings along who entered what and when",
				Help: "connect as the server's superuser or a member of steadybath_owner; nothing was written", Cause: err}
		}
		return err
	}
	// In the order in which writers take them: first the baths, then the table.
	names := make([]string, len(r.f.Chains))
	for i, c := range r.f.Chains {
		names[i] = c.Bath
	}
	if _, err := tx.Exec(ctx, lockBaths, names); err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, lockRecords); err != nil {
		return err
	}
	if err := tx.QueryRow(ctx, selectClock).Scan(&r.clock); err != nil {
		return err
	}
	rows, _ := tx.Query(ctx, selectBaths)
	baths, err := pgx.CollectRows(rows, scanBath)
	if err != nil {
		return err
	}
	have := map[string]Bath{}
	for _, b := range baths {
		have[b.Name] = b
	}
	for _, c := range r.f.Chains {
		delete(have, c.Bath)
	}
	for _, b := range baths {
		if _, other := have[b.Name]; other {
			return &Error{What: fmt.Sprintf("the database holds %s with %d facts, which the backup does not have", whose(b.Name), b.Facts), Help: whereRestored}
		}
	}
	for _, b := range baths {
		have[b.Name] = b
	}
	for _, c := range r.f.Chains {
		if err := r.chain(ctx, tx, c, have[c.Bath]); err != nil {
			return err
		}
	}
	if err := r.advice(ctx, tx); err != nil {
		return err
	}
	return r.compare(ctx, tx)
}

const whereRestored = "a backup goes into an empty database, or into one that holds the same records, earlier or later; nothing was written"

// chain puts in what a chain lacks, before being what there is of it.
func (r *restorer) chain(ctx context.Context, tx pgx.Tx, c Chain, before Bath) error {
	var hashes []string
	if before.Facts > 0 {
		var hash string
		var number int64
		rows, err := tx.Query(ctx, selectHashes, c.Bath)
		if err != nil {
			return err
		}
		if _, err := pgx.ForEachRow(rows, []any{&number, &hash}, func() error {
			if hashes = append(hashes, hash); number != int64(len(hashes)) {
				return &Error{What: fmt.Sprintf("%s in the database lacks fact %d", whose(c.Bath), len(hashes)), Help: "steadybath history --verify tells more; nothing was written"}
			}
			return nil
		}); err != nil {
			return err
		}
	}
	now := RestoredChain{Bath: c.Bath}
	chunk := rowChunk{bath: c.Bath}
	err := r.f.eachRow(c, func(row journal.Row) error {
		if r.done++; r.done%entryChunk == 0 && r.progress != nil {
			r.progress(r.done)
		}
		if row.Number <= int64(len(hashes)) {
			if hashes[row.Number-1] != row.Hash {
				return &Error{What: fmt.Sprintf("%s in the database and the one in the backup part at fact %d: they are not the same record", whose(c.Bath), row.Number), Help: whereRestored}
			}
			r.result.Known++
			return nil
		}
		now.New++
		if row.Entered.After(r.clock) {
			return &Error{What: fmt.Sprintf("%s has a fact that was entered at %s, and the clock of the database shows %s", whose(c.Bath), journal.FormatTime(row.Entered), journal.FormatTime(r.clock)),
				Help: "set the clock right and restore again; nothing was written"}
		}
		chunk.add(row)
		if len(chunk.id) < entryChunk {
			return nil
		}
		return chunk.enter(ctx, tx)
	})
	if err == nil {
		err = chunk.enter(ctx, tx)
	}
	r.result.New += now.New
	r.result.Chains = append(r.result.Chains, now)
	return err
}

// rowChunk holds rows column by column, as they travel.
type rowChunk struct {
	bath          string
	time, entered []time.Time
	id            [][16]byte
	text          [9][]string // kind, subject, value, unit, u, note, by, more, hash
}

func (k *rowChunk) add(r journal.Row) {
	k.time, k.entered, k.id = append(k.time, r.Time), append(k.entered, r.Entered), append(k.id, r.ID)
	for i, s := range [...]string{r.Kind, r.Subject, r.Value, r.Unit, r.U, r.Note, r.By, r.More, r.Hash} {
		k.text[i] = append(k.text[i], s)
	}
}

func (k *rowChunk) enter(ctx context.Context, tx pgx.Tx) error {
	if len(k.id) == 0 {
		return nil
	}
	t := k.text
	_, err := tx.Exec(ctx, restoreRows, k.bath, k.time, t[0], t[1], t[2], t[3], t[4], t[5], k.id, k.entered, t[6], t[7], t[8])
	*k = rowChunk{bath: k.bath}
	return err
}

func (r *restorer) advice(ctx context.Context, tx pgx.Tx) error {
	return r.f.eachAdvice(func(a Advice) error {
		args := []any{[16]byte(a.ID), a.Bath, a.At, a.Entered, a.By, a.Version, a.Head, string(a.Plan), string(a.State)}
		done, err := tx.Exec(ctx, restoreAdvice, args...)
		if err != nil || done.RowsAffected() == 1 {
			r.result.Advice += done.RowsAffected()
			return err
		}
		var same bool
		if err := tx.QueryRow(ctx, sameAdvice, args...).Scan(&same); err != nil {
			return err
		}
		if !same {
			return &Error{What: fmt.Sprintf("the advice %s in the database is another than in the backup", a.ID), Help: whereRestored}
		}
		return nil
	})
}

// compare looks whether every chain is now what the backup says, or goes on
// from there.
func (r *restorer) compare(ctx context.Context, tx pgx.Tx) error {
	for i, c := range r.f.Chains {
		now := &r.result.Chains[i]
		var there string
		if err := tx.QueryRow(ctx, selectEnd, c.Bath, c.Facts).Scan(&now.Facts, &now.Head, &there); err != nil {
			return err
		}
		if there != c.Head {
			return fmt.Errorf("fact %d of %s has the hash %s, and the backup says %s", c.Facts, whose(c.Bath), there, c.Head)
		}
	}
	return nil
}

// NoteBackup writes into the book of copies that a backup was made, of how many
// facts and with which SHA-256 of the whole file. A user who may not write there
// leaves no trace, and that is no error.
func (s *Store) NoteBackup(ctx context.Context, facts int64, sum string) error {
	_, err := s.pool.Exec(ctx, insertCopy, "backup", facts, sum)
	if state := sqlState(err); state == "42501" || state == "25006" {
		return nil
	}
	return explain("note that a backup was made", ended(ctx, err))
}

const selectLastCopy = `-- last_copy
select c.at, c.facts from steadybath.copies c order by c.number desc limit 1`

// LastCopy tells when the records were last written to a file or came out of
// one, and how many facts those were; ever is false where that never was.
func (s *Store) LastCopy(ctx context.Context) (at time.Time, facts int64, ever bool, err error) {
	err = s.pool.QueryRow(ctx, selectLastCopy).Scan(&at, &facts)
	// 42P01: a schema from before there was a book.
	if errors.Is(err, pgx.ErrNoRows) || sqlState(err) == "42P01" {
		return time.Time{}, 0, false, nil
	}
	return at, facts, err == nil, explain("look at the book of copies", ended(ctx, err))
}

const hasFact = `-- has_fact
select exists (select from steadybath.facts f where f.bath = $1 and f.number = $2 and f.hash = $3)`

const countAdvice = `-- count_advice
select count(*) from steadybath.advice`

// Lacks says what of a backup the records do not hold, "" where they hold it
// all.
func (s *Store) Lacks(ctx context.Context, b Backup) (string, error) {
	for _, c := range b.Chains {
		var there bool
		if err := s.pool.QueryRow(ctx, hasFact, c.Bath, c.Facts, c.Head).Scan(&there); err != nil {
			return "", explain("look for what the backup holds", ended(ctx, err))
		}
		if !there {
			return fmt.Sprintf("fact %d of %s", c.Facts, whose(c.Bath)), nil
		}
	}
	var advice int64
	if err := s.pool.QueryRow(ctx, countAdvice).Scan(&advice); err != nil {
		return "", explain("look for what the backup holds", ended(ctx, err))
	}
	if advice < b.Advice.Rows {
		return fmt.Sprintf("%d plans advised", b.Advice.Rows-advice), nil
	}
	return "", nil
}

// Proof is what an upgrade of the private server asks on both sides: how many
// facts each chain has, how it ends, and how many do not fit.
const Proof = `select $proof$
select (c.f).bath, count(*), max((c.f).number), (array_agg((c.f).hash order by (c.f).number desc))[1],
  count(*) filter (where (c.f).hash is distinct from steadybath.chain(coalesce(c.before, ''), steadybath.line(c.f)))
from (select f, lag(f.hash) over (partition by f.bath order by f.number) as before from steadybath.facts f) c
group by 1 order by 1
$proof$ where to_regclass('steadybath.facts') is not null \gexec`
