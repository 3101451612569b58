package gateway

import (
	"bytes"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"gapward/analysis"
	"gapward/configs"
	"gapward/gateway/store"
	"gapward/sensors"
	"gapward/simulator"
)

// restartSite has two brakes of one model, so that they learn from each other;
// invented.
const restartSite = `
site: Test Quay
data: x
devices:
  io: {modbus: "tcp://127.0.0.1:1502", unit: 1}
brakes:
  - name: quay-2/main
    model: QK-90
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    timing: {release: 250ms, set: 300ms}
    adjuster: {ring: {holes: 6, pitch_mm: 3.0, uses: 3}}
    lining: {thickness_mm: 6.0, minimum_mm: 4.0, cone_half_angle_deg: 15}
    signals:
      travel: {device: io, input: 0, raw: [0, 4095], mm: [0, 10], poll: 20ms}
      drive: {device: io, discrete: 0}
      released: {device: io, discrete: 1}
  - name: quay-3/main
    model: QK-90
    limits_mm: {min: 1.2, target: 1.6, adjust: 2.8, max: 3.4}
    signals:
      travel: {device: io, input: 2, raw: [0, 4095], mm: [0, 10], poll: 20ms}
      drive: {device: io, discrete: 2}
`

// life is a site's brakes over some hours, with what people enter.
type life struct {
	site    *configs.Site
	samples []sensors.Sample
	entries []store.LedgerRow
}

// newLife is lived in busy hours: the first brake is adjusted by a hole, which is
// entered before anything is seen of it, and once more, which is entered only
// after it was found; the second is taken out of service and put back.
func newLife(t testing.TB, minutes int) life {
	t.Helper()
	site, problems := configs.Parse("test.yaml", []byte(restartSite), configs.Run)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	duty := simulator.ContinuousDuty()
	duty.On = [2]time.Duration{900 * time.Millisecond, 2 * time.Second}
	duty.Idle = [2]time.Duration{2 * time.Second, 4 * time.Second}
	specs := simulator.SpecsFor(site.Channels(), duty, 7, func(string) float64 { return 2.75 })
	for i := range specs {
		specs[i].Params.WearUM = 0.5
	}
	l := life{site: site}
	from := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	at := func(share float64) time.Time {
		return from.Add(time.Duration(share * float64(minutes) * float64(time.Minute)))
	}
	stream, err := simulator.NewStream(specs, from, at(1), 7)
	if err != nil {
		t.Fatal(err)
	}
	for _, share := range []float64{0.3, 0.55} {
		if err := stream.Apply(simulator.Event{At: at(share), Brake: "quay-2/main", Fault: simulator.Adjusted, Amount: 0.5}); err != nil {
			t.Fatal(err)
		}
	}
	enter := func(brake string, done, entered float64, kind analysis.EntryKind, steps int) {
		e := analysis.NewEntry(kind, at(done).UnixNano(), "K. Berg")
		e.EnteredNS, e.Steps = at(entered).UnixNano(), steps
		l.entries = append(l.entries, store.LedgerRow{Brake: brake, Entry: e})
	}
	enter("quay-2/main", -1, 0.01, analysis.LiningFitted, 0)
	enter("quay-2/main", 0.3, 0.301, analysis.Adjustment, 1)
	enter("quay-3/main", 0.4, 0.4, analysis.OutOfService, 0)
	enter("quay-2/main", 0.55, 0.75, analysis.Adjustment, 1)
	enter("quay-3/main", 0.8, 0.8, analysis.ReturnedToUse, 0)
	buf := make([]sensors.Sample, 4096)
	for n := stream.Next(buf); n > 0; n = stream.Next(buf) {
		l.samples = append(l.samples, buf[:n]...)
	}
	return l
}

// run is one way of living it.
type run struct {
	t     testing.TB
	life  life
	dir   string
	db    *store.DB
	p     *Pipeline
	batch store.Batch
	heard bytes.Buffer
	unmet []store.LedgerRow
}

func (l life) run(t testing.TB) *run {
	r := &run{t: t, life: l, dir: t.TempDir(), unmet: slices.Clone(l.entries)}
	r.start()
	t.Cleanup(r.close)
	return r
}

// start is the daemon's: a pipeline that recalls what is stored.
func (r *run) start() {
	r.t.Helper()
	var err error
	if r.db, err = store.Open(r.t.Context(), r.dir, slog.New(slog.DiscardHandler)); err != nil {
		r.t.Fatal(err)
	}
	if r.p, err = NewSitePipeline(r.life.site, r.life.site.AnalysisSettings()); err != nil {
		r.t.Fatal(err)
	}
	before, err := recall(r.t.Context(), r.p, r.life.site, r.db, slog.New(slog.DiscardHandler))
	if err != nil {
		r.t.Fatal(err)
	}
	r.batch = before.left
	r.commit()
}

func (r *run) close() {
	if err := r.db.Close(); err != nil {
		r.t.Error(err)
	}
}

func (r *run) commit() {
	r.t.Helper()
	r.batch.Learned = r.p.Learned(r.batch.Learned[:0])
	if r.batch.Empty() {
		return
	}
	if err := r.db.Commit(r.t.Context(), &r.batch); err != nil {
		r.t.Fatal(err)
	}
	r.p.Saved()
	r.heard.Write(AppendLines(nil, &r.batch))
	fmt.Fprintf(&r.heard, "%+v %+v %+v\n", r.batch.Verdicts, r.batch.Checks, r.batch.Offers)
	r.batch.Reset()
}

// feed takes samples as the owner does, some at a turn, and entries when they
// are made.
func (r *run) feed(samples []sensors.Sample) {
	r.t.Helper()
	for turn := range slices.Chunk(samples, 40) {
		for len(r.unmet) > 0 && r.unmet[0].EnteredNS <= turn[0].AtNS {
			row := r.unmet[0]
			r.unmet = r.unmet[1:]
			r.commit()
			b := store.Batch{Ledger: []store.LedgerRow{row}}
			if err := r.db.Commit(r.t.Context(), &b); err != nil {
				r.t.Fatal(err)
			}
			rows, err := r.db.Ledger(r.t.Context(), row.Brake)
			if err != nil {
				r.t.Fatal(err)
			}
			r.p.Entered(r.p.Place(row.Brake), b.Ledger[0].Entry, store.Entries(rows), &r.batch)
			r.commit()
		}
		r.p.Step(turn, &r.batch)
		r.commit()
	}
}

// stop is the end of a daemon that is told to end.
func (r *run) stop() {
	r.t.Helper()
	r.p.Flush(&r.batch)
	r.p.LearnedAll()
	r.commit()
}

func lines(b *bytes.Buffer) []string { return strings.Split(b.String(), "\n") }

// A daemon that is stopped and started again goes on like one that kept running
// and was told of the pause: cycles, alarms, forecasts, verdicts, what came of
// work and what it has learned are the same to the last bit, wherever in the
// stream the stops are, brakes of one model and the ledger included.
//
// What is defined to happen to an open cycle: where the drive is off again it is
// measured on what was seen and stored at the stop; where it is on, it has no
// end and is none. What was under way begins anew.
func TestRestartIsReplay(t *testing.T) {
	l := newLife(t, 24)
	for _, stops := range [][]float64{{0.5}, {0.13, 0.302, 0.41}, {0.305, 0.56, 0.76, 0.9}} {
		one, two := l.run(t), l.run(t)
		at := 0
		for _, share := range append(stops, 1) {
			to := int(share * float64(len(l.samples)))
			one.feed(l.samples[at:to])
			two.feed(l.samples[at:to])
			at = to
			one.stop()
			two.stop()
			one.p.Restart()
			two.close()
			two.start()
		}
		a, b := lines(&one.heard), lines(&two.heard)
		for i := range min(len(a), len(b)) {
			if a[i] != b[i] {
				t.Fatalf("stopped at %v: line %d of %d is\n%s\nwant\n%s", stops, i, len(a), b[i], a[i])
			}
		}
		if len(a) != len(b) {
			t.Fatalf("stopped at %v: %d lines, want %d: %s", stops, len(b), len(a), slices.Concat(a, b)[min(len(a), len(b))])
		}
		one.p.LearnedAll()
		two.p.LearnedAll()
		if !slices.EqualFunc(one.p.Learned(nil), two.p.Learned(nil), func(a, b store.LearnedRow) bool { return bytes.Equal(a.State, b.State) }) {
			t.Errorf("stopped at %v: something else is learned", stops)
		}
		for what, least := range map[string]int{`"type":"cycle"`: 200, `"condition":"gap-step"`: 2, `"type":"forecast"`: 4, "Outcome": 6, `as planned`: 1} {
			if n := strings.Count(one.heard.String(), what); n < least {
				t.Errorf("only %d times %s was heard; that proves little", n, what)
			}
		}
		if os.Getenv("GAPWARD_SHOW") != "" {
			t.Log(one.heard.String())
		}
	}
}

// A daemon that is killed has stored what it had told. Started again it knows of
// its brakes' cycles, forecasts and works what it knew when it was killed, and
// it stores anew what a killed one had no time for.
func TestKilledKnowsWhatItKnew(t *testing.T) {
	l := newLife(t, 24)
	for _, share := range []float64{0.2, 0.3012, 0.5, 0.62, 0.7512, 0.97} {
		r := l.run(t)
		r.feed(l.samples[:int(share*float64(len(l.samples)))])
		known := func(p *Pipeline) (text string) {
			for i := range p.lines {
				b := p.lines[i].brake
				text += fmt.Sprintf("%+v %+v\n", b.Verdict(), b.Latest())
			}
			return text
		}
		want := known(r.p)
		heard, err := r.db.CyclesAfter(t.Context(), 0, 1e6)
		if err != nil {
			t.Fatal(err)
		}
		r.close() // nothing is stored that wasn't
		r.start()
		if got := known(r.p); got != want {
			t.Errorf("killed at %v: it knows\n%s\nwant\n%s", share, got, want)
		}
		if again, err := r.db.CyclesAfter(t.Context(), 0, 1e6); err != nil || len(again) != len(heard) {
			t.Errorf("killed at %v: %d cycles, want %d (%v)", share, len(again), len(heard), err)
		}
	}
}

// A daemon that is killed and started again goes on like one that kept running
// and was told of the pause: cycles, alarms, forecasts, verdicts, what came of
// work and what it has learned are the same to the last bit, whenever it is
// killed. What was under way has no end and is lost, as is the little that a
// brake learned between its latest cycle and the kill.
func TestKilledGoesOnLikeOneThatWasNot(t *testing.T) {
	l := newLife(t, 24)
	random := rand.New(rand.NewPCG(11, 11))
	kills := make([]float64, 6)
	for i := range kills {
		kills[i] = random.Float64()
	}
	slices.Sort(kills)
	one, two := l.run(t), l.run(t)
	at := 0
	for _, share := range append(kills, 1) {
		to := int(share * float64(len(l.samples)))
		one.feed(l.samples[at:to])
		two.feed(l.samples[at:to])
		at = to
		one.p.Restart()
		if err := one.p.learnAll(t.Context(), func(name string) (int32, bool) { return one.p.Place(name), true }, one.db, slog.New(slog.DiscardHandler)); err != nil {
			t.Fatal(err)
		}
		two.close() // nothing is stored that wasn't
		two.start()
	}
	a, b := lines(&one.heard), lines(&two.heard)
	for i := range min(len(a), len(b)) {
		if a[i] != b[i] {
			t.Fatalf("killed at %v: line %d of %d is\n%s\nwant\n%s", kills, i, len(a), b[i], a[i])
		}
	}
	if len(a) != len(b) || len(a) < 300 {
		t.Fatalf("killed at %v: %d lines, want %d", kills, len(b), len(a))
	}
	one.p.LearnedAll()
	two.p.LearnedAll()
	if !slices.EqualFunc(one.p.Learned(nil), two.p.Learned(nil), func(a, b store.LearnedRow) bool { return bytes.Equal(a.State, b.State) }) {
		t.Errorf("killed at %v: something else is learned", kills)
	}
}

// A daemon that is killed when an entry is stored and nothing of what it causes
// is: the next start makes up for that.
func TestKilledBetweenAnEntryAndWhatItCauses(t *testing.T) {
	l := newLife(t, 24)
	r := l.run(t)
	r.feed(l.samples[:int(0.7*float64(len(l.samples)))])
	active := func() (text string) {
		rows, err := r.db.ActiveAlarms(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for _, a := range rows {
			text += a.Brake + " " + string(a.Condition) + " " + a.State.String() + "\n"
		}
		return text
	}
	if offers, err := r.db.Offers(t.Context(), "quay-2/main"); err != nil || len(offers) != 1 || offers[0].Steps != 1 {
		t.Fatalf("the hole that nobody entered is not offered: %+v (%v)\n%s", offers, err, active())
	}
	before := active()
	out := analysis.NewEntry(analysis.OutOfService, l.samples[0].AtNS, "K. Berg")
	out.EnteredNS = out.AtNS
	b := store.Batch{Ledger: []store.LedgerRow{r.unmet[0], {Brake: "quay-2/main", Entry: out}}}
	if b.Ledger[0].Steps != 1 {
		t.Fatalf("the next entry is %+v", b.Ledger[0])
	}
	if err := r.db.Commit(t.Context(), &b); err != nil {
		t.Fatal(err)
	}
	r.close()
	r.start()
	if offers, err := r.db.Offers(t.Context(), ""); err != nil || len(offers) != 0 {
		t.Errorf("still offered: %+v (%v)", offers, err)
	}
	checks, err := r.db.WorkChecks(t.Context(), "quay-2/main")
	if err != nil || len(checks) == 0 || checks[0].Entry != b.Ledger[0].ID || checks[0].Outcome != analysis.AsPlanned {
		t.Errorf("how it turned out: %+v (%v)", checks, err)
	}
	after := active()
	if strings.Contains(after, "quay-2/main gap-step unack") || strings.Contains(after, "quay-2/main gap-adjust unack") {
		t.Errorf("the alarms of a brake that is out of service are\n%s\nthey were\n%s", after, before)
	}
	t.Logf("before:\n%safter:\n%s", before, after)
}

// What was learned through a probe that is scaled otherwise since, or kept in
// another form, is of no use: the brake learns anew, and the log says so. The
// others keep what they know.
func TestWhatDoesNotFitIsLearnedAnew(t *testing.T) {
	l := newLife(t, 24)
	r := l.run(t)
	r.feed(l.samples[:len(l.samples)/3])
	r.stop()
	r.p.LearnedAll()
	kept := r.p.Learned(nil)
	site, problems := configs.Parse("test.yaml", []byte(strings.Replace(restartSite, "mm: [0, 10]", "mm: [0, 12]", 1)), configs.Run)
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	start := func() (p *Pipeline, log string) {
		var told bytes.Buffer
		p, err := NewSitePipeline(site, site.AnalysisSettings())
		if err != nil {
			t.Fatal(err)
		}
		if _, err := recall(t.Context(), p, site, r.db, slog.New(slog.NewTextHandler(&told, nil))); err != nil {
			t.Fatal(err)
		}
		p.LearnedAll()
		return p, told.String()
	}
	fresh, err := NewSitePipeline(site, site.AnalysisSettings())
	if err != nil {
		t.Fatal(err)
	}
	fresh.LearnedAll()
	p, log := start()
	got, empty := p.Learned(nil), fresh.Learned(nil)
	if !bytes.Equal(got[0].State, empty[0].State) || !bytes.Equal(got[1].State, kept[1].State) {
		t.Error("the brake with another probe goes on with what it knew, or the other one doesn't")
	}
	if strings.Count(log, "is learned anew") != 1 || !strings.Contains(log, "brake=quay-2/main") || !strings.Contains(log, "wired or scaled otherwise") {
		t.Errorf("the log says %s", log)
	}
	// Kept by a version that lists other fields.
	kept[1].State[0] ^= 1
	if err := r.db.Commit(t.Context(), &store.Batch{Learned: kept}); err != nil {
		t.Fatal(err)
	}
	p, log = start()
	if got := p.Learned(nil); !bytes.Equal(got[1].State, empty[1].State) || !strings.Contains(log, "another version of gapward") {
		t.Errorf("of another version: the log says %s", log)
	}
}
