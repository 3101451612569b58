package page

import (
	"context"
	"net/http"
	"runtime"
	"strings"
	"sync"
	"time"
)

// Many browsers may follow the same pages live, while the store changes many
// times a second. So that they cost about what one of them does, what they are
// sent is made at most once in sharedEvery, for all of them. None is sent what
// is older than the change that it has been told of: whoever asks too early
// waits.
const (
	sharedEvery = time.Second
	sharedKeep  = 10 * time.Second // however little changes, "7 min ago" gets old
	keptParts   = 64
)

// shared is something made from the store that several ask for.
type shared[T any] struct {
	rest    time.Duration // between the beginnings of two makings
	keep    time.Duration // how long it is good where the store doesn't change
	turn    chan struct{} // a place for who looks after it
	value   T
	made    bool
	began   time.Time       // when its making began
	changed <-chan struct{} // closed once the store has changed since
}

func newShared[T any](rest, keep time.Duration) *shared[T] {
	return &shared[T]{rest: rest, keep: keep, turn: make(chan struct{}, 1)}
}

// get gives what was made after it was asked for, or before it where the store
// hasn't changed since.
func (p *shared[T]) get(ctx context.Context, now func() time.Time, changed func() <-chan struct{}, create func() (T, error)) (value T, err error) {
	asked := now()
	select {
	case p.turn <- struct{}{}:
		defer func() { <-p.turn }()
	case <-ctx.Done():
		return value, ctx.Err()
	}
	if p.made {
		stale := now().Sub(p.began) >= p.keep
		select {
		case <-p.changed:
			stale = true
		default:
		}
		if !stale || p.began.After(asked) {
			return p.value, nil
		}
		rest := time.NewTimer(p.began.Add(p.rest).Sub(now()))
		defer rest.Stop()
		select {
		case <-rest.C:
		case <-ctx.Done():
			return value, ctx.Err()
		}
	}
	p.changed, p.began = changed(), now()
	p.value, err = create()
	p.made = err == nil
	return p.value, err
}

// parts are the main parts of pages that browsers follow, by their address.
type parts struct {
	mu    sync.Mutex
	kept  map[string]*shared[[]byte]
	order []string // the oldest first
}

func (p *parts) of(key string) *shared[[]byte] {
	p.mu.Lock()
	defer p.mu.Unlock()
	if one := p.kept[key]; one != nil {
		return one
	}
	if p.kept == nil {
		p.kept = map[string]*shared[[]byte]{}
	}
	if len(p.order) >= keptParts {
		delete(p.kept, p.order[0])
		p.order = p.order[1:]
	}
	one := newShared[[]byte](sharedEvery, sharedKeep)
	p.kept[key] = one
	p.order = append(p.order, key)
	return one
}

// glance is where every brake stands, as those who follow the page share it.
func (s *Server) glance(ctx context.Context) (gathered, error) {
	return s.glances.get(ctx, s.clock, s.deps.Data.Changed, func() (gathered, error) { return s.gather(ctx) })
}

// arrival is the same for those who load a page: at once, and yet shared by all
// who come at the same time.
func (s *Server) arrival(ctx context.Context) (gathered, error) {
	return s.arrivals.get(ctx, s.clock, s.deps.Data.Changed, func() (gathered, error) { return s.gather(ctx) })
}

// makingPlaces is how many pages are made at the same time: one processor is
// left to measuring, where there are two.
func makingPlaces() int { return max(1, runtime.GOMAXPROCS(0)-1) }

// makes has a page made in its turn.
func (s *Server) makes(ctx context.Context, page func() error) error {
	select {
	case s.making <- struct{}{}:
		defer func() { <-s.making }()
		return page()
	case <-ctx.Done():
		return ctx.Err()
	}
}

// followed answers with a page that browsers follow live, which is the same
// for everybody: whole to who comes, and its main part, shared, to those who
// follow.
func (s *Server) followed(w http.ResponseWriter, r *http.Request, of func(gathered) (view, error)) {
	ctx := r.Context()
	if !isPart(r) {
		var v view
		g, err := s.arrival(ctx)
		if err == nil {
			err = s.makes(ctx, func() (err error) {
				v, err = of(g)
				return err
			})
		}
		if err != nil {
			s.unreadable(w, r, err)
			return
		}
		s.show(w, r, http.StatusOK, v)
		return
	}
	body, err := s.parts.of(r.URL.Path+"?"+r.URL.Query().Encode()).get(ctx, s.clock, s.deps.Data.Changed, func() (body []byte, err error) {
		g, err := s.glance(ctx)
		if err != nil {
			return nil, err
		}
		err = s.makes(ctx, func() error {
			v, err := of(g)
			if err == nil {
				body, err = s.render(r, http.StatusOK, v)
			}
			return err
		})
		return body, err
	})
	if err != nil {
		s.unreadable(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	_, _ = w.Write(body) // the client is gone if it fails
}

// isPart reports whether a request is for the main part of a page alone.
func isPart(r *http.Request) bool { return r.URL.Query().Get("fragment") == "1" }

// version changes whenever the page of a brake would say something new.
func (g gathered) version(brake string) string {
	b := g.find(brake)
	if b == nil {
		return ""
	}
	var text strings.Builder
	add := func(n int64) { text.WriteString(" "); text.WriteString(rfcNano(n)) }
	for i := range g.brakes {
		one := &g.brakes[i]
		if one != b && (b.brake.Chain == "" || one.brake.Chain != b.brake.Chain) {
			continue
		}
		text.WriteString(" " + one.brake.Name)
		for _, at := range []int64{one.verdict.AtNS, one.verdict.Full + one.verdict.Jogs, one.adjust.AtNS, one.max.AtNS} {
			add(at)
		}
		for _, a := range one.alarms {
			add(a.ID)
		}
		for _, a := range one.held {
			add(a.ID)
		}
	}
	return text.String()
}
