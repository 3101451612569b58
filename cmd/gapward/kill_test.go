package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"gapward/configs"
	"gapward/gateway/store"
	"gapward/sensors"
	"gapward/simulator"
	"gapward/simulator/field"
)

// busySite is a site file whose brakes are all behind one simulated device and
// never rest, so that something is stored several times a second.
type busySite struct {
	file   string
	data   string
	brakes []string
	plant  *simulator.Plant
}

func newBusySite(t *testing.T, brakes int) busySite {
	t.Helper()
	dir := t.TempDir()
	s := busySite{file: filepath.Join(dir, "site.yaml"), data: filepath.Join(dir, "data")}
	text := "site: Test Quay\ndata: " + s.data + "\npage: {listen: \"127.0.0.1:0\"}\ndevices:\n" +
		"  io: {modbus: \"tcp://127.0.0.1:%d\", unit: 1, timeout: 200ms}\nbrakes:\n"
	for i := range brakes {
		name := fmt.Sprintf("crane-%d/hoist", i+1)
		s.brakes = append(s.brakes, name)
		text += fmt.Sprintf("  - name: %s\n    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}\n    signals:\n"+
			"      travel: {device: io, input: %d, raw: [0, 4095], mm: [0, 10], poll: 20ms}\n"+
			"      drive: {device: io, discrete: %[2]d}\n", name, i)
	}
	port := freePort(t)
	site, problems := configs.Parse("site.yaml", fmt.Appendf(nil, text, port), configs.Run)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	if err := os.WriteFile(s.file, fmt.Appendf(nil, text, port), 0o644); err != nil {
		t.Fatal(err)
	}

	duty := simulator.ContinuousDuty()
	duty.On = [2]time.Duration{700 * time.Millisecond, 1200 * time.Millisecond}
	duty.Idle = [2]time.Duration{600 * time.Millisecond, 900 * time.Millisecond}
	duty.JogShare, duty.CreepShare, duty.CreepOnly, duty.BurstLifts = 0, 0, 0, 1e6
	specs := simulator.SpecsFor(site.Channels(), duty, 11, func(string) float64 { return 2 })
	var err error
	if s.plant, err = simulator.NewPlant(specs, time.Now(), 11); err != nil {
		t.Fatal(err)
	}
	f, err := field.New(field.Config{Devices: site.Devices, Channels: site.Channels(), Plant: s.plant})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- f.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	return s
}

// stored are the cycles in the store as lines of JSON, in the order of their
// ids, which must have no hole.
func (s busySite) stored(t *testing.T) []string {
	t.Helper()
	db, err := store.OpenReadOnly(t.Context(), s.data)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	rows, err := db.CyclesAfter(t.Context(), 0, 1e6)
	if err != nil {
		t.Fatal(err)
	}
	var lines []string
	for i, r := range rows {
		if r.ID != int64(i+1) {
			t.Fatalf("cycle %d has the id %d: there is a hole", i+1, r.ID)
		}
		lines = append(lines, string(r.AppendJSON(nil, r.Brake)))
	}
	return lines
}

// witness remembers every cycle that the page has ever shown.
type witness struct {
	mu   sync.Mutex
	seen map[string]bool
}

// watch asks the page for the latest cycles until ctx ends. A daemon that is
// killed in the middle of an answer is no news.
func (w *witness) watch(ctx context.Context, url string, brakes []string) {
	for ctx.Err() == nil {
		for _, b := range brakes {
			req, err := http.NewRequestWithContext(ctx, http.MethodGet, url+"/api/cycles/"+b+"?limit=20", nil)
			if err != nil {
				return
			}
			resp, err := http.DefaultClient.Do(req)
			if err != nil {
				continue
			}
			var body struct{ Cycles []json.RawMessage }
			err = json.NewDecoder(resp.Body).Decode(&body)
			resp.Body.Close()
			if err != nil {
				continue
			}
			w.mu.Lock()
			for _, c := range body.Cycles {
				w.seen[string(c)] = true
			}
			w.mu.Unlock()
		}
	}
}

func (w *witness) all() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	var list []string
	for c := range w.seen {
		list = append(list, c)
	}
	return list
}

// Whatever the moment at which the daemon is killed: what it has once shown is
// there after it is started again.
func TestKilledAtAnyMomentNothingShownIsLost(t *testing.T) {
	t.Parallel()
	const rounds = 8
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	s, program := newBusySite(t, 16), build(t)
	w := &witness{seen: map[string]bool{}}

	var before int
	for round := range rounds {
		p := startProcess(t, nil, program, "run", "--config", s.file)
		url := p.err.find(t, 30*time.Second, `msg=running .*page=(http://[0-9.:]+)`)[1]
		ctx, cancel := context.WithCancel(t.Context())
		var watching sync.WaitGroup
		watching.Go(func() { w.watch(ctx, url, s.brakes) })

		// At least one cycle of this run must have been shown; then any moment
		// will do.
		eventually(t, 30*time.Second, "a new cycle", func() bool { return len(w.all()) > before })
		time.Sleep(time.Duration(random.Int64N(int64(3 * time.Second))))
		if status := p.signal(t, syscall.SIGKILL); !status.Signaled() || status.Signal() != syscall.SIGKILL {
			t.Fatalf("it was not killed but ended with %v", p.cmd.ProcessState)
		}
		cancel()
		watching.Wait()

		lines, shown := s.stored(t), w.all()
		for _, c := range shown {
			if !slices.Contains(lines, c) {
				t.Fatalf("round %d: shown, and lost: %s", round, c)
			}
		}
		before = len(shown)
	}

	// The last start ends as it should, and nothing has gone in between.
	p := startProcess(t, nil, program, "run", "--config", s.file)
	p.err.find(t, 30*time.Second, `msg=running`)
	if status := p.signal(t, syscall.SIGTERM); status.ExitStatus() != 0 {
		t.Errorf("it ended with %v", p.cmd.ProcessState)
	}
	lines := s.stored(t)
	for _, c := range w.all() {
		if !slices.Contains(lines, c) {
			t.Errorf("shown, and lost at last: %s", c)
		}
	}
	if n := len(w.all()); n < 5*rounds {
		t.Errorf("only %d cycles were shown; that proves little", n)
	}
	t.Logf("%d cycles shown, %d stored, killed %d times", len(w.all()), len(lines), rounds)
}

// Told to end, the daemon ends well, and stores what was under way: the very
// cycles that a replay of its recording ends with.
func TestToldToEndItStoresWhatIsUnderWay(t *testing.T) {
	t.Parallel()
	s, program := newBusySite(t, 2), build(t)
	record := filepath.Join(t.TempDir(), "record")
	p := startProcess(t, nil, program, "run", "--config", s.file, "--record", record)
	p.err.find(t, 30*time.Second, `msg=running`)

	// The moment to end is in the middle of a cycle: the drive has been on and
	// is off again, and the cycle waits for what the brake will do.
	begun := time.Now()
	var on, off time.Time
	eventually(t, 30*time.Second, "a drive that has just gone off", func() bool {
		now := time.Now()
		switch driven := s.plant.Read(0, sensors.Drive, now.UnixNano()).Value != 0; {
		case driven && (on.IsZero() || !off.IsZero()):
			on, off = now, time.Time{}
		case !driven && off.IsZero():
			off = now
		}
		return now.Sub(begun) > 6*time.Second && !on.IsZero() && !off.IsZero() && now.Sub(off) > 300*time.Millisecond
	})
	if status := p.signal(t, syscall.SIGTERM); status.ExitStatus() != 0 {
		t.Errorf("it ended with %v", p.cmd.ProcessState)
	}

	lines := s.stored(t)
	var open struct{ Time time.Time }
	for _, l := range lines {
		if strings.Contains(l, `"brake":"crane-1/hoist"`) {
			if err := json.Unmarshal([]byte(l), &open); err != nil {
				t.Fatal(err)
			}
		}
	}
	if d := open.Time.Sub(on).Abs(); d > 200*time.Millisecond {
		t.Errorf("the last cycle stored began at %v, the one under way at %v", open.Time, on)
	}

	files, err := filepath.Glob(filepath.Join(record, "samples-*.csv"))
	if err != nil || len(files) != 1 {
		t.Fatalf("recorded into %v (%v), want one file", files, err)
	}
	code, out, errs := invoke(t, "replay", "--config", s.file, "--samples", files[0])
	if code != 0 {
		t.Fatalf("replay: exit code %d, %s", code, errs)
	}
	var replayed []string
	for l := range strings.Lines(out) {
		if strings.HasPrefix(l, `{"type":"cycle"`) {
			replayed = append(replayed, strings.TrimSpace(l))
		}
	}
	if !slices.Equal(lines, replayed) || len(lines) < 4 {
		t.Errorf("stored and replayed cycles differ:\n%s\n\n%s", strings.Join(lines, "\n"), strings.Join(replayed, "\n"))
	}
}

// Each line of the log has a time, unless the service manager adds its own.
func TestLogHasTimesOnceOnly(t *testing.T) {
	for journal, want := range map[string]bool{"": true, "8:12345": false} {
		t.Setenv("JOURNAL_STREAM", journal)
		var out bytes.Buffer
		lg := logger(&out, false)
		lg.Info("running", slog.Group("at", "time", "noon"))
		lg.Debug("not of interest")
		if got := strings.HasPrefix(out.String(), "time="); got != want || !strings.Contains(out.String(), "at.time=noon") || strings.Contains(out.String(), "interest") {
			t.Errorf("JOURNAL_STREAM=%q: %q", journal, out.String())
		}
	}
}
