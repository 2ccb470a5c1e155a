// Command steadybath keeps a plating bath right between titrations. This
// package wires: it turns words into facts and questions, asks the database and
// the chemistry, and prints what reports make of the answer. It must not hold
// chemistry, SQL or layout of its own.
//
// Start with run in run.go, then session.go (what a command has to work with),
// then any command: one file each.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
	_ "time/tzdata" // so that a bath's zone is known on a machine without zone files
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	os.Exit(run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr, os.Getenv))
}
