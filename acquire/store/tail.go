package store

import (
	"ovenward/acquire"
	"ovenward/drivers"
)

// The tail keeps samples that are not committed yet in blocks that are used
// again, so that in steady state a sample costs no allocation.
const (
	blockRows = 1024
	blockSaid = 32 << 10
	rowBytes  = 104   // of one row, rounded up
	batchRows = 16384 // in one transaction, so that alarms never wait long for one
	keepFree  = 2 * batchRows / blockRows
)

// row is a sample as it goes into the table samples.
type row struct {
	seq, at, atU        int64
	digits              int64
	version, correction int64
	said                []byte // part of the block's, and behind it, in its last extra bytes, the column more
	extra               int32
	post, unit          int32
	exp                 int8
	hasValue            bool
	status              drivers.Status
	quality             acquire.Quality
}

type block struct {
	rows   [blockRows]row
	n      int // rows filled
	done   int // rows committed
	said   []byte
	flying bool // the writer reads rows before a cut: nothing may be taken away
}

func (b *block) bytes() int { return blockRows*rowBytes + cap(b.said) }

// cut is a part of a block that goes into one transaction.
type cut struct {
	block *block
	rows  []row
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

// split parts what was said from the column more.
func (r *row) split() (said, more []byte) {
	at := len(r.said) - int(r.extra)
	return r.said[:at], r.said[at:]
}

// add keeps r and a copy of said. When the tail is full the oldest block goes,
// and lose is told of each of its rows.
func (t *tail) add(r row, said []byte, lose func(row)) {
	for t.rows >= t.maxRows && t.drop(lose) {
	}
	b := t.last()
	if b == nil || b.n == blockRows || cap(b.said)-len(b.said) < len(said) {
		b = t.grow(len(said), lose)
	}
	from := len(b.said)
	b.said = append(b.said, said...)
	r.said = b.said[from:len(b.said):len(b.said)]
	b.rows[b.n] = r
	b.n++
	t.rows++
}

func (t *tail) last() *block {
	if len(t.blocks) == 0 {
		return nil
	}
	return t.blocks[len(t.blocks)-1]
}

func (t *tail) grow(said int, lose func(row)) *block {
	for t.bytes >= t.maxBytes && t.drop(lose) {
	}
	var b *block
	if n := len(t.free); n > 0 && said <= blockSaid {
		b, t.free = t.free[n-1], t.free[:n-1]
	} else {
		b = &block{said: make([]byte, 0, max(said, blockSaid))}
	}
	t.blocks = append(t.blocks, b)
	t.bytes += b.bytes()
	return b
}

// drop takes the oldest block away that the writer does not read.
func (t *tail) drop(lose func(row)) bool {
	for i, b := range t.blocks {
		if b.flying {
			continue
		}
		for _, r := range b.rows[b.done:b.n] {
			lose(r)
		}
		t.rows -= b.n - b.done
		t.remove(i)
		return true
	}
	return false
}

// remove takes the block at i out, and keeps it for use again.
func (t *tail) remove(i int) {
	b := t.blocks[i]
	t.bytes -= b.bytes()
	copy(t.blocks[i:], t.blocks[i+1:])
	t.blocks[len(t.blocks)-1] = nil
	t.blocks = t.blocks[:len(t.blocks)-1]
	if cap(b.said) == blockSaid && len(t.free) < keepFree {
		b.n, b.done, b.said, b.flying = 0, 0, b.said[:0], false
		t.free = append(t.free, b)
	}
}

// take appends to dst what the next transaction should hold, at most batchRows,
// and says whether that is all. The rows stay until commit or restore.
func (t *tail) take(dst []cut) (cuts []cut, all bool) {
	n := 0
	for _, b := range t.blocks {
		rows := b.rows[b.done:b.n]
		if len(rows) == 0 {
			continue
		}
		if n+len(rows) > batchRows {
			return dst, false
		}
		n += len(rows)
		b.flying = true
		dst = append(dst, cut{b, rows})
	}
	return dst, true
}

// commit frees the rows of cuts.
func (t *tail) commit(cuts []cut) {
	for _, c := range cuts {
		c.block.flying = false
		c.block.done += len(c.rows)
		t.rows -= len(c.rows)
	}
	for len(t.blocks) > 0 && t.blocks[0].done == t.blocks[0].n {
		t.remove(0)
	}
}

// restore leaves the rows of cuts where they are, for another transaction.
func (t *tail) restore(cuts []cut) {
	for _, c := range cuts {
		c.block.flying = false
	}
}
