package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"gapward/analysis"
	"gapward/configs"
	"gapward/gateway"
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
	site   *configs.Site
	brakes []string
	plant  *simulator.Plant
	rest   func() // takes the device away
}

func newBusySite(t *testing.T, brakes int, more string) busySite {
	t.Helper()
	return newBusySiteAt(t, "127.0.0.1:0", brakes, more)
}

// newBusySiteAt is one with its page at an address.
func newBusySiteAt(t *testing.T, page string, brakes int, more string) busySite {
	t.Helper()
	dir := t.TempDir()
	s := busySite{file: filepath.Join(dir, "site.yaml"), data: filepath.Join(dir, "data")}
	text := "site: Test Quay\ndata: " + s.data + "\npage: {listen: \"" + page + "\"}\ndevices:\n" +
		"  io: {modbus: \"tcp://127.0.0.1:%d\", unit: 1, timeout: 200ms}\n" + more + "brakes:\n"
	for i := range brakes {
		name := fmt.Sprintf("crane-%d/hoist", i+1)
		s.brakes = append(s.brakes, name)
		text += fmt.Sprintf("  - name: %s\n    model: QK-90\n    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}\n"+
			"    timing: {not_released_after: 500ms, not_set_after: 500ms}\n    signals:\n"+
			"      travel: {device: io, input: %d, raw: [0, 4095], mm: [0, 10], poll: 20ms}\n"+
			"      drive: {device: io, discrete: %[2]d}\n", name, i)
	}
	file := fmt.Appendf(nil, text, freePort(t))
	site, problems := configs.Parse("site.yaml", file, configs.Run)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	s.site = site
	if err := os.WriteFile(s.file, file, 0o644); err != nil {
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
	s.rest = sync.OnceFunc(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	t.Cleanup(s.rest)
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

// witness remembers all that the daemon has ever told: cycles on the page,
// points sent to a database, alarms sent to people, counts in the metrics.
type witness struct {
	mu      sync.Mutex
	shown   map[string]bool     // cycles as the page had them
	points  map[string]bool     // brake and time of cycles as an InfluxDB had them
	alarms  map[int64]string    // condition and brake by id, as a webhook had them
	counted map[string]int64    // the highest count of cycles, by brake
	far     *httptest.Server    // stands in for database and webhook
	failed  map[string]struct{} // what it could not make sense of
}

func newWitness(t *testing.T) *witness {
	w := &witness{shown: map[string]bool{}, points: map[string]bool{}, alarms: map[int64]string{}, counted: map[string]int64{}, failed: map[string]struct{}{}}
	w.far = httptest.NewServer(http.HandlerFunc(w.take))
	t.Cleanup(w.far.Close)
	return w
}

// settings are the lines of the site file by which the daemon tells it.
func (w *witness) settings() string {
	return "export: {influx: {url: \"" + w.far.URL + "\", org: o, bucket: b}}\nnotify:\n  - webhook: {url: \"" + w.far.URL + "/hook\"}\n"
}

// take stands in for an InfluxDB and for a webhook. A request that the kill cut
// short was never confirmed, so nothing of it counts as told.
func (w *witness) take(rw http.ResponseWriter, r *http.Request) {
	var from io.Reader = r.Body
	if r.Header.Get("Content-Encoding") == "gzip" {
		z, err := gzip.NewReader(r.Body)
		if err != nil {
			return
		}
		from = z
	}
	body, err := io.ReadAll(from)
	if err != nil {
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if r.URL.Path == "/hook" {
		var m struct {
			ID               int64
			Condition, Brake string
		}
		if err := json.Unmarshal(body, &m); err != nil || m.ID == 0 {
			w.failed["webhook: "+string(body)] = struct{}{}
		}
		w.alarms[m.ID] = m.Condition + " " + m.Brake
		rw.WriteHeader(http.StatusOK)
		return
	}
	for line := range strings.Lines(string(body)) {
		if !strings.HasPrefix(line, "gapward_cycle,") {
			continue
		}
		brake := regexp.MustCompile(`brake=([^, ]+)`).FindStringSubmatch(line)
		fields := strings.Fields(line)
		if brake == nil || len(fields) < 3 {
			w.failed["InfluxDB: "+line] = struct{}{}
			continue
		}
		w.points[brake[1]+" "+fields[len(fields)-1]] = true
	}
	rw.WriteHeader(http.StatusNoContent)
}

const countLine = `gapward_cycles_total\{brake="([^"]+)",kind="full"\} ([0-9.e+]+)`

// watch asks the page and the metrics until ctx ends. A daemon that is killed in
// the middle of an answer is no news.
func (w *witness) watch(ctx context.Context, url string, brakes []string) {
	count := regexp.MustCompile(countLine)
	get := func(path string) []byte {
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, url+path, nil)
		if err != nil {
			return nil
		}
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			return nil
		}
		defer resp.Body.Close()
		body, err := io.ReadAll(resp.Body)
		if err != nil || resp.StatusCode != http.StatusOK {
			return nil
		}
		return body
	}
	for ctx.Err() == nil {
		for _, b := range brakes {
			var body struct{ Cycles []json.RawMessage }
			if json.Unmarshal(get("/api/cycles/"+b+"?limit=20"), &body) != nil {
				continue
			}
			w.mu.Lock()
			for _, c := range body.Cycles {
				w.shown[string(c)] = true
			}
			w.mu.Unlock()
		}
		metrics := get("/metrics")
		w.mu.Lock()
		for _, m := range count.FindAllSubmatch(metrics, -1) {
			if n, err := strconv.ParseFloat(string(m[2]), 64); err == nil {
				w.counted[string(m[1])] = max(w.counted[string(m[1])], int64(n))
			}
		}
		w.mu.Unlock()
	}
}

func (w *witness) cyclesShown() int {
	w.mu.Lock()
	defer w.mu.Unlock()
	return len(w.shown)
}

func (w *witness) alarmsTold() int {
	w.mu.Lock()
	defer w.mu.Unlock()
	return len(w.alarms)
}

// hold compares all that was told with the store.
func (w *witness) hold(t *testing.T, s busySite, when string) {
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
	lines, points, counts := map[string]bool{}, map[string]bool{}, map[string]int64{}
	for i, r := range rows {
		if r.ID != int64(i+1) {
			t.Fatalf("%s: cycle %d has the id %d: there is a hole", when, i+1, r.ID)
		}
		lines[string(r.AppendJSON(nil, r.Brake))] = true
		points[fmt.Sprintf("%s %d", r.Brake, r.AtNS)] = true
		counts[r.Brake]++
	}
	events, err := db.AlarmsAfter(t.Context(), 0, 1e6)
	if err != nil {
		t.Fatal(err)
	}
	alarms := map[int64]string{}
	for i, e := range events {
		if e.ID != int64(i+1) {
			t.Fatalf("%s: alarm %d has the id %d: there is a hole", when, i+1, e.ID)
		}
		alarms[e.ID] = string(e.Condition) + " " + e.Brake
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	for c := range w.shown {
		if !lines[c] {
			t.Fatalf("%s: shown on the page, and lost: %s", when, c)
		}
	}
	for p := range w.points {
		if !points[p] {
			t.Fatalf("%s: sent to the database, and lost: %s", when, p)
		}
	}
	for id, what := range w.alarms {
		if alarms[id] != what {
			t.Fatalf("%s: told as alarm %d %q, and stored as %q", when, id, what, alarms[id])
		}
	}
	for b, n := range w.counted {
		if n > counts[b] {
			t.Fatalf("%s: the metrics counted %d cycles of %s, %d are stored", when, n, b, counts[b])
		}
	}
	for f := range w.failed {
		t.Errorf("%s: %s", when, f)
	}
}

// sameAsUnkilled holds the verdicts and forecasts in the store against those of
// a pipeline that is fed the stored cycles without a break.
func (s busySite) sameAsUnkilled(t *testing.T) {
	t.Helper()
	db, err := store.OpenReadOnly(t.Context(), s.data)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	p, err := gateway.NewSitePipeline(s.site, s.site.AnalysisSettings())
	if err != nil {
		t.Fatal(err)
	}
	rows, err := db.CyclesAfter(t.Context(), 0, 1e6)
	if err != nil {
		t.Fatal(err)
	}
	var all store.Batch
	for _, r := range rows {
		p.Recall(p.Place(r.Brake), r.Cycle, &all)
	}
	p.Flush(&all)
	want, got := map[string]string{}, map[string]string{}
	for _, f := range all.Forecasts {
		want["forecast for "+f.Brake+" of "+f.Limit] = fmt.Sprintf("%+v", f.Forecast)
	}
	forecasts, err := db.LatestForecasts(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range forecasts {
		got["forecast for "+f.Brake+" of "+f.Limit] = fmt.Sprintf("%+v", f.Forecast)
	}
	for _, v := range all.Verdicts {
		v.Change = analysis.Change{} // isn't stored
		want["verdict on "+v.Brake] = fmt.Sprintf("%+v", v.Verdict)
	}
	stored, err := db.Verdicts(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, v := range stored {
		v.Change = analysis.Change{}
		got["verdict on "+v.Brake] = fmt.Sprintf("%+v", v.Verdict)
	}
	for what, w := range want {
		if got[what] != w {
			t.Errorf("%s is stored as\n%s\na run without a kill has\n%s", what, got[what], w)
		}
	}
	if len(got) != len(want) || len(want) < len(s.brakes) {
		t.Errorf("%d verdicts and forecasts are stored, a run without a kill has %d", len(got), len(want))
	}
}

// kills is how often the daemon is killed: hundreds of times on request.
func kills(t *testing.T) int {
	if n, err := strconv.Atoi(os.Getenv("GAPWARD_KILLS")); err == nil {
		return n
	}
	if testing.Short() {
		return 5
	}
	return 15
}

// Whatever the moment at which the daemon is killed, while it starts, measures,
// stores, tells or is asked: what it has once told by its page, its metrics, an
// exporter or an alarm is there after it is started again, without a hole, and
// it knows of its brakes what it would know had nobody killed it.
func TestKilledAtAnyMomentNothingShownIsLost(t *testing.T) {
	t.Parallel()
	rounds := kills(t)
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	w := newWitness(t)
	s, program := newBusySite(t, 16, w.settings()), build(t)
	atStart := 0
	for round := range rounds {
		p := startProcess(t, nil, program, "run", "--config", s.file)
		ctx, cancel := context.WithCancel(t.Context())
		var watching sync.WaitGroup
		if round > 0 && random.IntN(4) == 0 {
			atStart++
			time.Sleep(time.Duration(random.Int64N(int64(300 * time.Millisecond))))
		} else {
			url := p.err.find(t, 30*time.Second, `msg=running .*page=(http://[0-9.:]+)`)[1]
			watching.Go(func() { w.watch(ctx, url, s.brakes) })
			lives := time.Duration(random.Int64N(int64(4500 * time.Millisecond)))
			if random.IntN(3) == 0 || w.alarmsTold() == 0 {
				lives += 3 * time.Second // for something to be found
				e := simulator.Event{Brake: s.brakes[random.IntN(len(s.brakes))], Fault: simulator.NotFreeing, Lasts: 4 * time.Second}
				if err := s.plant.Apply(e); err != nil {
					t.Fatal(err)
				}
			}
			time.Sleep(lives)
		}
		if status := p.signal(t, syscall.SIGKILL); !status.Signaled() || status.Signal() != syscall.SIGKILL {
			t.Fatalf("it was not killed but ended with %v", p.cmd.ProcessState)
		}
		cancel()
		watching.Wait()
		if store.Exists(s.data) {
			w.hold(t, s, fmt.Sprintf("killed for the %d. time", round+1))
		}
	}

	// The last run ends as it should, and nothing has gone in between.
	p := startProcess(t, nil, program, "run", "--config", s.file)
	url := p.err.find(t, 30*time.Second, `msg=running .*page=(http://[0-9.:]+)`)[1]
	ctx, cancel := context.WithCancel(t.Context())
	var watching sync.WaitGroup
	watching.Go(func() { w.watch(ctx, url, s.brakes) })
	before := w.cyclesShown()
	eventually(t, 30*time.Second, "new cycles", func() bool { return w.cyclesShown() > before+len(s.brakes) })
	cancel()
	watching.Wait()
	if status := p.signal(t, syscall.SIGTERM); status.ExitStatus() != 0 {
		t.Errorf("it ended with %v", p.cmd.ProcessState)
	}
	w.hold(t, s, "told to end")
	s.sameAsUnkilled(t)
	if n := len(w.points); n < 2*rounds || w.cyclesShown() < 2*rounds {
		t.Errorf("only %d cycles were shown and %d sent; that proves little", w.cyclesShown(), n)
	}
	if len(w.alarms) < max(1, rounds/30) {
		t.Errorf("only %d alarms were told; that proves little", len(w.alarms))
	}
	t.Logf("killed %d times, %d of them while it started: %d cycles shown, %d sent and %d alarms told; %d cycles stored",
		rounds, atStart, w.cyclesShown(), len(w.points), len(w.alarms), len(s.stored(t)))
}

// Told to end, the daemon ends well, and stores what was under way: the very
// cycles that a replay of its recording ends with.
func TestToldToEndItStoresWhatIsUnderWay(t *testing.T) {
	t.Parallel()
	s, program := newBusySite(t, 2, ""), build(t)
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
