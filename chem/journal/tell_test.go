package journal

import (
	"errors"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
)

func week() []Row {
	at := time.Date(2026, 1, 5, 18, 0, 0, 0, time.UTC)
	row := func(n int, kind, subject, value, unit, u, note, more string) Row {
		return Row{Time: at.AddDate(0, 0, n), Bath: "tank-1", Kind: kind, Subject: subject, Value: value, Unit: unit, U: u, Note: note, More: more, ID: uuid.UUID{15: byte(n + 1)}}
	}
	rows := chained([]Row{
		row(0, "level", "", "58.0", "L", "0.3", "", ""),
		row(1, "assay", "copper", "51.8", "g/L", "0.4", "second burette", `{"delivered":[16.35,16.40]}`),
		row(2, "plate", "", "22.5", "Ah", "", "", ""),
		row(3, "add", "brightener", "12", "mL", "", "", ""),
		row(4, "note", "", "", "", "", "all in order", ""),
	})
	return rows
}

// What was changed is said, and what it was: nobody but the hash knows that.
func TestTell(t *testing.T) {
	for name, c := range map[string]struct {
		number int
		change func(*Row)
		column string
		why    string
	}{
		"a digit":            {3, func(r *Row) { r.Value = "22.6" }, "value", `its value is "22.6", and was "22.5" when it was entered`},
		"another number":     {3, func(r *Row) { r.Value = "140" }, "value", `was "22.5"`},
		"a number taken out": {2, func(r *Row) { r.U = "" }, "u", `its u is empty, and was "0.4"`},
		"the point":          {3, func(r *Row) { r.Value = "2.25" }, "value", `was "22.5"`},
		"the material":       {4, func(r *Row) { r.Subject = "copper" }, "subject", `was "brightener"`},
		"the unit":           {4, func(r *Row) { r.Unit = "L" }, "unit", `was "mL"`},
		"the kind":           {4, func(r *Row) { r.Kind = "bail" }, "kind", `was "add"`},
		"the person":         {4, func(r *Row) { r.By = "carl" }, "by", `its by is "carl", and was "anna"`},
		"a word of the note": {2, func(r *Row) { r.Note = "second burettes" }, "note", `was "second burette"`},
		"the day":            {3, func(r *Row) { r.Time = r.Time.AddDate(0, 0, -40) }, "time", `was "2026-01-07T18:00:00Z"`},
		"what was delivered": {2, func(r *Row) { r.More = `{"delivered":[16.35,16.80]}` }, "more", `16.40`},
		"the last of them":   {5, func(r *Row) { r.Note = "all in orders" }, "note", `was "all in order"`},
		"the hash":           {3, func(r *Row) { r.Hash = r.Hash[1:] + "0" }, "hash", "its hash was changed"},
		"more than is told":  {3, func(r *Row) { r.Value, r.Note = "30", "a whole sentence" }, "", "its own text was changed, in a way that cannot be told"},
	} {
		t.Run(name, func(t *testing.T) {
			rows := week()
			c.change(&rows[c.number-1])
			_, _, err := Verify("", seq(rows))
			var broken *BrokenError
			require.True(t, errors.As(err, &broken))
			require.EqualValues(t, c.number, broken.Number)
			seen := &Seen{}
			// The brightener and its unit stand elsewhere in the chain.
			seen.Add(Row{Subject: "brightener", Unit: "mL", By: "anna"})
			for _, r := range rows[:c.number-1] {
				seen.Add(r)
			}
			var next *Row
			if c.number < len(rows) {
				next = &rows[c.number]
			}
			broken.Tell(seen, next)
			require.Equal(t, c.column, broken.Column)
			require.Contains(t, broken.Why, c.why)
		})
	}
}

func TestTellSaysNothingElse(t *testing.T) {
	rows := week()
	for i := range rows { // numbers closed up over a gap
		rows[i].Number = 0
	}
	rows = append(rows[:2], rows[3:]...)
	_, _, err := Verify("", seq(rows))
	var broken *BrokenError
	require.ErrorAs(t, err, &broken)
	why := broken.Why
	broken.row.Note = "so long that no guess comes to it" // shortens the search
	broken.Tell(&Seen{}, nil)
	require.Empty(t, broken.Column)
	require.Equal(t, why, broken.Why)
	(&BrokenError{}).Tell(&Seen{}, nil)
}
