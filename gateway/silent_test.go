package gateway

import (
	"context"
	"testing"

	"gapward/gateway/export"
	"gapward/gateway/store"
	"gapward/sensors"
)

// listeningSink is an exporter that wants to know which brakes are silent.
type listeningSink struct{ silent map[string]bool }

func (listeningSink) Name() string                               { return "listening" }
func (listeningSink) Wants() export.Wants                        { return export.Wants{} }
func (listeningSink) Deliver(context.Context, export.Rows) error { return nil }
func (l listeningSink) SetSilent(brake string, silent bool)      { l.silent[brake] = silent }

// An exporter with devices of its own is told of a brake that falls silent, and
// that it is heard again.
func TestExportersAreToldOfSilence(t *testing.T) {
	l := newLife(t, 24)
	p, err := NewSitePipeline(l.site, l.site.AnalysisSettings())
	if err != nil {
		t.Fatal(err)
	}
	sink := listeningSink{map[string]bool{}}
	tell := signalsTo(export.NewMetrics(brakeInfos(l.site), "test"), []export.Sink{sink}, l.site)
	said := func(when string, want bool) {
		t.Helper()
		tell(p)
		if len(sink.silent) != len(l.site.Brakes) {
			t.Fatalf("%s, told of %d brakes of %d", when, len(sink.silent), len(l.site.Brakes))
		}
		for brake, silent := range sink.silent {
			if silent != want {
				t.Errorf("%s, %s is told to be silent: %v", when, brake, silent)
			}
		}
	}
	var batch store.Batch
	half := len(l.samples) / 2
	p.Step(l.samples[:half], &batch)
	said("while all are heard", false)
	last := l.samples[half-1].AtNS
	p.Step([]sensors.Sample{sensors.TickAt(last + 60e9)}, &batch)
	said("after a minute of silence", true)
	for _, s := range l.samples[half:] {
		s.AtNS += 61e9
		p.Step([]sensors.Sample{s}, &batch)
	}
	said("heard again", false)
}
