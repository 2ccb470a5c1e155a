// Package filter holds the linear algebra of a Kalman filter and smoother whose
// state may gain and lose components on the way.
//
// [State] is the forward filter: predict, correct with one scalar observation
// after another, grow, drop. [Track] is a State that remembers what happened to
// it, so that [Track.Smooth] can walk back. Transitions are dense or, cheaper,
// the identity plus a few entries ([NearIdentity]). For the extended filter the
// caller linearises: [State.PredictTo] takes the new mean beside the Jacobian,
// [State.UpdateScalar] takes the innovation.
//
// Corrections are in Joseph's form (R. S. Bucy and P. D. Joseph, Filtering for
// Stochastic Processes with Applications to Guidance, 1968), one observation at
// a time, which is exact as long as observation errors are independent (J.
// Durbin and S. J. Koopman, Time Series Analysis by State Space Methods, 2nd
// ed., 2012, section 6.4). The smoother is that of A. E. Bryson and M.
// Frazier ("Smoothing for linear and nonlinear dynamic systems", 1963, in the
// form that Bierman, 1973, gave it), which inverts no covariance and so does not
// mind singular ones (citations from memory; checked against another
// implementation's output, see the tests).
//
// The package knows numbers only: no chemistry, no units, no time, no input or
// output. It must not decide whether an observation is believable; the caller
// can look first with [State.InnovationVariance]. Methods panic, with the
// numbers in the text, when shapes do not match or a variance is negative or not
// a number: those are mistakes of the calling code, never of the data.
//
// Start reading at [State].
package filter
