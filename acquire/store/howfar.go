package store

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/cycle/history"
)

// selectHowFar reads how far a post is summed up, and beside it what of that is kept: its
// newest hour, whether there is the one that the row says is the newest, how many are behind
// that, whether there is the run that the row says is the newest, the highest number
// of a run, and the newest run.
const selectHowFar = `SELECT h.hours_ns, h.under_ns, h.ended_ns, h.runs,
	(SELECT hour_ns FROM hour_sums WHERE post = ?1 AND typeof(hour_ns) = 'integer' ORDER BY hour_ns DESC LIMIT 1),
	EXISTS (SELECT 1 FROM hour_sums WHERE post = ?1 AND hour_ns = h.hours_ns - ?2),
	(SELECT count(*) FROM hour_sums WHERE post = ?1 AND hour_ns >= h.hours_ns),
	EXISTS (SELECT 1 FROM runs WHERE post = ?1 AND run = h.runs AND end_ns = h.ended_ns AND typeof(start_ns) = 'integer'),
	(SELECT run FROM runs WHERE post = ?1 AND typeof(run) = 'integer' ORDER BY run DESC LIMIT 1),
	u.run, u.start_ns, u.end_ns
	FROM (SELECT 1) LEFT JOIN histories AS h ON h.post = ?1 LEFT JOIN runs AS u ON u.post = ?1 AND u.run =
	(SELECT run FROM runs WHERE post = ?1 AND typeof(start_ns) = 'integer' ORDER BY start_ns DESC LIMIT 1)`

// HistoryState reads how far the history of a post has come. Where the row that says so is
// damaged, what is kept of the post says it.
func (r *Reader) HistoryState(ctx context.Context, post string) (history.State, error) {
	st, _, err := howFar(ctx, r.db, post)
	return st, err
}

// HistoryState tells of a row that is damaged and writes it anew, too.
func (s *Store) HistoryState(ctx context.Context, post string) (history.State, error) {
	st, damaged, err := howFar(ctx, s.db, post)
	if err != nil || !damaged {
		return st, err
	}
	var anew history.State
	err = s.ask(ctx, "write anew how far runs and sums are kept", func(ctx context.Context, w *writer) error {
		st, damaged, err := howFar(ctx, w.conn, post)
		if anew = st; err != nil || !damaged {
			return err
		}
		w.tellFirst([]acquire.Event{w.damageEvent(post, "damaged: the row of table histories that says how far its runs and hourly sums are kept; it is written anew from those")})
		return w.putHowFar(ctx, post, st)
	})
	if err != nil {
		return history.State{}, err
	}
	return anew, nil
}

// putHowFar keeps how far a post is summed up.
func (w *writer) putHowFar(ctx context.Context, post string, st history.State) error {
	_, err := w.exec(ctx, `INSERT INTO histories (post, hours_ns, under_ns, ended_ns, runs) VALUES (?1, ?2, ?3, ?4, ?5)
		ON CONFLICT DO UPDATE SET hours_ns = ?2, under_ns = ?3, ended_ns = ?4, runs = ?5`,
		post, nanos(st.Hours), nanos(st.Under), nanos(st.Ended), st.Runs)
	return err
}

// howFar reads how far a post is summed up, and says whether the row of that is damaged: it
// does not fit, or is not of what is kept. Then what is kept counts, so that no run and no hour
// comes twice; and samples are read from the end of the newest run on, for a run that was under way.
// Where what is kept is damaged itself, the row stays.
func howFar(ctx context.Context, from querier, post string) (st history.State, damaged bool, err error) {
	const lost = math.MinInt64
	hours, under, ended, runs := int64(lost), int64(lost), int64(lost), int64(lost)
	hour, most, number, start, end := int64(lost), int64(lost), int64(lost), int64(lost), int64(lost)
	var there, newest bool
	var behind int64
	scan := func(into ...any) error {
		return from.QueryRowContext(ctx, selectHowFar, post, int64(time.Hour)).Scan(into...)
	}
	if err := loosely(scan, &hours, &under, &ended, &runs, &hour, &there, &behind, &newest, &most, &number, &start, &end); err != nil && !errors.Is(err, ErrLost) {
		return st, false, fmt.Errorf("read how far post %s is summed up: %w", post, err)
	}
	row := [4]int64{hours, under, ended, runs}
	switch {
	case hours == lost && under == lost && ended == lost && runs == lost && hour == lost && number == lost:
		return st, false, nil // nothing is kept yet
	case under >= 0 && (there || hours == 0 && hour == lost) && (newest || number == lost && runs == 0 && ended == 0):
		return history.State{Hours: instant(hours), Under: instant(under), Ended: instant(ended), Runs: runs}, false, nil
	}
	switch end := hour + int64(time.Hour); {
	case hour == lost:
		hours = 0
	case hours == lost || hours > end:
		hours = end
	}
	switch {
	case runs == lost, end == ended && number != lost:
		runs = max(most, 0)
	default:
		runs = max(most, runs)
	}
	switch {
	case number == lost && ended == lost:
		ended = 0
	case number == lost, ended > start && ended <= end:
	case end > start:
		ended = end
	case ended == lost:
		ended = start + 1 // so that this run does not come again
	}
	if under < 0 {
		under = cmp.Or(ended, 1)
	}
	damaged = row != [4]int64{hours, under, ended, runs} || !there && behind > 1
	return history.State{Hours: instant(hours), Under: instant(under), Ended: instant(ended), Runs: runs}, damaged, nil
}
