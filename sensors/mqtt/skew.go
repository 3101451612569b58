package mqtt

import (
	"fmt"
	"math"
	"time"
)

const (
	// maxAge is how old a reading may be when it arrives, where its signal
	// has no stale_after.
	maxAge = time.Hour
	// skewWindow is how long the fastest message is remembered, at least.
	skewWindow = 30 * time.Second
)

// skew judges the clock of whoever stamps the messages of one topic.
//
// A message that comes before its own time proves a clock that is ahead. One
// that comes late proves nothing, for the network may have held it up. But no
// network is slow every time: where even the fastest message of the last half
// minute is late, it is the clock that is behind, or every message waits
// somewhere, which for a measurement is as bad.
type skew struct {
	limit    time.Duration
	beganNS  int64    // of the present window
	fastest  [2]int64 // the least delay, ns, of the present window and the one before
	messages int
}

func newSkew(limit time.Duration) skew {
	return skew{limit: limit, fastest: [2]int64{math.MaxInt64, math.MaxInt64}}
}

// judge takes a message's own time and that of its arrival, UTC nanoseconds,
// and says what is wrong with them. staleAfter is the age at which a reading
// is of no use; 0 means an hour.
func (k *skew) judge(atNS, arrivedNS int64, staleAfter time.Duration) error {
	delay := arrivedNS - atNS
	if k.messages == 0 || arrivedNS-k.beganNS > int64(skewWindow) {
		k.beganNS, k.fastest[1], k.fastest[0] = arrivedNS, k.fastest[0], math.MaxInt64
	}
	k.messages++
	k.fastest[0] = min(k.fastest[0], delay)
	if ahead := time.Duration(-delay); ahead > k.limit {
		return &ClockError{fmt.Sprintf("its time is %v ahead of this machine's clock, and max_skew is %v; set the device's clock", ahead.Round(time.Millisecond), k.limit)}
	}
	if staleAfter <= 0 {
		staleAfter = maxAge
	}
	if age := time.Duration(delay); age > staleAfter {
		return &ClockError{fmt.Sprintf("its time is %v behind this machine's clock, and a reading older than %v is stale; set the device's clock, or find what holds its readings up", age.Round(time.Millisecond), staleAfter)}
	}
	if behind := time.Duration(min(k.fastest[0], k.fastest[1])); behind > k.limit {
		return &ClockError{fmt.Sprintf("its time is %v behind this machine's clock, and none of its messages of late came faster, while max_skew is %v; set the device's clock, or find what holds all its readings up",
			behind.Round(time.Millisecond), k.limit)}
	}
	return nil
}
