// Package cluster finds, makes, starts and reuses the private PostgreSQL in
// which the tool keeps its records when no other database is named.
//
// A private cluster is an ordinary PostgreSQL data folder under the data
// folder of the person who runs the tool. It listens on a Unix socket only,
// in a folder that nobody else can enter, and lets in exactly two roles, both
// by the operating system's own word for who is calling (peer authentication
// with a map): steadybath_owner, and the role named after that person. The
// programs come from the machine's PostgreSQL packages.
//
// The package must not know the schema (package db migrates), must never
// delete a data folder, must never open a data folder of another major
// version, and must never trade durability for speed: fsync, full page writes
// and synchronous commit stay on.
//
// Start reading at Ensure; place.go decides where the folder lies, start.go
// how a server is started over whatever an earlier one left behind.
package cluster
