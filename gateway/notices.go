package gateway

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"

	"gapward/alerts"
	"gapward/alerts/notify"
	"gapward/configs"
	"gapward/gateway/export"
	"gapward/gateway/page"
	"gapward/gateway/store"
)

// notifiers makes a sink of each way in which the site file wants people to be
// told of alarms. A notifier follows the store like any exporter, and leaves out
// what people aren't told, see [alerts.Told].
func notifiers(site *configs.Site, base string) (list []export.Sink, err error) {
	for i, s := range site.Notify {
		n, err := notify.New(s)
		if err != nil {
			return nil, fmt.Errorf("notify[%d]: %w", i, err)
		}
		list = append(list, export.NewAlarmSink(cursorName(n.Name(), s.Escalation), func(ctx context.Context, rows []store.AlarmRow) error {
			var notices []notify.Notice
			for _, r := range rows {
				if !alerts.Told(r.Event, s.Escalation) {
					continue
				}
				notices = append(notices, notify.Notice{ID: r.ID, Event: r.Event, Site: site.Name, Link: pageLink(base, r.Event)})
			}
			if len(notices) == 0 {
				return nil
			}
			return asDelivery(n.Notify(ctx, notices))
		}))
	}
	return list, nil
}

// pageURL is where people reach the page: by the first name that the site file
// gives it, or else by its address, or where it listens on all of this machine's
// by the machine's name.
func pageURL(s page.Settings, addr string) string {
	u := url.URL{Scheme: "http", Host: addr}
	if s.TLS != nil {
		u.Scheme = "https"
	}
	host, port, _ := net.SplitHostPort(addr) // it listens, so it is an address
	if ip := net.ParseIP(host); ip != nil && ip.IsUnspecified() {
		if name, err := os.Hostname(); err == nil {
			u.Host = net.JoinHostPort(name, port)
		}
	}
	if len(s.Hosts) > 0 {
		u.Host = net.JoinHostPort(s.Hosts[0], port)
	}
	return u.String()
}

// pageLink leads to the page that shows an alarm.
func pageLink(base string, e alerts.Event) string {
	path := url.URL{Path: "/alarms"}
	if e.Brake != "" {
		path.Path = "/brake/" + e.Brake
	}
	return base + path.String()
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

// cursorName is what a notifier's place in the store is called. One address may
// be a first and a second one.
func cursorName(name string, escalation bool) string {
	if escalation {
		return "notify-escalation-" + name
	}
	return "notify-" + name
}
