package main

import (
	"context"
	"math"
	"time"

	"ovenward/acquire"
	past "ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/soak"
	"ovenward/acquire/cycle/stats"
	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store"
)

// means counts how often, between two instants, the mean that a plan's limit is of was
// known to be above it: by its lower bound, as the limit itself is judged. Samples are
// read only behind times in which the field was above the limit, for elsewhere no
// mean can be.
func (e eyes) means(ctx context.Context, post *acquire.Post, p soak.Plan, from, to time.Time) (stats.Exceedances, error) {
	sum := stats.NewSummary(p.Level)
	at := from
	calm := func(until time.Time) { sum.Add(stats.Piece{At: at, For: until.Sub(at)}) }
	// What a mean looks back to; its window's old edge moves by a thousandth.
	back := p.Mean + p.Mean/500 + post.Stale
	spans, err := e.high(ctx, p, from, to, back)
	if err != nil {
		return stats.Exceedances{}, err
	}
	versions, err := e.record.History(ctx, post.ID)
	if err != nil {
		return stats.Exceedances{}, err
	}
	for _, span := range spans {
		calm(span.From)
		top, topU, least := store.TopOf(versions, span.From.Add(-back), span.To)
		if !(top > 0) || math.IsInf(float64(top), 0) {
			top, topU, least = 1e6, quantity.PowerDensity(math.NaN()), 0 // not known, as of what was imported
		}
		begin := func() *limit.Mean { return limit.NewMean(p.Mean, top, topU) }
		moves := store.Moves(versions)
		m := meanOver{level: p.Level, mean: begin(), least: least, floor: post.Probe.Floor, stale: post.Stale, span: span, sum: &sum}
		for batch, err := range e.record.PastSamples(ctx, post.ID, span.From.Add(-back), span.To) {
			if err != nil {
				return stats.Exceedances{}, err
			}
			for _, s := range batch {
				for ; len(moves) > 0 && !s.At.Before(moves[0]); moves = moves[1:] {
					m.until(moves[0])
					m.mean, m.last.Valid = begin(), false // it was the field of another place
				}
				m.until(s.At)
				m.last = s
			}
		}
		m.until(span.To)
		at = span.To
	}
	calm(to)
	above, _ := sum.Above(p.Level)
	return above, nil
}

// high lists when, between two instants, a mean may be above a plan's limit: from where
// the field may have been above it up to so long behind that as a mean looks back.
func (e eyes) high(ctx context.Context, p soak.Plan, from, to time.Time, back time.Duration) ([]soak.Span, error) {
	first := from.Add(-back).Truncate(time.Hour)
	low := map[int64]bool{} // hours that are kept, and in which it was not
	for h, err := range e.record.PastHours(ctx, p.Post, first, to) {
		if err != nil {
			return nil, err
		}
		above, counted := h.Sum.Above(p.Level)
		low[h.From.Unix()] = counted && above.Count == 0 && h.Sum.On.OverRange+h.Sum.Off.OverRange == 0
	}
	var out []soak.Span
	for hour := first; hour.Before(to); hour = hour.Add(time.Hour) {
		if low[hour.Unix()] {
			continue
		}
		s := soak.Span{From: latest(hour, from), To: earliest(hour.Add(time.Hour+back), to)}
		if n := len(out); n > 0 && !out[n-1].To.Before(s.From) {
			out[n-1].To = s.To
		} else if s.From.Before(s.To) {
			out = append(out, s)
		}
	}
	return out, nil
}

func latest(a, b time.Time) time.Time {
	if a.Before(b) {
		return b
	}
	return a
}

func earliest(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

// meanOver follows a mean through samples, and tells sum where in a span it is above a
// level.
type meanOver struct {
	level, least, floor quantity.PowerDensity // least: that over-range can be
	stale               time.Duration
	mean                *limit.Mean
	span                soak.Span
	sum                 *stats.Summary
	last                past.Sample
}

// until takes the newest sample for as long as it held, and what was not seen after
// it, up to an instant.
func (m *meanOver) until(to time.Time) {
	if m.last.At.IsZero() {
		return
	}
	held := m.last.At
	if m.last.Valid {
		held = earliest(held.Add(m.stale), to)
		s := limit.Stretch{Seen: true, Lo: max(m.last.S, 0), Hi: m.last.S, U: quantity.PowerDensity(math.NaN())}
		switch {
		case m.last.Over:
			s.Lo, s.Hi = m.least, quantity.PowerDensity(math.Inf(1))
		case m.last.S < m.floor:
			s.Lo, s.Hi = 0, m.floor
		}
		m.pass(m.last.At, held, s)
	}
	m.pass(held, to, limit.Stretch{})
	m.last.At = to
}

// pass takes a stretch; the mean stands as it does at its end, in the span.
func (m *meanOver) pass(from, to time.Time, s limit.Stretch) {
	if !from.Before(to) {
		return
	}
	s.From, s.To = time.Duration(from.UnixNano()), time.Duration(to.UnixNano())
	m.mean.Observe(s)
	p := stats.Piece{At: latest(from, m.span.From)}
	p.For = earliest(to, m.span.To).Sub(p.At)
	if above, _ := m.mean.Against(m.level); above {
		p.S = 2 * m.level // it is only looked at whether it lies above
	}
	m.sum.Add(p)
}
