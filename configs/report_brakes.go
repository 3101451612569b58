package configs

import (
	"bytes"
	"fmt"
	"math"
	"slices"
	"text/tabwriter"
	"time"

	"gapward/sensors"
	"gapward/sensors/modbus"
)

// reportBrakes says how finely each brake is measured.
func reportBrakes(b *bytes.Buffer, site *Site, buses []Bus) {
	b.WriteString("\nBrakes\n")
	table := tabwriter.NewWriter(b, 0, 0, 2, ' ', 0)
	settings := site.AnalysisSettings()
	wired, skews := false, skewsOf(buses)
	for i, brake := range site.Brakes {
		if len(brake.Signals) == 0 {
			fmt.Fprintf(table, "  %s\tno signals\tjudged by hand readings alone, see gapward enter reading --help\n", brake.Name)
			continue
		}
		wired = true
		travel := "no travel probe"
		if s := settings[i].Travel; s.Present {
			travel = "step of the travel unknown"
			if s.ResolutionMM > 0 {
				travel = fmt.Sprintf("travel in steps of %.3g µm", 1e3*s.ResolutionMM)
			}
		}
		fmt.Fprintf(table, "  %s\t%s\t%s\t%s\n", brake.Name, travel, skew(brake, int32(i), buses, skews), releaseResolution(brake, buses))
	}
	table.Flush()
	if !wired {
		return
	}
	b.WriteString("  (u: standard uncertainty of one cycle's release time when its edges are only known to lie between two polls;\n" +
		"  the release curve that is learned over cycles makes it less. From drive: what lies at most between the readings\n" +
		"  of the two; each reading has its own time, so that it is known and taken out)\n")
}

// releaseResolution says how well polling alone can tell a release time: each
// of its two ends lies anywhere between two polls, or within one step of the
// device's clock where that stamps it.
//
// On a serial line that is too slow the polls that are left count.
func releaseResolution(b Brake, buses []Bus) string {
	drive, hasDrive := b.wiring(sensors.Drive)
	end, hasEnd := b.wiring(sensors.Travel)
	if !hasEnd {
		end, hasEnd = b.wiring(sensors.Released)
	}
	switch {
	case !hasDrive:
		return "no release time without a drive signal"
	case !hasEnd:
		return "no release time without travel or a release switch"
	}
	if told, ok := b.wiring(sensors.ReleaseTime); ok {
		return fmt.Sprintf("release time as the device measures it, u %s", short(time.Duration(1e9*timeUS(told))))
	}
	variance, byArrival := 0.0, false
	for _, w := range []sensors.Wiring{drive, end} {
		byArrival = byArrival || w.Topic != "" && (w.Time == sensors.ArrivalTime || w.Value != "" && w.Time == "")
		if w.ByException() {
			continue // an edge then has its message's time
		}
		if w.Stamp != nil {
			variance += math.Pow(float64(modbus.EdgeSD(w.Stamp.Step)), 2)
			continue
		}
		if w.Poll == 0 {
			return "release time as exact as the messages are frequent"
		}
		variance += math.Pow(float64(modbus.EdgeSD(realPeriod(w, buses))), 2)
	}
	if byArrival {
		return "release time as exact as the network's delay is even"
	}
	if variance == 0 {
		return "release time as exact as the device's messages"
	}
	return "release time u " + short(time.Duration(math.Sqrt(variance)))
}

// skewsOf are what lies between drive and travel of the brakes on each bus, with
// devices of the turnaround that is known or usual.
func skewsOf(buses []Bus) []map[int32]modbus.Skew {
	list := make([]map[int32]modbus.Skew, len(buses))
	for i, b := range buses {
		list[i] = b.Plan.Skews(modbus.AssumedTurnaround)
	}
	return list
}

// skew says how far apart a brake's drive and travel are read.
func skew(b Brake, index int32, buses []Bus, skews []map[int32]modbus.Skew) string {
	drive, hasDrive := b.wiring(sensors.Drive)
	travel, hasTravel := b.wiring(sensors.Travel)
	switch {
	case !hasDrive || !hasTravel:
		return ""
	case drive.Topic != "" || travel.Topic != "":
		return "travel and drive at their messages' times"
	}
	for i, of := range skews {
		s, ok := of[index]
		if !ok {
			continue
		}
		switch {
		case s.Requests == 0:
			return "travel and drive in one request"
		case drive.Poll == travel.Poll && buses[i].Plan.Load(modbus.AssumedTurnaround) == 0:
			return fmt.Sprintf("travel %s from drive", count(s.Requests, "round trip"))
		case s.Apart > 0:
			return fmt.Sprintf("travel %s from drive", short(s.Apart))
		}
	}
	// Neither waits for the other: of the more frequent there is always one
	// within half its period.
	return fmt.Sprintf("travel up to %s from drive", short(min(drive.Poll, travel.Poll)/2))
}

// realPeriod is how often a signal is really read.
func realPeriod(w sensors.Wiring, buses []Bus) time.Duration {
	at := slices.IndexFunc(buses, func(b Bus) bool { _, ok := b.Devices[w.Device]; return ok })
	if at < 0 {
		return w.Poll
	}
	return time.Duration(float64(w.Poll) * max(1, buses[at].Plan.Load(0)))
}
