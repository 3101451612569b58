package simulator

// Truth is what really happened in one cycle of a brake: what a perfect
// measurement would find. Levels are those of the brake itself, mm from its
// first set level, free of the probe's zero, drift, ripple and noise.
type Truth struct {
	Brake int32
	Cycle int64 // 0 for the first of the model
	OnNS  int64 // drive on
	OffNS int64 // drive off

	GapMM        float64 // released level less the mean of the set levels before and after, at the cycle's temperature; NaN where the released level wasn't reached or the brake wasn't set before and after
	UnderlyingMM float64 // the gap that wear and adjustments have left, without scatter and at 20 °C, before this stop's own wear
	SetBeforeMM  float64
	ReleasedMM   float64 // the released level the brake would reach, or reached
	SetAfterMM   float64

	ReleaseS float64 // drive on to 90 % of this cycle's travel; NaN where the brake didn't arrive
	SetS     float64 // drive off to 10 % of this cycle's travel; NaN where it didn't set
	PlateauS float64 // how long it stayed at the released level
	WearUM   float64 // what this stop wore off

	TemperatureC float64 // in the middle of the drive's time
	RippleHz     float64 // of the running motor in this cycle
}
