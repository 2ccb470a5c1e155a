package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"github.com/urfave/cli/v2"

	"steadybath/chem/journal"
	"steadybath/db"
	"steadybath/reports"
)

func backupCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "backup", Usage: "write all records to one file, or check such a file", UsageText: "steadybath backup [--check] FILE",
		Description: describe("All baths, the shop's own facts and what was advised, as of one moment, whole or\nnot at all: a ZIP file of journals that can be read without this tool. An earlier\nbackup of the same records is replaced; nothing else is. --check reads a backup\nand recomputes every chain, without a database.",
			"steadybath backup /media/stick/shop.zip", "steadybath backup --check /media/stick/shop.zip"),
		Flags: []cli.Flag{jsonFlag(), databaseFlag(),
			&cli.BoolFlag{Name: "check", Usage: "read the file, and write nothing"}},
		Action: func(c *cli.Context) error {
			path, err := backupPath(c, "backup")
			if err != nil {
				return err
			}
			if c.Bool("check") {
				return runBackupCheck(s, c, path)
			}
			return runBackup(s, c, path)
		},
	}
}

func restoreCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "restore", Usage: "bring the records back from a backup", UsageText: "steadybath restore FILE",
		Description: describe("Every fact comes back with its number, its id, its hash, who entered it and when,\nwhole or not at all. It goes into an empty database; into one that holds the same\nrecords only what is missing there. On a server of your own it takes its\nsuperuser or a member of steadybath_owner.",
			"steadybath restore shop.zip", "steadybath restore shop.zip --database postgres://owner@db/shop"),
		Flags: []cli.Flag{jsonFlag(), databaseFlag()},
		Action: func(c *cli.Context) error {
			path, err := backupPath(c, "restore")
			if err != nil {
				return err
			}
			return runRestore(s, c, path)
		},
	}
}

// moveVerb is a command under server.
func moveVerb(s *session) *cli.Command {
	return &cli.Command{
		Name: "move", Usage: "copy all records to another database, whole, and check them there", UsageText: "steadybath server move --to URL|private",
		Description: describe("A backup and a restore in one, from the private database or the one that\n--database names; what is at the old place stays there. Type it again and only\nwhat was entered since goes over.",
			"steadybath server move --to postgres://steadybath@127.0.0.1:5432/steadybath", "steadybath server move --to private --database postgres://anna@db/shop"),
		Flags: []cli.Flag{jsonFlag(), databaseFlag(),
			&cli.StringFlag{Name: "to", Usage: "PostgreSQL `URL` to move to, or private for the private database"}},
		Action: func(c *cli.Context) error {
			if err := noWords("server move", c.Args().Slice()); err != nil {
				return err
			}
			return runMove(s, c)
		},
	}
}

func backupPath(c *cli.Context, command string) (string, error) {
	words := c.Args().Slice()
	such := "such as: steadybath " + command + " shop.zip"
	switch {
	case len(words) != 1:
		return "", wrongWords(such, "%s takes one file, not %d", command, len(words))
	case words[0] == "-":
		return "", wrongWords(such, "%s takes a file and no stream, since it reads it more than once", command)
	}
	return words[0], nil
}

// backupAnswer is what backup, backup --check and restore say with --json.
type backupAnswer struct {
	File    string        `json:"file"`
	Made    time.Time     `json:"made"`
	By      string        `json:"by"`
	Version string        `json:"version"`
	Bytes   int64         `json:"bytes"`
	SHA256  string        `json:"sha256"`
	Facts   int64         `json:"facts"`
	Advice  int64         `json:"advice"`
	Chains  []chainAnswer `json:"chains"`
}

type chainAnswer struct {
	Bath  string `json:"bath"`
	Facts int64  `json:"facts"`
	Head  string `json:"head"`
}

func answerOf(path string, b db.Backup, size int64, sum string) backupAnswer {
	a := backupAnswer{File: path, Made: b.Made, By: b.By, Version: b.Version, Bytes: size, SHA256: sum, Facts: b.Facts(), Advice: b.Advice.Rows, Chains: []chainAnswer{}}
	for _, c := range b.Chains {
		a.Chains = append(a.Chains, chainAnswer{c.Bath, c.Facts, c.Head})
	}
	return a
}

// write says what is in the file, its heads below each other for comparing.
func (a backupAnswer) write(w io.Writer, what string) error {
	b := &strings.Builder{}
	fmt.Fprintf(b, "%s\n", what)
	fmt.Fprintf(b, "%s\n", a.counts())
	fmt.Fprintf(b, "sha256 of the file, %s\n   %s\n", fileSize(a.Bytes), a.SHA256)
	for _, c := range a.Chains {
		fmt.Fprintf(b, "%s: %s, the last one's hash\n   %s\n", chainTitle(c.Bath), counted(c.Facts, "fact"), c.Head)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func (a backupAnswer) counts() string {
	baths := len(a.Chains)
	shop := baths > 0 && a.Chains[0].Bath == ""
	if shop {
		baths--
	}
	text := fmt.Sprintf("%s of %s", counted(a.Facts, "fact"), counted(int64(baths), "bath"))
	if shop {
		text += " and the shop"
	}
	if a.Advice > 0 {
		text += fmt.Sprintf("; %s", counted(a.Advice, "plan")) + " advised"
	}
	return text
}

func counted(n int64, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func fileSize(n int64) string {
	switch {
	case n < 1e3:
		return fmt.Sprintf("%d bytes", n)
	case n < 1e6:
		return fmt.Sprintf("%.1f kB", float64(n)/1e3)
	}
	return fmt.Sprintf("%.1f MB", float64(n)/1e6)
}

// chainTitle is whose chain it is, of a length for a line.
func chainTitle(bath string) string {
	const most = 40
	if bath == "" {
		return "the shop"
	}
	name := []rune(reports.Plain(bath))
	if len(name) > most {
		name = append(name[:most], '…')
	}
	return string(name)
}

// openedBackup is a backup file in hand.
type openedBackup struct {
	*db.BackupFile
	path string
	file *os.File
	size int64
}

// openBackup opens a backup and reads what it says about itself.
func openBackup(path string) (*openedBackup, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, refused("the path of a backup is wanted", "cannot read %s: %v", path, withoutPath(err))
	}
	info, err := f.Stat()
	if err == nil && !info.Mode().IsRegular() {
		f.Close()
		what := "no file"
		if info.IsDir() {
			what = "a folder"
		}
		return nil, refused("the path of a backup is wanted", "%s is %s", path, what)
	}
	b := &openedBackup{path: path, file: f}
	if err == nil {
		b.size = info.Size()
		b.BackupFile, err = db.OpenBackup(f, b.size)
	}
	if err != nil {
		f.Close()
		return nil, b.say(err)
	}
	return b, nil
}

// say names the file in what is wrong with it.
func (b *openedBackup) say(err error) error {
	var damage *db.DamageError
	switch {
	case err == nil || errors.Is(err, context.Canceled):
		return err
	case errors.Is(err, db.ErrNewer):
		return refused("use the newer steadybath that wrote it", "%s cannot be read: %v", b.path, err)
	case !errors.As(err, &damage):
		return err
	}
	hint := "it is not whole: use another copy; steadybath backup --check looks at one"
	switch {
	case strings.Contains(damage.Why, "is a journal"):
		hint = "steadybath import takes a journal"
	case strings.Contains(damage.Why, "PostgreSQL"):
		hint = "psql and pg_restore take it"
	}
	return refused(hint, "%s is no backup that can be used: %v", b.path, damage)
}

// check reads all of it and returns the SHA-256 of the file.
func (b *openedBackup) check(ctx context.Context, s *session) (string, error) {
	bar := newProgress(s.stderr, nil)
	defer bar.done()
	if err := b.Check(ctx, func(n int64) { bar.rows(n, 0) }); err != nil {
		return "", b.say(err)
	}
	sum := sha256.New()
	if _, err := io.Copy(sum, io.NewSectionReader(b.file, 0, b.size)); err != nil {
		return "", refused("use another copy", "cannot read %s: %v", b.path, withoutPath(err))
	}
	return hex.EncodeToString(sum.Sum(nil)), nil
}

func runBackupCheck(s *session, c *cli.Context, path string) error {
	if c.String("database") != "" {
		return wrongWords("leave one of them out", "--check reads a file, and --database names records")
	}
	b, err := openBackup(path)
	if err != nil {
		return err
	}
	defer b.file.Close()
	sum, err := b.check(c.Context, s)
	if err != nil {
		return err
	}
	a := answerOf(path, b.Backup, b.size, sum)
	if c.Bool("json") {
		return s.printJSON(a)
	}
	return a.write(s.stdout, fmt.Sprintf("%s is whole: every chain fits\nmade %s by %s", path, a.Made.Local().Format("Mon 2 Jan 2006 15:04 MST"), reports.Plain(a.By)))
}

func runBackup(s *session, c *cli.Context, path string) error {
	store, err := s.open(c)
	if err != nil {
		return err
	}
	target, mode, err := mayReplace(c.Context, store, path)
	if err != nil {
		return err
	}
	a, err := s.writeBackup(c.Context, store, target, path, mode)
	if err != nil {
		return err
	}
	if err := store.NoteBackup(c.Context, a.Facts, a.SHA256); err != nil {
		fmt.Fprintf(s.stderr, "the backup is written, but the database has no note of it: %s\n", oneLine(err.Error()))
	}
	if c.Bool("json") {
		return s.printJSON(a)
	}
	return a.write(s.stdout, path+" is written and was read back")
}

// mayReplace finds the file that is to be written, through links, and its mode;
// it refuses to write over anything but an earlier backup of the same records.
func mayReplace(ctx context.Context, store *db.Store, path string) (target string, mode fs.FileMode, err error) {
	const own = 0o600 // a shop's records are nobody else's business
	const other = "name another file, or take this one away"
	target, err = filepath.EvalSymlinks(path)
	if errors.Is(err, fs.ErrNotExist) {
		return path, own, nil
	}
	if err != nil {
		return "", 0, refused("name another file", "cannot write %s: %v", path, withoutPath(err))
	}
	info, err := os.Stat(target)
	switch {
	case err != nil:
		return "", 0, refused("name another file", "cannot write %s: %v", path, withoutPath(err))
	case info.IsDir():
		return "", 0, refused("such as: steadybath backup "+shellWord(filepath.Join(path, "shop.zip")), "%s is a folder; a file is wanted", path)
	case !info.Mode().IsRegular():
		return "", 0, refused("such as: steadybath backup shop.zip", "%s is no file that a backup could be", path)
	}
	old, err := openBackup(target)
	if err != nil {
		return "", 0, refused(other, "%s is there already and no backup that can be read, so it is not written over", path)
	}
	defer old.file.Close()
	lack, err := store.Lacks(ctx, old.Backup)
	if err != nil {
		return "", 0, err
	}
	if lack != "" {
		return "", 0, refused(other, "%s is a backup that holds what these records lack: %s; it is not written over", path, lack)
	}
	return target, info.Mode().Perm(), nil
}

// writeBackup writes beside the target, reads that back and gives it its name.
func (s *session) writeBackup(ctx context.Context, store *db.Store, target, path string, mode fs.FileMode) (backupAnswer, error) {
	var none backupAnswer
	cannot := func(err error) error {
		hint := "name another place"
		if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) {
			hint = "make room there, or name another place; nothing was written"
		}
		return refused(hint, "cannot write %s: %v", path, withoutPath(err))
	}
	f, err := os.CreateTemp(filepath.Dir(target), ".steadybath-backup-*")
	if err != nil {
		return none, cannot(err)
	}
	defer os.Remove(f.Name())
	defer f.Close()
	sum := sha256.New()
	bar := newProgress(s.stderr, nil)
	b, err := store.Backup(ctx, io.MultiWriter(f, sum), version, func(n int64) { bar.rows(n, 0) })
	bar.done()
	var onDisk *fs.PathError
	if errors.As(err, &onDisk) {
		return none, cannot(err)
	}
	if err != nil {
		return none, err
	}
	_ = f.Chmod(mode) // a stick's file system may know no modes
	if err := f.Sync(); err != nil {
		return none, cannot(err)
	}
	// What a bad disk or memory made of it shall not replace a good one.
	again, err := openBackup(f.Name())
	if err != nil {
		return none, err
	}
	defer again.file.Close()
	read, err := again.check(ctx, s)
	if err != nil {
		return none, err
	}
	if want := hex.EncodeToString(sum.Sum(nil)); read != want {
		return none, refused("name another place: this one may be failing", "what was written to %s reads back as something else", path)
	}
	if err := os.Rename(f.Name(), target); err != nil {
		return none, cannot(err)
	}
	if dir, err := os.Open(filepath.Dir(target)); err == nil {
		_ = dir.Sync() // not every file system can
		dir.Close()
	}
	return answerOf(path, *b, again.size, read), nil
}

func runRestore(s *session, c *cli.Context, path string) error {
	b, err := openBackup(path)
	if err != nil {
		return err
	}
	defer b.file.Close()
	sum, err := b.check(c.Context, s)
	if err != nil {
		return err
	}
	return s.restore(c, b, sum, s.databaseURL(c), func(r *db.Restored) string {
		switch {
		case r.New == 0 && r.Advice == 0:
			return fmt.Sprintf("nothing to restore: all of %s is there already", path)
		case r.Known == 0:
			return fmt.Sprintf("restored %s: %s", path, answerOf(path, b.Backup, b.size, sum).counts())
		}
		return fmt.Sprintf("restored what was missing of %s: %s and %s advised", path, counted(r.New, "fact"), counted(r.Advice, "plan"))
	})
}

// restore puts a backup into a database and says what that did.
func (s *session) restore(c *cli.Context, b *openedBackup, sum, url string, say func(*db.Restored) string) error {
	bar := newProgress(s.stderr, nil)
	options := db.Options{URL: url, Cluster: s.clusterConfig()}
	done, err := db.Restore(c.Context, options, b.BackupFile, sum, func(n int64) { bar.rows(n, 0) })
	bar.done()
	if err != nil {
		return b.say(err)
	}
	store, err := db.Open(c.Context, options)
	if err != nil {
		return err
	}
	defer store.Close()
	facts, chains, err := verifyAll(c.Context, store)
	if err != nil {
		return err
	}
	type chain struct {
		Bath  string `json:"bath"`
		New   int64  `json:"new"`
		Facts int64  `json:"facts"`
		Head  string `json:"head"`
	}
	list := []chain{}
	for _, k := range done.Chains {
		list = append(list, chain(k))
	}
	if c.Bool("json") {
		return s.printJSON(struct {
			New    int64   `json:"new"`
			Known  int64   `json:"known"`
			Advice int64   `json:"advice"`
			Chains []chain `json:"chains"`
		}{done.New, done.Known, done.Advice, list})
	}
	_, err = fmt.Fprintf(s.stdout, "%s\nlooked through: all %s of %s fit\n", say(done), counted(facts, "fact"), counted(chains, "chain"))
	return err
}

// verifyAll recomputes every chain of the records.
func verifyAll(ctx context.Context, store *db.Store) (facts, chains int64, err error) {
	all, err := store.Baths(ctx)
	if err != nil {
		return 0, 0, err
	}
	for _, b := range all {
		var stopped error
		rows := iter.Seq2[journal.Row, error](func(yield func(journal.Row, error) bool) {
			stopped = store.EachRow(ctx, []string{b.Name}, func(r journal.Row) error {
				if !yield(r, nil) {
					return errStop
				}
				return nil
			})
		})
		n, _, err := journal.Verify("", rows)
		if stopped != nil && !errors.Is(stopped, errStop) {
			return 0, 0, stopped
		}
		if err != nil {
			return 0, 0, refused("compare with a backup, an export or a printed chain head", "%s: %v", chainTitle(b.Name), err)
		}
		facts, chains = facts+n, chains+1
	}
	return facts, chains, nil
}

// toPrivate is how the private database is named where one moves to.
const toPrivate = "private"

func runMove(s *session, c *cli.Context) error {
	to, from := c.String("to"), s.databaseURL(c)
	there := "the private database"
	switch {
	case to == "":
		return wrongWords("--to with a PostgreSQL URL, or --to private", "server move: where to?")
	case to == toPrivate:
		to = ""
	default:
		there = "the server"
	}
	if to == from {
		return refused("--database names where the records are now, --to where they go", "the records are in %s already", there)
	}
	store, err := s.open(c)
	if err != nil {
		return err
	}
	dir, err := os.MkdirTemp("", "steadybath-move-")
	if err != nil {
		return refused("set TMPDIR to a folder with room", "no temporary file can be made: %v", withoutPath(err))
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, "records.zip")
	if _, err := s.writeBackup(c.Context, store, path, path, 0o600); err != nil {
		return err
	}
	b, err := openBackup(path)
	if err != nil {
		return err
	}
	defer b.file.Close()
	sum, err := b.check(c.Context, s)
	if err != nil {
		return err
	}
	return s.restore(c, b, sum, to, func(r *db.Restored) string {
		from := "name it in STEADYBATH_DATABASE from now on; what is here stays as it was"
		if to == "" {
			from = "unset STEADYBATH_DATABASE from now on; what is on the server stays as it was"
		}
		return fmt.Sprintf("%s and %s advised moved to %s; %s there already\n%s", counted(r.New, "fact"), counted(r.Advice, "plan"), there, counted(r.Known, "fact"), from)
	})
}

// lateCopy is how long facts may stand in one place only before the doctor says
// so: a judgement, no figure of anybody's.
const lateCopy = 30 * 24 * time.Hour

// copies says when the records were last copied. Those of a reader or of a
// server's own tools leave no trace.
func (k *checkup) copies(ctx context.Context, all []db.Bath) {
	var facts int64
	var newest time.Time
	for _, b := range all {
		facts, newest = facts+b.Facts, later(newest, b.Entered)
	}
	if facts == 0 {
		return
	}
	const cure = "steadybath backup FILE, with the file on another disk"
	at, then, ever, err := k.store.LastCopy(ctx)
	switch {
	case err != nil:
		k.failed("backup", err, "")
	case !ever:
		k.look("backup", cure, "no backup of these records is known")
	case facts > then && newest.Sub(at) > lateCopy:
		k.look("backup", cure, "the last backup known is of %s; %s since", at.Local().Format("Mon 2 Jan 2006"), counted(facts-then, "new fact"))
	default:
		k.ok("backup", "the last one known is of %s, with %s of %d", at.Local().Format("Mon 2 Jan 2006"), counted(then, "fact"), facts)
	}
}
