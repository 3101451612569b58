package gateway

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/configs"
	"gapward/gateway/page"
	"gapward/gateway/store"
	"gapward/sensors"
)

// hangingSite has so many brakes on one device.
func hangingSite(t *testing.T, brakes int, alarms string) *configs.Site {
	t.Helper()
	return patientSite(t, brakes, alarms, "5s")
}

// patientSite is one that waits so long for a signal.
func patientSite(t *testing.T, brakes int, alarms, stale string) *configs.Site {
	t.Helper()
	var b strings.Builder
	b.WriteString("site: Test Quay\ndata: data\ndevices:\n  io: {modbus: \"tcp://127.0.0.1:1502\", unit: 1}\n" + alarms + "brakes:\n")
	for i := range brakes {
		fmt.Fprintf(&b, "  - name: c/b%02d\n    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}\n    signals: {travel: {device: io, input: %d, raw: [0, 4095], mm: [0, 10], stale_after: %s}, drive: {device: io, discrete: %d, stale_after: %s}}\n", i, i, stale, i, stale)
	}
	site, problems := configs.Parse("test.yaml", []byte(b.String()), configs.Run)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	return site
}

// belfry is a pipeline whose alarms' events are kept, and which may be stopped
// and begun anew anywhere.
type belfry struct {
	t      *testing.T
	site   *configs.Site
	p      *Pipeline
	nowNS  int64
	events []alerts.Event
}

func newBelfry(t *testing.T, site *configs.Site) *belfry {
	b := &belfry{t: t, site: site, nowNS: time.Date(2026, 11, 18, 12, 0, 0, 0, time.UTC).UnixNano()}
	b.begin()
	return b
}

func (b *belfry) begin() {
	b.t.Helper()
	var err error
	if b.p, err = NewSitePipeline(b.site, b.site.AnalysisSettings()); err != nil {
		b.t.Fatal(err)
	}
	latest := map[alerts.Key]alerts.Event{}
	for _, e := range b.events {
		latest[e.Key()] = e
	}
	var states []alerts.Event
	for _, e := range latest {
		states = append(states, e)
	}
	slices.SortFunc(states, func(x, y alerts.Event) int { return strings.Compare(fmt.Sprint(x.Key()), fmt.Sprint(y.Key())) })
	b.p.Resume(states, b.events)
}

func (b *belfry) take(batch *store.Batch) {
	for _, a := range batch.Alarms {
		b.events = append(b.events, a.Event)
	}
}

// live lets time pass with every signal read each second, but for those of the
// devices named.
func (b *belfry) live(d time.Duration, speaks bool) {
	var batch store.Batch
	for end := b.nowNS + int64(d); b.nowNS < end; {
		b.nowNS += 1e9
		b.p.Step([]sensors.Sample{{AtNS: b.nowNS, Signal: sensors.Tick}}, &batch)
		for i := range b.site.Brakes {
			q := sensors.Good
			if !speaks {
				q = sensors.NoAnswer
			}
			b.p.Step([]sensors.Sample{{AtNS: b.nowNS, Brake: int32(i), Signal: sensors.Travel, Value: 2, Quality: q},
				{AtNS: b.nowNS, Brake: int32(i), Signal: sensors.Drive, Quality: q}}, &batch)
		}
	}
	b.take(&batch)
}

func (b *belfry) told(second bool) (list []string) {
	for _, e := range b.events {
		if alerts.Told(e, second) {
			list = append(list, alerts.Subject(e)+" "+string(e.Condition)+" "+e.Change.String())
		}
	}
	return list
}

// A device that has never answered is no quieter about it than one that has
// stopped. A recording of some brakes alone says nothing of the others.
func TestADeviceThatNeverAnswersIsAnAlarm(t *testing.T) {
	for brakes, want := range map[int]string{1: "c/b00 signal-stale raised", 40: "io device-silent raised"} {
		b := newBelfry(t, hangingSite(t, brakes, ""))
		b.live(time.Minute, false)
		if got := b.told(false); !slices.Equal(got, []string{want}) {
			t.Errorf("%d brakes: told %q, want %q", brakes, got, want)
		}
		b.begin() // nothing of it is told again after a restart
		b.live(time.Minute, false)
		if got := b.told(false); !slices.Equal(got, []string{want}) {
			t.Errorf("%d brakes, after a restart: told %q, want %q", brakes, got, want)
		}
	}
	b := newBelfry(t, hangingSite(t, 2, ""))
	var batch store.Batch
	for range 60 {
		b.nowNS += 1e9
		b.p.Step([]sensors.Sample{{AtNS: b.nowNS, Signal: sensors.Travel, Value: 2}, {AtNS: b.nowNS, Signal: sensors.Drive}}, &batch)
	}
	if b.take(&batch); len(b.events) > 0 {
		t.Errorf("of a recording of one brake: %+v", b.events)
	}
}

// One cause, one alarm: a device that falls silent is told once, its forty
// brakes not at all, and nothing is told of them when it comes back.
func TestADeadDeviceIsOneAlarm(t *testing.T) {
	b := newBelfry(t, hangingSite(t, 40, ""))
	b.live(time.Minute, true)
	b.live(time.Minute, false)
	if got, want := b.told(false), []string{"io device-silent raised"}; !slices.Equal(got, want) {
		t.Fatalf("told %q, want %q", got, want)
	}
	held := 0
	for _, e := range b.events {
		if e.Condition == analysis.SignalStale && e.State == alerts.Suppressed && e.Reason == "io does not answer" {
			held++
		}
	}
	if held != 40 {
		t.Errorf("%d brakes' silence is stored as suppressed by its cause, want 40", held)
	}
	b.begin() // a restart in between changes nothing
	b.live(time.Minute, true)
	if got, want := b.told(false), []string{"io device-silent raised", "io device-silent cleared"}; !slices.Equal(got, want) {
		t.Fatalf("told %q, want %q", got, want)
	}
	latest := map[alerts.Key]alerts.State{}
	for _, e := range b.events {
		latest[e.Key()] = e.State
	}
	for k, s := range latest {
		if s != alerts.Normal {
			t.Errorf("%v is left %v", k, s)
		}
	}
}

// One brake's own silence on a device that speaks is that brake's alarm.
func TestOneSilentSignalIsNotTheDevice(t *testing.T) {
	b := newBelfry(t, hangingSite(t, 3, ""))
	b.live(time.Minute, true)
	site := b.site
	cut := *site
	cut.Brakes = site.Brakes[:2] // the third says nothing any more
	b.site = &cut
	b.live(time.Minute, true)
	if got, want := b.told(false), []string{"c/b02 signal-stale raised"}; !slices.Equal(got, want) {
		t.Fatalf("told %q, want %q", got, want)
	}
}

// find has a brake's alarm find something at the present time.
func (b *belfry) find(brake int, c analysis.Condition, excess float64) {
	var batch store.Batch
	b.p.out.Findings = append(b.p.out.Findings, analysis.Finding{AtNS: b.nowNS, Condition: c, Excess: excess, Value: 1, U: 0.1, Limit: 1, Unit: "mm"})
	b.p.collect(&b.p.lines[brake], &batch)
	b.take(&batch)
}

func (b *belfry) pass(d time.Duration) {
	var batch store.Batch
	b.nowNS += int64(d)
	b.p.Step([]sensors.Sample{{AtNS: b.nowNS, Signal: sensors.Tick}}, &batch)
	b.take(&batch)
}

func (b *belfry) act(a page.Act) bool {
	var batch store.Batch
	_, ok := b.p.Act(a, b.nowNS, &batch)
	b.take(&batch)
	return ok
}

// More than ten in ten minutes are summed up; what is urgent is told all the
// same; and once it is over single alarms are told again.
func TestAFloodIsSummedUp(t *testing.T) {
	b := newBelfry(t, patientSite(t, 40, "", "1000h"))
	for i := range 30 {
		b.find(i, analysis.SlowSet, 1)
		b.pass(time.Second)
		if i == 20 {
			b.find(39, analysis.NotSet, 1)
		}
	}
	single, floods := 0, 0
	for _, s := range b.told(false) {
		switch {
		case strings.HasSuffix(s, "slow-set raised"):
			single++
		case s == "gateway alarm-flood raised":
			floods++
		}
	}
	if single != 10 || floods != 1 || !slices.Contains(b.told(false), "c/b39 not-set raised") {
		t.Fatalf("%d told alone, %d floods: %q", single, floods, b.told(false))
	}
	b.begin()
	for range 30 {
		b.pass(time.Minute)
	}
	told := b.told(false)
	if n := len(told); told[n-1] != "gateway alarm-flood cleared" {
		t.Fatalf("told at the end %q", told[n-1])
	}
	last := b.events[len(b.events)-1]
	for _, want := range []string{"20 summed up", "Brake sets slowly: ", "c/b10", "and 8 more"} {
		if !strings.Contains(last.Detail, want) {
			t.Errorf("the summary doesn't say %q: %s", want, last.Detail)
		}
	}
	b.find(35, analysis.SlowSet, 1)
	if told := b.told(false); told[len(told)-1] != "c/b35 slow-set raised" {
		t.Errorf("after the flood a new alarm is not told: %q", told)
	}
}

func TestRemindersAndEscalation(t *testing.T) {
	b := newBelfry(t, patientSite(t, 2, "alarms: {remind_every: 4h, escalate_after: 30m, latch: [not-set]}\n", "1000h"))
	b.find(0, analysis.GapMax, 1)
	b.find(1, analysis.NotSet, 1)
	b.pass(10 * time.Minute)
	b.act(page.Act{Key: alerts.Key{Brake: "c/b01", Condition: analysis.NotSet}, Do: alerts.Acked, By: "R. Holm"})
	b.begin()
	b.pass(20 * time.Minute)
	if got, want := b.told(true), []string{"c/b00 gap-max escalated"}; !slices.Equal(got, want) {
		t.Fatalf("the second addresses hear %q, want %q", got, want)
	}
	b.pass(4 * time.Hour)
	b.act(page.Act{Key: alerts.Key{Brake: "c/b00", Condition: analysis.GapMax}, Do: alerts.Acked, By: "R. Holm"})
	want := []string{"c/b00 gap-max raised", "c/b01 not-set raised", "c/b01 not-set acknowledged",
		"c/b00 gap-max reminded", "c/b01 not-set reminded", "c/b00 gap-max acknowledged"}
	if got := b.told(false); !slices.Equal(got, want) {
		t.Fatalf("told %q, want %q", got, want)
	}
	if got, want := b.told(true), []string{"c/b00 gap-max escalated", "c/b00 gap-max reminded", "c/b00 gap-max acknowledged"}; !slices.Equal(got, want) {
		t.Fatalf("the second addresses hear %q, want %q", got, want)
	}
}

// The second addresses hear of a flood as the first do: ten alarms and the sum of
// the rest, a restart in between or not.
func TestAFloodEscalatesAsOne(t *testing.T) {
	for _, restart := range []bool{false, true} {
		b := newBelfry(t, patientSite(t, 20, "alarms: {escalate_after: 5m, remind_every: 1h}\n", "1000h"))
		for i := range 14 {
			b.find(i, analysis.NotReleased, 1)
		}
		if restart {
			b.begin()
		}
		b.pass(5*time.Minute - time.Second)
		if got := b.told(true); len(got) != 0 {
			t.Fatalf("too early: %q", got)
		}
		b.pass(time.Minute)
		got := b.told(true)
		if len(got) != 11 || got[0] != "c/b00 not-released escalated" || got[9] != "c/b09 not-released escalated" || got[10] != "gateway urgent-alarm-flood escalated" {
			t.Fatalf("the second addresses hear %q", got)
		}
		e := b.events[len(b.events)-1]
		if e.Value != 4 || !strings.Contains(e.Detail, "Brake does not release: c/b10, c/b11, c/b12, c/b13") {
			t.Errorf("the flood is %v: %s", e.Value, e.Detail)
		}
		b.pass(time.Hour) // each is reminded of by itself, and now goes on to those who haven't heard of it
		if got := b.told(true); !slices.Contains(got, "c/b13 not-released escalated") || !slices.Contains(got, "gateway urgent-alarm-flood cleared") {
			t.Errorf("an hour later the second addresses have heard %q", got)
		}
	}
}

func TestABrakeOutOfServiceCallsNobody(t *testing.T) {
	b := newBelfry(t, hangingSite(t, 1, ""))
	var batch store.Batch
	b.p.OutOfService("c/b00", b.nowNS, "K. Berg", "motor away", &batch)
	b.take(&batch)
	b.find(0, analysis.NotSet, 1)
	if len(b.told(false)) != 0 || len(b.events) != 1 || b.events[0].State != alerts.NotInService {
		t.Fatalf("told %q, stored %+v", b.told(false), b.events)
	}
	batch.Reset()
	b.p.InService("c/b00", b.nowNS, "K. Berg", &batch)
	b.take(&batch)
	if got, want := b.told(false), []string{"c/b00 not-set in-service"}; !slices.Equal(got, want) {
		t.Fatalf("told %q, want %q", got, want)
	}
}

// Stopped and begun anew anywhere, alarms go on as if nothing had been.
func TestAlarmsAfterARestartAreThoseWithout(t *testing.T) {
	// Nothing is read in all that time, and a restart begins to wait for it anew.
	site := patientSite(t, 2, "alarms: {remind_every: 20m, escalate_after: 7m, latch: [gap-max, not-set]}\n", "1000h")
	conditions := []analysis.Condition{analysis.GapMax, analysis.NotSet, analysis.SlowSet, analysis.GapStep, analysis.GapAdjust, analysis.ForecastDue}
	for seed := range uint64(4) {
		run := func(restarts bool) []alerts.Event {
			r, stops := rand.New(rand.NewPCG(seed, 1)), rand.New(rand.NewPCG(seed, 2))
			b := newBelfry(t, site)
			for range 450 {
				brake, c := r.IntN(2), conditions[r.IntN(len(conditions))]
				key := alerts.Key{Brake: site.Brakes[brake].Name, Condition: c}
				switch n := r.IntN(12); {
				case n < 5:
					b.find(brake, c, float64(r.IntN(3)-1))
				case n < 7:
					b.act(page.Act{Key: key, Do: alerts.Acked, By: "R. Holm"})
				case n == 7:
					b.act(page.Act{Key: key, Do: alerts.ShelvedBy, By: "R. Holm", Reason: "waiting for parts", UntilNS: b.nowNS + int64(r.IntN(60)+1)*60e9})
				case n == 8:
					b.act(page.Act{Key: key, Do: alerts.Unshelved, By: "K. Berg"})
				default:
					b.pass(time.Duration(r.IntN(300)+1) * time.Second)
				}
				if restarts && stops.IntN(30) == 0 {
					b.begin()
				}
			}
			return b.events
		}
		without, with := run(false), run(true)
		if len(without) < 100 {
			t.Fatalf("only %d events", len(without))
		}
		for i := range min(len(without), len(with)) {
			if fmt.Sprintf("%+v", without[i]) != fmt.Sprintf("%+v", with[i]) {
				t.Fatalf("seed %d, event %d: without a restart\n%+v\nwith\n%+v", seed, i, without[i], with[i])
			}
		}
		if len(without) != len(with) {
			t.Fatalf("seed %d: %d events without, %d with restarts", seed, len(without), len(with))
		}
	}
}
