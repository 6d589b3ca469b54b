// Package report turns finished results into what a person reads: text on a
// screen, figures, one HTML page and a PDF. What a statistician would check is
// computed elsewhere; here are only sums of readings, changes of unit, and the
// planning of the next trial, which it asks of package stats. It never looks
// into the record.
//
// The report is built once as content (Document, by Build) and written twice
// (WriteHTML, WritePDF), so that page and print cannot differ.
package report
