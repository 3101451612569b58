package export

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"go.yaml.in/yaml/v3"

	"gapward/alerts"
	"gapward/gateway/export/exporttest"
)

// deployed is a file of the folder deploy.
func deployed(elem ...string) string {
	return filepath.Join(append([]string{"..", "..", "deploy"}, elem...)...)
}

type alertRule struct {
	Alert       string            `yaml:"alert"`
	Expr        string            `yaml:"expr"`
	Labels      map[string]string `yaml:"labels"`
	Annotations map[string]string `yaml:"annotations"`
}

func alertRules(t *testing.T) []alertRule {
	t.Helper()
	text, err := os.ReadFile(deployed("prometheus", "rules.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Groups []struct {
			Rules []alertRule `yaml:"rules"`
		} `yaml:"groups"`
	}
	if err := yaml.Unmarshal(text, &file); err != nil {
		t.Fatal(err)
	}
	var rules []alertRule
	for _, g := range file.Groups {
		rules = append(rules, g.Rules...)
	}
	return rules
}

// Each condition has its alert, in the words that gapward itself uses.
func TestEachConditionHasAnAlertRule(t *testing.T) {
	byExpr := map[string]alertRule{}
	for _, r := range alertRules(t) {
		byExpr[r.Expr] = r
		if r.Annotations["first_step"] == "" {
			t.Errorf("%s says nothing of what to do first", r.Alert)
		}
		if want := strings.Join(alerts.Cautions(), " "); r.Annotations["cautions"] != want {
			t.Errorf("%s has the cautions\n%s\nwant\n%s", r.Alert, r.Annotations["cautions"], want)
		}
	}
	for _, c := range alerts.Conditions() {
		expr := fmt.Sprintf("gapward_alarm_active{condition=%q} == 1", c)
		if c == alerts.DeviceSilent {
			expr = "gapward_device_silent == 1"
		}
		r, ok := byExpr[expr]
		if !ok {
			t.Errorf("no alert for %s", c)
			continue
		}
		if want := alerts.FirstStep(c); r.Annotations["first_step"] != want {
			t.Errorf("%s has the first step\n%s\nwant\n%s", r.Alert, r.Annotations["first_step"], want)
		}
		if summary := r.Annotations["summary"]; !strings.HasSuffix(summary, alerts.Title(c)) {
			t.Errorf("%s has the summary %q, want it to end with %q", r.Alert, summary, alerts.Title(c))
		}
	}
}

// The alerts speak of series that there are.
func TestAlertRulesUseKnownSeries(t *testing.T) {
	known := map[string]bool{"gapward_poll_seconds_count": true}
	m, _ := fullMetrics(t)
	for line := range strings.Lines(scrape(t, m)) {
		name, _, _ := strings.Cut(line, "{")
		known[name] = true
	}
	for _, r := range alertRules(t) {
		for _, name := range regexp.MustCompile(`gapward_\w+`).FindAllString(r.Expr, -1) {
			if !known[name] {
				t.Errorf("%s asks for %s, which there is not", r.Alert, name)
			}
		}
	}
}

// quietly runs a checking program in a directory and returns what it printed.
func quietly(t *testing.T, dir, name string, args ...string) string {
	t.Helper()
	cmd := exec.Command(name, args...)
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%s %s: %v\n%s", filepath.Base(name), strings.Join(args, " "), err, out)
	}
	return string(out)
}

func TestPromtoolTakesTheRules(t *testing.T) {
	promtool := exporttest.Program(t, "promtool")
	dir := deployed("prometheus")
	quietly(t, dir, promtool, "check", "config", "prometheus.yaml")
	quietly(t, dir, promtool, "check", "rules", "rules.yaml")
	quietly(t, dir, promtool, "test", "rules", "rules_test.yaml")
}

// Every condition's alert fires while its series is 1 and no longer, with its
// words: promtool's unit test of each, beside those in the folder.
func TestEveryConditionsAlertFires(t *testing.T) {
	promtool := exporttest.Program(t, "promtool")
	rules, err := filepath.Abs(deployed("prometheus", "rules.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	type alert struct {
		Labels      map[string]string `yaml:"exp_labels"`
		Annotations map[string]string `yaml:"exp_annotations"`
	}
	type look struct {
		Name   string  `yaml:"alertname"`
		At     string  `yaml:"eval_time"`
		Alerts []alert `yaml:"exp_alerts,omitempty"`
	}
	type series struct {
		Series, Values string
	}
	type unit struct {
		Interval string
		Input    []series `yaml:"input_series"`
		Looks    []look   `yaml:"alert_rule_test"`
	}
	file := struct {
		Rules []string `yaml:"rule_files"`
		Every string   `yaml:"evaluation_interval"`
		Tests []unit
	}{Rules: []string{rules}, Every: "1m"}
	for _, r := range alertRules(t) {
		condition := regexp.MustCompile(`^gapward_alarm_active\{condition="([^"]+)"\} == 1$`).FindStringSubmatch(r.Expr)
		if condition == nil {
			continue // the folder's own tests have it
		}
		labels, brake := map[string]string{"condition": condition[1], "severity": r.Labels["severity"]}, ""
		if strings.Contains(r.Annotations["summary"], "$labels.brake") {
			brake = mainBrake
			labels["brake"] = brake
		}
		words := map[string]string{}
		for name, text := range r.Annotations {
			words[name] = strings.ReplaceAll(text, "{{ $labels.brake }}", brake)
		}
		file.Tests = append(file.Tests, unit{"1m",
			[]series{{fmt.Sprintf("gapward_alarm_active{brake=%q, condition=%q}", brake, condition[1]), "0 1 1 0"},
				{fmt.Sprintf("gapward_alarm_active{brake=%q, condition=%q}", creepBrake, condition[1]), "0x4"}},
			[]look{{Name: r.Alert, At: "0m"}, {r.Alert, "2m", []alert{{labels, words}}}, {Name: r.Alert, At: "3m"}}})
	}
	if len(file.Tests) < len(alerts.Conditions())-1 {
		t.Errorf("only %d of %d conditions have an alert to be tried", len(file.Tests), len(alerts.Conditions()))
	}
	text, err := yaml.Marshal(file)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "test.yaml"), text, 0o600); err != nil {
		t.Fatal(err)
	}
	quietly(t, dir, promtool, "test", "rules", "test.yaml")
	t.Logf("%d alerts fire and end", len(file.Tests))
}

// systemd-analyze reports an unknown key only by printing it, so any output is
// a failure.
func TestSystemdTakesTheUnit(t *testing.T) {
	analyze := exporttest.Program(t, "systemd-analyze")
	text, err := os.ReadFile(deployed("gapward.service"))
	if err != nil {
		t.Fatal(err)
	}
	installed, err := exec.LookPath("true")
	if err != nil {
		t.Fatal(err)
	}
	const program = "ExecStart=/usr/bin/gapward "
	if !bytes.Contains(text, []byte(program)) {
		t.Fatalf("the unit has no %s", program)
	}
	// Drop-ins as the unit's comment gives them, for a serial line.
	_, comment, _ := strings.Cut(string(text), "#   [Service]\n")
	var dropIn strings.Builder
	dropIn.WriteString("[Service]\n")
	for line := range strings.Lines(comment) {
		setting, ok := strings.CutPrefix(line, "#   ")
		if !ok {
			break
		}
		dropIn.WriteString(setting)
	}
	if !strings.Contains(dropIn.String(), "SupplementaryGroups=dialout") {
		t.Fatalf("the drop-in for serial lines is cut short:\n%s", dropIn.String())
	}
	for name, more := range map[string]string{"as it is": "", "with a serial line": dropIn.String()} {
		t.Run(name, func(t *testing.T) {
			unit := filepath.Join(t.TempDir(), "gapward.service")
			there := bytes.Replace(text, []byte(program), []byte("ExecStart="+installed+" "), 1)
			if err := os.WriteFile(unit, there, 0o644); err != nil {
				t.Fatal(err)
			}
			if err := os.Mkdir(unit+".d", 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(unit+".d", "serial.conf"), []byte(more), 0o644); err != nil {
				t.Fatal(err)
			}
			if out := quietly(t, "", analyze, "verify", unit); out != "" {
				t.Errorf("systemd-analyze verify prints\n%s", out)
			}
			quietly(t, "", analyze, "security", "--offline=true", "--threshold=20", unit) // 2.0 of 10
		})
	}
}

// The broker's example lets each user do its own and nothing else.
func TestMosquittoTakesTheExample(t *testing.T) {
	mosquitto, passwd := exporttest.Program(t, "mosquitto", "/usr/sbin/mosquitto"), exporttest.Program(t, "mosquitto_passwd")
	dir := t.TempDir()
	config, err := os.ReadFile(deployed("mosquitto", "gapward.conf"))
	if err != nil {
		t.Fatal(err)
	}
	access, err := os.ReadFile(deployed("mosquitto", "gapward.acl"))
	if err != nil {
		t.Fatal(err)
	}
	port := freePort(t)
	address := "127.0.0.1:" + port
	text := strings.NewReplacer("/etc/mosquitto", dir, "listener 1883 ", "listener "+port+" ").Replace(string(config))
	if os.Getuid() == 0 {
		text += "\nuser root\n" // it would give its rights up, and couldn't read dir
	}
	for name, content := range map[string]string{"m.conf": text, "gapward.acl": string(access), "gapward.passwd": ""} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	for _, user := range []string{"edge", "gapward", "plant", "control-room"} {
		quietly(t, dir, passwd, "-b", "gapward.passwd", user, "secret of "+user)
	}
	start(t, mosquitto, "-c", filepath.Join(dir, "m.conf"))

	connect := func(user, password string) (paho.Client, error) {
		options := paho.NewClientOptions().AddBroker("mqtt://" + address).SetClientID("test-" + user).SetProtocolVersion(4).
			SetUsername(user).SetPassword(password).SetAutoReconnect(false)
		c := paho.NewClient(options)
		token := c.Connect()
		if !token.WaitTimeout(5 * time.Second) {
			return nil, fmt.Errorf("%s: no answer", user)
		}
		return c, token.Error()
	}
	clients := map[string]paho.Client{}
	heard := map[string]chan string{}
	for _, user := range []string{"edge", "gapward", "plant", "control-room"} {
		eventually(t, user+" is let in", func() bool {
			c, err := connect(user, "secret of "+user)
			clients[user] = c
			return err == nil
		})
		t.Cleanup(func() { clients[user].Disconnect(0) })
		heard[user] = make(chan string, 16)
		token := clients[user].Subscribe("#", 1, func(_ paho.Client, m paho.Message) { heard[user] <- m.Topic() })
		if !token.WaitTimeout(5*time.Second) || token.Error() != nil {
			t.Fatalf("%s can't subscribe: %v", user, token.Error())
		}
	}
	if _, err := connect("gapward", "guess"); err == nil {
		t.Error("a wrong password is let in")
	}
	if _, err := connect("", ""); err == nil {
		t.Error("somebody without a name is let in")
	}

	// All publish everywhere; the last of each, which is allowed, shows that
	// what came before has been dealt with.
	for _, p := range []struct{ user, topic string }{
		{"plant", "hall/forged"}, {"plant", "gapward/forged"},
		{"edge", "gapward/forged"}, {"edge", "hall/trolley-3/travel"},
		{"plant", "spBv1.0/hoists/NCMD/kestrel-quay"}, {"gapward", "spBv1.0/hoists/DCMD/other/forged"}, {"gapward", "spBv1.0/hoists/NBIRTH/other"},
		{"gapward", "hall/forged"}, {"gapward", "gapward/Kestrel-Quay/gateway"}, {"gapward", "spBv1.0/hoists/DDATA/kestrel-quay/quay-2-main"},
		{"control-room", "spBv1.0/hoists/DDATA/kestrel-quay/forged"}, {"control-room", "spBv1.0/hoists/NCMD/kestrel-quay"},
	} {
		if token := clients[p.user].Publish(p.topic, 1, false, "x"); !token.WaitTimeout(5*time.Second) || token.Error() != nil {
			t.Fatalf("%s can't publish: %v", p.user, token.Error())
		}
	}
	for user, want := range map[string][]string{
		"gapward":      {"hall/trolley-3/travel", "spBv1.0/hoists/NCMD/kestrel-quay"},
		"plant":        {"gapward/Kestrel-Quay/gateway", "spBv1.0/hoists/DDATA/kestrel-quay/quay-2-main", "spBv1.0/hoists/NCMD/kestrel-quay"},
		"control-room": {"spBv1.0/hoists/DDATA/kestrel-quay/quay-2-main", "spBv1.0/hoists/NCMD/kestrel-quay"},
	} {
		for _, next := range want {
			select {
			case topic := <-heard[user]:
				if topic != next {
					t.Errorf("%s hears %s, want %s", user, topic, next)
				}
			case <-time.After(5 * time.Second):
				t.Errorf("%s doesn't hear %s", user, next)
			}
		}
	}
	for user, topics := range heard {
		if len(topics) > 0 {
			t.Errorf("%s also hears %s", user, <-topics)
		}
	}
}
