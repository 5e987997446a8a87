package store

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
)

// What is needed of SQLite's file format (sqlite.org/fileformat2.html, 1.6) to find
// the leaves of a table where SQLite itself gives up.
const (
	interiorPage = 5
	leafPage     = 13
	mapPage      = 2 // the first page of the pointer map
)

// errNoLeaf is damage that cannot be told to be one of a leaf, and is not mended
// while running.
var errNoLeaf = errors.New("the damaged page is not known to be a leaf of the database")

// leaf is a page at the bottom of a table, and the keys that it may hold: above
// lo, up to hi.
type leaf struct {
	page   int64
	lo, hi int64
	root   bool
}

// pager reads pages as they are.
type pager struct {
	q     querier
	size  int // bytes of a page that are used
	pages int64
}

func newPager(ctx context.Context, q querier) (*pager, error) {
	p := &pager{q: q}
	var vacuum int
	if err := q.QueryRowContext(ctx, "PRAGMA auto_vacuum").Scan(&vacuum); err != nil {
		return nil, err
	}
	if vacuum == 0 { // then there is no pointer map
		return nil, errNoLeaf
	}
	if err := errors.Join(q.QueryRowContext(ctx, "PRAGMA page_count").Scan(&p.pages), q.QueryRowContext(ctx, "PRAGMA page_size").Scan(&p.size)); err != nil {
		return nil, err
	}
	first, err := p.read(ctx, 1)
	if err != nil {
		return nil, err
	}
	p.size -= int(first[20])
	return p, nil
}

func (p *pager) read(ctx context.Context, page int64) (b []byte, err error) {
	if err := p.q.QueryRowContext(ctx, "SELECT data FROM sqlite_dbpage WHERE pgno = ?", page).Scan(&b); err != nil {
		return nil, fmt.Errorf("read page %d: %w", page, err)
	}
	return b, nil
}

// leaves calls f for each leaf of a table.
func (p *pager) leaves(ctx context.Context, table string, f func(leaf) error) error {
	var root int64
	if err := p.q.QueryRowContext(ctx, "SELECT rootpage FROM sqlite_schema WHERE type = 'table' AND name = ?", table).Scan(&root); err != nil {
		return err
	}
	top := leaf{page: root, lo: math.MinInt64, hi: math.MaxInt64, root: true}
	b, err := p.read(ctx, root)
	if err != nil {
		return err
	}
	if b[0] == leafPage {
		return f(top)
	}
	if b[0] != interiorPage {
		if above, err := p.isAbove(ctx, root); err != nil || above {
			return errors.Join(err, errNoLeaf)
		}
		return f(top)
	}
	return p.below(ctx, b, top, f)
}

// below calls f for each leaf under an inner page.
func (p *pager) below(ctx context.Context, b []byte, at leaf, f func(leaf) error) error {
	n := int(binary.BigEndian.Uint16(b[3:]))
	children := make([]leaf, 0, n+1)
	lo := at.lo
	for i := range n {
		if 12+2*i+2 > p.size {
			return errNoLeaf
		}
		cell := int(binary.BigEndian.Uint16(b[12+2*i:]))
		if cell < 12+2*n || cell+5 > p.size {
			return errNoLeaf
		}
		key, size := sqliteVarint(b[cell+4 : p.size])
		if size == 0 || key < lo || key > at.hi {
			return errNoLeaf
		}
		children = append(children, leaf{page: int64(binary.BigEndian.Uint32(b[cell:])), lo: lo, hi: key})
		lo = key
	}
	children = append(children, leaf{page: int64(binary.BigEndian.Uint32(b[8:])), lo: lo, hi: at.hi})
	for _, c := range children {
		if c.page < 2 || c.page > p.pages {
			return errNoLeaf
		}
		page, err := p.read(ctx, c.page)
		if err != nil {
			return err
		}
		if page[0] == interiorPage {
			if above, err := p.isAbove(ctx, c.page); err != nil {
				return err
			} else if above {
				if err := p.below(ctx, page, c, f); err != nil {
					return err
				}
				continue
			}
		}
		if err := f(c); err != nil {
			return err
		}
	}
	return nil
}

// isAbove says whether the pointer map has pages below this one: so it is an inner
// page, whatever its own bytes say.
func (p *pager) isAbove(ctx context.Context, page int64) (bool, error) {
	const inner = 5 // the kind of a page that is below another in a table
	entries := int64(p.size / 5)
	for at := int64(mapPage); at <= p.pages; at += entries + 1 {
		b, err := p.read(ctx, at)
		if err != nil {
			return false, err
		}
		for i := range int(entries) {
			if b[5*i] == inner && int64(binary.BigEndian.Uint32(b[5*i+1:])) == page {
				return true, nil
			}
		}
	}
	return false, nil
}

// rowsOf returns the keys of a leaf; false when it is none that SQLite reads.
func (p *pager) rowsOf(b []byte, l leaf) (keys []int64, ok bool) {
	if b[0] != leafPage {
		return nil, false
	}
	n, lo := int(binary.BigEndian.Uint16(b[3:])), l.lo
	if n == 0 && !l.root || 8+2*n > p.size {
		return nil, false
	}
	for i := range n {
		cell := int(binary.BigEndian.Uint16(b[8+2*i:]))
		if cell < 8+2*n || cell+4 > p.size {
			return nil, false
		}
		payload, a := sqliteVarint(b[cell:p.size])
		key, c := sqliteVarint(b[cell+a : p.size])
		if a == 0 || c == 0 || payload < 0 || key <= lo && lo != math.MinInt64 || key > l.hi {
			return nil, false
		}
		keys, lo = append(keys, key), key
	}
	return keys, true
}

// sqliteVarint reads a number of SQLite's, and says how many bytes it has; 0 when
// it is cut.
func sqliteVarint(b []byte) (v int64, n int) {
	var u uint64
	for n < len(b) && n < 8 {
		u = u<<7 | uint64(b[n]&0x7f)
		n++
		if b[n-1] < 0x80 {
			return int64(u), n
		}
	}
	if n == 8 && n < len(b) {
		return int64(u<<8 | uint64(b[8])), 9
	}
	return 0, 0
}

// placeholder is a leaf with one row, since SQLite takes none without; a root has
// none at all. The row's other columns are of the given serial types, each zero.
func (p *pager) placeholder(total int, l leaf, types []byte) (page []byte, key int64) {
	b := make([]byte, total)
	b[0] = leafPage
	if l.root {
		binary.BigEndian.PutUint16(b[5:], uint16(p.size)) // 65536 is written as 0
		return b, 0
	}
	key = l.hi
	if key == math.MaxInt64 {
		key = l.lo + 1
	}
	size := 1 + len(types) // the head of the row, its length first
	for _, t := range types {
		if t == 6 {
			size += 8
		}
	}
	cell := appendVarint(appendVarint(nil, uint64(size)), uint64(key))
	cell = append(append(cell, byte(1+len(types))), types...)
	cell = append(cell, make([]byte, size-1-len(types))...)
	at := p.size - len(cell)
	copy(b[at:], cell)
	binary.BigEndian.PutUint16(b[3:], 1)
	binary.BigEndian.PutUint16(b[5:], uint16(at))
	binary.BigEndian.PutUint16(b[8:], uint16(at))
	return b, key
}

// appendVarint writes a number as SQLite does.
func appendVarint(b []byte, u uint64) []byte {
	if u >= 1<<56 {
		for i := range 8 {
			b = append(b, byte(u>>(8+7*(7-i)))|0x80)
		}
		return append(b, byte(u))
	}
	n := 1
	for u>>(7*n) > 0 {
		n++
	}
	for n--; n > 0; n-- {
		b = append(b, byte(u>>(7*n))&0x7f|0x80)
	}
	return append(b, byte(u&0x7f))
}
