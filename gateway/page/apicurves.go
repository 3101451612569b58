package page

import (
	"math"
	"net/http"

	"gapward/gateway/figures"
)

// apiPoint is a stretch of time in the history of a gap.
type apiPoint struct {
	Time   string   `json:"time"` // its middle
	Mean   *float64 `json:"gap_mm_mean"`
	Least  *float64 `json:"gap_mm_min"`
	Most   *float64 `json:"gap_mm_max"`
	Cycles int64    `json:"cycles"`
}

// apiFiltered is a gap at a time with its standard uncertainty.
type apiFiltered struct {
	Time string   `json:"time"`
	MM   *float64 `json:"gap_mm"`
	UMM  *float64 `json:"gap_u_mm"`
}

// apiMark is what somebody did to the brake.
type apiMark struct {
	Time string `json:"time"`
	What string `json:"what"`
}

// apiGaps answers with the history of a gap as the plot shows it.
func (s *Server) apiGaps(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	if !s.known(w, r, name) {
		return
	}
	span, err := parseSpan(r.URL.Query().Get("span"))
	if err != nil {
		s.refuse(w, r, http.StatusBadRequest, err.Error())
		return
	}
	rows, err := s.deps.Data.Thinned(r.Context(), name, span.fromNS(s.deps.Now()), math.MaxInt64, figures.PointsOf(figures.Wide()))
	if err != nil {
		s.apiFailed(w, r, err)
		return
	}
	points := make([]apiPoint, len(rows))
	for i, p := range rows {
		points[i] = apiPoint{rfc(p.AtNS), number(p.MeanMM), number(p.MinMM), number(p.MaxMM), p.Count}
	}
	fromNS := span.fromNS(s.deps.Now())
	course, err := s.deps.Data.Filtered(r.Context(), name, fromNS, math.MaxInt64, figures.PointsOf(figures.Wide()))
	if err != nil {
		s.apiFailed(w, r, err)
		return
	}
	filtered := make([]apiFiltered, len(course))
	for i, f := range course {
		filtered[i] = apiFiltered{rfc(f.AtNS), number(f.MM), number(f.UMM)}
	}
	marks, err := s.handMarks(r.Context(), name, span)
	if err != nil {
		s.apiFailed(w, r, err)
		return
	}
	works, readings := []apiMark{}, []apiFiltered{}
	for _, m := range marks.Works {
		works = append(works, apiMark{rfc(m.AtNS), m.Word})
	}
	for _, m := range marks.ByHand {
		readings = append(readings, apiFiltered{rfc(m.AtNS), number(m.MM), number(m.UMM)})
	}
	s.answer(w, r, http.StatusOK, struct {
		Brake    string        `json:"brake"`
		Span     string        `json:"span"`
		Points   []apiPoint    `json:"points"`
		Filtered []apiFiltered `json:"filtered"`
		Works    []apiMark     `json:"works"`    // adjustments and new linings
		Readings []apiFiltered `json:"readings"` // by hand
	}{name, span.key, points, filtered, works, readings})
}

// apiWaveform answers with the travel of the last cycle: pairs of ms since
// drive on and mm. A reading that was none is null.
func (s *Server) apiWaveform(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	if !s.known(w, r, name) {
		return
	}
	wave, ok, err := s.deps.Data.Waveform(r.Context(), name)
	if err != nil {
		s.apiFailed(w, r, err)
		return
	}
	if !ok {
		s.refuse(w, r, http.StatusNotFound, "no travel is kept of the last cycle of "+name)
		return
	}
	points := make([][2]*float64, 0, len(wave.TimesNS))
	for i := range min(len(wave.TimesNS), len(wave.TravelMM)) {
		points = append(points, [2]*float64{number(float64(wave.TimesNS[i]) * 1e-6), number(float64(wave.TravelMM[i]))})
	}
	s.answer(w, r, http.StatusOK, struct {
		Brake  string        `json:"brake"`
		Time   string        `json:"time"`
		OffMS  *float64      `json:"drive_off_ms"`
		Points [][2]*float64 `json:"points_ms_mm"`
	}{name, rfc(wave.CycleAtNS), number(float64(wave.OffNS) * 1e-6), points})
}
