package analysis_test

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"gapward/sensors"
	"gapward/simulator"
)

// takenFrom is when every scored history begins.
func takenFrom() time.Time { return time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC) }

// poller reads a simulated brake moment by moment, with all that polling does
// to its signals.
type poller struct {
	f      family
	plant  *simulator.Plant
	rng    *rand.Rand
	pollNS int64
	k      int64
	truth  []simulator.Truth
	due    []sensors.Sample // of the present poll, in the order of time
	sent   [2]sent          // what a device that reports by exception sent last: travel and drive
	spiked map[int64]bool   // times of the spikes
}

func newPoller(t testing.TB, f family, seed uint64, events ...simulator.Event) *poller {
	t.Helper()
	from := takenFrom()
	spec := simulator.BrakeSpec{Name: "a", Hoist: "h", Params: f.params(), Duty: f.duty()}
	stream, err := simulator.NewStream([]simulator.BrakeSpec{spec}, from, from.Add(time.Nanosecond), seed)
	if err != nil {
		t.Fatal(err)
	}
	p := &poller{f: f, spiked: map[int64]bool{}, rng: rand.New(rand.NewPCG(seed, 77)), pollNS: int64(f.poll.period)}
	stream.OnCycle(func(one simulator.Truth) { p.truth = append(p.truth, one) })
	for _, e := range events {
		e.Brake = "a"
		if err := stream.Apply(e); err != nil {
			t.Fatal(err)
		}
	}
	p.plant = stream.Plant()
	return p
}

// sent is a value and when it was sent.
type sent struct {
	value float64
	atNS  int64
}

// news sends what has changed by so much since it was last sent, or was sent
// too long ago.
func (p *poller) news(signal sensors.Signal, last *sent, value, change float64, atNS int64) {
	if math.Abs(value-last.value) < change && atNS-last.atNS < int64(p.f.poll.atLeastEvery) {
		return
	}
	*last = sent{value, atNS}
	p.due = append(p.due, sensors.Sample{AtNS: atNS, Signal: signal, Value: value})
}

// reported is what a device sends in the next period by exception. It looks at
// the probe once and tells the drive's edges with their own time.
func (p *poller) reported(baseNS int64) []sensors.Sample {
	q := &p.f.poll
	travel := math.Round(p.plant.Read(0, sensors.Travel, baseNS).Value*1e3/q.stepUM) * q.stepUM * 1e-3
	p.news(sensors.Travel, &p.sent[0], travel, q.onChangeUM*1e-3, baseNS)
	drive := func(atNS int64) float64 { return p.plant.Read(0, sensors.Drive, atNS).Value }
	lo, hi := baseNS, baseNS+p.pollNS-1
	if drive(lo) != drive(hi) {
		for old := drive(lo); hi-lo > 1000; {
			if mid := lo + (hi-lo)/2; drive(mid) == old {
				lo = mid
			} else {
				hi = mid
			}
		}
	}
	p.news(sensors.Drive, &p.sent[1], drive(hi), 0.5, hi)
	return p.due
}

// nowNS is when the next poll is due.
func (p *poller) nowNS() int64 { return takenFrom().UnixNano() + 1e9 + p.k*p.pollNS }

// next is the samples of the next poll. They are valid until the one after.
func (p *poller) next() []sensors.Sample {
	q := &p.f.poll
	base := p.nowNS()
	p.k++
	p.due = p.due[:0]
	if q.byException() {
		return p.reported(base)
	}
	late := int64(q.jitter * p.rng.Float64() * float64(p.pollNS))
	if p.rng.Float64() < q.lost {
		if p.rng.IntN(2) == 0 { // told by the source, or not even that
			p.due = append(p.due, sensors.Sample{AtNS: base + late, Signal: sensors.Travel, Quality: sensors.NoAnswer})
		}
		return p.due
	}
	at := base + late
	read := p.plant.Read(0, sensors.Travel, at)
	s := sensors.Sample{AtNS: at, Signal: sensors.Travel, Value: math.Round(read.Value*1e3/q.stepUM) * q.stepUM * 1e-3}
	switch {
	case read.Silent:
		return p.due
	case read.Broken, p.rng.Float64() < q.bad:
		s.Quality, s.Value = sensors.Bad, 0
	case p.rng.Float64() < q.spikes:
		s.Value += 4 * p.rng.NormFloat64()
		p.spiked[at] = true
	}
	p.due = append(p.due, s)
	at += int64(q.driveOffset)
	if !q.noDrive {
		p.due = append(p.due, sensors.Sample{AtNS: at, Signal: sensors.Drive, Value: p.plant.Read(0, sensors.Drive, at).Value})
	}
	if every := int64(5*time.Second) / p.pollNS; q.temperature && p.k%every == 0 {
		p.due = append(p.due, sensors.Sample{AtNS: at, Signal: sensors.Temperature, Value: p.plant.Read(0, sensors.Temperature, at).Value})
	}
	if q.withSwitch {
		v := p.plant.Read(0, sensors.Released, at).Value
		if q.switchStuck > 0 && at > takenFrom().UnixNano()+int64(q.switchStuck) {
			v = q.switchAt
		}
		p.due = append(p.due, sensors.Sample{AtNS: at, Signal: sensors.Released, Value: v})
	}
	return p.due
}
