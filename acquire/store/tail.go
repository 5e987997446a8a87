package store

import (
	"time"

	"ovenward/acquire"
	"ovenward/acquire/store/chunk"
	"ovenward/drivers"
)

// The tail keeps samples that are not committed yet, packed as they came, in
// blocks that are used again: in steady state a sample costs no allocation, and a
// commit only has to write the blocks.
const (
	batchRows = 16384 // in one transaction, so that alarms never wait long for one
	keepFree  = 128   // blocks
	blockSize = 1024  // bytes of memory, about, of a block without its rows
)

// block is samples of one post.
type block struct {
	chunk.Brief
	pen    *pen
	flying bool // the writer reads it: nothing may be added or taken away
}

func (b *block) bytes() int { return blockSize + b.Bytes() }

// pen writes the samples of one post into blocks.
type pen struct {
	post   int32
	name   string
	open   *block // the newest of the post's, while more may go into it
	habit  chunk.Habit
	coarse chunk.Quantiser
	last   int64     // number of the newest sample
	row    chunk.Row // to be added
}

// tail holds blocks, the oldest first. Its owner's lock guards it.
type tail struct {
	blocks   []*block
	free     []*block
	rows     int
	bytes    int
	maxRows  int
	maxBytes int
}

// like says whether a sample is of the kind of p.row.
func (p *pen) like(x *drivers.Reading, q acquire.Quality) bool {
	r := &p.row
	return x.HasValue && x.Value.Exp == r.Exp && uint8(x.Status) == r.Status && uint8(q) == r.Quality &&
		!x.HasAxes && !x.HasTemp && x.BatteryUnit == "" && x.Unit == r.Unit
}

// add keeps p.row. When the tail is full the oldest block goes, and lose is told
// of its samples.
func (t *tail) add(p *pen, lose func(*block)) {
	for t.rows >= t.maxRows && t.drop(lose) {
	}
	b := p.open
	if b != nil {
		before := b.Bytes()
		if b.Add(&p.row, &p.habit) {
			t.bytes += b.Bytes() - before
			t.rows++
			return
		}
	}
	for t.bytes >= t.maxBytes && t.drop(lose) {
	}
	b = t.empty()
	b.pen, p.open = p, b
	b.Add(&p.row, &p.habit) // an empty one refuses none
	t.blocks = append(t.blocks, b)
	t.bytes += b.bytes()
	t.rows++
}

// empty returns a block without rows.
func (t *tail) empty() *block {
	n := len(t.free)
	if n == 0 {
		return &block{}
	}
	b := t.free[n-1]
	t.free = t.free[:n-1]
	return b
}

// drop takes the oldest block away that the writer does not read.
func (t *tail) drop(lose func(*block)) bool {
	for i, b := range t.blocks {
		if b.flying {
			continue
		}
		lose(b)
		copy(t.blocks[i:], t.blocks[i+1:])
		t.blocks[len(t.blocks)-1] = nil
		t.blocks = t.blocks[:len(t.blocks)-1]
		t.remove(b)
		return true
	}
	return false
}

// remove keeps a block that was taken out for use again.
func (t *tail) remove(b *block) {
	t.rows -= b.Len()
	t.bytes -= b.bytes()
	if b.pen.open == b {
		b.pen.open = nil
	}
	if len(t.free) < keepFree {
		b.Reset()
		b.pen, b.flying = nil, false
		t.free = append(t.free, b)
	}
}

// take appends to dst what the next transaction should hold, at most batchRows,
// and says whether that is all. The blocks stay until commit or restore, and
// nothing is added to them.
func (t *tail) take(dst []*block) (blocks []*block, all bool) {
	n := 0
	for _, b := range t.blocks {
		if n += b.Len(); n > batchRows {
			return dst, false
		}
		b.flying = true
		if b.pen.open == b {
			b.pen.open = nil
		}
		dst = append(dst, b)
	}
	return dst, true
}

// commit frees what take returned: the oldest blocks.
func (t *tail) commit(taken []*block) {
	for _, b := range taken {
		t.remove(b)
	}
	n := copy(t.blocks, t.blocks[len(taken):])
	clear(t.blocks[n:])
	t.blocks = t.blocks[:n]
}

// restore leaves blocks where they are, for another transaction. The newest of a
// post is added to again.
func (t *tail) restore(taken []*block) {
	for i := len(taken) - 1; i >= 0; i-- {
		b := taken[i]
		b.flying = false
		if b.pen.open == nil {
			b.pen.open = b
		}
	}
}

// pen returns where the samples of a post go.
func (q *queue) pen(post int32) *pen {
	p := q.pens[post]
	if p == nil {
		p = &pen{post: post, name: q.names[post], last: q.last[post].seq}
		q.pens[post] = p
	}
	return p
}

// asked notes how often a post is asked, and so how finely instants are kept.
func (q *queue) asked(post int32, period time.Duration) {
	q.pen(post).coarse.Resolution = chunk.Resolution(period)
}
