package notify

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"gapward/alerts"
	"gapward/analysis"
)

// told is an event as it happens, and what of it people must be able to read.
type told struct {
	event    alerts.Event
	value, u float64
	reads    []string // value with its expanded uncertainty, limit
}

// everyCondition has each condition there is, with figures of its kind. What
// they read as is worked by hand: twice the standard uncertainty, rounded up.
func everyCondition() []told {
	none := math.NaN()
	figures := map[string]told{
		"mm":   {value: 2.84, u: 0.03, reads: []string{"2.84 ± 0.06 mm", "limit 2.80 mm"}},
		"s":    {value: 0.2623, u: 0.004, reads: []string{"262 ± 8 ms", "limit 250 ms"}},
		"long": {value: 65, u: none, reads: []string{"65 s", "limit 5 s"}},
		"d":    {value: 5.04, u: none, reads: []string{"5 days", "limit 7 days"}},
		"":     {value: none, u: none},
	}
	limits := map[string]float64{"mm": 2.8, "s": 0.25, "long": 5, "d": 7, "": none}
	kinds := map[analysis.Condition]string{
		analysis.GapAdjust: "mm", analysis.GapMax: "mm", analysis.GapLow: "mm", analysis.GapStep: "mm",
		analysis.NotReleased: "s", analysis.NotSet: "s", analysis.SlowRelease: "s", analysis.SlowSet: "s",
		analysis.SignalStale: "long", alerts.DeviceSilent: "long", analysis.ForecastDue: "d",
	}
	since := time.Date(2026, 11, 25, 1, 2, 3, 0, time.UTC)
	conditions := append(append([]analysis.Condition{}, analysis.Conditions()...), alerts.DeviceSilent, alerts.AlarmFlood, alerts.UrgentFlood)
	var all []told
	for _, c := range conditions {
		kind := kinds[c]
		one := figures[kind]
		one.event = alerts.Event{AtNS: since.Add(time.Minute).UnixNano(), SinceNS: since.UnixNano(), Brake: "quay-2/main", Condition: c, Change: alerts.Raised,
			State: alerts.Unacknowledged, Value: one.value, U: one.u, Limit: limits[kind], Unit: kind}
		switch c {
		case alerts.DeviceSilent:
			one.event.Brake, one.event.Device = "", "quay-io"
		case alerts.AlarmFlood, alerts.UrgentFlood:
			one.event.Brake, one.event.Detail = "", "Besides those told one by one, 2 summed up so far: Brake does not set: quay-2/creep, quay-2/main"
		case analysis.GatewayFault:
			one.event.Brake = ""
		case analysis.SignalStale, analysis.SignalFault:
			one.event.Signal = "travel"
		}
		if kind == "long" {
			one.event.Unit = "s"
		}
		all = append(all, one)
	}
	return all
}

// about is the subject of a notice; a flood is of many, which its detail names.
func (w told) about() string {
	if w.event.Condition == alerts.AlarmFlood || w.event.Condition == alerts.UrgentFlood {
		return w.event.Detail
	}
	return alerts.Subject(w.event)
}

// must lists what a notice has to say: condition, brake, value ± U, limit, since
// when, what to do first, the cautions, and where more is to be seen.
func (w told) must(link string) []string {
	want := []string{alerts.Title(w.event.Condition), w.about(), "since 2026-11-25 01:02:03 UTC", alerts.FirstStep(w.event.Condition), link}
	return append(append(want, w.reads...), alerts.Cautions()...)
}

// Every notice of every condition says all of it, by whichever way it goes.
func TestEveryNoticeSaysWhatItMust(t *testing.T) {
	const link = "https://quay-gateway.example:8480/brake/quay-2/main"
	all := everyCondition()
	if len(all) < 18 {
		t.Fatalf("only %d conditions", len(all))
	}
	var notices []Notice
	for i, w := range all {
		notices = append(notices, Notice{ID: int64(i + 1), Event: w.event, Site: "Kestrel Quay", Link: link})
	}

	far := startReceiver(t)
	box := startMailbox(t, true, false)
	broker := startMochi(t)
	heard := listen(t, broker, "edge", "s3cret", "quay/notices")
	hook := startWebhook(t, WebhookSettings{URL: far.URL, SecretFile: secretFile(t, "s3cret")})
	publish, err := NewMQTT(MQTTSettings{URL: "mqtt://" + broker, Topic: "quay/notices", User: "edge", PasswordFile: secretFile(t, "s3cret")})
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range []Notifier{hook, startMail(t, box, MailSettings{}), publish} {
		if err := n.Notify(t.Context(), notices); err != nil {
			t.Fatalf("%s: %v", n.Name(), err)
		}
	}
	mails := box.take()
	if len(far.bodies) != len(all) || len(mails) != len(all) {
		t.Fatalf("of %d notices %d came by webhook and %d by mail", len(all), len(far.bodies), len(mails))
	}
	for i, w := range all {
		_, subject, body := parsed(t, mails[i])
		text := strings.Join(strings.Fields(subject+" "+body), " ")
		for _, want := range append(w.must(link), "Kestrel Quay") {
			if !strings.Contains(text, want) {
				t.Errorf("the mail of %s doesn't say %q:\n%s", w.event.Condition, want, text)
			}
		}
		want := "Kestrel Quay: " + alerts.Title(w.event.Condition)
		if w.about() == alerts.Subject(w.event) {
			want = "Kestrel Quay: " + alerts.Subject(w.event) + ": " + alerts.Title(w.event.Condition)
		}
		if subject != want {
			t.Errorf("the subject is %q, want %q", subject, want)
		}
		saysAll(t, "webhook", far.bodies[i], w, link)
		select {
		case body := <-heard:
			saysAll(t, "MQTT", string(body), w, link)
		case <-time.After(30 * time.Second):
			t.Fatalf("%s was not heard by MQTT", w.event.Condition)
		}
	}
}

// saysAll checks a notice for machines: in words and as figures.
func saysAll(t *testing.T, way, body string, w told, link string) {
	t.Helper()
	var got struct {
		Condition, Brake, Device, Unit, Site, Title, Message, Link, Since, Key string
		FirstStep                                                              string `json:"first_step"`
		Value, U, Limit                                                        *float64
		Cautions                                                               []string
	}
	if err := json.Unmarshal([]byte(body), &got); err != nil {
		t.Fatalf("%v in %s", err, body)
	}
	text := strings.Join(append([]string{got.Title, got.Message, got.FirstStep, got.Link}, got.Cautions...), "\n")
	for _, want := range w.must(link) {
		if !strings.Contains(text, want) {
			t.Errorf("the notice of %s by %s doesn't say %q: %s", w.event.Condition, way, want, body)
		}
	}
	number := func(name string, got *float64, want float64) {
		t.Helper()
		if (got == nil) != math.IsNaN(want) || got != nil && math.Abs(*got-want) > 1e-9 {
			t.Errorf("by %s, %s: %s is %v, want %v", way, w.event.Condition, name, got, want)
		}
	}
	number("value", got.Value, w.event.Value)
	number("u", got.U, w.event.U)
	number("limit", got.Limit, w.event.Limit)
	if got.Condition != string(w.event.Condition) || got.Brake != w.event.Brake || got.Device != w.event.Device || got.Unit != w.event.Unit ||
		got.Site != "Kestrel Quay" || got.Since != "2026-11-25T01:02:03Z" || got.Link != link || got.Key == "" {
		t.Errorf("by %s: %s", way, body)
	}
}
