package entry

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"steadybath/chem"
)

// The lengths of months are those of the Gregorian calendar.
func TestABottleIsGoodOnItsLastDay(t *testing.T) {
	vienna, err := time.LoadLocation("Europe/Vienna")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		expires, last string
		at            time.Time
		past          bool
	}{
		{"2028-02", "2028-02-29", time.Date(2028, 2, 29, 23, 59, 0, 0, vienna), false},
		{"2028-02", "2028-02-29", time.Date(2028, 3, 1, 0, 0, 0, 0, vienna), true},
		{"2027-02", "2027-02-28", time.Date(2027, 3, 1, 0, 0, 0, 0, time.UTC), true},
		{"2027-12", "2027-12-31", time.Date(2028, 1, 1, 0, 0, 0, 0, time.UTC), true},
		{"2027-03-02", "2027-03-02", time.Date(2027, 3, 2, 20, 0, 0, 0, time.UTC), false},
		// The same moment is the next day in Vienna.
		{"2027-03-02", "2027-03-02", time.Date(2027, 3, 2, 23, 30, 0, 0, time.UTC).In(vienna), true},
		{"see the label", "see the label", time.Date(2099, 1, 1, 0, 0, 0, 0, time.UTC), false},
		{"", "", time.Date(2099, 1, 1, 0, 0, 0, 0, time.UTC), false},
	} {
		assert.Equal(t, c.last, LastDay(c.expires))
		assert.Equal(t, c.past, expired(c.expires, c.at), "%s at %s", c.expires, c.at)
	}
}

// A lot counts in whatever unit it came in or went out: 5 kg of a salt less
// 4900 g leaves 100 g; what cannot be counted is not judged.
func TestALotIsUsedUpInAnyUnit(t *testing.T) {
	at := time.Date(2027, 3, 2, 12, 0, 0, 0, time.UTC)
	kg := func(n chem.Decimal) chem.Measured { return chem.Measured{Number: n, Unit: "kg"} }
	g := func(n chem.Decimal) chem.Measured { return chem.Measured{Number: n, Unit: "g"} }
	shop := []chem.Fact{{Time: at, Body: chem.Stock{Material: "salt", Amount: kg("5"), Lot: "K4"}}}
	salt := chem.Material{Name: "salt", Unit: "kg"}
	before := []chem.Add{{Material: "Salt", Amount: g("4900"), Lot: "k4"}, {Material: "salt", Amount: kg("3"), Lot: "K5"}}
	add := func(m chem.Measured) []Doubt {
		return CheckStock(shop, salt, before, chem.Add{Material: "salt", Amount: m, Lot: "K4"}, at)
	}
	assert.Empty(t, add(g("100")))
	if doubts := add(kg("1")); assert.Len(t, doubts, 1) {
		assert.Contains(t, doubts[0].Why, "5 kg came in, and 0.1 kg of it are left")
	}
	assert.Empty(t, add(chem.Measured{Number: "9", Unit: "L"}))
	assert.Empty(t, CheckStock(shop, salt, before, chem.Add{Material: "salt", Amount: kg("9")}, at))
}
