package remotewrite

import (
	"context"
	"encoding/json"
	"fmt"
	"time"
)

// readAgain is the wait after trouble with the record.
const readAgain = time.Second

// Run sends until ctx ends. What was not accepted by then is sent after the next
// start; a request under way may then come again, the same to the last digit.
// Close the record after Run has returned.
func (w *Writer) Run(ctx context.Context) error {
	w.takeOver()
	started := w.o.Now()
	// The receiver's clock comes first: nothing is sent before it is known.
	if w.knock(ctx) != nil {
		return nil
	}
	p := w.begin(ctx, started)
	if p == nil {
		return nil
	}
	t := newTimeline(w.o, p, started)
	defer func() { t.close() }()
	trouble := ""
	for ctx.Err() == nil {
		w.o.Round()
		full, err := w.round(ctx, t)
		if ctx.Err() != nil {
			break
		}
		wait := w.o.Every
		switch {
		case err != nil:
			wait = readAgain
			if trouble != err.Error() {
				trouble = err.Error()
				w.log.Warn("the record does not read; it is tried again", "error", trouble)
			}
		case full:
			wait = 0
		}
		if wait > 0 && sleep(ctx, wait) != nil {
			break
		}
	}
	return nil
}

// begin reads how far the target has come; nil when ctx ends.
func (w *Writer) begin(ctx context.Context, now time.Time) *progress {
	for {
		w.o.Round()
		text, err := w.o.Record.RemoteState(ctx, w.o.Name)
		var p *progress
		if err == nil {
			if p, err = readProgress(text); err == nil && p == nil {
				p = begin(now, w.o.History)
			}
		}
		if err == nil {
			return p
		}
		if w.lastError(err.Error()) {
			w.log.Error("the target is not sent to", "error", err)
		}
		if sleep(ctx, readAgain) != nil {
			return nil
		}
	}
}

// round sends one request of what the record holds, and says whether there is
// more.
func (w *Writer) round(ctx context.Context, t *timeline) (full bool, err error) {
	now := w.o.Now()
	settled, limit := t.o.Record.Settled(), w.horizon.limit(w.o.mono())
	until := settled
	if limit.Before(until) {
		until = limit
	}
	held := settled.Sub(until) > tellHeld
	b, waits, err := t.fill(ctx, until)
	w.note(func(s *Stats) {
		s.HeldBack, s.Crowded, s.Behind = held, t.crowded, 0
		if !waits.IsZero() {
			s.Behind = max(now.Sub(waits), 0)
		}
	})
	// What was gone through before an error is sent all the same.
	if b.n == 0 && err == nil && (held || w.o.mono()-w.horizon.at >= knockEvery) {
		return false, w.knock(ctx)
	}
	if b.n > 0 {
		began := w.o.Now()
		if derr := w.deliver(ctx, b); derr != nil {
			return false, derr
		}
		w.keep(ctx, t.p)
		pace := time.Duration(float64(b.n) / w.o.Rate * float64(time.Second))
		if serr := sleep(ctx, pace-w.o.Now().Sub(began)); serr != nil {
			return false, serr
		}
	}
	return !waits.IsZero(), err
}

// keep has the record keep how far the target has come. Where it cannot, sending
// goes on: what comes again after a restart is the same.
func (w *Writer) keep(ctx context.Context, p *progress) {
	text, err := json.Marshal(p)
	if err == nil {
		err = w.o.Record.SetRemoteState(ctx, w.o.Name, text)
	}
	if err != nil && ctx.Err() == nil {
		w.log.Warn("how far the target has come is not kept", "error", fmt.Errorf("keeping the state: %w", err))
	}
}
