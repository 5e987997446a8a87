package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"ovenward/acquire/store/chunk"
)

// Keep is how long samples are kept; zero fields keep for good.
type Keep struct {
	Age   time.Duration // samples older than this are removed
	Bytes int64         // beside evidence: the oldest samples of a post go when it has more, packed
}

// Retention is what is removed, and when. The zero value keeps everything.
type Retention struct {
	Keep
	Posts   map[string]Keep // instead of Keep, by post
	Rollups time.Duration   // sums over minutes and hours older than this are removed
	Told    time.Duration   // what was told longer ago is removed, but for what stands
	Around  time.Duration   // samples this near to an alarm of their post are kept: to the time it stands, and to each event of it

	// Evidence is how long samples are kept for the sake of an alarm, a survey or a
	// soak that is over; zero: for good. While it stands or goes on they are kept.
	Evidence time.Duration
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

// removal is what one commit takes away, with the event that tells of it: a run
// of chunks of a post, one behind the other, or sums.
type removal struct {
	post, text string
	chunks     []int64
	sums       [][2]int64 // ids in rollups, half open
	told       []int64    // of the table of that name
	event      int64      // given when it is committed
}

// retaining chooses what is not to be kept any longer, once in an hour. It goes in
// the commit that holds the events of it.
func (w *writer) retaining() {
	now := w.s.o.Now()
	before := w.retainedAt
	if !before.IsZero() && now.Sub(before) < retainEvery {
		return
	}
	w.retainedAt, w.removals = now, nil
	if jump := now.Round(0).Sub(before.Round(0)) - now.Sub(before); !before.IsZero() && jump.Abs() > retainJump {
		w.s.o.Log.Warn("the wall clock jumped: nothing is removed from the record on its word for an hour", "by", jump.Round(time.Second))
		return
	}
	err := w.guard(func() error {
		ctx := context.Background()
		if err := w.connect(ctx); err != nil {
			return err
		}
		return w.retain(ctx, now)
	})
	if err != nil {
		w.removals = nil
		w.s.o.Log.Warn("what is too old could not be removed from the record; it is tried again in an hour", "err", err)
	}
	if len(w.removals) > 0 {
		w.s.mu.Lock()
		w.s.touch()
		w.s.mu.Unlock()
	}
}

// doomed is a run of chunks to remove, one after the other.
type doomed struct {
	ids                          []int64
	fromSeq, toSeq, fromAt, toAt int64
}

// retain chooses what the next commit removes.
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
			w.removals = append(w.removals, removal{post: names[post], chunks: d.ids, text: fmt.Sprintf(
				"samples %d to %d, from %s to %s, were removed: %s", d.fromSeq, d.toSeq,
				instant(d.fromAt).Format(time.RFC3339Nano), instant(d.toAt).Format(time.RFC3339Nano), keep)})
		}
	}
	if err := w.retainSums(ctx, names, now); err != nil {
		return err
	}
	return w.retainTold(ctx, now)
}

// young says whether a chunk that ended at an instant stays, where its post has so many bytes.
func (k Keep) young(to, bytes int64, now time.Time) bool {
	return !(k.Age > 0 && to < nanos(now.Add(-k.Age))) && (k.Bytes <= 0 || bytes <= k.Bytes)
}

func (k Keep) String() string {
	switch {
	case k.Age > 0 && k.Bytes > 0:
		return fmt.Sprintf("kept are %s, and at most %d bytes of a post beside evidence", k.Age, k.Bytes)
	case k.Bytes > 0:
		return fmt.Sprintf("kept are at most %d bytes of a post beside evidence", k.Bytes)
	}
	return fmt.Sprintf("kept are %s", k.Age)
}

// doom returns the chunks of a post that are to go, the oldest first, in runs.
// What is evidence stays.
func (w *writer) doom(ctx context.Context, post int32, name string, keep Keep, now time.Time) ([]doomed, error) {
	first, last := chunkRange(post)
	kept, err := w.keptSpans(ctx, name, nanos(now))
	if err != nil {
		return nil, err
	}
	stays := func(from, to int64) bool {
		return slices.ContainsFunc(kept, func(s [2]int64) bool { return s[1] >= from && s[0] <= to })
	}
	var bytes int64 // beside evidence, which takes no room from what is new
	if keep.Bytes > 0 {
		if bytes, err = w.packedBut(ctx, post, stays); err != nil {
			return nil, err
		}
	}
	var runs []doomed
	n := 0
	err = each(ctx, w.conn, "SELECT id, from_seq, to_seq, samples, from_ns, to_ns, length(data) FROM chunks WHERE id BETWEEN ? AND ? AND state = 1 ORDER BY id",
		func(scan func(...any) error) error {
			var id, fromSeq, toSeq, rows, from, to, size int64
			if err := loosely(scan, &id, &fromSeq, &toSeq, &rows, &from, &to, &size); errors.Is(err, ErrLost) {
				return nil // it stays, and what lies behind it need not
			} else if err != nil {
				return err
			}
			if n >= retainMost {
				return errEnough
			}
			said := keep.young(to, bytes, now)
			if !said && stays(from, to) {
				return nil
			}
			var data []byte
			if err := w.conn.QueryRowContext(ctx, "SELECT data FROM chunks WHERE id = ?", id).Scan(&data); err != nil {
				return err
			}
			var c chunk.Chunk
			if c.Open(data) == nil { // what stands beside it is not checked, and may be damaged
				if from, to = c.Span().From, c.Span().To; !keep.young(to, bytes, now) && stays(from, to) {
					return nil
				}
			}
			switch is := keep.young(to, bytes, now); {
			case is && said:
				return errEnough
			case is:
				return nil
			}
			bytes -= size
			n++
			runs = appendDoomed(runs, doomed{[]int64{id}, fromSeq, toSeq, from, to})
			return nil
		}, first, last)
	if err == errEnough {
		err = nil
	}
	return runs, err
}

// packedBut is how many bytes the chunks of a post have, but for those that stay.
func (w *writer) packedBut(ctx context.Context, post int32, stays func(from, to int64) bool) (bytes int64, err error) {
	first, last := chunkRange(post)
	err = each(ctx, w.conn, "SELECT from_ns, to_ns, length(data) FROM chunks WHERE id BETWEEN ? AND ? AND data IS NOT NULL", func(scan func(...any) error) error {
		var from, to, size int64
		err := loosely(scan, &from, &to, &size)
		if errors.Is(err, ErrLost) || stays(from, to) {
			return nil
		}
		bytes += size
		return err
	}, first, last)
	return bytes, err
}

// appendDoomed joins a chunk to the run before it where that ends beside it.
func appendDoomed(runs []doomed, d doomed) []doomed {
	if k := len(runs) - 1; k >= 0 && runs[k].ids[len(runs[k].ids)-1] == d.ids[0]-1 {
		runs[k].ids, runs[k].toSeq, runs[k].toAt = append(runs[k].ids, d.ids[0]), d.toSeq, d.toAt
		return runs
	}
	return append(runs, d)
}

// remove takes away what r says, in the open transaction. The rows of chunks stay
// without samples, and their hashes stay in the chain.
func (w *writer) remove(ctx context.Context, r *removal) error {
	for _, id := range r.chunks {
		// An update would leave the page of the chunk empty; a row that comes anew
		// stands beside others.
		var fromSeq, toSeq, rows, from, to int64
		var data []byte
		err := w.conn.QueryRowContext(ctx, "DELETE FROM chunks WHERE id = ? AND state = 1 RETURNING from_seq, to_seq, samples, from_ns, to_ns, data", id).
			Scan(&fromSeq, &toSeq, &rows, &from, &to, &data)
		if err == sql.ErrNoRows {
			continue // it went with another event
		}
		if err != nil {
			return fmt.Errorf("remove a chunk: %w", err)
		}
		if _, err := w.exec(ctx, "INSERT INTO chunks (id, from_seq, to_seq, samples, from_ns, to_ns, state, removed) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
			id, fromSeq, toSeq, rows, from, to, removed, r.event); err != nil {
			return err
		}
		sum := sha256.Sum256(data)
		if err := w.enter(ctx, chainRemoved, id, removedHash(sum[:], id, fromSeq, toSeq, rows, from, to, r.event)); err != nil {
			return err
		}
	}
	for _, s := range r.sums {
		if err := w.removeSums(ctx, s[0], s[1]); err != nil {
			return err
		}
	}
	return w.removeTold(ctx, r.told)
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
