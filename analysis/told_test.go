package analysis

import (
	"math"
	"slices"
	"testing"
	"time"

	"gapward/sensors"
)

// stampedSamples are a hand's, but that drive and switch change at their own
// times, in steps, and are seen to change at the next poll.
func stampedSamples(h *hand, seed uint64, step time.Duration) []sensors.Sample {
	var out []sensors.Sample
	var stamps []sensors.Sample
	note := func(signal sensors.Signal, atS, v float64) {
		ns := int64(atS * 1e9)
		stamps = append(stamps, sensors.Sample{AtNS: handStart + ns - ns%int64(step) + int64(step/2), Signal: signal, Value: v})
	}
	for _, r := range h.runs {
		note(sensors.Drive, r[0], 1)
		note(sensors.Released, r[0]+h.delayS+0.6*h.rampS, 1)
		note(sensors.Drive, r[1], 0)
		note(sensors.Released, r[1]+h.delayS+0.4*h.rampS, 0)
	}
	all := stamps
	for _, s := range h.samples(seed) {
		for len(stamps) > 0 && stamps[0].AtNS <= s.AtNS {
			out, stamps = append(out, stamps[0]), stamps[1:]
		}
		near := func(p sensors.Sample) bool { // within the count of a change the source tells that alone
			return p.Signal == s.Signal && max(p.AtNS-s.AtNS, s.AtNS-p.AtNS) < int64(step)
		}
		if !slices.ContainsFunc(all, near) {
			out = append(out, s)
		}
	}
	return out
}

// With stamped edges the times of a brake without a probe are known to the
// device's resolution: the difference of two counts, JCGM 100:2008 4.3.7, is
// triangular with the standard deviation step/√6.
func TestStampedEdgesGiveTimesToTheDevicesResolution(t *testing.T) {
	h := newHand(evenRuns(200, 2.1, 1.57)...)
	h.noTravel, h.withSwitch = true, true
	h.delayS = 0.08037
	for i := range h.runs { // fall anywhere within a count
		h.runs[i][0] += 0.00317 * float64(i%37)
	}
	for _, step := range []time.Duration{time.Millisecond, 5 * time.Millisecond} {
		s := handSettings()
		s.Travel = SignalSettings{}
		s.Drive.StampStep, s.Released = step, s.Drive
		s.Released.StampStep = step
		out := feed(s, stampedSamples(&h, 5, step))
		if len(out.Cycles) != 200 {
			t.Fatalf("%d cycles, want 200", len(out.Cycles))
		}
		want := step.Seconds() / math.Sqrt(6)
		within, square := 0, 0.0
		for _, c := range out.Cycles {
			off := c.ReleaseS - (h.delayS + 0.6*h.rampS)
			square += off * off
			if math.Abs(c.ReleaseUS-want) > want/1000 || math.Abs(c.SetUS-want) > want/1000 {
				t.Fatalf("u is %.3f and %.3f ms, want %.3f", c.ReleaseUS*1e3, c.SetUS*1e3, want*1e3)
			}
			if math.Abs(off) <= 2*c.ReleaseUS {
				within++
			}
		}
		rms := math.Sqrt(square / 200)
		t.Logf("step %v: u %.3f ms, rms error %.3f ms, within 2u %.3f", step, want*1e3, rms*1e3, float64(within)/200)
		if rms > 1.2*want || within < 186 {
			t.Errorf("step %v: rms error %.3f ms with u %.3f ms, within 2u %d of 200", step, rms*1e3, want*1e3, within)
		}
	}
}

// A bad reading before a change of a stamped signal says that it may have
// happened at any time since the last good one.
func TestAChangeInDoubtIsAsUnsureAsThePolls(t *testing.T) {
	h := newHand(evenRuns(3, 2.1, 1.57)...)
	h.noTravel, h.withSwitch = true, true
	s := handSettings()
	s.Travel = SignalSettings{}
	s.Drive.StampStep, s.Released = time.Millisecond, s.Drive
	samples := stampedSamples(&h, 5, time.Millisecond)
	for i, one := range samples {
		if one.Signal == sensors.Drive && one.Value == 1 { // the first: not stamped after all
			samples[i].Quality = sensors.Bad
			break
		}
	}
	c := feed(s, samples).Cycles[0]
	if want := 0.020 / math.Sqrt(12); math.Abs(c.ReleaseUS-want) > want/4 {
		t.Errorf("u is %.2f ms, want that of polls every 20 ms, %.2f", c.ReleaseUS*1e3, want*1e3)
	}
	if late := float64(c.AtNS-handStart)*1e-9 - h.runs[0][0]; math.Abs(late) > 0.011 {
		t.Errorf("the cycle begins %.4f s off", late)
	}
}

func TestTimesThatTheDeviceMeasures(t *testing.T) {
	h := newHand(evenRuns(6, 3.1, 2.05)...)
	told := func(atS, ms float64, signal sensors.Signal) sensors.Sample {
		return sensors.Sample{AtNS: handStart + int64(atS*1e9), Signal: signal, Value: ms}
	}
	on := func(i int) float64 { return h.runs[i][0] }
	off := func(i int) float64 { return h.runs[i][1] }
	extra := []sensors.Sample{
		told(on(0)+0.2, 133, sensors.ReleaseTime), told(off(0)+0.2, 141, sensors.SetTime),
		told(on(1)+0.2, 134, sensors.ReleaseTime),                                         // no set time
		told(on(2)+0.1, 135, sensors.ReleaseTime), told(off(2)+0.2, 143, sensors.SetTime), // it can't be over before it has begun
		told(off(3)+0.3, 145, sensors.SetTime), // no release time
		{AtNS: handStart + int64((on(4)+0.2)*1e9), Signal: sensors.ReleaseTime, Quality: sensors.Bad},
		told(on(5)+0.2, 138, sensors.ReleaseTime), told(off(5)+0.2, 146, sensors.SetTime),
	}
	for _, probed := range []bool{true, false} {
		h.noTravel = !probed
		s := handSettings()
		if !probed {
			s.Travel = SignalSettings{}
		}
		s.ReleaseTime = SignalSettings{Present: true, TimeUS: 0.0015}
		s.SetTime = SignalSettings{Present: true, TimeUS: 0.002}
		samples := append(h.samples(3), extra...)
		slices.SortStableFunc(samples, func(a, b sensors.Sample) int { return int((a.AtNS - b.AtNS) / 1e3) })
		out := feed(s, samples)
		nan := math.NaN()
		want := [][2]float64{{0.133, 0.141}, {0.134, nan}, {nan, 0.143}, {nan, 0.145}, {nan, nan}, {0.138, 0.146}}
		if len(out.Cycles) != len(want) {
			t.Fatalf("%d cycles, want %d", len(out.Cycles), len(want))
		}
		same := func(got, want float64) bool {
			return math.IsNaN(got) && math.IsNaN(want) || math.Abs(got-want) < 1e-9
		}
		for i, c := range out.Cycles {
			if !same(c.ReleaseS, want[i][0]) || !same(c.SetS, want[i][1]) {
				t.Errorf("probe %v, cycle %d: release %v and set %v, want %v", probed, i, c.ReleaseS, c.SetS, want[i])
			}
			if Has(c.ReleaseS) && c.ReleaseUS != 0.0015 || Has(c.SetS) && c.SetUS != 0.002 {
				t.Errorf("probe %v, cycle %d: u %v and %v are not what the device states", probed, i, c.ReleaseUS, c.SetUS)
			}
			if probed != Has(c.GapMM) {
				t.Errorf("probe %v, cycle %d: gap %v", probed, i, c.GapMM)
			}
		}
		for _, f := range out.Findings {
			if f.Excess > 0 {
				t.Errorf("probe %v: a false alarm: %+v", probed, f)
			}
		}
	}
}

// A brake is jogged faster than its device's counter is looked at: what is told
// then may be the time of the jog before, and is nobody's. Where that had its own,
// or is long past, it isn't in doubt.
func TestATimeToldLateIsNotTheNextJogs(t *testing.T) {
	const poll = 500 * time.Millisecond
	jogs := [][2]float64{{2, 2.25}, {2.45, 2.6}, {5, 5.25}, {5.45, 5.9}, {9, 9.3}, {9.5, 9.7}, {16, 16.4}}
	h := newHand(jogs...)
	h.noTravel = true
	s := handSettings()
	s.Travel = SignalSettings{}
	s.ReleaseTime = SignalSettings{Present: true, Poll: poll, TimeUS: 0.001}
	s.SetTime = SignalSettings{Present: true, Poll: poll, TimeUS: 0.001}
	told := func(atS, ms float64, signal sensors.Signal) sensors.Sample {
		return sensors.Sample{AtNS: handStart + int64(atS*1e9), Signal: signal, Value: ms}
	}
	samples := append(h.samples(3),
		// Of the first jog, 2 to 2.15 s and 2.25 to 2.4 s: told when the second has
		// begun, and when it is over.
		told(2.65, 150, sensors.ReleaseTime), told(2.78, 150, sensors.SetTime),
		// The release told in time, and so the next one is the next jog's; the set
		// time may have been over since before the jog.
		told(5.3, 150, sensors.ReleaseTime), told(5.8, 152, sensors.ReleaseTime), told(6.2, 153, sensors.SetTime),
		// Of the fifth jog nothing is told; nor does the sixth have anything that is
		// surely its own. The last comes long after them.
		told(9.7, 154, sensors.ReleaseTime), told(9.95, 155, sensors.SetTime),
		told(16.3, 156, sensors.ReleaseTime), told(16.7, 157, sensors.SetTime))
	slices.SortStableFunc(samples, func(a, b sensors.Sample) int { return int((a.AtNS - b.AtNS) / 1e3) })
	nan := math.NaN()
	want := [][2]float64{{nan, nan}, {nan, nan}, {0.150, nan}, {0.152, nan}, {nan, nan}, {nan, nan}, {0.156, 0.157}}
	out := feed(s, samples)
	if len(out.Cycles) != len(want) {
		t.Fatalf("%d cycles, want %d", len(out.Cycles), len(want))
	}
	same := func(got, want float64) bool {
		return math.IsNaN(got) && math.IsNaN(want) || math.Abs(got-want) < 1e-9
	}
	for i, c := range out.Cycles {
		if !same(c.ReleaseS, want[i][0]) || !same(c.SetS, want[i][1]) {
			t.Errorf("jog %d: release %v and set %v, want %v", i, c.ReleaseS, c.SetS, want[i])
		}
	}
}
