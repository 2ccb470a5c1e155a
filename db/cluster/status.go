package cluster

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
)

// State is what a private cluster is doing.
type State string

// The states of a private cluster.
const (
	Absent   State = "absent"   // not made yet: the first command makes it
	Stopped  State = "stopped"  // the next command starts it
	Starting State = "starting" // starting, or recovering from a crash
	Running  State = "running"  // answers
	Stopping State = "stopping" // closing
	Unusable State = "unusable" // Problem says why
)

// Status tells about the private cluster without changing anything.
type Status struct {
	State     State
	Problem   error    // why it cannot be used, or nil
	PID       int      // the postmaster; 0 unless a server runs
	Version   int      // major version of the data folder; 0 if there is none
	Programs  string   // folder of the programs that open it; "" if there are none
	Account   string   // operating system's account under which the server runs
	Person    string   // login role of whoever asks
	Home      string   // the tool's data folder
	Base      string   // folder that holds data, socket, lock and log; Home unless root's cluster lies elsewhere
	DataDir   string   // PostgreSQL's data folder
	SocketDir string   // folder of the socket, or where it will be; outside Base where that is too long a path
	LogFile   string   // what the server says
	LogTail   []string // its last lines, never nil
	Size      int64    // bytes in the data folder
	Free      int64    // bytes that can still be written there; -1 if unknown
}

// Stat returns the state of the private cluster. It makes and starts nothing,
// so a cluster that cannot be used is an answer, not an error.
func Stat(ctx context.Context, c Config) (Status, error) {
	c = c.withDefaults()
	p, err := c.locate()
	if p == nil {
		return Status{}, err
	}
	s := Status{
		Account: p.account.name,
		Person:  p.person,
		Home:    p.home,
		Base:    p.base,
		DataDir: p.data(),
		LogFile: p.logFile(),
		LogTail: logTail(p.logFile(), 0, 10),
		Free:    -1,
	}
	for near := p.base; ; near = filepath.Dir(near) {
		if room, ok := freeSpace(near); ok {
			s.Free = int64(room)
			break
		}
		if near == filepath.Dir(near) {
			break
		}
	}
	if err != nil {
		s.State, s.Problem = Unusable, err
		return s, nil
	}
	s.Size = size(p.data())
	l := p.look()
	if l.version > 0 {
		s.Version = l.version
	}
	if fit := p.socketFolders(); len(fit) > 0 {
		s.SocketDir = fit[0]
	}
	if l.live {
		s.PID, s.SocketDir = l.pid, or(l.socketDir, s.SocketDir)
	}
	var g programs
	if l.version == 0 {
		g, s.Problem = p.newest(ctx)
	} else {
		g, s.Problem = p.programsFor(ctx, l.version)
	}
	s.Programs = g.bin
	switch {
	case l.version == 0:
		s.State = Absent
	case l.version < 0:
		s.State = Unusable
	case l.live && l.status == "ready":
		s.State, s.Problem = Running, p.probe(ctx, l.socketDir)
		var r *refusal
		if errors.As(s.Problem, &r) && r.code == "57P03" {
			s.State, s.Problem = Starting, nil
		}
	case l.live && l.status == "stopping":
		s.State = Stopping
	case l.live:
		s.State = Starting
	case s.Problem != nil:
		s.State = Unusable
	default:
		s.State = Stopped
	}
	return s, nil
}

// size adds up the files below a folder; what vanishes meanwhile counts nothing.
func size(dir string) int64 {
	var sum int64
	_ = filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if err != nil {
			return nil
		}
		if fi, err := d.Info(); err == nil && fi.Mode().IsRegular() {
			sum += fi.Size()
		}
		return nil
	})
	return sum
}

// Stop stops the private server if it runs, and returns once it has. Sessions
// are ended and their open transactions rolled back; the next command starts
// it again.
func Stop(ctx context.Context, c Config) error {
	c = c.withDefaults()
	p, err := c.locate()
	if err != nil {
		return err
	}
	if _, err := os.Stat(p.base); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	unlock, err := lock(ctx, p.lockFile(), p.Log)
	if err != nil {
		return err
	}
	defer unlock()
	if l := p.look(); l.live {
		return p.stop(ctx, l.pid, p.data())
	}
	return nil
}
