package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"net/http"
	"os"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"gapward/gateway/export/exporttest"
	"gapward/gateway/store"
	"gapward/simulator"
)

// unplugs is how often something is unplugged or plugged in again: more often
// on request.
func unplugs() int {
	if n, err := strconv.Atoi(os.Getenv("GAPWARD_UNPLUGS")); err == nil {
		return n
	}
	if testing.Short() {
		return 4
	}
	return 8
}

// unpluggable is a part of a plant that can be taken away, which says how, and
// be put back.
type unpluggable struct {
	name string
	out  func() (how string)
	in   func()
}

// A plant unplugs the box, the database, the broker and the network between
// them, in any order and several at a time, while brakes work; or they hang, and
// the disk is full. When all is back,
// InfluxDB has every row of the store as one point and no other, the broker's
// listener has every cycle and alarm and as its retained messages the latest of
// each brake, and Prometheus has the figures of today and counters that never
// fell.
func TestUnpluggedInAnyOrder(t *testing.T) {
	t.Parallel()
	exporttest.Program(t, "prometheus")
	influx, mosquitto := exporttest.NewInflux(t), exporttest.NewMosquitto(t)
	toInflux, toBroker := newCable(t, influx.Address), newCable(t, mosquitto.Address)
	page := localAddress(t)
	s := newBusySiteAt(t, page, 8, fmt.Sprintf("export:\n  influx: {url: \"http://%s\", bucket: hoists/autogen}\n  mqtt: {url: \"mqtt://%s\"}\n", toInflux.address(), toBroker.address()))
	mosquitto.Start(t)
	influx.Ask(t, "POST", "CREATE DATABASE hoists")
	program := build(t)
	heard := exporttest.Listen(t, mosquitto.Address, "plant", "gapward/#")
	prometheus := realPrometheus(t, page)

	seed := uint64(time.Now().UnixNano())
	random := rand.New(rand.NewPCG(seed, 0))
	var box *process
	// Each ends, or stops in the midst of what it does and keeps its connections.
	part := func(name string, end, start func(), signal func(os.Signal)) unpluggable {
		hangs := false
		return unpluggable{name, func() (how string) {
			if hangs = random.IntN(2) == 0; hangs {
				signal(syscall.SIGSTOP)
				return "hung"
			}
			end()
			return "out"
		}, func() {
			if hangs {
				signal(syscall.SIGCONT)
				return
			}
			start()
		}}
	}
	cord := func(name string, c *cable) unpluggable {
		return unpluggable{name, func() string { c.pull(true); return "out" }, func() { c.pull(false) }}
	}
	parts := []unpluggable{
		part("the box", func() { box.signal(t, syscall.SIGKILL) }, func() { box = startProcess(t, nil, program, "run", "--config", s.file) },
			func(sig os.Signal) {
				if err := box.cmd.Process.Signal(sig); err != nil {
					t.Errorf("sending %v to the box: %v", sig, err)
				}
			}),
		part("the database", influx.Kill, func() { influx.Start(t) }, influx.Signal),
		part("the broker", func() { mosquitto.End(syscall.SIGTERM) }, func() { mosquitto.Start(t) }, mosquitto.Signal),
		cord("the cable to the database", toInflux),
		cord("the cable to the broker", toBroker),
	}
	if disk, ok := smallDisk(t, s.data); ok {
		parts = append(parts, unpluggable{"the disk", func() string { disk.fill(t); return "full" }, func() { disk.empty(t) }})
	}
	parts[0].in()
	box.err.find(t, 30*time.Second, `msg=running`)

	out, times := make([]bool, len(parts)), map[string]int{}
	var did []string
	began := time.Now()
	for n := 0; n < unplugs() || s.count(t) < 4*len(s.brakes) && time.Since(began) < 4*time.Minute; n++ {
		time.Sleep(time.Duration(300+random.IntN(1700)) * time.Millisecond)
		if n%4 == 0 { // so that there are alarms
			if err := s.plant.Apply(simulator.Event{Brake: s.brakes[random.IntN(len(s.brakes))], Fault: simulator.NotFreeing, Lasts: 2500 * time.Millisecond}); err != nil {
				t.Fatal(err)
			}
		}
		i := random.IntN(len(parts))
		switch {
		case n < len(parts):
			i = n // each at least once
		case out[0] && random.IntN(2) == 0:
			i = 0 // else little is measured
		}
		if out[i] {
			parts[i].in()
			did = append(did, "+"+parts[i].name)
		} else {
			how := parts[i].out()
			times[parts[i].name+" "+how]++
			did = append(did, "-"+parts[i].name+" "+how)
		}
		out[i] = !out[i]
	}
	t.Logf("seed %d: %s", seed, strings.Join(did, ", "))
	for i, p := range parts {
		if out[i] {
			p.in()
		}
	}
	box.err.find(t, 30*time.Second, `msg=running`)

	// The brakes come to rest, and nothing new is stored any more.
	time.Sleep(2 * time.Second)
	s.rest()
	db, err := store.OpenReadOnly(t.Context(), s.data)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close() })
	var newest store.Newest
	since := time.Now()
	eventually(t, 4*time.Minute, "all is delivered", func() bool {
		now, err := db.Newest(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if now != newest {
			newest, since = now, time.Now()
		}
		return time.Since(since) > 12*time.Second && delivered(t, db, newest)
	})
	for path, want := range map[string]string{"/healthz": "200 OK alive", "/readyz": "503 Service Unavailable device io: since "} {
		if got := answer(t, "http://"+page+path); !strings.HasPrefix(got, want) {
			t.Errorf("with the device taken away %s says %q, want %q", path, got, want)
		}
	}
	figures := prometheusHolds(t, prometheus, db)
	if status := box.signal(t, syscall.SIGTERM); status.ExitStatus() != 0 {
		t.Errorf("told to end, it ended with %v", box.cmd.ProcessState)
	}
	newest, err = db.Newest(t.Context())
	if err != nil || !delivered(t, db, newest) {
		t.Fatalf("when it had ended, not all was delivered (%v)", err)
	}
	points := influxHolds(t, influx, db)
	messages := listenerHolds(t, heard, db)
	if newest.Cycle < int64(len(s.brakes)*3) || newest.Alarm < 2 {
		t.Errorf("only %d cycles and %d alarms; that proves little", newest.Cycle, newest.Alarm)
	}
	t.Logf("unplugged %v: %d cycles, %d alarms, %d forecasts stored; %d points at InfluxDB, %d messages at the broker, %d figures at Prometheus, all those of the store",
		times, newest.Cycle, newest.Alarm, newest.Forecast, points, messages, figures)
}

// count is how many cycles are stored so far.
func (s busySite) count(t *testing.T) int {
	t.Helper()
	db, err := store.OpenReadOnly(t.Context(), s.data)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = db.Close() }()
	newest, err := db.Newest(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return int(newest.Cycle)
}

// answer is status and body of an answer.
func answer(t *testing.T, url string) string {
	t.Helper()
	resp, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.Status + " " + string(body)
}

// delivered reports whether both exporters' cursors are at the newest rows.
func delivered(t *testing.T, db *store.DB, newest store.Newest) bool {
	t.Helper()
	at, err := db.Cursors(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []string{"influx", "mqtt"} {
		if at[x+"/cycles"] != newest.Cycle || at[x+"/alarms"] != newest.Alarm || at[x+"/forecasts"] != newest.Forecast {
			return false
		}
	}
	return at["mqtt/verdicts"] == newest.VerdictRev
}

// rowsOf are all rows that a far end is told of, the latest verdicts among them.
func rowsOf(t *testing.T, db *store.DB) (all store.Batch) {
	t.Helper()
	ctx := context.Background()
	var errs [4]error
	all.Cycles, errs[0] = db.CyclesAfter(ctx, 0, 1e6)
	all.Alarms, errs[1] = db.AlarmsAfter(ctx, 0, 1e6)
	all.Forecasts, errs[2] = db.ForecastsAfter(ctx, 0, 1e6)
	all.Verdicts, errs[3] = db.Verdicts(ctx)
	for _, err := range errs {
		if err != nil {
			t.Fatal(err)
		}
	}
	return all
}

// influxHolds compares every row with its point, field by field as
// deploy/influxdb.md names them, and wants no other points.
func influxHolds(t *testing.T, x *exporttest.Influx, db *store.DB) (points int) {
	t.Helper()
	rows := rowsOf(t, db)
	hold := func(measurement string, id, atNS int64, texts map[string]string, figures map[string]float64, of map[string]map[string]any) {
		t.Helper()
		p := of[strconv.FormatInt(id, 10)]
		if p == nil {
			t.Errorf("%s %d is missing", measurement, id)
			return
		}
		points++
		if at := fmt.Sprint(p["time"]); at != strconv.FormatInt(atNS, 10) {
			t.Errorf("%s %d is at %s, want %d", measurement, id, at, atNS)
		}
		for name, want := range texts {
			if got, _ := p[name].(string); got != want {
				t.Errorf("%s %d has %s %q, want %q", measurement, id, name, got, want)
			}
		}
		for name, want := range figures {
			got, there := p[name].(json.Number)
			v, _ := got.Float64()
			if known := !math.IsNaN(want) && !math.IsInf(want, 0); there != known || known && v != want {
				t.Errorf("%s %d has %s %v, want %v", measurement, id, name, p[name], want)
			}
		}
	}
	read := func(measurement string, want int) map[string]map[string]any {
		t.Helper()
		byID := map[string]map[string]any{}
		got := x.Ask(t, "GET", "SELECT * FROM "+measurement)
		for _, p := range got {
			byID[fmt.Sprint(p["id"])] = p
		}
		if len(got) != want || len(byID) != want {
			t.Errorf("%s has %d points of %d ids, the store has %d rows", measurement, len(got), len(byID), want)
		}
		return byID
	}
	const site = "Test Quay"
	cycles := read("gapward_cycle", len(rows.Cycles))
	for _, r := range rows.Cycles {
		hold("gapward_cycle", r.ID, r.AtNS, map[string]string{"site": site, "brake": r.Brake, "kind": r.Kind.String(), "flags": strings.Join(r.Flags.Names(), ",")}, map[string]float64{
			"on_ms": float64(r.OnNS) / 1e6, "gap_mm": r.GapMM, "gap_u_mm": r.GapUMM, "gap_u_cal_mm": r.GapUCalMM, "release_ms": r.ReleaseS * 1e3, "release_u_ms": r.ReleaseUS * 1e3,
			"set_ms": r.SetS * 1e3, "set_u_ms": r.SetUS * 1e3, "set_level_mm": r.SetLevelMM, "released_level_mm": r.ReleasedLevelMM, "temperature_c": r.TemperatureC}, cycles)
	}
	forecasts := read("gapward_forecast", len(rows.Forecasts))
	for _, r := range rows.Forecasts {
		hold("gapward_forecast", r.ID, r.AtNS, map[string]string{"site": site, "brake": r.Brake, "limit": r.Limit}, map[string]float64{
			"limit_mm": r.LimitMM, "gap_mm": r.GapMM, "gap_u_mm": r.GapUMM, "wear_um_per_1000_cycles": r.WearUMPerK, "cycles_p05": r.Cycles.P05, "cycles_p50": r.Cycles.P50, "cycles_p95": r.Cycles.P95,
			"date_p05_s": r.DateNS.P05 / 1e9, "date_p50_s": r.DateNS.P50 / 1e9, "date_p95_s": r.DateNS.P95 / 1e9}, forecasts)
	}
	alarms := read("gapward_alarm", len(rows.Alarms))
	for _, r := range rows.Alarms {
		active := 0.0
		if r.State.Active() {
			active = 1
		}
		hold("gapward_alarm", r.ID, r.AtNS, map[string]string{"site": site, "brake": r.Brake, "device": r.Device, "condition": string(r.Condition), "change": r.Change.String(), "state": r.State.String(), "detail": r.Detail},
			map[string]float64{"active": active}, alarms)
	}
	return points
}

// listenerHolds wants every cycle and every alarm heard, at least once and as it
// is stored, nothing else, and the latest of each brake heard last.
func listenerHolds(t *testing.T, l *exporttest.Listener, db *store.DB) (messages int) {
	t.Helper()
	rows := rowsOf(t, db)
	topic := func(brake, kind string) string {
		if brake == "" {
			brake = "gateway"
		}
		return "gapward/Test-Quay/" + brake + "/" + kind
	}
	withID := func(object []byte, id int64) string {
		return fmt.Sprintf(`%s,"id":%d}`, object[:len(object)-1], id)
	}
	want := map[string]map[string]bool{}
	expect := func(topic, payload string) {
		if want[topic] == nil {
			want[topic] = map[string]bool{}
		}
		want[topic][payload] = true
	}
	for _, r := range rows.Cycles {
		expect(topic(r.Brake, "cycle"), withID(r.AppendJSON(nil, r.Brake), r.ID))
	}
	for _, r := range rows.Alarms {
		expect(topic(r.Brake, "alarm"), withID(r.AppendJSON(nil), r.ID))
	}
	for on, payloads := range want {
		eventually(t, time.Minute, "what was acknowledged is passed on, on "+on, func() bool {
			got := map[string]bool{}
			for _, p := range l.On(on) {
				got[p] = true
			}
			return len(got) >= len(payloads)
		})
		for _, p := range l.On(on) {
			messages++
			if !payloads[p] {
				t.Errorf("on %s was heard %s, which isn't stored", on, p)
			}
		}
	}
	latest := map[string]store.ForecastRow{}
	for _, r := range rows.Forecasts {
		if r.Limit == "adjust" {
			latest[r.Brake] = r
		}
	}
	last := func(topic string) string {
		if all := l.On(topic); len(all) > 0 {
			return all[len(all)-1]
		}
		return ""
	}
	for brake, r := range latest {
		on, want := topic(brake, "forecast"), withID(r.AppendJSON(nil, brake), r.ID)
		eventually(t, time.Minute, "the latest forecast on "+on, func() bool { return last(on) == want })
	}
	for _, v := range rows.Verdicts {
		on, want := topic(v.Brake, "state"), fmt.Sprintf(`"full":%d,"jogs":%d}`, v.Full, v.Jogs)
		eventually(t, time.Minute, "the latest state on "+on, func() bool { return strings.HasSuffix(last(on), want) })
	}
	eventually(t, time.Minute, "the goodbye", func() bool { return last("gapward/Test-Quay/gateway") == "offline" })
	return messages
}

// prometheusHolds compares what a running daemon's figures are at Prometheus
// with the store, where nothing is stored any more.
func prometheusHolds(t *testing.T, address string, db *store.DB) (figures int) {
	t.Helper()
	ctx := t.Context()
	hold := func(query string, want float64) {
		t.Helper()
		if math.IsNaN(want) || math.IsInf(want, 0) {
			return
		}
		figures++
		eventually(t, 30*time.Second, fmt.Sprintf("%s is %v", query, want), func() bool {
			values, _ := asked(t, address, query)
			return len(values) == 1 && values[0] == want
		})
	}
	for _, v := range rowsOf(t, db).Verdicts {
		of := fmt.Sprintf("{brake=%q}", v.Brake)
		hold("gapward_gap_meters"+of, v.GapMM/1000)
		hold("gapward_gap_uncertainty_meters"+of, v.GapUMM/1000)
		hold("gapward_release_seconds"+of, v.ReleaseS)
		hold("gapward_set_seconds"+of, v.SetS)
		full, jogs, err := db.Counts(ctx, v.Brake, 0)
		if err != nil {
			t.Fatal(err)
		}
		hold(fmt.Sprintf("gapward_cycles_total{brake=%q,kind=\"full\"}", v.Brake), float64(full))
		hold(fmt.Sprintf("gapward_cycles_total{brake=%q,kind=\"jog\"}", v.Brake), float64(jogs))
		hold(fmt.Sprintf("resets(gapward_cycles_total{brake=%q,kind=\"full\"}[30m])", v.Brake), 0)
	}
	forecasts, err := db.LatestForecasts(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range forecasts {
		for q, dateNS := range map[string]float64{"0.05": f.DateNS.P05, "0.5": f.DateNS.P50, "0.95": f.DateNS.P95} {
			hold(fmt.Sprintf("gapward_forecast_timestamp_seconds{brake=%q,limit=%q,quantile=%q}", f.Brake, f.Limit, q), dateNS/1e9)
		}
	}
	states, err := db.AlarmStates(ctx)
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range states {
		active := 0.0
		if a.State.Active() {
			active = 1
		}
		if a.Device == "" {
			hold(fmt.Sprintf("gapward_alarm_active{brake=%q,condition=%q}", a.Brake, a.Condition), active)
		} else {
			hold(fmt.Sprintf("gapward_device_silent{device=%q}", a.Device), active)
		}
	}
	return figures
}
