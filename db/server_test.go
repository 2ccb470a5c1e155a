package db

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
)

// The tests run on a PostgreSQL server of their own, in a temporary folder, and
// each in a database of its own copied from a migrated template. The superuser
// is test_admin; anna and ben are writers, rita is a reader, otto has no role.
const admin = "test_admin"

var (
	testServer string // socket folder
	databases  atomic.Int64
)

func TestMain(m *testing.M) {
	flag.Parse()
	if f := flag.Lookup("test.fuzz"); f != nil && f.Value.String() != "" { // that asks no server
		os.Exit(m.Run())
	}
	code, err := func() (int, error) {
		// A zone in which nothing is at a full hour shows times that forgot theirs.
		zone, err := time.LoadLocation("Asia/Kathmandu")
		if err != nil {
			return 1, err
		}
		time.Local = zone
		stop, err := startServer()
		if err != nil {
			return 1, fmt.Errorf("start PostgreSQL for the tests: %w", err)
		}
		defer stop()
		if err := makeTemplate(context.Background()); err != nil {
			return 1, fmt.Errorf("make the template: %w", err)
		}
		return m.Run(), nil
	}()
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
	}
	os.Exit(code)
}

// startServer makes and starts a throw-away cluster. PostgreSQL refuses to run
// as root, so root hands it to the account postgres, else nobody.
func startServer() (stop func(), err error) {
	bin, err := programs()
	if err != nil {
		return nil, err
	}
	parent, attr := "", &syscall.SysProcAttr{Setsid: true}
	if os.Getuid() == 0 {
		// TMPDIR may be a folder that only root can enter.
		parent = "/tmp"
	}
	dir, err := os.MkdirTemp(parent, "sb")
	if err != nil {
		return nil, err
	}
	clean := func() { _ = os.RemoveAll(dir) }
	if os.Getuid() == 0 {
		account, err := user.Lookup("postgres")
		if err != nil {
			account, err = user.Lookup("nobody")
		}
		if err != nil {
			return nil, err
		}
		uid, _ := strconv.Atoi(account.Uid)
		gid, _ := strconv.Atoi(account.Gid)
		attr.Credential = &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid), NoSetGroups: false}
		if err := os.Chown(dir, uid, gid); err != nil {
			return nil, err
		}
	}
	run := func(name string, args ...string) *exec.Cmd {
		cmd := exec.Command(filepath.Join(bin, name), args...)
		cmd.Dir, cmd.SysProcAttr = "/", attr
		cmd.Env = []string{"PATH=" + os.Getenv("PATH"), "LC_ALL=C"}
		return cmd
	}
	data := filepath.Join(dir, "data")
	if out, err := run("initdb", "-D", data, "-E", "UTF8", "--locale=C", "-A", "trust", "-U", admin, "--no-sync").CombinedOutput(); err != nil {
		clean()
		return nil, fmt.Errorf("initdb: %w\n%s", err, out)
	}
	log, err := os.Create(filepath.Join(dir, "log"))
	if err != nil {
		clean()
		return nil, err
	}
	server := run("postgres", "-D", data, "-F", "-c", "listen_addresses=", "-c", "unix_socket_directories="+dir,
		"-c", "max_connections=200", "-c", "shared_buffers=64MB", "-c", "timezone=Pacific/Chatham", "-c", "log_min_messages=fatal")
	server.Stderr = log
	if err := server.Start(); err != nil {
		clean()
		return nil, err
	}
	if os.Getuid() == 0 {
		err = os.Chmod(dir, 0o755)
	}
	testServer = dir
	stop = func() {
		_ = server.Process.Signal(syscall.SIGQUIT)
		_ = server.Wait()
		_ = log.Close()
		clean()
	}
	for range 1000 {
		var conn *pgx.Conn
		if conn, err = pgx.Connect(context.Background(), dsn("postgres", admin)); err == nil {
			return stop, conn.Close(context.Background())
		}
		time.Sleep(10 * time.Millisecond)
	}
	stop()
	return nil, err
}

// programs finds the folder of PostgreSQL's server programs.
func programs() (string, error) {
	folders := filepath.SplitList(os.Getenv("STEADYBATH_PGBIN"))
	found, _ := filepath.Glob("/usr/lib/postgresql/*/bin")
	slices.Reverse(found)
	folders = append(append(folders, found...), "/usr/pgsql/bin", "/usr/local/pgsql/bin", "/opt/homebrew/bin")
	folders = append(folders, filepath.SplitList(os.Getenv("PATH"))...)
	for _, f := range folders {
		if _, err := os.Stat(filepath.Join(f, "initdb")); err == nil {
			return f, nil
		}
	}
	return "", fmt.Errorf("no initdb found; install PostgreSQL's server package")
}

func dsn(database, user string) string {
	return fmt.Sprintf("host='%s' port=5432 user='%s' dbname='%s' sslmode=disable", testServer, user, database)
}

func makeTemplate(ctx context.Context) error {
	conn, err := pgx.Connect(ctx, dsn("postgres", admin))
	if err != nil {
		return err
	}
	defer conn.Close(ctx)
	if _, err := conn.Exec(ctx, "create database template_steadybath"); err != nil {
		return err
	}
	s, err := Open(ctx, Options{URL: dsn("template_steadybath", admin)})
	if err != nil {
		return err
	}
	s.Close()
	_, err = conn.Exec(ctx, `
		create role anna login in role steadybath_writer;
		create role ben login in role steadybath_writer;
		create role rita login in role steadybath_reader;
		create role otto login;`)
	return err
}

// emptyDatabase makes a database without the schema and returns its name.
func emptyDatabase(tb testing.TB, template string) string {
	tb.Helper()
	ctx := context.Background()
	name := fmt.Sprintf("t%d", databases.Add(1))
	conn, err := pgx.Connect(ctx, dsn("postgres", admin))
	require.NoError(tb, err)
	defer conn.Close(ctx)
	_, err = conn.Exec(ctx, "create database "+name+" template "+template)
	require.NoError(tb, err)
	tb.Cleanup(func() {
		conn, err := pgx.Connect(ctx, dsn("postgres", admin))
		require.NoError(tb, err)
		defer conn.Close(ctx)
		_, err = conn.Exec(ctx, "drop database "+name+" with (force)")
		require.NoError(tb, err)
	})
	return name
}

// newDatabase makes a migrated database and returns its name.
func newDatabase(tb testing.TB) string {
	tb.Helper()
	return emptyDatabase(tb, "template_steadybath")
}

func open(tb testing.TB, database, user string) *Store {
	tb.Helper()
	s, err := Open(context.Background(), Options{URL: dsn(database, user)})
	require.NoError(tb, err)
	tb.Cleanup(s.Close)
	return s
}

// sqlAs opens a bare connection, for what the store has no method for.
func sqlAs(tb testing.TB, database, user string) *pgx.Conn {
	tb.Helper()
	conn, err := pgx.Connect(context.Background(), dsn(database, user))
	require.NoError(tb, err)
	inUTC(conn)
	tb.Cleanup(func() { _ = conn.Close(context.Background()) })
	return conn
}

func mentionsNone(tb testing.TB, text string, secrets ...string) {
	tb.Helper()
	for _, s := range secrets {
		require.False(tb, strings.Contains(text, s), "%q holds %q", text, s)
	}
}
