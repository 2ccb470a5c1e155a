package entry

import (
	"testing"

	"github.com/stretchr/testify/require"

	"steadybath/chem"
	"steadybath/chem/estimate"
)

// A slip in what the burette delivered is named as such: the person looks at
// the burette, not at a concentration. 0.1 mol/L EDTA on 2 mL: 3.1773 g/L copper
// per mL by stoichiometry.
func TestSlipsOfTheBurette(t *testing.T) {
	for _, tc := range []struct {
		name      string
		delivered []chem.Decimal
		want      string
	}{
		{"point moved", []chem.Decimal{"157.3"}, "15.73 mL"},
		{"neighbours swapped", []chem.Decimal{"51.73"}, "15.73 mL"},
		{"in one of two", []chem.Decimal{"15.70", "157.3"}, "15.73 mL"},
		{"nothing explains it", []chem.Decimal{"33.90"}, ""},
	} {
		t.Run(tc.name, func(t *testing.T) {
			const perML = 3.1773
			sum := 0.0
			for _, d := range tc.delivered {
				sum += d.Float()
			}
			value := perML * sum / float64(len(tc.delivered))
			c := checker{f: chem.Fact{Body: chem.Assay{Of: "copper", Value: chem.MeasuredOf(value, "g/L", 0.2),
				Titration: &chem.Titration{Delivered: tc.delivered}}}}
			x := estimate.Constituent{Constituent: chem.Constituent{Name: "copper", Unit: "g/L"}, Value: 50, U: 0.2}
			require.Equal(t, tc.want, c.slip(x, chem.MeasuredOf(value, "g/L", 0.2)))
		})
	}
}
