// Package estimate says what is in a bath: the amounts, the volume and the rates
// that move them, each with its uncertainty, from the facts that were written
// down. It is an extended Kalman filter over the conservation laws of a plating
// bath.
//
// It must not read clocks or files, and it never changes a fact. Where a
// reading cannot be believed it is held, not dropped in silence: see [Reading].
//
// Start with [Open] (a bath from its facts) and [Bath.At] (what is in it then).
// model.go has the equations, observe.go what a reading says (panel.go a Hull-cell
// panel, hydrometer.go a density, peroxide.go thiosulfate after peroxide), run.go
// the order in which facts are taken and what happens to readings that nobody can
// believe, answer.go what is reported.
package estimate
