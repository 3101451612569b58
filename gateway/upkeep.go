package gateway

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"gapward/alerts"
	"gapward/gateway/store"
)

// upkeep is the owner's housekeeping of the store.
type upkeep struct {
	keep    store.Keep
	at      time.Duration // when to look next
	done    store.Tidied  // since the last one that was logged
	refused map[string]int64

	// the clock as it was last known to be right: see agedAt
	rightNS int64
	setAt   time.Duration
}

const (
	tidyEvery = time.Hour
	// While there is more to do it goes on soon, a little at a time: the
	// pipeline waits for it.
	tidySoon = time.Second
	tidyFor  = 50 * time.Millisecond
	// A box without a clock of its own begins with any time at all, until somebody
	// on the network tells it.
	clockBelieved = 24 * time.Hour
	// Where the clock was set back by so much, it was wrong before: waiting until it
	// agrees would take years, and every date would be wrong by as much.
	clockFarBack = 24 * time.Hour
	// The clock is behind what is stored by more than a start and drift explain.
	clockBehind = time.Minute
)

// agedAt is the time by which what is stored counts as old: for a day after a
// start, or after the clock was set, no later than what the clock said before,
// and what has passed since. A clock that is years ahead for an hour must not
// cost years of history.
//
// Where the clock was set back, the machine's is the better time.
func (o *owner) agedAt(nowNS, apartNS int64, passed time.Duration) time.Time {
	nowNS += min(0, apartNS)
	if since := passed - o.upkeep.setAt; since < clockBelieved {
		nowNS = min(nowNS, o.upkeep.rightNS+int64(since))
	}
	return time.Unix(0, nowNS)
}

// lastRight is the time of the cycle stored last, 0 where there is none.
func (o *owner) lastRight(ctx context.Context) (int64, error) {
	newest, err := o.db.Newest(ctx)
	if err != nil {
		return 0, err
	}
	rows, err := o.db.CyclesAfter(ctx, newest.Cycle-1, 1)
	if err != nil || len(rows) == 0 {
		return 0, err
	}
	return rows[0].AtNS, nil
}

// look is what the owner does now and then, between two turns.
func (o *owner) look(ctx context.Context, nowNS int64, passed time.Duration) {
	o.lookForLate(nowNS)
	o.lookForRefused(nowNS)
	o.lookAtClock(nowNS)
	o.tell(o.faults.pass(nowNS))
	o.lookAtFile(ctx, nowNS, passed)
	if o.upkeep.at == 0 {
		o.upkeep.at = passed + tidySoon // not while everything begins
	}
	if passed < o.upkeep.at || o.failing {
		return
	}
	o.tidy(ctx, nowNS, passed)
}

// tidy has the store do its pieces of upkeep, for a short time.
func (o *owner) tidy(ctx context.Context, nowNS int64, passed time.Duration) {
	o.upkeep.at = passed + tidyEvery
	for began := time.Now(); ; {
		one, err := o.db.Tidy(ctx, o.agedAt(nowNS, o.clock.apartNS, passed), o.upkeep.keep)
		if err != nil { // it will be done next time
			o.log.Warn("rolling up what is old", "error", err)
			return
		}
		o.upkeep.done.Add(one)
		if !one.More {
			break
		}
		if time.Since(began) > tidyFor {
			o.upkeep.at = passed + tidySoon
			return
		}
	}
	did := o.upkeep.done
	o.upkeep.done = store.Tidied{}
	if did != (store.Tidied{}) {
		o.log.Info("rolled up what is old", "days", did.Days, "cycles", did.Cycles, "forecasts", did.Forecasts, "waveforms", did.Waveforms)
	}
	if did.Undelivered > 0 {
		o.happened(agedTooSoon, fmt.Sprintf("%d cycles were rolled up before every exporter had delivered them", did.Undelivered), nowNS)
	}
	if did.OverBytes > 0 {
		o.happened(storeFull, fmt.Sprintf("the database is %d MB above its limit of %d MB, and nothing more may be taken out", did.OverBytes>>20, o.upkeep.keep.MostBytes>>20), nowNS)
	} else {
		o.tell(o.faults.over(storeFull, nowNS))
	}
	if err := o.db.Checkpoint(ctx); err != nil { // it will be done next time
		o.log.Warn("moving the store's log into its database", "error", err)
	}
}

// happened takes note of a fault and tells people.
func (o *owner) happened(what fault, detail string, nowNS int64) {
	o.tell(o.faults.happened(what, detail, nowNS))
}

// tell hands a change of the gateway's alarm on: into the next batch, where it
// waits with its true time if the store takes nothing, and at once to whoever
// asks, for then people must not have to wait for it.
func (o *owner) tell(e alerts.Event, changed bool) {
	if !changed {
		return
	}
	o.log.Warn("the gateway's own alarm", "change", e.Change.String(), "detail", e.Detail)
	row := store.AlarmRow{Event: e}
	o.batch.Alarms = append(o.batch.Alarms, row)
	o.watch.own(e)
	o.committed(&store.Batch{Alarms: []store.AlarmRow{row}})
}

// lateCount is how many samples came too late.
type lateCount struct {
	told    int64 // at the latest look
	window  int64 // when the minute under way began, of the owner's clock
	atBegin int64
}

// Single samples are late now and then, by a network's whim; this many a minute
// mean that readings are missing.
const lateAMinute = 10

func (o *owner) lookForLate(nowNS int64) {
	l := &o.late
	if n := o.order.late - l.told; n > 0 {
		o.log.Warn("samples came too late to be put in order and were left out", "samples", n, "since_start", o.order.late)
		l.told = o.order.late
	}
	if nowNS-l.window >= int64(time.Minute) {
		l.window, l.atBegin = nowNS, l.told
	}
	if l.told-l.atBegin >= lateAMinute {
		o.happened(samplesLate, fmt.Sprintf("%d samples since the start came too late to be used", l.told), nowNS)
		l.atBegin = l.told
	}
}

// lookForRefused looks whether an exporter has set rows aside.
func (o *owner) lookForRefused(nowNS int64) {
	refused := o.watch.refusals()
	names := make([]string, 0, len(refused))
	for name := range refused {
		names = append(names, name)
	}
	slices.Sort(names)
	var all []string
	more := false
	for _, name := range names {
		n := refused[name]
		if n > 0 {
			all = append(all, fmt.Sprintf("%d rows since the start were refused for good by the far end of exporter %s, and set aside", n, name))
		}
		more = more || n > o.upkeep.refused[name]
	}
	if more {
		o.happened(rowRefused, strings.Join(all, "; "), nowNS)
	}
	o.upkeep.refused = refused
}

// stepped tells that somebody has set the machine's clock.
func (o *owner) stepped(step time.Duration, nowNS int64, passed time.Duration) {
	// Where one step follows another, the clock wasn't right in between.
	o.upkeep.rightNS = o.agedAt(nowNS, o.clock.apartNS-int64(step), passed).UnixNano()
	o.upkeep.setAt = passed
	o.log.Warn("the machine's clock was set", "by", step)
	detail := fmt.Sprintf("the machine's clock was set forward by %v: a cycle that was under way has no end", step.Round(time.Second))
	far := o.setBack != nil && o.clock.apartNS <= -int64(clockFarBack)
	switch {
	case far:
		detail = fmt.Sprintf("the machine's clock was set back by %v: gapward begins anew by the right time", (-step).Round(time.Second))
	case step < 0:
		detail = fmt.Sprintf("the machine's clock was set back by %v: times are told ahead of it until they agree again or gapward is restarted", (-step).Round(time.Second))
	}
	o.happened(clockMoved, detail, nowNS)
	if far {
		o.setBack()
	}
}

// lookAtClock has the alarm of a clock that was set stand for as long as times
// are told ahead of it.
func (o *owner) lookAtClock(nowNS int64) {
	if o.clock.apartNS < -int64(clockStep) {
		o.faults.stays(clockMoved, nowNS)
	}
}

// began takes note of what was found before the owner began.
func (o *owner) began(ctx context.Context, nowNS int64) error {
	var err error
	if o.upkeep.rightNS, err = o.lastRight(ctx); err != nil {
		return fmt.Errorf("looking for the latest cycle: %w", err)
	}
	if behind := time.Duration(o.upkeep.rightNS - nowNS); behind > clockBehind {
		o.happened(clockMoved, fmt.Sprintf("the machine's clock is %v behind the latest cycle: it was set back, or was ahead then; cycles are numbered as they happened", behind.Round(time.Second)), nowNS)
	}
	if aside := o.db.SetAside(); aside != "" {
		detail := "the database was damaged and is set aside as " + filepath.Base(aside) + "; history begins anew"
		if n := o.db.SavedEntries(); n > 0 {
			detail += fmt.Sprintf(", with %d entries of the ledger saved", n)
		}
		o.happened(setAside, detail, nowNS)
	}
	return nil
}
