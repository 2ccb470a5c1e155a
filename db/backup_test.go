package db

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"steadybath/chem/journal"
	"steadybath/db/cluster/clustertest"
)

// shelf fills a database with what is hard to copy: hostile names and texts,
// numbers whose digits count, voids, advice in every layout.
func shelf(tb testing.TB, database string) {
	tb.Helper()
	fill(tb, database)
	anna, ben := open(tb, database, "anna"), open(tb, database, "ben")
	numbers := []string{"58.0", "1", "123456789012345678901234", "0.00000000000000000000001", "5.10"}
	for i, text := range hostile {
		r := plateRow("a", numbers[i%len(numbers)])
		r.Subject, r.Note, r.U, r.More = text, text, "0.00", `{"n": 1.50,  "t":"a,\"b\" \\ ü"}`
		mustAppend(tb, ben, bathRow("bath "+text), r)
	}
	for _, name := range []string{"../../etc/passwd", "CON", "a/b", "  ", "Bad 1", "бак", strings.Repeat("x", 300)} {
		mustAppend(tb, anna, bathRow(name))
	}
	rows, err := anna.Rows(ctx, "a", time.Time{})
	require.NoError(tb, err)
	for i, plan := range []string{`{"additions": [] }`, "{\n  \"a\": \"<b> & \u2028\",\n  \"n\": 1.50\n}\n", "{\n\t\"a\":\n1 }", `{"a":"b"}`} {
		a := Advice{Bath: "a", At: noon.Add(time.Duration(i) * time.Microsecond), Version: "1.2 \"x\"\n", Head: rows[i].Hash, Plan: json.RawMessage(plan), State: json.RawMessage(`{"volume":58.20}`)}
		require.NoError(tb, []*Store{anna, ben}[i%2].KeepAdvice(ctx, a))
	}
}

// digests are of every row of facts and of advice, as the server writes them.
func digests(tb testing.TB, database string) []string {
	tb.Helper()
	conn := sqlAs(tb, database, admin)
	var both [2]string
	for i, sql := range []string{
		`select coalesce(string_agg(md5(f::text), ' ' order by f.bath, f.number), '') from steadybath.facts f`,
		`select coalesce(string_agg(md5(a::text), ' ' order by a.id), '') from steadybath.advice a`,
	} {
		require.NoError(tb, conn.QueryRow(ctx, sql).Scan(&both[i]))
	}
	return both[:]
}

func backup(tb testing.TB, database, user string) []byte {
	tb.Helper()
	var b bytes.Buffer
	_, err := open(tb, database, user).Backup(ctx, &b, "1.2", nil)
	require.NoError(tb, err)
	return b.Bytes()
}

func openWhole(tb testing.TB, text []byte) *BackupFile {
	tb.Helper()
	f, err := OpenBackup(bytes.NewReader(text), int64(len(text)))
	require.NoError(tb, err)
	require.NoError(tb, f.Check(ctx, nil))
	return f
}

var anySum = strings.Repeat("0", 64)

func restore(tb testing.TB, database string, text []byte) *Restored {
	tb.Helper()
	done, err := Restore(ctx, Options{URL: dsn(database, admin)}, openWhole(tb, text), anySum, nil)
	require.NoError(tb, err)
	return done
}

func TestBackupComesBackWhole(t *testing.T) {
	from, to := newDatabase(t), emptyDatabase(t, "template0")
	shelf(t, from)
	for _, user := range []string{"anna", "rita", admin} {
		f := openWhole(t, backup(t, from, user))
		require.Equal(t, user, f.By)
		require.Equal(t, int64(len(allRows(t, open(t, from, "rita")))), f.Facts())
		require.Equal(t, int64(4), f.Advice.Rows)
		require.Equal(t, "", f.Chains[0].Bath)
	}
	text := backup(t, from, "rita")
	done := restore(t, to, text)
	require.Equal(t, digests(t, from), digests(t, to))
	require.Zero(t, done.Known)
	require.Equal(t, int64(4), done.Advice)
	for i, c := range openWhole(t, text).Chains {
		require.Equal(t, RestoredChain{c.Bath, c.Facts, c.Facts, c.Head}, done.Chains[i])
	}

	again := restore(t, to, text)
	require.Zero(t, again.New+again.Advice)
	require.Equal(t, done.New, again.Known)

	// Life goes on at both places in turn: each brings what the other lacks.
	mustAppend(t, open(t, from, "anna"), noteRow("a", "later"), bathRow("late"))
	text = backup(t, from, "anna")
	more := restore(t, to, text)
	require.Equal(t, int64(2), more.New)
	require.Equal(t, digests(t, from), digests(t, to))
	mustAppend(t, open(t, to, "ben"), noteRow("a", "later still"))
	ahead := restore(t, to, text)
	require.Zero(t, ahead.New, "what went on from the backup is left alone")
	restore(t, from, backup(t, to, "ben"))
	require.Equal(t, digests(t, to), digests(t, from))

	at, facts, ever, err := open(t, to, "rita").LastCopy(ctx)
	require.NoError(t, err)
	require.True(t, ever)
	require.WithinDuration(t, time.Now(), at, time.Minute)
	require.Equal(t, done.New+2, facts)
}

// Whoever could restore could make up a past: only the owner may, and only
// what continues a chain.
func TestOnlyTheOwnerRestores(t *testing.T) {
	from, to := newDatabase(t), newDatabase(t)
	shelf(t, from)
	text := backup(t, from, "anna")
	for _, user := range []string{"anna", "rita"} {
		_, err := Restore(ctx, Options{URL: dsn(to, user)}, openWhole(t, text), anySum, nil)
		require.EqualError(t, err, "only the owner of the records may restore a backup, since it brings along who entered what and when")
	}
	require.Equal(t, []string{"", ""}, digests(t, to))

	// Nor may a writer date advice, or note a restore that never was.
	shelf(t, to)
	rows, err := open(t, to, "anna").Rows(ctx, "a", time.Time{})
	require.NoError(t, err)
	conn := sqlAs(t, to, "anna")
	_, err = conn.Exec(ctx, `insert into steadybath.advice (bath, at, entered, by, version, head, plan, state) values ('a', now(), '2020-01-01', 'ben', 'forged', $1, '{}', '{}')`, rows[0].Hash)
	require.NoError(t, err)
	var by string
	var late bool
	require.NoError(t, conn.QueryRow(ctx, `select by, entered > '2026-01-01' from steadybath.advice where version = 'forged'`).Scan(&by, &late))
	require.Equal(t, "anna", by)
	require.True(t, late)
	_, err = conn.Exec(ctx, insertCopy, "restore", 1, anySum)
	require.Equal(t, "42501", sqlState(err))
	_, err = conn.Exec(ctx, `insert into steadybath.copies (what, facts, sha256, at, by) values ('backup', 1, $1, '2020-01-01', 'ben')`, anySum)
	require.NoError(t, err)
	require.NoError(t, conn.QueryRow(ctx, `select by, at > '2026-01-01' from steadybath.copies`).Scan(&by, &late))
	require.Equal(t, "anna", by)
	require.True(t, late)
	for _, sql := range []string{"update steadybath.copies set facts = 0", "delete from steadybath.copies", "truncate steadybath.copies"} {
		for user, want := range map[string]string{"anna": "42501", "rita": "42501", admin: "23001"} {
			_, err := sqlAs(t, to, user).Exec(ctx, sql)
			require.Equal(t, want, sqlState(err), "%s as %s: %v", sql, user, err)
		}
	}
	require.NoError(t, open(t, to, "rita").NoteBackup(ctx, 1, anySum), "a reader leaves no trace")
}

// A restore that cannot be whole changes nothing and says why.
func TestRestoreRefuses(t *testing.T) {
	from := newDatabase(t)
	shelf(t, from)
	text := backup(t, from, "anna")
	for name, tc := range map[string]struct {
		before func(to string)
		want   string
	}{
		"another bath": {func(to string) { mustAppend(t, open(t, to, "anna"), bathRow("mine")) },
			`the database holds the record of bath "mine" with 1 facts, which the backup does not have`},
		"another bath of the same name": {func(to string) { mustAppend(t, open(t, to, "anna"), bathRow("b")) },
			`the record of bath "b" in the database and the one in the backup part at fact 1: they are not the same record`},
		"both went on": {func(to string) {
			restore(t, to, text)
			mustAppend(t, open(t, to, "anna"), noteRow("b", "here"))
		}, `part at fact 3`},
	} {
		t.Run(name, func(t *testing.T) {
			to := newDatabase(t)
			tc.before(to)
			before := digests(t, to)
			source := newDatabase(t)
			restore(t, source, text)
			mustAppend(t, open(t, source, "ben"), noteRow("a", "there"), noteRow("b", "there"))
			later := openWhole(t, backup(t, source, "ben"))
			_, err := Restore(ctx, Options{URL: dsn(to, admin)}, later, anySum, nil)
			var refusal *Error
			require.ErrorAs(t, err, &refusal)
			require.ErrorContains(t, err, tc.want)
			require.Contains(t, refusal.Hint(), "nothing was written")
			require.Equal(t, before, digests(t, to))
		})
	}
}

// unzipped is a backup taken apart, in its order.
type unzipped []struct{ name, text string }

func unzip(tb testing.TB, text []byte) unzipped {
	tb.Helper()
	z, err := zip.NewReader(bytes.NewReader(text), int64(len(text)))
	require.NoError(tb, err)
	var all unzipped
	for _, f := range z.File {
		r, err := f.Open()
		require.NoError(tb, err)
		b, err := io.ReadAll(r)
		require.NoError(tb, err)
		all = append(all, struct{ name, text string }{f.Name, string(b)})
	}
	return all
}

// zipped makes a backup again whose sums are right whatever is in it.
func (u unzipped) zipped(tb testing.TB) []byte {
	tb.Helper()
	var b, sums bytes.Buffer
	sealed := &sealer{out: &b, sum: sha256.New()}
	z := zip.NewWriter(sealed)
	for _, f := range u {
		text := f.text
		if f.name == sumsFile {
			text = sums.String()
		}
		w, err := z.Create(f.name)
		require.NoError(tb, err)
		_, err = io.WriteString(w, text)
		require.NoError(tb, err)
		fmt.Fprintf(&sums, "%x  %s\n", sha256.Sum256([]byte(text)), f.name)
	}
	require.NoError(tb, z.SetComment(noSeal))
	require.NoError(tb, z.Close())
	require.NoError(tb, sealed.seal())
	return b.Bytes()
}

func (u unzipped) at(name string) int {
	for i, f := range u {
		if strings.Contains(f.name, name) {
			return i
		}
	}
	return -1
}

// Even where every sum is right the chains must be, and the names.
func TestBackupThatSomebodyChanged(t *testing.T) {
	database := newDatabase(t)
	shelf(t, database)
	text := backup(t, database, "anna")
	edit := func(name, old, new string) func(unzipped) unzipped {
		return func(u unzipped) unzipped {
			i := u.at(name)
			require.GreaterOrEqual(t, i, 0)
			changed := strings.Replace(u[i].text, old, new, 1)
			require.NotEqual(t, u[i].text, changed)
			u[i].text = changed
			return u
		}
	}
	for name, tc := range map[string]struct {
		change func(unzipped) unzipped
		want   string
	}{
		"nothing":              {func(u unzipped) unzipped { return u }, ""},
		"another amount":       {edit("-a.csv", ",225,", ",25,"), "-a.csv, line 3 in it: "},
		"another person":       {edit("-a.csv", ",anna,", ",ben,"), "-a.csv, line 2 in it: "},
		"a row less":           {edit("shop.csv", "\n2026", "\n#"), "shop.csv, line 2 in it: "},
		"another bath":         {edit("shop.csv", ",,titrant", ",a,titrant"), "belongs to another bath"},
		"quoted otherwise":     {edit("-a.csv", ",anna,", `,"anna",`), "not written as a journal writes it"},
		"no names of columns":  {edit("shop.csv", "time,", "when,"), "shop.csv, line 1 in it: the names of the columns"},
		"another count":        {edit(manifestFile, `"facts": 1,`, `"facts": 2,`), "where manifest.json says 2"},
		"another advice count": {edit(manifestFile, `"rows": 4`, `"rows": 5`), "advice.jsonl in it: it has 4 lines, where manifest.json says 5"},
		"no such file":         {edit(manifestFile, "-a.csv", "-b.csv"), "names the journal of"},
		"a newer format":       {edit(manifestFile, `"format": 1`, `"format": 2`), "written in format 2, and this program reads up to format 1"},
		"something else":       {edit(manifestFile, backupWhat, "holiday pictures"), "does not say that this is a backup"},
		"no JSON":              {edit(manifestFile, "{", "["), "not the JSON that it should be"},
		"advice on nothing":    {edit(adviceFile, `"head":"`, `"head":"00`), "rests on a fact that is not there"},
		"unknown layout":       {edit(adviceFile, `"indented"`, `"upside down"`), `the layout "upside down" is not known`},
		"a file more": {func(u unzipped) unzipped {
			return slices.Insert(u, 1, struct{ name, text string }{"journals/more.csv", "x"})
		}, "nothing says what it is"},
		"a file less":  {func(u unzipped) unzipped { return slices.Delete(u, 0, 1) }, "README.txt in it: it is missing"},
		"a file twice": {func(u unzipped) unzipped { return slices.Insert(u, 1, u[0]) }, "it is there twice"},
		"no sums":      {func(u unzipped) unzipped { return u[:len(u)-1] }, "SHA256SUMS in it: it is missing"},
		"no manifest":  {func(u unzipped) unzipped { return slices.Delete(u, u.at(manifestFile), u.at(manifestFile)+1) }, "it has no manifest.json"},
	} {
		t.Run(name, func(t *testing.T) {
			changed := tc.change(unzip(t, text)).zipped(t)
			f, err := OpenBackup(bytes.NewReader(changed), int64(len(changed)))
			if err == nil {
				err = f.Check(ctx, nil)
			}
			if tc.want == "" {
				require.NoError(t, err)
				return
			}
			require.ErrorContains(t, err, tc.want)
		})
	}
	for name, tc := range map[string]struct{ text, want string }{
		"empty":   {"", "it is empty"},
		"journal": {"time,bath,kind,subject,value,unit,u,note\n", "it is a journal, not a backup"},
		"dump":    {"PGDMP\x01\x0e", "it is a dump of PostgreSQL's own, not a backup of steadybath"},
		"script":  {"--\n-- PostgreSQL database dump\n--\n", "it is a dump of PostgreSQL's own, not a backup of steadybath"},
		"picture": {"\x89PNG\r\n", "it is no backup of steadybath, or its beginning or end is missing"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := OpenBackup(strings.NewReader(tc.text), int64(len(tc.text)))
			require.EqualError(t, err, tc.want)
		})
	}
}

// What is read of a backup, to compare with.
func contents(f *BackupFile) (string, error) {
	var b strings.Builder
	for _, c := range f.Chains {
		if err := f.eachRow(c, func(r journal.Row) error { b.WriteString(r.Line() + r.Hash); return nil }); err != nil {
			return "", err
		}
	}
	err := f.eachAdvice(func(a Advice) error { fmt.Fprintf(&b, "%+v", a); return nil })
	return b.String(), err
}

// A cut file is refused, wherever it is cut, and so is one with a changed bit,
// wherever that is.
func TestDamagedBackup(t *testing.T) {
	database := newDatabase(t)
	shelf(t, database)
	text := backup(t, database, "anna")
	read := func(text []byte) (*BackupFile, error) {
		f, err := OpenBackup(bytes.NewReader(text), int64(len(text)))
		if err == nil {
			err = f.Check(ctx, nil)
		}
		return f, err
	}
	_, err := read(text)
	require.NoError(t, err)
	cuts := map[int]bool{0: true, 1: true, len(text) - 1: true}
	for at := 0; at < len(text); at += 512 {
		cuts[at] = true
	}
	z, err := zip.NewReader(bytes.NewReader(text), int64(len(text)))
	require.NoError(t, err)
	for _, f := range z.File {
		start, err := f.DataOffset()
		require.NoError(t, err)
		for _, at := range []int64{start - 1, start, start + int64(f.CompressedSize64), start + int64(f.CompressedSize64) + 16} {
			cuts[int(at)] = true
		}
	}
	for at := range cuts {
		var damage *DamageError
		_, err := read(text[:at])
		require.ErrorAs(t, err, &damage, "cut at %d of %d", at, len(text))
		half := slices.Concat(text[:at], make([]byte, len(text)-at))
		if _, err = read(half); bytes.Equal(half, text) {
			continue // the last byte is zero
		}
		require.ErrorAs(t, err, &damage, "zeros from %d of %d", at, len(text))
		_, err = read(text[len(text)-at:])
		require.Error(t, err, "the beginning is lost, %d bytes of %d are left", at, len(text))
	}
	for _, more := range []string{"x", "\x00", strings.Repeat("PK", 50)} {
		_, err := read(append(slices.Clone(text), more...))
		require.Error(t, err, "%q behind it", more)
		_, err = read(append([]byte(more), text...))
		require.Error(t, err, "%q before it", more)
	}
	random := rand.New(rand.NewPCG(8, 4))
	for range 800 {
		at, bit := random.IntN(len(text)), byte(1)<<random.IntN(8)
		flipped := slices.Clone(text)
		flipped[at] ^= bit
		_, err := read(flipped)
		var damage *DamageError
		require.ErrorAs(t, err, &damage, "byte %d, bit %d", at, bit)
		require.NotContains(t, err.Error(), "%!")
	}
}

// A file that breaks off while it is restored leaves nothing behind.
func TestRestoreBreaksOff(t *testing.T) {
	from, to := newDatabase(t), newDatabase(t)
	shelf(t, from)
	text := backup(t, from, "anna")
	f := openWhole(t, text)
	last := f.files[f.Chains[len(f.Chains)-1].File]
	at, err := last.DataOffset()
	require.NoError(t, err)
	text[at+int64(last.CompressedSize64)/2] ^= 0xff // behind the back of Check
	_, err = Restore(ctx, Options{URL: dsn(to, admin)}, f, anySum, nil)
	var damage *DamageError
	require.ErrorAs(t, err, &damage)
	require.Equal(t, []string{"", ""}, digests(t, to))

	stopped, cancel := context.WithCancel(ctx)
	text = backup(t, from, "anna")
	_, err = Restore(stopped, Options{URL: dsn(to, admin)}, openWhole(t, text), anySum, nil)
	require.NoError(t, err)
	cancel()
	_, err = open(t, from, "anna").Backup(stopped, io.Discard, "1.2", nil)
	require.ErrorIs(t, err, context.Canceled)
}

// The clock of the database is behind: facts from its future would push every
// later entry there.
func TestRestoreFromTheFuture(t *testing.T) {
	database := newDatabase(t)
	mustAppend(t, open(t, database, "anna"), bathRow("b"))
	row := allRows(t, open(t, database, "anna"))[0]
	row.Entered = time.Now().UTC().Truncate(time.Microsecond).Add(time.Hour)
	row.Hash = row.Chain("")
	u := unzip(t, backup(t, database, "anna"))
	var b bytes.Buffer
	w := journal.NewWriter(&b)
	require.NoError(t, w.Write(row))
	require.NoError(t, w.Flush())
	old := openWhole(t, backup(t, database, "anna")).Chains[0].Head
	u[u.at("bath-001")].text = b.String()
	u[u.at(manifestFile)].text = strings.Replace(u[u.at(manifestFile)].text, old, row.Hash, 1)
	to := newDatabase(t)
	_, err := Restore(ctx, Options{URL: dsn(to, admin)}, openWhole(t, u.zipped(t)), anySum, nil)
	require.ErrorContains(t, err, `the record of bath "b" has a fact that was entered at `)
	require.ErrorContains(t, err, "and the clock of the database shows")
	require.Equal(t, []string{"", ""}, digests(t, to))
}

// While eight people write, every backup is of one moment: each chain is the
// beginning of what it became, and what was entered together is there together.
func TestBackupWhileOthersWrite(t *testing.T) {
	database := newDatabase(t)
	mustAppend(t, open(t, database, "anna"), bathRow("one"), bathRow("two"))
	const writers, each = 8, 40
	var wg sync.WaitGroup
	var done atomic.Int64
	errs := make([]error, writers)
	for w := range writers {
		s := open(t, database, []string{"anna", "ben"}[w%2])
		wg.Go(func() {
			defer done.Add(1)
			for range each {
				if _, errs[w] = s.Append(ctx, []journal.Row{plateRow("one", "1"), plateRow("two", "2")}); errs[w] != nil {
					return
				}
			}
		})
	}
	var taken [][]byte
	for done.Load() < writers {
		taken = append(taken, backup(t, database, "rita"))
	}
	wg.Wait()
	require.NoError(t, errors.Join(errs...))
	hashes := map[string][]string{}
	for _, r := range allRows(t, open(t, database, "rita")) {
		hashes[r.Bath] = append(hashes[r.Bath], r.Hash)
	}
	require.Len(t, hashes["one"], 1+writers*each)
	part := 0
	for _, text := range taken {
		f := openWhole(t, text)
		require.Len(t, f.Chains, 2)
		require.Equal(t, f.Chains[0].Facts, f.Chains[1].Facts)
		for _, c := range f.Chains {
			require.Equal(t, hashes[c.Bath][c.Facts-1], c.Head)
		}
		if n := f.Chains[0].Facts; n > 1 && n < 1+writers*each {
			part++
		}
	}
	require.Positive(t, part, "no backup was taken while somebody wrote")
	t.Logf("%d backups, %d of them in the middle", len(taken), part)
}

// Others go on writing while a restore adds a bath: nobody is turned away.
func TestRestoreWhileOthersWrite(t *testing.T) {
	from, to := newDatabase(t), newDatabase(t)
	mustAppend(t, open(t, from, "anna"), bathRow("one"), bathRow("two"))
	restore(t, to, backup(t, from, "anna"))
	const writers, each, late = 4, 30, 8
	var wg sync.WaitGroup
	errs := make([]error, writers)
	for w := range writers {
		s := open(t, to, "anna")
		wg.Go(func() {
			for i := 0; i < each && errs[w] == nil; i++ {
				_, errs[w] = s.Append(ctx, []journal.Row{plateRow("two", "2"), plateRow("one", "1")})
			}
		})
	}
	for i := range late {
		mustAppend(t, open(t, from, "ben"), bathRow(fmt.Sprintf("late %d", i)))
		require.Equal(t, int64(1), restore(t, to, backup(t, from, "ben")).New)
	}
	wg.Wait()
	require.NoError(t, errors.Join(errs...))
	f := openWhole(t, backup(t, to, "rita"))
	require.Equal(t, int64(2+late+2*writers*each), f.Facts())
}

// A record that was changed behind the tool's back is not copied: the copy
// would take the place of a good one.
func TestBrokenRecordIsNotBackedUp(t *testing.T) {
	database := newDatabase(t)
	_, err := open(t, database, "anna").Backup(ctx, io.Discard, "1.2", nil)
	require.EqualError(t, err, "there are no facts yet, so there is nothing to keep a copy of")
	shelf(t, database)
	_, err = sqlAs(t, database, admin).Exec(ctx, `alter table steadybath.facts disable trigger all; update steadybath.facts set value = 25 where value = 225; alter table steadybath.facts enable always trigger facts_enter`)
	require.NoError(t, err)
	_, err = open(t, database, "anna").Backup(ctx, io.Discard, "1.2", nil)
	require.ErrorContains(t, err, `the record of bath "a" does not fit its chain, so no copy is made of it: row 2 (`)
}

// full is a disk with room for so many bytes.
type full struct{ room int }

var errFull = errors.New("no room")

func (f *full) Write(p []byte) (int, error) {
	if len(p) > f.room {
		return 0, errFull
	}
	f.room -= len(p)
	return len(p), nil
}

func TestBackupSaysWhatTheDiskSaid(t *testing.T) {
	database := newDatabase(t)
	shelf(t, database)
	size := len(backup(t, database, "anna"))
	for room := 0; room < size; room += size / 20 {
		_, err := open(t, database, "anna").Backup(ctx, &full{room}, "1.2", nil)
		require.ErrorIs(t, err, errFull)
	}
}

func TestLacks(t *testing.T) {
	database, other := newDatabase(t), newDatabase(t)
	shelf(t, database)
	b := openWhole(t, backup(t, database, "anna")).Backup
	lack, err := open(t, database, "anna").Lacks(ctx, b)
	require.NoError(t, err)
	require.Empty(t, lack)
	fill(t, other)
	lack, err = open(t, other, "anna").Lacks(ctx, b)
	require.NoError(t, err)
	require.Equal(t, "fact 1 of the shop's record", lack)
	b.Advice.Rows += 3
	lack, err = open(t, database, "rita").Lacks(ctx, b)
	require.NoError(t, err)
	require.Equal(t, "3 plans advised", lack)
}

// A backup is read without this program: sums by sha256sum, chains by the
// script that its README.txt ends with.
func TestBackupIsReadWithoutTheTool(t *testing.T) {
	database := newDatabase(t)
	shelf(t, database)
	dir := t.TempDir()
	text := backup(t, database, "anna")
	require.NoError(t, os.WriteFile(filepath.Join(dir, "shop.zip"), text, 0o600))
	u := unzip(t, text)
	for _, f := range u {
		require.NoError(t, os.MkdirAll(filepath.Dir(filepath.Join(dir, f.name)), 0o755))
		require.True(t, filepath.IsLocal(f.name), f.name)
		require.NoError(t, os.WriteFile(filepath.Join(dir, f.name), []byte(f.text), 0o644))
	}
	sums := exec.CommandContext(ctx, "sha256sum", "--strict", "-c", sumsFile)
	sums.Dir = dir
	out, err := sums.CombinedOutput()
	require.NoError(t, err, "%s", out)
	require.Equal(t, len(u)-1, strings.Count(string(out), ": OK"))
	all := exec.CommandContext(ctx, "sh", "-c", `test "$(tail -c 71 shop.zip)" = "sha256 $(head -c -71 shop.zip | sha256sum | cut -c 1-64)"`)
	all.Dir = dir
	out, err = all.CombinedOutput()
	require.NoError(t, err, "%s", out)
	_, script, found := strings.Cut(u[u.at(readmeFile)].text, "this script:\n")
	require.True(t, found)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "check.sh"), []byte(script), 0o644))
	journals, err := filepath.Glob(filepath.Join(dir, "journals", "*.csv"))
	require.NoError(t, err)
	require.Greater(t, len(journals), 10)
	for _, j := range journals {
		text, err := os.ReadFile(j)
		require.NoError(t, err)
		check := exec.CommandContext(ctx, "sh", filepath.Join(dir, "check.sh"))
		check.Stdin = bytes.NewReader(text)
		out, err := check.CombinedOutput()
		require.NoError(t, err, "%s", out)
		require.Contains(t, string(out), "all fit")
	}
}

// PostgreSQL's own tools copy the records too, rules and all.
func TestDumpsVerify(t *testing.T) {
	bin, err := programs()
	require.NoError(t, err)
	from := newDatabase(t)
	shelf(t, from)
	run := func(name string, args ...string) {
		t.Helper()
		cmd := exec.CommandContext(ctx, filepath.Join(bin, name), append([]string{"-h", testServer, "-p", "5432", "-U", admin}, args...)...)
		out, err := cmd.CombinedOutput()
		require.NoError(t, err, "%s %v: %s", name, args, out)
	}
	dir := t.TempDir()
	for format, in := range map[string]func(to, dump string){
		"plain":  func(to, dump string) { run("psql", "-X", "-q", "-v", "ON_ERROR_STOP=1", "-d", to, "-f", dump) },
		"custom": func(to, dump string) { run("pg_restore", "--exit-on-error", "-d", to, dump) },
	} {
		t.Run(format, func(t *testing.T) {
			dump, to := filepath.Join(dir, format), emptyDatabase(t, "template0")
			run("pg_dump", "-F", format, "-f", dump, from)
			in(to, dump)
			require.Equal(t, digests(t, from), digests(t, to))
			text := backup(t, to, "rita") // verifies every chain
			require.Zero(t, restore(t, from, text).New)
			mustAppend(t, open(t, to, "anna"), noteRow("a", "it goes on"))
			rows, err := open(t, to, "anna").Rows(ctx, "a", time.Time{})
			require.NoError(t, err)
			checkChain(t, rows)
			_, err = sqlAs(t, to, admin).Exec(ctx, "update steadybath.facts set note = ''")
			require.Equal(t, "23001", sqlState(err))
		})
	}
}

// The private cluster's person is no owner, and restores all the same.
func TestRestorePrivate(t *testing.T) {
	from := newDatabase(t)
	shelf(t, from)
	text := backup(t, from, "anna")
	o := Options{Cluster: clustertest.New(t)}
	sum := sha256.Sum256(text)
	done, err := Restore(ctx, o, openWhole(t, text), hex.EncodeToString(sum[:]), nil)
	require.NoError(t, err)
	require.Zero(t, done.Known)
	s, err := Open(ctx, o)
	require.NoError(t, err)
	defer s.Close()
	var again bytes.Buffer
	_, err = s.Backup(ctx, &again, "1.2", nil)
	require.NoError(t, err)
	want, err := contents(openWhole(t, text))
	require.NoError(t, err)
	got, err := contents(openWhole(t, again.Bytes()))
	require.NoError(t, err)
	require.Equal(t, want, got)
	mustAppend(t, s, noteRow("a", "it goes on"))
}

// Whatever the bytes are, reading them as a backup ends, and a whole one gives
// as many facts as it says.
func FuzzBackup(f *testing.F) {
	row := bathRow("b")
	row.ID, row.Entered, row.By = [16]byte{1}, noon, "anna"
	row.Hash = row.Chain("")
	var b bytes.Buffer
	w := journal.NewWriter(&b)
	require.NoError(f, w.Write(row))
	require.NoError(f, w.Flush())
	manifest, err := json.Marshal(Backup{What: backupWhat, Format: BackupFormat, Chains: []Chain{{"b", "b.csv", 1, row.Hash}}, Advice: AdviceCount{adviceFile, 1}})
	require.NoError(f, err)
	advice := `{"bath":"b","head":"` + row.Hash + `","plan":{},"state":"{}","state_layout":"text"}` + "\n"
	whole := unzipped{{readmeFile, ""}, {"b.csv", b.String()}, {adviceFile, advice}, {manifestFile, string(manifest)}, {sumsFile, ""}}.zipped(f)
	openWhole(f, whole)
	f.Add(whole)
	f.Add(whole[:len(whole)/2])
	f.Fuzz(func(t *testing.T, text []byte) {
		file, err := OpenBackup(bytes.NewReader(text), int64(len(text)))
		if err != nil || file.Check(ctx, nil) != nil {
			return
		}
		var facts int64
		for _, c := range file.Chains {
			require.NoError(t, file.eachRow(c, func(journal.Row) error { facts++; return nil }))
		}
		require.Equal(t, file.Facts(), facts)
	})
}
