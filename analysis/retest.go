package analysis

// RetestStep is one thing to be tried after work on a brake, before the hoist
// returns to service.
type RetestStep struct {
	Do   string
	Load bool // with load
}

// RetestSteps is the checklist after work on brakes. Common practice in the
// trade, without a published source. OSHA 29 CFR 1910.179, (k)(1) and (l)(3), asks
// likewise that altered cranes be tested before use and brakes be adjusted as
// needed; it is cited from memory and as a reference only: the rules of the place
// come first.
func RetestSteps() []RetestStep {
	return []RetestStep{
		{Do: "Tools and people are clear, covers are on, the adjuster is locked."},
		{Do: "Without load: drive on and off in both directions for five full cycles; each brake frees and sets, and nothing drags, smells or runs hot."},
		{Do: "Without load: the gap of these cycles agrees with the plan, as gapward says after them, or is read by hand."},
		{Do: "With load, as the hoist maker's instructions and local rules require: the load is stopped and held, lifting and lowering.", Load: true},
		{Do: "With load: it is held at rest without drifting for as long as those rules say.", Load: true},
	}
}

// RetestState is how far the retest after the latest work on a brake has come.
type RetestState struct {
	Needed   bool  // the brake was worked on and that isn't followed by a passed retest
	Work     Entry // the latest adjustment, new lining or return to service; no Kind where there is none
	Signed   Entry // the latest retest after it; no Kind where there is none
	Words    string
	WithLoad bool // the trial with load was passed too
}

// RetestOf is what a brake's ledger says of the retest after its latest work.
// The trial with load may be left out where the local rules ask for none: then
// that is said, and nothing more.
func RetestOf(entries []Entry) RetestState {
	var r RetestState
	for _, e := range Standing(entries) {
		switch e.Kind {
		case Adjustment, LiningFitted, ReturnedToUse:
			r.Work, r.Signed = e, Entry{}
		case Retest:
			r.Signed = e
		}
	}
	switch {
	case r.Work.Kind == "":
		r.Words = "no work has been entered"
	case r.Signed.Kind == "":
		r.Needed, r.Words = true, "not signed for yet: test before return to service"
	case r.Signed.NoLoad != Passed || r.Signed.WithLoad == Failed:
		r.Needed, r.Words = true, "failed, by "+r.Signed.Who+": don't return the hoist to service"
	case r.Signed.WithLoad == Passed:
		r.WithLoad, r.Words = true, "passed without load and with load, by "+r.Signed.Who
	default:
		r.Words = "passed without load, by " + r.Signed.Who + "; no trial with load was entered"
	}
	return r
}
