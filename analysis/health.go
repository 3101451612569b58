package analysis

import "gapward/sensors"

// health watches whether one signal speaks, and whether it trusts itself.
type health struct {
	present    bool
	staleNS    int64 // silence longer than this is stale; 0: never
	lastNS     int64 // latest answer of any quality
	lastGoodNS int64
	bad        int // bad readings in a row
	badSinceNS int64
	stale      bool
	fault      bool
	spoken     bool // a good reading has been told of
}

const (
	faultRun  = 3     // so many bad readings in a row are a fault …
	faultForS = 250e6 // … if they last this long
)

// heard takes note of an answer.
func (h *health) heard(b *Brake, s sensors.Sample, out *Out) {
	h.lastNS = s.AtNS
	if h.stale {
		h.stale = false
		b.signalFinding(SignalStale, s.Signal, -1, 0, out)
	}
	if s.Quality == sensors.Bad {
		if h.bad == 0 {
			h.badSinceNS = s.AtNS
		}
		h.bad++
		if !h.fault && h.bad >= faultRun && s.AtNS-h.badSinceNS >= faultForS {
			h.fault = true
			b.signalFinding(SignalFault, s.Signal, 1, float64(s.AtNS-h.badSinceNS)*1e-9, out)
			b.abandon(s.Signal, out)
		}
		return
	}
	h.bad = 0
	h.lastGoodNS = s.AtNS
	if h.fault || !h.spoken {
		if !h.spoken {
			b.signalFinding(SignalStale, s.Signal, -1, 0, out)
		}
		h.fault, h.spoken = false, true
		b.signalFinding(SignalFault, s.Signal, -1, 0, out)
	}
}

// silence looks whether the signal has fallen silent.
func (h *health) silence(b *Brake, sig sensors.Signal, out *Out) {
	if !h.present || h.stale || h.staleNS <= 0 || b.nowNS-h.lastNS <= h.staleNS {
		return
	}
	h.stale = true
	b.signalFinding(SignalStale, sig, 1, float64(b.nowNS-h.lastNS)*1e-9, out)
	b.abandon(sig, out)
}

// signalFinding tells of a signal's fault or silence. Several signals share
// one condition: it is over when the last of them speaks again.
func (b *Brake) signalFinding(c Condition, sig sensors.Signal, excess, seconds float64, out *Out) {
	if excess < 0 {
		if c == SignalFault && (b.still.frozen || b.bumpAgo > 0) {
			return
		}
		for i := range b.health {
			if h := &b.health[i]; sensors.Signal(i) != sig && (c == SignalStale && h.stale || c == SignalFault && h.fault) {
				return
			}
		}
	}
	f := Finding{AtNS: b.nowNS, Condition: c, Excess: excess, Value: seconds, U: NoValue(), Limit: NoValue(), Unit: "s", Signal: sig.String()}
	if c == SignalStale {
		f.Limit = float64(b.health[sig].staleNS) * 1e-9
	}
	out.Findings = append(out.Findings, f)
}

// abandon gives up what can't be known any more once a signal is lost: a
// cycle whose drive isn't seen has no end. One that had ended lasts until the
// drive was last seen to be off.
func (b *Brake) abandon(sig sensors.Signal, out *Out) {
	switch sig {
	case sensors.Drive:
		b.finish(b.drive.lastNS+1, out)
		b.drive.known, b.drive.pending = false, false
		b.phase = resting
		b.fromNS = b.nowNS
	case sensors.Released:
		b.switchr.known, b.switchr.pending = false, false
	case sensors.Travel:
		b.ref = reference{}
		b.freeMM = NoValue()
	}
}

// Await starts the watch for silence where nothing has been heard of the brake
// yet: what never speaks is as silent as what has stopped.
func (b *Brake) Await(atNS int64) {
	if b.nowNS == 0 {
		b.nowNS = atNS
		b.begin()
	}
}

// Good reports whether a signal of the brake is present, speaks and trusts
// itself.
func (b *Brake) Good(sig sensors.Signal) (good, present bool) {
	h := &b.health[sig]
	frozen := sig == sensors.Travel && b.still.frozen
	return h.present && !h.stale && !h.fault && h.spoken && !frozen, h.present
}

// Silent reports whether none of the brake's signals is heard any more. A brake
// without signals can't fall silent.
func (b *Brake) Silent() bool {
	silent := false
	for i := range b.health {
		if h := &b.health[i]; h.present {
			if !h.stale {
				return false
			}
			silent = true
		}
	}
	return silent
}
