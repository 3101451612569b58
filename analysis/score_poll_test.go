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

// next is the samples of the next poll. They are valid until the one after.
func (p *poller) next() []sensors.Sample {
	q := &p.f.poll
	base := takenFrom().UnixNano() + 1e9 + p.k*p.pollNS
	p.k++
	p.due = p.due[:0]
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
