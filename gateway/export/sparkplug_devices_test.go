package export

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/store"
)

// TestSparkplugDevicesDie has a brake fall silent and come back: its death is
// told, and a birth before anything else of it. What is stored of it meanwhile
// gets out all the same, and a node that is born anew has no dead ones born.
func TestSparkplugDevicesDie(t *testing.T) { overBrokers(t, sparkplugDevicesDie) }

func sparkplugDevicesDie(t *testing.T, address string) {
	h := listenAsHost(t, address)
	db := openStore(t)
	x, stop := startSparkplug(t, address, db, "")
	flush := func() {
		t.Helper()
		if err := Flush(t.Context(), db, x, testLog(t), ignore); err != nil {
			t.Fatal(err)
		}
	}
	// told is what came since the last call, as kinds and devices.
	seen := 0
	told := func(want ...string) {
		t.Helper()
		eventually(t, fmt.Sprint(want), func() bool { return len(h.messages(t)) >= seen+len(want) })
		var got []string
		for _, m := range h.messages(t)[seen:] {
			got = append(got, m.kind+" "+m.device)
		}
		if seen += len(got); !slices.Equal(got, want) {
			t.Fatalf("told %q, want %q", got, want)
		}
	}
	told("NBIRTH ", "DBIRTH quay-2-main", "DBIRTH quay-2-creep")
	flush()
	commit(t, db, &store.Batch{Cycles: []store.CycleRow{cycleAt(mainBrake, 0)}})
	flush()
	told("DDATA quay-2-main")

	commit(t, db, &store.Batch{Alarms: []store.AlarmRow{alarmAt(mainBrake, analysis.SignalStale, 1, alerts.Unacknowledged)}})
	flush()
	x.SetSilent(creepBrake, false)
	x.SetSilent(mainBrake, true)
	told("DDATA quay-2-main", "DDEATH quay-2-main")

	// The cycle that it was in, and the other brake's.
	commit(t, db, &store.Batch{Cycles: []store.CycleRow{cycleAt(mainBrake, 2), cycleAt(creepBrake, 3)}, Verdicts: []store.VerdictRow{verdictOn(cycleAt(mainBrake, 2), 2)}})
	flush()
	told("DBIRTH quay-2-main", "DDATA quay-2-main", "DDATA quay-2-creep", "DDEATH quay-2-main")
	all := h.messages(t)
	if id := all[len(all)-3].named(t, "cycle/id"); id.value != int64(2) || !id.historical {
		t.Errorf("the cycle of a dead device came as %+v", id)
	}

	// Born anew, the node has the living alone.
	if token := h.Client.Publish("spBv1.0/hoists/NCMD/kestrel", 1, false, spPayload{seq: -1, metrics: []metric{{name: rebirthName, kind: typeBoolean, boolean: true}}}.append(nil)); !token.WaitTimeout(30 * time.Second) {
		t.Fatal("the command is not taken")
	}
	told("NBIRTH ", "DBIRTH quay-2-creep")

	x.SetSilent(mainBrake, false)
	told("DBIRTH quay-2-main")
	all = h.messages(t)
	if m := all[len(all)-1]; m.named(t, "cycle/id").value != int64(2) || m.named(t, "state/full_cycles").value != int64(2) || m.named(t, "alarm/signal-stale").value != true {
		t.Errorf("it is born again as %+v", m)
	}
	commit(t, db, &store.Batch{Cycles: []store.CycleRow{cycleAt(mainBrake, 4)}})
	flush()
	told("DDATA quay-2-main")
	if id := h.messages(t)[seen-1].named(t, "cycle/id"); id.value != int64(4) || id.historical {
		t.Errorf("the cycle of a living device came as %+v", id)
	}
	follow(t, h.messages(t))
	h.readByOthers(t)
	stop()
	told("NDEATH ")
}
