package field

import (
	"bufio"
	"context"
	"errors"
	"io"
	"math"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"gapward/sensors"
)

func TestCommandsActAtOnceAndAreAnswered(t *testing.T) {
	var clock hand
	clock.set(morning())
	devices, channels := quaySite()
	f, plant := stand(t, devices, channels, clock.now)
	in, typed := io.Pipe()
	answers, out := io.Pipe()
	done := make(chan error, 1)
	go func() { done <- f.Obey(t.Context(), in, out); out.Close() }()
	read := bufio.NewScanner(answers)
	say := func(line string) string {
		t.Helper()
		if _, err := io.WriteString(typed, line+"\n"); err != nil {
			t.Fatal(err)
		}
		if !read.Scan() {
			t.Fatalf("%q got no answer: %v", line, read.Err())
		}
		stamp, answer, _ := strings.Cut(read.Text(), " ")
		if _, err := time.Parse(time.TimeOnly, stamp); err != nil {
			t.Errorf("the answer %q begins with no time", read.Text())
		}
		return answer
	}
	travel := func() float64 { return plant.Read(0, sensors.Travel, clock.now().UnixNano()).Value }
	before := travel()
	if got := say("  probe-bumped  quay-2/main 0.4"); got != "probe-bumped quay-2/main 0.4: done" {
		t.Errorf("the answer is %q", got)
	}
	if moved := travel() - before; math.Abs(moved-0.4) > 1e-9 { // the same moment, so the same noise
		t.Errorf("the probe moved by %g mm", moved)
	}
	if got := say("device-silent quay-2/main"); got != "device-silent quay-2/main: done" || !plant.Read(0, sensors.Drive, clock.now().UnixNano()).Silent {
		t.Errorf("the answer is %q, and the device speaks", got)
	}
	if got := say("off device-silent quay-2/main"); got != "off device-silent quay-2/main: done" || plant.Read(0, sensors.Drive, clock.now().UnixNano()).Silent {
		t.Errorf("the answer is %q, and the device is silent", got)
	}
	for line, want := range map[string]string{
		"wire-break quay-9/main": `wire-break quay-9/main: not done: fault wire-break: there is no brake named "quay-9/main"`,
		"frobnicate":             "frobnicate: not done: write FAULT BRAKE",
		"help":                   "write FAULT BRAKE [AMOUNT] [lasts DURATION], or off FAULT BRAKE; the faults are wear-fast, probe-bumped",
		"\n# a remark\n?":        "write FAULT BRAKE",
	} {
		if got := say(line); !strings.HasPrefix(got, want) {
			t.Errorf("%q is answered with %q, want %q", line, got, want)
		}
	}
	typed.Close()
	if err := <-done; err != nil {
		t.Error(err)
	}
}

func TestCommandsEnd(t *testing.T) {
	var clock hand
	clock.set(morning())
	devices, channels := quaySite()
	f, _ := stand(t, devices, channels, clock.now)
	ctx, cancel := context.WithCancel(t.Context())
	in, typed := io.Pipe()
	defer typed.Close()
	cancel()
	if err := f.Obey(ctx, in, io.Discard); err != nil {
		t.Errorf("at the end of its context: %v", err)
	}
	broken := errors.New("broken")
	if err := f.Obey(t.Context(), iotest.ErrReader(broken), io.Discard); !errors.Is(err, broken) {
		t.Errorf("of a reader that fails: %v", err)
	}
}
