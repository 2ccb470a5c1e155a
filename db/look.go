package db

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"steadybath/chem/journal"
	"steadybath/db/cluster"
	"steadybath/migrations"
)

// Look opens the records as they are, for whoever only wants to look: it makes,
// starts and migrates nothing, and does not mind a schema of another version or
// none at all. Where no private server runs it is an error.
func Look(ctx context.Context, o Options) (*Store, error) {
	dsn := o.URL
	var server *cluster.Server
	if dsn == "" {
		var err error
		if server, err = cluster.Find(ctx, o.Cluster); err != nil {
			return nil, err
		}
		dsn = server.DSN(server.Person())
	}
	config, w, err := configure(dsn, o, false) // a standby can be looked at too
	if err != nil {
		return nil, err
	}
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, connectError(err, config.ConnConfig)
	}
	s := &Store{pool: pool, private: server, watch: w}
	if err := pool.Ping(ctx); err != nil {
		s.Close()
		if server != nil && missingRole(err) {
			return nil, &Error{What: "the private database has no role for " + server.Person() + " yet", Help: "any other command makes it", Cause: err}
		}
		return nil, connectError(err, config.ConnConfig)
	}
	return s, nil
}

// About is what a server says about itself.
type About struct {
	Where     string // host and database, as the address names them
	Version   string // such as 15.8
	Major     int
	Encoding  string // of the database
	Checksums bool   // pages carry one
	Fsync     bool   // what is acknowledged is on the disk
	ReadOnly  bool   // a standby, or set so
	Encrypted bool   // this connection is, by TLS
	Local     bool   // this connection does not leave the machine
	Now       time.Time
	Apart     time.Duration // the server's clock less this machine's, to about the length of a question
}

const selectAbout = `-- about_the_server
select current_setting('server_version'), current_setting('server_version_num')::int / 10000, current_setting('server_encoding'),
  current_setting('data_checksums') = 'on', current_setting('fsync') = 'on',
  pg_is_in_recovery() or current_setting('transaction_read_only') = 'on',
  coalesce((select t.ssl from pg_catalog.pg_stat_ssl t where t.pid = pg_backend_pid()), false),
  coalesce(inet_client_addr() = inet_server_addr(), true), clock_timestamp()`

// About asks the server about itself.
func (s *Store) About(ctx context.Context) (About, error) {
	var a About
	asked := time.Now()
	err := s.pool.QueryRow(ctx, selectAbout).Scan(&a.Version, &a.Major, &a.Encoding, &a.Checksums, &a.Fsync, &a.ReadOnly, &a.Encrypted, &a.Local, &a.Now)
	if err != nil {
		return a, explain("look at the server", ended(ctx, err))
	}
	c := s.pool.Config().ConnConfig
	a.Where = fmt.Sprintf("%s, database %s", hostOf(c.Host, c.Port), c.Database)
	a.Apart = a.Now.Sub(asked.Add(time.Since(asked) / 2))
	return a, nil
}

// Rights is what the user of the session may do with the records, and whether
// the database's own rules stand in the way of the rest.
type Rights struct {
	User      string
	Superuser bool
	Owner     bool     // a member of steadybath_owner
	Read      bool     // may read facts
	Insert    bool     // may enter facts
	Change    bool     // was granted the right to change or delete facts
	NoRole    []string // of the tool's three roles, those that are not there; never nil
	NoRule    []string // of the triggers that keep facts unchanged, those that are off or gone; never nil
}

const selectRights = `-- rights
select session_user, r.rolsuper,
  exists (select from pg_catalog.pg_roles o where o.rolname = 'steadybath_owner' and pg_has_role(session_user, o.oid, 'member')),
  coalesce(has_table_privilege(session_user, c.oid, 'select'), false),
  coalesce(has_table_privilege(session_user, c.oid, 'insert'), false),
  coalesce(has_table_privilege(session_user, c.oid, 'update') or has_table_privilege(session_user, c.oid, 'delete')
    or has_table_privilege(session_user, c.oid, 'truncate'), false),
  array(select w from unnest(array['steadybath_owner', 'steadybath_writer', 'steadybath_reader']) w
    where not exists (select from pg_catalog.pg_roles o where o.rolname = w)),
  array(select w from unnest(array['facts_enter', 'facts_refuse', 'facts_refuse_row']) w
    where not exists (select from pg_catalog.pg_trigger t where t.tgrelid = c.oid and t.tgname = w and t.tgenabled = 'A'))
from pg_catalog.pg_roles r
left join (pg_catalog.pg_class c join pg_catalog.pg_namespace n on n.oid = c.relnamespace and n.nspname = 'steadybath') on c.relname = 'facts' and c.relkind = 'r'
where r.rolname = session_user`

// Rights asks the database what the session's user may do.
func (s *Store) Rights(ctx context.Context) (Rights, error) {
	var r Rights
	err := s.pool.QueryRow(ctx, selectRights).Scan(&r.User, &r.Superuser, &r.Owner, &r.Read, &r.Insert, &r.Change, &r.NoRole, &r.NoRule)
	if err != nil {
		return r, explain("look at the roles", ended(ctx, err))
	}
	return r, nil
}

// Applied is how far the schema has come and how far the tool would bring it.
type Applied struct {
	Have, Know int
	Other      []string // migrations applied under another name than the tool's, or missing below Have; never nil
}

const selectApplied = `-- applied_migrations
select version, name from steadybath.schema_version order by version`

// Applied compares the migrations that were applied with those of the tool.
func (s *Store) Applied(ctx context.Context) (Applied, error) {
	known, err := migrations.All()
	if err != nil {
		return Applied{}, err
	}
	a := Applied{Know: len(known), Other: []string{}}
	if a.Have, err = s.Version(ctx); err != nil || a.Have == 0 {
		return a, err
	}
	names := map[int]string{}
	rows, _ := s.pool.Query(ctx, selectApplied)
	var version int
	var name string
	_, err = pgx.ForEachRow(rows, []any{&version, &name}, func() error {
		names[version] = name
		return nil
	})
	if err != nil {
		return a, explain("look at the schema's version", ended(ctx, err))
	}
	for _, m := range known {
		if m.Version <= a.Have && names[m.Version] != m.Name {
			a.Other = append(a.Other, m.Name)
		}
	}
	return a, nil
}

const selectRowsOfKinds = `-- rows_of_kinds
select ` + rowColumns + ` from steadybath.facts f where f.bath = $1 and f.kind = any($2) order by f.number`

// RowsOfKinds returns the facts of some kinds of one bath ("" for the shop) in
// the order of entry.
func (s *Store) RowsOfKinds(ctx context.Context, bath string, kinds ...string) ([]journal.Row, error) {
	out := []journal.Row{}
	err := s.each(ctx, selectRowsOfKinds, []any{bath, kinds}, func(r journal.Row) error {
		out = append(out, r)
		return nil
	})
	if err != nil {
		return nil, explain("read the facts", err)
	}
	return out, nil
}
