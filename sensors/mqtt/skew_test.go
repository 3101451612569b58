package mqtt

import (
	"strings"
	"testing"
	"time"
)

func TestSkew(t *testing.T) {
	const ms = time.Millisecond
	type message struct {
		at, delay time.Duration // of arrival, and of it behind the message's own time
		want      string        // part of the complaint; empty where it is taken
	}
	const ahead, behind = "ahead of this machine's clock, and max_skew is 1s; set the device's clock", "and none of its messages of late came faster"
	for _, c := range []struct {
		name     string
		stale    time.Duration
		messages []message
	}{
		{"a good clock", 0, []message{{0, 20 * ms, ""}, {1, 30 * ms, ""}}},
		{"a little ahead is no matter", 0, []message{{0, -999 * ms, ""}}},
		{"ahead", 0, []message{{0, -1500 * ms, "its time is 1.5s " + ahead}, {time.Second, -1500 * ms, ahead}, {2 * time.Second, 10 * ms, ""}}},
		{"behind from the first", 0, []message{{0, 3 * time.Second, "its time is 3s behind"}, {time.Second, 3100 * ms, behind}, {2 * time.Second, 2900 * ms, "its time is 2.9s behind"}}},
		{"held up once by the network", 0, []message{{0, 30 * ms, ""}, {3 * time.Second, 3 * time.Second, ""}, {4 * time.Second, 20 * ms, ""}}},
		{"set wrong while it runs: told once the good times are forgotten", 0, []message{
			{0, 20 * ms, ""}, {10 * time.Second, 4 * time.Second, ""}, {31 * time.Second, 4 * time.Second, ""}, {62 * time.Second, 4 * time.Second, "its time is 4s behind"}}},
		{"set right again", 0, []message{{0, 4 * time.Second, behind}, {time.Second, 20 * ms, ""}, {2 * time.Second, 20 * ms, ""}}},
		{"stale", 5 * time.Second, []message{{0, 20 * ms, ""}, {time.Second, 5500 * ms, "its time is 5.5s behind this machine's clock, and a reading older than 5s is stale"}}},
		{"an hour old", 0, []message{{0, 20 * ms, ""}, {time.Second, time.Hour + ms, "older than 1h0m0s is stale"}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			k := newSkew(time.Second)
			for i, m := range c.messages {
				arrived := arrivedAt + int64(m.at)
				err := k.judge(arrived-int64(m.delay), arrived, c.stale)
				if (err == nil) != (m.want == "") || err != nil && !strings.Contains(err.Error(), m.want) {
					t.Errorf("message %d: %v, want %q", i+1, err, m.want)
				}
			}
		})
	}
}
