package commission

import (
	"fmt"
	"math"
	"slices"
	"time"

	"gapward/sensors"
)

// What is asked of every channel.
const (
	mostLost   = 0.05 // of the polls may go unanswered
	mostBad    = 0.02 // of the readings may be refused by their own sensor
	mostSlower = 1.5  // times the configured period may pass between readings on average
	fewest     = 20   // readings, for anything to be said of a polled channel
)

// samplingRate is the check of how often a channel is read.
const samplingRate = "sampling rate"

// answering checks whether a channel answers, and how fast.
func (v *view) answering(e evidence, index int) {
	good, bad, silent := v.counts()
	bad = max(0, bad-e.stamps[index].unstamped())
	total := good + bad + silent
	v.report.figure("readings", float64(good), "")
	v.report.figure("readings_bad", float64(bad), "")
	v.report.figure("polls_unanswered", float64(silent), "")
	low, high := v.rawSpan()
	v.report.figure("raw_lowest", low, "")
	v.report.figure("raw_highest", high, "")

	device, refused := v.c.Wiring.Device, e.refusals[index]
	found := fmt.Sprintf("%d of %s brought a value", good, plural(total, "reading"))
	why := ""
	if err := e.failures[device]; err != nil {
		why = ": " + err.Error()
	}
	t := e.troubles[index]
	switch {
	case good == 0 && v.heardNothing(t, found):
	case float64(bad) > mostBad*float64(total) && v.disturbed(t, found):
	case total == 0:
		v.report.fail("answers", "nothing came", "the device publishes nothing there, or under another topic: "+where(v.c.Wiring),
			"Compare the topic with what the device publishes, letter by letter, and look whether the broker lets gapward read it.")
	case good == 0 && refused != nil:
		v.report.fail("answers", found, fmt.Sprintf("wrong register: the device has nothing at %s (%v)", where(v.c.Wiring), refused),
			"Compare table and address with the device's list. Addresses here count from 0: number 30001 of the list is input 0, 40001 is holding 0.")
	case good == 0 && bad == 0:
		v.report.fail("answers", found, "the device is dead or out of reach"+why,
			"Look at its supply, the cable, address, unit and, on a serial line, rate, parity, termination and polarity.")
	case good == 0:
		v.report.fail("answers", found, "every reading is invalid by the sensor's own word, or no number: a broken wire, or another type or word order", "Look at the probe's wiring, and compare type and word order with the device's list.")
	case float64(silent) > mostLost*float64(total):
		v.report.fail("answers", found, fmt.Sprintf("%.0f %% of the answers are lost%s", 100*float64(silent)/float64(total), why),
			"Look for a second master, a bad cable or termination, or a timeout shorter than the device's answer takes.")
	case float64(bad) > mostBad*float64(total):
		v.report.fail("answers", found, fmt.Sprintf("%.0f %% of the readings are invalid by the sensor's own word", 100*float64(bad)/float64(total)),
			"Look for a loose contact at the probe and for a probe at the end of its range.")
	default:
		v.report.pass("answers", found)
	}
	v.answers = good >= fewest || good > 0 && v.c.Wiring.ByException()
	if v.answers {
		v.rate()
	} else if good > 0 {
		v.report.open(samplingRate, fmt.Sprintf("only %s", plural(good, "reading")), "Watch for longer.")
	}
}

// rate checks how often a channel is really read.
func (v *view) rate() {
	var at []int64
	for _, r := range v.raw {
		if r.quality != sensors.NoAnswer {
			at = append(at, r.atNS)
		}
	}
	if len(at) < 2 {
		return
	}
	gaps := make([]float64, len(at)-1)
	for i := range gaps {
		gaps[i] = float64(at[i+1]-at[i]) * 1e-6
	}
	mean := float64(at[len(at)-1]-at[0]) * 1e-6 / float64(len(gaps))
	late := quantile(gaps, 0.99)
	v.report.figure("period_mean", mean, "ms")
	v.report.figure("period_p99", late, "ms")
	w := v.c.Wiring
	found := fmt.Sprintf("every %.1f ms on average, 99 %% within %.1f ms", mean, late)
	switch want := w.Poll; {
	case w.AtLeastEvery > 0:
		longest := time.Duration(slices.Max(gaps) * 1e6)
		found = fmt.Sprintf("told of %s, the longest silence %s", plural(len(at), "reading"), longest.Round(time.Millisecond))
		if longest > w.AtLeastEvery*3/2+500*time.Millisecond {
			v.report.fail(samplingRate, found, fmt.Sprintf("too slow: silent for longer than at_least_every, %s", w.AtLeastEvery), "Set the device to report at least that often, or correct the site file.")
			return
		}
		v.report.pass(samplingRate, found)
	case want <= 0 || w.ByException():
		v.report.pass(samplingRate, found+" (the device sets the pace)")
	case mean > mostSlower*float64(want)*1e-6:
		v.report.fail(samplingRate, found, fmt.Sprintf("too slow: %s was asked for", want),
			"The device or the line can't keep up: write a longer poll, put signals into neighbouring registers, or raise the line's rate. Devices at one address wait for each other. gapward check shows what a line allows.")
	default:
		v.report.pass(samplingRate, found+fmt.Sprintf(", asked for every %s", want))
	}
}

// temperature checks a thermometer as far as it can be by itself.
func (b *brake) temperature() {
	v := b.warmth
	if v == nil || !v.answers {
		return
	}
	level, noise := median(v.series.v), scatter(v.series.v)
	v.report.figure("temperature", level, "°C")
	found := fmt.Sprintf("%.1f °C", level)
	switch {
	case math.IsNaN(level) || float64(v.outside) > mostBad*float64(len(v.raw)):
		v.report.fail("plausible", fmt.Sprintf("%s of %d outside of the scale", plural(v.outside, "reading"), len(v.raw)), "another register, type or scale, or a broken sensor", "Compare with the device's list.")
	case level < -40 || level > 150:
		v.report.fail("plausible", found, "no temperature of a brake: wrong scale, type or register", "Compare raw counts and scale with the device's list.")
	case v.agrees(b.drive, b.guard) || v.agrees(b.travel, b.guard) || v.agrees(b.released, b.guard):
		v.report.fail("plausible", found+", jumping with the drive", "another signal's register: a temperature doesn't follow the drive at once", "Compare the address with the device's list.")
	case noise > 5:
		v.report.fail("plausible", fmt.Sprintf("%s, scattering by %.1f K", found, noise), "another signal's register, or a noisy sensor", "Compare the address with the device's list.")
	default:
		v.report.pass("plausible", found)
	}
}
