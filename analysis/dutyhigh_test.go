package analysis

import (
	"testing"
	"time"
)

// dutyLife feeds cycles of onS seconds each periodS and returns the findings of
// duty-high.
func dutyLife(l DutyLimits, n int, onS, periodS float64, after func(*Brake, int64, *Out)) (list []Finding) {
	s := handSettings()
	s.Duty = l
	b, out := New(s), &Out{}
	start := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC).UnixNano()
	var lastNS int64
	for i := range n {
		lastNS = start + int64(float64(i)*periodS*1e9)
		b.Recall(Cycle{AtNS: lastNS, OnNS: int64(onS * 1e9), GapMM: 2, GapUMM: 0.01, GapUCalMM: NoValue(), ReleaseS: NoValue(), SetS: NoValue(), SetLevelMM: NoValue(), ReleasedLevelMM: NoValue(), TemperatureC: NoValue()}, out)
	}
	if after != nil {
		after(b, lastNS, out)
	}
	for _, f := range out.Findings {
		if f.Condition == DutyHigh {
			list = append(list, f)
		}
	}
	return list
}

// Worked by hand after IEC 60034-1, 4.2.3 (S3): 12 s of every 30 s are a cyclic
// duration factor of 40 %, and 120 starts an hour.
func TestDutyHigh(t *testing.T) {
	for _, c := range []struct {
		name         string
		limits       DutyLimits
		high         bool
		value, limit float64
		unit         string
	}{
		{"no limit", DutyLimits{}, false, 0, 0, ""},
		{"both kept", DutyLimits{StartsPerHour: 130, CyclicDurationPercent: 45}, false, 120, 130, "starts/h"},
		{"too many starts", DutyLimits{StartsPerHour: 100}, true, 120, 100, "starts/h"},
		{"runs too long", DutyLimits{StartsPerHour: 130, CyclicDurationPercent: 25}, true, 40, 25, "%"},
		{"exactly at it", DutyLimits{StartsPerHour: 120}, false, 120, 120, "starts/h"},
	} {
		list := dutyLife(c.limits, 300, 12, 30, nil)
		if c.unit == "" {
			if len(list) != 0 {
				t.Errorf("%s: %+v", c.name, list)
			}
			continue
		}
		f := list[len(list)-1]
		if f.Excess > 0 != c.high || f.Unit != c.unit || f.Limit != c.limit || f.Value < c.value-0.01 || f.Value > c.value+0.01 {
			t.Errorf("%s: %+v, want %v of %v %s", c.name, f, c.value, c.limit, c.unit)
		}
	}
}

// A hoist that comes to rest is let go of by time alone.
func TestDutyHighEndsAtRest(t *testing.T) {
	list := dutyLife(DutyLimits{CyclicDurationPercent: 25}, 60, 12, 30, func(b *Brake, lastNS int64, out *Out) {
		out.Reset()
		for now := lastNS; now < lastNS+int64(15*time.Minute); {
			now = max(now+1, b.WakeNS())
			if now == never64 {
				break
			}
			b.Advance(now, out)
		}
	})
	if n := len(list); n < 3 || list[0].Excess <= 0 || list[n-1].Excess > 0 {
		t.Fatalf("%+v", list)
	}
	if d := time.Duration(list[len(list)-1].AtNS - list[0].AtNS); d > 10*time.Minute {
		t.Errorf("let go after %v", d)
	}
}

// Gaps that are written too coarsely to differ are followed like others, and a
// change of them is a step.
func TestGapsThatDontDiffer(t *testing.T) {
	b, out := New(handSettings()), &Out{}
	no := NoValue()
	for i := range 400 {
		gap := 2.0
		if i >= 300 {
			gap = 1.5
		}
		b.Recall(Cycle{AtNS: int64(i+1) * 60e9, OnNS: 5e9, GapMM: gap, GapUMM: 0.01, GapUCalMM: no, ReleaseS: no, ReleaseUS: no, SetS: no, SetUS: no, SetLevelMM: no, ReleasedLevelMM: no, TemperatureC: no}, out)
	}
	if v := b.Verdict(); v.GapMM < 1.49 || v.GapMM > 1.51 || !(v.GapUMM > 0) || v.Change.Kind != Adjusted {
		t.Errorf("%+v", v)
	}
}
