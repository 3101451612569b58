package sensors

import (
	"bytes"
	"errors"
	"io"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"
)

// FuzzSampleReader holds that what is read, written and read again is the
// same, and that a refusal is always about a line.
func FuzzSampleReader(f *testing.F) {
	f.Add("2026-11-25T01:02:03Z,quay-2/main,travel,4.25\n2026-11-25T01:02:03.000000001Z,,tick,\n")
	f.Add("2026-11-25T01:02:03.5Z,\"bay 7, \"\"north\"\"\",released,1\r\n2026-11-25T01:02:59Z,quay-2/creep,temperature,")
	f.Add("2026-11-25T01:02:03.5+00:00,\"quay-2/main\",\"drive\",\"0\"\n")
	f.Add("1970-01-01T00:00:00Z,quay-2/main,travel,-1.7976931348623157e+308\n")
	f.Fuzz(func(t *testing.T, lines string) {
		first, err := readSamples(sampleHeader + "\n" + lines)
		var lineErr *LineError
		if err != nil && !errors.As(err, &lineErr) {
			t.Fatalf("error is %v, want a *LineError", err)
		}
		var file bytes.Buffer
		w, err := NewSampleWriter(&file, brakesForTest)
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(w.Write(first), w.Flush()); err != nil {
			t.Fatalf("what was read can't be written: %v", err)
		}
		second, err := readSamples(file.String())
		if err != nil {
			t.Fatalf("what was written can't be read: %v", err)
		}
		if err := sameSamples(second, withoutRepeatedTicks(first)); err != nil {
			t.Fatal(err)
		}
	})
}

// withoutRepeatedTicks drops the ticks that say again what one of the same
// time has said.
func withoutRepeatedTicks(samples []Sample) []Sample {
	var kept []Sample
	last := int64(math.MinInt64)
	for _, s := range samples {
		if s.Signal == Tick {
			if s.AtNS == last {
				continue
			}
			last = s.AtNS
		}
		kept = append(kept, s)
	}
	return kept
}

// FuzzCycleReader holds that a cycle that is read keeps the promises of
// [MeasuredCycle].
func FuzzCycleReader(f *testing.F) {
	f.Add("2026-11-25T01:02:03Z,quay-2/main,2.345,0.012,180.5,0\n")
	f.Add("2026-11-25T01:02:03Z,quay-2/creep,,,,\n")
	f.Fuzz(func(t *testing.T, lines string) {
		r := NewCycleReader(strings.NewReader(cycleHeader+"\n"+lines), "cycles.csv", findForTest, brakesForTest)
		for last := int64(0); ; {
			c, err := r.Next()
			if errors.Is(err, io.EOF) {
				return
			}
			var lineErr *LineError
			if err != nil {
				if !errors.As(err, &lineErr) {
					t.Fatalf("error is %v, want a *LineError", err)
				}
				return
			}
			if c.AtNS < last || c.Brake < 0 || int(c.Brake) >= len(brakesForTest) || math.IsInf(c.GapMM, 0) ||
				c.GapUMM <= 0 || math.IsNaN(c.GapMM) && !math.IsNaN(c.GapUMM) || c.ReleaseS < 0 || c.SetS < 0 {
				t.Fatalf("read %+v after time %d", c, last)
			}
			last = c.AtNS
		}
	})
}

// FuzzNumber and FuzzTime hold the hand-written readers against the standard
// library.
func FuzzNumber(f *testing.F) {
	for _, s := range []string{"0", "-0", "4.25", "123456789012345", "0.00000000000001", "1e5", "+1", ".5", "5.", "0001.50"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		l := recordLines{}
		got, err := l.number("travel", []byte(text))
		if err != nil {
			return
		}
		want, wantErr := strconv.ParseFloat(text, 64)
		if wantErr != nil || math.Float64bits(got) != math.Float64bits(want) {
			t.Fatalf("%q is read as %v; strconv says %v, %v", text, got, want, wantErr)
		}
	})
}

func FuzzTime(f *testing.F) {
	for _, s := range []string{"2026-11-25T01:02:03Z", "2026-11-25T01:02:03.123456789Z", "2000-02-29T23:59:59.9+00:00", "1970-01-01T00:00:00Z"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		l := recordLines{}
		for range 2 { // the second time the minute is known
			got, err := l.time([]byte(text))
			if err != nil {
				return
			}
			want, wantErr := time.Parse(time.RFC3339Nano, text)
			if wantErr != nil || got != want.UnixNano() {
				t.Fatalf("%q is read as %d; the time package says %d, %v", text, got, want.UnixNano(), wantErr)
			}
		}
	})
}

// BenchmarkSampleReader reports lines a second.
func BenchmarkSampleReader(b *testing.B) {
	var file bytes.Buffer
	w, err := NewSampleWriter(&file, brakesForTest)
	if err != nil {
		b.Fatal(err)
	}
	const lines = 100_000
	for i := range lines {
		s := Sample{AtNS: 1764032523000000000 + int64(i)*10_000_123, Brake: int32(i % 3), Signal: Travel, Value: 4 + math.Sin(float64(i))}
		if i%2 == 0 {
			s.Value = math.Round(s.Value*1e4) / 1e4
		}
		if err := w.Write([]Sample{s}); err != nil {
			b.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		b.Fatal(err)
	}
	batch := make([]Sample, recordingBatch)
	b.ReportAllocs()
	for b.Loop() {
		r := NewSampleReader(bytes.NewReader(file.Bytes()), "bench.csv", findForTest, brakesForTest)
		for {
			if _, err := r.Read(batch); errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				b.Fatal(err)
			}
		}
	}
	b.ReportMetric(float64(b.N)*lines/b.Elapsed().Seconds(), "lines/s")
}
