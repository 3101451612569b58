package sensors

import (
	"io"
	"math"
)

const cycleHeader = "time,brake,gap_mm,gap_u_mm,release_ms,set_ms"

// MeasuredCycle is a cycle whose figures somebody else has measured. What is
// unknown is NaN; a cycle without a gap is a jog.
type MeasuredCycle struct {
	AtNS     int64   // UTC, nanoseconds since 1970
	Brake    int32   // position in the site's list of brakes
	GapMM    float64 // air gap
	GapUMM   float64 // its standard uncertainty, above zero
	ReleaseS float64 // release time, seconds
	SetS     float64 // set time, seconds
}

// CycleReader reads measured cycles, CSV with the header
// time,brake,gap_mm,gap_u_mm,release_ms,set_ms, as strictly as a
// [SampleReader] reads samples. An empty field is a figure that isn't known.
type CycleReader struct {
	lines  recordLines
	brakes brakeIndex
	lastNS int64
}

// NewCycleReader reads from r; the arguments are those of [NewSampleReader].
func NewCycleReader(r io.Reader, file string, find func(name string) (int32, bool), known []string) *CycleReader {
	return &CycleReader{
		lines:  newRecordLines(r, file, cycleHeader),
		brakes: brakeIndex{find: find, known: known, found: map[string]int32{}},
	}
}

// Line is the number of the line read last, the header being line 1.
func (r *CycleReader) Line() int { return r.lines.line }

// Next reads one cycle. After the last one it returns [io.EOF]; a malformed
// line is a [*LineError].
func (r *CycleReader) Next() (MeasuredCycle, error) {
	l := &r.lines
	if err := l.next(); err != nil {
		return MeasuredCycle{}, err
	}
	at, err := l.time(l.fields[0])
	if err != nil {
		return MeasuredCycle{}, err
	}
	if at < r.lastNS {
		return MeasuredCycle{}, l.problem("time %s is before the one of the line above; sort the file by time", quoteShort(l.fields[0]))
	}
	r.lastNS = at
	brake, err := r.brakes.index(l, l.fields[1])
	if err != nil {
		return MeasuredCycle{}, err
	}

	var figures [4]float64
	for i, name := range [...]string{"gap_mm", "gap_u_mm", "release_ms", "set_ms"} {
		field := l.fields[2+i]
		if len(field) == 0 {
			figures[i] = math.NaN()
			continue
		}
		v, err := l.number(name, field)
		if err != nil {
			return MeasuredCycle{}, err
		}
		switch {
		case name == "gap_u_mm" && math.IsNaN(figures[0]):
			return MeasuredCycle{}, l.problem("gap_u_mm is %s but gap_mm is empty; write the gap, or leave both empty", quoteShort(field))
		case name == "gap_u_mm" && v <= 0:
			return MeasuredCycle{}, l.problem("gap_u_mm is %s; write a standard uncertainty above zero, or leave it empty where it is not known", quoteShort(field))
		case i >= 2 && v < 0:
			return MeasuredCycle{}, l.problem("%s is %s; write milliseconds from zero up, or leave it empty where it is not known", name, quoteShort(field))
		}
		figures[i] = v
	}
	return MeasuredCycle{
		AtNS: at, Brake: brake,
		GapMM: figures[0], GapUMM: figures[1],
		ReleaseS: figures[2] / 1e3, SetS: figures[3] / 1e3,
	}, nil
}
