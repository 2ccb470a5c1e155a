package cluster

import "context"

// Find returns the private server where one runs and answers. It makes and
// starts nothing, and is quick: for whoever only wants to look.
func Find(ctx context.Context, c Config) (*Server, error) {
	p, err := c.withDefaults().locate()
	if err != nil {
		return nil, err
	}
	return p.running(ctx)
}

// OldestVersion is the oldest PostgreSQL that a private cluster is made with.
const OldestVersion = oldestMajor

// Installation is one PostgreSQL on this machine.
type Installation struct {
	Folder  string   // of its programs
	Version int      // major
	Missing []string // programs the tool may want that are not in the folder; postgres itself never is
}

// Installed lists every PostgreSQL server that can be found on this machine,
// those of STEADYBATH_PGBIN first, then the newest first. None at all is an
// empty list and a hint of what to install, not an error.
func Installed(ctx context.Context, c Config) (list []Installation, hint string, err error) {
	all, err := c.withDefaults().installed(ctx)
	if err != nil {
		return nil, "", err
	}
	for _, g := range all {
		list = append(list, Installation{g.bin, g.major, g.missing("initdb", "pg_dump", "pg_dumpall", "psql")})
	}
	return list, installHint(0), nil
}
