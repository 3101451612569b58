package pagetest

import (
	"bufio"
	"context"
	"io"
	"net/http"
	"strings"
	"sync/atomic"
	"time"
)

// Follow is a browser that shows a page and follows it live, as the page's script
// does: whatever it is told of, it has the main part sent anew, one at a time. It
// counts what it is sent, until ctx ends.
func Follow(ctx context.Context, base, at string, sent, bytes *atomic.Int64) {
	client := &http.Client{Transport: &http.Transport{}}
	defer client.CloseIdleConnections()
	get := func(url string) (*http.Response, error) {
		r, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
		if err != nil {
			return nil, err
		}
		return client.Do(r)
	}
	read := func(url string) {
		answer, err := get(url)
		if err != nil {
			return
		}
		defer func() { _ = answer.Body.Close() }()
		n, err := io.Copy(io.Discard, answer.Body)
		if err == nil && answer.StatusCode == http.StatusOK {
			sent.Add(1)
			bytes.Add(n)
		}
	}
	read(base + at)
	told := make(chan struct{}, 1)
	go func() {
		for ctx.Err() == nil {
			answer, err := get(base + "/events?on=" + at)
			if err != nil {
				time.Sleep(100 * time.Millisecond)
				continue
			}
			lines := bufio.NewScanner(answer.Body)
			for lines.Scan() {
				if strings.HasPrefix(lines.Text(), "event: ") {
					select {
					case told <- struct{}{}:
					default:
					}
				}
			}
			_ = answer.Body.Close()
		}
	}()
	for {
		select {
		case <-ctx.Done():
			return
		case <-told:
			read(base + at + "?fragment=1")
		}
	}
}
