package mqtt

import (
	"bytes"
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"gapward/sensors"
)

// arrivedAt is 2026-11-25T01:02:03.5Z.
const arrivedAt = int64(1795568523_500000000)

func travelChannel() sensors.Channel {
	return sensors.Channel{Brake: 3, Name: "quay-2/main", Signal: sensors.Travel,
		Wiring: sensors.Wiring{Topic: "quay/travel", Raw: []float64{0, 4095}, MM: []float64{0, 10}}}
}

func driveChannel() sensors.Channel {
	return sensors.Channel{Brake: 3, Name: "quay-2/main", Signal: sensors.Drive, Wiring: sensors.Wiring{Topic: "quay/drive"}}
}

func plainTravelChannel() sensors.Channel {
	c := travelChannel()
	c.Wiring.Raw, c.Wiring.MM = nil, nil
	return c
}

// decode takes a payload apart by a channel's own wiring.
func decode(payload []byte, c sensors.Channel, arrivedNS int64) (sensors.Sample, bool, error) {
	f, err := NewForm(c.Wiring)
	if err != nil {
		return sensors.Sample{}, false, err
	}
	return f.Decode(payload, c, arrivedNS)
}

func TestArrivedAt(t *testing.T) {
	if got := time.Unix(0, arrivedAt).UTC().Format(time.RFC3339Nano); got != "2026-11-25T01:02:03.5Z" {
		t.Fatalf("the tests' time of arrival is %s", got)
	}
}

func TestDecode(t *testing.T) {
	inverted := driveChannel()
	inverted.Wiring.Invert = true
	temperature := sensors.Channel{Brake: 1, Signal: sensors.Temperature, Wiring: sensors.Wiring{Topic: "quay/t", Raw: []float64{0, 100}, Deg: []float64{-20, 120}}}
	slow := travelChannel()
	slow.Wiring.StaleAfter = 5 * time.Hour
	for _, c := range []struct {
		name    string
		payload string
		channel sensors.Channel
		value   float64
		behind  time.Duration // of the sample's time behind arrival
		dated   bool
	}{
		{"plain number", "819", travelChannel(), 2, 0, false},
		{"line end", " 819 \r\n", travelChannel(), 2, 0, false},
		{"number without a scale", "-4.25e0", plainTravelChannel(), -4.25, 0, false},
		{"object without a time", `{"v":4095}`, travelChannel(), 10, 0, false},
		{"time null", `{"t":null,"v":4095}`, travelChannel(), 10, 0, false},
		{"other members", `{"id":{"v":[1]},"v":0,"V":7,"unit":"mm"}`, travelChannel(), 0, 0, false},
		{"a little beyond the range", "-100", travelChannel(), -100.0 / 4095 * 10, 0, false},
		{"members that look like others", `{"a":"\"v\":1,}","b":[{"v":[2]},"]"],"v" : 819 , "c":{"t":{}}}`, travelChannel(), 2, 0, false},
		{"RFC 3339", `{"t":"2026-11-25T01:02:03.25Z","v":819}`, travelChannel(), 2, 250 * time.Millisecond, true},
		{"RFC 3339, other offset", `{"t":"2026-11-25T02:02:03.499999999+01:00","v":819}`, travelChannel(), 2, 1, true},
		{"Unix seconds", `{"v":819,"t":1795568523}`, travelChannel(), 2, 500 * time.Millisecond, true},
		{"Unix seconds to the nanosecond", `{"v":819,"t":1795568523.499999999}`, travelChannel(), 2, 1, true},
		{"digits beyond the nanosecond", `{"v":819,"t":1795568523.4999999999}`, travelChannel(), 2, 1, true},
		{"Unix milliseconds", `{"v":819,"t":1795568523400}`, travelChannel(), 2, 100 * time.Millisecond, true},
		{"Unix milliseconds with decimals", `{"v":819,"t":1795568523400.25}`, travelChannel(), 2, 99750 * time.Microsecond, true},
		{"just ahead", `{"v":819,"t":1795568525.5}`, travelChannel(), 2, -2 * time.Second, true},
		{"an hour old", `{"v":819,"t":1795564923.5}`, travelChannel(), 2, time.Hour, true},
		{"older where that isn't stale", `{"v":819,"t":1795554123.5}`, slow, 2, 4 * time.Hour, true},
		{"drive one", "1", driveChannel(), 1, 0, false},
		{"drive false", `{"v":false}`, driveChannel(), 0, 0, false},
		{"inverted zero", "0", inverted, 1, 0, false},
		{"inverted true", "true", inverted, 0, 0, false},
		{"temperature", "50", temperature, 50, 0, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, dated, err := decode([]byte(c.payload), c.channel, arrivedAt)
			if err != nil {
				t.Fatal(err)
			}
			want := sensors.Sample{AtNS: arrivedAt - int64(c.behind), Value: got.Value, Brake: c.channel.Brake, Signal: c.channel.Signal}
			if got != want || dated != c.dated || math.Abs(got.Value-c.value) > 1e-12 {
				t.Errorf("got %+v, dated %v; want value %v, %v before arrival, dated %v", got, dated, c.value, c.behind, c.dated)
			}
		})
	}
}

func TestDecodeRefuses(t *testing.T) {
	huge := plainTravelChannel()
	huge.Wiring.Raw, huge.Wiring.MM = []float64{0, math.MaxFloat64}, []float64{-math.MaxFloat64, math.MaxFloat64}
	for _, c := range []struct {
		name    string
		payload string
		channel sensors.Channel
		want    string
	}{
		{"nothing", "", travelChannel(), "the payload is empty"},
		{"only spaces", " \n", travelChannel(), "the payload is empty"},
		{"a word", "offline", travelChannel(), `the payload "offline" is no JSON; it must be a number, true, false, or an object like {"t":"2026-11-25T01:02:03.5Z","v":4.25}`},
		{"on", "on", driveChannel(), `the payload "on" is no JSON`},
		{"NaN", "NaN", travelChannel(), `the payload "NaN" is no JSON`},
		{"infinity", "-Infinity", travelChannel(), `the payload "-Infinity" is no JSON`},
		{"decimal comma", "4,25", travelChannel(), `the payload "4,25" is no JSON`},
		{"leading zero", "007", travelChannel(), `the payload "007" is no JSON`},
		{"two values", "1 2", travelChannel(), `the payload "1 2" is no JSON`},
		{"text", `"819"`, travelChannel(), `its value "\"819\"" must be a number for travel`},
		{"array", `[819]`, travelChannel(), `its value "[819]" must be a number for travel`},
		{"NaN in an object", `{"v":NaN}`, travelChannel(), `is no JSON: invalid character 'N'`},
		{"object cut short", `{"v":81`, travelChannel(), "is no JSON: unexpected end of JSON input"},
		{"object cut after a value", `{"v":81,"t":12`, travelChannel(), "is no JSON: unexpected end of JSON input"},
		{"object without end", `{"v":81`, travelChannel(), "is no JSON: unexpected end of JSON input"},
		{"no colon", `{"v" 81}`, travelChannel(), "is no JSON: invalid character '8' after object key"},
		{"two objects", `{"v":1}{"v":2}`, travelChannel(), "is no JSON: invalid character '{' after top-level value"},
		{"no value", `{"value":1}`, travelChannel(), `has no value at /v: there is nothing there`},
		{"two values in an object", `{"v":1,"v":2}`, travelChannel(), `has no value at /v: "v" stands there twice`},
		{"two times", `{"t":1795568523,"v":1,"t":1795568524}`, travelChannel(), `has no time at /t: "t" stands there twice`},
		{"null", `{"v":null}`, travelChannel(), "its value is null: the device calls its own reading invalid"},
		{"plain null", `null`, driveChannel(), "its value is null: the device calls its own reading invalid"},
		{"text in an object", `{"v":"819"}`, travelChannel(), `its value "\"819\"" must be a number for travel`},
		{"true for travel", "true", travelChannel(), `its value "true" must be a number for travel`},
		{"half a drive", "0.5", driveChannel(), `its value "0.5" must be 0, 1, true or false for drive`},
		{"drive of two", `{"v":2}`, driveChannel(), `its value "2" must be 0, 1, true or false for drive`},
		{"drive as text", `{"v":"true"}`, driveChannel(), `its value "\"true\"" must be 0, 1, true or false for drive`},
		{"too large a number", "1e999", plainTravelChannel(), `its value "1e999" is no finite number`},
		{"infinite once scaled", "1e300", huge, `its value "1e300" is in doubt: it is not a number`},
		{"above the raw range", "4200", travelChannel(), `its value "4200" is in doubt: it lies outside of the scale`},
		{"below the raw range", `{"v":-103}`, travelChannel(), `its value "-103" is in doubt: it lies outside of the scale`},
		{"microseconds", `{"v":819,"t":1795568523500000}`, travelChannel(), "is no Unix time in seconds or milliseconds"},
		{"time of no zone", `{"v":819,"t":"2026-11-25T01:02:03"}`, travelChannel(), "is no RFC 3339 time between 1970 and 2261"},
		{"time of year 9999", `{"v":819,"t":"9999-11-25T01:02:03Z"}`, travelChannel(), "is no RFC 3339 time between 1970 and 2261"},
		{"time as truth", `{"v":819,"t":true}`, travelChannel(), `its time "true" is neither RFC 3339 nor plain Unix seconds or milliseconds`},
		{"time with an exponent", `{"v":819,"t":1.7e9}`, travelChannel(), "is neither RFC 3339 nor plain"},
		{"time of many digits", `{"v":819,"t":99999999999999999999}`, travelChannel(), "is neither RFC 3339 nor plain"},
		{"negative time", `{"v":819,"t":-5}`, travelChannel(), "is neither RFC 3339 nor plain"},
		{"long", strings.Repeat(" ", maxPayload) + "1", travelChannel(), "the payload has more than the 16384 bytes that a reading may have"},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, dated, err := decode([]byte(c.payload), c.channel, arrivedAt)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("error is %v, want one with %q", err, c.want)
			}
			want := sensors.Sample{AtNS: arrivedAt, Brake: c.channel.Brake, Signal: c.channel.Signal, Quality: sensors.Bad}
			if got != want || dated {
				t.Errorf("got %+v, dated %v; want a bad sample at arrival", got, dated)
			}
		})
	}
}

func TestARefusedValueKeepsItsTime(t *testing.T) {
	got, dated, err := decode([]byte(`{"t":"2026-11-25T01:02:03.25Z","v":null}`), travelChannel(), arrivedAt)
	at, parseErr := time.Parse(time.RFC3339, "2026-11-25T01:02:03.25Z")
	if parseErr != nil {
		t.Fatal(parseErr)
	}
	want := sensors.Sample{AtNS: at.UnixNano(), Brake: travelChannel().Brake, Signal: sensors.Travel, Quality: sensors.Bad}
	if err == nil || !dated || got != want {
		t.Errorf("got %+v, dated %v, error %v; want %+v", got, dated, err, want)
	}
}

// FuzzDecode holds that whatever arrives makes either a good sample with a
// finite value, which is in the payload at the place that was named, or a bad
// one with an error.
func FuzzDecode(f *testing.F) {
	for _, s := range []string{"819", "true", `{"t":"2026-11-25T01:02:03.25Z","v":819}`, `{"v":819,"t":1795568523400.25}`, `{"v":null}`, `{"a":[{}],"v":1e3}`,
		`{"sensors":[{"mm":819},{"on":true}],"ts":1795568523.5}`, `{"sensors":{"0":{"mm":1}},"ts":"2026-11-25T01:02:03Z"}`} {
		f.Add([]byte(s))
	}
	deep := travelChannel()
	deep.Wiring.Value, deep.Wiring.Time = "/sensors/0/mm", "/ts"
	f.Fuzz(func(t *testing.T, payload []byte) {
		for _, c := range []sensors.Channel{travelChannel(), driveChannel(), plainTravelChannel(), deep} {
			s, dated, err := decode(payload, c, arrivedAt)
			if s.Brake != c.Brake || s.Signal != c.Signal {
				t.Fatalf("%q becomes a sample of another channel: %+v", payload, s)
			}
			if err != nil {
				if s.Quality != sensors.Bad || s.Value != 0 || !dated && s.AtNS != arrivedAt || s.AtNS < 0 {
					t.Fatalf("%q is refused (%v) but becomes %+v", payload, err, s)
				}
				continue
			}
			if bytes.HasPrefix(bytes.TrimSpace(payload), []byte("{")) && c.Wiring.Value == "" {
				var object map[string]any
				if err := json.Unmarshal(payload, &object); err != nil || object["v"] == nil {
					t.Fatalf("%q is taken, though it is %v, %v", payload, object, err)
				}
			}
			if s.Quality != sensors.Good || math.IsNaN(s.Value) || math.IsInf(s.Value, 0) || c.Signal.Binary() && s.Value != 0 && s.Value != 1 {
				t.Fatalf("%q becomes %+v", payload, s)
			}
			if !dated && s.AtNS != arrivedAt || dated && s.AtNS < 0 || c.Wiring.Time != "" && !dated {
				t.Fatalf("%q has the time %d, dated %v; it arrived at %d", payload, s.AtNS, dated, arrivedAt)
			}
		}
	})
}

func TestValuesAtTheirPlace(t *testing.T) {
	const payload = `{"ts":1795568523.25,"sensors":[{"mm":819,"on":true},{"mm":null}],"a/b":{"~":0}}`
	for _, c := range []struct {
		value, at string
		signal    sensors.Signal
		want      float64
		behind    time.Duration
		err       string
	}{
		{"/sensors/0/mm", "/ts", sensors.Travel, 2, 250 * time.Millisecond, ""},
		{"/sensors/0/mm", "", sensors.Travel, 2, 0, ""},
		{"/sensors/0/mm", "arrival", sensors.Travel, 2, 0, ""},
		{"/sensors/0/on", "/ts", sensors.Drive, 1, 250 * time.Millisecond, ""},
		{"/a~1b/~0", "", sensors.Drive, 0, 0, ""},
		{"/sensors/1/mm", "/ts", sensors.Travel, 0, 0, "its value is null"},
		{"/sensors/2/mm", "/ts", sensors.Travel, 0, 0, `has no value at /sensors/2/mm: there is nothing there: it ends before "/2/mm"`},
		{"/sensors/0/mm", "/time", sensors.Travel, 0, 0, "has no time at /time: there is nothing there"},
		{"/sensors/0/mm", "/sensors/1/mm", sensors.Travel, 0, 0, "has no time at /sensors/1/mm: it is null"},
		{"/sensors", "/ts", sensors.Travel, 0, 0, "must be a number for travel"},
	} {
		ch := travelChannel()
		if c.signal == sensors.Drive {
			ch = driveChannel()
		}
		ch.Wiring.Value, ch.Wiring.Time = c.value, c.at
		s, dated, err := decode([]byte(payload), ch, arrivedAt)
		if c.err != "" {
			if err == nil || !strings.Contains(err.Error(), c.err) {
				t.Errorf("value %s, time %s: %v, want %s", c.value, c.at, err, c.err)
			}
			continue
		}
		if err != nil || s.Value != c.want || s.AtNS != arrivedAt-int64(c.behind) || dated != (c.behind > 0) {
			t.Errorf("value %s, time %s: %+v, dated %v, %v; want %v, %v ago", c.value, c.at, s, dated, err, c.want, c.behind)
		}
	}
	// A clock that isn't to be trusted can be left alone.
	ch := travelChannel()
	ch.Wiring.Time = sensors.ArrivalTime
	if s, dated, err := decode([]byte(`{"t":12,"v":819}`), ch, arrivedAt); err != nil || dated || s.AtNS != arrivedAt {
		t.Errorf("with the time of arrival: %+v, %v, %v", s, dated, err)
	}
}

func TestFormsThatMakeNoSense(t *testing.T) {
	for _, c := range []struct{ value, at, want string }{
		{"v", "", `value: the pointer "v" must begin with a slash`},
		{"/v", "t", `time: the pointer "t" must begin with a slash`},
		{"/~", "", "value: the pointer \"/~\" has a ~ that is neither"},
		{"", "/t", "time names a place in the payload and value doesn't"},
		{"/a", "/a", "are one place, or one is part of the other"},
		{"/a/b", "/a", "are one place, or one is part of the other"},
		{strings.Repeat("/a", 33), "", "is 33 levels deep; at most 32 are followed"},
	} {
		if _, err := NewForm(sensors.Wiring{Value: c.value, Time: c.at}); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("value %s, time %s: %v, want %s", c.value, c.at, err, c.want)
		}
	}
}

func BenchmarkDecode(b *testing.B) {
	payload := []byte(`{"t":"2026-11-25T01:02:03.25Z","v":819}`)
	c := travelChannel()
	form, err := NewForm(c.Wiring)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, _, err := form.Decode(payload, c, arrivedAt); err != nil {
			b.Fatal(err)
		}
	}
}
