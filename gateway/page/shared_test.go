package page

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/store"
)

// yard is a site of many brakes on a quarter as many cranes, of which every
// third has one or two alarms.
func yard(t testing.TB, n int) (Deps, *fakeData) {
	t.Helper()
	deps, data := harbourSite(t)
	verdict, forecast := data.verdicts["quay-1/main"], data.forecasts[:2]
	model := data.active
	deps.Brakes, data.forecasts, data.active = nil, nil, nil
	data.verdicts = map[string]analysis.Verdict{}
	for i := range n {
		b := brakeOf(fmt.Sprintf("hall-%d/hoist-%d", i/4, i%4), "QK-90", 1.2, 1.6, 2.8, 3.4)
		b.Crane, b.Chain = fmt.Sprintf("hall-%d", i/4), fmt.Sprintf("hall-%d hoist", i/4)
		deps.Brakes = append(deps.Brakes, b)
		data.verdicts[b.Name] = verdict
		for _, f := range forecast {
			f.Brake = b.Name
			data.forecasts = append(data.forecasts, f)
		}
		if i%3 == 0 {
			for _, a := range model[:1+i%2] {
				a.ID, a.Brake = int64(len(data.active)+1), b.Name
				data.active = append(data.active, a)
			}
		}
		data.cycles[b.Name] = data.cycles["quay-2/main"]
		data.waves[b.Name] = data.waves["quay-2/main"]
	}
	return deps, data
}

// firstPaint is how many bytes a browser needs to show a page for the first
// time: the page itself, its style and its script. The plots come after it.
func firstPaint(t *testing.T, s *Server, path string) int {
	t.Helper()
	w := getHere(s, path)
	if w.Code != 200 {
		t.Fatalf("%s: status %d", path, w.Code)
	}
	total := w.Body.Len()
	for _, link := range regexp.MustCompile(`/static/[^"]+`).FindAllString(w.Body.String(), -1) {
		total += getHere(s, link).Body.Len()
	}
	return total
}

// However many brakes there are, a page is seen after less than 100 kB, none of
// them compressed.
func TestFirstPaintIsSmall(t *testing.T) {
	full := everySite(t)
	full.Accounts = nil
	for _, c := range []struct {
		name string
		deps Deps
		path string
	}{
		{"the harbour", full, "/"}, {"a brake", full, "/brake/quay-2/main"}, {"its year", full, "/brake/quay-2/main?span=1y"}, {"alarms", full, "/alarms"}, {"the ledger's form", full, "/enter?brake=quay-2/main"},
		{"40 brakes", first(yard(t, 40)), "/"}, {"40 brakes by crane", first(yard(t, 40)), "/?by=crane"}, {"one of 200", first(yard(t, 200)), "/brake/hall-3/hoist-1"},
		{"200 brakes", first(yard(t, 200)), "/"}, {"1000 brakes", first(yard(t, 1000)), "/"}, {"1000 brakes by chain", first(yard(t, 1000)), "/?by=chain&from=481"},
		{"1000 brakes' alarms", rang(yard(t, 1000)), "/alarms"}, {"further ones", rang(yard(t, 1000)), "/alarms?from=201&past=51"}, {"a brake's alarms", full, "/alarms?brake=quay-2/main"},
		{"entering, 1000 brakes", many(full, 1000), "/enter"}, {"the record, 1000 brakes", many(full, 1000), "/report"}, {"the audit", full, "/audit"},
	} {
		n := firstPaint(t, serverOf(t, c.deps), c.path)
		t.Logf("%-22s %6d bytes", c.name, n)
		if n >= 100_000 {
			t.Errorf("%s: the first paint takes %d bytes, want less than 100 kB", c.name, n)
		}
	}
}

func first(d Deps, _ *fakeData) Deps { return d }

// rang is a yard in whose past every alarm that stands has come and gone often,
// and who looks may act.
func rang(d Deps, data *fakeData) Deps {
	for range 5 {
		data.alarms = append(data.alarms, data.active...)
	}
	d.Alarms = &rung{}
	return d
}

// many is a site with so many brakes more.
func many(d Deps, n int) Deps {
	d.Brakes = slices.Clone(d.Brakes)
	for i := range n {
		d.Brakes = append(d.Brakes, brakeOf(fmt.Sprintf("hall-%d/hoist-%d", i/4, i%4), "QK-90", 1.2, 1.6, 2.8, 3.4))
	}
	return d
}

// Through all pages of the board every brake is shown once, the worst first.
func TestTheBoardHasPages(t *testing.T) {
	deps, _ := yard(t, 100)
	s := serverOf(t, deps)
	seen, path := map[string]int{}, "/"
	for pages := 0; path != ""; pages++ {
		if pages > 10 {
			t.Fatal("the pages never end")
		}
		body := get(s, path).Body.String()
		rows := regexp.MustCompile(`<li id="(brake-[^"]+)" class="row ([a-z]+)"`).FindAllStringSubmatch(body, -1)
		for _, m := range rows {
			seen[m[1]]++
			if pages == 0 && m[2] == "normal" {
				t.Error("a brake in limits stands on the first page before one that wants attention")
			}
		}
		if pages == 1 && (!strings.Contains(words(body), "Worse ones 21 to 40 of 100 Further ones") || !strings.Contains(body, `<a href="/?" rel="prev">`)) {
			t.Errorf("the second page leads to %q", regexp.MustCompile(`(?s)<nav class="spans pages".*?</nav>`).FindString(body))
		}
		path = ""
		if m := regexp.MustCompile(`href="([^"]+)" rel="next"`).FindStringSubmatch(body); m != nil {
			path = strings.ReplaceAll(m[1], "&amp;", "&")
		}
	}
	if len(seen) != 100 {
		t.Errorf("%d brakes were shown, want 100", len(seen))
	}
	for name, n := range seen {
		if n != 1 {
			t.Errorf("%s was shown %d times", name, n)
		}
	}
	if body := get(s, "/?by=crane&state=abnormal&from=21").Body.String(); !strings.Contains(body, `href="/?by=crane&amp;state=abnormal"`) {
		t.Error("leafing through forgets the filter")
	}
	for from, want := range map[string]int{"0": 400, "x": 400, "-3": 400, "999": 200} {
		if w := get(s, "/?from="+from); w.Code != want {
			t.Errorf("from=%s: status %d, want %d", from, w.Code, want)
		}
	}
	if body := get(s, "/?from=999").Body.String(); !strings.Contains(body, `href="/?from=81"`) {
		t.Error("beyond the end there is no way back")
	}
}

// Two hundred who ask at the same time, again and again while the store changes
// all the while, cost one making a second; and nobody is given what is older
// than the change that he asked after.
func TestWhatManyFollowIsMadeOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var stored, made atomic.Int64
		var mu sync.Mutex
		changed := make(chan struct{})
		change := func() {
			mu.Lock()
			defer mu.Unlock()
			stored.Add(1)
			close(changed)
			changed = make(chan struct{})
		}
		now := func() <-chan struct{} {
			mu.Lock()
			defer mu.Unlock()
			return changed
		}
		p := newShared(sharedEvery, sharedKeep, time.Now, now, func(context.Context) (int64, error) {
			made.Add(1)
			v := stored.Load()
			time.Sleep(30 * time.Millisecond)
			return v, nil
		})
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		var followers sync.WaitGroup
		answers := atomic.Int64{}
		for range 200 {
			followers.Go(func() {
				for ctx.Err() == nil {
					at := stored.Load()
					got, err := p.newest(ctx)
					if err == nil && got.value < at {
						t.Errorf("asked after change %d and was given %d", at, got.value)
					}
					answers.Add(1)
					time.Sleep(100 * time.Millisecond)
				}
			})
		}
		for range 1000 { // ten seconds
			change()
			time.Sleep(10 * time.Millisecond)
		}
		stop()
		followers.Wait()
		if n := made.Load(); n < 8 || n > 11 {
			t.Errorf("it was made %d times in ten seconds", n)
		}
		if n := answers.Load(); n < 200*8 {
			t.Errorf("only %d answers", n)
		}
	})
}

// Where nothing changes, nothing is made; and what failed is tried again.
func TestWhatManyFollowIsKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		never, made := make(chan struct{}), 0
		var fail error
		p := newShared(sharedEvery, sharedKeep, time.Now, func() <-chan struct{} { return never }, func(context.Context) (int, error) { made++; return made, fail })
		get := func(with error) (int, error) {
			fail = with
			got, err := p.newest(t.Context())
			return got.value, err
		}
		if _, err := get(errors.New("broken")); err == nil {
			t.Error("a failure was swallowed")
		}
		if v, err := get(nil); v != 2 || err != nil {
			t.Errorf("after a failure: %d, %v", v, err)
		}
		time.Sleep(sharedKeep / 2)
		if v, _ := get(nil); v != 2 {
			t.Error("it was made anew without cause")
		}
		time.Sleep(sharedKeep)
		if v, _ := get(nil); v != 3 {
			t.Error("it is kept for ever")
		}
	})
}

// Who follows one brake is told of what its page shows, and of nothing else.
func TestWhoFollowsABrakeHearsOfThatBrake(t *testing.T) {
	deps, data := harbourSite(t)
	synctest.Test(t, func(t *testing.T) {
		s := serverOf(t, deps)
		data.change(func() {}) // so that its channel is of this bubble
		ctx, stop := context.WithCancel(t.Context())
		var heard atomic.Int64
		done := make(chan struct{})
		go func() {
			defer close(done)
			s.follow(ctx, &url.URL{Path: "/brake/quay-2/main"}, func(m string) error {
				if strings.HasPrefix(m, "event: changed") {
					heard.Add(1)
				}
				return nil
			})
		}()
		time.Sleep(time.Second)
		newer := func(name string) {
			data.change(func() {
				v := data.verdicts[name]
				v.AtNS++
				data.verdicts[name] = v
			})
			time.Sleep(5 * time.Second)
		}
		for _, c := range []struct {
			brake string
			want  int64
		}{{"quay-2/main", 1}, {"quay-1/main", 1}, {"gantry-1/hoist", 1}, {"quay-2/main", 2}, {"quay-2/creep", 3}, {"quay-1/creep", 3}} {
			if newer(c.brake); heard.Load() != c.want {
				t.Errorf("after a cycle of %s it has heard %d times, want %d", c.brake, heard.Load(), c.want)
			}
		}
		data.change(func() {
			data.active = append(data.active, store.AlarmRow{ID: 99, Event: alerts.Event{Brake: "quay-2/main", Condition: analysis.NotSet, State: alerts.Unacknowledged}})
		})
		time.Sleep(5 * time.Second)
		if heard.Load() != 4 {
			t.Error("a new alarm of the brake is not told")
		}
		stop()
		<-done
	})
}

// What is shared shows an act of somebody else at once to who loads the page.
func TestALoadedPageIsNeverOld(t *testing.T) {
	deps, data := harbourSite(t)
	s := serverOf(t, deps)
	for i := range 3 {
		gap := 1.5 + float64(i)/10
		data.change(func() {
			v := data.verdicts["quay-1/creep"]
			v.GapMM = gap
			data.verdicts["quay-1/creep"] = v
		})
		for _, path := range []string{"/", "/brake/quay-1/creep", "/?fragment=1", "/brake/quay-1/creep?fragment=1"} {
			if body := get(s, path).Body.String(); !strings.Contains(body, fmt.Sprintf("<b>%.2f</b>", gap)) {
				t.Errorf("%s doesn't show the gap of %.2f mm", path, gap)
			}
		}
	}
}
