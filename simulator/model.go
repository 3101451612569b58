package simulator

import (
	"fmt"
	"math"
	"slices"
	"time"

	"gapward/sensors"
)

// BrakeSpec is one brake to be modelled: how it behaves, how it is used and
// how its signals are wired. A signal without wiring doesn't exist.
type BrakeSpec struct {
	Index  int32  // position in the site's list of brakes: the Brake of its samples
	Name   string // its randomness hangs on the name
	Hoist  string // brakes of one hoist are driven by the same lifts
	Part   Part   // the drive it belongs to
	Params Params
	Duty   Duty // the same for all brakes of a hoist

	Travel, Drive, Released, Temperature *sensors.Wiring

	ReleaseTime, SetTime *sensors.Wiring // times that the device measures itself
}

// wiring is the wiring of a signal, nil where it doesn't exist.
func (b *BrakeSpec) wiring(s sensors.Signal) *sensors.Wiring {
	switch s {
	case sensors.Travel:
		return b.Travel
	case sensors.Drive:
		return b.Drive
	case sensors.Released:
		return b.Released
	case sensors.Temperature:
		return b.Temperature
	case sensors.ReleaseTime:
		return b.ReleaseTime
	case sensors.SetTime:
		return b.SetTime
	}
	return nil
}

// Wire gives the brake one more signal.
func (b *BrakeSpec) Wire(s sensors.Signal, w sensors.Wiring) {
	switch s {
	case sensors.Travel:
		b.Travel = &w
	case sensors.Drive:
		b.Drive = &w
	case sensors.Released:
		b.Released = &w
	case sensors.Temperature:
		b.Temperature = &w
	case sensors.ReleaseTime:
		b.ReleaseTime = &w
	case sensors.SetTime:
		b.SetTime = &w
	}
}

func (b *BrakeSpec) validate() error {
	if b.Name == "" {
		return fmt.Errorf("brake %d has no name", b.Index)
	}
	if err := b.Params.Validate(); err != nil {
		return fmt.Errorf("parameters of brake %s: %w", b.Name, err)
	}
	if err := b.Duty.Validate(); err != nil {
		return fmt.Errorf("duty of brake %s: %w", b.Name, err)
	}
	if b.Part == CreepDrive && b.Duty.CreepShare+b.Duty.CreepOnly == 0 {
		return fmt.Errorf("duty of brake %s: CreepShare and CreepOnly are 0, its drive would never come on", b.Name)
	}
	if b.Part == MainDrive && b.Duty.CreepOnly >= 1 {
		return fmt.Errorf("duty of brake %s: CreepOnly is 1, its drive would never come on", b.Name)
	}
	return nil
}

// model is one brake as it goes through time. Time goes forward; a question
// about a moment shortly past is answered from the present segment.
type model struct {
	spec     BrakeSpec
	p        *Params
	seed     uint64
	normals  *normals
	schedule *Schedule
	coming   Interval // the drive's next time on, not yet begun

	cycleKey, noiseKey, bounceKey key

	seg    segment
	wakeNS int64 // before it nothing changes but by the segment's own functions
	cycle  int64 // of the coming interval

	gapMM     float64 // underlying
	seatMM    float64 // how the brake sits since its last stop
	stops     float64 // of this lining
	zeroMM    float64 // drift of the probe's zero at the end of seg
	faults    standing
	pending   []change // probe and standing faults, by time
	bench     []change // what waits for the brake to rest, by time
	onCycle   func(Truth)
	was       made  // what a device had made of it by the end of the segment before
	thermalNS int64 // the grid point at which thermalC is the temperature
	thermalC  float64
}

// lead is how long before a drive-on its segment begins, at most.
const lead = 2 * time.Second

func newModel(spec BrakeSpec, from time.Time, seed uint64, n *normals) *model {
	m := &model{
		spec: spec, seed: seed, normals: n, schedule: newSchedule(spec.Duty, seed, spec.Hoist, from, n),
		cycleKey: newKey(seed, spec.Name, "cycles"), noiseKey: newKey(seed, spec.Name, "noise"),
		bounceKey: newKey(seed, spec.Name, "bounce"),
		gapMM:     spec.Params.InitialGapMM, stops: spec.Params.WornCycles, faults: healthy(),
		thermalNS: math.MinInt64,
	}
	m.p = &m.spec.Params
	k := newKey(seed, spec.Name, "start")
	m.zeroMM = m.p.WanderMM * n.from(k.bits(0))
	m.coming = m.schedule.nextOf(spec.Part)
	start := from.UnixNano()
	s := &m.seg
	s.startNS, s.endNS, s.onNS, s.offNS, s.restNS = start, segmentEnd(start, m.coming.OnNS), start, start, start
	s.travel, s.arrivedNS, s.switchOnNS, s.switchOffNS = m.gapMM, never, never, never
	m.was.driveNS, m.was.switchNS = start, start
	s.zero = m.zeroMM
	s.ambientC = m.ambientC(start)
	s.startC = s.ambientC
	m.setWake()
	return m
}

// segmentEnd is where the segment ends whose drive went off, in view of the
// next drive-on.
func segmentEnd(offNS, nextOnNS int64) int64 {
	return nextOnNS - min(int64(lead), (nextOnNS-offNS)/2)
}

// setDuty has the brake used otherwise from a time on, to which the model has
// been brought. What the drive has begun it ends.
func (m *model) setDuty(d Duty, fromNS int64) {
	s := &m.seg
	if s.hasCycle {
		fromNS = max(fromNS, s.restNS, s.offNS+int64(minimumRest))
	}
	m.spec.Duty = d
	m.schedule = newSchedule(d, m.seed, m.spec.Hoist, time.Unix(0, fromNS), m.normals)
	m.coming = m.schedule.nextOf(m.spec.Part)
	s.endNS = segmentEnd(fromNS, m.coming.OnNS)
	m.zeroMM = s.zero + s.zeroPerNS*float64(s.endNS-s.startNS) // the drift goes on as it began
	m.setWake()
}

// ambientC is the temperature of the surroundings: warmest at 15 o'clock.
func (m *model) ambientC(tNS int64) float64 {
	const dayNS = 24 * 3600e9
	return m.p.AmbientC + m.p.AmbientSwingK*math.Cos(2*math.Pi*(float64(tNS%dayNS)-15*3600e9)/dayNS)
}

// advance brings the model to a time: begins segments and carries out changes.
func (m *model) advance(toNS int64) {
	for m.wakeNS <= toNS {
		switch at := m.wakeNS; {
		case len(m.pending) > 0 && m.pending[0].atNS <= at:
			c := m.pending[0]
			m.pending = m.pending[1:]
			m.faults.switchTo(c, func() float64 { return m.probeMM(at) })
		case len(m.bench) > 0 && max(m.bench[0].atNS, m.seg.restNS) <= at && at < m.seg.endNS:
			c := m.bench[0]
			m.bench = m.bench[1:]
			m.atBench(c, at)
		default:
			m.begin()
		}
		m.setWake()
	}
}

func (m *model) setWake() {
	m.wakeNS = m.seg.endNS
	if len(m.pending) > 0 {
		m.wakeNS = min(m.wakeNS, m.pending[0].atNS)
	}
	if len(m.bench) > 0 {
		m.wakeNS = min(m.wakeNS, max(m.bench[0].atNS, m.seg.restNS))
	}
}

// change queues what an event asks for; what lies in the past happens now.
func (m *model) change(list []change) {
	for _, c := range list {
		q := &m.pending
		if c.atRest() {
			q = &m.bench
		}
		i := len(*q)
		for i > 0 && (*q)[i-1].atNS > c.atNS {
			i--
		}
		*q = slices.Insert(*q, i, c)
	}
	m.setWake()
}

// atBench carries out what is done to a resting brake.
func (m *model) atBench(c change, atNS int64) {
	switch c.fault {
	case Adjusted:
		m.gapMM -= c.amount
	case NewLining:
		m.gapMM, m.stops = c.amount, 0
		if c.amount == 0 {
			m.gapMM = m.p.InitialGapMM
		}
	case NotSetting:
		m.faults.switchTo(c, nil)
	}
	m.gapMM = max(m.gapMM, 0)
	s := &m.seg
	set, travelNS := m.setLevel(), 1.0
	if s.stuckAfterSet && m.faults.stuck == 0 {
		travelNS = m.p.SetTravelS * 1e9
		s.stuckAfterSet, s.switchOffNS = false, min(s.switchOffNS, atNS+int64(travelNS))
	}
	if s.stuckAfterSet {
		return // an open brake shows nothing of what was done to it until it sets
	}
	now := s.level(atNS, m.p)
	s.level0, s.n = now, 0
	s.push(move{startNS: atNS, travelNS: travelNS, from: now, to: set})
	s.travel += s.set - set
	s.set = set
}

// setLevel is where the brake stands when it's set, mm from its first set
// level. The released stop doesn't move: as the lining wears the brake sets
// lower.
func (m *model) setLevel() float64 { return m.p.InitialGapMM - m.gapMM + m.seatMM }

// begin begins the segment of the coming cycle.
func (m *model) begin() {
	prev := m.seg
	if prev.hasCycle && m.onCycle != nil {
		m.onCycle(prev.truth)
	}
	p := m.p
	m.was = m.madeBy(prev.endNS)
	draw := func(i uint64) float64 { return m.normals.from(m.cycleKey.bits(uint64(m.cycle)<<4 + i)) }
	s := &m.seg
	*s = segment{startNS: prev.endNS, onNS: m.coming.OnNS, offNS: m.coming.OffNS, hasCycle: true,
		arrivedNS: never, switchOnNS: never, switchOffNS: never, ripplePhase: 2 * math.Pi * m.cycleKey.unit(uint64(m.cycle)<<4+9)}
	m.coming = m.schedule.nextOf(m.spec.Part)
	s.endNS = segmentEnd(s.offNS, m.coming.OnNS)
	s.rippleHz = math.Abs(p.RippleHz + p.RippleScatterHz*draw(6))

	// The zero of the probe and the temperature.
	hours := float64(s.endNS-s.startNS) / 3600e9
	s.zero = m.zeroMM
	m.zeroMM += p.DriftMMPerHour * hours
	if p.WanderMM > 0 {
		keep := math.Exp(-hours / p.WanderHours)
		m.zeroMM = m.zeroMM*keep + p.WanderMM*math.Sqrt(1-keep*keep)*draw(0)
	}
	s.zeroPerNS = (m.zeroMM - s.zero) / float64(s.endNS-s.startNS)
	onS := float64(s.offNS-s.onNS) * 1e-9
	s.startC, s.ambientC = prev.celsius(s.startNS, p.CoolS), m.ambientC(s.startNS)
	s.heatC = (p.HeatKPerS + p.StopHeatK/onS) * p.CoolS
	s.hasCycle = false // the temperature up to the drive-on is that of a rest
	s.onC = s.celsius(s.onNS, p.CoolS)
	s.hasCycle = true
	s.offC = s.celsius(s.offNS-1, p.CoolS)

	m.travelOf(s, &prev, draw)
	m.cycle++
}
