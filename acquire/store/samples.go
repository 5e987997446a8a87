package store

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"time"

	"ovenward/acquire"
	"ovenward/acquire/calib"
	"ovenward/acquire/field"
	"ovenward/acquire/quantity"
	"ovenward/acquire/store/chunk"
	"ovenward/drivers"
)

// StoredSample is a sample read back. S and U are derived anew, from what was
// said and the correction that was in force. Mono is not set; Said is its own.
type StoredSample struct {
	acquire.Sample
	Version      int64 // of the post, in table post_versions
	CorrectionID int64 // in table corrections; 0: none was in force

	lost bool // the correction is
}

// TakeIndicated makes a value whose correction is lost what a probe without zero and
// certificate would have shown, uncalibrated, and says whether it did: else what was above
// the limit would exceed no more. What the record says was under the floor was not above.
func (s *StoredSample) TakeIndicated() bool {
	if !s.lost || !s.HasValue() || s.Quality&acquire.UnderFloor != 0 {
		return false
	}
	u, known := quantity.LookupUnit(s.Reading.Unit)
	by := calib.Setting{Impedance: field.Standard377} // which was stated is lost too: this gives less
	if u.Kind() == quantity.KindMagneticField {
		by.Impedance = field.CODATA2022
	}
	said, err := by.Level(&s.Reading, u)
	if !known || err != nil {
		return false
	}
	s.S, s.Quality = said, s.Quality|acquire.Uncalibrated
	return true
}

// Damage is a stretch of a post's samples that cannot be read. Instants and
// numbers are those between which it lies, both ends included.
type Damage struct {
	Post           string
	From, To       time.Time
	FromSeq, ToSeq int64
	Why            string
}

func (d *Damage) Error() string {
	return fmt.Sprintf("the record of post %s is damaged from %s to %s (numbers %d to %d): %s; see ovenward verify",
		d.Post, d.From.Format(time.RFC3339Nano), d.To.Format(time.RFC3339Nano), d.FromSeq, d.ToSeq, d.Why)
}

// damageOf is a block's damage in the words of this package.
func damageOf(err error) error {
	var d *chunk.Damage
	if !errors.As(err, &d) {
		return err
	}
	return &Damage{Post: d.Post, From: instant(d.From), To: instant(d.To), FromSeq: d.FromSeq, ToSeq: d.ToSeq, Why: d.Why}
}

// Samples reads the samples of a post with from ≤ At < to in the order of their
// numbers; a zero time is no bound. A stretch that is damaged comes as an error
// that is a *Damage, and what lies behind it follows. After any other error it
// ends.
func (r *Reader) Samples(ctx context.Context, postID string, from, to time.Time) iter.Seq2[StoredSample, error] {
	return r.rowsOf(ctx, postID, r.blocks(ctx, postID, from, to))
}

// SamplesFrom reads the samples of a post from number seq on, like Samples; of a
// post that there is not, none.
func (r *Reader) SamplesFrom(ctx context.Context, postID string, seq int64) iter.Seq2[StoredSample, error] {
	return r.rowsOf(ctx, postID, r.blocksFrom(ctx, postID, seq))
}

// rowsOf makes the samples of blocks whole.
func (r *Reader) rowsOf(ctx context.Context, postID string, blocks iter.Seq2[span, error]) iter.Seq2[StoredSample, error] {
	return func(yield func(StoredSample, error) bool) {
		fail := func(err error) bool {
			return yield(StoredSample{}, fmt.Errorf("read the samples of post %s: %w", postID, err))
		}
		for b, err := range blocks {
			if err != nil {
				if !fail(err) {
					return
				}
				continue
			}
			for i := b.first; i < b.end; i++ {
				s, err := r.sample(ctx, b.Block, i)
				if err != nil {
					fail(err)
					return
				}
				if !yield(s, nil) {
					return
				}
			}
		}
	}
}

// sample makes row i of b whole.
func (r *Reader) sample(ctx context.Context, b *chunk.Block, i int) (s StoredSample, err error) {
	var words []byte
	row := b.Row(i, &words)
	return r.whole(ctx, &row)
}

// whole makes a sample of a row.
func (r *Reader) whole(ctx context.Context, row *chunk.Row) (s StoredSample, err error) {
	s.Seq, s.At, s.AtU, s.Said = row.Seq, instant(row.At), time.Duration(row.AtU), row.Said
	s.Quality, s.Version, s.CorrectionID = acquire.Quality(row.Quality), row.Version, row.Correction
	s.Reading.Status, s.Reading.HasValue = drivers.Status(row.Status), row.HasValue
	if row.HasValue {
		s.Reading.Value = drivers.Decimal{Digits: row.Digits, Exp: row.Exp}
	}
	if len(row.More) > 0 {
		if err := readMore(string(row.More), &s.Reading); err != nil {
			return s, err
		}
	}
	u := r.unit(row.Unit)
	c, err := r.correction(ctx, row.Correction)
	if err != nil {
		return s, err
	}
	s.Reading.Unit, s.lost = u.said, c.lost
	c.derive(&s.Sample, u.unit)
	return s, nil
}
