package chunk

import (
	"iter"
	"slices"
)

// class is what a row is of: one kind, one template.
type class struct{ kind, template uint8 }

// MaxKinds bounds classes too.
const maxClasses = MaxKinds

// token is a number on its way into a block: 8 bits of symbol, 12 of the number of its
// context, and the bits that the symbol leaves open, or where these are more than 44 their
// place among the long ones. A full page has 40 000, which are to take little memory.
type token uint64

const openBits = 44

func (t token) symbol() uint8 { return uint8(t) }
func (t token) hist() uint32  { return uint32(t>>8) & (1<<12 - 1) }

// Contexts by number: of instants, of classes by the class before, and of each
// channel.
const (
	histStamps   = 0
	histClasses  = histStamps + stampContexts
	classBefore  = 16
	histChannels = histClasses + classBefore
)

// What a block says beside its first row's class.
const (
	flagMany  = 1 // rows of other classes follow
	flagWhole = 2 // some follow no template
)

// dense is the state of an Encoder while it packs densely.
type dense struct {
	classes   []class
	classIDs  map[class]int
	templates []template
	templIDs  map[string]int
	key       []byte
	numbers   int // of all templates

	// Of all rows that are packed:
	seq      []int64
	at       []int64 // ns since 1970 UTC; from stampTokens on in steps of the resolution
	rowClass []uint8
	fields   []int64
	fieldAt  []uint32 // where a row's begin
	wholes   []byte   // what was said in rows that follow no template
	wholeEnd []int    // of blocks
	blocks   []int    // where blocks end
	channels []channel
	res      uint8
	slope    int64
	lineWay  uint8

	hists  []*hist // by number; nil where nothing was counted
	pool   []*hist
	list   []*hist
	groups []group
	of     []uint8 // which table a context takes
	counts [][]count
	tables []encodeTable

	values, stamps []token
	long           []uint64 // what tokens leave open, where it is long
	valueEnd       []int    // of blocks
	scratch        []int64
	lines          [][2]int64 // of blocks: start and slope
	low            []uint16
	lowN           []uint8
}

// channel is one number of a template that is not constant. It is coded as k
// where the number is offset + k × scale.
type channel struct {
	template, field int
	scale, offset   int64
	begun           bool // offset is set
	way             uint8
	table           [contexts]uint8
}

// saneAt bounds instants that are packed together, to 2116: no difference of two wraps.
const saneAt = 1<<62 - 1

// makeRoom makes room for n rows at once, most of which have one number. What grows bit by
// bit has been there twice and more by then.
func (d *dense) makeRoom(n int) {
	d.seq, d.at = slices.Grow(d.seq[:0], n), slices.Grow(d.at[:0], n)
	d.rowClass, d.fieldAt, d.fields = slices.Grow(d.rowClass[:0], n), slices.Grow(d.fieldAt[:0], n+1), slices.Grow(d.fields[:0], n)
	d.values, d.stamps = slices.Grow(d.values[:0], n), slices.Grow(d.stamps[:0], n)
}

// sort finds kinds, templates and numbers of at most most rows, as far as there is room
// for them, and where blocks end.
func (e *Encoder) sort(rows iter.Seq[*Row], most int) {
	d := &e.dense
	e.kinds = e.kinds[:0]
	clear(e.kindIDs)
	clear(d.classIDs)
	clear(d.templIDs)
	d.classes, d.templates, d.rowClass = d.classes[:0], d.templates[:0], d.rowClass[:0]
	d.fields, d.fieldAt, d.blocks = d.fields[:0], d.fieldAt[:0], d.blocks[:0]
	d.seq, d.at, d.wholes, d.wholeEnd = d.seq[:0], d.at[:0], d.wholes[:0], d.wholeEnd[:0]
	d.numbers = 0
	lastKind, kind := -1, 0
	t, id := -1, -1
	begun := 0 // the row that the block begins with
	for r := range rows {
		i := len(d.at)
		if i == most || r.At > saneAt || r.At < -saneAt {
			break
		}
		if lastKind < 0 || !e.kinds[lastKind].is(r) {
			if kind = e.kind(r); kind < 0 {
				break
			}
		}
		fields, was := len(d.fields), t
		t = e.template(r, t)
		if id < 0 || kind != lastKind || t != was {
			if id = d.class(class{uint8(kind), uint8(t)}); id < 0 {
				d.fields = d.fields[:fields]
				break
			}
		}
		lastKind = kind
		if i > 0 && anotherBlock(i-begun, d.at[begun], r.At) {
			begun = i
			d.blocks, d.wholeEnd = append(d.blocks, i), append(d.wholeEnd, len(d.wholes))
		}
		d.seq, d.at = append(d.seq, r.Seq), append(d.at, r.At)
		d.rowClass, d.fieldAt = append(d.rowClass, uint8(id)), append(d.fieldAt, uint32(fields))
		if d.templates[t].whole {
			d.wholes = appendBytes(appendBytes(d.wholes, r.Said), r.More)
		}
	}
	d.fieldAt = append(d.fieldAt, uint32(len(d.fields)))
	d.blocks, d.wholeEnd = append(d.blocks, len(d.at)), append(d.wholeEnd, len(d.wholes))
}

func (d *dense) class(c class) int {
	id, ok := d.classIDs[c]
	if !ok {
		if id = len(d.classes); id == maxClasses {
			return -1
		}
		d.classes = append(d.classes, c)
		d.classIDs[c] = id
	}
	return id
}

// template returns the number of r's template and keeps r's numbers. last is
// that of the row before.
func (e *Encoder) template(r *Row, last int) int {
	d := &e.dense
	ok := false
	if last >= 0 {
		if d.fields, ok = d.templates[last].match(r, d.fields); ok {
			return last
		}
	}
	var t template
	t, d.key = learn(r, d.key[:0])
	id, known := d.templIDs[string(d.key)]
	if !known && !t.whole && (len(d.templates) >= maxTemplates || d.numbers+len(t.fields) > maxNumbers) {
		long := Row{Said: make([]byte, maxText+1), HasValue: r.HasValue}
		t, d.key = learn(&long, d.key[:0])
		id, known = d.templIDs[string(d.key)]
	}
	if !known {
		id = len(d.templates)
		d.templates = append(d.templates, t)
		d.numbers += len(t.fields)
		d.templIDs[string(d.key)] = id
	}
	if d.templates[id].whole {
		if r.HasValue {
			d.fields = append(d.fields, r.Digits)
		}
		return id
	}
	if d.fields, ok = d.templates[id].match(r, d.fields); !ok {
		panic("chunk: a row does not follow the template that was made of it")
	}
	return id
}

// tokens turns all rows into numbers, and counts them.
func (d *dense) tokens() {
	d.values, d.valueEnd, d.lines, d.stamps, d.long = d.values[:0], d.valueEnd[:0], d.lines[:0], d.stamps[:0], d.long[:0]
	d.hists = slices.Grow(d.hists[:0], histChannels+len(d.channels)*contexts)[:histChannels+len(d.channels)*contexts]
	clear(d.hists)
	d.list = d.list[:0]
	x := make([]expect, len(d.channels))
	begun := make([]bool, len(d.channels))
	from := 0
	for _, end := range d.blocks {
		clear(begun)
		before, many := d.rowClass[from], d.manyClasses(from, end)
		for i := from; i < end; i++ {
			id := d.rowClass[i]
			if many && i > from {
				d.values = append(d.values, d.token(histClasses+uint32(min(before, classBefore-1)), uint64(id)))
				before = id
			}
			t := &d.templates[d.classes[id].template]
			for j := range t.fields {
				f := &t.fields[j]
				if f.constant {
					continue
				}
				v := d.fields[int(d.fieldAt[i])+j]
				if !begun[f.channel] {
					begun[f.channel] = true
					x[f.channel].begin(d.channels[f.channel].way, v)
					continue // among the block's first numbers
				}
				xc := &x[f.channel]
				z := zigzag(v - xc.next())
				d.values = append(d.values, d.token(uint32(histChannels+f.channel*contexts+xc.context), z))
				xc.take(v, z)
			}
		}
		d.valueEnd = append(d.valueEnd, len(d.values))
		from = end
	}
	d.stampTokens()
}

func (d *dense) manyClasses(from, end int) bool {
	for _, c := range d.rowClass[from+1 : end] {
		if c != d.rowClass[from] {
			return true
		}
	}
	return false
}

func (d *dense) token(hist uint32, z uint64) token {
	s, n := symbolOf(z)
	d.hist(hist).add(s)
	open := z & (1<<n - 1)
	if n > openBits {
		d.long = append(d.long, open)
		open = uint64(len(d.long) - 1)
	}
	return token(open<<20 | uint64(hist)<<8 | uint64(s))
}

// hist returns what counts the symbols of a context.
func (d *dense) hist(id uint32) *hist {
	h := d.hists[id]
	if h == nil {
		n := len(d.list)
		if n == len(d.pool) {
			d.pool = append(d.pool, new(hist))
		}
		h = d.pool[n]
		*h = hist{id: int(id)}
		d.list, d.hists[id] = append(d.list, h), h
	}
	return h
}

// truncate keeps the blocks of the first n rows, and counts anew. It returns
// false where n is in the middle of one.
func (d *dense) truncate(n int) bool {
	k, whole := slices.BinarySearch(d.blocks, n)
	if !whole {
		return false
	}
	k++
	d.blocks, d.valueEnd, d.lines = d.blocks[:k], d.valueEnd[:k], d.lines[:k]
	d.values, d.stamps, d.rowClass = d.values[:d.valueEnd[k-1]], d.stamps[:n-k], d.rowClass[:n]
	clear(d.hists)
	d.list = d.list[:0]
	for _, all := range [2][]token{d.values, d.stamps} {
		for i := range all {
			d.hist(all[i].hist()).add(all[i].symbol())
		}
	}
	d.makeTables()
	return true
}
