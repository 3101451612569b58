package export

import (
	"bufio"
	"bytes"
	"cmp"
	"compress/gzip"
	"io"
	"log/slog"
	"math"
	"net/http"
	"strconv"
	"strings"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
)

// family is all series of one name: what it is, and its labels.
type family struct {
	name, help string
	kind       dto.MetricType
	labels     []string
}

func gauge(name, help string, labels ...string) family {
	return family{name, help, dto.MetricType_GAUGE, labels}
}

func counter(name, help string, labels ...string) family {
	return family{name, help, dto.MetricType_COUNTER, labels}
}

// exposition hands series to the library's encoder a few at a time: a thousand
// brakes have thirty thousand of them, and to gather all before the first is
// written, as the library's own handler does, takes 30 MB at each scrape.
type exposition struct {
	out     *bufio.Writer
	of      family
	begun   bool             // something of the family is written
	part    dto.MetricFamily // what of it isn't, which points into the next
	room    [64]series
	encoded bytes.Buffer
	err     error // the first
}

// series is room for one, taken again and again.
type series struct {
	metric  dto.Metric
	gauge   dto.Gauge
	counter dto.Counter
	value   float64
	labels  [3]*dto.LabelPair // no family has more
	pairs   [3]dto.LabelPair
	values  [3]string
}

// begin goes on with a family; one without series isn't there.
func (x *exposition) begin(f family) {
	x.flush()
	x.of, x.begun = f, false
	x.part.Name, x.part.Help, x.part.Type = &x.of.name, &x.of.help, &x.of.kind
}

// add adds a series of the family, with a value for each of its labels. What
// isn't known has no series.
func (x *exposition) add(value float64, labels ...string) {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return
	}
	s := &x.room[len(x.part.Metric)]
	s.value, s.gauge.Value, s.counter.Value = value, &s.value, &s.value
	s.metric.Gauge, s.metric.Counter = &s.gauge, &s.counter
	for i := range x.of.labels {
		s.values[i], s.labels[i] = labels[i], &s.pairs[i]
		s.pairs[i].Name, s.pairs[i].Value = &x.of.labels[i], &s.values[i]
	}
	s.metric.Label = s.labels[:len(x.of.labels)]
	if x.part.Metric = append(x.part.Metric, &s.metric); len(x.part.Metric) == len(x.room) {
		x.flush()
	}
}

// flush writes the part. The encoder begins each with what the family is, of
// which the format takes one.
func (x *exposition) flush() {
	if len(x.part.Metric) == 0 {
		return
	}
	x.encoded.Reset()
	if _, err := expfmt.MetricFamilyToText(&x.encoded, &x.part); err != nil && x.err == nil {
		x.err = err
	}
	text := x.encoded.Bytes()
	if x.begun {
		_, text, _ = bytes.Cut(text, []byte("\n"))
	}
	_, _ = x.out.Write(text) // an error is kept there
	x.begun, x.part.Metric, x.part.Help = true, x.part.Metric[:0], nil
}

// scrapes answers Prometheus.
type scrapes struct {
	metrics *Metrics
	other   prometheus.Gatherer // what the library counts by itself
	lg      *slog.Logger
}

const expositionBuffer = 16 << 10

// ServeHTTP writes gapward's series and then the others. One bad series doesn't
// cost the others; and a scraper that has gone away is nobody's trouble.
func (s scrapes) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", string(expfmt.NewFormat(expfmt.TypeTextPlain)))
	w.Header().Add("Vary", "Accept-Encoding")
	var out io.Writer = w
	if takesGzip(r) {
		w.Header().Set("Content-Encoding", "gzip")
		packed := gzip.NewWriter(w)
		defer func() { _ = packed.Close() }()
		out = packed
	}
	x := &exposition{out: bufio.NewWriterSize(out, expositionBuffer)}
	s.metrics.snapshot().write(x)
	x.flush()
	families, err := s.other.Gather()
	if err = cmp.Or(x.err, err); err != nil {
		s.lg.Error("answering a Prometheus scrape", "error", err)
	}
	for _, f := range families {
		if _, err := expfmt.MetricFamilyToText(x.out, f); err != nil {
			break // nobody reads on
		}
	}
	_ = x.out.Flush()
}

// takesGzip reports whether an answer may be compressed.
func takesGzip(r *http.Request) bool {
	for part := range strings.SplitSeq(strings.Join(r.Header.Values("Accept-Encoding"), ","), ",") {
		name, weight, _ := strings.Cut(strings.TrimSpace(part), ";")
		if strings.TrimSpace(name) == "gzip" {
			q, err := strconv.ParseFloat(strings.TrimPrefix(strings.TrimSpace(weight), "q="), 64)
			return err != nil || q > 0
		}
	}
	return false
}
