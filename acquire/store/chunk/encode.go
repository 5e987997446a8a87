package chunk

// Encoder packs rows. The zero value is fit for use; it keeps its memory, and
// one goroutine may use it at a time.
type Encoder struct {
	kinds   []Kind
	kindIDs map[Kind]int
	index   []entry
	payload []byte
	body    []byte
}

// Encode appends a chunk of at most limit bytes to dst, and returns how many of
// rows went into it: at least one, which may exceed the limit if its row alone
// does. Rows are of one post, in the order of their numbers. It returns dst and
// 0 for no rows.
func (e *Encoder) Encode(dst []byte, post string, rows []Row, limit int) (chunk []byte, n int) {
	return e.plain(dst, post, rows, limit, true)
}

// EncodeFragment is Encode for few rows that will soon be packed anew: quick,
// less dense, and with one head.
func (e *Encoder) EncodeFragment(dst []byte, post string, rows []Row, limit int) (chunk []byte, n int) {
	return e.plain(dst, post, rows, limit, false)
}

func (e *Encoder) plain(dst []byte, post string, rows []Row, limit int, twoHeads bool) ([]byte, int) {
	e.kinds, e.index, e.payload = e.kinds[:0], e.index[:0], e.payload[:0]
	clear(e.kindIDs)
	if e.kindIDs == nil {
		e.kindIDs = map[Kind]int{}
	}
	n := 0
	for n < len(rows) {
		size, from := len(e.payload), n
		first := &rows[n]
		p := plainState{seq: first.Seq, at: first.At}
		n = e.plainBlock(rows, n, &p)
		if n == from {
			break // no room for its kind
		}
		last := &rows[n-1]
		e.index = append(e.index, entry{size: len(e.payload) - size + crcBytes,
			span: Span{FromSeq: first.Seq, From: first.At, ToSeq: last.Seq, To: last.At, Rows: n - from}})
		e.payload = append(e.payload, 0, 0, 0, 0)
		if from > 0 && e.headSize(post, twoHeads)+len(e.payload) > limit {
			e.payload, e.index = e.payload[:size], e.index[:len(e.index)-1]
			n = from
			break
		}
	}
	return e.assemble(dst, post, twoHeads), n
}

// kind returns the number of the kind of r, or -1 when there is no room for it.
func (e *Encoder) kind(r *Row) int {
	k := Kind{AtU: r.AtU, HasValue: r.HasValue, Status: r.Status, Quality: r.Quality, Unit: r.Unit, Version: r.Version, Correction: r.Correction}
	if r.HasValue {
		k.Exp = r.Exp
	}
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

// blockEnd returns where the block that begins at row from ends.
func blockEnd(rows []Row, from int) int {
	m := floorMinute(rows[from].At)
	i := from + 1
	for i < len(rows) && i-from < blockRows && floorMinute(rows[i].At) == m {
		i++
	}
	return i
}

func floorMinute(at int64) int64 {
	m := at / minute
	if at%minute < 0 {
		m--
	}
	return m
}

type plainState struct{ seq, at, digits int64 }

// plainBlock appends one block of rows from n on, and returns where it ends.
func (e *Encoder) plainBlock(rows []Row, n int, p *plainState) int {
	end := blockEnd(rows, n)
	b := e.payload
	for ; n < end; n++ {
		r := &rows[n]
		k := e.kind(r)
		if k < 0 {
			break
		}
		b = appendUint(b, uint64(k))
		b = appendInt(b, r.Seq-p.seq)
		b = appendInt(b, r.At-p.at)
		if r.HasValue {
			b = appendInt(b, r.Digits-p.digits)
			p.digits = r.Digits
		}
		b = appendBytes(appendBytes(b, r.Said), r.More)
		p.seq, p.at = r.Seq+1, r.At
	}
	e.payload = b
	return n
}
