package analysis

import "math"

// CycleKind tells the cycles from which a gap can be had from those too short
// for it.
type CycleKind uint8

// A full cycle has both plateaus, set and released. A jog has not, but wears
// the lining all the same.
const (
	Full CycleKind = iota
	Jog
)

func (k CycleKind) String() string {
	if k == Jog {
		return "jog"
	}
	return "full"
}

// Flag is a doubt about a cycle's figures.
type Flag uint16

// The flags, each told apart because each wants another remedy.
const (
	FlagSpikes      Flag = 1 << iota // readings far off the level were left out
	FlagLostSamples                  // bad or missing readings among those used
	FlagNoAfter                      // no set plateau after: gap from the one before only
	FlagNoBefore                     // no set plateau before: gap from the one after only
	FlagBumped                       // both plateaus moved together: the probe, not the gap
	FlagNotReleased                  // the brake did not free
	FlagNotSet                       // the brake did not set
	FlagFrozen                       // the drive cycled and the travel did not move
	FlagDisagree                     // switch and travel contradict each other
)

var flagNames = []string{"spikes", "lost-samples", "no-set-after", "no-set-before", "probe-bumped", "not-released", "not-set", "probe-frozen", "signals-disagree"}

// Names lists the flags that are set.
func (f Flag) Names() []string {
	names := []string{}
	for i, n := range flagNames {
		if f&(1<<i) != 0 {
			names = append(names, n)
		}
	}
	return names
}

// ParseFlag is the inverse of one of [Flag.Names]; ok is false for a name that
// is none.
func ParseFlag(name string) (f Flag, ok bool) {
	for i, n := range flagNames {
		if n == name {
			return 1 << i, true
		}
	}
	return 0, false
}

// Cycle is one drive-on to the next, or where there is no drive signal one
// release to the next. What could not be measured is NaN.
type Cycle struct {
	AtNS int64 // drive on, the middle of the poll bracket it was seen in; without a drive signal the start of the travel
	OnNS int64 // how long the drive was on
	Kind CycleKind

	GapMM     float64 // released level less the set level around it
	GapUMM    float64 // this cycle's own standard uncertainty
	GapUCalMM float64 // standard uncertainty of the calibration: the same for all cycles, it doesn't average out

	ReleaseS  float64 // drive on to 90 % of this cycle's travel, VDI 2241's t2
	ReleaseUS float64
	SetS      float64 // drive off to 10 % of this cycle's travel
	SetUS     float64

	SetLevelMM      float64 // probe reading, brake set, before
	ReleasedLevelMM float64 // probe reading, brake released
	TemperatureC    float64

	Flags Flag
}

// NoValue is what a figure is that could not be had.
func NoValue() float64 { return math.NaN() }

// Has reports whether a figure is there.
func Has(v float64) bool { return !math.IsNaN(v) }

// State is where a brake stands against its limits.
type State uint8

// The states, in the order of urgency. A limit counts as met only while that
// is proven (ISO 14253-1): the uncertainty works against us.
const (
	Unknown   State = iota // no gap measured yet
	InLimits               // proven between min and adjust
	AdjustDue              // the adjusting limit is reached, or can't be excluded
	TooNarrow              // below min, or that can't be excluded: it may drag
	StopUsing              // the maximum is reached, or can't be excluded
)

var stateNames = [...]string{"unknown", "in-limits", "adjust-due", "too-narrow", "stop-using"}

func (s State) String() string { return stateNames[s] }

// Verdict is what is known of a brake after its latest cycle.
type Verdict struct {
	AtNS      int64 // of the cycle that it rests on
	State     State
	GapMM     float64 // filtered over the cycles
	GapUMM    float64 // standard uncertainty, calibration included
	ReleaseS  float64 // smoothed over the cycles; NaN where unknown
	ReleaseUS float64
	SetS      float64
	SetUS     float64
	Full      int64 // cycles since counting began
	Jogs      int64
	Change    Change // the latest that was found
}

// Quantiles of a forecast: with even odds it comes before P50, with one in
// twenty before P05 and with nineteen in twenty before P95. P50 and P95 are
// NaN where no wear can be told from zero.
type Quantiles struct{ P05, P50, P95 float64 }

// Forecast says when the gap reaches a limit.
type Forecast struct {
	AtNS        int64
	Limit       string // "adjust" or "max"
	LimitMM     float64
	GapMM       float64 // underlying gap now
	GapUMM      float64
	WearUMPerK  float64 // µm per 1000 cycles; NaN where it can't be told from zero
	WearUUMPerK float64
	Cycles      Quantiles // from now, jogs included
	DateNS      Quantiles // UTC, nanoseconds since 1970
}

// Condition is something that a person should know of. The values are the
// words of the site file, the page and the metrics.
type Condition string

// The conditions.
const (
	GapAdjust       Condition = "gap-adjust"
	GapMax          Condition = "gap-max"
	GapLow          Condition = "gap-low"
	NotReleased     Condition = "not-released"
	NotSet          Condition = "not-set"
	SlowRelease     Condition = "slow-release"
	SlowSet         Condition = "slow-set"
	GapStep         Condition = "gap-step"
	ForecastDue     Condition = "forecast-due"
	LiningSpent     Condition = "lining-spent"
	SignalFault     Condition = "signal-fault"
	SignalStale     Condition = "signal-stale"
	SignalsDisagree Condition = "signals-disagree"
	DutyHigh        Condition = "duty-high"
	GatewayFault    Condition = "gateway-fault"
)

// Conditions lists all of them, the most urgent first.
func Conditions() []Condition {
	return []Condition{NotReleased, NotSet, GapMax, GapLow, GapAdjust, SignalsDisagree, SignalFault,
		SignalStale, SlowRelease, SlowSet, GapStep, ForecastDue, LiningSpent, DutyHigh, GatewayFault}
}

// Finding is a condition looked at: present while Excess is above zero. The
// alarm logic adds deadband and delays.
type Finding struct {
	AtNS      int64
	Condition Condition
	Excess    float64 // how far beyond the limit, in Unit; the uncertainty is already in it
	Value     float64
	U         float64 // standard uncertainty of Value; NaN where it has none
	Limit     float64 // NaN where the condition has none
	Unit      string  // "mm", "s", "d", "" …
	Signal    string  // of a signal's condition: which one
}

// Waveform is the travel of one cycle with what was measured on it.
type Waveform struct {
	CycleAtNS int64
	TimesNS   []int64 // since CycleAtNS
	TravelMM  []float32
	OffNS     int64 // drive off, since CycleAtNS
}
