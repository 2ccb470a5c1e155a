// Package db keeps the facts in PostgreSQL: it opens the private cluster or
// any server given by URL, brings the schema up to date, adds facts, imports
// journals and reads rows back in the order of their entry.
//
// It speaks rows ([journal.Row]), not facts: what a fact means is chem's. It
// must not change or delete a row, must not decide when or by whom a fact was
// entered (the database does, and chains the rows), and must never let a
// password into an error.
//
// Start with Open, then Append and Rows (facts.go), then Import; Backup and
// Restore copy everything, verbatim (backup.go, restore.go); errors.go turns what the server refuses into sentences.
package db
