package survey

import (
	"errors"
	"fmt"
	"math"

	"ovenward/acquire/quantity"
)

// Surface is a side of an oven, named as by somebody who stands before its door.
type Surface string

const (
	Front  Surface = "front"
	Top    Surface = "top"
	Left   Surface = "left"
	Right  Surface = "right"
	Back   Surface = "back"
	Bottom Surface = "bottom"
)

// Rect is a rectangle on a surface, m. X and Y are of its lower left corner, from
// the surface's lower left seen from before it; a top's lower edge is that to the
// front.
type Rect struct {
	X      quantity.Length `json:"x_m"`
	Y      quantity.Length `json:"y_m"`
	Width  quantity.Length `json:"width_m"`
	Height quantity.Length `json:"height_m"`
}

// Vent is an opening for air.
type Vent struct {
	Surface Surface `json:"surface"`
	Rect
}

// Knob is what stands out of the front: a handle or a control knob.
type Knob struct {
	Name string `json:"name"`
	Rect
	Depth quantity.Length `json:"depth_m"` // how far it stands out
}

// Door is an oven as far as a plan must know it. The front is as wide as door and
// panel together, and as high as the higher of both.
type Door struct {
	Width  quantity.Length `json:"width_m"`
	Height quantity.Length `json:"height_m"`
	Hinge  Surface         `json:"hinge"` // left, right, top or bottom
	// Screen is the window with its mesh, in the middle of the door; 0 by 0: none.
	ScreenWidth  quantity.Length `json:"screen_width_m"`
	ScreenHeight quantity.Length `json:"screen_height_m"`
	Panel        quantity.Length `json:"panel_width_m"` // control panel beside the door; 0: none
	PanelLeft    bool            `json:"panel_left,omitempty"`
	Depth        quantity.Length `json:"depth_m"` // of the cabinet
	Vents        []Vent          `json:"vents,omitempty"`
	Knobs        []Knob          `json:"knobs,omitempty"` // handles and knobs
}

// Bounds of what a door can be; our own choice.
const (
	leastDoor quantity.Length = 0.1
	mostDoor  quantity.Length = 3
	mostKnob  quantity.Length = 0.2
)

// Check says what is wrong with a door; nil when a plan can be made for it.
func (d Door) Check() error {
	var wrong []error
	say := func(bad bool, format string, args ...any) {
		if bad {
			wrong = append(wrong, fmt.Errorf(format, args...))
		}
	}
	fits := func(x, least, most quantity.Length) bool { return x >= least && x <= most }
	say(!fits(d.Width, leastDoor, mostDoor), "the door is %s wide: give it %s to %s", d.Width, leastDoor, mostDoor)
	say(!fits(d.Height, leastDoor, mostDoor), "the door is %s high: give it %s to %s", d.Height, leastDoor, mostDoor)
	say(d.Hinge != Left && d.Hinge != Right && d.Hinge != Top && d.Hinge != Bottom, "the hinge is at %q: say left, right, top or bottom", d.Hinge)
	say(!fits(d.ScreenWidth, 0, d.Width) || !fits(d.ScreenHeight, 0, d.Height) || (d.ScreenWidth == 0) != (d.ScreenHeight == 0),
		"the screen is %s by %s: it lies in the door, and has both sizes or none", d.ScreenWidth, d.ScreenHeight)
	say(!fits(d.Panel, 0, mostDoor), "the control panel is %s wide: give it 0 to %s", d.Panel, mostDoor)
	say(!fits(d.Depth, leastDoor, mostDoor), "the cabinet is %s deep: give it %s to %s", d.Depth, leastDoor, mostDoor)
	inside := func(what string, s Surface, r Rect) {
		w, h := d.Size(s)
		ok := r.X >= 0 && r.Y >= 0 && r.Width > 0 && r.Height > 0 && r.X+r.Width <= w+1e-9 && r.Y+r.Height <= h+1e-9
		say(!ok, "%s does not lie on the %s, which is %s by %s", what, s, w, h)
	}
	for i, v := range d.Vents {
		inside(fmt.Sprintf("vent %d", i+1), v.Surface, v.Rect)
	}
	for _, k := range d.Knobs {
		inside(k.Name, Front, k.Rect)
		say(!fits(k.Depth, 0, mostKnob), "%s stands out %s: give it 0 to %s", k.Name, k.Depth, mostKnob)
	}
	return errors.Join(wrong...)
}

// Size is how wide and high a surface is, seen from before it.
func (d Door) Size(s Surface) (width, height quantity.Length) {
	w := d.Width + d.Panel
	switch s {
	case Front, Back:
		return w, d.Height
	case Top, Bottom:
		return w, d.Depth
	case Left, Right:
		return d.Depth, d.Height
	}
	return 0, 0
}

// Leaf is where the door's leaf lies on the front.
func (d Door) Leaf() Rect {
	r := Rect{Width: d.Width, Height: d.Height}
	if d.PanelLeft {
		r.X = d.Panel
	}
	return r
}

// Screen is where the screen lies on the front.
func (d Door) Screen() Rect {
	leaf := d.Leaf()
	return Rect{leaf.X + (d.Width-d.ScreenWidth)/2, (d.Height - d.ScreenHeight) / 2, d.ScreenWidth, d.ScreenHeight}
}

// PanelRect is where the control panel lies on the front.
func (d Door) PanelRect() Rect {
	r := Rect{Width: d.Panel, Height: d.Height}
	if !d.PanelLeft {
		r.X = d.Width
	}
	return r
}

// Cell is the place on a surface as one of 3 × 3, 1 to 9, row by row from the
// upper left (the grid of the published field form: HEW Publication (FDA)
// 77-8037, items 31 and 32; the order of its numbers is our own choice).
func (d Door) Cell(s Surface, x, y quantity.Length) int {
	w, h := d.Size(s)
	third := func(a, of quantity.Length) int {
		if !(of > 0) {
			return 0
		}
		return min(2, max(0, int(math.Floor(3*float64(a/of)))))
	}
	return 3*(2-third(y, h)) + third(x, w) + 1
}

// Before is how far before the front's plane the sensing centre must be, so that
// it is at the distance from the nearest outer surface, handle and knobs among
// them.
func (d Door) Before(s Surface, x, y, distance quantity.Length) quantity.Length {
	z := distance
	if s != Front {
		return z
	}
	for _, k := range d.Knobs {
		away := func(a, lo, size quantity.Length) float64 {
			return math.Max(0, math.Max(float64(lo-a), float64(a-lo-size)))
		}
		l := math.Hypot(away(x, k.X, k.Width), away(y, k.Y, k.Height))
		if l < float64(distance) {
			z = max(z, k.Depth+quantity.Length(math.Sqrt(float64(distance*distance)-l*l)))
		}
	}
	return z
}
