package page

import (
	"context"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// Two hundred who follow the same page while it changes all the time don't all
// come at the same moment: polling has the processor in between.
func TestWhoFollowTakeTurns(t *testing.T) {
	deps, data := harbourSite(t)
	synctest.Test(t, func(t *testing.T) {
		s := serverOf(t, deps)
		data.change(func() {}) // so that its channel is of this bubble
		ctx, stop := context.WithCancel(t.Context())
		const many, seconds, slots = 200, 20, 20
		var mu sync.Mutex
		began := time.Now()
		var all sync.WaitGroup
		told := map[int]int{} // by the slot of a second in which it happened
		last := map[int]time.Time{}
		for i := range many {
			all.Go(func() {
				s.follow(ctx, &url.URL{Path: "/"}, func(m string) error {
					mu.Lock()
					defer mu.Unlock()
					if strings.HasPrefix(m, "event: changed") {
						if now := time.Now(); !last[i].IsZero() && now.Sub(last[i]) < eventEvery-time.Millisecond {
							t.Errorf("one was told twice within %v", now.Sub(last[i]))
						}
						last[i] = time.Now()
						told[int(time.Since(began)%time.Second/(time.Second/slots))]++
					}
					return nil
				})
			})
		}
		for n := range seconds * 100 {
			data.change(func() {
				v := data.verdicts["quay-2/main"]
				v.GapMM = 2.5 + float64(n%47)/100
				data.verdicts["quay-2/main"] = v
			})
			time.Sleep(10 * time.Millisecond)
		}
		stop()
		all.Wait()
		sum, most := 0, 0
		for _, n := range told {
			sum, most = sum+n, max(most, n)
		}
		if sum < many*(seconds-3) || most > 2*sum/slots {
			t.Errorf("%d were told in %d s, and in the fullest twentieth of a second %d of them: %v", sum, seconds, most, told)
		}
	})
}

// Who follows the board is told of what stands on it: of no brake that stands on
// another page of it, or that its filter leaves out.
func TestWhoFollowsTheBoardHearsOfWhatItShows(t *testing.T) {
	for _, c := range []struct {
		on, brake string
		told      bool
	}{
		{"/", "quay-2/main", true}, {"/?state=danger", "quay-2/main", false}, {"/?state=danger", "quay-2/creep", true}, {"/?state=abnormal&by=crane", "quay-2/main", true},
		{"/alarms", "quay-2/main", false},
	} {
		deps, data := harbourSite(t)
		synctest.Test(t, func(t *testing.T) {
			s := serverOf(t, deps)
			data.change(func() {}) // so that its channel is of this bubble
			ctx, stop := context.WithCancel(t.Context())
			on, err := url.Parse(c.on)
			if err != nil {
				t.Fatal(err)
			}
			heard := 0
			done := make(chan struct{})
			go func() {
				defer close(done)
				s.follow(ctx, on, func(m string) error {
					if strings.HasPrefix(m, "event: changed") {
						heard++
					}
					return nil
				})
			}()
			time.Sleep(time.Second)
			data.change(func() {
				v := data.verdicts[c.brake]
				v.GapMM += 0.05
				data.verdicts[c.brake] = v
			})
			time.Sleep(4 * time.Second)
			stop()
			<-done
			if heard > 1 || heard == 1 != c.told {
				t.Errorf("%s was told %d times of %s", c.on, heard, c.brake)
			}
		})
	}
}

// Who shows a part already is sent the brakes that have changed, and the places
// of the others.
func TestOnlyWhatChangedIsSent(t *testing.T) {
	deps, data := yard(t, 60)
	s := serverOf(t, deps)
	ask := func(path string) (body, tag string) {
		w := get(s, path)
		if w.Code != http.StatusOK {
			t.Fatalf("%s: status %d", path, w.Code)
		}
		return w.Body.String(), w.Header().Get("Gapward-Part")
	}
	whole, first := ask("/?fragment=1")
	if _, again := ask("/?fragment=1"); again != first {
		t.Error("the same part has another tag")
	}
	data.change(func() {
		v := data.verdicts["hall-0/hoist-0"] // has an alarm, so stands on the first page
		v.GapMM = 2.47
		data.verdicts["hall-0/hoist-0"] = v
	})
	fewer, second := ask("/?fragment=1&have=" + first)
	if first == second || len(fewer) > len(whole)/4 {
		t.Errorf("of %d bytes %d are sent again for one brake of twenty", len(whole), len(fewer))
	}
	if n := strings.Count(fewer, "data-same"); n != 19 || !strings.Contains(fewer, "<b>2.47</b>") {
		t.Errorf("%d brakes of 20 are left out; want 19, and the new gap", n)
	}
	for _, have := range []string{"", "0123456789abcdef", second} {
		if body, _ := ask("/?fragment=1&have=" + have); strings.Contains(body, "data-same") || len(body) < len(whole)/2 {
			t.Errorf("who shows %q is sent a part of %d bytes", have, len(body))
		}
	}
	if fewer, _ := ask("/?fragment=1&at=1&have=" + first); strings.Count(fewer, "data-same") != 19 {
		t.Error("the look that one was told of is not enough")
	}
	for _, c := range []struct{ older, newer, want string }{
		{"", "<p>none", ""},
		{"\n<li id=\"brake-a\" x\n</li>", "<p>\n<li id=\"brake-a\" x\n</li>\n<li id=\"brake-b\" y\n</li></p>", "<p>\n<li id=\"brake-a\" data-same>\n</li>\n<li id=\"brake-b\" y\n</li></p>"},
		{"\n<li id=\"brake-a\" x\n</li>", "<p>\n<li id=\"brake-a\" z\n</li>", ""},
	} {
		if got := string(only([]byte(c.older), []byte(c.newer))); got != c.want {
			t.Errorf("of %q after %q: %q, want %q", c.newer, c.older, got, c.want)
		}
	}
}

// However many ask at the same time, no more are worked for at a time than leave
// a processor to measuring.
func TestWorkForViewersIsBounded(t *testing.T) {
	deps, _ := harbourSite(t)
	s := serverOf(t, deps)
	for range cap(s.making) {
		s.making <- struct{}{}
	}
	ctx, stop := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer stop()
	for _, path := range []string{"/", "/?fragment=1", "/brake/quay-1/main", "/alarms", "/api/brakes", "/plot/gap/quay-1/main.svg", "/nowhere"} {
		r, err := http.NewRequestWithContext(ctx, http.MethodGet, path, nil)
		if err != nil {
			t.Fatal(err)
		}
		w := newAnswer()
		s.Handler().ServeHTTP(w, r)
		if w.wrote {
			t.Errorf("%s was made while there was no place for it", path)
		}
	}
}

// answer is an answer that knows whether anything was written.
type answer struct {
	header http.Header
	wrote  bool
}

func newAnswer() *answer                      { return &answer{header: http.Header{}} }
func (a *answer) Header() http.Header         { return a.header }
func (a *answer) WriteHeader(int)             { a.wrote = true }
func (a *answer) Write(b []byte) (int, error) { a.wrote = true; return len(b), nil }
