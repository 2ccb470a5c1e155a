package clustertest

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"steadybath/db/cluster"
)

// New returns the settings of a private cluster in a temporary folder of the
// test's. Nothing is made until cluster.Ensure; what was made then is stopped
// and removed when the test ends.
func New(t testing.TB) cluster.Config {
	c := cluster.Config{Home: filepath.Join(t.TempDir(), "home"), Log: t.Logf}
	t.Cleanup(func() {
		if err := Remove(c); err != nil {
			t.Errorf("remove the test's private database: %v", err)
		}
	})
	return c
}

// Remove stops a private cluster and removes its folders, those that lie
// outside Home included. It refuses the cluster of the person who runs the
// test. A cluster that is not there is no error.
func Remove(c cluster.Config) error {
	env := c.Env
	if env == nil {
		env = os.Getenv
	}
	home, err := cluster.DefaultHome(env)
	if c.Home == "" || err == nil && env("STEADYBATH_HOME") == "" && filepath.Clean(c.Home) == home {
		return errors.New("the records of a person are not removed: name a folder of the test's own in Config.Home")
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	st, err := cluster.Stat(ctx, c)
	if err != nil {
		return err
	}
	if st.Base == "" {
		return fmt.Errorf("no folder is known for %s", c.Home)
	}
	if err := cluster.Stop(ctx, c); err != nil {
		return err
	}
	err = os.RemoveAll(st.Base)
	if st.SocketDir != "" {
		err = errors.Join(err, os.RemoveAll(st.SocketDir))
	}
	return errors.Join(err, os.RemoveAll(st.Home))
}
