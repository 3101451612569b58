package report

import (
	"errors"
	"fmt"
	"math"
	"time"

	"gapward/analysis"
	"gapward/gateway/figures"
	"gapward/gateway/store"
)

// EntryBody is an entry of the ledger as JSON, on its way in and out. Figures
// that an entry doesn't have are absent.
type EntryBody struct {
	ID          int64          `json:"id,omitempty"`   // given by the gateway
	Site        string         `json:"site,omitempty"` // on its way in: must be the gateway's, where it is there
	Brake       string         `json:"brake"`
	Kind        string         `json:"kind"`
	Time        string         `json:"time,omitempty"`    // when it was done; on its way in absent for now
	Entered     string         `json:"entered,omitempty"` // given by the gateway
	Steps       int            `json:"steps,omitempty"`
	GapMM       *float64       `json:"gap_mm,omitempty"`
	GapUMM      *float64       `json:"gap_u_mm,omitempty"`
	TypeAMM     *float64       `json:"u_a_mm,omitempty"` // of gap_u_mm, given by the gateway: from the repeats …
	TypeBMM     *float64       `json:"u_b_mm,omitempty"` // … and from the gauge
	StillMM     *float64       `json:"still_mm,omitempty"`
	RunningMM   *float64       `json:"running_mm,omitempty"`
	Repeats     int            `json:"repeats,omitempty"`
	ThicknessMM *float64       `json:"thickness_mm,omitempty"`
	NoLoad      analysis.Trial `json:"no_load,omitempty"`
	WithLoad    analysis.Trial `json:"with_load,omitempty"`
	Who         string         `json:"who"`
	Note        string         `json:"note,omitempty"`
	Corrects    int64          `json:"corrects,omitempty"`
	Stands      *bool          `json:"stands,omitempty"` // on its way out: no later entry takes its place
	Sure        bool           `json:"sure,omitempty"`   // on its way in: it is meant, though it looks wrong

	// Readings are what was read by hand. On its way in they stand in place of
	// the figures of a reading: the gateway works these out.
	Readings *ReadingsBody `json:"readings,omitempty"`
}

// ReadingsBody are the readings of one visit: gaps, or depths with the motor
// still and running.
type ReadingsBody struct {
	GapsMM          []float64 `json:"gaps_mm,omitempty"`
	StillMM         []float64 `json:"still_mm,omitempty"`
	RunningMM       []float64 `json:"running_mm,omitempty"`
	ResolutionMM    float64   `json:"resolution_mm,omitempty"`
	InstrumentUMM   float64   `json:"u_mm,omitempty"`
	RepeatabilityMM float64   `json:"sd_mm,omitempty"` // standard deviation of one reading, by experience
}

// BodyOf is an entry on its way out, still without saying whether it stands.
func BodyOf(r store.LedgerRow) EntryBody {
	b := EntryBody{ID: r.ID, Brake: r.Brake, Kind: string(r.Kind), Time: rfcNano(r.AtNS), Entered: rfcNano(r.EnteredNS), Steps: r.Steps,
		GapMM: number(r.GapMM), GapUMM: number(r.GapUMM), TypeAMM: number(r.UAMM), TypeBMM: number(r.UBMM),
		StillMM: number(r.StillMM), RunningMM: number(r.RunningMM), Repeats: r.Repeats,
		ThicknessMM: number(r.ThicknessMM), NoLoad: r.NoLoad, WithLoad: r.WithLoad, Who: r.Who, Note: r.Note, Corrects: r.Corrects}
	if h := r.Read; len(h.GapsMM)+len(h.StillMM)+len(h.RunningMM) > 0 {
		b.Readings = &ReadingsBody{h.GapsMM, h.StillMM, h.RunningMM, h.ResolutionMM, h.InstrumentUMM, h.RepeatabilitySD}
	}
	return b
}

// Bodies are entries on their way out, each with whether it stands.
func Bodies(rows []store.LedgerRow) []EntryBody {
	stands := map[int64]bool{}
	for _, e := range analysis.Standing(store.Entries(rows)) {
		stands[e.ID] = true
	}
	bodies := make([]EntryBody, len(rows))
	for i, row := range rows {
		bodies[i] = BodyOf(row)
		stand := stands[row.ID]
		bodies[i].Stands = &stand
	}
	return bodies
}

// number is a figure to the nanometre (or microsecond, or what else a millionth
// is), nil where there is none: JSON has no NaN.
func number(v float64) *float64 {
	if !figures.Finite(v) {
		return nil
	}
	v = math.Round(v*1e6) / 1e6
	return &v
}

func rfcNano(ns int64) string { return time.Unix(0, ns).UTC().Format(time.RFC3339Nano) }

// Row is the entry that the body tells of, entered at now. It has been checked
// but for what only the store can tell. Its errors say what is wrong in words
// for who enters it.
func (b EntryBody) Row(now time.Time) (store.LedgerRow, error) {
	e := analysis.NewEntry(analysis.EntryKind(b.Kind), now.UnixNano(), b.Who)
	e.EnteredNS, e.Note, e.Corrects, e.Steps, e.Repeats = now.UnixNano(), b.Note, b.Corrects, b.Steps, b.Repeats
	e.NoLoad, e.WithLoad = b.NoLoad, b.WithLoad
	if b.ID != 0 || b.Entered != "" || b.Stands != nil || b.TypeAMM != nil || b.TypeBMM != nil {
		return store.LedgerRow{}, errors.New("id, entered, stands, u_a_mm and u_b_mm are given by the gateway: leave them out")
	}
	if b.Time != "" {
		t, err := time.Parse(time.RFC3339Nano, b.Time)
		if err != nil || t.Year() < 1970 || t.Year() > 2261 {
			return store.LedgerRow{}, fmt.Errorf("time is %q; write it as in 2026-05-04T10:00:00Z", b.Time)
		}
		e.AtNS = t.UnixNano()
	}
	for _, f := range []struct {
		from *float64
		to   *float64
	}{{b.GapMM, &e.GapMM}, {b.GapUMM, &e.GapUMM}, {b.StillMM, &e.StillMM}, {b.RunningMM, &e.RunningMM}, {b.ThicknessMM, &e.ThicknessMM}} {
		if f.from != nil {
			*f.to = *f.from
		}
	}
	if b.Readings != nil {
		if b.Kind != string(analysis.Reading) || b.GapMM != nil || b.GapUMM != nil || b.StillMM != nil || b.RunningMM != nil || b.Repeats != 0 {
			return store.LedgerRow{}, errors.New("readings belong to an entry of kind reading, in place of its other figures")
		}
		h := analysis.HandReading{GapsMM: b.Readings.GapsMM, StillMM: b.Readings.StillMM, RunningMM: b.Readings.RunningMM,
			ResolutionMM: b.Readings.ResolutionMM, InstrumentUMM: b.Readings.InstrumentUMM, RepeatabilitySD: b.Readings.RepeatabilityMM}
		var err error
		if e, err = e.WithReading(h); err != nil {
			return store.LedgerRow{}, err
		}
	}
	if err := e.Check(now.UnixNano()); err != nil {
		return store.LedgerRow{}, err
	}
	return store.LedgerRow{Brake: b.Brake, Entry: e}, nil
}
