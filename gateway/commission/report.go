// Package commission proves a site file on the live system. It reads every
// channel through the daemon's own sources while somebody runs the hoists,
// looks whether each shows what it must, and names what a wrong one looks like.
//
// Channels are read raw and scaled here, by the site file's wiring: so the
// record can show raw counts, and a wrong word order can be told from a wrong
// register. What is measured of a cycle is measured by the daemon's own
// analysis.
//
// It proves by what the signals of a brake must have in common: the drive comes
// on, the travel rises to its released level, the release switch closes. No
// channel is believed by itself, and where two contradict each other a third
// decides. What can't be decided is said so.
package commission

import (
	"math"
	"time"
)

// Verdict is how a check, a channel or a whole site has come off.
type Verdict string

// The verdicts. Not proven is neither good nor bad: it says why, and what would
// prove it.
const (
	Passed    Verdict = "passed"
	NotProven Verdict = "not proven"
	Failed    Verdict = "failed"
)

// worse is the graver of two verdicts.
func worse(a, b Verdict) Verdict {
	rank := func(v Verdict) int {
		switch v {
		case Failed:
			return 2
		case NotProven:
			return 1
		}
		return 0
	}
	if rank(b) > rank(a) {
		return b
	}
	return a
}

// Check is one thing looked at.
type Check struct {
	Name    string  `json:"name"`
	Verdict Verdict `json:"verdict"`
	Found   string  `json:"found"`           // what was measured, in words and figures
	Looks   string  `json:"looks,omitempty"` // what it looks like, where it failed
	Do      string  `json:"do,omitempty"`    // what to do, where it failed or isn't proven
}

// Figure is a number that was found.
type Figure struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit,omitempty"`
}

// Channel is what was found of one signal of one brake.
type Channel struct {
	Signal  string   `json:"signal"`
	Device  string   `json:"device"`
	Where   string   `json:"where"` // its place on the device
	Verdict Verdict  `json:"verdict"`
	Checks  []Check  `json:"checks"`
	Figures []Figure `json:"figures"`
}

func (c *Channel) add(k Check) {
	c.Checks = append(c.Checks, k)
	c.Verdict = worse(c.Verdict, k.Verdict)
}

func (c *Channel) pass(name, found string) { c.add(Check{Name: name, Verdict: Passed, Found: found}) }

func (c *Channel) fail(name, found, looks, do string) {
	c.add(Check{Name: name, Verdict: Failed, Found: found, Looks: looks, Do: do})
}

func (c *Channel) open(name, found, do string) {
	c.add(Check{Name: name, Verdict: NotProven, Found: found, Do: do})
}

// figure keeps a number; one that is none is left out.
func (c *Channel) figure(name string, v float64, unit string) {
	if !math.IsNaN(v) && !math.IsInf(v, 0) {
		c.Figures = append(c.Figures, Figure{name, v, unit})
	}
}

// Brake is what was found of one brake.
type Brake struct {
	Name     string    `json:"name"`
	Verdict  Verdict   `json:"verdict"`
	Cycles   int       `json:"full_cycles"`
	Jogs     int       `json:"jogs"`
	Figures  []Figure  `json:"figures"` // medians over the full cycles
	Gauge    *Gauge    `json:"gauge,omitempty"`
	Channels []Channel `json:"channels"`
}

// figure keeps a number; one that is none is left out.
func (b *Brake) figure(name string, v float64, unit string) {
	if !math.IsNaN(v) && !math.IsInf(v, 0) {
		b.Figures = append(b.Figures, Figure{name, v, unit})
	}
}

// Gauge is a gap measured by hand beside the one by the probe.
type Gauge struct {
	SetMM      []float64 `json:"set_mm"`      // depths, brake set
	ReleasedMM []float64 `json:"released_mm"` // depths, brake released
	GapMM      float64   `json:"gap_mm"`      // mean of the repeats
	UMM        float64   `json:"gap_u_mm"`    // its standard uncertainty
	ProbeMM    float64   `json:"probe_gap_mm"`
	ProbeUMM   float64   `json:"probe_gap_u_mm"`
	Zeta       float64   `json:"zeta"` // (probe − hand)/√(u²+u²), ISO 13528
}

// Report is the record of a commissioning.
type Report struct {
	Site     string    `json:"site"`
	SiteFile string    `json:"site_file"`
	SiteHash string    `json:"site_file_sha256"`
	Version  string    `json:"gapward_version"`
	By       string    `json:"by"`
	Began    time.Time `json:"began"`
	Ended    time.Time `json:"ended"`
	Verdict  Verdict   `json:"verdict"`
	Passed   int       `json:"channels_passed"`
	Unproven int       `json:"channels_not_proven"`
	Failed   int       `json:"channels_failed"`
	Cautions []string  `json:"cautions"`
	Brakes   []Brake   `json:"brakes"`
}

// wrong reports whether something failed that makes the channel's readings doubtful:
// those that come too rarely are true all the same.
func (c *Channel) wrong() bool {
	for _, k := range c.Checks {
		if k.Verdict == Failed && k.Name != samplingRate {
			return true
		}
	}
	return false
}

// tally works out the verdicts of brakes and site from those of the channels.
func (r *Report) tally() {
	r.Verdict, r.Passed, r.Unproven, r.Failed = Passed, 0, 0, 0
	for i := range r.Brakes {
		b := &r.Brakes[i]
		b.Verdict = Passed
		for _, c := range b.Channels {
			b.Verdict = worse(b.Verdict, c.Verdict)
			switch c.Verdict {
			case Passed:
				r.Passed++
			case NotProven:
				r.Unproven++
			default:
				r.Failed++
			}
		}
		r.Verdict = worse(r.Verdict, b.Verdict)
	}
}
