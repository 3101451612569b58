package gateway

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"gapward/sensors"
)

// watch is what is known of the health of the devices, the store and the
// owner. It is safe for use by several goroutines.
type watch struct {
	mu      sync.Mutex
	devices map[string]*DeviceHealth
	store   error     // why the latest commit failed
	since   time.Time // … and since when
	lost    int64     // rows given up because the store could not take them

	turned atomic.Int64 // when the owner last went round, Unix nanoseconds
	late   atomic.Int64 // samples that came too late to be put in order
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
	w := &watch{devices: map[string]*DeviceHealth{}}
	for _, d := range devices {
		w.devices[d] = &DeviceHealth{Device: d, Since: now}
	}
	w.turned.Store(now.UnixNano())
	return w
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

// alive is nil while the owner goes round.
func (w *watch) alive(now time.Time) error {
	if idle := now.Sub(time.Unix(0, w.turned.Load())); idle > stuckAfter {
		return fmt.Errorf("the pipeline has not moved for %v", idle.Round(time.Second))
	}
	return nil
}
