package estimate

import (
	"math"
	"slices"
	"time"
)

// useWindow is how far back the shop's pattern of plating is looked at.
const useWindow = 60 * 24 * time.Hour

// AhPerDay returns how much charge the shop passes through the bath in a day,
// idle days counted, from the plating of the last sixty days, with the standard
// uncertainty of that mean; zero where nothing was plated.
func (e *Estimate) AhPerDay() (mean, u float64) {
	from := e.At.Add(-useWindow)
	if from.Before(e.Bath.Began) {
		from = e.Bath.Began
	}
	days := math.Max(7, e.At.Sub(from).Hours()/24)
	sum, squares := 0.0, 0.0
	for _, p := range slices.Backward(e.run.used) {
		if !p.at.After(from) {
			break
		}
		sum, squares = sum+p.ah, squares+p.ah*p.ah
	}
	// Runs come as they come: a compound Poisson count, whose variance is the
	// sum of the squares.
	return sum / days, math.Sqrt(squares) / days
}

// Ahead returns the joint mean and covariance of [Estimate.Joint] after the
// given days with ah ampere-hours of plating spread over them.
func (e *Estimate) Ahead(days, ah float64) (mean []float64, cov [][]float64) {
	r := e.run.clone()
	r.keep, r.replay = false, true
	const parts = 4
	for range parts {
		r.rest(days / parts)
		if ah > 0 {
			r.charge(ah/parts, r.noise.runAmmeter, 0, 0)
		}
	}
	later := &Estimate{run: r}
	return later.Joint()
}

// ChargeSince returns the ampere-hours that passed after t, as shown.
func (e *Estimate) ChargeSince(t time.Time) float64 {
	sum := 0.0
	for _, p := range slices.Backward(e.run.used) {
		if !p.at.After(t) {
			break
		}
		sum += p.ah
	}
	return sum
}
