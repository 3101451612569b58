package modbus

import (
	"time"

	"gapward/sensors"
)

// A trouble is what is wrong with a request, for the log.
type trouble struct {
	kind    string    // "" when all is well
	logged  time.Time // when the log last had a line about this request
	unsaid  int       // changes since then that it hadn't
	logKind string    // the kind that the log last had
}

// logEvery bounds how often one request gets into the log. A line that loses
// every second frame would fill the disk otherwise.
const logEvery = 10 * time.Second

func kindOf(err error) string {
	if err == nil {
		return ""
	}
	if e := exceptionIn(err); e != nil {
		return e.Error()
	}
	return "no answer"
}

// changed notes the kind of trouble, "" for none, and reports whether the log is
// to have a line about it. After that, unsaid is how many changes it stands for.
func (t *trouble) changed(kind string, now time.Time) bool {
	if kind != t.kind {
		t.kind = kind
		t.unsaid++
	}
	return kind != t.logKind && (t.logged.IsZero() || now.Sub(t.logged) >= logEvery)
}

// told notes that the log has its line.
func (t *trouble) told(now time.Time) { t.logged, t.logKind, t.unsaid = now, t.kind, 0 }

// report logs when a request begins to fail, fails in another way, or works
// again: once for each change, not for each poll.
func (r *run) report(p *poll, err error, now time.Time) {
	t := &p.trouble
	if !t.changed(kindOf(err), now) {
		return
	}
	args := []any{"device", p.Device, "asked", p.Request.String()}
	if t.unsaid > 1 {
		args = append(args, "changes", t.unsaid)
	}
	if err == nil {
		r.lg.Info("the device answers again", args...)
	} else {
		r.lg.Warn("the device can't be read", append(args, "error", err)...)
	}
	t.told(now)
}

// reportDoubt logs when a reading begins to be doubtful, is so for another
// reason, or can be trusted again.
func (r *run) reportDoubt(p *poll, channel int, doubt sensors.Doubt) {
	if p.doubts == nil {
		p.doubts = make([]trouble, len(p.Channels))
	}
	now := time.Now()
	t, c := &p.doubts[channel], &p.Channels[channel]
	say := t.changed(string(doubt), now)
	p.doubted = false
	for i := range p.doubts {
		p.doubted = p.doubted || p.doubts[i].kind != "" || p.doubts[i].logKind != ""
	}
	if !say {
		return
	}
	args := []any{"device", p.Device, "brake", c.Name, "signal", c.Signal.String()}
	if t.unsaid > 1 {
		args = append(args, "changes", t.unsaid)
	}
	if doubt == "" {
		r.lg.Info("the reading is good again", args...)
	} else {
		r.lg.Warn("the reading is bad", append(args, "because", string(doubt))...)
	}
	t.told(now)
}
