package page

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"sync/atomic"
	"time"
)

const (
	eventEvery  = sharedEvery // no more than one event in this time
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
	on, err := url.Parse(r.URL.Query().Get("on"))
	if err != nil {
		on = &url.URL{}
	}
	s.follow(r.Context(), on, func(message string) error {
		// Without a deadline of its own the stream would end with the
		// server's. Not every writer can have one; then the write just waits.
		_ = out.SetWriteDeadline(s.clock().Add(eventWithin))
		if _, err := fmt.Fprint(w, message); err != nil {
			return err
		}
		return out.Flush()
	})
}

// clock is real time: deadlines of sockets don't follow the page's own.
func (s *Server) clock() time.Time { return time.Now() }

// follow sends messages until the client, the server or send gives up: of what
// is new on the page that is followed, and nothing of what it doesn't show.
//
// Each who follows has a turn of his own once in eventEvery, so that many don't
// all come at the same moment, and then rest at the same.
func (s *Server) follow(ctx context.Context, on *url.URL, send func(message string) error) {
	// What the client has loaded is no older than this first look.
	told := s.look(ctx, on)
	changed := told.changed
	// The retry time is what the browser waits before it comes back.
	if send("retry: 2000\n: gapward\n\n") != nil {
		return
	}
	turn := s.turns.next(s.clock())
	beat := time.NewTicker(beatEvery)
	defer beat.Stop()
	wait := time.NewTimer(turn.Sub(s.clock()))
	defer wait.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-s.ending:
			return
		case <-beat.C:
			if send(": beat\nevent: beat\ndata: {}\n\n") != nil {
				return
			}
			// What a page says of how long ago something was gets old by itself.
			wait.Reset(turn.Sub(s.clock()))
		case <-changed:
			changed = nil
			wait.Reset(turn.Sub(s.clock()))
		case <-wait.C:
			turn = turn.Add(eventEvery * (1 + s.clock().Sub(turn)/eventEvery))
			is := s.look(ctx, on)
			if changed = is.changed; is.value == "" {
				wait.Reset(turn.Sub(s.clock())) // it is tried again
				continue
			}
			if is.value != told.value && send(fmt.Sprintf("event: changed\ndata: {\"at\":%d}\n\n", is.n)) != nil {
				return
			}
			told = is
		}
	}
}

// look is what a page would say, by [Server.version]; nothing where that can't be
// told.
func (s *Server) look(ctx context.Context, on *url.URL) seen[string] {
	g, err := s.glances.recent(ctx)
	if err != nil {
		return seen[string]{}
	}
	is, err := s.version(ctx, g, on)
	if err != nil {
		return seen[string]{}
	}
	return seen[string]{value: is, n: g.n, began: g.began, changed: g.changed}
}

// turns are when those who follow have their turns.
type turns struct {
	began time.Time
	given atomic.Uint64
}

// next is the first turn of one more. By the golden ratio the turns of any
// number lie about evenly apart.
func (t *turns) next(now time.Time) time.Time {
	_, part := math.Modf(float64(t.given.Add(1)) * (math.Sqrt(5) - 1) / 2)
	at := t.began.Add(time.Duration(part * float64(eventEvery)))
	return at.Add(eventEvery * (1 + now.Sub(at)/eventEvery))
}
