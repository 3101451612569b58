package export

import (
	"context"
	"maps"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/dynamicpb"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/export/exporttest"
	"gapward/gateway/store"
)

func sparkplugBrakes() []BrakeInfo {
	limits := analysis.Limits{MinMM: 1.2, TargetMM: 1.6, AdjustMM: 2.8, MaxMM: 3.4}
	return []BrakeInfo{{Name: mainBrake, Limits: limits}, {Name: creepBrake, Limits: analysis.Limits{MinMM: 0.8, TargetMM: 1, MaxMM: 2}}}
}

// startSparkplug runs the sink's connection until stop is called.
func startSparkplug(t *testing.T, address string, db *store.DB, primary string) (x *Sparkplug, stop func()) {
	t.Helper()
	x, err := NewSparkplug(SparkplugSettings{URL: "mqtt://" + address, Group: "hoists", Node: "kestrel", PrimaryHost: primary, User: "edge", PasswordFile: tokenFile(t, "secret")},
		site, sparkplugBrakes(), []string{"quay-io"}, testLog(t))
	if err != nil {
		t.Fatal(err)
	}
	if err := x.Restore(t.Context(), db); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- x.Run(ctx) }()
	stop = sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	t.Cleanup(stop)
	return x, stop
}

// overBrokers runs a test over the broker within the tests, and over a real one.
func overBrokers(t *testing.T, run func(t *testing.T, address string)) {
	t.Helper()
	t.Run("built in", func(t *testing.T) {
		_, _, address, _ := startMochi(t, "127.0.0.1:0")
		run(t, address)
	})
	t.Run("mosquitto", func(t *testing.T) {
		broker := exporttest.NewMosquitto(t)
		broker.Start(t)
		run(t, broker.Address)
	})
}

// TestSparkplugLife has a node born, tell what happens, and die.
func TestSparkplugLife(t *testing.T) { overBrokers(t, sparkplugLife) }

func sparkplugLife(t *testing.T, address string) {
	h := listenAsHost(t, address)
	db := openStore(t)
	commit(t, db, &store.Batch{Verdicts: []store.VerdictRow{verdictOn(cycleAt(mainBrake, 1), 7)}, Alarms: []store.AlarmRow{alarmAt(mainBrake, analysis.GapAdjust, 0, alerts.Unacknowledged)},
		Cycles: []store.CycleRow{cycleAt(mainBrake, 0), cycleAt(mainBrake, 1)}})
	x, stop := startSparkplug(t, address, db, "")
	eventually(t, "the births", func() bool { return len(h.messages(t)) == 3 })
	births := h.messages(t)
	if bd := births[0].named(t, "bdSeq"); births[0].kind != "NBIRTH" || bd.kind != typeInt64 || bd.value != int64(1) {
		t.Errorf("the first message is %+v", births[0])
	}
	if rebirth := births[0].named(t, rebirthName); rebirth.value != false || rebirth.kind != typeBoolean {
		t.Errorf("the rebirth metric is %+v", rebirth)
	}
	for name, want := range map[string]any{
		"cycle/id": int64(2), "cycle/gap_mm": cycleAt(mainBrake, 1).GapMM, "cycle/temperature_c": nil, "cycle/flags": "spikes", "state/verdict": "in-limits", "state/full_cycles": int64(7),
		"state/set_ms": nil, "forecast/cycles_p50": nil, "forecast/date_p50": nil, "alarm/gap-adjust": true, "alarm/not-released": false, "limit/adjust_mm": 2.8,
	} {
		if m := births[1].named(t, name); births[1].device != "quay-2-main" || m.value != want {
			t.Errorf("%s is born with %s as %v, want %v", births[1].device, name, m.value, want)
		}
	}
	if m := births[1].named(t, "cycle/gap_mm"); m.unit != "mm" || m.atMS != cycleAt(mainBrake, 1).AtNS/1e6 {
		t.Errorf("the gap is born as %+v", m)
	}
	if m := births[2].named(t, "cycle/gap_mm"); births[2].device != "quay-2-creep" || m.value != nil || births[2].named(t, "limit/adjust_mm").value != nil {
		t.Errorf("a brake without a cycle is born as %+v", births[2])
	}

	// What happens from now on is told as it is.
	if err := Flush(t.Context(), db, x, testLog(t), ignore); err != nil {
		t.Fatal(err)
	}
	if n := len(h.messages(t)); n != 3 {
		t.Errorf("the birth is followed by %d messages of what it has told", n-3)
	}
	commit(t, db, &store.Batch{
		Cycles:    []store.CycleRow{cycleAt(mainBrake, 2), cycleAt(creepBrake, 3)},
		Verdicts:  []store.VerdictRow{verdictOn(cycleAt(creepBrake, 3), 8)},
		Forecasts: []store.ForecastRow{forecastOf(mainBrake, "adjust", 1), forecastOf(mainBrake, "max", 1)},
		Alarms:    []store.AlarmRow{alarmAt(mainBrake, analysis.GapAdjust, 2, alerts.Normal), alarmAt("", analysis.GatewayFault, 2, alerts.Unacknowledged), alarmAt("gone/brake", analysis.GapLow, 2, alerts.Unacknowledged), silentAt("quay-io", 3), silentAt("gone-io", 3)},
	})
	if err := Flush(t.Context(), db, x, testLog(t), ignore); err != nil {
		t.Fatal(err)
	}
	eventually(t, "all that happened", func() bool { return len(h.messages(t)) == 10 })
	all := h.messages(t)
	for i, want := range []struct {
		kind, device, name string
		value              any
		atNS               int64
	}{
		{"DDATA", "quay-2-main", "alarm/gap-adjust", false, startNS + 2e9},
		{"NDATA", "", "alarm/gateway-fault", true, startNS + 2e9},
		{"NDATA", "", "alarm/device-silent/quay-io", true, startNS + 3e9},
		{"DDATA", "quay-2-creep", "state/full_cycles", int64(8), cycleAt(creepBrake, 3).AtNS},
		{"DDATA", "quay-2-main", "forecast/date_p05", int64(1_800_000_000_000), startNS},
		{"DDATA", "quay-2-main", "cycle/release_ms", 200.0, startNS + 2e9},
		{"DDATA", "quay-2-creep", "cycle/gap_mm", nil, startNS + 3e9},
	} {
		m := all[3+i]
		one := m.named(t, want.name)
		if m.kind != want.kind || m.device != want.device || one.value != want.value || one.atMS != want.atNS/1e6 || one.historical {
			t.Errorf("message %d is %s of %q with %+v, want %+v", 3+i, m.kind, m.device, one, want)
		}
	}
	follow(t, all)

	stop()
	eventually(t, "the death", func() bool { return len(h.messages(t)) == 11 })
	if death := h.messages(t)[10]; death.kind != "NDEATH" || len(death.metrics) != 1 || death.named(t, "bdSeq").value != int64(1) {
		t.Errorf("the last message is %+v", death)
	}
	late := listenAsHost(t, address)
	startSparkplug(t, address, db, "")
	eventually(t, "the second birth", func() bool { return len(late.messages(t)) == 3 })
	if bd := late.messages(t)[0].named(t, "bdSeq"); bd.value != int64(2) {
		t.Errorf("the second birth has the number %v", bd.value)
	}
	h.readByOthers(t)
}

// TestSparkplugBacklog has rows stored while there is no broker: they arrive
// as history, each once and as it is in the store, and what is new does not.
func TestSparkplugBacklog(t *testing.T) {
	address := "127.0.0.1:" + freePort(t)
	sparkplugBacklog(t, address, func() { startMochi(t, address) })
}

// TestRealMosquittoTakesSparkplug is the same with a broker that isn't ours.
func TestRealMosquittoTakesSparkplug(t *testing.T) {
	broker := exporttest.NewMosquitto(t)
	sparkplugBacklog(t, broker.Address, func() { broker.Start(t) })
}

func sparkplugBacklog(t *testing.T, address string, startBroker func()) {
	db := openStore(t)
	x, _ := startSparkplug(t, address, db, "")
	if err := Flush(t.Context(), db, x, quiet(), ignore); err != nil { // nothing yet: from here on there is no history
		t.Fatal(err)
	}
	const away = 700
	commit(t, db, batch(0, away))
	if err := Flush(expired(t), db, x, quiet(), ignore); err == nil {
		t.Fatal("delivered without a broker")
	}
	startBroker()
	h := listenAsHost(t, address)
	eventually(t, "the backlog is delivered", func() bool { return Flush(t.Context(), db, x, testLog(t), ignore) == nil })
	const more = 60
	commit(t, db, batch(away, more))
	if err := Flush(t.Context(), db, x, testLog(t), ignore); err != nil {
		t.Fatal(err)
	}
	want, err := db.CyclesAfter(t.Context(), 0, 2*away)
	if err != nil || len(want) != away+more {
		t.Fatal(len(want), err)
	}
	var got []spMessage
	eventually(t, "all cycles", func() bool {
		got = nil
		for _, m := range h.messages(t) {
			if m.kind == "DDATA" && strings.HasPrefix(m.metrics[0].name, "cycle/") {
				got = append(got, m)
			}
		}
		return len(got) >= away+more
	})
	follow(t, h.messages(t))
	for i, r := range want {
		m := got[i]
		if id := m.named(t, "cycle/id"); id.value != r.ID || id.atMS != r.AtNS/1e6 || id.historical != (i < away) || m.device != sparkplugID(r.Brake) {
			t.Fatalf("cycle %d of %d came as %+v of %s", i, r.ID, id, m.device)
		}
		for _, f := range cycleFields(r) {
			var value any
			if analysis.Has(f.value) {
				value = f.value
			}
			if one := m.named(t, "cycle/"+f.name); one.value != value || one.historical != (i < away) {
				t.Errorf("cycle %d has %s as %+v, want %v", r.ID, f.name, one, value)
			}
		}
	}
	if len(got) != len(want) {
		t.Errorf("%d cycles came, want %d", len(got), len(want))
	}
	historical := map[bool]int{}
	for _, m := range h.messages(t) {
		if m.kind == "DDATA" && strings.HasPrefix(m.metrics[0].name, "alarm/") {
			historical[m.metrics[0].historical]++
		}
	}
	if !maps.Equal(historical, map[bool]int{true: 2, false: 2}) {
		t.Errorf("alarms by history: %v", historical)
	}
}

// TestSparkplugRebirth has a host ask for all births anew, and commands that
// are none of the gateway's business.
func TestSparkplugRebirth(t *testing.T) { overBrokers(t, sparkplugRebirth) }

func sparkplugRebirth(t *testing.T, address string) {
	h := listenAsHost(t, address)
	db := openStore(t)
	x, _ := startSparkplug(t, address, db, "")
	eventually(t, "the first birth", func() bool { return count(h.messages(t), "DBIRTH") == 2 }) // else it tells what comes next
	if err := Flush(t.Context(), db, x, testLog(t), ignore); err != nil {
		t.Fatal(err)
	}
	commit(t, db, batch(0, 10))
	if err := Flush(t.Context(), db, x, testLog(t), ignore); err != nil {
		t.Fatal(err)
	}
	command := func(retained bool, ms ...metric) {
		t.Helper()
		token := h.Client.Publish("spBv1.0/hoists/NCMD/kestrel", 1, retained, spPayload{seq: -1, metrics: ms}.append(nil))
		if !token.WaitTimeout(5*time.Second) || token.Error() != nil {
			t.Fatal("the command is not taken")
		}
	}
	command(false, metric{name: "Node Control/Reboot", kind: typeBoolean, boolean: true})
	command(false, metric{name: rebirthName, kind: typeBoolean})
	if token := h.Client.Publish("spBv1.0/hoists/NCMD/kestrel", 1, false, []byte("rebirth!")); !token.WaitTimeout(5 * time.Second) {
		t.Fatal("the command is not taken")
	}
	command(false, metric{name: "else", kind: typeInt64}, metric{name: rebirthName, kind: typeBoolean, boolean: true})
	eventually(t, "a second birth", func() bool { return count(h.messages(t), "NBIRTH") == 2 && count(h.messages(t), "DBIRTH") == 4 })
	commit(t, db, batch(20, 600)) // more than the numbers go
	if err := Flush(t.Context(), db, x, testLog(t), ignore); err != nil {
		t.Fatal(err)
	}
	eventually(t, "all cycles", func() bool { return count(h.messages(t), "DDATA") == 2*(2+2+1)+10+600 })
	all := h.messages(t)
	follow(t, all)
	if count(all, "NBIRTH") != 2 {
		t.Errorf("%d births for one command", count(all, "NBIRTH"))
	}
	for _, m := range all {
		if m.kind == "NBIRTH" && m.named(t, "bdSeq").value != int64(1) {
			t.Errorf("a birth on the same connection has the number %v", m.named(t, "bdSeq").value)
		}
	}
	h.readByOthers(t)
}

// TestSparkplugPrimaryHost keeps rows while the host that they are for is away.
func TestSparkplugPrimaryHost(t *testing.T) { overBrokers(t, sparkplugPrimaryHost) }

func sparkplugPrimaryHost(t *testing.T, address string) {
	h := listenAsHost(t, address)
	db := openStore(t)
	x, _ := startSparkplug(t, address, db, "control-room")
	state := func(text string) {
		t.Helper()
		if token := h.Client.Publish("spBv1.0/STATE/control-room", 1, true, text); !token.WaitTimeout(5*time.Second) || token.Error() != nil {
			t.Fatal("the state is not taken")
		}
	}
	fails := func() bool {
		ctx, cancel := context.WithTimeout(t.Context(), time.Second) // a busy machine connects within that
		defer cancel()
		err := Flush(ctx, db, x, quiet(), ignore)
		return err != nil && strings.Contains(err.Error(), "control-room is not online")
	}
	if err := Flush(t.Context(), db, x, quiet(), ignore); err != nil {
		t.Fatal(err)
	}
	commit(t, db, batch(0, 10))
	eventually(t, "it waits for the host", fails)
	state(`{"online":false,"timestamp":1000}`)
	state(`nonsense`)
	eventually(t, "it waits on", fails)
	if len(h.messages(t)) != 0 {
		t.Fatal("born without the host")
	}
	state(`{"online":true,"timestamp":2000}`)
	eventually(t, "delivered", func() bool { return Flush(t.Context(), db, x, testLog(t), ignore) == nil })
	state(`{"online":false,"timestamp":1500}`) // late, and of an earlier connection
	commit(t, db, batch(10, 10))
	if err := Flush(t.Context(), db, x, testLog(t), ignore); err != nil {
		t.Fatal(err)
	}
	state(`{"online":false,"timestamp":3000}`)
	eventually(t, "the death", func() bool { return count(h.messages(t), "NDEATH") == 1 })
	commit(t, db, batch(20, 10))
	eventually(t, "it waits for the host again", fails)
	state(`{"online":true,"timestamp":4000}`)
	eventually(t, "delivered again", func() bool { return Flush(t.Context(), db, x, testLog(t), ignore) == nil })
	eventually(t, "all cycles", func() bool {
		n := 0
		for _, m := range h.messages(t) {
			if m.kind == "DDATA" && strings.HasPrefix(m.metrics[0].name, "cycle/") {
				n++
			}
		}
		return n == 30
	})
	follow(t, h.messages(t))
	h.readByOthers(t)
}

func TestSparkplugSettingsThatAreWrong(t *testing.T) {
	good := SparkplugSettings{URL: "mqtt://127.0.0.1:1883", Group: "hoists", Node: "kestrel"}
	for _, c := range []struct {
		change func(*SparkplugSettings)
		brakes []string
		want   string
	}{
		{func(*SparkplugSettings) {}, []string{"a/b", "a b c", "bräke"}, ""},
		{func(s *SparkplugSettings) { s.Node = "" }, nil, ""},
		{func(s *SparkplugSettings) { s.URL = "" }, nil, "export.sparkplug.url: is missing"},
		{func(s *SparkplugSettings) { s.Group = "" }, nil, "export.sparkplug.group: is missing"},
		{func(s *SparkplugSettings) { s.Group = "a/b" }, nil, `export.sparkplug.group: "a/b" has a slash`},
		{func(s *SparkplugSettings) { s.Node = "a+" }, nil, "export.sparkplug.node"},
		{func(s *SparkplugSettings) { s.PrimaryHost = "a#" }, nil, "export.sparkplug.primary_host"},
		{func(s *SparkplugSettings) { s.PasswordFile = "f" }, nil, "export.sparkplug.user: is missing"},
		{func(*SparkplugSettings) {}, []string{"a/b", "a-b"}, `"a/b" and "a-b" would both be the device a-b`},
		{func(*SparkplugSettings) {}, []string{"a+b"}, "export.sparkplug: brake"},
	} {
		s := good
		c.change(&s)
		err := Settings{Sparkplug: &s}.Validate(site, c.brakes)
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%+v, %q: %v, want %q", s, c.brakes, err, c.want)
		}
	}
}

// FuzzRebirth feeds commands: whatever comes is read as Go's own library reads
// it, or refused.
func FuzzRebirth(f *testing.F) {
	f.Add(spPayload{atMS: 1, seq: 3, metrics: []metric{{name: rebirthName, kind: typeBoolean, boolean: true}, {name: "x", kind: typeDouble, double: 1.5, unit: "mm"}}}.append(nil))
	f.Add(spPayload{seq: -1, metrics: []metric{{name: rebirthName, kind: typeBoolean}, {name: "y", kind: typeString, text: "z", historical: true}, {name: "n", kind: typeInt64, null: true}}}.append(nil))
	f.Add([]byte{0x0b, 0x0c, 0xff})
	schema := sparkplugSchema(f)
	f.Fuzz(func(t *testing.T, payload []byte) {
		asked, err := asksForRebirth(payload)
		if err != nil && asked {
			t.Error("asked, and unreadable")
		}
		m := dynamicpb.NewMessage(schema)
		if proto.Unmarshal(payload, m) != nil {
			return // stricter: it also wants every field to be of its type
		}
		want := false
		fields := schema.Fields().ByName("metrics").Message().Fields()
		for i := range m.Get(schema.Fields().ByName("metrics")).List().Len() {
			one := m.Get(schema.Fields().ByName("metrics")).List().Get(i).Message()
			want = want || one.Get(fields.ByName("name")).String() == rebirthName && one.Get(fields.ByName("boolean_value")).Bool()
		}
		if err != nil || asked != want {
			t.Errorf("%x: asked %v (%v), want %v", payload, asked, err, want)
		}
	})
}
