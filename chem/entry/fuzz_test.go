package entry_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/entry"
	"steadybath/chem/estimate"
	"steadybath/chem/recipe"
)

// The date on a bottle, as 2027-03 or 2027-03-02 or anything that a journal
// carried: it is good on its last day and past it the day after, and what is no
// date is never past.
func FuzzBottleDate(f *testing.F) {
	for _, s := range []string{"2027-03", "2027-03-02", "2027-02", "2028-02", "2027-13", "03/2027", "", "9999-12", "0000-00", "2027-03-02T00:00:00Z"} {
		f.Add(s, int64(1803945600))
	}
	vienna, err := time.LoadLocation("Europe/Vienna")
	require.NoError(f, err)
	f.Fuzz(func(t *testing.T, s string, unix int64) {
		last := entry.LastDay(s)
		require.Equal(t, last, entry.LastDay(last), "a day is its own last day")
		day, err := time.ParseInLocation(time.DateOnly, last, vienna)
		if err != nil {
			require.Equal(t, s, last)
			return
		}
		require.True(t, strings.HasPrefix(last, s))
		if day.Year() < 1900 || day.Year() > 9000 {
			return
		}
		require.False(t, entry.PastUse(s, day.Add(20*time.Hour)))
		require.True(t, entry.PastUse(s, day.AddDate(0, 0, 1).Add(2*time.Hour)))
		if at := time.Unix(unix, 0).In(vienna); at.Year() > 1900 && at.Year() < 9000 {
			require.Equal(t, at.Format(time.DateOnly) > last, entry.PastUse(s, at))
		}
	})
}

// A fact of a bath, whatever it says and whenever: it is refused, asked about or
// taken, in sentences that name no number that is none, and judging it twice says
// the same.
func FuzzCheck(f *testing.F) {
	f.Add("51.8", "0.4", byte(0), int64(3600), byte(0))
	f.Add("5180", "", byte(1), int64(0), byte(1))
	f.Add("0", "0", byte(2), int64(-1), byte(2))
	f.Add("999999999999999999999999", "1e-20", byte(3), int64(1<<40), byte(3))
	f.Add("1e-23", "", byte(4), int64(-1<<36), byte(4))
	f.Add("-40", "", byte(5), int64(86400), byte(5))
	text, ok := recipe.ShippedText("copper-electroforming")
	require.True(f, ok)
	began := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	fact := func(n byte, at time.Time, body chem.Body) chem.Fact {
		return chem.Fact{Number: int64(n), ID: uuid.UUID{6: 0x70, 8: 0x80, 15: n}, Time: at, Bath: "tank-1", Body: body}
	}
	bath, err := estimate.Open([]chem.Fact{
		fact(1, began, chem.Begin{Recipe: string(text), Zone: "UTC", Volume: chem.MeasuredOf(60, "L", 0)}),
		fact(2, began, chem.Fill{Volume: chem.MeasuredOf(58, "L", 0), Composition: map[string]chem.Measured{"copper": chem.MeasuredOf(50, "g/L", 0.3)}}),
		fact(3, began.Add(time.Hour), chem.Hang{Anode: "slab-a", Mass: chem.MeasuredOf(1.25, "kg", 0), Form: "slab"}),
		fact(4, began.Add(time.Hour), chem.Meter{Supply: "main", Reading: chem.MeasuredOf(100, "Ah", 0)}),
	})
	require.NoError(f, err)
	f.Fuzz(func(t *testing.T, number, u string, which byte, seconds int64, unit byte) {
		d, err := chem.ParseDecimal(number)
		if err != nil {
			return
		}
		m := func(units ...chem.Unit) chem.Measured {
			q := chem.Measured{Number: d, Unit: units[int(unit)%len(units)]}
			if du, err := chem.ParseDecimal(u); err == nil && u != "" && du.Float() >= 0 {
				q.U = du
			}
			return q
		}
		bodies := []chem.Body{
			chem.Assay{Of: "copper", Value: m("g/L", "mg/L", "oz/gal")}, chem.Assay{Of: "brightener", Value: m("mL/L")}, chem.Assay{Of: "temperature", Value: m("degC", "degF")},
			chem.Assay{Of: "pH", Value: m("pH")}, chem.Assay{Of: "density", Value: m("g/cm3")}, chem.Level{Volume: m("L", "gal", "mL")}, chem.Plate{Charge: m("Ah", "kAh", "Amin"), Hours: d, Area: m("dm2")},
			chem.Add{Material: "brightener", Amount: m("mL", "L", "g")}, chem.Add{Material: "copper sulfate pentahydrate", Amount: m("g", "kg", "mL")}, chem.Bail{Volume: m("L")},
			chem.Fill{Volume: m("L")}, chem.Hang{Anode: "slab-a", Mass: m("kg", "g"), TopUp: unit%2 == 0}, chem.Weigh{Anode: "slab-a", Mass: m("kg", "g", "lb")}, chem.Pull{Anode: "slab-b", Mass: m("kg")},
			chem.Meter{Supply: "main", Reading: m("Ah", "kAh"), Reset: unit%2 == 0}, chem.Panel{Of: "brightener", Value: m("mL/L")}, chem.Treat{With: chem.TreatCarbon, Amount: m("g")},
			chem.Void{Target: uuid.UUID{6: 0x70, 8: 0x80, 15: unit}},
		}
		if seconds > 1<<33 || seconds < -1<<33 {
			seconds %= 1 << 33
		}
		now := began.Add(30 * 24 * time.Hour)
		at := began.Add(time.Duration(seconds) * time.Second)
		one := chem.Fact{Number: 5, ID: uuid.UUID{6: 0x70, 8: 0x80, 15: 5}, Time: at, Bath: "tank-1", Body: bodies[int(which)%len(bodies)]}
		if d.Float() < 0 && one.Kind() != chem.KindAssay {
			return // no journal takes it
		}
		doubts, err := entry.Check(bath, one, now)
		again, err2 := entry.Check(bath, one, now)
		require.Equal(t, doubts, again)
		require.Equal(t, err, err2)
		said := []string{}
		if err != nil {
			require.Empty(t, doubts)
			said = append(said, err.Error())
		}
		for _, d := range doubts {
			require.NotEmpty(t, d.Why)
			said = append(said, d.String(), d.Hint)
		}
		for _, text := range said {
			require.NotRegexp(t, `NaN|[+-]Inf|%!|\n`, text)
		}
		if at.After(now.Add(time.Hour)) {
			require.Error(t, err, "a fact of the future was taken")
		}
		require.False(t, math.IsNaN(d.Float()))
	})
}
