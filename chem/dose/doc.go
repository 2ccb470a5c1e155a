// Package dose says what to add to a bath: a plan that keeps every constituent
// in its window with as little as possible, that can be weighed out, and that
// says why, in what order and with what care.
//
// It must not dose noise, pass an upper limit with more than a small chance, or
// plan for a bath it does not understand: then it says what to read first.
//
// Start with [Make]. decide.go says what is wanted, program.go is the linear
// program, practical.go makes its answer one that can be weighed out and checks
// it again, care.go writes the order of work and the cautions.
package dose
