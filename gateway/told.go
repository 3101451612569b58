package gateway

import (
	"context"
	"slices"
	"strings"
	"time"

	"gapward/alerts"
	"gapward/configs"
	"gapward/gateway/store"
)

// told is what the page reads: the store, and the gateway's own alarm as it is
// now. That the store takes nothing can't be read from the store.
type told struct {
	*store.DB
	watch *watch
}

// ActiveAlarms reads the latest event of every alarm that isn't normal.
func (t told) ActiveAlarms(ctx context.Context) ([]store.AlarmRow, error) {
	rows, err := t.DB.ActiveAlarms(ctx)
	own, ok := t.watch.ownAlarm()
	if err != nil || !ok {
		return rows, err
	}
	rows = slices.DeleteFunc(rows, func(r store.AlarmRow) bool { return r.Key() == own.Key() })
	if own.State != alerts.Normal {
		rows = append(rows, store.AlarmRow{Event: own})
	}
	return rows, nil
}

// pollsWithin is how long a source may be quiet before its poll loop is taken
// for stuck, 0 where nothing can be said: what a broker passes on is sent when
// its sender likes. A poll loop sends also that its device doesn't answer.
func pollsWithin(site *configs.Site, source string) time.Duration {
	devices := strings.Split(source, "+") // on one line
	slowest := time.Duration(0)
	for _, c := range site.Channels() {
		if slices.Contains(devices, c.Wiring.Device) {
			slowest = max(slowest, c.Wiring.Poll)
		}
	}
	for _, device := range devices {
		if d, ok := site.Devices[device]; !ok || d.MQTT != "" {
			return 0
		}
	}
	return time.Minute + 3*slowest
}
