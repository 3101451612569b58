// Package simulator is a hoist that isn't there. From a seed and a time it
// says what the probes, contacts and thermometers of its brakes show; it has
// no clock and does no I/O. [Stream] generates months of samples at once,
// [Plant] answers moment by moment, and package field puts a plant on the
// wire.
//
// It computes with its own physics and shares nothing with the estimators of
// the reading side but the types of package sensors, so that it can't hide
// their mistakes.
//
// # Levels
//
// The released stop is fixed and the set level sinks as the lining wears, as
// on a conical rotor; for a disc or drum brake it's only a matter of where the
// probe's zero lies. With g the underlying gap, g₀ the gap at the beginning,
// zᵢ standard normal draws and i counting the stops:
//
//	gᵢ₊₁ = gᵢ + wᵢ                          less what is adjusted
//	setᵢ = g₀ − gᵢ + SeatScatter·zᵢ
//	releasedᵢ = g₀ + GapScatter·zᵢ
//
// Wear of one stop is lognormal about the mean
// WearUM·(1 + RunInFactor·exp(−stops/RunInCycles)): lining loss per stop is
// proportional to the friction work (Archard), and a new lining loses more
// until its face fits. A stop counts as one when the brake was more than half
// free.
//
// # Travel
//
// Release: the magnet's pull grows as the gap closes, so that the net force is
// F + κx and the travel x(t) = F/κ·(cosh(t·√(κ/m)) − 1): slow at first, fast
// on arrival. Set: the spring's force is nearly constant, x = ½·F/m·t². Both
// travel times grow with the root of the travel. On arrival the brake bounces:
// the height falls exponentially, BouncePart·|sin(πft)|·exp(−t/τ) of the
// travel.
//
// A magnet's pull goes with (i/x)², its current with 1 − exp(−t/τ). It lifts
// off a gap g when i reaches the share g/G of its final value, with G the gap
// beyond which it never does (PullInGapMM):
//
//	delay(g) = −τ·ln(1 − g/G)
//
// GapDelayPart of the release delay goes that way; the rest is contactor and
// rectifier. A wide gap therefore releases late, and beyond G not at all. The
// delay on setting shortens slightly with the gap (the field holds less well).
// That the release lengthens and the set delay shortens with the gap is common
// knowledge on spring-applied magnet brakes (VDI 2241, DIN VDE 0580); the
// figures are assumptions.
//
// A drive that goes off before the brake has arrived turns it round where it
// then is.
//
// # Probe
//
// Reading = zero + level + drift + thermal + ripple + noise. Drift is linear,
// plus an Ornstein–Uhlenbeck process drawn anew for each cycle and linear
// within it. The thermal part is LevelUMPerK on both levels and GapUMPerK on
// the gap, from 20 °C. Ripple is a sine while the motor runs and the brake is
// free, of a frequency that scatters from cycle to cycle. Noise is white, and a function of the nanosecond: two readings at one
// moment agree. The value is then rounded to the device's raw counts and
// scaled back.
//
// Temperature is a first-order lag: heated while the drive is on (with the
// stop's friction heat spread over that time), cooling towards surroundings
// that swing with the day.
//
// # Contacts
//
// The drive contact and the release switch flicker at random for their bounce
// time after each edge, which differs from edge to edge by BounceSpread. The
// switch closes at SwitchAt of the travel and opens at SwitchAt −
// SwitchHysteresis.
//
// # Duty
//
// See [Duty]: each day's lifts follow from the seed, the hoist and the date.
// They come in bursts; what they leave of the working hours becomes the pauses
// between. A lift uses the main drive, the creep drive, or one after the
// other.
//
// # Faults
//
// See [Fault] for all of them, [Event] to switch them, [ParseScenario] for a
// file of them.
package simulator
