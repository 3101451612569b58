package store

import (
	"flag"
	"fmt"
	"math"
	"os"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/analysis"
)

// siteBrakes is how many brakes BenchmarkSiteYear has: 64 take some minutes.
var siteBrakes = flag.Int("brakes", 8, "brakes in the site of BenchmarkSiteYear")

// BenchmarkSiteYear fills a database as a site of hoists does in a year: 300
// cycles a day and brake, a tenth of them jogs, in the order of time; a verdict
// after each; twenty forecasts a day; a waveform of each brake's latest cycle,
// and of a cycle that raised an alarm once a week; upkeep every day. It reports
// bytes a cycle on the card, all of that and the indexes included, first with
// every cycle kept, then with all but the last month rolled up, which is what
// older years take.
//
//	go test -run '^$' -bench SiteYear -benchtime 1x ./gateway/store -args -brakes 64
func BenchmarkSiteYear(b *testing.B) {
	for b.Loop() {
		d := openAt(b, b.TempDir())
		cycles := fillYear(b, d, *siteBrakes)
		size := func() float64 {
			if err := d.Checkpoint(b.Context()); err != nil {
				b.Fatal(err)
			}
			var pages int64
			if err := d.write.QueryRow("SELECT page_count - freelist_count FROM pragma_page_count, pragma_freelist_count").Scan(&pages); err != nil {
				b.Fatal(err)
			}
			return float64(pages) * 4096
		}
		info, err := os.Stat(d.path)
		if err != nil {
			b.Fatal(err)
		}
		used := size()
		tables, err := d.write.Query("SELECT name, sum(pgsize) FROM dbstat GROUP BY 1 ORDER BY 2 DESC LIMIT 6")
		if err != nil {
			b.Fatal(err)
		}
		for tables.Next() {
			var name string
			var bytes float64
			if err := tables.Scan(&name, &bytes); err != nil {
				b.Fatal(err)
			}
			b.Logf("%s: %.1f bytes a cycle", name, bytes/float64(cycles))
		}
		if err := tables.Err(); err != nil {
			b.Fatal(err)
		}
		b.Logf("%d brakes, %d cycles: the file has %.1f MB, %.1f MB of it in use", *siteBrakes, cycles, float64(info.Size())/1e6, used/1e6)
		b.ReportMetric(used/float64(cycles), "bytes/cycle")
		now := startDay.Add(365 * 24 * time.Hour)
		tidyAll(b, d, now, Keep{Cycles: 30 * 24 * time.Hour, MostBytes: math.MaxInt64})
		rolledDays := float64(*siteBrakes * (365 - 31))
		young := used * 31 / 365
		b.ReportMetric((size()-young)/rolledDays, "bytes/rolled-day")
	}
}

func fillYear(b *testing.B, d *DB, brakes int) (cycles int) {
	b.Helper()
	names := make([]string, brakes)
	for i := range names {
		names[i] = fmt.Sprintf("quay-%d/main", i)
	}
	wave := analysis.Waveform{OffNS: 4e9}
	for k := range 250 { // five seconds at 20 ms, a converter of 12 bits, a little noise
		wave.TimesNS = append(wave.TimesNS, int64(k)*20e6+int64(k*k%7)*1e5)
		wave.TravelMM = append(wave.TravelMM, float32(2.1+1.6*math.Tanh(float64(k-20)/5)+float64(k*7919%5)*10/4095))
	}
	const perDay, perCommit = 300, 12 // fewer commits than a site makes: what is stored is the same
	var batch Batch
	for day := range 365 {
		midnight := startDay.UnixNano() + int64(day)*dayNS
		for i := range perDay {
			for k, name := range names {
				c := cycleAt(name, cycles)
				if i%10 == 9 {
					c = jogAt(name, cycles)
				}
				c.TemperatureC = math.NaN() // optional, and seldom there
				c.AtNS = midnight + int64(i)*(dayNS/perDay) + int64(k)*secondNS + int64(cycles*7919%1_000_000)
				batch.Cycles = append(batch.Cycles, c)
				batch.Verdicts = append(batch.Verdicts, VerdictRow{Brake: name, Verdict: analysis.Verdict{AtNS: c.AtNS, State: analysis.InLimits, GapMM: c.GapMM, GapUMM: c.GapUMM,
					ReleaseS: c.ReleaseS, ReleaseUS: c.ReleaseUS, SetS: c.SetS, SetUS: c.SetUS, Full: int64(cycles)}})
				if i%15 == k%15 {
					f := analysis.Forecast{AtNS: c.AtNS, Limit: "adjust", LimitMM: 2.8, GapMM: c.GapMM, GapUMM: c.GapUMM, WearUMPerK: 12.3456789, WearUUMPerK: 1.23456,
						Cycles: analysis.Quantiles{P05: 50123.4, P50: 60234.5, P95: 70345.6}, DateNS: analysis.Quantiles{P05: 1.81234567e18, P50: 1.82345678e18, P95: 1.834567e18}}
					batch.Forecasts = append(batch.Forecasts, ForecastRow{Brake: name, Forecast: f})
				}
				alarmed := i == 150 && day%7 == k%7
				if alarmed {
					batch.Alarms = append(batch.Alarms, AlarmRow{Event: alerts.Event{AtNS: c.AtNS, Brake: name, Condition: analysis.SlowRelease, Change: alerts.Raised,
						State: alerts.Unacknowledged, SinceNS: c.AtNS, Value: 0.31, U: 0.01, Limit: 0.25, Unit: "s"}})
				}
				if alarmed || i == perDay-1 {
					w := wave
					w.CycleAtNS = c.AtNS
					batch.Waveforms = append(batch.Waveforms, WaveformRow{Brake: name, Waveform: w})
				}
				cycles++
			}
			if (i+1)%perCommit == 0 {
				commit(b, d, &batch)
				batch.Reset()
			}
		}
		tidyAll(b, d, time.Unix(0, midnight+dayNS), KeepByDefault())
	}
	return cycles
}
