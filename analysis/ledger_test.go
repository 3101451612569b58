package analysis

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"
)

const enteredNS = int64(1_790_000_000) * 1e9

func adjusted(id int64, day int, steps int) Entry {
	e := NewEntry(Adjustment, enteredNS+int64(day)*dayNS, "K. Berg")
	e.ID, e.Steps = id, steps
	return e
}

func relined(id int64, day int) Entry {
	e := NewEntry(LiningFitted, enteredNS+int64(day)*dayNS, "K. Berg")
	e.ID = id
	return e
}

func correcting(e Entry, id int64) Entry {
	e.Corrects = id
	return e
}

func TestUseOfALining(t *testing.T) {
	withdrawn := NewEntry(CorrectionOnly, enteredNS, "K. Berg")
	withdrawn.ID, withdrawn.Corrects = 9, 3
	for _, c := range []struct {
		name    string
		entries []Entry
		known   bool
		steps   int
	}{
		{"nothing", nil, false, 0},
		{"since ever", []Entry{adjusted(1, 1, 1), adjusted(2, 2, 2)}, false, 3},
		{"since the lining", []Entry{adjusted(1, 1, 3), relined(2, 5), adjusted(3, 6, 1), adjusted(4, 9, 1)}, true, 2},
		{"turned back", []Entry{relined(1, 0), adjusted(2, 1, 2), adjusted(3, 2, -1)}, true, 1},
		{"entered late", []Entry{relined(1, 5), adjusted(2, 9, 1), adjusted(3, 2, 1)}, true, 1},
		{"replaced", []Entry{relined(1, 0), adjusted(2, 1, 3), correcting(adjusted(3, 1, 2), 2)}, true, 2},
		{"replaced twice", []Entry{relined(1, 0), adjusted(2, 1, 3), correcting(adjusted(3, 1, 2), 2), correcting(adjusted(4, 1, 1), 3)}, true, 1},
		{"withdrawn", []Entry{relined(1, 0), adjusted(2, 1, 1), adjusted(3, 2, 1), withdrawn}, true, 1},
	} {
		if use := UseOf(c.entries); use.Known != c.known || use.StepsUsed != c.steps {
			t.Errorf("%s: %+v, want %d steps", c.name, use, c.steps)
		}
		slices.Reverse(c.entries)
		if use := UseOf(c.entries); use.StepsUsed != c.steps {
			t.Errorf("%s, the newest first: %+v, want %d steps", c.name, use, c.steps)
		}
	}
}

func TestOutOfServiceUntilReturned(t *testing.T) {
	out := NewEntry(OutOfService, enteredNS, "K. Berg")
	out.ID = 1
	back := NewEntry(ReturnedToUse, enteredNS+1, "K. Berg")
	back.ID = 2
	if !InService(nil) || InService([]Entry{out}) || !InService([]Entry{out, back}) {
		t.Error("in service is wrong")
	}
}

func TestEntriesAreChecked(t *testing.T) {
	now := enteredNS + dayNS
	reading := NewEntry(Reading, enteredNS, "K. Berg")
	reading.GapMM, reading.GapUMM, reading.Repeats = 1.7, 0.05, 3
	lining := relined(0, 0)
	lining.ThicknessMM = 6
	withdrawal := NewEntry(CorrectionOnly, enteredNS, "K. Berg")
	withdrawal.Corrects = 4
	for _, e := range []Entry{adjusted(0, 0, 2), adjusted(0, 0, -1), reading, lining, relined(0, 0), withdrawal, NewEntry(OutOfService, enteredNS, "K. Berg"), NewEntry(ReturnedToUse, enteredNS, "K. Berg")} {
		if err := e.Check(now); err != nil {
			t.Errorf("%+v: %v", e, err)
		}
	}
	for _, c := range []struct {
		e    Entry
		with func(*Entry)
		says string
	}{
		{reading, func(e *Entry) { e.Kind = "measurement" }, "no kind of entry"},
		{reading, func(e *Entry) { e.Who = " " }, "who is missing"},
		{reading, func(e *Entry) { e.Who = strings.Repeat("x", 81) }, "80 characters"},
		{reading, func(e *Entry) { e.Who = "a\nb" }, "readable text"},
		{reading, func(e *Entry) { e.Note = "\x1b[2J" }, "readable text"},
		{reading, func(e *Entry) { e.Note = "\xff" }, "readable text"},
		{reading, func(e *Entry) { e.AtNS = 0 }, "time is missing"},
		{reading, func(e *Entry) { e.AtNS = now + int64(time.Hour) }, "in the future"},
		{reading, func(e *Entry) { e.Repeats = 0 }, "a reading needs"},
		{reading, func(e *Entry) { e.GapMM = math.Inf(1) }, "can't be"},
		{reading, func(e *Entry) { e.GapMM = -1 }, "a gap of -1 mm can't be"},
		{reading, func(e *Entry) { e.GapUMM = -1 }, "uncertainty"},
		{reading, func(e *Entry) { e.Steps = 1 }, "steps belong to an entry of kind adjustment"},
		{adjusted(0, 0, 1), func(e *Entry) { e.Steps = 0 }, "number of steps"},
		{adjusted(0, 0, 1), func(e *Entry) { e.Steps = 5000 }, "more than any adjuster has"},
		{adjusted(0, 0, 1), func(e *Entry) { e.GapMM = 1.7 }, "a gap belongs to"},
		{adjusted(0, 0, 1), func(e *Entry) { e.ThicknessMM = 6 }, "thicknesses belong to an entry of kind lining"},
		{lining, func(e *Entry) { e.ThicknessMM = 0 }, "a thickness of 0 mm can't be"},
		{withdrawal, func(e *Entry) { e.Corrects = 0 }, "number of the entry"},
	} {
		c.with(&c.e)
		if err := c.e.Check(now); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%+v: %v; want %q", c.e, err, c.says)
		}
	}
}
