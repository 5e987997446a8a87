package chunk

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
)

// A chunk is
//
//	magic 4, form 1, size of it all 4, size of the body 4, body, CRC-32C 4
//	blocks, each with its CRC-32C in its last 4 bytes
//	body, CRC-32C 4, size of the body 4, size of it all 4, form 1, magic 4
//
// with sizes in bytes, low byte first. The last line is absent when form lacks
// bit 7. The CRC of the body covers form and sizes; that of a block covers the
// CRC of the body and the block's place too.
const (
	magicHead = "\xCBow\x96"
	magicTail = "\x96wo\xCB"
	fixed     = 13
	crcBytes  = 4
	formPlain = 1
	formDense = 2
	formBrief = 3
	formTwo   = 0x80 // heads
	maxSize   = 1 << 28
)

// entry is a block in the head.
type entry struct {
	span Span
	size int // with its CRC
	off  int // from the chunk's first byte
}

// Chunk is an opened chunk: its head is right, its blocks are not yet checked.
type Chunk struct {
	post  string
	form  byte
	size  int
	crc   uint32
	span  Span
	index []entry
	kinds []Kind
	res   uint8
	model *model // of a dense one

	templates []template // of a brief one

	b    []byte
	base int // of the chunk's first byte in b; below 0 when b lacks its begin
}

func table() *crc32.Table { return crc32.MakeTable(crc32.Castagnoli) }

func headCRC(form byte, size, bodySize uint32, body []byte) uint32 {
	var f [9]byte
	f[0] = form
	binary.LittleEndian.PutUint32(f[1:], size)
	binary.LittleEndian.PutUint32(f[5:], bodySize)
	return crc32.Update(crc32.Update(0, table(), f[:]), table(), body)
}

func blockCRC(head uint32, place int, payload []byte) uint32 {
	var f [8]byte
	binary.LittleEndian.PutUint32(f[:], head)
	binary.LittleEndian.PutUint32(f[4:], uint32(place))
	return crc32.Update(crc32.Update(0, table(), f[:]), table(), payload)
}

// appendBody appends the body: the post, the resolution of the index, of each
// block its size, its rows, its first number and instant, each against what the
// block before lets expect, the last number and instant, and the kinds; of dense
// chunks also what their blocks share.
func (e *Encoder) appendBody(b []byte, post string, form byte) []byte {
	b = appendText(b, post)
	res := uint8(0)
	if form&^formTwo == formDense {
		res = e.dense.res
	}
	ns := resolutions()[res]
	b = appendUint(append(b, res), uint64(len(e.index)))
	x := expected{}
	for i := range e.index {
		b = x.append(b, &e.index[i], ns)
	}
	if n := len(e.index); n > 0 {
		last := &e.index[n-1].span
		b = appendInt(appendInt(b, last.ToSeq-x.seq), last.To/ns-x.at)
	}
	b = appendKinds(b, e.kinds)
	if form&^formTwo == formDense {
		b = e.dense.appendModel(b)
	}
	return b
}

// expected is what a block lets expect of the next.
type expected struct {
	size, rows int
	seq, at    int64 // at in steps of the resolution
	lastAt     int64
	begun      bool
}

// append writes e against what was expected, instants in steps of ns.
func (x *expected) append(b []byte, e *entry, ns int64) []byte {
	b = appendInt(b, int64(e.size-x.size))
	b = appendInt(b, int64(e.span.Rows-x.rows))
	b = appendInt(b, e.span.FromSeq-x.seq)
	b = appendInt(b, e.span.From/ns-x.at)
	x.after(e, e.span.From/ns)
	return b
}

func (x *expected) after(e *entry, at int64) {
	step := at - x.lastAt
	if !x.begun {
		step = 0
	}
	*x = expected{size: e.size, rows: e.span.Rows, seq: e.span.FromSeq + int64(e.span.Rows), at: at + step, lastAt: at, begun: true}
}

func appendKinds(b []byte, kinds []Kind) []byte {
	b = appendUint(b, uint64(len(kinds)))
	for i := range kinds {
		k := &kinds[i]
		has := byte(0)
		if k.HasValue {
			has = 1
		}
		b = append(b, has, byte(k.Exp), k.Status, k.Quality)
		b = appendInt(appendInt(appendInt(b, k.AtU), k.Version), k.Correction)
		b = appendText(b, k.Unit)
	}
	return b
}

func (e *Encoder) assemble(dst []byte, post string, form byte) []byte {
	if len(e.index) == 0 {
		return dst
	}
	e.body = e.appendBody(e.body[:0], post, form)
	heads := 1
	if form&formTwo != 0 {
		heads = 2
	}
	size := uint32(heads*(fixed+crcBytes+len(e.body)) + len(e.payload))
	bodySize := uint32(len(e.body))
	crc := headCRC(form, size, bodySize, e.body)
	off := 0
	for i := range e.index {
		b := e.payload[off : off+e.index[i].size]
		data := b[:len(b)-crcBytes]
		binary.LittleEndian.PutUint32(b[len(data):], blockCRC(crc, i, data))
		off += len(b)
	}
	le := binary.LittleEndian
	dst = append(append(dst, magicHead...), form)
	dst = le.AppendUint32(le.AppendUint32(dst, size), bodySize)
	dst = le.AppendUint32(append(dst, e.body...), crc)
	dst = append(dst, e.payload...)
	if heads == 2 {
		dst = le.AppendUint32(append(dst, e.body...), crc)
		dst = le.AppendUint32(le.AppendUint32(dst, bodySize), size)
		dst = append(append(dst, form), magicTail...)
	}
	return dst
}

var (
	errNoChunk = errors.New("no chunk of samples begins or ends here")
	errNewer   = errors.New("a newer program wrote this chunk of samples: read it with that")
)

// Open opens the chunk that b is. Where the head is damaged it takes the second
// one. c keeps b, and may be opened again.
func (c *Chunk) Open(b []byte) error {
	err := c.openHead(b, 0)
	if err == nil {
		return nil
	}
	if c.openTail(b, len(b)) == nil && c.base == 0 {
		return nil
	}
	*c = Chunk{}
	return fmt.Errorf("open a chunk of samples of %d bytes: %w", len(b), err)
}

// openHead opens the chunk whose first byte is at in b.
func (c *Chunk) openHead(b []byte, at int) error {
	h := b[at:]
	if len(h) < fixed || string(h[:4]) != magicHead {
		return errNoChunk
	}
	form, size, bodySize := h[4], binary.LittleEndian.Uint32(h[5:]), binary.LittleEndian.Uint32(h[9:])
	if size > maxSize || bodySize > size || int(bodySize) > len(h)-fixed-crcBytes {
		return errNoChunk
	}
	return c.read(b, at, form, size, h[fixed:fixed+int(bodySize)+crcBytes])
}

// openTail opens the chunk whose last byte is before end in b.
func (c *Chunk) openTail(b []byte, end int) error {
	h := b[:end]
	if len(h) < fixed || string(h[end-4:]) != magicTail {
		return errNoChunk
	}
	form, size, bodySize := h[end-5], binary.LittleEndian.Uint32(h[end-9:]), binary.LittleEndian.Uint32(h[end-13:])
	if size > maxSize || bodySize > size || int(bodySize) > len(h)-fixed-crcBytes {
		return errNoChunk
	}
	return c.read(b, end-int(size), form, size, h[end-fixed-crcBytes-int(bodySize):end-fixed])
}

// read reads the head; body has its CRC behind it.
func (c *Chunk) read(b []byte, base int, form byte, size uint32, body []byte) error {
	body, sum := body[:len(body)-crcBytes], binary.LittleEndian.Uint32(body[len(body)-crcBytes:])
	if headCRC(form, size, uint32(len(body)), body) != sum {
		return errNoChunk
	}
	if f := form &^ formTwo; f != formPlain && f != formDense && f != formBrief {
		return errNewer
	}
	*c = Chunk{b: b, base: base, form: form, size: int(size), crc: sum, index: c.index[:0], kinds: c.kinds[:0], model: c.model, templates: c.templates}
	if form&^formTwo == formDense && c.model == nil {
		c.model = &model{}
	}
	s := source{b: body}
	c.post = string(s.bytes())
	heads := 1
	if form&formTwo != 0 {
		heads = 2
	}
	end := int(size) - (heads-1)*(fixed+crcBytes+len(body))
	if !c.readIndex(&s, fixed+len(body)+crcBytes, end) || !c.readKinds(&s) ||
		form&^formTwo == formDense && !c.model.open(&s, c) || form&^formTwo == formBrief && !c.readTemplates(&s) || len(s.b) != 0 {
		return errShort
	}
	return nil
}

func (c *Chunk) readIndex(s *source, off, end int) bool {
	all := resolutions()
	c.res = uint8(s.count(len(all) - 1))
	ns := all[c.res]
	n := s.count(len(s.b))
	var x expected
	for range n {
		size, rows := int64(x.size)+s.int(), int64(x.rows)+s.int()
		if s.bad || size < crcBytes || size > int64(end-off) || rows < 1 || rows > blockRows {
			return false
		}
		e := entry{size: int(size), off: off}
		e.span.Rows, e.span.FromSeq = int(rows), x.seq+s.int()
		at := x.at + s.int()
		e.span.From = at * ns
		x.after(&e, at)
		off += e.size
		if i := len(c.index); i > 0 {
			c.index[i-1].span.ToSeq, c.index[i-1].span.To = e.span.FromSeq-1, e.span.From
		}
		c.index = append(c.index, e)
		c.span.Rows += e.span.Rows
	}
	if n == 0 || off != end {
		return false
	}
	last := &c.index[n-1].span
	last.ToSeq, last.To = x.seq+s.int(), (x.at+s.int())*ns
	c.span.FromSeq, c.span.From = c.index[0].span.FromSeq, c.index[0].span.From
	c.span.ToSeq, c.span.To = last.ToSeq, last.To
	return !s.bad
}

func (c *Chunk) readKinds(s *source) bool {
	for range s.count(MaxKinds) {
		var k Kind
		k.HasValue, k.Exp, k.Status, k.Quality = s.byte() != 0, int8(s.byte()), s.byte(), s.byte()
		k.AtU, k.Version, k.Correction = s.int(), s.int(), s.int()
		k.Unit = string(s.bytes())
		if s.bad {
			return false
		}
		c.kinds = append(c.kinds, k)
	}
	return !s.bad
}

// Post is whose rows these are.
func (c *Chunk) Post() string { return c.post }

// Size is how many bytes the chunk has.
func (c *Chunk) Size() int { return c.size }

// Span is all rows.
func (c *Chunk) Span() Span { return c.span }

// Blocks is the number of blocks.
func (c *Chunk) Blocks() int { return len(c.index) }

// Span of block i; see Span for where it ends.
func (c *Chunk) BlockSpan(i int) Span { return c.index[i].span }

// Read fills out with block i. The error is a *Damage.
func (c *Chunk) Read(i int, out *Block) error {
	out.reset()
	e := &c.index[i]
	from, end := c.base+e.off, c.base+e.off+e.size
	if from < 0 || end > len(c.b) {
		return c.damage(i, "it is cut off")
	}
	b := c.b[from:end]
	data := b[:len(b)-crcBytes]
	if blockCRC(c.crc, i, data) != binary.LittleEndian.Uint32(b[len(data):]) {
		return c.damage(i, "its bytes are not those that were written")
	}
	out.Kinds = c.kinds
	ok := false
	switch c.form &^ formTwo {
	case formDense:
		ok = c.model.read(data, &e.span, out)
	case formBrief:
		ok = c.readBrief(data, &e.span, out)
	default:
		ok = readPlain(data, &e.span, out)
	}
	if !ok {
		out.reset()
		return c.damage(i, "it does not hold what its head says")
	}
	return nil
}

func (c *Chunk) damage(i int, why string) error {
	return &Damage{Post: c.post, Block: i, Span: c.index[i].span, Why: why}
}

// intact says whether no block is cut off or changed.
func (c *Chunk) intact() bool {
	if c.base < 0 || c.base+c.size > len(c.b) {
		return false
	}
	for i := range c.index {
		b := c.b[c.base+c.index[i].off:][:c.index[i].size]
		if blockCRC(c.crc, i, b[:len(b)-crcBytes]) != binary.LittleEndian.Uint32(b[len(b)-crcBytes:]) {
			return false
		}
	}
	return true
}

// Scan calls f for every chunk that it finds in b, whole or in part, with the
// place of its first byte, which is below 0 when b lacks it. One that is damaged
// may come twice, found by both its ends. It reuses c. It ends when f returns
// false.
func Scan(b []byte, f func(at int, c *Chunk) bool) {
	var c Chunk
	for i := 0; i < len(b); {
		j := nextMagic(b, i)
		if j < 0 {
			return
		}
		switch {
		case string(b[j:j+4]) == magicHead && c.openHead(b, j) == nil:
			// What is overwritten in part may hide another chunk in it.
			if i = j + 4; c.intact() {
				i = j + c.size
			}
		case string(b[j:j+4]) == magicTail && c.openTail(b, j+4) == nil:
			i = j + 4
		default:
			i = j + 1
			continue
		}
		if !f(c.base, &c) {
			return
		}
	}
}

// nextMagic returns where the next magic is in b from i on; -1 when none is.
func nextMagic(b []byte, i int) int {
	head, tail := bytes.Index(b[i:], []byte(magicHead)), bytes.Index(b[i:], []byte(magicTail))
	switch {
	case head < 0 && tail < 0:
		return -1
	case head < 0 || tail >= 0 && tail < head:
		return i + tail
	}
	return i + head
}
