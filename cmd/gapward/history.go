package main

import (
	"context"
	"fmt"
	"time"

	"gapward/configs"
	"gapward/gateway"
	"gapward/gateway/store"
	"gapward/sensors"
	"gapward/simulator"
)

const (
	historyDays = 90
	historySeed = 41
	liftsPerDay = 6
)

// story is how a brake of the demonstration has fared: where its gap was at the
// beginning, and where it is to be now.
type story struct {
	beganMM, nowMM float64
	adjustedOn     int     // day of an adjustment, 0 none
	adjustedMM     float64 // taken off then
}

var stories = map[string]story{
	"quay-2/main":     {beganMM: 2.12, nowMM: 2.785, adjustedOn: 41, adjustedMM: 0.5},
	"quay-2/creep":    {beganMM: 1.02, nowMM: 1.44},
	"gantry-1/hoist":  {beganMM: 0.46, nowMM: 0.66},
	"trolley-3/hoist": {beganMM: 0.86, nowMM: 0.71, adjustedOn: 63, adjustedMM: 0.375},
}

// adjustedAt is when the brake was adjusted in a history that began at from: at
// night, when the hoist rests.
func (s story) adjustedAt(from time.Time) time.Time {
	return from.Truncate(24 * time.Hour).Add(time.Duration(s.adjustedOn)*24*time.Hour + 3*time.Hour)
}

// brakeSpecs are the simulated brakes with their duty during the history. How
// fast each wears follows from its story and the number of stops.
func brakeSpecs(site *configs.Site, from, to time.Time) ([]simulator.BrakeSpec, error) {
	duty := simulator.DefaultDuty(liftsPerDay)
	duty.On[1] = 6 * time.Second
	duty.JogOn = [2]time.Duration{60 * time.Millisecond, 100 * time.Millisecond}
	specs := simulator.SpecsFor(site.Channels(), duty, historySeed, func(name string) float64 { return stories[name].beganMM })
	for i := range specs {
		b, s := &specs[i], stories[specs[i].Name]
		schedule, err := simulator.NewSchedule(duty, historySeed, b.Hoist, from)
		if err != nil {
			return nil, err
		}
		stops := 0
		for {
			lift := schedule.Next()
			drive := lift.Main
			if b.Part == simulator.CreepDrive {
				drive = lift.Creep
			}
			if lift.Span().OnNS >= to.UnixNano() {
				break
			}
			if drive.OffNS-drive.OnNS > int64(duty.JogOn[1]) { // a jog hardly frees the brake
				stops++
			}
		}
		b.Params.WearUM = 1e3 * (s.nowMM - s.beganMM + s.adjustedMM) / float64(max(stops, 1))
		b.Params.DriftMMPerHour = 0
		if b.Part == simulator.CreepDrive || site.Brakes[b.Index].Kind != "conical" {
			b.Params.ReleaseDelayS, b.Params.ReleaseTravelS = 0.05, 0.06
		}
	}
	return specs, nil
}

// makeHistory fills an empty data directory with months of cycles, by running
// the simulated brakes through the pipeline at speed. It leaves the brakes as
// the history left them.
func makeHistory(ctx context.Context, site *configs.Site, now time.Time, show *progress, io streams) (*simulator.Plant, error) {
	from := now.Add(-historyDays * 24 * time.Hour)
	specs, err := brakeSpecs(site, from, now)
	if err != nil {
		return nil, err
	}
	stream, err := simulator.NewStream(specs, from, now, historySeed)
	if err != nil {
		return nil, err
	}
	for name, s := range stories {
		if s.adjustedOn == 0 {
			continue
		}
		if err := stream.Apply(simulator.Event{At: s.adjustedAt(from), Brake: name, Fault: simulator.Adjusted, Amount: s.adjustedMM}); err != nil {
			return nil, err
		}
	}

	db, err := store.Open(ctx, site.Data, logger(io.err, false).With("component", "store"))
	if err != nil {
		return nil, err
	}
	defer db.Close()
	settings := site.AnalysisSettings()
	for i := range settings {
		// The generated history skips the idle hours: their silence is none.
		s := &settings[i]
		s.Travel.StaleAfter, s.Drive.StaleAfter, s.Released.StaleAfter, s.Temperature.StaleAfter = 0, 0, 0, 0
	}
	pipeline, err := gateway.NewSitePipeline(site, settings)
	if err != nil {
		return nil, err
	}
	entries := historyEntries(settings, from)
	var batch store.Batch
	buf := make([]sensors.Sample, 4096)
	for {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		n := stream.Next(buf)
		if n == 0 {
			break
		}
		for len(entries) > 0 && entries[0].EnteredNS <= buf[0].AtNS {
			if err := enter(ctx, db, pipeline, &batch, entries[0]); err != nil {
				return nil, err
			}
			entries = entries[1:]
		}
		pipeline.Step(buf[:n], &batch)
		if len(batch.Cycles) >= 500 {
			if err := save(ctx, db, pipeline, &batch); err != nil {
				return nil, err
			}
		}
		show.at(float64(buf[n-1].AtNS-from.UnixNano()) / float64(now.Sub(from)))
	}
	pipeline.Flush(&batch)
	pipeline.LearnedAll()
	if err := save(ctx, db, pipeline, &batch); err != nil {
		return nil, err
	}
	show.done()
	return stream.Plant(), nil
}

// enter stores an entry of the ledger at its place among the cycles, and has the
// pipeline take it in.
func enter(ctx context.Context, db *store.DB, pipeline *gateway.Pipeline, batch *store.Batch, row store.LedgerRow) error {
	if err := save(ctx, db, pipeline, batch); err != nil {
		return err
	}
	b := store.Batch{Ledger: []store.LedgerRow{row}}
	if err := db.Commit(ctx, &b); err != nil {
		return fmt.Errorf("storing the ledger of the history: %w", err)
	}
	rows, err := db.Ledger(ctx, row.Brake)
	if err != nil {
		return fmt.Errorf("reading the ledger of the history: %w", err)
	}
	pipeline.Entered(pipeline.Place(row.Brake), b.Ledger[0].Entry, store.Entries(rows), batch)
	return nil
}

func save(ctx context.Context, db *store.DB, pipeline *gateway.Pipeline, batch *store.Batch) error {
	batch.Learned = pipeline.Learned(batch.Learned[:0])
	if batch.Empty() {
		return nil
	}
	if err := db.Commit(ctx, batch); err != nil {
		return fmt.Errorf("storing the history: %w", err)
	}
	pipeline.Saved()
	batch.Reset()
	return nil
}

// goLive puts the brakes, as the history left them, into continuous use: they
// wear in minutes as they did in weeks, so that something is to be seen.
func goLive(plant *simulator.Plant, now time.Time) error {
	duty := simulator.ContinuousDuty()
	duty.On = [2]time.Duration{1500 * time.Millisecond, 3 * time.Second}
	duty.Idle = [2]time.Duration{2 * time.Second, 3 * time.Second}
	duty.CreepOn = [2]time.Duration{800 * time.Millisecond, 1500 * time.Millisecond}
	duty.JogShare, duty.JogOn = 0.1, [2]time.Duration{60 * time.Millisecond, 100 * time.Millisecond}
	return plant.SetDuty(duty, now)
}
