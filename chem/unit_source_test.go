package chem

import (
	"encoding/csv"
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// readUnits reads a table of testdata/units, which GNU Units 2.22 made; see
// make.py there.
func readUnits(t *testing.T, name string, head ...string) [][]string {
	file, err := os.Open("../testdata/units/" + name)
	require.NoError(t, err)
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	require.NoError(t, err)
	require.NotEmpty(t, rows)
	require.Equal(t, head, rows[0])
	return rows[1:]
}

// Every factor but those of a plain number, of pH and of degrees is held
// against a units program of others: GNU Units 2.22, definitions 3.15.
func TestFactorsAgainstGNUUnits(t *testing.T) {
	seen := map[Unit]bool{"": true, "%": true, "pH": true, "degC": true, "degF": true}
	for _, row := range readUnits(t, "factors.csv", "unit", "base", "factor") {
		unit, base := Unit(row[0]), Unit(row[1])
		want, err := strconv.ParseFloat(row[2], 64)
		require.NoError(t, err)
		got, err := unit.Convert(1, base)
		require.NoError(t, err)
		assert.InEpsilon(t, want, got, 1e-14, "1 %s in %s", unit, base)
		back, err := base.Convert(want, unit)
		require.NoError(t, err)
		assert.InEpsilon(t, 1, back, 1e-14, "%v %s in %s", want, base, unit)
		assert.False(t, seen[unit], "%s stands twice", unit)
		seen[unit] = true
	}
	for _, info := range units {
		assert.True(t, seen[info.unit], "%s is not in testdata/units: add it to make.py", info.unit)
	}
	for _, row := range readUnits(t, "temperatures.csv", "degF", "degC") {
		f, err := strconv.ParseFloat(row[0], 64)
		require.NoError(t, err)
		c, err := strconv.ParseFloat(row[1], 64)
		require.NoError(t, err)
		got, err := Unit("degF").Convert(f, "degC")
		require.NoError(t, err)
		assert.InDelta(t, c, got, 1e-12)
		got, err = Unit("degC").Convert(c, "degF")
		require.NoError(t, err)
		assert.InDelta(t, f, got, 1e-12)
	}
}

// Pairs that the trade prints, each with as many digits as it prints.
func TestConversionsThatTheTradePrints(t *testing.T) {
	for _, c := range []struct {
		value    float64
		from, to Unit
		want     float64
		within   float64 // half of the last digit printed
		source   string
	}{
		{20, "A/ft2", "A/dm2", 2.2, 0.05, "Metal Finishing Guide Book 2013, acid copper, page scan 284; read in excerpt"},
		{100, "A/ft2", "A/dm2", 10.8, 0.05, "the same"},
		{40, "oz/gal", "g/L", 300, 0.5, "plateworld.com, editorial 3, Watts nickel: 40/8/6 oz/gal = 300/60/45 g/L; read in excerpt"},
		{8, "oz/gal", "g/L", 60, 0.5, "the same"},
		{6, "oz/gal", "g/L", 45, 0.5, "the same"},
		{9.8, "g/L", "oz/gal", 1.31, 0.005, "organotin.org, acid tin bath: 5 mL of bath, mL of 1 N base x 9.8 g/L or x 1.31 oz/gal; read in excerpt"},
		{1, "oz/gal", "g/L", 7.489, 0.0005, "common practice, no source"},
		{1, "A/dm2", "A/ft2", 9.290, 0.0005, "common practice, no source"},
	} {
		got, err := c.from.Convert(c.value, c.to)
		require.NoError(t, err)
		assert.InDelta(t, c.want, got, c.within, "%v %s: %s", c.value, c.from, c.source)
	}
	// thinktink.com, Hull cell: what went into the 267 mL cell times 156 for a bath
	// of 11 gal, times 312 for one of 22; read in excerpt.
	for gallons, times := range map[float64]float64{11: 156, 22: 312} {
		ml, err := Unit("gal").Convert(gallons, "mL")
		require.NoError(t, err)
		assert.InDelta(t, times, ml/267, 0.5)
	}
}
