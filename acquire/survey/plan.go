package survey

import (
	"errors"
	"fmt"
	"math"
	"time"

	"ovenward/acquire/quantity"
)

// Pacing of a survey; what has no source is our own choice.
const (
	moveTime    = 5 * time.Second  // to go to the next place
	leastSweep  = 4 * time.Second  // a shorter one is not begun in what is left of a stage
	unknownTurn = 12 * time.Second // of a stirrer whose turn nobody stated: 5 turns a minute (from memory)
	leastTurn   = 2 * time.Second
)

// Hand is how a probe is held, and how well.
type Hand struct {
	Response time.Duration   // of the probe, to 90 % of a step
	Axes     int             //
	Off      quantity.Length // half-width of the distance from the surface, as a spacer keeps it; 0: 2 mm
}

// Point is a point of a path: on the surface, and before it.
type Point struct {
	X quantity.Length `json:"x_m"`
	Y quantity.Length `json:"y_m"`
	Z quantity.Length `json:"z_m"` // of the sensing centre, before the plane of the surface
}

// Sweep is one stretch along a path, with a hold at its maximum after it.
type Sweep struct {
	N       int             `json:"n"`
	Name    string          `json:"name"`
	Surface Surface         `json:"surface"`
	Points  []Point         `json:"points"`
	Length  quantity.Length `json:"length_m"`
	Seconds float64         `json:"seconds"`
	Stage   int             `json:"stage"` // planned; water that is warmer at its start takes more stages
	Pull    bool            `json:"pull,omitempty"`
	// Aside is how far its hold may be beside the highest place: half a spacing
	// along one line; with several lines a whole one, since the stirrer can make the
	// next line look higher while it is passed.
	Aside quantity.Length `json:"aside_m"`
}

// Plan is a survey before it is made.
type Plan struct {
	Oven      Oven      `json:"oven"`
	Procedure Procedure `json:"procedure"`
	Speed     float64   `json:"speed_m_per_s"`
	HoldS     float64   `json:"hold_s"`  // a stirrer's turn, and the probe's settling
	TurnS     float64   `json:"turn_s"`  // of the stirrer
	StageS    float64   `json:"stage_s"` // planned, for the procedure's load
	Stages    int       `json:"stages"`
	Sweeps    []Sweep   `json:"sweeps"`
	Pull      bool      `json:"pull_test"`
}

// NewPlan lays sweeps over an oven's door.
func NewPlan(o Oven, p Procedure, h Hand, pull bool) (Plan, error) {
	err := errors.Join(o.Door.Check(), p.Check())
	if !(o.Power >= 100 && o.Power <= 20_000) {
		err = errors.Join(err, fmt.Errorf("the oven's rated output is %g W: write 100 to 20 000 W, as its plate says, since it tells how long a load of water lasts", o.Power))
	}
	if h.Response <= 0 {
		err = errors.Join(err, errors.New("the response time of the probe is not known, and the pace of a sweep follows from it"))
	}
	if err != nil {
		return Plan{}, err
	}
	plan := Plan{Oven: o, Procedure: p, Pull: pull}
	// So slowly that the probe shows 90 % of what it meets before it is a line's
	// spacing further.
	plan.Speed = math.Min(p.Speed, float64(p.Spacing)/h.Response.Seconds())
	turn := unknownTurn
	if o.Stirrer > 0 {
		turn = max(time.Duration(o.Stirrer*float64(time.Second)), leastTurn)
	}
	plan.TurnS = turn.Seconds()
	plan.HoldS = (turn + 3*h.Response).Seconds()
	budget := StageTime(p.Load.Value, p.Water.Value, o.Power)
	plan.StageS = budget.Seconds()
	if plan.StageS < plan.HoldS+moveTime.Seconds() {
		return Plan{}, fmt.Errorf("one load of %g mL lasts %s at %g W, and a hold takes %.3g s: the oven needs a larger load, so use a procedure that allows one",
			p.Load.Value, budget, o.Power, plan.HoldS+moveTime.Seconds())
	}
	plan.lay()
	plan.stage()
	return plan, nil
}

// most is the longest sweep that fits one load together with its hold.
func (p *Plan) most() float64 {
	left := p.StageS - p.HoldS - 2*moveTime.Seconds()
	return math.Max(left, leastSweep.Seconds())
}

// stage tells for each sweep with which load it can be made.
func (p *Plan) stage() {
	left := 0.0
	for i := range p.Sweeps {
		s := &p.Sweeps[i]
		need := s.Seconds + p.HoldS + 2*moveTime.Seconds()
		if need > left {
			p.Stages++
			left = p.StageS
		}
		s.N, s.Stage = i+1, p.Stages
		left -= need
	}
}

// lay makes all sweeps: seam, screen, vents, cabinet seams, control panel.
func (p *Plan) lay() {
	d := p.Oven.Door
	leaf := d.Leaf()
	for _, side := range edges(leaf) {
		p.add("door seam, "+side.name, Front, side.path, false)
	}
	if s := d.Screen(); s.Width > 0 {
		p.add("screen", Front, raster(s, p.Procedure.Spacing), false)
	}
	for i, v := range d.Vents {
		p.add(fmt.Sprintf("vent %d", i+1), v.Surface, raster(v.Rect, p.Procedure.Spacing), false)
	}
	p.seams()
	if d.Panel > 0 {
		p.add("control panel", Front, raster(d.PanelRect(), p.Procedure.Spacing), false)
	}
	if p.Pull {
		for _, side := range edges(leaf) {
			p.add("door seam, "+side.name+", pulling at arm's length", Front, side.path, true)
		}
	}
}

// seams are where the cabinet's outer case meets the front, on its other sides.
func (p *Plan) seams() {
	d := p.Oven.Door
	for _, s := range []Surface{Top, Right, Left} {
		w, h := d.Size(s)
		path := []corner{{0, 0}, {w, 0}} // a top's lower edge is that to the front
		switch s {
		case Right: // seen from before it, the front is at its left
			path = []corner{{0, h}, {0, 0}}
		case Left:
			path = []corner{{w, h}, {w, 0}}
		}
		p.add("cabinet seam, "+string(s), s, path, false)
	}
}

// corner is a point on a surface.
type corner struct{ x, y quantity.Length }

type edge struct {
	name string
	path []corner
}

// edges are the four sides of a rectangle, all round and clockwise.
func edges(r Rect) []edge {
	a, b, c, d := corner{r.X, r.Y + r.Height}, corner{r.X + r.Width, r.Y + r.Height}, corner{r.X + r.Width, r.Y}, corner{r.X, r.Y}
	return []edge{{"top side", []corner{a, b}}, {"right side", []corner{b, c}}, {"bottom side", []corner{c, d}}, {"left side", []corner{d, a}}}
}

// raster is a path to and fro over a rectangle along its longer side, its lines
// evenly at most spacing apart, the outer ones half of that from the edge.
func raster(r Rect, spacing quantity.Length) []corner {
	across, along := r.Height, r.Width
	upright := r.Height > r.Width
	if upright {
		across, along = along, across
	}
	lines := max(1, int(math.Ceil(float64(across/spacing)-1e-9)))
	var path []corner
	for i := range lines {
		at := across * (quantity.Length(i) + 0.5) / quantity.Length(lines)
		from, to := quantity.Length(0), along
		if i%2 == 1 {
			from, to = to, from
		}
		for _, u := range []quantity.Length{from, to} {
			if upright {
				path = append(path, corner{r.X + at, r.Y + r.Height - u})
			} else {
				path = append(path, corner{r.X + u, r.Y + r.Height - at})
			}
		}
	}
	return path
}

// add cuts a path into sweeps of even length that each fit one load.
func (p *Plan) add(name string, s Surface, path []corner, pull bool) {
	points := p.points(s, path)
	total := length(points)
	aside := p.Procedure.Spacing / 2
	if len(path) > 2 {
		aside = p.Procedure.Spacing
	}
	n := max(1, int(math.Ceil(total/(p.most()*p.Speed)-1e-9)))
	each := total / float64(n)
	for i := range n {
		part := cut(points, float64(i)*each, float64(i+1)*each)
		sw := Sweep{Name: name, Surface: s, Points: part, Length: quantity.Length(length(part)), Pull: pull, Aside: aside}
		if n > 1 {
			sw.Name = fmt.Sprintf("%s, part %d of %d", name, i+1, n)
		}
		sw.Seconds = float64(sw.Length) / p.Speed
		p.Sweeps = append(p.Sweeps, sw)
	}
}

// How finely a path follows what stands out, m.
const (
	nearKnob  = 0.005  // the least width of a knob that is not overlooked
	knobError = 0.0002 // that a straight line between two points may be off
)

// points puts the sensing centre before a path, in steps of at most the spacing,
// and in finer ones round what stands out.
func (p *Plan) points(s Surface, path []corner) []Point {
	at := func(x, y quantity.Length) Point {
		return Point{x, y, p.Oven.Door.Before(s, x, y, p.Procedure.Distance)}
	}
	var out []Point
	var refine func(a, b Point)
	refine = func(a, b Point) { // adds what lies between, and b
		m := at((a.X+b.X)/2, (a.Y+b.Y)/2)
		if d := math.Hypot(float64(b.X-a.X), float64(b.Y-a.Y)); d > knobError && math.Abs(float64(m.Z-(a.Z+b.Z)/2)) > knobError/2 {
			refine(a, m)
			refine(m, b)
			return
		}
		out = append(out, b)
	}
	flat := func(q Point) bool { return q.Z == p.Procedure.Distance }
	out = append(out, at(path[0].x, path[0].y))
	for i := 1; i < len(path); i++ {
		a, b := path[i-1], path[i]
		d := math.Hypot(float64(b.x-a.x), float64(b.y-a.y))
		steps := max(1, int(math.Ceil(d/nearKnob)))
		every := max(1, int(float64(p.Procedure.Spacing)/nearKnob))
		from, held := at(a.x, a.y), 0 // held: flat steps that were passed over
		for k := 1; k <= steps; k++ {
			f := quantity.Length(k) / quantity.Length(steps)
			to := at(a.x+f*(b.x-a.x), a.y+f*(b.y-a.y))
			if held++; flat(from) && flat(to) && held < every && k < steps {
				from = to
				continue
			}
			if held > 1 && !flat(to) {
				out = append(out, from)
			}
			refine(from, to)
			from, held = to, 0
		}
	}
	return out
}

func apart(a, b Point) float64 {
	return math.Hypot(math.Hypot(float64(a.X-b.X), float64(a.Y-b.Y)), float64(a.Z-b.Z))
}

// length of a path in m, through space.
func length(path []Point) float64 {
	var sum float64
	for i := 1; i < len(path); i++ {
		sum += apart(path[i-1], path[i])
	}
	return sum
}

// along is the point of a path at a length from its beginning.
func along(path []Point, at float64) Point {
	for i := 1; i < len(path); i++ {
		d := apart(path[i-1], path[i])
		if at <= d && d > 0 {
			f := quantity.Length(math.Max(0, at) / d)
			a, b := path[i-1], path[i]
			return Point{a.X + f*(b.X-a.X), a.Y + f*(b.Y-a.Y), a.Z + f*(b.Z-a.Z)}
		}
		at -= d
	}
	return path[len(path)-1]
}

// cut returns the part of a path between two lengths.
func cut(path []Point, from, to float64) []Point {
	out := []Point{along(path, from)}
	var sum float64
	for i := 1; i < len(path); i++ {
		sum += apart(path[i-1], path[i])
		if sum > from+1e-9 && sum < to-1e-9 {
			out = append(out, path[i])
		}
	}
	return append(out, along(path, to))
}

// At is where the sensing centre shall be after a time along the sweep.
func (s Sweep) At(speed float64, after time.Duration) Point {
	return along(s.Points, speed*after.Seconds())
}

// Facts tells what the plan came to.
func (p Plan) Facts() PlanFacts {
	f := PlanFacts{Spacing: p.Procedure.Spacing, Speed: p.Speed, Distance: p.Procedure.Distance, Sweeps: len(p.Sweeps), StageS: p.StageS, Pull: p.Pull}
	for _, s := range p.Sweeps {
		f.Length += s.Length
	}
	return f
}
