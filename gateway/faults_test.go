package gateway

import (
	"testing"
	"time"

	"gapward/alerts"
	"gapward/analysis"
)

func TestFaultsAreOneAlarmThatSaysWhatStands(t *testing.T) {
	const second = int64(time.Second)
	f := newFaults(alerts.Event{})
	e, changed := f.happened(storeFails, "no space", 10*second)
	if !changed || e.Change != alerts.Raised || e.AtNS != 10*second || e.SinceNS != 10*second || e.Detail != "no space" || e.Condition != analysis.GatewayFault || e.Brake != "" {
		t.Fatalf("the first: %v %+v", changed, e)
	}
	if _, changed = f.happened(storeFails, "no space at all", 11*second); changed {
		t.Error("what stands already was told again")
	}
	e, changed = f.happened(samplesLate, "late", 12*second)
	if !changed || e.Change != alerts.Raised || e.Detail != "no space at all; late" || e.SinceNS != 10*second {
		t.Errorf("a second fault while one stands: %v %+v", changed, e)
	}
	if e, changed = f.over(storeFails, 20*second); changed {
		t.Errorf("one of two is over: %+v", e)
	}
	lateOver := 12*second + int64(samplesLate.tellsFor())
	if e, changed = f.pass(lateOver - 1); changed {
		t.Errorf("too early: %+v", e)
	}
	e, changed = f.pass(lateOver)
	if !changed || e.Change != alerts.Cleared || e.State != alerts.Normal || e.AtNS != lateOver || e.Detail != "late" {
		t.Errorf("the last is over: %v %+v", changed, e)
	}
	if _, changed = f.pass(lateOver + second); changed {
		t.Error("nothing stands and something was told")
	}
}

func TestAnAcknowledgedFaultDoesNotHideTheNext(t *testing.T) {
	f := newFaults(alerts.Event{})
	f.happened(storeFails, "no space", 1)
	f.alarm, _, _ = f.alarm.Acknowledge(2, "R. Holm")
	e, changed := f.happened(rowsLost, "5 cycles lost", 3)
	if !changed || e.State != alerts.Unacknowledged || f.alarm.State != alerts.Unacknowledged {
		t.Errorf("told %v, %+v", changed, e)
	}
}

func TestWhatStoodWhenTheDaemonStoppedIsOver(t *testing.T) {
	before := newFaults(alerts.Event{})
	raised, _ := before.happened(clockMoved, "set back", 5)
	f := newFaults(raised)
	e, changed := f.pass(100)
	if !changed || e.Change != alerts.Cleared || e.AtNS != 100 || e.SinceNS != 5 || e.Detail != "set back" {
		t.Errorf("after a restart: told %v, %+v", changed, e)
	}
	// Or another takes its place at once, in the same alarm.
	f = newFaults(raised)
	e, changed = f.happened(setAside, "damaged", 100)
	if !changed || e.Change != alerts.Raised || e.Detail != "damaged" {
		t.Errorf("another after a restart: told %v, %+v", changed, e)
	}
}
