package configs

import (
	"bytes"
	"cmp"
	"fmt"
	"io"
	"math"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"gapward/sensors"
	"gapward/sensors/modbus"
)

// Report writes what a site file that is in order amounts to: what each bus is
// asked and how fast it could be, what resolution that gives each brake, and
// the notes. The error is that of the planner or of w.
func Report(w io.Writer, site *Site) error {
	buses, err := site.Buses()
	if err != nil {
		return fmt.Errorf("planning what is read: %w", err)
	}
	var b bytes.Buffer
	fmt.Fprintf(&b, "%s is in order: %s, %s and %s at %s.\n", site.file, count(len(site.Brakes), "brake"),
		count(len(site.Devices), "device"), count(len(site.Chains), "holding chain"), site.Name)
	for _, bus := range buses {
		reportBus(&b, bus)
	}
	reportTopics(&b, site)
	reportBrakes(&b, site, buses)
	if len(site.notes) > 0 {
		b.WriteString("\nNotes\n")
		for _, n := range site.notes {
			fmt.Fprintf(&b, "  %s\n", n)
		}
	}
	if _, err := w.Write(b.Bytes()); err != nil {
		return fmt.Errorf("writing the report: %w", err)
	}
	return nil
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// reportBus lists the requests of one bus and what they cost it.
func reportBus(b *bytes.Buffer, bus Bus) {
	p := bus.Plan
	fmt.Fprintf(b, "\n%s (%s)\n", p.Address, strings.Join(sortedNames(bus.Devices), ", "))
	if len(p.Requests) == 0 {
		b.WriteString("  nothing is read here\n")
		return
	}
	table := tabwriter.NewWriter(b, 0, 0, 2, ' ', 0)
	for i := range p.Requests {
		r := &p.Requests[i]
		fmt.Fprintf(table, "  every %s\t%s\t%s\n", span(r.Period), r, strings.Join(channelNames(r.Channels), ", "))
	}
	table.Flush()
	requests, bytes := p.Rate()
	fmt.Fprintf(b, "  %.0f requests and %.0f bytes a second\n", requests, bytes)
	if p.Load(0) == 0 {
		fmt.Fprintf(b, "  The wire sets no limit. To keep these periods the devices must answer within %s on average.\n", short(time.Duration(1e9*float64(p.InFlight)/requests)))
		return
	}
	if p.Load(0) == p.Load(modbus.AssumedTurnaround) {
		reportPace(b, p, "with the devices' turnaround", 0)
		return
	}
	reportPace(b, p, "with devices that answer at once", 0)
	reportPace(b, p, "with devices that take "+span(modbus.AssumedTurnaround), modbus.AssumedTurnaround)
}

// reportPace says how full a bus is, how fast it could be and how late its
// requests are at worst, with devices of an assumed turnaround.
func reportPace(b *bytes.Buffer, p modbus.Plan, with string, turnaround time.Duration) {
	load := 100 * p.Load(turnaround)
	fmt.Fprintf(b, "  %.0f %% of the bus's time %s", load, with)
	if fastest, ok := p.FastestPeriod(turnaround); ok {
		fmt.Fprintf(b, "; fastest possible period %s", short(fastest))
	}
	if worst, ok := p.Lateness(turnaround); ok {
		fmt.Fprintf(b, "; worst lateness %s", short(slices.Max(worst)))
	} else {
		b.WriteString("; these periods can't be kept")
	}
	b.WriteString("\n")
}

// channelNames says whose signals these are: "travel, drive of quay-2/main".
func channelNames(channels []sensors.Channel) []string {
	var names []string
	for i := 0; i < len(channels); {
		brake := channels[i].Brake
		var signals []string
		for ; i < len(channels) && channels[i].Brake == brake; i++ {
			name := channels[i].Signal.String()
			if part := channels[i].Part; part != sensors.OfValue {
				name += "'s " + string(part)
			}
			signals = append(signals, name)
		}
		names = append(names, listOf(signals, "and")+" of "+channels[i-1].Name)
	}
	return names
}

// reportTopics lists what is heard of each broker.
func reportTopics(b *bytes.Buffer, site *Site) {
	channels := site.Channels()
	for _, name := range sortedNames(site.Devices) {
		d := site.Devices[name]
		if d.MQTT == "" {
			continue
		}
		fmt.Fprintf(b, "\n%s (%s)\n", d.MQTT, name)
		table := tabwriter.NewWriter(b, 0, 0, 2, ' ', 0)
		heard := false
		for _, c := range channels {
			if c.Wiring.Device != name {
				continue
			}
			heard = true
			pace := "at the device's own pace"
			switch {
			case c.Wiring.AtLeastEvery > 0:
				pace = "when it changes, at least every " + span(c.Wiring.AtLeastEvery)
			case c.Wiring.ByException():
				pace = "when it changes"
			case c.Wiring.Poll > 0:
				pace = "every " + span(c.Wiring.Poll)
			}
			fmt.Fprintf(table, "  %s\t%s\t%s of %s\n", pace, topicPlace(c.Wiring), c.Signal, c.Name)
		}
		table.Flush()
		if !heard {
			b.WriteString("  nothing is read here\n")
			continue
		}
		reportBroker(b, d, channels, name)
	}
}

// topicPlace is where a value comes from: its topic, and the place in its
// payload if the site file names one.
func topicPlace(w sensors.Wiring) string {
	if w.Value == "" {
		return w.Topic
	}
	return w.Topic + " at " + w.Value
}

func onThisMachine(host string) bool {
	ip, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && ip.Unmap().IsLoopback()
}

// reportBroker says how the broker is trusted, whose clock counts, and what a
// kept session asks of the broker.
func reportBroker(b *bytes.Buffer, d sensors.Device, channels []sensors.Channel, name string) {
	trust := "without TLS: everybody on the way can read and change what is sent"
	if u, err := url.Parse(d.MQTT); err == nil && onThisMachine(u.Hostname()) {
		trust = "without TLS, and without need: the broker is on this machine"
	}
	if strings.HasPrefix(d.MQTT, "mqtts:") {
		trust = "over TLS, the broker vouched for by " + cmp.Or(d.CAFile, "the system's authorities")
		if d.CertFile != "" {
			trust += ", with our certificate " + d.CertFile
		}
	}
	fmt.Fprintf(b, "  %s\n", trust)
	var arrival, sender, either int
	perSecond, topics := 0.0, map[string]time.Duration{}
	for _, c := range channels {
		w := c.Wiring
		if w.Device != name {
			continue
		}
		switch {
		case w.Time == sensors.ArrivalTime || w.Value != "" && w.Time == "":
			arrival++
		case w.Time != "":
			sender++
		default:
			either++
		}
		pace := cmp.Or(w.Poll, w.AtLeastEvery, time.Second)
		if old, ok := topics[w.Topic]; !ok || pace < old {
			topics[w.Topic] = pace
		}
	}
	for _, pace := range topics {
		perSecond += 1 / pace.Seconds()
	}
	if sender+either > 0 {
		fmt.Fprintf(b, "  senders' clocks may be off by %s (max_skew); readings wait as long for each other\n", span(d.SkewLimit()))
	}
	if arrival > 0 {
		fmt.Fprintf(b, "  %s by time of arrival: what the network's delay varies by makes release and set times that much less sure\n", count(arrival, "signal"))
	}
	if d.KeepSession {
		after := max(sensors.DefaultMaxSkew, d.SkewLimit()) + 200*time.Millisecond // what the gateway waits, and its turns
		fmt.Fprintf(b, "  keeps a session: messages of QoS 1 are acknowledged once durable, about %s after they came. At rest %.0f wait then,\n"+
			"  and in a lift as many as come in that time: the broker must let that many be in flight (Mosquitto: max_inflight_messages, else 20)\n",
			span(after), math.Ceil(perSecond*after.Seconds()))
	}
}

// short rounds a duration to three figures.
func short(d time.Duration) string {
	if d <= 0 {
		return "0s"
	}
	step := math.Pow(10, math.Floor(math.Log10(float64(d)))-2)
	return span(time.Duration(math.Round(float64(d)/max(step, 1)) * max(step, 1)))
}
