package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"iter"
	"math"
	"time"

	"ovenward/acquire/store/chunk"
)

// span is a block of rows, of which those from first to before end are meant.
type span struct {
	*chunk.Block
	first, end int
}

// walk is a way through the chunks of a post, and then the fragments.
type walk struct {
	r        *Reader
	post     int32
	name     string
	from, to int64 // ns, half open
	least    int64 // number of the first row that is meant
	id       int64 // of the last chunk, or of the first to look at
	visited  bool  // it was looked at
	seq, at  int64 // the last row that was passed
	claimed  int64 // the last row of the last chunk, as that says which stands beside it; it is not checked
	chunk    chunk.Chunk
	block    chunk.Block
	yield    func(span, error) bool
}

// blocks reads the same as Samples, a block at a time. A block is valid until the
// next one.
func (r *Reader) blocks(ctx context.Context, postID string, from, to time.Time) iter.Seq2[span, error] {
	w := &walk{r: r, name: postID, from: math.MinInt64, to: math.MaxInt64, least: math.MinInt64}
	if !from.IsZero() {
		w.from = nanos(from)
	}
	if !to.IsZero() {
		w.to = nanos(to)
	}
	return w.all(ctx)
}

// blocksFrom reads the same as SamplesFrom, a block at a time.
func (r *Reader) blocksFrom(ctx context.Context, postID string, seq int64) iter.Seq2[span, error] {
	w := &walk{r: r, name: postID, from: math.MinInt64, to: math.MaxInt64, least: seq}
	return w.all(ctx)
}

// all goes the way.
func (w *walk) all(ctx context.Context) iter.Seq2[span, error] {
	return func(yield func(span, error) bool) {
		var err error
		if w.post, err = w.r.post(ctx, w.name); err != nil {
			if !errors.Is(err, errNoPost) || w.least == math.MinInt64 {
				yield(span{}, err)
			}
			return
		}
		w.seq, w.yield = math.MinInt64, yield
		switch w.id, _ = chunkRange(w.post); {
		case w.from != math.MinInt64:
			w.id = w.r.chunkBefore(ctx, w.post, "from_ns", w.from)
		case w.least != math.MinInt64:
			w.id = w.r.chunkBefore(ctx, w.post, "from_seq", w.least)
		}
		for more := true; more && err == nil; {
			more, err = w.step(ctx)
		}
		if err != nil {
			yield(span{}, err)
		}
	}
}

// chunkBefore returns the id of the last chunk whose first row, by the column
// from_ns or from_seq, is before mark, or of the first chunk. Neither stamps nor
// numbers ever fall, so it halves the range; no index is needed.
func (r *Reader) chunkBefore(ctx context.Context, post int32, column string, mark int64) int64 {
	first, last := chunkRange(post)
	var lo, hi sql.NullInt64
	err := r.db.QueryRowContext(ctx, "SELECT (SELECT min(id) FROM chunks WHERE id BETWEEN ?1 AND ?2), (SELECT max(id) FROM chunks WHERE id BETWEEN ?1 AND ?2)", first, last).Scan(&lo, &hi)
	if err != nil || !lo.Valid {
		return first // the walk meets the error, if it lasts
	}
	for lo.Int64 < hi.Int64 {
		middle := lo.Int64 + (hi.Int64-lo.Int64+1)/2
		var from int64
		if r.db.QueryRowContext(ctx, "SELECT "+column+" FROM chunks WHERE id = ?", middle).Scan(&from) != nil {
			return lo.Int64
		}
		if from < mark {
			lo.Int64 = middle
		} else {
			hi.Int64 = middle - 1
		}
	}
	return lo.Int64
}

// piece is what one step reads.
type piece struct {
	id        int64
	fromSeq   int64
	fromAt    int64
	toSeq     int64
	state     int64
	data      []byte
	fragments []committed // when there is no further chunk
	unread    error       // why not all of them are here
}

// step passes the next chunk, or the fragments, and says whether there may be
// more.
func (w *walk) step(ctx context.Context) (more bool, err error) {
	p, err := w.next(ctx)
	switch {
	case err != nil && ctx.Err() == nil && corrupt(err):
		return w.skip(ctx, err)
	case err != nil:
		return false, err
	}
	if p.id == 0 {
		if endHidden(ctx, w.r.db, w.post) && !w.damaged("the last chunks are missing", 0, 0) {
			return false, nil
		}
		w.newest(p.fragments, p.unread)
		return false, nil
	}
	first, _ := chunkRange(w.post)
	if !w.visited && w.seq == math.MinInt64 && p.id > first && w.astray(ctx, first, &p) {
		w.id = first - 1 // an index lies; the long way finds all
		w.visited = true
		return true, nil
	}
	if (w.visited && p.id > w.id+1 || !w.visited && p.id > w.id) && !w.damaged("chunks are missing", p.fromSeq, p.fromAt) {
		return false, nil
	}
	w.id, w.visited = p.id, true
	if p.state == asideState && !w.damaged("its page is set aside", p.toSeq, p.fromAt) {
		return false, nil
	}
	w.claimed = p.toSeq
	return p.data == nil || w.chunks(p.data), nil
}

// astray says whether a chunk that the way should begin with begins too late.
func (w *walk) astray(ctx context.Context, first int64, p *piece) bool {
	var c chunk.Chunk
	if p.data != nil {
		return c.Open(p.data) == nil && c.Span().From >= w.from && c.Span().FromSeq >= w.least
	}
	var before []byte // of one that was removed only the row is left, which is not checked
	err := w.r.db.QueryRowContext(ctx, "SELECT data FROM chunks WHERE id BETWEEN ? AND ? AND data IS NOT NULL ORDER BY id DESC LIMIT 1", first, p.id-1).Scan(&before)
	return err == nil && c.Open(before) == nil && c.Span().To >= w.from && c.Span().ToSeq >= w.least
}

// newest passes the fragments, and tells when some cannot be read.
func (w *walk) newest(all []committed, unread error) {
	if unread == nil || w.damaged("commits: "+unread.Error(), 0, 0) {
		w.commits(all)
	}
}

// commits passes the fragments.
func (w *walk) commits(all []committed) {
	for _, f := range all {
		if f.bad != nil && !w.damaged(fmt.Sprintf("a commit: %v", f.bad), 0, 0) || f.bad == nil && !w.chunks(f.samples) {
			return
		}
	}
}

// next reads the next chunk with a row that was not passed; where there is none,
// the fragments, as of the same instant.
func (w *walk) next(ctx context.Context) (p piece, err error) {
	_, last := chunkRange(w.post)
	read := func(q querier) error {
		err := loosely(q.QueryRowContext(ctx, "SELECT id, from_seq, from_ns, to_seq, state, data FROM chunks WHERE id BETWEEN ? AND ? AND (id > ?1 OR ?3 OR to_seq > ?4 AND typeof(to_seq) = 'integer') ORDER BY id LIMIT 1",
			w.id, last, !w.visited, w.claimed).Scan, &p.id, &p.fromSeq, &p.fromAt, &p.toSeq, &p.state, &p.data)
		if err == sql.ErrNoRows {
			return nil
		}
		if errors.Is(err, ErrLost) { // what its bytes say counts
			err = nil
		}
		if err == nil && p.id < w.id {
			return errDisorder
		}
		return err
	}
	if err := read(w.r.db); err != nil || p.id != 0 {
		return p, err
	}
	tx, err := w.r.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return p, err
	}
	defer tx.Rollback()
	if err := read(tx); err != nil || p.id != 0 {
		return p, err
	}
	if p.fragments, err = fragmentsOf(ctx, tx, w.name); err != nil && corrupt(err) {
		p.unread, err = err, nil
	}
	return p, err
}

// skip goes on behind a chunk that SQLite cannot read.
func (w *walk) skip(ctx context.Context, cause error) (more bool, err error) {
	_, last := chunkRange(w.post)
	for id := w.id + 1; id < min(w.id+1000, last); id++ {
		var at, seq int64
		if w.r.db.QueryRowContext(ctx, "SELECT from_ns, from_seq FROM chunks WHERE id = ?", id).Scan(&at, &seq) != nil {
			continue
		}
		if !w.damaged(cause.Error(), seq, at) {
			return false, nil
		}
		w.id, w.seq, w.visited = id, max(w.seq, math.MinInt64+1), false
		return true, nil
	}
	// It was the last one; what was committed since stands elsewhere.
	if !w.damaged("all chunks from here on: "+cause.Error(), 0, 0) {
		return false, nil
	}
	rest, err := fragmentsOf(ctx, w.r.db, w.name)
	if err != nil && !corrupt(err) {
		return false, err
	}
	w.newest(rest, err)
	return false, nil
}

// damaged tells a stretch from the last row up to a row, 0 where that is not
// known. It says whether to go on.
func (w *walk) damaged(why string, seq, at int64) bool {
	d := &Damage{Post: w.name, Why: why, From: instant(w.at), FromSeq: max(w.seq, 0), To: instant(at), ToSeq: seq}
	switch {
	case at == 0:
		d.To, d.ToSeq = d.From, d.FromSeq
	case w.claimed < seq: // it may be damaged, and else is nearer: of what was removed no row was passed
		d.FromSeq = max(d.FromSeq, w.claimed)
	}
	return w.yield(span{}, d)
}

// chunks passes the blocks of chunks that lie one behind the other, and says
// whether to go on.
func (w *walk) chunks(b []byte) bool {
	for len(b) > 0 {
		c := &w.chunk // which keeps its memory
		if err := c.Open(b); err != nil {
			return w.damaged(err.Error(), 0, 0)
		}
		size := c.Size()
		if c.Post() == w.name {
			for i := range c.Blocks() {
				if !w.pass(c, i) {
					return false
				}
			}
		}
		b = b[min(size, len(b)):]
	}
	return true
}

// pass yields the rows of a block that are meant and were not passed.
func (w *walk) pass(c *chunk.Chunk, i int) bool {
	s := c.BlockSpan(i)
	if s.From >= w.to {
		return false
	}
	if s.To < w.from || s.ToSeq <= w.seq || s.ToSeq < w.least {
		return true
	}
	if err := c.Read(i, &w.block); err != nil {
		return w.yield(span{}, damageOf(err))
	}
	b := &w.block
	first, end := 0, b.Len()
	for first < end && (b.Seq[first] <= w.seq || b.Seq[first] < w.least || b.At[first] < w.from) {
		first++
	}
	for end > first && b.At[end-1] >= w.to {
		end--
	}
	if n := b.Len(); n > 0 {
		w.seq, w.at = max(w.seq, b.Seq[n-1]), b.At[n-1]
	}
	return first == end || w.yield(span{b, first, end}, nil)
}
