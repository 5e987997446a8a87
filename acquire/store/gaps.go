package store

import (
	"context"
	"maps"
	"slices"
	"time"

	"ovenward/acquire/store/chunk"
)

// nameGaps names what is missing behind the chunks of each post, up to the last
// sample that is known of it.
func (w *writer) nameGaps(ctx context.Context, last map[int32]mark, m *mended) error {
	all, err := fragmentsOf(ctx, w.conn)
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
		for _, b := range all {
			f, _, err := readFragment(b)
			if err != nil {
				continue
			}
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

// fragmentsOf reads the fragments in their order. Where a page of them cannot be
// read it returns those before and behind it, and the error.
func fragmentsOf(ctx context.Context, q querier) (all [][]byte, err error) {
	seen := int64(0)
	read := func(order string, to *[][]byte) error {
		return each(ctx, q, "SELECT id, data FROM fragments WHERE id > ? ORDER BY id "+order, func(scan func(...any) error) error {
			var id int64
			var b []byte
			if err := scan(&id, &b); err != nil {
				return err
			}
			if id <= seen {
				return errDisorder
			}
			if *to = append(*to, b); order == "" {
				seen = id
			}
			return nil
		}, seen)
	}
	if err = read("", &all); err == nil || !corrupt(err) {
		return all, err
	}
	var behind [][]byte
	_ = read("DESC", &behind) // it ends at the same page
	for i := len(behind) - 1; i >= 0; i-- {
		all = append(all, behind[i])
	}
	return all, err
}
