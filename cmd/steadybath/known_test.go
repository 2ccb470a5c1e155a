package main

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/journal"
	"steadybath/chem/recipe"
	"steadybath/db/cluster"
)

// pastBy puts a journal's times into the past of any clock that the tests run
// under, since nothing can have been entered in the future: whole weeks.
const pastBy = 52 * 7 * 24 * time.Hour * 6

// lateLog is the demo's half-year as a shop enters it: mostly within the hour, some
// of it days late, with corrections and a second bath that shares the stock. The
// rows are in the order of entry over all chains, each chain hashed.
func lateLog(t *testing.T) []journal.Row {
	t.Helper()
	random := rand.New(rand.NewPCG(7, 11))
	f, err := os.Open("../../testdata/demo/half-year.csv")
	require.NoError(t, err)
	defer f.Close()
	reader := journal.NewReader(f, func(string) *time.Location { return time.UTC })
	var rows []journal.Row
	for {
		e, err := reader.Read()
		if err == io.EOF {
			break
		}
		require.NoError(t, err)
		rows = append(rows, e.Row)
	}
	add := func(at time.Time, bath, note string, body chem.Body) uuid.UUID {
		id, err := uuid.NewRandomFromReader(randomBytes{random})
		require.NoError(t, err)
		r, err := journal.Encode(chem.Fact{ID: id, Time: at, Bath: bath, Note: note, Body: body})
		require.NoError(t, err)
		rows = append(rows, r)
		return id
	}
	const first, second = "demo-copper", "second"
	day := func(n float64) time.Time {
		return time.Date(2026, 5, 21, 9, 0, 0, 0, time.UTC).Add(time.Duration(n * 24 * float64(time.Hour)))
	}
	measured := func(text string) chem.Measured {
		m, err := chem.ParseMeasured(text)
		require.NoError(t, err)
		return m
	}
	// A window that changes twice, a reading that is voided, entered again, and
	// whose void is voided.
	add(day(40), first, "thicker parts", chem.Setting{Key: "copper.high", Value: measured("56 g/L")})
	add(day(90), first, "back again", chem.Setting{Key: "copper.high", Value: measured("54 g/L")})
	wrong := add(day(50), first, "", chem.Assay{Of: "copper", Value: measured("49 g/L")})
	void := add(day(51), first, "read the wrong burette", chem.Void{Target: wrong})
	add(day(50), first, "", chem.Assay{Of: "copper", Value: measured("50.5 g/L")})
	add(day(85), first, "it was the right one", chem.Void{Target: void})
	add(day(70), "", "", chem.Stock{Material: "brightener", Amount: measured("250 mL"), Lot: "B9", Expires: "2021-01-01"})
	// Found in a drawer half a year later: a delivery note, and a bottle's date.
	muchLater := map[uuid.UUID]time.Duration{}
	for _, late := range []chem.Body{
		chem.Stock{Material: "brightener", Amount: measured("900 mL"), Lot: "B2"}, chem.Stock{Material: "copper sulfate pentahydrate", Amount: measured("40 kg")},
		chem.Titrant{Name: "EDTA", Molarity: measured("0.1 mol/L"), Lot: "E-1", Expires: "2020-05-25"}, chem.Titrant{Name: "EDTA", Molarity: measured("0.1 mol/L"), Lot: "E-2", Expires: "2020-05-25"},
	} {
		muchLater[add(day(1), "", "", late)] = 170 * 24 * time.Hour
	}
	text, ok := recipe.ShippedText("copper-electroforming")
	require.True(t, ok)
	add(day(100), second, "", chem.Begin{Volume: measured("60 L"), Zone: "America/Chicago", Recipe: string(text)})
	add(day(100.1), second, "", chem.Fill{Volume: measured("58 L"), Origin: chem.OriginRunning, Composition: map[string]chem.Measured{"copper": measured("50 g/L"), "brightener": measured("4 mL/L")}})
	for n := 101.0; n < 170; n += 7 {
		add(day(n), second, "", chem.Plate{Charge: measured("20 Ah")})
		add(day(n+.1), second, "", chem.Add{Material: "brightener", Amount: measured("5 mL")})
	}

	entered := map[uuid.UUID]time.Time{}
	for i := range rows {
		r := &rows[i]
		r.Time = r.Time.Add(-pastBy)
		late := time.Duration(1+random.IntN(3600)) * time.Second
		switch random.IntN(10) {
		case 0:
			late += time.Duration(random.IntN(9*24)) * time.Hour
		case 1, 2:
			late += time.Duration(random.IntN(20)) * time.Hour
		}
		late += muchLater[r.ID]
		if r.Kind == string(chem.KindBath) {
			late = time.Second
		}
		r.Entered = r.Time.Add(late).Truncate(time.Microsecond)
		r.By = []string{"anna", "bo"}[random.IntN(2)]
		entered[r.ID] = r.Entered
	}
	for i := range rows { // a void comes after what it names, and a void of a void after that
		for range 2 {
			if target, err := uuid.Parse(rows[i].Subject); err == nil && !rows[i].Entered.After(entered[target]) {
				rows[i].Entered = entered[target].Add(time.Minute)
				entered[rows[i].ID] = rows[i].Entered
			}
		}
	}
	slices.SortStableFunc(rows, func(a, b journal.Row) int { return cmp.Or(a.Entered.Compare(b.Entered)) })
	head, last := map[string]string{}, map[string]time.Time{}
	for i := range rows {
		r := &rows[i]
		if !r.Entered.After(last[r.Bath]) {
			r.Entered = last[r.Bath].Add(time.Microsecond)
		}
		r.Hash = r.Chain(head[r.Bath])
		head[r.Bath], last[r.Bath] = r.Hash, r.Entered
	}
	return rows
}

type randomBytes struct{ *rand.Rand }

func (r randomBytes) Read(p []byte) (int, error) {
	for i := range p {
		p[i] = byte(r.Uint32())
	}
	return len(p), nil
}

// takeIn enters rows with who and when of their own, as only the owner can.
func takeIn(t *testing.T, bed *scriptBed, database string, rows []journal.Row) {
	t.Helper()
	ctx := context.Background()
	conn, err := pgx.Connect(ctx, bed.dsn(database, superuser))
	require.NoError(t, err)
	defer conn.Close(ctx)
	_, err = conn.Exec(ctx, "set role "+cluster.Owner)
	require.NoError(t, err)
	tx, err := conn.Begin(ctx)
	require.NoError(t, err)
	for _, r := range rows {
		_, err := tx.Exec(ctx, `insert into steadybath.facts (bath, time, kind, subject, value, unit, u, note, id, more, entered, by, hash)
			values ($1, $2, $3, $4, nullif($5::text, '')::numeric, $6, nullif($7::text, '')::numeric, $8, $9, nullif($10::text, '')::json, $11, $12, $13)`,
			r.Bath, r.Time, r.Kind, r.Subject, r.Value, r.Unit, r.U, r.Note, [16]byte(r.ID), r.More, r.Entered, r.By, r.Hash)
		require.NoError(t, err, "%s of %s", r.Kind, r.Time)
	}
	require.NoError(t, tx.Commit(ctx))
}

// asked is what the program answers with a clock of its own.
func askedAt(t *testing.T, url string, clock time.Time, args ...string) string {
	t.Helper()
	var out, errs bytes.Buffer
	status := run(context.Background(), args, strings.NewReader(""), &out, &errs, func(name string) string {
		return map[string]string{"STEADYBATH_DATABASE": url, "STEADYBATH_CLOCK": clock.UTC().Format(time.RFC3339)}[name]
	})
	require.Zero(t, status, "%q: %s", args, errs.String())
	require.Empty(t, errs.String(), "%q", args)
	return out.String()
}

// TestKnownOn asks every question at some moments of a log that is still growing,
// and again when all of it is in, as it was known then: the answers are the same
// to the last digit, with the head that the chain had then.
func TestKnownOn(t *testing.T) {
	bed := newScriptBed(t)
	database, err := bed.create()
	require.NoError(t, err)
	url := bed.dsn(database, bed.server.Person())
	rows := lateLog(t)
	pages := t.TempDir()
	page := filepath.Join(pages, "page.html")
	bath := []string{"--bath", "demo-copper"}
	questions := [][]string{
		append([]string{"state", "--json"}, bath...),
		append([]string{"state", "--why", "copper", "--json"}, bath...),
		append([]string{"state", "--why", "brightener", "--json"}, bath...),
		append([]string{"state", "--symptom", "burnt", "--json"}, bath...),
		append([]string{"state"}, bath...),
		append([]string{"dose", "--json"}, bath...),
		append([]string{"dose", "--what-if", "brightener 10 mL", "--json"}, bath...),
		append([]string{"forecast", "--json"}, bath...),
		append([]string{"anodes", "--json"}, bath...),
		append([]string{"anodes", "--ledger", "--json"}, bath...),
		append([]string{"plan", "5.5dm2", "1.5A/dm2", "200um", "--json"}, bath...),
		append([]string{"history", "--json"}, bath...),
		append([]string{"history", "--kind", "void"}, bath...),
		{"history", "--shop", "--json"},
		{"titrant", "list", "--json"}, {"material", "list", "--json"}, {"material", "list"},
		append([]string{"round", "--print"}, bath...),
		append([]string{"chart", "--output", page}, bath...),
		{"--json"},
		{"bath", "list", "--json"},
	}
	mask := regexp.MustCompile(`(?m)^.*[Pp]rinted.*$`) // the day on which paper was printed
	type kept struct {
		args   []string
		moment time.Time
		answer string
	}
	var before []kept
	answer := func(clock time.Time, args []string) string {
		out := askedAt(t, url, clock, args...)
		if args[0] == "chart" {
			text, err := os.ReadFile(page)
			require.NoError(t, err)
			out = string(text)
		}
		return mask.ReplaceAllString(out, "")
	}
	in := 0
	for _, part := range []float64{0.35, 0.8} {
		n := int(part * float64(len(rows)))
		takeIn(t, bed, database, rows[in:n])
		in = n
		// Clocks of the tool count whole seconds.
		moment := rows[n-1].Entered.Truncate(time.Second).Add(time.Second)
		for ; !rows[in].Entered.After(moment); in++ {
			takeIn(t, bed, database, rows[in:in+1])
		}
		at := moment.Format(time.RFC3339)
		for _, q := range questions {
			before = append(before, kept{q, moment, answer(moment, q)})
		}
		// Advice is dated by the database's clock, which is years on.
		require.NoError(t, bed.execIn(t.Context(), database, "alter table steadybath.advice disable trigger all; update steadybath.advice set entered = at; alter table steadybath.advice enable trigger advice_enter"))
		earlier := moment.Add(-20 * 24 * time.Hour).Format(time.RFC3339)
		for _, q := range [][]string{
			append([]string{"state", "--smoothed", "--json", "--at", earlier}, bath...),
			append([]string{"state", "--json", "--at", earlier}, bath...),
			append([]string{"history", "--advice", "--json"}, bath...),
			append([]string{"anodes", "--ledger", "--json", "--from", earlier, "--to", at}, bath...),
		} {
			before = append(before, kept{q, moment, answer(moment, q)})
		}
	}
	takeIn(t, bed, database, rows[in:])
	now := rows[len(rows)-1].Entered.Add(24 * time.Hour)
	differ := 0
	for _, k := range before {
		then := k.moment.Format(time.RFC3339)
		args := append(slices.Clone(k.args), "--known-on", then)
		if !slices.Contains(args, "--at") && !slices.Contains(args, "--to") && (args[0] != "history" || args[1] == "--advice") && args[0] != "bath" {
			args = append(args, "--at", then)
		}
		t.Run(fmt.Sprintf("%s at %s", strings.Join(k.args, " "), then), func(t *testing.T) {
			require.Equal(t, k.answer, answer(now, args))
		})
		if slices.ContainsFunc(before, func(o kept) bool { return slices.Equal(o.args, k.args) && o.answer != k.answer }) {
			differ++
		}
	}
	require.Greater(t, differ, len(before)*3/4, "the moments must not have the same answers anyway")
}
