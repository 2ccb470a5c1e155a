package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
	"unicode"

	"github.com/jackc/pgx/v5"
	"github.com/rogpeppe/go-internal/testscript"
	"github.com/stretchr/testify/require"

	"steadybath/db"
	"steadybath/db/cluster"
	"steadybath/db/cluster/clustertest"
)

var (
	update = flag.Bool("update", false, "write what the program answers into the scripts' expected files")
	goOn   = flag.Bool("go-on", false, "go on with a script after a line that failed")
)

// scriptsDir is seen from this folder.
const scriptsDir = "../../testdata/scripts"

// superuser is the role that makes the private cluster; only the tests log in
// as it, because making databases is no business of the tool's.
const superuser = "steadybath_bootstrap"

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"steadybath": main})
}

// TestScripts drives the program as a person does, against a real database.
// Beside testscript's own commands a script has:
//
//	exits STATUS PROGRAM ARG...       runs it and wants exactly this exit status
//	enters N steadybath ARG...        succeeds, says nothing on stderr, adds N facts
//	refused STATUS PATTERN steadybath ARG...
//	                                  fails with the status: one clear line that fits the
//	                                  pattern and a hint, nothing on stdout, nothing written
//	json FILE PATH WANT               what lies at PATH is of the type (string, number, bool,
//	                                  list, object, null, joined by |) or =VALUE; [] is every
//	                                  element of a list that has some; "! json FILE PATH": nothing there
//	jsonenv NAME FILE PATH            puts a value into the environment
//	database NAME                     makes an empty database or goes back to one; the first is "first"
//	sql STATEMENT                     what only the server's superuser can do to the script's database
//	readme HEADING N FILE             writes the Nth block of code under a heading of the README into a file
//	dialog STATUS FILE PROGRAM ARG... runs it on a terminal, as cmdDialog says
//	private                           goes over to a private cluster of the script's own
//	foreign                           starts a server with a password, reached over TCP at PORT
func TestScripts(t *testing.T) {
	scripts, err := filepath.Glob(filepath.Join(scriptsDir, "*"))
	require.NoError(t, err)
	require.NotEmpty(t, scripts)
	for _, s := range scripts {
		text, err := os.ReadFile(s)
		require.NoError(t, err)
		require.Equal(t, ".txtar", filepath.Ext(s), "a script that would not run")
		require.True(t, strings.HasPrefix(string(text), "# "), "%s does not begin by saying why it is there", s)
	}
	bed := newScriptBed(t)
	testscript.Run(t, testscript.Params{
		Dir:                 scriptsDir,
		Setup:               bed.setUp,
		UpdateScripts:       *update,
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		ContinueOnError:     *goOn,
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"exits": cmdExits, "enters": bed.cmdEnters, "refused": bed.cmdRefused, "json": cmdJSON, "jsonenv": cmdJSONEnv,
			"database": bed.cmdDatabase, "private": cmdPrivate, "foreign": cmdForeign, "dialog": cmdDialog, "sql": bed.cmdSQL,
			"readme": cmdReadme,
		},
	})
}

// scriptBed is the one private cluster of a test run.
type scriptBed struct {
	server    *cluster.Server
	databases atomic.Int64
}

func newScriptBed(t *testing.T) *scriptBed {
	config := clustertest.New(t)
	store, err := db.Open(t.Context(), db.Options{Cluster: config})
	require.NoError(t, err)
	bed := &scriptBed{server: store.Private()}
	store.Close()
	// The tool's own roles may not make databases, so whoever runs the tests is
	// let in as the superuser as well.
	path := filepath.Join(bed.server.DataDir, "pg_ident.conf")
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	for line := range strings.Lines(string(text)) {
		if user, ok := strings.CutSuffix(strings.TrimSpace(line), ` "`+cluster.Owner+`"`); ok {
			text = append(text, fmt.Sprintf("%s %s\n", user, superuser)...)
		}
	}
	require.NoError(t, os.WriteFile(path, text, 0o600)) // it exists, so its owner stays
	require.NoError(t, syscall.Kill(bed.server.PID, syscall.SIGHUP))
	require.Eventually(t, func() bool { return bed.exec(t.Context(), "select 1") == nil }, 10*time.Second, 10*time.Millisecond)
	// A database copied for each script would wait for the disk each time.
	require.NoError(t, bed.exec(t.Context(), "alter system set fsync = off"))
	require.NoError(t, bed.exec(t.Context(), "select pg_reload_conf()"))
	return bed
}

// dsn is the address of a database for a role.
func (bed *scriptBed) dsn(database, role string) string {
	return strings.Replace(bed.server.DSN(role), "dbname="+cluster.Database, "dbname="+database, 1)
}

// exec runs a statement as the superuser, in no script's database.
func (bed *scriptBed) exec(ctx context.Context, sql string) error {
	return bed.execIn(ctx, "postgres", sql)
}

// execIn runs statements as the superuser in a database.
func (bed *scriptBed) execIn(ctx context.Context, database, sql string) error {
	conn, err := pgx.Connect(ctx, bed.dsn(database, superuser))
	if err != nil {
		return err
	}
	defer conn.Close(ctx)
	_, err = conn.Exec(ctx, sql)
	return err
}

// create copies the migrated database, which nobody uses, and returns its name.
func (bed *scriptBed) create() (string, error) {
	name := fmt.Sprintf("script_%d", bed.databases.Add(1))
	return name, bed.exec(context.Background(), "create database "+name+" template "+cluster.Database)
}

// databaseKey is where a script keeps its databases by the names it gave them.
type databaseKey struct{}

func (bed *scriptBed) setUp(e *testscript.Env) error {
	name, err := bed.create()
	if err != nil {
		return err
	}
	e.Values[databaseKey{}] = map[string]string{"first": name}
	testdata, err := filepath.Abs("../../testdata")
	if err != nil {
		return err
	}
	for k, v := range map[string]string{
		"TESTDATA":            testdata,
		"STEADYBATH_DATABASE": bed.dsn(name, bed.server.Person()),
		"STEADYBATH_HOME":     filepath.Join(e.WorkDir, "no private database here"),
		"STEADYBATH_PGBIN":    os.Getenv("STEADYBATH_PGBIN"),
		"STEADYBATH_CLOCK":    "2026-11-22T09:00:00Z",
		// No zone with a half-hour hides a time that forgot its own, and a
		// language with a dotless i none that forgot to be in English.
		"TZ": "Pacific/Chatham", "LC_ALL": "tr_TR.UTF-8", "LANG": "de_AT@euro", "LANGUAGE": "ar",
	} {
		e.Setenv(k, v)
	}
	return nil
}

func (bed *scriptBed) cmdDatabase(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: database NAME")
	}
	have := ts.Value(databaseKey{}).(map[string]string)
	if have[args[0]] == "" {
		name, err := bed.create()
		ts.Check(err)
		have[args[0]] = name
	}
	ts.Setenv("STEADYBATH_DATABASE", bed.dsn(have[args[0]], bed.server.Person()))
}

func (bed *scriptBed) cmdSQL(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: sql STATEMENT")
	}
	config, err := pgx.ParseConfig(ts.Getenv("STEADYBATH_DATABASE"))
	ts.Check(err)
	config.User = superuser
	ctx := context.Background()
	conn, err := pgx.ConnectConfig(ctx, config)
	ts.Check(err)
	defer conn.Close(ctx)
	_, err = conn.Exec(ctx, args[0])
	ts.Check(err)
}

func cmdPrivate(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 0 {
		ts.Fatalf("usage: private")
	}
	home := ts.MkAbs("home")
	ts.Setenv("STEADYBATH_DATABASE", "")
	ts.Setenv("STEADYBATH_HOME", home)
	ts.Defer(func() { ts.Check(clustertest.Remove(cluster.Config{Home: home})) })
}

// readmeBlocks are the blocks of code under a heading of the README.
func readmeBlocks(heading string) ([]string, error) {
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		return nil, err
	}
	_, under, ok := strings.Cut(string(text), "\n## "+heading+"\n")
	if !ok {
		return nil, fmt.Errorf("the README has no heading %q", heading)
	}
	under, _, _ = strings.Cut(under, "\n## ")
	var blocks []string
	for i, part := range strings.Split(under, "\n```\n") {
		if i%2 == 1 {
			blocks = append(blocks, part+"\n")
		}
	}
	return blocks, nil
}

func cmdReadme(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: readme HEADING N FILE")
	}
	blocks, err := readmeBlocks(args[0])
	ts.Check(err)
	n, err := strconv.Atoi(args[1])
	ts.Check(err)
	if n < 1 || n > len(blocks) {
		ts.Fatalf("%s has %d blocks of code", args[0], len(blocks))
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[2]), []byte(blocks[n-1]), 0o600))
}

// status runs a program and returns how it ended.
func status(ts *testscript.TestScript, args []string) int {
	err := ts.Exec(args[0], args[1:]...)
	var exit *exec.ExitError
	switch {
	case err == nil:
		return 0
	case errors.As(err, &exit):
		return exit.ExitCode()
	}
	ts.Fatalf("%s: %v", args[0], err)
	return -1
}

func cmdExits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits STATUS PROGRAM ARG...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	if got := status(ts, args[1:]); got != want {
		ts.Fatalf("exit status %d, not %d", got, want)
	}
}

// facts counts the rows of the script's database without asking the program.
func (bed *scriptBed) facts(ts *testscript.TestScript) int {
	url := ts.Getenv("STEADYBATH_DATABASE")
	if url == "" {
		ts.Fatalf("the facts of a private cluster cannot be counted; use exec or exits")
	}
	ctx := context.Background()
	conn, err := pgx.Connect(ctx, url)
	ts.Check(err)
	defer conn.Close(ctx)
	var n int
	ts.Check(conn.QueryRow(ctx, "select count(*) from steadybath.facts").Scan(&n))
	return n
}

// files lists what lies in the script's folder.
func files(ts *testscript.TestScript) []string {
	var all []string
	ts.Check(filepath.WalkDir(ts.Getenv("WORK"), func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := d.Info()
		if err == nil && !d.IsDir() {
			all = append(all, fmt.Sprintf("%s %d", path, info.Size()))
		}
		return err
	}))
	return all
}

func (bed *scriptBed) cmdEnters(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: enters N steadybath ARG...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	before := bed.facts(ts)
	if got := status(ts, args[1:]); got != 0 {
		ts.Fatalf("exit status %d", got)
	}
	if said := ts.ReadFile("stderr"); said != "" {
		ts.Fatalf("said on stderr: %s", said)
	}
	if got := bed.facts(ts) - before; got != want {
		ts.Fatalf("entered %d facts, not %d", got, want)
	}
}

// longestRefusal is how much of a sentence a person still reads.
const longestRefusal = 400

func (bed *scriptBed) cmdRefused(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 3 {
		ts.Fatalf("usage: refused STATUS PATTERN steadybath ARG...")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	pattern, err := regexp.Compile(args[1])
	ts.Check(err)
	facts, lay := bed.facts(ts), files(ts)
	got := status(ts, args[2:])
	if got != want {
		ts.Fatalf("exit status %d, not %d", got, want)
	}
	if said := ts.ReadFile("stdout"); said != "" {
		ts.Fatalf("said on stdout: %s", said)
	}
	if n := bed.facts(ts); n != facts {
		ts.Fatalf("entered %d facts", n-facts)
	}
	if lie := files(ts); !slices.Equal(lay, lie) {
		ts.Fatalf("left files behind: %q, before %q", lie, lay)
	}
	what, hint := refusal(ts, ts.ReadFile("stderr"), got)
	if !pattern.MatchString(what) {
		ts.Fatalf("%q does not fit %q", what, args[1])
	}
	if fault := badSentence(what); fault != "" {
		ts.Fatalf("the refusal %s: %q", fault, what)
	}
	if fault := badSentence(hint); fault != "" {
		ts.Fatalf("the hint %s: %q", fault, hint)
	}
}

// refusal takes the last lines of stderr apart; what an import says about each
// bad row stands before them.
func refusal(ts *testscript.TestScript, stderr string, status int) (what, hint string) {
	lines := strings.Split(strings.TrimSuffix(stderr, "\n"), "\n")
	last := lines[len(lines)-1]
	if strings.HasPrefix(last, "{") {
		var said struct {
			Error, Hint string
			Status      int
		}
		ts.Check(json.Unmarshal([]byte(last), &said))
		if said.Status != status {
			ts.Fatalf("the JSON says status %d, and it is %d", said.Status, status)
		}
		return said.Error, said.Hint
	}
	if len(lines) < 2 {
		ts.Fatalf("no hint: %s", stderr)
	}
	what, isWhat := strings.CutPrefix(lines[len(lines)-2], "steadybath: ")
	hint, isHint := strings.CutPrefix(last, "hint: ")
	if !isWhat || !isHint {
		ts.Fatalf("not one line and a hint: %s", stderr)
	}
	return what, hint
}

// badSentence says what is wrong with the form of a refusal or a hint.
func badSentence(s string) string {
	runes := []rune(s)
	switch {
	case s == "":
		return "is empty"
	case len(s) > longestRefusal:
		return fmt.Sprintf("is %d characters long", len(s))
	case strings.HasSuffix(s, ".") && !strings.HasSuffix(s, "..."):
		return "ends with a full stop"
	case len(runes) > 1 && unicode.IsUpper(runes[0]) && unicode.IsLower(runes[1]):
		return "does not begin in lower case"
	case strings.ContainsFunc(s, unicode.IsControl):
		return "holds a control character"
	case regexp.MustCompile(`%!|<nil>|SQLSTATE|goroutine|0x[0-9a-f]{6}`).MatchString(s):
		return "shows the program's inside"
	}
	return ""
}

func cmdJSON(ts *testscript.TestScript, neg bool, args []string) {
	if len(args) != 3 && (!neg || len(args) != 2) {
		ts.Fatalf("usage: json FILE PATH WANT, or ! json FILE PATH")
	}
	found, err := lookJSON(ts, args[0], args[1])
	if neg {
		if err == nil {
			ts.Fatalf("%s is there: %v", args[1], found)
		}
		return
	}
	ts.Check(err)
	for _, v := range found {
		if want, isValue := strings.CutPrefix(args[2], "="); isValue {
			if got := plainJSON(v); got != want {
				ts.Fatalf("%s is %s, not %s", args[1], got, want)
			}
		} else if kind := kindJSON(v); !slices.Contains(strings.Split(args[2], "|"), kind) {
			ts.Fatalf("%s is a %s, not a %s", args[1], kind, args[2])
		}
	}
}

func cmdJSONEnv(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: jsonenv NAME FILE PATH")
	}
	found, err := lookJSON(ts, args[1], args[2])
	ts.Check(err)
	if len(found) != 1 {
		ts.Fatalf("%s is there %d times", args[2], len(found))
	}
	ts.Setenv(args[0], plainJSON(found[0]))
}

// lookJSON returns every value at a path such as constituents[].window.low.
func lookJSON(ts *testscript.TestScript, file, path string) ([]any, error) {
	d := json.NewDecoder(strings.NewReader(ts.ReadFile(file)))
	d.UseNumber()
	var whole any
	if err := d.Decode(&whole); err != nil {
		return nil, fmt.Errorf("%s is not JSON: %w", file, err)
	}
	if d.More() {
		return nil, fmt.Errorf("%s is more than one value", file)
	}
	at := []any{whole}
	for step := range strings.SplitSeq(strings.ReplaceAll(path, "[", ".["), ".") {
		var next []any
		for _, v := range at {
			found, err := stepJSON(v, step)
			if err != nil {
				return nil, fmt.Errorf("%s: %w", path, err)
			}
			next = append(next, found...)
		}
		at = next
	}
	return at, nil
}

func stepJSON(v any, step string) ([]any, error) {
	if step == "" {
		return []any{v}, nil
	}
	if index, isIndex := strings.CutPrefix(step, "["); isIndex {
		list, ok := v.([]any)
		if !ok || len(list) == 0 {
			return nil, fmt.Errorf("no list with something in it: %v", v)
		}
		if index == "]" {
			return list, nil
		}
		i, err := strconv.Atoi(strings.TrimSuffix(index, "]"))
		if i < 0 {
			i += len(list)
		}
		if err != nil || i < 0 || i >= len(list) {
			return nil, fmt.Errorf("no element %s of %d", step, len(list))
		}
		return list[i : i+1], nil
	}
	object, _ := v.(map[string]any)
	found, ok := object[step]
	if !ok {
		return nil, fmt.Errorf("no key %q", step)
	}
	return []any{found}, nil
}

func kindJSON(v any) string {
	switch v.(type) {
	case string:
		return "string"
	case json.Number:
		return "number"
	case bool:
		return "bool"
	case []any:
		return "list"
	case map[string]any:
		return "object"
	}
	return "null"
}

func plainJSON(v any) string {
	if s, ok := v.(string); ok {
		return s
	}
	text, _ := json.Marshal(v)
	return string(text)
}
