package analysis

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode/utf8"
)

// EntryKind is what an entry of the ledger tells. The values are the words of
// the command, the interface and the database.
type EntryKind string

// The kinds of entries.
const (
	Reading        EntryKind = "reading"        // a gap measured by hand
	Adjustment     EntryKind = "adjustment"     // steps of the adjuster
	LiningFitted   EntryKind = "lining"         // a new lining, the adjuster back
	OutOfService   EntryKind = "out-of-service" // the brake is not in use from here on …
	ReturnedToUse  EntryKind = "return"         // … until here
	Retest         EntryKind = "retest"         // tried after work, and how that went
	CorrectionOnly EntryKind = "correction"     // the entry that it corrects should not be there
)

// EntryKinds lists the kinds.
func EntryKinds() []EntryKind {
	return []EntryKind{Reading, Adjustment, LiningFitted, OutOfService, ReturnedToUse, Retest, CorrectionOnly}
}

// Entry is what somebody did at a brake, or read there. An entry is never
// changed: one with Corrects takes the place of that earlier one, and of kind
// [CorrectionOnly] puts nothing there. Figures that don't belong to its kind, or
// aren't known, are NaN.
type Entry struct {
	ID        int64 // given by the store
	AtNS      int64 // when it was done
	EnteredNS int64 // when it was entered
	Kind      EntryKind

	Steps       int         // of an adjustment: whole steps of the adjuster; for shims, out of each pack; below zero: turned back
	GapMM       float64     // of a reading; of a new lining: the gap it was fitted with
	GapUMM      float64     // its standard uncertainty
	StillMM     float64     // of a reading by depths: their mean with the brake set …
	RunningMM   float64     // … and released
	Repeats     int         // of a reading
	UAMM        float64     // of a reading: the part of its uncertainty that comes from the repeats (GUM Type A) …
	UBMM        float64     // … and from the gauge (Type B)
	Read        HandReading // of a reading: what was read; empty where only the result was entered
	ThicknessMM float64     // of a new lining, normal to its face

	NoLoad   Trial // of a retest: how the trial without load went …
	WithLoad Trial // … and that with load

	Who      string
	Note     string
	Corrects int64 // id of the entry that it takes the place of; 0: none
}

// NewEntry is an entry without figures.
func NewEntry(kind EntryKind, atNS int64, who string) Entry {
	return Entry{Kind: kind, AtNS: atNS, Who: who, GapMM: NoValue(), GapUMM: NoValue(), StillMM: NoValue(), RunningMM: NoValue(), UAMM: NoValue(), UBMM: NoValue(), ThicknessMM: NoValue()}
}

// Trial is how a trial of a brake went.
type Trial string

// The outcomes of a trial; the empty one says that it was not made.
const (
	NotTried Trial = ""
	Passed   Trial = "passed"
	Failed   Trial = "failed"
)

func (t Trial) valid() bool { return t == NotTried || t == Passed || t == Failed }

// What an entry may hold.
const (
	mostWho   = 80   // characters
	mostNote  = 1000 // characters
	mostSteps = 1000
	// clocks of two machines may differ by so much
	mayBeAhead = 2 * time.Minute
)

// Check reports what is wrong with an entry that is to be made at nowNS: the
// first thing found, in words for who enters it.
func (e Entry) Check(nowNS int64) error {
	switch {
	case !slices.Contains(EntryKinds(), e.Kind):
		return fmt.Errorf("%q is no kind of entry: it is reading, adjustment, lining, out-of-service, return, retest or correction", e.Kind)
	case strings.TrimSpace(e.Who) == "":
		return errors.New("who is missing: an entry needs the name of who did the work")
	case utf8.RuneCountInString(e.Who) > mostWho || utf8.RuneCountInString(e.Note) > mostNote:
		return fmt.Errorf("who may have %d characters and the note %d", mostWho, mostNote)
	case !plainText(e.Who, false) || !plainText(e.Note, true):
		return errors.New("who and note must be readable text")
	case e.AtNS <= 0 || time.Unix(0, e.AtNS).UTC().Year() < 1990:
		return errors.New("the time is missing, or before 1990")
	case e.AtNS > nowNS+int64(mayBeAhead):
		return fmt.Errorf("the time %s is in the future", time.Unix(0, e.AtNS).UTC().Format(time.RFC3339))
	case e.Corrects < 0 || e.Kind == CorrectionOnly && e.Corrects == 0:
		return errors.New("a correction must name the number of the entry that it corrects")
	}
	return e.checkFigures()
}

func (e Entry) checkFigures() error {
	wants := func(kind EntryKind, present bool, what string) error {
		if present && e.Kind != kind {
			return fmt.Errorf("%s belong to an entry of kind %s, not to one of kind %s", what, kind, e.Kind)
		}
		return nil
	}
	err := errors.Join(
		wants(Adjustment, e.Steps != 0, "steps"),
		wants(Reading, e.Repeats != 0 || Has(e.StillMM) || Has(e.RunningMM), "depths and repeats"),
		wants(Retest, e.NoLoad != NotTried || e.WithLoad != NotTried, "trials"),
		wants(LiningFitted, Has(e.ThicknessMM), "thicknesses"))
	if err != nil {
		return err
	}
	for _, f := range []struct {
		name  string
		value float64
	}{{"gap", e.GapMM}, {"thickness", e.ThicknessMM}} {
		if Has(f.value) && !(f.value > 0 && f.value < mostMM) {
			return fmt.Errorf("a %s of %s mm can't be: it is above 0 and below %d mm", f.name, shortMM(f.value), mostMM)
		}
	}
	switch {
	case Has(e.GapMM) && e.Kind != Reading && e.Kind != LiningFitted:
		return fmt.Errorf("a gap belongs to a reading or a lining, not to an entry of kind %s", e.Kind)
	case Has(e.GapUMM) && (!Has(e.GapMM) || !(e.GapUMM >= 0 && e.GapUMM < mostMM)):
		return errors.New("the uncertainty needs a gap, and is from 0 up")
	case e.Kind == Reading && !(Has(e.GapMM) && Has(e.GapUMM) && e.Repeats > 0):
		return errors.New("a reading needs a gap, its uncertainty and the number of repeats")
	case Has(e.UAMM) && !(e.UAMM >= 0 && e.UAMM < mostMM) || Has(e.UBMM) && !(e.UBMM >= 0 && e.UBMM < mostMM):
		return errors.New("the parts of the uncertainty are from 0 up")
	case !e.NoLoad.valid() || !e.WithLoad.valid():
		return fmt.Errorf("a trial has %q or %q", Passed, Failed)
	case e.Kind == Retest && e.NoLoad == NotTried:
		return errors.New("a retest needs how the trial without load went, which comes first")
	case e.Kind == Retest && e.NoLoad == Failed && e.WithLoad != NotTried:
		return errors.New("a brake that failed without load is not tried with load: put it right, and test it again")
	case e.Kind == Adjustment && e.Steps == 0:
		return errors.New("an adjustment needs the number of steps, other than 0")
	case e.Steps > mostSteps || e.Steps < -mostSteps:
		return fmt.Errorf("%d steps are more than any adjuster has", e.Steps)
	}
	return nil
}

// plainText reports whether text is valid and has no control characters, line
// ends aside where these are allowed.
func plainText(text string, lines bool) bool {
	if !utf8.ValidString(text) {
		return false
	}
	for _, r := range text {
		if (r < ' ' || r == 0x7f || r >= 0x80 && r < 0xa0) && !(lines && (r == '\n' || r == '\t')) {
			return false
		}
	}
	return true
}

// Standing are the entries that count, in the order of the times at which the
// work was done: those that no other takes the place of, corrections without a
// replacement left out.
func Standing(entries []Entry) []Entry {
	replaced := map[int64]bool{}
	for _, e := range entries {
		if e.Corrects != 0 {
			replaced[e.Corrects] = true
		}
	}
	var list []Entry
	for _, e := range entries {
		if !replaced[e.ID] && e.Kind != CorrectionOnly {
			list = append(list, e)
		}
	}
	slices.SortStableFunc(list, func(a, b Entry) int {
		switch {
		case a.AtNS != b.AtNS && a.AtNS < b.AtNS || a.AtNS == b.AtNS && a.ID < b.ID:
			return -1
		case a.AtNS == b.AtNS && a.ID == b.ID:
			return 0
		}
		return 1
	})
	return list
}

// UseOf is what the ledger of one brake says of its lining. Adjustments before
// the latest lining count no more; where no lining was ever entered, all count.
func UseOf(entries []Entry) LiningUse {
	use := LiningUse{ThicknessMM: NoValue(), GapMM: NoValue()}
	for _, e := range Standing(entries) {
		switch e.Kind {
		case LiningFitted:
			use = LiningUse{Known: true, FittedNS: e.AtNS, ThicknessMM: e.ThicknessMM, GapMM: e.GapMM}
		case Adjustment:
			use.StepsUsed += e.Steps
		}
	}
	return use
}

// InService reports whether the ledger has the brake in use.
func InService(entries []Entry) bool {
	in := true
	for _, e := range Standing(entries) {
		switch e.Kind {
		case OutOfService:
			in = false
		case ReturnedToUse:
			in = true
		}
	}
	return in
}

// WithReading is a reading's entry with what was read by hand.
func (e Entry) WithReading(h HandReading) (Entry, error) {
	g, err := h.Evaluate()
	if err != nil {
		return e, err
	}
	e.GapMM, e.GapUMM, e.Repeats, e.UAMM, e.UBMM, e.Read = g.GapMM, g.UMM, g.Repeats, g.TypeA, g.TypeB, h
	if len(h.StillMM) > 0 {
		e.StillMM, _, _ = momentsByHand(h.StillMM)
		e.RunningMM, _, _ = momentsByHand(h.RunningMM)
	}
	return e, nil
}

// ownAndShared are the parts of a reading's uncertainty that other readings of
// the same gauge don't share, and that they do. Where it isn't known which is
// which, none of it is taken to be shared.
func (e Entry) ownAndShared() (own, shared float64) {
	if !Has(e.UBMM) || e.UBMM >= e.GapUMM {
		return e.GapUMM, 0
	}
	return math.Sqrt(e.GapUMM*e.GapUMM - e.UBMM*e.UBMM), e.UBMM
}
