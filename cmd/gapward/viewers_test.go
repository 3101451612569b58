package main

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"gapward/gateway/page/pagetest"
)

// BenchmarkViewers measures whether people who look at the page slow the
// polling down: a daemon with a thousand brakes is polled for a while without
// anybody looking, and then with two hundred browsers that follow it live, half
// of them the board and half a brake each, and that again and again in turn. It
// prints how many polls were made and how long one took on the average, with
// viewers over without; the device, the viewers and the daemon share the
// machine.
//
//	go test -run '^$' -bench Viewers -benchtime 1x -timeout 1h ./cmd/gapward
//	GAPWARD_VIEWERS=50 GAPWARD_BRAKES=64 …        of another number
func BenchmarkViewers(b *testing.B) {
	number := func(name string, usual int) int {
		if n, err := strconv.Atoi(os.Getenv(name)); err == nil {
			return n
		}
		return usual
	}
	viewers, brakes := number("GAPWARD_VIEWERS", 200), number("GAPWARD_BRAKES", 1000)
	for b.Loop() {
		program, path := filepath.Join(b.TempDir(), "gapward"), filepath.Join(b.TempDir(), "site.yaml")
		if out, err := exec.Command("go", "build", "-o", program, ".").CombinedOutput(); err != nil {
			b.Fatalf("%v\n%s", err, out)
		}
		page := largeSite(b, path, brakes)
		startFor(b, program, "simulate", path).find(b, regexp.MustCompile(`(?i)ctrl-c|answer`))
		daemon := startFor(b, program, "run", "--config", path)
		for deadline := time.Now().Add(10 * time.Minute); cyclesTotal(page) < float64(brakes); time.Sleep(time.Second) {
			if time.Now().After(deadline) {
				b.Fatalf("no cycles in ten minutes\n%s", daemon.err)
			}
		}
		pid := daemon.cmd.Process.Pid
		var without, with polled
		var sent, bytes atomic.Int64
		const turns, each = 3, 15 * time.Second
		for range turns {
			without.add(pollsDuring(b, page, pid, each))
			sent.Store(0)
			ctx, stop := context.WithCancel(b.Context())
			var all sync.WaitGroup
			for i := range viewers {
				at := "/"
				if i%2 == 1 {
					at = fmt.Sprintf("/brake/hall-%d/hoist", i%brakes)
				}
				all.Go(func() { pagetest.Follow(ctx, "http://"+page, at, &sent, &bytes) })
			}
			for deadline := time.Now().Add(5 * time.Minute); sent.Load() < int64(viewers) && time.Now().Before(deadline); {
				time.Sleep(100 * time.Millisecond) // until all have loaded it
			}
			time.Sleep(3 * time.Second)
			sent.Store(0)
			bytes.Store(0)
			with.add(pollsDuring(b, page, pid, each))
			stop()
			all.Wait()
			time.Sleep(2 * time.Second)
		}
		b.Logf("%d brakes            polls/s   mean poll   daemon's CPU", brakes)
		b.Logf("nobody looks        %8.1f   %6.3f ms   %10.2f", without.rate(), without.mean()*1e3, without.cpu/without.over.Seconds())
		b.Logf("%4d viewers        %8.1f   %6.3f ms   %10.2f   (in the last %v: %d parts, %.1f MB)", viewers, with.rate(), with.mean()*1e3, with.cpu/with.over.Seconds(), each, sent.Load(), float64(bytes.Load())/1e6)
		b.Logf("with over without   %8.3f   %6.2f×", with.rate()/without.rate(), with.mean()/without.mean())
		b.ReportMetric(with.rate()/without.rate(), "x-polls")
		b.ReportMetric(with.mean()/without.mean(), "x-poll-time")
		b.ReportMetric(float64(sent.Load())/each.Seconds(), "parts/s")
		if sent.Load() == 0 {
			b.Error("the viewers saw nothing")
		}
	}
}

// polled is what the daemon did in some time.
type polled struct {
	polls, seconds, cpu float64
	over                time.Duration
}

func (p *polled) add(o polled) {
	p.polls, p.seconds, p.cpu, p.over = p.polls+o.polls, p.seconds+o.seconds, p.cpu+o.cpu, p.over+o.over
}

func (p polled) rate() float64 { return p.polls / p.over.Seconds() }
func (p polled) mean() float64 { return p.seconds / p.polls }

// pollsDuring counts the polls of a while, by the daemon's own metrics.
func pollsDuring(b *testing.B, page string, pid int, d time.Duration) polled {
	b.Helper()
	at := func() (p polled, now time.Time) {
		answer, err := http.Get("http://" + page + "/metrics")
		if err != nil {
			b.Fatal(err)
		}
		defer func() { _ = answer.Body.Close() }()
		text, err := io.ReadAll(answer.Body)
		if err != nil {
			b.Fatal(err)
		}
		now = time.Now()
		for _, m := range regexp.MustCompile(`(?m)^gapward_poll_seconds_(count|sum)\{.*\} (\S+)$`).FindAllStringSubmatch(string(text), -1) {
			v, err := strconv.ParseFloat(m[2], 64)
			if err != nil {
				b.Fatal(err)
			}
			if m[1] == "count" {
				p.polls += v
			} else {
				p.seconds += v
			}
		}
		stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
		if err != nil {
			b.Fatal(err)
		}
		fields := strings.Fields(string(stat[strings.LastIndexByte(string(stat), ')')+1:]))
		for _, f := range fields[11:13] { // utime and stime, in hundredths of a second
			v, err := strconv.ParseFloat(f, 64)
			if err != nil {
				b.Fatal(err)
			}
			p.cpu += v / 100
		}
		return p, now
	}
	before, began := at()
	time.Sleep(d)
	after, ended := at()
	return polled{after.polls - before.polls, after.seconds - before.seconds, after.cpu - before.cpu, ended.Sub(began)}
}
