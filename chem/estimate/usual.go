package estimate

import (
	"slices"

	"steadybath/chem"
)

// usualRuns is how many of the last runs a usual one is taken from: an assumption of
// this project.
const usualRuns = 20

// UsualRun returns the current, A, and the plated area, dm2, of the shop's last runs
// that state hours or an area, weighed by charge; 0 where none does.
func (e *Estimate) UsualRun() (amps, area float64) {
	ah, hours, plated, with, n := 0.0, 0.0, 0.0, 0.0, 0
	for _, f := range slices.Backward(e.Bath.Facts) {
		p, ok := f.Body.(chem.Plate)
		if !ok || f.Time.After(e.At) || !p.Charge.Given() {
			continue
		}
		if n++; n > usualRuns {
			break
		}
		q := p.Charge.Value("Ah")
		if h := p.Hours.Float(); h > 0 {
			ah, hours = ah+q, hours+h
		}
		if p.Area.Given() {
			plated, with = plated+q*p.Area.Value("dm2"), with+q
		}
	}
	if hours > 0 {
		amps = ah / hours
	}
	if with > 0 {
		area = plated / with
	}
	return amps, area
}
