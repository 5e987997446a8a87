package remotewrite

import (
	"context"
	"time"
)

const (
	// knockEvery spaces empty requests that only ask what time it is.
	knockEvery = 10 * time.Second
	// maxParts bounds the requests that one refused batch is parted into.
	maxParts = 256
)

// deliver sends a batch until nothing of it is left: accepted, refused, or too
// old. It ends early only when ctx does.
func (w *Writer) deliver(ctx context.Context, b *batch) error {
	parts := maxParts
	return w.settle(ctx, b, &parts)
}

func (w *Writer) settle(ctx context.Context, b *batch, parts *int) error {
	b = w.passOver(b)
	for failures := 0; b.n > 0; {
		a := w.post(ctx, encode(b.all()))
		if ctx.Err() != nil && a.outcome != accepted {
			return ctx.Err()
		}
		switch a.outcome {
		case accepted:
			w.sent(b.n)
			return nil
		case retry:
			failures++
			if err := w.failed(ctx, a, failures, b); err != nil {
				return err
			}
		case tooOld:
			from, to := b.span()
			floor, err := w.search(ctx, from, to)
			if err != nil {
				return err
			}
			if floor <= from { // not its age, then
				return w.apart(ctx, b, a, parts)
			}
			w.floor = max(w.floor, floor)
			w.log.Warn("the receiver calls samples too old; they are passed over, and stay in the record: widen its out-of-order window if it has one",
				"older than", time.UnixMilli(floor).UTC(), "answer", a.err)
			b = w.passOver(b)
		case badSample:
			return w.apart(ctx, b, a, parts)
		case refused:
			w.refuse(b.n, a)
			return w.knock(ctx)
		}
	}
	return nil
}

// passOver leaves out what the receiver called too old.
func (w *Writer) passOver(b *batch) *batch {
	if w.floor == 0 {
		return b
	}
	kept, older := b.since(w.floor)
	if older > 0 {
		w.note(func(s *Stats) { s.TooOld += uint64(older) })
	}
	return kept
}

// apart sends the parts of a batch, one sample of which makes the receiver
// refuse it all, in order, so that only that sample is lost. No part is a request
// that was made before.
func (w *Writer) apart(ctx context.Context, b *batch, a answer, parts *int) error {
	if b.n == 1 || *parts <= 0 {
		w.refuse(b.n, a)
		return nil
	}
	*parts -= 2
	first, second := b.halves()
	if err := w.settle(ctx, first, parts); err != nil {
		return err
	}
	return w.settle(ctx, second, parts)
}

// search finds the oldest instant that the receiver takes, in ms, with a series
// of its own, so that no sample of a real one comes out of its order. from is too
// old; when everything up to now is, what follows the batch is returned.
func (w *Writer) search(ctx context.Context, from, to int64) (int64, error) {
	lo, hi := from-1, max(w.horizon.limit(w.o.mono()).UnixMilli(), to)
	old, err := w.probe(ctx, hi)
	if err != nil || old {
		return to + 1, err
	}
	for hi-lo > 1 {
		middle := lo + (hi-lo)/2
		if old, err = w.probe(ctx, middle); err != nil {
			return 0, err
		}
		if old {
			lo = middle
		} else {
			hi = middle
		}
	}
	return hi, nil
}

// probe asks whether the receiver calls an instant too old.
func (w *Writer) probe(ctx context.Context, ms int64) (bool, error) {
	b := newBatch()
	b.add(encodeLabels(probeGauge, []label{{"site", w.o.Site}, {"target", w.o.Name}}), ms, 1)
	body := encode(b.all())
	for failures := 1; ; failures++ {
		a := w.post(ctx, body)
		if a.outcome != retry {
			return a.outcome == tooOld, nil
		}
		if err := w.failed(ctx, a, failures, nil); err != nil {
			return false, err
		}
	}
}

// knock asks with an empty request, which holds nothing to lose, until it is let
// in. It learns what time it is there.
func (w *Writer) knock(ctx context.Context) error {
	body := encode(nil)
	for failures := 1; ; failures++ {
		a := w.post(ctx, body)
		if a.outcome == accepted {
			return ctx.Err()
		}
		if err := w.failed(ctx, a, failures, nil); err != nil {
			return err
		}
	}
}

// failed notes a failure and waits.
func (w *Writer) failed(ctx context.Context, a answer, failures int, b *batch) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	w.note(func(s *Stats) {
		s.Failed++
		if b != nil {
			from, _ := b.span()
			s.Behind = max(w.o.Now().Sub(time.UnixMilli(from)), 0)
		}
	})
	w.tell(a)
	return sleep(ctx, max(a.after, w.o.wait(failures)))
}

func (w *Writer) refuse(n int, a answer) {
	w.note(func(s *Stats) { s.Refused += uint64(n) })
	w.log.Error("the receiver refuses samples for good; they stay in the record: look at its answer, and at URL and credentials",
		"samples", n, "answer", a.err)
	w.lastError(a.err.Error())
}

// tell logs why sending fails, when that changes.
func (w *Writer) tell(a answer) {
	text := a.err.Error()
	if w.lastError(text) {
		w.log.Warn("samples cannot be sent now; they wait in the record and are sent in order later", "error", text)
	}
}

func (w *Writer) lastError(text string) (changed bool) {
	w.note(func(s *Stats) { changed, s.LastError = s.LastError != text, text })
	return changed
}

func (w *Writer) sent(n int) {
	again := w.lastError("")
	w.note(func(s *Stats) {
		s.Sent += uint64(n)
		s.Requests++
		s.LastAccepted = w.o.Now()
	})
	if again {
		w.log.Info("samples are sent again")
	}
}

// sleep waits, or ends with ctx.
func sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
