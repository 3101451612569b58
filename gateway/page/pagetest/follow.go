package pagetest

import (
	"bufio"
	"context"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"sync/atomic"
	"time"
)

// Follow is a browser that shows a page and follows it live, as the page's script
// does: whatever it is told of, it has what differs of the main part sent, one at a
// time. It counts what it is sent, until ctx ends.
func Follow(ctx context.Context, base, at string, sent, bytes *atomic.Int64) {
	client := &http.Client{Transport: &http.Transport{}}
	defer client.CloseIdleConnections()
	get := func(address string) (*http.Response, error) {
		r, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
		if err != nil {
			return nil, err
		}
		return client.Do(r)
	}
	have := ""
	read := func(address string) {
		answer, err := get(address)
		if err != nil {
			return
		}
		defer func() { _ = answer.Body.Close() }()
		n, err := io.Copy(io.Discard, answer.Body)
		if err == nil && answer.StatusCode == http.StatusOK {
			sent.Add(1)
			bytes.Add(n)
			have = answer.Header.Get("Gapward-Part")
		}
	}
	read(base + at)
	told := make(chan string, 1)
	look := regexp.MustCompile(`^data: \{"at":(\d+)\}`)
	go func() {
		for ctx.Err() == nil {
			answer, err := get(base + "/events?on=" + url.QueryEscape(at))
			if err != nil {
				time.Sleep(100 * time.Millisecond)
				continue
			}
			lines := bufio.NewScanner(answer.Body)
			for lines.Scan() {
				if m := look.FindStringSubmatch(lines.Text()); m != nil {
					select {
					case told <- m[1]:
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
		case look := <-told:
			read(base + at + "?fragment=1&at=" + look + "&have=" + have)
		}
	}
}
