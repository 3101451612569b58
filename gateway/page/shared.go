package page

import (
	"bytes"
	"context"
	"net/http"
	"net/url"
	"runtime"
	"strconv"
	"sync"
	"time"
)

// Many browsers may follow the same pages live, while the store changes many
// times a second. So that they cost about what one of them does, where the
// brakes stand is read at most once in sharedEvery, for all of them, and of
// that each page is made once. None is sent what is older than what it has been
// told of.
const (
	sharedEvery = time.Second
	sharedKeep  = 10 * time.Second // however little changes, "7 min ago" gets old
	keptParts   = 256
)

// seen is something made from the store, and when.
type seen[T any] struct {
	value   T
	n       int64           // how many makings there have been
	began   time.Time       // when this one began
	changed <-chan struct{} // closed once the store has changed since
}

// current reports whether the store hasn't changed since.
func (s seen[T]) current() bool {
	select {
	case <-s.changed:
		return false
	default:
		return true
	}
}

// shared is something made from the store that several ask for.
type shared[T any] struct {
	rest    time.Duration // between the beginnings of two makings
	keep    time.Duration // how long it is good where the store doesn't change
	now     func() time.Time
	changed func() <-chan struct{}
	create  func(context.Context) (T, error)

	turn chan struct{} // a place for who looks after it
	last seen[T]
	made bool // last is good
}

func newShared[T any](rest, keep time.Duration, now func() time.Time, changed func() <-chan struct{}, create func(context.Context) (T, error)) *shared[T] {
	return &shared[T]{rest: rest, keep: keep, now: now, changed: changed, create: create, turn: make(chan struct{}, 1)}
}

// newest gives what was made after it was asked for, or before it where the
// store hasn't changed since.
func (p *shared[T]) newest(ctx context.Context) (seen[T], error) {
	asked := p.now()
	return p.get(ctx, func(last seen[T]) bool { return p.kept(last) || last.began.After(asked) })
}

// recent gives what was made within the time of rest, or before it where the
// store hasn't changed since. Nobody waits for it but for its making.
func (p *shared[T]) recent(ctx context.Context) (seen[T], error) {
	return p.get(ctx, func(last seen[T]) bool { return p.kept(last) || p.now().Sub(last.began) < p.rest })
}

// kept reports whether the latest is as good as a new one.
func (p *shared[T]) kept(last seen[T]) bool {
	return last.current() && p.now().Sub(last.began) < p.keep
}

// get gives the latest where it will do, and has it made anew otherwise.
func (p *shared[T]) get(ctx context.Context, will func(last seen[T]) bool) (seen[T], error) {
	select {
	case p.turn <- struct{}{}:
		defer func() { <-p.turn }()
	case <-ctx.Done():
		return seen[T]{}, ctx.Err()
	}
	if p.made {
		if will(p.last) {
			return p.last, nil
		}
		rest := time.NewTimer(p.last.began.Add(p.rest).Sub(p.now()))
		defer rest.Stop()
		select {
		case <-rest.C:
		case <-ctx.Done():
			return seen[T]{}, ctx.Err()
		}
	}
	next := seen[T]{n: p.last.n + 1, began: p.now(), changed: p.changed()}
	var err error
	next.value, err = p.create(ctx)
	p.last, p.made = next, err == nil
	return next, err
}

// part is the main part of a page, as those who follow it are sent it.
type part struct {
	turn  chan struct{} // a place for who makes it
	n     int64         // of which look at the brakes it is; 0: of none
	body  []byte
	tag   string // of the body
	since string // tag of another body before this one …
	fewer []byte // … to whose reader this is enough, see [only]
}

// parts are the main parts of pages that browsers follow, by their address.
type parts struct {
	mu    sync.Mutex
	kept  map[string]*part
	order []string // the oldest first
}

func (p *parts) of(key string) *part {
	p.mu.Lock()
	defer p.mu.Unlock()
	if one := p.kept[key]; one != nil {
		return one
	}
	if p.kept == nil {
		p.kept = map[string]*part{}
	}
	if len(p.order) >= keptParts {
		delete(p.kept, p.order[0])
		p.order = p.order[1:]
	}
	one := &part{turn: make(chan struct{}, 1)}
	p.kept[key] = one
	p.order = append(p.order, key)
	return one
}

// part is the main part of a page made of a look at the brakes or a later one;
// of puts the page into words.
func (s *Server) part(ctx context.Context, key string, g seen[gathered], of func(gathered) (view, error)) (part, error) {
	p := s.parts.of(key)
	select {
	case p.turn <- struct{}{}:
		defer func() { <-p.turn }()
	case <-ctx.Done():
		return part{}, ctx.Err()
	}
	if p.n >= g.n {
		return *p, nil
	}
	var body []byte
	err := s.makes(ctx, func() error {
		v, err := of(g.value)
		if err == nil {
			body, err = s.render("main", nil, v)
		}
		return err
	})
	if err != nil {
		return part{}, err
	}
	if p.n = g.n; !bytes.Equal(body, p.body) {
		p.fewer, p.since = only(p.body, body), p.tag
		p.body, p.tag = body, tagOf(body)
	}
	return *p, nil
}

// only is the main part of a page without the brakes that stand in an older one
// as they are: of those it has the place alone. It is nil where that saves
// nothing.
func only(older, newer []byte) []byte {
	const begin, id, end = "\n<li id=\"brake-", "\n<li id=", "\n</li>"
	known := map[string]bool{}
	for rest := older; ; {
		_, after, ok := bytes.Cut(rest, []byte(begin))
		row, next, whole := bytes.Cut(after, []byte(end))
		if !ok || !whole {
			break
		}
		known[string(row)], rest = true, next
	}
	var fewer []byte
	left := false
	for rest := newer; ; {
		before, after, ok := bytes.Cut(rest, []byte(begin))
		row, next, whole := bytes.Cut(after, []byte(end))
		if fewer = append(fewer, before...); !ok || !whole {
			break
		}
		name, _, _ := bytes.Cut(row, []byte(`"`))
		if known[string(row)] {
			left = true
			fewer = append(append(append(fewer, begin...), name...), "\" data-same>"...)
		} else {
			fewer = append(append(fewer, begin...), row...)
		}
		fewer, rest = append(fewer, end...), next
	}
	if !left {
		return nil
	}
	return fewer
}

// makingPlaces is how many pages are made at the same time: one processor is
// left to measuring, where there are two.
func makingPlaces() int { return max(1, runtime.GOMAXPROCS(0)-1) }

// makes has something costly made in its turn.
func (s *Server) makes(ctx context.Context, what func() error) error {
	select {
	case s.making <- struct{}{}:
		defer func() { <-s.making }()
		return what()
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
		g, err := s.arrivals.newest(ctx)
		var body []byte
		if err == nil {
			err = s.makes(ctx, func() error {
				v, err := of(g.value)
				if err == nil {
					body, err = s.render("page", r, v)
				}
				return err
			})
		}
		if err != nil {
			s.unreadable(w, r, err)
			return
		}
		send(w, http.StatusOK, body)
		return
	}
	q := r.URL.Query()
	g, err := s.lookAfter(ctx, q.Get("at"))
	var p part
	if err == nil {
		p, err = s.part(ctx, partKey(r.URL), g, of)
	}
	if err != nil {
		s.unreadable(w, r, err)
		return
	}
	w.Header().Set("Gapward-Part", p.tag)
	if p.fewer != nil && q.Get("have") == p.since {
		send(w, http.StatusOK, p.fewer)
		return
	}
	send(w, http.StatusOK, p.body)
}

// lookAfter is where the brakes stand: at the look that somebody was told of or
// later, or where there is no such look, now.
func (s *Server) lookAfter(ctx context.Context, told string) (seen[gathered], error) {
	if n, err := strconv.ParseInt(told, 10, 64); err == nil && n > 0 {
		g, err := s.glances.recent(ctx)
		if err != nil || g.n >= n {
			return g, err
		}
	}
	return s.glances.newest(ctx)
}

// partKey tells the main part of a page from all others.
func partKey(u *url.URL) string {
	q := u.Query()
	for _, name := range []string{"fragment", "at", "have"} { // of the sending alone
		q.Del(name)
	}
	return u.Path + "?" + q.Encode()
}

// isPart reports whether a request is for the main part of a page alone.
func isPart(r *http.Request) bool { return r.URL.Query().Get("fragment") == "1" }
