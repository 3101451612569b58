package gateway

import (
	"encoding/json"
	"fmt"

	"gapward/analysis"
	"gapward/configs"
	"gapward/gateway/store"
)

// marks tell for each brake by what it was learned: how its signals are wired
// and scaled, in the site file's order. What was learned by other wiring is of
// no use.
func marks(site *configs.Site) ([]string, error) {
	settings := site.AnalysisSettings()
	list := make([]string, len(settings))
	of := make([][]any, len(settings))
	for _, c := range site.Channels() {
		of[c.Brake] = append(of[c.Brake], c.Signal.String(), c.Wiring)
	}
	for i, s := range settings {
		text, err := json.Marshal([]any{s.Kind, s.Thermal, of[i]})
		if err != nil {
			return nil, fmt.Errorf("marking the settings of %s: %w", s.Name, err)
		}
		list[i] = analysis.Mark(string(text))
	}
	return list, nil
}

// NewSitePipeline makes a pipeline of a site's brakes, by settings that may differ
// from the site file's in when a signal is stale.
func NewSitePipeline(site *configs.Site, settings []analysis.Settings) (*Pipeline, error) {
	p := NewPipeline(settings, true)
	p.SetAlarms(site.Alarms, site.Channels())
	learnedBy, err := marks(site)
	if err != nil {
		return nil, err
	}
	p.SetMarks(learnedBy)
	return p, nil
}

// SetMarks tells by what settings each brake learns; see [store.LearnedRow].
func (p *Pipeline) SetMarks(marks []string) {
	for i, m := range marks {
		p.lines[i].mark = m
	}
}

// Learned appends what the brakes have learned that has changed since
// [Pipeline.Saved]: it belongs into the same transaction as what they caused.
func (p *Pipeline) Learned(rows []store.LearnedRow) []store.LearnedRow {
	for i := range p.lines {
		l := &p.lines[i]
		if !l.learned {
			continue
		}
		// The rows are used again: so is their memory.
		if len(rows) < cap(rows) {
			rows = rows[:len(rows)+1]
		} else {
			rows = append(rows, store.LearnedRow{})
		}
		r := &rows[len(rows)-1]
		r.Brake, r.Settings = l.name, l.mark
		r.State = l.brake.AppendLearned(r.State[:0])
	}
	return rows
}

// LearnedAll has all brakes' learned state stored next, for the daemon ends: some
// of it is learned between the cycles.
func (p *Pipeline) LearnedAll() {
	for i := range p.lines {
		p.lines[i].learned = true
	}
}

// Saved takes note that all that was learned is stored.
func (p *Pipeline) Saved() {
	for i := range p.lines {
		p.lines[i].learned = false
	}
}

// learn puts back what a brake had learned.
func (p *Pipeline) learn(brake int32, r store.LearnedRow) error {
	l := &p.lines[brake]
	if r.Settings != l.mark {
		return fmt.Errorf("%w: the brake's signals are wired or scaled otherwise since", analysis.ErrState)
	}
	return l.brake.RestoreLearned(r.State)
}

// Restart tells the pipeline that nothing was heard since its latest sample, as
// the daemon was not running: what was under way is given up, and what was
// learned stays. [Pipeline.Flush] before it stores an open cycle as far as it
// was seen.
func (p *Pipeline) Restart() {
	for i := range p.lines {
		l := &p.lines[i]
		l.brake.Restart()
		for k := range p.kinds {
			l.put(&p.kinds[k], l.alarm(&p.kinds[k]).Settled())
		}
	}
	for i := range p.bells.devices {
		d := &p.bells.devices[i]
		d.Alarm, d.lastNS = d.Settled(), 0
	}
	p.wakeNS, p.ticked = 0, false
}

// Entered takes an entry of the ledger in, with all the entries of its brake
// that there are by then, itself among them.
func (p *Pipeline) Entered(brake int32, e analysis.Entry, entries []analysis.Entry, batch *store.Batch) {
	l := &p.lines[brake]
	l.brake.Entered(e, entries, &p.out)
	p.collect(l, batch)
	p.wakeNS = min(p.wakeNS, l.brake.WakeNS())
	p.standing(brake, entries, batch)
}

// standing holds the alarms of a brake back while the ledger has it out of
// service. Where they are held back already, or not, nothing happens.
func (p *Pipeline) standing(brake int32, entries []analysis.Entry, batch *store.Batch) {
	if len(entries) == 0 {
		return
	}
	name, last := p.lines[brake].name, entries[len(entries)-1]
	for _, e := range analysis.Standing(entries) {
		if e.Kind == analysis.OutOfService || e.Kind == analysis.ReturnedToUse {
			last = e
		}
	}
	if analysis.InService(entries) {
		p.InService(name, last.EnteredNS, last.Who, batch)
	} else {
		p.OutOfService(name, last.EnteredNS, last.Who, last.Note, batch)
	}
}
