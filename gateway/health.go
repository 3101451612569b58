package gateway

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"gapward/alerts"
	"gapward/gateway/export"
	"gapward/sensors"
)

// watch is what is known of the health of the devices, the store and the
// owner. It is safe for use by several goroutines.
type watch struct {
	mu      sync.Mutex
	devices map[string]*DeviceHealth
	store   error     // why the latest commit failed
	since   time.Time // … and since when
	cycles  int64     // given up because the store could not take them …
	others  int64     // … and forecasts and alarms
	refused map[string]int64
	fault   alerts.Event // the latest change of the gateway's own alarm

	// Neither is by the wall clock, which may be set.
	began  time.Time
	turned atomic.Int64 // when the owner last went round, nanoseconds since began
	loops  []*pollLoop

	quietFor time.Duration // see Options
}

// pollLoop is a source that sends something all the time, if only that its
// device doesn't answer.
type pollLoop struct {
	name   string
	within time.Duration // it sends at least so often; 0: nothing is known
	sent   atomic.Int64  // nanoseconds since the watch began
	over   atomic.Bool   // it has given up, which is told elsewhere
}

// DeviceHealth is whether a device answers.
type DeviceHealth struct {
	Device string
	Heard  bool // there was any answer, or failure, since the start
	OK     bool
	Since  time.Time // when OK last changed
	Err    error     // of the latest poll that failed, while not OK
}

func newWatch(devices []string, now time.Time) *watch {
	w := &watch{devices: map[string]*DeviceHealth{}, refused: map[string]int64{}, began: now}
	for _, d := range devices {
		w.devices[d] = &DeviceHealth{Device: d, Since: now}
	}
	return w
}

// loop makes the record of a source's poll loop.
func (w *watch) loop(name string, within time.Duration) *pollLoop {
	if w.quietFor > 0 && within > 0 {
		within = w.quietFor
	}
	l := &pollLoop{name: name, within: within}
	l.sent.Store(int64(time.Since(w.began)))
	w.mu.Lock()
	defer w.mu.Unlock()
	w.loops = append(w.loops, l)
	return l
}

func (w *watch) heard(l *pollLoop) { l.sent.Store(int64(time.Since(w.began))) }

// turn takes note that the owner goes round.
func (w *watch) turn() { w.turned.Store(int64(time.Since(w.began))) }

// lose counts what was given up, and is how much that is since the start.
func (w *watch) lose(cycles, others int64) (allCycles, allOthers int64) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.cycles += cycles
	w.others += others
	return w.cycles, w.others
}

// exported takes note of how an exporter fares.
func (w *watch) exported(p export.Progress) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.refused[p.Exporter] = p.SetAside
}

// refusals are the rows that each exporter's far end refused for good.
func (w *watch) refusals() map[string]int64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	return maps.Clone(w.refused)
}

// own takes note of a change of the gateway's own alarm.
func (w *watch) own(e alerts.Event) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.fault = e
}

// ownAlarm is the latest change of the gateway's own alarm; ok is false where
// there was none since the start.
func (w *watch) ownAlarm() (e alerts.Event, ok bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.fault, w.fault.Condition != ""
}

// Polled takes note of a poll; it makes watch a [sensors.Watcher].
func (w *watch) Polled(device string, p sensors.Poll) {
	w.mu.Lock()
	defer w.mu.Unlock()
	d := w.devices[device]
	if d == nil {
		return
	}
	ok := p.Err == nil
	if !d.Heard || d.OK != ok {
		d.Heard, d.OK, d.Since = true, ok, p.At
	}
	d.Err = p.Err
}

// ended takes note of a source that has given up.
func (w *watch) ended(device string, err error, now time.Time) {
	w.Polled(device, sensors.Poll{At: now, Err: err})
}

// health lists the devices by name.
func (w *watch) health() []DeviceHealth {
	w.mu.Lock()
	defer w.mu.Unlock()
	list := make([]DeviceHealth, 0, len(w.devices))
	for _, d := range w.devices {
		list = append(list, *d)
	}
	slices.SortFunc(list, func(a, b DeviceHealth) int { return strings.Compare(a.Device, b.Device) })
	return list
}

func (w *watch) stored(err error, now time.Time) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if (err == nil) != (w.store == nil) {
		w.since = now
	}
	w.store = err
}

// ready is nil while all devices answer and the store takes what it is given;
// otherwise it says which doesn't.
func (w *watch) ready() error {
	var wrong []string
	for _, d := range w.health() {
		switch {
		case !d.Heard:
			wrong = append(wrong, fmt.Sprintf("device %s: nothing heard yet", d.Device))
		case !d.OK:
			wrong = append(wrong, fmt.Sprintf("device %s: since %s: %v", d.Device, d.Since.UTC().Format(time.RFC3339), d.Err))
		}
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.store != nil {
		wrong = append(wrong, fmt.Sprintf("store: since %s: %v", w.since.UTC().Format(time.RFC3339), w.store))
	}
	if len(wrong) == 0 {
		return nil
	}
	return fmt.Errorf("%s", strings.Join(wrong, "\n"))
}

// stuckAfter is how long the owner may take for one turn.
const stuckAfter = 15 * time.Second

// alive is nil while the owner goes round and the poll loops send.
func (w *watch) alive(now time.Time) error {
	since, stuck := now.Sub(w.began), stuckAfter
	if w.quietFor > 0 {
		stuck = w.quietFor
	}
	if idle := since - time.Duration(w.turned.Load()); idle > stuck {
		return fmt.Errorf("the pipeline has not moved for %v", idle.Round(time.Second))
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, l := range w.loops {
		if idle := since - time.Duration(l.sent.Load()); l.within > 0 && !l.over.Load() && idle > l.within {
			return fmt.Errorf("the polling of %s has not moved for %v", l.name, idle.Round(time.Second))
		}
	}
	return nil
}
