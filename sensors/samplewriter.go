package sensors

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
)

// SampleWriter writes samples in the form that [SampleReader] reads: what is
// read back is the same to the last bit. Only silence changes its form: a
// [NoAnswer] sample becomes a tick, for all that it says is that time passed.
type SampleWriter struct {
	out      *bufio.Writer
	names    []string // as they stand in a CSV field, quoted where needed
	line     []byte
	written  int64 // bytes
	any      bool
	lastNS   int64
	ticked   bool // whether a tick was written …
	tickedNS int64
}

// NewSampleWriter writes to w; names are those of the site's brakes in the
// order of [Sample].Brake. The header goes out with the first samples, or with
// the first Flush. It fails where a name can't stand in a recording: because
// it is empty or has a line break in it.
func NewSampleWriter(w io.Writer, names []string) (*SampleWriter, error) {
	quoted := make([]string, len(names))
	for i, n := range names {
		if n == "" || strings.ContainsAny(n, "\r\n") {
			return nil, fmt.Errorf("brake %d is called %q; a recording needs a name on one line", i, n)
		}
		quoted[i] = n
		if strings.ContainsAny(n, `",`) {
			quoted[i] = `"` + strings.ReplaceAll(n, `"`, `""`) + `"`
		}
	}
	sw := &SampleWriter{out: bufio.NewWriterSize(w, 32<<10), names: quoted}
	// The buffer holds the header: nothing can fail yet.
	n, _ := sw.out.WriteString(sampleHeader + "\n")
	sw.written = int64(n)
	return sw, nil
}

// endOfRecordingsNS is the first of January 2262: int64 nanoseconds reach a
// few months further.
const endOfRecordingsNS = 9214646400 * int64(time.Second)

// Write writes samples in the order of time. A sample that a reader would
// refuse is not written but is an error: one earlier than the sample before
// it or outside of the years 1970 to 2261, one of an unknown brake, or a good one whose value is not finite or,
// for drive and release switch, neither 0 nor 1.
func (w *SampleWriter) Write(samples []Sample) error {
	for i := range samples {
		if err := w.write(&samples[i]); err != nil {
			return err
		}
	}
	return nil
}

func (w *SampleWriter) write(s *Sample) error {
	if s.AtNS < 0 || s.AtNS >= endOfRecordingsNS {
		return fmt.Errorf("recording a sample of %s: it lies outside of the years 1970 to 2261", timeText(s.AtNS))
	}
	if w.any && s.AtNS < w.lastNS {
		return fmt.Errorf("recording a sample of %s: it comes after one of %s; samples must be recorded in the order of time", timeText(s.AtNS), timeText(w.lastNS))
	}
	line := time.Unix(0, s.AtNS).UTC().AppendFormat(w.line[:0], time.RFC3339Nano)
	if s.Signal == Tick || s.Quality == NoAnswer {
		if w.ticked && w.tickedNS == s.AtNS {
			return nil // it has been said already that time reached this point
		}
		w.ticked, w.tickedNS = true, s.AtNS
		line = append(line, ",,tick,\n"...)
	} else {
		if s.Brake < 0 || int(s.Brake) >= len(w.names) {
			return fmt.Errorf("recording a sample of %s: there is no brake %d among %d", timeText(s.AtNS), s.Brake, len(w.names))
		}
		line = append(line, ',')
		line = append(line, w.names[s.Brake]...)
		line = append(line, ',')
		line = append(line, s.Signal.String()...)
		line = append(line, ',')
		if s.Quality == Good {
			if math.IsNaN(s.Value) || math.IsInf(s.Value, 0) || s.Signal.Binary() && s.Value != 0 && s.Value != 1 {
				return fmt.Errorf("recording a sample of %s: %v is no value of %s", timeText(s.AtNS), s.Value, s.Signal)
			}
			if s.Signal.Binary() {
				line = append(line, '0'+byte(s.Value))
			} else {
				line = strconv.AppendFloat(line, s.Value, 'g', -1, 64)
			}
		}
		line = append(line, '\n')
	}
	// Whole lines go out: a process that is killed leaves none that is torn, and
	// half a number is a number too.
	if len(line) > w.out.Available() {
		if err := w.Flush(); err != nil {
			return err
		}
	}
	w.line = line
	w.any, w.lastNS = true, s.AtNS
	n, err := w.out.Write(line)
	w.written += int64(n)
	if err != nil {
		return fmt.Errorf("recording samples: %w", err)
	}
	return nil
}

// Flush hands all that was written to the writer below.
func (w *SampleWriter) Flush() error {
	if err := w.out.Flush(); err != nil {
		return fmt.Errorf("recording samples: %w", err)
	}
	return nil
}

func timeText(atNS int64) string { return time.Unix(0, atNS).UTC().Format(time.RFC3339Nano) }
