// Package survey is the work with the probe in hand at an oven: the plan of a walk
// round its door, the guided walk itself and what it found, and the walk back with
// what its fit bears. Distances are in m from the oven's outer surface to the
// probe's sensing centre, power densities in W/m², uncertainties are standard
// ones unless called expanded. It is pure: no clock, no file, no port. It never
// calls a distance or a field safe; a verdict is that of package limit, and a walk
// back gives none.
package survey

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/mathext"

	"ovenward/acquire/quantity"
	"ovenward/acquire/survey/curve"
)

// What a walk must have for its fit to say anything. The rules of 5 marks and
// 3 : 1 are our own choice.
const (
	LeastMarks = 5 // different distances
	LeastSpan  = 3 // farthest over nearest
)

// What the exponent may be. 1 is the spreading from a long slot, 2 from a small
// source (inverse square), up to 6 the near field of a small one, whose strength
// falls with the cube (textbook). An exponent that comes to rest at an end of the
// range means that the curve is not the one that the field follows.
const (
	LeastExponent = 0.5
	MostExponent  = 6
)

// Confidence is the probability of every interval of a stand-off.
const Confidence = 0.95

// Mark is one hold of a walk back.
type Mark struct {
	Distance quantity.Length       // +Inf: the oven was off
	Value    quantity.PowerDensity // W/m²
	U        quantity.PowerDensity // standard uncertainty in W/m², of what differs from mark to mark; 0: not stated
	Line     int                   // of the file; 0: none
}

// Off says whether the mark was taken with the oven off.
func (m Mark) Off() bool { return math.IsInf(float64(m.Distance), 1) }

// Walk is a walk back: marks along one line.
type Walk struct {
	Marks []Mark
	Floor quantity.PowerDensity // the probe's noise floor; 0: not stated
}

// Level is a power density whose distance is asked for.
type Level struct {
	Name, Source string
	Value        quantity.PowerDensity
}

// Estimate is a value with its interval. An end that the marks do not give is
// infinite.
type Estimate struct{ Value, Lo, Hi float64 }

// Where says where a distance lies, seen from the marks.
type Where string

const (
	Among   Where = "among the marks"
	Nearer  Where = "nearer than any mark"
	Farther Where = "farther than any mark"
	Nowhere Where = "not reached"
)

// Reached is the distance at which a level is reached along the curve.
type Reached struct {
	Level
	Distance Estimate // m; NaN and an interval of NaN when Where is Nowhere
	Where    Where    // of the distance itself
	Beyond   bool     // the interval leaves the marks, so something in it is extrapolated
	Why      string   // no distance, or what it lacks
}

// Residual is a mark beside the curve.
type Residual struct {
	Mark
	Left    bool                  // out of the fit: at or below the floor, or behind such a mark
	Fitted  quantity.PowerDensity // W/m²
	InUnits float64               // value less fitted, in standard deviations of the mark
}

// StandOff is what a walk back bears.
type StandOff struct {
	Marks    []Residual // by distance
	From, To quantity.Length
	Count    int // of different distances in the fit

	Refused []string // why there is neither exponent nor distance; then nothing below holds

	S0         Estimate // W/m² above the background, at From
	N          Estimate
	Background Estimate // W/m²
	Stated     bool     // the uncertainties were stated; else told from the scatter
	Sum        float64  // of squares; in u² when stated, else in (W/m²)²
	DF         int
	P          float64 // of a sum as large as this by chance, when stated
	Widened    float64 // by how much the intervals are widened for the scatter; 1: not
	Levels     []Reached
	Warnings   []string // where there is none, the intervals hold what they claim
	Notes      []string
}

// FitWalk fits S(r) = S0·(r0/r)^n + background to a walk, r0 being its nearest
// mark, and finds where the levels are reached.
func FitWalk(w Walk, levels []Level) (StandOff, error) {
	s, kept := choose(w)
	if len(s.Refused) > 0 {
		return s, nil
	}
	f, err := newFall(kept, s, w)
	if err != nil {
		return s, err
	}
	if !f.solve(&s) {
		return s, nil
	}
	f.describe(&s)
	for _, l := range levels {
		s.Levels = append(s.Levels, f.reach(&s, l))
	}
	return s, nil
}

// choose sorts the marks, leaves out what lies under the floor and says whether
// the rest can bear a fit.
func choose(w Walk) (s StandOff, kept []Mark) {
	marks := slices.Clone(w.Marks)
	sort.SliceStable(marks, func(i, j int) bool { return marks[i].Distance < marks[j].Distance })
	floored := math.Inf(1) // distance from which on marks are out
	left := 0
	for _, m := range marks {
		if m.Value <= w.Floor && w.Floor > 0 && !m.Off() {
			floored = min(floored, float64(m.Distance))
		}
	}
	var distances []quantity.Length
	for _, m := range marks {
		r := Residual{Mark: m, Left: float64(m.Distance) >= floored && !m.Off(), Fitted: quantity.PowerDensity(math.NaN()), InUnits: math.NaN()}
		if s.Marks = append(s.Marks, r); r.Left {
			left++
			continue
		}
		if kept = append(kept, m); !m.Off() {
			distances = append(distances, m.Distance)
		}
	}
	if left > 0 {
		s.Notes = append(s.Notes, fmt.Sprintf("%s from %s on: a value was at or below the probe's floor of %s there, so they are not in the fit",
			many(left, "mark"), quantity.Length(floored), w.Floor))
	}
	distances = slices.Compact(distances)
	if s.Count = len(distances); s.Count > 0 {
		s.From, s.To = distances[0], distances[s.Count-1]
	}
	s.Refused = Lacking(distances)
	return s, kept
}

// Lacking says what marks at these distances lack to bear a fit; nothing where they can.
func Lacking(distances []quantity.Length) (all []string) {
	distances = slices.Compact(slices.Sorted(slices.Values(distances)))
	n := len(distances)
	if n < LeastMarks {
		all = append(all, fmt.Sprintf("%s at different distances, and a fit needs %d: hold at more of them", many(n, "mark"), LeastMarks))
	}
	if n > 0 && float64(distances[n-1]) < LeastSpan*float64(distances[0])*(1-1e-9) {
		all = append(all, fmt.Sprintf("the marks reach from %s to %s, a span of %.3g : 1, and a fit needs %d : 1: go farther back",
			distances[0], distances[n-1], float64(distances[n-1]/distances[0]), LeastSpan))
	}
	return all
}

func many(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// chance is the probability that a sum of squares is at least this by chance.
func chance(sum float64, df int) float64 {
	return mathext.GammaIncRegComp(float64(df)/2, sum/2)
}

// interval is a profile interval of a parameter, about its value.
func interval(pr curve.Problem, f curve.Fit, i int, widened float64) Estimate {
	v := pr.Profile(f, i, Confidence, widened)
	return Estimate{f.P[i], v.Lo, v.Hi}
}
