package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"time"
)

// loadMended loads, and where a damaged page keeps that from being done, or hides
// samples that were there, sets it aside and loads again. What the record says of
// itself is then what stands beside it.
func (w *writer) loadMended(ctx context.Context) (m mended, err error) {
	var waits int // a kill came before all was put back
	if err := w.conn.QueryRowContext(ctx, "SELECT count(*) FROM set_aside WHERE done = 0").Scan(&waits); err != nil {
		return m, fmt.Errorf("look for pages that were set aside: %w", err)
	}
	f, p, _, serr := openSidecar(filepath.Join(w.s.dir, sidecarName))
	if serr == nil {
		f.Close()
	}
	err = w.s.load(ctx, w.conn)
	if err != nil && !corrupt(err) || err == nil && waits == 0 && !w.hides(ctx, p) {
		return m, err
	}
	if waits > 0 {
		m, serr = w.putAllBack(ctx, p.last)
	} else {
		m, serr = w.mend(ctx, p.last)
	}
	switch {
	case serr == nil && m.pages > 0:
		m.last = p.last
		return m, w.s.load(ctx, w.conn)
	case err == nil: // it hides samples, and no page is found that does
		w.nameHidden(p, &m)
		m.last = p.last
		return m, nil
	}
	return mended{}, errors.Join(err, serr)
}

// hides says whether the record holds the last commit that it should, and yet ends
// earlier at a post, or its chunks end before the sums that were made of them.
func (w *writer) hides(ctx context.Context, p promise) bool {
	for post := range w.s.queue.names {
		if p.commit <= w.s.state.commits && p.last[post].seq > w.s.queue.last[post].seq {
			return true
		}
		if endHidden(ctx, w.conn, post) {
			return true
		}
	}
	return false
}

// endHidden says whether the chunks of a post end before the sums that were made of
// them: a page may say something else than it did, and SQLite not see it.
func endHidden(ctx context.Context, q querier, post int32) bool {
	first, end := chunkRange(post)
	var at, summed sql.NullInt64
	err := q.QueryRowContext(ctx, `SELECT (SELECT to_ns FROM chunks WHERE id BETWEEN ? AND ? ORDER BY id DESC LIMIT 1),
		(SELECT iif(json_extract(CAST(data AS TEXT), '$.HasLast'), json_extract(CAST(data AS TEXT), '$.At'), NULL) FROM rollups WHERE id = ?)`, first, end, rollID(post, perMinute, stateSlot)).Scan(&at, &summed)
	return err == nil && summed.Valid && summed.Int64 > at.Int64
}

// nameHidden names samples that the record should hold and does not.
func (w *writer) nameHidden(p promise, m *mended) {
	for _, post := range slices.Sorted(maps.Keys(p.last)) {
		known, has := p.last[post], w.s.queue.last[post]
		if name := w.s.queue.names[post]; known.seq > has.seq {
			m.tell(w, name, "samples %d to %d, up to %s, were recorded and are not there", has.seq+1, known.seq, instant(known.at).Format(time.RFC3339Nano))
		}
	}
}

// raise sees to it that no number comes twice after samples were lost.
func (w *writer) raise(last map[int32]mark) {
	for post, known := range last {
		if known.seq > w.s.queue.last[post].seq {
			w.s.queue.last[post] = known
		}
	}
}

// lastKnown is how far the posts are recorded.
func (w *writer) lastKnown() map[int32]mark {
	w.s.mu.Lock()
	defer w.s.mu.Unlock()
	return maps.Clone(w.s.queue.last)
}

// mending sets damaged pages aside when err comes of one, and says whether to try
// again. An error that it did not end is not tried again.
func (w *writer) mending(err error) bool {
	if !corrupt(err) || w.unmendable[err.Error()] {
		return false
	}
	if w.unmendable == nil {
		w.unmendable = map[string]bool{}
	}
	w.unmendable[err.Error()] = true
	last := w.lastKnown()
	var m mended
	merr := w.guard(func() error {
		ctx := context.Background()
		err := w.connect(ctx)
		if err == nil {
			m, err = w.mend(ctx, last)
		}
		return err
	})
	if merr != nil {
		w.s.o.Log.Error("the record is damaged", "err", merr)
		return false
	}
	if m.pages > 0 {
		delete(w.unmendable, err.Error()) // another page may be next
	}
	w.tellMended(m)
	return m.pages > 0
}

func (w *writer) tellMended(m mended) {
	for _, e := range m.events {
		w.s.o.Log.Error("the record is damaged", "post", e.Post, "what", e.Text)
		w.s.mu.Lock()
		w.s.state.damaged++
		w.s.push(e) // while the store is closed, too
	}
}
