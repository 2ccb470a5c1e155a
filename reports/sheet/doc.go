// Package sheet reads and writes spreadsheets: the journal as .xlsx and as a CSV
// that a spreadsheet program can be let loose on, and a person's own sheet with
// a mapping from its columns to facts. It knows neither database nor clock and
// opens no file itself.
//
// Start with [Book] (cells as they stand, from .xlsx or CSV), then [Read] (a
// mapping and a book to facts, every bad cell named by its address), then
// [Writer] (facts to .xlsx) and [Book.Journal] (the way back).
package sheet
