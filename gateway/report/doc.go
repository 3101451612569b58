// Package report makes the inspection record of a site's brakes over a span of
// time: as HTML that prints on A4, as CSV and as JSON. It reads what the page
// reads, by the same queries, and writes it in the same words.
package report
