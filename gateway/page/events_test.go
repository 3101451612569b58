package page

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// heard is a message and when it came.
type heard struct {
	at   time.Duration
	text string
}

func TestEventsComeAtMostOnceASecond(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		data := newFakeData()
		s := serverOf(t, Deps{Data: data})
		ctx, stop := context.WithCancel(t.Context())
		began := time.Now()
		var mu sync.Mutex
		var got []heard
		done := make(chan struct{})
		go func() {
			defer close(done)
			s.follow(ctx, &url.URL{}, func(m string) error {
				mu.Lock()
				defer mu.Unlock()
				got = append(got, heard{time.Since(began), m})
				return nil
			})
		}()
		// A change every 50 ms for ten seconds, then none for a minute.
		for range 200 {
			time.Sleep(50 * time.Millisecond)
			data.change(func() {})
		}
		time.Sleep(4 * time.Second) // before the look that a beat brings
		mu.Lock()
		sofar := len(got)
		mu.Unlock()
		time.Sleep(56 * time.Second)
		stop()
		<-done
		var changes, beats []heard
		for i, h := range got {
			switch {
			case strings.HasPrefix(h.text, "event: changed\n") && i < sofar:
				changes = append(changes, h)
			case strings.Contains(h.text, "event: beat\n"):
				beats = append(beats, h)
			}
		}
		if n := len(changes); n < 9 || n > 12 {
			t.Errorf("ten seconds of changes brought %d events, want about 10", n)
		}
		for i := 1; i < len(changes); i++ {
			if apart := changes[i].at - changes[i-1].at; apart < eventEvery {
				t.Errorf("two events came %v apart", apart)
			}
		}
		if first, last := changes[0].at, changes[len(changes)-1].at; first > 2*eventEvery || last < 10*time.Second {
			t.Errorf("the first change was told after %v, the last after %v", first, last)
		}
		if len(beats) != 4 {
			t.Errorf("70 s brought %d beats, want 4", len(beats))
		}
	})
}

func TestEventsEndWhenTheClientIsGone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		data := newFakeData()
		s := serverOf(t, Deps{Data: data})
		done := make(chan struct{})
		go func() {
			defer close(done)
			n := 0
			s.follow(t.Context(), &url.URL{}, func(string) error {
				if n++; n > 1 {
					return errors.New("broken pipe")
				}
				return nil
			})
		}()
		<-done // by the first beat at the latest
	})
}

// served starts a server on a real socket and gives its address and a stop
// that waits for its end.
func served(t testing.TB, s *Server) (url string, stop func() error) {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(ctx, ln) }()
	t.Cleanup(cancel)
	return "http://" + ln.Addr().String(), func() error {
		cancel()
		select {
		case err := <-ended:
			return err
		case <-time.After(shutdownTimeout + 5*time.Second):
			return errors.New("the server did not end")
		}
	}
}

func TestStreamTellsOfAChangeAndEndsWithTheServer(t *testing.T) {
	deps, data := harbourSite(t)
	url, stop := served(t, serverOf(t, deps))
	answer, err := http.Get(url + "/events")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = answer.Body.Close() }()
	if kind := answer.Header.Get("Content-Type"); answer.StatusCode != 200 || kind != "text/event-stream" {
		t.Fatalf("status %d, %q", answer.StatusCode, kind)
	}
	lines := bufio.NewScanner(answer.Body)
	until := func(want string) {
		t.Helper()
		for lines.Scan() {
			if lines.Text() == want {
				return
			}
		}
		t.Fatalf("the stream ended before %q: %v", want, lines.Err())
	}
	until(": gapward")
	data.change(func() {})
	until("event: changed")
	until(`data: {"at":2}`)
	began := time.Now()
	if err := stop(); err != nil {
		t.Errorf("ending with an open stream: %v", err)
	}
	if took := time.Since(began); took > 20*time.Second {
		t.Errorf("ending with an open stream took %v", took)
	}
	for lines.Scan() {
	}
	if err := lines.Err(); err != nil {
		t.Errorf("the stream did not end in order: %v", err)
	}
}

func TestServeTellsWhenItsListenerFails(t *testing.T) {
	deps, _ := harbourSite(t)
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := ln.Close(); err != nil {
		t.Fatal(err)
	}
	if err := serverOf(t, deps).Serve(t.Context(), ln); err == nil || !strings.Contains(err.Error(), "serving the page on 127.0.0.1:") {
		t.Errorf("got %v", err)
	}
}

func TestTooManyStreamsAreTurnedAway(t *testing.T) {
	deps, _ := harbourSite(t)
	s := serverOf(t, deps)
	for range maxStreams {
		s.streams <- struct{}{}
	}
	w := get(s, "/events")
	if w.Code != http.StatusServiceUnavailable || w.Header().Get("Retry-After") == "" {
		t.Errorf("one stream too many: status %d, headers %v", w.Code, w.Header())
	}
	<-s.streams
	w = httptest.NewRecorder()
	s.Handler().ServeHTTP(w, httptest.NewRequest(http.MethodHead, "/events", nil))
	if w.Code != http.StatusOK || len(s.streams) != maxStreams-1 {
		t.Errorf("after one has gone: status %d with %d streams", w.Code, len(s.streams))
	}
}

// Two hundred may follow live at the same time, on real sockets, and each is
// told.
func TestTwoHundredFollowLive(t *testing.T) {
	deps, data := harbourSite(t)
	url, stop := served(t, serverOf(t, deps))
	const many = 200
	ready, told := make(chan struct{}, many), make(chan error, many)
	var all sync.WaitGroup
	client := &http.Client{Transport: &http.Transport{MaxConnsPerHost: many}}
	for i := range many {
		all.Go(func() {
			path := "/events"
			if i%2 == 1 {
				path += "?on=/brake/quay-1/creep"
			}
			answer, err := client.Get(url + path)
			if err != nil {
				told <- err
				return
			}
			defer func() { _ = answer.Body.Close() }()
			lines := bufio.NewScanner(answer.Body)
			for lines.Scan() {
				switch lines.Text() {
				case ": gapward":
					ready <- struct{}{}
				case "event: changed":
					told <- nil
					return
				}
			}
			told <- fmt.Errorf("the stream ended: %v", lines.Err())
		})
	}
	patience := time.After(2 * time.Minute)
	for n := 0; n < many; n++ {
		select {
		case <-ready:
		case err := <-told:
			t.Fatal(err)
		case <-patience:
			t.Fatalf("only %d streams were opened", n)
		}
	}
	data.change(func() {
		v := data.verdicts["quay-1/creep"]
		v.GapMM, v.AtNS = 1.37, v.AtNS+1
		data.verdicts["quay-1/creep"] = v
	})
	for n := 0; n < many; n++ {
		select {
		case err := <-told:
			if err != nil {
				t.Fatal(err)
			}
		case <-patience:
			t.Fatalf("only %d were told", n)
		}
	}
	all.Wait()
	if err := stop(); err != nil {
		t.Error(err)
	}
}
