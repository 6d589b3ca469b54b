// Package report turns finished results into what a person reads: text on a
// screen, figures, one HTML page and a PDF. It computes nothing that a
// statistician would check and never looks into the record.
package report
