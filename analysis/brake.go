package analysis

import (
	"math"

	"gapward/sensors"
)

// Out is what a step found out. The caller empties it with [Out.Reset].
type Out struct {
	Cycles    []Cycle
	Waveforms []Waveform
	Verdicts  []Verdict
	Findings  []Finding
	Forecasts []Forecast
	Checks    []WorkCheck
	Offers    []Offered

	scratch scratch
}

// Reset empties out and keeps its memory.
func (o *Out) Reset() {
	o.Cycles, o.Waveforms, o.Verdicts = o.Cycles[:0], o.Waveforms[:0], o.Verdicts[:0]
	o.Findings, o.Forecasts = o.Findings[:0], o.Forecasts[:0]
	o.Checks, o.Offers = o.Checks[:0], o.Offers[:0]
}

// Empty reports whether nothing was found out.
func (o *Out) Empty() bool {
	return len(o.Cycles)+len(o.Waveforms)+len(o.Verdicts)+len(o.Findings)+len(o.Forecasts)+len(o.Checks)+len(o.Offers) == 0
}

// Brake is the state machine of one brake. Use [New]; it is not safe for use
// by several goroutines.
type Brake struct {
	set    Settings
	driven bool // there is a drive signal
	probed bool // there is a travel probe

	meter   meter
	trace   trace
	health  [7]health // by sensors.Signal
	drive   contact
	bounce  bounce // the drive contact's
	switchr contact
	motion  motion
	still   still
	thermal thermal
	bumpAgo int // full cycles since the probe was moved, 0 when that is over

	phase     phase
	on, off   edge
	fromNS    int64 // no set plateau before this
	lost      int
	freed     bool // the brake was seen to be released in this cycle
	freedNS   int64
	closed    bool // … and to be set after it
	raised    bool // not-released or not-set stands in this phase of the cycle
	told      bool // … or was told to be over
	heldOpen  bool // it didn't set, and hasn't since
	flags     Flag
	ref       reference // the travel while set, tracked as it comes
	freeMM    float64   // the travel while released, tracked
	held      held      // the last word of a probe that reports changes
	above     int       // readings in a row that say released
	below     int       // … and set
	onSwitch  edge      // the release switch's edges in this cycle
	offSwitch edge
	tempC     float64
	restedNS  int64 // how long the brake had rested before this cycle

	toldRelease, toldSet toldTime // what the device measured last
	owedRelease, owedSet edge     // of the last cycle, where the device told no time of it

	record // what is known over the cycles

	nowNS  int64
	wakeNS int64
	dueNS  int64 // when the brake must have freed, or set
}

// phase is where in its cycle a brake is.
type phase uint8

const (
	resting phase = iota // set, no cycle open
	running              // drive on
	setting              // drive off, cycle not yet closed
)

const (
	never64 = math.MaxInt64
	// a cycle ends with the next drive-on, or when the set plateau after it
	// has been watched for this long
	watchSetNS = 10e9
	// of the rest before a cycle so much is kept with it
	leadNS = 600e6
)

// New makes the state machine of one brake. Settings must have passed the
// checks of a site file.
func New(s Settings) *Brake {
	s.Timing = s.Timing.WithDefaults()
	b := begun(s)
	b.record = newRecord(s)
	return &b
}

// begun is a brake of which nothing has been seen, and whose record is empty.
func begun(s Settings) Brake {
	b := Brake{set: s, driven: s.Drive.Present, probed: s.Travel.Present, tempC: NoValue(), freeMM: NoValue()}
	b.meter.stepMM = s.Travel.ResolutionMM
	b.drive.readBy(s.Drive)
	b.switchr.readBy(s.Released)
	for sig, one := range map[sensors.Signal]SignalSettings{
		sensors.Travel: s.Travel, sensors.Drive: s.Drive, sensors.Released: s.Released, sensors.Temperature: s.Temperature,
		sensors.ReleaseTime: s.ReleaseTime, sensors.SetTime: s.SetTime} {
		b.health[sig] = health{present: one.Present, staleNS: int64(one.StaleAfter)}
	}
	b.thermal = newThermal(s.Thermal)
	b.wakeNS = never64
	return b
}

// WakeNS is the time at which [Brake.Advance] has something to do even if no
// sample comes.
func (b *Brake) WakeNS() int64 { return b.wakeNS }

// Step takes one sample of this brake. Samples come in the order of time.
func (b *Brake) Step(s sensors.Sample, out *Out) {
	first := b.nowNS == 0
	b.hold(s.AtNS, out)
	b.nowNS = s.AtNS
	if first {
		b.begin()
	}
	if s.Signal == sensors.Travel && b.set.Travel.ByException {
		b.heard(s)
	}
	h := &b.health[s.Signal]
	if !h.present {
		h.present, h.lastNS = true, s.AtNS
		b.wakeNS = s.AtNS
	}
	if s.Quality == sensors.NoAnswer || math.IsNaN(s.Value) && s.Quality == sensors.Good {
		b.Advance(s.AtNS, out)
		return
	}
	h.heard(b, s, out)
	if s.Quality == sensors.Bad {
		switch s.Signal {
		case sensors.Travel:
			if b.phase != resting {
				b.lost++
			}
		case sensors.Drive:
			b.drive.doubted = true
		case sensors.Released:
			b.switchr.doubted = true
		}
		b.Advance(s.AtNS, out)
		return
	}
	switch s.Signal {
	case sensors.Travel:
		b.travel(s.AtNS, s.Value, out)
	case sensors.Drive:
		b.driven = true
		if b.drive.step(s.AtNS, s.Value >= 0.5) {
			b.driveEdge(b.drive.cand, out)
		}
		b.wakeFor(&b.drive)
	case sensors.Released:
		if b.switchr.step(s.AtNS, s.Value >= 0.5) {
			b.switchEdge(b.switchr.cand)
		}
		b.wakeFor(&b.switchr)
	case sensors.Temperature:
		b.tempC = s.Value
	case sensors.ReleaseTime:
		b.toldRelease = toldTime{s.AtNS, s.Value * 1e-3}
	case sensors.SetTime:
		b.toldSet = toldTime{s.AtNS, s.Value * 1e-3}
	}
	if b.nowNS >= b.wakeNS {
		b.Advance(s.AtNS, out)
	} else if b.phase != resting && b.undecided() {
		b.deadlines(out)
	}
}

// begin starts the watch for silence with the first sample.
func (b *Brake) begin() {
	for i := range b.health {
		b.health[i].lastNS = b.nowNS
	}
	b.wakeNS = b.nowNS
}

// Advance lets time pass up to atNS: what waits for time is looked at.
func (b *Brake) Advance(atNS int64, out *Out) {
	if b.nowNS == 0 {
		b.nowNS = atNS
		b.begin()
	}
	b.hold(atNS, out)
	b.nowNS = max(b.nowNS, atNS)
	if b.drive.advance(b.nowNS) {
		b.driveEdge(b.drive.cand, out)
	}
	if b.switchr.advance(b.nowNS) {
		b.switchEdge(b.switchr.cand)
	}
	for sig := range b.health {
		b.health[sig].silence(b, sensors.Signal(sig), out)
	}
	b.deadlines(out)
	b.passByHand(out)
	b.passDuty(out)
	b.setWake()
}

// setWake works out when time alone will matter next.
func (b *Brake) setWake() {
	wake := int64(never64)
	for i := range b.health {
		if h := &b.health[i]; h.present && !h.stale && h.staleNS > 0 {
			wake = min(wake, h.lastNS+h.staleNS+1)
		}
	}
	for _, c := range []*contact{&b.drive, &b.switchr} {
		if c.pending {
			wake = min(wake, c.cand.HiNS+debounceNS)
		}
	}
	if h := b.hand; h != nil && h.known && !b.counted() {
		wake = min(wake, h.judgedNS+judgeByTimeNS)
	}
	b.wakeNS = min(wake, b.deadlineNS(), b.dutyWakeNS())
}

// wakeFor sees to it that a new value on trial is looked at when its time is
// up, though no sample comes.
func (b *Brake) wakeFor(c *contact) {
	if c.pending {
		b.wakeNS = min(b.wakeNS, c.cand.HiNS+debounceNS)
	}
}

// driveEdge opens or closes a cycle.
func (b *Brake) driveEdge(e edge, out *Out) {
	e.BounceMS, e.BounceUMS = b.bounce.of(e, b.drive.periodNS()*1e-6)
	if e.On {
		b.finish(e.LoNS, out)
		b.open(e, out)
	} else {
		b.driveOff(e)
	}
	b.wakeNS = min(b.wakeNS, b.deadlineNS())
}

func (b *Brake) open(e edge, out *Out) {
	b.phase, b.on = running, e
	b.restedNS = e.HiNS - b.off.HiNS
	b.dueNS = e.atNS() + int64(b.set.Timing.NotReleasedAfter)
	b.fromNS = max(b.fromNS, e.LoNS-watchSetNS)
	b.meter.scratch = &out.scratch
	b.meter.begin(&b.trace, b.fromNS, e)
	b.meter.scratch = nil
	b.trace.dropBefore(max(b.fromNS, e.LoNS-leadNS))
	b.freed, b.closed, b.raised, b.told, b.flags, b.lost = false, false, false, false, 0, 0
	b.above, b.below = 0, 0
	b.onSwitch, b.offSwitch = edge{}, edge{}
}

func (b *Brake) driveOff(e edge) {
	if b.phase != running { // the drive was on before anything was known
		b.fromNS = e.HiNS
		return
	}
	b.phase, b.off = setting, e
	b.dueNS = e.atNS() + int64(b.set.Timing.NotSetAfter)
	b.above, b.below = 0, 0
	b.raised, b.told = false, false
}

func (b *Brake) switchEdge(e edge) {
	switch {
	case b.phase == running && e.On && b.onSwitch.HiNS == 0:
		b.onSwitch = e
	case b.phase == setting && !e.On && b.offSwitch.HiNS == 0:
		b.offSwitch = e
	}
}

// finish measures the open cycle, which lasted until endNS.
func (b *Brake) finish(endNS int64, out *Out) {
	if b.phase != setting {
		return
	}
	b.phase = resting
	if b.driven && b.probed {
		b.freeze(b.off.LoNS, out)
	}
	b.meter.short.now = false
	b.meter.scratch = &out.scratch
	c := b.measured(endNS)
	b.meter.scratch = nil
	b.takeTold(&c)
	c.Flags |= b.flags
	c.TemperatureC = b.tempC
	if Has(c.GapMM) {
		c.GapUCalMM = b.set.Travel.CalibrationU
		if good, _ := b.Good(sensors.Temperature); good {
			b.thermal.learn(c.GapMM, c.GapUMM, b.tempC)
			c.GapMM, c.GapUMM = b.thermal.refer(c.GapMM, c.GapUMM, b.tempC)
		}
	}
	out.Cycles = append(out.Cycles, c)
	if b.probed || b.trace.len() > 0 {
		out.Waveforms = append(out.Waveforms, b.waveform(c, endNS))
	}
	b.trace.cycleOver()
	b.tellProbe(c, out)
	b.learn(c, b.nowNS, out)
	b.fromNS = max(b.fromNS, b.off.HiNS)
}

func (b *Brake) measured(endNS int64) Cycle {
	w := window{on: b.on, off: b.off, endNS: endNS, driven: b.driven, lost: b.lost, restedNS: b.restedNS}
	if b.trace.len() == 0 && b.driven {
		return b.switchCycle()
	}
	if b.driven {
		w.bounce, w.drivePollMS = &b.bounce, b.drive.periodNS()*1e-6
	}
	if b.flags&(FlagFrozen|FlagNotSet) != 0 || b.heldOpen {
		return bareCycle(w)
	}
	want := expectation{gapMM: NoValue(), minMM: b.minTravel()}
	if b.wear.set {
		want.gapMM = b.wear.gap
	}
	return b.meter.measure(&b.trace, w, want)
}

// minTravel is the travel below which a brake doesn't count as released.
func (b *Brake) minTravel() float64 { return 0.6 * b.set.Limits.MinMM }

// switchCycle is a cycle without a travel probe: times from the release
// switch.
func (b *Brake) switchCycle() Cycle {
	c := bareCycle(window{on: b.on, off: b.off})
	if b.onSwitch.HiNS != 0 {
		c.Kind = Full
		c.ReleaseS, c.ReleaseUS = between(b.on, b.onSwitch)
	}
	if b.offSwitch.HiNS != 0 && b.onSwitch.HiNS != 0 {
		c.SetS, c.SetUS = between(b.off, b.offSwitch)
	}
	return c
}

// between is the time from one edge to another. Both are uniform over their
// brackets; for equal brackets the difference is triangular with variance
// T²/6.
func between(from, to edge) (s, uS float64) {
	return math.Max(0, float64(to.atNS()-from.atNS())*1e-9), math.Hypot(from.uS(), to.uS())
}

// Close closes an open cycle at the end of a recording.
func (b *Brake) Close(out *Out) { b.finish(b.nowNS+1, out) }

// Flush closes an open cycle and tells the forecast as it stands. Where siblings
// are flushed with the brake, all are closed first.
func (b *Brake) Flush(out *Out) {
	b.Close(out)
	b.final(out)
}

// waveform copies the travel of a cycle, thinned to a few hundred readings.
func (b *Brake) waveform(c Cycle, endNS int64) Waveform {
	const most = 400
	lo, hi := b.trace.span(b.on.LoNS-500e6, min(endNS, b.off.HiNS+1500e6))
	every := (hi-lo)/most + 1
	n := (hi - lo + every - 1) / every
	w := Waveform{CycleAtNS: c.AtNS, OffNS: c.OnNS, TimesNS: make([]int64, 0, n), TravelMM: make([]float32, 0, n)}
	for i := lo; i < hi; i += every {
		w.TimesNS = append(w.TimesNS, b.trace.at(i)-c.AtNS)
		w.TravelMM = append(w.TravelMM, float32(b.trace.mm(i)))
	}
	return w
}
