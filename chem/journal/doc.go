// Package journal is the one codec between facts and rows: a bath's facts as
// RFC 4180 CSV, as rows of the database and as the text that the chain hashes.
// It works over readers and writers and opens nothing itself; it has no clock
// and computes no hash of the database's for it.
//
// Start with [Row] (the thirteen columns), then [Decode] and [Encode] (rows to
// facts and back), whose table of rules says how each kind uses the columns,
// then [Reader] and [Writer] (files). [DeriveID] names rows that came without
// an id, [Verify] walks a chain, and [ChainCheck] does so without this program.
package journal
