package history

import (
	"context"
	"fmt"
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

// TestRunsAndHours holds what is made of invented days against how they were made.
func TestRunsAndHours(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 32))
	all, truths := made(rng, 30*time.Hour, false)
	k := &kept{all: all}
	f := NewFollower(k, []Post{{"pass", options()}})
	if err := f.Once(t.Context(), all[len(all)-1].At.Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	if len(k.runs) != len(truths) || len(truths) < 50 {
		t.Fatalf("%d runs, made %d", len(k.runs), len(truths))
	}
	for i, r := range k.runs {
		want := truths[i]
		if r.Number != int64(i+1) || !r.Start.Equal(want.start) || !r.End.Equal(want.end) || r.On != want.on || r.Peak != want.peak || r.Unseen != 0 || !r.Begun ||
			r.Mean <= 0 || r.P95 < r.Median || float64(r.P95) > 1.02*float64(r.Peak) || !(r.Deviation > 0) {
			t.Fatalf("run %d: %+v\nmade: %+v", i, r, want)
		}
	}
	on := func(i int) bool { return all[i].S > 1 }
	for _, h := range k.hours {
		checkSum(t, h.Sum, again(all, options(), on, h.From, h.From.Add(time.Hour)))
	}
	if want := int(all[len(all)-1].At.Truncate(time.Hour).Sub(begin.Truncate(time.Hour)) / time.Hour); len(k.hours) != want {
		t.Errorf("%d hours are kept, want %d: the last is under way", len(k.hours), want)
	}
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

// TestStartsChangeNothing: however often it is stopped, started and cannot keep what
// it has, the same runs and hours come out, each once.
func TestStartsChangeNothing(t *testing.T) {
	for seed := range uint64(6) {
		rng := rand.New(rand.NewPCG(seed, 33))
		all, _ := made(rng, 40*time.Hour, true)
		end := all[len(all)-1].At.Add(time.Hour)
		whole := &kept{all: all}
		if err := NewFollower(whole, []Post{{"pass", options()}}).Once(t.Context(), end); err != nil {
			t.Fatal(err)
		}
		pieces := &kept{all: all}
		pieces.fail = func() error {
			if rng.IntN(5) == 0 {
				return fmt.Errorf("the disk is full")
			}
			return nil
		}
		f := NewFollower(pieces, []Post{{"pass", options()}})
		for now := begin; ; now = now.Add(time.Duration(rng.IntN(3*3600)) * time.Second) {
			if rng.IntN(3) == 0 {
				f = NewFollower(pieces, []Post{{"pass", options()}})
			}
			if err := f.Once(t.Context(), now); err == nil && !now.Before(end) {
				break
			}
		}
		if !reflect.DeepEqual(pieces.runs, whole.runs) {
			t.Fatalf("seed %d: %d runs, at once %d\n%+v\n%+v", seed, len(pieces.runs), len(whole.runs), pieces.runs[:min(3, len(pieces.runs))], whole.runs[:3])
		}
		if len(pieces.hours) != len(whole.hours) {
			t.Fatalf("seed %d: %d hours, at once %d", seed, len(pieces.hours), len(whole.hours))
		}
		for i, h := range pieces.hours {
			if !h.From.Equal(whole.hours[i].From) {
				t.Fatalf("hour %d is %v, at once %v", i, h.From, whole.hours[i].From)
			}
			checkSum(t, h.Sum, whole.hours[i].Sum)
		}
	}
}

// TestBetween sums up intervals that cut hours, over kept hours and what is not kept
// yet.
func TestBetween(t *testing.T) {
	rng := rand.New(rand.NewPCG(41, 42))
	all, _ := made(rng, 60*time.Hour, false)
	k := &kept{all: all}
	if err := NewFollower(k, []Post{{"pass", options()}}).Once(t.Context(), begin.Add(45*time.Hour)); err != nil {
		t.Fatal(err)
	}
	on := func(i int) bool { return all[i].S > 1 }
	span := all[len(all)-1].At.Sub(begin)
	for range 40 {
		a, b := time.Duration(rng.Int64N(int64(span))), time.Duration(rng.Int64N(int64(span)))
		from, to := begin.Add(min(a, b)), begin.Add(max(a, b))
		got, err := Between(t.Context(), k, Post{"pass", options()}, from, to)
		if err != nil {
			t.Fatal(err)
		}
		checkSum(t, got, again(all, options(), on, from, to))
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

// TestALevelThatWasNotCounted: a limit that changes after the hours were kept is
// counted all the same, as long as the samples are there.
func TestALevelThatWasNotCounted(t *testing.T) {
	all, _ := made(rand.New(rand.NewPCG(43, 44)), 20*time.Hour, false)
	k := &kept{all: all}
	p := Post{"pass", options()}
	if err := NewFollower(k, []Post{p}).Once(t.Context(), begin.Add(18*time.Hour)); err != nil {
		t.Fatal(err)
	}
	p.Levels = []quantity.PowerDensity{20}
	got, err := Between(t.Context(), k, p, begin, begin.Add(19*time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	checkSum(t, got, again(all, p.Options, func(i int) bool { return all[i].S > 1 }, begin, begin.Add(19*time.Hour)))
	if above, ok := got.Above(20); !ok || above.Count == 0 {
		t.Errorf("%+v, counted %v", above, ok)
	}
	k.all = all[len(all)-9000:] // the rest was removed by age
	if got, err = Between(t.Context(), k, p, begin, begin.Add(19*time.Hour)); err != nil {
		t.Fatal(err)
	}
	if _, ok := got.Above(20); ok {
		t.Error("exceedances are told of hours whose samples are gone")
	}
	runs, err := Stretches(t.Context(), k, p, PerRun, begin, begin.Add(19*time.Hour), time.UTC)
	if err != nil || len(runs) == 0 {
		t.Fatalf("%d runs, %v", len(runs), err)
	}
	if e, ok := runs[0].Sum.Above(20); ok {
		t.Errorf("of a run whose samples are gone %d exceedances are told", e.Count)
	}
}

// TestHoursOfBeforeAreSummedUpAnew: sums that do not say what was calibrated, and took
// what was far below zero as seen, give way to samples; of hours whose samples are gone
// it stays not known.
func TestHoursOfBeforeAreSummedUpAnew(t *testing.T) {
	k, p := &kept{}, Post{"pass", options()}
	for i := range 4 * 3600 {
		s := Sample{At: begin.Truncate(time.Hour).Add(time.Duration(i) * time.Second), S: 0.01, Valid: true, Uncalibrated: i%3600 < 60}
		if i%3600 >= 60 && i%3600 < 160 {
			s.S, s.Valid, s.Low = -2, false, true
		}
		k.all = append(k.all, s)
	}
	from, to := k.all[0].At, k.all[0].At.Add(3*time.Hour)
	if err := NewFollower(k, []Post{p}).Once(t.Context(), to.Add(time.Hour)); err != nil || len(k.hours) != 3 {
		t.Fatal(len(k.hours), err)
	}
	check := func(what string, seen, uncalibrated, untold time.Duration) {
		t.Helper()
		sum, err := Between(t.Context(), k, p, from, to)
		if err != nil || sum.Seen() != seen || sum.Uncalibrated != uncalibrated || sum.Untold != untold {
			t.Errorf("%s: %v seen, %v of it uncalibrated, of %v not told, %v; want %v, %v, %v", what, sum.Seen(), sum.Uncalibrated, sum.Untold, err, seen, uncalibrated, untold)
		}
		var blind Gaps
		if err := Unseen(t.Context(), k, p, from, to, blind.Add); err != nil || blind.For != to.Sub(from)-seen {
			t.Errorf("%s: %v blind, %v", what, blind.For, err)
		}
	}
	check("kept", 3*3500*time.Second, 3*time.Minute, 0)
	for i := range k.hours {
		k.hours[i].Sum = stats.NewSummary(p.Levels...)
		k.hours[i].Sum.Add(stats.Piece{At: k.hours[i].From, For: time.Hour, S: 0.01})
		k.hours[i].Sum.Untold = time.Hour
	}
	check("of before, which is not asked", 3*time.Hour, 0, 3*time.Hour)
	p.Covered = true
	check("of before", 3*3500*time.Second, 3*time.Minute, 0)
	k.all = k.all[3600:]
	check("of before, and samples gone", time.Hour+2*3500*time.Second, 2*time.Minute, time.Hour)
	if k.nested {
		t.Error("something was read while something else was")
	}
}

// TestWhatIsIndicatedTakesNoCountsPlace: an hour of before counted what exceeded, by the
// correction that is lost now; one that did not count a level counts what was indicated.
func TestWhatIsIndicatedTakesNoCountsPlace(t *testing.T) {
	k, p := &kept{}, Post{"pass", options()}
	from := begin.Truncate(time.Hour)
	for i := range 2 * 3600 {
		s := Sample{At: from.Add(time.Duration(i) * time.Second), S: 0.01, Valid: true}
		if i%3600 == 600 {
			s.S = 60
		}
		k.all = append(k.all, s)
	}
	if err := NewFollower(k, []Post{p}).Once(t.Context(), from.Add(2*time.Hour)); err != nil || len(k.hours) != 1 {
		t.Fatal(len(k.hours), err)
	}
	for i := range k.all {
		k.all[i].S, k.all[i].Indicated, k.all[i].Uncalibrated = k.all[i].S/2, true, true
	}
	k.hours[0].Sum.Untold, p.Covered = time.Hour, true
	for level, want := range map[quantity.PowerDensity]int{50: 1, 20: 1, 40: 0} {
		p.Levels = []quantity.PowerDensity{level}
		sum, err := Between(t.Context(), k, p, from, from.Add(time.Hour))
		if e, ok := sum.Above(level); err != nil || !ok || e.Count != want {
			t.Errorf("%v: %d times above, counted %t, %v; want %d", level, e.Count, ok, err, want)
		}
	}
}

// TestStretches sums up the same time by runs, hours and days, against the plain way
// and against each other.
func TestStretches(t *testing.T) {
	all, truths := made(rand.New(rand.NewPCG(51, 52)), 60*time.Hour, false)
	k := &kept{all: all}
	p := Post{"pass", options()}
	end := all[len(all)-1].At
	if err := NewFollower(k, []Post{p}).Once(t.Context(), end.Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	on := func(i int) bool { return all[i].S > 1 }
	zone := time.FixedZone("far east", 9*3600+1800)
	count := func(per Per, want, runs int) []Stretch {
		t.Helper()
		out, err := Stretches(t.Context(), k, p, per, begin, end, zone)
		if err != nil || len(out) != want {
			t.Fatalf("%s: %d stretches, %v; want %d", per, len(out), err, want)
		}
		n := 0
		for _, x := range out {
			n += x.Runs
		}
		if n != runs {
			t.Errorf("%s: %d runs, want %d", per, n, runs)
		}
		return out
	}
	for _, x := range count(PerRun, len(truths), len(truths)) {
		made := truths[x.Run.Number-1]
		checkSum(t, x.Sum, again(all, options(), on, made.start, made.end))
		if peaks := x.Sum.Peaks.List(); peaks[0].S != made.peak || x.Sum.On.Quantiles.Total() != made.on {
			t.Fatalf("run %d: highest %v, on %v; made %+v", x.Run.Number, peaks[0], x.Sum.On.Quantiles.Total(), made)
		}
	}
	hours := int(end.Sub(begin.Truncate(time.Hour))/time.Hour) + 1
	days := count(PerDay, 3, len(truths)) // from 07:47 on the fifth of May on
	for _, list := range [][]Stretch{count(PerHour, hours, len(truths)), days, count(PerAll, 1, len(truths))} {
		for _, x := range list {
			checkSum(t, x.Sum, again(all, options(), on, x.From, x.To))
		}
	}
	if h, m, _ := days[1].From.In(zone).Clock(); h != 0 || m != 0 {
		t.Errorf("the second day begins at %v", days[1].From.In(zone))
	}
	for _, per := range []Per{"moon", ""} {
		if _, err := Stretches(t.Context(), k, p, per, begin, end, zone); err == nil {
			t.Errorf("a time is parted by %q", per)
		}
	}
	if _, err := Stretches(t.Context(), k, p, PerHour, begin, begin.AddDate(2, 0, 0), zone); err != ErrMany {
		t.Errorf("two years of hours: %v", err)
	}
	if _, err := Stretches(t.Context(), k, p, PerDay, end, begin, zone); err == nil {
		t.Error("a time that ends before it begins is taken")
	}
}

// TestDaysWithoutMidnight: a time is parted into the days of a place whose clocks
// spring forward at midnight.
func TestDaysWithoutMidnight(t *testing.T) {
	for _, tc := range []struct {
		zone string
		from time.Time // noon of the day before, or so
	}{
		{"America/Santiago", time.Date(2026, 9, 5, 16, 0, 0, 0, time.UTC)},
		{"America/Havana", time.Date(2026, 3, 7, 17, 0, 0, 0, time.UTC)},
		{"America/Asuncion", time.Date(2024, 10, 5, 16, 0, 0, 0, time.UTC)},
		{"Europe/Berlin", time.Date(2026, 3, 28, 11, 0, 0, 0, time.UTC)},
	} {
		zone, err := time.LoadLocation(tc.zone)
		if err != nil {
			t.Fatal(err)
		}
		cuts, err := Cuts(PerDay, tc.from, tc.from.Add(84*24*time.Hour), zone)
		if err != nil || len(cuts) != 86 {
			t.Fatalf("%s: %d cuts, %v", tc.zone, len(cuts), err)
		}
		for i, at := range cuts[1:85] {
			if at, want := at.In(zone).Format(time.DateOnly), tc.from.AddDate(0, 0, i+1).Format(time.DateOnly); at != want {
				t.Errorf("%s: cut %d is of %s, want %s", tc.zone, i+1, at, want)
			}
		}
		if long := cuts[2].Sub(cuts[1]); long != 23*time.Hour {
			t.Errorf("%s: the day on which clocks go forward lasts %v", tc.zone, long)
		}
	}
}

// TestWhatIsIndicatedShowsNoRun: rest by the next correction is no run beside it; what it
// shows above a level counts.
func TestWhatIsIndicatedShowsNoRun(t *testing.T) {
	begin := time.Date(2031, 5, 20, 12, 0, 0, 0, time.UTC)
	for _, lost := range []bool{true, false} {
		runs, above := 0, 0
		p := New(Options{Floor: 0.1, Response: time.Second, Gap: 30 * time.Second, Stale: 3 * time.Second, Levels: []quantity.PowerDensity{50}},
			func(Run) { runs++ }, func(h Hour) {
				e, _ := h.Sum.Above(50)
				above += e.Count
			})
		for i := range 7200 {
			s := Sample{At: begin.Add(time.Duration(i) * time.Second), S: quantity.PowerDensity(0.2 + 0.01*float64(i%3)), Valid: true, Indicated: lost && i < 1200}
			switch {
			case i == 600:
				s.S = 90
			case i >= 1200 && i < 1260:
				s.S++
			}
			p.Observe(s)
		}
		if want := map[bool]int{true: 0, false: 2}[lost]; runs != want || above != 1 {
			t.Errorf("lost %t: %d runs, %d times above; want %d, once", lost, runs, above, want)
		}
	}
}

// TestWhatIsIndicatedIsUnseenOfARun: neither its begin nor what it comes to was seen there.
func TestWhatIsIndicatedIsUnseenOfARun(t *testing.T) {
	begin := time.Date(2031, 5, 20, 12, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		from, to int // indicated
		begun    bool
		unseen   time.Duration
	}{{0, 0, true, 0}, {560, 600, false, 0}, {620, 630, true, 10 * time.Second}} {
		var runs []Run
		p := New(Options{Floor: 0.1, Response: time.Second, Gap: 30 * time.Second, Stale: 3 * time.Second}, func(r Run) { runs = append(runs, r) }, func(Hour) {})
		for i := range 900 {
			s := Sample{At: begin.Add(time.Duration(i) * time.Second), S: quantity.PowerDensity(0.02 * float64(i%3)), Valid: true, Indicated: c.from <= i && i < c.to}
			if i >= 600 && i < 660 {
				s.S += 5
			}
			p.Observe(s)
		}
		if len(runs) != 1 || runs[0].Begun != c.begun || runs[0].Unseen != c.unseen || runs[0].On != time.Minute-c.unseen {
			t.Errorf("indicated from %d to %d s: %+v", c.from, c.to, runs)
		}
	}
}
