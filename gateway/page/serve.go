package page

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"time"
)

// How long a client may take, so that a slow or dead one holds nothing for
// long. Event streams set their own limit for each write.
const (
	headerTimeout   = 5 * time.Second
	readTimeout     = 10 * time.Second
	writeTimeout    = 30 * time.Second
	idleTimeout     = 90 * time.Second
	shutdownTimeout = 5 * time.Second
)

// Serve answers requests from ln until ctx ends, then ends the event streams,
// lets requests under way finish for a few seconds and closes. It closes ln
// and may be called once. After an orderly end it returns nil.
func (s *Server) Serve(ctx context.Context, ln net.Listener) error {
	srv := &http.Server{
		Handler:           s.handler,
		ReadHeaderTimeout: headerTimeout,
		ReadTimeout:       readTimeout,
		WriteTimeout:      writeTimeout,
		IdleTimeout:       idleTimeout,
		MaxHeaderBytes:    16 << 10,
		ErrorLog:          slog.NewLogLogger(s.deps.Log.Handler(), slog.LevelDebug),
	}
	served := make(chan error, 1)
	go func() { served <- srv.Serve(ln) }()
	select {
	case err := <-served:
		close(s.ending)
		return fmt.Errorf("serving the page on %s: %w", ln.Addr(), err)
	case <-ctx.Done():
	}
	close(s.ending)
	// The time to finish begins when ctx has already ended.
	grace, cancel := context.WithTimeout(context.WithoutCancel(ctx), shutdownTimeout)
	defer cancel()
	err := srv.Shutdown(grace)
	if err != nil {
		err = errors.Join(fmt.Errorf("ending the page on %s: requests did not finish within %v: %w", ln.Addr(), shutdownTimeout, err), srv.Close())
	}
	<-served
	return err
}

// guarded sets the headers that every answer carries, refusals included.
//
// Scripts, styles and pictures come from this server only and none is written
// into a page, so a name that slipped through unescaped could still not run.
func (s *Server) guarded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		defer func() {
			thrown := recover()
			if thrown == nil {
				return
			}
			if thrown == http.ErrAbortHandler {
				panic(thrown)
			}
			s.deps.Log.Error("answering a request failed", "path", r.URL.Path, "panic", thrown)
			panic(http.ErrAbortHandler)
		}()
		next.ServeHTTP(w, r)
	})
}

// answerProbe answers a health check: 200, or 503 with a reason on each line.
func answerProbe(w http.ResponseWriter, well string, check func() error) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	if check != nil {
		if err := check(); err != nil {
			w.WriteHeader(http.StatusServiceUnavailable)
			for line := range strings.Lines(err.Error()) {
				if line = strings.TrimSpace(line); line != "" {
					_, _ = fmt.Fprintln(w, line) // the client is gone if it fails
				}
			}
			return
		}
	}
	_, _ = fmt.Fprintln(w, well)
}
