package simulator

import (
	"fmt"
	"sync"
	"time"

	"gapward/sensors"
)

// Plant is a set of brakes that can be asked for their signals, moment by
// moment, by several goroutines. Time goes forward: a moment before the
// present segment of a brake is answered as if it were its beginning.
type Plant struct {
	mu     sync.Mutex
	models []*model
	at     map[int32]*model
	seenNS int64 // the latest moment that it was asked about
}

// NewPlant returns the brakes as they are at a time.
func NewPlant(brakes []BrakeSpec, at time.Time, seed uint64) (*Plant, error) {
	models, err := newModels(brakes, at, seed)
	if err != nil {
		return nil, err
	}
	return newPlant(models, at.UnixNano()), nil
}

func newPlant(models []*model, atNS int64) *Plant {
	p := &Plant{models: models, at: make(map[int32]*model, len(models)), seenNS: atNS}
	for _, m := range models {
		p.at[m.spec.Index] = m
	}
	return p
}

func newModels(brakes []BrakeSpec, from time.Time, seed uint64) ([]*model, error) {
	n := newNormals()
	models := make([]*model, 0, len(brakes))
	names := make(map[string]bool)
	numbers := make(map[int32]bool)
	for _, b := range brakes {
		if err := b.validate(); err != nil {
			return nil, err
		}
		if names[b.Name] || numbers[b.Index] {
			return nil, fmt.Errorf("brake %s (position %d) is given twice", b.Name, b.Index)
		}
		names[b.Name], numbers[b.Index] = true, true
		models = append(models, newModel(b, from, seed, n))
	}
	return models, nil
}

// Reading is a signal at a moment, as the device has it before encoding.
type Reading struct {
	Value   float64       // mm, 0 or 1, °C, ms
	Broken  bool          // the sensor's wire is broken
	Silent  bool          // the device doesn't answer
	ClockBy time.Duration // how far the device's own clock is ahead
	Slow    time.Duration // how much longer its answers take

	ChangedNS int64 // when a contact changed last, as a device with a clock stamps it
	Count     int   // how often a time was measured
}

// Read gives a signal of a brake at a moment. A brake that the plant doesn't
// have reads as a broken wire.
func (p *Plant) Read(brake int32, s sensors.Signal, atNS int64) Reading {
	p.mu.Lock()
	defer p.mu.Unlock()
	m, ok := p.at[brake]
	if !ok {
		return Reading{Broken: true}
	}
	p.seenNS = max(p.seenNS, atNS)
	v, broken := m.value(s, atNS)
	changedNS, count := int64(0), 0
	if s.Binary() || s.Measured() {
		changedNS, count = m.madeAt(atNS).of(s)
	}
	f := &m.faults
	return Reading{ChangedNS: changedNS, Count: count, Value: v, Broken: broken, Silent: f.silent,
		ClockBy: time.Duration(f.clockOffS * 1e9), Slow: time.Duration(f.slowS * 1e9)}
}

// AdvanceTo brings all brakes to a time, wearing them on the way.
func (p *Plant) AdvanceTo(t time.Time) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.seenNS = max(p.seenNS, t.UnixNano())
	for _, m := range p.models {
		m.advance(p.seenNS)
	}
}

// SetDuty changes how all the brakes are used, from a time on or, where a
// drive is then on, soon after it goes off. The brakes stay as they are: it's
// how a history of working days goes on as a demonstration in continuous use.
func (p *Plant) SetDuty(duty Duty, from time.Time) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, m := range p.models {
		spec := m.spec
		spec.Duty = duty
		if err := spec.validate(); err != nil {
			return err
		}
	}
	for _, m := range p.models {
		m.advance(max(from.UnixNano(), p.seenNS))
		m.setDuty(duty, max(from.UnixNano(), p.seenNS))
	}
	return nil
}

// GapMM is the underlying gap of a brake now: what wear and adjustments have
// left.
func (p *Plant) GapMM(brake int32) (gapMM float64, ok bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	m, ok := p.at[brake]
	if !ok {
		return 0, false
	}
	return m.gapMM, true
}

// Apply lets something go wrong, or be done, at ev.At; what lies in the past,
// or has no time, happens at once: at the latest moment that the plant was
// asked about. Its After is of no effect here.
func (p *Plant) Apply(ev Event) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return apply(p.models, ev, p.seenNS)
}

// OnCycle has each brake report the truth of every cycle when the next begins.
// The function is called while the plant is locked: it must not ask the plant.
func (p *Plant) OnCycle(f func(Truth)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, m := range p.models {
		m.onCycle = f
	}
}

// apply queues an event with the models that it concerns: one brake's, or for
// a fault of a device those of all brakes wired to the same devices. It
// happens at earliestNS at the earliest.
func apply(models []*model, ev Event, earliestNS int64) error {
	if err := ev.Validate(); err != nil {
		return err
	}
	earliest := time.Unix(0, earliestNS)
	if ev.At.Before(earliest) {
		ev.At = earliest
	}
	var hit *model
	for _, m := range models {
		if m.spec.Name == ev.Brake {
			hit = m
		}
	}
	if hit == nil {
		return fmt.Errorf("fault %s: there is no brake named %q", ev.Fault, ev.Brake)
	}
	for _, m := range models {
		if m == hit || ev.Fault.OfDevice() && m.spec.sharesDevice(&hit.spec) {
			m.change(ev.changes())
		}
	}
	return nil
}

func (b *BrakeSpec) sharesDevice(with *BrakeSpec) bool {
	for _, s := range sensors.Signals() {
		for _, t := range sensors.Signals() {
			mine, theirs := b.wiring(s), with.wiring(t)
			if mine != nil && theirs != nil && mine.Device != "" && mine.Device == theirs.Device {
				return true
			}
		}
	}
	return false
}
