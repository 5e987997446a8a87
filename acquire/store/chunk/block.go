package chunk

import (
	"encoding/binary"
	"slices"
)

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
		t := tokens[i]
		state, d.low[i], d.lowN[i] = d.tables[d.of[t.hist()]].put(state, t.symbol())
	}
	w := bitWriter{b: b}
	w.put(uint64(state), logStates)
	for i := range tokens {
		w.put(uint64(d.low[i]), uint(d.lowN[i]))
		open := uint64(tokens[i] >> 20)
		_, n := base(tokens[i].symbol())
		if n > openBits {
			open = d.long[open]
		}
		if n <= 32 {
			w.put(open, uint(n))
		} else {
			w.put(open&(1<<32-1), 32)
			w.put(open>>32, uint(n)-32)
		}
	}
	return w.flush()
}

// denseBlock appends the block of rows from to end, the k-th.
func (d *dense) denseBlock(b []byte, k, from, end int) []byte {
	stampsFrom, valuesFrom, wholesFrom := from-k, 0, 0
	if k > 0 {
		valuesFrom, wholesFrom = d.valueEnd[k-1], d.wholeEnd[k-1]
	}
	b = d.appendGaps(b, d.seq[from:end])
	l := d.lines[k]
	b = appendInt(appendInt(b, l[0]>>8), l[1]-d.slope)
	wholes := d.wholes[wholesFrom:d.wholeEnd[k]]
	flags := uint64(d.rowClass[from]) << 2
	if d.manyClasses(from, end) {
		flags |= flagMany
	}
	if len(wholes) > 0 {
		flags |= flagWhole
	}
	b = appendUint(b, flags)
	b = d.appendFirsts(b, from, end)
	if len(wholes) > 0 {
		b = appendBytes(b, wholes)
	}
	at := len(b)
	b = d.stream(append(b, 0, 0), d.stamps[stampsFrom:stampsFrom+end-from-1])
	if n := len(b) - at - 2; n < 1<<16 {
		binary.LittleEndian.PutUint16(b[at:], uint16(n))
	}
	return d.stream(b, d.values[valuesFrom:d.valueEnd[k]])
}

// appendGaps tells which rows do not follow the number before.
func (d *dense) appendGaps(b []byte, seq []int64) []byte {
	n := 0
	for i := 1; i < len(seq); i++ {
		if seq[i] != seq[i-1]+1 {
			n++
		}
	}
	b = appendUint(b, uint64(n))
	for i, last := 1, 0; n > 0; i++ {
		if gap := seq[i] - seq[i-1] - 1; gap != 0 {
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
				firsts = append(firsts, d.fields[int(d.fieldAt[i])+j])
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
