package export

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api"
	influxhttp "github.com/influxdata/influxdb-client-go/v2/api/http"

	"gapward/gateway/store"
)

// Influx writes cycles, forecasts and alarms to InfluxDB 2, or 1.8 by its
// version 2 interface. A point has the row's own time, so that one written
// twice is one point.
type Influx struct {
	site   string
	client influxdb2.Client
	write  api.WriteAPIBlocking
}

// NewInflux makes the sink. It connects only when it delivers.
func NewInflux(s InfluxSettings, site string) (*Influx, error) {
	token, err := readSecret("export.influx.token_file", s.TokenFile)
	if err != nil {
		return nil, err
	}
	options := influxdb2.DefaultOptions().
		SetPrecision(time.Nanosecond).
		SetApplicationName("gapward").
		SetHTTPClient(&http.Client{Timeout: 20 * time.Second})
	client := influxdb2.NewClientWithOptions(s.URL, token, options)
	// Blocking and unbatched: what it returns is what the server said, and
	// nothing waits in its memory.
	return &Influx{site: site, client: client, write: client.WriteAPIBlocking(s.Org, s.Bucket)}, nil
}

// Name implements [Sink].
func (x *Influx) Name() string { return "influx" }

// Wants implements [Sink].
func (x *Influx) Wants() Wants {
	return Wants{Cycles: true, Forecasts: true, Alarms: true, History: true}
}

// Close lets go of idle connections.
func (x *Influx) Close() { x.client.Close() }

// Deliver implements [Sink].
func (x *Influx) Deliver(ctx context.Context, rows Rows) error {
	l := lines{buf: make([]byte, 0, 400*rows.Len())}
	for _, r := range rows.Alarms {
		x.alarm(&l, r)
	}
	for _, r := range rows.Forecasts {
		x.forecast(&l, r)
	}
	for _, r := range rows.Cycles {
		x.cycle(&l, r)
	}
	if l.points == 0 {
		return nil
	}
	if err := x.write.WriteRecord(ctx, string(l.buf)); err != nil {
		return classify(fmt.Errorf("writing %d points to InfluxDB: %w", l.points, err))
	}
	return nil
}

// classify tells rows that the server will never take from trouble that
// passes. Only a status that speaks of the data itself condemns rows: a wrong
// token or a missing bucket is put right by a person, and until then the rows
// wait.
func classify(err error) error {
	e, ok := errors.AsType[*influxhttp.Error](err)
	if !ok {
		return err
	}
	switch e.StatusCode {
	case http.StatusBadRequest, http.StatusRequestEntityTooLarge, http.StatusUnprocessableEntity:
		return &Refused{Err: err}
	case http.StatusUnauthorized, http.StatusForbidden:
		return fmt.Errorf("%w; check export.influx.token_file and that its token may write to the bucket", err)
	case http.StatusNotFound:
		return fmt.Errorf("%w; check export.influx.org and bucket, which must exist", err)
	}
	if e.RetryAfter > 0 {
		return &Busy{Err: err, After: time.Duration(e.RetryAfter) * time.Second}
	}
	return err
}

func (x *Influx) cycle(l *lines, r store.CycleRow) {
	l.point("gapward_cycle")
	l.tag("brake", r.Brake)
	l.tag("site", x.site)
	l.whole("id", r.ID)
	l.text("kind", r.Kind.String())
	l.text("flags", strings.Join(r.Flags.Names(), ","))
	l.numbers(cycleFields(r))
	l.at(r.AtNS)
}

func (x *Influx) forecast(l *lines, r store.ForecastRow) {
	l.point("gapward_forecast")
	l.tag("brake", r.Brake)
	l.tag("limit", r.Limit) // one time may have a forecast for each limit
	l.tag("site", x.site)
	l.whole("id", r.ID)
	l.numbers(forecastFields(r))
	l.at(r.AtNS)
}

func (x *Influx) alarm(l *lines, r store.AlarmRow) {
	l.point("gapward_alarm")
	l.tag("brake", r.Brake)
	l.tag("change", r.Change.String()) // one moment may raise an alarm and suppress it
	l.tag("condition", string(r.Condition))
	l.tag("device", r.Device)
	l.tag("site", x.site)
	l.whole("id", r.ID)
	l.text("state", r.State.String())
	l.number("active", active(r))
	unit := unitSuffix(r.Unit)
	l.number("value"+unit, r.Value)
	l.number("value_u"+unit, r.U)
	l.number("limit"+unit, r.Limit)
	if r.UntilNS != 0 {
		l.number("until_s", float64(r.UntilNS)/1e9)
	}
	for _, f := range []struct{ name, words string }{{"signal", r.Signal}, {"by", r.By}, {"reason", r.Reason}, {"detail", r.Detail}} {
		if f.words != "" {
			l.text(f.name, f.words)
		}
	}
	l.at(r.AtNS)
}

func active(r store.AlarmRow) float64 {
	if r.State.Active() {
		return 1
	}
	return 0
}

// unitSuffix makes "mm" to "_mm", "1/h" to "_1_per_h" and "%" to "_percent".
func unitSuffix(unit string) string {
	if unit == "" {
		return ""
	}
	unit = strings.NewReplacer("/", "_per_", "%", "percent", "µ", "u", "°", "").Replace(strings.ToLower(unit))
	return "_" + strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '_' {
			return r
		}
		return '_'
	}, unit)
}
