package analysis

import "slices"

// WorkCheck is how the work of an entry of the ledger turned out.
type WorkCheck struct {
	Entry int64 // its id
	AtNS  int64 // when it was last looked at
	AfterCheck
}

// Offered is a step of the gap that nobody entered and that looks like an
// adjustment. One of no steps takes the latest back.
type Offered struct {
	AtNS int64 // of the cycle in which the step was found
	StepOffer
}

// work is what is watched of a brake's adjuster: the latest step of the gap that
// was found, and the latest work that was entered.
type work struct {
	stepNS      int64       // of the cycle in which the step was found; 0: none
	stepFromNS  int64       // … and of one that was before the step for certain
	stepEntered bool        // the ledger has it
	offered     int         // so many steps, that nobody has entered; 0: nothing is offered
	since       firstCycles // since the step
	fromMM      float64     // gap before it
	fromU       float64

	entry   int64 // of the work; 0: none
	plan    AdjustPlan
	after   firstCycles                // since the work
	checked bool                       // nothing more comes of it
	gapNS   int64                      // of the latest cycle with a gap
	gapsNS  [stepFoundWithin + 2]int64 // of the latest few, the latest first
}

// firstCycles are the first few good cycles after something. Most brakes wait for
// none most of the time.
type firstCycles []Cycle

// inDoubt are the flags of a cycle whose gap proves nothing of work done.
const inDoubt = FlagBumped | FlagNotReleased | FlagNotSet | FlagFrozen | FlagDisagree

func (f *firstCycles) add(c Cycle) {
	if !f.full() && soundGap(c) {
		*f = append(*f, c)
	}
}

func (f *firstCycles) full() bool { return len(*f) == checkedCycles }

// Entered takes an entry of the ledger in, with all entries that there are by
// then, itself among them: as it is made, and at a restart at the place among
// the cycles where it was made. After an adjustment or a new lining the wear
// filter begins at the next gap, with the rate kept, and the first cycles are
// compared with what should have come of it. A step of the gap that had been
// found and not entered is now explained.
func (b *Brake) Entered(e Entry, entries []Entry, out *Out) {
	if b.hand == nil || b.wear.set {
		switch {
		case e.Kind == Adjustment || e.Kind == LiningFitted:
			b.worked(e, out)
		case e.Kind == CorrectionOnly && e.Corrects == b.work.entry:
			b.work.entry = 0 // it was not done: nothing to be compared
		}
	}
	b.TakeLedger(entries, e.EnteredNS, out)
}

// worked takes work at the adjuster in.
func (b *Brake) worked(e Entry, out *Out) {
	w := &b.work
	switch {
	case e.Corrects != 0 && e.Corrects == w.entry:
		// The same work in other figures: what was seen of it stands.
		w.plan = b.shouldCome(e, w.plan.GapMM, w.plan.GapUMM)
	case b.explains(e):
		w.stepEntered = true
		b.changes.entered(e.Kind)
		b.wear.bank.fitted = b.wear.bank.fitted || e.Kind == LiningFitted && b.wear.bank.worn
		w.plan, w.after = b.shouldCome(e, w.fromMM, w.fromU), slices.Clone(w.since)
	default:
		// Where gaps have been measured since, and none of them showed a step,
		// there is nothing to begin anew at.
		if e.Kind == LiningFitted || e.AtNS >= w.gapNS {
			b.wear.renewed = e.Kind
		}
		w.plan, w.after = b.shouldCome(e, b.verdict.GapMM, b.verdict.GapUMM), nil
	}
	if w.offered != 0 {
		w.offered = 0
		out.Offers = append(out.Offers, Offered{AtNS: e.EnteredNS})
	}
	b.endStep(e.EnteredNS, out)
	w.entry, w.checked = e.ID, !Has(w.plan.ExpectedMM)
	b.checkWork(e.EnteredNS, out)
}

// explains reports whether an entry is of the step that was found: it was done
// before the step, or entered late and without its time but of that size.
func (b *Brake) explains(e Entry) bool {
	w := &b.work
	if w.stepNS == 0 || w.stepEntered {
		return false
	}
	// What was offered is told from the first cycles: later ones have worn.
	return w.stepNS >= e.AtNS && e.AtNS >= w.stepFromNS-roughlyNS || e.Kind == Adjustment && e.Steps == w.offered
}

// shouldCome is the plan that work amounts to, as far as what comes of it goes;
// the expected gap is NaN where that can't be said.
func (b *Brake) shouldCome(e Entry, fromMM, fromU float64) AdjustPlan {
	p := AdjustPlan{Brake: b.set.Name, AtNS: e.AtNS, Action: Adjust, Steps: e.Steps, GapMM: fromMM, GapUMM: fromU, ExpectedMM: NoValue(), ExpectedUMM: NoValue()}
	step, known := b.set.Adjuster.Step()
	p.Step = step
	switch {
	case e.Kind == LiningFitted && Has(e.GapMM):
		p.ExpectedMM, p.ExpectedUMM = e.GapMM, 0
		if Has(e.GapUMM) {
			p.ExpectedUMM = e.GapUMM
		}
	case e.Kind == Adjustment && known && Has(fromMM) && Has(fromU):
		p.ExpectedMM, p.ExpectedUMM = fromMM-float64(e.Steps)*step.MM, fromU
	}
	return p
}

// watchWork looks at a cycle with a gap, which had moved by stepMM at once; before
// it the gap was fromMM.
func (b *Brake) watchWork(c Cycle, stepMM float64, renewed EntryKind, fromMM, fromU float64, nowNS int64, out *Out) {
	w := &b.work
	w.gapNS = c.AtNS
	copy(w.gapsNS[1:], w.gapsNS[:])
	w.gapsNS[0] = c.AtNS
	if stepMM != 0 && renewed == "" {
		if w.offered != 0 { // another one has come upon it
			w.offered = 0
			out.Offers = append(out.Offers, Offered{AtNS: c.AtNS})
		}
		w.stepFromNS = w.gapsNS[len(w.gapsNS)-1]
		w.stepNS, w.stepEntered, w.fromMM, w.fromU, w.since = c.AtNS, false, fromMM, fromU, nil
		// The work that was entered last is what moved it, unless that has
		// shown what came of it.
		if w.entry != 0 && !w.checked && len(w.after) <= stepFoundWithin {
			w.stepEntered, w.after = true, nil
		}
	}
	if w.stepNS != 0 && !w.since.full() {
		if w.since.add(c); w.since.full() && !w.stepEntered {
			if o, ok := OfferFor(b.set, w.fromMM, w.fromU, b.verdict.GapMM, b.verdict.GapUMM); ok {
				w.offered = o.Steps
				out.Offers = append(out.Offers, Offered{AtNS: w.stepNS, StepOffer: o})
			}
		}
	}
	if w.entry != 0 && !w.checked {
		w.after.add(c)
		b.checkWork(nowNS, out)
	}
}

// roughlyNS is how far off the time may be that people enter for their work.
const roughlyNS = dayNS

// stepFoundWithin is in how many cycles a step of the gap is found at the latest.
const stepFoundWithin = 4

// checkWork compares what came of the work with what should have.
func (b *Brake) checkWork(nowNS int64, out *Out) {
	w := &b.work
	if w.checked {
		return
	}
	check := WorkCheck{Entry: w.entry, AtNS: nowNS, AfterCheck: CheckAfter(b.set, w.plan, w.after)}
	w.checked = check.Outcome != Waiting
	out.Checks = append(out.Checks, check)
}

// endStep lets go of a sudden change of the gap that was told.
func (b *Brake) endStep(nowNS int64, out *Out) {
	if b.stepAgo == 0 {
		return
	}
	b.stepAgo = 0
	out.Findings = append(out.Findings, Finding{AtNS: nowNS, Condition: GapStep, Excess: -1, Value: NoValue(), U: NoValue(), Limit: NoValue(), Unit: "mm"})
}

// TellStep lets go of a sudden change of the gap, where none stands: at a restart
// after which the ledger has what was found before it.
func (b *Brake) TellStep(nowNS int64, out *Out) {
	if b.stepAgo == 0 {
		b.stepAgo = 1
		b.endStep(nowNS, out)
	}
}

// renew begins anew at a gap, which comes with the variance that it states, after
// work at the adjuster, and keeps the rate. A new lining runs in.
func (w *wear) renew(gapMM, stated float64) (stepMM float64) {
	variance := stated * w.noise.variance
	stepMM = gapMM - w.gap
	fitted := w.renewed == LiningFitted
	w.renewed = ""
	if w.total > warmGaps { // what came before still counts
		w.total--
		w.passOn(0)
		w.closeBlock()
		w.total++
		if fitted {
			w.bank.reline(gapMM, variance, float64(w.work))
		} else {
			w.bank.restart(gapMM, variance, float64(w.work), false)
		}
	}
	w.seen = 0
	w.begin(gapMM, stated)
	w.held = 0
	w.steps.reset()
	return stepMM
}

// reline puts the gap to a new level with a lining that is known to be new.
func (k *bank) reline(gapMM, variance, work float64) {
	if !k.set {
		return
	}
	k.forget()
	k.lining, k.worn, k.fitted = work, true, true
	k.relevel(gapMM, variance, work, true)
}

// entered takes the latest change for what the ledger says that it was.
func (w *changes) entered(kind EntryKind) {
	w.told = true
	if w.latest.Kind = Adjusted; kind == LiningFitted {
		w.latest.Kind = NewLining
	}
}

// began takes note of work that the ledger had before it showed, and by how much
// it moved the gap.
func (w *changes) began(kind EntryKind, atNS int64, stepMM float64) {
	w.latest = Change{AtNS: atNS, MM: stepMM, S: NoValue()}
	w.entered(kind)
}
