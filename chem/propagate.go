package chem

import (
	"fmt"
	"math"
)

// InputQuantity is one quantity a result is computed from, with its standard
// uncertainty in the same unit.
type InputQuantity struct {
	Name     string
	Value, U float64
}

// Contribution is how far one input's standard uncertainty moves the result, in
// the result's unit: the sensitivity coefficient times u, with its sign.
type Contribution struct {
	Name string
	U    float64
}

// Propagate computes f at the inputs and what each input's uncertainty
// contributes, by half the difference of f at x + u and at x − u: JCGM 100:2008
// (GUM) 5.1.3, note 2. The law of propagation is of first order: where f bends
// within ±u, terms of second order are left out. An uncertainty that is negative
// or a result that is not a finite number is an error.
func Propagate(f func(x []float64) float64, inputs []InputQuantity) (float64, []Contribution, error) {
	x := make([]float64, len(inputs))
	for i, in := range inputs {
		if !(in.U >= 0) || math.IsInf(in.U, 0) {
			return 0, nil, fmt.Errorf("the uncertainty of the %s is %v; it must be 0 or more", in.Name, in.U)
		}
		x[i] = in.Value
	}
	value := f(x)
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return 0, nil, fmt.Errorf("the result is %v; one of its inputs cannot be right", value)
	}
	out := make([]Contribution, len(inputs))
	for i, in := range inputs {
		x[i] = in.Value + in.U
		above := f(x)
		x[i] = in.Value - in.U
		below := f(x)
		x[i] = in.Value
		out[i] = Contribution{in.Name, (above - below) / 2}
		if math.IsNaN(out[i].U) || math.IsInf(out[i].U, 0) {
			return 0, nil, fmt.Errorf("the uncertainty of the %s is too large for the result to be finite", in.Name)
		}
	}
	return value, out, nil
}

// CombinedU is the combined standard uncertainty of independent contributions:
// the root of the sum of their squares, GUM 5.1.2.
func CombinedU(contributions []Contribution) float64 {
	var u float64
	for _, c := range contributions {
		u = math.Hypot(u, c.U)
	}
	return u
}

// Covariance is the covariance of two results of the same inputs, whose
// contributions a and b are in the same order, where correlation gives the
// correlation coefficient of inputs i and j: GUM 5.2.2 and H.2.3. With a for b
// it is the variance of a.
func Covariance(a, b []Contribution, correlation func(i, j int) float64) float64 {
	var sum float64
	for i := range a {
		for j := range b {
			sum += a[i].U * b[j].U * correlation(i, j)
		}
	}
	return sum
}
