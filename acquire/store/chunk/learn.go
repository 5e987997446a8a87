package chunk

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
					f(&d.channels[t.fields[j].channel], &d.fields[int(d.fieldAt[i])+j])
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
			v := d.fields[int(d.fieldAt[i])+ch.field]
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
