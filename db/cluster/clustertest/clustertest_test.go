package clustertest

import (
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/db/cluster"
)

func TestNothingStays(t *testing.T) {
	var st cluster.Status
	t.Run("test", func(t *testing.T) {
		c := New(t)
		// So long a path that the socket needs another folder.
		c.Home = filepath.Join(c.Home, strings.Repeat("long", 30))
		t.Cleanup(func() { assert.NoError(t, Remove(c)) })
		s, err := cluster.Ensure(t.Context(), c)
		require.NoError(t, err)
		st, err = cluster.Stat(t.Context(), c)
		require.NoError(t, err)
		assert.Equal(t, s.SocketDir, st.SocketDir)
	})
	for _, dir := range []string{st.Base, st.SocketDir, st.DataDir, st.Home} {
		require.NotEmpty(t, dir)
		assert.NoDirExists(t, dir)
	}
	assert.Error(t, syscall.Kill(st.PID, 0), "no server runs on")
}

func TestAPersonsRecordsAreLeftAlone(t *testing.T) {
	t.Setenv("HOME", t.TempDir())
	t.Setenv("XDG_DATA_HOME", "")
	t.Setenv("STEADYBATH_HOME", "")
	home, err := cluster.DefaultHome(os.Getenv)
	require.NoError(t, err)
	require.NoError(t, os.MkdirAll(home, 0o700))
	require.Error(t, Remove(cluster.Config{}))
	require.Error(t, Remove(cluster.Config{Home: home}))
	assert.DirExists(t, home)
}
