package soak

import (
	"math"

	"ovenward/acquire/cycle/history"
	"ovenward/acquire/quantity"
)

// mostDrawn is how many points stand at most for the runs of a test in a chart.
const mostDrawn = 240

// Drawn is one run, or neighbours that are drawn as one.
type Drawn struct {
	First, Last     int64 // their numbers
	Runs            int
	Mean            quantity.PowerDensity // of their means; NaN: none is known
	Lowest, Highest quantity.PowerDensity // of their means; NaN with it
	Peak            quantity.PowerDensity // of those that are known; NaN: none is. +Inf: over range
}

// drawing joins so many runs to at most 240 points, as equal as can be.
type drawing struct {
	n, came int64
	sum     quantity.PowerDensity
	means   int // in it
	out     []Drawn
}

func newDrawing(n int) *drawing {
	return &drawing{n: int64(n), out: make([]Drawn, 0, min(n, mostDrawn))}
}

// take takes the next run.
func (d *drawing) take(u *history.Run) {
	if d.came >= d.n {
		return
	}
	points := min(d.n, mostDrawn)
	if k := int64(len(d.out)); d.came == k*d.n/points {
		nan := quantity.PowerDensity(math.NaN())
		d.out = append(d.out, Drawn{First: u.Number, Mean: nan, Lowest: nan, Highest: nan, Peak: nan})
		d.sum, d.means = 0, 0
	}
	d.came++
	p := &d.out[len(d.out)-1]
	p.Runs++
	p.Last = u.Number
	known := func(x quantity.PowerDensity) bool { return !math.IsNaN(float64(x)) }
	if known(u.Peak) && !(u.Peak <= p.Peak) {
		p.Peak = u.Peak
	}
	if !known(u.Mean) {
		return
	}
	d.sum, d.means = d.sum+u.Mean, d.means+1
	p.Mean = d.sum / quantity.PowerDensity(d.means)
	if !(p.Lowest <= u.Mean) {
		p.Lowest = u.Mean
	}
	if !(p.Highest >= u.Mean) {
		p.Highest = u.Mean
	}
}
