package cluster

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// look is what the data folder and the system tell about the server, without a
// connection.
type look struct {
	version   int    // major version of the data folder; 0: there is none; -1: not a data folder
	live      bool   // a process works in the data folder under the pid of its lock file
	pid       int    // as the lock file says, live or not
	port      int    // as the lock file says
	socketDir string // as the lock file says
	status    string // starting, ready, stopping, or "" before the server wrote it
}

func (p *place) look() look { return lookAt(p.data()) }

func lookAt(data string) look {
	var l look
	text, err := os.ReadFile(filepath.Join(data, "PG_VERSION"))
	if err != nil {
		if _, err := os.Lstat(data); err == nil {
			l.version = -1
		}
		return l
	}
	if l.version, err = strconv.Atoi(strings.TrimSpace(string(text))); err != nil || l.version <= 0 {
		l.version = -1
		return l
	}
	// The lines of postmaster.pid, from PostgreSQL's miscadmin.h (LOCK_FILE_LINE_…):
	// pid, data folder, start time, port, socket folder, listen address, shared memory key, status.
	text, err = os.ReadFile(filepath.Join(data, "postmaster.pid"))
	if err != nil {
		return l
	}
	lines := strings.Split(string(text), "\n")
	line := func(n int) string {
		if n > len(lines) {
			return ""
		}
		return strings.TrimSuffix(lines[n-1], "\r")
	}
	l.pid, _ = strconv.Atoi(strings.TrimSpace(line(1)))
	l.port, _ = strconv.Atoi(strings.TrimSpace(line(4)))
	l.socketDir = line(5)
	l.status = strings.TrimSpace(line(8))
	l.live = l.pid > 0 && worksIn(l.pid, data)
	if l.live && l.port == 0 {
		l.port = Port // it has not written that line yet
	}
	return l
}

// launch is one way to run a server on a data folder.
type launch struct {
	data string
	port int
	args []string // settings beyond the usual ones
}

// start runs the server on the data folder and waits until it says that it is
// ready. An old server's orphans are waited for.
func (p *place) start(ctx context.Context, major int) error {
	g, err := p.programsFor(ctx, major)
	if err != nil {
		return err
	}
	p.clearAway()
	rotate(p.logFile())
	return p.launch(ctx, g, launch{data: p.data(), port: Port})
}

func (p *place) launch(ctx context.Context, g programs, how launch) error {
	dir, err := p.makeSocketFolder()
	if err != nil {
		return p.failure(how, 0, err)
	}
	w := p.waiting()
	for {
		offset, err := p.try(ctx, g, how, dir, w)
		if err == nil || ctx.Err() != nil {
			return err
		}
		// The words of PostgreSQL's sysv_shmem.c and miscinit.c; lc_messages is C.
		tail := strings.Join(logTail(p.logFile(), offset, 20), "\n")
		if !strings.Contains(tail, "pre-existing shared memory block") {
			return p.failure(how, offset, err)
		}
		pids := strings.Trim(fmt.Sprint(workers(how.data)), "[]")
		which, help := "an old server process", "try again once its work is done"
		if pids != "" {
			// Root without the right to look into other accounts' processes does not learn them.
			which += " (pid " + pids + ")"
			help += ", or end it with: kill -TERM " + pids
		}
		w.after(sayAfter, "%s of the private database is still busy; waiting for it to end", which)
		if w.over() {
			return &Error{
				What:  fmt.Sprintf("%s still works on the private database in %s after %v", which, how.data, p.limit),
				Help:  help,
				Cause: ErrBusy,
			}
		}
		sleep(ctx, 50*time.Millisecond)
	}
}

// try starts the server once. It returns where in the log this try begins.
func (p *place) try(ctx context.Context, g programs, how launch, socketDir string, w *waiting) (offset int64, err error) {
	for _, name := range []string{
		filepath.Join(how.data, "postmaster.pid"),
		filepath.Join(socketDir, socketName(how.port)+".lock"),
	} {
		if err := p.disarm(name, how.data); err != nil {
			return 0, err
		}
	}
	log, err := os.OpenFile(p.logFile(), os.O_WRONLY|os.O_CREATE|os.O_APPEND|syscall.O_NOFOLLOW, 0o600)
	if err != nil {
		return 0, err
	}
	defer log.Close()
	if fi, err := log.Stat(); err == nil {
		offset = fi.Size()
	}
	args := append([]string{
		"-D", how.data,
		"-k", socketDir,
		"-p", strconv.Itoa(how.port),
		"-c", "listen_addresses=",
		"-c", "unix_socket_permissions=0700",
	}, how.args...)
	// Not CommandContext: the server outlives the command that started it.
	cmd := exec.Command(g.path("postgres"), args...)
	// A session of its own, so that neither Ctrl-C nor a closed terminal reaches it.
	cmd.SysProcAttr = &syscall.SysProcAttr{Setsid: true}
	p.account.apply(cmd)
	cmd.Env = p.serverEnv()
	cmd.Stdout, cmd.Stderr = log, log
	if err := cmd.Start(); err != nil {
		return offset, fmt.Errorf("run %s: %w", cmd.Path, err)
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }() // so that it never stays a zombie of ours
	for {
		if l := lookAt(how.data); l.pid == cmd.Process.Pid && l.status == "ready" {
			return offset, nil
		}
		select {
		case err := <-ended:
			if err == nil {
				err = errors.New("it stopped again")
			}
			return offset, err
		case <-ctx.Done():
			return offset, fmt.Errorf("wait for the private database to start: %w", ctx.Err())
		case <-time.After(pollEvery):
		}
		w.after(sayAfter, "the private database is starting (it may be recovering from a crash)")
	}
}

// serverEnv is the environment of the server and its tools: none of the
// caller's settings for PostgreSQL's programs, and messages in English, some
// of which are read here.
func (p *place) serverEnv() []string {
	env := []string{"LC_ALL=C", "TZ=UTC", "PATH=" + or(p.Env("PATH"), "/usr/bin:/bin")}
	for _, name := range []string{"LD_LIBRARY_PATH", "DYLD_LIBRARY_PATH"} {
		if v := p.Env(name); v != "" {
			env = append(env, name+"="+v)
		}
	}
	return env
}

// disarm makes a lock file harmless that a killed server left behind and whose
// pid now belongs to a zombie or to somebody else: with our own pid on its
// first line the server that we start, our child, passes over it, and still
// checks the shared memory that the file names. A lock of a live server of
// this data folder is left as it is. The file is never deleted.
func (p *place) disarm(name, data string) error {
	fi, err := os.Lstat(name)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	if !fi.Mode().IsRegular() {
		return &Error{What: fmt.Sprintf("%s is in the way: it is not a lock file", name), Help: "move it away"}
	}
	text, err := os.ReadFile(name)
	if err != nil {
		return err
	}
	first, rest, _ := strings.Cut(string(text), "\n")
	pid, _ := strconv.Atoi(strings.TrimSpace(first))
	if pid == os.Getpid() || pid > 0 && worksIn(pid, data) {
		return nil
	}
	return writeFile(name, []byte(strconv.Itoa(os.Getpid())+"\n"+rest), 0o600, p.account)
}

// failure says why the server did not start or lets nobody in, with the end of
// its log and the room on the disk.
func (p *place) failure(how launch, offset int64, err error) error {
	log := p.logFile()
	tail := logTail(log, offset, 20)
	if len(tail) == 0 {
		// It did not get as far as saying anything; the last server may have.
		log += ".1"
		tail = logTail(log, 0, 20)
	}
	said := err.Error()
	for _, line := range tail {
		// Want of room is the reason for whatever is said after it.
		if saysNoRoom(said) {
			break
		}
		for _, level := range []string{"FATAL:", "PANIC:", "could not write", "could not extend"} {
			if i := strings.Index(line, level); i >= 0 {
				said = strings.TrimSpace(strings.TrimPrefix(line[i:], level))
			}
		}
	}
	does := "does not start"
	var refused *refusal
	if errors.As(err, &refused) {
		does, said = "runs but lets nobody in", refused.message
	}
	e := &Error{What: fmt.Sprintf("the private database in %s %s: %s", how.data, does, said), Cause: err}
	p.addRoom(e, strings.Join(tail, " / ")+said)
	if errors.Is(e, ErrDiskFull) {
		// said and the room are all there is to know, and the rest of the log would bury them.
		e.Help += "; its log is " + log
	} else if len(tail) > 0 {
		e.What += fmt.Sprintf("; the end of its log %s: %s", log, strings.Join(tail[max(0, len(tail)-6):], " / "))
	}
	return e
}

// LowRoom is less than a start may need (write-ahead log, temporary shared
// memory files), so that a failure with so little left is put down to it.
const LowRoom = 16 << 20 // bytes

// addRoom adds the free space to a failure, and, where that or the program's
// words point to it, that the disk is full.
func (p *place) addRoom(e *Error, said string) {
	room, known := freeSpace(p.base)
	if known {
		e.What += fmt.Sprintf(" (%s free there)", inBytes(room))
	}
	full := errors.Is(e.Cause, syscall.ENOSPC) || errors.Is(e.Cause, syscall.EDQUOT) || errors.Is(e.Cause, syscall.EFBIG)
	full = full || saysNoRoom(said)
	if full || known && room < LowRoom {
		e.Cause = errors.Join(ErrDiskFull, e.Cause)
		e.Help = fmt.Sprintf("make room on the disk of %s and try again: everything committed is kept", p.base)
	}
}

// saysNoRoom tells whether a program's words are those of a full disk, a used-up
// quota or a limit of a file's size.
func saysNoRoom(said string) bool {
	// The last is how older servers put it when a session finds no room for its cache.
	for _, words := range []string{"No space left on device", "Disk quota exceeded", "File too large", "could not write init file"} {
		if strings.Contains(said, words) {
			return true
		}
	}
	return false
}

// rotate puts the log of the last starts aside, so that it neither grows for
// ever nor loses what the last crash said.
func rotate(log string) {
	if fi, err := os.Lstat(log); err != nil || fi.Size() == 0 {
		return
	}
	for i := 3; i > 1; i-- {
		_ = os.Rename(log+"."+strconv.Itoa(i-1), log+"."+strconv.Itoa(i))
	}
	_ = os.Rename(log, log+".1")
}

// programsFor returns the programs that open a data folder of a major version.
func (p *place) programsFor(ctx context.Context, major int) (programs, error) {
	if major < 0 {
		return programs{}, &Error{
			What: fmt.Sprintf("%s is no data folder of PostgreSQL (it has no readable PG_VERSION), and nothing is made over it", p.data()),
			Help: "move it away, or choose another folder with STEADYBATH_HOME",
		}
	}
	g, err := p.matching(ctx, major)
	var e *Error
	if errors.As(err, &e) && errors.Is(e.Cause, ErrOtherVersion) {
		e.What = fmt.Sprintf("the private database in %s was made by PostgreSQL %d, and only the same version opens it; %s installed here; nothing was touched", p.data(), major, e.What)
		e.Help += `; with both versions installed, "steadybath server upgrade" moves an older database to the newer one`
	}
	return g, err
}

// stop ends a server without waiting for its sessions: open transactions are
// rolled back, everything committed is on the disk.
func (p *place) stop(ctx context.Context, pid int, data string) error {
	if err := syscall.Kill(pid, syscall.SIGINT); err != nil && !errors.Is(err, syscall.ESRCH) {
		return fmt.Errorf("stop the private database (pid %d): %w", pid, err)
	}
	w := p.waiting()
	w.limit = stopWithin
	for worksIn(pid, data) {
		if w.over() {
			return &Error{What: fmt.Sprintf("the private database (pid %d) has not stopped after %v", pid, stopWithin), Help: "its log is " + p.logFile()}
		}
		w.after(sayAfter, "waiting for the private database to write everything down and stop")
		sleep(ctx, pollEvery)
		if ctx.Err() != nil {
			return fmt.Errorf("wait for the private database to stop: %w", ctx.Err())
		}
	}
	return nil
}
