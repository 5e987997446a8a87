package chunk

// Encoder packs rows. The zero value is fit for use; it keeps its memory, and
// one goroutine may use it at a time.
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

// Encode appends a chunk of at most limit bytes to dst, and returns how many of
// rows went into it: at least one, which may exceed the limit if its row alone
// does. It takes as many as fit, so rows should be more than that. They are of
// one post, in the order of their numbers. For no rows it returns dst and 0.
func (e *Encoder) Encode(dst []byte, post string, rows []Row, limit int) (chunk []byte, n int) {
	if len(rows) == 0 {
		return dst, 0
	}
	guess := e.usually + e.usually/16 + blockRows
	if e.usually == 0 {
		guess = max(limit, blockRows)
	}
	take, cut := min(len(rows), guess, maxRows), false
	for {
		if n = e.prepare(rows[:take]); n == 0 {
			return e.plain(dst, post, rows[:1], limit, formPlain|formTwo)
		}
		fits, size := e.fill(rows[:n], post, limit)
		for fits < n && e.dense.truncate(fits) {
			n, cut = fits, true // once more, with tables made of these alone
			fits, size = e.fill(rows[:n], post, limit)
		}
		switch {
		case fits < n:
			take, cut = fits, true
			continue
		case cut || n < take || n == len(rows) || n == maxRows:
		default:
			take = min(len(rows), maxRows, max(n+blockRows, int(int64(n)*int64(limit)/int64(size))))
			continue
		}
		break
	}
	if n < len(rows) {
		e.usually = n
	}
	from := len(dst)
	dst = e.assemble(dst, post, formDense|formTwo)
	if n > fewRows {
		return dst, n
	}
	end := len(dst)
	dst, m := e.plain(dst, post, rows[:n], limit, formPlain|formTwo)
	if m < n || len(dst)-end >= end-from {
		return dst[:end], n
	}
	return append(dst[:from], dst[end:]...), n
}

// prepare learns all that the blocks of rows need to know, and returns how many
// rows fit one set of kinds.
func (e *Encoder) prepare(rows []Row) int {
	d := &e.dense
	if e.kindIDs == nil {
		e.kindIDs = map[Kind]int{}
	}
	if d.classIDs == nil {
		d.classIDs, d.templIDs = map[class]int{}, map[string]int{}
	}
	n := e.sort(rows)
	if n == 0 {
		return 0
	}
	rows = rows[:n]
	d.res = resolution(rows)
	d.constants()
	d.scales()
	d.chooseWays()
	d.tokens(rows)
	d.makeTables()
	return n
}

// fill packs the blocks of rows until limit is reached. It returns how many rows
// that takes, and the size of the chunk of all of them.
func (e *Encoder) fill(rows []Row, post string, limit int) (fits, size int) {
	d := &e.dense
	e.index, e.payload = e.index[:0], e.payload[:0]
	head := fixed + crcBytes + len(e.appendBody(e.body[:0], post, formDense)) + 12 // for its last instants
	from, x, ns := 0, expected{}, resolutions()[d.res]
	for k, end := range d.blocks {
		at := len(e.payload)
		e.payload = d.denseBlock(e.payload, rows, k, from, end)
		e.closeBlock(at, rows[from:end])
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
func (e *Encoder) closeBlock(at int, rows []Row) {
	e.payload = append(e.payload, 0, 0, 0, 0) // assemble puts the check there
	first, last := &rows[0], &rows[len(rows)-1]
	e.index = append(e.index, entry{size: len(e.payload) - at,
		span: Span{FromSeq: first.Seq, From: first.At, ToSeq: last.Seq, To: last.At, Rows: len(rows)}})
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
