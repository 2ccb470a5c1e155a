// Package simulate makes up the life of a plating bath whose truth is known:
// it integrates the physics in small steps, lets a shop of irregular habits
// use, titrate and feed the bath, and writes down what that shop would have
// written down, errors of reading, weighing and glassware included.
//
// It is the other side of package estimate and must stay independent of it: it
// imports chem and the standard library, shares no equation in code with any
// filter, and is imported by tests, benchmarks and the maker of the demo's
// journal only. It reads no clock; all chance comes from the seed given.
//
// Start with [Config] ([Hobby] fills one in, [Exact] one without any error),
// then [Make], [Run] and [Truth]. A [Policy] lets a closed loop decide what is
// added; [Fault] lists what can be made to go wrong.
package simulate
