package db

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"slices"
	"strings"
	"time"
	"unicode"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgtype"
	"github.com/jackc/pgx/v5/pgxpool"

	"steadybath/db/cluster"
)

// Options say where the records are.
type Options struct {
	URL     string         // any PostgreSQL URL or keyword/value string; "" is the private cluster
	Cluster cluster.Config // where the private cluster lies; with a URL only its Log counts
	AppName string         // shown in the server's lists and logs; "" is "steadybath"
}

// Store is an open set of records. It may be used by several goroutines.
type Store struct {
	pool     *pgxpool.Pool
	private  *cluster.Server // nil with a URL
	watch    *watch
	readOnly string // address of the server, where it takes no writes
}

const (
	connectTimeout = 5 * time.Second // pgx has none by default: a dead host would hang for minutes
	connections    = 4               // a command needs one, a stream that asks back two
)

// Open finds the records, makes what is missing (the private cluster, the
// schema, the person's role) and connects: on the private cluster as the
// person, with a URL as whomever it names. What a person can do something
// about comes back as *Error or *cluster.Error, with a hint.
func Open(ctx context.Context, o Options) (*Store, error) {
	if o.URL != "" {
		return openURL(ctx, o)
	}
	return openPrivate(ctx, o)
}

// Close ends all connections. It does not wait long for what is broken: the
// driver sends a silent server a last word for up to 15 s.
func (s *Store) Close() {
	closed := make(chan struct{})
	go func() {
		s.pool.Close()
		close(closed)
	}()
	select {
	case <-closed:
	case <-time.After(time.Second):
	}
}

// Private returns the private server, or nil where the records are on a server
// given by URL.
func (s *Store) Private() *cluster.Server { return s.private }

// openPrivate starts the private server again where it goes away between the
// look at it and the first answer to a question.
func openPrivate(ctx context.Context, o Options) (*Store, error) {
	for again := 0; ; again++ {
		s, err := tryPrivate(ctx, o)
		if again == privateTries || !errors.Is(err, ErrUnreachable) {
			return s, err
		}
	}
}

// privateTries is how often a private server may go away while it is opened.
const privateTries = 3

func tryPrivate(ctx context.Context, o Options) (*Store, error) {
	server, err := cluster.Ensure(ctx, o.Cluster)
	if err != nil {
		return nil, err
	}
	config, w, err := configure(server.DSN(server.Person()), o, true)
	if err != nil {
		return nil, err
	}
	s, state, err := connect(ctx, config, w)
	if err == nil && state == current {
		s.private = server
		return s, nil
	}
	if err != nil && !missingRole(err) {
		return nil, err
	}
	if s != nil {
		s.Close()
	}
	if err := setUpPrivate(ctx, server, o); err != nil {
		return nil, err
	}
	s, state, err = connect(ctx, config, w)
	if err != nil {
		return nil, err
	}
	if state != current {
		s.Close()
		return nil, fmt.Errorf("the private database could not be brought up to date")
	}
	s.private = server
	return s, nil
}

// setUpPrivate does, as the owner, what the person may not: migrate, and make
// the person's role.
func setUpPrivate(ctx context.Context, server *cluster.Server, o Options) error {
	config, _, err := configure(server.DSN(cluster.Owner), o, true)
	if err != nil {
		return err
	}
	conn, err := pgx.ConnectConfig(ctx, config.ConnConfig)
	if err != nil {
		return connectError(err, config.ConnConfig)
	}
	defer closeConn(conn)
	if err := migrate(ctx, conn); err != nil {
		return err
	}
	return makePerson(ctx, conn, server.Person())
}

// makePerson makes the login role of a person on the private cluster: a writer
// who may also take over chained journals, which is how a person's own records
// come back after a move.
func makePerson(ctx context.Context, conn *pgx.Conn, person string) error {
	name := pgx.Identifier{person}.Sanitize()
	_, err := conn.Exec(ctx, "create role "+name+" login")
	// 42710, 23505: another command of the same person was faster.
	if err != nil && sqlState(err) != "42710" && sqlState(err) != "23505" {
		return fmt.Errorf("make the role of %s: %w", person, err)
	}
	for _, grant := range []string{
		"grant steadybath_writer to " + name,
		"grant execute on function steadybath.take_over(steadybath.facts[]) to " + name,
	} {
		// XX000 "tuple concurrently updated": the other command grants the same.
		if _, err := conn.Exec(ctx, grant); err != nil && sqlState(err) != "XX000" && sqlState(err) != "23505" {
			return fmt.Errorf("make the role of %s: %w", person, err)
		}
	}
	return nil
}

func openURL(ctx context.Context, o Options) (*Store, error) {
	config, w, err := configure(o.URL, o, true)
	if err != nil {
		return nil, err
	}
	s, state, err := connect(ctx, config, w)
	if errors.Is(err, pgconn.ErrReadOnlyConnection) && w.readOnly.Load() != nil {
		return openReadOnly(ctx, o, w.readOnly.Load().(string))
	}
	if err != nil || state == current {
		return s, err
	}
	defer s.Close()
	if err := s.Migrate(ctx); err != nil {
		return nil, err
	}
	again, state, err := connect(ctx, config, w)
	if err == nil && state != current {
		again.Close()
		return nil, fmt.Errorf("the database could not be brought up to date")
	}
	return again, err
}

// openReadOnly opens the records on a server that takes no writes, such as a
// standby whose primary is gone: questions it can answer.
func openReadOnly(ctx context.Context, o Options, addr string) (*Store, error) {
	config, w, err := configure(o.URL, o, false)
	if err != nil {
		return nil, err
	}
	dial := config.ConnConfig.DialFunc
	config.ConnConfig.DialFunc = func(ctx context.Context, network, other string) (net.Conn, error) {
		if other != addr {
			return nil, fmt.Errorf("%s was tried before", other)
		}
		return dial(ctx, network, addr)
	}
	s, state, err := connect(ctx, config, w)
	if err != nil {
		return nil, err
	}
	if state != current {
		s.Close()
		return nil, &Error{What: fmt.Sprintf("the database at %s takes no writes, and its records are of an older version or not there", addr), Help: "name its primary: it brings the records up to date"}
	}
	s.readOnly = addr
	return s, nil
}

const selectAsOf = `-- as_of
select pg_last_xact_replay_timestamp()`

// ReadOnly tells whether only a server was found that takes no writes, where it
// is, and when what it copied last was written: zero where it copies nothing.
func (s *Store) ReadOnly(ctx context.Context) (addr string, asOf time.Time, is bool) {
	if s.readOnly == "" {
		return "", time.Time{}, false
	}
	var copied *time.Time
	if err := s.pool.QueryRow(ctx, selectAsOf).Scan(&copied); err == nil && copied != nil {
		asOf = *copied
	}
	return s.readOnly, asOf, true
}

// mayWrite refuses where only a server was found that takes no writes.
func (s *Store) mayWrite() error {
	if s.readOnly == "" {
		return nil
	}
	return &Error{What: fmt.Sprintf("nothing can be entered: the only server that answers, %s, is a standby or takes no writes", s.readOnly),
		Help: "nothing was written; try again once a primary is back"}
}

// configure reads a connection string. Nothing of it goes into an error: what
// cannot be parsed cannot be trusted to show where the password is.
// Unless the connection string says otherwise, a writable server is asked for or
// any.
func configure(dsn string, o Options, writable bool) (*pgxpool.Config, *watch, error) {
	config, err := pgxpool.ParseConfig(dsn)
	if err != nil || torn(dsn, config.ConnConfig) {
		return nil, nil, &Error{
			What: "the database's address is not understood",
			Help: "write it as postgres://user@host:5432/database, with %-codes for special characters in the password, such as %2F for / and %40 for @",
		}
	}
	c := config.ConnConfig
	if !mentions(dsn, "connect_timeout", "PGCONNECT_TIMEOUT") {
		c.ConnectTimeout = connectTimeout
	}
	c.RuntimeParams["application_name"] = o.AppName
	if o.AppName == "" {
		c.RuntimeParams["application_name"] = "steadybath"
	}
	c.RuntimeParams["timezone"] = "UTC"
	config.MaxConns = connections
	config.MinConns = 0
	config.AfterConnect = func(_ context.Context, conn *pgx.Conn) error {
		inUTC(conn)
		return nil
	}
	c.OnNotice = noteWarning
	w := newWatch(c, writable && !mentions(dsn, "target_session_attrs", "PGTARGETSESSIONATTRS"), o.Cluster.Log)
	return config, w, nil
}

// torn tells whether an address was most likely parted within its password, by a
// character that stands there as it is. The rest of the password would then be
// looked up as a host, and shown as one or as a database: after a colon no @ may
// stand behind the first / ? or # (RFC 3986, 3.2), where it is written %40; and no
// setting of a server has a blank in its name.
func torn(dsn string, c *pgx.ConnConfig) bool {
	hosts := []string{c.Host}
	for _, f := range c.Fallbacks {
		hosts = append(hosts, f.Host)
	}
	if slices.ContainsFunc(hosts, func(h string) bool { return strings.Contains(h, "@") && !strings.HasPrefix(h, "/") }) {
		return true
	}
	if _, rest, isURL := strings.Cut(dsn, "://"); isURL && strings.HasPrefix(dsn, "postgres") {
		at := strings.LastIndex(rest, "@")
		return at >= 0 && strings.ContainsAny(rest[:at], "/?#") && strings.Contains(rest[:at], ":")
	}
	// An empty value, as of a shell's variable that was never set, takes the next
	// key with its value for its own.
	if strings.Contains(c.Host+" "+c.User+" "+c.Database, "password=") {
		return true
	}
	for name := range c.RuntimeParams {
		if strings.ContainsFunc(name, unicode.IsSpace) {
			return true
		}
	}
	return false
}

func mentions(dsn, key, variable string) bool {
	return strings.Contains(dsn, key) || os.Getenv(variable) != ""
}

// inUTC makes times come back in UTC: by default they would be in the zone of
// the machine, and so would every JSON made of them.
func inUTC(conn *pgx.Conn) {
	conn.TypeMap().RegisterType(&pgtype.Type{Name: "timestamptz", OID: pgtype.TimestamptzOID, Codec: &pgtype.TimestamptzCodec{ScanLocation: time.UTC}})
}

// state is what the schema needs before it can be used.
type state int

const (
	current state = iota
	behind        // absent, or older than the tool
)

// connect opens a pool, makes its first connection and looks at the schema.
func connect(ctx context.Context, config *pgxpool.Config, w *watch) (*Store, state, error) {
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, 0, connectError(err, config.ConnConfig)
	}
	s := &Store{pool: pool, watch: w}
	if err := pool.Ping(ctx); err != nil {
		s.Close()
		return nil, 0, connectError(err, config.ConnConfig)
	}
	version, err := s.Version(ctx)
	if err == nil {
		var newest int
		if newest, err = latest(); err == nil && version == newest {
			return s, current, nil
		}
		if err == nil && version > newest {
			err = newerError(version, newest)
		}
		if err == nil {
			return s, behind, nil
		}
	}
	s.Close()
	return nil, 0, err
}

// closeConn says goodbye to the server even where the context has ended.
func closeConn(conn *pgx.Conn) {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	_ = conn.Close(ctx)
}

// missingRole tells whether a private cluster let nobody in because the
// person's role is not there yet (28000), or not yet a writer (42501).
func missingRole(err error) bool {
	state := sqlState(err)
	return state == "28000" || state == "42501"
}

func sqlState(err error) string {
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		return pg.Code
	}
	return ""
}
