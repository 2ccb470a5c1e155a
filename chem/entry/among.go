package entry

import (
	"fmt"
	"time"

	"steadybath/chem"
	"steadybath/chem/estimate"
)

// CheckIn judges fact f as [Check] does, in a bath that is already estimated for
// its moment from the facts before it.
func CheckIn(e *estimate.Estimate, f chem.Fact, now time.Time) ([]Doubt, error) {
	if f.Time.After(now.Add(time.Minute)) {
		return nil, fmt.Errorf("%s lies in the future; facts are what has happened", f.Time.Format(time.RFC3339))
	}
	c := checker{e: e, r: e.Recipe, f: f}
	if err := c.check(); err != nil {
		return nil, err
	}
	return c.doubts, nil
}
