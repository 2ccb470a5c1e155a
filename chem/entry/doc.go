// Package entry judges a fact before it is entered: what is impossible for this
// bath is refused, what is merely unlikely is asked about, with the slip that
// would explain it.
//
// It must not change a fact or decide for the person. Start with [Check].
package entry
