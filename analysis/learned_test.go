package analysis

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"unsafe"
)

// passing are the fields of a brake that a restart gives up, since they belong
// to the cycle under way, or that come with the settings or are lent. All others
// are learned and must be kept, or belong to the record, which the stored cycles
// bring back.
var passing = strings.Fields(`
	Brake.set Brake.trace Brake.health Brake.motion
	Brake.phase Brake.on Brake.off Brake.fromNS Brake.lost Brake.freed Brake.freedNS Brake.closed Brake.raised
	Brake.told Brake.heldOpen Brake.flags Brake.ref Brake.freeMM Brake.held Brake.above Brake.below Brake.onSwitch
	Brake.offSwitch Brake.tempC Brake.restedNS Brake.record Brake.nowNS Brake.wakeNS Brake.dueNS
	Brake.toldRelease Brake.toldSet Brake.owedRelease Brake.owedSet
	meter.stepMM meter.latest meter.opened meter.scratch
	contact.known contact.on contact.pending contact.cand contact.candOff contact.lastNS contact.polledNS contact.changes
	contact.stampNS contact.doubted
	thermal.given`)

// learnedFields calls f with every field of v, deep down, that isn't passing.
func learnedFields(v reflect.Value, path string, seen map[string]bool, f func(path string, v reflect.Value)) {
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			name := v.Type().Name() + "." + v.Type().Field(i).Name
			if seen[name] = true; slices.Contains(passing, name) {
				continue
			}
			field := v.Field(i)
			// Unexported, but ours.
			field = reflect.NewAt(field.Type(), unsafe.Pointer(field.UnsafeAddr())).Elem()
			learnedFields(field, path+"."+v.Type().Field(i).Name, seen, f)
		}
	case reflect.Array:
		for i := range v.Len() {
			learnedFields(v.Index(i), fmt.Sprintf("%s[%d]", path, i), seen, f)
		}
	default:
		f(path, v)
	}
}

// A field that somebody adds to what a brake learns is either kept over a
// restart, or named above as passing. This test fills every other field with a
// value of its own and wants it back.
func TestEverythingLearnedIsKept(t *testing.T) {
	full, got := New(handSettings()), New(handSettings())
	n := 0
	seen := map[string]bool{}
	learnedFields(reflect.ValueOf(full).Elem(), "", seen, func(path string, v reflect.Value) {
		n++
		switch v.Kind() {
		case reflect.Float64, reflect.Float32:
			v.SetFloat(float64(n) + 0.25)
		case reflect.Int, reflect.Int64:
			v.SetInt(int64(n))
		case reflect.Bool:
			v.SetBool(true)
		default:
			t.Errorf("%s is a %s: teach this test and state.go about it", path, v.Kind())
		}
	})
	if n < 300 {
		t.Fatalf("only %d figures found: the walk is broken", n)
	}
	for _, name := range passing {
		if !seen[name] {
			t.Errorf("%s is named as passing and doesn't exist any more", name)
		}
	}
	if err := got.RestoreLearned(full.AppendLearned(nil)); err != nil {
		t.Fatal(err)
	}
	want := map[string]any{}
	learnedFields(reflect.ValueOf(full).Elem(), "", seen, func(path string, v reflect.Value) { want[path] = v.Interface() })
	learnedFields(reflect.ValueOf(got).Elem(), "", seen, func(path string, v reflect.Value) {
		if v.Interface() != want[path] {
			t.Errorf("Brake%s comes back as %v, want %v: list it in learned.go if it is learned, or in this test if it passes with the cycle", path, v.Interface(), want[path])
		}
	})
	t.Logf("%d figures in %d bytes", n, len(full.AppendLearned(nil)))
}

// What can't be put back leaves the brake as it was.
func TestBrokenStateIsRefused(t *testing.T) {
	h := newHand(evenRuns(20, 3, 6)...)
	b, out := New(handSettings()), &Out{}
	for _, s := range h.samples(3) {
		b.Step(s, out)
		out.Reset()
	}
	good := b.AppendLearned(nil)
	other := slices.Clone(good)
	other[0] ^= 1
	damaged := slices.Clone(good)
	damaged[len(damaged)/2] ^= 1
	b.meter.set.cov[0] = math.NaN() // else no cycle would have a gap any more
	noNumber := b.AppendLearned(nil)
	for name, bytes := range map[string][]byte{"empty": nil, "cut short": good[:len(good)-9], "of another version": other, "damaged": damaged, "no number": noNumber} {
		fresh := New(handSettings())
		before := fresh.AppendLearned(nil)
		if err := fresh.RestoreLearned(bytes); !errors.Is(err, ErrState) {
			t.Errorf("%s: %v", name, err)
		}
		if after := fresh.AppendLearned(nil); string(after) != string(before) {
			t.Errorf("%s: something was put back all the same", name)
		}
	}
}

// heard writes what a brake's steps cause.
func heard(w *bytes.Buffer, out *Out) {
	for _, c := range out.Cycles {
		w.Write(c.AppendJSON(nil, "x"))
		fmt.Fprintf(w, " %v %v\n", c.SetLevelMM, c.ReleasedLevelMM)
	}
	for _, f := range out.Forecasts {
		w.Write(f.AppendJSON(nil, "x"))
	}
	fmt.Fprintln(w, out.Findings, out.Verdicts)
	out.Reset()
}

// Wherever in a stream of samples a brake is stopped: one that begins with the
// cycles and the learned figures that were kept goes on like one that was told
// of the pause and kept running, to the last bit.
func TestRestartAnywhereIsExact(t *testing.T) {
	h := newHand(evenRuns(60, 3, 6)...)
	samples := h.samples(3)
	for stop := len(samples) / 7; stop < len(samples); stop += len(samples)/23 + 1 {
		var cycles []Cycle
		var want, got bytes.Buffer
		one, out := New(handSettings()), &Out{}
		for _, s := range samples[:stop] {
			one.Step(s, out)
			cycles = append(cycles, out.Cycles...)
			out.Reset()
		}
		one.Flush(out)
		cycles = append(cycles, out.Cycles...)
		out.Reset()
		kept := one.AppendLearned(nil)
		one.Restart()

		two := New(handSettings())
		for _, c := range cycles {
			two.Recall(c, out)
			out.Reset()
		}
		if err := two.RestoreLearned(kept); err != nil {
			t.Fatal(err)
		}
		two.Restart()

		for _, b := range []struct {
			*Brake
			w *bytes.Buffer
		}{{one, &want}, {two, &got}} {
			for _, s := range samples[stop:] {
				b.Step(s, out)
				heard(b.w, out)
			}
			b.Flush(out)
			heard(b.w, out)
		}
		if !bytes.Equal(want.Bytes(), got.Bytes()) {
			a, b := strings.Split(want.String(), "\n"), strings.Split(got.String(), "\n")
			for i := range min(len(a), len(b)) {
				if a[i] != b[i] {
					t.Fatalf("stopped at sample %d of %d: line %d of %d is\n%s\nwant\n%s", stop, len(samples), i, len(a), b[i], a[i])
				}
			}
			t.Fatalf("stopped at sample %d: %d lines, want %d", stop, len(b), len(a))
		}
	}
}

// A pause costs the cycle under way and nothing of what was learned: the cycles
// after it are those of a brake that was never stopped, within a hundredth of
// their own uncertainty's scale, and no less sure.
func TestRestartUnlearnsNothing(t *testing.T) {
	h := newHand(evenRuns(120, 3, 6)...)
	samples := h.samples(3)
	run := func(stop int) (list []Cycle) {
		b, out := New(handSettings()), &Out{}
		for i, s := range samples {
			if i == stop {
				b.Flush(out)
				b.Restart()
			}
			b.Step(s, out)
		}
		b.Flush(out)
		return out.Cycles
	}
	whole := run(-1)
	// The time of a cycle rests on what is known of the contact's bounce.
	at := func(c Cycle) (same Cycle, ok bool) {
		for _, w := range whole {
			if d := w.AtNS - c.AtNS; d < 1e6 && d > -1e6 {
				return w, true
			}
		}
		return Cycle{}, false
	}
	for _, part := range []float64{0.61, 0.7, 0.777, 0.85} {
		stop := int(part * float64(len(samples)))
		n := 0
		for _, c := range run(stop) {
			if c.AtNS < samples[stop].AtNS+20e9 { // the one under way, and the one whose rest before was cut
				continue
			}
			n++
			w, ok := at(c)
			if !ok || c.Kind != w.Kind || c.Flags != w.Flags {
				t.Fatalf("stopped at %.0f %%: %+v, want %+v", 100*part, c, w)
			}
			if d := c.GapMM - w.GapMM; d > 0.2*w.GapUMM || d < -0.2*w.GapUMM || c.GapUMM > 1.1*w.GapUMM {
				t.Errorf("stopped at %.0f %%: gap %v ± %v, want %v ± %v", 100*part, c.GapMM, c.GapUMM, w.GapMM, w.GapUMM)
			}
			if d := c.ReleaseS - w.ReleaseS; d > 0.2*w.ReleaseUS || d < -0.2*w.ReleaseUS || c.ReleaseUS > 1.1*w.ReleaseUS {
				t.Errorf("stopped at %.0f %%: release %v ± %v, want %v ± %v", 100*part, c.ReleaseS, c.ReleaseUS, w.ReleaseS, w.ReleaseUS)
			}
		}
		if n < 10 {
			t.Errorf("only %d cycles after the stop at %.0f %%", n, 100*part)
		}
	}
}
