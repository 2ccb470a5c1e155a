package cluster

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Find leaves a cluster as it is: absent, running, stopped.
func TestFindStartsNothing(t *testing.T) {
	b := newBed(t, "find")
	state := func() State {
		s, err := Stat(t.Context(), b.Config)
		require.NoError(t, err)
		return s.State
	}
	_, err := Find(t.Context(), b.Config)
	require.Error(t, err)
	assert.Equal(t, Absent, state())
	made, err := Ensure(t.Context(), b.Config)
	require.NoError(t, err)
	found, err := Find(t.Context(), b.Config)
	require.NoError(t, err)
	assert.Equal(t, made.PID, found.PID)
	assert.Equal(t, made.DSN("x"), found.DSN("x"))
	require.NoError(t, Stop(t.Context(), b.Config))
	_, err = Find(t.Context(), b.Config)
	require.Error(t, err)
	assert.Equal(t, Stopped, state())
}

func TestInstalled(t *testing.T) {
	whole := fakePrograms(t, "16.2", "initdb", "pg_dump", "pg_dumpall", "psql")
	bare := fakePrograms(t, "13.9")
	c := Config{Env: envOf(map[string]string{"PATH": bare + ":" + whole}), patterns: []string{"/nonexistent"}}
	all, hint, err := Installed(t.Context(), c)
	require.NoError(t, err)
	assert.NotEmpty(t, hint)
	assert.Equal(t, []Installation{{whole, 16, nil}, {bare, 13, []string{"initdb", "pg_dump", "pg_dumpall", "psql"}}}, all)

	c.Env = envOf(map[string]string{"PATH": "/nonexistent"})
	all, hint, err = Installed(t.Context(), c)
	require.NoError(t, err)
	assert.Empty(t, all)
	assert.NotEmpty(t, hint)
}
