package sensors

import "time"

// Device is how one device is reached. Exactly one of Modbus and MQTT is set.
type Device struct {
	Modbus       string        `yaml:"modbus"`         // tcp://host:port, or rtu:///dev/…?baud=…&parity=…
	Unit         uint8         `yaml:"unit"`           // Modbus unit id, 0 to 247; over TCP also 255
	Timeout      time.Duration `yaml:"timeout"`        // for a whole request and reply; 0 means 250 ms
	Turnaround   time.Duration `yaml:"turnaround"`     // what the device needs to begin an answer, for reckoning; 0: unknown
	InFlight     int           `yaml:"in_flight"`      // requests that may be under way at once on its TCP connection; 0 is 1
	OwnConn      bool          `yaml:"own_connection"` // doesn't share its TCP connection with other units of the address
	MQTT         string        `yaml:"mqtt"`           // mqtt://host:port or mqtts://host:port
	User         string        `yaml:"user"`           // MQTT user name
	PasswordFile string        `yaml:"password_file"`  // file that holds the MQTT password
	ClientID     string        `yaml:"client_id"`      // MQTT client id; empty means one made from site and device
	KeepSession  bool          `yaml:"keep_session"`   // the broker keeps what comes while gapward is away; needs ClientID and the senders' own times
	MaxSkew      time.Duration `yaml:"max_skew"`       // how far the senders' clocks may be off this machine's; 0 means a second, see SkewLimit
	CAFile       string        `yaml:"ca_file"`        // PEM file of the authorities that may vouch for the broker; empty means the system's
	CertFile     string        `yaml:"cert_file"`      // PEM file of the certificate that we show the broker …
	KeyFile      string        `yaml:"key_file"`       // … and of its key
	ServerName   string        `yaml:"server_name"`    // the name in the broker's certificate; empty means the address's host
}

// DefaultTimeout is the time a Modbus request may take when the site file
// doesn't say.
const DefaultTimeout = 250 * time.Millisecond

// RequestTimeout is Timeout or its default.
func (d Device) RequestTimeout() time.Duration {
	if d.Timeout > 0 {
		return d.Timeout
	}
	return DefaultTimeout
}

// DefaultMaxSkew is how far the clock of a device that stamps its messages may
// be off when the site file doesn't say. The gateway waits as long for them.
const DefaultMaxSkew = time.Second

// SkewLimit is MaxSkew or its default.
func (d Device) SkewLimit() time.Duration {
	if d.MaxSkew > 0 {
		return d.MaxSkew
	}
	return DefaultMaxSkew
}

// ArrivalTime stands in [Wiring.Time] where a reading's time is that of its
// arrival, whatever its payload says.
const ArrivalTime = "arrival"

// DataType is how a number stands in Modbus registers.
type DataType string

// The data types. An empty one means U16.
const (
	U16 DataType = "u16"
	S16 DataType = "s16"
	U32 DataType = "u32"
	S32 DataType = "s32"
	F32 DataType = "f32"
)

// WordOrder is how the bytes of a 32-bit value stand in two registers, A the
// most significant. The Modbus specification defines the order of bytes in one
// register only, so the device's maker decides.
type WordOrder string

// The word orders. An empty one means ABCD.
const (
	ABCD WordOrder = "abcd"
	CDAB WordOrder = "cdab"
	BADC WordOrder = "badc"
	DCBA WordOrder = "dcba"
)

// Wiring says where on a device a signal is found and what its raw value
// means. Of Input, Holding, Discrete, Coil and Topic exactly one is set;
// addresses are 0-based protocol addresses.
type Wiring struct {
	Device   string  `yaml:"device"`
	Input    *uint16 `yaml:"input"`    // input register, function 04
	Holding  *uint16 `yaml:"holding"`  // holding register, function 03
	Discrete *uint16 `yaml:"discrete"` // discrete input, function 02
	Coil     *uint16 `yaml:"coil"`     // coil, function 01
	Topic    string  `yaml:"topic"`    // MQTT topic, no wildcards
	Value    string  `yaml:"value"`    // where in its payload the value stands, a JSON pointer (RFC 6901); empty: see package mqtt
	Time     string  `yaml:"time"`     // … and the sender's time; ArrivalTime: it has none, or one not to be used

	Type         DataType  `yaml:"type"`
	Words        WordOrder `yaml:"words"`
	Raw          []float64 `yaml:"raw"`          // raw values, rising or falling …
	MM           []float64 `yaml:"mm"`           // … and the travel that each means
	Deg          []float64 `yaml:"celsius"`      // … or the temperature
	Coefficients []float64 `yaml:"coefficients"` // … or a polynomial of the raw value between the two, lowest power first
	Milliamps    []float64 `yaml:"milliamps"`    // … and the loop current that each means, for what NAMUR NE 43 says of it
	Invert       bool      `yaml:"invert"`       // a binary signal whose 0 means yes

	Poll         time.Duration `yaml:"poll"`           // 0: the poll of the brake's travel, or 20 ms
	OnChange     float64       `yaml:"on_change"`      // reports when it moved by this much (unit of the signal) …
	AtLeastEvery time.Duration `yaml:"at_least_every"` // … and at least this often
	StaleAfter   time.Duration `yaml:"stale_after"`    // silence longer than this is a fault; 0 means a default, see StaleLimit
	UMM          float64       `yaml:"u_mm"`           // standard uncertainty of the probe's calibration, mm

	Stamp   *Stamp        `yaml:"stamp" json:",omitempty"`   // of a binary signal whose changes the device stamps; nil: it is polled alone
	Counter *uint16       `yaml:"counter" json:",omitempty"` // of a measured time: the register beside it that counts the measurements
	Step    time.Duration `yaml:"step" json:",omitempty"`    // … what one count of the time is
	UMS     float64       `yaml:"u_ms" json:",omitempty"`    // … and the standard uncertainty of the device's measurement, ms
}

// Stamp is where a Modbus device keeps the time of a signal's latest change, by
// a clock of its own that it shows beside it, both in one table. The clock may
// begin anywhere and wrap: what counts is how long ago the change was when the
// device answered.
type Stamp struct {
	Input   *uint16       `yaml:"input" json:",omitempty"`   // input register of the stamp, or …
	Holding *uint16       `yaml:"holding" json:",omitempty"` // … holding register
	Clock   *uint16       `yaml:"clock" json:",omitempty"`   // the device's clock, in the same table
	Type    DataType      `yaml:"type" json:",omitempty"`    // of both: u16 or u32
	Words   WordOrder     `yaml:"words" json:",omitempty"`   // of both
	Step    time.Duration `yaml:"step" json:",omitempty"`    // what one count of both is: the resolution
}

// CounterReach is how many registers a measured time and its counter may span at
// most, the first and the last included: they are read in one request, or the
// one might belong to a later measurement than the other.
const CounterReach = 100

// MeasuredWithin is how long a time that a device has measured may have been over
// when it is told, where its counter is read once in every poll: two polls, one of
// which may be missed, or a quarter of a second on a busy machine. What was found
// later is not told.
func MeasuredWithin(poll time.Duration) time.Duration { return max(2*poll, 250*time.Millisecond) }

// Address is the stamp's register.
func (s *Stamp) Address() *uint16 {
	if s.Input != nil {
		return s.Input
	}
	return s.Holding
}

// DefaultPoll is the poll period when the site file doesn't say.
const DefaultPoll = 20 * time.Millisecond

// ByException reports whether the device reports changes instead of being
// polled.
func (w Wiring) ByException() bool { return w.AtLeastEvery > 0 || w.OnChange > 0 }

// Channel is one signal of one brake as it is wired.
type Channel struct {
	Brake  int32  // position in the site's list of brakes
	Name   string // the brake's name, for messages
	Signal Signal
	Wiring Wiring

	Part Part // in a request of package modbus: what of the signal is read
}

// Part is what of a signal is read.
type Part string

// The parts of a signal.
const (
	OfValue Part = ""
	OfStamp Part = "stamp"
	OfClock Part = "clock" // the one beside its stamp
)
