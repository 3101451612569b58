package export

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"strings"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api"
	influxhttp "github.com/influxdata/influxdb-client-go/v2/api/http"
	"github.com/influxdata/influxdb-client-go/v2/api/write"

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
	points := make([]*write.Point, 0, rows.Len())
	for _, r := range rows.Alarms {
		points = append(points, x.alarmPoint(r))
	}
	for _, r := range rows.Forecasts {
		points = append(points, x.forecastPoint(r))
	}
	for _, r := range rows.Cycles {
		points = append(points, x.cyclePoint(r))
	}
	if len(points) == 0 {
		return nil
	}
	if err := x.write.WritePoint(ctx, points...); err != nil {
		return classify(fmt.Errorf("writing %d points to InfluxDB: %w", len(points), err))
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

func (x *Influx) point(measurement, brake string, atNS int64) *write.Point {
	p := write.NewPointWithMeasurement(measurement).SetTime(time.Unix(0, atNS).UTC())
	p.AddTag("site", tag(x.site))
	if brake != "" { // the line protocol has no empty tags
		p.AddTag("brake", tag(brake))
	}
	return p
}

// tag makes a name fit for the line protocol, where a line end ends the point
// and a backslash before a comma or space hides it.
func tag(name string) string {
	name = strings.Map(func(r rune) rune {
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, name)
	return strings.TrimRight(name, `\`)
}

// number adds a field unless the figure is missing: the line protocol has
// neither NaN nor infinity, and one of them would fail the whole request.
func number(p *write.Point, name string, v float64) {
	if !math.IsNaN(v) && !math.IsInf(v, 0) {
		p.AddField(name, v)
	}
}

func numbers(p *write.Point, fields []field) {
	for _, f := range fields {
		number(p, f.name, f.value)
	}
}

func (x *Influx) cyclePoint(r store.CycleRow) *write.Point {
	p := x.point("gapward_cycle", r.Brake, r.AtNS)
	p.AddField("id", r.ID)
	p.AddField("kind", r.Kind.String())
	p.AddField("flags", strings.Join(r.Flags.Names(), ","))
	numbers(p, cycleFields(r))
	return p
}

func (x *Influx) forecastPoint(r store.ForecastRow) *write.Point {
	p := x.point("gapward_forecast", r.Brake, r.AtNS)
	p.AddTag("limit", tag(r.Limit)) // one time may have a forecast for each limit
	p.AddField("id", r.ID)
	numbers(p, forecastFields(r))
	return p
}

func (x *Influx) alarmPoint(r store.AlarmRow) *write.Point {
	p := x.point("gapward_alarm", r.Brake, r.AtNS)
	p.AddTag("condition", tag(string(r.Condition)))
	p.AddTag("change", tag(r.Change.String())) // one moment may raise an alarm and suppress it
	if r.Device != "" {
		p.AddTag("device", tag(r.Device))
	}
	p.AddField("id", r.ID)
	p.AddField("state", r.State.String())
	p.AddField("active", active(r))
	number(p, "value"+unitSuffix(r.Unit), r.Value)
	number(p, "value_u"+unitSuffix(r.Unit), r.U)
	number(p, "limit"+unitSuffix(r.Unit), r.Limit)
	if r.UntilNS != 0 {
		p.AddField("until_s", float64(r.UntilNS)/1e9)
	}
	for _, f := range []struct{ name, words string }{{"signal", r.Signal}, {"by", r.By}, {"reason", r.Reason}, {"detail", r.Detail}} {
		if f.words != "" {
			p.AddField(f.name, f.words)
		}
	}
	return p
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
