package store

import (
	"fmt"
	"math"
	"os"
	"testing"
)

// BenchmarkCommit measures durable cycles a second.
func BenchmarkCommit(b *testing.B) {
	for _, size := range []int{1, 100} {
		b.Run(fmt.Sprintf("by%d", size), func(b *testing.B) {
			d := openAt(b, b.TempDir())
			var batch Batch
			i := 0
			for b.Loop() {
				batch.Reset()
				for range size {
					batch.Cycles = append(batch.Cycles, cycleAt(mainBrake, i))
					i++
				}
				commit(b, d, &batch)
			}
			b.ReportMetric(float64(i)/b.Elapsed().Seconds(), "cycles/s")
		})
	}
}

// stored fills a database with cycles of ten brakes, one a minute.
func stored(b *testing.B, cycles int) *DB {
	b.Helper()
	d := openAt(b, b.TempDir())
	var batch Batch
	for i := range cycles {
		c := cycleAt(fmt.Sprintf("quay-%d/main", i%10), i)
		c.TemperatureC = math.NaN() // optional, and seldom there
		if batch.Cycles = append(batch.Cycles, c); len(batch.Cycles) == 1000 || i == cycles-1 {
			commit(b, d, &batch)
			batch.Reset()
		}
	}
	if err := d.Checkpoint(b.Context()); err != nil {
		b.Fatal(err)
	}
	return d
}

// BenchmarkSize measures what a stored cycle takes on the card.
func BenchmarkSize(b *testing.B) {
	const cycles = 50_000
	for b.Loop() {
		d := stored(b, cycles)
		info, err := os.Stat(d.path)
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(info.Size())/cycles, "bytes/cycle")
	}
}

// BenchmarkRead measures the reads that the page and the start depend on, over
// 200,000 cycles of ten brakes.
func BenchmarkRead(b *testing.B) {
	d := stored(b, 200_000)
	ctx := b.Context()
	const brake = "quay-3/main"
	for _, c := range []struct {
		name string
		run  func() error
	}{
		{"Thinned500", func() error { _, err := d.Thinned(ctx, brake, 0, math.MaxInt64, 500); return err }},
		{"Counts", func() error { _, _, err := d.Counts(ctx, brake, startNS+3*dayNS/2); return err }},
		{"DailyCounts", func() error { _, err := d.DailyCounts(ctx, brake, 0, math.MaxInt64); return err }},
		{"Cycles100", func() error { _, err := d.Cycles(ctx, brake, 0, math.MaxInt64, 100); return err }},
		{"EachCycle", func() error {
			return d.EachCycle(ctx, map[string]int64{mainBrake: 0}, func(CycleRow) error { return nil })
		}},
		{"CyclesAfter500", func() error { _, err := d.CyclesAfter(ctx, 100_000, 500); return err }},
		{"QuickCheck", func() error { return quickCheck(ctx, d.read) }},
	} {
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				if err := c.run(); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
