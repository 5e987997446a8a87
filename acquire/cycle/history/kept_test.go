package history

import (
	"context"
	"iter"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"
	"time"

	"ovenward/acquire/cycle/stats"
	"ovenward/acquire/quantity"
)

var begin = time.Date(2030, 5, 4, 22, 17, 3, 0, time.UTC)

func options() Options {
	return Options{Floor: 0.1, Response: time.Second, Gap: 90 * time.Second, Stale: 3 * time.Second, Levels: []quantity.PowerDensity{50, 10}}
}

func pass() Post { return Post{"pass", options()} }

// keptOf is a record of samples, of which the runs and hours are kept that ended by then.
func keptOf(t *testing.T, all []Sample, then time.Time) *kept {
	t.Helper()
	k := &kept{all: all}
	if err := NewFollower(k, []Post{pass()}).Once(t.Context(), then); err != nil {
		t.Fatal(err)
	}
	return k
}

// truth is a run as it was made.
type truth struct {
	start, end time.Time
	on         time.Duration
	peak       quantity.PowerDensity
}

// made invents a probe's samples at an oven, one a second: runs of some minutes with
// duty cycling between pauses longer than the run gap. holes says whether samples are
// missing, faulty and over range here and there.
func made(rng *rand.Rand, span time.Duration, holes bool) (all []Sample, runs []truth) {
	noise := func() quantity.PowerDensity { return quantity.PowerDensity(0.02 * math.Abs(rng.NormFloat64())) }
	at := begin
	put := func(s Sample) {
		s.At, s.Valid = at, true
		at = at.Add(time.Second)
		if holes {
			switch rng.IntN(2000) {
			case 0:
				at = at.Add(time.Duration(rng.IntN(40)) * time.Second)
				return
			case 1:
				s.Valid = false
			}
		}
		all = append(all, s)
	}
	for at.Sub(begin) < span {
		for range 100 + rng.IntN(900) {
			put(Sample{S: noise()})
		}
		level, duty := 2+60*rng.Float64()*rng.Float64(), 4+rng.IntN(20)
		r := truth{start: at}
		for range 2 + rng.IntN(12) {
			for range duty {
				s := Sample{S: quantity.PowerDensity(level * (1 + 0.1*rng.Float64()))}
				if holes && rng.IntN(400) == 0 {
					s.S, s.Over = 200, true
				}
				r.peak = max(r.peak, s.S)
				put(s)
			}
			r.end, r.on = at, r.on+time.Duration(duty)*time.Second
			for range 24 - duty {
				put(Sample{S: noise()})
			}
		}
		runs = append(runs, r)
	}
	for range 200 {
		put(Sample{S: noise()})
	}
	return all, runs
}

// kept is a record in memory.
type kept struct {
	all   []Sample
	st    State
	runs  []Run
	hours []Hour
	fail  func() error // of KeepHistory; may be nil

	reading int  // that are under way
	nested  bool // there were two at a time
}

func (k *kept) PastSamples(_ context.Context, _ string, from, to time.Time) iter.Seq2[[]Sample, error] {
	return func(yield func([]Sample, error) bool) {
		defer k.reads()()
		for i := 0; i < len(k.all); i += 700 {
			var batch []Sample
			for _, s := range k.all[i:min(len(k.all), i+700)] {
				if !s.At.Before(from) && s.At.Before(to) {
					batch = append(batch, s)
				}
			}
			if len(batch) > 0 && !yield(batch, nil) {
				return
			}
		}
	}
}

// reads notes when something is read while something else still is: each takes one of
// the few connections to a record, and waits for it.
func (k *kept) reads() (done func()) {
	k.nested = k.nested || k.reading > 0
	k.reading++
	return func() { k.reading-- }
}

func (k *kept) HistoryState(context.Context, string) (State, error) { return k.st, nil }

func (k *kept) KeepHistory(_ context.Context, _ string, st State, runs []Run, hours []Hour) error {
	if k.fail != nil {
		if err := k.fail(); err != nil {
			return err
		}
	}
	k.st, k.runs, k.hours = st, append(k.runs, runs...), append(k.hours, hours...)
	return nil
}

func (k *kept) PastHours(_ context.Context, _ string, from, to time.Time) iter.Seq2[Hour, error] {
	return func(yield func(Hour, error) bool) {
		defer k.reads()()
		for _, h := range k.hours {
			if !h.From.Before(from) && h.From.Before(to) && !yield(h, nil) {
				return
			}
		}
	}
}

func (k *kept) PastRuns(_ context.Context, _ string, from, to time.Time) iter.Seq2[Run, error] {
	return func(yield func(Run, error) bool) {
		for _, r := range k.runs {
			if !r.Start.Before(from) && r.Start.Before(to) && !yield(r, nil) {
				return
			}
		}
	}
}

// again sums up, the plain way, what lies in [from, to).
func again(all []Sample, o Options, on func(i int) bool, from, to time.Time) stats.Summary {
	sum := stats.NewSummary(o.Levels...)
	for i, s := range all {
		until := s.At.Add(o.Stale)
		if i+1 < len(all) && all[i+1].At.Before(until) {
			until = all[i+1].At
		}
		a, b := s.At, until
		if a.Before(from) {
			a = from
		}
		if to.Before(b) {
			b = to
		}
		if s.Valid && a.Before(b) {
			sum.Add(stats.Piece{At: a, For: b.Sub(a), S: s.S, On: on(i), Over: s.Over})
		}
	}
	return sum
}

// checkSum compares what does not depend on the order of rounding exactly, the rest
// to twelve digits.
func checkSum(t *testing.T, got, want stats.Summary) {
	t.Helper()
	near := func(a, b float64) bool {
		return a == b || math.Abs(a-b) <= 1e-12*math.Abs(b) || math.IsNaN(a) && math.IsNaN(b)
	}
	ok := reflect.DeepEqual(got.Levels, want.Levels) && reflect.DeepEqual(got.Peaks, want.Peaks) && got.Seen() == want.Seen()
	for _, d := range [][2]*stats.Distribution{{&got.On, &want.On}, {&got.Off, &want.Off}} {
		ok = ok && d[0].OverRange == d[1].OverRange && d[0].Quantiles.Total() == d[1].Quantiles.Total() && near(d[0].Quantiles.At(0.9), d[1].Quantiles.At(0.9)) &&
			d[0].Moments.N >= d[1].Moments.N && near(d[0].Moments.Weight, d[1].Moments.Weight) && near(d[0].Moments.Mean, d[1].Moments.Mean)
	}
	if !ok {
		t.Fatalf("got  %+v\nwant %+v", got, want)
	}
}
