package sensors

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
)

// recordingBatch is the most samples that a [Recording] sends at once.
const recordingBatch = 1000

// Recording is a [Source] that reads a file of samples from beginning to end,
// as fast as they are taken.
type Recording struct {
	path  string
	find  func(name string) (int32, bool)
	known []string
}

// NewRecording reads the file at path; find and known are those of
// [NewSampleReader].
func NewRecording(path string, find func(name string) (int32, bool), known []string) *Recording {
	return &Recording{path: path, find: find, known: known}
}

// Name is the name of the file without its directory.
func (r *Recording) Name() string { return filepath.Base(r.path) }

// Run sends the samples of the file and returns nil at its end, or when ctx
// has ended. At a malformed line it sends those before it and returns a
// [*LineError].
func (r *Recording) Run(ctx context.Context, out chan<- []Sample) error {
	file, err := os.Open(r.path)
	if err != nil {
		return fmt.Errorf("opening the recording: %w", err)
	}
	// Closing ends a read that blocks, should path be a pipe. The second close
	// of the two fails, which means nothing.
	defer context.AfterFunc(ctx, func() { _ = file.Close() })()
	defer func() { _ = file.Close() }()

	reader := NewSampleReader(file, r.path, r.find, r.known)
	for {
		batch := make([]Sample, recordingBatch)
		n, readErr := reader.Read(batch)
		if ctx.Err() != nil {
			return nil
		}
		if n > 0 {
			select {
			case out <- batch[:n]:
			case <-ctx.Done():
				return nil
			}
		}
		if errors.Is(readErr, io.EOF) {
			return nil
		}
		if readErr != nil {
			return readErr
		}
	}
}
