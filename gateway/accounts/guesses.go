package accounts

import (
	"maps"
	"net/netip"
	"slices"
	"strings"
	"time"
)

// Guessing is slowed: after so many wrong passwords within this time the next
// has to wait. The least is for one name from one address. An address may try
// a few names more, for many people may come from one; and a name may be tried
// from many addresses far more often, so that nobody can lock somebody else out
// by guessing in their name. Whoever has signed in from an address before, or
// sits at the gateway itself, isn't slowed by what others do at all.
const (
	wrongWithin = 15 * time.Minute
	mostWrong   = 5  // for one name from one address
	mostFromOne = 20 // from one address, whatever the names
	mostForName = 50 // for one name, wherever from
	knownFor    = 30 * 24 * time.Hour
	mostWatched = 10_000
)

// attempt is a name and where it is tried from.
type attempt struct{ name, from string }

// attemptOf is the attempt of a name from an address. Who has an IPv6 address
// has a whole network of 64 bits, so it counts as one.
func attemptOf(name, from string) attempt {
	if ip, err := netip.ParseAddr(from); err == nil {
		ip = ip.Unmap().WithZone("")
		if from = ip.String(); ip.Is6() && !ip.IsLoopback() {
			if net, err := ip.Prefix(64); err == nil {
				from = net.String()
			}
		}
	}
	return attempt{strings.ToLower(name), from}
}

// local reports whether it is tried at the gateway itself.
func (a attempt) local() bool {
	ip, err := netip.ParseAddr(a.from)
	return err == nil && ip.IsLoopback()
}

// guesses are the wrong passwords of late, and where people have come from.
type guesses struct {
	wrong map[attempt][]time.Time // with name or from empty: of all
	known map[attempt]time.Time   // signed in rightly, when last
}

func newGuesses() guesses {
	return guesses{wrong: map[attempt][]time.Time{}, known: map[attempt]time.Time{}}
}

// limits are what an attempt counts for, and how often that may be wrong.
func (g *guesses) limits(a attempt, now time.Time) map[attempt]int {
	limits := map[attempt]int{a: mostWrong}
	if last, ok := g.known[a]; ok && now.Sub(last) < knownFor || a.local() {
		return limits
	}
	limits[attempt{from: a.from}], limits[attempt{name: a.name}] = mostFromOne, mostForName
	return limits
}

// wait is how long an attempt has to wait.
func (g *guesses) wait(a attempt, now time.Time) (wait time.Duration) {
	for of, most := range g.limits(a, now) {
		if times := g.recent(of, now); len(times) >= most {
			wait = max(wait, times[len(times)-most].Add(wrongWithin).Sub(now))
		}
	}
	return wait
}

// recent are the wrong ones of late.
func (g *guesses) recent(of attempt, now time.Time) []time.Time {
	times := g.wrong[of]
	for len(times) > 0 && now.Sub(times[0]) >= wrongWithin {
		times = times[1:]
	}
	if len(times) == 0 {
		delete(g.wrong, of)
		return nil
	}
	g.wrong[of] = times
	return times
}

// count takes note of a wrong one.
func (g *guesses) count(a attempt, now time.Time) {
	for of := range g.limits(a, now) {
		if _, ok := g.wrong[of]; !ok && len(g.wrong) >= mostWatched {
			forgetOldest(g.wrong, mostWatched, func(times []time.Time) time.Time { return times[len(times)-1] })
		}
		g.wrong[of] = append(g.recent(of, now), now)
	}
}

// right takes note that a password was right.
func (g *guesses) right(a attempt, now time.Time) {
	delete(g.wrong, a)
	forgetOldest(g.known, mostWatched, func(last time.Time) time.Time { return last })
	g.known[a] = now
}

// forgetOldest makes room where a map is full: a quarter of it, the oldest.
func forgetOldest[V any](all map[attempt]V, most int, when func(V) time.Time) {
	if len(all) < most {
		return
	}
	keys := slices.SortedFunc(maps.Keys(all), func(a, b attempt) int { return when(all[a]).Compare(when(all[b])) })
	for _, k := range keys[:len(keys)/4] {
		delete(all, k)
	}
}
