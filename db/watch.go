package db

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"sync/atomic"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// errSilent is what a read or a write ends with where nothing comes any more.
var errSilent = errors.New("the server does not answer any more")

// watch notices when a server that was reached over a network has fallen
// silent: a cable, a router or a host that died sends no reset, and a command
// would wait for ever. After some silence it asks the server on a second
// connection whether it is still at work on the first; as long as it is, and be
// it waiting for a lock or for its standby, the command waits on.
type watch struct {
	config   *pgx.ConnConfig
	patience time.Duration
	reading  atomic.Bool  // rows are awaited from their source, so silence is ours
	readOnly atomic.Value // string: address of the last server that took no writes
	said     atomic.Bool  // what the server waits for
	log      func(format string, args ...any)
}

// A client that died without a word would keep the lock of its bath until the
// server's system noticed, which takes two hours by default. What a database or
// a role was given of its own stays. Sent as a query, since poolers refuse such
// things when a session begins.
const selectSession = `-- session
select pg_backend_pid(), current_setting('transaction_read_only'),
  case when current_setting('idle_in_transaction_session_timeout') = '0' then set_config('idle_in_transaction_session_timeout', '1min', false) end,
  set_config('tcp_keepalives_idle', '30', false), set_config('tcp_keepalives_interval', '10', false), set_config('tcp_keepalives_count', '3', false)`

// newWatch puts a watch on the connections that c will make. Where writable is
// set it refuses servers that take no writes. log, which may be nil, hears what
// a server at work waits for.
func newWatch(c *pgx.ConnConfig, writable bool, log func(string, ...any)) *watch {
	w := &watch{config: c.Copy(), patience: c.ConnectTimeout, log: log}
	dial := c.DialFunc
	c.DialFunc = func(ctx context.Context, network, addr string) (net.Conn, error) {
		conn, err := dial(ctx, network, addr)
		if err != nil {
			return nil, err
		}
		return &watched{Conn: conn, watch: w, addr: addr, afar: network != "unix" && w.patience > 0}, nil
	}
	validate := c.ValidateConnect
	c.ValidateConnect = func(ctx context.Context, conn *pgconn.PgConn) error {
		result, err := conn.Exec(ctx, selectSession).ReadAll()
		if err != nil {
			return err
		}
		row := result[0].Rows[0]
		// A pooler between gives numbers of its own, after which nobody can ask.
		one, ok := netConn(conn).(*watched)
		if ok && one.afar && string(row[0]) == fmt.Sprint(conn.PID()) {
			one.pid.Store(conn.PID())
		}
		if writable && string(row[1]) == "on" {
			if ok {
				w.readOnly.Store(one.addr)
			}
			return pgconn.ErrReadOnlyConnection
		}
		if validate != nil {
			return validate(ctx, conn)
		}
		return nil
	}
	return w
}

func netConn(conn *pgconn.PgConn) net.Conn {
	if over, ok := conn.Conn().(*tls.Conn); ok {
		return over.NetConn()
	}
	return conn.Conn()
}

// watched is one connection under a watch.
type watched struct {
	net.Conn
	watch *watch
	addr  string
	afar  bool          // a network lies between
	pid   atomic.Uint32 // of the server's process; 0 where there is nothing to watch
	moved atomic.Int64  // when bytes last went either way
	gone  atomic.Bool
}

// Read is that of the connection, and ends where the server is gone.
func (c *watched) Read(b []byte) (int, error) {
	return c.wait(func() (int, error) { return c.Conn.Read(b) })
}

// Write is that of the connection, and ends where the server is gone.
func (c *watched) Write(b []byte) (int, error) {
	return c.wait(func() (int, error) { return c.Conn.Write(b) })
}

func (c *watched) wait(do func() (int, error)) (int, error) {
	if c.pid.Load() == 0 { // the time to connect is bounded elsewhere
		return do()
	}
	c.moved.Store(time.Now().UnixNano())
	over := make(chan struct{})
	timer := time.AfterFunc(c.watch.patience, func() { c.suspect(over) })
	n, err := do()
	timer.Stop()
	close(over)
	c.moved.Store(time.Now().UnixNano())
	if err != nil && c.gone.Load() {
		return n, errSilent
	}
	return n, err
}

// suspect runs while nothing comes, and closes the connection once the server
// is no longer at work on it.
func (c *watched) suspect(over <-chan struct{}) {
	for {
		moved := c.moved.Load()
		left := c.watch.patience - time.Since(time.Unix(0, moved))
		if left <= 0 && !c.watch.reading.Load() && !c.atWork() && c.moved.Load() == moved && !c.watch.reading.Load() {
			select {
			case <-over:
			default:
				c.gone.Store(true)
				_ = c.Conn.Close()
			}
			return
		}
		if left <= 0 {
			left = c.watch.patience
		}
		select {
		case <-over:
			return
		case <-time.After(left):
		}
	}
}

// A process that waits for its client is not at work: what it waits for was
// sent or will never be read.
const selectAtWork = `-- at_work
select coalesce(a.wait_event, '') from pg_catalog.pg_stat_activity a
where a.pid = $1 and (a.state = 'disabled' or a.state = 'active' and coalesce(a.wait_event, '') not in ('ClientRead', 'ClientWrite'))`

// atWork asks the server about the connection's process.
func (c *watched) atWork() bool {
	ctx, cancel := context.WithTimeout(context.Background(), c.watch.patience)
	defer cancel()
	config := c.watch.config.Copy()
	dial := config.DialFunc
	config.DialFunc = func(ctx context.Context, network, _ string) (net.Conn, error) { return dial(ctx, network, c.addr) }
	config.ValidateConnect = nil
	conn, err := pgx.ConnectConfig(ctx, config)
	if err != nil {
		return sqlState(err) == "53300" // it lives, and has no connection left to say more
	}
	defer closeConn(conn)
	var waits string
	if err := conn.QueryRow(ctx, selectAtWork, int32(c.pid.Load())).Scan(&waits); err != nil {
		return false
	}
	why := map[string]string{
		"SyncRep":  "waiting: the database waits for its standby; ctrl-c gives up",
		"advisory": "waiting: somebody else is entering facts into this bath; ctrl-c gives up",
	}[waits]
	if why != "" && c.watch.log != nil && c.watch.said.CompareAndSwap(false, true) {
		c.watch.log("%s", why)
	}
	return true
}
