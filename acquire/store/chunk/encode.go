package chunk

import (
	"bytes"
	"iter"
)

// Encoder packs rows. The zero value is fit for use; it keeps its memory until LetGo,
// and one goroutine may use it at a time.
type Encoder struct {
	kinds   []Kind
	kindIDs map[Kind]int
	index   []entry
	payload []byte
	body    []byte
	usually int // rows in a chunk of late
	dense   dense
}

const (
	maxRows = 1 << 17 // of a chunk, so that packing takes bounded memory
	fewRows = 256     // of which plain may take less room
)

// Encode appends a chunk of at most limit bytes to dst, and says which of rows went
// into it: at least one, which may exceed the limit if its row alone does. It takes
// as many as fit, so rows should be more than that. They are of one post, in the
// order of their numbers, and come out the same each time they are gone through,
// which may be often; nothing is kept of one when the next comes. For no rows it
// returns dst and nothing. count is how many they are.
func (e *Encoder) Encode(dst []byte, post string, count int, rows iter.Seq[*Row], limit int) (chunk []byte, of Span) {
	guess := e.usually + e.usually/16 + blockRows
	if e.usually == 0 {
		guess = max(limit, blockRows)
	}
	n, take, cut := 0, min(count, guess, maxRows), false
	for {
		if n = e.prepare(rows, take); n == 0 {
			dst, _ = e.plain(dst, post, firstOf(rows, 1), limit, formPlain|formTwo)
			return dst, e.span()
		}
		fits, size := e.fill(post, limit)
		for fits < n && e.dense.truncate(fits) {
			n, cut = fits, true // once more, with tables made of these alone
			fits, size = e.fill(post, limit)
		}
		switch {
		case fits < n:
			take, cut = fits, true
			continue
		case cut || n < take || n == count || n == maxRows:
		default:
			take = min(count, maxRows, max(n+blockRows, int(int64(n)*int64(limit)/int64(size))))
			continue
		}
		break
	}
	if n < count {
		e.usually = n
	}
	from := len(dst)
	dst = e.assemble(dst, post, formDense|formTwo)
	of = e.span()
	if n > fewRows {
		return dst, of
	}
	end := len(dst)
	dst, m := e.plain(dst, post, firstOf(rows, n), limit, formPlain|formTwo)
	if m < n || len(dst)-end >= end-from {
		return dst[:end], of
	}
	return append(dst[:from], dst[end:]...), of
}

// firstOf returns the first n of rows, which share nothing with them.
func firstOf(rows iter.Seq[*Row], n int) []Row {
	var first []Row
	for r := range rows {
		if len(first) == n {
			break
		}
		own := *r
		own.Said, own.More = bytes.Clone(r.Said), bytes.Clone(r.More)
		first = append(first, own)
	}
	return first
}

// span is of all rows of the blocks that were packed last.
func (e *Encoder) span() (all Span) {
	for i := range e.index {
		all.Rows += e.index[i].span.Rows
	}
	if n := len(e.index); n > 0 {
		first, last := &e.index[0].span, &e.index[n-1].span
		all.FromSeq, all.From, all.ToSeq, all.To = first.FromSeq, first.From, last.ToSeq, last.To
	}
	return all
}

// LetGo lets go of e's memory.
func (e *Encoder) LetGo() { *e = Encoder{usually: e.usually} }

// prepare learns all that the blocks of at most most rows need to know. It returns how
// many rows fit one set of kinds.
func (e *Encoder) prepare(rows iter.Seq[*Row], most int) int {
	d := &e.dense
	if e.kindIDs == nil {
		e.kindIDs = map[Kind]int{}
	}
	if d.classIDs == nil {
		d.classIDs, d.templIDs = map[class]int{}, map[string]int{}
	}
	d.makeRoom(most)
	if e.sort(rows, most); len(d.at) == 0 {
		return 0
	}
	d.res = resolution(d.at)
	d.constants()
	d.scales()
	d.chooseWays()
	d.tokens()
	d.makeTables()
	return len(d.at)
}

// fill packs the blocks until limit is reached. It returns how many rows that takes,
// and the size of the chunk of all of them.
func (e *Encoder) fill(post string, limit int) (fits, size int) {
	d := &e.dense
	e.index, e.payload = e.index[:0], e.payload[:0]
	head := fixed + crcBytes + len(e.appendBody(e.body[:0], post, formDense)) + 12 // for its last instants
	from, x, ns := 0, expected{}, resolutions()[d.res]
	for k, end := range d.blocks {
		at := len(e.payload)
		e.payload = d.denseBlock(e.payload, k, from, end)
		e.closeBlock(at, Span{FromSeq: d.seq[from], From: d.at[from] * ns, ToSeq: d.seq[end-1], To: d.at[end-1] * ns, Rows: end - from})
		e.body = x.append(e.body[:0], &e.index[k], ns)
		head += len(e.body)
		if over := 2*head + len(e.payload); over > limit && k > 0 {
			return from, over
		}
		from = end
	}
	size = 2*(fixed+crcBytes+len(e.appendBody(e.body[:0], post, formDense))) + len(e.payload)
	if size <= limit || from == 1 {
		return from, size
	}
	if k := len(d.blocks); k > 1 {
		return d.blocks[k-2], size
	}
	return max(1, min(from-1, int(int64(from)*int64(limit)/int64(size))*7/8)), size
}

// closeBlock ends the block of these rows, which begins at in the payload.
func (e *Encoder) closeBlock(at int, rows Span) {
	e.payload = append(e.payload, 0, 0, 0, 0) // assemble puts the check there
	e.index = append(e.index, entry{size: len(e.payload) - at, span: rows})
}

// kind returns the number of the kind of r, or -1 when there is no room for it.
func (e *Encoder) kind(r *Row) int {
	k := kindOf(r)
	id, ok := e.kindIDs[k]
	if !ok {
		if len(e.kinds) == MaxKinds {
			return -1
		}
		id = len(e.kinds)
		e.kinds = append(e.kinds, k)
		e.kindIDs[k] = id
	}
	return id
}

func kindOf(r *Row) Kind {
	k := Kind{AtU: r.AtU, HasValue: r.HasValue, Status: r.Status, Quality: r.Quality, Unit: r.Unit, Version: r.Version, Correction: r.Correction}
	if r.HasValue {
		k.Exp = r.Exp
	}
	return k
}

// is says whether r is of this kind.
func (k *Kind) is(r *Row) bool {
	return k.AtU == r.AtU && k.HasValue == r.HasValue && k.Status == r.Status && k.Quality == r.Quality && k.Version == r.Version &&
		k.Correction == r.Correction && k.Unit == r.Unit && (k.Exp == r.Exp || !r.HasValue)
}

// blockEnd returns where the block that begins at row from ends.
func blockEnd(rows []Row, from int) int {
	i := from + 1
	for i < len(rows) && !anotherBlock(i-from, rows[from].At, rows[i].At) {
		i++
	}
	return i
}

// anotherBlock says whether a row at this instant begins another block, where n rows,
// the first at from, are in the last one.
func anotherBlock(n int, from, at int64) bool {
	return n == blockRows || floorMinute(at) != floorMinute(from)
}

func floorMinute(at int64) int64 {
	m := at / minute
	if at%minute < 0 {
		m--
	}
	return m
}
