package sensors

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// When a [SampleDirectory] begins a new file.
const (
	recordFileSpan  = time.Hour
	recordFileBytes = 64 << 20
)

// SampleDirectory records samples into a directory, in files called after the
// time of their first sample, samples-20261125T010203Z.csv. A new one begins
// when the one before spans an hour or holds 64 MiB. Each is complete in
// itself, header included, and none is ever written over: a second file of the
// same second is called samples-20261125T010203Z_02.csv, which sorts behind
// the first. All but the first file have -on behind the time, so that a replay
// can tell where a daemon was started: see [GoesOn].
//
// It goes by the samples' time and has no clock of its own. It is used by one
// goroutine.
type SampleDirectory struct {
	dir     string
	names   []string
	maxSize int64 // bytes after which a file is closed

	file    *os.File // nil between files
	out     *SampleWriter
	beganNS int64 // time of the file's first sample
	goesOn  bool  // there was a file before
}

// NewSampleDirectory records into dir, which it makes when it isn't there;
// names are those of the site's brakes.
func NewSampleDirectory(dir string, names []string) (*SampleDirectory, error) {
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, fmt.Errorf("making the directory for recordings: %w", err)
	}
	if _, err := NewSampleWriter(nil, names); err != nil {
		return nil, err
	}
	return &SampleDirectory{dir: dir, names: names, maxSize: recordFileBytes}, nil
}

// Write records samples in the order of time. After an error it gives up the
// file it was in, so that a half-written line stands at the end of that file,
// and the next Write begins a new one.
func (d *SampleDirectory) Write(samples []Sample) error {
	for i := range samples {
		if d.file != nil && (samples[i].AtNS-d.beganNS >= int64(recordFileSpan) || d.out.written >= d.maxSize) {
			if err := d.Close(); err != nil {
				return err
			}
		}
		if d.file == nil {
			if err := d.begin(samples[i].AtNS); err != nil {
				return err
			}
		}
		if err := d.out.write(&samples[i]); err != nil {
			return errors.Join(err, d.Close())
		}
	}
	return nil
}

// onMark is in the names of files that go on from the one before.
const onMark = "-on"

// GoesOn reports whether a file of a [SampleDirectory] goes on from the one
// before it; else the daemon was started with it.
func GoesOn(path string) bool {
	stem, _, _ := strings.Cut(strings.TrimSuffix(filepath.Base(path), ".csv"), "_")
	return strings.HasSuffix(stem, onMark)
}

// SampleFiles are the files of samples at a path: itself, or where it is a
// directory those that a [SampleDirectory] wrote there, in the order of time.
func SampleFiles(path string) ([]string, error) {
	info, err := os.Stat(path)
	if err != nil || !info.IsDir() {
		return []string{path}, err
	}
	files, err := filepath.Glob(filepath.Join(path, "samples-*.csv"))
	if err == nil && len(files) == 0 {
		err = fmt.Errorf("%s has no samples-….csv in it: %w", path, fs.ErrNotExist)
	}
	slices.SortFunc(files, func(a, b string) int { return strings.Compare(timeOrder(a), timeOrder(b)) })
	return files, err
}

// timeOrder is the name of a file such that names sort as the files were begun:
// a second's first without a number, and what goes on after what begins.
func timeOrder(path string) string {
	name := strings.TrimSuffix(filepath.Base(path), ".csv")
	stem, number, numbered := strings.Cut(name, "_")
	if !numbered {
		number = "01"
	}
	on := "0"
	if strings.HasSuffix(stem, onMark) {
		on = "1"
	}
	return strings.TrimSuffix(stem, onMark) + on + number
}

func (d *SampleDirectory) begin(atNS int64) error {
	stem := "samples-" + time.Unix(0, atNS).UTC().Format("20060102T150405Z")
	if d.goesOn {
		stem += onMark
	}
	for i := 1; i < 100; i++ {
		name := stem + ".csv"
		if i > 1 {
			name = fmt.Sprintf("%s_%02d.csv", stem, i)
		}
		file, err := os.OpenFile(filepath.Join(d.dir, name), os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o640)
		if errors.Is(err, fs.ErrExist) {
			continue
		}
		if err != nil {
			return fmt.Errorf("beginning a recording: %w", err)
		}
		out, err := NewSampleWriter(file, d.names)
		if err != nil {
			return errors.Join(err, file.Close())
		}
		d.file, d.out, d.beganNS, d.goesOn = file, out, atNS, true
		return nil
	}
	return fmt.Errorf("beginning a recording: %s already holds 99 files of the second %s", d.dir, stem)
}

// Flush hands all that was recorded to the operating system.
func (d *SampleDirectory) Flush() error {
	if d.file == nil {
		return nil
	}
	if err := d.out.Flush(); err != nil {
		return errors.Join(err, d.Close())
	}
	return nil
}

// Close flushes the file to the disk and closes it. The directory may be used
// again afterwards; it then begins a new file.
func (d *SampleDirectory) Close() error {
	if d.file == nil {
		return nil
	}
	file, out := d.file, d.out
	d.file, d.out = nil, nil
	flushErr := out.Flush()
	syncErr := file.Sync()
	if err := errors.Join(flushErr, syncErr, file.Close()); err != nil {
		return fmt.Errorf("closing the recording %s: %w", file.Name(), err)
	}
	return nil
}
