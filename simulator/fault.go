package simulator

import (
	"fmt"
	"strings"
	"time"
)

// Fault is something that goes wrong with a brake, its probe or its device, or
// that people do to it.
type Fault string

// The faults and interventions, and what an [Event]'s Amount means for each.
// Those marked "once" happen; the others stand until they are switched off.
const (
	WearFast     Fault = "wear-fast"     // every stop wears Amount times as much, from the next stop on
	ProbeBumped  Fault = "probe-bumped"  // once: the probe's zero moves by Amount mm; the brake doesn't
	ProbeFrozen  Fault = "probe-frozen"  // the probe holds its last reading
	WireBreak    Fault = "wire-break"    // the probe's raw value leaves its range
	DeviceSilent Fault = "device-silent" // the device of the brake's signals doesn't answer; it is silent for every brake on it
	NotFreeing   Fault = "not-freeing"   // the brake stays set, from the next drive-on
	Dragging     Fault = "dragging"      // it frees only by the part Amount of its travel, from the next drive-on
	NotSetting   Fault = "not-setting"   // it stays free by the part Amount of its travel (0: all of it) after the next drive-on's stop; falls shut when switched off
	Adjusted     Fault = "adjusted"      // once: somebody takes Amount mm off the gap, as soon as the brake rests
	NewLining    Fault = "new-lining"    // once: a new lining, set to a gap of Amount mm (0: the initial gap); it runs in
	ClockOff     Fault = "clock-off"     // the device's own clock is Amount s ahead: of the times in its messages, and of the clock that it stamps changes by; of no effect on what is polled alone
	SlowNetwork  Fault = "slow-network"  // the device's replies and messages take Amount s longer; of no effect on a generated history
)

// Faults lists all of them.
func Faults() []Fault {
	return []Fault{WearFast, ProbeBumped, ProbeFrozen, WireBreak, DeviceSilent, NotFreeing, Dragging, NotSetting,
		Adjusted, NewLining, ClockOff, SlowNetwork}
}

// Once reports whether the fault is an act that happens, instead of a state
// that stands until it's switched off.
func (f Fault) Once() bool { return f == ProbeBumped || f == Adjusted || f == NewLining }

// OfDevice reports whether the fault is one of a device, so that it strikes
// every brake whose signals come from it.
func (f Fault) OfDevice() bool { return f == DeviceSilent || f == ClockOff || f == SlowNetwork }

// atRest reports whether the change has to wait until the brake rests.
func (c change) atRest() bool {
	return c.fault == Adjusted || c.fault == NewLining || c.fault == NotSetting && c.off
}

// Event switches a fault on or off, or lets somebody do something.
type Event struct {
	At     time.Time     // when; zero means After the scenario's start, or at once when it's applied as it is
	After  time.Duration // after the start of the scenario
	Brake  string
	Fault  Fault
	Amount float64       // what it means stands with each fault
	Lasts  time.Duration // then it is switched off again; 0: it stands
	Off    bool          // switches the fault off
}

// Validate reports what is wrong with the event, whichever brakes there are.
func (e Event) Validate() error {
	lo, hi, unit := e.Fault.amounts()
	switch {
	case unit == "":
		return fmt.Errorf("unknown fault %q; it must be one of %s", e.Fault, faultNames())
	case e.Brake == "":
		return fmt.Errorf("fault %s names no brake", e.Fault)
	case e.Fault.Once() && (e.Off || e.Lasts != 0):
		return fmt.Errorf("%s happens once; it can neither last nor be switched off", e.Fault)
	case e.Off && (e.Amount != 0 || e.Lasts != 0):
		return fmt.Errorf("%s is switched off; that takes neither an amount nor a time it lasts", e.Fault)
	case e.Lasts < 0 || e.After < 0:
		return fmt.Errorf("%s has a negative time; after and lasts must be 0 or more", e.Fault)
	case e.Off || lo == 0 && hi == 0 && e.Amount == 0:
		return nil
	case !(e.Amount >= lo && e.Amount <= hi):
		return fmt.Errorf("the amount of %s is %g; it must lie between %g and %g %s", e.Fault, e.Amount, lo, hi, unit)
	}
	return nil
}

// amounts is the span of amounts that make sense, and their unit; an empty
// unit means that there is no such fault.
func (f Fault) amounts() (lo, hi float64, unit string) {
	switch f {
	case WearFast:
		return 0, 1e6, "(a factor)"
	case ProbeBumped:
		return -100, 100, "mm"
	case ProbeFrozen, WireBreak, DeviceSilent, NotFreeing:
		return 0, 0, "(it takes no amount)"
	case Dragging, NotSetting:
		return 0, 1, "(a part of the travel)"
	case Adjusted:
		return -100, 100, "mm"
	case NewLining:
		return 0, 100, "mm"
	case ClockOff:
		return -1e6, 1e6, "s"
	case SlowNetwork:
		return 0, 60, "s"
	}
	return 0, 0, ""
}

func faultNames() string {
	names := make([]string, 0, 12)
	for _, f := range Faults() {
		names = append(names, string(f))
	}
	return strings.Join(names, ", ")
}

// change is an event as a model carries it out.
type change struct {
	atNS   int64
	fault  Fault
	amount float64
	off    bool
}

// changes are what an event asks of a model.
func (e Event) changes() []change {
	at := e.At.UnixNano()
	list := []change{{at, e.Fault, e.Amount, e.Off}}
	if e.Lasts > 0 {
		list = append(list, change{at + int64(e.Lasts), e.Fault, 0, true})
	}
	return list
}

// standing are the faults that stand in one model.
type standing struct {
	wearFactor float64
	frozen     bool
	heldMM     float64
	broken     bool
	silent     bool
	freesTo    float64 // part of the travel to which it frees: 1 when healthy
	stuck      float64 // part of the travel by which it doesn't set: 0 when healthy
	bumpMM     float64
	clockOffS  float64
	slowS      float64
}

func healthy() standing { return standing{wearFactor: 1, freesTo: 1} }

// switchTo carries out a change that needs nothing but the state of faults.
func (st *standing) switchTo(c change, readMM func() float64) {
	on := func(v, otherwise float64) float64 {
		if c.off {
			return otherwise
		}
		return v
	}
	switch c.fault {
	case WearFast:
		st.wearFactor = on(c.amount, 1)
	case ProbeBumped:
		st.bumpMM += c.amount
	case ProbeFrozen:
		if !c.off && !st.frozen {
			st.heldMM = readMM()
		}
		st.frozen = !c.off
	case WireBreak:
		st.broken = !c.off
	case DeviceSilent:
		st.silent = !c.off
	case NotFreeing:
		st.freesTo = on(0, 1)
	case Dragging:
		st.freesTo = on(c.amount, 1)
	case NotSetting:
		st.stuck = on(c.amount, 0)
		if !c.off && c.amount == 0 {
			st.stuck = 1
		}
	case ClockOff:
		st.clockOffS = on(c.amount, 0)
	case SlowNetwork:
		st.slowS = on(c.amount, 0)
	}
}
