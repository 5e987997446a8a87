package chunk

import "math"

// Summary is what a run of rows of one unit comes to: a block's, a minute's or
// an hour's. Values are as said: Min, Max, Sum, First and Last are in steps of
// 10^Exp of Unit, Integral in steps × seconds. Sums of less than 2^53 steps are
// exact. A row without a value counts as a row and is in no sum.
type Summary struct {
	Rows, Values    int64
	Bad             int64 // rows with a quality other than good
	Quality, Status uint8 // all that was ever wrong
	Exp             int8
	Unit            string
	Min, Max, Sum   float64
	First, Last     float64
	From, To        int64   // ns, of the first and the last row
	FirstAt, LastAt int64   // ns, of the first and the last value
	Integral        float64 // each value holds until the next row, for at most the hold
	open            bool    // the last row has a value
}

// Add takes one row in; rows come in order. hold is for how many ns a value
// holds at most. It refuses a row of another unit, which begins a Summary of its
// own.
func (s *Summary) Add(at int64, k *Kind, digits, hold int64) bool {
	one := Summary{Rows: 1, Quality: k.Quality, Status: k.Status, Unit: k.Unit, From: at, To: at}
	if k.Quality != 0 {
		one.Bad = 1
	}
	if k.HasValue {
		v := float64(digits)
		one.Values, one.Exp, one.Min, one.Max, one.Sum, one.First, one.Last = 1, k.Exp, v, v, v, v, v
		one.FirstAt, one.LastAt, one.open = at, at, true
	}
	return s.Merge(&one, hold)
}

// Merge takes in what follows s; see Add.
func (s *Summary) Merge(next *Summary, hold int64) bool {
	switch {
	case next.Rows == 0:
		return true
	case s.Rows == 0:
		*s = *next
		return true
	case s.Unit != next.Unit:
		return false
	}
	n := *next
	if s.Values > 0 && n.Values > 0 && s.Exp != n.Exp {
		e := min(s.Exp, n.Exp)
		s.scale(e)
		n.scale(e)
	}
	if s.open {
		s.Integral += s.Last * float64(min(max(n.From-s.To, 0), hold)) / 1e9
	}
	if n.Values > 0 {
		if s.Values == 0 {
			s.Exp, s.Min, s.Max, s.First, s.FirstAt = n.Exp, n.Min, n.Max, n.First, n.FirstAt
		}
		s.Min, s.Max, s.Last, s.LastAt = min(s.Min, n.Min), max(s.Max, n.Max), n.Last, n.LastAt
	}
	s.Rows, s.Values, s.Bad = s.Rows+n.Rows, s.Values+n.Values, s.Bad+n.Bad
	s.Sum, s.Integral = s.Sum+n.Sum, s.Integral+n.Integral
	s.Quality, s.Status, s.To, s.open = s.Quality|n.Quality, s.Status|n.Status, n.To, n.open
	return true
}

// scale turns s into steps of 10^e.
func (s *Summary) scale(e int8) {
	f := math.Pow10(int(s.Exp) - int(e))
	for _, v := range []*float64{&s.Min, &s.Max, &s.Sum, &s.First, &s.Last, &s.Integral} {
		*v *= f
	}
	s.Exp = e
}

// Summary sums up the rows of b, one Summary for each run of one unit; see
// Summary.Add for hold.
func (b *Block) Summary(dst []Summary, hold int64) []Summary {
	for i := range b.Seq {
		k := &b.Kinds[b.Kind[i]]
		if n := len(dst); n == 0 || !dst[n-1].Add(b.At[i], k, b.Digits[i], hold) {
			dst = append(dst, Summary{})
			dst[n].Add(b.At[i], k, b.Digits[i], hold)
		}
	}
	return dst
}
