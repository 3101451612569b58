package export

import (
	"bytes"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/export/exporttest"
	"gapward/gateway/store"
)

// npmTypes are the data types by the names that the npm package gives them.
var npmTypes = map[string]datatype{"Int64": typeInt64, "Double": typeDouble, "Boolean": typeBoolean, "String": typeString, "DateTime": typeDateTime}

// readByOthers has the npm package sparkplug-payload, of the people who made the
// standard, decode payloads: every field must be what Go's own library reads. It
// returns how many metrics there are.
func readByOthers(t *testing.T, payloads [][]byte) (metrics int) {
	t.Helper()
	program := exporttest.Program(t, "node")
	if out, err := exec.CommandContext(t.Context(), program, "-e", "require.resolve('sparkplug-payload')").CombinedOutput(); err != nil {
		const how = "npm's sparkplug-payload is not installed where NODE_PATH says: npm install sparkplug-payload@1.0.3"
		if os.Getenv("GAPWARD_REAL") == "1" {
			t.Fatalf("GAPWARD_REAL=1, but %s\n%s", how, out)
		}
		t.Skip(how)
	}
	var lines bytes.Buffer
	for _, p := range payloads {
		fmt.Fprintln(&lines, hex.EncodeToString(p))
	}
	script, err := filepath.Abs(filepath.Join("testdata", "decode-sparkplug.js"))
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), program, script)
	cmd.Stdin = &lines
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%v\n%s", err, stderr.Bytes())
	}
	schema := sparkplugSchema(t)
	answers := strings.Split(strings.TrimSpace(string(out)), "\n")
	if len(answers) != len(payloads) {
		t.Fatalf("%d payloads are read of %d", len(answers), len(payloads))
	}
	for i, text := range answers {
		var got struct {
			Timestamp, Seq json.RawMessage
			Metrics        []struct {
				Name, Type   string
				Timestamp    json.RawMessage
				Value        any
				IsHistorical bool
				Properties   map[string]struct{ Type, Value string }
			}
		}
		if err := json.Unmarshal([]byte(text), &got); err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		want := readSparkplug(t, schema, payloads[i])
		seq := ""
		if want.hasSeq {
			seq = fmt.Sprint(want.seq)
		}
		if plain(got.Seq) != seq || plain(got.Timestamp) != strconv.FormatInt(want.atMS, 10) || len(got.Metrics) != len(want.metrics) {
			t.Fatalf("payload %d is read as %s", i, text)
		}
		for k, m := range got.Metrics {
			w := want.metrics[k]
			metrics++
			if m.Name != w.name || npmTypes[m.Type] != w.kind || m.IsHistorical != w.historical || plain(m.Timestamp) != strconv.FormatUint(uint64(w.atMS), 10) || m.Properties["engUnit"].Value != w.unit {
				t.Errorf("metric %d of payload %d is read as %+v, want %+v", k, i, m, w)
			}
			value := w.value
			if whole, ok := value.(int64); ok {
				value = strconv.FormatInt(whole, 10)
			}
			if m.Value != value {
				t.Errorf("%s of payload %d has the value %v, want %v", m.Name, i, m.Value, value)
			}
		}
	}
	return metrics
}

// TestSparkplugIsReadByOthers has others decode what a node sends.
func TestSparkplugIsReadByOthers(t *testing.T) {
	db := openStore(t)
	commit(t, db, batch(0, 9))
	commit(t, db, &store.Batch{Alarms: []store.AlarmRow{alarmAt("", analysis.GatewayFault, 3, alerts.Unacknowledged)}})
	x, err := NewSparkplug(SparkplugSettings{URL: "mqtt://127.0.0.1:1883", Group: "hoists"}, site, sparkplugBrakes(), nil, quiet())
	if err != nil {
		t.Fatal(err)
	}
	x.now = func() time.Time { return time.UnixMilli(1_772_344_800_123) }
	x.db = db
	s, err := x.standing(t.Context(), sparkplugBrakes())
	if err != nil {
		t.Fatal(err)
	}
	n := &node{seq: 254}
	var payloads [][]byte
	for _, b := range sparkplugBrakes() {
		payloads = append(payloads, x.message(n, "", s.metricsOf(b, startNS)).payload)
	}
	cycles, err := db.CyclesAfter(t.Context(), 0, 100)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range cycles {
		ms := cycleMetrics(r)
		ms[0].historical = true
		payloads = append(payloads, x.message(n, "", ms).payload)
	}
	n.devices = map[string]store.Newest{mainBrake: {}}
	payloads = append(payloads, x.deviceDeath(n, mainBrake).payload, x.death(255), x.message(n, "", at(-5e9, []metric{{name: "früh", kind: typeInt64, whole: -1}})).payload)

	metrics := readByOthers(t, payloads)
	if m := readSparkplug(t, sparkplugSchema(t), payloads[0]); m.atMS != 1_772_344_800_123 || m.seq != 254 {
		t.Errorf("sent at %d ms with the number %d", m.atMS, m.seq)
	}
	t.Logf("%d metrics of %d payloads read alike", metrics, len(payloads))
}

// plain is a JSON number, or one in quotes, as text; empty where there is none.
func plain(raw json.RawMessage) string { return strings.Trim(string(raw), `"`) }
