package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// STEADYBATH_TORTURE=N makes these tests N times as long: every place instead of
// some, more writers' rounds, more failovers. Without it they are short.
func netTorture(t *testing.T) int {
	text := os.Getenv("STEADYBATH_TORTURE")
	if text == "" {
		return 0
	}
	n, err := strconv.Atoi(text)
	require.NoError(t, err, "STEADYBATH_TORTURE is a number")
	return n
}

// netServer is a PostgreSQL server reached over TCP.
type netServer struct {
	bin, dir, data, port string
	cmd                  *exec.Cmd
	attr                 *syscall.SysProcAttr
}

// newNetServer makes the folder of a server; nothing runs yet.
func newNetServer(t *testing.T) *netServer {
	s := &netServer{}
	var err error
	s.bin, err = serverPrograms()
	require.NoError(t, err)
	s.dir, err = os.MkdirTemp("/tmp", "sbn") // TMPDIR may be a folder that only root can enter
	require.NoError(t, err)
	s.attr, err = asServer(s.dir)
	require.NoError(t, err)
	s.data = filepath.Join(s.dir, "data")
	s.port, err = freePort()
	require.NoError(t, err)
	t.Cleanup(func() {
		s.kill()
		_ = os.RemoveAll(s.dir)
	})
	return s
}

func (s *netServer) program(name string, args ...string) *exec.Cmd {
	cmd := exec.Command(filepath.Join(s.bin, name), args...)
	cmd.Dir, cmd.SysProcAttr, cmd.Env = "/", s.attr, []string{"PATH=" + os.Getenv("PATH"), "LC_ALL=C"}
	return cmd
}

func (s *netServer) run(t *testing.T, name string, args ...string) {
	out, err := s.program(name, args...).CombinedOutput()
	require.NoError(t, err, "%s: %s", name, out)
}

// initdb makes a cluster whose superuser steadybath has a password.
func (s *netServer) initdb(t *testing.T) {
	secret := filepath.Join(s.dir, "password")
	require.NoError(t, os.WriteFile(secret, []byte(foreignPassword+"\n"), 0o644)) // it is invented, and the account must read it
	s.run(t, "initdb", "-D", s.data, "-U", "steadybath", "--pwfile", secret, "-E", "UTF8", "--locale=C", "--data-checksums",
		"--auth=scram-sha-256", "--no-sync")
}

// start starts the server and waits until it lets somebody in.
func (s *netServer) start(t *testing.T, settings ...string) {
	args := []string{"-D", s.data, "-p", s.port, "-c", "listen_addresses=127.0.0.1", "-c", "unix_socket_directories=", "-c", "log_min_messages=fatal",
		"-c", "max_connections=100", "-c", "shared_buffers=16MB"}
	for _, one := range settings {
		args = append(args, "-c", one)
	}
	s.cmd = s.program("postgres", args...)
	require.NoError(t, s.cmd.Start())
	require.Eventually(t, func() bool {
		conn, err := pgx.Connect(t.Context(), s.url("steadybath", "postgres"))
		if err == nil {
			_ = conn.Close(t.Context())
		}
		return err == nil
	}, 30*time.Second, 10*time.Millisecond, "the server starts")
}

// kill ends the server and all its processes at once, as a power cut does.
func (s *netServer) kill() {
	if s.cmd != nil {
		_ = syscall.Kill(-s.cmd.Process.Pid, syscall.SIGKILL)
		_ = s.cmd.Wait()
		s.cmd = nil
	}
}

func (s *netServer) hostport() string { return "127.0.0.1:" + s.port }

func (s *netServer) url(user, database string) string {
	return netURL(user, database, s.hostport())
}

// netURL is the address of a database on one of several hosts; every role of
// these tests has the same password.
func netURL(user, database string, hosts ...string) string {
	u := url.URL{Scheme: "postgres", User: url.UserPassword(user, foreignPassword), Host: strings.Join(hosts, ","), Path: database, RawQuery: "sslmode=disable"}
	return u.String()
}

func (s *netServer) connect(t *testing.T, database string) *pgx.Conn {
	conn, err := pgx.Connect(t.Context(), s.url("steadybath", database))
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	return conn
}

// tool runs the program as a process of its own.
type tool struct {
	database, stdin, clock string
	slow                   func(io.Writer) // writes what is read, where it takes its time
}

type ran struct {
	status         int
	stdout, stderr string
}

// steadybath runs one command, which may not take longer than a minute.
func (o tool) steadybath(t *testing.T, args ...string) ran {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, "steadybath", args...)
	cmd.Env = []string{"PATH=" + os.Getenv("PATH"), "TZ=Europe/Vienna", "STEADYBATH_DATABASE=" + o.database, "STEADYBATH_HOME=/nonexistent/no private database here", "STEADYBATH_CLOCK=" + o.clock}
	var out, errOut bytes.Buffer
	cmd.Stdin, cmd.Stdout, cmd.Stderr = strings.NewReader(o.stdin), &out, &errOut
	if o.slow != nil {
		in, w := io.Pipe()
		cmd.Stdin = in
		go func() {
			o.slow(w)
			_ = w.Close()
		}()
	}
	err := cmd.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatalf("steadybath %s: %v", strings.Join(args, " "), err)
	}
	if ctx.Err() != nil {
		t.Errorf("steadybath %s hangs", strings.Join(args, " "))
	}
	return ran{cmd.ProcessState.ExitCode(), out.String(), errOut.String()}
}

func (o tool) must(t *testing.T, args ...string) string {
	t.Helper()
	a := o.steadybath(t, args...)
	require.Equal(t, 0, a.status, "steadybath %s: %s", strings.Join(args, " "), a.stderr)
	return a.stdout
}

// entered is the only fact of a command that answered in JSON.
func entered(t *testing.T, stdout string) (id string, number int64) {
	t.Helper()
	var said struct {
		Facts []struct {
			ID     string
			Number int64
		}
	}
	require.NoError(t, json.Unmarshal([]byte(stdout), &said), stdout)
	require.NotEmpty(t, said.Facts)
	return said.Facts[0].ID, said.Facts[0].Number
}

var uuidPattern = regexp.MustCompile(`[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}`)

// wellSaid demands one clear sentence and a hint, which do not show the
// program's inside.
func wellSaid(t *testing.T, a ran) {
	t.Helper()
	lines := strings.Split(strings.TrimSuffix(a.stderr, "\n"), "\n")
	last := lines[len(lines)-1]
	var what, hint string
	if strings.HasPrefix(last, "{") {
		var said struct{ Error, Hint string }
		require.NoError(t, json.Unmarshal([]byte(last), &said), a.stderr)
		what, hint = said.Error, said.Hint
	} else {
		require.GreaterOrEqual(t, len(lines), 2, "one line and a hint: %s", a.stderr)
		var isWhat, isHint bool
		what, isWhat = strings.CutPrefix(lines[len(lines)-2], "steadybath: ")
		hint, isHint = strings.CutPrefix(last, "hint: ")
		require.True(t, isWhat && isHint, "one line and a hint: %s", a.stderr)
	}
	require.Empty(t, badSentence(what), what)
	require.Empty(t, badSentence(hint), hint)
	require.NotContains(t, a.stderr, foreignPassword)
}

// cut is where and how a connection is cut.
type cut struct {
	up      bool   // towards the server
	message int    // the how manieth of that direction, from 0, over all connections; -1: look at text
	text    string // the first message that holds it
	half    bool   // after half of the message instead of before it
	after   bool   // after the message, with its answer cut off; up only
	hole    bool   // silence instead of a reset
}

func (c cut) String() string {
	where := "from the server"
	if c.up {
		where = "to the server"
	}
	place, how := fmt.Sprintf("message %d", c.message), "reset"
	if c.message < 0 {
		place = c.text
	}
	if c.half {
		place = "half of " + place
	} else if c.after {
		place = "the answer to " + place
	}
	if c.hole {
		how = "silence"
	}
	return fmt.Sprintf("%s at %s %s", how, place, where)
}

// proxy stands between the tool and a server and cuts once.
type proxy struct {
	listener net.Listener
	server   string
	cut      cut

	mu    sync.Mutex
	seen  [2]int // messages towards the client, towards the server
	done  bool   // the cut was made
	await bool   // the message was forwarded, its answer will not be
	conns []net.Conn
}

func newProxy(t *testing.T, server string, c cut) *proxy {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	p := &proxy{listener: l, server: server, cut: c}
	go p.serve()
	return p
}

// close ends everything and tells how many messages went each way, and whether
// the cut was made.
func (p *proxy) close() (toClient, toServer int, made bool) {
	_ = p.listener.Close()
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, c := range p.conns {
		_ = c.Close()
	}
	return p.seen[0], p.seen[1], p.done
}

func (p *proxy) serve() {
	for {
		client, err := p.listener.Accept()
		if err != nil {
			return
		}
		p.mu.Lock()
		p.conns = append(p.conns, client)
		silent := p.done && p.cut.hole // the host is gone for everybody
		p.mu.Unlock()
		if silent {
			continue
		}
		server, err := net.Dial("tcp", p.server)
		if err != nil {
			_ = client.Close()
			continue
		}
		p.mu.Lock()
		p.conns = append(p.conns, server)
		p.mu.Unlock()
		go p.pump(client, server, true)
		go p.pump(server, client, false)
	}
}

// pump carries the messages of one direction over.
func (p *proxy) pump(from, to net.Conn, up bool) {
	first := up // the first message has no type
	for {
		message, err := readMessage(from, first)
		first = false
		if err != nil {
			p.mu.Lock()
			silent := p.done && p.cut.hole
			p.mu.Unlock()
			if !silent {
				_ = to.Close()
			}
			return
		}
		send, cutNow := p.look(message, up)
		if len(send) > 0 {
			if _, err := to.Write(send); err != nil {
				return
			}
		}
		if cutNow && !p.cut.hole {
			for _, c := range []net.Conn{from, to} {
				if tcp, ok := c.(*net.TCPConn); ok {
					_ = tcp.SetLinger(0)
				}
				_ = c.Close()
			}
			return
		}
	}
}

// look decides about one message: what of it goes on, and whether this is the
// moment of the cut.
func (p *proxy) look(message []byte, up bool) (send []byte, cutNow bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	way := 0
	if up {
		way = 1
	}
	n := p.seen[way]
	p.seen[way]++
	if p.done {
		return nil, !p.cut.hole
	}
	if p.await && !up {
		p.done = true
		return nil, true
	}
	hit := up == p.cut.up && (n == p.cut.message || p.cut.message < 0 && p.cut.text != "" && bytes.Contains(message, []byte(p.cut.text)))
	switch {
	case !hit:
		return message, false
	case p.cut.after:
		p.await = true
		return message, false
	case p.cut.half:
		p.done = true
		return message[:len(message)/2], true
	}
	p.done = true
	return nil, true
}

// readMessage reads one message of PostgreSQL's protocol, as it stands.
func readMessage(r io.Reader, startup bool) ([]byte, error) {
	head := make([]byte, 5)
	if startup {
		head = head[:4]
	}
	if _, err := io.ReadFull(r, head); err != nil {
		return nil, err
	}
	length := int(binary.BigEndian.Uint32(head[len(head)-4:]))
	if length < 4 || length > 1<<26 {
		return nil, errors.New("no message")
	}
	message := append(head, make([]byte, length-4)...)
	_, err := io.ReadFull(r, message[len(head):])
	return message, err
}

// netBed is a server with a database in which eight people may write.
type netBed struct {
	*netServer
	conn *pgxpool.Pool // as the superuser, past every proxy
}

const netPeople = 8

func nthPerson(i int) string { return fmt.Sprintf("person_%d", i) }

func newNetBed(t *testing.T) *netBed {
	s := newNetServer(t)
	s.initdb(t)
	s.start(t, "fsync=off")
	bed := &netBed{netServer: s}
	bed.furnish(t)
	return bed
}

// use goes over to a server that has the database.
func (bed *netBed) use(t *testing.T, s *netServer) {
	pool, err := pgxpool.New(t.Context(), s.url("steadybath", "steadybath")+"&pool_max_conns=4")
	require.NoError(t, err)
	t.Cleanup(pool.Close)
	bed.netServer, bed.conn = s, pool
}

// furnish makes the database, the people and their roles.
func (bed *netBed) furnish(t *testing.T) {
	s := bed.netServer
	conn := s.connect(t, "postgres")
	_, err := conn.Exec(t.Context(), "create database steadybath")
	require.NoError(t, err)
	bed.use(t, s)
	tool{database: s.url("steadybath", "steadybath")}.must(t, "bath", "new", "tank-0", "--recipe", "copper-electroforming", "--volume", "60 L", "--at", "20 days ago")
	for i := range netPeople {
		_, err := bed.conn.Exec(t.Context(), fmt.Sprintf("create role %s login password %s; grant steadybath_writer to %[1]s", nthPerson(i), quoteLiteral(foreignPassword)))
		require.NoError(t, err)
	}
	_, err = bed.conn.Exec(t.Context(), fmt.Sprintf("create role onlooker login password %s; grant steadybath_reader to onlooker", quoteLiteral(foreignPassword)))
	require.NoError(t, err)
}

func quoteLiteral(s string) string {
	return " E'" + strings.ReplaceAll(strings.ReplaceAll(s, `\`, `\\`), "'", "''") + "'"
}

// as is the tool as somebody uses it.
func (bed *netBed) as(user string) tool { return tool{database: bed.url(user, "steadybath")} }

func (bed *netBed) count(t *testing.T, where string, args ...any) int {
	t.Helper()
	var n int
	require.NoError(t, bed.conn.QueryRow(context.Background(), "select count(*) from steadybath.facts f where "+where, args...).Scan(&n))
	return n
}

// whole demands of every chain that its numbers have no gap, that entered
// ascends, that the hashes fit, by the database's own functions, and that the
// tool says the same of every bath.
func (bed *netBed) whole(t *testing.T) (facts int) {
	t.Helper()
	var wrong int
	require.NoError(t, bed.conn.QueryRow(t.Context(), `select count(*), count(*) filter (where
		number <> place or entered <= entered_before or hash <> steadybath.chain(coalesce(hash_before, ''), line))
		from (select f.number, f.entered, f.hash, row_number() over w as place, lag(f.entered) over w as entered_before,
			lag(f.hash) over w as hash_before, steadybath.line(f) as line
			from steadybath.facts f window w as (partition by f.bath order by f.number)) x`).Scan(&facts, &wrong))
	require.Zero(t, wrong, "facts that do not continue their chain")
	rows, err := bed.conn.Query(t.Context(), "select distinct bath from steadybath.facts where bath <> ''")
	require.NoError(t, err)
	baths, err := pgx.CollectRows(rows, pgx.RowTo[string])
	require.NoError(t, err)
	for _, b := range baths {
		require.Contains(t, bed.as("onlooker").must(t, "history", "--verify", "--bath", b), "fit the chain")
	}
	return facts
}

// place is one cut of a sweep: the command that it happens to, how many facts
// this enters, and what it answered.
type place struct {
	cut
	args  []string
	stdin string
	mark  string // stands in the note of every fact it enters
	facts int
}

// cutTally is what came of a sweep.
type cutTally struct {
	sync.Mutex
	cuts, done, refused, maybe, maybeThere int
	never                                  []string // marks of facts that must not come in later
}

func (c *cutTally) add(p place, status int, made, there bool) {
	c.Lock()
	defer c.Unlock()
	if made {
		c.cuts++
	}
	switch status {
	case 0:
		c.done++
	case 1:
		c.refused++
		c.never = append(c.never, p.mark)
	case 4:
		c.maybe++
		if there {
			c.maybeThere++
		}
	}
}

// through makes one cut and demands that status and database agree.
func (bed *netBed) through(t *testing.T, p place, tally *cutTally) {
	t.Helper()
	via := newProxy(t, bed.hostport(), p.cut)
	direct := bed.as(nthPerson(0))
	direct.stdin = p.stdin
	broken := direct
	broken.database = netURL(nthPerson(0), "steadybath", via.listener.Addr().String()) + "&connect_timeout=1&idle_in_transaction_session_timeout=500"
	a := broken.steadybath(t, p.args...)
	_, _, made := via.close()
	there := bed.count(t, "f.note like '%' || $1 || '%'", p.mark)
	tally.add(p, a.status, made, there > 0)
	switch a.status {
	case 0:
		require.Equal(t, p.facts, there, "%s: status 0", p.cut)
	case 1:
		wellSaid(t, a)
		require.Zero(t, there, "%s: status 1: %s", p.cut, a.stderr)
	case 4:
		wellSaid(t, a)
		// The server may have the commit and not be through with it.
		require.Contains(t, []int{0, p.facts}, there, "%s: half of it: %s", p.cut, a.stderr)
		again := p.args
		if p.args[0] != "import" {
			id := uuidPattern.FindString(a.stderr)
			require.NoError(t, uuid.Validate(id), "%s: no id: %s", p.cut, a.stderr)
			again = append(append([]string{}, p.args...), "--id", id)
		}
		second := direct.steadybath(t, again...)
		require.Equal(t, 0, second.status, "%s: %s, then %s", p.cut, a.stderr, second.stderr)
		known := strings.Contains(second.stdout, "there already")
		if p.args[0] == "import" {
			known = strings.Contains(second.stdout, "0 new facts")
		}
		if there > 0 {
			require.True(t, known, "%s: it was there, and is said to be new: %s", p.cut, second.stdout)
		}
		require.Equal(t, p.facts, bed.count(t, "f.note like '%' || $1 || '%'", p.mark), "%s: entered once, by the second try", p.cut)
	default:
		t.Errorf("%s: status %d: %s", p.cut, a.status, a.stderr)
	}
}

// sweep runs some cuts at a time.
func (bed *netBed) sweep(t *testing.T, places []place, atOnce int) *cutTally {
	t.Helper()
	tally := &cutTally{}
	todo := make(chan place)
	var wait sync.WaitGroup
	for range atOnce {
		wait.Go(func() {
			for p := range todo {
				var one sync.WaitGroup // what is found wrong ends only this cut
				one.Go(func() { bed.through(t, p, tally) })
				one.Wait()
			}
		})
	}
	for _, p := range places {
		todo <- p
	}
	close(todo)
	wait.Wait()
	for _, mark := range tally.never {
		require.Zero(t, bed.count(t, "f.note like '%' || $1 || '%'", mark), "%s came in after status 1", mark)
	}
	return tally
}

// journalOf is an import of a few rows that all carry a mark.
func journalOf(mark string, rows int) string {
	var b strings.Builder
	b.WriteString("time,bath,kind,subject,value,unit,u,note\n")
	for i := range rows {
		fmt.Fprintf(&b, "2026-03-%02dT08:00:00Z,tank-0,note,,,,,row %d of %s\n", i%28+1, i, mark)
	}
	return b.String()
}

// TestCutConnection cuts the connection between the tool and the server at every
// place of the conversation.
func TestCutConnection(t *testing.T) {
	t.Parallel() // mostly it waits
	bed := newNetBed(t)
	long := netTorture(t)
	const importRows = 40
	command := func(name, mark string) place {
		p := place{mark: mark, facts: 1, args: []string{"bail", "0.01 L", "--note", mark, "--bath", "tank-0"}}
		if name == "import" {
			p.args, p.stdin, p.facts = []string{"import", "-"}, journalOf(mark, importRows), importRows
		}
		return p
	}
	marks := 0
	mark := func() string { marks++; return fmt.Sprintf("mark-%05d-", marks) }
	var resets, holes []place
	for _, name := range []string{"bail", "import"} {
		// How long the conversation is: once without a cut.
		via := newProxy(t, bed.hostport(), cut{message: -1})
		p := command(name, mark())
		o := tool{database: netURL(nthPerson(0), "steadybath", via.listener.Addr().String()), stdin: p.stdin}
		o.must(t, p.args...)
		down, up, _ := via.close()
		require.Greater(t, up, 20)
		require.Greater(t, down, 20)
		add := func(to *[]place, c cut) {
			p := command(name, mark())
			p.cut = c
			*to = append(*to, p)
		}
		step, holeStep := 8, 24
		if long > 0 {
			step, holeStep = 1, 1
		}
		for _, way := range []struct {
			up bool
			n  int
		}{{true, up}, {false, down}} {
			for n := 0; n < way.n; n += step {
				add(&resets, cut{up: way.up, message: n, half: n%2 == 1})
				if long > 0 {
					add(&resets, cut{up: way.up, message: n, half: n%2 == 0})
				}
			}
			for n := holeStep / 2; n < way.n; n += holeStep {
				add(&holes, cut{up: way.up, message: n, half: n%2 == 1, hole: true})
			}
		}
		for _, hole := range []bool{false, true} {
			to := &resets
			if hole {
				to = &holes
			}
			for _, c := range []cut{{}, {half: true}, {after: true}} {
				c.up, c.message, c.text, c.hole = true, -1, "commit\x00", hole
				add(to, c)
			}
		}
	}
	var both sync.WaitGroup
	var r, h *cutTally
	both.Go(func() { h = bed.sweep(t, holes, 16) }) // these only wait
	both.Go(func() { r = bed.sweep(t, resets, 2) })
	both.Wait()
	require.Greater(t, r.cuts, len(resets)*3/4)
	require.Positive(t, r.refused)
	require.Positive(t, r.maybe)
	require.Positive(t, r.maybeThere)
	require.Positive(t, h.maybeThere)
	facts := bed.whole(t)
	for _, x := range []struct {
		name string
		*cutTally
	}{{"resets", r}, {"silences", h}} {
		t.Logf("%s: %d cuts; status 0: %d, 1: %d, 4: %d, of which the fact was there: %d", x.name, x.cuts, x.done, x.refused, x.maybe, x.maybeThere)
	}
	t.Logf("%d facts, each there once", facts)
}

// acknowledged is what the tool said it entered: by whom and how often.
type acknowledged struct {
	sync.Mutex
	facts   map[string]string // id: who
	imports map[string]int    // mark: rows
}

func (a *acknowledged) add(id, who string) {
	a.Lock()
	defer a.Unlock()
	a.facts[id] = who
}

// found demands that everything acknowledged is there once, and under the name
// of who entered it.
func (a *acknowledged) found(t *testing.T, bed *netBed) int {
	t.Helper()
	n := 0
	for id, who := range a.facts {
		require.Equal(t, 1, bed.count(t, "f.id = $1::uuid and f.by = $2", id, who), "fact %s of %s was acknowledged", id, who)
		n++
	}
	for mark, rows := range a.imports {
		require.Equal(t, rows, bed.count(t, "f.note like '%' || $1 || '%'", mark), "import %s was acknowledged", mark)
		n += rows
	}
	return n
}

// TestEightWriters lets eight people enter facts at once, each by processes of
// their own: single facts, voids and imports, on one bath and on several.
func TestEightWriters(t *testing.T) {
	t.Parallel() // mostly it waits
	bed := newNetBed(t)
	rounds := 2 + 10*netTorture(t)
	for i := 1; i < 4; i++ {
		bed.as("steadybath").must(t, "bath", "new", fmt.Sprintf("tank-%d", i), "--recipe", "copper-electroforming", "--volume", "60 L")
	}
	began := bed.count(t, "true")
	ack := &acknowledged{facts: map[string]string{}, imports: map[string]int{}}
	var wait sync.WaitGroup
	for i := range netPeople {
		wait.Go(func() {
			who := nthPerson(i)
			for round := range 2 * rounds {
				bath := "tank-0" // everybody's, then every second one's
				if round >= rounds {
					bath = fmt.Sprintf("tank-%d", i%4)
				}
				mark := fmt.Sprintf("by %s in round %d;", who, round)
				id, number := entered(t, bed.as(who).must(t, "bail", "0.01 L", "--note", mark, "--bath", bath, "--json"))
				ack.add(id, who)
				if round%2 == i%2 {
					o := bed.as(who)
					// Both baths in one journal, which every second person names first.
					rows := []string{"2026-03-01T08:00:00Z,tank-0,note,,,,,a of import " + mark, fmt.Sprintf("2026-03-02T08:00:00Z,tank-%d,note,,,,,b of import %s", 1+i%3, mark)}
					if i%2 == 1 {
						rows[0], rows[1] = rows[1], rows[0]
					}
					o.stdin = "time,bath,kind,subject,value,unit,u,note\n" + strings.Join(rows, "\n") + "\n"
					require.Contains(t, o.must(t, "import", "-"), "2 new facts")
					ack.Lock()
					ack.imports["import "+mark] = 2
					ack.Unlock()
				} else {
					id, _ := entered(t, bed.as(who).must(t, "void", fmt.Sprint(number), "written for the other tank", "--bath", bath, "--json"))
					ack.add(id, who)
				}
			}
		})
	}
	wait.Wait()
	if t.Failed() {
		return
	}
	n := ack.found(t, bed)
	facts := bed.whole(t)
	require.Equal(t, began+n, facts, "nothing but what was acknowledged")
	t.Logf("%d writers, %d facts acknowledged, %d found", netPeople, n, n)
}

// pair is a primary and its standby.
type pair struct{ primary, standby *netServer }

// addStandby copies the primary and lets every commit wait for the copy.
func (p *pair) addStandby(t *testing.T) {
	s := newNetServer(t)
	base := s.program("pg_basebackup", "-d", p.primary.url("steadybath", "postgres")+"&application_name=other", "-D", s.data, "-R", "-X", "stream", "-c", "fast", "--no-sync")
	out, err := base.CombinedOutput()
	require.NoError(t, err, string(out))
	s.start(t, "hot_standby=on", "wal_receiver_status_interval=1", "wal_retrieve_retry_interval=100")
	p.standby = s
	conn := p.primary.connect(t, "postgres")
	for _, sql := range []string{"alter system set synchronous_standby_names = '*'", "select pg_reload_conf()"} {
		_, err := conn.Exec(t.Context(), sql)
		require.NoError(t, err)
	}
	require.Eventually(t, func() bool {
		var in bool
		err := conn.QueryRow(t.Context(), "select exists (select from pg_stat_replication where sync_state = 'sync')").Scan(&in)
		return err == nil && in
	}, 30*time.Second, 10*time.Millisecond, "the standby follows")
	require.NoError(t, conn.Close(t.Context()))
}

// failOver kills the primary and promotes the standby.
func (p *pair) failOver(t *testing.T, between func()) {
	p.primary.kill()
	between()
	p.standby.run(t, "pg_ctl", "promote", "-D", p.standby.data, "-w")
	p.primary, p.standby = p.standby, nil
	// It has no standby yet to wait for; what it copied says that it has.
	conn := p.primary.connect(t, "postgres")
	for _, sql := range []string{"alter system reset synchronous_standby_names", "select pg_reload_conf()"} {
		_, err := conn.Exec(t.Context(), sql)
		require.NoError(t, err)
	}
	require.NoError(t, conn.Close(t.Context()))
}

// TestFailover kills the primary under four writers and lets the standby take
// over: the tool, which knows both hosts, goes on by itself.
func TestFailover(t *testing.T) {
	t.Parallel() // mostly it waits
	s := newNetServer(t)
	s.initdb(t)
	s.start(t)
	bed := &netBed{netServer: s}
	bed.furnish(t)
	p := &pair{primary: s}
	ack := &acknowledged{facts: map[string]string{}, imports: map[string]int{}}
	refusals, maybes, failovers := 0, 0, 0
	var never []string
	said := map[string]string{}
	for turn := range 1 + netTorture(t) {
		p.addStandby(t)
		hosts := netURL("USER", "steadybath", p.primary.hostport(), p.standby.hostport())
		stop := make(chan struct{})
		var wait sync.WaitGroup
		var mu sync.Mutex
		after := 0 // facts entered after the standby was asked to take over
		var promoted bool
		for i := range 4 {
			wait.Go(func() {
				who := nthPerson(i)
				o := tool{database: strings.Replace(hosts, "USER", who, 1)}
				for n := 0; ; n++ {
					select {
					case <-stop:
						return
					default:
					}
					mark := fmt.Sprintf("failover %d, %s, %d;", turn, who, n)
					args := []string{"bail", "0.01 L", "--note", mark, "--json"}
					mu.Lock()
					late := promoted
					mu.Unlock()
					a := o.steadybath(t, args...)
					if a.status != 0 {
						wellSaid(t, a)
					}
					mu.Lock()
					switch a.status {
					case 0:
						id, _ := entered(t, a.stdout)
						ack.add(id, who)
						if late {
							after++
						}
					case 1:
						refusals++
						never = append(never, mark)
						said[mark] = a.stderr
					case 4:
						maybes++
					default:
						t.Errorf("status %d: %s", a.status, a.stderr)
					}
					mu.Unlock()
					if a.status == 4 {
						// Typed again with the id until it is answered, as the hint says.
						id := uuidPattern.FindString(a.stderr)
						for a.status != 0 && !t.Failed() {
							a = o.steadybath(t, append(args, "--id", id)...)
							time.Sleep(20 * time.Millisecond)
						}
						ack.add(id, who)
					}
				}
			})
		}
		wrote := func(n int) func() bool {
			return func() bool { ack.Lock(); defer ack.Unlock(); return len(ack.facts) >= n }
		}
		ack.Lock()
		had := len(ack.facts)
		ack.Unlock()
		require.Eventually(t, wrote(had+12), time.Minute, 10*time.Millisecond, "facts before")
		p.failOver(t, func() {
			// Only the standby lives: it answers questions, and says what it is.
			o := tool{database: strings.Replace(hosts, "USER", "onlooker", 1)}
			for _, question := range [][]string{{"state"}, {"history", "--verify"}, {"dose", "--json"}, {}} {
				a := o.steadybath(t, question...)
				require.Equal(t, 0, a.status, a.stderr)
				require.NotEmpty(t, a.stdout)
				require.Contains(t, a.stderr, "answered by the standby "+p.standby.hostport())
				for line := range strings.Lines(a.stderr) {
					require.LessOrEqual(t, len(line), 80, line)
				}
			}
			o.database = strings.Replace(hosts, "USER", nthPerson(0), 1)
			for _, args := range [][]string{{"bail", "0.01 L", "--note", "never"}, {"import", "-"}} {
				o.stdin = journalOf("never", 2)
				a := o.steadybath(t, args...)
				require.Equal(t, 1, a.status, a.stderr)
				wellSaid(t, a)
				require.Contains(t, a.stderr, "is a standby or takes no writes")
			}
			never = append(never, "never")
		})
		failovers++
		mu.Lock()
		promoted = true
		mu.Unlock()
		require.Eventually(t, func() bool { mu.Lock(); defer mu.Unlock(); return after >= 8 }, time.Minute, 10*time.Millisecond, "facts after")
		close(stop)
		wait.Wait()
		bed.use(t, p.primary)
		n := ack.found(t, bed)
		for _, mark := range never {
			require.Zero(t, bed.count(t, "f.note = $1", mark), "%s came in after status 1: %s", mark, said[mark])
		}
		require.Equal(t, n+1, bed.whole(t), "nothing but what was acknowledged, and the bath")
	}
	require.Positive(t, refusals+maybes, "nobody noticed")
	t.Logf("%d failovers: %d facts acknowledged and found, %d commands refused, %d unsure and entered by --id", failovers, len(ack.facts), refusals, maybes)
}

// TestTypedAgain breaks the answer to the commit of every command that enters
// facts: each ends with 4 and an id, and typed again with it says that
// everything is there already. Between the two the clock went on.
func TestTypedAgain(t *testing.T) {
	t.Parallel() // mostly it waits
	bed := newNetBed(t)
	who := bed.as(nthPerson(0))
	for _, args := range [][]string{
		{"fill", "58L", "--origin", "make-up", "--with", "copper 50 g/L", "--with", "sulfuric acid 60 g/L", "--with", "chloride 65 mg/L", "--with", "brightener 2 mL/L"},
		{"anode", "hang", "slab-a", "1.25kg", "--form", "slab", "--area", "6dm2"},
		{"anode", "hang", "slab-b", "1.35kg", "--form", "slab", "--area", "6dm2"},
		{"titrant", "EDTA", "--lot", "E6", "--molarity", "0.1M"},
	} {
		who.must(t, args...)
	}
	commands := [][]string{
		{"level", "58.2L"},
		{"level", "58.3L", "--at", "yesterday 18:30", "--note", "read twice", "--force", "I was there"},
		{"titrate", "copper", "15.70mL", "15.72mL"},
		{"titrate", "sulfuric acid", "12.20mL"},
		{"assay", "copper", "95g/L", "--force", "the laboratory says so"},
		{"plate", "22.5Ah", "--hours", "4", "--area", "5.5dm2"},
		{"meter", "main", "1234.5Ah"},
		{"add", "brightener", "12mL"},
		{"bail", "0.2L"},
		{"treat", "carbon", "100g"},
		{"change", "bags"},
		{"panel", "brightener", "low", "--current", "1A", "--minutes", "10"},
		{"anode", "weigh", "slab-a", "1.21kg"},
		{"anode", "pull", "all"},
		{"anode", "hang", "all"}, // two facts
		{"anode", "hang", "slab-c", "1.1kg", "--form", "slab", "--area", "6dm2"},
		{"anode", "pull", "slab-c", "1.1kg"},
		{"note", "pits on the lower edge"},
		{"void", "5", "because", "it was the other burette"},
		{"void", "13", "because", "it was the other tank"},
		{"bath", "set", "copper.target", "51 g/L", "because", "the parts want it"},
		{"plan", "--area", "5.5dm2", "--current", "8A", "--time", "4h", "--record", "--charge", "31.6Ah", "--force", "on a second supply"},
		{"dose", "--record", "--as-planned", "--force", "it is right"},
		{"titrant", "EDTA", "--lot", "E7", "--molarity", "0.1M"},
		{"material", "copper sulfate pentahydrate", "5kg", "--lot", "K4"},
		{"void", "1", "because", "it was thrown away", "--shop"},
		{"bath", "new", "tank-9", "--recipe", "copper-electroforming", "--volume", "60 L"},
		{"dose", "--make-up", "--record", "--as-planned", "--bath", "tank-9", "--done", "carbon 120 g", "--done", "bags"}, // three facts
	}
	several := 0
	for i, args := range commands {
		if named := strings.Join(args, " "); !strings.Contains(named, "tank-9") && args[0] != "titrant" && args[0] != "material" && !strings.Contains(named, "--shop") {
			args = append(args, "--bath", "tank-0")
		}
		words := strings.Join(args, " ")
		for _, c := range []cut{{up: true, message: -1, text: "commit\x00"}, {up: true, message: -1, text: "commit\x00", after: true}} {
			if !c.after && i%7 > 0 && netTorture(t) == 0 {
				continue
			}
			before := bed.count(t, "true")
			via := newProxy(t, bed.hostport(), c)
			broken := tool{database: netURL(nthPerson(0), "steadybath", via.listener.Addr().String())}
			a := broken.steadybath(t, args...)
			_, _, made := via.close()
			require.True(t, made, "%s: %s", words, a.stderr)
			require.Equal(t, 4, a.status, "%s: %s%s", words, a.stdout, a.stderr)
			wellSaid(t, a)
			n := bed.count(t, "true") - before
			require.Equal(t, c.after, n > 0, "%s: %s", words, c)
			if !c.after {
				continue // the next cut is of the same words, and this one entered nothing
			}
			if n > 1 {
				several++
			}
			again := append(append([]string{}, args...), "--id", uuidPattern.FindString(a.stderr))
			for range 1 + min(1, netTorture(t)) {
				b := who.steadybath(t, again...)
				require.Equal(t, 0, b.status, "%s: %s", words, b.stderr)
				if args[0] != "bath" || args[1] != "new" {
					require.Contains(t, b.stdout, "there already", words)
				}
				require.Equal(t, before+n, bed.count(t, "true"), "%s: twice", words)
			}
		}
	}
	require.GreaterOrEqual(t, several, 2)
	bed.whole(t)
	t.Logf("%d commands, each cut at its commit, and typed again", len(commands))
}

// TestClockSetBack enters facts when the newest entry lies ahead of the clock,
// as it does once a clock was set back: entries go on ascending, what was known
// on a day stays a prefix of the chain, and the person is told.
func TestClockSetBack(t *testing.T) {
	t.Parallel() // mostly it waits
	bed := newNetBed(t)
	who := bed.as(nthPerson(0))
	// entryAhead makes the newest entry as a server would have whose clock ran
	// ahead: only its superuser can.
	entryAhead := func(ahead time.Duration) time.Time {
		var at time.Time
		require.NoError(t, pgx.BeginFunc(t.Context(), bed.conn, func(tx pgx.Tx) error {
			if _, err := tx.Exec(t.Context(), "alter table steadybath.facts disable trigger facts_enter"); err != nil {
				return err
			}
			err := tx.QueryRow(t.Context(), `with last as (select f.number, f.hash from steadybath.facts f where f.bath = 'tank-0' order by f.number desc limit 1),
				fact as (select row('tank-0', last.number + 1, clock_timestamp(), 'note', '', null, '', null, 'ahead', gen_random_uuid(),
					clock_timestamp() + $1::interval, 'somebody', null, null)::steadybath.facts as f, last.hash from last)
				insert into steadybath.facts select (f).bath, (f).number, (f).time, (f).kind, (f).subject, (f).value, (f).unit, (f).u, (f).note, (f).id, (f).entered, (f).by, (f).more,
					steadybath.chain(hash, steadybath.line(f)) from fact returning entered`, ahead).Scan(&at)
			if err != nil {
				return err
			}
			_, err = tx.Exec(t.Context(), "alter table steadybath.facts enable always trigger facts_enter")
			return err
		}))
		return at
	}
	last := func() (at time.Time, n int) {
		require.NoError(t, bed.conn.QueryRow(t.Context(), "select max(entered), count(*) from steadybath.facts").Scan(&at, &n))
		return at, n
	}
	told := func(a ran) {
		t.Helper()
		require.Contains(t, a.stderr, "the clock here says ")
		for line := range strings.Lines(a.stderr) {
			if !strings.HasPrefix(line, "steadybath: ") && !strings.HasPrefix(line, "hint: ") {
				require.LessOrEqual(t, len(line), 80, line)
			}
		}
	}
	who.must(t, "note", "before")

	// An hour: a fact is entered just after the newest entry, and the person told.
	ahead := entryAhead(time.Hour)
	for i := range 3 {
		a := who.steadybath(t, "note", "an hour behind")
		require.Equal(t, 0, a.status, a.stderr)
		told(a)
		entered, _ := last()
		require.Equal(t, ahead.Add(time.Duration(i+1)*time.Microsecond), entered)
	}
	a := who.steadybath(t, "state")
	require.Equal(t, 0, a.status)
	told(a)
	require.NotContains(t, who.steadybath(t, "note", "timed by hand", "--at", "yesterday").stderr, "clock")

	// The tool's own clock, set back by years, dates what happened and nothing else.
	before, _ := last()
	o := bed.as(nthPerson(1))
	o.clock = "2021-01-01T12:00:00Z"
	a = o.steadybath(t, "note", "in another year", "--force", "from the paper log")
	require.Equal(t, 0, a.status, a.stderr)
	entered, n := last()
	require.Equal(t, before.Add(time.Microsecond), entered)

	// What was known at each entry's moment is the chain up to it.
	type known struct{ Facts []struct{ Number int64 } }
	rows, err := bed.conn.Query(t.Context(), "select entered from steadybath.facts where bath = 'tank-0' order by number")
	require.NoError(t, err)
	moments, err := pgx.CollectRows(rows, pgx.RowTo[time.Time])
	require.NoError(t, err)
	require.Len(t, moments, n)
	for i, m := range moments {
		if i%3 != n%3 {
			continue
		}
		var h known
		require.NoError(t, json.Unmarshal([]byte(who.must(t, "history", "--json", "--known-on", m.Format(time.RFC3339Nano))), &h))
		require.Len(t, h.Facts, i+1)
		for j, f := range h.Facts {
			require.EqualValues(t, j+1, f.Number)
		}
	}

	// Days: what would be dated long before everything else is asked about.
	entryAhead(72 * time.Hour)
	_, n = last()
	a = who.steadybath(t, "level", "58.2L")
	require.Equal(t, 1, a.status, a.stderr)
	wellSaid(t, a)
	require.Contains(t, a.stderr, "--at")
	who.must(t, "level", "58.2L", "--at", "yesterday 18:30")
	who.must(t, "bail", "0.1L", "--force", "this clock is right")
	_, entries := last()
	require.Equal(t, n+2, entries)
	a = who.steadybath(t, "doctor")
	require.Equal(t, 1, a.status)
	require.Contains(t, a.stdout, "which went back or was wrong then")
	bed.whole(t)
}

// TestPatience holds the lock of a bath, pauses in the middle of a journal and
// lets a commit wait for a standby that is not there, each longer than a silent
// server is waited for: the server is at work, or the silence is the journal's.
func TestPatience(t *testing.T) {
	t.Parallel() // mostly it waits
	bed := newNetBed(t)
	long := 3 * time.Second
	patient := bed.as(nthPerson(0))
	patient.database += "&connect_timeout=1"
	tx, err := bed.conn.Begin(t.Context())
	require.NoError(t, err)
	_, err = tx.Exec(t.Context(), "select pg_advisory_xact_lock(steadybath.lock_key('tank-0'))")
	require.NoError(t, err)
	var both sync.WaitGroup
	both.Go(func() {
		time.Sleep(long)
		_ = tx.Rollback(context.Background())
	})
	both.Go(func() { patient.must(t, "bail", "0.01 L", "--note", "waited for the lock") })
	both.Go(func() {
		o := patient
		first, second, _ := strings.Cut(journalOf("slow", 4000), "row 2000 ")
		o.slow = func(w io.Writer) {
			_, _ = io.WriteString(w, first)
			time.Sleep(long)
			_, _ = io.WriteString(w, "row 2000 "+second)
		}
		require.Contains(t, o.must(t, "import", "-"), "4000 new facts")
	})
	both.Wait()
	require.Equal(t, 1, bed.count(t, "f.note = 'waited for the lock'"))

	_, err = bed.conn.Exec(t.Context(), "alter system set synchronous_standby_names = 'nobody'")
	require.NoError(t, err)
	_, err = bed.conn.Exec(t.Context(), "select pg_reload_conf()")
	require.NoError(t, err)
	require.Eventually(t, func() bool {
		var is string
		err := bed.conn.QueryRow(t.Context(), "show synchronous_standby_names").Scan(&is)
		return err == nil && is == "nobody"
	}, 10*time.Second, 10*time.Millisecond)
	// A commit whose wait was broken off is not acknowledged.
	both.Go(func() {
		var pid *int32
		assert.Eventually(t, func() bool {
			err := bed.conn.QueryRow(t.Context(), "select max(pid) from pg_stat_activity where wait_event = 'SyncRep'").Scan(&pid)
			return err == nil && pid != nil
		}, 30*time.Second, 10*time.Millisecond)
		time.Sleep(long)
		_, err := bed.conn.Exec(t.Context(), "select pg_cancel_backend($1)", pid)
		assert.NoError(t, err)
	})
	a := patient.steadybath(t, "bail", "0.01 L", "--note", "unconfirmed")
	both.Wait()
	require.Equal(t, 4, a.status, a.stdout+a.stderr)
	wellSaid(t, a)
	require.Contains(t, a.stderr, "standby has not confirmed it")
	require.Contains(t, a.stderr, "waits for its standby")
	require.Equal(t, 1, bed.count(t, "f.note = 'unconfirmed'"))
	b := patient.steadybath(t, "bail", "0.01 L", "--note", "unconfirmed", "--id", uuidPattern.FindString(a.stderr))
	require.Contains(t, b.stdout, "there already")
	bed.whole(t)
}
