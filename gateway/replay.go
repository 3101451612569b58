package gateway

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"

	"gapward/alerts"
	"gapward/analysis"
	"gapward/configs"
	"gapward/gateway/store"
	"gapward/sensors"
)

// Recording is what [Replay] reads: one of its two fields is set.
type Recording struct {
	Samples []string // files of samples, or directories that run recorded into, in the order of time
	Cycles  string   // file of already measured cycles
	Warn    func(string)
}

// Replay runs a recording through the very pipeline of [Run] and writes what
// it causes to w as JSON Lines. progress is called now and then with the bytes
// read so far. A line that is wrong ends it with a [sensors.LineError]; what
// came before has been written.
func Replay(ctx context.Context, site *configs.Site, rec Recording, w io.Writer, progress func(bytes int64)) error {
	settings := site.AnalysisSettings()
	names, find := brakeNames(site)
	r := replay{lines: w, in: &counter{}, progress: progress, names: names, find: find, warn: rec.Warn}
	var err error
	if rec.Cycles != "" {
		r.pipeline = NewPipeline(settings, false)
		r.pipeline.SetAlarms(site.Alarms, nil)
		err = r.file(rec.Cycles, func(in io.Reader) error {
			return r.cycles(ctx, sensors.NewCycleReader(in, rec.Cycles, find, names))
		})
	} else {
		var files []string
		for _, path := range rec.Samples {
			found, err := sensors.SampleFiles(path)
			if err != nil {
				return fmt.Errorf("opening the recording: %w", err)
			}
			files = append(files, found...)
		}
		for i := range settings {
			// What the file doesn't name may be sent when it changes: its
			// silence proves nothing.
			for _, one := range []*analysis.SignalSettings{&settings[i].Drive, &settings[i].Released, &settings[i].Temperature} {
				if !one.Present {
					one.StaleAfter = 0
				}
			}
		}
		if err := findSignals(files, settings, find, names); err != nil {
			return err
		}
		r.pipeline = NewPipeline(settings, false)
		r.pipeline.SetAlarms(site.Alarms, site.Channels())
		err = r.runs(ctx, files)
	}
	if err != nil {
		return errors.Join(err, r.write())
	}
	r.pipeline.Flush(&r.batch)
	return r.write()
}

// findSignals looks which signals a recording has that the site file doesn't
// name: a brake with a drive signal is judged otherwise than one without, from
// the first sample on. It reads until nothing more can be learned.
func findSignals(files []string, settings []analysis.Settings, find func(string) (int32, bool), names []string) error {
	unknown := 0
	for _, s := range settings {
		if !s.Drive.Present {
			unknown++
		}
	}
	for _, path := range files {
		if unknown == 0 {
			return nil
		}
		f, err := os.Open(path)
		if err != nil {
			return fmt.Errorf("opening the recording: %w", err)
		}
		r := sensors.NewSampleReader(f, path, find, names)
		for unknown > 0 {
			s, err := r.Next()
			if err != nil {
				break // the end, or a line that the replay itself will tell of
			}
			if s.Signal == sensors.Drive && !settings[s.Brake].Drive.Present {
				settings[s.Brake].Drive.Present = true
				unknown--
			}
		}
		if err := f.Close(); err != nil {
			return fmt.Errorf("closing %s: %w", path, err)
		}
	}
	return nil
}

// brakeNames are the site's brakes in order, and the way from a name to its
// place.
func brakeNames(site *configs.Site) (names []string, find func(string) (int32, bool)) {
	place := map[string]int32{}
	for i, b := range site.Brakes {
		names = append(names, b.Name)
		place[b.Name] = int32(i)
	}
	return names, func(name string) (int32, bool) {
		i, ok := place[name]
		return i, ok
	}
}

// replay is one run of a recording.
type replay struct {
	pipeline *Pipeline
	batch    store.Batch
	lines    io.Writer
	buf      []byte
	in       *counter
	progress func(int64)
	names    []string
	find     func(string) (int32, bool)
	warn     func(string)
	lastNS   int64 // of the samples so far
}

// file reads one file.
func (r *replay) file(path string, read func(io.Reader) error) error {
	f, err := os.Open(path)
	if err != nil {
		return fmt.Errorf("opening the recording: %w", err)
	}
	defer f.Close()
	r.in.r = f
	return read(r.in)
}

// runs reads the files of one run after the other: of a recording directory
// those that go on from each other belong to one, and each other file is of a
// daemon that was started anew.
func (r *replay) runs(ctx context.Context, files []string) error {
	for i, path := range files {
		if i > 0 && !sensors.GoesOn(path) {
			r.pipeline.Flush(&r.batch)
			r.pipeline.Restart()
			r.lastNS = 0 // the clock may have been set meanwhile
		}
		err := r.file(path, func(in io.Reader) error {
			return r.samples(ctx, sensors.NewSampleReader(in, path, r.find, r.names))
		})
		var line *sensors.LineError
		if i+1 < len(files) && errors.As(err, &line) && torn(path, line.Line) {
			// A daemon that is killed leaves half a line behind.
			if r.warn != nil {
				r.warn(fmt.Sprintf("%s ends in the middle of line %d, which is left out", path, line.Line))
			}
			err = nil
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// torn reports whether a line is the last of a file and has no end.
func torn(path string, line int) bool {
	text, err := os.ReadFile(path)
	if err != nil || len(text) == 0 {
		return err == nil
	}
	return text[len(text)-1] != '\n' && bytes.Count(text, []byte{'\n'})+1 == line
}

func (r *replay) samples(ctx context.Context, from *sensors.SampleReader) error {
	for n := 0; ; n++ {
		s, err := from.Next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if s.AtNS < r.lastNS {
			return fmt.Errorf("%s goes on before the file ahead of it ends: name the files in the order of time", from.File())
		}
		r.lastNS = s.AtNS
		r.pipeline.step(s, &r.batch)
		if err := r.after(ctx, n); err != nil {
			return err
		}
	}
}

func (r *replay) cycles(ctx context.Context, from *sensors.CycleReader) error {
	for n := 0; ; n++ {
		m, err := from.Next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		c := analysis.Cycle{AtNS: m.AtNS, Kind: analysis.Full, GapMM: m.GapMM, GapUMM: m.GapUMM,
			ReleaseS: m.ReleaseS, ReleaseUS: analysis.NoValue(), SetS: m.SetS, SetUS: analysis.NoValue(),
			SetLevelMM: analysis.NoValue(), ReleasedLevelMM: analysis.NoValue(), TemperatureC: analysis.NoValue()}
		if !analysis.Has(m.GapMM) {
			c.Kind = analysis.Jog
		}
		r.pipeline.Recall(m.Brake, c, &r.batch)
		r.batch.Cycles = r.batch.Cycles[:0]
		if err := r.after(ctx, n); err != nil {
			return err
		}
	}
}

// after writes what a step caused, and looks now and then whether to go on.
func (r *replay) after(ctx context.Context, n int) error {
	if n%4096 == 0 {
		if r.progress != nil {
			r.progress(r.in.n)
		}
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("replaying: %w", err)
		}
	}
	if r.batch.Empty() {
		return nil
	}
	return r.write()
}

// write writes the batch as lines: cycles, then alarms, then forecasts.
func (r *replay) write() error {
	r.buf = AppendLines(r.buf[:0], &r.batch)
	r.batch.Reset()
	if len(r.buf) == 0 {
		return nil
	}
	if _, err := r.lines.Write(r.buf); err != nil {
		return fmt.Errorf("writing the results: %w", err)
	}
	return nil
}

// AppendLines appends a batch as JSON Lines: its cycles, its changes of
// alarms, its forecasts.
func AppendLines(dst []byte, b *store.Batch) []byte {
	for _, c := range b.Cycles {
		dst = append(c.AppendJSON(dst, c.Brake), '\n')
	}
	for _, a := range b.Alarms {
		// Whether people are called for what stands is another matter than what
		// was found.
		if a.Change != alerts.SuppressedBy && a.Change != alerts.Unsuppressed {
			dst = append(a.AppendJSON(dst), '\n')
		}
	}
	for _, f := range b.Forecasts {
		dst = append(f.AppendJSON(dst, f.Brake), '\n')
	}
	return dst
}

// counter counts what is read through it.
type counter struct {
	r io.Reader
	n int64
}

func (c *counter) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.n += int64(n)
	return n, err
}
