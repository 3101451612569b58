package commission

import (
	"strings"
	"testing"
	"time"
)

// An inverted switch is named though its device is read too rarely: what was read
// is true all the same. Where the drive is the wrong way round, it isn't.
func TestTooSlowIsStillTrue(t *testing.T) {
	signal := func(invert bool) *view {
		v := &view{report: &Channel{Verdict: Passed}, answers: true, moves: true}
		v.series = square(1000, 50)
		for i := range v.series.v {
			if invert {
				v.series.v[i] = 1 - v.series.v[i]
			}
		}
		v.line = timelineOf(v.series, 0.5, 0.25, time.Second)
		v.report.fail(samplingRate, "every 90 ms", "too slow: 40ms was asked for", "")
		return v
	}
	b := &brake{guard: 100 * time.Millisecond}
	travel, drive, released := signal(false), signal(false), signal(true)
	b.switchAgainst(travel, drive, released)
	if looks := released.report.looksLike(); !strings.Contains(looks, "inverted: it closes when the brake sets") {
		t.Errorf("the switch looks like %s", looks)
	}
	released = signal(true)
	travel.report.fail("scale", "9 m", "wrong scale", "")
	drive.report.fail(driveWorks, "the reading falls", "inverted: 0 means on", "")
	b.switchAgainst(travel, drive, released)
	if looks := released.report.looksLike(); strings.Contains(looks, "inverted") {
		t.Errorf("held against a drive that is inverted, the switch looks like %s", looks)
	}
}
