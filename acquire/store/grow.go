package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"iter"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/store/chunk"
)

// mergePost adds so many rows of a post to its growing chunk, and seals what is full.
func (w *writer) mergePost(ctx context.Context, post int32, name string, count int, rows iter.Seq[*chunk.Row], all bool) error {
	id, grown, err := w.growingChunk(ctx, post)
	if err != nil {
		return err
	}
	if count > 0 {
		if err := w.rollUp(ctx, post, rows); err != nil {
			return err
		}
	}
	limit := w.page - cellRoom
	for n, end := 0, grown.n+count; n < end; id++ {
		var of chunk.Span
		w.pack.bytes, of = w.pack.encoder.Encode(w.pack.bytes[:0], name, end-n, behind(n, w.pack.rows(grown.data), rows), limit)
		if of.Rows == 0 {
			return fmt.Errorf("%d samples of chunk %d are read no more", end-n, id)
		}
		n += of.Rows
		state := sealed
		if n == end && !all && time.Duration(of.To-of.From) < sealAfter {
			state = growing
		}
		if err := w.putChunk(ctx, id, of, state); err != nil {
			return err
		}
	}
	return nil
}

// grown is a chunk that still grows.
type grown struct {
	data []byte
	n    int // rows
}

// rows are those that can be read of chunks. They are read one by one as they are gone
// through: a page holds 20 000, which would take some 3 MB.
func (p *packer) rows(chunks ...[]byte) iter.Seq[*chunk.Row] {
	return func(yield func(*chunk.Row) bool) {
		going := true
		for i := 0; going && i < len(chunks); i++ {
			_ = blocksBy(chunks[i], &p.chunk, &p.block, func(_ *chunk.Chunk, damage error) bool { // told before
				for i := 0; going && damage == nil && i < p.block.Len(); i++ {
					p.row = p.block.Row(i, &p.words)
					p.words = p.words[:0]
					going = yield(&p.row)
				}
				return going
			})
		}
	}
}

// behind are the rows of some and then of others, but for the first n.
func behind(n int, some, others iter.Seq[*chunk.Row]) iter.Seq[*chunk.Row] {
	return func(yield func(*chunk.Row) bool) {
		skip := n
		for _, rows := range []iter.Seq[*chunk.Row]{some, others} {
			for r := range rows {
				if skip > 0 {
					skip--
				} else if !yield(r) {
					return
				}
			}
		}
	}
}

const putChunk = `INSERT INTO chunks (id, from_seq, to_seq, samples, from_ns, to_ns, state, data) VALUES (?, ?, ?, ?, ?, ?, ?, ?)
	ON CONFLICT DO UPDATE SET from_seq = excluded.from_seq, to_seq = excluded.to_seq, samples = excluded.samples,
	from_ns = excluded.from_ns, to_ns = excluded.to_ns, state = excluded.state, data = excluded.data`

// putChunk writes w.pack.bytes, which holds these rows.
func (w *writer) putChunk(ctx context.Context, id int64, of chunk.Span, state int) error {
	if _, err := w.exec(ctx, putChunk, id, of.FromSeq, of.ToSeq, of.Rows, of.From, of.To, state, w.pack.bytes); err != nil {
		return err
	}
	if state != sealed {
		return nil
	}
	return w.enter(ctx, chainChunk, id, sha256.Sum256(w.pack.bytes))
}

// growingChunk returns the chunk of a post that still grows, and its id; that of the
// next, and no rows, where none does. One that is damaged is sealed as it is.
func (w *writer) growingChunk(ctx context.Context, post int32) (id int64, g grown, err error) {
	first, last := chunkRange(post)
	var state any // damaged, it is not one that grows
	err = w.conn.QueryRowContext(ctx, "SELECT id, state, data FROM chunks WHERE id BETWEEN ? AND ? ORDER BY id DESC LIMIT 1", first, last).Scan(&id, &state, &g.data)
	switch {
	case err == sql.ErrNoRows:
		return first, grown{}, nil
	case err != nil:
		return 0, grown{}, err
	case state != int64(growing):
		return id + 1, grown{}, nil
	}
	var sealedAs []byte
	err = w.conn.QueryRowContext(ctx, "SELECT sha256 FROM chain WHERE kind = ? AND ref = ? ORDER BY entry DESC LIMIT 1", chainChunk, id).Scan(&sealedAs)
	if err != nil && err != sql.ErrNoRows {
		return 0, grown{}, err
	}
	if sum := sha256.Sum256(g.data); bytes.Equal(sealedAs, sum[:]) { // its row is damaged
		_, err := w.exec(ctx, "UPDATE chunks SET state = ? WHERE id = ?", sealed, id)
		return id + 1, grown{}, err
	}
	var damage error
	err = blocksBy(g.data, &w.pack.chunk, &w.pack.block, func(_ *chunk.Chunk, d error) bool {
		damage = d
		g.n += w.pack.block.Len()
		return d == nil
	})
	if err = errors.Join(err, damage); err == nil {
		return id, g, nil
	}
	w.tellFirst([]acquire.Event{w.damageEvent(w.s.nameOf(post), err.Error())}) // the damage stays, and is found again
	if _, err := w.exec(ctx, "UPDATE chunks SET state = ? WHERE id = ?", sealed, id); err != nil {
		return 0, grown{}, err
	}
	return id + 1, grown{}, w.enter(ctx, chainChunk, id, sha256.Sum256(g.data))
}
