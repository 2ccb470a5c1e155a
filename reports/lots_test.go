package reports

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/entry"
)

// The longest that a shop may write on its bottles still fits a terminal.
func TestListsOfLotsFit(t *testing.T) {
	long := strings.Repeat("long name ", 9)
	var b strings.Builder
	require.NoError(t, TitrantLots(&b, []entry.TitrantLot{
		{Name: "EDTA", Lot: "E7", Molarity: chem.MeasuredOf(0.1, "mol/L", 0)},
		{Name: long, Lot: long, Molarity: chem.MeasuredOf(100.123456, "mmol/L", 0), Factor: "1.002345", Opened: "2026-03-02", Expires: "2027-03-02", Expired: true,
			Titrations: 140, Delivered: 2345.6},
	}))
	require.NoError(t, StockLots(&b, []entry.StockLot{
		{Material: "copper sulfate pentahydrate", Lot: "K4", Unit: "kg", Came: 5, Went: 0.31},
		{Material: long, Lot: long, Unit: "kg", Came: 12.3456, Went: 1.23456, Uncounted: 1, Opened: "2026-03-02", Expires: "2027-03-02", Expired: true},
	}))
	lines := strings.Split(b.String(), "\n")
	assert.Len(t, lines, 9)
	for _, line := range lines {
		assert.LessOrEqual(t, len([]rune(line)), width, line)
	}
	assert.Contains(t, b.String(), "4.69 kg")
	assert.Contains(t, b.String(), "cannot be counted")
	assert.Contains(t, b.String(), "140 x, 2346 mL")
}
