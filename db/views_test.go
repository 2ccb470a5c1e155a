package db

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/journal"
)

func viewRows(tb testing.TB, database, sql string) []string {
	tb.Helper()
	rows, err := sqlAs(tb, database, "rita").Query(ctx, sql)
	require.NoError(tb, err)
	defer rows.Close()
	out := []string{}
	for rows.Next() {
		values, err := rows.Values()
		require.NoError(tb, err)
		text := ""
		for _, v := range values {
			text += fmt.Sprintf("%v|", v)
		}
		out = append(out, text)
	}
	require.NoError(tb, rows.Err())
	return out
}

// Expected values by hand: 1 gal = 3.785411784 L and 1 oz = 28.349523125 g
// (exact, NIST Handbook 44, from memory), so 8 oz/gal = 226.796185 / 3.785411784 = 59.9132 g/L.
func TestViews(t *testing.T) {
	database := newDatabase(t)
	s := open(t, database, "anna")
	at := func(text string) time.Time {
		when, err := time.Parse(time.RFC3339, text)
		require.NoError(t, err)
		return when
	}
	row := func(kind, subject, value, unit, when string) journal.Row {
		return journal.Row{Bath: "b", Kind: kind, Subject: subject, Value: value, Unit: unit, Time: at(when), ID: uuid.New()}
	}
	bath := bathRow("b")
	bath.More = `{"zone":"America/New_York"}`
	nowhere := bathRow("c")
	nowhere.More = `{"zone":"Nowhere/Land"}`
	wrong := row("plate", "", "225", "Ah", "2026-03-01T10:00:00Z")
	void := row("void", wrong.ID.String(), "", "", "2026-03-01T11:00:00Z")
	void.Note = "22.5"
	reset := row("meter", "s", "3", "Ah", "2026-03-04T10:00:00Z")
	reset.More = `{"reset":true}`
	other := row("plate", "", "1", "Ah", "2026-03-01T23:30:00Z")
	other.Bath = "c"
	mustAppend(t, s, bath, nowhere, wrong, void, other,
		row("plate", "", "22.5", "Ah", "2026-03-02T04:59:00Z"), // 23:59 on the day before in New York
		row("plate", "", "60", "Amin", "2026-03-02T05:01:00Z"),
		row("meter", "s", "100", "Ah", "2026-03-01T12:00:00Z"),
		row("meter", "s", "0.11", "kAh", "2026-03-02T12:00:00Z"),
		row("meter", "s", "50", "Ah", "2026-03-03T12:00:00Z"), // went back: not counted
		reset,
		row("add", "brightener", "12", "mL", "2026-03-01T12:00:00Z"),
		row("add", "brightener", "0.5", "L", "2026-03-02T12:00:00Z"),
		row("add", "salt", "0.1", "kg", "2026-03-02T12:00:00Z"),
		row("assay", "copper", "8", "oz/gal", "2026-03-02T12:00:00Z"),
		row("assay", "temperature", "68", "degF", "2026-03-02T12:00:00Z"),
		row("assay", "pH", "4.20", "pH", "2026-03-02T13:00:00Z"),
	)
	require.Equal(t, []string{"b|2026-03-01|22.5|1|0|", "b|2026-03-02|1|1|10|", "b|2026-03-03|0|0|0|", "b|2026-03-04|0|0|3|", "c|2026-03-01|1|1|0|"},
		viewRows(t, database, "select bath, day::text, trim_scale(plated_ah)::text, runs, trim_scale(metered_ah)::text from steadybath.amp_hours_by_day"))
	require.Equal(t, []string{"b|brightener|2|<nil>|0.512|", "b|salt|1|100.0|<nil>|"},
		viewRows(t, database, "select bath, material, additions, amount_g::text, amount_l::text from steadybath.additions_by_material"))
	require.Equal(t, []string{"copper|59.9132|<nil>|<nil>|", "temperature|<nil>|20.0000|<nil>|", "pH|<nil>|<nil>|4.20|"},
		viewRows(t, database, "select measured, round(value_g_per_l, 4)::text, round(temperature_degc, 4)::text, ph::text from steadybath.assays"))
}

// The view and chem.VoidedBy settle voids of voids by different means.
func TestVoidsOfVoids(t *testing.T) {
	database := newDatabase(t)
	s := open(t, database, "anna")
	rows := []journal.Row{bathRow("a"), bathRow("b")}
	void := func(target journal.Row) journal.Row {
		r := noteRow(target.Bath, "why")
		r.Kind, r.Subject = "void", target.ID.String()
		return r
	}
	for _, bath := range []string{"a", "b"} {
		f1, f2, f3 := plateRow(bath, "1"), plateRow(bath, "2"), plateRow(bath, "3")
		v1 := void(f1) // voided below: f1 stands
		v2 := void(v1) // stands
		v3 := void(f2) // voided
		v4 := void(v3) // voided itself, so v3 stands again
		v5 := void(v4)
		v6 := void(f3)
		v7 := void(f3) // twice: the first says so
		rows = append(rows, f1, f2, f3, v1, v2, v3, v4, v5, v6, v7)
	}
	mustAppend(t, s, rows...)
	for _, bath := range []string{"a", "b"} {
		stored, err := s.Rows(ctx, bath, time.Time{})
		require.NoError(t, err)
		var facts []chem.Fact
		for _, r := range stored {
			f, err := journal.Decode(r)
			require.NoError(t, err)
			facts = append(facts, f)
		}
		want := map[string]string{}
		for id, by := range chem.VoidedBy(facts) {
			want[id.String()] = fmt.Sprint(by)
		}
		require.Len(t, want, 4) // f2, f3, v1, v4
		got := map[string]string{}
		found, err := sqlAs(t, database, "rita").Query(ctx, "select id::text, voided_by::text from steadybath.voided() where bath = $1", bath)
		require.NoError(t, err)
		for found.Next() {
			var id, by string
			require.NoError(t, found.Scan(&id, &by))
			got[id] = by
		}
		require.NoError(t, found.Err())
		require.Equal(t, want, got)
		require.Equal(t, []string{"1|"}, viewRows(t, database, "select value::text from steadybath.standing_facts where kind = 'plate' and bath = '"+bath+"'"))
	}
}
