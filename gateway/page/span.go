package page

import (
	"fmt"
	"math"
	"net/url"
	"time"
)

const day = 24 * time.Hour

// span is how far back a plot of the gap reaches.
type span struct {
	key   string
	words string
	back  time.Duration // 0: all there is
}

// spans are those that can be chosen.
func spans() []span {
	return []span{{"7d", "7 days", 7 * day}, {"30d", "30 days", 30 * day}, {"90d", "90 days", 90 * day}, {"1y", "1 year", 365 * day}, {"all", "all", 0}}
}

// parseSpan reads the span of an address; an empty one means 90 days.
func parseSpan(key string) (span, error) {
	if key == "" {
		key = "90d"
	}
	for _, s := range spans() {
		if s.key == key {
			return s, nil
		}
	}
	return span{}, fmt.Errorf("there is no span %q; it must be one of 7d, 30d, 90d, 1y or all", key)
}

func (s span) fromNS(now time.Time) int64 {
	if s.back == 0 {
		return math.MinInt64
	}
	return now.Add(-s.back).UnixNano()
}

func viewSpans(name string, current span) []spanView {
	var views []spanView
	for _, s := range spans() {
		views = append(views, spanView{Words: s.words, Current: s == current,
			Path: pathOf("/brake/", name) + "?" + url.Values{"span": {s.key}}.Encode() + "#history"})
	}
	return views
}
