package gateway

import (
	"context"
	"log/slog"
	"testing"
	"time"

	"gapward/analysis"
	"gapward/gateway/store"
	"gapward/sensors"
	"gapward/simulator"
)

// benchSamples are an hour's samples of some brakes in steady use, travel,
// drive and switch polled every 20 ms, and the settings that they go with.
func benchSamples(b testing.TB, brakes int) ([]sensors.Sample, []analysis.Settings) {
	b.Helper()
	wiring := sensors.Wiring{Raw: []float64{0, 4095}, MM: []float64{0, 10}, Poll: 20 * time.Millisecond}
	var specs []simulator.BrakeSpec
	var settings []analysis.Settings
	for i := range brakes {
		name := string(rune('a' + i))
		s := simulator.BrakeSpec{Index: int32(i), Name: name, Hoist: name, Params: simulator.DefaultParams(2), Duty: simulator.ContinuousDuty()}
		s.Wire(sensors.Travel, wiring)
		s.Wire(sensors.Drive, sensors.Wiring{Poll: wiring.Poll})
		s.Wire(sensors.Released, sensors.Wiring{Poll: wiring.Poll})
		specs = append(specs, s)
		polled := analysis.SignalSettings{Present: true, Poll: wiring.Poll, StaleAfter: 5 * time.Second}
		travel := polled
		travel.ResolutionMM = wiring.ResolutionMM()
		settings = append(settings, analysis.Settings{Name: name, Travel: travel, Drive: polled, Released: polled,
			Limits: analysis.Limits{MinMM: 1.2, TargetMM: 1.6, AdjustMM: 2.8, MaxMM: 3.4}})
	}
	from := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	stream, err := simulator.NewStream(specs, from, from.Add(time.Hour/time.Duration(brakes)), 1)
	if err != nil {
		b.Fatal(err)
	}
	var all []sensors.Sample
	buf := make([]sensors.Sample, 4096)
	for n := stream.Next(buf); n > 0; n = stream.Next(buf) {
		all = append(all, buf[:n]...)
	}
	return all, settings
}

// loop feeds the samples over and over, as time going on.
type loop struct {
	samples []sensors.Sample
	at      int
	shiftNS int64
	spanNS  int64
}

func newLoop(samples []sensors.Sample) *loop {
	return &loop{samples: samples, spanNS: samples[len(samples)-1].AtNS - samples[0].AtNS + 20e6}
}

func (l *loop) next(buf []sensors.Sample) {
	for i := range buf {
		buf[i] = l.samples[l.at]
		buf[i].AtNS += l.shiftNS
		if l.at++; l.at == len(l.samples) {
			l.at, l.shiftNS = 0, l.shiftNS+l.spanNS
		}
	}
}

// BenchmarkPipelineStep is the cost of a sample through the synchronous step.
func BenchmarkPipelineStep(b *testing.B) {
	samples, settings := benchSamples(b, 4)
	p, l := NewPipeline(settings, false), newLoop(samples)
	var batch store.Batch
	one := make([]sensors.Sample, 1)
	b.ReportAllocs()
	for b.Loop() {
		l.next(one)
		p.Step(one, &batch)
		batch.Reset()
	}
}

// BenchmarkEndToEnd is the cost of a sample from its arrival out of a source,
// through the order of time, the pipeline and a durable commit of whatever it
// causes, waveforms included, at the pace of one commit a second of brake time.
// Run it with -cpu 1.
func BenchmarkEndToEnd(b *testing.B) {
	samples, settings := benchSamples(b, 16)
	ctx := context.Background()
	db, err := store.Open(ctx, b.TempDir(), slog.New(slog.DiscardHandler))
	if err != nil {
		b.Fatal(err)
	}
	defer db.Close()
	own := &owner{upkeep: upkeep{keep: store.KeepByDefault()}, pipeline: NewPipeline(settings, true), order: newOrder(20*time.Millisecond, 1), db: db,
		watch: newWatch(nil, time.Now()), log: slog.New(slog.DiscardHandler), committed: func(*store.Batch) {}, signals: func(*Pipeline) {}}
	l := newLoop(samples)
	const perTurn = 16 * 3 * 50 // a second of sixteen brakes
	cycles := 0
	own.committed = func(batch *store.Batch) { cycles += len(batch.Cycles) }
	b.ReportAllocs()
	b.ResetTimer()
	n := 0
	for n < b.N {
		in := make([]sensors.Sample, perTurn)
		l.next(in)
		atNS := in[perTurn-1].AtNS
		passed := time.Duration(atNS - l.samples[0].AtNS)
		own.order.add(arrival{0, in}, passed)
		own.turn(ctx, moment{atNS, passed})
		n += perTurn
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "samples/s")
	b.ReportMetric(float64(cycles), "cycles")
}
