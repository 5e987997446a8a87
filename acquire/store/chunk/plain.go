package chunk

// plain packs rows one by one, without tables.
func (e *Encoder) plain(dst []byte, post string, rows []Row, limit int, form byte) ([]byte, int) {
	e.kinds, e.index, e.payload = e.kinds[:0], e.index[:0], e.payload[:0]
	if e.kindIDs == nil {
		e.kindIDs = map[Kind]int{}
	}
	clear(e.kindIDs)
	heads := 1
	if form&formTwo != 0 {
		heads = 2
	}
	// What the heads take at most, beside blocks and kinds.
	limit -= heads * (fixed + crcBytes + len(post) + 60)
	n := 0
	for n < len(rows) {
		from, at := n, len(e.payload)
		if n = e.plainBlock(rows, n, limit, heads); n == from {
			break
		}
		first, last := &rows[from], &rows[n-1]
		e.closeBlock(at, Span{FromSeq: first.Seq, From: first.At, ToSeq: last.Seq, To: last.At, Rows: n - from})
	}
	return e.assemble(dst, post, form), n
}

// plainBlock appends one block of rows from n on, and returns where it ends.
func (e *Encoder) plainBlock(rows []Row, n, limit, heads int) int {
	const most = 64 // bytes of a row, beside what was said
	end, first := blockEnd(rows, n), n
	seq, at, digits := rows[n].Seq, rows[n].At, int64(0)
	b := e.payload
	last := -1
	for ; n < end; n++ {
		r := &rows[n]
		if last < 0 || !e.kinds[last].is(r) {
			last = e.kind(r)
		}
		room := len(b) + len(r.Said) + len(r.More) + most + heads*len(e.index)*50 + heads*len(e.kinds)*(50+len(r.Unit))
		if last < 0 || room > limit && (n > first || first > 0) {
			break
		}
		b = appendInt(appendUint(b, uint64(last)), r.Seq-seq)
		b = appendInt(b, r.At-at)
		if r.HasValue {
			b = appendInt(b, r.Digits-digits)
			digits = r.Digits
		}
		b = appendBytes(appendBytes(b, r.Said), r.More)
		seq, at = r.Seq+1, r.At
	}
	e.payload = b
	return n
}

func readPlain(data []byte, span *Span, out *Block) bool {
	s := source{b: data}
	seq, at, digits := span.FromSeq, span.From, int64(0)
	for range span.Rows {
		k := s.count(len(out.Kinds) - 1)
		seq, at = seq+s.int(), at+s.int()
		out.Seq, out.At, out.Kind = append(out.Seq, seq), append(out.At, at), append(out.Kind, uint8(k))
		seq++
		if k >= len(out.Kinds) || s.bad {
			return false
		}
		if out.Kinds[k].HasValue {
			digits += s.int()
			out.Digits = append(out.Digits, digits)
		} else {
			out.Digits = append(out.Digits, 0)
		}
		out.said = append(out.said, s.bytes()...)
		out.more = append(out.more, s.bytes()...)
		out.saidEnd, out.moreEnd = append(out.saidEnd, len(out.said)), append(out.moreEnd, len(out.more))
	}
	return !s.bad && len(s.b) == 0
}
