package commission

import (
	"bytes"
	"errors"
	"io"
	"math"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"gapward/analysis"
	"gapward/simulator"
)

// fitter is a person at the terminal: it answers each question as it comes.
type fitter struct {
	t       *testing.T
	answers []struct{ question, answer string }
	typed   *io.PipeWriter

	mu   sync.Mutex
	said bytes.Buffer
	seen int // up to here the questions are answered
}

func (f *fitter) Write(p []byte) (int, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.said.Write(p)
	for len(f.answers) > 0 {
		at := strings.Index(f.said.String()[f.seen:], f.answers[0].question)
		if at < 0 {
			break
		}
		f.seen += at + len(f.answers[0].question)
		line := f.answers[0].answer + "\n"
		f.answers = f.answers[1:]
		go io.WriteString(f.typed, line) // the pipe takes it when it is read
	}
	return len(p), nil
}

func (f *fitter) String() string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.said.String()
}

// A person is walked through one brake: its drive is wired the wrong way round
// and nothing but the standing hoist tells that from a wrong sign.
func TestWalkingThroughABrake(t *testing.T) {
	t.Parallel()
	// The hoist stands at first, and runs from the fourth second on.
	text := stand(t, func(specs []simulator.BrakeSpec) {
		specs[2].Duty.On, specs[2].Duty.Idle = [2]time.Duration{900 * time.Millisecond, time.Second}, [2]time.Duration{4 * time.Second, 4100 * time.Millisecond}
	})
	in, typed := io.Pipe()
	f := &fitter{t: t, typed: typed}
	for _, qa := range [][2]string{
		{"Your name, for the record:", ""},
		{"Your name, for the record:", "A. Fitter"},
		{"brakes set? Enter for yes", ""},
		{"set released:", "forty"},
		{"set released:", "41.20 40.00"},
		{"set released:", "41,20 40,05"},
		{"set released:", ""},
	} {
		f.answers = append(f.answers, struct{ question, answer string }{qa[0], qa[1]})
	}
	r := begin(t, told(t, text, "coil: 16}", "coil: 16, invert: true}"),
		Options{Brakes: []string{"pit-1/hoist"}, Cycles: 2, In: in, Out: f, Patience: 25 * time.Second})(t)
	if r.By != "A. Fitter" || len(r.Brakes) != 1 || len(r.Brakes[0].Channels) != 2 {
		t.Fatalf("the record is of %q: %+v", r.By, r.Brakes)
	}
	said := f.String()
	for _, want := range []string{"Land the load and secure the hook", "1 of 1: pit-1/hoist", "Leave it standing", "3 times", "1 cycle", `"forty" must be two depths`} {
		if !strings.Contains(said, want) {
			t.Errorf("it doesn't say %q:\n%s", want, said)
		}
	}
	// Whether the hoist stood in those two seconds is chance here, so that the
	// drive's fault is either known or one of two.
	d := r.channel(t, "pit-1/hoist drive")
	if d.Verdict != Failed || !regexp.MustCompile("inverted: 0 means on|either the drive is inverted").MatchString(d.looksLike()) {
		t.Errorf("the drive is %s: %s", d.Verdict, d.looksLike())
	}
}

// What was seen while the hoist stood decides between sign and drive, alone.
func TestStandingDecides(t *testing.T) {
	const step = int64(20 * time.Millisecond)
	at := func(i int) int64 { return 1e18 + int64(i)*step }
	signal := func(invert bool) *view {
		v := &view{report: &Channel{Verdict: Passed}, answers: true}
		for i := range 1000 {
			on := i >= 200 && (i/50)%2 == 1
			v.series.add(at(i), float64(bit(on != invert)))
		}
		v.line, v.moves = timelineOf(v.series, 0.5, 0.25, time.Second), true
		return v
	}
	for _, c := range []struct {
		name           string
		travel, drive  bool // inverted
		sign, contacts Verdict
	}{
		{"all is right", false, false, Passed, Passed},
		{"the drive is inverted", false, true, NotProven, Failed},
		{"the sign is wrong", true, false, Failed, Passed},
		{"both", true, true, Failed, Failed},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := &brake{guard: 100 * time.Millisecond}
			b.travel, b.drive = signal(c.travel), signal(c.drive)
			b.signals(evidence{still: []span{{0, at(10), at(190)}}})
			if b.travel.report.Verdict != c.sign || b.drive.report.Verdict != c.contacts {
				t.Errorf("travel %+v\ndrive %+v", b.travel.report, b.drive.report)
			}
		})
	}
}

func TestAnswersThatEnd(t *testing.T) {
	site := told(t, strings.NewReplacer("ADDRESS", freeAddress(t), "PIT", freeAddress(t), "DATA", t.TempDir()).Replace(quay))
	for name, in := range map[string]io.Reader{"none": nil, "too few": strings.NewReader("A. Fitter\n")} {
		if _, err := Run(t.Context(), site, Options{In: in, Out: io.Discard}); !errors.Is(err, ErrNobody) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := Run(t.Context(), site, Options{Auto: time.Second, Out: io.Discard, Brakes: []string{"quay-9"}}); err == nil || !strings.Contains(err.Error(), `no brake named "quay-9"`) {
		t.Errorf("a brake that isn't there: %v", err)
	}
	if _, err := Run(t.Context(), site, Options{Auto: time.Second, Out: io.Discard, Gauge: map[string][][2]float64{"quay-1/hoist": {{40, 40}}}}); err == nil || !strings.Contains(err.Error(), "no travel between") {
		t.Errorf("depths without a gap: %v", err)
	}
}

func TestParseDepths(t *testing.T) {
	for line, want := range map[string][2]float64{
		"42.10 40.05": {42.1, 40.05}, " 42,10;40,05": {42.1, 40.05}, "42.1,40": {42.1, 40}, "1\t2": {1, 2},
	} {
		if got, err := ParseDepths(line); err != nil || got != want {
			t.Errorf("%q: %v, %v", line, got, err)
		}
	}
	for _, line := range []string{"", "42", "42 40 38", "a b", "-1 2", "NaN 2", "1 1e9"} {
		if got, err := ParseDepths(line); err == nil {
			t.Errorf("%q gives %v", line, got)
		}
	}
}

// The zeta score is that of ISO 13528: the difference over the root of the sum
// of the squared uncertainties.
func TestZeta(t *testing.T) {
	b := &brake{travel: &view{report: &Channel{Verdict: Passed}}}
	b.settings.Travel.CalibrationU = 0.03
	h := handReading([][2]float64{{42.0, 40.0}}, 0)
	hand, err := h.Evaluate()
	if err != nil {
		t.Fatal(err)
	}
	b.byHand(evidence{gauge: map[int32]analysis.HandReading{0: h}}, measured{full: 4, gap: 2.3, u: 0.08, scatter: 0})
	if g, want := b.report.Gauge, 0.3/math.Sqrt(0.04*0.04+0.03*0.03+hand.UMM*hand.UMM); g == nil || math.Abs(g.Zeta-want) > 1e-9 {
		t.Errorf("%+v, want zeta %g", g, want)
	}
}
