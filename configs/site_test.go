package configs

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"gapward/analysis"
	"gapward/gateway/page"
	"gapward/sensors"
)

// loadClean loads a site file that must have no problems.
func loadClean(t *testing.T, path string, purpose Purpose) *Site {
	t.Helper()
	site, problems, err := Load(path, purpose)
	if err != nil {
		t.Fatal(err)
	}
	if len(problems) > 0 {
		t.Fatalf("%s has problems:\n%s", path, lines(problems))
	}
	return site
}

func TestExampleSitesLoad(t *testing.T) {
	for _, e := range []struct {
		path    string
		purpose Purpose
	}{
		{"kestrel-quay.yaml", Run},
		{"kestrel-quay.yaml", Replay},
		{"minimal.yaml", Run},
		{"minimal.yaml", Replay},
		{"replay.yaml", Replay},
		{"testdata/readme.yaml", Run},
	} {
		site := loadClean(t, e.path, e.purpose)
		if e.path != "testdata/readme.yaml" && len(site.Notes()) > 0 {
			t.Errorf("an example should be exemplary, but %s has notes:\n%s", e.path, lines(site.Notes()))
		}
	}
}

func TestNotes(t *testing.T) {
	files, err := filepath.Glob("testdata/notes/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatalf("no files found: %v", err)
	}
	for _, file := range files {
		site := loadClean(t, file, Run)
		compareWithWant(t, strings.TrimSuffix(file, ".yaml"), lines(site.Notes()))
	}
}

// A brake that is judged by hand readings alone says so, and then needs neither
// signals nor devices, and nobody is advised to wire it.
func TestABrakeByHandAloneRuns(t *testing.T) {
	site, problems := Parse("site.yaml", []byte(`site: Heron Yard
brakes:
  - name: hoist
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    signals: {}
`), Run)
	if len(problems) > 0 {
		t.Fatal(lines(problems))
	}
	var out strings.Builder
	if err := Report(&out, site); err != nil {
		t.Fatal(err)
	}
	want := `site.yaml is in order: 1 brake, 0 devices and 0 holding chains at Heron Yard.

Brakes
  hoist  no signals  judged by hand readings alone, see gapward enter reading --help
`
	if diff := cmp.Diff(want, out.String()); diff != "" {
		t.Error(diff)
	}
}

// TestReplayFileCannotRun holds that what a replay does without is missed by a
// run.
func TestReplayFileCannotRun(t *testing.T) {
	_, problems, err := Load("replay.yaml", Run)
	if err != nil {
		t.Fatal(err)
	}
	want := `replay.yaml:15:15: brakes[0].signals.travel: has no device; write device: and the name of one under devices
replay.yaml:16:14: brakes[0].signals.drive: has no device; write device: and the name of one under devices
replay.yaml:21:5: brakes[1].signals: there is no signal to find cycles on; name travel, drive or released, with the device and address of each; or write signals: {} for a brake judged by hand readings alone
`
	if diff := cmp.Diff(want, lines(problems)); diff != "" {
		t.Error(diff)
	}
}

// everythingOn is the complete example with all that is switched off in it
// switched on.
func everythingOn(t *testing.T) []byte {
	t.Helper()
	text, err := os.ReadFile("kestrel-quay.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return regexp.MustCompile(`(?m)^( *)#([a-z-])`).ReplaceAll(text, []byte("$1$2"))
}

// TestReplayAsksLittle holds that a site file stripped of its devices, or with
// signals described alike, is good enough for a recording.
func TestReplayAsksLittle(t *testing.T) {
	text := `
site: Heron Yard
brakes:
  - name: a
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    signals:
      travel: {device: io, input: 0, raw: [0, 4095], mm: [0, 10], on_change: 0.02, at_least_every: 1s}
  - name: b
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    signals:
      travel: {device: io, input: 0, raw: [0, 4095], mm: [0, 10], poll: 20ms}
`
	devices := "devices:\n  io: {modbus: \"tcp://127.0.0.1:1502\", unit: 1}\n"
	for _, text := range []string{text, text + devices} {
		if _, problems := Parse("site.yaml", []byte(text), Replay); len(problems) > 0 {
			t.Errorf("a replay is refused:\n%s", lines(problems))
		}
		if _, problems := Parse("site.yaml", []byte(text), Run); len(problems) != 2 {
			t.Errorf("a run has %d problems, want 2:\n%s", len(problems), lines(problems))
		}
	}
}

// TestEveryKeyIsShown holds that the complete example has every key there is,
// so that nobody has to look for one in the code, and that it stays in order
// with everything switched on.
func TestEveryKeyIsShown(t *testing.T) {
	text := everythingOn(t)
	if site, problems := Parse("kestrel-quay.yaml", text, Run); site == nil {
		t.Fatal(lines(problems))
	} else if site.Export.Influx == nil || site.Export.MQTT == nil || len(site.Notify) == 0 {
		t.Fatal("not everything is switched on")
	}
	root, problem := parseYAML("kestrel-quay.yaml", text)
	if problem != nil {
		t.Fatal(problem)
	}
	r := newReader("kestrel-quay.yaml")
	r.read(root, reflect.ValueOf(&Site{}).Elem(), "")
	shown := map[string]bool{}
	index := regexp.MustCompile(`\[\d+\]`)
	names := regexp.MustCompile(`(^devices|\.signals)\.[^.]+`)
	for path := range r.at {
		shown[names.ReplaceAllString(index.ReplaceAllString(path, "[]"), "$1.*")] = true
	}
	for _, key := range keysOf(t, reflect.TypeFor[Site](), "") {
		if !shown[key] {
			t.Errorf("kestrel-quay.yaml does not show %s", key)
		}
	}
}

// keysOf walks the types of the site file and lists the paths of all keys. A
// type that the reader can't fill fails the test.
func keysOf(t *testing.T, typ reflect.Type, path string) []string {
	var keys []string
	if typ == reflect.TypeFor[time.Duration]() {
		return nil
	}
	switch typ.Kind() {
	case reflect.Struct:
		for _, f := range fieldsOf(typ) {
			where := joinPath(path, f.key)
			keys = append(append(keys, where), keysOf(t, f.typ, where)...)
		}
	case reflect.Map:
		return keysOf(t, typ.Elem(), path+".*")
	case reflect.Slice, reflect.Array:
		return keysOf(t, typ.Elem(), path+"[]")
	case reflect.Pointer:
		return keysOf(t, typ.Elem(), path)
	case reflect.String, reflect.Bool, reflect.Float64, reflect.Int, reflect.Int64, reflect.Uint8, reflect.Uint16:
	default:
		t.Errorf("%s is a %s, which the reader does not know", path, typ)
	}
	return keys
}

func TestDefaults(t *testing.T) {
	site := loadClean(t, "minimal.yaml", Run)
	if site.Data != DefaultData || site.Page.Listen != page.DefaultListen {
		t.Errorf("data %q and page.listen %q are not the defaults", site.Data, site.Page.Listen)
	}
	b := site.Brakes[0]
	if b.Kind != analysis.Conical || b.Crane != "hoist" {
		t.Errorf("kind %q and crane %q, want conical and hoist", b.Kind, b.Crane)
	}
	quay := loadClean(t, "kestrel-quay.yaml", Run)
	if got := quay.Brakes[1].Crane; got != "quay-2" {
		t.Errorf("the crane of %s is %q, want quay-2", quay.Brakes[1].Name, got)
	}
	if quay.BrakeIndex("gantry-1/hoist") != 2 || quay.BrakeIndex("gantry-1") != -1 {
		t.Error("BrakeIndex doesn't find a brake, or finds one that isn't there")
	}
}

func TestHash(t *testing.T) {
	data, err := os.ReadFile("minimal.yaml")
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(data)
	if got, want := loadClean(t, "minimal.yaml", Run).Hash(), hex.EncodeToString(sum[:]); got != want {
		t.Errorf("hash %s, want %s", got, want)
	}
}

func TestLoadTellsWhatItCouldNotRead(t *testing.T) {
	_, _, err := Load("testdata/nowhere.yaml", Run)
	if !errors.Is(err, fs.ErrNotExist) || !strings.Contains(err.Error(), "testdata/nowhere.yaml") {
		t.Errorf("got %v, want an error that names the file and is fs.ErrNotExist", err)
	}
	if _, _, err := Load("testdata", Run); err == nil {
		t.Error("a folder was read as a site file")
	}
}

func TestTooLarge(t *testing.T) {
	_, problems := Parse("big.yaml", []byte(strings.Repeat("# nothing\n", MaxSize/10+1)), Run)
	if len(problems) != 1 || problems[0].String() != "big.yaml: is larger than 1048576 bytes: this can't be a site file" {
		t.Errorf("got %v", problems)
	}
}

// TestChannelsFillDefaults holds the defaults of rate and silence.
func TestChannelsFillDefaults(t *testing.T) {
	site, problems := Parse("site.yaml", []byte(`
site: Heron Yard
devices:
  io: {modbus: "tcp://127.0.0.1:1502", unit: 1}
  broker: {mqtt: "mqtt://127.0.0.1:1883"}
brakes:
  - name: a
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    signals:
      travel: {device: io, input: 0, raw: [0, 4095], mm: [0, 10], poll: 10ms, u_mm: 0.01}
      temperature: {device: io, input: 1, raw: [0, 4095], celsius: [-20, 120]}
      drive: {device: io, discrete: 0}
      released: {device: io, discrete: 1, poll: 4s}
  - name: b
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    signals:
      travel: {device: broker, topic: b/travel, on_change: 0.02, at_least_every: 3s}
      drive: {device: broker, topic: b/drive}
      released: {device: io, discrete: 2}
      temperature: {device: io, input: 2, raw: [0, 4095], celsius: [-20, 120], poll: 1m, stale_after: 2m}
`), Run)
	if len(problems) > 0 {
		t.Fatal(lines(problems))
	}
	type rate struct {
		Brake       int32
		Name        string
		Signal      sensors.Signal
		Poll, Stale time.Duration
	}
	var got []rate
	for _, c := range site.Channels() {
		got = append(got, rate{c.Brake, c.Name, c.Signal, c.Wiring.Poll, c.Wiring.StaleAfter})
	}
	want := []rate{
		{0, "a", sensors.Travel, 10 * time.Millisecond, 5 * time.Second},
		{0, "a", sensors.Drive, 10 * time.Millisecond, 5 * time.Second}, // as the travel
		{0, "a", sensors.Released, 4 * time.Second, 12 * time.Second},   // three polls
		{0, "a", sensors.Temperature, 5 * time.Second, time.Minute},
		{1, "b", sensors.Travel, 0, 9 * time.Second}, // three reports
		{1, "b", sensors.Drive, 0, 5 * time.Second},  // the broker's clients set the pace
		{1, "b", sensors.Released, 20 * time.Millisecond, 5 * time.Second},
		{1, "b", sensors.Temperature, time.Minute, 2 * time.Minute},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}

	settings := site.AnalysisSettings()
	if diff := cmp.Diff(analysis.SignalSettings{Present: true, Poll: 10 * time.Millisecond, StaleAfter: 5 * time.Second,
		ResolutionMM: 10.0 / 4095, CalibrationU: 0.01}, settings[0].Travel); diff != "" {
		t.Errorf("travel of a: %s", diff)
	}
	if diff := cmp.Diff(analysis.SignalSettings{Present: true, ByException: true, StaleAfter: 9 * time.Second,
		ResolutionMM: 0.02}, settings[1].Travel); diff != "" {
		t.Errorf("travel of b: %s", diff)
	}
	if got := settings[0].Temperature.ResolutionMM; got != 0 {
		t.Errorf("a temperature has a resolution of %g mm", got)
	}
}

// TestAnalysisSettings holds that every setting of a brake arrives, for a run
// and for a recording of which the file says little.
func TestAnalysisSettings(t *testing.T) {
	quay := loadClean(t, "kestrel-quay.yaml", Run).AnalysisSettings()
	if len(quay) != 4 {
		t.Fatalf("%d brakes, want 4", len(quay))
	}
	want := analysis.Settings{
		Name: "quay-2/main", Kind: analysis.Conical, Model: "QK-90",
		Limits:   analysis.Limits{MinMM: 1.2, TargetMM: 1.6, AdjustMM: 2.8, MaxMM: 3.4},
		Timing:   analysis.Timing{Release: 250 * time.Millisecond, Set: 300 * time.Millisecond, NotReleasedAfter: time.Second, NotSetAfter: time.Second},
		Adjuster: analysis.Adjuster{Ring: &analysis.Ring{Holes: 6, PitchMM: 3, Uses: 3}},
		Lining: analysis.Lining{ThicknessMM: 6, MinimumMM: 4, ConeHalfAngleDeg: 15, Parts: []analysis.Part{
			{Name: "brake lining", Number: "KQ-1190", Quantity: 1, LeadDays: 42}, {Name: "lock washer", Number: "KQ-0031", Quantity: 6, LeadDays: 10}}},
		Stop:        analysis.Stop{InertiaKGM2: 0.12, SpeedRPM: 1380, BrakeNM: 60, LoadNM: 25},
		Forecast:    analysis.ForecastSettings{LeadDays: 30},
		Duty:        analysis.DutyLimits{StartsPerHour: 240, CyclicDurationPercent: 40},
		Thermal:     &analysis.Thermal{UMPerK: 0.2, UUMPerK: 0.03},
		Travel:      analysis.SignalSettings{Present: true, Poll: 20 * time.Millisecond, StaleAfter: 5 * time.Second, ResolutionMM: 10.0 / 4095, CalibrationU: 0.01},
		Drive:       analysis.SignalSettings{Present: true, Poll: 20 * time.Millisecond, StaleAfter: 5 * time.Second},
		Released:    analysis.SignalSettings{Present: true, Poll: 20 * time.Millisecond, StaleAfter: 5 * time.Second},
		Temperature: analysis.SignalSettings{Present: true, Poll: 5 * time.Second, StaleAfter: time.Minute},
		// not there; a recording that has them is taken to count milliseconds
		ReleaseTime: analysis.SignalSettings{TimeUS: 1e-3 / math.Sqrt(12)},
		SetTime:     analysis.SignalSettings{TimeUS: 1e-3 / math.Sqrt(12)},
	}
	if diff := cmp.Diff(want, quay[0]); diff != "" {
		t.Error(diff)
	}
	if got := quay[1]; got.Drive.StampStep != time.Millisecond || got.Released.StampStep != time.Millisecond || got.Travel.StampStep != 0 {
		t.Errorf("stamped in steps of %v, %v and %v, want 1 ms, 1 ms and not at all", got.Drive.StampStep, got.Released.StampStep, got.Travel.StampStep)
	}
	wantTold := analysis.SignalSettings{Present: true, Poll: 10 * time.Millisecond, TimeUS: 1e-3 * math.Sqrt(4+1.0/12)}
	if diff := cmp.Diff(wantTold, quay[2].ReleaseTime, cmpopts.EquateApprox(1e-12, 0)); diff != "" {
		t.Error(diff)
	}
	if got := quay[3].Timing; got.NotReleasedAfter != time.Second || got.NotSetAfter != time.Second {
		t.Errorf("a brake without timing has %+v, want the default failure times", got)
	}

	replay := loadClean(t, "replay.yaml", Replay)
	if n := len(replay.Channels()); n != 0 {
		t.Errorf("a site without devices has %d channels", n)
	}
	absent := analysis.SignalSettings{StaleAfter: 5 * time.Second}
	if diff := cmp.Diff(absent, replay.AnalysisSettings()[1].Travel); diff != "" {
		t.Errorf("a signal that isn't named: %s", diff)
	}
}

func TestListenAddresses(t *testing.T) {
	for _, address := range []string{"127.0.0.1:0", "127.9.9.9:80", "localhost:8480", "[::1]:8480", "[::ffff:127.0.0.1]:8480"} {
		if err := CheckListen(address); err != nil {
			t.Errorf("%s is refused: %v", address, err)
		}
	}
	for _, address := range []string{"[::]:8480", "192.0.2.1:8480", "example.test:80", "127.0.0.1:65536", "127.0.0.1", ""} {
		if CheckListen(address) == nil {
			t.Errorf("%q is taken for an address of this machine alone", address)
		}
	}
}

func TestNearest(t *testing.T) {
	known := []string{"name", "limits_mm", "timing", "signals", "not_released_after", "password_file"}
	for word, want := range map[string]string{
		"nmae": "name", "limits": "limits_mm", "Limits-MM": "limits_mm", "singals": "signals", "signal": "signals",
		"not_release_after": "not_released_after", "password": "password_file", "colour": "", "x": "", "": "", "na": "",
	} {
		if got := nearest(word, known); got != want {
			t.Errorf("nearest(%q) = %q, want %q", word, got, want)
		}
	}
}

func TestEditDistance(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want int
	}{{"", "", 0}, {"", "abc", 3}, {"poll", "pol", 1}, {"poll", "plol", 1}, {"kitten", "sitting", 3}, {"µm", "mm", 1}} {
		if got := editDistance(c.a, c.b); got != c.want {
			t.Errorf("editDistance(%q, %q) = %d, want %d", c.a, c.b, got, c.want)
		}
		if got := editDistance(c.b, c.a); got != c.want {
			t.Errorf("editDistance(%q, %q) = %d, want %d", c.b, c.a, got, c.want)
		}
	}
}
