package sensors

import (
	"context"
	"time"
)

// A Source reads one device, or one recording, until its context ends.
//
// The contract, held by the conformance suite in sensortest:
//
//   - Run sends batches of samples, each batch in the order of time and no
//     batch before the one sent earlier. It owns a batch until it has sent it
//     and never touches it again.
//   - A device that doesn't answer is visible: for each poll that failed Run
//     sends one sample of quality [NoAnswer] for every signal of the poll.
//     A reading that can't be trusted is sent with quality [Bad]. Neither is
//     ever sent as a value.
//   - Run recovers from whatever the device or the network does and returns
//     only when ctx has ended (with nil), or when a [Source] that has an end,
//     such as a recording, is exhausted (with nil), or when going on is
//     useless (with the reason).
//   - After ctx ends, Run returns within a second, even from a blocked read
//     or a blocked send.
type Source interface {
	// Name is the device's name in the site file.
	Name() string
	Run(ctx context.Context, out chan<- []Sample) error
}

// A Keeper is a [Source] whose far end may keep what it has sent until that is
// confirmed, and send it again to the next Run.
//
// What was kept comes first, in its own times. So before its first sample a
// Keeper that keeps may say nothing for some seconds, and the receiver must not
// take time for passed before that; at most [KeeperFirst] after Run has begun it
// has spoken.
type Keeper interface {
	Source
	// Keeps reports whether the far end keeps anything.
	Keeps() bool
	// Confirm says that all samples up to a time, UTC nanoseconds, have been
	// taken in, and that all they caused is durable. It must not block.
	Confirm(throughNS int64)
}

// KeeperFirst is how long after its beginning a [Keeper] may be silent.
const KeeperFirst = 13 * time.Second

// Poll is what became of one request to a device, told to a [Watcher].
type Poll struct {
	At      time.Time     // when it began
	Took    time.Duration // request to reply, or to giving up
	Samples int           // how many readings it brought
	Err     error         // nil when it succeeded; says which device, what was asked, what happened
}

// A Watcher is told of each request, for health pages and metrics. It is
// called from the source's goroutine and must not block.
type Watcher interface {
	Polled(device string, p Poll)
}

// WatcherFunc makes a function a [Watcher].
type WatcherFunc func(device string, p Poll)

// Polled calls f.
func (f WatcherFunc) Polled(device string, p Poll) { f(device, p) }
