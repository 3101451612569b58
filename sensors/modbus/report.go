package modbus

import "time"

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

// report logs when a request begins to fail, fails in another way, or works
// again: once for each change, not for each poll.
func (r *run) report(p *poll, err error, now time.Time) {
	t := &p.trouble
	kind := kindOf(err)
	if kind != t.kind {
		t.kind = kind
		t.unsaid++
	}
	if kind == t.logKind || !t.logged.IsZero() && now.Sub(t.logged) < logEvery {
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
	t.logged, t.logKind, t.unsaid = now, kind, 0
}
