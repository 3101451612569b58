package gateway

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"
)

// stack is what must be undone, in the reverse order of its doing.
type stack struct {
	log   *slog.Logger
	steps []step
}

type step struct {
	name string
	most time.Duration
	stop func(context.Context) error
}

// then registers the teardown of something that has just been started, and how
// long it may take.
func (s *stack) then(name string, most time.Duration, stop func(context.Context) error) {
	s.steps = append(s.steps, step{name, most, stop})
}

// unwind stops everything, the latest first. A step that fails or takes too
// long doesn't keep the others from being stopped.
func (s *stack) unwind() error {
	var errs []error
	for i := len(s.steps) - 1; i >= 0; i-- {
		one := s.steps[i]
		ctx, cancel := context.WithTimeout(context.Background(), one.most)
		began := time.Now()
		err := one.stop(ctx)
		cancel()
		s.log.Debug("stopped", "what", one.name, "took", time.Since(began))
		if err != nil {
			errs = append(errs, fmt.Errorf("stopping %s: %w", one.name, err))
		}
	}
	s.steps = nil
	return errors.Join(errs...)
}
