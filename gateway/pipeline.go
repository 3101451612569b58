// Package gateway is the daemon: samples in, durable results out.
//
// [Pipeline] is the synchronous step that run, replay and the demonstration's
// history share. [Run] is the one owner goroutine around it, with the sources
// before it and the exporters and the page behind the store.
package gateway

import (
	"math"
	"slices"
	"sync"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/store"
	"gapward/sensors"
)

// Pipeline turns samples into batches for the store. The same samples give the
// same batches. It is not safe for use by several goroutines.
type Pipeline struct {
	lines  []line
	kinds  []kind
	out    analysis.Out
	wakeNS int64 // when time alone will matter to some brake
	ticked bool  // since the start
	waves  bool
	bells  bells
}

// line is one brake on its way through analysis and alarms.
type line struct {
	name   string
	place  int // in the site file
	model  string
	brake  *analysis.Brake
	alarms []alarm // those that aren't calm, in the order of their kinds

	mark    string // of the settings that it learns with
	learned bool   // something since it was last saved
}

// kind is what the alarms of one condition have in common.
type kind struct {
	place     int // among the kinds
	condition analysis.Condition
	rule      alerts.Rule
}

// alarm is one that isn't calm. Of a brake's fifteen seldom any is.
type alarm struct {
	*kind
	alerts.Alarm
}

// charts are those of all pipelines: they never change, and take a while to make.
var charts = sync.OnceValue(analysis.NewCharts)

// NewPipeline makes a pipeline for brakes in the order of the site file, which
// is the order that [sensors.Sample.Brake] counts in. Waveforms are kept only
// where somebody will look at them.
func NewPipeline(brakes []analysis.Settings, waveforms bool) *Pipeline {
	p := &Pipeline{waves: waveforms}
	for i, c := range analysis.Conditions() {
		p.kinds = append(p.kinds, kind{place: i, condition: c})
	}
	families := map[string]*analysis.Family{}
	charts := charts()
	for _, s := range brakes {
		if s.Model != "" {
			if families[s.Model] == nil {
				families[s.Model] = analysis.NewFamily()
			}
			s.Family = families[s.Model]
		}
		s.Charts = charts
		p.lines = append(p.lines, line{name: s.Name, place: len(p.lines), model: s.Model, brake: analysis.New(s)})
	}
	p.SetAlarms(alerts.Settings{}, nil)
	return p
}

// Step takes samples in the order of time and adds what they cause to batch.
func (p *Pipeline) Step(samples []sensors.Sample, batch *store.Batch) {
	for i := range samples {
		p.step(samples[i], batch)
	}
}

func (p *Pipeline) step(s sensors.Sample, batch *store.Batch) {
	if s.AtNS >= p.wakeNS {
		p.pass(s.AtNS, batch)
	}
	// A device that didn't answer leaves nothing but time: a recording has a
	// tick in its place.
	if s.Signal == sensors.Tick || s.Quality == sensors.NoAnswer {
		p.await(s.AtNS)
		return
	}
	p.heard(s, batch)
	l := &p.lines[s.Brake]
	l.brake.Step(s, &p.out)
	p.collect(l, batch)
	p.wakeNS = min(p.wakeNS, l.brake.WakeNS())
}

// await has every brake watched for silence from the first tick on, those too of
// which nothing ever comes. Samples of other brakes don't begin it: a recording
// may be of some brakes alone, and only a tick says that all were listened to.
func (p *Pipeline) await(nowNS int64) {
	if p.ticked {
		return
	}
	p.ticked = true
	for i := range p.lines {
		b := p.lines[i].brake
		b.Await(nowNS)
		p.wakeNS = min(p.wakeNS, b.WakeNS())
	}
}

// pass lets time pass for every brake that waits for it.
func (p *Pipeline) pass(nowNS int64, batch *store.Batch) {
	wake := int64(math.MaxInt64)
	for i := range p.lines {
		l := &p.lines[i]
		if l.brake.WakeNS() <= nowNS {
			l.brake.Advance(nowNS, &p.out)
			p.collect(l, batch)
		}
		wake = min(wake, l.brake.WakeNS(), p.passAlarms(l, nowNS, batch))
	}
	p.wakeNS = min(wake, p.passBells(nowNS, batch))
}

// collect moves what a brake found out into the batch.
func (p *Pipeline) collect(l *line, batch *store.Batch) {
	if p.out.Empty() {
		return
	}
	l.learned = l.learned || len(p.out.Cycles) > 0
	for _, c := range p.out.Cycles {
		batch.Cycles = append(batch.Cycles, store.CycleRow{Brake: l.name, Cycle: c})
	}
	if p.waves {
		for _, w := range p.out.Waveforms {
			batch.Waveforms = append(batch.Waveforms, store.WaveformRow{Brake: l.name, Waveform: w})
		}
	}
	for _, v := range p.out.Verdicts {
		batch.Verdicts = append(batch.Verdicts, store.VerdictRow{Brake: l.name, Verdict: v})
	}
	was := len(batch.Alarms)
	for _, f := range p.out.Findings {
		p.silent(l.place, f, batch)
		if k := p.kind(f.Condition); k != nil {
			next, e, changed := l.alarm(k).Find(f, k.rule)
			p.note(l, k, next, e, changed, batch)
		}
	}
	if len(batch.Alarms) > was {
		p.unexplain(l, batch.Alarms[len(batch.Alarms)-1].AtNS, batch)
	}
	for _, f := range p.out.Forecasts {
		batch.Forecasts = append(batch.Forecasts, store.ForecastRow{Brake: l.name, Forecast: f})
	}
	for _, c := range p.out.Checks {
		batch.Checks = append(batch.Checks, store.WorkCheckRow{Brake: l.name, WorkCheck: c})
	}
	for _, o := range p.out.Offers {
		batch.Offers = append(batch.Offers, store.OfferRow{Brake: l.name, Offered: o})
	}
	p.out.Reset()
}

// Recall feeds an already measured cycle, from the store or a recording of
// cycles.
func (p *Pipeline) Recall(brake int32, c analysis.Cycle, batch *store.Batch) {
	l := &p.lines[brake]
	l.brake.Recall(c, &p.out)
	p.collect(l, batch)
	p.wakeNS = min(p.wakeNS, p.passAlarms(l, c.AtNS, batch))
}

// Restore puts an alarm where its latest stored event left it.
func (p *Pipeline) Restore(e alerts.Event) {
	for i := range p.lines {
		if p.lines[i].name != e.Brake {
			continue
		}
		if k := p.kind(e.Condition); k != nil {
			p.lines[i].put(k, alerts.Restore(e))
		}
	}
}

// Flush closes what is open at the end of the samples, and tells the forecast
// of each brake as it stands. A forecast leans on the siblings' last cycles too,
// as it will when they are recalled: so all are closed first.
func (p *Pipeline) Flush(batch *store.Batch) {
	for i := range p.lines {
		p.lines[i].brake.Close(&p.out)
		p.collect(&p.lines[i], batch)
	}
	for i := range p.lines {
		p.lines[i].brake.Flush(&p.out)
		p.collect(&p.lines[i], batch)
	}
}

// Place is where a brake stands in the site file, -1 where it doesn't.
func (p *Pipeline) Place(brake string) int32 {
	return int32(slices.IndexFunc(p.lines, func(l line) bool { return l.name == brake }))
}

// Good reports whether a brake has a signal, and whether it can be trusted.
func (p *Pipeline) Good(brake int, s sensors.Signal) (good, present bool) {
	return p.lines[brake].brake.Good(s)
}

// Silent reports whether none of a brake's signals is heard any more.
func (p *Pipeline) Silent(brake int) bool { return p.lines[brake].brake.Silent() }
