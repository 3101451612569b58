package gateway

import (
	"context"
	"log/slog"
	"strings"
	"testing"
	"time"

	"gapward/sensors"
)

// lingering is a device that goes on for some time after it was told to stop.
type lingering struct {
	paced
	ended chan struct{}
}

func (l *lingering) Run(ctx context.Context, out chan<- []sensors.Sample) error {
	defer close(l.ended)
	stopped := time.Time{}
	for stopped.IsZero() || time.Since(stopped) < 7*time.Second {
		if ctx.Err() != nil && stopped.IsZero() {
			stopped = time.Now()
		}
		out <- []sensors.Sample{{AtNS: time.Now().UnixNano(), Signal: sensors.Travel, Value: 1}}
		time.Sleep(time.Millisecond)
	}
	return nil
}

// A source that doesn't end when it is told to is said to, and is waited for no
// longer; what it still sends brings nothing down.
func TestALingeringSourceDoesNoHarm(t *testing.T) {
	l := newLife(t, 24)
	l.site.Data, l.site.Page.Listen = t.TempDir(), "127.0.0.1:0"
	device := &lingering{ended: make(chan struct{})}
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	started, ended := make(chan string, 1), make(chan error, 1)
	go func() {
		ended <- Run(ctx, l.site, Options{Log: slog.New(slog.NewTextHandler(t.Output(), nil)), Started: func(a string) { started <- a },
			Sources: func(sensors.Watcher) ([]sensors.Source, error) { return []sensors.Source{device}, nil }})
	}()
	select {
	case <-started:
	case err := <-ended:
		t.Fatalf("it ended at once: %v", err)
	}
	stop()
	if err := <-ended; err == nil || !strings.Contains(err.Error(), "stopping sources: it did not end in time") {
		t.Errorf("stopped with %v", err)
	}
	<-device.ended
}
