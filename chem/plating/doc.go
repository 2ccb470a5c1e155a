// Package plating reckons a plating run before it is run: from an area and two of
// current, time, thickness and mass the rest, what the supply, the anodes and the
// bath say to it, and what is impossible, with the number.
//
// It must not decide what is safe, and writes nothing down. Start with [Make]; the
// arithmetic alone, without a bath, is [Solve].
package plating
