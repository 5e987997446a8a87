package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"ovenward/acquire"
)

// Keep is how long samples are kept; zero fields keep for good.
type Keep struct {
	Age   time.Duration // samples older than this are removed
	Bytes int64         // the oldest samples of a post go when it has more, packed
}

// Retention is what is removed, and when. The zero value keeps everything.
type Retention struct {
	Keep
	Posts   map[string]Keep // instead of Keep, by post
	Rollups time.Duration   // sums over minutes and hours older than this are removed
	Told    time.Duration   // what was told longer ago is removed, but for what stands
	Around  time.Duration   // samples this near to any event of an alarm of their post are kept
}

const (
	retainEvery = time.Hour
	// retainMost is how many chunks one run removes of a post, so that it is short.
	retainMost = 2000
	// retainJump is how far the wall clock may have moved against the monotonic one
	// since the last run; if it moved more, nothing is removed on its word.
	retainJump = 10 * time.Minute
	// slackPages stay free in the file for the next commits.
	slackPages = 64
)

// of is how long the samples of a post are kept.
func (r *Retention) of(post string) Keep {
	if k, ok := r.Posts[post]; ok {
		return k
	}
	return r.Keep
}

// retaining removes what is not to be kept any longer, once in an hour, and
// gives space back.
func (w *writer) retaining() {
	now := w.s.o.Now()
	before := w.retainedAt
	if !before.IsZero() && now.Sub(before) < retainEvery {
		return
	}
	w.retainedAt = now
	if jump := now.Round(0).Sub(before.Round(0)) - now.Sub(before); !before.IsZero() && jump.Abs() > retainJump {
		w.s.o.Log.Warn("the wall clock jumped: nothing is removed from the record on its word for an hour", "by", jump.Round(time.Second))
		return
	}
	err := w.guard(func() error {
		ctx := context.Background()
		if err := w.connect(ctx); err != nil {
			return err
		}
		if err := w.retain(ctx, now); err != nil {
			return err
		}
		return errors.Join(w.removeRollups(ctx, now), w.removeTold(ctx, now))
	})
	if err != nil {
		w.s.o.Log.Warn("what is too old could not be removed from the record; it is tried again in an hour", "err", err)
	}
}

// doomed is a run of chunks to remove, one after the other.
type doomed struct {
	ids                          []int64
	fromSeq, toSeq, fromAt, toAt int64
}

// retain asks for the removal of chunks; it takes place in the commit that holds
// its event.
func (w *writer) retain(ctx context.Context, now time.Time) error {
	w.s.mu.Lock()
	names := maps.Clone(w.s.queue.names)
	w.s.mu.Unlock()
	for _, post := range slices.Sorted(maps.Keys(names)) {
		keep := w.s.o.Retention.of(names[post])
		if keep.Age <= 0 && keep.Bytes <= 0 {
			continue
		}
		runs, err := w.doom(ctx, post, names[post], keep, now)
		if err != nil {
			return fmt.Errorf("post %s: %w", names[post], err)
		}
		for _, d := range runs {
			e := acquire.Event{At: now.UTC(), Post: names[post], Kind: acquire.KindRecord, Text: fmt.Sprintf(
				"samples %d to %d, from %s to %s, were removed: %s", d.fromSeq, d.toSeq,
				instant(d.fromAt).Format(time.RFC3339Nano), instant(d.toAt).Format(time.RFC3339Nano), keep)}
			if w.removals == nil {
				w.removals = map[string][]int64{}
			}
			if key := removalKey(&e); w.removals[key] == nil {
				w.removals[key] = d.ids
				w.s.Record(e)
			}
		}
	}
	return nil
}

func (k Keep) String() string {
	switch {
	case k.Age > 0 && k.Bytes > 0:
		return fmt.Sprintf("kept are %s, and at most %d bytes of a post", k.Age, k.Bytes)
	case k.Bytes > 0:
		return fmt.Sprintf("kept are at most %d bytes of a post", k.Bytes)
	}
	return fmt.Sprintf("kept are %s", k.Age)
}

func removalKey(e *acquire.Event) string { return e.Post + "\x00" + e.Text }

// doom returns the chunks of a post that are to go, the oldest first, in runs. A
// chunk near an alarm stays.
func (w *writer) doom(ctx context.Context, post int32, name string, keep Keep, now time.Time) ([]doomed, error) {
	first, last := chunkRange(post)
	var bytes int64
	if keep.Bytes > 0 {
		if err := w.conn.QueryRowContext(ctx, "SELECT ifnull(sum(length(data)), 0) FROM chunks WHERE id BETWEEN ? AND ?", first, last).Scan(&bytes); err != nil {
			return nil, err
		}
	}
	var alarms []int64
	if err := each(ctx, w.conn, "SELECT at_ns FROM events WHERE post = ? AND alarm IS NOT NULL", func(scan func(...any) error) error {
		var at int64
		err := scan(&at)
		alarms = append(alarms, at)
		return err
	}, name); err != nil {
		return nil, err
	}
	around := int64(w.s.o.Retention.Around)
	var runs []doomed
	n := 0
	err := each(ctx, w.conn, "SELECT id, from_seq, to_seq, from_ns, to_ns, length(data) FROM chunks WHERE id BETWEEN ? AND ? AND state = 1 ORDER BY id",
		func(scan func(...any) error) error {
			var id, fromSeq, toSeq, from, to, size int64
			if err := scan(&id, &fromSeq, &toSeq, &from, &to, &size); err != nil {
				return err
			}
			old := keep.Age > 0 && to < nanos(now.Add(-keep.Age))
			if !old && bytes <= keep.Bytes || n >= retainMost {
				return errEnough
			}
			if slices.ContainsFunc(alarms, func(at int64) bool { return at+around >= from && at-around <= to }) {
				return nil
			}
			bytes -= size
			n++
			if k := len(runs) - 1; k >= 0 && runs[k].ids[len(runs[k].ids)-1] == id-1 {
				runs[k].ids, runs[k].toSeq, runs[k].toAt = append(runs[k].ids, id), toSeq, to
			} else {
				runs = append(runs, doomed{[]int64{id}, fromSeq, toSeq, from, to})
			}
			return nil
		}, first, last)
	if err == errEnough {
		err = nil
	}
	return runs, err
}

// remove takes away, in the open transaction, the chunks that event e tells of.
// Their rows stay without samples, and their hashes stay in the chain.
func (w *writer) remove(ctx context.Context, e *acquire.Event) error {
	for _, id := range w.removals[removalKey(e)] {
		// An update would leave the page of the chunk empty; a row that comes anew
		// stands beside others.
		var fromSeq, toSeq, rows, from, to int64
		err := w.conn.QueryRowContext(ctx, "DELETE FROM chunks WHERE id = ? AND state = 1 RETURNING from_seq, to_seq, samples, from_ns, to_ns", id).
			Scan(&fromSeq, &toSeq, &rows, &from, &to)
		if err == sql.ErrNoRows {
			continue // it went with another event
		}
		if err != nil {
			return fmt.Errorf("remove a chunk: %w", err)
		}
		if _, err := w.exec(ctx, "INSERT INTO chunks (id, from_seq, to_seq, samples, from_ns, to_ns, state, removed) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
			id, fromSeq, toSeq, rows, from, to, removed, e.ID); err != nil {
			return err
		}
	}
	return nil
}

// giveBack gives free pages back to the file system, some at a time.
func (w *writer) giveBack() {
	if w.noSpace && w.reserve.held {
		return
	}
	err := w.guard(func() error {
		ctx := context.Background()
		if err := w.connect(ctx); err != nil {
			return err
		}
		var free int
		if err := w.conn.QueryRowContext(ctx, "PRAGMA freelist_count").Scan(&free); err != nil || free <= slackPages {
			return err
		}
		w.unfolded = true
		return each(ctx, w.conn, fmt.Sprintf("PRAGMA incremental_vacuum(%d)", min(free-slackPages, 1024)), func(func(...any) error) error { return nil })
	})
	if err != nil {
		w.s.o.Log.Warn("free space in the record could not be given back", "err", err)
	}
}
