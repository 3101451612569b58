package page

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"strings"
	"sync"
	"time"

	"gapward/analysis"
	"gapward/gateway/figures"
	"gapward/gateway/store"
)

// plotCache keeps the plots drawn last. Drawing takes turns: it is the only
// costly thing that the page does.
type plotCache struct {
	mu    sync.Mutex
	drawn map[string][]byte
	order []string // of the keys, the oldest first
}

const keptPlots = 128

// get gives the plot of that key, and draws it where it isn't kept.
func (c *plotCache) get(key string, paint func() ([]byte, error)) ([]byte, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if svg, ok := c.drawn[key]; ok {
		return svg, nil
	}
	svg, err := paint()
	if err != nil {
		return nil, err
	}
	if c.drawn == nil {
		c.drawn = map[string][]byte{}
	}
	if len(c.order) >= keptPlots {
		delete(c.drawn, c.order[0])
		c.order = c.order[1:]
	}
	c.drawn[key] = svg
	c.order = append(c.order, key)
	return svg, nil
}

// drawn is a plot that is kept, or is drawn in its turn.
func (s *Server) drawn(ctx context.Context, key string, paint func() ([]byte, error)) ([]byte, error) {
	return s.plots.get(key, func() (svg []byte, err error) {
		err = s.makes(ctx, func() error {
			svg, err = paint()
			return err
		})
		return svg, err
	})
}

// plotVersion changes whenever the plot of a gap would.
func plotVersion(s *standing, lastCycle, lastEntry int64, now time.Time) string {
	return fmt.Sprintf("%d.%d.%d.%d.%d", lastCycle, lastEntry, s.adjust.AtNS/1e9, s.max.AtNS/1e9, now.Unix()/3600)
}

// plotOf reads the brake and size that a plot's address asks for, and answers
// where there is none.
func (s *Server) plotOf(w http.ResponseWriter, r *http.Request) (b *Brake, sz figures.Size, ok bool) {
	name, isSVG := strings.CutSuffix(r.PathValue("file"), ".svg")
	b = s.byName[name]
	if !isSVG || b == nil {
		http.Error(w, "there is no such plot", http.StatusNotFound)
		return nil, figures.Size{}, false
	}
	if r.URL.Query().Get("narrow") == "1" {
		return b, figures.Narrow(), true
	}
	return b, figures.Wide(), true
}

func (s *Server) gapPlot(w http.ResponseWriter, r *http.Request) {
	b, sz, ok := s.plotOf(w, r)
	if !ok {
		return
	}
	span, err := parseSpan(r.URL.Query().Get("span"))
	if err != nil {
		http.Error(w, err.Error(), http.StatusBadRequest)
		return
	}
	ctx, now := r.Context(), s.deps.Now()
	last, err := s.deps.Data.Cycles(ctx, b.Name, 0, math.MaxInt64, 1)
	if err != nil {
		s.unplottable(w, r, err)
		return
	}
	var lastID int64
	if len(last) > 0 {
		lastID = last[0].ID
	}
	marks, err := s.handMarks(ctx, b.Name, span)
	if err != nil {
		s.unplottable(w, r, err)
		return
	}
	// A look a moment ago will do, if it is of what the page has shown.
	g, err := s.glances.recent(ctx)
	if err == nil && plotVersion(g.value.find(b.Name), lastID, marks.latest, now) != r.URL.Query().Get("v") {
		g, err = s.arrivals.newest(ctx)
	}
	if err != nil {
		s.unplottable(w, r, err)
		return
	}
	at := g.value.find(b.Name)
	key := fmt.Sprintf("gap %s %s %v %s", b.Name, span.key, sz, plotVersion(at, lastID, marks.latest, now))
	svg, err := s.drawn(ctx, key, func() ([]byte, error) {
		points, err := s.deps.Data.Thinned(ctx, b.Name, span.fromNS(now), math.MaxInt64, figures.PointsOf(sz))
		if err != nil {
			return nil, err
		}
		filtered, err := s.deps.Data.Filtered(ctx, b.Name, span.fromNS(now), math.MaxInt64, figures.PointsOf(sz))
		if err != nil {
			return nil, err
		}
		if len(points) == 0 {
			// By hand alone: the readings are what was seen. What was thought of the
			// gap until the next one was entered may lie far off them.
			filtered = nil
		}
		h := marks
		h.Filtered, h.Brake, h.Limits, h.Points = filtered, b.Name, b.Limits, points
		h.Foresee(at.forecasts())
		return figures.GapCurve(h.GapHistory, sz)
	})
	if err != nil {
		s.unplottable(w, r, err)
		return
	}
	sendPlot(w, r, svg)
}

// drawnCycles is of how many of the latest cycles the times are drawn.
const drawnCycles = 400

// timesPlot is the picture of the latest release and set times.
func (s *Server) timesPlot(w http.ResponseWriter, r *http.Request) {
	b, sz, ok := s.plotOf(w, r)
	if !ok {
		return
	}
	ctx := r.Context()
	rows, err := s.deps.Data.Cycles(ctx, b.Name, 0, math.MaxInt64, drawnCycles)
	if err != nil {
		s.unplottable(w, r, err)
		return
	}
	cycles := cyclesOnly(rows)
	if !figures.HasTimes(cycles) {
		http.Error(w, "no times were measured in the latest cycles", http.StatusNotFound)
		return
	}
	key := fmt.Sprintf("times %s %v %d", b.Name, sz, rows[len(rows)-1].ID)
	svg, err := s.drawn(ctx, key, func() ([]byte, error) {
		return figures.TimesCurve(figures.TimesHistory{Brake: b.Name, Cycles: cycles, Timing: b.Timing, Zone: s.deps.Now().Location()}, sz)
	})
	if err != nil {
		s.unplottable(w, r, err)
		return
	}
	sendPlot(w, r, svg)
}

// handMarks are what a plot of a gap shows of the ledger.
type handMarks struct {
	latest int64 // entry, by its number
	figures.GapHistory
}

// handMarks reads what a brake's ledger has for a plot of a span.
func (s *Server) handMarks(ctx context.Context, brake string, span span) (m handMarks, err error) {
	m.Until = s.deps.Now()
	m.FromNS = span.fromNS(m.Until)
	if s.deps.Ledger == nil {
		return m, nil
	}
	rows, err := s.deps.Ledger.Ledger(ctx, brake)
	if err != nil {
		return m, err
	}
	for _, row := range rows {
		m.latest = max(m.latest, row.ID)
	}
	m.AddLedger(store.Entries(rows))
	return m, nil
}

func (s *Server) cyclePlot(w http.ResponseWriter, r *http.Request) {
	b, sz, ok := s.plotOf(w, r)
	if !ok {
		return
	}
	ctx := r.Context()
	wave, has, err := s.deps.Data.Waveform(ctx, b.Name)
	if err != nil {
		s.unplottable(w, r, err)
		return
	}
	if !has || len(wave.TimesNS) == 0 {
		http.Error(w, "no travel is kept of the last cycle", http.StatusNotFound)
		return
	}
	key := fmt.Sprintf("cycle %s %v %d", b.Name, sz, wave.CycleAtNS)
	svg, err := s.drawn(ctx, key, func() ([]byte, error) {
		c := analysis.Cycle{SetLevelMM: math.NaN(), ReleasedLevelMM: math.NaN(), ReleaseS: math.NaN(), SetS: math.NaN()}
		cycles, err := s.deps.Data.Cycles(ctx, b.Name, wave.CycleAtNS, wave.CycleAtNS+1, 1)
		if err != nil {
			return nil, err
		}
		if len(cycles) > 0 {
			c = cycles[0].Cycle
		}
		return figures.CycleCurve(b.Name, wave.Waveform, c, sz)
	})
	if err != nil {
		s.unplottable(w, r, err)
		return
	}
	sendPlot(w, r, svg)
}

func (s *Server) unplottable(w http.ResponseWriter, r *http.Request, err error) {
	if r.Context().Err() != nil {
		return // the client has left
	}
	s.deps.Log.Error("making a plot failed", "path", r.URL.Path, "error", err)
	http.Error(w, "the plot could not be made; the gateway's log says why", http.StatusInternalServerError)
}

// sendPlot sends a plot. A version in its address makes it a picture that
// never changes; its style sheet is written in it, which its own policy
// allows and the page's doesn't.
func sendPlot(w http.ResponseWriter, r *http.Request, svg []byte) {
	w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'")
	cache := "no-cache"
	if r.URL.Query().Get("v") != "" {
		cache = "private, max-age=86400"
	}
	sendCached(w, r, "image/svg+xml", cache, tagOf(svg), svg)
}
