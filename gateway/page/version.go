package page

import (
	"context"
	"fmt"
	"hash/fnv"
	"net/url"
	"strings"
)

// version changes whenever a page would say something new; on is its address.
func (s *Server) version(ctx context.Context, g seen[gathered], on *url.URL) (string, error) {
	name, isBrake := strings.CutPrefix(on.Path, "/brake/")
	switch {
	case on.Path == "/":
		// The board is what most look at, and made once for all of them.
		f, err := s.parseFilter(on.Query())
		if err != nil {
			break
		}
		p, err := s.part(ctx, partKey(on), g, func(g gathered) (view, error) { return s.boardView(g, f), nil })
		return p.tag, err
	case isBrake && s.byName[name] != nil:
		return s.brakeVersion(g.value, name), nil
	case on.Path == "/alarms":
		return g.value.events, nil
	}
	return fmt.Sprint(g.n), nil
}

// brakeVersion changes whenever the page of a brake would say something new. To
// make the page for that would cost far more.
func (s *Server) brakeVersion(g gathered, name string) string {
	b, now := g.find(name), s.deps.Now()
	sources, _ := s.sources(now)
	sum := fnv.New64a()
	say := func(what ...any) { _, _ = fmt.Fprintln(sum, what...) } // a hash never fails
	say(viewRow(b, now), sources, s.entered.Load())
	for i := range g.brakes {
		one := &g.brakes[i]
		if one != b && (b.brake.Chain == "" || one.brake.Chain != b.brake.Chain) {
			continue
		}
		say(one.brake.Name, one.verdict.AtNS, one.verdict.Full, one.verdict.Jogs, one.adjust.AtNS, one.max.AtNS)
		for _, a := range one.alarms {
			say(a.ID)
		}
		for _, a := range one.held {
			say(a.ID)
		}
	}
	return fmt.Sprintf("%016x", sum.Sum64())
}

// tagOf tells a text from all others.
func tagOf(text []byte) string {
	sum := fnv.New64a()
	_, _ = sum.Write(text) // a hash never fails
	return fmt.Sprintf("%016x", sum.Sum64())
}
