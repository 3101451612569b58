package report

import (
	"encoding/json"
	"fmt"
	"strconv"
	"time"

	"gapward/alerts"
	"gapward/analysis"
)

// Record is the inspection record of some brakes over a span of time. Its JSON
// form is what it is written as; figures that aren't known are absent. Lengths
// are mm, u is a standard uncertainty, and times are UTC.
type Record struct {
	Type     string        `json:"type"` // "inspection-record"
	Site     string        `json:"site"`
	Demo     string        `json:"demo,omitempty"`
	Version  string        `json:"version,omitempty"`
	SiteFile string        `json:"site_file_sha256,omitempty"`
	Made     string        `json:"made"`
	From     string        `json:"from"`
	To       string        `json:"to"`
	Cautions []string      `json:"cautions"`
	Chains   []ChainRecord `json:"holding_chains"`
	Brakes   []BrakeRecord `json:"brakes"` // in the order of the site file
	Gateway  GatewayRecord `json:"gateway"`
	Retest   []RetestLine  `json:"retest"` // the checklist after work

	from, to, made time.Time
}

// ChainRecord is a holding chain: its verdict is the worst of its brakes'.
type ChainRecord struct {
	Name   string   `json:"name"`
	State  string   `json:"state"`
	Due    bool     `json:"due"`
	Brakes []string `json:"brakes"` // in the order in which they are adjusted
	Order  string   `json:"order,omitempty"`
	Others string   `json:"others,omitempty"`
	Test   string   `json:"test,omitempty"`
}

// BrakeRecord is what the record has of one brake.
type BrakeRecord struct {
	Name      string            `json:"name"`
	Crane     string            `json:"crane,omitempty"`
	Kind      string            `json:"kind,omitempty"`
	Model     string            `json:"model,omitempty"`
	Chain     string            `json:"holding_chain,omitempty"`
	Signals   []string          `json:"signals"`
	Limits    LimitsRecord      `json:"limits_mm"`
	State     string            `json:"state"`
	Time      string            `json:"time,omitempty"` // of the verdict
	GapMM     *float64          `json:"gap_mm,omitempty"`
	GapUMM    *float64          `json:"gap_u_mm,omitempty"`
	ReleaseMS *float64          `json:"release_ms,omitempty"`
	ReleaseU  *float64          `json:"release_u_ms,omitempty"`
	SetMS     *float64          `json:"set_ms,omitempty"`
	SetU      *float64          `json:"set_u_ms,omitempty"`
	Margin    string            `json:"margin,omitempty"`
	Outlook   string            `json:"outlook,omitempty"`
	Cycles    CountRecord       `json:"cycles"` // since counting began
	Forecasts []json.RawMessage `json:"forecasts"`
	Plan      *PlanRecord       `json:"plan,omitempty"`
	Lining    *LiningRecord     `json:"lining,omitempty"`
	Gaps      []GapRecord       `json:"gaps"`     // over the span
	Readings  []ReadingRecord   `json:"readings"` // by hand, in the span
	Bias      *BiasRecord       `json:"bias,omitempty"`
	Ledger    []EntryBody       `json:"ledger"`          // of the span
	Works     []WorkRecord      `json:"works"`           // in the span, and how they turned out
	StepUnit  string            `json:"step,omitempty"`  // what one step of the adjuster is
	Offer     string            `json:"offer,omitempty"` // a step that nobody entered
	OfferedAt string            `json:"offered_at,omitempty"`
	Retest    string            `json:"retest"`
	RetestDue bool              `json:"retest_due"`
	Duty      DutyRecord        `json:"duty"`
	Alarms    []AlarmRecord     `json:"alarms"`
	Health    []HealthRecord    `json:"signal_health"`
	Doubts    []DoubtRecord     `json:"cycles_in_doubt"`

	OfferedSteps int `json:"offered_steps,omitempty"`

	settings  analysis.Settings
	verdict   analysis.Verdict
	adjust    *analysis.Forecast
	most      *analysis.Forecast
	relining  *analysis.Forecast
	gapPlot   []byte // SVG
	cyclePlot []byte
	cycle     *analysis.Cycle // whose plot it is; nil where it is not known
}

// Adjuster is how the brake is adjusted.
func (b BrakeRecord) Adjuster() analysis.Adjuster { return b.settings.Adjuster }

// LimitsRecord are the gaps between which a brake works.
type LimitsRecord struct {
	Min    float64 `json:"min"`
	Target float64 `json:"target"`
	Adjust float64 `json:"adjust"`
	Max    float64 `json:"max"`
}

// CountRecord is a number of cycles.
type CountRecord struct {
	Full int64 `json:"full"`
	Jogs int64 `json:"jogs"`
}

// PlanRecord is what to do at a brake.
type PlanRecord struct {
	Action      string   `json:"action"`
	Due         bool     `json:"due"`
	Steps       int      `json:"steps,omitempty"`
	Do          string   `json:"do,omitempty"`
	Reason      string   `json:"reason,omitempty"`
	Note        string   `json:"note,omitempty"`
	ExpectedMM  *float64 `json:"expected_gap_mm,omitempty"`
	ExpectedUMM *float64 `json:"expected_gap_u_mm,omitempty"`
}

// LiningRecord is what the lining has left, and when it must be renewed.
type LiningRecord struct {
	StepsTotal  int           `json:"steps_total,omitempty"`
	StepsUsed   int           `json:"steps_used"`
	StepsLeft   *int          `json:"steps_left,omitempty"`
	StepsThen   *int          `json:"steps_left_after_plan,omitempty"`
	ThicknessMM *float64      `json:"thickness_mm,omitempty"`
	UMM         *float64      `json:"thickness_u_mm,omitempty"`
	ToMinimumMM *float64      `json:"to_minimum_mm,omitempty"`
	Outlook     string        `json:"outlook,omitempty"`
	Orders      []OrderRecord `json:"orders,omitempty"`
}

// OrderRecord is a part to be ordered for the next lining.
type OrderRecord struct {
	Name     string `json:"name"`
	Number   string `json:"number,omitempty"`
	Quantity int    `json:"quantity"`
	LeadDays int    `json:"lead_days"`
	By       string `json:"order_by,omitempty"` // a day; absent where no date is known
	Overdue  bool   `json:"overdue,omitempty"`
}

// Words say what is to be ordered, and by when.
func (o OrderRecord) Words(now time.Time) string {
	what := o.Name
	if o.Number != "" {
		what += " (" + o.Number + ")"
	}
	if o.Quantity > 1 {
		what = strconv.Itoa(o.Quantity) + " × " + what
	}
	switch by, err := time.ParseInLocation(time.DateOnly, o.By, now.Location()); {
	case o.Overdue:
		return fmt.Sprintf("Order %s now: it takes %d days.", what, o.LeadDays)
	case err == nil:
		return fmt.Sprintf("Order %s by %s: it takes %d days.", what, by.Format("2\u00a0Jan\u00a02006"), o.LeadDays)
	}
	return fmt.Sprintf("It needs %s, which takes %d days.", what, o.LeadDays)
}

// GapRecord is the gaps of a stretch of time.
type GapRecord struct {
	Time   string   `json:"time"`
	Mean   *float64 `json:"gap_mm_mean"`
	Least  *float64 `json:"gap_mm_min"`
	Most   *float64 `json:"gap_mm_max"`
	Cycles int64    `json:"cycles"`
}

// ReadingRecord is a gap read by hand, beside the probe's where there is one.
type ReadingRecord struct {
	Entry    int64    `json:"entry"`
	Time     string   `json:"time"`
	Who      string   `json:"who"`
	GapMM    *float64 `json:"gap_mm"`
	UMM      *float64 `json:"gap_u_mm"`
	TypeAMM  *float64 `json:"u_a_mm,omitempty"`
	TypeBMM  *float64 `json:"u_b_mm,omitempty"`
	Repeats  int      `json:"repeats"`
	ProbeMM  *float64 `json:"probe_gap_mm,omitempty"`
	ProbeUMM *float64 `json:"probe_gap_u_mm,omitempty"`
	OffMM    *float64 `json:"off_mm,omitempty"` // hand less probe
	OffUMM   *float64 `json:"off_u_mm,omitempty"`
	Agrees   *bool    `json:"agrees,omitempty"`
	Words    string   `json:"words,omitempty"`
}

// BiasRecord is by how much the hand readings of the span are off the probe.
type BiasRecord struct {
	Readings   int      `json:"readings"`
	MM         *float64 `json:"off_mm"`
	UMM        *float64 `json:"off_u_mm"`
	PerYearMM  *float64 `json:"per_year_mm,omitempty"`
	PerYearUMM *float64 `json:"per_year_u_mm,omitempty"`
	Words      string   `json:"words"`
}

// WorkRecord is how an adjustment or a new lining turned out.
type WorkRecord struct {
	Entry   int64    `json:"entry"`
	Time    string   `json:"time"`
	Outcome string   `json:"outcome"`
	GapMM   *float64 `json:"gap_mm,omitempty"`
	GapUMM  *float64 `json:"gap_u_mm,omitempty"`
	OffMM   *float64 `json:"off_mm,omitempty"`
	Words   string   `json:"words"`
}

// DutyRecord is how the brake was used over the span.
type DutyRecord struct {
	Full           int64    `json:"full"`
	Jogs           int64    `json:"jogs"`
	DaysInUse      int      `json:"days_in_use"`
	Measured       int      `json:"starts_measured"` // of which starts the rest tells: those of days not yet rolled up
	MostPerHour    int      `json:"starts_per_hour_most,omitempty"`
	MeanPerHour    *float64 `json:"starts_per_hour_in_use,omitempty"`
	FactorMost     *float64 `json:"cyclic_duration_factor_most,omitempty"` // IEC 60034-1, S3, ten minutes
	OnHours        *float64 `json:"drive_on_hours,omitempty"`
	LongestS       *float64 `json:"longest_run_s,omitempty"`
	LoweringKJ     *float64 `json:"braking_work_lowering_kj,omitempty"` // a stop, VDI 2241
	HoistingKJ     *float64 `json:"braking_work_hoisting_kj,omitempty"`
	AtMostMJ       *float64 `json:"braking_work_at_most_mj,omitempty"` // of all stops, as if each were lowering with the load stated
	SlipLoweringS  *float64 `json:"slip_time_lowering_s,omitempty"`
	ReleaseMedian  *float64 `json:"release_ms_median,omitempty"`
	ReleaseHighest *float64 `json:"release_ms_p95,omitempty"`
	SetMedian      *float64 `json:"set_ms_median,omitempty"`
	SetHighest     *float64 `json:"set_ms_p95,omitempty"`
}

// AlarmRecord is an alarm that stood in the span, from when it was raised to
// when it was over.
type AlarmRecord struct {
	Condition string   `json:"condition"`
	Title     string   `json:"title"`
	Signal    string   `json:"signal,omitempty"`
	Raised    string   `json:"raised"`
	Cleared   string   `json:"cleared,omitempty"` // absent while it stands
	Value     *float64 `json:"value,omitempty"`
	Limit     *float64 `json:"limit,omitempty"`
	Unit      string   `json:"unit,omitempty"`
	By        string   `json:"acknowledged_by,omitempty"`
	Detail    string   `json:"detail,omitempty"`

	event   alerts.Event
	seconds float64
}

// HealthRecord is for how long of the span a signal, or the gateway itself, could
// not be relied upon.
type HealthRecord struct {
	What     string   `json:"what"`
	Times    int      `json:"times"`
	Hours    *float64 `json:"hours"`
	GoodPart *float64 `json:"good_part"` // of the span, 0 to 1
}

// DoubtRecord is how many cycles of the span bear a flag.
type DoubtRecord struct {
	Flag   string `json:"flag"`
	Cycles int    `json:"cycles"`
}

// GatewayRecord is how gapward itself fared.
type GatewayRecord struct {
	Alarms  []AlarmRecord  `json:"alarms"`
	Health  []HealthRecord `json:"health"`
	Sources []SourceRecord `json:"sources,omitempty"` // now; absent where the record isn't made by the daemon
}

// SourceRecord is whether a device answers.
type SourceRecord struct {
	Device string `json:"device"`
	OK     bool   `json:"ok"`
	Since  string `json:"since,omitempty"`
	Error  string `json:"error,omitempty"`
}

// RetestLine is one thing of the checklist after work.
type RetestLine struct {
	Do   string `json:"do"`
	Load bool   `json:"with_load"`
}
