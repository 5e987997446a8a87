package store

import (
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"ovenward/acquire/cycle/history"
	"ovenward/acquire/quantity"
)

// KeepHistory compares what is made again.
func (m *remade) KeepHistory(ctx context.Context, _ string, st history.State, runs []history.Run, hours []history.Hour) error {
	for i := range runs {
		if err := m.run(ctx, &runs[i]); err != nil {
			return err
		}
	}
	for i := range hours {
		if err := m.hour(ctx, &hours[i]); err != nil {
			return err
		}
	}
	m.state = st
	return nil
}

// rest takes what is kept and was not made again.
func (m *remade) rest(ctx context.Context) error {
	end := time.Unix(0, math.MaxInt64)
	if err := m.runsBefore(ctx, end); err != nil {
		return err
	}
	if left := m.kept.Runs - m.runs.number; left > 0 {
		m.tell(time.Time{}, time.Time{}, "runs %d to %d are missing", m.runs.number+1, m.kept.Runs)
	}
	return m.hoursBefore(ctx, end)
}

// run compares a run that was made again.
func (m *remade) run(ctx context.Context, r *history.Run) error {
	if err := m.runsBefore(ctx, r.Start); err != nil {
		return err
	}
	k, err := m.runs.peek(ctx, m)
	if err != nil {
		return err
	}
	asKept(r)
	if k == nil || !k.Start.Equal(r.Start) {
		if !r.Start.Before(m.kept.Ended) {
			return nil // not kept yet
		}
		return m.differs(ctx, r.Start, r.End, &m.un.Runs, "a run that follows from the samples is not kept", func(all []history.Run, _ []history.Hour) bool {
			return !slices.ContainsFunc(all, func(u history.Run) bool { return u.Start.Before(r.End) && r.Start.Before(u.End) })
		})
	}
	m.runs.take(m)
	what := k.Differs(r)
	if what == "" {
		return nil
	}
	return m.lone(ctx, k, fmt.Sprintf("run %d is not as it follows from the samples: %s", k.Number, what))
}

// runsBefore takes the kept runs that begin before an instant: they were not made again.
func (m *remade) runsBefore(ctx context.Context, at time.Time) error {
	for {
		k, err := m.runs.peek(ctx, m)
		if err != nil || k == nil || !k.Start.Before(at) {
			return err
		}
		m.runs.take(m)
		if err := m.lone(ctx, k, fmt.Sprintf("run %d does not follow from the samples", k.Number)); err != nil {
			return err
		}
	}
}

// lone tells of a kept run, unless another start makes it so.
func (m *remade) lone(ctx context.Context, k *history.Run, text string) error {
	return m.differs(ctx, k.Start, k.End, &m.un.Runs, text, func(all []history.Run, _ []history.Hour) bool {
		return slices.ContainsFunc(all, func(u history.Run) bool { asKept(&u); return k.Differs(&u) == "" })
	})
}

// hour compares an hour that was made again.
func (m *remade) hour(ctx context.Context, h *history.Hour) error {
	if err := m.hoursBefore(ctx, h.From); err != nil {
		return err
	}
	k, err := m.hours.peek(ctx, m)
	if err != nil {
		return err
	}
	end := h.From.Add(time.Hour)
	if k == nil || !k.From.Equal(h.From) {
		if !h.From.Before(m.kept.Hours) {
			return nil // not kept yet
		}
		return m.differs(ctx, h.From, end, &m.un.Hours, "the sum of the hour is missing", nil)
	}
	m.hours.take()
	what := m.hourDiffers(k, h)
	if what == "" {
		return nil
	}
	return m.differs(ctx, h.From, end, &m.un.Hours, "the sum of the hour is not that of its samples: "+what, func(_ []history.Run, all []history.Hour) bool {
		return slices.ContainsFunc(all, func(a history.Hour) bool { return a.From.Equal(k.From) && m.hourDiffers(k, &a) == "" })
	})
}

func (m *remade) hourDiffers(k *keptHour, h *history.Hour) string {
	if k.bad != nil {
		return k.bad.Error()
	}
	if what := k.Sum.Differs(&h.Sum); what != "" {
		return what
	}
	var levels []quantity.PowerDensity
	for _, e := range k.Sum.Levels {
		levels = append(levels, e.Level)
	}
	levels = levelSet(levels)
	if !slices.ContainsFunc(m.levels, func(l []quantity.PowerDensity) bool { return slices.Equal(l, levels) }) {
		return "the levels that it counts"
	}
	return ""
}

// hoursBefore takes the kept hours that begin before an instant: they were not made again.
func (m *remade) hoursBefore(ctx context.Context, at time.Time) error {
	for {
		k, err := m.hours.peek(ctx, m)
		if err != nil || k == nil || !k.From.Before(at) {
			return err
		}
		m.hours.take()
		if err := m.differs(ctx, k.From, k.From.Add(time.Hour), &m.un.Hours, "the sum of the hour does not follow from the samples", nil); err != nil {
			return err
		}
	}
}

// differs tells of what is kept otherwise, or counts it as not compared. fits says of
// what another start of a daemon makes whether it is that: one that began there, or
// by the settings of another version. It may be nil.
func (m *remade) differs(ctx context.Context, from, to time.Time, n *int64, text string, fits func([]history.Run, []history.Hour) bool) error {
	unsure := m.unsure(from, to)
	if !unsure && fits != nil {
		if m.again++; m.again <= mostAgain {
			if ok, err := m.otherwise(ctx, from, to, fits); ok || err != nil {
				return err
			}
		}
		unsure = m.again > mostAgain && m.told == 0 // all that were tried were made by other settings
	}
	if !unsure {
		m.tell(from, to, "%s", text)
		return nil
	}
	if *n++; m.un.From.IsZero() || from.Before(m.un.From) {
		m.un.From = from
	}
	if m.un.To.Before(to) {
		m.un.To = to
	}
	return nil
}

func (m *remade) otherwise(ctx context.Context, from, to time.Time, fits func([]history.Run, []history.Hour) bool) (bool, error) {
	hour := from.Truncate(time.Hour)
	for _, o := range m.ways {
		for _, begin := range []time.Time{hour, hour.Add(-time.Hour)} {
			s := &started{Query: m.reader, state: history.State{Hours: begin}}
			err := history.NewFollower(s, []history.Post{{ID: m.post, Options: o}}).Once(ctx, to.Add(2*o.Gap+2*o.Stale+time.Hour))
			if err != nil || fits(s.runs, s.hours) {
				return err == nil, err
			}
		}
	}
	return false, nil
}

// tell tells of what differs, some times a post.
func (m *remade) tell(from, to time.Time, format string, args ...any) {
	if m.told++; m.told > 20 {
		m.rep.More++
		return
	}
	m.rep.add(Problem{Post: m.post, From: from, To: to, Text: fmt.Sprintf(format, args...)})
}

// started is the record to a follower that starts somewhere.
type started struct {
	history.Query
	state history.State
	runs  []history.Run
	hours []history.Hour
}

func (s *started) HistoryState(context.Context, string) (history.State, error) { return s.state, nil }

func (s *started) KeepHistory(_ context.Context, _ string, _ history.State, runs []history.Run, hours []history.Hour) error {
	s.runs, s.hours = append(s.runs, runs...), append(s.hours, hours...)
	return nil
}
