package gateway

import (
	"context"
	"errors"
	"fmt"
	"net/url"

	"gapward/alerts/notify"
	"gapward/configs"
	"gapward/gateway/export"
	"gapward/gateway/store"
)

// notifiers makes a sink of each way in which the site file wants people to be
// told of alarms. A notifier follows the store like any exporter.
func notifiers(site *configs.Site, pageAddr string) (list []export.Sink, err error) {
	for i, s := range site.Notify {
		n, err := notify.New(s)
		if err != nil {
			return nil, fmt.Errorf("notify[%d]: %w", i, err)
		}
		list = append(list, export.NewAlarmSink("notify-"+n.Name(), func(ctx context.Context, rows []store.AlarmRow) error {
			notices := make([]notify.Notice, len(rows))
			for i, r := range rows {
				notices[i] = notify.Notice{ID: r.ID, Event: r.Event, Site: site.Name, Link: pageLink(pageAddr, r.Brake)}
			}
			return asDelivery(n.Notify(ctx, notices))
		}))
	}
	return list, nil
}

func pageLink(addr, brake string) string {
	u := url.URL{Scheme: "http", Host: addr, Path: "/"}
	if brake != "" {
		u.Path = "/brake/" + brake
	}
	return u.String()
}

// asDelivery puts a notifier's error into the words of the delivery loop.
func asDelivery(err error) error {
	var e *notify.Error
	switch {
	case !errors.As(err, &e):
		return err
	case e.Permanent:
		return &export.Refused{Err: err}
	case e.RetryAfter > 0:
		return &export.Busy{Err: err, After: e.RetryAfter}
	}
	return err
}
