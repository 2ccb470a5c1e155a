// Package journal is the one codec between facts and rows: a bath's facts as
// RFC 4180 CSV, as rows of the database and as the text that the chain hashes.
// It works over readers and writers and opens nothing itself.
//
// Start with [Row] (the thirteen columns), then Decode and Encode (rows to
// facts and back), then Reader and Writer (files).
package journal
