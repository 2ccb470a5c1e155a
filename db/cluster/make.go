package cluster

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"time"
)

// settings are added to the configuration that initdb writes. Small, because
// one person uses it; nothing in it trades safety for speed. What keeps others
// out (no network, the socket's mode) is given on the server's command line,
// where no edited file can undo it.
const settings = `
# steadybath: a private server for one person
cluster_name = 'steadybath'
shared_buffers = 16MB
max_connections = 20
wal_level = minimal
max_wal_senders = 0
max_wal_size = 256MB
jit = off
huge_pages = off
timezone = 'UTC'
log_timezone = 'UTC'
lc_messages = 'C'
log_checkpoints = off
logging_collector = off
log_destination = 'stderr'
dynamic_shared_memory_type = mmap
`

// bootstrapSQL makes the one role and the one database that have to exist
// before anybody can log in. Statements end with a semicolon and an empty
// line, as the single-user server's -j wants it.
const bootstrapSQL = `create role ` + Owner + ` login createrole;

create database ` + Database + ` owner ` + Owner + `;

`

const hba = `# steadybath: only over the socket, only as whom the system knows the caller
# and pg_ident.conf lets be whom
local all all peer map=steadybath
`

// identMap lets the person be the owner and the role named after them, and
// nobody anything else.
func (p *place) identMap() string {
	var b strings.Builder
	b.WriteString("# steadybath: map, name in the operating system, role\n")
	for _, role := range []string{Owner, p.person} {
		fmt.Fprintf(&b, "steadybath %s %s\n", quoteIdent(p.user), quoteIdent(role))
	}
	return b.String()
}

func quoteIdent(s string) string { return `"` + strings.ReplaceAll(s, `"`, `""`) + `"` }

func (p *place) writeMap(data string) error {
	return writeFile(filepath.Join(data, "pg_ident.conf"), []byte(p.identMap()), 0o600, p.account)
}

// making is the pattern of the folders in which a cluster is made before it
// gets its name.
const making = "making-"

// make makes the cluster in a folder of its own and gives it its name once it
// is whole, so that no half-made one is ever found. The caller holds the lock.
func (p *place) make(ctx context.Context) error {
	if kept, _ := filepath.Glob(filepath.Join(globEscape(p.base), "data-*")); len(kept) > 0 {
		return &Error{
			What: fmt.Sprintf("the private database's folder %s is missing, though %s, which an upgrade kept, is there; no empty one is made beside it", p.data(), kept[0]),
			Help: fmt.Sprintf("bring the folder back, or rename the kept one to %s", p.data()),
		}
	}
	g, err := p.newest(ctx)
	if err != nil {
		return err
	}
	p.Log("making a private database in %s (PostgreSQL %d)", p.base, g.major)
	tmp, err := p.makeAside(ctx, g)
	if err != nil {
		return err
	}
	if _, err := p.run(ctx, g, bootstrapSQL, "postgres", "--single", "-D", tmp, "-j", "-c", "exit_on_error=on", "postgres"); err != nil {
		return errors.Join(p.makingFailed(err), os.RemoveAll(tmp))
	}
	if err := os.Rename(tmp, p.data()); err != nil {
		return errors.Join(fmt.Errorf("give the private database its name: %w", err), os.RemoveAll(tmp))
	}
	return syncDir(p.base)
}

// clearAway removes what was being made when the tool was killed: never a
// cluster that was ever in use, because those carry another name. The caller
// holds the lock, so what works in such a folder is an orphan; it may put
// files there for a moment longer, and what stays for that reason is removed
// at the next start.
func (p *place) clearAway() {
	left, _ := filepath.Glob(filepath.Join(globEscape(p.base), making+"*"))
	for _, dir := range left {
		for range 100 {
			for _, pid := range workers(dir) {
				_ = syscall.Kill(pid, syscall.SIGKILL)
			}
			if err := os.RemoveAll(dir); err == nil {
				break
			}
			time.Sleep(pollEvery)
		}
	}
}

// makeAside makes an empty cluster, configured, under a temporary name.
func (p *place) makeAside(ctx context.Context, g programs) (string, error) {
	p.clearAway()
	tmp, err := os.MkdirTemp(p.base, making)
	if err != nil {
		return "", p.makingFailed(err)
	}
	fail := func(err error) (string, error) {
		return "", errors.Join(p.makingFailed(err), os.RemoveAll(tmp))
	}
	if err := p.account.own(tmp); err != nil {
		return fail(err)
	}
	locale := "C.UTF-8"
	if runtime.GOOS == "darwin" {
		locale = "C" // macOS got C.UTF-8 late
	}
	if _, err := p.run(ctx, g, "", "initdb",
		"-D", tmp, "-U", bootstrap,
		"-E", "UTF8", "--locale="+locale, "--lc-messages=C",
		"--data-checksums", "--wal-segsize=1",
		"--auth-local=peer", "--auth-host=reject",
		"--no-instructions",
	); err != nil {
		return fail(err)
	}
	conf := filepath.Join(tmp, "postgresql.conf")
	text, err := os.ReadFile(conf)
	if err == nil {
		err = writeFile(conf, append(text, settings...), 0o600, p.account)
	}
	if err == nil {
		err = writeFile(filepath.Join(tmp, "pg_hba.conf"), []byte(hba), 0o600, p.account)
	}
	if err == nil {
		err = p.writeMap(tmp)
	}
	if err != nil {
		return fail(err)
	}
	return tmp, nil
}

func (p *place) makingFailed(err error) error {
	e := &Error{What: fmt.Sprintf("no private database could be made in %s: %v", p.base, err), Cause: err}
	p.addRoom(e, err.Error())
	return e
}

// run runs one of PostgreSQL's programs under the server's account and returns
// its output; its error carries the last lines that the program said.
func (p *place) run(ctx context.Context, g programs, stdin string, name string, args ...string) (string, error) {
	cmd := exec.CommandContext(ctx, g.path(name), args...)
	p.account.apply(cmd)
	cmd.Env = p.serverEnv()
	if stdin != "" {
		cmd.Stdin = strings.NewReader(stdin)
	}
	return output(ctx, cmd)
}

// output runs a program and returns what it wrote; its error carries the
// lines in which the program said what went wrong.
func output(ctx context.Context, cmd *exec.Cmd) (string, error) {
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		if ctx.Err() != nil {
			return "", ctx.Err()
		}
		return "", fmt.Errorf("%s: %w: %s", filepath.Base(cmd.Path), err, complaint(errs.String()))
	}
	return out.String(), nil
}

// complaint returns the lines of a program's error output that name an error,
// else its last line.
func complaint(text string) string {
	var last string
	var bad []string
	for line := range strings.Lines(text) {
		line = strings.TrimSpace(line)
		if line == "" {
			continue
		}
		last = line
		for _, level := range []string{"error:", "FATAL:", "PANIC:", "ERROR:", "ould not "} {
			if strings.Contains(line, level) {
				bad = append(bad, line)
				break
			}
		}
	}
	if len(bad) == 0 {
		return last
	}
	return strings.Join(bad[:min(3, len(bad))], " / ")
}

// globEscape makes a path match itself in filepath.Glob.
func globEscape(path string) string {
	return strings.NewReplacer(`\`, `\\`, `*`, `\*`, `?`, `\?`, `[`, `\[`).Replace(path)
}
