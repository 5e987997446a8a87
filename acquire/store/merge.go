package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sort"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/store/chunk"
)

const (
	// mergeRows is the most samples, about, that one transaction merges.
	mergeRows = 100_000
	// waitRows is how many samples wait in fragments, about, before they are merged
	// out of turn: a burst is taken in first.
	waitRows = 1_000_000
	// sealAfter is the longest span of a chunk, by stamps: so that it is in the
	// chain of hashes soon, however seldom a probe is asked.
	sealAfter = time.Hour
)

// merge moves the fragments into chunks, in transactions of at most about
// mergeRows samples; with all, every chunk is sealed. The caller guards it. While
// the store is closed it begins no transaction after w.giveUp: what is left is
// merged after the next start.
func (w *writer) merge(all bool) error {
	for w.giveUp.IsZero() || w.s.o.Now().Before(w.giveUp) {
		more, err := w.mergeSome(all)
		if err != nil {
			return fmt.Errorf("merge the newest samples into chunks: %w", err)
		}
		if !more {
			return nil
		}
	}
	return nil
}

// merging merges, and tells a failure when it changes. What is not merged is as
// durable as before.
func (w *writer) merging(all bool) {
	if w.noSpace {
		return
	}
	err := w.guard(func() error { return w.merge(all) })
	if err != nil && w.mending(err) {
		err = w.guard(func() error { return w.merge(all) })
	}
	before := w.unmerged
	w.unmerged = err
	if err != nil && (before == nil || before.Error() != err.Error()) {
		w.s.o.Log.Warn("the record's newest samples are not merged into chunks; they are recorded all the same", "err", err)
	}
}

// taken is what one transaction merges.
type taken struct {
	last   int64 // id of the last fragment; 0: none
	link   [sha256.Size]byte
	commit int64
	at     int64
	next   int64
	posts  map[string]*packed
	n      int
	events []acquire.Event
	more   bool
}

// packed is what was taken of a post, as it was committed: made into rows 30 s of many
// posts would take tens of MB at once.
type packed struct {
	chunks [][]byte
	n      int // rows that can be read of them
}

func (w *writer) mergeSome(all bool) (more bool, err error) {
	ctx := context.Background()
	if err := w.connect(ctx); err != nil {
		return false, err
	}
	if err := w.begun(ctx); err != nil {
		return false, err
	}
	if all && w.chain.day != 0 && w.sealedDay == w.chain.day {
		w.today = w.chain.day // the end of a day belongs to it
	}
	t, err := w.takeFragments(ctx)
	defer w.pack.letGo()
	if err != nil {
		return false, err
	}
	if t.last == 0 && !all {
		_, err := w.exec(ctx, "ROLLBACK")
		return false, err
	}
	if err := w.s.o.Fault(StepMerge); err != nil {
		return false, err
	}
	if w.tellFirst(t.events) {
		_, err := w.exec(ctx, "ROLLBACK")
		return false, err
	}
	if err := w.mergePosts(ctx, t, all && !t.more); err != nil {
		return false, err
	}
	if t.last != 0 {
		if _, err := w.exec(ctx, "DELETE FROM fragments WHERE id <= ?", t.last); err != nil {
			return false, err
		}
		if _, err := w.exec(ctx, "UPDATE record SET commits = max(commits, ?), committed_ns = ?, next_event = max(next_event, ?), link = ?",
			t.commit, t.at, t.next, t.link[:]); err != nil {
			return false, err
		}
	}
	if err := w.headOfDay(ctx); err != nil {
		return false, err
	}
	if err := w.s.o.Fault(StepCommit); err != nil {
		return false, err
	}
	if _, err := w.exec(ctx, "COMMIT"); err != nil {
		return false, err
	}
	if err := w.s.o.Fault(StepAfterCommit); err != nil {
		return false, err
	}
	w.unfolded = true
	w.fragmentRows = max(0, w.fragmentRows-t.n)
	w.chained()
	return t.more, nil
}

// mergePosts merges what was taken of each post; with every, all posts are sealed.
func (w *writer) mergePosts(ctx context.Context, t *taken, every bool) error {
	posts, err := w.mergedPosts(ctx, t, every)
	if err != nil {
		return err
	}
	for _, p := range posts {
		of := t.posts[p.id]
		if of == nil {
			of = &packed{}
		}
		if err := w.mergePost(ctx, p.post, p.id, of.n, w.pack.rows(of.chunks...), every); err != nil {
			return fmt.Errorf("post %s: %w", p.id, err)
		}
	}
	return nil
}

// tellFirst records events of damage that were not told yet, and says whether
// there were any. What is damaged goes only after it was told.
func (w *writer) tellFirst(events []acquire.Event) bool {
	first := false
	for _, e := range events {
		if w.told[e.Text] {
			continue
		}
		if w.told == nil {
			w.told = map[string]bool{}
		}
		w.told[e.Text], first = true, true
		w.s.o.Log.Error("the record is damaged", "post", e.Post, "what", e.Text)
		w.s.mu.Lock()
		w.s.state.damaged++
		w.s.push(e) // while the store is closed, too
	}
	return first
}

type numbered struct {
	post int32
	id   string
}

// mergedPosts returns the posts to merge, made where they are missing.
func (w *writer) mergedPosts(ctx context.Context, t *taken, every bool) ([]numbered, error) {
	ids := map[string]int32{}
	err := each(ctx, w.conn, "SELECT post, id FROM posts", func(scan func(...any) error) error {
		var p numbered
		err := scan(&p.post, &p.id)
		ids[p.id] = p.post
		return err
	})
	if err != nil {
		return nil, err
	}
	var posts []numbered
	for _, id := range slices.Sorted(maps.Keys(t.posts)) {
		post, ok := ids[id]
		if !ok {
			if post, err = w.postNumber(ctx, id); err != nil {
				return nil, err
			}
		}
		delete(ids, id)
		posts = append(posts, numbered{post, id})
	}
	if every {
		for id, post := range ids {
			posts = append(posts, numbered{post, id})
		}
	}
	sort.SliceStable(posts, func(i, j int) bool { return posts[i].post < posts[j].post })
	return posts, nil
}

// takeFragments reads fragments, the oldest first, up to about mergeRows
// samples. What is damaged is named in an event.
func (w *writer) takeFragments(ctx context.Context) (*taken, error) {
	t := &taken{posts: map[string]*packed{}}
	err := each(ctx, w.conn, "SELECT id, data FROM fragments ORDER BY id", func(scan func(...any) error) error {
		if t.n >= mergeRows {
			t.more = true
			return errEnough
		}
		var b sql.RawBytes
		before := t.last
		if err := scan(&t.last, &b); err != nil {
			return err
		}
		if t.last <= before {
			return errDisorder
		}
		f, _, err := readFragment(b)
		if err != nil {
			t.events = append(t.events, w.damageEvent("", fmt.Sprintf("commit %d of the record is damaged, and what can be read of it is kept: %v", t.last/partsOfCommit, err)))
			chunksLeft(b, func(c *chunk.Chunk, data []byte) { w.takeChunk(t, c, data) })
			return nil
		}
		t.link, t.commit, t.at, t.next = f.link, f.commit, f.at, max(t.next, f.nextEvent)
		w.takeChunks(t, &f)
		return nil
	})
	if errors.Is(err, errEnough) {
		err = nil
	}
	return t, err
}

// takeChunks takes the samples of f.
func (w *writer) takeChunks(t *taken, f *fragment) {
	c := &w.pack.chunk
	for b := f.samples; len(b) > 0; b = b[min(c.Size(), len(b)):] {
		if err := c.Open(b); err != nil {
			t.events = append(t.events, w.damageEvent("", fmt.Sprintf("commit %d of the record is damaged, and what can be read of it is kept: %v", f.commit, err)))
			chunksLeft(b, func(c *chunk.Chunk, data []byte) { w.takeChunk(t, c, data) })
			return
		}
		w.takeChunk(t, c, b[:min(c.Size(), len(b))])
	}
}

// takeChunk takes the samples of c, which data is.
func (w *writer) takeChunk(t *taken, c *chunk.Chunk, data []byte) {
	of := t.posts[c.Post()]
	if of == nil {
		of = &packed{}
		t.posts[c.Post()] = of
	}
	of.chunks = append(of.chunks, bytes.Clone(data))
	for i := range c.Blocks() {
		if damage := c.Read(i, &w.pack.block); damage != nil {
			t.events = append(t.events, w.damageEvent(c.Post(), damage.Error()))
			continue
		}
		of.n, t.n = of.n+w.pack.block.Len(), t.n+w.pack.block.Len()
	}
}

var errEnough = errors.New("enough")

// damageEvent is an event that names what cannot be read.
func (w *writer) damageEvent(post, text string) acquire.Event {
	return acquire.Event{At: w.s.o.Now().UTC(), Post: post, Kind: acquire.KindRecord, Text: text}
}

func (s *Store) nameOf(post int32) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.queue.names[post]
}
