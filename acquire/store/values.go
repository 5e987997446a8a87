package store

import (
	"context"
	"fmt"
	"iter"
	"math"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/store/chunk"
	"ovenward/drivers"
)

// Values are samples of a post, column by column, for who reads many.
type Values struct {
	Seq     []int64
	At      []int64   // ns since 1970 UTC
	S       []float64 // W/m², corrected; NaN where there is no number
	Quality []acquire.Quality
	Version []int64 // of the post, in table post_versions
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
	v.S, v.Quality, v.Version = v.S[:0], v.Quality[:0], v.Version[:0]
	lines := make([]line, len(b.Kinds))
	for i := b.first; i < b.end; i++ {
		k := b.Kind[i]
		kind := &b.Kinds[k]
		v.Quality, v.Version = append(v.Quality, acquire.Quality(kind.Quality)), append(v.Version, kind.Version)
		if !lines[k].made {
			var err error
			if lines[k], err = r.line(ctx, kind); err != nil {
				return err
			}
		}
		if l := &lines[k]; l.straight {
			v.S = append(v.S, l.factor*float64(b.Digits[i])+l.offset)
			continue
		}
		s, err := r.sample(ctx, b.Block, i)
		if err != nil {
			return err
		}
		v.S = append(v.S, float64(s.S))
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
	if c.Setting.SaysTemperature || c.Certificate != nil && len(c.Certificate.ByLevel) > 0 {
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
