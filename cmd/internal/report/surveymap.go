package report

import (
	"fmt"
	"slices"
	"strings"

	"ovenward/acquire/limit"
	"ovenward/acquire/quantity"
	"ovenward/acquire/survey"
)

// maps draws each surface on which there are places.
func (s *Survey) maps() []Block {
	var all []Block
	for _, surface := range []survey.Surface{survey.Front, survey.Top, survey.Left, survey.Right, survey.Back, survey.Bottom} {
		var on []*survey.Place
		for i := range s.Result.Places {
			if s.Result.Places[i].Surface == surface {
				on = append(on, &s.Result.Places[i])
			}
		}
		if w, h := s.Result.Oven.Door.Size(surface); len(on) > 0 && w > 0 && h > 0 {
			all = append(all, s.surface(surface, on))
		}
	}
	if len(all) == 0 {
		return []Block{&Paragraph{Plain, "No place was held, so there is no map."}}
	}
	return all
}

// surfaceMap is a drawing of one surface under way.
type surfaceMap struct {
	Drawing
	scale      float64 // mm a metre
	left, base float64
	labels     [][4]float64 // boxes that are taken
}

const (
	mapWidth, mapHeight = 110.0, 88.0
	mapRoom             = 22.0 // on each side, for labels
)

func (m *surfaceMap) at(x, y quantity.Length) (float64, float64) {
	return m.left + float64(x)*m.scale, m.base - float64(y)*m.scale
}

func (m *surfaceMap) rect(r survey.Rect, width float64, line Colour, filled bool, fill Colour) {
	x, y := m.at(r.X, r.Y+r.Height)
	m.box(x, y, float64(r.Width)*m.scale, float64(r.Height)*m.scale, width, line, filled, fill)
}

func (s *Survey) surface(surface survey.Surface, on []*survey.Place) Block {
	door := s.Result.Oven.Door
	w, h := door.Size(surface)
	scale := min(mapWidth/float64(w), mapHeight/float64(h))
	if surface != survey.Front {
		scale = min(mapWidth/float64(w), 0.6*mapHeight/float64(h))
	}
	m := &surfaceMap{scale: scale}
	m.Width, m.Height = 174, float64(h)*scale+2*8
	m.left, m.base = (m.Width-float64(w)*scale)/2, m.Height-8
	m.rect(survey.Rect{Width: w, Height: h}, 0.5, Ink, true, Faint)
	if surface == survey.Front {
		m.front(door)
	}
	for i := quantity.Length(1); i < 3; i++ {
		x, _ := m.at(w*i/3, 0)
		_, y := m.at(0, h*i/3)
		m.line(0.1, Grey, 0.8, Point{x, m.base}, Point{x, m.base - float64(h)*scale})
		m.line(0.1, Grey, 0.8, Point{m.left, y}, Point{m.left + float64(w)*scale, y})
	}
	for _, v := range door.Vents {
		if v.Surface == surface {
			m.vent(v.Rect)
		}
	}
	for _, p := range on {
		x, y := m.at(p.X, p.Y)
		m.keep(x, y)
	}
	for _, p := range on {
		m.mark(p, s.underFloor(p))
	}
	return &Figure{Title: fmt.Sprintf("%s, seen from before it, %s by %s", strings.ToUpper(string(surface[:1]))+string(surface[1:]), w, h),
		Alt: "Numbers are those of the places in the table; values in mW/cm². Open ring: within. Full ring: exceeds. Cross: not decided. Dashed lines: the cells, 1 to 9 from the upper left.", Drawing: m.Drawing}
}

// front draws leaf, screen, panel, handle and hinge.
func (m *surfaceMap) front(d survey.Door) {
	leaf := d.Leaf()
	m.rect(leaf, 0.6, Ink, true, White)
	if d.ScreenWidth > 0 {
		m.rect(d.Screen(), 0.3, Grey, true, Faint)
		x, y := m.at(d.Screen().X+d.ScreenWidth/2, d.Screen().Y+d.ScreenHeight)
		m.text(x, y+3.2, 6, Middle, Grey, "screen")
	}
	if d.Panel > 0 {
		m.rect(d.PanelRect(), 0.3, Grey, true, Faint)
		p := d.PanelRect()
		x, y := m.at(p.X+p.Width/2, p.Y+p.Height)
		m.text(x, y+3.2, 6, Middle, Grey, "panel")
	}
	for _, k := range d.Knobs {
		m.rect(k.Rect, 0.3, Grey, true, Pale)
	}
	x0, y0 := m.at(leaf.X, leaf.Y)
	x1, y1 := m.at(leaf.X+leaf.Width, leaf.Y+leaf.Height)
	const t = 1.4
	switch d.Hinge {
	case survey.Left:
		m.box(x0-t/2, y1+4, t, y0-y1-8, 0.2, Ink, true, Ink)
	case survey.Right:
		m.box(x1-t/2, y1+4, t, y0-y1-8, 0.2, Ink, true, Ink)
	case survey.Top:
		m.box(x0+4, y1-t/2, x1-x0-8, t, 0.2, Ink, true, Ink)
	case survey.Bottom:
		m.box(x0+4, y0-t/2, x1-x0-8, t, 0.2, Ink, true, Ink)
	}
	m.text(m.left, m.base+5, 6, Start, Grey, "thick edge: hinge, "+string(d.Hinge))
}

func (m *surfaceMap) vent(r survey.Rect) {
	m.rect(r, 0.2, Grey, false, White)
	for i := quantity.Length(1); i < 4; i++ {
		x0, y := m.at(r.X, r.Y+r.Height*i/4)
		x1, _ := m.at(r.X+r.Width, r.Y)
		m.line(0.15, Grey, 0, Point{x0, y}, Point{x1, y})
	}
}

// keep holds a mark's own place free of labels.
func (m *surfaceMap) keep(x, y float64) {
	m.labels = append(m.labels, [4]float64{x - 1.2, y - 1.2, x + 1.2, y + 1.2})
}

// mark draws one place with its number and value, beside it where there is room.
func (m *surfaceMap) mark(p *survey.Place, under bool) {
	x, y := m.at(p.X, p.Y)
	switch p.Verdict.Outcome {
	case limit.Within:
		m.ring(x, y, 1.1, Ink, false)
	case limit.Exceeds:
		m.ring(x, y, 1.4, Red, true)
	default:
		m.cross(x, y, 1.1, Ink)
	}
	text := fmt.Sprintf("%d: no value", p.N)
	if p.OverRange {
		text = fmt.Sprintf("%d: over range", p.N)
	} else if under {
		text = fmt.Sprintf("%d: under floor", p.N)
	} else if p.Value != nil {
		text = fmt.Sprintf("%d: %.3g", p.N, mw(*p.Value))
	}
	wide, high := 1.25*float64(len(text))+0.6, 2.6
	const off = 2.0
	for _, ring := range []float64{0, 1, 2, 3} {
		d := off + ring*high
		for _, c := range [][2]float64{{x + off, y - high/2 - ring*high}, {x - off - wide, y - high/2 - ring*high}, {x - wide/2, y - d - high}, {x - wide/2, y + d}, {x + off, y - high/2 + ring*high}, {x - off - wide, y - high/2 + ring*high}} {
			b := [4]float64{c[0], c[1], c[0] + wide, c[1] + high}
			if b[0] < 0 || b[2] > m.Width || b[1] < 0 || b[3] > m.Height || slices.ContainsFunc(m.labels, func(o [4]float64) bool {
				return b[0] < o[2] && o[0] < b[2] && b[1] < o[3] && o[1] < b[3]
			}) {
				continue
			}
			m.labels = append(m.labels, b)
			m.area(White, Point{b[0], b[1] + 0.1}, Point{b[2], b[1] + 0.1}, Point{b[2], b[3]}, Point{b[0], b[3]}) // it may lie on a line
			m.text(b[0]+0.3, b[3]-0.5, 6.5, Start, Ink, text)
			return
		}
	}
	m.text(x, y+0.9, 5, Middle, Ink, fmt.Sprint(p.N)) // crowded: the table gives the value
}
