// Package store keeps what gapward found, in SQLite. What one step of the
// pipeline caused is one [Batch], committed in one transaction before anybody
// hears of it; exporters, notifiers and the page read from here.
package store

import (
	"gapward/alerts"
	"gapward/analysis"
)

// Batch is what one step of the pipeline caused.
type Batch struct {
	Cycles    []CycleRow
	Verdicts  []VerdictRow
	Forecasts []ForecastRow
	Alarms    []AlarmRow
	Waveforms []WaveformRow
	Ledger    []LedgerRow
	Learned   []LearnedRow
	Checks    []WorkCheckRow
	Offers    []OfferRow
}

// Empty reports whether there is nothing to commit.
func (b *Batch) Empty() bool {
	return len(b.Cycles)+len(b.Verdicts)+len(b.Forecasts)+len(b.Alarms)+len(b.Waveforms)+len(b.Ledger)+len(b.Learned)+len(b.Checks)+len(b.Offers) == 0
}

// Reset empties the batch and keeps its memory.
func (b *Batch) Reset() {
	b.Cycles, b.Verdicts, b.Forecasts = b.Cycles[:0], b.Verdicts[:0], b.Forecasts[:0]
	b.Alarms, b.Waveforms, b.Ledger = b.Alarms[:0], b.Waveforms[:0], b.Ledger[:0]
	b.Learned, b.Checks, b.Offers = b.Learned[:0], b.Checks[:0], b.Offers[:0]
}

// CycleRow is a stored cycle. Its ID is given by [DB.Commit]: ids rise by one
// without holes and are the keys of delivery.
type CycleRow struct {
	ID    int64
	Brake string
	analysis.Cycle
}

// VerdictRow is the latest verdict on a brake: one row a brake, replaced. Its
// Rev rises with every verdict stored, whatever its brake, so that a reader can
// ask which have changed.
type VerdictRow struct {
	Rev   int64
	Brake string
	analysis.Verdict
}

// ForecastRow is a stored forecast.
type ForecastRow struct {
	ID    int64
	Brake string
	analysis.Forecast
}

// AlarmRow is a stored change of an alarm.
type AlarmRow struct {
	ID int64
	alerts.Event
}

// WaveformRow is the travel of the latest cycle of a brake, or of one that
// raised an alarm.
type WaveformRow struct {
	Brake string
	analysis.Waveform
}

// LedgerRow is an entry of the ledger. Its ID and AfterCycle are given by
// [DB.Commit].
type LedgerRow struct {
	Brake string
	analysis.Entry
	AfterCycle int64 // highest id of a cycle when it was stored; below 0: not noted
}

// WorkCheckRow is how the work of an entry of the ledger turned out: one row an
// entry, replaced while it is being looked at.
type WorkCheckRow struct {
	Brake string
	analysis.WorkCheck
}

// OfferRow is a step of a brake's gap that looks like an adjustment nobody
// entered: one row a brake, replaced, and taken away by one of no steps.
type OfferRow struct {
	Brake string
	analysis.Offered
}
