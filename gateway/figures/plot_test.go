package figures

import (
	"math"
	"strings"
	"testing"
	"time"

	"gapward/analysis"
)

func noon() time.Time { return time.Date(2026, 11, 18, 12, 0, 0, 0, time.UTC) }

func ahead(days float64) float64 { return float64(noon().UnixNano()) + days*float64(day) }

// stroke is the travel of a cycle: out, held for as long as the drive is on,
// and back.
func stroke(c analysis.Cycle) analysis.Waveform {
	w := analysis.Waveform{OffNS: c.OnNS}
	for at := int64(-500e6); at < c.OnNS+1500e6; at += 20e6 {
		mm := c.SetLevelMM
		if at > 150e6 && at < c.OnNS+200e6 {
			mm = c.ReleasedLevelMM
		}
		w.TimesNS, w.TravelMM = append(w.TimesNS, at), append(w.TravelMM, float32(mm))
	}
	return w
}

func TestCyclePlotMarksTheMoments(t *testing.T) {
	nan := math.NaN()
	full := analysis.Cycle{OnNS: 2400e6, ReleaseS: 0.2, SetS: 0.24, SetLevelMM: 2, ReleasedLevelMM: 4.3}
	long := full
	long.OnNS = 45e9
	unmeasured := analysis.Cycle{OnNS: 2400e6, ReleaseS: nan, SetS: nan, SetLevelMM: nan, ReleasedLevelMM: nan}
	for _, c := range []struct {
		name string
		c    analysis.Cycle
		wave analysis.Waveform
		want []string
	}{
		{"full", full, stroke(full), []string{"drive on", "released", "drive off", "set", "travel, mm", "time since drive on, s"}},
		{"long, the movements apart", long, stroke(long), []string{"drive on", "released", "drive off", "set", "s since drive on", "45"}},
		{"unmeasured", unmeasured, stroke(full), []string{"drive on", "drive off"}},
		{"with bad readings", unmeasured, analysis.Waveform{TimesNS: []int64{0, 1e7, 2e7}, TravelMM: []float32{2, float32(nan), 2}, OffNS: 1e7}, []string{"drive on"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, sz := range []Size{Wide(), Narrow()} {
				svg, err := CycleCurve("quay-1/main", c.wave, c.c, sz)
				if err != nil {
					t.Fatal(err)
				}
				texts := string(svg)
				for _, want := range c.want {
					if !strings.Contains(texts, want) {
						t.Errorf("the plot doesn't name %q: %s", want, texts)
					}
				}
				if strings.Contains(string(svg), "NaN") || strings.Contains(string(svg), "Inf") {
					t.Error("the plot has a place that is none")
				}
				if math.IsNaN(c.c.ReleaseS) && strings.Contains(texts, "released") {
					t.Error("the plot marks a release that wasn't measured")
				}
			}
		})
	}
	if _, err := CycleCurve("x", analysis.Waveform{}, full, Wide()); err == nil {
		t.Error("a cycle without readings was drawn")
	}
}

func TestFanOfAForecast(t *testing.T) {
	nan := math.NaN()
	now := noon()
	h := func(p05, p50, p95 float64) GapHistory {
		return GapHistory{Until: now, Foretold: true, Forecast: analysis.Forecast{AtNS: now.UnixNano(), GapMM: 2.3, LimitMM: 2.8,
			DateNS: analysis.Quantiles{P05: ahead(p05), P50: ahead(p50), P95: ahead(p95)}}}
	}
	const month = 30 * 86400
	start := sec(now.UnixNano())
	if f, ok := fanOf(h(10, 20, 25), start, month); !ok || f.early.Y != 2.8 || f.late.Y != 2.8 || f.late.X > f.end {
		t.Errorf("within the plot: %v %+v", ok, f)
	}
	if f, ok := fanOf(h(10, 60, 90), start, month); !ok || f.early.Y != 2.8 || math.Abs(f.middle.Y-2.55) > 0.01 || f.middle.X != f.end || f.late.Y >= f.middle.Y {
		t.Errorf("cut off at the plot's end: %v %+v", ok, f)
	}
	if _, ok := fanOf(h(10, nan, nan), start, month); ok {
		t.Error("a forecast without wear got a fan")
	}
	past := h(10, 20, 25)
	past.Forecast.GapMM = 2.9
	if _, ok := fanOf(past, start, month); ok {
		t.Error("a limit already passed got a fan")
	}
}

func TestDateTicksAreWholeAndFew(t *testing.T) {
	zone := time.FixedZone("CET", 3600)
	from := time.Date(2026, 10, 29, 7, 13, 0, 0, zone)
	for _, length := range []time.Duration{time.Hour, 9 * time.Hour, 2 * day, 9 * day, 60 * day, 200 * day, 3 * 365 * day, 40 * 365 * day} {
		ticks := dateTicks{zone: zone, most: 6}.Ticks(sec(from.UnixNano()), sec(from.Add(length).UnixNano()))
		if len(ticks) < 1 || len(ticks) > 7 {
			t.Errorf("%v has %d ticks", length, len(ticks))
		}
		for _, tick := range ticks {
			at := time.Unix(int64(tick.Value), 0).In(zone)
			if at.Minute() != 0 || at.Before(from) || length > 3*day && at.Hour() != 0 {
				t.Errorf("%v has a tick at %v", length, at)
			}
		}
	}
}

func TestRoundTicks(t *testing.T) {
	for _, c := range []struct {
		from, to float64
		most     int
		want     string
	}{{1.06, 3.53, 6, "1.5 2.0 2.5 3.0 3.5"}, {0, 10, 5, "0 2 4 6 8 10"}, {-0.5, 3.9, 7, "0 1 2 3"}, {0.001, 0.0035, 6, "0.0010 0.0015 0.0020 0.0025 0.0030 0.0035"}, {2, 2, 5, ""}} {
		var labels []string
		for _, tick := range (roundTicks{c.most}).Ticks(c.from, c.to) {
			labels = append(labels, tick.Label)
		}
		if got := strings.Join(labels, " "); got != c.want {
			t.Errorf("from %v to %v: %q, want %q", c.from, c.to, got, c.want)
		}
	}
}
