package configs

import (
	"math"
	"time"

	"gapward/analysis"
	"gapward/sensors"
)

// What a signal's rate and silence are when the site file doesn't say.
const (
	DefaultTemperaturePoll  = 5 * time.Second
	defaultStale            = 5 * time.Second
	defaultStaleTemperature = time.Minute
	missedBeforeStale       = 3                // polls or reports
	defaultStep             = time.Millisecond // of a measured time
)

// StaleLimit is the silence beyond which a signal is stale, 0 for one that may be
// silent for as long as the brake rests: what the site file
// says, or three polls but at least five seconds (a minute for the
// temperature), or three times at_least_every for a device that reports
// changes.
func StaleLimit(signal sensors.Signal, w sensors.Wiring) time.Duration {
	switch {
	case w.StaleAfter > 0:
		return w.StaleAfter
	case signal.Measured(): // it speaks once a cycle
		return 0
	case w.AtLeastEvery > 0:
		return missedBeforeStale * w.AtLeastEvery
	case signal == sensors.Temperature:
		return max(defaultStaleTemperature, missedBeforeStale*w.Poll)
	}
	return max(defaultStale, missedBeforeStale*w.Poll)
}

// wiring is how a signal is wired, with the defaults filled in; present is
// false where the file doesn't name it.
//
// A signal without a poll period has that of the brake's travel, or 20 ms, or
// five seconds for the temperature. It stays zero, to be learned from the
// samples, where somebody else sets the pace: on a topic, and in a recording
// of which the file says nothing.
func (b Brake) wiring(signal sensors.Signal) (w sensors.Wiring, present bool) {
	w, present = b.Signals.Of(signal)
	if w.Poll == 0 && !w.ByException() && w.Topic == "" {
		travel, _ := b.Signals.Of(sensors.Travel)
		switch {
		case signal == sensors.Temperature && w.Device != "":
			w.Poll = DefaultTemperaturePoll
		case signal == sensors.Temperature:
		case present && travel.Poll > 0:
			w.Poll = travel.Poll
		case w.Device != "":
			w.Poll = sensors.DefaultPoll
		}
	}
	if signal.Measured() && w.Step == 0 {
		w.Step = defaultStep
	}
	w.StaleAfter = StaleLimit(signal, w)
	return w, present
}

// Channels lists the signals that are read from devices, by brake and then in
// the order of the signals' declaration, with the defaults filled in.
func (s *Site) Channels() []sensors.Channel {
	var list []sensors.Channel
	for i, b := range s.Brakes {
		for _, signal := range sensors.Signals() {
			if w, present := b.wiring(signal); present && w.Device != "" {
				list = append(list, sensors.Channel{Brake: int32(i), Name: b.Name, Signal: signal, Wiring: w})
			}
		}
	}
	return list
}

// AnalysisSettings is what the analysis must know of each brake, in the order
// of the site file.
func (s *Site) AnalysisSettings() []analysis.Settings {
	list := make([]analysis.Settings, len(s.Brakes))
	for i, b := range s.Brakes {
		list[i] = b.AnalysisSettings()
	}
	return list
}

// AnalysisSettings is what the analysis must know of the brake.
func (b Brake) AnalysisSettings() analysis.Settings {
	return analysis.Settings{
		Name:     b.Name,
		Kind:     b.Kind,
		Model:    b.Model,
		Limits:   b.Limits,
		Timing:   b.Timing.WithDefaults(),
		Adjuster: b.Adjuster,
		Lining:   b.Lining,
		Stop:     b.Stop,
		Forecast: b.Forecast,
		Duty:     b.Duty,
		Thermal:  b.Thermal,

		Travel:      b.signalSettings(sensors.Travel),
		Drive:       b.signalSettings(sensors.Drive),
		Released:    b.signalSettings(sensors.Released),
		Temperature: b.signalSettings(sensors.Temperature),
		ReleaseTime: b.signalSettings(sensors.ReleaseTime),
		SetTime:     b.signalSettings(sensors.SetTime),
	}
}

// signalSettings is what the analysis must know of one signal. A signal that
// the file doesn't name is not present, but has the default stale limit, for a
// recording that has it nevertheless.
//
// A device that reports changes leaves a reading uncertain by what it keeps to
// itself, so that counts as the step of the reading where it is the coarser.
func (b Brake) signalSettings(signal sensors.Signal) analysis.SignalSettings {
	w, present := b.wiring(signal)
	s := analysis.SignalSettings{
		Present:     present,
		Poll:        w.Poll,
		ByException: w.ByException(),
		StaleAfter:  w.StaleAfter,
	}
	if w.Stamp != nil {
		s.StampStep = w.Stamp.Step
	}
	if signal.Measured() {
		s.TimeUS = timeUS(w)
	}
	if signal == sensors.Travel {
		s.ResolutionMM = max(w.ResolutionMM(), w.OnChange)
		s.CalibrationU = w.UMM
	}
	return s
}

// timeUS is the standard uncertainty of a time that the device measures, s: what
// the site file states, and that of its count (JCGM 100:2008, F.2.2.1).
func timeUS(w sensors.Wiring) float64 {
	return math.Hypot(w.UMS*1e-3, w.Step.Seconds()/math.Sqrt(12))
}
