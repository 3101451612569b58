package page

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"
)

const (
	eventEvery  = 500 * time.Millisecond // no more than one event in this time
	beatEvery   = 15 * time.Second
	eventWithin = 10 * time.Second // a client that can't take an event in this time is gone
)

// events is the stream of server-sent events: "changed" when there is
// something new to show, and "beat" so that both ends notice a dead line.
func (s *Server) events(w http.ResponseWriter, r *http.Request) {
	select {
	case s.streams <- struct{}{}:
		defer func() { <-s.streams }()
	default:
		w.Header().Set("Retry-After", "30")
		http.Error(w, fmt.Sprintf("%d browsers follow live already; this page stays as it was loaded", maxStreams), http.StatusServiceUnavailable)
		return
	}
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("X-Accel-Buffering", "no") // or a proxy would hold events back
	if r.Method == http.MethodHead {
		return
	}
	out := http.NewResponseController(w)
	s.follow(r.Context(), brakeAt(r.URL.Query().Get("on")), func(message string) error {
		// Without a deadline of its own the stream would end with the
		// server's. Not every writer can have one; then the write just waits.
		_ = out.SetWriteDeadline(s.clock().Add(eventWithin))
		if _, err := fmt.Fprint(w, message); err != nil {
			return err
		}
		return out.Flush()
	})
}

// brakeAt is the brake whose page has a path, "" where it is another page's.
func brakeAt(path string) string {
	name, ok := strings.CutPrefix(path, "/brake/")
	if name, err := url.PathUnescape(name); ok && err == nil {
		return name
	}
	return ""
}

// clock is real time: deadlines of sockets don't follow the page's own.
func (s *Server) clock() time.Time { return time.Now() }

// follow sends messages until the client, the server or send gives up: of every
// change, or where a brake is named of those that its page would show.
func (s *Server) follow(ctx context.Context, brake string, send func(message string) error) {
	changed := s.deps.Data.Changed()
	told := ""
	// The retry time is what the browser waits before it comes back.
	if send("retry: 2000\n: gapward\n\n") != nil {
		return
	}
	beat := time.NewTicker(beatEvery)
	defer beat.Stop()
	rest := time.NewTimer(0)
	defer rest.Stop()
	rested := false
	for {
		var ready <-chan struct{}
		if rested {
			ready = changed
		}
		message := ""
		select {
		case <-ctx.Done():
			return
		case <-s.ending:
			return
		case <-rest.C:
			rested = true
		case <-ready:
			// The next change is waited for from before the client is told of
			// this one, so that none falls between.
			changed = s.deps.Data.Changed()
			message = "event: changed\ndata: {}\n\n"
			if s.byName[brake] != nil {
				if g, err := s.glance(ctx); err == nil {
					is := g.version(brake)
					if is == told {
						message = ""
					}
					told = is
				}
			}
			rested = false
			rest.Reset(eventEvery)
		case <-beat.C:
			message = ": beat\nevent: beat\ndata: {}\n\n"
		}
		if message != "" && send(message) != nil {
			return
		}
	}
}
