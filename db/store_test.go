package db

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/stretchr/testify/require"

	"steadybath/chem/journal"
	"steadybath/db/cluster"
	"steadybath/db/cluster/clustertest"
	"steadybath/migrations"
)

func TestMigratorsAtOnce(t *testing.T) {
	database := emptyDatabase(t, "template0")
	const migrators = 6
	var wg sync.WaitGroup
	errs := make([]error, migrators)
	for i := range migrators {
		wg.Go(func() {
			s, err := Open(ctx, Options{URL: dsn(database, admin)})
			if err == nil {
				_, err = s.Baths(ctx)
				s.Close()
			}
			errs[i] = err
		})
	}
	wg.Wait()
	require.NoError(t, errors.Join(errs...))
	s := open(t, database, admin)
	version, err := s.Version(ctx)
	require.NoError(t, err)
	newest, err := latest()
	require.NoError(t, err)
	require.Equal(t, newest, version)
	require.NoError(t, s.Migrate(ctx), "again is harmless")
	var steps int
	require.NoError(t, sqlAs(t, database, "rita").QueryRow(ctx, "select count(*) from steadybath.schema_version").Scan(&steps))
	require.Equal(t, newest, steps)
}

// Two databases of one server are migrated at once for the first time: the
// roles belong to both.
func TestMigratorsOfTwoDatabases(t *testing.T) {
	one, two := emptyDatabase(t, "template0"), emptyDatabase(t, "template0")
	var wg sync.WaitGroup
	errs := make([]error, 2)
	for i, database := range []string{one, two} {
		wg.Go(func() {
			s, err := Open(ctx, Options{URL: dsn(database, admin)})
			if err == nil {
				s.Close()
			}
			errs[i] = err
		})
	}
	wg.Wait()
	require.NoError(t, errors.Join(errs...))
}

func TestNewerDatabaseIsRefused(t *testing.T) {
	database := newDatabase(t)
	_, err := sqlAs(t, database, admin).Exec(ctx, "insert into steadybath.schema_version (version, name) values (9001, 'from the future')")
	require.NoError(t, err)
	for _, user := range []string{"anna", admin} {
		_, err = Open(ctx, Options{URL: dsn(database, user)})
		require.ErrorIs(t, err, ErrNewer)
		require.ErrorContains(t, err, "9001")
		var refusal *Error
		require.ErrorAs(t, err, &refusal)
		require.Contains(t, refusal.Hint(), "newer steadybath")
	}
}

// A role that may make roles and a schema is enough for a new database; one
// that may not is told so.
func TestWhoMayMakeTheSchema(t *testing.T) {
	database := emptyDatabase(t, "template0")
	conn := sqlAs(t, database, admin)
	_, err := Open(ctx, Options{URL: dsn(database, "otto")})
	var refusal *Error
	require.ErrorAs(t, err, &refusal)
	require.EqualError(t, err, "there are no records in this database yet, and this database user may not make them")

	maker := "maker_" + database
	_, err = conn.Exec(ctx, "create role "+maker+" login createrole; grant create on database "+database+" to "+maker+
		"; grant steadybath_owner to "+maker)
	require.NoError(t, err)
	s := open(t, database, maker)
	mustAppend(t, s, bathRow("b"))
	require.Equal(t, maker, allRows(t, s)[0].By)

	// One version behind, a writer cannot help it.
	_, err = conn.Exec(ctx, "drop view steadybath.assays; drop table steadybath.advice; delete from steadybath.schema_version where version > 1")
	require.NoError(t, err)
	_, err = Open(ctx, Options{URL: dsn(database, "anna")})
	require.EqualError(t, err, "the database is at version 1 of the schema, and this database user may not bring it to version 2")
}

func TestFailingMigrationNamesThePlace(t *testing.T) {
	conn := sqlAs(t, newDatabase(t), admin)
	err := apply(ctx, conn, migrations.Migration{Version: 99, Name: "0099_slip.sql", SQL: "select 1;\n-- ü\nselect\n  nonsense;\n"})
	require.ErrorContains(t, err, "apply 0099_slip.sql, line 4, column 3 (nonsense;): ")
	require.Equal(t, "42703", sqlState(err))
	v, err := version(ctx, conn)
	require.NoError(t, err)
	require.Less(t, v, 99)
}

// No password, however the address is mangled, comes out in an error.
func TestAddressesKeepTheirSecrets(t *testing.T) {
	const secret = "s3cr3t"
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	closed := listener.Addr().String()
	require.NoError(t, listener.Close())
	for _, url := range []string{
		"postgres://anna:" + secret + "@" + closed + "/records",
		"postgres://anna:" + secret + "@" + closed + "," + closed + "/records?sslmode=disable",
		"postgres://anna:p%zz" + secret + "@" + closed + "/records",
		"postgres://anna:a@b:" + secret + "@" + closed + "/records",
		"postgres://anna:" + secret + "/x@" + closed + "/records",
		"postgres://anna:" + secret + "@" + closed + "/records?sslmode=" + secret,
		"postgres://anna@" + closed + "/records?password=" + secret + "&connect_timeout=nonsense",
		"postgres:// anna:" + secret + "@" + closed,
		"host=127.0.0.1 port=1 password='" + secret,
		"host=127.0.0.1 port=" + secret + " password=" + secret,
		"mysql://anna:" + secret + "@" + closed,
		secret,
		fmt.Sprintf("host='%s' user=nobody_such dbname=postgres password=%s", testServer, secret),
		fmt.Sprintf("host='%s' user=%s dbname=no_such password=%s", testServer, admin, secret),
	} {
		_, err := Open(ctx, Options{URL: url})
		require.Error(t, err, url)
		mentionsNone(t, err.Error(), secret)
		var refusal *Error
		require.ErrorAs(t, err, &refusal, url)
		mentionsNone(t, refusal.Hint(), secret)
		require.NotContains(t, err.Error(), "\n")
		require.NotEmpty(t, refusal.Hint())
	}
}

func TestConnectionsAskForAWritableServer(t *testing.T) {
	plain, _, err := configure("postgres://anna@db1,db2/records", Options{AppName: "steadybath test"}, true)
	require.NoError(t, err)
	require.Equal(t, connectTimeout, plain.ConnConfig.ConnectTimeout)
	require.NotEmpty(t, plain.ConnConfig.Fallbacks)
	require.Equal(t, "steadybath test", plain.ConnConfig.RuntimeParams["application_name"])
	set, _, err := configure("postgres://anna@db1,db2/records?target_session_attrs=any&connect_timeout=17", Options{}, true)
	require.NoError(t, err)
	require.Equal(t, 17*time.Second, set.ConnConfig.ConnectTimeout)

	// A server that takes no writes is passed over; where there is no other, it
	// answers questions, and says why it enters nothing.
	database := newDatabase(t)
	_, err = sqlAs(t, database, admin).Exec(ctx, "alter database "+database+" set default_transaction_read_only = on")
	require.NoError(t, err)
	_, err = Open(ctx, Options{URL: dsn(database, "anna") + " target_session_attrs=read-write"})
	require.ErrorIs(t, err, ErrUnreachable)
	require.ErrorContains(t, err, "it takes no writes")
	for _, attrs := range []string{"", " target_session_attrs=any"} {
		s, err := Open(ctx, Options{URL: dsn(database, "anna") + attrs})
		require.NoError(t, err)
		defer s.Close()
		_, err = s.Baths(ctx)
		require.NoError(t, err)
		addr, asOf, is := s.ReadOnly(ctx)
		require.Equal(t, attrs == "", is)
		if is {
			require.Contains(t, addr, ".s.PGSQL")
			require.Zero(t, asOf, "it copies nothing")
			_, err = s.Append(ctx, []journal.Row{noteRow("tank-1", "poured")})
			require.ErrorContains(t, err, "takes no writes")
			_, err = s.Import(ctx, func() (journal.Entry, error) { return journal.Entry{}, io.EOF }, nil)
			require.ErrorContains(t, err, "takes no writes")
		}
	}
}

// cutAt is a proxy to the test server that can cut all connections when the
// client sends, or the server answers, a given text.
type cutAt struct {
	dir      string
	mu       sync.Mutex
	toServer string // cut after passing this on to the server
	toClient string // cut instead of passing this on to the client
}

func startProxy(t *testing.T) *cutAt {
	t.Helper()
	dir, err := os.MkdirTemp("", "p")
	require.NoError(t, err)
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	listener, err := net.Listen("unix", filepath.Join(dir, ".s.PGSQL.5432"))
	require.NoError(t, err)
	t.Cleanup(func() { _ = listener.Close() })
	p := &cutAt{dir: dir}
	go func() {
		for {
			client, err := listener.Accept()
			if err != nil {
				return
			}
			server, err := net.Dial("unix", filepath.Join(testServer, ".s.PGSQL.5432"))
			if err != nil {
				_ = client.Close()
				return
			}
			go p.pass(client, server, func() string { return p.toServer }, true)
			go p.pass(server, client, func() string { return p.toClient }, false)
		}
	}()
	return p
}

func (p *cutAt) pass(from, to net.Conn, mark func() string, after bool) {
	defer from.Close()
	defer to.Close()
	buffer := make([]byte, 64<<10)
	for {
		n, err := from.Read(buffer)
		p.mu.Lock()
		m := mark()
		p.mu.Unlock()
		cut := m != "" && strings.Contains(string(buffer[:n]), m)
		if n > 0 && (!cut || after) {
			if _, err := to.Write(buffer[:n]); err != nil {
				return
			}
		}
		if err != nil || cut {
			return
		}
	}
}

func (p *cutAt) set(toServer, toClient string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.toServer, p.toClient = toServer, toClient
}

// The connection breaks while the answer to a commit is on its way: nobody
// knows, the fact is there, and the same again enters nothing twice.
func TestMaybeWritten(t *testing.T) {
	database := newDatabase(t)
	direct := open(t, database, "anna")
	mustAppend(t, direct, bathRow("b"))
	proxy := startProxy(t)
	s, err := Open(ctx, Options{URL: strings.Replace(dsn(database, "anna"), testServer, proxy.dir, 1)})
	require.NoError(t, err)
	defer s.Close()

	row := noteRow("b", "written or not")
	proxy.set("", "COMMIT\x00")
	_, err = s.Append(ctx, []journal.Row{row})
	var maybe *MaybeWritten
	require.ErrorAs(t, err, &maybe)
	require.Equal(t, []uuid.UUID{row.ID}, maybe.IDs)
	require.ErrorContains(t, err, row.ID.String())
	require.Contains(t, maybe.Hint(), "--id")
	proxy.set("", "")
	again := mustAppend(t, s, row)
	require.True(t, again[0].Known)

	_, err = s.Import(ctx, rowsOf(noteRow("b", "before the cut")), nil)
	require.NoError(t, err)
	proxy.set("", "COMMIT\x00")
	_, err = s.Import(ctx, rowsOf(noteRow("b", "at the cut")), nil)
	require.ErrorAs(t, err, &maybe)
	require.Empty(t, maybe.IDs)

	// Broken earlier, nothing can have been written, and that is what it says.
	proxy.set("", "")
	require.NoError(t, s.EachRow(ctx, nil, func(journal.Row) error { return nil }))
	before := allRows(t, direct)
	proxy.set("lost for good", "")
	_, err = s.Append(ctx, []journal.Row{noteRow("b", "lost for good")})
	require.Error(t, err)
	require.False(t, errors.As(err, &maybe), "%v", err)
	require.ErrorContains(t, err, "connection to the database broke")
	require.Equal(t, before, allRows(t, direct))
}

// What is said of a server without room, however it was refused the room, and
// of one that goes away: the first is told apart by who adds how much room there
// is, the second by who tries again.
func TestNoRoomAndGoneAway(t *testing.T) {
	for _, e := range []*pgconn.PgError{
		{Code: "53100", Message: "could not extend file \"base/5/16437\": wrote only 4096 of 8192 bytes at block 7"},
		{Code: "XX000", Message: "could not extend file \"base/5/16437\": File too large"},
		{Code: "58030", Message: "could not write to file \"base/pgsql_tmp/1\": Disk quota exceeded"},
	} {
		err := explain("enter the fact", e)
		require.ErrorIs(t, err, cluster.ErrDiskFull, e.Message)
		require.EqualError(t, err, "enter the fact: the database's disk is full or lets no file grow")
	}
	require.ErrorIs(t, explain("read the facts", io.ErrUnexpectedEOF), ErrUnreachable)
	require.ErrorIs(t, explain("read the facts", &pgconn.PgError{Code: "57P02"}), ErrUnreachable)
	for _, code := range []string{"57P01", "57P02", "57P03"} {
		err := connectError(&pgconn.PgError{Code: code}, &pgx.ConnConfig{})
		require.ErrorIs(t, err, ErrUnreachable, code)
		require.NotContains(t, err.Error(), code)
	}
}

func TestWhatCommitErrorsMean(t *testing.T) {
	for _, tc := range []struct {
		name string
		err  error
		sure bool
	}{
		{"the server refused", &pgconn.PgError{SeverityUnlocalized: "ERROR", Code: "23505"}, true},
		{"the session was ended", &pgconn.PgError{SeverityUnlocalized: "FATAL", Code: "57P01"}, false},
		{"the server died", &pgconn.PgError{SeverityUnlocalized: "PANIC", Code: "53100"}, false},
		{"the line broke", io.ErrUnexpectedEOF, false},
		{"no answer in time", context.DeadlineExceeded, false},
	} {
		require.Equal(t, tc.sure, surelyNotCommitted(tc.err), tc.name)
	}
}

func TestCancelledCommandWritesNothing(t *testing.T) {
	s := open(t, newDatabase(t), "anna")
	mustAppend(t, s, bathRow("b"))
	cancelled, cancel := context.WithCancel(ctx)
	n := 0
	_, err := s.Import(cancelled, func() (journal.Entry, error) {
		if n++; n == 5000 {
			cancel()
		}
		return journal.Entry{Row: plateRow("b", "1"), Line: n}, nil
	}, nil)
	require.ErrorIs(t, err, context.Canceled)
	require.Len(t, allRows(t, s), 1)
}

// The private cluster from nothing: two commands at once make it, the schema
// and the person's role; a third finds all of it.
func TestPrivate(t *testing.T) {
	o := Options{Cluster: clustertest.New(t)}
	var wg sync.WaitGroup
	errs := make([]error, 3)
	for i := range errs {
		wg.Go(func() {
			s, err := Open(ctx, o)
			if err == nil {
				s.Close()
			}
			errs[i] = err
		})
	}
	wg.Wait()
	require.NoError(t, errors.Join(errs...))

	s, err := Open(ctx, o)
	require.NoError(t, err)
	defer s.Close()
	require.NotNil(t, s.Private())
	entries := mustAppend(t, s, bathRow("b"), plateRow("b", "1"))
	require.Equal(t, s.Private().Person(), entries[0].By)

	// The person's own export comes back with its chain, without the owner's rights.
	from := newDatabase(t)
	fill(t, from)
	result := mustImport(t, s, csvRows(strings.ReplaceAll(export(t, open(t, from, "rita")), "Z,b,", "Z,bb,")))
	require.Equal(t, []bool{true, true, false}, []bool{result.Baths[0].TakenOver, result.Baths[1].TakenOver, result.Baths[2].TakenOver})
	rows, err := s.Rows(ctx, "a", time.Time{})
	require.NoError(t, err)
	checkChain(t, rows)
	require.Equal(t, "ben", rows[2].By)
	require.Equal(t, s.Private().Person(), rows[len(rows)-1].By)
	var owner bool
	require.NoError(t, s.pool.QueryRow(ctx, "select pg_has_role(current_user, 'steadybath_owner', 'member') or rolsuper from pg_roles where rolname = current_user").Scan(&owner))
	require.False(t, owner)
}

// A client that died must not keep a bath locked for hours, and a database that
// has limits of its own keeps them.
func TestSessionsEndWhenTheirClientIsGone(t *testing.T) {
	database := newDatabase(t)
	for _, limit := range []string{"1min", "5s"} {
		if limit != "1min" {
			_, err := sqlAs(t, database, admin).Exec(ctx, "alter database "+database+" set idle_in_transaction_session_timeout = '"+limit+"'")
			require.NoError(t, err)
		}
		s, err := Open(ctx, Options{URL: dsn(database, "anna")})
		require.NoError(t, err)
		defer s.Close()
		var is string
		require.NoError(t, s.pool.QueryRow(ctx, "select current_setting('idle_in_transaction_session_timeout')").Scan(&is))
		require.Equal(t, limit, is)
	}
}
