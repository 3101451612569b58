package export

import (
	"context"
	"errors"
	"testing"

	"gapward/gateway/store"
)

func TestAlarmSink(t *testing.T) {
	db := openStore(t)
	commit(t, db, batch(0, 3))
	var got []int64
	var trouble error
	sink := NewAlarmSink("mail", func(_ context.Context, rows []store.AlarmRow) error {
		if trouble != nil {
			return trouble
		}
		for _, r := range rows {
			got = append(got, r.ID)
		}
		return nil
	})
	if err := Flush(t.Context(), db, sink, testLog(t), ignore); err != nil || len(got) != 0 {
		t.Fatalf("old alarms were sent: %v (%v)", got, err)
	}
	commit(t, db, batch(10, 3))
	trouble = errors.New("the mail server is away")
	var last Progress
	if err := Flush(t.Context(), db, sink, testLog(t), func(p Progress) { last = p }); !errors.Is(err, trouble) || last.Backlog != 3 {
		t.Errorf("with the mail server away: %v, %+v", err, last)
	}
	trouble = nil
	if err := Flush(t.Context(), db, sink, testLog(t), ignore); err != nil || len(got) != 3 || got[0] != 4 {
		t.Errorf("sent alarms %v (%v), want 4 to 6", got, err)
	}
}
