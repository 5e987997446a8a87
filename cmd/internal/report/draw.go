package report

// Colour is 0xRRGGBB.
type Colour int32

// The colours of all reports. Each stands at least 4.5 : 1 off white where it is
// one of text.
const (
	Ink   Colour = 0x1a1a1a
	Grey  Colour = 0x595959
	Pale  Colour = 0xd9d9d9
	Faint Colour = 0xf2f2f2
	Blue  Colour = 0x1f5c99
	Light Colour = 0xc5d9ed
	Red   Colour = 0xa8231c
	White Colour = 0xffffff
)

// Anchor says which end of a text stands at its point.
type Anchor int

const (
	Start Anchor = iota
	Middle
	End
)

// Shape is a path, or a text.
type Shape struct {
	Path   []Point
	Closed bool
	Stroke float64 // width in mm; 0: none
	Dash   float64 // mm; 0: unbroken
	Line   Colour
	Filled bool
	Fill   Colour

	Text   string // at Path[0], which is on its baseline
	Size   float64
	Bold   bool
	Anchor Anchor
	Ink    Colour
}

// Drawing is shapes on a field.
type Drawing struct {
	Width, Height float64
	Shapes        []Shape
}

func (d *Drawing) line(width float64, c Colour, dash float64, path ...Point) {
	if len(path) > 1 {
		d.Shapes = append(d.Shapes, Shape{Path: path, Stroke: width, Line: c, Dash: dash})
	}
}

func (d *Drawing) area(c Colour, path ...Point) {
	if len(path) > 2 {
		d.Shapes = append(d.Shapes, Shape{Path: path, Closed: true, Filled: true, Fill: c})
	}
}

func (d *Drawing) box(x, y, w, h, width float64, line Colour, filled bool, fill Colour) {
	d.Shapes = append(d.Shapes, Shape{Path: []Point{{x, y}, {x + w, y}, {x + w, y + h}, {x, y + h}}, Closed: true,
		Stroke: width, Line: line, Filled: filled, Fill: fill})
}

func (d *Drawing) text(x, y, size float64, a Anchor, c Colour, s string) {
	if s != "" {
		d.Shapes = append(d.Shapes, Shape{Path: []Point{{x, y}}, Text: s, Size: size, Anchor: a, Ink: c})
	}
}

// cross marks a point without colour.
func (d *Drawing) cross(x, y, r float64, c Colour) {
	d.line(0.3, c, 0, Point{x - r, y - r}, Point{x + r, y + r})
	d.line(0.3, c, 0, Point{x - r, y + r}, Point{x + r, y - r})
}

// ring marks a point as a small octagon.
func (d *Drawing) ring(x, y, r float64, line Colour, filled bool) {
	const c = 0.414
	d.Shapes = append(d.Shapes, Shape{Path: []Point{{x - r, y - c*r}, {x - c*r, y - r}, {x + c*r, y - r}, {x + r, y - c*r},
		{x + r, y + c*r}, {x + c*r, y + r}, {x - c*r, y + r}, {x - r, y + c*r}}, Closed: true, Stroke: 0.35, Line: line,
		Filled: true, Fill: map[bool]Colour{true: line, false: White}[filled]})
}
