package soak

import (
	"fmt"
	"iter"
	"math"
	"time"

	"ovenward/acquire/cycle/history"
	"ovenward/acquire/cycle/stats"
	"ovenward/acquire/quantity"
)

// Runs gives runs in order, one after the other, the same each time: a long test has
// 100 000 of them and more, so they are looked at as they come, and never held.
type Runs = iter.Seq2[history.Run, error]

// Trend is how the leakage of the runs goes on, and when it reaches the edge of the
// guard band; a refusal says why that is not told.
type Trend struct {
	Level  quantity.PowerDensity // the edge: limit less guard band
	Age    stats.Ageing          // over the runs' numbers
	Runs   stats.Forecast        // in numbers of runs
	Days   stats.Forecast        // in days since the first run
	First  time.Time             // the first run's begin
	Points int                   // runs that were wholly seen

	StepAfter int64 // number of the run after which Age.Step lies, to a 512th of the runs; 0: there is none

	RunsPerDay float64 // of them
}

// refuse tells no forecast.
func (t *Trend) refuse(why string) {
	none := stats.Forecast{Refused: why, Estimate: math.NaN(), Lo: math.NaN(), Hi: math.NaN()}
	t.Runs, t.Days = none, none
}

// TrendOf looks at the mean field of each run that was wholly seen. It reads the runs
// twice, and where a step parts many of them once more: medians of neighbours stand for
// them, and how many are neighbours shows only when all were counted.
func TrendOf(runs Runs, level quantity.PowerDensity) (Trend, error) {
	n := 0
	for u, err := range runs {
		if err != nil {
			return Trend{Level: level}, err
		}
		if bearsTrend(&u) {
			n++
		}
	}
	w := newTrending(n)
	for u, err := range runs {
		if err != nil {
			return Trend{Level: level}, err
		}
		w.take(&u)
	}
	return w.trend(runs, level)
}

// bearsTrend says whether a run was seen from begin to end, and in range.
func bearsTrend(u *history.Run) bool {
	return u.Unseen <= 0 && u.Begun && u.OverRange <= 0 && !math.IsNaN(float64(u.Mean))
}

// trending takes so many of the runs that bear a trend.
type trending struct {
	points    *stats.Thinner // number, day since the first, mean
	skip, end int            // the first ones, which are left out, and where they end
	came      int
	first     time.Time // begin of the first of all
	begin     int64     // its number
	before    int64     // number of the last that was left out
	number    float64   // of the last that came
	day       float64   // of it
}

func newTrending(n int) *trending { return &trending{points: stats.NewThinner(n, 3), end: n} }

func (w *trending) take(u *history.Run) {
	if w.came >= w.end || !bearsTrend(u) { // what ended while the others were read waits
		return
	}
	if w.came++; w.came == 1 {
		w.first, w.begin = u.Start.UTC(), u.Number
	}
	if w.came <= w.skip {
		w.before = u.Number
		return
	}
	w.number, w.day = float64(u.Number), u.Start.Sub(w.first).Hours()/24
	w.points.Add(w.number, w.day, float64(u.Mean))
}

// trend tells of those that came.
func (w *trending) trend(runs Runs, level quantity.PowerDensity) (Trend, error) {
	t := Trend{Level: level, First: w.first, Points: w.came}
	if w.came > 1 && w.day > 0 {
		t.RunsPerDay = (w.number - float64(w.begin)) / w.day
	}
	p, err := w.points.Points()
	if err != nil {
		return t, fmt.Errorf("look at the runs' trend: %w", err)
	}
	if t.Age, err = stats.Age(p[0], p[2], w.came); err != nil {
		return t, fmt.Errorf("look at the runs' trend: %w", err)
	}
	byDay, err := stats.Age(p[1], p[2], w.came)
	if err != nil {
		return t, fmt.Errorf("foresee the runs' trend: %w", err)
	}
	// Both find a step at the same run, or one of them none.
	since, before, err := w.since(runs, p, max(t.Age.From, byDay.From))
	if err != nil {
		return t, err
	}
	if t.Age.Step != nil {
		t.StepAfter = before
	}
	of := func(a *stats.Ageing) [][]float64 {
		if a.From > 0 {
			return since
		}
		return p
	}
	t.Runs = t.Age.Foresee(of(&t.Age)[0], of(&t.Age)[2], float64(level))
	t.Days = byDay.Foresee(of(&byDay)[1], of(&byDay)[2], float64(level))
	return t, nil
}

// since thins the runs anew from one on, and tells the number of the last one before.
func (w *trending) since(runs Runs, p [][]float64, from int) (since [][]float64, before int64, err error) {
	switch {
	case from == 0:
		return p, 0, nil
	case w.came == len(p[0]): // each is there
		return [][]float64{p[0][from:], p[1][from:], p[2][from:]}, int64(p[0][from-1]), nil
	}
	later := &trending{points: stats.NewThinner(w.came-from, 3), skip: from, end: w.came}
	for u, err := range runs {
		if err != nil {
			return nil, 0, err
		}
		later.take(&u)
	}
	since, err = later.points.Points()
	return since, later.before, err
}
