package export

import (
	"bufio"
	"compress/gzip"
	"io"
	"log/slog"
	"math"
	"net/http"
	"strconv"
	"strings"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/common/expfmt"
)

// family is all series of one name: what it is, and its labels.
type family struct {
	name, help, kind string
	labels           []string
}

func gauge(name, help string, labels ...string) family { return family{name, help, "gauge", labels} }

func counter(name, help string, labels ...string) family {
	return family{name, help, "counter", labels}
}

// exposition writes series as Prometheus's text (format 0.0.4), a family at a
// time. A thousand brakes have thirty thousand series, of which the library would
// make as many values in memory, several times over, before it writes the first.
type exposition struct {
	out   *bufio.Writer
	of    family
	begun bool // something of it is written
	num   [32]byte
}

// begin goes on with a family; one without series isn't there.
func (x *exposition) begin(f family) { x.of, x.begun = f, false }

// add writes a series of the family, with a value for each of its labels. What
// isn't known has no series. Errors are kept until the end.
func (x *exposition) add(value float64, labels ...string) {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return
	}
	if !x.begun {
		x.begun = true
		x.text("# HELP ", x.of.name, " ", x.of.help, "\n# TYPE ", x.of.name, " ", x.of.kind, "\n")
	}
	x.text(x.of.name)
	for i, name := range x.of.labels {
		if i == 0 {
			x.text("{")
		} else {
			x.text(",")
		}
		x.text(name, `="`)
		_, _ = labelEscapes.WriteString(x.out, labels[i])
		x.text(`"`)
	}
	if len(x.of.labels) > 0 {
		x.text("}")
	}
	x.text(" ")
	_, _ = x.out.Write(strconv.AppendFloat(x.num[:0], value, 'g', -1, 64))
	x.text("\n")
}

func (x *exposition) text(parts ...string) {
	for _, p := range parts {
		_, _ = x.out.WriteString(p)
	}
}

// labelEscapes are what the format wants escaped in a label's value.
var labelEscapes = strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", `\n`)

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
	families, err := s.other.Gather()
	if err != nil {
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
