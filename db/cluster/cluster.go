package cluster

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// Names that the private cluster gives to what lies in it. The port only names
// the socket file: no network is ever listened on.
const (
	Owner    = "steadybath_owner" // login role that owns the database, may create roles, is no superuser
	Database = "steadybath"       // the one database
	Port     = 5432               // part of the socket's name

	// bootstrap is the superuser that initdb asks for. No map entry leads to
	// it, so nobody can log in as it while the server runs as it should.
	bootstrap = "steadybath_bootstrap"
)

const (
	pollEvery  = 5 * time.Millisecond // pg_ctl polls every 100 ms, which is most of a cold start
	sayAfter   = time.Second          // a wait longer than this is explained to the person
	stopWithin = 60 * time.Second
)

// Config says where the private cluster lies and how to find its programs.
// The zero value is the cluster of the person who runs the program.
type Config struct {
	// Home is the tool's data folder; "" stands for DefaultHome(Env).
	Home string
	// Env looks up an environment variable; nil stands for os.Getenv. Asked
	// for: HOME, PATH, XDG_DATA_HOME, XDG_RUNTIME_DIR, STEADYBATH_HOME and
	// STEADYBATH_PGBIN (folders with PostgreSQL's programs, separated as in PATH).
	Env func(string) string
	// Log receives one line whenever something takes longer than a person
	// would wait without wondering; nil drops it.
	Log func(format string, args ...any)
	// Proof is SQL for psql, "" for none. An upgrade asks it in every database
	// of the old server and the new, and gives up unless they answer the same.
	Proof string

	// The rest is replaced by tests only.
	patterns []string                          // where programs are looked for besides PATH
	userName func(uid int) (string, error)     // name of a user id in the password database
	shared   string                            // folder for clusters that root cannot keep at home
	limit    time.Duration                     // how long to wait for a busy orphan or a recovery
	enter    func(dir string, a account) error // may the account enter the folder
}

func (c Config) withDefaults() Config {
	if c.Env == nil {
		c.Env = os.Getenv
	}
	if c.Log == nil {
		c.Log = func(string, ...any) {}
	}
	if c.patterns == nil {
		c.patterns = programFolders
	}
	if c.userName == nil {
		c.userName = userName
	}
	if c.shared == "" {
		c.shared = "/var/lib/steadybath"
	}
	if c.limit == 0 {
		c.limit = 5 * time.Minute
	}
	if c.enter == nil {
		c.enter = canEnter
	}
	return c
}

// Error is a refusal or failure in one sentence, with what would help.
type Error struct {
	What  string // what was wrong and where
	Help  string // what to do about it, or ""
	Cause error  // what it came from, or nil
}

// Error returns the sentence without the hint.
func (e *Error) Error() string { return e.What }

// Hint returns what to do about it, or "".
func (e *Error) Hint() string { return e.Help }

// Unwrap returns the cause, so that errors.Is finds the sentinels below.
func (e *Error) Unwrap() error { return e.Cause }

// What a caller may want to tell apart with errors.Is.
var (
	ErrNoPrograms   = errors.New("no PostgreSQL programs")                            // nothing installed to make or open a cluster with
	ErrOtherVersion = errors.New("cluster of another PostgreSQL version")             // the cluster's own version is not installed
	ErrDiskFull     = errors.New("no room on the disk")                               // the server stopped or could not start for want of room
	ErrNotYours     = errors.New("cluster of another account")                        // the folder belongs to somebody else
	ErrNoUser       = errors.New("user id without an entry in the password database") // PostgreSQL cannot run under such an id
	ErrBusy         = errors.New("old server process still busy")                     // an orphan of a killed server keeps the data
)

// Server is a running private server.
type Server struct {
	SocketDir string // folder of the Unix socket, mode 0700
	Port      int    // always Port
	DataDir   string // PostgreSQL's data folder
	LogFile   string // what the server says
	Version   int    // major version, such as 15
	PID       int    // the postmaster
	Made      bool   // this call made the cluster
	Started   bool   // this call started the server
	person    string
}

// DSN returns the keyword/value connection string of a role on the private
// database, for pgx and libpq alike. It names everything that an environment
// variable of PostgreSQL's clients could otherwise change.
func (s *Server) DSN(role string) string {
	return fmt.Sprintf("host=%s port=%d user=%s dbname=%s sslmode=disable target_session_attrs=any connect_timeout=10 timezone=UTC options=''",
		quoteValue(s.SocketDir), s.Port, quoteValue(role), Database)
}

// Person returns the login role of whoever runs the tool: the operating
// system's user name, or person_NAME where PostgreSQL or this package keeps
// that name for something else. Package db makes the role on first use.
func (s *Server) Person() string { return s.person }

func quoteValue(s string) string {
	return "'" + strings.NewReplacer(`\`, `\\`, `'`, `\'`).Replace(s) + "'"
}

// Ensure returns the running private server: the one that runs, else the one
// that exists, started, else a new one. Any number of processes may call it at
// once. It returns an *Error for whatever a person can do something about, and
// ctx.Err() (wrapped) when ctx ends first; a start under way then goes on.
func Ensure(ctx context.Context, c Config) (*Server, error) {
	c = c.withDefaults()
	p, err := c.locate()
	if err != nil {
		return nil, err
	}
	// The usual case takes no lock: a running server that answers.
	if s, err := p.running(ctx); err == nil {
		return s, nil
	}
	if err := p.prepare(); err != nil {
		return nil, err
	}
	unlock, err := lock(ctx, p.lockFile(), c.Log)
	if err != nil {
		return nil, err
	}
	defer unlock()
	return p.ensureLocked(ctx)
}

// errNotRunning means that the fast look found no server to use as it is; what
// to do about it is decided under the lock.
var errNotRunning = errors.New("no private server answers")

func (p *place) running(ctx context.Context) (*Server, error) {
	l := p.look()
	if !l.live || l.port != Port || l.status != "ready" || p.checkSocketFolder(l.socketDir) != nil {
		return nil, errNotRunning
	}
	if err := p.probe(ctx, l.socketDir); err != nil {
		return nil, err
	}
	return p.server(l), nil
}

func (p *place) server(l look) *Server {
	return &Server{
		SocketDir: l.socketDir,
		Port:      l.port,
		DataDir:   p.data(),
		LogFile:   p.logFile(),
		Version:   l.version,
		PID:       l.pid,
		person:    p.person,
	}
}

// ensureLocked brings the cluster from whatever state it is in to running.
// The caller holds the lock, so nobody else of this tool makes, starts, stops
// or upgrades it meanwhile.
func (p *place) ensureLocked(ctx context.Context) (*Server, error) {
	if err := p.finishUpgrade(); err != nil {
		return nil, err
	}
	var made, mapped bool
	var starts int
	var unreachableSince time.Time
	w := p.waiting()
	for {
		if err := ctx.Err(); err != nil {
			return nil, fmt.Errorf("wait for the private database: %w", err)
		}
		l := p.look()
		if w.over() {
			return nil, &Error{
				What: fmt.Sprintf("the private database in %s is not ready after %v (pid %d)", p.data(), p.limit, l.pid),
				Help: "its log is " + p.logFile(),
			}
		}
		switch {
		case l.version == 0:
			if err := p.make(ctx); err != nil {
				return nil, err
			}
			made = true
			continue
		case !l.live:
			if starts++; starts > 3 {
				return nil, p.failure(launch{data: p.data()}, 0, errors.New("it stops again right after it was ready"))
			}
			if err := p.start(ctx, l.version); err != nil {
				return nil, err
			}
			continue
		case l.port != Port:
			// An upgrade was cut off while it had this folder open under another port.
			p.Log("ending a server that a broken-off upgrade left behind")
			if err := p.stop(ctx, l.pid, p.data()); err != nil {
				return nil, err
			}
			continue
		}

		err := p.probe(ctx, l.socketDir)
		var refused *refusal
		switch {
		case err == nil || errors.As(err, &refused) && refused.code == "53300":
			// 53300, too many connections: it runs, and the caller is told by its own connection.
			s := p.server(l)
			s.Made, s.Started = made, starts > 0
			return s, p.checkSocketFolder(l.socketDir)
		case errors.As(err, &refused) && refused.code == "57P03":
			if l.status == "stopping" {
				if w.after(5*time.Second, "the private database is closing for its open sessions; closing it now") {
					_ = syscall.Kill(l.pid, syscall.SIGINT)
				}
			}
			w.after(sayAfter, "waiting for the private database to get ready (pid %d)", l.pid)
		case errors.As(err, &refused) && refused.code == "28000" && !mapped:
			// The person's user name changed since the cluster was made.
			mapped = true
			if err := p.writeMap(p.data()); err != nil {
				return nil, err
			}
			_ = syscall.Kill(l.pid, syscall.SIGHUP)
			time.Sleep(100 * time.Millisecond)
			continue
		case errors.As(err, &refused):
			return nil, p.failure(launch{data: p.data()}, 0, err)
		case l.status == "stopping" || l.status == "starting" || l.status == "":
			w.after(sayAfter, "waiting for the private database, which is %s (pid %d)", or(l.status, "starting"), l.pid)
		default:
			// Ready by its own word, yet its socket does not answer: the socket
			// was swept away (a runtime folder goes at log-out, /tmp is cleaned).
			if unreachableSince.IsZero() {
				unreachableSince = time.Now()
			}
			if _, gone := os.Lstat(filepath.Join(l.socketDir, socketName(l.port))); gone != nil || time.Since(unreachableSince) > 2*time.Second {
				p.Log("the private database runs but its socket is gone; starting it again")
				if err := p.stop(ctx, l.pid, p.data()); err != nil {
					return nil, err
				}
				unreachableSince = time.Time{}
				continue
			}
		}
		sleep(ctx, pollEvery)
	}
}

func or(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

// waiting says each of its lines once, when the wait has become long.
type waiting struct {
	since time.Time
	limit time.Duration
	log   func(string, ...any)
	said  map[string]bool
}

func (p *place) waiting() *waiting {
	return &waiting{since: time.Now(), limit: p.limit, log: p.Log, said: map[string]bool{}}
}

func (w *waiting) after(d time.Duration, format string, args ...any) bool {
	if time.Since(w.since) < d || w.said[format] {
		return false
	}
	w.said[format] = true
	w.log(format, args...)
	return true
}

func (w *waiting) over() bool { return time.Since(w.since) > w.limit }

func sleep(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}

func socketName(port int) string { return ".s.PGSQL." + strconv.Itoa(port) }
