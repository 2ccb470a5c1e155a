package entry

import (
	"math"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/estimate"
	"steadybath/chem/recipe"
)

// Readings with a bottle past its date are told of from the first one on, until
// one rests on another bottle or on a strength that was told. 1 % of 50 g/L are
// 0.5 g/L, which add in squares to the 0.3 g/L of each titration and the 0.1 g/L of
// the bottle (JCGM 100:2008, 5.1.2): 0.592 and 0.316 g/L.
func TestPastBottles(t *testing.T) {
	text, ok := recipe.ShippedText("copper-electroforming")
	require.True(t, ok)
	day := func(n int) time.Time { return time.Date(2027, 3, n, 12, 0, 0, 0, time.UTC) }
	bottle := chem.Titrant{Name: "EDTA", Molarity: chem.Measured{Number: "0.1", Unit: "mol/L"}, UFactor: "0.002", Lot: "E7", Expires: "2027-03-10"}
	shop := []chem.Fact{{Time: day(1), Body: bottle}}
	expiredU := chem.DecimalOf(math.Round(1e5*math.Hypot(0.002, 0.01)) / 1e5)
	read := func(n int, lot string, uFactor chem.Decimal, uLot float64) chem.Fact {
		return chem.Fact{ID: uuid.New(), Time: day(n), Bath: "b", Body: chem.Assay{Of: "copper", Value: chem.Measured{Number: "50", Unit: "g/L", U: "0.3"},
			ULot: chem.DecimalOf(uLot), Titration: &chem.Titration{Titrant: "EDTA", Lot: lot, Molarity: "0.1", Factor: "1", UFactor: uFactor}}}
	}
	flags := func(facts ...chem.Fact) []estimate.Flag {
		begin := chem.Fact{ID: uuid.New(), Time: day(1), Bath: "b", Number: 1, Body: chem.Begin{Volume: chem.Measured{Number: "60", Unit: "L"}, Zone: "UTC", Recipe: string(text)}}
		b, err := estimate.Open(append([]chem.Fact{begin}, facts...))
		require.NoError(t, err)
		e, err := b.At(day(20), estimate.Options{})
		require.NoError(t, err)
		return PastBottles(shop, e, time.UTC)
	}
	good, past := read(9, "E7", "0.002", 0.1), math.Sqrt(0.1*0.1+0.5*0.5)
	assert.Empty(t, flags(good))
	got := flags(good, read(12, "e7", expiredU, past), read(14, "E7", expiredU, past))
	require.Len(t, got, 1)
	assert.Equal(t, "copper", got[0].Subject)
	assert.Equal(t, day(12), got[0].Time)
	assert.Contains(t, got[0].Why, "since 2027-03-12 rest on lot E7 of EDTA, past its date of 2027-03-10: u is 0.59 g/L, not 0.32 g/L")
	assert.Empty(t, flags(good, read(12, "E7", expiredU, past), read(14, "E8", "0.002", 0.1)), "another bottle")
	assert.Empty(t, flags(good, read(12, "E7", "0.001", 0.05)), "a factor that was told")
	assert.Empty(t, flags(good, read(21, "E7", expiredU, past)), "not yet")
}
