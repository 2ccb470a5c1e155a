package entry

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
)

// Stock is counted lot by lot and in all: in all an addition counts with or without
// its lot, from the first entry on; what has expired, and what is taken from that,
// does not. The sums are done by hand beside each figure.
func TestStockOf(t *testing.T) {
	day := func(n int) time.Time { return time.Date(2027, 3, n, 12, 0, 0, 0, time.UTC) }
	m := func(n chem.Decimal, unit chem.Unit) chem.Measured { return chem.Measured{Number: n, Unit: unit} }
	came := func(n int, material string, amount chem.Measured, lot, expires string, price chem.Decimal) chem.Fact {
		return chem.Fact{Time: day(n), Body: chem.Stock{Material: material, Amount: amount, Lot: lot, Expires: expires, Price: price}}
	}
	went := func(n int, material string, amount chem.Measured, lot string) chem.Fact {
		return chem.Fact{Time: day(n), Body: chem.Add{Material: material, Amount: amount, Lot: lot}}
	}
	shop := []chem.Fact{
		came(2, "rag", m("3", "kg"), "", "", ""),
		came(3, "salt", m("5", "kg"), "K4", "", "7.40"),
		came(4, "Salt", m("500", "g"), "k4", "", "0.008"), // 8 a kg
		came(4, "salt", m("2", "kg"), "K3", "2027-03-05", ""),
		came(5, "brightener", m("500", "mL"), "", "", ""),
		came(20, "salt", m("9", "kg"), "K9", "", ""), // not yet
	}
	baths := []chem.Fact{
		went(2, "salt", m("100", "g"), "K4"), // before any was entered
		went(4, "salt", m("700", "g"), "k4"),
		went(6, "salt", m("300", "g"), ""),
		went(6, "salt", m("50", "g"), "K3"), // of the lot that has expired
		went(6, "salt", m("40", "g"), "K7"), // of a lot that nobody entered
		went(6, "salt", m("1", "Ah"), "K4"), // cannot be counted
		{Time: day(7), Body: chem.Fill{Volume: m("60", "L"), Weighed: map[string]chem.Weighed{"Salt": {Amount: m("1.5", "kg"), Lot: "k4"}, "acid": {Amount: m("1", "L")}}}},
		{Time: day(2), Body: chem.Fill{Volume: m("60", "L"), Weighed: map[string]chem.Weighed{"salt": {Amount: m("2", "kg")}}}},
		went(6, "brightener", m("600", "mL"), ""),
		went(20, "salt", m("1", "kg"), "K4"), // not yet
	}
	got := StockOf(shop, baths, []chem.Material{{Name: "brightener", Unit: "mL"}, {Name: "salt", Unit: "kg"}}, day(10))
	require.Len(t, got, 3)

	bright, salt, rag := got[0], got[1], got[2]
	assert.Equal(t, "brightener", bright.Material)
	assert.Zero(t, bright.Left, "500 - 600 mL")
	assert.Zero(t, bright.Price)
	assert.Zero(t, bright.Lots[0].Left())

	assert.Equal(t, chem.Unit("kg"), salt.Unit)
	assert.InDelta(t, 5+0.5-0.7-0.3-0.04-1.5, salt.Left, 1e-12)
	assert.InDelta(t, 8, salt.Price, 1e-12)
	assert.Equal(t, []string{"K3"}, salt.Expired)
	require.Len(t, salt.Lots, 2)
	assert.Equal(t, "K4", salt.Lots[0].Lot)
	assert.InDelta(t, 5.5, salt.Lots[0].Came, 1e-12)
	assert.InDelta(t, 0.1+0.7+1.5, salt.Lots[0].Went, 1e-12)
	assert.Equal(t, 1, salt.Lots[0].Uncounted)
	assert.True(t, salt.Lots[1].Expired)
	assert.InDelta(t, 2-0.05, salt.Lots[1].Left(), 1e-12)

	assert.Equal(t, Stock{Material: "rag", Unit: "kg", Left: 3, Lots: []StockLot{{Material: "rag", Unit: "kg", Came: 3}}}, rag)
}
