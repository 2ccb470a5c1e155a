// Package chem is what a plating bath is: quantities as people write them, the
// facts of a bath's life, recipes, the chemistry that ties charge, amounts and
// titrations together, and the published constants behind it.
//
// It is pure: no input or output, no clock, no database, no mutable globals.
// Time and randomness come in as arguments. Everything else in the project may
// import it; it imports nothing of the project.
//
// Start with [Fact] (what can be written down about a bath), then [Measured]
// (a number as it was written down) and [Recipe] (what a bath ought to be).
// The packages below it: journal turns facts into rows and back, recipe reads
// recipe files, filter and linprog are numbers without chemistry, estimate
// says what is in a bath, dose says what to add.
package chem
