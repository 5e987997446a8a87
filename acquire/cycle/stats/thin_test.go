package stats

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// thinned thins points that are there all at once.
func thinned(x, y []float64) (tx, ty []float64, err error) {
	th := NewThinner(len(x), 2)
	for i := range x {
		th.Add(x[i], y[i])
	}
	p, err := th.Points()
	if err != nil {
		return nil, nil, err
	}
	return p[0], p[1], nil
}

// aged describes points that are there all at once.
func aged(x, y []float64) (Ageing, error) {
	tx, ty, err := thinned(x, y)
	if err != nil {
		return Ageing{}, err
	}
	return Age(tx, ty, len(x))
}

// foreseen is the forecast of points that are there all at once.
func foreseen(x, y []float64, level float64) (Forecast, error) {
	a, err := aged(x, y)
	if err != nil {
		return Forecast{}, err
	}
	tx, ty, err := thinned(x[a.From:], y[a.From:])
	return a.Foresee(tx, ty, level), err
}

// Points that come one after the other are thinned as they are all at once: by the
// medians of 512 groups of neighbours; up to 524 288 points, of all of them.
func TestThinnedOneByOneAsAllAtOnce(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 1))
	for _, n := range []int{0, 1, 2, 511, 512, 513, 700, 1023, 1024, 1025, 99_991, mostPoints * mostAlike} {
		x, y := make([]float64, n), make([]float64, n)
		th := NewThinner(n, 3)
		for i := range n {
			x[i], y[i] = float64(i)+0.9*rng.Float64(), rng.NormFloat64()
			th.Add(x[i], 2*x[i], y[i])
		}
		th.Add(1, 1, 1) // behind the last
		p, err := th.Points()
		if err != nil {
			t.Fatalf("%d points: %v", n, err)
		}
		wantX, wantY := x, y
		if n > mostPoints {
			wantX, wantY = nil, nil
			for k := range mostPoints {
				from, to := k*n/mostPoints, (k+1)*n/mostPoints
				wantX, wantY = append(wantX, median(x[from:to])), append(wantY, median(y[from:to]))
			}
		}
		if !slices.Equal(p[0], wantX) || !slices.Equal(p[2], wantY) || len(p[1]) != len(p[0]) {
			t.Errorf("%d points come to %d, %d and %d, or to others than the medians of 512 groups", n, len(p[0]), len(p[1]), len(p[2]))
		}
	}
}

// Of more points than can be looked at so many of each group are, evenly over it: a
// straight line stays one.
func TestThinningLooksAtSoMany(t *testing.T) {
	const n = 3*mostPoints*mostAlike + 12_345
	th, most := NewThinner(n, 2), 0
	for i := range n {
		th.Add(float64(i), 2*float64(i))
		most = max(most, cap(th.values[0]))
	}
	p, err := th.Points()
	if err != nil || len(p[0]) != mostPoints || most != mostAlike {
		t.Fatalf("%v, %d points, room for %d", err, len(p[0]), most)
	}
	for k, x := range p[0] {
		if middle := (float64(k) + 0.5) * n / mostPoints; x < middle-4 || x > middle+4 || p[1][k] != 2*x {
			t.Fatalf("group %d: %g, %g, its middle is %g", k, x, p[1][k], middle)
		}
	}
}

// An x that does not rise, in any place, and a y that is no number are told, as all at once.
func TestThinningTellsWhatIsWrong(t *testing.T) {
	for name, spoil := range map[string]func(x, y []float64){
		"as large": func(x, _ []float64) { x[1500] = x[1499] }, "smaller": func(x, _ []float64) { x[1] = -1 }, "no number": func(_, y []float64) { y[1999] = math.NaN() },
	} {
		x, y := make([]float64, 2000), make([]float64, 2000)
		for i := range x {
			x[i] = float64(i)
		}
		spoil(x, y)
		th := NewThinner(len(x), 2)
		for i := range x {
			th.Add(x[i], y[i])
		}
		if _, err := th.Points(); err == nil {
			t.Errorf("%s: taken", name)
		}
	}
	th := NewThinner(2000, 2)
	for i := range 900 { // fewer came than were waited for
		th.Add(float64(i), 1)
	}
	if p, err := th.Points(); err != nil || len(p[0]) != len(p[1]) || len(p[0]) == 0 || p[0][len(p[0])-1] > 899 {
		t.Errorf("cut off: %v, %d points", err, len(p[0]))
	}
}
