package stats

import (
	"math"
	"slices"
)

const (
	// mostPoints is how many points a trend is told from; more are thinned first, for
	// the slopes of all pairs grow with the square.
	mostPoints = 512
	// mostAlike is how many neighbours a median is taken of; of more of them so many,
	// spread evenly: it is as sure, and takes no more room.
	mostAlike = 1024
)

// Thinner thins points that come one after the other, so that there may be any number
// of them: to at most 512, the medians of neighbours, in groups as equal as can be. Up
// to 512 points stay as they are, and up to 524 288 count all. A point is some values, of
// which the last is y and the others are each an x, which rises.
type Thinner struct {
	n, came  int64       // points to come, and those that came
	group    int64       // that is being filled, from 0
	from, to int64       // its points
	values   [][]float64 // of the points that are looked at of it
	out      [][]float64
	last     []float64
	wrong    bool
}

// NewThinner waits for n points of so many values.
func NewThinner(n, values int) *Thinner {
	t := &Thinner{n: int64(n), values: make([][]float64, values), out: make([][]float64, values), last: make([]float64, values)}
	for i := range t.out {
		t.out[i] = make([]float64, 0, min(n, mostPoints))
		t.values[i] = make([]float64, 0, min(n/mostPoints+1, mostAlike))
	}
	t.to = t.end()
	return t
}

// end is where the group ends.
func (t *Thinner) end() int64 { return (t.group + 1) * t.n / max(1, min(t.n, mostPoints)) }

// Add takes the next point; what comes behind the last of them is left out.
func (t *Thinner) Add(point ...float64) {
	if t.came >= t.n {
		return
	}
	y := len(point) - 1
	t.wrong = t.wrong || math.IsNaN(point[y])
	for i, x := range point[:y] {
		t.wrong = t.wrong || t.came > 0 && !(x > t.last[i])
	}
	copy(t.last, point)
	if size, i := t.to-t.from, t.came-t.from; size <= mostAlike || (i+1)*mostAlike/size > i*mostAlike/size {
		for j, v := range point {
			t.values[j] = append(t.values[j], v)
		}
	}
	if t.came++; t.came == t.to {
		t.turn()
		t.group++
		t.from, t.to = t.to, t.end()
	}
}

// turn takes the medians of the group.
func (t *Thinner) turn() {
	for i, v := range t.values {
		if len(v) > 0 {
			slices.Sort(v)
			t.out[i] = append(t.out[i], middle(v))
			t.values[i] = v[:0]
		}
	}
}

// Points returns for each value of a point those of all that came, as long as each
// other; an error when an x did not rise or a y was no number.
func (t *Thinner) Points() ([][]float64, error) {
	t.turn() // of what was cut off
	if t.wrong {
		return nil, errShape
	}
	return t.out, nil
}
