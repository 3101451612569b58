package report

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"strings"

	"gapward/analysis"
	"gapward/gateway/store"
)

// WriteLedgerCSV writes entries as a table with a heading. A figure that an
// entry doesn't have is empty.
func WriteLedgerCSV(to io.Writer, rows []store.LedgerRow) error {
	stands := map[int64]bool{}
	for _, e := range analysis.Standing(store.Entries(rows)) {
		stands[e.ID] = true
	}
	w := csv.NewWriter(to)
	write := func(cells ...string) { _ = w.Write(cells) } // Error tells below
	write("id", "time", "entered", "brake", "kind", "steps", "gap_mm", "gap_u_mm", "still_mm", "running_mm", "repeats", "thickness_mm", "who", "note", "corrects", "stands",
		"u_a_mm", "u_b_mm", "gaps_read_mm", "still_read_mm", "running_read_mm", "no_load", "with_load")
	figure := func(v float64) string {
		if n := number(v); n != nil {
			return strconv.FormatFloat(*n, 'f', -1, 64)
		}
		return ""
	}
	count := func(n int64) string {
		if n == 0 {
			return ""
		}
		return strconv.FormatInt(n, 10)
	}
	several := func(list []float64) string {
		texts := make([]string, len(list))
		for i, v := range list {
			texts[i] = figure(v)
		}
		return strings.Join(texts, " ")
	}
	for _, r := range rows {
		write(count(r.ID), rfcNano(r.AtNS), rfcNano(r.EnteredNS), cell(r.Brake), string(r.Kind), count(int64(r.Steps)), figure(r.GapMM), figure(r.GapUMM),
			figure(r.StillMM), figure(r.RunningMM), count(int64(r.Repeats)), figure(r.ThicknessMM), cell(r.Who), cell(r.Note), count(r.Corrects), strconv.FormatBool(stands[r.ID]),
			figure(r.UAMM), figure(r.UBMM), several(r.Read.GapsMM), several(r.Read.StillMM), several(r.Read.RunningMM), string(r.NoLoad), string(r.WithLoad))
	}
	w.Flush()
	return w.Error()
}

// WriteLedgerJSON writes entries as JSON, in the shape of the page's interface.
func WriteLedgerJSON(to io.Writer, rows []store.LedgerRow) error {
	e := json.NewEncoder(to)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	if err := e.Encode(struct {
		Entries []EntryBody `json:"entries"`
	}{Bodies(rows)}); err != nil {
		return fmt.Errorf("writing the ledger as JSON: %w", err)
	}
	return nil
}

// cell is text that a spreadsheet doesn't take for a formula. A number stays one,
// below zero too.
func cell(text string) string {
	if text == "" || !strings.ContainsRune("=+-@\t", rune(text[0])) {
		return text
	}
	if _, err := strconv.ParseFloat(text, 64); err == nil {
		return text
	}
	return "'" + text
}
