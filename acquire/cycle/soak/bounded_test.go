package soak

import (
	"context"
	"fmt"
	"iter"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"testing"
	"time"

	"ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/stats"
	"ovenward/acquire/quantity"
)

// flow is a record that makes its runs when they are asked for: so many in ten days,
// some not wholly seen; behind stepped the field is stronger (0: it is not).
type flow struct {
	source
	n, stepped int64
}

const flowing = 10 * 24 * time.Hour

func (f *flow) run(i int64) history.Run {
	start := at(flowing / time.Duration(f.n) * time.Duration(i))
	mean := quantity.PowerDensity(5 + float64(i)/float64(f.n) + 0.1*float64(i*7919%1009)/1009)
	if f.stepped > 0 && i > f.stepped {
		mean += 8
	}
	r := history.Run{Number: 101 + i, Start: start, End: start, Begun: i%7 > 0, Dose: 1, Mean: mean, Peak: mean + 1}
	switch i % 5000 {
	case 7:
		r.OverRange, r.Peak = time.Second, quantity.PowerDensity(math.Inf(1))
	case 8:
		r.Mean, r.Peak = quantity.PowerDensity(math.NaN()), quantity.PowerDensity(math.NaN())
	}
	return r
}

func (f *flow) PastRuns(_ context.Context, _ string, from, to time.Time) iter.Seq2[history.Run, error] {
	return func(yield func(history.Run, error) bool) {
		for i := range f.n {
			if r := f.run(i); !r.Start.Before(from) && r.Start.Before(to) && !yield(r, nil) {
				return
			}
		}
	}
}

// result makes the result, and tells how many bytes that took in all, and how many of
// them are held.
func (f *flow) result(t *testing.T) (r Result, took, held uint64) {
	t.Helper()
	p := plan()
	p.Operations, p.Checkpoints = f.n, []int64{f.n / 2}
	l, err := Fold(p, named([]Mark{{Kind: Started, At: at(0)}, {Kind: Operations, Count: f.n, From: FromInput, At: at(flowing / 2)},
		{Kind: Surveyed, Checkpoint: f.n / 2, Outcome: "within", At: at(flowing / 2)}, {Kind: Finished, At: at(flowing)}}))
	if err != nil {
		t.Fatal(err)
	}
	w := Watched{Post: history.Post{ID: "bench", Options: history.Options{Floor: 0.1, Response: time.Second, Gap: 90 * time.Second, Stale: 3 * time.Second}},
		Lacks: func(time.Time, quantity.PowerDensity) []string { return nil }}
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	if r, err = Make(t.Context(), f, l, w, at(flowing), time.UTC); err != nil {
		t.Fatal(err)
	}
	runtime.ReadMemStats(&after)
	took = after.TotalAlloc - before.TotalAlloc
	runtime.GC()
	runtime.ReadMemStats(&after)
	return r, took, after.HeapAlloc - min(before.HeapAlloc, after.HeapAlloc)
}

// What a result takes does not grow with the number of runs: not what is held of them,
// nor all that is allocated on the way, which no peak can lie above. With a step, too,
// behind which they are looked at anew.
func TestMillionRunsTakeNoMoreThanTenThousand(t *testing.T) {
	many := int64(1_000_000)
	if underRace {
		many = 100_000
	}
	for _, share := range []int64{0, 3} {
		var few, took [2]uint64
		for i, n := range []int64{10_000, many} {
			f := &flow{n: n}
			if share > 0 {
				f.stepped = n / share
			}
			r, all, held := f.result(t)
			if r.Runs != int(n) || r.Trend.Points < int(n)*8/10 || len(r.Drawn) != mostDrawn || (r.Trend.Age.Step != nil) != (share > 0) {
				t.Fatalf("%d runs: %d, of which %d bear a trend, %d points; a step: %v", n, r.Runs, r.Trend.Points, len(r.Drawn), r.Trend.Age.Step)
			}
			few[i], took[i] = held, all
		}
		// Besides, a group has room for 1 024 values in place of 20.
		if few[1] > few[0]+64<<10 || took[1] > took[0]*5/4+256<<10 {
			t.Errorf("held of 10 000 runs %d bytes, of %d %d; allocated %d and %d", few[0], many, few[1], took[0], took[1])
		}
	}
}

// told is how a trend is told, for comparing: what is no number is like itself.
func told(k Trend) string {
	step := "none"
	if k.Age.Step != nil {
		step = fmt.Sprintf("%+v", *k.Age.Step)
		k.Age.Step = nil
	}
	return fmt.Sprintf("%+v, step %s", k, step)
}

// atOnce is the trend of runs that are all there at once.
func atOnce(t *testing.T, runs []history.Run, level float64) Trend {
	t.Helper()
	k := Trend{Level: quantity.PowerDensity(level)}
	var number, day, mean []float64
	for _, r := range runs {
		if !r.Begun || r.OverRange > 0 || r.Unseen > 0 || math.IsNaN(float64(r.Mean)) {
			continue
		}
		if len(number) == 0 {
			k.First = r.Start
		}
		number, day, mean = append(number, float64(r.Number)), append(day, r.Start.Sub(k.First).Hours()/24), append(mean, float64(r.Mean))
	}
	n := len(number)
	k.Points, k.RunsPerDay = n, (number[n-1]-number[0])/day[n-1]
	var err error
	if k.Age, err = stats.Age(fewer(number), fewer(mean), n); err != nil {
		t.Fatal(err)
	}
	from := k.Age.From
	if k.Age.Step != nil {
		k.StepAfter = int64(number[from-1])
	}
	k.Runs = k.Age.Foresee(fewer(number[from:]), fewer(mean[from:]), level)
	byDay, err := stats.Age(fewer(day), fewer(mean), n)
	if err != nil {
		t.Fatal(err)
	}
	k.Days = byDay.Foresee(fewer(day[byDay.From:]), fewer(mean[byDay.From:]), level)
	return k
}

// fewer are the medians of 512 groups of neighbours, as equal as can be.
func fewer(v []float64) []float64 {
	const groups = 512
	if len(v) <= groups {
		return v
	}
	var out []float64
	for k := range groups {
		one := slices.Sorted(slices.Values(v[k*len(v)/groups : (k+1)*len(v)/groups]))
		out = append(out, (one[(len(one)-1)/2]+one[len(one)/2])/2)
	}
	return out
}

// drawnAtOnce parts runs that are all there at once.
func drawnAtOnce(runs []history.Run) (out []Drawn) {
	points := min(len(runs), mostDrawn)
	for k := range points {
		nan := quantity.PowerDensity(math.NaN())
		p := Drawn{Mean: nan, Lowest: nan, Highest: nan, Peak: nan}
		part := runs[k*len(runs)/points : (k+1)*len(runs)/points]
		p.First, p.Last, p.Runs = part[0].Number, part[len(part)-1].Number, len(part)
		var sum, n quantity.PowerDensity
		for _, r := range part {
			if !math.IsNaN(float64(r.Peak)) {
				if p.Peak = max(p.Peak, r.Peak); math.IsNaN(float64(p.Peak)) {
					p.Peak = r.Peak
				}
			}
			if math.IsNaN(float64(r.Mean)) {
				continue
			}
			if sum, n = sum+r.Mean, n+1; n == 1 {
				p.Lowest, p.Highest = r.Mean, r.Mean
			}
			p.Lowest, p.Highest, p.Mean = min(p.Lowest, r.Mean), max(p.Highest, r.Mean), sum/n
		}
		out = append(out, p)
	}
	return out
}

// The trend, the chart and the counts of runs that come one after the other are those
// of all of them at once: few and many, with a step and without.
func TestRunsOneByOneAsAllAtOnce(t *testing.T) {
	rng, foreseen := rand.New(rand.NewPCG(9, 1)), 0
	most := int64(100_000)
	if underRace {
		most = 10_000
	}
	for _, n := range []int64{30, 241, 600, most} {
		steps := []int64{0, n / 3, 1 + rng.Int64N(n-1)}
		if n == most {
			steps = steps[:2]
		}
		for _, stepped := range steps {
			f := &flow{n: n, stepped: stepped}
			var runs []history.Run
			dose, half := quantity.EnergyDensity(0), 0
			for i := range n {
				r := f.run(i)
				runs, dose = append(runs, r), dose+r.Dose
				if r.Start.Before(at(flowing / 2)) {
					half++
				}
			}
			r, _, _ := f.result(t)
			if r.Runs != int(n) || r.First != runs[0].Start || r.Dose != dose || len(r.Parts) != 2 || r.Parts[0].Runs != half || r.Parts[1].Runs != int(n)-half {
				t.Errorf("%d runs: %d from %v on, %v, in the parts %+v", n, r.Runs, r.First, r.Dose, r.Parts)
			}
			days := 0
			for i := range r.Days {
				days += r.Days[i].Runs
			}
			if days != int(n) {
				t.Errorf("%d runs: %d in the days", n, days)
			}
			if got, want := fmt.Sprintf("%+v", r.Drawn), fmt.Sprintf("%+v", drawnAtOnce(runs)); got != want {
				t.Errorf("%d runs, a step after %d: drawn as\n%s, want\n%s", n, stepped, got, want)
			}
			if got, want := told(r.Trend), told(atOnce(t, runs, float64(r.Trend.Level))); got != want {
				t.Errorf("%d runs, a step after %d: the trend is\n%s, want\n%s", n, stepped, got, want)
			}
			if n == most && stepped > 0 {
				continue
			}
			const near = 7 // W/m²
			k, err := TrendOf(past(runs), near)
			if want := told(atOnce(t, runs, near)); err != nil || told(k) != want {
				t.Errorf("%d runs, a step after %d, of a post: %v, %s; want %s", n, stepped, err, told(k), want)
			}
			if k.Days.Refused == "" && k.Runs.Refused == "" {
				foreseen++
			}
		}
	}
	if foreseen == 0 {
		t.Error("none of them bears a forecast: this tries too little")
	}
}
