package cluster

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/stretchr/testify/require"
)

// childEnv makes the test binary be one command of the tool: it ensures the
// cluster of STEADYBATH_HOME, says what it found as JSON, and ends.
const (
	childEnv     = "STEADYBATH_TEST_CHILD"
	fileLimitEnv = "STEADYBATH_TEST_FILE_LIMIT" // bytes; stands for a full disk
)

type childAnswer struct {
	PID           int
	Made, Started bool
	Error, Hint   string
	Full          bool
}

func TestMain(m *testing.M) {
	if os.Getenv(childEnv) != "" {
		os.Exit(child())
	}
	os.Exit(m.Run())
}

func child() int {
	if limit, err := strconv.ParseUint(os.Getenv(fileLimitEnv), 10, 64); err == nil {
		if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: limit, Max: limit}); err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
	}
	s, err := Ensure(context.Background(), Config{})
	a := childAnswer{}
	if err != nil {
		a.Error = err.Error()
		var e *Error
		if asError(err, &e) {
			a.Hint = e.Help
		}
		a.Full = isFull(err)
	} else {
		a.PID, a.Made, a.Started = s.PID, s.Made, s.Started
	}
	if err := json.NewEncoder(os.Stdout).Encode(a); err != nil {
		return 1
	}
	return 0
}

// bed is a data folder of a test's own.
type bed struct {
	Config
	t testing.TB

	mu   sync.Mutex
	said []string
	env  map[string]string
}

// newBed gives a test a data folder that a server's account can enter, so that
// the cluster lies in it for root too; whatever comes to lie there or elsewhere
// is stopped and removed at the end.
func newBed(t testing.TB, name string) *bed {
	dir := t.TempDir()
	for d := dir; d != os.TempDir() && d != "/" && os.Chmod(d, 0o755) == nil; d = filepath.Dir(d) {
		if filepath.Dir(d) == os.TempDir() {
			break
		}
	}
	return bedAt(t, filepath.Join(dir, name))
}

func bedAt(t testing.TB, home string) *bed {
	b := &bed{t: t, env: map[string]string{}}
	b.Home = home
	b.Env = func(name string) string {
		if v, ok := b.env[name]; ok {
			return v
		}
		if name == "XDG_RUNTIME_DIR" {
			return ""
		}
		return os.Getenv(name)
	}
	b.Log = func(format string, args ...any) {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.said = append(b.said, fmt.Sprintf(format, args...))
	}
	b.limit = time.Minute
	t.Cleanup(b.remove)
	return b
}

func (b *bed) heard() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return strings.Join(b.said, "\n")
}

func (b *bed) place() *place {
	b.t.Helper()
	p, err := b.withDefaults().locate()
	require.NoError(b.t, err)
	return p
}

func (b *bed) remove() {
	p, _ := b.withDefaults().locate()
	if p == nil {
		return
	}
	dirs, _ := filepath.Glob(filepath.Join(globEscape(p.base), "*"))
	for _, dir := range dirs {
		for _, pid := range workers(dir) {
			_ = syscall.Kill(pid, syscall.SIGQUIT)
		}
	}
	for _, dir := range dirs {
		for i := 0; i < 2000 && len(workers(dir)) > 0; i++ {
			time.Sleep(pollEvery)
		}
		if left := workers(dir); len(left) > 0 {
			b.t.Errorf("processes %v still work in %s", left, dir)
		}
	}
	for _, dir := range p.socketFolders() {
		_ = os.RemoveAll(dir)
	}
	if p.base != p.home {
		_ = os.RemoveAll(p.base)
	}
}

func (b *bed) ensure() *Server {
	b.t.Helper()
	s, err := Ensure(b.t.Context(), b.Config)
	require.NoError(b.t, err)
	return s
}

func (b *bed) stop() {
	b.t.Helper()
	require.NoError(b.t, Stop(b.t.Context(), b.Config))
}

func connect(t testing.TB, s *Server, role string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), s.DSN(role))
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	return conn
}

func exec1(t testing.TB, s *Server, sql string) {
	t.Helper()
	conn := connect(t, s, Owner)
	_, err := conn.Exec(t.Context(), sql)
	require.NoError(t, err)
	require.NoError(t, conn.Close(t.Context()))
}

func one[T any](t testing.TB, s *Server, sql string) T {
	t.Helper()
	conn := connect(t, s, Owner)
	var v T
	require.NoError(t, conn.QueryRow(t.Context(), sql).Scan(&v))
	require.NoError(t, conn.Close(t.Context()))
	return v
}

// sqlState connects as a role that must be refused and returns the SQLSTATE.
func sqlState(t testing.TB, s *Server, role string) string {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), s.DSN(role))
	if err == nil {
		_ = conn.Close(t.Context())
		return "connected"
	}
	var pe *pgconn.PgError
	require.ErrorAs(t, err, &pe)
	return pe.Code
}

// start runs the test binary as one command of the tool.
func (b *bed) child(extra ...string) *exec.Cmd {
	exe, err := os.Executable()
	require.NoError(b.t, err)
	cmd := exec.Command(exe)
	cmd.Env = append(os.Environ(), childEnv+"=ensure", "STEADYBATH_HOME="+b.Home, "XDG_RUNTIME_DIR=")
	cmd.Env = append(cmd.Env, extra...)
	cmd.Stderr = os.Stderr
	return cmd
}

func answer(t testing.TB, out []byte) childAnswer {
	t.Helper()
	var a childAnswer
	require.NoError(t, json.Unmarshal(out, &a), "%s", out)
	return a
}

// kill ends a process as a power cut would and waits until it is gone.
func kill(t testing.TB, pid int, dir string) {
	t.Helper()
	require.NoError(t, syscall.Kill(pid, syscall.SIGKILL))
	for i := 0; worksIn(pid, dir); i++ {
		require.Less(t, i, 2000, "process %d does not die", pid)
		time.Sleep(pollEvery)
	}
}

// stranger starts a live process under the server's account that has nothing
// to do with any database.
func stranger(t testing.TB, a account) int {
	t.Helper()
	cmd := exec.Command("sleep", "600")
	a.apply(cmd)
	require.NoError(t, cmd.Start())
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	return cmd.Process.Pid
}

// zombie leaves a dead process of the server's account that nobody has waited for.
func zombie(t testing.TB, a account) int {
	t.Helper()
	cmd := exec.Command("cat")
	a.apply(cmd)
	in, err := cmd.StdinPipe()
	require.NoError(t, err)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	require.NoError(t, in.Close())
	_, err = io.ReadAll(out) // the pipe ends when the process does
	require.NoError(t, err)
	t.Cleanup(func() { _ = cmd.Wait() })
	return cmd.Process.Pid
}

// setFirstLine puts another pid into a lock file, in place, so that owner and
// mode stay.
func setFirstLine(t testing.TB, name string, pid int) {
	t.Helper()
	text, err := os.ReadFile(name)
	require.NoError(t, err)
	_, rest, _ := strings.Cut(string(text), "\n")
	require.NoError(t, os.WriteFile(name, []byte(strconv.Itoa(pid)+"\n"+rest), 0o600))
}
