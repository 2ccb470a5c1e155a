package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/db/cluster"
	"steadybath/db/cluster/clustertest"
)

var (
	torture     = flag.Int("torture", 0, "how many processes each of the torture tests kills; 0 is their short form")
	tortureSeed = flag.Uint64("torture-seed", 0, "what the torture tests draw from; 0 takes a new one and prints it")
)

// kills is how many processes a torture test kills.
func kills(short int) int {
	if *torture > 0 {
		return *torture
	}
	return short
}

// killBed is a private cluster driven through the program as it is installed:
// each command is a process of its own that can be killed.
type killBed struct {
	t      *testing.T
	config cluster.Config
	env    []string
	limit  string       // of a file's size, for ulimit -f; "" is none
	ran    atomic.Int64 // commands

	mu    sync.Mutex
	draw  *rand.Rand
	facts map[uuid.UUID]keyed // acknowledged
}

func newKillBed(t *testing.T, config cluster.Config) *killBed {
	seed := *tortureSeed
	if seed == 0 {
		seed = uint64(time.Now().UnixNano()) // printed, so that a failure can be drawn again
	}
	t.Logf("drawn with -torture-seed %d", seed)
	b := &killBed{t: t, config: config, draw: rand.New(rand.NewPCG(seed, 8)), facts: map[uuid.UUID]keyed{}}
	b.env = []string{"STEADYBATH_HOME=" + config.Home, "TZ=Pacific/Chatham"}
	for _, name := range []string{"PATH", "HOME", "STEADYBATH_PGBIN", "LD_LIBRARY_PATH"} {
		if v, ok := os.LookupEnv(name); ok {
			b.env = append(b.env, name+"="+v)
		}
	}
	return b
}

// drawn is a number from 0 to below n.
func (b *killBed) drawn(n int) int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.draw.IntN(n)
}

// within is a time from 0 to below d.
func (b *killBed) within(d time.Duration) time.Duration {
	return time.Duration(b.drawn(int(max(d, 1))))
}

// outcome is how one command ended.
type outcome struct {
	status         int // -1: killed
	stdout, stderr string
	began          time.Time
	took           time.Duration
}

// trigger waits for the moment to kill a command, and tells whether it came
// before the command was done.
type trigger func(done <-chan struct{}) bool

var never trigger

func after(d time.Duration) trigger {
	return func(done <-chan struct{}) bool {
		select {
		case <-done:
			return false
		case <-time.After(d):
			return true
		}
	}
}

// once is as soon as something is seen.
func once(seen func() bool) trigger {
	return func(done <-chan struct{}) bool {
		for !seen() {
			select {
			case <-done:
				return false
			default:
			}
		}
		return true
	}
}

// run runs the program, and kills it unless that is never.
func (b *killBed) run(kill trigger, stdin string, args ...string) outcome {
	cmd := exec.Command("steadybath", args...)
	if b.limit != "" {
		// In the unit of POSIX's ulimit -f, 512 bytes; the server inherits it.
		cmd = exec.Command("sh", append([]string{"-c", "ulimit -f " + b.limit + `; exec steadybath "$@"`, "sh"}, args...)...)
	}
	var out, errs bytes.Buffer
	cmd.Env, cmd.Stdin, cmd.Stdout, cmd.Stderr, cmd.WaitDelay = b.env, strings.NewReader(stdin), &out, &errs, time.Minute
	o := outcome{began: time.Now()}
	if err := cmd.Start(); err != nil {
		return outcome{status: -2, stderr: err.Error()}
	}
	done := make(chan struct{})
	var wg sync.WaitGroup
	if kill != nil {
		wg.Go(func() {
			if kill(done) {
				_ = cmd.Process.Kill()
			}
		})
	}
	_ = cmd.Wait()
	close(done)
	wg.Wait()
	o.status, o.stdout, o.stderr, o.took = cmd.ProcessState.ExitCode(), out.String(), errs.String(), time.Since(o.began)
	b.ran.Add(1)
	return o
}

// does runs the program, which has to succeed.
func (b *killBed) does(args ...string) string {
	o := b.run(never, "", args...)
	require.Zero(b.t, o.status, "%q: %s", args, o.stderr)
	return o.stdout
}

// keyed is one command that enters facts of one id.
type keyed struct {
	bath  string
	args  []string
	stdin string
	id    uuid.UUID
	want  []string // kind, subject, value and unit of each fact; * is any text
}

func (b *killBed) enter(kill trigger, c keyed) outcome {
	return b.run(kill, c.stdin, append(slices.Clone(c.args), "--bath", c.bath, "--id", c.id.String())...)
}

// kinds of commands that draw makes.
const kinds = 5

// command draws a command. Its amounts stay small, so that no bath of some
// thousand facts becomes one that asks back.
func (b *killBed) command(bath string, kind int) keyed {
	c := keyed{bath: bath, id: commandOf(uuid.Must(uuid.NewV7()))}
	level := fmt.Sprintf("58.%d", b.drawn(3))
	charge := fmt.Sprintf("0.%d", 1+b.drawn(9))
	burette := fmt.Sprintf("16.3%d", b.drawn(10))
	switch kind {
	case 0:
		c.args, c.want = []string{"level", level + "L"}, []string{"level||" + level + "|L"}
	case 1:
		c.args, c.want = []string{"titrate", "copper", burette + "mL", "16.40mL"}, []string{"assay|copper|*|g/L"}
	case 2:
		c.args, c.want = []string{"plate", charge + "Ah"}, []string{"plate||" + charge + "|Ah"}
	case 3:
		c.args, c.want = []string{"add", "brightener", charge + "mL"}, []string{"add|brightener|" + charge + "|mL"}
	default:
		// Level, water, sample, copper; then the end.
		c.args, c.stdin = []string{"round"}, level+"\n0.1\n\n"+burette+"\n.\n"
		c.want = []string{"level||" + level + "|L", "add|deionised water|0.1|L", "assay|copper|*|g/L"}
	}
	return c
}

// begin makes a bath that holds something.
func (b *killBed) begin(bath string) {
	b.does("bath", "new", bath, "--recipe", "copper-electroforming", "--volume", "60 L", "--at", "7 days ago")
	b.does("fill", "58L", "--bath", bath, "--origin", "make-up", "--at", "7 days ago", "--with", "copper 52 g/L",
		"--with", "sulfuric acid 60 g/L", "--with", "chloride 65 mg/L", "--with", "brightener 4 mL/L")
}

// acknowledge keeps what the program said was entered.
func (b *killBed) acknowledge(c keyed, o outcome) error {
	number, _, _ := strings.Cut(o.stdout, " ")
	if n, err := strconv.Atoi(number); o.status != 0 || err != nil || n < 1 {
		return fmt.Errorf("%q --id %s: status %d, no number of a fact: %s%s", c.args, c.id, o.status, o.stdout, o.stderr)
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.facts[c.id] = c
	return nil
}

// connect opens a connection as a role, past the program; the server runs.
func (b *killBed) connect(database, role string) *pgx.Conn {
	server, err := cluster.Ensure(b.t.Context(), b.config)
	require.NoError(b.t, err)
	conn, err := pgx.Connect(b.t.Context(), strings.Replace(server.DSN(role), "dbname="+cluster.Database, "dbname="+database, 1))
	require.NoError(b.t, err)
	b.t.Cleanup(func() { _ = conn.Close(context.Background()) })
	return conn
}

// letSuperuserIn lets whoever runs the tests be the superuser too.
func (b *killBed) letSuperuserIn() {
	server, err := cluster.Ensure(b.t.Context(), b.config)
	require.NoError(b.t, err)
	path := filepath.Join(server.DataDir, "pg_ident.conf")
	text, err := os.ReadFile(path)
	require.NoError(b.t, err)
	for line := range strings.Lines(string(text)) {
		if user, ok := strings.CutSuffix(strings.TrimSpace(line), ` "`+cluster.Owner+`"`); ok {
			text = append(text, fmt.Sprintf("%s %s\n", user, superuser)...)
		}
	}
	require.NoError(b.t, os.WriteFile(path, text, 0o600)) // it exists, so its owner stays
	require.NoError(b.t, syscall.Kill(server.PID, syscall.SIGHUP))
	require.Eventually(b.t, func() bool {
		conn, err := pgx.Connect(b.t.Context(), server.DSN(superuser))
		return err == nil && conn.Close(b.t.Context()) == nil
	}, 10*time.Second, 10*time.Millisecond)
}

// commandOf is the id of the command that entered the fact of an id: the facts
// of a round count on from its own, and a round here has few questions.
func commandOf(fact uuid.UUID) uuid.UUID {
	fact[15] &^= 0x3f
	return fact
}

// person is the role that the program enters facts as.
func person(t *testing.T, b *killBed) string {
	st, err := cluster.Stat(t.Context(), b.config)
	require.NoError(t, err)
	return st.Person
}

const selectStored = `select id, concat_ws('|', kind, subject, coalesce(value::text, ''), unit), entered from steadybath.facts`

// rows are facts as the database has them, by the command that entered them,
// each with when it was entered.
func rows(t *testing.T, conn *pgx.Conn, where string, args ...any) (map[uuid.UUID][]string, time.Time) {
	found, _ := conn.Query(t.Context(), selectStored+" where "+where+" order by bath, number", args...)
	have := map[uuid.UUID][]string{}
	var id [16]byte
	var row string
	var last time.Time
	_, err := pgx.ForEachRow(found, []any{&id, &row, &last}, func() error {
		have[commandOf(id)] = append(have[commandOf(id)], row)
		return nil
	})
	require.NoError(t, err)
	return have, last
}

// stored are the facts of one command.
func (b *killBed) stored(conn *pgx.Conn, c keyed) ([]string, time.Time) {
	last := c.id
	last[15] |= 0x3f
	have, entered := rows(b.t, conn, "id between $1 and $2", [16]byte(c.id), [16]byte(last))
	return have[c.id], entered
}

// fits tells whether facts are those of a command, each once and in order.
func fits(found, want []string) bool {
	return slices.EqualFunc(found, want, func(f, w string) bool {
		before, after, any := strings.Cut(w, "*")
		return f == w || any && strings.HasPrefix(f, before) && strings.HasSuffix(f, after)
	})
}

// idle waits until no command's session is left: a server learns that a client
// was killed only when it next reads from it.
func (b *killBed) idle(conn *pgx.Conn) {
	require.Eventually(b.t, func() bool {
		var n int
		err := conn.QueryRow(b.t.Context(), "select count(*) from pg_stat_activity where application_name like 'steadybath%' and pid <> pg_backend_pid()").Scan(&n)
		return err == nil && n == 0
	}, 30*time.Second, 2*time.Millisecond)
}

// reckoning is what the database holds against what was acknowledged.
type reckoning struct {
	acknowledged, found int // facts
	lost                []uuid.UUID
	half, uninvited     []string
}

// reckon compares the whole database with what was acknowledged; the baths'
// beginnings and the journals that were imported are counted elsewhere.
func (b *killBed) reckon(conn *pgx.Conn) reckoning {
	have, _ := rows(b.t, conn, "kind not in ('bath', 'fill') and bath not like 'import-%'")
	var r reckoning
	for id, c := range b.facts {
		r.acknowledged += len(c.want)
		switch found := have[id]; {
		case len(found) == 0:
			r.lost = append(r.lost, id)
		case !fits(found, c.want):
			r.half = append(r.half, fmt.Sprintf("%q --id %s: %q", c.args, id, found))
		default:
			r.found += len(found)
		}
		delete(have, id)
	}
	for id, found := range have {
		r.uninvited = append(r.uninvited, fmt.Sprintf("%s: %q", id, found))
	}
	return r
}

// requireWhole wants every acknowledged fact exactly once, nothing else, and
// every chain to fit, by the program's own word and by SHA-256 of its export.
func (b *killBed) requireWhole(conn *pgx.Conn) reckoning {
	r := b.reckon(conn)
	require.Empty(b.t, r.lost, "acknowledged and not there")
	require.Empty(b.t, r.half, "other than acknowledged")
	require.Empty(b.t, r.uninvited, "there although it was refused, or twice")
	names, _ := conn.Query(b.t.Context(), "select distinct bath from steadybath.facts")
	baths, err := pgx.CollectRows(names, pgx.RowTo[string])
	require.NoError(b.t, err)
	for _, bath := range baths {
		b.does("history", "--verify", "--bath", bath)
		before := ""
		for line := range strings.Lines(b.does("export", "--bath", bath)) {
			line = strings.TrimRight(line, "\r\n")
			i := strings.LastIndexByte(line, ',')
			if row, hash := line[:i], line[i+1:]; hash != "hash" {
				sum := sha256.Sum256([]byte(before + "\n" + row + "\n"))
				require.Equal(b.t, hex.EncodeToString(sum[:]), hash, "%s: %s", bath, row)
				before = hash
			}
		}
	}
	return r
}

// aim learns how long after its start a kind of command has entered its facts
// and ends, so that kills fall into the moments that matter as well as anywhere.
type aim struct{ enters, ends, late time.Duration }

func (a *aim) learn(o outcome, entered time.Time) {
	a.enters, a.ends, a.late = entered.Sub(o.began), o.took, 0
}

// missed moves the aim after a kill that came before or after the facts were
// entered: a busy machine is slower now than it was when the aim was learned.
func (a *aim) missed(written bool) {
	if written {
		a.late -= a.ends / 10
	} else {
		a.late += a.ends / 10
	}
}

// shot draws when a command is killed: anywhere, about when it commits, or as
// soon as another session sees what it wrote.
func (b *killBed) shot(a aim, seen func() bool) trigger {
	switch draw := b.drawn(10); {
	case a.ends == 0 || draw < 3:
		return after(b.within(a.ends * 6 / 5))
	case draw < 5:
		return once(seen)
	}
	around := max(a.ends-a.enters, 2*time.Millisecond)
	return after(max(0, a.enters+a.late-around/2+b.within(2*around)))
}

// A program that is killed has written all it was told or nothing of it, and
// told the same again it never writes it twice.
func TestTortureProgram(t *testing.T) {
	t.Parallel()
	b := newKillBed(t, clustertest.New(t))
	b.begin("tank-1")
	b.letSuperuserIn()
	b.killCommands(kills(10))
	b.killImports(kills(8) / 4)
	b.requireSound()
}

func (b *killBed) killCommands(n int) {
	t, conn := b.t, b.connect(cluster.Database, superuser)
	var aims [kinds]aim
	began, ran, absent, present, late := time.Now(), b.ran.Load(), 0, 0, 0
	for absent+present < n {
		kind := b.drawn(kinds)
		c := b.command("tank-1", kind)
		if aims[kind].ends == 0 || b.drawn(8) == 0 { // one that is left alone
			o := b.enter(never, c)
			require.NoError(t, b.acknowledge(c, o))
			found, entered := b.stored(conn, c)
			require.True(t, fits(found, c.want), "%q: %q", c.args, found)
			aims[kind].learn(o, entered)
			continue
		}
		o := b.enter(b.shot(aims[kind], func() bool {
			found, _ := b.stored(conn, c)
			return len(found) > 0
		}), c)
		if o.status != -1 { // it was faster
			require.NoError(t, b.acknowledge(c, o))
			late++
			continue
		}
		b.idle(conn)
		found, _ := b.stored(conn, c)
		if len(found) == 0 {
			absent++
		} else {
			require.True(t, fits(found, c.want), "half: %q: %q", c.args, found)
			present++
		}
		aims[kind].missed(len(found) > 0)
		again := b.enter(never, c)
		require.NoError(t, b.acknowledge(c, again))
		require.Equal(t, len(found) > 0, strings.Contains(again.stdout, "there already"), again.stdout)
	}
	r := b.requireWhole(conn)
	t.Logf("%d commands, %d killed: %d before and %d after they had written, %d were faster; %d facts acknowledged, %d found; %.1f s",
		b.ran.Load()-ran, absent+present, absent, present, late, r.acknowledged, r.found, time.Since(began).Seconds())
	if *torture > 0 {
		require.NotZero(t, absent, "no command was killed before it wrote")
		require.NotZero(t, present, "no command was killed after it had written")
	}
}

// journalRows is how long the journals are whose import is killed: some chunks
// of those in which they are entered.
const journalRows = 2500

// killImports kills imports: each has entered its journal whole or nothing of
// it, and the same journal again makes it whole, once.
func (b *killBed) killImports(n int) {
	t, conn := b.t, b.connect(cluster.Database, superuser)
	// stands counts the rows of a journal that are there, and says when the last was entered.
	stands := func(bath string) (n int, last time.Time) {
		err := conn.QueryRow(t.Context(), "select count(*), coalesce(max(entered), to_timestamp(0)) from steadybath.facts where bath = $1 and kind = 'plate'", bath).Scan(&n, &last)
		require.NoError(t, err)
		return n, last
	}
	var a aim
	began, journals, absent, present := time.Now(), 0, 0, 0
	for ; absent+present < n; journals++ {
		bath := fmt.Sprintf("import-%d", journals)
		b.does("bath", "new", bath, "--recipe", "copper-electroforming", "--volume", "60 L", "--at", "7 days ago")
		journal := filepath.Join(t.TempDir(), "journal.csv")
		text := []byte("time,bath,kind,subject,value,unit,u,note\n")
		for k := range journalRows {
			text = fmt.Appendf(text, "%s,%s,plate,,0.0%d,Ah,,\n", began.Add(time.Duration(k)*time.Minute-6*24*time.Hour).UTC().Format(time.RFC3339), bath, 1+k%9)
		}
		require.NoError(t, os.WriteFile(journal, text, 0o600))
		wait := never
		if journals > 0 {
			wait = b.shot(a, func() bool {
				n, _ := stands(bath)
				return n > 0
			})
		}
		if o := b.run(wait, "", "import", journal); o.status == -1 {
			b.idle(conn)
			n, _ := stands(bath)
			require.Contains(t, []int{0, journalRows}, n, "half a journal")
			if n == 0 {
				absent++
			} else {
				present++
			}
			a.missed(n > 0)
		} else {
			require.Zero(t, o.status, o.stderr)
			_, last := stands(bath)
			a.learn(o, last)
		}
		b.does("import", journal)
		n, _ := stands(bath)
		require.Equal(t, journalRows, n)
	}
	b.requireWhole(conn)
	t.Logf("%d journals of %d rows, %d imports killed: %d before and %d after they were entered; %.1f s",
		journals, journalRows, absent+present, absent, present, time.Since(began).Seconds())
}

// servers are the processes of the private server: the postmaster first, its
// children after it.
func (b *killBed) servers() []int {
	st, err := cluster.Stat(b.t.Context(), b.config)
	if err != nil || st.PID == 0 {
		return nil
	}
	pids := []int{st.PID}
	out, err := exec.Command("ps", "-A", "-o", "pid=", "-o", "ppid=").Output()
	require.NoError(b.t, err)
	for line := range strings.Lines(string(out)) {
		var pid, parent int
		if _, err := fmt.Sscan(line, &pid, &parent); err == nil && parent == st.PID {
			pids = append(pids, pid)
		}
	}
	return pids
}

// killServer kills the postmaster, every process of the server, or one of
// them, and says which.
func (b *killBed) killServer() (what string, n int) {
	pids := b.servers()
	if len(pids) == 0 {
		return "", 0
	}
	switch draw := b.drawn(10); {
	case draw < 4:
		what, pids = "postmaster", pids[:1]
	case draw < 6:
		what = "all"
	default:
		// Backends come last.
		what, pids = "one process", pids[max(1, len(pids)-1-b.drawn(2)):]
		pids = pids[:min(1, len(pids))]
	}
	for _, pid := range pids {
		if syscall.Kill(pid, syscall.SIGKILL) == nil {
			n++
		}
	}
	return what, n
}

// A server that is killed while facts are entered is started again by the next
// command, every fact that was acknowledged is there, and nothing of one that
// was refused.
func TestTortureServer(t *testing.T) {
	t.Parallel()
	b := newKillBed(t, clustertest.New(t))
	baths := []string{"tank-1", "tank-2"}
	for _, bath := range baths {
		b.begin(bath)
	}
	b.letSuperuserIn()
	n, began, ran := kills(8), time.Now(), b.ran.Load()
	var strikes, processes, refused, unknown, done atomic.Int64
	var strike atomic.Int64 // how many kills there were before now
	alive := make(chan int64, 100)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	var wg sync.WaitGroup
	for _, bath := range baths {
		wg.Go(func() {
			for ctx.Err() == nil {
				c := b.command(bath, b.drawn(kinds))
				unsure := false // it may be there since an answer of 4
				for {
					before := strike.Load()
					o := b.enter(never, c)
					if o.status == 0 {
						assert.NoError(t, b.acknowledge(c, o))
						done.Add(1)
						select {
						case alive <- before:
						default:
						}
						break
					}
					if fault := badAnswer(o, statusRefused, statusMaybe); fault != "" {
						t.Errorf("%q --id %s %s: %s", c.args, c.id, fault, o.stderr)
					}
					if o.status == statusMaybe {
						unknown.Add(1)
						unsure = true
						if !strings.Contains(o.stderr, c.id.String()) {
							t.Errorf("the id is not named: %s", o.stderr)
						}
						continue
					}
					refused.Add(1)
					// One that goes away before it has answered anything is started again at once.
					if strings.Contains(o.stderr, "cannot reach the database") || strings.Contains(o.stderr, "starting up or shutting down") {
						t.Errorf("%q --id %s was given up: %s", c.args, c.id, o.stderr)
					}
					// Nothing was written, this time or before: left at that, it must not be there.
					if !unsure && b.drawn(2) == 0 {
						break
					}
				}
			}
		})
	}
	what := map[string]int{}
	for strikes.Load() < int64(n) && !t.Failed() {
		// Only where a command that began after the last kill went through.
		select {
		case before := <-alive:
			if before < strike.Load() {
				continue
			}
		case <-time.After(2 * time.Minute):
			t.Error("no command went through any more")
			continue
		}
		time.Sleep(b.within(120 * time.Millisecond))
		if name, killed := b.killServer(); killed > 0 {
			strike.Add(1)
			strikes.Add(1)
			processes.Add(int64(killed))
			what[name]++
		}
	}
	stop()
	wg.Wait()
	conn := b.connect(cluster.Database, superuser)
	b.idle(conn)
	r := b.requireWhole(conn)
	t.Logf("%d kills %v of %d processes; %d commands, %d went through, %d refused, %d left unknown; %d facts acknowledged, %d found; %.1f s",
		strikes.Load(), what, processes.Load(), b.ran.Load()-ran, done.Load(), refused.Load(), unknown.Load(), r.acknowledged, r.found, time.Since(began).Seconds())
	b.requireSound()
}

// badAnswer says what is wrong with how a command was refused.
func badAnswer(o outcome, statuses ...int) string {
	lines := strings.Split(strings.TrimSuffix(o.stderr, "\n"), "\n")
	if !slices.Contains(statuses, o.status) {
		return fmt.Sprintf("ended with status %d", o.status)
	}
	if len(lines) < 2 {
		return "gave no hint"
	}
	what, isWhat := strings.CutPrefix(lines[len(lines)-2], "steadybath: ")
	hint, isHint := strings.CutPrefix(lines[len(lines)-1], "hint: ")
	if !isWhat || !isHint {
		return "said other than one line and a hint"
	}
	for _, s := range []string{what, hint} {
		if fault := badSentence(s); fault != "" {
			return fmt.Sprintf("gave an answer that %s: %q", fault, s)
		}
	}
	return ""
}

// requireSound asks PostgreSQL's own programs whether the cluster is sound:
// pg_checksums of the stopped server's pages, pg_amcheck of every index and
// table, and whether what pg_dump and pg_restore carry over is the same.
func (b *killBed) requireSound() {
	t := b.t
	began := time.Now()
	st, err := cluster.Stat(t.Context(), b.config)
	require.NoError(t, err)
	program := func(attr *syscall.SysProcAttr, name string, args ...string) string {
		cmd := exec.Command(filepath.Join(st.Programs, name), args...)
		cmd.Dir, cmd.SysProcAttr, cmd.Env = "/", attr, []string{"PATH=" + os.Getenv("PATH"), "LC_ALL=C"}
		out, err := cmd.CombinedOutput()
		require.NoError(t, err, "%s %q: %s", name, args, out)
		return string(out)
	}
	b.mendPages(st.DataDir)
	b.does("server", "stop")
	scratch, err := os.MkdirTemp("/tmp", "sbk") // TMPDIR may be a folder that only root can enter
	require.NoError(t, err)
	defer os.RemoveAll(scratch)
	account, err := asServer(scratch)
	require.NoError(t, err)
	said := program(account, "pg_checksums", "--check", "-D", st.DataDir)
	require.Regexp(t, `Bad checksums: +0\n`, said)
	blocks := regexp.MustCompile(`Blocks scanned: +(\d+)`).FindStringSubmatch(said)
	require.NotNil(t, blocks, said)
	require.NotEqual(t, "0", blocks[1])

	b.does("bath", "list")
	at := []string{"-h", st.SocketDir, "-p", strconv.Itoa(cluster.Port), "-U", superuser}
	if _, err := os.Stat(filepath.Join(st.Programs, "pg_amcheck")); err == nil || *torture > 0 {
		program(nil, "pg_amcheck", append(at, "--all", "--heapallindexed", "--install-missing")...)
	} else {
		t.Log("pg_amcheck is not here (package postgresql-contrib): pg_dump reads every table, but nobody looks at the indexes")
	}
	dump := filepath.Join(scratch, "dump")
	program(nil, "pg_dump", append(at, "-Fc", "-f", dump, "-d", cluster.Database)...)
	_, err = b.connect("postgres", superuser).Exec(t.Context(), "create database again")
	require.NoError(t, err)
	program(nil, "pg_restore", append(at, "--exit-on-error", "-d", "again", dump)...)
	var sums [2][3]string
	for i, database := range []string{cluster.Database, "again"} {
		err := b.connect(database, superuser).QueryRow(t.Context(), `select (select count(*) from steadybath.facts)::text,
			(select coalesce(string_agg(md5(f::text), '' order by f.bath, f.number), '') from steadybath.facts f),
			(select coalesce(string_agg(md5(a::text), '' order by a.id), '') from steadybath.advice a)`).Scan(&sums[i][0], &sums[i][1], &sums[i][2])
		require.NoError(t, err)
	}
	require.Equal(t, sums[0], sums[1], "dumped and restored")
	t.Logf("sound: %s pages with good checksums, pg_amcheck found nothing, %s facts dumped and restored the same; %.1f s", blocks[1], sums[0][0], time.Since(began).Seconds())
}

// mendPages writes the database anew where a full disk let only a part of a
// file's last page be written: PostgreSQL writes over it when the file grows,
// but pg_checksums takes it for a fault.
func (b *killBed) mendPages(data string) {
	files, err := filepath.Glob(filepath.Join(data, "base", "*", "*"))
	require.NoError(b.t, err)
	for _, f := range files {
		info, err := os.Stat(f)
		if err != nil || info.Size()%8192 == 0 || !regexp.MustCompile(`^[0-9]+(_fsm|_vm)?$`).MatchString(filepath.Base(f)) {
			continue
		}
		b.t.Logf("%s ends within a page", f)
		conn := b.connect(cluster.Database, superuser)
		for _, sql := range []string{"vacuum full", "checkpoint"} {
			_, err := conn.Exec(b.t.Context(), sql)
			require.NoError(b.t, err)
		}
		return
	}
}

// strike kills every process of the server at one moment and waits until they
// are gone, as a power cut would have it but for what the system still holds.
func (b *killBed) strike() {
	pids := b.servers()
	require.NotEmpty(b.t, pids)
	for _, pid := range pids {
		_ = syscall.Kill(pid, syscall.SIGKILL)
	}
	require.Eventually(b.t, func() bool {
		st, err := cluster.Stat(b.t.Context(), b.config)
		return err == nil && st.State == cluster.Stopped
	}, time.Minute, 5*time.Millisecond)
}

// set writes settings into the server's configuration and stops it; the next
// command starts it with them.
func (b *killBed) set(lines ...string) {
	st, err := cluster.Stat(b.t.Context(), b.config)
	require.NoError(b.t, err)
	conf, err := os.OpenFile(filepath.Join(st.DataDir, "postgresql.conf"), os.O_APPEND|os.O_WRONLY, 0)
	require.NoError(b.t, err)
	_, err = fmt.Fprintf(conf, "%s\n", strings.Join(lines, "\n"))
	require.NoError(b.t, err)
	require.NoError(b.t, conf.Close())
	b.does("server", "stop")
}

// What the private server promises about what it has acknowledged, by its own
// word and by its death; and that the same check sees where it does not.
func TestTortureDurability(t *testing.T) {
	t.Parallel()
	b := newKillBed(t, clustertest.New(t))
	b.begin("tank-1")
	conn := b.connect(cluster.Database, person(t, b))
	for name, want := range map[string]string{
		"fsync": "on", "full_page_writes": "on", "synchronous_commit": "on", "data_checksums": "on",
		"zero_damaged_pages": "off", "ignore_checksum_failure": "off", "ignore_invalid_pages": "off",
		"data_sync_retry":     "off", // a failed fsync ends the server, which then recovers from its log
		"restart_after_crash": "on", "wal_level": "minimal", "wal_init_zero": "on", "default_transaction_read_only": "off",
	} {
		var have string
		require.NoError(t, conn.QueryRow(t.Context(), "select current_setting($1)", name).Scan(&have))
		assert.Equal(t, want, have, name)
	}
	var odd int
	require.NoError(t, conn.QueryRow(t.Context(), "select count(*) from pg_db_role_setting").Scan(&odd))
	assert.Zero(t, odd, "settings of a role or a database, which another session would have")
	require.NoError(t, conn.QueryRow(t.Context(), "select count(*) from pg_class where relnamespace = 'steadybath'::regnamespace and relkind in ('r', 'i') and relpersistence <> 'p'").Scan(&odd))
	assert.Zero(t, odd, "tables or indexes that a crash empties")
	_ = conn.Close(t.Context())

	for _, commit := range []string{"on", "off"} {
		// Nobody but a commit brings the log to the disk in time: the writer of the
		// log sleeps, and nothing else has a reason to.
		b.set("synchronous_commit = "+commit, "wal_writer_delay = 10s", "autovacuum = off", "checkpoint_timeout = 1h", "bgwriter_lru_maxpages = 0")
		var lost []uuid.UUID
		entered := 0
		// The log's writer may wake at just the wrong moment, but not each time.
		for round := 0; round < max(3, kills(0)/10) || commit == "off" && len(lost) == 0 && round < 10; round++ {
			for range 4 {
				c := b.command("tank-1", b.drawn(kinds))
				require.NoError(t, b.acknowledge(c, b.enter(never, c)))
				entered++
			}
			b.strike()
			b.does("bath", "list")
			conn := b.connect(cluster.Database, person(t, b))
			r := b.reckon(conn)
			_ = conn.Close(t.Context())
			require.Empty(t, r.half)
			require.Empty(t, r.uninvited)
			lost = append(lost, r.lost...)
			for _, id := range r.lost {
				delete(b.facts, id)
			}
		}
		t.Logf("synchronous_commit = %s, every process killed at once: %d of %d commands that were acknowledged are lost", commit, len(lost), entered)
		if commit == "on" {
			require.Empty(t, lost, "acknowledged and not there")
		} else {
			require.NotEmpty(t, lost, "the check cannot see a fact that is lost")
		}
	}
}

// A disk without room refuses in one sentence with the room and the remedy,
// keeps what was acknowledged, and writes nothing of what it refused.
func TestTortureDiskFull(t *testing.T) {
	t.Parallel()
	t.Run("small disk", func(t *testing.T) {
		dir := rootlessDir(t)
		if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size=80m,mode=0755", "tmpfs", dir).CombinedOutput(); err != nil {
			t.Logf("no small disk can be mounted here (%v: %s): only the limit of a file's size shows what happens", err, bytes.TrimSpace(out))
			return
		}
		t.Cleanup(func() {
			out, err := exec.Command("umount", dir).CombinedOutput()
			assert.NoError(t, err, "%s", out)
		})
		b := newKillBed(t, configIn(t, dir))
		b.begin("tank-1")
		b.letSuperuserIn()
		ballast := filepath.Join(dir, "ballast")
		for i := range max(2, kills(0)/20) {
			st, err := cluster.Stat(t.Context(), b.config)
			require.NoError(t, err)
			room := int64(b.drawn(300 << 10))
			if i%2 == 1 {
				room = 0
			}
			require.NoError(t, os.WriteFile(ballast, make([]byte, max(0, st.Free-room)), 0o600))
			b.enterUntilFull(i%2 == 1, func() { require.NoError(t, os.Remove(ballast)) })
		}
		b.requireSound()
	})
	t.Run("limit of a file's size", func(t *testing.T) {
		b := newKillBed(t, configIn(t, rootlessDir(t)))
		b.begin("tank-1")
		b.letSuperuserIn()
		b.does("server", "stop")
		b.limit = "2560" // more than any file of an empty database has, and whole pages: its log's files have 2048
		b.enterUntilFull(false, func() {
			b.limit = ""
			b.does("server", "stop")
		})
		b.requireSound()
	})
}

// rootlessDir is a folder that the server's account can enter.
func rootlessDir(t *testing.T) string {
	dir, err := os.MkdirTemp("/tmp", "sbk") // TMPDIR may be a folder that only root can enter
	require.NoError(t, err)
	require.NoError(t, os.Chmod(dir, 0o755))
	t.Cleanup(func() { assert.NoError(t, os.RemoveAll(dir)) })
	return dir
}

// configIn is a private cluster in a folder, removed before the folder is.
func configIn(t *testing.T, dir string) cluster.Config {
	c := cluster.Config{Home: filepath.Join(dir, "home"), Log: t.Logf}
	t.Cleanup(func() { assert.NoError(t, clustertest.Remove(c)) })
	return c
}

// enterUntilFull enters facts until there is no room and some commands longer,
// has room made, and wants everything that was acknowledged. With inLog it is
// the server's log that finds no room, and its tables otherwise.
func (b *killBed) enterUntilFull(inLog bool, makeRoom func()) {
	t, before := b.t, len(b.facts)
	var conn *pgx.Conn
	if inLog {
		conn = b.connect(cluster.Database, superuser)
	}
	var unknown []keyed
	statuses := map[int]int{}
	first := ""
	for tries := 0; statuses[statusRefused]+statuses[statusMaybe] < 4; tries++ {
		require.Less(t, tries, 2000, "there is still room")
		c := b.command("tank-1", b.drawn(kinds))
		if inLog && first == "" {
			// What is left of the log's present file, but for less than a fact takes.
			_, err := conn.Exec(t.Context(), `select pg_logical_emit_message(false, 'torture', repeat('x', greatest(0,
				(1 << 20) - 600 - ((pg_current_wal_insert_lsn() - '0/0') % (1 << 20))::int)))`)
			require.NoError(t, err)
		} else if !inLog {
			// Text that cannot be made smaller.
			text := make([]byte, 40000)
			for i := range text {
				text[i] = byte('!' + b.drawn(90))
			}
			c.args, c.stdin, c.want = []string{"note", "--", "x" + string(text)}, "", []string{"note|||"}
		}
		o := b.run(never, c.stdin, slices.Insert(slices.Clone(c.args), 1, "--bath", c.bath, "--id", c.id.String())...)
		statuses[o.status]++
		if o.status == statusDone {
			require.NoError(t, b.acknowledge(c, o))
			continue
		}
		if first == "" {
			first = o.stderr
		}
		require.Empty(t, badAnswer(o, statusRefused, statusMaybe), o.stderr)
		require.Regexp(t, `\bfree\b`, o.stderr, "no word of the room")
		require.Regexp(t, `hint: .*make room`, o.stderr)
		if o.status == statusMaybe {
			unknown = append(unknown, c)
		}
	}
	makeRoom()
	for _, c := range unknown {
		require.NoError(t, b.acknowledge(c, b.enter(never, c)))
	}
	b.does("bath", "list")
	r := b.requireWhole(b.connect(cluster.Database, person(t, b)))
	t.Logf("%d commands went through until there was no room; then by status %v; %d facts acknowledged, %d found; %s", len(b.facts)-before-len(unknown), statuses, r.acknowledged, r.found, first)
}
