package db

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"steadybath/migrations"
)

// migrationLock is the key of the advisory lock under which one migrator at a
// time works on a database; any number will do that nothing else there uses.
const migrationLock = 5_130_277_421

const selectVersion = `-- schema_version
select coalesce(max(version), 0) from steadybath.schema_version`

const insertVersion = `-- insert_schema_version
insert into steadybath.schema_version (version, name) values ($1, $2)`

func latest() (int, error) {
	all, err := migrations.All()
	return len(all), err
}

// Version returns the version of the schema, 0 where there is none.
func (s *Store) Version(ctx context.Context) (int, error) {
	return version(ctx, s.pool)
}

// Migrate brings the schema up to date. The connecting role needs to own it
// or, where there is none, to be allowed to make roles and a schema. Running it
// twice, or in two places at once, is harmless.
func (s *Store) Migrate(ctx context.Context) error {
	conn, err := s.pool.Acquire(ctx)
	if err != nil {
		return connectError(err, s.pool.Config().ConnConfig)
	}
	defer conn.Release()
	return migrate(ctx, conn.Conn())
}

// querier is what pool, connection and transaction have in common.
type querier interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
	Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error)
}

func version(ctx context.Context, q querier) (int, error) {
	var v int
	err := q.QueryRow(ctx, selectVersion).Scan(&v)
	switch sqlState(err) {
	case "42P01", "3F000": // no such table, no such schema
		return 0, nil
	case "42501":
		return 0, &Error{
			What:  "this database user may not look at the records",
			Help:  `let the database's owner run: grant steadybath_writer to "the user"`,
			Cause: err,
		}
	}
	if err != nil {
		return 0, explain("look at the schema's version", err)
	}
	return v, nil
}

func migrate(ctx context.Context, conn *pgx.Conn) error {
	all, err := migrations.All()
	if err != nil {
		return err
	}
	if _, err := conn.Exec(ctx, "select pg_advisory_lock($1)", int64(migrationLock)); err != nil {
		return explain("wait for another migration to end", err)
	}
	defer func() {
		// A pooled connection would carry the lock on.
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
		defer cancel()
		_, _ = conn.Exec(ctx, "select pg_advisory_unlock($1)", int64(migrationLock))
	}()
	have, err := version(ctx, conn)
	if err != nil {
		return err
	}
	if have > len(all) {
		return newerError(have, len(all))
	}
	for _, m := range all[have:] {
		if err := apply(ctx, conn, m); err != nil {
			return err
		}
	}
	return nil
}

// selfGrant lets whoever makes the roles without being a superuser become the
// owner: from PostgreSQL 16 on, making a role does not include that.
const selfGrant = `-- self_grant
select set_config('createrole_self_grant', 'set, inherit', true) where current_setting('server_version_num')::int >= 160000`

func apply(ctx context.Context, conn *pgx.Conn, m migrations.Migration) error {
	err := pgx.BeginTxFunc(ctx, conn, pgx.TxOptions{IsoLevel: pgx.ReadCommitted, AccessMode: pgx.ReadWrite}, func(tx pgx.Tx) error {
		if m.Version == 1 {
			if _, err := tx.Exec(ctx, selfGrant); err != nil {
				return err
			}
		}
		// Without arguments the whole file goes as one simple query.
		if _, err := tx.Exec(ctx, m.SQL); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, insertVersion, m.Version, m.Name)
		return err
	})
	var pg *pgconn.PgError
	switch {
	case err == nil:
		return nil
	case !errors.As(err, &pg):
		return explain("apply "+m.Name, err)
	case pg.Code == "42501":
		if m.Version == 1 {
			return &Error{
				What:  "there are no records in this database yet, and this database user may not make them",
				Help:  "connect once as a user that may create roles and schemas, then as yourself",
				Cause: err,
			}
		}
		return &Error{
			What:  fmt.Sprintf("the database is at version %d of the schema, and this database user may not bring it to version %d", m.Version-1, m.Version),
			Help:  "run any command once as a member of steadybath_owner",
			Cause: err,
		}
	case pg.Code == "0A000":
		return &Error{What: pg.Message, Cause: err}
	}
	return fmt.Errorf("apply %s%s: %w", m.Name, place(m.SQL, int(pg.Position)), err)
}

// place names line, column and text of a position that the server counts in
// characters from 1; empty where it gave none.
func place(sql string, position int) string {
	runes := []rune(sql)
	if position < 1 || position > len(runes) {
		return ""
	}
	before := string(runes[:position-1])
	line := strings.Count(before, "\n") + 1
	start := strings.LastIndexByte(before, '\n') + 1
	text, _, _ := strings.Cut(sql[start:], "\n")
	return fmt.Sprintf(", line %d, column %d (%s)", line, len([]rune(before[start:]))+1, strings.TrimSpace(text))
}

func newerError(have, know int) error {
	return &Error{
		What:  fmt.Sprintf("the database is at version %d of the schema, and this program knows only up to version %d", have, know),
		Help:  "use the newer steadybath that the database was last used with; nothing was changed",
		Cause: ErrNewer,
	}
}
