package configs

import (
	"strings"

	"gapward/alerts"
	"gapward/alerts/notify"
	"gapward/analysis"
	"gapward/gateway/export"
	"gapward/gateway/page"
	"gapward/sensors"
)

// Site is one site file: what hangs on which device, and who is told.
type Site struct {
	Name    string                    `yaml:"site"`
	Data    string                    `yaml:"data"` // directory of the database and the waveforms
	Page    page.Settings             `yaml:"page"`
	Devices map[string]sensors.Device `yaml:"devices"`
	Brakes  []Brake                   `yaml:"brakes"`
	Chains  []HoldingChain            `yaml:"holding_chains"`
	Alarms  alerts.Settings           `yaml:"alarms"`
	Export  export.Settings           `yaml:"export"`
	Notify  []notify.Settings         `yaml:"notify"`

	file  string
	hash  string
	notes []Problem
}

// Brake is one brake with its wiring, its limits and how it is adjusted.
type Brake struct {
	Name     string                    `yaml:"name"`
	Crane    string                    `yaml:"crane"` // default: the name up to its first slash
	Kind     analysis.Kind             `yaml:"kind"`  // default: conical
	Limits   analysis.Limits           `yaml:"limits_mm"`
	Timing   analysis.Timing           `yaml:"timing"`
	Signals  Signals                   `yaml:"signals"`
	Adjuster analysis.Adjuster         `yaml:"adjuster"`
	Lining   analysis.Lining           `yaml:"lining"`
	Model    string                    `yaml:"model"` // brakes of one model share what they learn
	Forecast analysis.ForecastSettings `yaml:"forecast"`
	Duty     analysis.DutyLimits       `yaml:"duty"`
	Thermal  *analysis.Thermal         `yaml:"thermal"` // nil: fitted where there is a temperature signal
	Stop     analysis.Stop             `yaml:"stop"`    // for the braking work
}

// Signals are a brake's signals by name: travel, drive, released, temperature.
type Signals map[string]sensors.Wiring

// Of returns how a signal is wired; ok is false where the file doesn't name it.
func (s Signals) Of(signal sensors.Signal) (w sensors.Wiring, ok bool) {
	w, ok = s[signal.String()]
	return w, ok
}

// knownKeys tells the reader which keys the map may have.
func (s Signals) knownKeys() []string {
	var names []string
	for _, signal := range sensors.Signals() {
		names = append(names, signal.String())
	}
	return names
}

// HoldingChain names brakes that hold one load in series.
type HoldingChain struct {
	Name  string   `yaml:"name"`
	Order []string `yaml:"order"` // the order in which they are adjusted
}

// DefaultData is where the data go when the file doesn't say.
const DefaultData = "gapward-data"

// File is the path that the site was read from.
func (s *Site) File() string { return s.file }

// Hash is the SHA-256 of the file's bytes in hexadecimal: it tells which site
// file a stored result rests on.
func (s *Site) Hash() string { return s.hash }

// Notes are pieces of advice on a file that is in order: what it leaves
// unmeasured, and what measures less well than it could. They stand in the
// order of the file.
func (s *Site) Notes() []Problem { return s.notes }

// BrakeIndex is the position of the brake of that name in the site's list, or
// -1.
func (s *Site) BrakeIndex(name string) int {
	for i, b := range s.Brakes {
		if b.Name == name {
			return i
		}
	}
	return -1
}

// fillDefaults writes what the file left out into the site.
func (s *Site) fillDefaults() {
	if s.Data == "" {
		s.Data = DefaultData
	}
	s.Page.Listen = s.Page.Address()
	for i := range s.Brakes {
		b := &s.Brakes[i]
		if b.Kind == "" {
			b.Kind = analysis.Conical
		}
		if b.Crane == "" {
			b.Crane, _, _ = strings.Cut(b.Name, "/")
		}
	}
}
