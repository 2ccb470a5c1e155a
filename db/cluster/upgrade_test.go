package cluster

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// records is a small history with what the real one has: an append-only table
// whose triggers would change a row that went through them again.
const records = `
create schema shop;
create role writer_group; create role reader_group; create role "Anna M" login; grant writer_group to "Anna M";
create table shop.facts (number bigserial primary key, value numeric, note text, entered timestamptz not null, big double precision,
	constraint value_is_finite check (value < 'infinity'));
create function shop.stamp() returns trigger language plpgsql as $$ begin new.entered := clock_timestamp(); return new; end $$;
create trigger stamp before insert on shop.facts for each row execute function shop.stamp();
create function shop.refuse() returns trigger language plpgsql as $$ begin raise 'append only'; end $$;
create trigger append_only before update or delete on shop.facts for each row execute function shop.refuse();
alter table shop.facts enable always trigger append_only;
create trigger never_emptied before truncate on shop.facts execute function shop.refuse();
alter table shop.facts enable always trigger never_emptied;
-- Made after the first and before it in the alphabet: dumped and made again, the
-- two change places.
create table shop.bottles (name text primary key, litres numeric check (litres > 0));
create trigger bottles_append_only before update or delete on shop.bottles for each row execute function shop.refuse();
insert into shop.bottles values ('acid', 2.50);
create view shop.notes as select number, note from shop.facts;
grant insert on shop.facts to writer_group; grant select on shop.notes to reader_group;
insert into shop.facts (value, note, big) select n / 7.0, 'Bad ' || n || E'\nmit "Umlaut" äöü, \\ and tab\t', n / 3.0::float8 from generate_series(1, 5000) n;
`

const digest = `select md5(string_agg(f::text, '|' order by number)) from shop.facts f`

// digestIfThere is asked in every database, and only one has the table.
const digestIfThere = `select $$` + digest + `$$ where to_regclass('shop.facts') is not null \gexec`

// Every pair of installed versions is tried; with one installed, a cluster is
// carried over into a new one of the same version, by the same steps.
func TestUpgrade(t *testing.T) {
	all, err := Config{}.withDefaults().installed(t.Context())
	require.NoError(t, err)
	var tried int
	for _, from := range all {
		for _, to := range all {
			if from.major > to.major || from.major < oldestMajor || len(from.missing("initdb")) > 0 || len(to.missing("initdb", "pg_dump", "pg_dumpall", "psql")) > 0 {
				continue
			}
			tried++
			t.Run(itoa(from.major)+" to "+itoa(to.major), func(t *testing.T) { upgrade(t, from, to) })
		}
	}
	assert.Positive(t, tried)
}

func upgrade(t *testing.T, from, to programs) {
	b := newBed(t, "home")
	b.env["STEADYBATH_PGBIN"] = from.bin
	s := b.ensure()
	require.Equal(t, from.major, s.Version)
	exec1(t, s, records)
	before := one[string](t, s, digest)

	p := b.place()
	p.Proof = "select current_setting('port')"
	_, err := p.rebuild(t.Context(), from, to)
	require.ErrorContains(t, err, "do not fit as they did")
	assert.Empty(t, leftovers(t, p))
	s = b.ensure()
	p = b.place()
	_, err = p.rebuild(t.Context(), from, programs{bin: t.TempDir(), major: to.major})
	require.ErrorIs(t, err, ErrNoPrograms)
	assert.Equal(t, s.PID, b.ensure().PID, "nothing was touched")

	b.env["STEADYBATH_PGBIN"] = to.bin + string(filepath.ListSeparator) + from.bin
	b.Proof = digestIfThere
	p = b.place()
	var done Upgraded
	if from.major < to.major {
		done, err = Upgrade(t.Context(), b.Config)
	} else {
		unlock, lockErr := lock(t.Context(), p.lockFile(), t.Logf)
		require.NoError(t, lockErr)
		done, err = p.rebuild(t.Context(), from, to)
		unlock()
	}
	require.NoError(t, err)
	assert.Equal(t, Upgraded{From: from.major, To: to.major, Kept: done.Kept, Rows: 5001}, done)

	s = b.ensure()
	assert.Equal(t, to.major, s.Version)
	assert.Equal(t, before, one[string](t, s, digest), "every row as it was")
	assert.Equal(t, 1, one[int](t, s, `select count(*) from pg_auth_members where roleid = 'writer_group'::regrole and member = '"Anna M"'::regrole`))
	assert.Equal(t, "A", one[string](t, s, `select tgenabled::text from pg_trigger where tgname = 'append_only'`))
	assert.Equal(t, "28000", sqlState(t, s, bootstrap))
	assert.Equal(t, Owner, one[string](t, s, `select session_user`))
	_, err = connect(t, s, Owner).Exec(t.Context(), `truncate shop.facts`)
	assert.ErrorContains(t, err, "append only")
	exec1(t, s, `insert into shop.facts (value) values (1)`)
	assert.Equal(t, 5001, one[int](t, s, `select number from shop.facts order by number desc limit 1`), "the sequence goes on")

	old := lookAt(done.Kept)
	assert.Equal(t, from.major, old.version, "the old folder is kept")
	assert.Empty(t, leftovers(t, p))

	again, err := Upgrade(t.Context(), b.Config)
	require.NoError(t, err)
	assert.Equal(t, Upgraded{From: to.major, To: to.major}, again)

	t.Run("broken off between the names", func(t *testing.T) {
		b.stop()
		kept := filepath.Base(done.Kept)
		ready := filepath.Join(p.base, "data-new")
		mark := []byte(kept + "\ndata-new\n")
		// After the mark, before the first name changed.
		require.NoError(t, os.Rename(p.data(), ready))
		require.NoError(t, os.Rename(done.Kept, p.data()))
		require.NoError(t, os.WriteFile(p.upgradeMark(), mark, 0o600))
		assert.Equal(t, 5001, one[int](t, b.ensure(), `select count(*) from shop.facts`))
		assert.DirExists(t, done.Kept)
		// Between the two.
		b.stop()
		require.NoError(t, os.Rename(p.data(), ready))
		require.NoError(t, os.WriteFile(p.upgradeMark(), mark, 0o600))
		assert.Equal(t, 5001, one[int](t, b.ensure(), `select count(*) from shop.facts`))
		// After both.
		b.stop()
		require.NoError(t, os.WriteFile(p.upgradeMark(), mark, 0o600))
		assert.Equal(t, 5001, one[int](t, b.ensure(), `select count(*) from shop.facts`))
		assert.NoFileExists(t, p.upgradeMark())
		assert.Empty(t, leftovers(t, p))
	})
	t.Run("broken off while the old server ran", func(t *testing.T) {
		b.stop()
		g, err := p.matching(t.Context(), to.major)
		require.NoError(t, err)
		require.NoError(t, p.launch(t.Context(), g, launch{data: p.data(), port: oldPort}))
		s := b.ensure()
		assert.True(t, s.Started)
		assert.Equal(t, 5001, one[int](t, s, `select count(*) from shop.facts`))
	})
	t.Run("folder lost", func(t *testing.T) {
		b.stop()
		require.NoError(t, os.Rename(p.data(), p.data()+"x"))
		_, err := Ensure(t.Context(), b.Config)
		require.ErrorContains(t, err, "no empty one is made beside it")
		require.NoError(t, os.Rename(p.data()+"x", p.data()))
	})
}

func leftovers(t testing.TB, p *place) []string {
	t.Helper()
	var left []string
	for _, pattern := range []string{making + "*", "data-new", "upgrade", "run/upgrade*", "run/.new*", ".new*"} {
		found, err := filepath.Glob(filepath.Join(globEscape(p.base), pattern))
		require.NoError(t, err)
		left = append(left, found...)
	}
	return left
}

func TestUpgradeOfNothing(t *testing.T) {
	b := newBed(t, "home")
	_, err := Upgrade(t.Context(), b.Config)
	require.ErrorContains(t, err, "no private database")
	assert.NoDirExists(t, b.Home)
}

func TestFailedUpgradeLeavesTheOldOne(t *testing.T) {
	b := newBed(t, "home")
	g := withClients(t)
	b.env["STEADYBATH_PGBIN"] = g.bin
	s := b.ensure()
	exec1(t, s, records)
	p := b.place()
	// A pg_dump that loses one row and ends well: only the comparison can notice.
	broken := t.TempDir()
	names, err := filepath.Glob(filepath.Join(filepath.Dir(g.path("x")), "*"))
	require.NoError(t, err)
	for _, name := range names {
		if base := filepath.Base(name); base != "pg_dump" {
			require.NoError(t, os.Symlink(name, filepath.Join(broken, base)))
		}
	}
	lossy := "#!/bin/sh\n'" + g.path("pg_dump") + "' \"$@\" | sed '/^4711\\t/d'\n"
	require.NoError(t, os.WriteFile(filepath.Join(broken, "pg_dump"), []byte(lossy), 0o755))
	for d := broken; filepath.Dir(d) != d && os.Chmod(d, 0o755) == nil && filepath.Dir(d) != os.TempDir(); d = filepath.Dir(d) {
	}
	_, err = p.rebuild(t.Context(), g, programs{bin: broken, major: g.major})
	require.ErrorContains(t, err, "differs after it was carried over")
	assert.Empty(t, leftovers(t, p))
	again := b.ensure()
	assert.Equal(t, 5000, one[int](t, again, `select count(*) from shop.facts`))
}
