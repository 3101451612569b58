package analysis

// Category is how far a device can be relied upon, and what is to be done about
// it, in the four categories of NAMUR NE 107. It is empty for one that is well.
type Category string

// The categories, in NE 107's words.
const (
	// Failure: the signal is invalid through a fault in the device or around it.
	Failure Category = "failure"
	// CheckFunction: somebody works on the device, and its signal is invalid for
	// so long. No finding says so, for no reading does: it is the category of what
	// people have taken out of service.
	CheckFunction Category = "check function"
	// OutOfSpecification: the signal is uncertain, or the device is used beyond
	// what it is meant for.
	OutOfSpecification Category = "out of specification"
	// MaintenanceRequired: the signal is valid, but wear is nearly used up or
	// somebody has to look soon.
	MaintenanceRequired Category = "maintenance required"
)

// Categories lists all of them, the gravest first. The order is that of NE 107 of
// 2017 from memory; published summaries differ.
func Categories() []Category {
	return []Category{Failure, CheckFunction, OutOfSpecification, MaintenanceRequired}
}

// CategoryOf is the category of a condition whose finding has a unit. A brake
// counts as a device as its signals do.
//
// A signal-fault in mm is a probe that was moved. It reads as it should and the
// gap, a difference, is right: it asks for a look at its bracket and no more.
func CategoryOf(c Condition, unit string) Category {
	switch c {
	case SignalFault:
		if unit == "mm" {
			return MaintenanceRequired
		}
		return Failure
	case SignalStale, NotReleased, NotSet, GatewayFault:
		return Failure
	case SignalsDisagree, GapMax, GapLow, SlowRelease, SlowSet, DutyHigh:
		return OutOfSpecification
	case GapAdjust, GapStep, ForecastDue, LiningSpent:
		return MaintenanceRequired
	}
	return ""
}

// Category is the finding's, and empty where it finds nothing wrong.
func (f Finding) Category() Category {
	if f.Excess <= 0 {
		return ""
	}
	return CategoryOf(f.Condition, f.Unit)
}

// Graver is the graver of two categories.
func (c Category) Graver(d Category) Category {
	for _, one := range Categories() {
		if c == one || d == one {
			return one
		}
	}
	return ""
}
