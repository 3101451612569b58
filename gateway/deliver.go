package gateway

import (
	"context"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"time"

	"gapward/configs"
	"gapward/gateway/export"
	"gapward/gateway/store"
)

// sinks makes the exporters that the site file asks for.
func sinks(site *configs.Site, lg *slog.Logger) (list []export.Sink, err error) {
	lg = lg.With("component", "export")
	names, _ := brakeNames(site)
	if s := site.Export.Influx; s != nil {
		x, err := export.NewInflux(*s, site.Name)
		if err != nil {
			return nil, fmt.Errorf("export to InfluxDB: %w", err)
		}
		list = append(list, x)
	}
	if s := site.Export.MQTT; s != nil {
		m, err := export.NewMQTT(*s, site.Name, names, lg)
		if err != nil {
			return nil, fmt.Errorf("export by MQTT: %w", err)
		}
		list = append(list, m)
	}
	if s := site.Export.Sparkplug; s != nil {
		x, err := export.NewSparkplug(*s, site.Name, brakeInfos(site), slices.Sorted(maps.Keys(site.Devices)), lg)
		if err != nil {
			return nil, fmt.Errorf("export by Sparkplug: %w", err)
		}
		list = append(list, x)
	}
	return list, nil
}

// A sink that keeps a connection, and one that tells each new connection what
// stands.
type (
	connected interface{ Run(context.Context) error }
	restored  interface {
		Restore(context.Context, *store.DB) error
	}
)

// deliver has a sink follow the store. When it is stopped, it gets a few
// seconds for what was stored last.
func deliver(ctx context.Context, down *stack, db *store.DB, sink export.Sink, observe func(export.Progress), lg *slog.Logger) error {
	if r, ok := sink.(restored); ok {
		if err := r.Restore(ctx, db); err != nil {
			return fmt.Errorf("export to %s: %w", sink.Name(), err)
		}
	}
	if c, ok := sink.(interface{ Close() }); ok {
		down.then("exporter "+sink.Name(), 5*time.Second, func(context.Context) error {
			c.Close()
			return nil
		})
	}
	if c, ok := sink.(connected); ok {
		down.then("connection of "+sink.Name(), 5*time.Second, start(c.Run))
	}
	stop := start(func(ctx context.Context) error { return export.Run(ctx, db, sink, lg, observe) })
	down.then("deliveries to "+sink.Name(), 5*time.Second, func(ctx context.Context) error {
		if err := stop(ctx); err != nil {
			return err
		}
		if err := export.Flush(ctx, db, sink, lg, observe); err != nil {
			lg.Warn("not everything could be delivered before stopping; it is kept for the next start", "error", err)
		}
		return nil
	})
	return nil
}
