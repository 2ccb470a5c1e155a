package db

import (
	"errors"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/journal"
)

// Each named rule of the table is broken once, by plain SQL, and must answer
// with its own name and so with its own sentence.
func TestEveryRuleRefuses(t *testing.T) {
	database := newDatabase(t)
	s := open(t, database, "anna")
	first := bathRow("b")
	mustAppend(t, s, first, plateRow("b", "1"))
	conn := sqlAs(t, database, "anna")
	fact := func(kind, rest string) string {
		columns, values := "", ""
		for _, pair := range strings.Split(rest, "; ") {
			if name, value, ok := strings.Cut(pair, "="); ok {
				columns, values = columns+", "+name, values+", "+value
			}
		}
		bath := "'b'"
		if kind == "titrant" || kind == "material" {
			bath = "''"
		}
		if !strings.Contains(columns, "time") {
			columns, values = columns+", time", values+", now()"
		}
		if !strings.Contains(columns, "bath") {
			columns, values = columns+", bath", values+", "+bath
		}
		return "insert into steadybath.facts (kind" + columns + ") values ('" + kind + "'" + values + ")"
	}
	tested := map[string]bool{}
	for _, tc := range []struct{ rule, sql string }{
		{"facts_kind", fact("strike", "value=1; unit='Ah'")},
		{"facts_whose", fact("plate", "bath=''; value=1; unit='Ah'")},
		{"facts_whose", fact("titrant", "bath='b'; subject='EDTA'; value=1; unit='mol/L'")},
		{"facts_bath_first", fact("note", "bath='nowhere'; note='x'")},
		{"facts_bath_once", fact("bath", "value=60; unit='L'")},
		{"facts_time", fact("note", "note='x'; time='infinity'")},
		{"facts_time", fact("note", "note='x'; time='1899-12-31T23:59:59Z'")},
		{"facts_time", fact("note", "note='x'; time='0044-03-15 12:00 BC'")},
		{"facts_finite", fact("plate", "value='NaN'; unit='Ah'")},
		{"facts_finite", fact("plate", "value='Infinity'; unit='Ah'")},
		{"facts_finite", fact("assay", "subject='pH'; value='-Infinity'; unit='pH'")},
		{"facts_finite", fact("plate", "value=1; unit='Ah'; u='NaN'")},
		{"facts_finite", fact("plate", "value=1; unit='Ah'; u='Infinity'")},
		{"facts_finite", fact("setting", "subject='copper.high'; note='x'; value='NaN'")},
		{"facts_digits", fact("plate", "value=1234567890123456789012345; unit='Ah'")},
		{"facts_digits", fact("plate", "value=1e-24; unit='Ah'")},
		{"facts_u", fact("plate", "value=1; unit='Ah'; u=-0.1")},
		{"facts_u", fact("hang", "subject='a'; u=0.1")},
		{"facts_id_given", fact("note", "note='x'; id='00000000-0000-0000-0000-000000000000'")},
		{"facts_id", fact("note", "note='x'; id='"+first.ID.String()+"'")},
		{"facts_more", fact("note", "note='x'; more='[1]'")},
		{"facts_more", fact("note", "note='x'; more=E'{\"a\":\\n1}'")},
		{"facts_bath", fact("bath", "bath='new'; value=0; unit='L'")},
		{"facts_bath", fact("bath", "bath='new'; value=60; unit='kg'")},
		{"facts_bath", fact("bath", "bath='new'")},
		{"facts_setting", fact("setting", "subject='copper.high'; value=1")},
		{"facts_titrant", fact("titrant", "subject='EDTA'; value=0.1; unit='g/L'")},
		{"facts_titrant", fact("titrant", "subject='EDTA'; value=0; unit='mol/L'")},
		{"facts_material", fact("material", "subject='salt'; value=-1; unit='kg'")},
		{"facts_material", fact("material", "subject='salt'; value=1; unit='Ah'")},
		{"facts_material", fact("material", "subject='salt'")},
		{"facts_fill", fact("fill", "value=-1; unit='L'")},
		{"facts_level", fact("level", "value=0; unit='L'")},
		{"facts_level", fact("level", "value=50; unit='cm'")},
		{"facts_level", fact("level", "value=50; unit='L'; subject='x'")},
		{"facts_assay", fact("assay", "subject='copper'; value=-1; unit='g/L'")},
		{"facts_assay", fact("assay", "subject='copper'; value=1; unit='L'")},
		{"facts_assay", fact("assay", "subject='pH'; value=1; unit='g/L'")},
		{"facts_assay", fact("assay", "subject='temperature'; value=1; unit='pH'")},
		{"facts_assay", fact("assay", "subject='density'; value=-1; unit='g/cm3'")},
		{"facts_assay", fact("assay", "value=1; unit='g/L'")},
		{"facts_panel", fact("panel", "subject='brightener'; value=1; unit='A'")},
		{"facts_meter", fact("meter", "subject='supply'; value=-1; unit='Ah'")},
		{"facts_meter", fact("meter", "subject='supply'")},
		{"facts_plate", fact("plate", "value=0; unit='Ah'")},
		{"facts_plate", fact("plate", "value=-3; unit='Ah'")},
		{"facts_plate", fact("plate", "unit='Ah'")},
		{"facts_add", fact("add", "subject='brightener'; value=0; unit='mL'")},
		{"facts_add", fact("add", "value=1; unit='mL'")},
		{"facts_add", fact("add", "subject='brightener'; value=1; unit='g/L'")},
		{"facts_bail", fact("bail", "value=0; unit='L'")},
		{"facts_treat", fact("treat", "subject='prayer'")},
		{"facts_treat", fact("treat", "subject='dummy'; value=1; unit='g'")},
		{"facts_treat", fact("treat", "subject='carbon'; value=1; unit='Ah'")},
		{"facts_change", fact("change", "subject='oil'")},
		{"facts_change", fact("change", "subject='bags'; value=1; unit='L'")},
		{"facts_hang", fact("hang", "subject='all'; value=1; unit='kg'")},
		{"facts_hang", fact("hang", "subject='a'; value=0; unit='kg'")},
		{"facts_hang", fact("hang", "subject='a'; value=1; unit='L'")},
		{"facts_weigh", fact("weigh", "subject='a'")},
		{"facts_weigh", fact("weigh", "subject='a'; value=-1; unit='kg'")},
		{"facts_pull", fact("pull", "value=1; unit='kg'")},
		{"facts_note", fact("note", "")},
		{"facts_note", fact("note", "note='x'; value=1")},
		{"facts_void", fact("void", "subject='"+first.ID.String()+"'")},
		{"facts_void", fact("void", "subject='214'; note='x'")},
		{"facts_void_target", fact("void", "subject='"+uuid.NewString()+"'; note='x'")},
	} {
		t.Run(tc.rule, func(t *testing.T) {
			_, err := conn.Exec(ctx, tc.sql)
			var pg *pgconn.PgError
			require.ErrorAs(t, err, &pg, tc.sql)
			require.Equal(t, tc.rule, pg.ConstraintName, "%s: %v", tc.sql, err)
			require.EqualError(t, explain("try", err), sentences[tc.rule])
			tested[tc.rule] = true
		})
	}
	rows, err := s.Rows(ctx, "b", time.Time{})
	require.NoError(t, err)
	require.Len(t, rows, 2, "nothing that was refused is there")

	// Broken elsewhere: append-only and chain below; the key by two snapshots.
	for _, rule := range []string{"facts_append_only", "facts_chain", "facts_pkey"} {
		tested[rule] = true
	}
	found, err := conn.Query(ctx, "select conname::text from pg_constraint where conrelid = 'steadybath.facts'::regclass and contype <> 'n'")
	require.NoError(t, err)
	names := []string{"facts_append_only", "facts_chain", "facts_void_target"}
	for found.Next() {
		var name string
		require.NoError(t, found.Scan(&name))
		names = append(names, name)
	}
	require.NoError(t, found.Err())
	require.ElementsMatch(t, names, slices.Collect(maps.Keys(sentences)), "a sentence for each rule and no others")
	require.ElementsMatch(t, names, slices.Collect(maps.Keys(tested)), "each rule is broken once")
}

// What the codec takes, the table takes: a row of each kind, also with the
// optional parts left out.
func TestEveryKindIsTaken(t *testing.T) {
	s := open(t, newDatabase(t), "anna")
	mustAppend(t, s, bathRow("b"))
	void := uuid.New()
	kinds := map[string]bool{"bath": true}
	for _, r := range []journal.Row{
		{Kind: "setting", Subject: "copper.high", Value: "-54.0", Unit: "g/L", Note: "because"},
		{Kind: "setting", Subject: "zone", More: `{"text":"Asia/Kathmandu"}`, Note: "moved"},
		{Kind: "titrant", Subject: "EDTA", Value: "0.1", Unit: "mol/L"},
		{Kind: "material", Subject: "salt", Value: "0", Unit: "lb"},
		{Kind: "fill", Value: "60", Unit: "gal", More: `{"from":"bought"}`},
		{Kind: "hang", Subject: "a", More: `{"form":"inert"}`},
		{Kind: "hang", Subject: "b", Value: "1.250", Unit: "kg", U: "0"},
		{Kind: "plate", Value: "0.1", Unit: "Amin"},
		{Kind: "meter", Subject: "s", Value: "0", Unit: "kAh"},
		{Kind: "level", Value: "15", Unit: "gal"},
		{Kind: "assay", Subject: "pH", Value: "-0.3", Unit: "pH"},
		{Kind: "assay", Subject: "temperature", Value: "-4", Unit: "degC"},
		{Kind: "assay", Subject: "density", Value: "1.18", Unit: "g/cm3"},
		{Kind: "assay", Subject: "copper", Value: "0", Unit: "oz/gal"},
		{Kind: "assay", Subject: "chloride", Value: "1.7", Unit: "mmol/L"},
		{Kind: "panel", Subject: "brightener", More: `{"pattern":"low"}`},
		{Kind: "panel", Subject: "brightener", Value: "4", Unit: "mL/L"},
		{Kind: "weigh", Subject: "b", Value: "0", Unit: "g"},
		{Kind: "bail", Value: "1.5", Unit: "fl oz"},
		{Kind: "treat", Subject: "carbon"},
		{Kind: "treat", Subject: "peroxide", Value: "30", Unit: "mL"},
		{Kind: "treat", Subject: "dummy", Value: "4", Unit: "Ah"},
		{Kind: "change", Subject: "bags"},
		{Kind: "change", Subject: "filter"},
		{Kind: "add", Subject: "brightener", Value: "12", Unit: "mL", U: "0.3"},
		{Kind: "add", Subject: "salt", Value: "2", Unit: "oz"},
		{Kind: "pull", Subject: "all"},
		{Kind: "pull", Subject: "b", Value: "0.990", Unit: "kg"},
		{Kind: "note", Note: "a word", ID: void},
		{Kind: "void", Subject: void.String(), Note: "the wrong word"},
	} {
		kinds[r.Kind] = true
		r.Time = noon
		if r.ID == uuid.Nil {
			r.ID = uuid.New()
		}
		if r.Bath = "b"; chem.Kind(r.Kind).OfShop() {
			r.Bath = ""
		}
		_, err := journal.Decode(r)
		require.NoError(t, err, "%s", r.Line())
		_, err = s.Append(ctx, []journal.Row{r})
		require.NoError(t, err, "%s", r.Line())
	}
	for _, k := range chem.Kinds() {
		require.True(t, kinds[string(k)], "%s", k)
	}
}

// Every unit of every dimension that the codec takes has its place in the
// table's checks: one that is added to chem alone is found here.
func TestEveryUnitIsTaken(t *testing.T) {
	conn := sqlAs(t, newDatabase(t), "anna")
	for _, tc := range []struct {
		function string
		dims     []chem.Dimension
	}{
		{"is_volume", []chem.Dimension{chem.DimVolume}},
		{"is_mass", []chem.Dimension{chem.DimMass}},
		{"is_charge", []chem.Dimension{chem.DimCharge}},
		{"is_concentration", []chem.Dimension{chem.DimMassConc, chem.DimVolConc, chem.DimMolarity}},
	} {
		for _, dim := range tc.dims {
			// UnitsOf names at most six, as many as any one dimension has here.
			for _, unit := range strings.Split(chem.UnitsOf(dim), ", ") {
				var ok bool
				require.NoError(t, conn.QueryRow(ctx, "select steadybath."+tc.function+"($1)", unit).Scan(&ok))
				require.True(t, ok, "%s %s", tc.function, unit)
			}
		}
		var wrong bool
		require.NoError(t, conn.QueryRow(ctx, "select steadybath."+tc.function+"('A')").Scan(&wrong))
		require.False(t, wrong)
	}
}

// Facts stay, whoever tries: by privilege for writers and readers, by trigger
// for the owner and the superuser, also where triggers are said to be off.
func TestFactsAreAppendOnly(t *testing.T) {
	database := newDatabase(t)
	s := open(t, database, "anna")
	row := bathRow("b")
	mustAppend(t, s, row, noteRow("b", "x"))
	before := allRows(t, s)
	conflict := `insert into steadybath.facts (bath, time, kind, note, id) values ('b', now(), 'note', 'x', '` + row.ID.String() + `') on conflict (bath, id) do update set note = 'changed'`
	for _, user := range []string{"anna", "rita", "otto", "owner", admin, "replica", "child"} {
		for name, sql := range map[string]string{
			"delete":                   "delete from steadybath.facts",
			"delete of nothing":        "delete from steadybath.facts where false",
			"update":                   "update steadybath.facts set note = 'changed'",
			"update of nothing":        "update steadybath.facts set note = 'changed' where false",
			"truncate":                 "truncate steadybath.facts",
			"truncate cascade":         "truncate steadybath.facts cascade",
			"truncate with the schema": "truncate steadybath.schema_version, steadybath.facts",
			"on conflict do update":    conflict,
			"merge":                    "merge into steadybath.facts f using (values (1)) v(x) on f.number = v.x when matched then delete",
			"through a parent":         "delete from parent",
		} {
			t.Run(user+" "+name, func(t *testing.T) {
				login := user
				if user == "owner" || user == "replica" || user == "child" {
					login = admin
				}
				conn := sqlAs(t, database, login)
				tx, err := conn.Begin(ctx)
				require.NoError(t, err)
				want := "23001"
				switch user {
				case "anna", "rita", "otto":
					want = "42501"
				case "owner":
					_, err = tx.Exec(ctx, "set local role steadybath_owner")
				case "replica":
					_, err = tx.Exec(ctx, "set local session_replication_role = replica")
				}
				require.NoError(t, err)
				switch {
				case name == "through a parent" && user != "child", name != "through a parent" && user == "child":
					return
				case user == "child":
					// A table that facts inherit from is another way to the rows.
					_, err = tx.Exec(ctx, "create table parent (bath text collate \"C\" not null); alter table steadybath.facts inherit parent")
					require.NoError(t, err)
				}
				_, err = tx.Exec(ctx, sql)
				require.Equal(t, want, sqlState(err), "%v", err)
				if want == "23001" {
					require.EqualError(t, explain("try", err), sentences["facts_append_only"])
				}
				require.NoError(t, tx.Rollback(ctx))
			})
		}
	}
	require.Equal(t, before, allRows(t, s))
}

// A reader and a stranger enter nothing, and the sentence says what it takes.
func TestReadersDoNotWrite(t *testing.T) {
	database := newDatabase(t)
	mustAppend(t, open(t, database, "anna"), bathRow("b"))
	reader := open(t, database, "rita")
	_, err := reader.Append(ctx, []journal.Row{noteRow("b", "x")})
	var refusal *Error
	require.ErrorAs(t, err, &refusal)
	require.Contains(t, refusal.Hint(), "steadybath_writer")
	require.Len(t, allRows(t, reader), 1)

	_, err = Open(ctx, Options{URL: dsn(database, "otto")})
	require.ErrorAs(t, err, &refusal)
	require.EqualError(t, err, "this database user may not look at the records")
	require.Contains(t, refusal.Hint(), "grant steadybath_writer")
}

// Whatever a writer says about number, entered, by and hash is overwritten;
// the owner's word is taken where the chain bears it out.
func TestOnlyTheOwnerEntersVerbatim(t *testing.T) {
	database := newDatabase(t)
	s := open(t, database, "anna")
	mustAppend(t, s, bathRow("b"))
	const forged = `insert into steadybath.facts (bath, number, time, kind, note, entered, by, hash) values ('b', 77, now(), 'note', 'x', '2020-01-01', 'ben', repeat('0', 64))`
	for _, user := range []string{"anna", admin} {
		_, err := sqlAs(t, database, user).Exec(ctx, forged)
		require.NoError(t, err)
	}
	rows := allRows(t, s)
	checkChain(t, rows)
	require.Equal(t, []string{"anna", "anna", admin}, []string{rows[0].By, rows[1].By, rows[2].By})
	require.WithinDuration(t, time.Now(), rows[1].Entered, time.Minute)

	conn := sqlAs(t, database, admin)
	_, err := conn.Exec(ctx, "set role steadybath_owner")
	require.NoError(t, err)
	const verbatim = `insert into steadybath.facts (bath, time, kind, note, id, entered, by, hash) values ($1, $2, 'note', $3, $4, $5, $6, $7)`
	last := rows[2]
	next := noteRow("b", "taken over")
	next.By, next.Entered = "grace", last.Entered.Add(time.Millisecond)
	next.Hash = next.Chain(last.Hash)
	refused := map[string]func(r *journal.Row){
		"wrong hash":      func(r *journal.Row) { r.Hash = strings.Repeat("0", 64) },
		"other text":      func(r *journal.Row) { r.Note = "changed" },
		"other person":    func(r *journal.Row) { r.By = "ben" },
		"begins anew":     func(r *journal.Row) { r.Hash = r.Chain("") },
		"skips one":       func(r *journal.Row) { r.Hash = r.Chain(rows[1].Hash) },
		"before the last": func(r *journal.Row) { r.Entered = last.Entered; r.Hash = r.Chain(last.Hash) },
		"in the future": func(r *journal.Row) {
			r.Entered = time.Now().UTC().Truncate(time.Second).Add(time.Hour)
			r.Hash = r.Chain(last.Hash)
		},
		"upper-case digits": func(r *journal.Row) { r.Hash = strings.ToUpper(r.Hash) },
	}
	for name, change := range refused {
		t.Run(name, func(t *testing.T) {
			r := next
			change(&r)
			_, err := conn.Exec(ctx, verbatim, r.Bath, r.Time, r.Note, [16]byte(r.ID), r.Entered, r.By, r.Hash)
			var pg *pgconn.PgError
			require.ErrorAs(t, err, &pg)
			require.Equal(t, "facts_chain", pg.ConstraintName)
			require.EqualError(t, explain("try", err), sentences["facts_chain"])
		})
	}
	_, err = conn.Exec(ctx, verbatim, next.Bath, next.Time, next.Note, [16]byte(next.ID), next.Entered, next.By, next.Hash)
	require.NoError(t, err)
	rows = allRows(t, s)
	checkChain(t, rows)
	require.Equal(t, "grace", rows[3].By)

	// Taking over is the owner's to allow: a writer may not call it.
	_, err = sqlAs(t, database, "anna").Exec(ctx, "select steadybath.take_over('{}')")
	require.Equal(t, "42501", sqlState(err))
}

// A writer who puts operators and functions of the same names in front of the
// database's own changes nothing.
func TestSearchPathDoesNotForge(t *testing.T) {
	database := newDatabase(t)
	s := open(t, database, "anna")
	mustAppend(t, s, bathRow("b"))
	conn := sqlAs(t, database, admin)
	_, err := conn.Exec(ctx, `create schema evil; grant usage on schema evil to public;
		create function evil.forge(text, text) returns text language sql immutable as 'select ''forged''';
		create operator evil.|| (leftarg = text, rightarg = text, function = evil.forge);
		create function evil.clock_timestamp() returns timestamptz language sql as 'select ''1999-01-01''::timestamptz';
		create function evil.sha256(bytea) returns bytea language sql as 'select ''\x00''::bytea';
		grant execute on all functions in schema evil to public`)
	require.NoError(t, err)
	writer := sqlAs(t, database, "anna")
	_, err = writer.Exec(ctx, `set search_path = evil, pg_catalog; set standard_conforming_strings = off; set datestyle = 'SQL, DMY'; set timezone = 'Pacific/Chatham'`)
	require.NoError(t, err)
	_, err = writer.Exec(ctx, `insert into steadybath.facts (bath, time, kind, note) values ('b', now(), 'note', E'a\\b\n"c",d')`)
	require.NoError(t, err)
	rows := allRows(t, s)
	require.Len(t, rows, 2)
	checkChain(t, rows)
	require.WithinDuration(t, time.Now(), rows[1].Entered, time.Minute)
}

// Under a snapshot older than the lock the number is taken already; the
// database refuses, and the sentence says to try again.
func TestStaleSnapshotIsRefused(t *testing.T) {
	database := newDatabase(t)
	s := open(t, database, "anna")
	mustAppend(t, s, bathRow("b"))
	conn := sqlAs(t, database, "ben")
	_, err := conn.Exec(ctx, "begin isolation level repeatable read; select count(*) from steadybath.facts")
	require.NoError(t, err)
	mustAppend(t, s, noteRow("b", "in between"))
	_, err = conn.Exec(ctx, "insert into steadybath.facts (bath, time, kind, note) values ('b', now(), 'note', 'x')")
	require.EqualError(t, explain("try", err), sentences["facts_pkey"])
}

// The clock of the database may be set back; entries still go forward. The
// past cannot be faked here, so the last entry is put into the future by the
// only one who can switch the trigger off.
func TestEnteredGoesForwardWhenTheClockGoesBack(t *testing.T) {
	database := newDatabase(t)
	s := open(t, database, "anna")
	mustAppend(t, s, bathRow("b"))
	future := time.Now().UTC().Truncate(time.Microsecond).Add(time.Hour)
	_, err := sqlAs(t, database, admin).Exec(ctx, `alter table steadybath.facts disable trigger user;
		update steadybath.facts set entered = '`+future.Format(time.RFC3339Nano)+`';
		alter table steadybath.facts enable always trigger facts_enter;
		alter table steadybath.facts enable always trigger facts_refuse;
		alter table steadybath.facts enable always trigger facts_refuse_row`)
	require.NoError(t, err)
	entries := mustAppend(t, s, noteRow("b", "1"), noteRow("b", "2"))
	require.Equal(t, future.Add(time.Microsecond), entries[0].Entered)
	require.Equal(t, future.Add(2*time.Microsecond), entries[1].Entered)
	// And what the superuser did shows: the first hash no longer fits.
	rows := allRows(t, s)
	require.NotEqual(t, rows[0].Hash, rows[0].Chain(""))
}

func TestTextThatCannotBeStored(t *testing.T) {
	s := open(t, newDatabase(t), "anna")
	mustAppend(t, s, bathRow("b"))
	for name, change := range map[string]func(*journal.Row){
		"note is not valid UTF-8":      func(r *journal.Row) { r.Note = "\xff" },
		"subject holds a NUL":          func(r *journal.Row) { r.Subject = "a\x00b" },
		"value holds \"1e3\"":          func(r *journal.Row) { r.Value = "1e3" },
		"value holds \"NaN\"":          func(r *journal.Row) { r.Value = "NaN" },
		"u holds \"01\"":               func(r *journal.Row) { r.U = "01" },
		"time is missing":              func(r *journal.Row) { r.Time = time.Time{} },
		"one JSON object":              func(r *journal.Row) { r.More = "[1]" },
		"JSON object without line":     func(r *journal.Row) { r.More = "{\"a\":\n1}" },
		"more must be one JSON object": func(r *journal.Row) { r.More = `{"a":1} x` },
		"needs an id":                  func(r *journal.Row) { r.ID = uuid.Nil },
		"database cannot keep":         func(r *journal.Row) { r.More = `{"a":"\u0000"}` },
	} {
		r := plateRow("b", "1")
		change(&r)
		_, err := s.Append(ctx, []journal.Row{r})
		require.ErrorContains(t, err, name)
		var row *RowError
		require.True(t, errors.As(err, &row))
	}
	require.Len(t, allRows(t, s), 1)
}
