package chunk

import (
	"encoding/binary"
	"slices"
)

// class is what a row is of: one kind, one template.
type class struct{ kind, template uint8 }

// MaxKinds bounds classes too.
const maxClasses = MaxKinds

// token is a number on its way into a block.
type token struct {
	open   uint64 // the bits that the symbol leaves open
	hist   uint32 // of its context
	symbol uint8
	n      uint8 // of bits left open
}

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

	rowClass []uint8
	fields   []int64 // of all rows
	fieldAt  []int   // where a row's begin
	blocks   []int   // where blocks end
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
	valueEnd       []int // of blocks
	steps          []int64
	scratch        []int64
	lines          [][2]int64 // of blocks: start and slope
	scratchText    []byte
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

// resolutions are what instants may be whole multiples of, in ns.
func resolutions() [10]int64 { return [10]int64{1, 10, 100, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9} }

// resolution returns the greatest that all instants are multiples of.
func resolution(rows []Row) uint8 {
	all := resolutions()
	best := uint8(6) // finer than a second, so that jitter stays visible
	for i := range rows {
		for rows[i].At%all[best] != 0 {
			best--
		}
	}
	return best
}

const saneAt = 1 << 61

// sort finds kinds, templates and numbers of rows, and where blocks end. It
// returns how many rows have room.
func (e *Encoder) sort(rows []Row) int {
	d := &e.dense
	e.kinds = e.kinds[:0]
	clear(e.kindIDs)
	clear(d.classIDs)
	clear(d.templIDs)
	d.classes, d.templates, d.rowClass = d.classes[:0], d.templates[:0], d.rowClass[:0]
	d.fields, d.fieldAt, d.blocks = d.fields[:0], d.fieldAt[:0], d.blocks[:0]
	d.numbers = 0
	lastKind, kind := -1, 0
	t, id := -1, -1
	end := 0
	for i := range rows {
		r := &rows[i]
		if r.At > saneAt || r.At < -saneAt {
			rows = rows[:i]
			break
		}
		if i == end {
			end = blockEnd(rows, i)
			d.blocks = append(d.blocks, end)
		}
		if lastKind < 0 || !e.kinds[lastKind].is(r) {
			if kind = e.kind(r); kind < 0 {
				rows = rows[:i]
				break
			}
		}
		d.fieldAt = append(d.fieldAt, len(d.fields))
		was := t
		t = e.template(r, t)
		if id < 0 || kind != lastKind || t != was {
			if id = d.class(class{uint8(kind), uint8(t)}); id < 0 {
				rows = rows[:i]
				d.fields = d.fields[:d.fieldAt[i]]
				break
			}
		}
		lastKind = kind
		d.rowClass = append(d.rowClass, uint8(id))
	}
	n := len(rows)
	d.fieldAt = append(d.fieldAt[:n], len(d.fields))
	for len(d.blocks) > 0 && (len(d.blocks) > 1 && d.blocks[len(d.blocks)-2] >= n) {
		d.blocks = d.blocks[:len(d.blocks)-1]
	}
	if len(d.blocks) > 0 {
		last := len(d.blocks) - 1
		d.blocks[last] = min(d.blocks[last], n)
	}
	return n
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

// constants finds the numbers that never change, and makes channels of the
// others.
func (d *dense) constants() {
	d.channels = d.channels[:0]
	seen := make([]bool, len(d.templates))
	for i, id := range d.rowClass {
		t := &d.templates[d.classes[id].template]
		numbers := d.fields[d.fieldAt[i]:d.fieldAt[i+1]]
		if k := d.classes[id].template; !seen[k] {
			seen[k] = true
			for j, v := range numbers {
				t.fields[j] = field{constant: true, v: v}
			}
			continue
		}
		for j, v := range numbers {
			if f := &t.fields[j]; f.constant && f.v != v {
				f.constant = false
			}
		}
	}
	for i := range d.templates {
		for j := range d.templates[i].fields {
			f := &d.templates[i].fields[j]
			if f.constant = f.constant || !seen[i]; !f.constant {
				f.channel = len(d.channels)
				d.channels = append(d.channels, channel{template: i, field: j})
			}
		}
	}
}

// scales finds what the numbers of each channel are multiples of, but for an
// offset, and divides by it.
func (d *dense) scales() {
	each := func(f func(ch *channel, v *int64)) {
		for i, id := range d.rowClass {
			t := &d.templates[d.classes[id].template]
			for j := range t.fields {
				if !t.fields[j].constant {
					f(&d.channels[t.fields[j].channel], &d.fields[d.fieldAt[i]+j])
				}
			}
		}
	}
	const far = 1 << 62 // differences of what is below it do not wrap
	scaled := false
	each(func(ch *channel, v *int64) {
		switch {
		case ch.scale == 1:
		case *v >= far || *v <= -far:
			ch.scale = 1
		case !ch.begun:
			ch.offset, ch.begun = *v, true
		default:
			ch.scale = divisor(ch.scale, *v-ch.offset)
		}
	})
	for c := range d.channels {
		ch := &d.channels[c]
		if ch.scale <= 1 {
			ch.scale, ch.offset = 1, 0
			continue
		}
		scaled = true
		if ch.offset %= ch.scale; ch.offset < 0 {
			ch.offset += ch.scale
		}
	}
	if scaled {
		each(func(ch *channel, v *int64) { *v = (*v - ch.offset) / ch.scale })
	}
}

// divisor is the greatest of a and b.
func divisor(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	return max(a, -a)
}

// chooseWays tries each way to expect on each channel's first rows.
func (d *dense) chooseWays() {
	const tried = 4096
	for c := range d.channels {
		ch := &d.channels[c]
		best := -1
		for way := range uint8(ways) {
			if cost := d.try(ch, way, tried); best < 0 || cost < best {
				best, ch.way = cost, way
			}
		}
	}
}

// try returns about what up to most rows of ch cost this way, in 1/16 bit.
func (d *dense) try(ch *channel, way uint8, most int) (cost int) {
	var x expect
	from, n := 0, 0
	for _, end := range d.blocks {
		begun := false
		for i := from; i < end; i++ {
			if int(d.classes[d.rowClass[i]].template) != ch.template {
				continue
			}
			v := d.fields[d.fieldAt[i]+ch.field]
			if n++; !begun {
				begun = true
				x.begin(way, v)
				continue
			}
			z := zigzag(v - x.next())
			cost += sixteenths(z)
			x.take(v, z)
		}
		if from = end; n >= most {
			break
		}
	}
	return cost
}

// sixteenths is about 16 × log2(z + 1).
func sixteenths(z uint64) int {
	z = min(z, 1<<62) + 1
	s, _ := symbolOf(z << 1)
	return int(s) * 4
}

// tokens turns all rows into numbers, and counts them.
func (d *dense) tokens(rows []Row) {
	d.values, d.valueEnd, d.lines, d.stamps = d.values[:0], d.valueEnd[:0], d.lines[:0], d.stamps[:0]
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
				v := d.fields[d.fieldAt[i]+j]
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
	d.stampTokens(rows)
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
	return token{open: z & (1<<n - 1), hist: hist, symbol: s, n: n}
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

// stampTokens chooses the way of the line, and codes the instants.
func (d *dense) stampTokens(rows []Row) {
	res := resolutions()[d.res]
	d.steps = d.steps[:0]
	for i := range rows {
		d.steps = append(d.steps, rows[i].At/res)
	}
	d.slope, d.scratch = usualSlope(d.steps, d.scratch)
	best := -1
	for way := range uint8(lineWays) {
		cost := 0
		d.eachStamp(way, 8, func(_ int, z uint64) { cost += sixteenths(z) })
		if best < 0 || cost < best {
			best, d.lineWay = cost, way
		}
	}
	d.eachStamp(d.lineWay, len(d.blocks), func(context int, z uint64) {
		d.stamps = append(d.stamps, d.token(uint32(histStamps+context), z))
	})
}

// eachStamp calls f for all rows of the first blocks but each block's first.
func (d *dense) eachStamp(way uint8, blocks int, f func(context int, z uint64)) {
	d.lines = d.lines[:0]
	from := 0
	for _, end := range d.blocks[:min(blocks, len(d.blocks))] {
		at := d.steps[from:end]
		first := at[0]
		d.scratch = d.scratch[:0]
		for _, a := range at {
			d.scratch = append(d.scratch, a-first)
		}
		start, slope := int64(0), d.slope
		if way != lineFollows {
			start, slope = fit(d.scratch, d.slope)
		}
		d.lines = append(d.lines, [2]int64{start, slope})
		l := line{at: start, slope: slope, way: way}
		for _, a := range d.scratch[1:] {
			want, context := l.next()
			z := zigzag(a - want)
			f(context, z)
			s, _ := symbolOf(z)
			l.take(a, a-want, s)
		}
		from = end
	}
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
			d.hist(all[i].hist).add(all[i].symbol)
		}
	}
	d.makeTables()
	return true
}

// makeTables makes tables of what was counted, and says which each context takes.
func (d *dense) makeTables() {
	d.of = slices.Grow(d.of[:0], len(d.hists))[:len(d.hists)]
	clear(d.of)
	d.groups = gather(d.list, d.groups, d.of)
	for len(d.tables) < len(d.groups) {
		d.tables = append(d.tables, encodeTable{})
		d.counts = append(d.counts, nil)
	}
	for i := range d.groups {
		d.counts[i] = normalise(&d.groups[i].n, d.counts[i])
		d.tables[i].set(d.counts[i])
	}
	for c := range d.channels {
		for k := range d.channels[c].table {
			d.channels[c].table[k] = d.of[histChannels+c*contexts+k]
		}
	}
}

// stream appends tokens to b: the state, then of each the bits that lead to the
// next state and those that its symbol leaves open.
func (d *dense) stream(b []byte, tokens []token) []byte {
	d.low, d.lowN = slices.Grow(d.low[:0], len(tokens))[:len(tokens)], slices.Grow(d.lowN[:0], len(tokens))[:len(tokens)]
	state := uint16(0)
	for i := len(tokens) - 1; i >= 0; i-- {
		t := &tokens[i]
		state, d.low[i], d.lowN[i] = d.tables[d.of[t.hist]].put(state, t.symbol)
	}
	w := bitWriter{b: b}
	w.put(uint64(state), logStates)
	for i := range tokens {
		w.put(uint64(d.low[i]), uint(d.lowN[i]))
		if n := uint(tokens[i].n); n <= 32 {
			w.put(tokens[i].open, n)
		} else {
			w.put(tokens[i].open&(1<<32-1), 32)
			w.put(tokens[i].open>>32, n-32)
		}
	}
	return w.flush()
}

// denseBlock appends the block of rows from to end, the k-th.
func (d *dense) denseBlock(b []byte, rows []Row, k, from, end int) []byte {
	stampsFrom, valuesFrom := from-k, 0
	if k > 0 {
		valuesFrom = d.valueEnd[k-1]
	}
	b = d.appendGaps(b, rows[from:end])
	l := d.lines[k]
	b = appendInt(appendInt(b, l[0]>>8), l[1]-d.slope)
	d.scratchText = d.appendWhole(d.scratchText[:0], rows, from, end)
	flags := uint64(d.rowClass[from]) << 2
	if d.manyClasses(from, end) {
		flags |= flagMany
	}
	if len(d.scratchText) > 0 {
		flags |= flagWhole
	}
	b = appendUint(b, flags)
	b = d.appendFirsts(b, from, end)
	if len(d.scratchText) > 0 {
		b = appendBytes(b, d.scratchText)
	}
	at := len(b)
	b = d.stream(append(b, 0, 0), d.stamps[stampsFrom:stampsFrom+end-from-1])
	if n := len(b) - at - 2; n < 1<<16 {
		binary.LittleEndian.PutUint16(b[at:], uint16(n))
	}
	return d.stream(b, d.values[valuesFrom:d.valueEnd[k]])
}

// appendGaps tells which rows do not follow the number before.
func (d *dense) appendGaps(b []byte, rows []Row) []byte {
	n := 0
	for i := 1; i < len(rows); i++ {
		if rows[i].Seq != rows[i-1].Seq+1 {
			n++
		}
	}
	b = appendUint(b, uint64(n))
	for i, last := 1, 0; n > 0; i++ {
		if gap := rows[i].Seq - rows[i-1].Seq - 1; gap != 0 {
			b = appendInt(appendUint(b, uint64(i-last)), gap)
			last = i
			n--
		}
	}
	return b
}

// appendFirsts writes each channel's first number, in the order they come.
func (d *dense) appendFirsts(b []byte, from, end int) []byte {
	begun := make([]bool, len(d.channels))
	firsts := d.scratch[:0]
	for i := from; i < end; i++ {
		t := &d.templates[d.classes[d.rowClass[i]].template]
		for j := range t.fields {
			if f := &t.fields[j]; !f.constant && !begun[f.channel] {
				begun[f.channel] = true
				firsts = append(firsts, d.fields[d.fieldAt[i]+j])
			}
		}
	}
	b = appendUint(b, uint64(len(firsts)))
	for _, v := range firsts {
		b = appendInt(b, v)
	}
	d.scratch = firsts
	return b
}

// appendWhole writes what was said in rows that follow no template.
func (d *dense) appendWhole(b []byte, rows []Row, from, end int) []byte {
	for i := from; i < end; i++ {
		if d.templates[d.classes[d.rowClass[i]].template].whole {
			b = appendBytes(appendBytes(b, rows[i].Said), rows[i].More)
		}
	}
	return b
}
