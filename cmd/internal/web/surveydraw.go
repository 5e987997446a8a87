package web

import (
	"fmt"
	"sort"
	"strings"

	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/survey"
)

// doorDrawing is one surface of an oven, drawn in mm, y downwards.
type doorDrawing struct {
	Box    string // viewBox
	Width  int
	Height int
	Name   string
	Leaf   *drawnRect
	Screen *drawnRect
	Panel  *drawnRect
	Hinge  *drawnRect
	Knobs  []drawnRect
	Vents  []drawnRect
	Path   string
	Mark   *drawnPoint
	Held   []drawnPoint
}

type drawnRect struct{ X, Y, W, H int }

type drawnPoint struct {
	X, Y  int
	Class string // within, exceeds or open
	Text  string
}

const drawnMargin = 40 // mm round the surface

// drawDoor draws the surface that the survey is at; the front when it has ended.
func drawDoor(v *survey.View, r survey.Result) *doorDrawing {
	d, surface := r.Oven.Door, survey.Front
	if v != nil && v.Phase != survey.Ended {
		surface = v.Surface
	}
	w, h := d.Size(surface)
	mm := func(l quantity.Length) int { return int(float64(l)*1000 + 0.5) }
	y := func(l quantity.Length) int { return mm(h) - mm(l) }
	rect := func(r survey.Rect) drawnRect { return drawnRect{mm(r.X), y(r.Y + r.Height), mm(r.Width), mm(r.Height)} }
	g := &doorDrawing{Width: mm(w), Height: mm(h), Name: string(surface),
		Box: fmt.Sprintf("%d %d %d %d", -drawnMargin, -drawnMargin, mm(w)+2*drawnMargin, mm(h)+2*drawnMargin)}
	if surface == survey.Front {
		drawFront(g, d, rect)
	}
	for _, vent := range d.Vents {
		if vent.Surface == surface {
			g.Vents = append(g.Vents, rect(vent.Rect))
		}
	}
	for _, p := range r.Places {
		if p.Surface == surface {
			class := map[limit.Outcome]string{limit.Within: "within", limit.Exceeds: "exceeds"}[p.Verdict.Outcome]
			if class == "" {
				class = "open"
			}
			g.Held = append(g.Held, drawnPoint{mm(p.X), y(p.Y), class, fmt.Sprint(p.N)})
		}
	}
	top := func(p drawnPoint) int { // what exceeds lies on top: two sides of a seam meet in a corner
		if p.Class == "exceeds" {
			return 1
		}
		return 0
	}
	sort.SliceStable(g.Held, func(i, j int) bool { return top(g.Held[i]) < top(g.Held[j]) })
	if v == nil || v.Phase == survey.Ended {
		return g
	}
	var path strings.Builder
	for i, p := range v.Path {
		fmt.Fprintf(&path, "%s%d %d", map[bool]string{true: "M", false: "L"}[i == 0], mm(p.X), y(p.Y))
	}
	g.Path = path.String()
	if v.Mark != nil {
		g.Mark = &drawnPoint{X: mm(v.Mark.X), Y: y(v.Mark.Y)}
	} else if len(v.Path) > 0 {
		g.Mark = &drawnPoint{X: mm(v.Path[0].X), Y: y(v.Path[0].Y)}
	}
	return g
}

func drawFront(g *doorDrawing, d survey.Door, rect func(survey.Rect) drawnRect) {
	leaf := rect(d.Leaf())
	g.Leaf = &leaf
	if d.ScreenWidth > 0 {
		screen := rect(d.Screen())
		g.Screen = &screen
	}
	if d.Panel > 0 {
		panel := rect(d.PanelRect())
		g.Panel = &panel
	}
	for _, k := range d.Knobs {
		g.Knobs = append(g.Knobs, rect(k.Rect))
	}
	hinge := leaf
	const thick = 8
	switch d.Hinge {
	case survey.Right:
		hinge.X, hinge.W = leaf.X+leaf.W-thick, thick
	case survey.Top:
		hinge.H = thick
	case survey.Bottom:
		hinge.Y, hinge.H = leaf.Y+leaf.H-thick, thick
	default:
		hinge.W = thick
	}
	g.Hinge = &hinge
}

// read2 prints W/m² in the viewer's unit.
func (v voice) read2(s float64) string { return v.read(quantity.PowerDensity(s)) }
