package store

import (
	"context"
	"fmt"
	"iter"
	"math"
	"slices"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/store/chunk"
	"ovenward/drivers"
)

// Values are samples of a post, column by column, for who reads many.
type Values struct {
	Seq     []int64
	At      []int64   // ns since 1970 UTC
	S       []float64 // W/m², corrected, or as indicated where the correction is lost; NaN where there is no number
	Quality []acquire.Quality
	Version []int64 // of the post, in table post_versions

	lines []line   // by the block's kinds
	lost  [][2]int // from which on and before which the correction of values is lost
}

// Values reads what Samples reads, without what was said, many at a time. What
// it yields is valid until the next.
func (r *Reader) Values(ctx context.Context, postID string, from, to time.Time) iter.Seq2[*Values, error] {
	return func(yield func(*Values, error) bool) {
		var v Values
		for b, err := range r.blocks(ctx, postID, from, to) {
			if err == nil {
				err = r.values(ctx, b, &v)
			}
			if err != nil {
				if !yield(nil, fmt.Errorf("read the samples of post %s: %w", postID, err)) {
					return
				}
				continue
			}
			if !yield(&v, nil) {
				return
			}
		}
	}
}

// values fills v with the rows of b.
func (r *Reader) values(ctx context.Context, b span, v *Values) error {
	v.Seq, v.At = b.Seq[b.first:b.end], b.At[b.first:b.end]
	n := b.end - b.first
	v.S, v.Quality, v.Version = slices.Grow(v.S[:0], n)[:n], slices.Grow(v.Quality[:0], n)[:n], slices.Grow(v.Version[:0], n)[:n]
	v.lines = slices.Grow(v.lines[:0], len(b.Kinds))[:len(b.Kinds)]
	clear(v.lines)
	v.lost = v.lost[:0]
	kinds := b.Kind[b.first:b.end]
	for from := 0; from < n; {
		// Nearly always all of a block is of one kind.
		k, end := kinds[from], from+1
		for end < n && kinds[end] == k {
			end++
		}
		kind := &b.Kinds[k]
		allOf(v.Quality[from:end], acquire.Quality(kind.Quality))
		allOf(v.Version[from:end], kind.Version)
		l := &v.lines[k]
		if !l.made {
			var err error
			if *l, err = r.line(ctx, kind); err != nil {
				return err
			}
		}
		if l.straight {
			for i, d := range b.Digits[b.first+from : b.first+end] {
				v.S[from+i] = l.factor*float64(d) + l.offset
			}
		} else if err := r.bent(ctx, b, v, from, end); err != nil {
			return err
		}
		from = end
	}
	return nil
}

func allOf[T any](to []T, v T) {
	for i := range to {
		to[i] = v
	}
}

// bent fills v from one row on up to another, each corrected by itself; see TakeIndicated.
func (r *Reader) bent(ctx context.Context, b span, v *Values, from, end int) error {
	for i := from; i < end; i++ {
		s, err := r.sample(ctx, b.Block, b.first+i)
		if err != nil {
			return err
		}
		s.TakeIndicated()
		v.S[i], v.Quality[i] = float64(s.S), s.Quality
		switch n := len(v.lost); {
		case !s.lost || !s.HasValue():
		case n > 0 && v.lost[n-1][1] == i:
			v.lost[n-1][1]++
		default:
			v.lost = append(v.lost, [2]int{i, i + 1})
		}
	}
	return nil
}

// line is how digits of one kind become W/m², where that is a straight line.
type line struct {
	made, straight bool
	factor, offset float64
}

// line finds the straight line of a kind, if there is one: no table of levels, no
// temperature, no decibels, no axes.
func (r *Reader) line(ctx context.Context, k *chunk.Kind) (line, error) {
	l := line{made: true}
	if !k.HasValue {
		return l, nil
	}
	c, err := r.correction(ctx, k.Correction)
	if err != nil {
		return l, err
	}
	if c.lost || c.Setting.SaysTemperature || c.Certificate != nil && len(c.Certificate.ByLevel) > 0 {
		return l, nil
	}
	u := r.unit(k.Unit).unit
	at := func(digits int64) float64 {
		s := acquire.Sample{Reading: drivers.Reading{HasValue: true, Unit: k.Unit, Value: drivers.Decimal{Digits: digits, Exp: k.Exp}}}
		c.derive(&s, u)
		return float64(s.S)
	}
	zero, one, two := at(0), at(1<<20), at(2<<20)
	l.factor, l.offset = (two-zero)/(2<<20), zero
	l.straight = math.Abs(two-2*one+zero) <= 1e-12*math.Abs(two-zero)
	return l, nil
}
