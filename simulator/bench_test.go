package simulator

import (
	"testing"
	"time"

	"gapward/sensors"
)

func BenchmarkStream(b *testing.B) {
	from := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)
	brakes := []BrakeSpec{wiredBrake(0, "quay-2/main"), wiredBrake(1, "quay-2/creep")}
	brakes[1].Part = CreepDrive
	s, err := NewStream(brakes, from, from.AddDate(20, 0, 0), 1)
	if err != nil {
		b.Fatal(err)
	}
	buf := make([]sensors.Sample, 4096)
	b.ReportAllocs()
	samples := 0
	for b.Loop() {
		samples += s.Next(buf)
	}
	b.ReportMetric(float64(samples)/b.Elapsed().Seconds()/1e6, "Msamples/s")
}
