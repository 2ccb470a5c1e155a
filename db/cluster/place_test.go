package cluster

import (
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func envOf(m map[string]string) func(string) string {
	return func(name string) string { return m[name] }
}

func TestDefaultHome(t *testing.T) {
	for name, c := range map[string]struct {
		env  map[string]string
		want string
	}{
		// The defaults of the XDG base directory specification.
		"home":          {map[string]string{"HOME": "/home/a"}, "/home/a/.local/share/steadybath"},
		"xdg":           {map[string]string{"HOME": "/home/a", "XDG_DATA_HOME": "/d"}, "/d/steadybath"},
		"xdg, relative": {map[string]string{"HOME": "/home/a", "XDG_DATA_HOME": "d"}, "/home/a/.local/share/steadybath"},
		"own":           {map[string]string{"HOME": "/home/a", "XDG_DATA_HOME": "/d", "STEADYBATH_HOME": "/e/"}, "/e"},
	} {
		got, err := DefaultHome(envOf(c.env))
		require.NoError(t, err, name)
		assert.Equal(t, c.want, got, name)
	}
	_, err := DefaultHome(envOf(nil))
	assert.ErrorContains(t, err, "HOME is not set")
}

func TestUserWithoutEntry(t *testing.T) {
	const uid = 4000000001 // far above what useradd gives out
	_, err := userName(uid)
	require.ErrorIs(t, err, ErrNoUser)
	assert.ErrorContains(t, err, "user id 4000000001 has no entry")

	b := newBed(t, "home")
	c := b.Config
	c.userName = func(int) (string, error) { return userName(uid) }
	_, err = Ensure(t.Context(), c)
	require.ErrorIs(t, err, ErrNoUser)
	assert.NoDirExists(t, b.Home, "nothing is made")

	if os.Geteuid() == 0 {
		// And truly under such an id, with a copy of this binary that it can reach.
		dir := filepath.Dir(b.Home)
		exe := filepath.Join(dir, "child")
		copyExecutable(t, exe)
		cmd := exec.Command(exe)
		account{uid: 54321, gid: 54321, drop: true}.apply(cmd)
		cmd.Env = []string{childEnv + "=ensure", "STEADYBATH_HOME=" + b.Home, "PATH=" + os.Getenv("PATH")}
		out, err := cmd.Output()
		require.NoError(t, err)
		assert.Contains(t, answer(t, out).Error, "user id 54321 has no entry in this machine's password database")
	}
}

func copyExecutable(t testing.TB, to string) {
	t.Helper()
	exe, err := os.Executable()
	require.NoError(t, err)
	in, err := os.Open(exe)
	require.NoError(t, err)
	defer in.Close()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE, 0o755)
	require.NoError(t, err)
	_, err = io.Copy(out, in)
	require.NoError(t, err)
	require.NoError(t, out.Close())
}

func TestRoleOf(t *testing.T) {
	for user, want := range map[string]string{
		"anna": "anna", "Anna Müller": "Anna Müller", "root": "root", `SHOP\anna`: `SHOP\anna`,
		// PostgreSQL reserves pg_… and these words as role names ("CREATE ROLE" and "pg_hba.conf" in its documentation).
		"pg_anna": "person_pg_anna", "public": "person_public", "none": "person_none", "all": "person_all",
		// Otherwise that user would be the superuser or the owner.
		bootstrap: "person_" + bootstrap, Owner: "person_" + Owner,
		"person_public": "person_person_public",
	} {
		assert.Equal(t, want, roleOf(user), user)
	}
}

// No user name may become a way in for another: the map that the server reads
// back must hold the two entries and nothing else.
func TestIdentMapIsReadAsWritten(t *testing.T) {
	b := newBed(t, "home")
	b.ensure()
	b.stop()
	for _, user := range []string{"anna", "Anna Müller", `SHOP\anna`, "a,b", "#x", "@include", "+root"} {
		p := b.place()
		p.user, p.person = user, roleOf(user)
		require.NoError(t, p.writeMap(p.data()))
		g, err := p.matching(t.Context(), p.look().version)
		require.NoError(t, err)
		if g.major < 15 {
			t.Logf("PostgreSQL %d cannot show its map; the connections of the other tests check it", g.major)
			continue
		}
		out, err := p.run(t.Context(), g, "select '<' || map_name || '|' || sys_name || '|' || pg_username || '>' as row, error from pg_ident_file_mappings;\n\n",
			"postgres", "--single", "-D", p.data(), "-j", "-c", "exit_on_error=on", "postgres")
		require.NoError(t, err)
		assert.Equal(t, 2, strings.Count(out, "row = "), out)
		assert.Contains(t, out, "<steadybath|"+user+"|"+Owner+">")
		assert.Contains(t, out, "<steadybath|"+user+"|"+user+">")
		assert.NotContains(t, out, "error = ")
	}
}

func TestRootWhoseHomeIsClosed(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.Chmod(dir, 0o700))
	b := bedAt(t, filepath.Join(dir, "closed home"))
	s := b.ensure()
	if os.Geteuid() != 0 {
		assert.Equal(t, filepath.Join(b.Home, "data"), s.DataDir, "only root's server runs under another account")
		return
	}
	base := filepath.Dir(s.DataDir)
	assert.Equal(t, "/var/lib/steadybath", filepath.Dir(base))
	text, err := os.ReadFile(filepath.Join(b.Home, pointerName))
	require.NoError(t, err)
	assert.Contains(t, string(text), base)
	assert.Equal(t, s.PID, b.ensure().PID)
	st, err := Stat(t.Context(), b.Config)
	require.NoError(t, err)
	assert.Equal(t, base, st.Base)

	t.Run("moved", func(t *testing.T) {
		moved := b.Home + " moved"
		require.NoError(t, os.Rename(b.Home, moved))
		c := b.Config
		c.Home = moved
		again, err := Ensure(t.Context(), c)
		require.NoError(t, err)
		assert.Equal(t, s.PID, again.PID)
		require.NoError(t, os.Rename(moved, b.Home))
	})
	t.Run("a stranger's word does not count", func(t *testing.T) {
		other := bedAt(t, filepath.Join(dir, "other"))
		require.NoError(t, os.Mkdir(other.Home, 0o755))
		pointer := filepath.Join(other.Home, pointerName)
		require.NoError(t, os.WriteFile(pointer, []byte(base+"\n"), 0o644))
		assert.Equal(t, base, other.place().base)
		require.NoError(t, os.Chown(pointer, 54321, 54321))
		assert.NotEqual(t, base, other.place().base)
	})
	t.Run("a stranger's folder", func(t *testing.T) {
		other := newBed(t, "")
		dir := filepath.Join(other.Home, "of a stranger")
		require.NoError(t, os.Mkdir(dir, 0o755))
		require.NoError(t, os.Chown(dir, 54321, 54321))
		other.Home = filepath.Join(dir, "home")
		s := other.ensure()
		assert.Equal(t, "/var/lib/steadybath", filepath.Dir(filepath.Dir(s.DataDir)))
		fi, err := os.Stat(other.Home)
		require.NoError(t, err)
		assert.Equal(t, 54321, fileOwner(fi), "what root makes in somebody's folder is theirs")
	})
}

func TestClusterOfAnotherAccount(t *testing.T) {
	b := newBed(t, "home")
	s := b.ensure()
	b.stop()
	c := b.Config
	if os.Geteuid() == 0 {
		require.NoError(t, os.Lchown(s.DataDir, 54321, 54321))
		_, err := Ensure(t.Context(), c)
		require.ErrorIs(t, err, ErrNotYours)
		assert.ErrorContains(t, err, "user id 54321")
		require.NoError(t, b.place0().account.own(s.DataDir))
	} else {
		p := b.place()
		p.account.uid++ // as if that account asked
		require.ErrorIs(t, p.adoptOwner(), ErrNotYours)
	}
	assert.True(t, b.ensure().Started)
}

// place0 is place where locate refuses.
func (b *bed) place0() *place {
	p, _ := b.withDefaults().locate()
	return p
}

func TestServerAccountOfRoot(t *testing.T) {
	if os.Geteuid() != 0 {
		a, err := serverAccount()
		require.NoError(t, err)
		assert.Equal(t, account{uid: os.Geteuid(), gid: os.Getegid()}, a)
		return
	}
	// A cluster that nobody runs stays nobody's after an account postgres came.
	b := newBed(t, "home")
	p := b.place()
	require.NoError(t, p.prepare())
	nobody, err := lookupAccount("nobody")
	require.NoError(t, err)
	p.account = nobody
	require.NoError(t, p.make(t.Context()))
	require.NoError(t, os.RemoveAll(filepath.Join(p.base, "run")))
	s := b.ensure()
	fi, err := os.Stat(filepath.Join("/proc", itoa(s.PID)))
	require.NoError(t, err)
	assert.Equal(t, nobody.uid, fileOwner(fi))
	assert.Equal(t, 1, one[int](t, s, "select 1"))
}

func TestNarrowUmask(t *testing.T) {
	b := newBed(t, "some/home")
	old := syscall.Umask(0o077)
	defer syscall.Umask(old)
	s := b.ensure()
	assert.Equal(t, filepath.Join(b.Home, "data"), s.DataDir)
	assert.Equal(t, 1, one[int](t, s, "select 1"))
}

func TestFolderInTheWay(t *testing.T) {
	b := newBed(t, "home")
	require.NoError(t, os.WriteFile(b.Home, nil, 0o644))
	_, err := Ensure(t.Context(), b.Config)
	require.ErrorContains(t, err, "is in the way")
}

func TestPoolTakesTheDSN(t *testing.T) {
	s := &Server{SocketDir: `/tmp/it's a "folder" \ here`, Port: Port}
	c, err := pgxpool.ParseConfig(s.DSN(`o'brien \x`))
	require.NoError(t, err)
	assert.Equal(t, s.SocketDir, c.ConnConfig.Host)
	assert.Equal(t, `o'brien \x`, c.ConnConfig.User)
	assert.Equal(t, Database, c.ConnConfig.Database)
	assert.Empty(t, c.ConnConfig.Fallbacks)
}

func TestLockIsGivenBackByTheDead(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lock")
	unlock, err := lock(t.Context(), path, t.Logf)
	require.NoError(t, err)
	f, err := os.Open(path)
	require.NoError(t, err)
	defer f.Close()
	require.ErrorIs(t, syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB), syscall.EWOULDBLOCK)
	unlock()
	require.NoError(t, syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB))
}
