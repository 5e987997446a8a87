package store

import (
	"context"
	"database/sql"
	"fmt"
	"math"

	"ovenward/acquire/store/chunk"
)

// packer turns samples into fragments and chunks. Only the writer uses it.
type packer struct {
	encoder  chunk.Encoder
	bytes    []byte
	fragment []byte
	chunk    chunk.Chunk // that is read
	block    chunk.Block
	row      chunk.Row // of the chunk that grows, and its words
	words    []byte
}

// letGo lets go of what a merge took, 1 MB and more for a full page, until the next one:
// half a minute is long, and whoever watches one probe has few MB.
func (p *packer) letGo() {
	p.encoder.LetGo()
	p.chunk, p.block, p.row, p.words = chunk.Chunk{}, chunk.Block{}, chunk.Row{}, nil
}

// writeFragments puts the fragments of b into the open transaction.
func (w *writer) writeFragments(ctx context.Context, b *batch) error {
	if b.late > 0 {
		w.s.o.Log.Error("the record refuses samples: their numbers are not above those that are recorded", "samples", b.late)
	}
	rest, err := w.otherOf(b)
	if err != nil {
		return err
	}
	limit := w.page - cellRoom - fragmentHead - fragmentTail
	p := &w.pack
	var parts [][]byte // of chunks
	p.bytes, b.samples, b.last = p.bytes[:0], 0, map[int32]mark{}
	from, room := 0, limit-len(rest)
	for _, one := range b.blocks {
		at := len(p.bytes)
		p.bytes = one.AppendTo(p.bytes, one.pen.name)
		if len(p.bytes)-from > room && (at > from || len(parts) == 0 && len(rest) > 0) {
			parts = append(parts, p.bytes[from:at:at])
			from, room = at, limit
		}
		span := one.Span()
		b.samples += span.Rows
		b.last[one.pen.post] = mark{span.ToSeq, span.To}
	}
	parts = append(parts, p.bytes[from:])
	link := w.link
	for i, samples := range parts {
		f := fragment{commit: b.no, part: i, parts: len(parts), at: nanos(b.at), nextEvent: b.nextEvent, samples: samples}
		if i == 0 {
			f.other = rest
		}
		p.fragment = f.append(p.fragment[:0], link)
		link = f.link
		if _, err := w.exec(ctx, insertFragment, b.no*partsOfCommit+int64(i), p.fragment); err != nil {
			return err
		}
	}
	b.link = link
	return nil
}

// cellRoom is what SQLite and the columns beside data need of a page: the page's
// head and what a leaf keeps free (35, sqlite.org/fileformat2.html), the cell's
// sizes and the row's head.
const cellRoom = 35 + 64

// lastChunk returns the last sample of the last chunk with an id from first to last.
func lastChunk(ctx context.Context, q querier, first, last int64) (m mark, found bool, err error) {
	var id int64
	var toSeq, to any
	var data []byte
	err = q.QueryRowContext(ctx, "SELECT id, to_seq, to_ns, data FROM chunks WHERE id BETWEEN ? AND ? ORDER BY id DESC LIMIT 1", first, last).Scan(&id, &toSeq, &to, &data)
	switch {
	case err == sql.ErrNoRows:
		return m, false, nil
	case err == nil && (id < first || id > last):
		err = errDisorder
	}
	m.seq, _ = toSeq.(int64)
	m.at, _ = to.(int64)
	var c chunk.Chunk // what stands beside it is not checked
	for said := (mark{math.MinInt64, math.MinInt64}); len(data) > 0 && c.Open(data) == nil; data = data[min(c.Size(), len(data)):] {
		said = mark{max(said.seq, c.Span().ToSeq), max(said.at, c.Span().To)}
		m = said
	}
	return m, err == nil, err
}

// loadLast reads how far each post is recorded, and the link of the last
// fragment.
func (s *Store) loadLast(ctx context.Context, c *sql.Conn) error {
	q := &s.queue
	for post := range q.names {
		first, last := chunkRange(post)
		m, found, err := lastChunk(ctx, c, first, last)
		if err != nil {
			return fmt.Errorf("read how far post %s is recorded: %w", q.names[post], err)
		}
		if found {
			q.last[post] = m
		}
	}
	ids := map[string]int32{}
	for post, id := range q.names {
		ids[id] = post
	}
	var link []byte
	if err := c.QueryRowContext(ctx, "SELECT link FROM record").Scan(&link); err != nil {
		return fmt.Errorf("read the record's link: %w", err)
	}
	copy(s.state.link[:], link)
	reaches := func(c *chunk.Chunk) { s.reaches(ids[c.Post()], c.Span()) }
	last := int64(0)
	err := each(ctx, c, "SELECT id, data FROM fragments ORDER BY id", func(scan func(...any) error) error {
		var b sql.RawBytes
		before := last
		if err := scan(&last, &b); err != nil {
			return err
		}
		if last <= before {
			return errDisorder
		}
		f, _, err := readFragment(b)
		if err != nil { // told when it is merged
			s.state.commits = max(s.state.commits, last/partsOfCommit)
			chunksLeft(b, func(c *chunk.Chunk, _ []byte) { reaches(c) })
			return nil
		}
		s.state.link = f.link
		s.state.commits, s.state.at = max(s.state.commits, f.commit), instant(f.at)
		q.nextEvent = max(q.nextEvent, f.nextEvent)
		for rest := f.samples; len(rest) > 0; {
			var c chunk.Chunk
			if c.Open(rest) != nil {
				break
			}
			reaches(&c)
			rest = rest[min(c.Size(), len(rest)):]
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("read the newest commits: %w", err)
	}
	return nil
}

// reaches takes note of samples of a post that are not merged yet.
func (s *Store) reaches(post int32, m chunk.Span) {
	if m.ToSeq > s.queue.last[post].seq {
		s.queue.last[post] = mark{m.ToSeq, m.To}
	}
	s.state.fragmentRows += m.Rows
}
