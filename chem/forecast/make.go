package forecast

import "steadybath/chem/estimate"

// Make forecasts from the estimate e.
func Make(e *estimate.Estimate, o Options) (*Forecast, error) {
	return &Forecast{Bath: e.Bath.Name, At: e.At, Days: o.Days}, nil
}
