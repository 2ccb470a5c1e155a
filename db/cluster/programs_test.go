package cluster

import (
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func itoa(n int) string { return strconv.Itoa(n) }

// withClients returns an installed PostgreSQL that has the client programs too.
func withClients(t testing.TB) programs {
	t.Helper()
	all, err := Config{}.withDefaults().installed(t.Context())
	require.NoError(t, err)
	for _, g := range all {
		if len(g.missing("initdb", "pg_dump", "pg_dumpall", "psql")) == 0 {
			return g
		}
	}
	require.Fail(t, "no PostgreSQL with psql and pg_dump is installed")
	return programs{}
}

// fakePrograms is a folder whose postgres only knows its version.
func fakePrograms(t testing.TB, version string, names ...string) string {
	t.Helper()
	dir := t.TempDir()
	for _, name := range append(names, "postgres") {
		script := "#!/bin/sh\necho 'postgres (PostgreSQL) " + version + "'\n"
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(script), 0o755))
	}
	return dir
}

func TestProgramsAreFound(t *testing.T) {
	v14, v16, v17 := fakePrograms(t, "14.23", "initdb"), fakePrograms(t, "16.2 (Debian 16.2-1)", "initdb"), fakePrograms(t, "17beta1")
	c := Config{
		Env:      envOf(map[string]string{"PATH": v14 + ":/nonexistent::" + v14}),
		patterns: []string{v16, v17},
	}.withDefaults()
	all, err := c.installed(t.Context())
	require.NoError(t, err)
	assert.Equal(t, []programs{{v17, 17}, {v16, 16}, {v14, 14}}, all)

	g, err := c.newest(t.Context())
	require.NoError(t, err)
	assert.Equal(t, 16, g.major, "17 has no initdb")
	g, err = c.matching(t.Context(), 14)
	require.NoError(t, err)
	assert.Equal(t, v14, g.bin)
	_, err = c.matching(t.Context(), 15)
	require.ErrorIs(t, err, ErrOtherVersion)

	t.Run("STEADYBATH_PGBIN goes first", func(t *testing.T) {
		c.Env = envOf(map[string]string{"PATH": v16, "STEADYBATH_PGBIN": v14})
		g, err := c.newest(t.Context())
		require.NoError(t, err)
		assert.Equal(t, v14, g.bin)
		g, err = c.matching(t.Context(), 16)
		require.NoError(t, err)
		assert.Equal(t, v16, g.bin, "an older setting does not lock a cluster out")
	})
	t.Run("STEADYBATH_PGBIN is wrong", func(t *testing.T) {
		c.Env = envOf(map[string]string{"STEADYBATH_PGBIN": "/nonexistent"})
		_, err := c.newest(t.Context())
		require.ErrorIs(t, err, ErrNoPrograms)
		assert.ErrorContains(t, err, "STEADYBATH_PGBIN")
	})
	t.Run("behind a link", func(t *testing.T) {
		dir := t.TempDir()
		require.NoError(t, os.Symlink(filepath.Join(v16, "postgres"), filepath.Join(dir, "postgres")))
		c.Env, c.patterns = envOf(map[string]string{"PATH": dir}), []string{}
		g, err := c.newest(t.Context())
		require.NoError(t, err)
		assert.Equal(t, v16, g.bin)
	})
}

func TestNoPrograms(t *testing.T) {
	b := newBed(t, "home")
	b.env["PATH"] = t.TempDir()
	b.env["STEADYBATH_PGBIN"] = ""
	b.patterns = []string{}
	_, err := Ensure(t.Context(), b.Config)
	require.ErrorIs(t, err, ErrNoPrograms)
	assert.ErrorContains(t, err, "no PostgreSQL server is installed")
	var e *Error
	require.ErrorAs(t, err, &e)
	assert.Contains(t, e.Hint(), "install")
	st, err := Stat(t.Context(), b.Config)
	require.NoError(t, err)
	assert.Equal(t, Absent, st.State)
	assert.ErrorIs(t, st.Problem, ErrNoPrograms)

	b.patterns = []string{fakePrograms(t, "9.6.24", "initdb")}
	_, err = Ensure(t.Context(), b.Config)
	require.ErrorIs(t, err, ErrNoPrograms)
	assert.ErrorContains(t, err, "only PostgreSQL 9 is installed")
}

func TestHintNamesThePackage(t *testing.T) {
	// Package names of the systems' own archives, from memory save Debian's.
	for _, c := range []struct {
		goos, family string
		major        int
		want         []string
	}{
		{"linux", "debian", 0, []string{"package postgresql,", "create_main_cluster = false"}},
		{"linux", "ubuntu debian", 16, []string{"package postgresql-16", "create_main_cluster = false"}},
		{"linux", "fedora", 0, []string{"dnf install postgresql-server"}},
		{"linux", "rocky rhel centos fedora", 15, []string{"postgresql15-server"}},
		{"linux", "opensuse-leap suse opensuse", 0, []string{"zypper install postgresql-server"}},
		{"linux", "alpine", 16, []string{"apk add postgresql16"}},
		{"linux", "arch", 0, []string{"pacman"}},
		{"linux", "", 0, []string{"STEADYBATH_PGBIN"}},
		{"darwin", "", 16, []string{"brew install postgresql@16"}},
	} {
		for _, want := range c.want {
			assert.Contains(t, hintFor(c.goos, c.family, c.major), want, "%+v", c)
		}
	}
	name := filepath.Join(t.TempDir(), "os-release")
	require.NoError(t, os.WriteFile(name, []byte("PRETTY_NAME=\"x\"\nID=ubuntu\nID_LIKE=\"debian\"\n"), 0o644))
	assert.Equal(t, "ubuntu debian", osRelease(name))
	assert.Empty(t, osRelease("/nonexistent"))
}
