package commission

import (
	"context"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"gapward/configs"
	"gapward/simulator"
	"gapward/simulator/field"
)

// quay is the site as its devices really are: two hoists on two units of one
// address, a thermometer, a float in two registers.
const quay = `
site: Test Quay
data: DATA
devices:
  quay-io: {modbus: "tcp://ADDRESS", unit: 1, timeout: 1s}
  pit-io: {modbus: "tcp://PIT", unit: 2, timeout: 1s}
brakes:
  - name: quay-1/hoist
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    timing: {release: 300ms, set: 300ms}
    signals:
      travel: {device: quay-io, input: 0, raw: [0, 4095], mm: [0, 10], poll: 50ms, u_mm: 0.01}
      drive: {device: quay-io, discrete: 0}
      released: {device: quay-io, discrete: 1}
      temperature: {device: quay-io, input: 1, raw: [0, 4095], celsius: [-20, 120], poll: 200ms}
  - name: quay-2/hoist
    limits_mm: {min: 0.8, target: 1.0, adjust: 1.8, max: 2.2}
    timing: {release: 300ms, set: 300ms}
    signals:
      travel: {device: quay-io, input: 2, raw: [0, 4095], mm: [0, 10], poll: 50ms, u_mm: 0.01}
      drive: {device: quay-io, discrete: 2}
      released: {device: quay-io, discrete: 3}
  - name: pit-1/hoist
    limits_mm: {min: 0.8, target: 1.0, adjust: 1.8, max: 2.2}
    timing: {release: 300ms, set: 300ms}
    signals:
      travel: {device: pit-io, holding: 100, type: f32, words: cdab, poll: 50ms, u_mm: 0.005}
      drive: {device: pit-io, coil: 16}
`

// spare is a brake that the devices have and no site file names: it never
// frees, so that its switch stays as it is.
const spare = `  - name: spare-1/hoist
    limits_mm: {min: 0.8, target: 1.0, adjust: 1.8, max: 2.2}
    signals:
      drive: {device: quay-io, discrete: 8}
      released: {device: quay-io, discrete: 9}
`

func load(t *testing.T, text string) *configs.Site {
	t.Helper()
	path := filepath.Join(t.TempDir(), "site.yaml")
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	site, problems, err := configs.Load(path, configs.Run)
	if err != nil || len(problems) > 0 {
		t.Fatalf("the site file: %v %v", err, problems)
	}
	return site
}

// shortDuty has a hoist run all the time, in cycles of two to three seconds;
// the hoists don't run at the same times.
func shortDuty(hoist int) simulator.Duty {
	d := simulator.ContinuousDuty()
	ms := func(from, to time.Duration) [2]time.Duration {
		return [2]time.Duration{from * time.Millisecond, to * time.Millisecond}
	}
	switch hoist {
	case 0:
		d.On, d.Idle = ms(900, 1100), ms(900, 1200)
	case 1:
		d.On, d.Idle = ms(1100, 1900), ms(900, 1300)
	case 2:
		d.On, d.Idle = ms(900, 1000), ms(1500, 2400)
	default:
		d.On, d.Idle = ms(1400, 1600), ms(1400, 1800)
	}
	d.JogShare, d.CreepShare, d.CreepOnly, d.BurstLifts = 0, 0, 0, 1e6
	return d
}

// stand has simulated devices stand at a fresh address, as a site file without
// mistakes has them, and returns the file's text.
func stand(t *testing.T, spoil func(specs []simulator.BrakeSpec), events ...simulator.Event) (text string) {
	t.Helper()
	text = strings.NewReplacer("ADDRESS", freeAddress(t), "PIT", freeAddress(t), "DATA", t.TempDir()).Replace(quay)
	standAs(t, text+spare, spoil, append(events, simulator.Event{Brake: "spare-1/hoist", Fault: simulator.NotFreeing})...)
	return text
}

// standAs has simulated devices stand as a site file says.
func standAs(t *testing.T, text string, spoil func(specs []simulator.BrakeSpec), events ...simulator.Event) {
	t.Helper()
	site := load(t, text)
	specs := simulator.SpecsFor(site.Channels(), shortDuty(0), 5, func(name string) float64 {
		return site.Brakes[site.BrakeIndex(name)].Limits.TargetMM * 1.2
	})
	for i := range specs {
		specs[i].Duty = shortDuty(i)
	}
	if spoil != nil {
		spoil(specs)
	}
	plant, err := simulator.NewPlant(specs, time.Now(), 5)
	if err != nil {
		t.Fatal(err)
	}
	for _, ev := range events {
		if err := plant.Apply(ev); err != nil {
			t.Fatal(err)
		}
	}
	f, err := field.New(field.Config{Devices: site.Devices, Channels: site.Channels(), Plant: plant})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- f.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("the devices ended with %v", err)
		}
	})
}

// freeAddress is an address on loopback at which nobody listens.
func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// told is a site file with replacements made in it.
func told(t *testing.T, text string, replace ...string) *configs.Site {
	t.Helper()
	told := text
	for i := 0; i+1 < len(replace); i += 2 {
		if n := strings.Count(told, replace[i]); n != 1 {
			t.Fatalf("%q stands %d times in the site file", replace[i], n)
		}
		told = strings.Replace(told, replace[i], replace[i+1], 1)
	}
	return load(t, told)
}

// begin commissions in the background.
func begin(t *testing.T, site *configs.Site, opt Options) (wait func(t *testing.T) *Report) {
	t.Helper()
	if opt.Out == nil {
		opt.Out = io.Discard
	}
	opt.Version = "test"
	var r *Report
	var err error
	done := make(chan struct{})
	go func() {
		defer close(done)
		r, err = Run(t.Context(), site, opt)
	}()
	return func(t *testing.T) *Report {
		t.Helper()
		<-done
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() {
			if t.Failed() {
				if err := r.Summary(t.Output()); err != nil {
					t.Error(err)
				}
			}
		})
		return r
	}
}

// unhurried is a report from a machine that kept up: up to twice it is made
// again where this one was too busy.
func unhurried(t *testing.T, r *Report, planted map[string]string, again func() *Report) *Report {
	t.Helper()
	for range 2 {
		if !r.tooSlow(planted) {
			break
		}
		t.Log("the machine was too busy; once more")
		r = again()
	}
	return r
}

// tooSlow reports whether the machine was too busy to keep up with healthy
// channels: what was seen then proves nothing of the faults planted.
func (r *Report) tooSlow(planted map[string]string) bool {
	for _, b := range r.Brakes {
		for _, c := range b.Channels {
			if _, meant := planted[b.Name+" "+c.Signal]; meant {
				continue
			}
			for _, k := range c.Checks {
				// Where devices are starved of the machine, a probe that reports
				// changes misses ends of its ramps, and its gaps don't repeat.
				// One that tells a broker tells it too late, now and then, for its
				// readings to be put in their place.
				late := strings.Contains(k.Looks, "clock off, at times: its time is")
				if (k.Name == "sampling rate" || k.Name == "repeats" || late) && k.Verdict == Failed {
					return true
				}
			}
		}
	}
	return false
}

// channel finds a channel of the record.
func (r *Report) channel(t *testing.T, name string) Channel {
	t.Helper()
	for _, b := range r.Brakes {
		for _, c := range b.Channels {
			if b.Name+" "+c.Signal == name {
				return c
			}
		}
	}
	t.Fatalf("the record has no %s", name)
	return Channel{}
}

// looksLike gathers what failed of a channel.
func (c Channel) looksLike() string {
	var list []string
	for _, k := range c.Checks {
		if k.Verdict == Failed {
			list = append(list, fmt.Sprintf("%s: %s (%s)", k.Name, k.Looks, k.Found))
		}
	}
	return strings.Join(list, "; ")
}
