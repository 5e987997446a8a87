package acquire

import (
	"context"
	"errors"
	"slices"
	"time"

	"ovenward/drivers"
)

// poll asks once, in the next slot, and takes the answer.
//
// One question is open at a time, so an answer is never taken for that of
// another question. An answer that misses its time-out counts as unanswered in
// time, and is waited for as long again: if it comes it is still a sample of
// its own question, counted as late, with half of its long round trip as its
// uncertainty. Slots that pass meanwhile are missed slots. Whatever comes later
// than that is dropped before the next question as bytes that came unasked.
func (p *poller) poll(ctx context.Context, link drivers.Link, grid *pace) (got bool, err error) {
	probe := &p.watch.post.Probe
	missed, err := grid.wait(ctx, p.now)
	if err != nil {
		return false, nil
	}
	if rest := p.rested.Add(probe.AskDelay); probe.AskDelay > 0 && p.now().Before(rest) {
		if p.sleep.SleepUntil(ctx, rest) != nil {
			return false, nil
		}
	}
	departed, dropped, err := link.Send(probe.Protocol.Request(), p.now().Add(min(probe.Timeout, longestSend)))
	p.watch.asked(missed, dropped)
	if err != nil {
		p.watch.unanswered()
		return false, err
	}
	p.owed = true
	got, err = p.await(ctx, link, departed)
	p.rested = p.now()
	return got, err
}

// await takes the answer to the question that departed then.
func (p *poller) await(ctx context.Context, link drivers.Link, departed time.Time) (got bool, err error) {
	probe := &p.watch.post.Probe
	due, last := departed.Add(probe.Timeout), departed.Add(2*probe.Timeout)
	overdue := false
	for ctx.Err() == nil {
		now := p.now()
		if !overdue && !now.Before(due) {
			overdue = true
			p.watch.unanswered()
		}
		end := due
		if overdue {
			end = last
		}
		if !now.Before(end) || overdue && got {
			// A line that held no reading is taken for the garbled answer.
			p.owed = false
			return got, nil
		}
		p.frames, err = link.Receive(probe.Protocol.Split, earlier(end, now.Add(slice)), p.frames[:0])
		got = got || len(p.frames) > 0
		p.answers(departed)
		if p.handOn(firstReading) > 0 {
			if overdue {
				p.watch.late()
			}
			p.owed = false
			return got, nil
		}
		if err != nil && !errors.Is(err, drivers.ErrTimeout) {
			if !overdue {
				p.watch.unanswered()
			}
			return got, err
		}
	}
	return got, nil
}

// answers keeps the frames that can answer the question that departed then.
// What came sooner than the probe can answer is an echo or the tail of
// something older.
func (p *poller) answers(departed time.Time) {
	kept, dropped := p.frames[:0], 0
	first := departed.Add(p.watch.post.Probe.AnswerDelay)
	for _, f := range p.frames {
		if f.Arrived.Before(first) {
			dropped += len(f.Bytes)
			continue
		}
		f.Departed = departed
		kept = append(kept, f)
	}
	p.frames = kept
	if dropped > 0 {
		p.watch.asked(0, dropped)
	}
}

// how many readings handOn takes.
const (
	firstReading = true // a question has one answer
	everyReading = false
)

// handOn parses the frames at hand, and passes samples on: record and judge in
// watch, then observers. It returns how many there were. With firstReading, the
// frames behind the first reading are dropped and counted.
func (p *poller) handOn(one bool) int {
	if len(p.frames) == 0 {
		return 0
	}
	p.batch = slices.Grow(p.batch[:0], len(p.frames))[:len(p.frames)]
	p.wrong = slices.Grow(p.wrong[:0], len(p.frames))[:len(p.frames)]
	protocol, n := p.watch.post.Probe.Protocol, len(p.frames)
	for i := range p.frames {
		err := protocol.Parse(p.frames[i].Bytes, &p.batch[i].Reading)
		p.wrong[i] = err
		p.refused = p.refused || err != nil
		if one && err == nil {
			n = i + 1
			break
		}
	}
	dropped := 0
	for i := range p.frames[n:] {
		dropped += len(p.frames[n+i].Bytes)
	}
	if dropped > 0 {
		p.watch.asked(0, dropped)
	}
	batch := p.watch.take(p.frames[:n], p.batch, p.wrong)
	hearers := p.hearers.Load()
	for _, o := range hearers.observers {
		o.Observe(hearers.post, batch)
	}
	return len(batch)
}
