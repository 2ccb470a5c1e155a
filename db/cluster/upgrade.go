package cluster

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// Upgraded says what an upgrade did.
type Upgraded struct {
	From, To int    // major versions; equal if there was nothing to do
	Kept     string // the old data folder, renamed and otherwise as it was; "" if there was nothing to do
	Rows     int64  // rows carried over and compared
}

// Ports of the two servers of an upgrade. They only name the sockets, so that
// nothing that looks for the private database finds one of these.
const (
	oldPort = Port + 1
	newPort = Port + 2
)

// Upgrade carries a cluster of an older major version over into a new one made
// with the newest programs installed: dumped from the old server, restored
// into the new, compared table by table, and only then put in its place. The
// old folder is renamed and kept. Whatever fails before that leaves the old
// cluster where and as it was.
func Upgrade(ctx context.Context, c Config) (Upgraded, error) {
	c = c.withDefaults()
	p, err := c.locate()
	if err != nil {
		return Upgraded{}, err
	}
	if p.look().version == 0 {
		if _, err := os.Lstat(p.upgradeMark()); err != nil {
			return Upgraded{}, &Error{What: fmt.Sprintf("there is no private database in %s to upgrade", p.base), Help: "the first command that needs one makes it with the newest PostgreSQL installed"}
		}
	}
	unlock, err := lock(ctx, p.lockFile(), p.Log)
	if err != nil {
		return Upgraded{}, err
	}
	defer unlock()
	if err := p.finishUpgrade(); err != nil {
		return Upgraded{}, err
	}
	major := p.look().version
	from, err := p.programsFor(ctx, major)
	if err != nil {
		return Upgraded{}, err
	}
	to, err := p.newest(ctx)
	if err != nil {
		return Upgraded{}, err
	}
	if to.major <= from.major {
		return Upgraded{From: major, To: major}, nil
	}
	return p.rebuild(ctx, from, to)
}

// rebuild makes a new cluster with the programs in to out of the present one,
// which those in from open. The caller holds the lock.
func (p *place) rebuild(ctx context.Context, from, to programs) (Upgraded, error) {
	done := Upgraded{From: from.major, To: to.major}
	if gone := to.missing("initdb", "pg_dump", "pg_dumpall", "psql"); len(gone) > 0 {
		return done, &Error{
			What:  fmt.Sprintf("the upgrade to PostgreSQL %d needs %s, which %s does not have", to.major, strings.Join(gone, ", "), to.bin),
			Help:  "install the client programs of that version beside the server's; nothing was touched",
			Cause: ErrNoPrograms,
		}
	}
	// The copy needs about as much as the original, and some to work in.
	need := uint64(size(p.data())) + 100<<20
	if room, ok := freeSpace(p.base); ok && room < need {
		return done, &Error{
			What:  fmt.Sprintf("the upgrade needs about %s free in %s and there are %s", inBytes(need), p.base, inBytes(room)),
			Help:  "make room and try again; nothing was touched",
			Cause: ErrDiskFull,
		}
	}
	if l := p.look(); l.live {
		if err := p.stop(ctx, l.pid, p.data()); err != nil {
			return done, err
		}
	}
	p.Log("upgrading the private database in %s from PostgreSQL %d to %d", p.base, from.major, to.major)
	tmp, err := p.makeAside(ctx, to)
	if err != nil {
		return done, err
	}
	rows, err := p.carryOver(ctx, from, to, tmp)
	if err != nil {
		return done, errors.Join(fmt.Errorf("upgrade from PostgreSQL %d to %d (the old database is as it was): %w", from.major, to.major, err), os.RemoveAll(tmp))
	}
	done.Rows = rows

	// From here on two names change. The mark lets the next command finish
	// that if this one does not.
	ready := "data-new"
	kept := fmt.Sprintf("data-%d-kept-%s", from.major, time.Now().UTC().Format("20060102-150405"))
	if err := os.Rename(tmp, filepath.Join(p.base, ready)); err != nil {
		return done, errors.Join(err, os.RemoveAll(tmp))
	}
	if err := writeFile(p.upgradeMark(), []byte(kept+"\n"+ready+"\n"), 0o600, account{}); err != nil {
		return done, err
	}
	done.Kept = filepath.Join(p.base, kept)
	return done, p.finishUpgrade()
}

// finishUpgrade does what the mark of an upgrade says is left to do: the old
// data folder gets the name under which it is kept, the new one takes its
// place.
func (p *place) finishUpgrade() error {
	text, err := os.ReadFile(p.upgradeMark())
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	names := strings.Fields(string(text))
	if len(names) != 2 {
		return &Error{What: fmt.Sprintf("%s is damaged", p.upgradeMark()), Help: "see which data folders lie beside it, name the right one data, and remove the file"}
	}
	kept, ready := filepath.Join(p.base, names[0]), filepath.Join(p.base, names[1])
	if lookAt(ready).version > 0 {
		if _, err := os.Lstat(kept); errors.Is(err, fs.ErrNotExist) {
			if l := p.look(); l.live {
				if err := p.stop(context.Background(), l.pid, p.data()); err != nil {
					return err
				}
			}
			if err := os.Rename(p.data(), kept); err != nil {
				return fmt.Errorf("keep the old database: %w", err)
			}
		}
		if err := os.Rename(ready, p.data()); err != nil {
			return fmt.Errorf("put the upgraded database in its place: %w", err)
		}
	}
	if err := syncDir(p.base); err != nil {
		return err
	}
	return os.Remove(p.upgradeMark())
}

// carryOver dumps everything from the old server into the new and compares. It
// returns the number of rows in the new one.
func (p *place) carryOver(ctx context.Context, from, to programs, tmp string) (rows int64, err error) {
	dir, err := p.makeSocketFolder()
	if err != nil {
		return 0, err
	}
	// While this lasts only the superuser is let in, so nobody writes to
	// either; the files of the old folder are not changed for it.
	hbaFile, mapFile := filepath.Join(dir, "upgrade_hba.conf"), filepath.Join(dir, "upgrade_ident.conf")
	defer func() { err = errors.Join(err, os.Remove(hbaFile), os.Remove(mapFile)) }()
	err = errors.Join(
		writeFile(hbaFile, []byte("local all "+bootstrap+" peer map=upgrade\n"), 0o600, p.account),
		writeFile(mapFile, []byte("upgrade "+quoteIdent(p.user)+" "+bootstrap+"\n"), 0o600, p.account),
	)
	if err != nil {
		return 0, err
	}
	guard := []string{"-c", "hba_file=" + hbaFile, "-c", "ident_file=" + mapFile}
	rotate(p.logFile())
	for _, s := range []struct {
		g   programs
		how launch
	}{
		{from, launch{data: p.data(), port: oldPort, args: append([]string{"-c", "default_transaction_read_only=on"}, guard...)}},
		{to, launch{data: tmp, port: newPort, args: guard}},
	} {
		if err := p.launch(ctx, s.g, s.how); err != nil {
			return 0, err
		}
		defer func() {
			if l := lookAt(s.how.data); l.live {
				// Not under ctx: a broken-off upgrade must not leave it running.
				err = errors.Join(err, p.stop(context.Background(), l.pid, s.how.data))
			}
		}()
	}

	tool := func(name string, port int, args ...string) *exec.Cmd {
		cmd := exec.CommandContext(ctx, to.path(name), append([]string{"-h", dir, "-p", strconv.Itoa(port), "-U", bootstrap, "-w"}, args...)...)
		cmd.Env = append(p.serverEnv(), "PGTZ=UTC", "PGCLIENTENCODING=UTF8", "HOME=/nonexistent")
		return cmd
	}
	psql := func(port int, database string) *exec.Cmd {
		return tool("psql", port, "-X", "-q", "-A", "-t", "-v", "ON_ERROR_STOP=1", "-d", database)
	}
	ask := func(port int, database, sql string) (string, error) {
		cmd := psql(port, database)
		cmd.Stdin = strings.NewReader(sql)
		return output(ctx, cmd)
	}

	roles, err := output(ctx, tool("pg_dumpall", oldPort, "--roles-only"))
	if err != nil {
		return 0, err
	}
	// The new cluster has that one from initdb.
	roles = strings.Replace(roles, "\nCREATE ROLE "+bootstrap+";\n", "\n", 1)
	if _, err := ask(newPort, "postgres", roles); err != nil {
		return 0, fmt.Errorf("carry over the roles: %w", err)
	}
	list, err := ask(oldPort, "postgres", "select datname from pg_database where datallowconn and datname not in ('template1', 'postgres') order by 1")
	if err != nil {
		return 0, err
	}
	for name := range strings.Lines(list) {
		name = strings.TrimSuffix(name, "\n")
		if err := pipe(ctx, tool("pg_dump", oldPort, "--create", "-d", name), psql(newPort, "postgres")); err != nil {
			return 0, fmt.Errorf("carry over database %s: %w", name, err)
		}
		if _, err := ask(newPort, name, "analyze"); err != nil {
			return 0, err
		}
		before, err := ask(oldPort, name, tally)
		if err != nil {
			return 0, err
		}
		after, err := ask(newPort, name, tally)
		if err != nil {
			return 0, err
		}
		if before != after {
			return 0, fmt.Errorf("database %s differs after it was carried over: %s", name, firstDifference(before, after))
		}
		rows += rowsIn(after)
		if p.Proof != "" {
			if before, err = ask(oldPort, name, p.Proof); err != nil {
				return 0, err
			}
			if after, err = ask(newPort, name, p.Proof); err != nil {
				return 0, err
			}
			if before != after {
				return 0, fmt.Errorf("the chains of database %s do not fit as they did: %s", name, firstDifference(before, after))
			}
		}
	}
	before, err := ask(oldPort, "postgres", rolesTally)
	if err != nil {
		return 0, err
	}
	after, err := ask(newPort, "postgres", rolesTally)
	if err != nil {
		return 0, err
	}
	if before != after {
		return 0, fmt.Errorf("the roles differ after they were carried over: %s", firstDifference(before, after))
	}
	return rows, nil
}

// tally lists what must be the same on both sides: of every table the number
// of rows and the sum of their digests, of every sequence its last value, and
// the triggers, checks and functions. Names are sorted as texts: a regclass
// sorts by its number, which is another in every cluster.
const tally = `
select format('select %L, count(*), coalesce(sum((''x'' || substr(md5(steadybath_row::text), 1, 15))::bit(60)::bigint), 0) from %I.%I as steadybath_row',
              'rows of ' || n.nspname || '.' || c.relname, n.nspname, c.relname)
from pg_class c join pg_namespace n on n.oid = c.relnamespace
where c.relkind in ('r', 'm') and n.nspname !~ '^pg_' and n.nspname <> 'information_schema'
order by n.nspname, c.relname \gexec
select 'sequence', schemaname, sequencename, last_value from pg_sequences order by 2, 3;
select 'trigger', tgrelid::regclass, tgname, tgenabled from pg_trigger where not tgisinternal order by tgrelid::regclass::text, 3;
select 'constraint', conrelid::regclass, conname, contype, convalidated from pg_constraint where contype in ('c', 'f', 'p', 'u', 'x') and connamespace::regnamespace::text !~ '^pg_' and connamespace::regnamespace::text <> 'information_schema' order by conrelid::regclass::text, 3;
select 'function', oid::regprocedure, md5(prosrc) from pg_proc where pronamespace::regnamespace::text !~ '^pg_' and pronamespace::regnamespace::text <> 'information_schema' order by oid::regprocedure::text;
select 'relation', relkind, oid::regclass, pg_get_userbyid(relowner) from pg_class where relnamespace::regnamespace::text !~ '^pg_' and relnamespace::regnamespace::text <> 'information_schema' order by 2, oid::regclass::text;
`

const rolesTally = `
select rolname, rolcanlogin, rolsuper, rolcreaterole, rolcreatedb from pg_roles where rolname !~ '^pg_' order by 1;
select distinct r.rolname, m.rolname from pg_auth_members a join pg_roles r on r.oid = a.roleid join pg_roles m on m.oid = a.member where r.rolname !~ '^pg_' order by 1, 2;
`

func rowsIn(tally string) int64 {
	var sum int64
	for line := range strings.Lines(tally) {
		if fields := strings.Split(line, "|"); strings.HasPrefix(line, "rows of ") && len(fields) >= 3 {
			n, _ := strconv.ParseInt(fields[len(fields)-2], 10, 64)
			sum += n
		}
	}
	return sum
}

func firstDifference(before, after string) string {
	a, b := strings.Split(before, "\n"), strings.Split(after, "\n")
	for i := range max(len(a), len(b)) {
		var x, y string
		if i < len(a) {
			x = a[i]
		}
		if i < len(b) {
			y = b[i]
		}
		if x != y {
			return fmt.Sprintf("%q became %q", x, y)
		}
	}
	return "no line"
}

// pipe runs two programs, the output of the first being the input of the
// second, and returns what either complained of.
func pipe(ctx context.Context, from, to *exec.Cmd) error {
	r, w := io.Pipe()
	from.Stdout, to.Stdin = w, r
	var fromErr, toErr strings.Builder
	from.Stderr, to.Stderr = &fromErr, &toErr
	done := make(chan error, 1)
	go func() {
		err := from.Run()
		// A dump that broke off must not look like one that ended.
		_ = w.CloseWithError(err)
		done <- err
	}()
	errTo := to.Run()
	_ = r.CloseWithError(errors.New("the reader ended"))
	errFrom := <-done
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case errTo != nil && toErr.Len() > 0:
		return fmt.Errorf("%s: %w: %s", filepath.Base(to.Path), errTo, complaint(toErr.String()))
	case errFrom != nil:
		return fmt.Errorf("%s: %w: %s", filepath.Base(from.Path), errFrom, complaint(fromErr.String()))
	}
	return errTo
}
