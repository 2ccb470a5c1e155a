package main

import (
	"context"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/compose-spec/compose-go/v2/loader"
	"github.com/compose-spec/compose-go/v2/types"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// loadCompose reads docker-compose.yml as the Compose specification's own loader
// does, with these variables and no others.
func loadCompose(t *testing.T, env types.Mapping) (*types.Project, error) {
	t.Helper()
	path, err := filepath.Abs("../../docker-compose.yml")
	require.NoError(t, err)
	return loader.LoadWithContext(context.Background(), types.ConfigDetails{
		WorkingDir:  filepath.Dir(path),
		ConfigFiles: []types.ConfigFile{{Filename: path}},
		Environment: env,
	})
}

func TestComposeFile(t *testing.T) {
	p, err := loadCompose(t, types.Mapping{"STEADYBATH_PASSWORD": "an invented one"})
	require.NoError(t, err)
	require.Len(t, p.Services, 1)
	s, err := p.GetService("database")
	require.NoError(t, err)
	assert.Regexp(t, `^postgres:\d+$`, s.Image, "pinned to a major version, whose files never need a conversion")
	require.NotNil(t, s.Environment["POSTGRES_PASSWORD"])
	assert.Equal(t, "an invented one", *s.Environment["POSTGRES_PASSWORD"])
	assert.Contains(t, *s.Environment["POSTGRES_INITDB_ARGS"], "--auth-host=scram-sha-256")

	require.NotNil(t, s.HealthCheck)
	assert.False(t, s.HealthCheck.Disable)
	check := strings.Join(s.HealthCheck.Test, " ")
	assert.Contains(t, check, "pg_isready")
	// The image's first start runs a server on the socket alone, to be ended again.
	assert.Contains(t, check, "-h 127.0.0.1")
	require.NotNil(t, s.HealthCheck.Interval)
	assert.LessOrEqual(t, time.Duration(*s.HealthCheck.Interval), 10*time.Second)
	require.NotNil(t, s.HealthCheck.Retries)
	assert.Positive(t, *s.HealthCheck.Retries)

	require.Len(t, s.Volumes, 1)
	assert.Equal(t, types.VolumeTypeVolume, s.Volumes[0].Type, "a named volume, not a folder")
	assert.Contains(t, p.Volumes, s.Volumes[0].Source)
	assert.Equal(t, "/var/lib/postgresql/data", s.Volumes[0].Target)

	require.Len(t, s.Ports, 1)
	assert.Equal(t, "127.0.0.1", s.Ports[0].HostIP)
	assert.Equal(t, "5432", s.Ports[0].Published)
	assert.EqualValues(t, 5432, s.Ports[0].Target)

	p, err = loadCompose(t, types.Mapping{"STEADYBATH_PASSWORD": "an invented one", "STEADYBATH_PORT": "5544"})
	require.NoError(t, err)
	assert.Equal(t, "5544", p.Services["database"].Ports[0].Published)
}

func TestComposeRefusesWithoutPassword(t *testing.T) {
	for name, env := range map[string]types.Mapping{"unset": {}, "empty": {"STEADYBATH_PASSWORD": ""}} {
		t.Run(name, func(t *testing.T) {
			_, err := loadCompose(t, env)
			require.Error(t, err)
			assert.Contains(t, err.Error(), "STEADYBATH_PASSWORD")
			assert.Contains(t, err.Error(), "there is no default")
		})
	}
}
