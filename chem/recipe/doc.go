// Package recipe reads recipe files, which are TOML, into [chem.Recipe], and
// ships the recipes the tool comes with.
//
// It must not open files, remember anything between calls, or judge a bath: it
// says only whether a recipe makes sense in itself. What a recipe leaves out
// gets a default, each stated in defaults.go.
//
// Start with [Parse]; [Check] is the same judgement without lines, [Apply]
// changes one figure of a recipe, [Shipped] lists what comes with the tool.
// sections.go is the one list of all keys: reading, checking and changing
// follow it.
package recipe
