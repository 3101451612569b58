package main

import (
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"gapward/analysis"
	"gapward/configs"
	"gapward/gateway"
	"gapward/gateway/report"
	"gapward/gateway/store"
	"gapward/sensors"
	"gapward/simulator"
)

// worn is the demonstration's quay-2/main, run through the pipeline until its
// adjustment is planned, with the rest of its stream to come.
type worn struct {
	site   *configs.Site
	file   string // the site file, for commands
	stream *simulator.Stream
	line   *gateway.Pipeline
	next   []sensors.Sample // read from the stream, and not yet stepped
	atNS   int64
}

const wornBrake = "quay-2/main"

// wornUntil is when its stream ends: always the same, so that the wear is.
func wornUntil() time.Time { return time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC) }

func wearOut(t *testing.T) *worn {
	t.Helper()
	dir := t.TempDir()
	text := "data: " + filepath.Join(dir, "data") + "\n" + string(demoSite)
	w := &worn{file: filepath.Join(dir, "site.yaml")}
	if err := os.WriteFile(w.file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	var problems []configs.Problem
	if w.site, problems = configs.Parse("site.yaml", []byte(text), configs.Run); len(problems) > 0 {
		t.Fatal(problems)
	}
	to := wornUntil()
	from := to.Add(-historyDays * 24 * time.Hour)
	specs, err := brakeSpecs(w.site, from, to)
	if err != nil {
		t.Fatal(err)
	}
	if w.stream, err = simulator.NewStream(specs, from, to, historySeed); err != nil {
		t.Fatal(err)
	}
	settings := w.site.AnalysisSettings()
	for i := range settings {
		s := &settings[i] // idle hours are skipped: their silence is none
		s.Travel.StaleAfter, s.Drive.StaleAfter, s.Released.StaleAfter, s.Temperature.StaleAfter = 0, 0, 0, 0
	}
	w.line = gateway.NewPipeline(settings, false)
	w.run(t, from.Add(50*24*time.Hour).UnixNano())
	return w
}

// run steps what comes before a time, and stores what that causes.
func (w *worn) run(t *testing.T, untilNS int64) {
	t.Helper()
	db := w.open(t)
	defer func() { _ = db.Close() }()
	var batch store.Batch
	for {
		if len(w.next) == 0 {
			buf := make([]sensors.Sample, 4096)
			if w.next = buf[:w.stream.Next(buf)]; len(w.next) == 0 {
				break
			}
		}
		n := 0
		for n < len(w.next) && w.next[n].AtNS < untilNS {
			n++
		}
		w.line.Step(w.next[:n], &batch)
		if w.next = w.next[n:]; len(w.next) > 0 {
			w.atNS = w.next[0].AtNS
			break
		}
	}
	if err := save(t.Context(), db, w.line, &batch); err != nil {
		t.Fatal(err)
	}
}

func (w *worn) open(t *testing.T) *store.DB {
	t.Helper()
	db, err := store.Open(t.Context(), w.site.Data, slog.New(slog.NewTextHandler(t.Output(), nil)))
	if err != nil {
		t.Fatal(err)
	}
	return db
}

// record is what the inspection record has of the brake.
func (w *worn) record(t *testing.T) report.BrakeRecord {
	t.Helper()
	db := w.open(t)
	defer func() { _ = db.Close() }()
	now := wornUntil()
	r, err := gateway.Recorder(w.site, db, "", "test", nil)(t.Context(), report.Query{Brake: wornBrake, From: now.Add(-historyDays * 25 * time.Hour), To: now, Now: now})
	if err != nil {
		t.Fatal(err)
	}
	return r.Brakes[0]
}

// adjust enters so many steps with the command, has the pipeline take the entry
// in as the daemon does, and turns the simulated brake by as many as were really
// done.
func (w *worn) adjust(t *testing.T, entered, done int) {
	t.Helper()
	at := time.Unix(0, w.atNS)
	if entered != 0 {
		code, out, errs := invoke(t, "enter", "adjustment", "--config", w.file, "--brake", wornBrake, "--who", "K. Berg", "--steps", strconv.Itoa(entered), "--at", at.UTC().Format(time.RFC3339Nano))
		if code != exitDone || !strings.Contains(out, "Retest after work: not signed for yet") {
			t.Fatalf("exit %d\n%s%s", code, out, errs)
		}
		db := w.open(t)
		rows, err := db.Ledger(t.Context(), wornBrake)
		if err != nil {
			t.Fatal(err)
		}
		var batch store.Batch
		entries := store.Entries(rows)
		w.line.Entered(int32(w.site.BrakeIndex(wornBrake)), entries[len(entries)-1], entries, &batch)
		if err := save(t.Context(), db, w.line, &batch); err != nil {
			t.Fatal(err)
		}
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
	}
	step, _ := w.site.AnalysisSettings()[w.site.BrakeIndex(wornBrake)].Adjuster.Step()
	// What is read from the stream already, the step must not change.
	last := at
	if n := len(w.next); n > 0 {
		last = time.Unix(0, w.next[n-1].AtNS)
	}
	if err := w.stream.Apply(simulator.Event{At: last.Add(time.Second), Brake: wornBrake, Fault: simulator.Adjusted, Amount: float64(done) * step.MM}); err != nil {
		t.Fatal(err)
	}
	w.next = dropOf(w.next, w.site.BrakeIndex(wornBrake))
}

// dropOf leaves out a brake's samples.
func dropOf(list []sensors.Sample, brake int) []sensors.Sample {
	kept := list[:0]
	for _, s := range list {
		if int(s.Brake) != brake {
			kept = append(kept, s)
		}
	}
	return kept
}

// The whole way: the plan says so many holes, they are entered and turned, and
// the next cycles agree; one hole fewer is turned, and they say so; none is
// entered, and the step is offered.
func TestWhatIsPlannedEnteredAndDoneComesOut(t *testing.T) {
	for _, c := range []struct {
		name    string
		entered func(planned int) int
		done    func(planned int) int
		outcome analysis.Outcome
		says    string
		offers  bool
	}{
		{"as planned", func(n int) int { return n }, func(n int) int { return n }, analysis.AsPlanned, "as planned", false},
		{"one hole short", func(n int) int { return n }, func(n int) int { return n - 1 }, analysis.OffSteps, "one hole short: travel 0.", false},
		{"not entered", func(int) int { return 0 }, func(n int) int { return n }, 0, "", true},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := wearOut(t)
			before := w.record(t)
			if before.Plan == nil || before.Plan.Steps != 2 || !strings.HasPrefix(before.Plan.Do, "Turn the brake ring on by 2 index holes") {
				t.Fatalf("the plan is %+v at %v mm", before.Plan, *before.GapMM)
			}
			n := before.Plan.Steps
			w.adjust(t, c.entered(n), c.done(n))
			w.run(t, wornUntil().UnixNano())
			after := w.record(t)
			if (after.Offer != "") != c.offers || c.offers && after.OfferedSteps != n {
				t.Errorf("it offers %d steps: %q", after.OfferedSteps, after.Offer)
			}
			if c.says == "" {
				return
			}
			if len(after.Works) != 1 {
				t.Fatalf("the works are %+v", after.Works)
			}
			got := after.Works[0]
			if got.Outcome != c.outcome.String() || !strings.Contains(got.Words, c.says) {
				t.Errorf("it came out %s, %s; want %s, %s", got.Outcome, got.Words, c.outcome, c.says)
			}
			if c.outcome == analysis.AsPlanned && !strings.Contains(got.Words, fmt.Sprintf("%.2f ± ", *before.Plan.ExpectedMM)) {
				t.Errorf("it says %q, and the plan expected %v mm", got.Words, *before.Plan.ExpectedMM)
			}
			if !after.RetestDue || len(after.Ledger) != 1 || after.Lining == nil || *after.Lining.StepsLeft != *before.Lining.StepsLeft-n {
				t.Errorf("after the work: retest due %v, ledger %+v, lining %+v", after.RetestDue, after.Ledger, after.Lining)
			}
		})
	}
}
