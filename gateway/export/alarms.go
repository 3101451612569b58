package export

import (
	"context"

	"gapward/gateway/store"
)

// AlarmSink is a [Sink] of alarms only, for those who wake people. It gets
// what happens from its first start on, and never the past.
type AlarmSink struct {
	name    string
	deliver func(context.Context, []store.AlarmRow) error
}

// NewAlarmSink makes a sink of a function that keeps the contract of
// [Sink.Deliver] for alarms. The name is the one of its cursor: under another
// name it begins anew.
func NewAlarmSink(name string, deliver func(context.Context, []store.AlarmRow) error) *AlarmSink {
	return &AlarmSink{name, deliver}
}

// Name implements [Sink].
func (s *AlarmSink) Name() string { return s.name }

// Wants implements [Sink].
func (s *AlarmSink) Wants() Wants { return Wants{Alarms: true} }

// Deliver implements [Sink].
func (s *AlarmSink) Deliver(ctx context.Context, rows Rows) error {
	return s.deliver(ctx, rows.Alarms)
}
