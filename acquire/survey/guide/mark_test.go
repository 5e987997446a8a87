package guide

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/survey"
)

// A mark of a walk back is taken from the samples, and is an event.
func TestMarkOfAWalkBack(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		b := open(t, dir)
		defer b.close()
		type outcome struct {
			m   survey.Mark
			err error
		}
		take := func(ctx context.Context) outcome {
			done := make(chan outcome, 1)
			go func() {
				m, err := b.guide.Mark(ctx, "door", MarkOrder{Who: "A. Hand", Distance: 0.2, Turn: 5 * time.Second})
				done <- outcome{m, err}
			}()
			b.read(3, 16*time.Second)
			return <-done
		}
		if o := take(t.Context()); o.err != nil || o.m.Value != 3 || o.m.Distance != 0.2 || !(o.m.U > 0) || !b.station.isAway() {
			t.Errorf("%+v, %v", o.m, o.err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 3*time.Second)
		defer cancel()
		if o := take(ctx); !errors.Is(o.err, context.DeadlineExceeded) {
			t.Errorf("who went gets %+v, %v", o.m, o.err)
		}
		if o := take(t.Context()); o.err != nil {
			t.Errorf("after somebody went: %v", o.err)
		}
		for _, o := range []MarkOrder{{Distance: 0.2}, {Who: "A"}, {Who: "A", Distance: 0.2, Turn: time.Hour}} {
			if _, err := b.guide.Mark(t.Context(), "door", o); err == nil {
				t.Errorf("%+v makes a mark", o)
			}
		}
		if _, err := b.guide.Mark(t.Context(), "other", MarkOrder{Who: "A", Distance: 1}); !errors.Is(err, acquire.ErrNoPost) {
			t.Error(err)
		}
		time.Sleep(2 * time.Second) // the bubble's clock
		events, err := b.record.Events(t.Context(), 0, 10)
		if err != nil || len(events) != 2 || !strings.Contains(events[0].Text, "mark of a walk back at 200 mm") {
			t.Errorf("%+v, %v", events, err)
		}
	})
}
