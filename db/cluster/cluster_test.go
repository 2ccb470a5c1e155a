package cluster

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func asError(err error, e **Error) bool { return errors.As(err, e) }
func isFull(err error) bool             { return errors.Is(err, ErrDiskFull) }

func TestFirstStartAndReuse(t *testing.T) {
	b := newBed(t, "home")
	s := b.ensure()
	assert.True(t, s.Made)
	assert.True(t, s.Started)
	assert.Contains(t, b.heard(), "making a private database in "+b.place().base)

	again := b.ensure()
	assert.False(t, again.Made)
	assert.False(t, again.Started)
	assert.Equal(t, s.PID, again.PID)

	t.Run("server", func(t *testing.T) {
		for name, want := range map[string]string{
			// Durability as PostgreSQL's documentation of "Non-Durable Settings" names it.
			"fsync": "on", "full_page_writes": "on", "synchronous_commit": "on",
			"data_checksums": "on", "zero_damaged_pages": "off",
			// Nobody outside the socket.
			"listen_addresses": "", "unix_socket_permissions": "0700",
			"server_encoding": "UTF8", "TimeZone": "UTC", "log_timezone": "UTC",
			"shared_buffers": "16MB", "max_connections": "20", "wal_level": "minimal", "max_wal_senders": "0",
			"jit": "off", "dynamic_shared_memory_type": "mmap", "wal_segment_size": "1MB",
		} {
			assert.Equal(t, want, one[string](t, s, "select current_setting('"+name+"')"), name)
		}
		assert.Equal(t, s.Version, one[int](t, s, "select current_setting('server_version_num')::int / 10000"))
	})
	t.Run("rules of access", func(t *testing.T) {
		text, err := os.ReadFile(filepath.Join(s.DataDir, "pg_hba.conf"))
		require.NoError(t, err)
		var rules []string
		for line := range strings.Lines(string(text)) {
			if line = strings.TrimSpace(line); line != "" && !strings.HasPrefix(line, "#") {
				rules = append(rules, line)
			}
		}
		assert.Equal(t, []string{"local all all peer map=steadybath"}, rules)
	})
	t.Run("folders are closed", func(t *testing.T) {
		for _, dir := range []string{s.SocketDir, s.DataDir} {
			fi, err := os.Stat(dir)
			require.NoError(t, err)
			assert.Equal(t, os.FileMode(0o700), fi.Mode().Perm(), dir)
		}
	})
	t.Run("owner", func(t *testing.T) {
		assert.Equal(t, Owner, one[string](t, s, "select session_user"))
		assert.True(t, one[bool](t, s, "select rolcreaterole and not rolsuper and not rolcreatedb and not rolbypassrls and not rolreplication from pg_roles where rolname = session_user"))
		assert.Equal(t, Owner, one[string](t, s, "select pg_get_userbyid(datdba) from pg_database where datname = 'steadybath'"))
	})
	t.Run("person", func(t *testing.T) {
		require.Equal(t, "28000", sqlState(t, s, s.Person()), "no such role yet")
		exec1(t, s, "create role "+pgx.Identifier{s.Person()}.Sanitize()+" login")
		var who string
		require.NoError(t, connect(t, s, s.Person()).QueryRow(t.Context(), "select session_user").Scan(&who))
		out, err := exec.Command("id", "-un").Output()
		require.NoError(t, err)
		assert.Equal(t, strings.TrimSpace(string(out)), who)
	})
	t.Run("nobody else", func(t *testing.T) {
		exec1(t, s, "create role made_up login")
		assert.Equal(t, "28000", sqlState(t, s, "made_up"), "exists, but is not in the map")
		assert.Equal(t, "28000", sqlState(t, s, "nonexistent"))
		assert.Equal(t, "28000", sqlState(t, s, bootstrap), "the superuser")
	})
	t.Run("whatever the environment says", func(t *testing.T) {
		for name, v := range map[string]string{
			"PGHOST": "nowhere.invalid", "PGPORT": "1", "PGUSER": "x", "PGDATABASE": "x", "PGSSLMODE": "verify-full",
			"PGTZ": "Asia/Kathmandu", "PGOPTIONS": "-c synchronous_commit=off", "PGTARGETSESSIONATTRS": "read-only",
			"PGDATA": "/nonexistent", "PGSERVICE": "nosuch", "TZ": "Asia/Kathmandu", "LC_ALL": "de_DE.UTF-8",
		} {
			t.Setenv(name, v)
		}
		assert.Equal(t, s.PID, b.ensure().PID)
		require.NoError(t, os.Unsetenv("PGSERVICE")) // pgx has no way to overrule this one
		assert.Equal(t, "on UTC", one[string](t, s, "select current_setting('synchronous_commit') || ' ' || current_setting('timezone')"))
		b.stop()
		assert.True(t, b.ensure().Started)
	})
}

func TestAnotherAccountIsRefused(t *testing.T) {
	b := newBed(t, "home")
	s := b.ensure()
	if os.Geteuid() != 0 {
		// Without root no other account can be tried; the folder's mode is what keeps it out.
		fi, err := os.Stat(s.SocketDir)
		require.NoError(t, err)
		assert.Equal(t, os.FileMode(os.ModeDir|0o700), fi.Mode())
		assert.Equal(t, os.Geteuid(), fileOwner(fi))
		return
	}
	g := withClients(t)
	try := func(uid, gid int, role string) string {
		cmd := exec.Command(g.path("psql"), "-X", "-w", "-h", s.SocketDir, "-U", role, "-d", Database, "-c", "select 1")
		account{uid: uid, gid: gid, drop: true}.apply(cmd)
		cmd.Env = []string{"LC_ALL=C"}
		out, err := cmd.CombinedOutput()
		assert.Error(t, err)
		return string(out)
	}
	// 54321 stands for any other person of the machine.
	assert.Contains(t, try(54321, 54321, Owner), "Permission denied")
	a := b.place().account
	for _, role := range []string{Owner, bootstrap, "root", a.name} {
		assert.Contains(t, try(a.uid, a.gid, role), "Peer authentication failed", "the server's own account as %s", role)
	}
}

func TestSixAtOnce(t *testing.T) {
	b := newBed(t, "home")
	for _, from := range []string{"nothing", "stopped", "running"} {
		t.Run(from, func(t *testing.T) {
			cmds, outs := make([]*exec.Cmd, 6), make([]strings.Builder, 6)
			for i := range cmds {
				cmds[i] = b.child()
				cmds[i].Stdout = &outs[i]
				require.NoError(t, cmds[i].Start())
			}
			pids, made, started := map[int]bool{}, 0, 0
			for i := range cmds {
				require.NoError(t, cmds[i].Wait())
				a := answer(t, []byte(outs[i].String()))
				require.Empty(t, a.Error)
				pids[a.PID] = true
				if a.Made {
					made++
				}
				if a.Started {
					started++
				}
			}
			assert.Len(t, pids, 1, "one server")
			wantMade, wantStarted := 0, 1
			switch from {
			case "nothing":
				wantMade = 1
			case "running":
				wantStarted = 0
			}
			assert.Equal(t, wantMade, made)
			assert.Equal(t, wantStarted, started)
			left, err := filepath.Glob(filepath.Join(globEscape(b.place().base), making+"*"))
			require.NoError(t, err)
			assert.Empty(t, left)
			if from == "nothing" {
				b.stop()
			}
		})
	}
}

func TestKilledServer(t *testing.T) {
	b := newBed(t, "home")
	s := b.ensure()
	exec1(t, s, "create table kept (n int); insert into kept select generate_series(1, 1000)")
	kill(t, s.PID, s.DataDir)
	again := b.ensure()
	assert.NotEqual(t, s.PID, again.PID)
	assert.True(t, again.Started)
	assert.False(t, again.Made)
	assert.Equal(t, 1000, one[int](t, again, "select count(*) from kept"))
}

func TestKilledTool(t *testing.T) {
	b := newBed(t, "home")
	// Wherever in the making the tool dies, the next command gets a whole cluster.
	for _, after := range []time.Duration{0, 30, 150, 300, 450, 600} {
		cmd := b.child()
		require.NoError(t, cmd.Start())
		time.Sleep(after * time.Millisecond)
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	}
	s := b.ensure()
	exec1(t, s, "create table kept (n int)")
	assert.Equal(t, []string{bootstrap, Owner}, oneList(t, s, "select rolname::text from pg_roles where rolname !~ '^pg_' order by 1"))

	// What a killed tool left half made goes at the next start at the latest.
	half := filepath.Join(b.place().base, making+"123", "base")
	require.NoError(t, os.MkdirAll(half, 0o700))
	b.stop()
	b.ensure()
	left, err := filepath.Glob(filepath.Join(globEscape(b.place().base), making+"*"))
	require.NoError(t, err)
	assert.Empty(t, left)
}

func oneList(t testing.TB, s *Server, sql string) []string {
	t.Helper()
	rows, err := connect(t, s, Owner).Query(t.Context(), sql)
	require.NoError(t, err)
	list, err := pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(t, err)
	return list
}

func TestStaleLocks(t *testing.T) {
	b := newBed(t, "home")
	s := b.ensure()
	p := b.place()
	exec1(t, s, "create table kept (n int); insert into kept values (1)")
	for name, pid := range map[string]func() int{
		"foreign live process": func() int { return stranger(t, p.account) },
		"zombie":               func() int { return zombie(t, p.account) },
		"no process":           func() int { return 4194304 }, // PID_MAX_LIMIT of Linux, which no process gets; from memory
	} {
		t.Run(name, func(t *testing.T) {
			s := b.ensure()
			kill(t, s.PID, s.DataDir)
			pidFile := filepath.Join(s.DataDir, "postmaster.pid")
			lockFile := filepath.Join(s.SocketDir, socketName(Port)+".lock")
			taken := pid()
			setFirstLine(t, pidFile, taken)
			setFirstLine(t, lockFile, taken)
			if name != "no process" {
				// PostgreSQL itself refuses such a lock: that is what is being handled.
				g, err := p.matching(t.Context(), s.Version)
				require.NoError(t, err)
				_, err = p.run(t.Context(), g, "", "postgres", "-D", s.DataDir, "-k", s.SocketDir, "-c", "listen_addresses=")
				require.ErrorContains(t, err, `lock file "postmaster.pid" already exists`)
			}
			again := b.ensure()
			assert.True(t, again.Started)
			assert.NotEqual(t, taken, again.PID)
			assert.Equal(t, 1, one[int](t, again, "select n from kept"))
		})
	}
	t.Run("only the socket's lock", func(t *testing.T) {
		b.stop()
		lockFile := filepath.Join(s.SocketDir, socketName(Port)+".lock")
		taken := stranger(t, p.account)
		text := strconv.Itoa(taken) + "\n" + s.DataDir + "\n1\n5432\n" + s.SocketDir + "\n"
		require.NoError(t, os.WriteFile(lockFile, []byte(text), 0o600))
		require.NoError(t, p.account.own(lockFile))
		g, err := p.matching(t.Context(), s.Version)
		require.NoError(t, err)
		_, err = p.run(t.Context(), g, "", "postgres", "-D", s.DataDir, "-k", s.SocketDir, "-c", "listen_addresses=")
		require.ErrorContains(t, err, "already exists")
		assert.True(t, b.ensure().Started)
	})
	t.Run("empty", func(t *testing.T) {
		b.stop()
		pidFile := filepath.Join(s.DataDir, "postmaster.pid")
		require.NoError(t, os.WriteFile(pidFile, nil, 0o600))
		require.NoError(t, p.account.own(pidFile))
		assert.True(t, b.ensure().Started)
	})
	t.Run("a live server's lock is left alone", func(t *testing.T) {
		s := b.ensure()
		pidFile := filepath.Join(s.DataDir, "postmaster.pid")
		before, err := os.ReadFile(pidFile)
		require.NoError(t, err)
		require.NoError(t, p.disarm(pidFile, s.DataDir))
		after, err := os.ReadFile(pidFile)
		require.NoError(t, err)
		assert.Equal(t, string(before), string(after))
	})
}

func TestBusyOrphan(t *testing.T) {
	b := newBed(t, "home")
	s := b.ensure()
	exec1(t, s, "create table kept (n int)")
	conn := connect(t, s, Owner)
	busy := make(chan error, 1)
	go func() {
		// A loop that never looks whether its postmaster lives.
		_, err := conn.Exec(context.Background(), `do $$ declare t timestamptz := clock_timestamp(); begin
			insert into kept values (1);
			while clock_timestamp() < t + '3 s' loop end loop; end $$`)
		busy <- err
	}()
	for i := 0; one[int](t, s, "select count(*) from pg_stat_activity where state = 'active' and query like 'do %'") == 0; i++ {
		require.Less(t, i, 1000)
		time.Sleep(pollEvery)
	}
	kill(t, s.PID, s.DataDir)
	short := b.Config
	short.limit = 100 * time.Millisecond
	_, err := Ensure(t.Context(), short)
	require.ErrorIs(t, err, ErrBusy)

	again := b.ensure()
	assert.True(t, again.Started)
	assert.Contains(t, b.heard(), "still busy")
	if err := <-busy; err == nil {
		assert.Equal(t, 1, one[int](t, again, "select count(*) from kept"), "what the orphan said was committed is there")
	} else {
		t.Logf("the orphan's session ended with %v", err)
	}
}

func TestSocketSweptAway(t *testing.T) {
	b := newBed(t, "home")
	s := b.ensure()
	require.NoError(t, os.Remove(filepath.Join(s.SocketDir, socketName(Port))))
	again := b.ensure()
	assert.True(t, again.Started)
	assert.Contains(t, b.heard(), "its socket is gone")
	assert.Equal(t, 1, one[int](t, again, "select 1"))

	require.NoError(t, os.RemoveAll(again.SocketDir))
	assert.Equal(t, 1, one[int](t, b.ensure(), "select 1"))
}

func TestOddFolders(t *testing.T) {
	long := strings.Repeat("a-long-name-", 12)
	for name, c := range map[string]struct {
		folder string
		inside bool // the socket fits into the folder
	}{
		"blank, quotes, umlaut": {`Bäder & "Wannen" 'x' $HOME \ %s`, true},
		"glob":                  {`[a]*?`, true},
		"comma":                 {"copper, acid", false},
		"long":                  {long, false},
	} {
		t.Run(name, func(t *testing.T) {
			// A short folder of its own, so that only the name decides.
			dir, err := os.MkdirTemp("", "sb")
			require.NoError(t, err)
			require.NoError(t, os.Chmod(dir, 0o755))
			t.Cleanup(func() { _ = os.RemoveAll(dir) })
			b := bedAt(t, filepath.Join(dir, c.folder))
			s := b.ensure()
			assert.Equal(t, c.inside, strings.HasPrefix(s.SocketDir, s.DataDir[:len(s.DataDir)-len("data")]))
			assert.LessOrEqual(t, len(s.SocketDir), 93)
			assert.NotContains(t, s.SocketDir, ",")
			fi, err := os.Stat(s.SocketDir)
			require.NoError(t, err)
			assert.Equal(t, os.FileMode(0o700), fi.Mode().Perm())
			assert.Equal(t, b.place().account.uid, fileOwner(fi))
			assert.Equal(t, 1, one[int](t, s, "select 1"))

			// The runtime folder differs between a desktop session and cron.
			b.env["XDG_RUNTIME_DIR"] = dir
			assert.Equal(t, s.PID, b.ensure().PID)
			b.stop()
			again := b.ensure()
			assert.True(t, again.Started)
			delete(b.env, "XDG_RUNTIME_DIR")
			assert.Equal(t, again.PID, b.ensure().PID)
		})
	}
	t.Run("somebody else's short folder", func(t *testing.T) {
		b := newBed(t, long)
		p := b.place()
		require.NoError(t, p.prepare())
		squat := p.socketFolders()[0]
		if p.account.drop {
			require.NoError(t, p.prepareShared())
		}
		require.NoError(t, os.Symlink(t.TempDir(), squat))
		_, err := Ensure(t.Context(), b.Config)
		require.ErrorIs(t, err, ErrNotYours)
		require.NoError(t, os.Remove(squat))
	})
}

func TestRelativeAndLinkedHomeAreOneCluster(t *testing.T) {
	b := newBed(t, "home")
	s := b.ensure()
	link := filepath.Join(filepath.Dir(b.Home), "link")
	require.NoError(t, os.Symlink(b.Home, link))
	t.Chdir(filepath.Dir(b.Home))
	for _, home := range []string{link, "home"} {
		c := b.Config
		c.Home = home
		again, err := Ensure(t.Context(), c)
		require.NoError(t, err)
		assert.Equal(t, s.PID, again.PID, home)
	}
}

// snapshot lists every file below a folder with all that a touch would change.
func snapshot(t testing.TB, dir string) map[string]string {
	t.Helper()
	files := map[string]string{}
	require.NoError(t, filepath.Walk(dir, func(path string, fi os.FileInfo, err error) error {
		if err != nil {
			return err
		}
		var content []byte
		if fi.Mode().IsRegular() {
			if content, err = os.ReadFile(path); err != nil {
				return err
			}
		}
		st := fi.Sys().(*syscall.Stat_t)
		files[path] = strings.Join([]string{fi.Mode().String(), fi.ModTime().Format(time.RFC3339Nano), strconv.Itoa(int(st.Uid)), string(content)}, "\n")
		return nil
	}))
	return files
}

func TestOtherMajorVersion(t *testing.T) {
	b := newBed(t, "home")
	s := b.ensure()
	b.stop()
	real := s.Version
	for _, major := range []string{"9", "99"} {
		require.NoError(t, os.WriteFile(filepath.Join(s.DataDir, "PG_VERSION"), []byte(major+"\n"), 0o600))
		before := snapshot(t, s.DataDir)
		_, err := Ensure(t.Context(), b.Config)
		require.ErrorIs(t, err, ErrOtherVersion)
		assert.ErrorContains(t, err, "made by PostgreSQL "+major)
		assert.ErrorContains(t, err, "PostgreSQL "+strconv.Itoa(real))
		_, err = Upgrade(t.Context(), b.Config)
		require.ErrorIs(t, err, ErrOtherVersion)
		st, err := Stat(t.Context(), b.Config)
		require.NoError(t, err)
		assert.Equal(t, Unusable, st.State)
		assert.ErrorIs(t, st.Problem, ErrOtherVersion)
		require.NoError(t, Stop(t.Context(), b.Config))
		assert.Equal(t, before, snapshot(t, s.DataDir), "not a byte of it is touched")
	}
	require.NoError(t, os.Remove(filepath.Join(s.DataDir, "PG_VERSION")))
	before := snapshot(t, s.DataDir)
	_, err := Ensure(t.Context(), b.Config)
	require.ErrorContains(t, err, "no data folder of PostgreSQL")
	assert.Equal(t, before, snapshot(t, s.DataDir))

	require.NoError(t, os.WriteFile(filepath.Join(s.DataDir, "PG_VERSION"), []byte(strconv.Itoa(real)+"\n"), 0o600))
	require.NoError(t, b.place().account.own(filepath.Join(s.DataDir, "PG_VERSION")))
	assert.True(t, b.ensure().Started)
}

func TestStopAndStat(t *testing.T) {
	b := newBed(t, "home")
	stat := func() Status {
		t.Helper()
		st, err := Stat(t.Context(), b.Config)
		require.NoError(t, err)
		return st
	}
	b.stop() // nothing to stop is no error, and makes nothing
	st := stat()
	assert.Equal(t, Absent, st.State)
	assert.NotNil(t, st.LogTail)
	assert.NoFileExists(t, st.Base)

	s := b.ensure()
	st = stat()
	assert.Equal(t, Running, st.State)
	assert.NoError(t, st.Problem)
	assert.Equal(t, []any{s.PID, s.Version, s.DataDir, s.SocketDir, s.LogFile, s.Person()}, []any{st.PID, st.Version, st.DataDir, st.SocketDir, st.LogFile, st.Person})
	assert.Greater(t, st.Size, int64(10<<20))
	assert.Positive(t, st.Free)
	assert.Contains(t, strings.Join(st.LogTail, "\n"), "database system is ready to accept connections")

	b.stop()
	st = stat()
	assert.Equal(t, Stopped, st.State)
	assert.Zero(t, st.PID)
	assert.Empty(t, workers(s.DataDir))
	assert.Contains(t, strings.Join(st.LogTail, "\n"), "database system is shut down")
	b.stop()

	b.ensure()
	old, err := os.ReadFile(s.LogFile + ".1")
	require.NoError(t, err)
	assert.Contains(t, string(old), "database system is shut down", "the log of the last start is kept")
}

func TestSmartShutdownIsHurried(t *testing.T) {
	b := newBed(t, "home")
	s := b.ensure()
	_ = connect(t, s, Owner) // keeps a smart shutdown waiting for ever
	require.NoError(t, syscall.Kill(s.PID, syscall.SIGTERM))
	for b.place().look().status != "stopping" {
		time.Sleep(pollEvery)
	}
	again := b.ensure()
	assert.NotEqual(t, s.PID, again.PID)
}

func TestRenamedUser(t *testing.T) {
	b := newBed(t, "home")
	s := b.ensure()
	require.NoError(t, os.WriteFile(filepath.Join(s.DataDir, "pg_ident.conf"), []byte("steadybath \"formername\" "+Owner+"\n"), 0o600))
	require.NoError(t, syscall.Kill(s.PID, syscall.SIGHUP))
	for i := 0; sqlState(t, s, Owner) != "28000"; i++ {
		require.Less(t, i, 1000)
		time.Sleep(pollEvery)
	}
	assert.Equal(t, s.PID, b.ensure().PID)
	assert.Equal(t, 1, one[int](t, s, "select 1"))
}

func TestCancelled(t *testing.T) {
	b := newBed(t, "home")
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := Ensure(ctx, b.Config)
	require.ErrorIs(t, err, context.Canceled)
	b.ensure()
}

func TestDiskFull(t *testing.T) {
	const rows = 500
	fill := func(t *testing.T, b *bed) *Server {
		s := b.ensure()
		exec1(t, s, "create table kept (n int); insert into kept select generate_series(1, 500)")
		return s
	}
	t.Run("file size limit", func(t *testing.T) {
		// A limit on the size of files refuses writes as a full disk does, for any account.
		b := newBed(t, "home")
		fill(t, b)
		b.stop()
		out, err := b.child(fileLimitEnv + "=65536").Output()
		require.NoError(t, err)
		a := answer(t, out)
		assert.True(t, a.Full, "%+v", a)
		assert.Regexp(t, "File too large|could not write init file", a.Error)
		assert.Contains(t, a.Error, " free there)")
		assert.Contains(t, a.Hint, "server.log")
		assert.Contains(t, a.Hint, "make room")
		b.stop() // some versions run on under the limit and let nobody in
		assert.Equal(t, rows, one[int](t, b.ensure(), "select count(*) from kept"))
	})
	t.Run("while making", func(t *testing.T) {
		b := newBed(t, "home")
		out, err := b.child(fileLimitEnv + "=65536").Output()
		require.NoError(t, err)
		a := answer(t, out)
		assert.True(t, a.Full, "%+v", a)
		assert.Contains(t, a.Error, "no private database could be made")
		left, err := filepath.Glob(filepath.Join(globEscape(b.place().base), "*"))
		require.NoError(t, err)
		assert.Equal(t, []string{filepath.Join(b.place().base, "lock")}, left, "nothing half made stays")
		b.ensure()
	})
	t.Run("small disk", func(t *testing.T) {
		b := newBed(t, "disk")
		require.NoError(t, os.Mkdir(b.Home, 0o755))
		if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size=80m,mode=755", "steadybath-test", b.Home).CombinedOutput(); err != nil {
			t.Logf("no small disk can be mounted here (%v: %s); the limit on file sizes above stands for it", err, out)
			return
		}
		t.Cleanup(func() {
			b.remove()
			out, err := exec.Command("umount", b.Home).CombinedOutput()
			assert.NoError(t, err, "%s", out)
		})
		s := fill(t, b)
		filler, err := os.Create(filepath.Join(b.Home, "filler"))
		require.NoError(t, err)
		block := make([]byte, 4096)
		for err == nil {
			_, err = filler.Write(block)
		}
		require.ErrorIs(t, err, syscall.ENOSPC)
		require.NoError(t, filler.Close())
		conn := connect(t, s, Owner)
		for i := 0; i < 10000; i++ {
			if _, err = conn.Exec(t.Context(), "create table if not exists more (t text); insert into more select repeat('x', 2000) from generate_series(1, 1000)"); err != nil {
				break
			}
		}
		require.Error(t, err, "the disk is full")
		kill(t, s.PID, s.DataDir)
		_, err = Ensure(t.Context(), b.Config)
		require.ErrorIs(t, err, ErrDiskFull)
		// strerror(ENOSPC), as PostgreSQL or Go spells it.
		assert.Regexp(t, "(?i)no space left on device|could not write init file", err.Error())
		assert.ErrorContains(t, err, "(0 bytes free there)")
		assert.Less(t, len(err.Error()), 400, "one sentence, without the end of the log")
		assert.DirExists(t, s.DataDir)
		require.NoError(t, os.Remove(filler.Name()))
		assert.Equal(t, rows, one[int](t, b.ensure(), "select count(*) from kept"))
	})
}
