package journal

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"iter"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// chained makes rows into the chain of one bath, as the database does.
func chained(rows []Row) []Row {
	prev := ""
	for i := range rows {
		rows[i].Bath = "tank-1"
		rows[i].Number = int64(i + 1)
		rows[i].Entered = time.Date(2026, 1, 5, 18, 0, i, 1000*i, time.UTC)
		rows[i].By = "anna"
		rows[i].Hash = rows[i].Chain(prev)
		prev = rows[i].Hash
	}
	return rows
}

func awkward() []Row {
	texts := []string{"plain", `with "quotes", commas; and \ backslash`, "two\nlines\r\nand a tab\t.", "Bädernässe 硫酸 😀", " spaces around ", "%s %d $(date) `date` -n",
		"ends with a comma,", `\n is not a line break`, `"`, "'"}
	var rows []Row
	for i, s := range texts {
		rows = append(rows, Row{Time: time.Date(2026, 1, 5, 7, i, 0, 0, time.UTC), Kind: "note", Note: s, ID: uuid.UUID{15: byte(i + 1)},
			More: `{"origin":{"by":"a, b","note":"c\nd"}}`})
	}
	return chained(rows)
}

func seq(rows []Row) iter.Seq2[Row, error] {
	return func(yield func(Row, error) bool) {
		for _, r := range rows {
			if !yield(r, nil) {
				return
			}
		}
	}
}

// sha256sum of coreutils is the outside reference for the chain: the script
// that is given to people, on a file that the Writer wrote.
func TestChainBySha256sum(t *testing.T) {
	run := func(text []byte) (string, error) {
		cmd := exec.Command("sh", "-c", ChainCheck)
		cmd.Stdin = strings.NewReader(string(text))
		out, err := cmd.CombinedOutput()
		return string(out), err
	}
	rows := awkward()
	text := write(t, rows)
	out, err := run(text)
	require.NoError(t, err, out)
	require.Equal(t, "all fit, head "+rows[len(rows)-1].Hash+"\n", out)

	// A copy that broke off, in the middle of a line or between two.
	out, err = run(text[:len(text)-1])
	require.NoError(t, err, out)
	out, err = run(text[:len(text)-10])
	require.Error(t, err, out)
	short := text[:len(text)-len(write(t, rows[len(rows)-1:]))+len(write(t, nil))]
	out, err = run(short)
	require.NoError(t, err, "only the head tells")
	require.Equal(t, "all fit, head "+rows[len(rows)-2].Hash+"\n", out)

	rows[3].Note += "!"
	out, err = run(write(t, rows))
	require.Error(t, err)
	require.True(t, strings.HasPrefix(out, "does not fit: 2026-01-05T07:03:00Z,"), out)
}

func TestVerify(t *testing.T) {
	rows := awkward()
	count, head, err := Verify("", seq(rows))
	require.NoError(t, err)
	require.EqualValues(t, len(rows), count)
	require.Equal(t, rows[len(rows)-1].Hash, head)

	count, head, err = Verify(rows[3].Hash, seq(rows[4:]))
	require.NoError(t, err, "from the middle on")
	require.EqualValues(t, len(rows)-4, count)
	require.Equal(t, rows[len(rows)-1].Hash, head)

	_, head, err = Verify("", seq(nil))
	require.NoError(t, err)
	require.Empty(t, head)

	for _, c := range []struct {
		name   string
		change func([]Row) []Row
		number int64
		why    string
	}{
		{"text changed", func(r []Row) []Row { r[2].Note = "other"; return r }, 3, "its hash is not that"},
		{"more changed", func(r []Row) []Row { r[2].More = ""; return r }, 3, "its hash is not that"},
		{"time changed", func(r []Row) []Row { r[2].Time = r[2].Time.Add(time.Microsecond); return r }, 3, "its hash is not that"},
		{"id changed", func(r []Row) []Row { r[2].ID[0]++; return r }, 3, "its hash is not that"},
		{"hash gone", func(r []Row) []Row { r[2].Hash = ""; return r }, 3, "it has no hash"},
		{"row gone", func(r []Row) []Row { return append(r[:2], r[3:]...) }, 3, "number 4 stands in its place"},
		{"row gone, numbers closed up", func(r []Row) []Row {
			r = append(r[:2], r[3:]...)
			for i := range r {
				r[i].Number = int64(i + 1)
			}
			return r
		}, 3, "its hash is not that"},
		{"first row gone", func(r []Row) []Row { return r[1:] }, 1, "number 2 stands in its place"},
		{"rows swapped", func(r []Row) []Row { r[2], r[3] = r[3], r[2]; return r }, 3, "number 4 stands in its place"},
		{"row twice", func(r []Row) []Row { return slices.Insert(r, 3, r[2]) }, 4, "number 3 stands in its place"},
		{"other bath", func(r []Row) []Row { r[4].Bath = "tank-2"; r[4].Hash = r[4].Chain(r[3].Hash); return r }, 5, `it belongs to "tank-2"`},
		{"clock went back", func(r []Row) []Row { r[4].Entered = r[3].Entered; r[4].Hash = r[4].Chain(r[3].Hash); return r }, 5, "not after the row before it"},
	} {
		t.Run(c.name, func(t *testing.T) {
			count, _, err := Verify("", seq(c.change(awkward())))
			var broken *BrokenError
			require.ErrorAs(t, err, &broken)
			require.Equal(t, c.number, broken.Number)
			require.Equal(t, c.number-1, count)
			require.Contains(t, broken.Why, c.why)
		})
	}

	gone := errors.New("connection lost")
	_, _, err = Verify("", func(yield func(Row, error) bool) { yield(Row{}, gone) })
	require.Equal(t, gone, err)
}

// Whatever single byte of an exported chain is changed, the walk stops.
func TestVerifyFindsAnyChange(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rows := chained(rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Row {
			r, err := Encode(drawFact(t, "note"))
			require.NoError(t, err)
			return r
		}), 1, 4).Draw(t, "rows"))
		text := write(t, rows)
		head := len(strings.Join(Columns(), ",")) + 1
		at := rapid.IntRange(head, len(text)-1).Draw(t, "at")
		was := text[at]
		text[at] = rapid.Byte().Filter(func(b byte) bool { return b != was }).Draw(t, "to")
		var got []Row
		for e, err := range NewReader(strings.NewReader(string(text)), nil).All() {
			if err != nil {
				return // seen by the reader already
			}
			got = append(got, e.Row)
		}
		for i := range rows {
			rows[i].Number = 0
		}
		if slices.Equal(got, rows) {
			return // another spelling of the same: a T as a space, an id in capitals
		}
		count, _, err := Verify("", seq(got))
		if err == nil {
			require.Less(t, count, int64(len(rows)), "only rows cut off at the end can go unnoticed without the head")
		}
	})
}

// The steps of DeriveID's comment, done by sha256sum on text written out by
// hand; version and variant as RFC 9562, section 4.1 and 4.2, draw them.
func TestDeriveID(t *testing.T) {
	row := Row{Time: time.Date(2026, 1, 5, 18, 0, 0, 120_000_000, time.UTC), Bath: `tank "A", left`, Kind: "add", Subject: `C:\x`, Value: "12.0", Unit: "mL", U: "0.3",
		Note: "one\ntwo", ID: uuid.New(), By: "anna", More: `{"lot":"B 26"}`}
	for ordinal, text := range map[int]string{
		1:  `2026-01-05T18:00:00.12Z,"tank ""A"", left",add,C:\\x,12.0,mL,0.3,one\ntwo` + "\n1",
		2:  `2026-01-05T18:00:00.12Z,"tank ""A"", left",add,C:\\x,12.0,mL,0.3,one\ntwo` + "\n2",
		10: `2026-01-05T18:00:00.12Z,"tank ""A"", left",add,C:\\x,12.0,mL,0.3,one\ntwo` + "\n10",
	} {
		cmd := exec.Command("sha256sum")
		cmd.Stdin = strings.NewReader(text)
		out, err := cmd.Output()
		require.NoError(t, err)
		digits := []byte(out[:32])
		digits[12] = '8'
		digits[16] = "89ab"[strings.IndexByte("0123456789abcdef", digits[16])%4]
		want := fmt.Sprintf("%s-%s-%s-%s-%s", digits[:8], digits[8:12], digits[12:16], digits[16:20], digits[20:])
		got := DeriveID(row, ordinal)
		require.Equal(t, want, got.String())
		require.Equal(t, uuid.Version(8), got.Version())
		require.Equal(t, uuid.RFC4122, got.Variant())
	}
	other := row
	other.ID, other.By, other.More, other.Entered = uuid.Nil, "", "", time.Now()
	require.Equal(t, DeriveID(row, 1), DeriveID(other, 1), "only the eight columns count")
}

// Vector: SHA-256 of "abc", FIPS 180-4 example (from memory), as a check that
// the library and the program are the same function.
func TestSha256sumIsSHA256(t *testing.T) {
	const want = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
	require.Equal(t, want, fmt.Sprintf("%x", sha256.Sum256([]byte("abc"))))
	cmd := exec.Command("sha256sum")
	cmd.Stdin = strings.NewReader("abc")
	out, err := cmd.Output()
	require.NoError(t, err)
	require.Equal(t, want, string(out[:64]))
}
