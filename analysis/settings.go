// Package analysis turns samples into what people want to know of a brake:
// its cycles, the air gap and times of each, the verdict against the limits,
// the wear and when it will reach a limit.
//
// It is one deterministic state machine per brake, [Brake], fed with samples
// in the order of time. It has no clock, no goroutine, no I/O and no logger:
// the same samples give the same results, byte for byte, at any speed.
package analysis

import "time"

// Kind is the brake's construction.
type Kind string

// The kinds of brakes. On a conical one the gap is the axial travel of the
// rotor.
const (
	Conical Kind = "conical"
	Disc    Kind = "disc"
	Drum    Kind = "drum"
)

// Limits are the air gaps, in mm, between which a brake works. They rise
// strictly: min < target < adjust < max.
type Limits struct {
	MinMM    float64 `yaml:"min"`    // below it the brake drags
	TargetMM float64 `yaml:"target"` // to be adjusted to
	AdjustMM float64 `yaml:"adjust"` // adjust when reached
	MaxMM    float64 `yaml:"max"`    // stop using
}

// Timing are the times beyond which a brake is slow (Release, Set) or has
// failed (NotReleasedAfter, NotSetAfter). Zero switches a check off, but for
// the last two, whose defaults see [Timing.WithDefaults].
type Timing struct {
	Release          time.Duration `yaml:"release"`
	Set              time.Duration `yaml:"set"`
	NotReleasedAfter time.Duration `yaml:"not_released_after"`
	NotSetAfter      time.Duration `yaml:"not_set_after"`
}

// WithDefaults fills the failure times that the site file leaves out: one
// second.
func (t Timing) WithDefaults() Timing {
	if t.NotReleasedAfter == 0 {
		t.NotReleasedAfter = time.Second
	}
	if t.NotSetAfter == 0 {
		t.NotSetAfter = time.Second
	}
	return t
}

// Adjuster says how a brake is adjusted. At most one of its fields is set.
type Adjuster struct {
	Ring  *Ring  `yaml:"ring"`
	Shims *Shims `yaml:"shims"`
	Screw *Screw `yaml:"screw"`
}

// Ring is a threaded brake ring that turns in index holes; one hole takes
// PitchMM / Holes off the gap.
type Ring struct {
	Holes   int     `yaml:"holes"`
	PitchMM float64 `yaml:"pitch_mm"`
	Uses    int     `yaml:"uses"` // index holes that one lining lasts
}

// Shims are packs from which equal numbers are taken.
type Shims struct {
	Packs       int     `yaml:"packs"`
	ThicknessMM float64 `yaml:"thickness_mm"`
	Fitted      int     `yaml:"fitted"` // in each pack, with a new lining
}

// Screw is an adjusting screw or nut: a turn takes PitchMM off the gap.
type Screw struct {
	PitchMM float64 `yaml:"pitch_mm"`
	Turn    float64 `yaml:"turn"` // the smallest part of a turn it can be set to, 0.25 say
}

// Lining is the friction lining, measured normal to its face.
type Lining struct {
	ThicknessMM      float64 `yaml:"thickness_mm"`
	MinimumMM        float64 `yaml:"minimum_mm"`
	ConeHalfAngleDeg float64 `yaml:"cone_half_angle_deg"`
	Parts            []Part  `yaml:"parts"` // that a new lining needs
}

// Part is something to be ordered.
type Part struct {
	Name     string `yaml:"name"`
	Number   string `yaml:"number"`    // the maker's
	Quantity int    `yaml:"quantity"`  // 0: one
	LeadDays int    `yaml:"lead_days"` // from ordering to having it
}

// ForecastSettings say how early a forecast becomes an alarm.
type ForecastSettings struct {
	LeadDays int `yaml:"lead_days"` // 0 switches forecast-due off
}

// SignalSettings is what the analysis must know of a signal's source.
type SignalSettings struct {
	Present      bool
	Poll         time.Duration // 0: learned from the samples
	ByException  bool          // sent when it changes; a change happened at its sample's time
	StampStep    time.Duration // the device stamps each change itself, in such steps; 0: it doesn't
	StaleAfter   time.Duration // silence longer than this is signal-stale; 0 never
	ResolutionMM float64       // step of the reading, 0 unknown
	CalibrationU float64       // standard uncertainty of the calibration, mm
	TimeUS       float64       // of a measured time, its standard uncertainty, s
}

// Settings are all that a [Brake] must know.
type Settings struct {
	Name     string
	Kind     Kind
	Model    string
	Limits   Limits
	Timing   Timing
	Adjuster Adjuster
	Lining   Lining
	Forecast ForecastSettings
	Duty     DutyLimits
	Stop     Stop // for the braking work; the zero value where it isn't known

	// Family is shared by the brakes of one model; nil where there is but one.
	Family *Family

	// Charts are shared by all brakes; where nil, a brake makes its own, which
	// takes some hundredths of a second.
	Charts *Charts

	// Thermal is how the gap grows with temperature; nil where that is to be
	// fitted. It counts only with a temperature signal.
	Thermal *Thermal

	Travel, Drive, Released, Temperature SignalSettings

	// Times that the device measures itself stand in place of those measured on
	// the travel or the switch.
	ReleaseTime, SetTime SignalSettings
}

// Thermal is the growth of the gap with temperature, µm/K, and its standard
// uncertainty.
type Thermal struct {
	UMPerK  float64 `yaml:"um_per_k"`
	UUMPerK float64 `yaml:"u_um_per_k"`
}
