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
}

// NewPlant returns the brakes as they are at a time.
func NewPlant(brakes []BrakeSpec, at time.Time, seed uint64) (*Plant, error) {
	models, err := newModels(brakes, at, seed)
	if err != nil {
		return nil, err
	}
	return newPlant(models), nil
}

func newPlant(models []*model) *Plant {
	p := &Plant{models: models, at: make(map[int32]*model, len(models))}
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
	Value   float64       // mm, 0 or 1, °C
	Broken  bool          // the sensor's wire is broken
	Silent  bool          // the device doesn't answer
	ClockBy time.Duration // how far the device's own clock is ahead
	Slow    time.Duration // how much longer its answers take
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
	v, broken := m.value(s, atNS)
	f := &m.faults
	return Reading{Value: v, Broken: broken, Silent: f.silent,
		ClockBy: time.Duration(f.clockOffS * 1e9), Slow: time.Duration(f.slowS * 1e9)}
}

// AdvanceTo brings all brakes to a time, wearing them on the way.
func (p *Plant) AdvanceTo(t time.Time) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, m := range p.models {
		m.advance(t.UnixNano())
	}
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

// Apply lets something go wrong, or be done, at ev.At; what lies in the past
// happens at once. Its After is of no effect here.
func (p *Plant) Apply(ev Event) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return apply(p.models, ev)
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
// a fault of a device those of all brakes wired to the same devices.
func apply(models []*model, ev Event) error {
	if err := ev.Validate(); err != nil {
		return err
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
