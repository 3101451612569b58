// Package field stands in for the devices of a site: it shows the signals of
// simulated brakes as Modbus TCP servers, as Modbus RTU devices on serial
// lines, and as MQTT publishers, at the addresses, registers, scales and topics
// of the site file. A value is worked out at the moment it's asked for, so that
// whoever polls sees true timing.
//
// A serial port that exists is opened. Where there is none, a pseudo terminal
// is made and linked to the port's path; it takes the time that a real line
// would take. It has its own Modbus encoder and shares no code with the reading
// side, so that the two check each other.
package field

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net"
	"net/url"
	"slices"
	"strings"
	"sync"
	"time"

	"gapward/sensors"
	"gapward/simulator"
)

// Config is what a [Field] stands in for.
type Config struct {
	Devices  map[string]sensors.Device // by name
	Channels []sensors.Channel         // every one's device must be among Devices
	Plant    *simulator.Plant          // has each brake of the channels
	Now      func() time.Time          // the plant's time; nil means the clock
	Log      *slog.Logger              // nil means none
}

// Field is the running stand-in.
type Field struct {
	plant      *simulator.Plant
	now        func() time.Time
	log        *slog.Logger
	places     map[string]*place
	publishers []*publisher
	addresses  map[string]string // by device
}

// place is where Modbus devices are reached: a listener or a serial line.
type place struct {
	units map[uint8]*unitMap
	addr  string // where it really is
	run   func(context.Context) error
	close func()
}

// New makes the stand-in, binds its Modbus listeners and opens its serial
// lines, so that a port that is taken shows at once and port 0 has become a
// real one. It fails for channels that can't be wired as they are.
func New(cfg Config) (_ *Field, err error) {
	f := &Field{plant: cfg.Plant, now: cfg.Now, log: cfg.Log,
		places: make(map[string]*place), addresses: make(map[string]string)}
	if f.now == nil {
		f.now = time.Now
	}
	if f.log == nil {
		f.log = slog.New(slog.DiscardHandler)
	}
	defer func() {
		if err != nil {
			f.Close()
		}
	}()
	byDevice := make(map[string][]sensors.Channel)
	for _, c := range cfg.Channels {
		if _, ok := cfg.Devices[c.Wiring.Device]; !ok {
			return nil, fmt.Errorf("simulate: %s of %s is on the device %q, which doesn't exist", c.Signal, c.Name, c.Wiring.Device)
		}
		byDevice[c.Wiring.Device] = append(byDevice[c.Wiring.Device], c)
	}
	for _, name := range slices.Sorted(maps.Keys(cfg.Devices)) {
		d := cfg.Devices[name]
		switch {
		case d.Modbus != "":
			err = f.addModbus(name, d, byDevice[name])
		case d.MQTT != "":
			err = f.addMQTT(name, d, byDevice[name])
		default:
			err = errors.New("it has neither a modbus nor an mqtt address")
		}
		if err != nil {
			return nil, fmt.Errorf("simulate: device %s: %w", name, err)
		}
	}
	return f, nil
}

func (f *Field) addModbus(name string, d sensors.Device, channels []sensors.Channel) error {
	u, err := url.Parse(d.Modbus)
	if err != nil {
		return fmt.Errorf("its modbus address: %w", err)
	}
	where, open := u.Host, f.listen
	switch u.Scheme {
	case "tcp":
	case "rtu+tcp":
		open = f.listenForLine
	case "rtu":
		where, open = u.Path, f.openSerial
	default:
		return fmt.Errorf("its modbus address %s begins neither with tcp:// nor with rtu:// or rtu+tcp://", d.Modbus)
	}
	p, ok := f.places[where]
	if !ok {
		p = &place{units: make(map[uint8]*unitMap)}
		if err := open(u, p); err != nil {
			return err
		}
		f.places[where] = p
	}
	f.addresses[name] = p.addr
	m, ok := p.units[d.Unit]
	if !ok {
		m = newUnitMap()
		p.units[d.Unit] = m
	}
	for _, c := range channels {
		if err := m.add(c); err != nil {
			return err
		}
	}
	return nil
}

// listen makes a place a Modbus TCP server.
func (f *Field) listen(u *url.URL, p *place) error {
	l, err := net.Listen("tcp", u.Host)
	if err != nil {
		return fmt.Errorf("listening on %s: %w", u.Host, err)
	}
	s := &modbusServer{listener: l, log: f.log, unit: func(n uint8) (memory, bool) { return f.view(p.units, n) },
		conduct: func(n uint8) conduct { return f.conduct(p.units, n) }}
	p.addr, p.run, p.close = l.Addr().String(), s.run, func() { l.Close() }
	return nil
}

// listenForLine makes a place a serial device server.
func (f *Field) listenForLine(u *url.URL, p *place) error {
	settings, err := parseLineSettings(u)
	if err != nil {
		return err
	}
	l, err := net.Listen("tcp", u.Host)
	if err != nil {
		return fmt.Errorf("listening on %s: %w", u.Host, err)
	}
	s := &lineServer{&rtuServer{name: l.Addr().String(), pace: paceOf(settings), log: f.log}, l}
	f.show(s.rtuServer, p)
	p.addr, p.run, p.close = l.Addr().String(), s.run, func() { l.Close() }
	return nil
}

// openSerial makes a place a serial line.
func (f *Field) openSerial(u *url.URL, p *place) error {
	settings, err := parseLineSettings(u)
	if err != nil {
		return err
	}
	s, err := openLine(u.Path, settings, f.log)
	if err != nil {
		return err
	}
	f.show(s.rtuServer, p)
	p.addr, p.run, p.close = u.Path, s.run, s.close
	return nil
}

// show lets a line show the units of a place. On a line every unit has its
// number.
func (f *Field) show(s *rtuServer, p *place) {
	exact := func(n uint8) map[uint8]*unitMap {
		if _, ok := p.units[n]; !ok {
			return nil
		}
		return p.units
	}
	s.unit = func(n uint8) (memory, bool) { return f.view(exact(n), n) }
	s.conduct = func(n uint8) conduct { return f.conduct(exact(n), n) }
}

// unitAt finds a unit. Unit 0 is a device that doesn't care how it's called.
func unitAt(units map[uint8]*unitMap, n uint8) (*unitMap, bool) {
	m, ok := units[n]
	if !ok {
		m, ok = units[0]
	}
	return m, ok
}

// view is what a unit shows at this moment.
func (f *Field) view(units map[uint8]*unitMap, n uint8) (memory, bool) {
	m, ok := unitAt(units, n)
	if !ok {
		return nil, false
	}
	at := f.now().UnixNano()
	return view{m, at, func(w *wired) simulator.Reading { return f.read(w, at) }}, true
}

// conduct is how a unit behaves at this moment: that of any brake on it, as
// the faults of a device strike all of them.
func (f *Field) conduct(units map[uint8]*unitMap, n uint8) conduct {
	m, ok := unitAt(units, n)
	if !ok || m.any == nil {
		return conduct{}
	}
	r := f.read(m.any, f.now().UnixNano())
	return conduct{silent: r.Silent, slow: r.Slow}
}

func (f *Field) read(w *wired, atNS int64) simulator.Reading {
	return f.plant.Read(w.channel.Brake, w.channel.Signal, atNS)
}

// Addr is the address at which a device really is: host and port of its
// Modbus listener, or of the broker it publishes to; of a serial line the path
// of its port. It is empty for a device that doesn't exist.
func (f *Field) Addr(device string) string { return f.addresses[device] }

// Apply lets something go wrong, or be done, while the stand-in runs: at
// ev.At, or now where that is zero.
func (f *Field) Apply(ev simulator.Event) error {
	if ev.At.IsZero() {
		ev.At = f.now()
	}
	return f.plant.Apply(ev)
}

// Run stands in for the devices until ctx ends; then it closes every
// connection and returns nil. It may be called once.
func (f *Field) Run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	defer f.Close()
	var running sync.WaitGroup
	var mu sync.Mutex
	var errs []error
	start := func(run func(context.Context) error) {
		running.Go(func() {
			if err := run(ctx); err != nil {
				mu.Lock()
				errs = append(errs, err)
				mu.Unlock()
				cancel() // a half-dead site would look like a fault of its own
			}
		})
	}
	for _, p := range f.places {
		start(p.run)
	}
	for _, p := range f.publishers {
		start(p.run)
	}
	<-ctx.Done()
	running.Wait()
	return errors.Join(errs...)
}

// Close frees the addresses of a stand-in that isn't going to run. Run does it
// by itself; a second call does nothing.
func (f *Field) Close() {
	for _, p := range f.places {
		p.close()
	}
}

// String lists the devices with their real addresses, for a start message.
func (f *Field) String() string {
	var parts []string
	for _, name := range slices.Sorted(maps.Keys(f.addresses)) {
		parts = append(parts, name+" at "+f.addresses[name])
	}
	return strings.Join(parts, ", ")
}
