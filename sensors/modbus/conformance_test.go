package modbus

import (
	"testing"
	"time"

	"gapward/sensors/sensortest"
)

func TestConformanceTCP(t *testing.T) { conform(t, false) }

func TestConformanceRTU(t *testing.T) { conform(t, true) }

func conform(t *testing.T, rtu bool) {
	sensortest.Run(t, func(t *testing.T) sensortest.Harness {
		d := newStandIn(t, rtu)
		channels := brakeChannels(5 * time.Millisecond)
		s, err := New("quay-io", d.device(), channels, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		return sensortest.Harness{
			Source:    s,
			Channels:  channels,
			Set:       d.set,
			Break:     d.close,
			Heal:      d.listen,
			Hang:      d.hang,
			Spoil:     d.spoil,
			Tolerance: 0.002, // a count is 10/4095 mm
		}
	})
}
