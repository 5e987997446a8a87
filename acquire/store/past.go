package store

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"math"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/quantity"
)

// Past returns what is committed of the post with this index of Register: its
// last number and stamp, the last zero taken, its alarms, and its samples of the
// span recent before the last one, corrected as they were when judged. They are
// read while they are asked for: a day of them does not fit into memory lightly.
func (s *Store) Past(post int, recent time.Duration) (acquire.Past, error) {
	ctx := context.Background()
	s.mu.Lock()
	if post < 0 || post >= len(s.places) {
		s.mu.Unlock()
		return acquire.Past{}, fmt.Errorf("read the past: post %d is not registered", post)
	}
	p := s.places[post]
	last := s.queue.last[p.post]
	var past acquire.Past
	for _, a := range s.queue.standing() {
		if a.Post == p.id {
			past.Alarms = append(past.Alarms, a)
		}
	}
	s.mu.Unlock()
	fail := func(err error) (acquire.Past, error) {
		return acquire.Past{}, fmt.Errorf("read the past of post %s: %w", p.id, err)
	}
	zero, _, err := newestCorrection(ctx, s.db, p.post, true)
	if err != nil {
		return fail(err)
	}
	if past.Zero = zero; !zero.ZeroAt.IsZero() {
		since, err := s.probeSince(ctx, p.post)
		if err != nil {
			return fail(err)
		}
		if zero.ZeroAt.Before(since) {
			past.Zero = calib.Correction{} // it was another instrument's
		}
	}
	if err := s.placed(ctx, p, &past); err != nil {
		return fail(err)
	}
	past.LastSeq, past.LastAt = last.seq, instant(last.at)
	if past.LastSeq == 0 || recent <= 0 {
		return past, nil
	}
	from := past.LastAt.Add(-recent)
	all, err := s.History(ctx, p.id)
	if err != nil {
		return fail(err)
	}
	past.Top, past.TopU, past.Least = TopOf(all, from, past.LastAt.Add(1))
	if moves := Moves(all); len(moves) > 0 {
		past.Moved = moves[len(moves)-1]
	}
	away, err := s.away(ctx, p.id)
	if err != nil {
		return fail(err)
	}
	past.Recent = s.recalled(ctx, p.id, from, away)
	return past, nil
}

// recalled are the samples of a post from an instant on; while its probe was away they show nothing of its field.
func (s *Store) recalled(ctx context.Context, postID string, from time.Time, away []stretch) iter.Seq2[acquire.Sample, error] {
	return func(yield func(acquire.Sample, error) bool) {
		for sample, err := range s.Samples(ctx, postID, from, time.Time{}) {
			// Damage is told by whoever looks after the record; a start recalls
			// what there is.
			if d := (*Damage)(nil); errors.As(err, &d) {
				continue
			}
			for _, a := range away {
				if a.holds(nanos(sample.At)) { // it read another field: that of its post is not known
					sample.Quality, sample.S, sample.Reading.HasValue = 0, quantity.PowerDensity(math.NaN()), true
				}
			}
			if !yield(sample.Sample, err) || err != nil {
				return
			}
		}
	}
}

// probeSince returns since when the probe that stands at a post now has stood
// there without another in between.
func (r *Reader) probeSince(ctx context.Context, post int32) (time.Time, error) {
	var from int64
	err := r.db.QueryRowContext(ctx, `SELECT ifnull(min(valid_from_ns), 0) FROM post_versions WHERE post = ?1 AND version > ifnull(
		(SELECT max(version) FROM post_versions WHERE post = ?1 AND probe <>
			(SELECT probe FROM post_versions WHERE post = ?1 ORDER BY version DESC LIMIT 1)), 0)`, post).Scan(&from)
	if err != nil {
		return time.Time{}, fmt.Errorf("since when the probe stands there: %w", err)
	}
	return instant(from), nil
}

// placed reads since when the probe stands at the post, when somebody last
// checked where, and until when its oven was said to run.
func (s *Store) placed(ctx context.Context, p place, past *acquire.Past) (err error) {
	if past.Placed, err = s.probeSince(ctx, p.post); err != nil {
		return err
	}
	newest := func(kind acquire.Kind, to func(at int64, raw []byte) error) error {
		return each(ctx, s.db, "SELECT at_ns, raw FROM events WHERE post = ? AND kind = ? AND at_ns >= ? ORDER BY id DESC LIMIT 1",
			func(scan func(...any) error) error {
				var when any
				var raw []byte
				if err := scan(&when, &raw); err != nil {
					return err
				}
				at, _ := when.(int64) // damaged, it was at no time
				return to(at, raw)
			}, p.id, string(kind), nanos(past.Placed))
	}
	if err = newest(acquire.KindPosition, func(at int64, _ []byte) error { past.Checked = instant(at); return nil }); err != nil {
		return fmt.Errorf("when its position was checked: %w", err)
	}
	err = newest(acquire.KindHint, func(_ int64, raw []byte) error {
		past.Hint, _ = time.Parse(time.RFC3339Nano, string(raw)) // damaged, it says nothing: an oven that is not known to run
		return nil
	})
	if err != nil {
		return fmt.Errorf("until when its oven was said to run: %w", err)
	}
	return nil
}
