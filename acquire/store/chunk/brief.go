package chunk

import (
	"encoding/binary"
	"strings"
)

// A Brief packs the samples of one post as they come, until it is full: quick,
// less dense than Encode, and ready to be written after any row. It is written
// as a chunk of one block and one head.
//
// The block holds each row's step since the row before, less the step before
// that, as a zigzag shifted by one; where the low bit is set, a byte of the bits
// below follows and what they announce, in their order. Then come the row's
// numbers, each less the one before in the same place of its template; of a row
// that follows none what was said, whole, and its value.
//
// The zero value is fit for use, by one goroutine at a time.
type Brief struct {
	kinds     []Kind
	templates []*template // which do not change
	numbers   [][]int64   // the last ones of each template
	payload   []byte
	span      Span
	minute    int64
	res       uint8
	ns        int64
	at, step  int64 // in ns of them
	kind      int   // of the last row
	template  int
	head      int // bytes of the head, about
	found     [maxFields + 1]int64
}

// What a row of a Brief announces.
const (
	briefKind     = 1 << iota // a byte: which of the head's kinds, from here on
	briefGap                  // how many numbers were left out before it
	briefAt                   // its instant in full, in the chunk's resolution; the step is 0 from here
	briefTemplate             // a byte: which of the head's templates, from here on
	briefAll      = briefKind | briefGap | briefAt | briefTemplate
)

const (
	briefSize      = 3500 // bytes of a Brief, unless one row takes more
	briefKinds     = 16
	briefTemplates = 8
	briefWholes    = 2 // of which are for rows that follow none
)

// Habit is what rows of a post are like, as far as a Brief learned it. The next
// Brief of the same post goes on from it.
type Habit struct {
	kind   Kind
	usual  *template
	coarse int // 9 less the resolution: the zero value is the coarsest
}

// Reset empties b and keeps its memory.
func (b *Brief) Reset() {
	b.kinds, b.templates, b.numbers = b.kinds[:0], b.templates[:0], b.numbers[:0]
	b.payload, b.span, b.kind, b.template, b.head = b.payload[:0], Span{}, 0, 0, 0
	if cap(b.payload) > 2*briefSize {
		b.payload = nil
	}
}

// Len is the number of rows.
func (b *Brief) Len() int { return b.span.Rows }

// Span is which rows are in b.
func (b *Brief) Span() Span { return b.span }

// Bytes is the memory that b's rows take.
func (b *Brief) Bytes() int { return cap(b.payload) }

// Add takes r in, whose number is above the last one's, or refuses it where b is
// full. An empty Brief refuses none. It keeps nothing of r.
func (b *Brief) Add(r *Row, h *Habit) bool {
	if b.span.Rows == 0 {
		b.begin(r, h)
	}
	at := whole(r.At, b.ns)
	if b.span.Rows > 0 && (b.span.Rows == blockRows || at*b.ns != r.At || r.At < b.minute || r.At-b.minute >= minute ||
		len(b.payload)+b.head+len(r.Said)+len(r.More)+crcBytes > briefSize) {
		return false
	}
	flags := byte(0)
	if len(b.kinds) == 0 || !b.kinds[b.kind].is(r) {
		k := b.kindOf(r, h)
		if k < 0 {
			return false
		}
		if k != b.kind {
			b.kind, flags = k, briefKind
		}
	}
	t, numbers, ok := b.template, b.found[:0], false
	if len(b.templates) > 0 {
		numbers, ok = b.templates[t].match(r, numbers)
	}
	if !ok {
		if t, numbers = b.follow(r, h); t != b.template {
			b.template, flags = t, flags|briefTemplate
		}
	}
	b.put(r, at, flags, numbers)
	return true
}

// Another adds the row that follows the last one and is like it but for its instant and
// its number, which with the template's tail is all that was said; its kind is what
// the caller has compared. It coarsens the instant as q does. Mostly rows are so; what
// it refuses is for Set and Add, which come to the same.
func (b *Brief) Another(q *Quantiser, seq, at, atU, digits int64, said []byte) bool {
	res := int64(q.Resolution)
	if n := b.span.Rows; n == 0 || n == blockRows || res <= 1 || seq != b.span.ToSeq+1 || at < 0 ||
		len(b.payload)+b.head+len(said)+crcBytes > briefSize {
		return false
	}
	units := whole(at+res/2, res)
	coarse := units * res
	if res != b.ns {
		if units = whole(coarse, b.ns); units*b.ns != coarse {
			return false
		}
	}
	if u := atU + max(coarse-at, at-coarse); coarse < b.minute || coarse-b.minute >= minute ||
		!q.keeps(u) || q.class != b.kinds[b.kind].AtU {
		return false
	}
	v, ok := b.templates[b.template].word.read(said)
	if !ok || v != digits {
		return false
	}
	last := &b.numbers[b.template][0]
	step := units - b.at
	z, d := zigzag(step-b.step)<<1, zigzag(v-*last)
	n := len(b.payload)
	if z >= 1<<(7*shortUint) || d >= 1<<(7*shortUint) || cap(b.payload)-n < wordSize {
		return false
	}
	first, size := short(z)
	second, more := short(d)
	binary.LittleEndian.PutUint64(b.payload[n:n+wordSize], first|second<<(8*size&63))
	b.payload = b.payload[:n+size+more]
	b.at, b.step, *last = units, step, v
	b.span.ToSeq, b.span.To = seq, coarse
	b.span.Rows++
	return true
}

// put writes a row.
func (b *Brief) put(r *Row, at int64, flags byte, numbers []int64) {
	gap := r.Seq - b.span.ToSeq - 1
	if b.span.Rows == 0 {
		gap, b.at, b.step = 0, at, 0
		b.span.FromSeq, b.span.From = r.Seq, r.At
	}
	if gap != 0 {
		flags |= briefGap
	}
	step := at - b.at
	z := zigzag(step - b.step)
	if z>>62 != 0 {
		z, step, flags = 0, 0, flags|briefAt
	}
	p := b.payload
	if flags == 0 {
		p = appendUint(p, z<<1)
	} else {
		p = append(appendUint(p, z<<1|1), flags)
		if flags&briefKind != 0 {
			p = append(p, byte(b.kind))
		}
		if flags&briefGap != 0 {
			p = appendInt(p, gap)
		}
		if flags&briefAt != 0 {
			p = appendInt(p, at)
		}
		if flags&briefTemplate != 0 {
			p = append(p, byte(b.template))
		}
	}
	if b.templates[b.template].whole {
		p = appendBytes(appendBytes(p, r.Said), r.More)
	}
	last := b.numbers[b.template]
	for j, v := range numbers {
		p = appendInt(p, v-last[j])
		last[j] = v
	}
	b.payload, b.at, b.step = p, at, step
	b.span.ToSeq, b.span.To = r.Seq, r.At
	b.span.Rows++
}

// begin makes b ready for its first row.
func (b *Brief) begin(r *Row, h *Habit) {
	all := resolutions()
	for h.coarse < 3 || r.At%all[9-h.coarse] != 0 { // no coarser than 1 ms
		h.coarse++
	}
	b.res, b.ns, b.minute = uint8(9-h.coarse), all[9-h.coarse], floorMinute(r.At)*minute
	b.head = fixed + crcBytes + 100
}

// kindOf returns the number of r's kind; -1 when there is no room for it.
func (b *Brief) kindOf(r *Row, h *Habit) int {
	for i := range b.kinds {
		if b.kinds[i].is(r) {
			return i
		}
	}
	if len(b.kinds) == briefKinds {
		return -1
	}
	if !h.kind.is(r) {
		h.kind = kindOf(r)
		h.kind.Unit = strings.Clone(r.Unit)
	}
	b.kinds = append(b.kinds, h.kind)
	b.head += 40 + len(r.Unit)
	return len(b.kinds) - 1
}

// follow returns the template of a row that does not follow the last one, and the
// row's numbers.
func (b *Brief) follow(r *Row, h *Habit) (id int, numbers []int64) {
	found := b.found[:0]
	ok := false
	for i, t := range b.templates {
		if found, ok = t.match(r, found); ok {
			return i, found
		}
	}
	if len(b.templates) < briefTemplates-briefWholes {
		if h.usual != nil {
			if found, ok = h.usual.match(r, found); ok {
				return b.with(h.usual), found
			}
		}
		t, _ := learn(r, nil)
		t.slots = len(t.fields)
		for i := range t.fields {
			t.fields[i].slot = i
		}
		if found, ok = t.match(r, found); ok {
			h.usual = &t
			return b.with(&t), found
		}
	}
	if r.HasValue {
		found = append(found, r.Digits)
	}
	for i, t := range b.templates {
		if t.whole && (t.value >= 0) == r.HasValue {
			return i, found
		}
	}
	t := template{whole: true, value: len(found) - 1, slots: len(found), fields: make([]field, len(found))}
	return b.with(&t), found
}

// with adds a template.
func (b *Brief) with(t *template) int {
	n := len(b.templates)
	b.templates = append(b.templates, t)
	if cap(b.numbers) > n {
		b.numbers = b.numbers[:n+1]
	} else {
		b.numbers = append(b.numbers, nil)
	}
	if cap(b.numbers[n]) < len(t.fields) {
		b.numbers[n] = make([]int64, maxFields+1)
	}
	b.numbers[n] = b.numbers[n][:len(t.fields)]
	clear(b.numbers[n])
	for _, all := range [2][]element{t.said, t.more} {
		for i := range all {
			b.head += len(all[i].text) + 6
		}
	}
	b.head += 4 + len(t.fields)
	return n
}

// AppendTo appends b as a chunk to dst; nothing when b is empty.
func (b *Brief) AppendTo(dst []byte, post string) []byte {
	if b.span.Rows == 0 {
		return dst
	}
	le := binary.LittleEndian
	from := len(dst)
	dst = append(append(dst, magicHead...), formBrief, 0, 0, 0, 0, 0, 0, 0, 0)
	e := entry{size: len(b.payload) + crcBytes, span: b.span}
	var x expected
	dst = x.append(appendUint(append(appendText(dst, post), b.res), 1), &e, b.ns)
	dst = appendInt(appendInt(dst, b.span.ToSeq-x.seq), b.span.To/b.ns-x.at)
	dst = appendUint(appendKinds(dst, b.kinds), uint64(len(b.templates)))
	for _, t := range b.templates {
		dst = t.appendTo(dst)
	}
	body := dst[from+fixed:]
	size, bodySize := uint32(fixed+len(body)+crcBytes+e.size), uint32(len(body))
	le.PutUint32(dst[from+5:], size)
	le.PutUint32(dst[from+9:], bodySize)
	crc := headCRC(formBrief, size, bodySize, body)
	dst = append(le.AppendUint32(dst, crc), b.payload...)
	return le.AppendUint32(dst, blockCRC(crc, 0, b.payload))
}

// readTemplates reads the templates of a Brief's head.
func (c *Chunk) readTemplates(s *source) bool {
	c.templates = c.templates[:0]
	channels := 0
	for range s.count(briefTemplates) {
		var t template
		if !t.readFrom(s, &channels) || t.slots != len(t.fields) {
			return false
		}
		c.templates = append(c.templates, t)
	}
	return !s.bad && len(c.templates) > 0 && len(c.kinds) > 0
}

// readBrief fills out with the rows of a Brief. It returns false where data does
// not hold them.
func (c *Chunk) readBrief(data []byte, span *Span, out *Block) bool {
	s := source{b: data}
	var last [briefTemplates][]int64
	for i := range c.templates {
		last[i] = make([]int64, c.templates[i].slots)
	}
	out.templates, out.one = c.templates, -1
	ns := resolutions()[c.res]
	seq, at, step, k, t := span.FromSeq-1, span.From/ns, int64(0), 0, 0
	for row := range span.Rows {
		z := s.uint()
		flags, gap := byte(0), int64(0)
		if z&1 != 0 {
			flags = s.byte()
		}
		if flags&briefKind != 0 {
			k = int(s.byte())
		}
		if flags&briefGap != 0 {
			gap = s.int()
		}
		step += unzigzag(z >> 1)
		at += step
		if flags&briefAt != 0 {
			at, step = s.int(), 0
		}
		if flags&briefTemplate != 0 {
			t = int(s.byte())
		}
		if s.bad || flags&^briefAll != 0 || k >= len(c.kinds) || t >= len(c.templates) || row == 0 && gap != 0 ||
			c.kinds[k].HasValue != (c.templates[t].value >= 0) {
			return false
		}
		seq += gap + 1
		out.Seq, out.At, out.Kind = append(out.Seq, seq), append(out.At, at*ns), append(out.Kind, uint8(k))
		out.template, out.numberAt = append(out.template, uint8(t)), append(out.numberAt, len(out.fields))
		out.briefRow(&s, &c.templates[t], last[t])
	}
	out.numbers = out.fields
	return !s.bad && len(s.b) == 0
}

// briefRow reads what a row said.
func (b *Block) briefRow(s *source, t *template, last []int64) {
	if t.whole {
		b.said, b.more = append(b.said, s.bytes()...), append(b.more, s.bytes()...)
	}
	b.saidEnd, b.moreEnd = append(b.saidEnd, len(b.said)), append(b.moreEnd, len(b.more))
	for j := range last {
		last[j] += s.int()
		b.fields = append(b.fields, last[j])
	}
	digits := int64(0)
	if t.value >= 0 {
		digits = last[t.value]
	}
	b.Digits = append(b.Digits, digits)
}
