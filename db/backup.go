package db

import (
	"archive/zip"
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"iter"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"steadybath/chem/journal"
)

// BackupFormat is the newest format of backup files that this program reads and
// the one that it writes.
const BackupFormat = 1

// Backup is what a backup says about itself.
type Backup struct {
	What    string      `json:"what"` // backupWhat
	Format  int         `json:"format"`
	Made    time.Time   `json:"made"`    // by the clock of the database
	By      string      `json:"by"`      // the database user who made it
	Version string      `json:"version"` // of the tool
	Schema  int         `json:"schema"`
	Chains  []Chain     `json:"chains"` // by name, the shop's first where it has one; never nil
	Advice  AdviceCount `json:"advice"`
}

// Chain is one bath's journal in a backup.
type Chain struct {
	Bath  string `json:"bath"` // "" is the shop
	File  string `json:"file"` // its name in the backup
	Facts int64  `json:"facts"`
	Head  string `json:"head"` // hash of the last fact
}

// AdviceCount is the advice in a backup.
type AdviceCount struct {
	File string `json:"file"`
	Rows int64  `json:"rows"`
}

// Facts counts those of all chains.
func (b Backup) Facts() int64 {
	var n int64
	for _, c := range b.Chains {
		n += c.Facts
	}
	return n
}

// Baths counts the chains without the shop's.
func (b Backup) Baths() int {
	n := len(b.Chains)
	if n > 0 && b.Chains[0].Bath == "" {
		n--
	}
	return n
}

const (
	backupWhat   = "steadybath backup"
	readmeFile   = "README.txt"
	adviceFile   = "advice.jsonl"
	manifestFile = "manifest.json"
	sumsFile     = "SHA256SUMS"
)

// backupReadme is for whoever finds a backup and has no steadybath. It lies
// first in the file and uncompressed, so that any viewer shows it.
const backupReadme = `This is a backup of the records of steadybath, a log of plating baths. It is a
ZIP file; everything in it is text in UTF-8.

journals/      one CSV file (RFC 4180) per bath, one fact a row in order of entry,
               and shop.csv for titrants and stock. Columns: time (when it
               happened, UTC), bath, kind, subject, value, unit, u (standard
               uncertainty), note, id, entered (when it was written down), by
               (who wrote it), more (a JSON object), hash. In texts \n is a line
               break and \\ a backslash. A row of kind void names by its id an
               earlier fact that does not stand.
advice.jsonl   what the tool advised, one JSON object a line
manifest.json  which file is which bath, how many facts, the last hash of each
SHA256SUMS     check the files with: sha256sum -c SHA256SUMS

The ZIP file's comment, its last 71 bytes, is the SHA-256 of all before it:
head -c -71 FILE | sha256sum

hash is SHA-256 in hex of: the hash of the row before (empty for the first), a
line feed, the row without its last comma and hash, a line feed. Each journal
can be checked by that without this tool, on standard input of this script:

` + journal.ChainCheck + "\n"

const selectWhoAsks = `-- who_makes_the_backup
select clock_timestamp(), session_user`

const selectAllAdvice = `-- all_advice
select ` + adviceColumns + ` from steadybath.advice a order by a.bath, a.entered, a.id`

// Backup writes everything that is a record, as of one moment, to out: see
// backupReadme for the format. progress, which may be nil, hears how many facts
// have been written. A chain that does not fit is an error: a broken record
// shall not take the place of a whole copy. Errors of out come back as they are.
func (s *Store) Backup(ctx context.Context, out io.Writer, version string, progress func(facts int64)) (*Backup, error) {
	sealed := &sealer{out: out, sum: sha256.New()}
	w := &backupWriter{out: sealed, progress: progress, b: Backup{What: backupWhat, Format: BackupFormat, Version: version, Chains: []Chain{}}}
	w.zip = zip.NewWriter(w)
	err := pgx.BeginTxFunc(ctx, s.pool, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}, func(tx pgx.Tx) error {
		return w.all(ctx, tx)
	})
	if err == nil {
		err = w.zip.SetComment(noSeal)
	}
	if err == nil {
		err = w.zip.Close()
	}
	if err == nil {
		err = sealed.seal()
	}
	switch {
	case err == nil:
		return &w.b, nil
	case w.failed != nil:
		return nil, w.failed
	}
	return nil, explain("make the backup", ended(ctx, err))
}

// A seal is the comment of the ZIP file, which is the last that is in it: these
// words and the SHA-256 in hex of everything before. Sums and chains vouch for
// what is in the files, it also for the rest.
const sealWords = "sha256 "

var noSeal = strings.Repeat(" ", len(sealWords)+2*sha256.Size)

// sealer passes on all but the last bytes, which will be the seal.
type sealer struct {
	out  io.Writer
	sum  hash.Hash
	tail []byte
}

func (s *sealer) Write(p []byte) (int, error) {
	s.tail = append(s.tail, p...)
	pass := s.tail[:max(0, len(s.tail)-len(noSeal))]
	s.sum.Write(pass)
	if _, err := s.out.Write(pass); err != nil {
		return 0, err
	}
	s.tail = append(s.tail[:0], s.tail[len(pass):]...)
	return len(p), nil
}

func (s *sealer) seal() error {
	_, err := fmt.Fprintf(s.out, "%s%x", sealWords, s.sum.Sum(nil))
	return err
}

type backupWriter struct {
	out      io.Writer
	failed   error // what out said first
	zip      *zip.Writer
	sums     bytes.Buffer
	b        Backup
	done     int64
	progress func(int64)
}

// Write passes on to out and remembers what it said.
func (w *backupWriter) Write(p []byte) (int, error) {
	n, err := w.out.Write(p)
	if err != nil && w.failed == nil {
		w.failed = err
	}
	return n, err
}

// file writes one file of the backup and notes its sum.
func (w *backupWriter) file(name string, write func(io.Writer) error) error {
	h := zip.FileHeader{Name: name, Method: zip.Deflate, Modified: w.b.Made}
	if name == readmeFile {
		h.Method = zip.Store
	}
	h.SetMode(0o644)
	f, err := w.zip.CreateHeader(&h)
	if err != nil {
		return err
	}
	sum := sha256.New()
	if err := write(io.MultiWriter(f, sum)); err != nil {
		return err
	}
	fmt.Fprintf(&w.sums, "%x  %s\n", sum.Sum(nil), name)
	return nil
}

func (w *backupWriter) all(ctx context.Context, tx pgx.Tx) error {
	var err error
	if w.b.Schema, err = version(ctx, tx); err != nil {
		return err
	}
	if err := tx.QueryRow(ctx, selectWhoAsks).Scan(&w.b.Made, &w.b.By); err != nil {
		return err
	}
	w.b.Made = w.b.Made.UTC()
	rows, _ := tx.Query(ctx, selectBaths)
	baths, err := pgx.CollectRows(rows, scanBath)
	if err != nil {
		return err
	}
	if len(baths) == 0 {
		return &Error{What: "there are no facts yet, so there is nothing to keep a copy of", Help: "steadybath bath new --help shows how to begin"}
	}
	text := func(s string) func(io.Writer) error {
		return func(f io.Writer) error {
			_, err := io.WriteString(f, s)
			return err
		}
	}
	if err := w.file(readmeFile, text(backupReadme)); err != nil {
		return err
	}
	place := 0
	for _, b := range baths {
		c := Chain{Bath: b.Name, File: "journals/shop.csv", Facts: b.Facts, Head: b.Head}
		if b.Name != "" {
			place++
			c.File = journalFile(place, b.Name)
		}
		if err := w.file(c.File, func(f io.Writer) error { return w.chain(ctx, tx, c, f) }); err != nil {
			return err
		}
		w.b.Chains = append(w.b.Chains, c)
	}
	w.b.Advice.File = adviceFile
	if err := w.file(adviceFile, func(f io.Writer) error { return w.advice(ctx, tx, f) }); err != nil {
		return err
	}
	manifest, err := json.MarshalIndent(w.b, "", "  ")
	if err != nil {
		return err
	}
	if err := w.file(manifestFile, text(string(manifest)+"\n")); err != nil {
		return err
	}
	sums := w.sums.String()
	return w.file(sumsFile, text(sums))
}

// journalFile names a bath's journal so that every system takes it: the name of
// the bath as far as it is plain, after a number that keeps names apart.
func journalFile(place int, bath string) string {
	const most = 40
	plain := strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '_':
			return r
		}
		return '-'
	}, bath)
	plain = strings.Trim(plain[:min(len(plain), most)], "-")
	if plain != "" {
		plain = "-" + plain
	}
	return fmt.Sprintf("journals/bath-%03d%s.csv", place, plain)
}

func (w *backupWriter) chain(ctx context.Context, tx pgx.Tx, c Chain, f io.Writer) error {
	out := journal.NewWriter(f)
	var stopped error
	count, head, err := journal.Verify("", func(yield func(journal.Row, error) bool) {
		stopped = eachTxRow(ctx, tx, selectRows, []any{c.Bath}, func(r journal.Row) error {
			if err := out.Write(r); err != nil {
				return err
			}
			if w.done++; w.done%entryChunk == 0 && w.progress != nil {
				w.progress(w.done)
			}
			if !yield(r, nil) {
				return errBroken
			}
			return nil
		})
	})
	switch {
	case stopped != nil && !errors.Is(stopped, errBroken):
		return stopped
	case err != nil:
		return &Error{What: fmt.Sprintf("%s does not fit its chain, so no copy is made of it: %v", whose(c.Bath), err),
			Help: "compare with an earlier backup or an export; pg_dump copies the records as they are", Cause: err}
	case count != c.Facts || head != c.Head:
		return fmt.Errorf("%s has %d facts that end in %s, and %d were read that end in %s", whose(c.Bath), c.Facts, c.Head, count, head)
	}
	return out.Flush()
}

var errBroken = errors.New("the chain is broken")

func eachTxRow(ctx context.Context, tx pgx.Tx, sql string, args []any, yield func(journal.Row) error) error {
	rows, err := tx.Query(ctx, sql, args...)
	if err != nil {
		return err
	}
	return eachRow(rows, yield)
}

func whose(bath string) string {
	if bath == "" {
		return "the shop's record"
	}
	return fmt.Sprintf("the record of bath %q", bath)
}

// adviceLine is advice as it stands in a backup.
type adviceLine struct {
	ID          uuid.UUID       `json:"id"`
	Bath        string          `json:"bath"`
	At          time.Time       `json:"at"`
	Entered     time.Time       `json:"entered"`
	By          string          `json:"by"`
	Version     string          `json:"version"`
	Head        string          `json:"head"`
	Plan        json.RawMessage `json:"plan"`
	State       json.RawMessage `json:"state"`
	PlanLayout  string          `json:"plan_layout,omitempty"`
	StateLayout string          `json:"state_layout,omitempty"`
}

// Layouts of a JSON text that a line holds: how to get its exact text back.
const (
	layoutLine   = ""         // as it stands
	layoutIndent = "indented" // by two spaces, with a line feed at the end, as the tool prints it
	layoutText   = "text"     // it stands there as a string
)

// fold puts a JSON text on one line so that unfold gives it back byte by byte.
func fold(text json.RawMessage) (json.RawMessage, string, error) {
	var line bytes.Buffer
	if err := json.Compact(&line, text); err != nil {
		return nil, "", err
	}
	for _, layout := range []string{layoutLine, layoutIndent} {
		if again, err := unfold(line.Bytes(), layout); err == nil && bytes.Equal(again, text) {
			return line.Bytes(), layout, nil
		}
	}
	quoted, err := plainJSON(string(text))
	return quoted, layoutText, err
}

func unfold(line json.RawMessage, layout string) (json.RawMessage, error) {
	switch layout {
	case layoutLine:
		return line, nil
	case layoutIndent:
		var b bytes.Buffer
		err := json.Indent(&b, line, "", "  ")
		b.WriteByte('\n')
		return b.Bytes(), err
	case layoutText:
		var s string
		err := json.Unmarshal(line, &s)
		return json.RawMessage(s), err
	}
	return nil, fmt.Errorf("the layout %q is not known", layout)
}

// plainJSON is v as JSON on one line, with no more escapes than JSON needs.
func plainJSON(v any) ([]byte, error) {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	if err := e.Encode(v); err != nil {
		return nil, err
	}
	return bytes.TrimSuffix(b.Bytes(), []byte("\n")), nil
}

func (w *backupWriter) advice(ctx context.Context, tx pgx.Tx, f io.Writer) error {
	rows, err := tx.Query(ctx, selectAllAdvice)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		a, err := scanAdvice(rows)
		if err != nil {
			return err
		}
		line := adviceLine{ID: a.ID, Bath: a.Bath, At: a.At.UTC(), Entered: a.Entered.UTC(), By: a.By, Version: a.Version, Head: a.Head}
		if line.Plan, line.PlanLayout, err = fold(a.Plan); err != nil {
			return err
		}
		if line.State, line.StateLayout, err = fold(a.State); err != nil {
			return err
		}
		text, err := plainJSON(line)
		if err != nil {
			return err
		}
		if _, err := f.Write(append(text, '\n')); err != nil {
			return err
		}
		w.b.Advice.Rows++
	}
	return rows.Err()
}

// DamageError says where a file is no backup, or no whole one.
type DamageError struct {
	Where string // the file in the backup, and the line where it is one; "" for the whole
	Why   string
}

// Error is one sentence: where, and what is wrong.
func (e *DamageError) Error() string {
	if e.Where == "" {
		return e.Why
	}
	return e.Where + " in it: " + e.Why
}

func damaged(where, format string, args ...any) error {
	return &DamageError{where, fmt.Sprintf(format, args...)}
}

// BackupFile is a backup that is read.
type BackupFile struct {
	Backup
	files map[string]*zip.File
	sums  map[string]string // SHA-256 by file
	in    io.ReaderAt
	size  int64
	seal  string
}

// OpenBackup reads what a backup says about itself. Nothing of the rest is
// known to be whole before Check. What is wrong with the file is a *DamageError;
// one in a newer format is an *Error that is ErrNewer.
func OpenBackup(r io.ReaderAt, size int64) (*BackupFile, error) {
	z, err := zip.NewReader(r, size)
	if err != nil {
		return nil, notZip(r, size, err)
	}
	f := &BackupFile{files: map[string]*zip.File{}, sums: map[string]string{}, in: r, size: size, seal: z.Comment}
	for _, file := range z.File {
		if f.files[file.Name] != nil {
			return nil, damaged(file.Name, "it is there twice")
		}
		f.files[file.Name] = file
	}
	if f.files[manifestFile] == nil {
		return nil, damaged("", "it is a ZIP file and no backup: it has no %s", manifestFile)
	}
	// The format first: another one may have other files.
	manifest, err := f.small(manifestFile)
	if err != nil {
		return nil, err
	}
	if err := json.Unmarshal(manifest, &f.Backup); err != nil {
		return nil, damaged(manifestFile, "it is not the JSON that it should be: %v", err)
	}
	if f.What != backupWhat || f.Format < 1 {
		return nil, damaged(manifestFile, "it does not say that this is a backup")
	}
	if f.Format > BackupFormat {
		return nil, &Error{What: fmt.Sprintf("it is written in format %d, and this program reads up to format %d", f.Format, BackupFormat),
			Help: "use the newer steadybath that wrote it", Cause: ErrNewer}
	}
	if err := f.readSums(); err != nil {
		return nil, err
	}
	return f, f.checkNames()
}

// notZip says what else a file is that is no ZIP file.
func notZip(r io.ReaderAt, size int64, err error) error {
	start := make([]byte, 64)
	n, _ := r.ReadAt(start, 0)
	start = start[:n]
	switch {
	case size == 0:
		return damaged("", "it is empty")
	case bytes.HasPrefix(start, []byte("PK\x03\x04")) && errors.Is(err, zip.ErrFormat):
		return damaged("", "it is cut short: it ends after %d bytes, without the list of its files", size)
	case bytes.HasPrefix(start, []byte("time,bath,")):
		return damaged("", "it is a journal, not a backup")
	case bytes.HasPrefix(start, []byte("PGDMP")), bytes.HasPrefix(start, []byte("--\n-- PostgreSQL")):
		return damaged("", "it is a dump of PostgreSQL's own, not a backup of steadybath")
	case errors.Is(err, zip.ErrFormat):
		return damaged("", "it is no backup of steadybath, or its beginning or end is missing")
	}
	return damaged("", "it cannot be read: %v", err)
}

// readSums reads the list of sums, which names every file but itself.
func (f *BackupFile) readSums() error {
	if f.files[sumsFile] == nil {
		return damaged(sumsFile, "it is missing")
	}
	text, err := f.small(sumsFile)
	if err != nil {
		return err
	}
	line := 0
	for l := range strings.Lines(string(text)) {
		line++
		sum, name, ok := strings.Cut(strings.TrimSuffix(l, "\n"), "  ")
		if b, err := hex.DecodeString(sum); !ok || err != nil || len(b) != sha256.Size || f.sums[name] != "" {
			return damaged(fmt.Sprintf("%s, line %d", sumsFile, line), "it is no sum of a file")
		}
		f.sums[name] = sum
	}
	for name := range f.sums {
		if f.files[name] == nil {
			return damaged(name, "it is missing")
		}
	}
	for name := range f.files {
		if name != sumsFile && f.sums[name] == "" {
			return damaged(name, "it has no sum in %s", sumsFile)
		}
	}
	return nil
}

// checkNames compares what the manifest names with what is there.
func (f *BackupFile) checkNames() error {
	named := map[string]bool{readmeFile: true, manifestFile: true, sumsFile: true, f.Advice.File: true}
	baths := map[string]bool{}
	for _, c := range f.Chains {
		if named[c.File] || baths[c.Bath] || c.Facts < 1 || f.files[c.File] == nil {
			return damaged(manifestFile, "it names the journal of %s wrongly", whose(c.Bath))
		}
		named[c.File], baths[c.Bath] = true, true
	}
	for name := range named {
		if f.files[name] == nil {
			return damaged(name, "it is missing")
		}
	}
	for name := range f.files {
		if !named[name] {
			return damaged(name, "nothing says what it is")
		}
	}
	return nil
}

// file opens a file of the backup. Whoever reads to its end hears there whether
// it was whole.
func (f *BackupFile) file(name string) (io.ReadCloser, error) {
	r, err := f.files[name].Open()
	if err != nil {
		return nil, damaged(name, "it cannot be read: %v", err)
	}
	return &wholeFile{in: r, left: f.files[name].UncompressedSize64, name: name, sum: sha256.New(), want: f.sums[name]}, nil
}

// wholeFile reads a file and compares length and sum at its end.
type wholeFile struct {
	in   io.ReadCloser
	left uint64 // bytes that the file's entry still promises
	name string
	read uint64
	sum  hash.Hash
	want string // "" where there is none
}

func (w *wholeFile) Read(p []byte) (int, error) {
	n, err := w.in.Read(p)
	if uint64(n) > w.left {
		// What is damaged may unfold into very much.
		return 0, damaged(w.name, "it is longer than its entry says")
	}
	w.left, w.read = w.left-uint64(n), w.read+uint64(n)
	w.sum.Write(p[:n])
	switch {
	case err == io.EOF && w.left > 0:
		return n, damaged(w.name, "it is shorter than its entry says")
	case err == io.EOF && w.want != "" && hex.EncodeToString(w.sum.Sum(nil)) != w.want:
		return n, damaged(w.name, "its SHA-256 is not the one in %s", sumsFile)
	case err != nil && err != io.EOF:
		return n, damaged(w.name, "it is damaged after %d bytes: %v", w.read, err)
	}
	return n, err
}

func (w *wholeFile) Close() error { return w.in.Close() }

// small reads a file that says something about the others.
func (f *BackupFile) small(name string) ([]byte, error) {
	const most = 64 << 20
	if f.files[name].UncompressedSize64 > most {
		return nil, damaged(name, "it is longer than %d bytes", most)
	}
	r, err := f.file(name)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	return io.ReadAll(r)
}

// Check reads the whole file: every sum, every chain, every piece of advice.
// progress, which may be nil, hears how many facts have been read.
func (f *BackupFile) Check(ctx context.Context, progress func(facts int64)) error {
	type rest struct{ bath, head string }
	rests := map[rest]int{} // what advice rests on, and a line that says so
	line := 0
	err := f.eachAdvice(func(a Advice) error {
		line++
		rests[rest{a.Bath, a.Head}] = line
		return nil
	})
	if err != nil {
		return err
	}
	var done int64
	for _, c := range f.Chains {
		err := f.eachRow(c, func(r journal.Row) error {
			delete(rests, rest{c.Bath, r.Hash})
			if done++; done%entryChunk == 0 {
				if progress != nil {
					progress(done)
				}
				return ctx.Err()
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	for _, line := range rests {
		return damaged(fmt.Sprintf("%s, line %d", f.Advice.File, line), "the advice rests on a fact that is not there")
	}
	for _, name := range []string{readmeFile, manifestFile} {
		if _, err := f.small(name); err != nil {
			return err
		}
	}
	return errors.Join(f.checkSeal(), ctx.Err())
}

// checkSeal finds what was changed, added or lost around the files.
func (f *BackupFile) checkSeal() error {
	last := make([]byte, len(noSeal))
	if _, err := f.in.ReadAt(last, max(0, f.size-int64(len(last)))); err != nil && err != io.EOF {
		return damaged("", "it cannot be read: %v", err)
	}
	if string(last) != f.seal || !strings.HasPrefix(f.seal, sealWords) {
		return damaged("", "it does not end with its own sum: something was added to it, or its end is damaged")
	}
	sum := sha256.New()
	if _, err := io.Copy(sum, io.NewSectionReader(f.in, 0, f.size-int64(len(last)))); err != nil {
		return damaged("", "it cannot be read: %v", err)
	}
	if f.seal[len(sealWords):] != hex.EncodeToString(sum.Sum(nil)) {
		return damaged("", "its files are whole, and something between them was changed: its SHA-256 is not the one at its end")
	}
	return nil
}

// eachRow hands out the facts of a chain in their order, each known to fit, and
// ends with an error unless the chain is as long as the manifest says and ends
// as it says.
func (f *BackupFile) eachRow(c Chain, yield func(journal.Row) error) error {
	r, err := f.file(c.File)
	if err != nil {
		return err
	}
	defer r.Close()
	in, line := newLines(c.File, r), 0
	rows := iter.Seq2[journal.Row, error](func(next func(journal.Row, error) bool) {
		for {
			text, err := in.next()
			if err == io.EOF {
				return
			}
			line++
			where := fmt.Sprintf("%s, line %d", c.File, line)
			var row journal.Row
			switch {
			case err != nil:
				next(row, err)
				return
			case line == 1:
				if text != strings.Join(journal.Columns(), ",") {
					next(row, damaged(where, "the names of the columns are wrong"))
					return
				}
				continue
			}
			if row, err = journal.ParseLine(text); err != nil {
				next(row, damaged(where, "%v", err))
				return
			}
			if row.Bath != c.Bath {
				next(row, damaged(where, "the fact belongs to another bath"))
				return
			}
			row.Number = int64(line - 1)
			if !next(row, nil) {
				return
			}
		}
	})
	var stopped error
	count, head, err := journal.Verify("", func(next func(journal.Row, error) bool) {
		// The row before has been found to fit when the next one is asked for.
		var before *journal.Row
		pass := func() bool {
			if before != nil {
				stopped = yield(*before)
			}
			return stopped == nil
		}
		for row, err := range rows {
			if !pass() || !next(row, err) {
				return
			}
			before = &row
		}
		pass()
	})
	var broken *journal.BrokenError
	switch {
	case stopped != nil:
		return stopped
	case errors.As(err, &broken):
		return damaged(fmt.Sprintf("%s, line %d", c.File, broken.Number+1), "%s", broken.Why)
	case err != nil:
		return err
	case count != c.Facts || head != c.Head:
		return damaged(c.File, "it has %d facts and ends in %s, where %s says %d and %s", count, short(head), manifestFile, c.Facts, short(c.Head))
	}
	return nil
}

// short is enough of a hash to compare by eye.
func short(hash string) string {
	if len(hash) > 12 {
		return hash[:12] + "…"
	}
	return "nothing"
}

// eachAdvice hands out the advice in its order.
func (f *BackupFile) eachAdvice(yield func(Advice) error) error {
	r, err := f.file(f.Advice.File)
	if err != nil {
		return err
	}
	defer r.Close()
	in := newLines(f.Advice.File, r)
	var rows int64
	for {
		text, err := in.next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return err
		}
		rows++
		where := fmt.Sprintf("%s, line %d", f.Advice.File, rows)
		var line adviceLine
		if err := json.Unmarshal([]byte(text), &line); err != nil {
			return damaged(where, "it is not the JSON that it should be: %v", err)
		}
		a := Advice{ID: line.ID, Bath: line.Bath, At: line.At, Entered: line.Entered, By: line.By, Version: line.Version, Head: line.Head}
		if a.Plan, err = unfold(line.Plan, line.PlanLayout); err == nil {
			a.State, err = unfold(line.State, line.StateLayout)
		}
		if err != nil {
			return damaged(where, "%v", err)
		}
		if err := yield(a); err != nil {
			return err
		}
	}
	if rows != f.Advice.Rows {
		return damaged(f.Advice.File, "it has %d lines, where %s says %d", rows, manifestFile, f.Advice.Rows)
	}
	return nil
}

// lines cuts a text into lines without their line feeds. The end is io.EOF; a
// last line without a line feed is damage, which the sum has told already.
type lines struct {
	name string
	in   *bufio.Reader
}

func newLines(name string, r io.Reader) lines { return lines{name, bufio.NewReaderSize(r, 64<<10)} }

func (l lines) next() (string, error) {
	text, err := l.in.ReadString('\n')
	if err == io.EOF && text != "" {
		return "", damaged(l.name, "its last line does not end")
	}
	return strings.TrimSuffix(text, "\n"), err
}
