package sensors

import "io"

const sampleHeader = "time,brake,signal,value"

// SampleReader reads recorded samples, CSV with the header
// time,brake,signal,value.
//
// Time is RFC 3339 in UTC and never falls from one line to the next; signal is
// travel (mm), drive or released (0 or 1), temperature (°C), release_ms or set_ms (ms), or tick, which
// has neither brake nor value. An empty value is a reading that the sensor
// called bad. Nothing is guessed: a line that says anything else is a
// [*LineError], and nothing after it is read.
type SampleReader struct {
	lines  recordLines
	brakes brakeIndex
	lastNS int64
}

// NewSampleReader reads from r; file is its name in messages. find gives the
// position of a brake in the site's list by its name, and known lists the
// names for the message about one that isn't there.
func NewSampleReader(r io.Reader, file string, find func(name string) (int32, bool), known []string) *SampleReader {
	return &SampleReader{
		lines:  newRecordLines(r, file, sampleHeader),
		brakes: brakeIndex{find: find, known: known, found: map[string]int32{}},
	}
}

// File is the name of the file in messages.
func (r *SampleReader) File() string { return r.lines.file }

// Line is the number of the line read last, the header being line 1.
func (r *SampleReader) Line() int { return r.lines.line }

// Next reads one sample. After the last one it returns [io.EOF]; a malformed
// line is a [*LineError].
func (r *SampleReader) Next() (Sample, error) {
	l := &r.lines
	if err := l.next(); err != nil {
		return Sample{}, err
	}
	at, err := l.time(l.fields[0])
	if err != nil {
		return Sample{}, err
	}
	if at < r.lastNS {
		return Sample{}, l.problem("time %s is before the one of the line above; sort the file by time", quoteShort(l.fields[0]))
	}
	r.lastNS = at

	signal, err := signalOf(l.fields[2])
	if err != nil {
		return Sample{}, l.problem("%v", err)
	}
	if signal == Tick {
		if len(l.fields[1]) > 0 || len(l.fields[3]) > 0 {
			return Sample{}, l.problem("a tick has neither brake nor value; write time,,tick,")
		}
		return TickAt(at), nil
	}

	brake, err := r.brakes.index(l, l.fields[1])
	if err != nil {
		return Sample{}, err
	}
	s := Sample{AtNS: at, Brake: brake, Signal: signal}
	value := l.fields[3]
	switch {
	case len(value) == 0:
		s.Quality = Bad
	case signal.Binary():
		if len(value) != 1 || value[0] != '0' && value[0] != '1' {
			return Sample{}, l.problem("%s is %s; write 0 or 1, or leave it empty where the reading was bad", signal, quoteShort(value))
		}
		s.Value = float64(value[0] - '0')
	default:
		if s.Value, err = l.number(signal.String(), value); err != nil {
			return Sample{}, err
		}
	}
	return s, nil
}

// Read fills batch with the next samples and returns how many, like
// [io.Reader]: at the end of the recording, or at a malformed line, it returns
// those before it together with the error.
func (r *SampleReader) Read(batch []Sample) (int, error) {
	for i := range batch {
		s, err := r.Next()
		if err != nil {
			return i, err
		}
		batch[i] = s
	}
	return len(batch), nil
}

func signalOf(field []byte) (Signal, error) {
	for i, n := range signalNames {
		if string(field) == n {
			return Signal(i), nil
		}
	}
	return ParseSignal(string(field))
}
