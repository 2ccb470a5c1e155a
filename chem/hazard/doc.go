// Package hazard holds the usual cautions about what a bath is made of, fed with
// and titrated with: published hazard statements with their source, and what to
// do about them. It is a reminder and no authority: the safety data sheet of what
// was bought, local codes and licensed practice come first, and a caution that is
// missing here says nothing.
//
// Every caution stands on one line with its source; a source that begins with
// "memory" was not looked up. Begin with Of, which gathers what a recipe brings
// in. The package is pure, and the words stand here once: dose and the commands
// say them from here.
package hazard
