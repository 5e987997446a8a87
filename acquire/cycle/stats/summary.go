package stats

import (
	"time"

	"ovenward/acquire/quantity"
)

// Piece is a value and how long it held.
type Piece struct {
	At   time.Time
	For  time.Duration
	S    quantity.PowerDensity
	On   bool // the oven emits
	Over bool // over the probe's range: S is only the least that it may have been

	Uncalibrated bool // no certificate covered it
}

// keptPeaks is how many of the highest values are kept.
const keptPeaks = 10

// Peak is one of the highest values. Over stands for over range.
type Peak struct {
	At   time.Time
	S    quantity.PowerDensity
	Over bool
}

// Peaks are the highest values with their instants, the highest first; of equals
// the earlier. Nothing in it is approximate.
type Peaks struct {
	all [keptPeaks]Peak
	n   int
}

// Add takes a value.
func (p *Peaks) Add(v Peak) {
	i := p.n
	for i > 0 && higher(v, p.all[i-1]) {
		i--
	}
	if i == keptPeaks {
		return
	}
	p.n = min(p.n+1, keptPeaks)
	copy(p.all[i+1:p.n], p.all[i:])
	p.all[i] = v
}

func higher(a, b Peak) bool {
	switch {
	case a.Over != b.Over:
		return a.Over
	case a.S != b.S:
		return a.S > b.S
	}
	return a.At.Before(b.At)
}

// Merge takes the highest of another.
func (p *Peaks) Merge(o *Peaks) {
	for _, v := range o.all[:o.n] {
		p.Add(v)
	}
}

// List copies them.
func (p *Peaks) List() []Peak { return append([]Peak(nil), p.all[:p.n]...) }

// Distribution is what the field was like in one state of the oven.
type Distribution struct {
	Moments   Moments // of the time in range: with any time over it, the mean is a lower bound
	Quantiles Quantiles
	OverRange time.Duration
}

// Add takes a piece.
func (d *Distribution) Add(p Piece) {
	if p.Over {
		d.OverRange += p.For
		d.Quantiles.Add(2*Most, p.For)
		return
	}
	d.Moments.Add(float64(p.S), p.For)
	d.Quantiles.Add(float64(p.S), p.For)
}

func (d *Distribution) merge(o *Distribution) {
	d.Moments.Merge(o.Moments)
	d.Quantiles.Merge(&o.Quantiles)
	d.OverRange += o.OverRange
}

// Exceedances counts stretches above a level. Nothing in it is approximate.
type Exceedances struct {
	Level       quantity.PowerDensity
	Count       int           // unbroken stretches
	Above       time.Duration // in all
	First, Last time.Time     // begin and end of what was seen

	beginsAbove, endsAbove bool
}

// Merge takes what comes next: an exceedance that goes on is not two.
func (e *Exceedances) Merge(next Exceedances) {
	if next.First.IsZero() {
		return
	}
	if e.First.IsZero() {
		next.Level = e.Level
		*e = next
		return
	}
	if e.endsAbove && next.beginsAbove && next.First.Equal(e.Last) {
		e.Count--
	}
	e.Count += next.Count
	e.Above += next.Above
	e.Last, e.endsAbove = next.Last, next.endsAbove
}

// Summary sums up a stretch of time: a run, an hour, a day, a whole test. Its size
// does not grow with what it sums up. Time that no piece covers is unseen; it is
// neither on nor off, and parts an exceedance from the next.
type Summary struct {
	On, Off Distribution
	Peaks   Peaks
	Levels  []Exceedances // of each level that NewSummary was given

	Uncalibrated time.Duration // of the time seen: no certificate covered it
	Untold       time.Duration // of the time seen: whether one did was not kept
}

// NewSummary begins one that counts exceedances of levels.
func NewSummary(levels ...quantity.PowerDensity) Summary {
	var s Summary
	for _, l := range levels {
		s.Levels = append(s.Levels, Exceedances{Level: l})
	}
	return s
}

// Add takes the next piece; pieces come in order and do not overlap.
func (s *Summary) Add(p Piece) {
	if p.For <= 0 {
		return
	}
	e := Exceedances{First: p.At, Last: p.At.Add(p.For)}
	for i := range s.Levels {
		e.Count, e.Above, e.beginsAbove, e.endsAbove = 0, 0, false, false
		if p.Over || p.S > s.Levels[i].Level {
			e.Count, e.Above, e.beginsAbove, e.endsAbove = 1, p.For, true, true
		}
		s.Levels[i].Merge(e)
	}
	s.Peaks.Add(Peak{p.At, p.S, p.Over})
	if p.Uncalibrated {
		s.Uncalibrated += p.For
	}
	if p.On {
		s.On.Add(p)
	} else {
		s.Off.Add(p)
	}
}

// Merge takes a later stretch. A level that one of the two did not count is counted
// no more.
func (s *Summary) Merge(later *Summary) {
	if later.Seen() > 0 {
		kept := s.Levels[:0]
		for _, e := range s.Levels {
			if next, ok := later.Above(e.Level); ok {
				e.Merge(next)
				kept = append(kept, e)
			}
		}
		s.Levels = kept
	}
	s.Peaks.Merge(&later.Peaks)
	s.On.merge(&later.On)
	s.Off.merge(&later.Off)
	s.Uncalibrated, s.Untold = s.Uncalibrated+later.Uncalibrated, s.Untold+later.Untold
}

// Above is what was counted of a level; false when it was not counted throughout.
func (s *Summary) Above(level quantity.PowerDensity) (Exceedances, bool) {
	for _, e := range s.Levels {
		if e.Level == level {
			return e, true
		}
	}
	return Exceedances{}, false
}

// Seen is the time that pieces covered.
func (s *Summary) Seen() time.Duration { return s.On.Quantiles.Total() + s.Off.Quantiles.Total() }
