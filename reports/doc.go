// Package reports turns answers into what a person reads: plain text for a terminal, and the bath's page, one HTML file that
// is complete in itself.
//
// It takes plain structs of its own and writes to an io.Writer. It must not estimate, dose or decide anything, must not know
// the database or the command line, must not read a clock (the moment a report is made is an argument), and must never ask a
// network for anything.
//
// Start at Page and WritePage in page.go. From there: page_view.go makes of a Panel the one description of a picture (scales,
// thinned line, places, sentences), which page_option.go turns into the live chart and page_still.go into the still one;
// page_palette.go holds the colours, templates/ the words and the look around them.
package reports
