package page

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/gateway/figures"
	"gapward/gateway/store"
)

// How many rows an answer may have.
const (
	defaultRows = 100
	mostRows    = 10_000
)

// apiBrakeBody is a brake as JSON. What isn't known is absent.
type apiBrakeBody struct {
	Name      string            `json:"name"`
	Crane     string            `json:"crane,omitempty"`
	Kind      string            `json:"kind,omitempty"`
	Model     string            `json:"model,omitempty"`
	Chain     string            `json:"holding_chain,omitempty"`
	Signals   []string          `json:"signals"`
	State     string            `json:"state"`
	Headline  string            `json:"headline"`
	Level     string            `json:"level"`
	Time      string            `json:"time,omitempty"`
	GapMM     *float64          `json:"gap_mm,omitempty"`
	GapUMM    *float64          `json:"gap_u_mm,omitempty"`
	ReleaseMS *float64          `json:"release_ms,omitempty"`
	ReleaseU  *float64          `json:"release_u_ms,omitempty"`
	SetMS     *float64          `json:"set_ms,omitempty"`
	SetU      *float64          `json:"set_u_ms,omitempty"`
	Limits    apiLimits         `json:"limits_mm"`
	Timing    apiTiming         `json:"timing_ms"`
	Cycles    *apiCounts        `json:"cycles,omitempty"`
	Margin    string            `json:"margin,omitempty"` // where the gap stands against the limit that matters
	Slow      []string          `json:"slow,omitempty"`   // of release and set: what took longer than it may
	Outlook   string            `json:"outlook,omitempty"`
	Forecasts []json.RawMessage `json:"forecasts"`
	Alarms    []apiAlarm        `json:"alarms"` // those held back too: see life_cycle
}

type apiLimits struct {
	Min    float64 `json:"min"`
	Target float64 `json:"target"`
	Adjust float64 `json:"adjust"`
	Max    float64 `json:"max"`
}

type apiTiming struct {
	Release          float64 `json:"release,omitempty"`
	Set              float64 `json:"set,omitempty"`
	NotReleasedAfter float64 `json:"not_released_after,omitempty"`
	NotSetAfter      float64 `json:"not_set_after,omitempty"`
}

type apiCounts struct {
	Full int64 `json:"full"`
	Jogs int64 `json:"jogs"`
}

// apiAlarm is an alarm where it stands now, in words too.
type apiAlarm struct {
	Event     json.RawMessage `json:"event"`
	LifeCycle string          `json:"life_cycle"`
	Since     string          `json:"since"`
	Title     string          `json:"title"`
	FirstStep string          `json:"first_step"`
	Category  string          `json:"category,omitempty"` // of NAMUR NE 107
	U         *float64        `json:"u,omitempty"`        // standard uncertainty of the event's value
	Stands    bool            `json:"condition_stands"`   // whatever holds the alarm back
	By        string          `json:"by,omitempty"`
}

func number(v float64) *float64 {
	if !figures.Finite(v) {
		return nil
	}
	v = math.Round(v*1e6) / 1e6
	return &v
}

func ms(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }

func bodyOf(s *standing, now time.Time) apiBrakeBody {
	b := s.brake
	body := apiBrakeBody{Name: b.Name, Crane: b.Crane, Kind: b.Kind, Model: b.Model, Chain: b.Chain, Signals: []string{},
		State: s.verdict.State.String(), Headline: s.word, Level: string(s.level),
		Limits:  apiLimits{b.Limits.MinMM, b.Limits.TargetMM, b.Limits.AdjustMM, b.Limits.MaxMM},
		Timing:  apiTiming{ms(b.Timing.Release), ms(b.Timing.Set), ms(b.Timing.NotReleasedAfter), ms(b.Timing.NotSetAfter)},
		Outlook: s.outlook(now), Forecasts: []json.RawMessage{}, Alarms: bodyOfAlarms(append(slices.Clone(s.alarms), s.held...)),
	}
	for _, sig := range b.Signals {
		body.Signals = append(body.Signals, sig.String())
	}
	if v := s.verdict; s.judged {
		body.Time = rfc(v.AtNS)
		body.GapMM, body.GapUMM = number(v.GapMM), number(v.GapUMM)
		body.ReleaseMS, body.ReleaseU = number(v.ReleaseS*1e3), number(v.ReleaseUS*1e3)
		body.SetMS, body.SetU = number(v.SetS*1e3), number(v.SetUS*1e3)
		body.Cycles = &apiCounts{v.Full, v.Jogs}
		body.Margin = strings.ReplaceAll(s.margin(), "\u00a0", " ")
		if viewTime(v.ReleaseS, v.ReleaseUS, b.Timing.Release).Slow {
			body.Slow = append(body.Slow, "release")
		}
		if viewTime(v.SetS, v.SetUS, b.Timing.Set).Slow {
			body.Slow = append(body.Slow, "set")
		}
	}
	for _, f := range []analysis.Forecast{s.adjust, s.max} {
		if s.foretold[f.Limit] {
			body.Forecasts = append(body.Forecasts, f.AppendJSON(nil, b.Name))
		}
	}
	return body
}

func bodyOfAlarms(rows []store.AlarmRow) []apiAlarm {
	bodies := make([]apiAlarm, len(rows))
	for i, a := range rows {
		bodies[i] = apiAlarm{Event: a.AppendJSON(nil), LifeCycle: a.State.String(), Since: rfc(a.SinceNS),
			Title: alerts.Title(a.Condition), FirstStep: alerts.FirstStep(a.Condition), By: a.By, Category: categoryOf(a.Event),
			U: number(a.U), Stands: a.State.Active() || a.Marks&alerts.MarkStanding != 0}
	}
	return bodies
}

func (s *Server) apiBrakes(w http.ResponseWriter, r *http.Request) {
	g, err := s.arrivals.newest(r.Context())
	if err != nil {
		s.apiFailed(w, r, err)
		return
	}
	now := s.deps.Now()
	brakes := make([]apiBrakeBody, len(g.value.brakes))
	for i := range g.value.brakes {
		brakes[i] = bodyOf(&g.value.brakes[i], now)
	}
	s.answer(w, r, http.StatusOK, struct {
		Site   string         `json:"site"`
		Demo   string         `json:"demo,omitempty"`
		Time   string         `json:"time"`
		Brakes []apiBrakeBody `json:"brakes"` // the worst first
	}{s.deps.Site, s.deps.Demo, rfc(now.UnixNano()), brakes})
}

// apiCycles answers with the newest cycles from <= time < to, the oldest of
// them first.
func (s *Server) apiCycles(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	if !s.known(w, r, name) {
		return
	}
	from, errFrom := timeOf(r, "from", math.MinInt64)
	to, errTo := timeOf(r, "to", math.MaxInt64)
	limit, errLimit := limitOf(r)
	if err := errors.Join(errFrom, errTo, errLimit); err != nil {
		s.refuse(w, r, http.StatusBadRequest, err.Error())
		return
	}
	rows, err := s.deps.Data.Cycles(r.Context(), name, from, to, limit)
	if err != nil {
		s.apiFailed(w, r, err)
		return
	}
	cycles := make([]json.RawMessage, len(rows))
	for i, c := range rows {
		cycles[i] = c.AppendJSON(nil, name)
	}
	s.answer(w, r, http.StatusOK, struct {
		Brake  string            `json:"brake"`
		Cycles []json.RawMessage `json:"cycles"`
	}{name, cycles})
}

// apiAlarms answers with the alarms that aren't normal and with the latest
// events, the newest first, filtered as on the page.
func (s *Server) apiAlarms(w http.ResponseWriter, r *http.Request) {
	if brake := r.URL.Query().Get("brake"); brake != "" && !s.known(w, r, brake) {
		return
	}
	f, errFilter := s.parseAlarmFilter(r.URL.Query())
	limit, errLimit := limitOf(r)
	if err := errors.Join(errFilter, errLimit); err != nil {
		s.refuse(w, r, http.StatusBadRequest, err.Error())
		return
	}
	all, err := s.deps.Data.ActiveAlarms(r.Context())
	if err != nil {
		s.apiFailed(w, r, err)
		return
	}
	var standing []store.AlarmRow
	for _, a := range all {
		if f.shows(s, a.Event) {
			standing = append(standing, a)
		}
	}
	changes, _, err := s.changes(r.Context(), f, limit)
	if err != nil {
		s.apiFailed(w, r, err)
		return
	}
	events := changes[:min(limit, len(changes))]
	history := make([]json.RawMessage, len(events))
	for i, e := range events {
		history[i] = e.AppendJSON(nil)
	}
	s.answer(w, r, http.StatusOK, struct {
		Active  []apiAlarm        `json:"active"`
		History []json.RawMessage `json:"history"`
	}{bodyOfAlarms(standing), history})
}

type apiSource struct {
	Device string `json:"device"`
	OK     bool   `json:"ok"`
	Since  string `json:"since,omitempty"`
	Error  string `json:"error,omitempty"`
}

func (s *Server) apiHealth(w http.ResponseWriter, r *http.Request) {
	sources := []apiSource{}
	for _, h := range s.deps.Health() {
		one := apiSource{Device: h.Device, OK: h.OK, Error: h.Error}
		if !h.Since.IsZero() {
			one.Since = h.Since.UTC().Format(time.RFC3339)
		}
		sources = append(sources, one)
	}
	reasons := []string{}
	check := func(probe func() error) bool {
		if probe == nil {
			return true
		}
		err := probe()
		if err != nil {
			reasons = append(reasons, strings.Split(strings.TrimSpace(err.Error()), "\n")...)
		}
		return err == nil
	}
	alive, ready := check(s.deps.Alive), check(s.deps.Ready)
	s.answer(w, r, http.StatusOK, struct {
		Version string      `json:"version,omitempty"`
		Alive   bool        `json:"alive"`
		Ready   bool        `json:"ready"`
		Reasons []string    `json:"reasons"`
		Sources []apiSource `json:"sources"`
	}{s.deps.Version, alive, ready, reasons, sources})
}

func (s *Server) apiNothing(w http.ResponseWriter, r *http.Request) {
	s.refuse(w, r, http.StatusNotFound, "there is nothing at this address; there are /api/brakes, /api/brake/NAME, /api/cycles/NAME, /api/gaps/NAME, /api/waveform/NAME, /api/alarms, /api/plan/NAME, /api/ledger, /api/ledger.csv, /api/report, /api/audit and /api/health")
}

// known reports whether the site has that brake, and refuses where not.
func (s *Server) known(w http.ResponseWriter, r *http.Request, name string) bool {
	if s.byName[name] != nil {
		return true
	}
	s.refuse(w, r, http.StatusNotFound, fmt.Sprintf("the site has no brake called %q", name))
	return false
}

func (s *Server) refuse(w http.ResponseWriter, r *http.Request, status int, why string) {
	s.answer(w, r, status, map[string]string{"error": why})
}

func (s *Server) apiFailed(w http.ResponseWriter, r *http.Request, err error) {
	if r.Context().Err() != nil {
		return // the client has left
	}
	s.deps.Log.Error("reading for the interface failed", "path", r.URL.Path, "error", err)
	s.refuse(w, r, http.StatusInternalServerError, "the stored figures can't be read; the gateway's log says why")
}

func (s *Server) answer(w http.ResponseWriter, r *http.Request, status int, body any) {
	var text []byte
	err := s.makes(r.Context(), func() (err error) {
		text, err = json.Marshal(body)
		return err
	})
	if err != nil {
		if r.Context().Err() != nil {
			return // the client has left
		}
		s.deps.Log.Error("writing an answer as JSON failed", "path", r.URL.Path, "error", err)
		http.Error(w, `{"error":"the answer could not be written as JSON; the gateway's log says why"}`, http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_, _ = w.Write(append(text, '\n')) // the client is gone if it fails
}

// timeOf reads a time of the query in RFC 3339, or missing where it has none.
func timeOf(r *http.Request, key string, missing int64) (int64, error) {
	text := r.URL.Query().Get(key)
	if text == "" {
		return missing, nil
	}
	t, err := time.Parse(time.RFC3339Nano, text)
	if err != nil || t.Year() < 1970 || t.Year() > 2261 {
		return 0, fmt.Errorf("%s is %q; write a time of the years 1970 to 2261 as in 2026-05-04T10:00:00Z", key, text)
	}
	return t.UnixNano(), nil
}

func limitOf(r *http.Request) (int, error) {
	text := r.URL.Query().Get("limit")
	if text == "" {
		return defaultRows, nil
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 || n > mostRows {
		return 0, fmt.Errorf("limit is %q; write a whole number from 1 to %d", text, mostRows)
	}
	return n, nil
}
