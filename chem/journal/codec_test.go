package journal

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"steadybath/chem"
)

// A fact survives the row, and the row survives the fact, for every kind there
// is.
func TestEncodeDecodeLosesNothing(t *testing.T) {
	for _, kind := range chem.Kinds() {
		t.Run(string(kind), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				fact := drawFact(t, kind)
				row, err := Encode(fact)
				require.NoError(t, err)
				back, err := Decode(row)
				require.NoError(t, err)
				require.Equal(t, fact, back)
				again, err := Encode(back)
				require.NoError(t, err)
				require.Equal(t, row, again)
				if row.More != "" {
					// encoding/json is the outside reference for what JSON is.
					require.True(t, json.Valid([]byte(row.More)), row.More)
				}
			})
		})
	}
}
