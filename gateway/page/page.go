// Package page is what people see of gapward in a browser: the board of all
// brakes, the worst first, a page for each brake, and the same as JSON.
//
// It mostly reads. What changes anything (acts on alarms, entries of the ledger)
// it takes only from those who may: by their account, or where there are none
// from its own machine alone. Everything is in the HTML as it leaves the server; a small
// script keeps an open page up to date, and without it a page is merely as old
// as its loading.
package page

import (
	"context"
	"errors"
	"fmt"
	"html/template"
	"log/slog"
	"net/http"
	"sync/atomic"
	"time"

	"gapward/analysis"
	"gapward/gateway/accounts"
	"gapward/gateway/report"
	"gapward/gateway/store"
	"gapward/sensors"
)

// Brake is what the page must know of a brake beyond what is stored of it.
type Brake struct {
	Name, Crane, Kind, Model string
	Limits                   analysis.Limits
	Timing                   analysis.Timing
	Chain                    string // name of the holding chain, empty where it is in none
	Signals                  []sensors.Signal
}

// SourceHealth is whether a device answers.
type SourceHealth struct {
	Device string
	OK     bool
	Since  time.Time // when OK last changed
	Error  string    // of the latest request that failed, while not OK
}

// Data is what the page reads from the store. Its methods may be called from
// several goroutines at a time.
type Data interface {
	// Verdicts reads the latest verdict on every brake.
	Verdicts(ctx context.Context) ([]store.VerdictRow, error)
	// LatestForecasts reads the latest forecast for each limit of every brake.
	LatestForecasts(ctx context.Context) ([]store.ForecastRow, error)
	// ActiveAlarms reads the latest event of every alarm that isn't normal.
	ActiveAlarms(ctx context.Context) ([]store.AlarmRow, error)
	// Alarms reads the latest events of a brake, or of all where it is empty,
	// the newest first.
	Alarms(ctx context.Context, brake string, limit int) ([]store.AlarmRow, error)
	// Cycles reads the newest limit cycles with fromNS <= time < toNS, the
	// oldest of them first.
	Cycles(ctx context.Context, brake string, fromNS, toNS int64, limit int) ([]store.CycleRow, error)
	// Thinned reads the gaps of a span as about n points.
	Thinned(ctx context.Context, brake string, fromNS, toNS int64, n int) ([]store.GapPoint, error)
	// Filtered reads the course of the filtered gap as about n points.
	Filtered(ctx context.Context, brake string, fromNS, toNS int64, n int) ([]store.FilteredGap, error)
	// Waveform reads the travel of a brake's latest cycle.
	Waveform(ctx context.Context, brake string) (w store.WaveformRow, ok bool, err error)
	// Changed gives a channel that is closed when any of it changes.
	Changed() <-chan struct{}
}

// Deps are what a [Server] needs. Brakes and Data must be given; of the rest
// the zero value has a meaning.
type Deps struct {
	Site   string
	Demo   string // a banner on every page, where it isn't empty
	Brakes []Brake
	Data   Data
	Health func() []SourceHealth // nil: no sources are shown
	// Heard tells whether a signal of a brake is heard and good; nil: all are
	// taken to be, but for their alarms.
	Heard  func(brake string, signal sensors.Signal) bool
	Ledger Ledger // nil: there is none
	Alarms Alarms // nil: nobody can act on alarms
	// Plan is the adjust plan for a brake and those that hold the load with it;
	// nil: none is shown.
	Plan func(ctx context.Context, brake string) (analysis.ChainPlan, error)
	// Record makes an inspection record; nil: there is none.
	Record  func(ctx context.Context, q report.Query) (*report.Record, error)
	Metrics http.Handler // nil: there is no /metrics
	Ready   func() error // nil, or returning nil: ready; one reason a line otherwise
	Alive   func() error // likewise
	Version string
	// Accounts are who may do what; nil: everybody reads, and who is at this
	// machine acts.
	Accounts   *accounts.Desk
	OpenToRead bool        // with accounts: this machine reads without
	Hosts      []string    // names that the page answers to; nil: all
	LocalToken string      // by which commands at this machine are known
	Audit      func(Audit) // told of what people do; nil: nobody is
	// ReadAudit reads the latest so many of what it was told, the newest first;
	// nil: it is shown to nobody.
	ReadAudit func(limit int) ([]Audit, error)
	Now       func() time.Time // nil: time.Now; its location is the page's time zone
	Log       *slog.Logger     // nil: nothing is logged
}

// Server serves the page. It is safe for use by several goroutines.
type Server struct {
	deps     Deps
	byName   map[string]*Brake
	pages    *template.Template
	assets   assets
	plots    plotCache
	used     used
	parts    parts
	glances  *shared[gathered] // of those who follow …
	arrivals *shared[gathered] // … and of those who load a page
	turns    turns             // of those who follow
	entered  atomic.Int64      // how often the ledger was written to
	making   chan struct{}     // a place for each page that may be made at the same time
	handler  http.Handler
	ending   chan struct{} // closed when Serve ends, so that event streams end too
	streams  chan struct{} // a place for each event stream that may be open
}

// maxStreams is how many browsers may follow live at a time. Each holds a
// connection; a browser turned away shows its page all the same, not live.
const maxStreams = 256

// New makes a server. It fails where what it needs is missing or two brakes
// have one name.
func New(d Deps) (*Server, error) {
	if d.Data == nil {
		return nil, errors.New("making the page: it has no data to show")
	}
	if d.Now == nil {
		d.Now = time.Now
	}
	if d.Log == nil {
		d.Log = slog.New(slog.DiscardHandler)
	}
	if d.Health == nil {
		d.Health = func() []SourceHealth { return nil }
	}
	s := &Server{deps: d, byName: make(map[string]*Brake, len(d.Brakes)),
		ending: make(chan struct{}), streams: make(chan struct{}, maxStreams), making: make(chan struct{}, makingPlaces())}
	s.turns.began = s.clock()
	s.glances = newShared(sharedEvery, sharedKeep, s.clock, d.Data.Changed, s.gather)
	s.arrivals = newShared(0, 0, s.clock, d.Data.Changed, s.gather)
	for i := range d.Brakes {
		b := &d.Brakes[i]
		if b.Name == "" || s.byName[b.Name] != nil {
			return nil, fmt.Errorf("making the page: brake %d is called %q, which is empty or another's name", i, b.Name)
		}
		s.byName[b.Name] = b
	}
	var err error
	if s.assets, err = loadAssets(); err != nil {
		return nil, fmt.Errorf("making the page: %w", err)
	}
	if s.pages, err = loadTemplates(s.assets); err != nil {
		return nil, fmt.Errorf("making the page: %w", err)
	}
	s.handler = s.routes()
	return s, nil
}

// Handler answers every request of the page.
func (s *Server) Handler() http.Handler { return s.handler }

func (s *Server) routes() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", s.board)
	mux.HandleFunc("GET /brake/{name...}", s.brake)
	mux.HandleFunc("GET /plot/gap/{file...}", s.gapPlot)
	mux.HandleFunc("GET /plot/times/{file...}", s.timesPlot)
	mux.HandleFunc("GET /plot/cycle/{file...}", s.cyclePlot)
	mux.HandleFunc("GET /api/brakes", s.apiBrakes)
	mux.HandleFunc("GET /api/brake/{name...}", s.apiBrake)
	mux.HandleFunc("GET /api/cycles/{name...}", s.apiCycles)
	mux.HandleFunc("GET /api/gaps/{name...}", s.apiGaps)
	mux.HandleFunc("GET /api/waveform/{name...}", s.apiWaveform)
	mux.HandleFunc("GET /api/alarms", s.apiAlarms)
	mux.HandleFunc("GET /api/health", s.apiHealth)
	s.ledgerRoutes(mux)
	s.enterRoutes(mux)
	s.recordRoutes(mux)
	if s.deps.Plan != nil {
		mux.HandleFunc("GET /api/plan/{name...}", s.apiPlan)
	}
	mux.HandleFunc("GET /api/", s.apiNothing)
	mux.HandleFunc("GET /events", s.events)
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, _ *http.Request) { answerProbe(w, "alive", s.deps.Alive) })
	mux.HandleFunc("GET /readyz", func(w http.ResponseWriter, _ *http.Request) { answerProbe(w, "ready", s.deps.Ready) })
	mux.HandleFunc("GET /static/{file}", s.assets.serve)
	if s.deps.Metrics != nil {
		mux.Handle("GET /metrics", s.deps.Metrics)
	}
	mux.HandleFunc("GET /", s.nothing)
	s.signInRoutes(mux)
	s.alarmRoutes(mux)
	s.auditRoutes(mux)
	return s.guarded(s.admitted(mux))
}
