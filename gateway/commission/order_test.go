package commission

import (
	"testing"
	"time"

	"gapward/sensors"
)

// polled is a travel and a drive as polls of a period see them, one after the
// other. The drive goes on every second second for as long; the brake moves from
// 1 to 2 mm and back within ramp, begun so long after the drive.
func polled(period, behind, ramp time.Duration, n int) (travel, drive *view) {
	travel = &view{report: &Channel{Verdict: Passed}, answers: true, c: sensors.Channel{Signal: sensors.Travel}, low: 1, high: 2, moves: true}
	drive = &view{report: &Channel{Verdict: Passed}, answers: true, c: sensors.Channel{Signal: sensors.Drive}, moves: true}
	const half, start = 2013 * time.Millisecond, int64(1e18)
	state := func(at time.Duration) bool { return at > 0 && (at/half)%2 == 1 }
	for i := range int(time.Duration(n) * 2 * half / period) {
		at := time.Duration(i) * period
		value := 0.0
		if state(at) {
			value = 1
		}
		drive.series.add(start+int64(at), value)
		at += time.Millisecond
		last := (at - behind) / half * half // when the brake last began to move
		part := min(1, float64(at-behind-last)/float64(ramp))
		if at-behind < half {
			part = 1
		}
		if level := state(last + time.Millisecond); level {
			travel.series.add(start+int64(at), 1+part)
		} else {
			travel.series.add(start+int64(at), 2-part)
		}
	}
	drive.line = timelineOf(drive.series, 0.5, 0.25, 10*time.Second)
	return travel, drive
}

// Which of drive and brake comes first is told by single readings, even where a
// poll takes longer than the brake, and never the wrong way round.
func TestDriveBeforeBrake(t *testing.T) {
	const guard = 350 * time.Millisecond
	for _, period := range []time.Duration{20, 50, 100, 200, 300, 500} {
		period *= time.Millisecond
		travel, drive := polled(period, 70*time.Millisecond, 80*time.Millisecond, 20)
		if before, after, of := drive.leads(travel, guard); before < fewestInOrder || after != 0 || of < 35 {
			t.Errorf("a drive read every %v: %d before and %d after, of %d", period, before, after, of)
		}
		// The brake began to move 60 ms before its switch changes.
		travel, drive = polled(period, -60*time.Millisecond, 80*time.Millisecond, 20)
		if before, after, of := drive.leads(travel, guard); after < fewestInOrder || before != 0 || of < 35 {
			t.Errorf("a switch read every %v: %d before and %d after, of %d", period, before, after, of)
		}
	}
	// Jogs within the time that the brake takes say nothing.
	travel, drive := polled(20*time.Millisecond, 70*time.Millisecond, 80*time.Millisecond, 20)
	if _, _, of := drive.leads(travel, 3*time.Second); of > 1 {
		t.Errorf("%d changes count that came soon after another", of)
	}
}
