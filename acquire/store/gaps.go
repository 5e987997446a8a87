package store

import (
	"context"
	"database/sql"
	"maps"
	"slices"
	"time"

	"ovenward/acquire/store/chunk"
)

// nameGaps names what is missing behind the chunks of each post, up to the last
// sample that is known of it.
func (w *writer) nameGaps(ctx context.Context, last map[int32]mark, m *mended) error {
	all, err := fragmentsOf(ctx, w.conn, "")
	if err != nil {
		return err
	}
	for _, post := range slices.Sorted(maps.Keys(last)) {
		name := w.nameIn(ctx, post)
		first, end := chunkRange(post)
		had, _, err := lastChunk(ctx, w.conn, first, end)
		if err != nil {
			return err
		}
		gap := func(next mark) {
			if next.seq > had.seq+1 {
				from := "their begin"
				if had.at != 0 {
					from = instant(had.at).Format(time.RFC3339Nano)
				}
				m.tell(w, name, "samples %d to %d, between %s and %s, are not in what can be read of damaged pages of the record", had.seq+1, next.seq-1,
					from, instant(next.at).Format(time.RFC3339Nano))
			}
		}
		for _, f := range all {
			for rest := f.samples; len(rest) > 0; {
				var c chunk.Chunk
				if c.Open(rest) != nil {
					break
				}
				if s := c.Span(); c.Post() == name && s.ToSeq > had.seq {
					gap(mark{s.FromSeq, s.From})
					had = mark{s.ToSeq, s.To}
				}
				rest = rest[min(c.Size(), len(rest)):]
			}
		}
		gap(mark{last[post].seq + 1, last[post].at})
	}
	return nil
}

// committed is what a fragment holds of samples, or why that cannot be read.
type committed struct {
	samples []byte
	bad     error
}

// fragmentsOf reads the fragments in their order, of a post's samples alone where it is named: there
// may be many posts. Where a page of them cannot be read it returns those before and behind it, and the error.
func fragmentsOf(ctx context.Context, q querier, post string) (all []committed, err error) {
	seen := int64(0)
	read := func(order string, to *[]committed) error {
		return each(ctx, q, "SELECT id, data FROM fragments WHERE id > ? ORDER BY id "+order, func(scan func(...any) error) error {
			var id int64
			var b sql.RawBytes
			if err := scan(&id, &b); err != nil {
				return err
			}
			if id <= seen {
				return errDisorder
			}
			f, _, err := readFragment(b)
			if *to = append(*to, committed{samplesOf(post, f.samples), err}); order == "" {
				seen = id
			}
			return nil
		}, seen)
	}
	if err = read("", &all); err == nil || !corrupt(err) {
		return all, err
	}
	var behind []committed
	_ = read("DESC", &behind) // it ends at the same page
	for i := len(behind) - 1; i >= 0; i-- {
		all = append(all, behind[i])
	}
	return all, err
}

// samplesOf returns the chunks of a post among those of a fragment, of all where none is named, and
// what cannot be told apart.
func samplesOf(post string, chunks []byte) (own []byte) {
	for post != "" && len(chunks) > 0 {
		of, size := chunk.PostOf(chunks)
		if size == 0 {
			break
		}
		if string(of) == post {
			own = append(own, chunks[:size]...)
		}
		chunks = chunks[size:]
	}
	return append(own, chunks...)
}
