package chunk

import (
	"cmp"
	"math"
	"slices"
)

// hist counts the symbols of one context.
type hist struct {
	id    int
	n     [256]uint32
	total uint32
	top   int // symbols below it were seen
}

func (h *hist) add(symbol uint8) {
	h.n[symbol]++
	h.total++
	h.top = max(h.top, int(symbol)+1)
}

// group is contexts that share a table.
type group struct {
	hist
	bits float64 // to code it all, with the table
}

const maxTables = 64

// tableBits is what a symbol costs in a table, in both heads.
const tableBits = 24

// gather makes few tables of many contexts. It returns which table each context
// takes, by its id.
func gather(hists []*hist, groups []group, of []uint8) []group {
	groups = groups[:0]
	slices.SortStableFunc(hists, func(a, b *hist) int { return cmp.Or(cmp.Compare(b.total, a.total), cmp.Compare(a.id, b.id)) })
	for _, h := range hists {
		if h.total == 0 {
			continue
		}
		best, least := len(groups), price(&h.n, h.top, nil)
		if len(groups) == maxTables {
			least = math.Inf(1)
		}
		for i := range groups {
			g := &groups[i]
			if more := price(&h.n, max(h.top, g.top), &g.n) - g.bits; more < least {
				best, least = i, more
			}
		}
		if best == len(groups) {
			groups = append(groups, group{hist: *h, bits: least})
		} else {
			g := &groups[best]
			for s := range h.top {
				g.n[s] += h.n[s]
			}
			g.total, g.top, g.bits = g.total+h.total, max(g.top, h.top), g.bits+least
		}
		of[h.id] = uint8(best)
	}
	return groups
}

// price is how many bits it takes to code all symbols of a, and of b if any,
// with one table of their own.
func price(a *[256]uint32, top int, b *[256]uint32) float64 {
	total, sum, used := 0.0, 0.0, 0
	for s := range top {
		n := a[s]
		if b != nil {
			n += b[s]
		}
		if n == 0 {
			continue
		}
		used++
		total += float64(n)
		sum += float64(n) * math.Log2(float64(n))
	}
	return total*math.Log2(total) - sum + tableBits*float64(used+1)
}
